#!/bin/sh
# Parts of the picture that are ignored: no subject is found there, the set-up is judged anew, and everything is as before once they go.
. "$(dirname "$0")/lib.sh"
s="$work/session"
cardgen "$work/drawn" --jobs 2 --size 480x360 --only two >"$work/out" 2>&1 || fail "no demo card"
mkdir "$s"
cp -rp "$work/drawn/card/DCIM" "$s/"
frame=$(cd "$s" && find DCIM -name '*.JPG' | sort | head -n 1)
status 2 chaffinch area "$s" --ignore 0,0,10,10 --frame "$frame"; one_line "$work/err"
chaffinch measure "$s" 2>"$work/err" >"$work/out"
status 2 chaffinch area "$s" --ignore 0,0,10,10 --frame "$frame"; one_line "$work/err"
chaffinch rank "$s" 2>"$work/err" >"$work/out" || fail "not ranked"
boxes() { chaffinch list "$s" --frames --format csv | awk -F, 'NR > 1 && $15 != "" { print $13, $14, $15, $16 }'; }
boxes >"$work/before"
[ -s "$work/before" ] && ok "subjects are there" || fail "no subject"
status 0 chaffinch area "$s"
[ ! -s "$work/out" ] && ok "no area yet" || fail "an area out of nothing"
for wrong in 0,0,481,10 0,0,0,10 1,2,3 a,b,c,d "0,0,10,10,"; do status 2 chaffinch area "$s" --ignore "$wrong" --frame "$frame"; one_line "$work/err"; done
status 2 chaffinch area "$s" --ignore 0,0,10,10; one_line "$work/err"
status 2 chaffinch area "$s" --remove 1; one_line "$work/err"
status 0 chaffinch area "$s" --keep-out 0,0,100,100 --frame "$frame"
status 0 chaffinch rank "$s"
boxes >"$work/after"
same "$work/before" "$work/after" "what is kept out of crops changes no judgement"
status 0 chaffinch area "$s" --ignore 0,0,480,180 --frame "$frame"
status 0 chaffinch area "$s"
says "$work/out" "ignore    0.0 % from the left, 0.0 % from the top, 100.0 % x 50.0 % of the picture"
status 0 chaffinch rank "$s"
boxes >"$work/after"
upper() { awk '$2 + $4 <= 180' "$1" | wc -l; }
[ "$(upper "$work/before")" -gt 0 ] && [ "$(upper "$work/after")" -eq 0 ] && ok "no subject where it is ignored" || fail "$(upper "$work/before") before, $(upper "$work/after") after"
status 0 chaffinch area "$s" --ignore 0,0,480,360 --frame "$frame"
status 0 chaffinch rank "$s"
[ "$(boxes | wc -l)" -eq 0 ] && ok "nothing is found where everything is ignored" || fail "subjects in an ignored picture"
drawn() { chaffinch area "$s" | sed -n 's/^area \([0-9]*\) .* ignore .*/\1/p' | head -n 1; }
while id=$(drawn) && [ -n "$id" ]; do status 0 chaffinch area "$s" --remove "$id"; done
status 0 chaffinch rank "$s"
boxes >"$work/after"
same "$work/before" "$work/after" "all as before"
finish
