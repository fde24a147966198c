#!/bin/sh
# hand-on --deliver and crop: copies for other eyes. ExifTool writes what must not get out and looks for it; djpeg decodes.
. "$(dirname "$0")/lib.sh"
command -v exiftool >/dev/null || { echo "skipped: no exiftool"; exit 0; }
s=$work/pond; d=$work/out-there
equal() { if [ "$1" = "$2" ]; then ok "$3"; else fail "$3: '$2' instead of '$1'"; fi; }
cardgen "$work/c" --size 800x600 --only pairs,lone || fail "cardgen"
mkdir "$s"; cp -r "$work/c/card/DCIM" "$s/"
# Everything that tells where, whose and which body.
secret="-GPSLatitude=47.5 -GPSLatitudeRef=N -GPSLongitude=8.5 -GPSLongitudeRef=E -SerialNumber=SECRET123 -LensSerialNumber=SECRET456
 -OwnerName=SECRETOWNER -UserComment=SECRET789 -XMP-exif:GPSLatitude=47.5 -XMP-aux:SerialNumber=SECRET000 -XMP-photoshop:City=SECRETTOWN
 -IPTC:City=SECRETTOWN -Comment=SECRETNOTE -XMP-dc:Title=Skimming"
# shellcheck disable=SC2086
exiftool -q -overwrite_original $secret "$s"/DCIM/*/*.JPG
exiftool -q -overwrite_original -XMP-dc:Source="$s/DCIM" "$s"/DCIM/*/*.JPG
status 0 chaffinch measure "$s"; status 0 chaffinch rank "$s"
chaffinch list "$s" --frames --format csv | sed 1d | awk -F, '$4 ~ /JPG$/ && $13 != "" { print $4 }' >"$work/paths"
a=$(sed -n 4p "$work/paths"); b=$(sed -n 5p "$work/paths")
status 0 chaffinch decide "$s" keep "$a" "$b"
grep -q SECRET123 "$s/$a" && ok "the original tells the body" || fail "nothing to hide"
snapshot "$s" >"$work/before"

