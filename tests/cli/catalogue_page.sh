#!/bin/sh
# chaffinch-catalogue(5) against a real session: it names every table, every column and every file there is, and its examples run.
. "$(dirname "$0")/lib.sh"
page=$PWD/man/chaffinch-catalogue.5
s="$work/session"
db="$s/.chaffinch/catalogue.db"
cardgen "$work" --jobs 2 --size 640x480 --only pairs >/dev/null || fail "the card cannot be drawn"
status 0 chaffinch run "$work/card" "$s"
first=$(chaffinch list "$s" --frames --print0 | tr '\0' '\n' | head -n 1)
status 0 chaffinch decide "$s" reject "$first"
status 0 apply "$s" --move

# Words that the page marks as names: literals, paths, and the titles of tables.
grep -E '^\.(It |Pq )?(Li|Pa|Ss|Cm) ' "$page" | tr -s ' ,' '\n\n' | sort -u >"$work/names"
named() { if grep -qxF -- "$1" "$work/names"; then seen=$((seen + 1)); else fail "the page does not name $2 '$1'"; fi; }
seen=0
for t in $(sqlite3 -readonly "$db" "SELECT name FROM sqlite_schema WHERE type IN ('table', 'view')"); do
    named "$t" table
    for c in $(sqlite3 -readonly "$db" "SELECT name FROM pragma_table_info('$t')"); do named "$c" "column of $t"; done
done
if [ "$seen" -gt 60 ]; then ok "$seen tables and columns are named"; else fail "only $seen tables and columns were found"; fi
for f in $(cd "$s/.chaffinch" && find . -mindepth 1 -maxdepth 1 \( -type d -printf '%P/\n' -o -printf '%P\n' \)); do named "$f" file; done
version=$(sqlite3 -readonly "$db" 'PRAGMA user_version')
says "$page" "user_version $version."
says "$page" "$(printf '0x%x' "$(sqlite3 -readonly "$db" 'PRAGMA application_id')")"

# An example is a literal block, or one line; "#" ends it here.
awk '/^\.Sh /{ on = /EXAMPLES/ } !on { next } /^\.Dl \$ /{ print substr($0, 7) "\n#"; next }
    /^\.Bd /{ in_it = 1; next } /^\.Ed/{ in_it = 0; print "#"; next } in_it { sub(/^\$ /, ""); gsub(/\\e/, "\\"); print }' "$page" >"$work/examples"
example='' n=0
while IFS= read -r line; do
    if [ "$line" != "#" ]; then example="$example$line
"; continue; fi
    n=$((n + 1))
    out=$(cd "$s" && sh -c "$example" 2>&1); got=$?
    text=$example example=''
    # xxhsum names what was moved and says so with its status.
    case "$text" in xxhsum*) [ "$got" -eq 1 ] && got=0 ;; esac
    if [ "$got" -eq 0 ] && [ -n "$out" ]; then ok "example $n"; else fail "exit $got, output '$out': $text"; fi
done <"$work/examples"
# What the page says of checksums: xxhsum prints the last field of a record.
log="$s/.chaffinch/decisions.log"
sum=$(tail -n 1 "$log" | awk -F '\t' -v OFS='\t' '{ NF--; printf "%s", $0 }' | xxhsum -H3 - 2>/dev/null)
case "$sum" in *"$(tail -n 1 "$log" | sed 's/.*\t//')"*) ok "xxhsum agrees with the log" ;; *) fail "xxhsum says '$sum' of '$(tail -n 1 "$log")'" ;; esac
if [ "$n" -ge 9 ]; then ok "$n examples ran"; else fail "only $n examples were found"; fi
finish
