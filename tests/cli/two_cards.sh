#!/bin/sh
# Two slots: raw on one card, JPEG on the other, or the same on both; and two bodies that use the same names.
. "$(dirname "$0")/lib.sh"
cardgen "$work" --size 480x360 --only pairs --jobs 2 >/dev/null || fail "the small card cannot be drawn"
mkdir -p "$work/raws/DCIM/100EXMPL" "$work/jpegs/DCIM/100EXMPL" "$work/mirror/DCIM/100EXMPL"
for f in "$work"/card/DCIM/*/*.DNG; do cp -p "$f" "$work/raws/DCIM/100EXMPL"; done
for f in "$work"/card/DCIM/*/DEMO*.JPG; do [ -f "${f%.JPG}.DNG" ] && cp -p "$f" "$work/jpegs/DCIM/100EXMPL" && cp -p "$f" "$work/mirror/DCIM/100EXMPL"; done
n=$(find "$work/raws" -type f | wc -l)

status 0 chaffinch run "$work/raws" "$work/jpegs" "$work/session"
frames=$(chaffinch list "$work/session" --frames --format csv | tail -n +2 | wc -l)
if [ "$frames" -eq "$n" ]; then ok "raw and JPEG from two cards are $n frames"; else fail "$frames frames instead of $n"; fi
chaffinch list "$work/session" --frames --format csv | grep -v 'JPG' | tail -n +2 | grep . && fail "a raw stands alone"

# A mirror: stored once.
status 0 chaffinch copy "$work/jpegs" "$work/mirror" "$work/mirrored"
m=$(find "$work/mirrored" -name '*.JPG' | wc -l)
if [ "$m" -eq "$n" ]; then ok "mirrored bytes are stored once"; else fail "$m files instead of $n"; fi

# The same names and file times from another body: two exposures, even where only the raw is on one card and the JPEG on the other.
mkdir -p "$work/other/DCIM/100EXMPL"
if command -v exiftool >/dev/null; then
    for f in "$work/jpegs/DCIM/100EXMPL"/*.JPG; do
        exiftool -q -Model=Demo-2 -o "$work/other/DCIM/100EXMPL/" "$f" && touch -r "$f" "$work/other/DCIM/100EXMPL/${f##*/}"
    done
    status 0 chaffinch copy "$work/raws" "$work/other" "$work/apart"
    status 0 chaffinch measure "$work/apart"
    frames=$(chaffinch list "$work/apart" --frames --format csv | tail -n +2 | wc -l)
    if [ "$frames" -eq $((2 * n)) ]; then ok "two bodies with equal names stay apart"; else fail "$frames frames instead of $((2 * n))"; fi
else
    echo "skipped: no exiftool"
fi
finish
