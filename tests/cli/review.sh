#!/bin/sh
# review: an address that answers, what is refused, decisions that other commands see, a session that cannot be written.
. "$(dirname "$0")/lib.sh"
s="$work/session"
cardgen "$work" --jobs 2 --size 640x480 --only pairs >/dev/null || fail "the card cannot be drawn"
status 2 chaffinch review "$work/card" --no-open
one_line "$work/err"
status 2 chaffinch review "$work/nowhere" --no-open
status 2 chaffinch review "$work/card" --port 70000
status 0 chaffinch run "$work/card" "$s"
command -v curl >/dev/null || { echo "skipped: no curl"; finish; }

# serve SESSION [OPTIONS]   sets $pid and $url, once the address is printed
serve() {
    : >"$work/url"
    # shellcheck disable=SC2086
    ${as:-} "$CHAFFINCH_OUT/chaffinch" review "$@" --no-open >"$work/url" 2>"$work/messages" &
    pid=$!
    for _ in 1 2 3 4 5 6 7 8 9 10 11 12 13 14 15 16 17 18 19 20; do [ -s "$work/url" ] && break; sleep .2; done
    url=$(head -n 1 "$work/url")
}
stop() { kill -"$1" "$pid"; wait "$pid"; }
# get PATH, post PATH BODY   print the status; the body goes to $work/out
get() { curl -s -o "$work/out" -w '%{http_code}' "$url$1"; }
post() {
    curl -s -o "$work/out" -w '%{http_code}' -H "Origin: ${url%/*/}" -H 'X-Chaffinch: 1' -H 'Content-Type: application/json' -d "$2" "$url$1"
}
is() { if [ "$1" = "$2" ]; then ok "$3"; else fail "$3: '$1' instead of '$2'"; cat "$work/out"; fi; }

serve "$s"
case "$url" in http://127.0.0.1:[0-9]*/*[0-9a-f]/) ok "one full address" ;; *) fail "no address: '$url'"; cat "$work/messages" ;; esac
is "$(get '')" 200 "the address answers"
is "$(curl -s -o /dev/null -w '%{http_code}' "${url%/*/}/")" 403 "not without the token"
is "$(curl -s -o /dev/null -w '%{http_code}' -H 'Host: evil.example' "$url")" 403 "not under another name"
is "$(curl -s -o /dev/null -w '%{http_code}' --path-as-is "${url}../../../etc/passwd")" 404 "nothing outside"
is "$(curl -s -o /dev/null -w '%{http_code}' -d '{}' "${url}api/undo")" 403 "no change from elsewhere"
head -c 70000 /dev/zero | tr '\0' ' ' >"$work/long"
is "$(post api/undo "@$work/long")" 413 "no body of 70 kB"
# Every file that the page names is there.
get '' >/dev/null
sed -n 's/.*\(src\|href\)="\([^":#]*\)".*/\2/p' "$work/out" >"$work/files"
while IFS= read -r f; do is "$(get "$f")" 200 "the page has its $f"; done <"$work/files"
is "$(get api/session)" 200 "the session"
says "$work/out" '"bursts":['
is "$(get picture/1/small)" 200 "a picture"
# The listening socket is not for the network.
if [ -r /proc/net/tcp ]; then
    port=$(printf '%04X' "$(echo "$url" | sed 's/.*:\([0-9]*\)\/.*/\1/')")
    is "$(awk -v p="$port" '$4 == "0A" && $2 ~ ":" p "$" { print $2 }' /proc/net/tcp)" "0100007F:$port" "bound to 127.0.0.1 only"
fi

path=$(chaffinch list "$s" --frames --format jsonl | sed -n '1s/.*"path":"\([^"]*\)".*/\1/p')
is "$(post api/decide '{"frames":[1],"decision":"reject"}')" 200 "a decision"
chaffinch list "$s" --frames --format csv >"$work/list"
if grep -q ',reject,reject,' "$work/list"; then ok "list knows it"; else fail "list does not know the decision"; fi
status 0 chaffinch decide "$s" keep "$path"
# A second one is sent to the first.
status 3 chaffinch review "$s" --no-open
says "$work/err" "$url"
one_line "$work/err"
# The page may stay open while others work.
status 0 chaffinch measure "$s"
status 0 chaffinch rank "$s" --keep 2
is "$(get api/apply)" 200 "what apply would do"
files=$(sed 's/.*"move":{"frames":[0-9]*,"files":\([0-9]*\).*/\1/' "$work/out")
bytes=$(sed 's/.*"move":{[^}]*"bytes":\([0-9]*\).*/\1/' "$work/out")
command=$(sed "s/.*\"command\":\"\\([^\"]*\\)\".*/\\1/" "$work/out")
is "$command" "chaffinch-apply '$s' --move" "the command"
before=$(find "$s" -name '*.JPG' -o -name '*.DNG' | wc -l)
PATH="$CHAFFINCH_OUT:$PATH" sh -c "$command" >"$work/applied" 2>&1 || { fail "the command fails"; cat "$work/applied"; }
is "$(find "$s/rejects" -type f | wc -l)" "$files" "as many files as it said ($files)"
is "$(find "$s/rejects" -type f -printf '%s\n' | awk '{ n += $1 } END { print n }')" "$bytes" "as many bytes"
is "$(find "$s" -name '*.JPG' -o -name '*.DNG' | wc -l)" "$before" "nothing is lost"
is "$(get picture/1/small)" 200 "pictures of what was moved are still there"
stop TERM
is $? 0 "ends cleanly"
if [ -e "$s/.chaffinch/review" ]; then fail "the address stays behind"; else ok "the address is gone"; fi

# Killed: what was decided stays, and can be taken back. The same port can be had again at once.
serve "$s"
is "$(post api/shortlist '{"frame":2,"on":true}')" 200 "on the shortlist"
port=$(echo "$url" | sed 's/.*:\([0-9]*\)\/.*/\1/')
old=$url
stop KILL
serve "$s" --port "$port"
case "$url" in "http://127.0.0.1:$port/"*) ok "the port that was asked for" ;; *) fail "another port: $url"; cat "$work/messages" ;; esac
if [ "$url" = "$old" ]; then fail "the token is the same"; else ok "another token"; fi
is "$(post api/undo '{}')" 200 "undo after a kill"
says "$work/out" '"undone":"shortlist"'
is "$(curl -s -o "$work/out" -w '%{http_code}' "$old")" 403 "the old address is refused"
stop INT
is $? 0 "ends with Ctrl-C"

