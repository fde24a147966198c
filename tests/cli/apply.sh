#!/bin/sh
# chaffinch-apply: plan, move, bring back, undo, delete; everything that must be refused or left. The kill test makes the session.
. "$(dirname "$0")/lib.sh"
s="$work/session"
runs() { ls "$s/.chaffinch/runs" 2>/dev/null | grep -c '\.log$'; }
fresh() { chmod -R u+w "$work" 2>/dev/null; rm -rf "$s"; "$CHAFFINCH_OUT/crash/kill_apply" --make "$s" || fail "no session"; }
sql() { sqlite3 "$s/.chaffinch/catalogue.db" "$1"; }
# number WANTED GOT TEXT
number() { if [ "$1" = "$2" ]; then ok "$3"; else fail "$3: $2 instead of $1"; fi; }
jpg=DCIM/100DEMOS/_DSC0001.JPG

fresh
snapshot "$s" >"$work/before"

# The plan changes nothing, names files safely and says what to type.
status 0 apply "$s"
says "$work/out" "4 frames (12 files, 156 kB) would go to rejects/"
says "$work/out" 'odd\x0aname 2.JPG'
says "$work/out" "--move"
snapshot "$s" >"$work/after"
same "$work/before" "$work/after" "the plan changes nothing"
number 0 "$(runs)" "the plan records no run"
status 0 apply "$s" --format jsonl
number 13 "$(wc -l <"$work/out")" "one line a file and one with the totals"
says "$work/out" '"path_base64":"'
says "$work/out" 'odd\u000aname 2.JPG'
status 0 apply "$s" --print0
number 12 "$(tr -dc '\0' <"$work/out" | wc -c)" "one NUL a file"

# Out and back again, byte for byte and time for time.
status 0 apply "$s" --move
says "$work/out" "run 0001: 4 frames (12 files, 156 kB) moved to rejects/"
number 12 "$(find "$s/rejects" -type f -print0 | tr -dc '\0' | wc -c)" "12 files lie in rejects/"
[ -e "$s/rejects/DCIM/100DEMOS/_dsc0001.NEF.xmp" ] && ok "the new sidecar went along" || fail "the new sidecar stayed"
status 0 apply "$s" --move
says "$work/out" "nothing to move"
number 1 "$(runs)" "a move with nothing to move records no run"
status 0 apply "$s" --undo
says "$work/out" "run 0001 is undone"
snapshot "$s" >"$work/after"
same "$work/before" "$work/after" "undo gives back bytes, names, modes and times"
status 0 apply "$s" --undo
says "$work/out" "nothing to undo"

# A frame whose outcome became keep or none comes back, with the sidecar that was written meanwhile.
status 0 apply "$s" --move
echo new >"$s/rejects/DCIM/100DEMOS/_DSC0001.NEF.xmp"
sql "UPDATE frame SET decision = 'keep' WHERE decision = 'reject'; UPDATE frame SET proposal = 'none' WHERE burst = 2"
status 0 apply "$s" --move
says "$work/out" "3 frames (11 files"
says "$work/out" "brought back"
[ -e "$s/DCIM/100DEMOS/_DSC0001.NEF.xmp" ] && ok "its new sidecar came back too" || fail "its new sidecar stayed"
rm "$s/DCIM/100DEMOS/_DSC0001.NEF.xmp"
status 0 apply "$s" --undo
status 0 apply "$s" --undo
says "$work/out" "is undone"
[ ! -e "$s/rejects" ] && ok "rejects/ itself is gone" || fail "rejects/ is left"

# A run whose end is missing in the log was interrupted: it is finished and keeps its number.
fresh
apply "$s" --move >/dev/null
grep -av '^end' "$s/.chaffinch/runs/0001.log" >"$work/log"; cp "$work/log" "$s/.chaffinch/runs/0001.log"
status 0 apply "$s"
says "$work/out" "run 0001 (move) was interrupted"
status 3 apply "$s" --delete-rejects
says "$work/err" "was interrupted: finish it with --move"
sql "UPDATE file SET path = home, home = NULL WHERE home IS NOT NULL"
status 0 apply "$s" --move
says "$work/out" "run 0001 (move) had been interrupted and is finished"
number 1 "$(runs)" "a resumed run keeps its number"
number 11 "$(sql "SELECT count(*) FROM file WHERE home IS NOT NULL AND CAST(path AS TEXT) LIKE 'rejects/%'")" "the catalogue is repaired from the log"

