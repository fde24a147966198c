#!/bin/sh
# Bad input: the documented exit status, one line that says what to do, nothing lost.
. "$(dirname "$0")/lib.sh"
cardgen "$work" --size 800x600 --only pairs --jobs 2 >/dev/null || fail "the small card cannot be drawn"
session=$work/session
mkdir "$session"
cp -p "$work"/card/DCIM/*/*.JPG "$session"

# Usage.
status 2 chaffinch
status 2 chaffinch frobnicate
one_line "$work/err"
status 2 chaffinch measure
one_line "$work/err"
status 2 chaffinch measure "$work/no-such-folder"
one_line "$work/err"
status 2 chaffinch rank "$session" --keep 0
one_line "$work/err"
status 0 chaffinch --help
status 0 chaffinch --version
mkdir "$work/empty"
status 2 chaffinch measure "$work/empty"
one_line "$work/err"
says "$work/err" "no pictures in"
status 2 chaffinch list "$work/empty/.chaffinch"
mkdir "$work/blank"
status 2 chaffinch copy "$work/blank" "$work/s2"
mkdir "$work/unmeasured"
cp "$session"/*.JPG "$work/unmeasured"
status 2 chaffinch list "$work/unmeasured"
says "$work/err" "chaffinch measure"
status 2 apply "$work/unmeasured"
one_line "$work/err"

# Names: newline, leading dash, bytes that are not UTF-8, a comma and a quote; a link out of the session.
cp "$work/card/DCIM"/*/DEMO*1.JPG "$work/" 2>/dev/null
one=$(ls "$session" | head -n 1)
newline=$(printf 'new\nline.JPG')
raw=$(printf 'n\377\376.JPG')
cp "$session/$one" "$session/$newline"; echo >>"$session/$newline"
cp "$session/$one" "$session/-dash.JPG"; echo x >>"$session/-dash.JPG"
cp "$session/$one" "$session/$raw"; echo xx >>"$session/$raw"
cp "$session/$one" "$session/a,\"b\".JPG"; echo xxx >>"$session/a,\"b\".JPG"
ln -s /etc/passwd "$session/link.JPG"
ln -s /etc "$session/folder-link"

# Damaged pictures: each named, the others measured, exit 1 once and 0 later.
: >"$session/zero.JPG"
head -c 30000 "$session/$one" >"$session/cut.JPG"
echo "this is no picture" >"$session/text.JPG"
snapshot "$session" >"$work/before"
status 1 chaffinch measure "$session"
says "$work/err" "'zero.JPG' is unreadable"
says "$work/err" "'cut.JPG' is unreadable"
says "$work/err" "'text.JPG' is unreadable"
says "$work/err" "symbolic links were left alone"
status 0 chaffinch measure "$session"
status 0 chaffinch rank "$session"
chaffinch list "$session" --frames --print0 | tr '\0' '|' >"$work/names"
says "$work/names" "|-dash.JPG|"
grep -q 'passwd\|link\.JPG' "$work/names" && fail "a link was followed"
status 0 chaffinch explain "$session" "$newline"
status 0 chaffinch explain "$session" "$raw"
status 0 chaffinch explain "$session" -- -dash.JPG
status 0 chaffinch explain "$session" zero.JPG
says "$work/out" "empty"
status 2 chaffinch explain "$session" nothing.JPG
one_line "$work/err"
status 0 chaffinch decide "$session" reject "$newline" "$raw"
status 2 chaffinch decide "$session" reject "$one" nothing.JPG
snapshot "$session" >"$work/after"
same "$work/before" "$work/after" "the engine changed nothing"
status 0 apply "$session" --move
[ -f "$session/rejects/$newline" ] || fail "the name with a newline was not moved"
[ -f "$session/rejects/$raw" ] || fail "the name that is not UTF-8 was not moved"
[ -f "$session/zero.JPG" ] || fail "an unreadable file was moved"
status 0 apply "$session" --undo
snapshot "$session" >"$work/after"
same "$work/before" "$work/after" "undo gives everything back"

# Two runs at once.
if command -v flock >/dev/null; then
    sh -c 'exec 9>"$1"; flock 9; exec sleep 30' sh "$session/.chaffinch/lock" &
    sleep .5
    status 3 chaffinch measure "$session"
    one_line "$work/err"
    status 3 chaffinch rank "$session"
    status 3 apply "$session" --move
    status 0 chaffinch list "$session"
    kill $! 2>/dev/null
    wait 2>/dev/null
fi

# A closed or full standard output.
if [ -e /dev/full ]; then
    status 4 sh -c "'$CHAFFINCH_OUT/chaffinch' list '$session' --frames --format csv >/dev/full"
    one_line "$work/err"
fi

# A catalogue from a newer version, and one that is damaged.
if command -v sqlite3 >/dev/null; then
    cp "$session/.chaffinch/catalogue.db" "$work/catalogue.db"
    sqlite3 "$session/.chaffinch/catalogue.db" 'PRAGMA user_version = 999'
    status 3 chaffinch list "$session"
    one_line "$work/err"
    status 3 apply "$session"
    cp "$work/catalogue.db" "$session/.chaffinch/catalogue.db"
fi
head -c 100000 /dev/urandom >"$session/.chaffinch/catalogue.db"
status 5 chaffinch list "$session"
one_line "$work/err"
says "$work/err" "decisions.log"
status 5 apply "$session"

# A session that cannot be written (root writes everywhere, so only a read-only mount tells).
if [ "$(id -u)" -eq 0 ] && mkdir "$work/ro" && mount -t tmpfs none "$work/ro" 2>/dev/null; then
    cp "$work/unmeasured"/*.JPG "$work/ro"
    chaffinch measure "$work/ro" >/dev/null && chaffinch rank "$work/ro" >/dev/null
    mount -o remount,ro "$work/ro"
    status 0 chaffinch list "$work/ro"
    status 4 chaffinch measure "$work/ro"
    one_line "$work/err"
    status 4 chaffinch copy "$work/unmeasured" "$work/ro/copy"
    one_line "$work/err"
    umount "$work/ro"
    # A full disk: measuring stops with status 4, keeps what is done, and goes on when there is space.
    mount -t tmpfs -o size=1600k none "$work/ro"
    i=0
    for f in "$work/unmeasured"/*.JPG; do i=$((i + 1)); [ $i -le 8 ] && cp "$f" "$work/ro"; done
    dd if=/dev/zero of="$work/ro/filler" bs=1k 2>/dev/null
    status 4 chaffinch measure "$work/ro"
    one_line "$work/err"
    rm "$work/ro/filler"
    status 0 chaffinch measure "$work/ro"
    umount "$work/ro"
else
    echo "skipped: read-only and full disks need root and mount"
fi
finish