# The browser gets an address that works once, since everybody can read the command line of a process.
mkdir "$work/bin"
printf '#!/bin/sh\nprintf %%s "$1" >"%s/opened"\n' "$work" >"$work/bin/xdg-open"
chmod +x "$work/bin/xdg-open"
DISPLAY=:0 PATH="$work/bin:$PATH" "$CHAFFINCH_OUT/chaffinch" review "$s" >"$work/url" 2>"$work/messages" &
pid=$!
for _ in 1 2 3 4 5 6 7 8 9 10 11 12 13 14 15 16 17 18 19 20; do [ -s "$work/opened" ] && break; sleep .2; done
url=$(head -n 1 "$work/url") once=$(cat "$work/opened")
if [ "$url" = "$once" ]; then fail "the browser's command line has the token"; else ok "another address for the browser"; fi
is "$(curl -s -o "$work/out" -w '%{http_code} %{redirect_url}' "$once")" "303 $url" "it leads to the page"
is "$(curl -s -o "$work/out" -w '%{http_code}' "$once")" 403 "and only once"
stop TERM

# Every burst is ranked as soon as it is measured, so that one can begin to look; rank finds nothing else later.
mkdir "$work/along"
cp -r "$work/card/DCIM" "$work/along/"
chaffinch measure "$work/along" >/dev/null 2>&1
chaffinch list "$work/along" --frames --format csv >"$work/measured"
chaffinch rank "$work/along" >/dev/null 2>&1
chaffinch list "$work/along" --frames --format csv >"$work/ranked"
same "$work/measured" "$work/ranked" "what measure ranked is what rank says"
if awk -F, 'NR > 1 && $9 != "none" { n++ } END { exit !n }' "$work/ranked"; then ok "something is proposed"; else fail "nothing is proposed"; fi

# For looking only: as somebody who may not write here.
as=''
if [ "$(id -u)" -eq 0 ]; then
    as='setpriv --reuid=65534 --regid=65534 --clear-groups'
    chmod 755 "$work" # mktemp made it for root alone
else
    chmod a-w "$s/.chaffinch" "$s/.chaffinch/catalogue.db"
fi
if $as test -r "$s/.chaffinch/catalogue.db" -a -x "$CHAFFINCH_OUT/chaffinch"; then
    serve "$s"
    is "$(get api/session)" 200 "a session that cannot be written can be looked at"
    says "$work/out" '"read_only":true'
    says "$work/messages" 'for looking only'
    is "$(get picture/3/small)" 200 "with pictures"
    is "$(post api/decide '{"frames":[1],"decision":"keep"}')" 409 "and not decided"
    says "$work/out" 'nothing can be decided here'
    stop TERM
else
    echo "skipped: nobody else can look at this folder"
fi
finish
