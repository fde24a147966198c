#!/bin/sh
# field: units, JSON, the picture, and what cannot be.
. "$(dirname "$0")/lib.sh"
plan() { chaffinch field --focal 300 --aperture f/4 --distance 5m "$@"; }
# number KEY   from the JSON in $work/out
number() { tr ',{}' '\n\n\n' <"$work/out" | sed -n "s/^\"$1\"://p" | head -n 1; }
# about KEY WANT   within a thousandth
about() {
    if number "$1" | awk -v w="$2" '{ d = $1 - w; if (d < 0) d = -d; good = d <= w / 1000 } END { exit !good }'; then ok "$1 is $2"; else fail "$1: '$(number "$1")' instead of $2"; fi
}
# Worked values of the exact form: 300 mm f/4 at 5 m on Four Thirds, pitch 3.32 um.
status 0 plan --sensor four-thirds --format json --speed 8m/s --shutter 1/3200 --fps 120 --background 10m --card 64GB --frame-size 20MB
about format 1; about near_mm 4984.4; about far_mm 5015.7; about depth_mm 31.33; about hyperfocal_mm 1500300; about magnification 0.06383
about background_blur_mm 2.3936; about background_blur_px 721; about motion_blur_px 48.06; about frames_in_depth 0.470
about reaction_frames 27.72; about card_frames 3200; about card_minutes 0.44444
cp "$work/out" "$work/metric"
# The same question in other units has the same answer.
status 0 chaffinch field --format json --focal=300mm --aperture 4 --distance 500cm --coc 15um --speed 28.8km/h --shutter 0.3125ms --fps 120 --background +5m --card 64 --frame-size 20 --sensor four-thirds
same "$work/out" "$work/metric" "units do not matter"
status 0 plan --coc 0.015 --format json; says "$work/out" '"sensor":"four-thirds","sensor_assumed":true'; says "$work/out" '"motion_blur_px":null'
status 0 chaffinch field --focal 50 --aperture 16 --distance 12m --format json; says "$work/out" '"far_mm":null,"depth_mm":null'
status 0 plan --sensor 17.3x13 --format json; says "$work/out" '"pitch_um":null'
status 0 plan --sensor 17.3x13 --pixels 5184x3888 --coc 2px --format json; about coc_mm 0.0066744
# The table, in the units that were typed.
status 0 plan; says "$work/out" "exact form"; says "$work/out" "assumed full-frame"
status 0 chaffinch field --focal 300 --aperture 4 --distance "16ft 5in" --background inf --sensor four-thirds
says "$work/out" "focused at 16 ft 5 in"; says "$work/out" "the sky"
# The picture is one well-formed file that is never replaced.
status 0 plan --fps 60 --speed 8m/s --background inf --picture "$work/plan.svg"
says "$work/plan.svg" "<title>300 mm at f/4, focused at 5 m</title>"
if command -v xmllint >/dev/null; then status 0 xmllint --noout "$work/plan.svg"; else echo "skipped: xmllint is not installed"; fi
cp "$work/plan.svg" "$work/copy.svg"
status 3 plan --picture "$work/plan.svg"; one_line "$work/err"; same "$work/plan.svg" "$work/copy.svg" "the old picture stays"
[ ! -s "$work/out" ] && ok "and nothing is printed" || fail "a table was printed all the same"
# The ending says what it is: PNG and JPEG are real ones; any other is refused, and nothing is written.
status 0 plan --speed 8m/s --fps 60 --picture "$work/plan.png"
[ "$(head -c 8 "$work/plan.png" | od -An -tx1 | tr -d ' \n')" = 89504e470d0a1a0a ] && ok "a PNG" || fail "no PNG"
status 0 plan --speed 8m/s --fps 60 --picture "$work/plan.JPG"
if djpeg "$work/plan.JPG" >"$work/plan.ppm" 2>/dev/null; then ok "a JPEG that djpeg reads"; else fail "no JPEG"; fi
if command -v exiftool >/dev/null; then
    [ "$(exiftool -s3 -FileType -ImageSize "$work/plan.png" "$work/plan.JPG" | grep -cE '^(PNG|JPEG|1440x1080)$')" = 4 ] && ok "both 1440x1080" || fail "another size"
