#!/bin/sh
# What could cost a picture, or promise too much: files that come late, decisions that change, copies that are not what they were.
. "$(dirname "$0")/lib.sh"
s="$work/session"; card="$work/card"
cardgen "$work/drawn" --jobs 2 --size 480x360 --only two >"$work/out" 2>&1 || fail "no demo card"
mkdir -p "$card/DCIM/100EXMPL"
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

# A deletion that was interrupted does not take a frame that was decided keep since, though the number is the same.
chaffinch decide "$s" reject swallow.002.jpg swallow.003.jpg >"$work/out"
status 0 apply "$s" --move
status 0 apply "$s" --delete-rejects
count=$(sed -n 's/^delete: \(.*\) files$/\1/p' "$work/out")
cp -a "$s" "$work/again"
status 0 apply "$s" --delete-rejects --confirm "$count"
log=$(cd "$s/.chaffinch/runs" && ls *.log | tail -n 1)
sed '/^planned/q' "$s/.chaffinch/runs/$log" >"$work/again/.chaffinch/runs/$log" # killed before the first file went
rm -rf "$s"; mv "$work/again" "$s"
chaffinch decide "$s" keep rejects/swallow.002.jpg >"$work/out"
status 3 apply "$s" --delete-rejects --confirm "$count"
one_line "$work/err"
[ -e "$s/rejects/swallow.002.jpg" ] && ok "what became keep is not deleted" || fail "a kept frame was deleted"
status 0 apply "$s" --delete-rejects --confirm $((count - 1))
status 0 apply "$s" --move
[ -e "$s/swallow.002.jpg" ] && [ ! -e "$s/rejects/swallow.003.jpg" ] && ok "it comes back, and the rest is deleted" || fail "not as confirmed"

# The verdict of a second copy run speaks of rejects only as far as they are there and are what was copied.
rm -rf "$s"
for f in $(pictures 7); do cp -p "$f" "$card/DCIM/100EXMPL"; done
lost=$(basename "$(pictures 1)"); path=DCIM/100EXMPL/$lost
status 0 chaffinch copy "$card" "$s" --one-is-enough
says "$work/out" "the card may be formatted"
chaffinch measure "$s" 2>"$work/err" && chaffinch rank "$s" 2>"$work/err" >"$work/out" || fail "not ranked"
chaffinch decide "$s" reject "$path" >"$work/out"
status 0 apply "$s" --move
status 0 chaffinch copy "$card" "$s" --one-is-enough
says "$work/out" "the card may be formatted"
cp -p "$s/rejects/$path" "$work/kept"
head -c 1000 "$work/kept" >"$s/rejects/$path"
status 1 chaffinch copy "$card" "$s" --one-is-enough
says "$work/err" "was changed since"
says "$work/out" "1 file is not: keep the card"
cp -p "$work/kept" "$s/rejects/$path"
status 0 chaffinch copy "$card" "$s" --one-is-enough
status 0 apply "$s" --undo
status 0 apply "$s" --move --to "$work/away"
status 0 chaffinch copy "$card" "$s" --one-is-enough
mv "$work/away" "$work/not-connected"
status 1 chaffinch copy "$card" "$s" --one-is-enough
says "$work/err" "connect that disk"
says "$work/out" ": keep the card"
status 1 chaffinch check "$s" --card "$card" --one-is-enough
says "$work/out" "missing: '$path'"
[ ! -e "$s/$path" ] && ok "a reject is not copied anew" || fail "a reject was copied anew"

# Where the disk of the rejects is not connected its mount point is an empty folder: an undo waits for the disk.
mkdir "$work/away"
status 4 apply "$s" --undo
says "$work/err" "connect its disk"
one_line "$work/err"
rmdir "$work/away"; mv "$work/not-connected" "$work/away"
status 0 chaffinch check "$s" --card "$card" --one-is-enough

# A session that is to be made inside the card, as a mount of a part of the card hides.
if [ "$(id -u)" -eq 0 ] && mkdir "$card/PRIVATE" "$work/window" && mount --bind "$card/PRIVATE" "$work/window" 2>"$work/err"; then
    status 3 chaffinch copy "$card" "$work/window/session"
    [ ! -e "$card/PRIVATE/session" ] && ok "nothing was made on the card" || fail "something was made on the card"
    umount "$work/window"
else
    echo "skipped: mounting is not allowed here"
fi

# So does a run that was interrupted: nothing is taken for gone.
status 0 apply "$s" --undo
status 0 apply "$s" --move --to "$work/away"
log=$(cd "$s/.chaffinch/runs" && ls -- *.log | tail -n 1)
sed -i '/^done/,$d' "$s/.chaffinch/runs/$log"
mv "$work/away" "$work/not-connected"; mkdir "$work/away"
status 4 apply "$s" --move
says "$work/err" "connect its disk"
status 4 apply "$s" --undo
rmdir "$work/away"; mv "$work/not-connected" "$work/away"
rm "$work/away/$path"
status 1 apply "$s" --undo
for f in $(pictures 7); do f=$(basename "$f"); [ "$f" = "$lost" ] || [ -e "$s/DCIM/100EXMPL/$f" ] || fail "$f did not come back"; done
# A copy beside CARD on the card itself goes with the card when that is formatted.
loop=
if [ "$(id -u)" -eq 0 ] && truncate -s 32M "$work/image" && mkfs.exfat "$work/image" >"$work/out" 2>&1 && mkdir "$work/reader" &&
    loop=$(losetup -f --show "$work/image" 2>"$work/err") && { mount -t exfat "$loop" "$work/reader" || mount.exfat-fuse "$loop" "$work/reader"; } >"$work/out" 2>&1; then
    rmdir "$card/PRIVATE" 2>"$work/err"
    cp -r "$card/DCIM" "$work/reader"
    status 0 chaffinch copy "$work/reader/DCIM" "$work/reader/session" --one-is-enough
    says "$work/out" "lies on the card itself: keep the card"
    status 0 chaffinch check "$work/reader/session" --card "$work/reader/DCIM" --one-is-enough
    says "$work/out" "lies on the card itself: keep the card"
    status 0 chaffinch copy "$work/reader/DCIM" "$work/disk" --one-is-enough
    says "$work/out" "the card may be formatted"
    umount "$work/reader"
else
    echo "skipped: no exFAT can be mounted here"
fi
[ -z "$loop" ] || losetup -d "$loop"
finish
