#!/bin/sh
# What could cost a picture, or promise too much: files that come late, decisions that change, copies that are not what they were.
. "$(dirname "$0")/lib.sh"
s="$work/session"; card="$work/card"
cardgen "$work/drawn" --jobs 2 --size 480x360 --only two >"$work/out" 2>&1 || fail "no demo card"
# pictures N   the names of the first N
pictures() { find "$work/drawn" -name '*.JPG' | sort | head -n "$1"; }

# A picture that nobody has looked at stays where it is, whatever rejected picture its name resembles.
mkdir "$s"
i=0; for f in $(pictures 7); do i=$((i + 1)); cp -p "$f" "$s/swallow.00$i.jpg"; done
chaffinch measure "$s" 2>"$work/err" && chaffinch rank "$s" 2>"$work/err" >"$work/out" || fail "not ranked"
chaffinch decide "$s" reject swallow.001.jpg >"$work/out"
pictures 8 | tail -n 1 | xargs -I{} cp {} "$s/swallow.008.jpg"
cp "$s/swallow.008.jpg" "$s/SWALLOW.001.JPG"
echo note >"$s/swallow.001.jpg.xmp"; echo note >"$s/Swallow.001.txt"; echo note >"$s/swallow.txt"
status 0 apply "$s" --move
for f in swallow.008.jpg SWALLOW.001.JPG swallow.txt; do [ -e "$s/$f" ] && ok "$f stays" || fail "$f was moved with another frame"; done
for f in swallow.001.jpg swallow.001.jpg.xmp Swallow.001.txt; do [ -e "$s/rejects/$f" ] && ok "$f went" || fail "$f stayed"; done
finish
