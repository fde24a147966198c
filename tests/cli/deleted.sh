#!/bin/sh
# A burst whose rejects are deleted one by one is still the burst it was: neither split nor too short, and its choice stands.
. "$(dirname "$0")/lib.sh"
s="$work/session"
cardgen "$work/drawn" --jobs 2 --size 480x360 --only two >"$work/out" 2>&1 || fail "no demo card"
mkdir "$s"
cp -rp "$work/drawn/card/DCIM" "$s/"
chaffinch measure "$s" 2>"$work/err" >"$work/out"
chaffinch rank "$s" 2>"$work/err" >"$work/out" || fail "not ranked"
kept() { chaffinch list "$s" --frames --format csv | awk -F, 'NR > 1 && $11 != "reject" { print $1, $3, $4, $9, $12 }'; }
kept >"$work/before"
[ -s "$work/before" ] && [ "$(wc -l <"$work/before")" -lt 30 ] && ok "few stay" || fail "nothing stays, or too much"
chaffinch list "$s" --frames --outcome reject --print0 | (cd "$s" && xargs -0 "$CHAFFINCH_OUT/chaffinch" decide . reject) >"$work/out" || fail "not decided"
status 0 apply "$s" --move
status 0 apply "$s" --delete-rejects
count=$(sed -n 's/^delete: \(.*\) files$/\1/p' "$work/out")
status 0 apply "$s" --delete-rejects --confirm "$count"
kept >"$work/after"
same "$work/before" "$work/after" "deleting changes no proposal"
status 0 chaffinch measure "$s"
status 0 chaffinch rank "$s"
kept >"$work/after"
same "$work/before" "$work/after" "measuring and ranking what is left changes no proposal"
status 0 chaffinch rank "$s" --keep 1
status 0 chaffinch rank "$s" --keep 3
kept >"$work/after"
same "$work/before" "$work/after" "another keep and back"
status 0 chaffinch measure "$s" --all
status 0 chaffinch rank "$s"
if awk '$5 == "too-few"' "$work/before" "$work/after" | grep .; then fail "too few"; fi
finish
