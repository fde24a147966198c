#!/bin/sh
# copy and check: exit status, what lands where, the proof by another program, full and read-only disks.
set -eu
chaffinch=$CHAFFINCH_OUT/chaffinch
tmp=$(mktemp -d)
mounts=
trap 'for m in $mounts; do umount "$m" || :; done; chmod -R u+w "$tmp"; rm -rf "$tmp"' EXIT
fail() { echo "not ok: $1"; [ -s "$tmp/out" ] && cat "$tmp/out" "$tmp/err"; exit 1; }
ok() { echo "ok: $1"; }
# run STATUS ARGUMENT...   output in $tmp/out and $tmp/err
run() {
    want=$1; shift; got=0
    "$chaffinch" "$@" > "$tmp/out" 2> "$tmp/err" || got=$?
    [ "$got" -eq "$want" ] || fail "'$*' ended with $got, not $want"
}
says() { grep -qF -- "$1" "$tmp/out" || fail "does not say '$1'"; }
warns() { grep -qF -- "$1" "$tmp/err" || fail "does not warn '$1'"; }
# everything about a tree that a careless reader could change
state() { (cd "$1" && find . -printf '%p %s %m %T@ %A@ %C@\n' | LC_ALL=C sort); }
same() { cmp -s "$1" "$2" && [ "$(stat -c %Y "$1")" = "$(stat -c %Y "$2")" ] || fail "'$1' and '$2' differ"; }

cd "$tmp"
nl=$(printf 'new\nline.txt'); raw=$(printf '\377\376.jpg')
mkdir -p card/DCIM/100DEMO card/PRIVATE
i=1
for f in DCIM/100DEMO/DEMO0001.JPG DCIM/100DEMO/DEMO0001.DNG DCIM/100DEMO/DEMO0002.JPG PRIVATE/C0001.MP4 -dash.txt "$nl" "$raw" 'back\slash'; do
    head -c $((i * 70001)) /dev/urandom > "card/$f"; i=$((i + 1))
done
: > card/empty.dat
truncate -s 20M card/PRIVATE/sparse.MOV
find card -type f -exec touch -d '2026-05-01 07:30:14' {} +
chmod 444 card/DCIM/100DEMO/DEMO0002.JPG
state card > card.before # once for the folders' own access times to settle
state card > card.before

run 0 copy card session
state card > card.after
cmp -s card.before card.after || fail "the card was touched: $(diff card.before card.after)"
ok "the card is as it was, access times too"
says '4 pictures, 2 clips, 4 other files verified on 1 disk: keep the card until a second copy exists'
for f in DCIM/100DEMO/DEMO0001.JPG PRIVATE/sparse.MOV -dash.txt "$nl" "$raw" 'back\slash' empty.dat; do same "card/$f" "session/$f"; done
[ "$(stat -c %a session/DCIM/100DEMO/DEMO0002.JPG)" = 444 ] || fail "the protection mark is lost"
[ -z "$(ls session/.chaffinch/incoming)" ] || fail "something is left in incoming"
ok "every file arrives"

(cd session && xxhsum -c .chaffinch/manifest.txt) > out 2>&1 || fail "xxhsum does not agree"
[ "$(grep -c ': OK$' out)" -eq 8 ] || fail "xxhsum checked $(grep -c ': OK$' out) files, not 8"
[ "$(tr -cd '\000' < session/.chaffinch/manifest.nul | wc -c)" -eq 2 ] || fail "2 names belong into manifest.nul"
tr '\000' '\n' < session/.chaffinch/manifest.nul | grep -q "^$(xxhsum -q -H2 < 'card/back\slash' | cut -c1-32)  back" || fail "manifest.nul has another hash"
ok "xxhsum reads the manifest"

run 0 copy card session
warns '0 copied'
rm "session/$nl"
run 0 copy card session --label 'Tuesday' --one-is-enough
warns '1 copied'
says 'verified on 1 disk: the card may be formatted'
same "card/$nl" "session/$nl"
[ "$(sqlite3 session/.chaffinch/catalogue.db 'select count(*) from copy')" -eq 10 ] || fail "the index has not 10 rows"
ok "a second run copies what is missing"