status 3 chaffinch hand-on "$s" --deliver "$s/DCIM"; one_line "$work/err"
status 2 chaffinch hand-on "$s" --with-place; one_line "$work/err"
status 0 chaffinch hand-on "$s" --deliver "$d" --label "mill pond"
says "$work/out" "2 files delivered and verified"
snapshot "$s" >"$work/after"; same "$work/before" "$work/after" "the session is untouched"
copy=$d/$(exiftool -s3 -d %Y-%m-%d -DateTimeOriginal "$s/$a")_mill-pond_$(basename "$a")
[ -e "$copy" ] && ok "named by date, label and camera number" || { fail "no '$copy'"; ls "$d"; }
if grep -aE 'SECRET|GPS|Serial' "$d"/*; then fail "a copy tells too much"; else ok "no secret in any byte"; fi
if grep -aqF "$work" "$d"/*; then fail "a copy tells a path"; else ok "no absolute path in any byte"; fi
grep -aqF "$work" "$s/$a" && ok "the original tells one" || fail "no path to hide"
exiftool -a -G1 -s -EXIF:all -XMP:all -GPS:all -IPTC:all -MakerNotes:all "$copy" >"$work/tags"
if grep -qE "GPS|Serial|$work|City|Owner|MakerNote" "$work/tags"; then fail "a tag tells too much"; cat "$work/tags"; else ok "no tag of place, body or owner"; fi
equal 1 "$(exiftool -s3 -XMP-xmp:Rating "$copy")" "the rating is inside"
equal Skimming "$(exiftool -s3 -XMP-dc:Title "$copy")" "a title stays"
exiftool -s3 -XMP-dc:Subject "$copy" >"$work/subject"; says "$work/subject" "burst "
for t in DateTimeOriginal ExposureTime FNumber ISO Model; do
    equal "$(exiftool -s3 -$t "$s/$a")" "$(exiftool -s3 -$t "$copy")" "$t stays"
done
equal "" "$(exiftool -validate -warning -s3 "$copy" | grep -i error)" "an independent reader finds no error"
djpeg "$s/$a" >"$work/1.ppm"; djpeg "$copy" >"$work/2.ppm"; same "$work/1.ppm" "$work/2.ppm" "the picture is the same, pixel by pixel"
status 0 chaffinch hand-on "$s" --deliver "$d" --label "mill pond"
says "$work/out" "2 files lay there already"
equal 2 "$(ls "$d" | wc -l)" "nothing twice"
status 0 chaffinch hand-on "$s" --deliver "$d" --label "mill pond" --with-place
copy2=${copy%.JPG}-2.JPG
equal SECRET123 "$(exiftool -s3 -EXIF:SerialNumber "$copy2")" "with the place when asked for, beside the other"
[ -n "$(exiftool -s3 -GPSLatitude "$copy2")" ] && ok "and the position" || fail "no position"

# Lossless crops: what djpeg decodes of the crop is what it decodes of the same region of the original.
k=$work/crops
status 0 chaffinch crop "$s" --to "$k" --aspect 4:3 --fill .3
cp "$work/out" "$work/lines"
n=0
for f in "$k"/*; do
    [ -e "$f" ] || continue
    n=$((n + 1)); name=$(basename "$f" -crop.JPG); orig=$(echo "$s"/DCIM/*/"$name".JPG)
    size=$(exiftool -s3 -ImageWidth -ImageHeight "$f" | paste -sdx)
    w=${size%x*}; h=${size#*x}
    grep -F "$name-crop.JPG" "$work/lines" | grep -qF "${size%x*} x ${size#*x} px" && ok "prints its size $size" || fail "size $size is not printed"
    equal "$size" "$(exiftool -s3 -ExifImageWidth -ExifImageHeight "$f" | paste -sdx)" "the Exif tells the new size"
    djpeg -nosmooth -pnm "$f" >"$work/crop.ppm" || fail "djpeg refuses it"
    at=$(grep -F "$name-crop.JPG" "$work/lines" | sed 's/.* px at \([0-9]*\),\([0-9]*\).*/+\1+\2/')
    djpeg -nosmooth -pnm -crop "$size$at" "$orig" >"$work/orig.ppm"
    same "$work/crop.ppm" "$work/orig.ppm" "every pixel is that of the original at $at"
    exiftool -b -ThumbnailImage "$f" >"$work/thumb.jpg"
    if [ -s "$work/thumb.jpg" ]; then
        equal "$(echo "$w $h" | awk '{ printf "%.1f", $1 / $2 }')" "$(djpeg -pnm "$work/thumb.jpg" | head -c 15 | awk 'NR == 2 { printf "%.1f", $1 / $2 }')" "the thumbnail has the crop's shape"
    fi
    for t in DateTimeOriginal Model XMP-dc:Title GPSLatitude; do
        equal "$(exiftool -s3 -$t "$orig")" "$(exiftool -s3 -$t "$f")" "$t stays"
    done
done
[ $n -ge 1 ] && ok "$n crops" || fail "no crop was made"
[ "$(grep -c 'no such crop' "$work/lines")" -eq $((2 - n)) ] && ok "the others are told" || fail "not one line a frame"
status 0 chaffinch crop "$s" --to "$k" --aspect 4:3 --fill .3
equal "$n" "$(ls "$k" | wc -l)" "nothing twice"
# An area that is kept out of crops, drawn on one frame, holds for its set-up.
sqlite3 "$s/.chaffinch/catalogue.db" "INSERT INTO area (id, frame, kind, x, y, w, h, made)
    SELECT 1, f.id, 'keep-out', 0, 0, 1, 1, 'test' FROM frame f JOIN file p ON p.frame = f.id WHERE CAST(p.path AS TEXT) = '$a'"
status 0 chaffinch crop "$s" --to "$work/crops3"
grep -c 'an area that is kept out' "$work/out" >"$work/none"
equal 2 "$(cat "$work/none")" "nothing is cut out of an area that is kept out"
sqlite3 "$s/.chaffinch/catalogue.db" "UPDATE area SET kind = 'ignore'"
status 0 chaffinch crop "$s" --to "$work/crops3"
equal "$n" "$(ls "$work/crops3" | wc -l)" "an area that is only ignored keeps nothing out"
sqlite3 "$s/.chaffinch/catalogue.db" "DELETE FROM area"
status 2 chaffinch crop "$s" --aspect wide; one_line "$work/err"
status 3 chaffinch crop "$s" --to "$s"; one_line "$work/err"
status 0 chaffinch crop "$s" --without-place --to "$work/crops2"
if grep -aqE 'SECRET|GPS' "$work"/crops2/*; then fail "a crop tells too much"; else ok "no secret in a crop made for others"; fi
finish
