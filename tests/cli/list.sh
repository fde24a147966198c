#!/bin/sh
# list, explain, decide and sheet, on a small session that was measured and ranked.
. "$(dirname "$0")/lib.sh"
s=$work/pond
status 2 chaffinch list "$work/nowhere"; one_line "$work/err"
mkdir "$s"
status 2 chaffinch list "$s"; says "$work/err" "chaffinch measure"; one_line "$work/err"
status 2 chaffinch decide "$s" keep a.JPG; one_line "$work/err"
[ ! -e "$s/.chaffinch" ] && ok "a session that is not measured is left alone" || fail "decide made something"
cardgen "$work/c" --size 800x600 --only pairs,lone || fail "cardgen"
cp -r "$work/c/card/DCIM" "$s/"
status 0 chaffinch measure "$s"
status 0 chaffinch rank "$s"
# Everything that a reading command must leave alone, times included.
all() { (cd "$s" && find . -printf '%P %y %s %T@\n' | sort); }
all >"$work/before"

# ---- list
status 0 chaffinch list "$s" --frames --format csv; cp "$work/out" "$work/frames.csv"
head -n 1 "$work/out" >"$work/head"
echo 'burst,pass,frame,path,time,score,blur_px,rank,proposal,decision,outcome,reason,x,y,w,h' >"$work/want"
same "$work/head" "$work/want" "the header of frames"
find "$s/DCIM" -name '*.JPG' -printf 'DCIM/%P\n' | sort >"$work/want"
sed 1d "$work/frames.csv" | cut -d, -f4 | sort >"$work/got"
same "$work/got" "$work/want" "one row a frame"
status 0 chaffinch list "$s" --print0; tr '\0' '\n' <"$work/out" | sort >"$work/got"
same "$work/got" "$work/want" "print0 gives every path"
# Whole paths are good wherever they are used, also for a session that was named from where it lies.
status 0 chaffinch list "$s" --print0 --absolute; tr '\0' '\n' <"$work/out" | sort >"$work/got"
sed "s|^|$(cd "$s" && pwd -P)/|" "$work/want" >"$work/want-absolute"
same "$work/got" "$work/want-absolute" "absolute paths"
(cd "$s" && chaffinch list . --print0 --absolute) | tr '\0' '\n' | sort >"$work/got"
same "$work/got" "$work/want-absolute" "absolute paths from inside"
(cd / && xargs -0 ls -d -- <"$work/out") >"$work/listed" && [ "$(wc -l <"$work/listed")" = "$(wc -l <"$work/want")" ] && ok "xargs -0 finds them from elsewhere" || fail "xargs -0 does not find them"
status 2 chaffinch list "$s" --frames --absolute; one_line "$work/err"
status 0 chaffinch list "$s" --outcome none --print0; tr '\0' '\n' <"$work/out" >"$work/got"
sed 1d "$work/frames.csv" | awk -F, '$11 == "none" { print $4 }' >"$work/want"
same "$work/got" "$work/want" "print0 of one outcome"
status 0 chaffinch list "$s" --frames --burst 1 --format csv
[ "$(sed 1d "$work/out" | cut -d, -f1 | sort -u)" = 1 ] && ok "one burst" || fail "other bursts than asked for"
status 0 chaffinch list "$s"; says "$work/out" "2 bursts"
status 0 chaffinch list "$s" --format jsonl; says "$work/out" '"format":1,"burst":2,'
status 0 chaffinch list "$s" --frames --format jsonl; says "$work/out" '"kind":"raw"'
status 2 chaffinch list "$s" --bursts --frames; one_line "$work/err"
status 2 chaffinch list "$s" --format xml; says "$work/err" "jsonl"
status 2 chaffinch list "$s" --outcome perhaps; one_line "$work/err"
status 2 chaffinch list "$s" --frames --burst 77; one_line "$work/err"
full=0; chaffinch list "$s" --frames >/dev/full 2>"$work/err" || full=$?
[ "$full" -eq 4 ] && ok "a full disk is exit 4" || fail "exit $full on a full disk"

