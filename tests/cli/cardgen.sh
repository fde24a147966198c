#!/bin/sh
# The demo card: same bytes for the same seed, Exif that reads back, the strays, and truth that says what it must.
set -eu
gen=$CHAFFINCH_OUT/cardgen
tmp=$(mktemp -d)
trap 'chmod -R u+w "$tmp"; rm -rf "$tmp"' EXIT
fail() { echo "not ok: $1"; exit 1; }
ok() { echo "ok: $1"; }

# what the files are: names, content, size, mode, time of change
prints() { (cd "$1/card" && find . -type f -printf '%p %s %m %T@ ' -exec xxhsum -q -H2 {} \; | LC_ALL=C sort); }

"$gen" --self-test > /dev/null || fail "the blur of the renderer is not the blur that the truth claims"
ok "drawn blur and claimed blur agree"

"$gen" "$tmp/a" --size 480x360 --jobs 1
"$gen" "$tmp/b" --size 480x360 --jobs 3
"$gen" "$tmp/c" --size 480x360 --seed 2 --only pairs
prints "$tmp/a" > "$tmp/a.list"
prints "$tmp/b" > "$tmp/b.list"
[ -s "$tmp/a.list" ] && cmp -s "$tmp/a.list" "$tmp/b.list" && cmp -s "$tmp/a/truth.csv" "$tmp/b/truth.csv" ||
    fail "two runs with one seed differ"
grep -q 'DEMO0\|DEMO9' "$tmp/a.list" || fail "no pictures"
one=$(cd "$tmp/c/card" && find DCIM -name '*.JPG' | LC_ALL=C sort | head -1)
cmp -s "$tmp/a/card/$one" "$tmp/c/card/$one" && fail "another seed draws the same picture"
ok "one seed, one card, whatever the number of processes"

