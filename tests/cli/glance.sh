#!/bin/sh
# glance: five lines and a sentence about the last bursts of a card; nothing is written anywhere.
. "$(dirname "$0")/lib.sh"
status 2 chaffinch glance "$work/nowhere"; one_line "$work/err"
mkdir "$work/empty"; status 2 chaffinch glance "$work/empty"; says "$work/err" "no JPEGs"; one_line "$work/err"
cardgen "$work/c" --size 1200x900 --only skim,soft,two --jobs 2 || fail "cardgen"
chmod -R a-w "$work/c/card"
snapshot "$work/c/card" >"$work/before"
mkdir "$work/tmp"
status 0 env TMPDIR="$work/tmp" "$CHAFFINCH_OUT/chaffinch" glance "$work/c/card" --last 3
[ "$(wc -l <"$work/out")" -eq 6 ] && ok "five lines and a sentence" || { fail "another number of lines"; cat "$work/out"; }
for word in birds "sharp zone" "plane of focus" "focus or motion" clipped; do says "$work/out" "$word"; done
says "$work/out" "of 3 bursts"
tail -n 1 "$work/out" | grep -qE '^[A-Z].*\.$' && ok "a sentence" || fail "no sentence"
snapshot "$work/c/card" >"$work/after"; same "$work/before" "$work/after" "the card is untouched"
[ ! -e "$work/c/card/.chaffinch" ] && [ -z "$(ls -A "$work/tmp")" ] && ok "nothing was written elsewhere" || fail "something was written"
# Thumbnails say which parts are decoded; without them everything is, and as many birds are found.
if command -v exiftool >/dev/null; then
    cp -r "$work/c/card" "$work/bare"; chmod -R u+w "$work/bare"
    exiftool -q -P -overwrite_original -ThumbnailImage= "$work"/bare/DCIM/*/*.JPG 2>/dev/null
    head -n 1 "$work/out" >"$work/with"
    status 0 chaffinch glance "$work/bare" --last 3
    head -n 1 "$work/out" >"$work/without"
    same "$work/with" "$work/without" "as many birds without thumbnails"
fi
# The last one is "two": both birds cross the plane.
status 0 chaffinch glance "$work/c/card" --last 1
says "$work/out" "2 passes in 1 of 1 bursts"
# A bird that never comes near the plane is told as such.
rm -rf "$work/d"; cardgen "$work/d" --size 1200x900 --only soft --jobs 2 || fail "cardgen"
status 0 chaffinch glance "$work/d/card" --last 1
tail -n 1 "$work/out" | grep -q 'Change nothing' && fail "a soft burst needs no change" || ok "a soft burst: $(tail -n 1 "$work/out")"
status 2 chaffinch glance "$work/c/card" --last 0; one_line "$work/err"
finish
