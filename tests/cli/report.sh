#!/bin/sh
# report: what it says of the demo card is held against the card's truth: where each bird crossed the plane of focus, how fast,
# and what blurred it. Source of the truth: the renderer's own numbers (truth-format.txt).
. "$(dirname "$0")/lib.sh"
s=$work/pond
status 2 chaffinch report "$work/nowhere"; one_line "$work/err"
cardgen "$work/c" --size 1200x900 --only focus-aid,skim,arrivals,rollover --jobs 2 || fail "cardgen"
mkdir "$s"; cp -r "$work/c/card/DCIM" "$s/"
status 2 chaffinch report "$s"; says "$work/err" "chaffinch measure"
chaffinch measure "$s" >/dev/null 2>&1
status 2 chaffinch report "$s"; says "$work/err" "chaffinch rank"; one_line "$work/err"
status 0 chaffinch rank "$s"
find "$s" -printf '%P %y %s %T@\n' | sort >"$work/before"
status 0 chaffinch report "$s" --format json; cp "$work/out" "$work/report.json"
chaffinch list "$s" --frames --format csv >"$work/frames.csv"
sqlite3 :memory: "SELECT json_extract(p.value, '\$.burst'), json_extract(p.value, '\$.pass'), json_extract(p.value, '\$.speed_px_s'),
    json_extract(p.value, '\$.plane_x_px'), json_extract(p.value, '\$.plane_y_px'), json_extract(p.value, '\$.velocity_x_px_s'),
    json_extract(p.value, '\$.velocity_y_px_s'), json_extract(p.value, '\$.cause')
    FROM json_each(CAST(readfile('$work/report.json') AS TEXT), '\$.setups') s, json_each(s.value, '\$.passes') p" |
    tr '|' ',' >"$work/passes"
# The true place: where the engine's own box of the subject was when the body crossed the plane (the truth's outline has the thin
# tail streamers, which no box holds). True speed: the smear over the exposure, 1/8000 s in these set-ups.
awk -F, '
    FILENAME ~ /frames.csv$/ { x[$4] = $13 + $15 / 2; y[$4] = $14 + $16 / 2; burst[$4] = $1; pass[$4] = $2; next }
    FILENAME ~ /truth.csv$/ && FNR > 1 {
        b = burst[$1] "," pass[$1]; k = $9 == pass[$1] ? 9 : 22
        if (pass[$1] == "" || $k != pass[$1]) next
        blur = $(k + 5); plane = $(k + 6); line = $(k + 7); whole = $(k + 9)
        if (b in old && (old[b] <= 0) != (plane <= 0)) {
            f = old[b] / (old[b] - plane); tx[b] = ox[b] + f * (x[$1] - ox[b]); ty[b] = oy[b] + f * (y[$1] - oy[b])
            speed[b] = (ol[b] + f * (line - ol[b])) * 8000
        }
        if (whole == 1) { over[b] += blur * blur - 1 / 3; motion[b] += line * line / 24 }
        old[b] = plane; ox[b] = x[$1]; oy[b] = y[$1]; ol[b] = line
    }
    FILENAME ~ /passes$/ {
        b = $1 "," $2
        if (!(b in tx)) next
        seen++
        if ($4 != "") {
            v = sqrt($6 * $6 + $7 * $7); off = (($4 - tx[b]) * $6 + ($5 - ty[b]) * $7) / v / 1200 * 100
            printf "pass %s: plane off by %.1f %% of the width\n", b, off; planes++
            if (off > 3 || off < -3) bad++
        }
        wrong = ($3 / speed[b] - 1) * 100
        printf "pass %s: speed off by %.1f %%\n", b, wrong
        if (wrong > 5 || wrong < -5) bad++
        true_cause = over[b] - motion[b] > 2 * motion[b] ? "focus" : "motion"
        if ($8 != "unknown") { clear++; if ($8 != true_cause) bad++ }
    }
    END { if (seen < 4 || planes < 3 || clear < 3 || bad) { print seen " passes, " planes " planes, " clear " clear, " bad+0 " bad"; exit 1 } }
' "$work/frames.csv" "$work/c/truth.csv" "$work/passes" >"$work/judged" && ok "place within 3 %, speed within 5 %, cause right" || fail "the truth is another"
cat "$work/judged"

