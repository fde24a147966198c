#!/bin/sh
# report: what it says of the demo card is held against the card's truth: where each bird crossed the plane of focus, how fast,
# and what blurred it. Source of the truth: the renderer's own numbers (truth-format.txt).
. "$(dirname "$0")/lib.sh"
s=$work/pond
status 2 chaffinch report "$work/nowhere"; one_line "$work/err"
cardgen "$work/c" --size 1200x900 --only skim,arrivals,rollover --jobs 2 || fail "cardgen"
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

status 0 chaffinch report "$s" --scale 120mm=333px --left "the post" --right "the bank" --sensor full-frame --distance 5m
says "$work/out" "set-up 1"
says "$work/out" "Not enough data"
says "$work/out" "px/s"
says "$work/out" "m/s"
says "$work/out" "kept by shutter time"
status 0 chaffinch report "$s" "$s"
[ "$(grep -c '^what ' "$work/out")" = 2 ] && ok "one part a session" || fail "not two parts"
status 0 chaffinch report "$s" --page "$work/page.html"
for word in 'src="http' 'href="http' '<script' "$work" Serial GPS; do
    if grep -qF -- "$word" "$work/page.html"; then fail "the page has '$word'"; else ok "the page has no '$word'"; fi
done
grep -q 'data:image/jpeg;base64' "$work/page.html" && ok "it has pictures" || fail "no picture"
if command -v xmllint >/dev/null; then xmllint --html --noout "$work/page.html" 2>"$work/lint"; grep -vE 'Tag (svg|figure|figcaption|image|polyline|circle|ellipse|line|path|title) invalid|^ *\^|^<|^  ' "$work/lint" | grep 'error' && fail "the page is not well formed" || ok "the page is well formed"; fi
status 3 chaffinch report "$s" --page "$work/page.html"; one_line "$work/err"
status 2 chaffinch report "$s" --scale 12; one_line "$work/err"
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