# ---- explain
jpeg=$(sed -n 2p "$work/frames.csv" | cut -d, -f4); raw=${jpeg%.JPG}.DNG
status 0 chaffinch explain "$s" "$jpeg"; says "$work/out" "Outcome: "; cp "$work/out" "$work/said"
status 0 chaffinch explain "$s" "$raw"; same "$work/out" "$work/said" "a raw names its frame"
status 0 chaffinch explain "$s" "$s/$jpeg"; same "$work/out" "$work/said" "so does a full path"
status 0 env -C "$s/DCIM" "$CHAFFINCH_OUT/chaffinch" explain .. "${jpeg#DCIM/}"
says "$work/out" "'$jpeg' is frame 1 of"
status 0 chaffinch explain "$s" "$jpeg" --format json; says "$work/out" '"sentences":["'
for name in DCIM/nothing.JPG ../pond "$work/c/card/$jpeg" ''; do
    status 2 chaffinch explain "$s" "$name"; one_line "$work/err"
done

# ---- sheet
status 0 chaffinch sheet "$s" -o "$work/page.html"
says "$work/page.html" "<h1>pond</h1>"
grep -qa EX0001729 "$s/$jpeg" && ok "the pictures do carry a serial number" || fail "no serial number in the pictures"
says "$work/page.html" "data:image/jpeg;base64,"
grep -qF -e "$work" -e EX0001729 -e http: -e https: "$work/page.html" && fail "the sheet tells too much" || ok "the sheet tells no path and no serial number"
cp "$work/page.html" "$work/page.copy"
status 3 chaffinch sheet "$s" --output "$work/page.html"; one_line "$work/err"
same "$work/page.html" "$work/page.copy" "an existing file is not replaced"
all >"$work/after"
same "$work/before" "$work/after" "reading changed nothing in the session"
status 0 chaffinch sheet "$s"; status 0 chaffinch sheet "$s"
same "$work/page.html" "$s/.chaffinch/contact-sheet.html" "the sheet is the same each time"

# ---- decide
second=$(sed -n 3p "$work/frames.csv" | cut -d, -f4)
column() { chaffinch list "$s" --frames --format csv | awk -F, -v p="$1" -v c="$2" '$4 == p { print $c }'; }
is() { if [ "$1" = "$2" ]; then ok "$3"; else fail "$3: '$1' instead of '$2'"; fi; }
status 2 chaffinch decide "$s" keep "$jpeg" DCIM/nothing.JPG; one_line "$work/err"
chaffinch list "$s" --frames --format csv >"$work/got"
same "$work/got" "$work/frames.csv" "one unknown frame, and nothing is decided"
[ ! -e "$s/.chaffinch/decisions.log" ] && ok "and nothing is logged" || fail "a log was written"
status 0 chaffinch decide "$s" reject "$raw" "$jpeg" "$second"; says "$work/out" "reject: 2 frames"
is "$(column "$jpeg" 10),$(column "$second" 11)" reject,reject "both are rejected"
status 0 chaffinch rank "$s"
is "$(column "$jpeg" 10)" reject "ranking again leaves decisions alone"
status 0 chaffinch explain "$s" "$jpeg"; says "$work/out" "reject by '$(id -un)'"
status 0 chaffinch decide "$s" clear "$jpeg"
is "$(column "$jpeg" 10)" "" "clear takes it back"
status 0 chaffinch decide "$s" keep --burst 1
is "$(chaffinch list "$s" --frames --burst 1 --format csv | sed 1d | cut -d, -f11 | sort -u)" keep "a whole burst"
status 2 chaffinch decide "$s" reject "$jpeg" --burst 2; one_line "$work/err"
is "$(column "$jpeg" 11)" keep "a frame of another burst is refused"
status 0 chaffinch decide "$s" accept --burst 1
status 0 chaffinch list "$s" --format csv; is "$(sed -n 2p "$work/out" | cut -d, -f15)" yes "accepted"
status 0 chaffinch decide "$s" clear --burst 1
status 0 chaffinch list "$s" --format csv; is "$(sed -n 2p "$work/out" | cut -d, -f15)" no "taken back"
for words in accept "accept --burst 9" keep "maybe $jpeg" "accept $jpeg --burst 1"; do
    # shellcheck disable=SC2086
    status 2 chaffinch decide "$s" $words; one_line "$work/err"
done
finish
