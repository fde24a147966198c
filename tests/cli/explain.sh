#!/bin/sh
# Why a frame stands where it stands: in words, as JSON, and drawn.
. "$(dirname "$0")/lib.sh"
s="$work/session"
cardgen "$work/drawn" --jobs 2 --size 480x360 --only two >"$work/out" 2>&1 || fail "no demo card"
mkdir "$s"
cp -rp "$work/drawn/card/DCIM" "$s/"
chaffinch measure "$s" 2>"$work/err" >"$work/out"
chaffinch rank "$s" 2>"$work/err" >"$work/out" || fail "not ranked"
frame=$(chaffinch list "$s" --frames --format csv | awk -F, '$8 == 1 { print $4; exit }')
[ -n "$frame" ] || fail "no frame of rank 1"
status 0 chaffinch explain "$s" "$frame"
for word in "The rule: " "Detail at scales 1, 2, 4 and 8" "Noise floor" "Its neighbours in time:" "Its mean brightness"; do says "$work/out" "$word"; done
status 0 chaffinch explain "$s" "$frame" --format json
for word in '"parts":{"energy_1":' '"neighbours":[{' '"rule":"'; do says "$work/out" "$word"; done
status 0 chaffinch explain "$s" "$frame" --picture "$work/why.png"
status 0 chaffinch explain "$s" "$frame" --picture "$work/why.jpg"
[ "$(head -c 8 "$work/why.png" | od -An -tx1 | tr -d ' \n')" = 89504e470d0a1a0a ] && ok "a PNG" || fail "no PNG"
[ "$(head -c 3 "$work/why.jpg" | od -An -tx1 | tr -d ' \n')" = ffd8ff ] && ok "a JPEG" || fail "no JPEG"
cp "$work/why.png" "$work/before.png"
status 3 chaffinch explain "$s" "$frame" --picture "$work/why.png"; one_line "$work/err"
same "$work/why.png" "$work/before.png" "a picture that exists stays as it is"
status 2 chaffinch explain "$s" "$frame" --picture "$work/why.gif"; one_line "$work/err"
[ ! -e "$work/why.gif" ] && ok "nothing written" || fail "a .gif was written"
rm -r "$s/.chaffinch/cells"
status 2 chaffinch explain "$s" "$frame" --picture "$work/other.png"; one_line "$work/err"
[ ! -e "$work/other.png" ] && ok "nothing written" || fail "a picture without cells"
status 0 chaffinch explain "$s" "$frame"
finish