fi
for name in plan.gif plan picture.png.txt; do
    status 2 plan --picture "$work/$name"; one_line "$work/err"; says "$work/err" ".svg, .png or .jpg, not '"; [ ! -e "$work/$name" ] && ok "nothing written" || fail "'$name' was written"
done
# The path is drawn at its true angle to the plane, from above and enlarged, and crosses the enlarged zone.
for angle in 5 10 30 60 80 90; do
    status 0 plan --speed 8m/s --fps 60 --angle $angle --picture "$work/angle$angle.svg"
    sed -n 's/.*line class="path" x1="\([0-9.]*\)" y1="\([0-9.]*\)" x2="\([0-9.]*\)" y2="\([0-9.]*\)".*/\1 \2 \3 \4/p' "$work/angle$angle.svg" |
        awk -v want=$angle '{ dx = $3 - $1; dy = $4 - $2; if (dx < 0) dx = -dx; if (dy < 0) dy = -dy; a = atan2(dx, dy) * 57.29578; n++; if (a < want - 1 || a > want + 1) bad = 1 }
            END { exit bad || n != 2 }' && ok "drawn at $angle degrees" || fail "not drawn at $angle degrees"
done
# A shallow path: all frames within the zone are drawn, the way across to a smaller scale.
status 0 chaffinch field --focal 300 --aperture 4 --distance 5m --sensor four-thirds --speed 8m/s --angle 10 --fps 500 --picture "$work/shallow.svg"
inside=$(sed -n 's/.*>\([0-9.]*\) frames inside<.*/\1/p' "$work/shallow.svg"); dots=$(grep -c '<circle' "$work/shallow.svg")
if [ "$dots" -ge "${inside%.*}" ] && [ "$dots" -le 61 ]; then ok "$dots dots for $inside frames inside"; else fail "$dots dots for $inside frames"; fi
# The speed comes back as it was typed.
status 0 plan --speed 30km/h --shutter 1/3200; says "$work/out" "30km/h"
status 0 plan --speed "18 mph" --shutter 1/3200; says "$work/out" "18 mph"
status 0 plan --speed 8 --shutter 1/3200; says "$work/out" "8 m/s"
# One page, self-contained.
status 0 plan --speed 8m/s --fps 60 --page "$work/plan.html"
if grep -qE 'src=|href=|@import|url\(' "$work/plan.html"; then fail "the page asks for more"; else ok "the page needs nothing else"; fi
says "$work/plan.html" "<svg"; says "$work/plan.html" "depth of field"
cp "$work/plan.html" "$work/copy.html"
status 3 plan --page "$work/plan.html"; one_line "$work/err"; same "$work/plan.html" "$work/copy.html" "the old page stays"
# What a frame knows need not be typed.
cardgen "$work/c" --size 800x600 --only lone >/dev/null || fail "cardgen"
frame=$(find "$work/c/card" -name '*.JPG' | head -n 1)
status 0 chaffinch field --from "$frame" --distance 5m --sensor full-frame
says "$work/out" "200 mm at f/2"
status 0 chaffinch field --from "$frame" --distance 5m --aperture 8
says "$work/out" "200 mm at f/8"
# What its Exif tells is named, and what it does not, with the option that supplies it.
status 0 chaffinch field --from "$frame" --distance 5m --format json
says "$work/out" '"sensor_assumed":false'; about sensor_width_mm 36.05
says "$work/out" '"pitch_assumed":false'; about pitch_um 45.06
says "$work/err" "200mm, f/2, 36.06x27.04mm, 1/8000 s, 800"
if grep -q "does not tell" "$work/err"; then fail "something is said to lack"; else ok "nothing lacks"; fi
status 2 chaffinch field --from "$frame"; one_line "$work/err"; says "$work/err" "does not tell the distance (--distance): type it"
if command -v exiftool >/dev/null; then
    # A crop of 2 is Four Thirds in a 4:3 picture; 1.6 on 3:2 has no name of its own; no focal length on film: no sensor.
    cp "$frame" "$work/crop.jpg"
    exiftool -q -overwrite_original -FocalLengthIn35mmFormat=400 -SubjectDistance=6.5 "$work/crop.jpg"
    status 0 chaffinch field --from "$work/crop.jpg" --format json; says "$work/out" '"sensor":"four-thirds"'; about distance_mm 6500; about coc_mm 0.015
    exiftool -q -overwrite_original -FocalLengthIn35mmFormat=322 -SubjectDistance= -ExposureTime= "$work/crop.jpg"
    status 0 chaffinch field --from "$work/crop.jpg" --distance 5m --format json; says "$work/out" '"sensor":"21.5x16.12"'; about coc_mm 0.018634
    says "$work/err" "does not tell the shutter time (--shutter)"
    exiftool -q -overwrite_original -FocalLengthIn35mmFormat= -FNumber= "$work/crop.jpg"
    status 0 chaffinch field --from "$work/crop.jpg" --distance 5m --aperture 4
    says "$work/err" "does not tell the sensor (--sensor), the shutter time (--shutter)"
    status 2 chaffinch field --from "$work/crop.jpg"; one_line "$work/err"
    says "$work/err" "does not tell the aperture (--aperture), the distance (--distance), the sensor (--sensor)"
