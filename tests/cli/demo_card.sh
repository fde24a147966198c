#!/bin/sh
# The main job on the whole demo card, judged by the truth that the generator wrote beside it; then apply and undo. Drawing the card takes
# most of the time, so sanitizer builds take a card of half the edge and are not judged: blur scales with the picture.
. "$(dirname "$0")/lib.sh"
size=2400x1800
case "$CHAFFINCH_OUT" in *release) ;; *) size=1200x900 ;; esac
cardgen "$work" --jobs 2 --size "$size" >/dev/null || fail "the demo card cannot be drawn"
snapshot "$work/card" >"$work/card.before"

# Two files are damaged on purpose: exit 1, each named.
status 1 chaffinch run "$work/card" "$work/session"
cat "$work/err" "$work/out"
says "$work/out" "keep the card until a second copy exists"
snapshot "$work/card" >"$work/card.after"
same "$work/card.before" "$work/card.after" "nothing was written to the card"
chaffinch list "$work/session" --frames --format csv >"$work/list.csv" || fail "list"
if [ "$size" = 2400x1800 ]; then
    awk -f "$(dirname "$0")/judge.awk" "$work/truth.csv" "$work/list.csv" || fail "the ranking of the demo card"
fi

# What the run made is the card, byte for byte and time for time (folders of the copy get times of their own).
(cd "$work/card" && find . -type f -printf '%P %T@ %s\n' | sort) >"$work/card.files"
(cd "$work/session" && find . -path ./.chaffinch -prune -o -type f -printf '%P %T@ %s\n' | sort) >"$work/session.files"
same "$work/card.files" "$work/session.files" "the session holds every file of the card with its time"
if command -v xxhsum >/dev/null; then status 0 sh -c "cd '$work/session' && xxhsum -c --quiet .chaffinch/manifest.txt"; fi

# A second run has nothing to do and changes nothing; files known to be unreadable are no failure of this run.
snapshot "$work/session" >"$work/session.before"
status 0 chaffinch measure "$work/session"
says "$work/out" ", 0 measured now"
status 0 chaffinch rank "$work/session"
chaffinch list "$work/session" --frames --format csv >"$work/list.again"
same "$work/list.csv" "$work/list.again" "ranking again gives the same"

# Re-choosing from summaries, without cells and without pictures.
status 0 chaffinch rank "$work/session" --keep 1
status 0 chaffinch rank "$work/session" --keep 3
chaffinch list "$work/session" --frames --format csv >"$work/list.again"
same "$work/list.csv" "$work/list.again" "another keep and back"

# How to choose is remembered; a total keeps the best of the passes first, and rejects nothing for it.
status 0 chaffinch rank "$work/session" --keep-total 4 --min-gap 500ms --max-blur 2
kept=$(chaffinch list "$work/session" --frames --outcome keep --format csv | awk -F, 'NR > 1 && $9 == "keep"' | wc -l)
[ "$kept" -eq 4 ] && ok "a total of 4" || fail "$kept kept instead of 4"
chaffinch list "$work/session" --frames --format csv >"$work/list.total"
rejects() { awk -F, '$9 == "reject"' "$1" | wc -l; }
status 0 chaffinch rank "$work/session"
chaffinch list "$work/session" --frames --format csv >"$work/list.again"
same "$work/list.total" "$work/list.again" "remembered"
status 0 chaffinch rank "$work/session" --keep-total 0 --min-gap 30ms --max-blur 0
chaffinch rank "$work/session" --keep-total 4 >"$work/out"
chaffinch list "$work/session" --frames --format csv >"$work/list.total"
status 0 chaffinch rank "$work/session" --keep-total 0
chaffinch list "$work/session" --frames --format csv >"$work/list.again"
[ "$(rejects "$work/list.total")" -eq "$(rejects "$work/list.again")" ] && ok "a total rejects nothing" || fail "a total rejects"
for wrong in "--keep-total x" "--max-blur -1" "--min-gap 2h"; do
    # shellcheck disable=SC2086
    status 2 chaffinch rank "$work/session" $wrong; one_line "$work/err"
done

status 0 apply "$work/session"
snapshot "$work/session" >"$work/session.after"
same "$work/session.before" "$work/session.after" "the plan changes nothing"
status 0 apply "$work/session" --move
chaffinch list "$work/session" --frames --outcome reject --print0 | tr '\0' '\n' >"$work/moved"
if grep -v '^rejects/' "$work/moved"; then fail "a reject was not moved"; fi
if [ ! -s "$work/moved" ]; then fail "nothing was moved"; fi
chaffinch list "$work/session" --frames --outcome none --print0 | tr '\0' '\n' | grep '^rejects/' && fail "a frame for your eyes was moved"
chaffinch list "$work/session" --frames --outcome keep --print0 | tr '\0' '\n' | grep '^rejects/' && fail "a keeper was moved"
status 0 chaffinch measure "$work/session"
status 0 chaffinch check "$work/session"
status 0 apply "$work/session" --undo
snapshot "$work/session" >"$work/session.after"
same "$work/session.before" "$work/session.after" "undo gives back every byte, name and time"

# A lost catalogue is made anew; decisions come back from their log.
frame=$(chaffinch list "$work/session" --frames --outcome reject --print0 | tr '\0' '\n' | head -n 1)
status 0 chaffinch decide "$work/session" keep "$frame"
rm "$work/session/.chaffinch/catalogue.db"
status 1 chaffinch measure "$work/session" # the damaged files are news to a new catalogue
status 0 chaffinch rank "$work/session"
chaffinch list "$work/session" --frames --outcome keep --print0 | tr '\0' '\n' | grep -qxF "$frame" || fail "the decision was lost"
finish
