# lib.sh - for the command line tests: `. "$(dirname "$0")/lib.sh"` first. Needs CHAFFINCH_OUT, the build folder.
# Gives $work (a scratch folder, removed at the end), the commands chaffinch, apply, cardgen, and the checks below. A test ends
# with `finish`; one failed check makes it fail, and the others still run.
: "${CHAFFINCH_OUT:?run through make cli}"
LC_ALL=C
export LC_ALL
work=$(mktemp -d "${TMPDIR:-/tmp}/chaffinch-test.XXXXXX")
trap 'chmod -R u+w "$work" 2>/dev/null; rm -rf "$work"' EXIT
failures=0
chaffinch() { "$CHAFFINCH_OUT/chaffinch" "$@"; }
apply() { "$CHAFFINCH_OUT/chaffinch-apply" "$@"; }
cardgen() { "$CHAFFINCH_OUT/cardgen" "$@"; }
fail() { echo "not ok: $*"; failures=$((failures + 1)); }
ok() { echo "ok: $*"; }
# status EXPECTED COMMAND...   runs it, keeps stdout in $work/out and stderr in $work/err
status() {
    want=$1; shift
    got=0
    "$@" >"$work/out" 2>"$work/err" || got=$?
    if [ "$got" -eq "$want" ]; then ok "exit $want: $*"; else fail "exit $got instead of $want: $*"; cat "$work/out" "$work/err"; fi
}
# says FILE TEXT   the file holds the text (a fixed string)
says() { if grep -qF -- "$2" "$1"; then ok "says: $2"; else fail "'$2' is missing in:"; cat "$1"; fi; }
# one_line FILE    a clear error is one line
one_line() { n=$(wc -l <"$1"); if [ "$n" -eq 1 ]; then ok "one line"; else fail "$n lines instead of one:"; cat "$1"; fi; }
# same A B TEXT
same() { if cmp -s "$1" "$2"; then ok "$3"; else fail "$3"; diff "$1" "$2" | head -20; fi; }
# snapshot FOLDER   every file and folder with mode, time and checksum; our own folder is left out
snapshot() {
    (cd "$1" && find . -mindepth 1 -path ./.chaffinch -prune -o -printf '%P\0%y %m %T@\n' | tr '\0' ' ' | sort &&
        find . -path ./.chaffinch -prune -o -type f -print0 | sort -z | xargs -0 -r md5sum)
}
finish() { if [ "$failures" -gt 0 ]; then echo "$failures checks failed"; exit 1; fi; exit 0; }