# Undo works with the catalogue gone.
rm "$s/.chaffinch/catalogue.db"
status 0 apply "$s" --undo
says "$work/out" "there is no catalogue"
snapshot "$s" >"$work/after"
same "$work/before" "$work/after" "undo without a catalogue gives everything back"
status 2 apply "$s" --move
says "$work/err" "chaffinch measure"

# A frame that differs is left whole and named; the others go.
fresh
printf x | dd of="$s/$jpg" bs=1 seek=100 conv=notrunc 2>/dev/null
status 1 apply "$s"
status 1 apply "$s" --move
says "$work/err" "left '$jpg'"
says "$work/err" "changed since it was measured"
[ -e "$s/DCIM/100DEMOS/_DSC0001.NEF" ] && [ -e "$s/DCIM/100DEMOS/_DSC0001.xmp" ] && ok "the frame stays whole" || fail "the frame was torn"
[ -e "$s/rejects/DCIM/101DEMOS/_DSC0006.NEF" ] && ok "the others went" || fail "the others stayed"

# Nothing is ever replaced.
fresh
mkdir -p "$s/rejects/DCIM/101DEMOS"; echo mine >"$s/rejects/DCIM/101DEMOS/_DSC0006.NEF"
status 1 apply "$s" --move
says "$work/err" "is taken where it should go"
number mine "$(cat "$s/rejects/DCIM/101DEMOS/_DSC0006.NEF")" "the file that has the name is untouched"
[ -e "$s/DCIM/101DEMOS/_DSC0006.JPG" ] && ok "its frame stays whole" || fail "its frame was torn"
status 0 apply "$s" --undo
[ -e "$s/rejects/DCIM/101DEMOS" ] && ok "a folder of the user is not removed" || fail "the user's folder is gone"

# Symbolic links are never followed.
fresh
mkdir "$work/outside"; mv "$s/$jpg" "$work/outside/a.jpg"; ln -s "$work/outside/a.jpg" "$s/$jpg"
status 1 apply "$s" --move
says "$work/err" "is a symbolic link and is left alone"
[ -e "$work/outside/a.jpg" ] && [ -L "$s/$jpg" ] && ok "the link and what it points to are untouched" || fail "a link was followed"
fresh
ln -s "$work/outside" "$s/rejects"
status 1 apply "$s" --move
number 1 "$(find "$work/outside" -type f | wc -l)" "nothing went through a link"

# A picture that is missing, a sidecar that is.
fresh
rm "$s/$jpg" "$s/DCIM/101DEMOS/_DSC0006.NEF.xmp"
status 1 apply "$s" --move
says "$work/err" "is missing: type 'chaffinch measure' to look again"
[ -e "$s/rejects/DCIM/101DEMOS/_DSC0006.NEF" ] && ok "a removed sidecar holds nothing up" || fail "a removed sidecar held its frame up"

# --to: another folder, and folders that may not be.
fresh
status 0 apply "$s" --move --to "$work/away"
[ -e "$work/away/$jpg" ] && ok "same sub-path in DIR" || fail "not in DIR"
status 0 apply "$s" --delete-rejects
says "$work/out" "delete: 0 files"
sql "UPDATE frame SET decision = 'keep' WHERE decision = 'reject'"
status 0 apply "$s" --move
[ -e "$s/$jpg" ] && [ ! -e "$work/away/$jpg" ] && ok "a frame comes back from DIR" || fail "it did not come back from DIR"
status 0 apply "$s" --undo
status 0 apply "$s" --undo
[ ! -e "$work/away" ] && ok "DIR was made and is removed" || fail "DIR is left"
status 3 apply "$s" --move --to "$s/DCIM/away"
status 3 apply "$s" --move --to "$work"
says "$work/err" "overlaps the session"
status 2 apply "$s" --move --to "$work/no/such"
one_line "$work/err"
status 0 apply "$s" --to "$s/rejects"

