#!/bin/sh
# measure --fast: the sharpest frame from fewer decodes; what was left out is not scored and never in danger.
. "$(dirname "$0")/lib.sh"
cardgen "$work/c" --size 1200x900 --only skim,two --jobs 2 || fail "cardgen"
cp -r "$work/c/card" "$work/all"
cp -r "$work/c/card" "$work/fast"
status 2 chaffinch measure "$work/fast" --all --fast; one_line "$work/err"
status 0 chaffinch measure "$work/all"
status 0 chaffinch measure "$work/fast" --fast; says "$work/out" "not scored: "
# paths of the frames of a session that meet a condition
frames() { chaffinch list "$1" --frames --format csv | tr -d '\r' | awk -F, "$2"' { print $4 }'; }
tops='NR > 1 && $8 == 1 && $9 == "keep"'
frames "$work/all" "$tops" >"$work/tops.all"; frames "$work/fast" "$tops" >"$work/tops.fast"
[ -s "$work/tops.all" ] || fail "no top frame"
# Equals for the eye: within .3 px of the sharpest, by the blur that the whole measuring tells.
chaffinch list "$work/all" --frames --format csv | tr -d '\r' >"$work/all.csv"
blur_of() { awk -F, -v path="$1" '$4 == path { print $7 }' "$work/all.csv"; }
# as_sharp FILE    the top frames in it against those of the whole measuring
as_sharp() {
    [ "$(wc -l <"$work/tops.all")" -eq "$(wc -l <"$1")" ] && ok "as many passes with a top frame" || fail "other passes"
    paste "$work/tops.all" "$1" | while read -r a b; do echo "$(blur_of "$a") $(blur_of "$b")"; done >"$work/blurs"
    awk '$2 == "" || $2 - $1 > .3 { bad = 1 } END { exit bad }' "$work/blurs" && ok "top frames as sharp as the sharpest" ||
        { fail "a softer top frame:"; cat "$work/blurs"; }
}
as_sharp "$work/tops.fast"
n=$(frames "$work/fast" '$12 == "not-scored"' | wc -l)
[ "$n" -ge 10 ] && ok "$n frames are not scored" || fail "only $n frames are not scored"
[ "$(frames "$work/fast" '$12 == "not-scored" && ($9 != "none" || $11 != "none")' | wc -l)" -eq 0 ] &&
    ok "none of them is proposed for anything" || fail "a frame that is not scored has a proposal"
status 0 chaffinch rank "$work/fast"
frames "$work/fast" '$12 == "not-scored"' >"$work/left"
status 0 apply "$work/fast" --move
missing=0
while read -r path; do [ -f "$work/fast/$path" ] || missing=$((missing + 1)); done <"$work/left"
[ "$missing" -eq 0 ] && ok "they stay where they are" || fail "$missing of them were moved"
status 0 apply "$work/fast" --undo
# run --fast is copying, measuring --fast and ranking.
status 0 chaffinch copy "$work/c/card" "$work/after" --one-is-enough
status 0 chaffinch measure "$work/after" --fast
status 0 chaffinch rank "$work/after"
status 0 chaffinch run "$work/c/card" "$work/night" --one-is-enough --fast
for s in after night; do chaffinch list "$work/$s" --frames --format csv >"$work/$s.csv"; done
[ "$(grep -c not-scored "$work/night.csv")" -ge 10 ] && same "$work/after.csv" "$work/night.csv" "run --fast gives the same" || fail "run --fast scores all"
# The same again does nothing; without --fast the rest is scored too.
status 0 chaffinch measure "$work/fast" --fast; says "$work/out" "0 measured now"
status 0 chaffinch measure "$work/fast"
[ "$(frames "$work/fast" '$12 == "not-scored"' | wc -l)" -eq 0 ] && ok "all is scored" || fail "frames are not scored still"
frames "$work/fast" "$tops" >"$work/tops.later"; as_sharp "$work/tops.later"
finish
