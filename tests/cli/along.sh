#!/bin/sh
# run measures while it copies: passes can be looked at before the card is empty, a kill or an interrupt costs nothing, and the
# result is that of copying first and measuring then, byte for byte.
. "$(dirname "$0")/lib.sh"
case "$CHAFFINCH_OUT" in *release) ;; *) echo "skipped: the slow card cannot be preloaded into a sanitizer build"; finish ;; esac
cardgen "$work" --size 480x360 --jobs 2 >/dev/null || fail "the card cannot be drawn"
shim=$(cd "$CHAFFINCH_OUT" && pwd)/throttle.so
# slowly SESSION   run from a card that gives 8 megabytes a second; in the background, whose number is that of the program
slowly() {
    exec env THROTTLE_DIR="$work/card" THROTTLE_MBS=8 LD_PRELOAD="$shim" "$CHAFFINCH_OUT/chaffinch" run "$work/card" "$1" >"$work/out" 2>"$work/err"
}
frames() { chaffinch list "$1" --frames --format csv; }
ranked() { frames "$1" 2>/dev/null | awk -F, 'NR > 1 && $8 != ""' | wc -l; }
copied() { find "$1" -path ./.chaffinch -prune -o -type f -name 'DEMO*' -print 2>/dev/null | wc -l; }
# wait_ranked SESSION   until a frame is ranked, 20 s at most; then how many files are there
wait_ranked() {
    for _ in $(seq 200); do
        [ "$(ranked "$1")" -gt 0 ] && break
        sleep .1
    done
    copied "$1"
}

status 0 chaffinch copy "$work/card" "$work/after" --one-is-enough
chaffinch measure "$work/after" >/dev/null 2>&1
status 0 chaffinch rank "$work/after"
all=$(copied "$work/after")

# Undisturbed: something is ranked while files are still to come.
slowly "$work/along" &
run=$!
here=$(wait_ranked "$work/along")
if [ "$here" -lt "$all" ]; then ok "a pass is ranked with $here of $all files copied"; else fail "nothing is ranked before all is copied"; fi
got=0; wait $run || got=$?
[ "$got" -eq 1 ] && ok "exit 1: two files are damaged" || { fail "exit $got"; cat "$work/err"; }
says "$work/out" "failed 2"
for format in csv jsonl; do
    chaffinch list "$work/after" --frames --format $format >"$work/after.$format"
    chaffinch list "$work/along" --frames --format $format >"$work/along.$format"
    same "$work/after.$format" "$work/along.$format" "the same frames as $format"
done
same "$work/after/.chaffinch/manifest.txt" "$work/along/.chaffinch/manifest.txt" "the same manifest"
chaffinch list "$work/after" --bursts --format csv >"$work/after.bursts"
chaffinch list "$work/along" --bursts --format csv >"$work/along.bursts"
same "$work/after.bursts" "$work/along.bursts" "the same bursts"
if command -v sqlite3 >/dev/null; then
    # All that the catalogue knows, but for the places of cells in packs, which tell the order of the work.
    for s in after along; do
        sqlite3 "$work/$s/.chaffinch/catalogue.db" "UPDATE frame SET pack = 0, pack_offset = 0; UPDATE burst SET stamp = ''; SELECT * FROM frame ORDER BY identity;
            SELECT * FROM file ORDER BY path; SELECT * FROM burst ORDER BY number; SELECT * FROM item ORDER BY frame, pass;" >"$work/$s.dump"
    done
    same "$work/after.dump" "$work/along.dump" "the same catalogue"
fi

# Killed, then interrupted, each time with passes ranked and files to come; then to the end.
for signal in KILL INT; do
    rm -rf "$work/stopped"
    slowly "$work/stopped" &
    run=$!
    here=$(wait_ranked "$work/stopped")
    kill -$signal $run
    got=0; wait $run 2>/dev/null || got=$?
    here=$(copied "$work/stopped")
    if [ "$here" -lt "$all" ]; then ok "$signal with $here of $all files copied, exit $got"; else fail "$signal came too late"; fi
    chaffinch run "$work/card" "$work/stopped" >"$work/out" 2>"$work/err"
    chaffinch list "$work/stopped" --frames --format csv >"$work/stopped.csv"
    same "$work/after.csv" "$work/stopped.csv" "after $signal the next run ends with the same"
done

# Measuring that fails leaves the copy whole and its verdict said: here cells have no place to go.
mkdir -p "$work/failing/.chaffinch"
: >"$work/failing/.chaffinch/cells"
slowly "$work/failing" &
run=$!
got=0; wait $run || got=$?
[ "$got" -ne 0 ] && ok "exit $got" || fail "exit 0 though nothing could be measured"
says "$work/out" "verified on 1 disk: keep the card"
same "$work/after/.chaffinch/manifest.txt" "$work/failing/.chaffinch/manifest.txt" "everything is copied where measuring fails"
finish