run 0 check session
run 0 check session --card card
says 'keep the card until a second copy exists'
chmod u+w session/DCIM/100DEMO/DEMO0002.JPG
printf x | dd of=session/DCIM/100DEMO/DEMO0002.JPG bs=1 seek=100000 conv=notrunc 2> dd.err
touch -d '2026-05-01 07:30:14' session/DCIM/100DEMO/DEMO0002.JPG
rm session/empty.dat
echo late > card/late.txt
run 1 check session --card card
says "changed: 'DCIM/100DEMO/DEMO0002.JPG'"
says "missing: 'empty.dat'"
says "not copied: 'card/late.txt'"
says 'keep the card'
ok "check names what is missing, changed or not copied"

ln -s /etc/hostname card/link; mkfifo card/fifo
run 1 copy card session2 --one-is-enough
warns "not copied: 'card/link'"
warns "not copied: 'card/fifo'"
grep -q formatted out && fail "a verdict in spite of files that are not copied"
rm card/link card/fifo card/late.txt
ok "what is no regular file withholds the verdict"

mkdir empty
run 2 copy nowhere session3
run 2 copy empty session3
run 2 copy card
run 2 copy card/late session3
[ ! -e session3 ] || fail "a session was made for nothing"
run 3 copy card card/session
run 3 copy card/DCIM card
run 3 copy card session3 --second card/DCIM/second
[ ! -e card/session ] && [ ! -e card/DCIM/second ] && [ ! -e card/.chaffinch ] || fail "something was made on the card"
run 2 check empty
ok "wrong folders are refused"

(flock 9; run 3 copy card session2; warns 'another chaffinch run') 9> session2/.chaffinch/lock
sqlite3 session2/.chaffinch/catalogue.db 'PRAGMA user_version = 9999'
run 3 copy card session2
printf garbage > session2/.chaffinch/catalogue.db
run 5 copy card session2
got=0; "$chaffinch" copy card session > /dev/full 2> err || got=$?
[ "$got" -eq 4 ] || fail "a full stdout gives $got, not 4"
ok "locks, newer and damaged catalogues, a full stdout"

mkdir other
for n in 1 2; do head -c 5000 /dev/urandom > "other/DEMO000$n.JPG"; done
mkdir -p other/DCIM/100DEMO && mv other/*.JPG other/DCIM/100DEMO
run 0 copy card other both
same card/DCIM/100DEMO/DEMO0001.DNG both/DCIM/100DEMO/DEMO0001.DNG
same other/DCIM/100DEMO/DEMO0001.JPG both/DCIM/100DEMO/DEMO0001-2.JPG
ok "two cards with the same names"

second=$(mktemp -d /dev/shm/chaffinch-second-XXXXXX 2> dd.err || :)
if [ -n "$second" ] && [ "$(stat -c %d "$second")" != "$(stat -c %d .)" ]; then
    run 0 copy card session4 --second "$second/copy"
    says 'verified on 2 different disks: the card may be formatted'
    same card/PRIVATE/C0001.MP4 "$second/copy/PRIVATE/C0001.MP4"
    run 0 check "$second/copy"
    ok "a second copy on another disk"
else
    echo "skipped: no second file system at /dev/shm"
fi
rm -rf "$second"
run 0 copy card session5 --second same-disk
says 'verified on 1 disk: keep the card'
warns 'same disk'
ok "a second copy on the same disk does not count"

if [ "$(id -u)" -ne 0 ]; then
    mkdir locked; chmod 555 locked
    run 4 copy card locked
    ok "a read-only target"
    echo "skipped: full disks need root (a small tmpfs is mounted)"
    exit 0
fi
mkdir small
mount -t tmpfs -o size=4m none small 2> dd.err || { echo "skipped: mounting is not allowed here"; exit 0; }
mounts="$tmp/small"
run 4 copy card small
warns 'missing (free some space'
[ -z "$(find small -name '*.JPG')" ] || fail "a copy was begun without the room for it"
ok "missing space is seen first"
# the disk fills up on the way: no files can be made any more, which no space check foresees
mount -o remount,size=64m,nr_inodes=14 none small
run 4 copy card small
grep -q formatted out && fail "a verdict on a full disk"
[ -z "$(find small/.chaffinch/incoming -type f)" ] || fail "a temp is left"
for f in $(cd small && find . -type f -name '*[GM4V]' -not -path './.chaffinch/*'); do same "card/$f" "small/$f"; done
mount -o remount,size=64m,nr_inodes=1000 none small
run 0 copy card small
[ "$(cd small && xxhsum -c .chaffinch/manifest.txt 2>&1 | grep -c ': OK$')" -eq 8 ] || fail "not complete after the disk was full"
ok "a disk that fills up on the way: the next run completes"
mount -o remount,ro none small
run 0 check small
run 4 copy card small
ok "a read-only session can be checked and is not written"