# A heavier card shows the same, in files as a camera writes them: the sampling of luma is the 0x21 in the frame header of a JPEG
# (ITU-T T.81, B.2.2), 0x22 where colour has half of the rows.
"$gen" "$tmp/d" --size 480x360 --only pond --quality 96 --chroma 422
heavy=$(find "$tmp/d/card" -name '*.JPG') light=$tmp/a/card/${heavy#"$tmp/d/card/"}
sampling() { od -An -v -tx1 "$1" | tr -d ' \n' | grep -o 'ffc0001108[0-9a-f]\{8\}0301..' | tail -1 | tail -c 3; }
[ "$(sampling "$heavy")" = 21 ] && [ "$(sampling "$light")" = 22 ] || fail "colour is not sampled as asked"
[ "$(stat -c %s "$heavy")" -gt "$(($(stat -c %s "$light") * 3 / 2))" ] || fail "a card of quality 96 is hardly heavier"
grep -v '^path' "$tmp/d/truth.csv" | grep -qxFf - "$tmp/a/truth.csv" || fail "the weight of the files changes the truth"
"$gen" "$tmp/e" --chroma 444 > /dev/null 2>&1 && fail "a sampling that there is not is taken"
ok "files of a camera's weight"

card=$tmp/a/card
n() { find "$card" -name "$1" | wc -l; }
[ "$(n 'DEMO*.JPG')" -eq "$(($(wc -l < "$tmp/a/truth.csv") - 2))" ] || fail "truth has not one row for each JPEG (and the HEIF)"
[ "$(n '*.DNG')" -eq 22 ] || fail "22 raws wanted"
[ "$(n '*.HIF')" -eq 1 ] && [ "$(n '*.XMP')" -eq 1 ] && [ "$(n '*.MP4')" -eq 1 ] && [ "$(n '._*')" -eq 2 ] || fail "a stray is missing"
[ "$(find "$card" -name '*.JPG' -size 0 | wc -l)" -eq 1 ] || fail "one empty JPEG wanted"
[ "$(find "$card" -type f -perm 444 | wc -l)" -eq 1 ] || fail "one protected file wanted"
[ -e "$card/DCIM/100EXMPL/DEMO9999.JPG" ] && [ -e "$card/DCIM/101EXMPL/DEMO0001.JPG" ] || fail "no rollover"
[ -z "$(find "$card" -type f -printf '%Ts\n' | awk '$1 % 2')" ] || fail "a time of change is not a multiple of 2 s"
# a truncated file has no end-of-image marker, every other picture has one
cut=0
for f in $(find "$card" -name 'DEMO*.JPG' -size +0); do
    [ "$(tail -c 2 "$f" | od -An -tx1 | tr -d ' ')" = ffd9 ] || cut=$((cut + 1))
done
[ "$cut" -eq 1 ] || fail "one truncated JPEG wanted, $cut found"
ok "DCF names, rollover, strays"

# at full size; small cards scale the blur down, so scale it up again
awk -F, '
    NR == 1 { for (i = 1; i <= NF; i++) col[$i] = i; next }
    { for (k = 1; k <= 2; k++) {
        s = k == 1 ? "" : "2"
        if ($col["burst"] == "single" || $col["burst"] == "stray" || $col["pass" s] == 0) continue
        p = $col["burst"] s; seen[p]++; if ($col["cut" s]) cut[p]++
        if (!$col["complete" s] || $col["landed" s]) continue
        # disc and line in px grow with the size, the base does not
        b = sqrt(1 / 3 + 25 * ($col["blur" s] ^ 2 - 1 / 3)); blur[p, ++m[p]] = b
        if (!(p in best) || b < best[p]) best[p] = b
    } }
    END { for (p in seen) {
        if (p == "perch") continue
        set = 0; for (i = 1; i <= m[p]; i++) if (blur[p, i] <= best[p] + 0.3) set++
        if (p == "soft" ? best[p] < 5 : best[p] > 0.8) { print p ": sharpest " best[p]; bad = 1 }
        if (p != "soft" && (set < 2 || set > 8)) { print p ": " set " sharp frames"; bad = 1 }
        passes++
    } if (passes != 11) { print passes " passes"; bad = 1 } exit bad }' "$tmp/a/truth.csv" || fail "the passes are not as scripted"
ok "2 to 8 sharp frames in every pass, none in the soft one"

if command -v exiftool > /dev/null; then
    exiftool -q -r -csv -ext JPG -ext DNG -FileName -Make -Model -SerialNumber -LensModel -DateTimeOriginal -SubSecTimeOriginal \
        -OffsetTimeOriginal -ExposureTime -FNumber -FocalLength -ISO -Orientation# -Rating -ThumbnailImage -Warning "$card/DCIM" > "$tmp/exif.csv" 2> /dev/null || true
    # columns: 1 file, 3 make, 4 model, 5 serial, 6 lens, 7 time, 8 sub-seconds, 9 offset, 10 exposure, 11 f-number,
    # 12 focal length, 13 ISO, then what some files lack
    awk -F, -v pictures="$(($(n 'DEMO*.JPG') - 1 + 22))" '
        NR == 1 { for (i = 1; i <= NF; i++) col[$i] = i; next }
        $3 == "Example" && $4 == "Demo-1" && $5 == "EX0001729" && $6 == "Example 200mm F2" && $7 ~ /^2026:05:16 0[78]:/ &&
            $8 ~ /^[0-9]+$/ && $9 == "+02:00" && $10 ~ /^1\/[68][04]00*$/ && $11 == "2.0" && $12 == "200.0 mm" && $13 >= 640 { good++ }
        $col["Rating"] == 3 { rated++ }
        $col["Orientation#"] == 6 { turned++ }
        /binary|Binary|base64/ && /JPG/ { thumbs++ }
        /\.JPG/ && $8 ~ /^[0-9][0-9]$/ { if (seen[$7 $8]++) ties++ }
        END {
            printf "pictures %d of %d, rated %d, turned %d, thumbnails %d, ties %d\n", good, pictures, rated, turned, thumbs, ties
            exit !(good == pictures && rated == 1 && turned == 34 && thumbs == pictures - 22 && ties > 10)
        }' "$tmp/exif.csv" || fail "the Exif is not what a camera writes"
    ok "Exif reads back"
else
    echo "skipped: no exiftool"
fi