# Deleting: only after the number is said, only what a run put there, only what a person has seen.
fresh
status 0 apply "$s" --move
echo stranger >"$s/rejects/stranger.txt"
status 0 apply "$s" --delete-rejects
number "delete: 10 files" "$(tail -n 1 "$work/out")" "the last line says the number"
says "$work/out" "no person has decided it"
says "$work/out" "rejects/stranger.txt: no run put it there"
status 0 apply "$s" --delete-rejects --unseen
number "delete: 12 files" "$(tail -n 1 "$work/out")" "--unseen adds what nobody has seen"
status 0 apply "$s" --delete-rejects --older-than 90d
number "delete: 0 files" "$(tail -n 1 "$work/out")" "--older-than leaves what is new"
snapshot "$s" >"$work/before"
status 3 apply "$s" --delete-rejects --confirm 12
one_line "$work/err"
snapshot "$s" >"$work/after"
same "$work/before" "$work/after" "a wrong number deletes nothing"
cp -p "$s/rejects/DCIM/101DEMOS/_DSC0006.NEF" "$work/nef"
printf x | dd of="$s/rejects/DCIM/101DEMOS/_DSC0006.NEF" bs=1 seek=6000 conv=notrunc 2>/dev/null
touch -r "$work/nef" "$s/rejects/DCIM/101DEMOS/_DSC0006.NEF"
status 1 apply "$s" --delete-rejects --confirm 10
says "$work/err" "does not hold the bytes"
[ -e "$s/rejects/DCIM/101DEMOS/_DSC0006.JPG" ] && ok "its frame is left whole" || fail "its frame was torn"
[ ! -e "$s/rejects/$jpg" ] && ok "what was confirmed is gone" || fail "what was confirmed is still there"
[ -e "$s/rejects/stranger.txt" ] && ok "a file of the user is left" || fail "a file of the user is gone"
status 3 apply "$s" --undo
says "$work/err" "a deletion cannot be undone"
rm "$s/rejects/DCIM/101DEMOS/_DSC0006.NEF"
status 0 apply "$s" --delete-rejects --confirm 2
status 0 apply "$s" --delete-rejects --confirm 0
says "$work/out" "nothing to delete"

# A person who put a file beside a picture is still at work on it.
fresh
apply "$s" --move >/dev/null
echo edited >"$s/rejects/DCIM/101DEMOS/_DSC0006.jpg.xmp"
status 0 apply "$s" --delete-rejects
says "$work/out" "lies beside it and no run put it there"
number "delete: 7 files" "$(tail -n 1 "$work/out")" "that frame is not counted"

# States that are refused, each with its status and one line that says what to do.
fresh
status 2 apply
status 2 apply "$work/nowhere"
status 2 apply "$s" --move --undo
one_line "$work/err"
status 2 apply "$s" --confirm 3
status 2 apply "$s" --undo --to "$work/x"
status 2 apply "$s" --move --format jsonl
status 2 apply "$s" --sideways
one_line "$work/err"
mkdir "$work/bare"
status 2 apply "$work/bare"
says "$work/err" "chaffinch measure"
one_line "$work/err"
sql "UPDATE frame SET proposal = ''"
status 2 apply "$s" --move
says "$work/err" "chaffinch rank"
one_line "$work/err"
fresh
flock "$s/.chaffinch/lock" sh -c "\"$CHAFFINCH_OUT/chaffinch-apply\" '$s' --move 2>'$work/err'; echo \$? >'$work/status'"
number 3 "$(cat "$work/status")" "a held lock is exit 3"
says "$work/err" "another chaffinch run is at work"
sql "PRAGMA user_version = 999"
status 3 apply "$s" --move
one_line "$work/err"
fresh
printf 'not a database, but long enough to be looked at as one................' >"$s/.chaffinch/catalogue.db"
status 5 apply "$s" --move
one_line "$work/err"
fresh
apply "$s" --move >/dev/null
sed -i '3s/DCIM/DCIX/' "$s/.chaffinch/runs/0001.log"
status 5 apply "$s" --undo
says "$work/err" "runs/0001.log"
one_line "$work/err"
fresh
got=0; apply "$s" >/dev/full 2>"$work/err" || got=$?
number 4 "$got" "a full standard output is exit 4"
status 0 apply --help
says "$work/out" "--older-than AGE"
finish
