#!/bin/sh
# Card and session in the wrong order, and choices that must outlast the deletion of the rejects around them.
. "$(dirname "$0")/lib.sh"
cardgen "$work" --size 800x600 --only pairs --jobs 2 >/dev/null || fail "the small card cannot be drawn"
# The strays of the card are left out: each command shall end with 0.
rm "$work"/card/DCIM/*/._* 2>/dev/null
status 0 chaffinch run "$work/card" "$work/session"
snapshot "$work/card" >"$work/card.before"
status 3 chaffinch run "$work/session" "$work/card"
one_line "$work/err"
says "$work/err" "the cards come first"
status 3 chaffinch copy "$work/session" "$work/card"
snapshot "$work/card" >"$work/card.after"
same "$work/card.before" "$work/card.after" "the card is as it was"
if [ -e "$work/card/.chaffinch" ]; then fail "our folder was made on the card"; fi

burst=$(chaffinch list "$work/session" --bursts --format csv | awk -F, 'NR > 1 && $4 > 5 {print $1; exit}')
status 0 chaffinch decide "$work/session" accept --burst "$burst"
keepers() { chaffinch list "$work/session" --frames --outcome keep --format csv | cut -d, -f4,9,12; }
keepers >"$work/keep.before"
[ "$(wc -l <"$work/keep.before")" -gt 1 ] || fail "nothing is kept in the burst"
status 0 apply "$work/session" --move
n=$(apply "$work/session" --delete-rejects | sed -n 's/^delete: \([0-9]*\) files\{0,1\}$/\1/p')
status 0 apply "$work/session" --delete-rejects --confirm "$n"
status 0 chaffinch measure "$work/session"
status 0 chaffinch rank "$work/session"
keepers >"$work/keep.after"
same "$work/keep.before" "$work/keep.after" "what a person accepted stays kept when its rejects are gone"
finish