fi
status 1 chaffinch field --from "$0" --distance 5m; one_line "$work/err"; says "$work/err" "no picture"
status 4 chaffinch field --from "$work/none.jpg" --distance 5m; one_line "$work/err"

# What cannot be: one line that names the value, status 2, nothing on stdout.
bad() { named=$1; shift; status 2 "$@"; one_line "$work/err"; says "$work/err" "$named"; [ ! -s "$work/out" ] || fail "printed something"; }
bad "'200 mm'" chaffinch field --focal 300 --aperture 4 --distance 20cm
bad "'f/0'" chaffinch field --focal 300 --aperture 0 --distance 5m
bad "'0 mm'" chaffinch field --focal 0 --aperture 4 --distance 5m
bad "'1/10 s'" plan --shutter 1/10 --fps 60
bad "'3 m'" plan --background 3m
bad "'-5m'" chaffinch field --focal 300 --aperture 4 --distance -5m
bad "'5 parsec'" chaffinch field --focal 300 --aperture 4 --distance "5 parsec"
bad "'nan'" chaffinch field --focal nan --aperture 4 --distance 5m
bad "'1/0'" plan --shutter 1/0
bad "'medium'" plan --sensor medium
bad "'xml'" plan --format xml
bad "not '0'" plan --fps 0
bad "'0.1 mm'" chaffinch field --focal 0.1 --aperture 4 --distance 5m
bad "'20000 mm'" chaffinch field --focal 20000 --aperture 4 --distance 500m
bad "'f/0.2'" chaffinch field --focal 300 --aperture 0.2 --distance 5m
bad "'f/200'" chaffinch field --focal 300 --aperture 200 --distance 5m
bad "'300 mm'" chaffinch field --focal 300 --aperture 4 --distance 300mm
bad "'0 mm'" chaffinch field --focal 300 --aperture 4 --distance 0
bad "'200000 m'" chaffinch field --focal 300 --aperture 4 --distance 200km
bad "'inf'" chaffinch field --focal 300 --aperture 4 --distance inf
bad "'0 mm'" plan --coc 0
bad "'80 mm'" plan --coc 80mm
bad "'2000 m/s'" plan --speed 2000m/s
bad "'0 m/s'" plan --speed 0
bad "'95 degrees'" plan --angle 95
bad "'0 s'" plan --shutter 0
bad "'5000 s'" plan --shutter 5000
bad "'2 s'" plan --readout 2s
bad "'20 s'" plan --reaction 20s
bad "'0 mm'" plan --blur 0mm
bad "'0 mm'" plan --smooth 0
bad "'100 MB'" plan --card 50MB --frame-size 100MB
bad "'0 MB'" plan --card 64GB --frame-size 0
bad "'300x200'" plan --sensor 300x200
bad "'0'" plan --pixels 0
bad "'quick'" plan --speed quick
bad "'1/60x'" plan --shutter 1/60x
bad "'2parsec'" plan --background +2parsec
bad "--pixels" plan --sensor 17.3x13 --coc 2px
bad "--frame-size" plan --card 64GB
bad "--aperture is missing" chaffinch field --focal 300 --distance 5m
bad "too many arguments" plan 5m
full=0; plan --fps 60 >/dev/full 2>"$work/err" || full=$?
[ "$full" -eq 4 ] && ok "a full disk is exit 4" || fail "exit $full on a full disk"
finish