# value PATH   of the JSON in $work/out
value() { sqlite3 :memory: "SELECT json_extract(CAST(readfile('$work/out') AS TEXT), '\$.$1')"; }
# about TEXT GOT WANT SHARE
about() { if echo "$2 $3 $4" | awk '{ d = $1 / $2 - 1; exit !(NF == 3 && d < $3 && d > -$3) }'; then ok "$1: $2"; else fail "$1: '$2' instead of $3"; fi; }

# The focus aid of set-up 1 is a card of 102 mm, 52 mm to the left of the middle: 141.7 px at this size (the renderer's lens: 200 mm,
# plane at 5 m, 36 mm over 1200 px). It tells the scale, hence the distance and m/s, of its own set-up only.
card=$(cd "$s" && ls DCIM/*/*.JPG | head -n 1)
status 0 chaffinch report "$s" --scale "$card:102mm@527.8,432-669.4,432=the card" --format json
about "mm a px" "$(value 'setups[0].mm_per_px')" 0.72 .005
about "distance, mm" "$(value 'setups[0].sharp_zone.distance_mm')" 5000 .01
[ -z "$(value 'setups[1].mm_per_px')" ] && ok "the other set-up has no scale" || fail "the scale of another set-up"
status 0 chaffinch report "$s" --scale "$s/$card:10.2cm@527.8,432-669.4,432=the card" --distance 3m
says "$work/out" "By the card a px is 0.72"
says "$work/out" "That contradicts the distance of 3 m"
status 0 chaffinch report "$s" --scale "$card:102mm@527.8,432-669.4,432" --distance 5m
says "$work/out" "By the focus aid a px is 0.72"
if grep -q contradicts "$work/out"; then fail "5 m contradicts nothing"; else ok "5 m contradicts nothing"; fi
says "$work/out" "set-up 1"; says "$work/out" "Not enough data"; says "$work/out" "px/s"; says "$work/out" "kept by shutter time"
# By what any frame of set-up 2 shows: speed in m/s, against the truth (smear over 1/8000 s, .72 mm a px).
third=$(awk -F, '$2 == 3 || $1 == 3 { print $4; exit }' "$work/frames.csv")
status 0 chaffinch report "$s" --scale "$third:144mm@100,450-300,450" --setup 2 --format json
true_mps=$(awk -F, '$4 == 2 && $9 > 0 && $18 == 1 { n++; v[n] = $16 * 8000 * .72 / 1000 } END { for (i = 1; i <= n; i++) for (k = i + 1; k <= n; k++) if (v[k] < v[i]) { t = v[i]; v[i] = v[k]; v[k] = t } print v[int((n + 1) / 2)] }' "$work/c/truth.csv")
about "m/s" "$(value 'setups[0].speed_m_s')" "$true_mps" .05
# What the text does not stand for is no number in JSON, and says why.
status 0 chaffinch report "$s" --format json
for key in plane_x_px move_px move_cm speed_px_s frames_sharp cut empty_bursts; do
    [ -z "$(value "setups[0].$key")" ] && ok "$key is null" || fail "$key is told of one pass"
done
for key in plane speed frames_sharp cut trigger; do
    case $(value "setups[0].${key}_reason") in "Not enough data: "*) ok "$key: $(value "setups[0].${key}_reason")" ;; *) fail "no reason for $key" ;; esac
    [ "$key" = trigger ] || [ -z "$(value "setups[1].${key}_reason")" ] && ok "$key is told of set-up 2" || fail "$key: $(value "setups[1].${key}_reason")"
done
[ -n "$(value 'setups[1].plane_x_px')" ] && ok "set-up 2 has a place" || fail "set-up 2 has none"
[ "$(value 'setups[1].move_cm_reason')" = "no focus aid of known length: --scale" ] && ok "no cm without a focus aid" || fail "cm without a focus aid"
[ "$(value 'setups[0].single_frames')" = 1 ] && ok "a single frame is no burst" || fail "single frames count"
# Optics and ranking side by side: with the distance both zones and both counts are there, and agree.
status 0 chaffinch report "$s" --setup 2 --distance 5m --format json
z='setups[0].sharp_zone'
about "zone by the circle of confusion" "$(value "$z.by_circle_of_confusion.depth_mm")" 75 .05
about "frames by the circle of confusion" "$(value "$z.by_circle_of_confusion.frames_measured")" "$(value "$z.by_circle_of_confusion.frames_expected")" .45
# Up to the blur that ranking allows the zone is longer than what the picture shows of a flight: it is held against the truth, in which
# focus blur^2 grows with the square of the distance from the plane (columns blur, plane and line; 2.2 px).
true_frames=$(awk -F, 'FNR > 1 && $9 == 1 && $3 ~ /skim|arrivals|rollover/ && $15 != "" { s = $3; p = $15; b = $14
    if (s in far && (p > far[s] ? p : -p) != far[s]) { step[s] = p - old[s]; step[s] = step[s] < 0 ? -step[s] : step[s] }
    q = p < 0 ? -p : p; old[s] = p; line[s] = $16
    if (!(s in far) || q > far[s]) { far[s] = q; fb[s] = b } if (!(s in near) || q < near[s]) { near[s] = q; nb[s] = b } }
    END { for (s in far) { k = (fb[s] ^ 2 - nb[s] ^ 2) / (far[s] ^ 2 - near[s] ^ 2)
        print 2 * sqrt((2.2 ^ 2 - line[s] ^ 2 / 24 - nb[s] ^ 2 + k * near[s] ^ 2) / k) / step[s] } }' "$work/c/truth.csv" | sort -n | sed -n 2p)
about "frames by ranking" "$(value "$z.by_ranking.frames_expected")" "$true_frames" .2
status 0 chaffinch report "$s" --setup 2 --distance 5m; says "$work/out" "circle of confusion"; says "$work/out" "subject at 1:1"
if grep -qE '(^|[^0-9.])1 (bursts|frames|passes|tracks)|nan|inf ' "$work/out"; then fail "clumsy words"; grep -nE '(^|[^0-9.])1 (bursts|frames|passes|tracks)|nan|inf ' "$work/out"; else ok "one is singular"; fi
for bad in 12 "$card:102mm" "$card:102mm@1,2" "$card@1,2-3,4" ":102mm@1,2-3,4" "$card:102parsec@1,2-300,4" "none.JPG:102mm@1,2-300,4" \
    "$card:102mm@1,2-3,4" "$card:102mm@1,2-1300,4" "$card:102mm@-1,2-300,4"; do
    status 2 chaffinch report "$s" --scale "$bad"; one_line "$work/err"
done
status 2 chaffinch report "$s" --scale "$card:102mm@1,2-300,4" --scale "$card:102mm@1,2-300,4"; one_line "$work/err"; says "$work/err" "two focus aids"
status 2 chaffinch report "$s" "$s" --scale "$card:102mm@1,2-300,4"; one_line "$work/err"
status 2 chaffinch report "$s" --left "the post"; one_line "$work/err"; says "$work/err" "--setup N"
status 0 chaffinch report "$s" --left "the post" --right "the bank" --setup 2
status 2 chaffinch report "$s" --setup 9; one_line "$work/err"; says "$work/err" "'9'"
status 0 chaffinch report "$s" "$s"
[ "$(grep -c '^what ' "$work/out")" = 2 ] && ok "one part a session" || fail "not two parts"
status 0 chaffinch report "$s" --page "$work/page.html"
for word in 'src="http' 'href="http' '<script' "$work" Serial GPS; do
    if grep -qF -- "$word" "$work/page.html"; then fail "the page has '$word'"; else ok "the page has no '$word'"; fi
done
grep -q 'data:image/jpeg;base64' "$work/page.html" && ok "it has pictures" || fail "no picture"
if command -v xmllint >/dev/null; then xmllint --html --noout "$work/page.html" 2>"$work/lint"; grep -vE 'Tag (svg|figure|figcaption|image|polyline|circle|ellipse|line|path|title) invalid|^ *\^|^<|^  ' "$work/lint" | grep 'error' && fail "the page is not well formed" || ok "the page is well formed"; fi
status 3 chaffinch report "$s" --page "$work/page.html"; one_line "$work/err"
status 2 chaffinch report "$s" --sensor medium; one_line "$work/err"
find "$s" -printf '%P %y %s %T@\n' | sort >"$work/after"
same "$work/before" "$work/after" "nothing was written to the session"

# Frames without Exif: the report says what it cannot know.
if command -v exiftool >/dev/null; then
    exiftool -q -overwrite_original -all= "$s"/DCIM/*/*.JPG 2>/dev/null
    rm -rf "$s/.chaffinch"
    chaffinch measure "$s" >/dev/null 2>&1; status 0 chaffinch rank "$s"
    status 0 chaffinch report "$s"
    says "$work/out" "tells no exposure time"
fi
finish
