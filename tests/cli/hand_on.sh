#!/bin/sh
# hand-on: XMP sidecars, new and merged, and the swap by chaffinch-apply. ExifTool reads what was written: another reader than
# the library that wrote it.
. "$(dirname "$0")/lib.sh"
command -v exiftool >/dev/null || { echo "skipped: no exiftool"; exit 0; }
s=$work/pond
status 2 chaffinch hand-on "$work/nowhere"; one_line "$work/err"
cardgen "$work/c" --size 800x600 --only pairs,lone || fail "cardgen"
mkdir "$s"; cp -r "$work/c/card/DCIM" "$s/"
status 0 chaffinch measure "$s"
status 0 chaffinch rank "$s"
read_tag() { exiftool -s3 -"$2" "$1"; }
# equal WANTED GOT TEXT
equal() { if [ "$1" = "$2" ]; then ok "$3"; else fail "$3: '$2' instead of '$1'"; fi; }

# Nobody has looked: nothing is written.
status 0 chaffinch hand-on "$s"
says "$work/out" "no frame to hand on"
says "$work/out" "that nobody has looked at"
equal 0 "$(find "$s/DCIM" -name '*.xmp' | wc -l)" "no sidecar without a person"

chaffinch list "$s" --frames --format csv | sed 1d | awk -F, '$4 ~ /JPG$/ { print $4 }' >"$work/paths"
a=$(sed -n 1p "$work/paths"); b=$(sed -n 2p "$work/paths"); c=$(sed -n 3p "$work/paths"); d=$(sed -n 4p "$work/paths")
e=$(sed -n 5p "$work/paths"); r=$(sed -n 6p "$work/paths")
status 0 chaffinch decide "$s" keep "$a" "$b" "$c" "$d" "$e"
status 0 chaffinch decide "$s" reject "$r"
# Sidecars that exist: a foreign namespace and a rating of nought; a rating of 5 in the other naming practice; no XMP at all.
foreign='<?xml version="1.0"?><x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">
<rdf:Description rdf:about="" xmlns:xmp="http://ns.adobe.com/xap/1.0/" xmlns:dc="http://purl.org/dc/elements/1.1/"
 xmlns:pond="http://example.org/pond/1.0/" xmlns:crs="http://ns.adobe.com/camera-raw-settings/1.0/" xmp:Rating="RATING" crs:Exposure2012="+0.35" pond:Depth="deep">
<dc:subject><rdf:Bag><rdf:li>swallow</rdf:li><rdf:li>mill &amp; pond</rdf:li></rdf:Bag></dc:subject>
<pond:Weir><rdf:Seq><rdf:li rdf:parseType="Resource"><pond:Plank>oak</pond:Plank><pond:Age>12</pond:Age></rdf:li></rdf:Seq></pond:Weir>
<dc:title><rdf:Alt><rdf:li xml:lang="x-default">Schwalbe über dem Teich</rdf:li></rdf:Alt></dc:title>
</rdf:Description></rdf:RDF></x:xmpmeta>'
xa=$s/${a%.JPG}.xmp; xb=$s/$b.xmp; xc=$s/${c%.JPG}.xmp; xd=$s/${d%.JPG}.xmp
printf '%s\n' "$foreign" | sed 's/RATING/0/' >"$xa"
printf '%s\n' "$foreign" | sed 's/RATING/5/' >"$xb"
echo '<x:xmpmeta><broken>' >"$xc"
printf '%s\n' "$foreign" | sed 's/RATING/0/' >"$xd"; chmod 444 "$xd"
cp -a "$xa" "$work/a.xmp"; cp -a "$xb" "$work/b.xmp"; cp -a "$xc" "$work/c.xmp"
snapshot "$s" >"$work/before"
status 1 chaffinch hand-on "$s" --sidecar-name whole
says "$work/err" "${c%.JPG}.xmp': it is not well-formed XMP"
says "$work/err" "${d%.JPG}.xmp': it is write-protected"
says "$work/out" "2 merged sidecars prepared"
says "$work/out" "1 new sidecar written"
says "$work/out" "1 rating that was there stays"
says "$work/out" "--sidecars"
same "$xa" "$work/a.xmp" "an existing sidecar is untouched"
same "$xb" "$work/b.xmp" "another too"
same "$xc" "$work/c.xmp" "what is no XMP is untouched"
new=$(ls "$s/${e%.JPG}".*.xmp)
equal 1 "$(read_tag "$new" XMP-xmp:Rating)" "a new sidecar: keep is 1"
exiftool -s3 -XMP-dc:Subject "$new" >"$work/subject"
says "$work/subject" "burst 1"
says "$work/subject" "set-up 1"
[ ! -e "$s/${r%.JPG}.xmp" ] && [ ! -e "$s/$r.xmp" ] && ok "a reject gets nothing" || fail "a reject got a sidecar"
if exiftool -XMP:all "$new" | grep -qE "$work|Serial|GPS"; then fail "the sidecar tells a path"; else ok "no path, serial number or position"; fi
# Only that one file is new; no picture and no other file changed.
snapshot "$s" | grep -vF "$(basename "$new")" | grep -v ' d ' | sort >"$work/after"
grep -v ' d ' "$work/before" | sort | diff - "$work/after" | grep -v '^> DCIM/[0-9A-Z]* d' | grep '^[<>]' | grep -vE ' d [0-9]+ ' >"$work/diff"
grep -vF "$(basename "$new")" "$work/diff" >"$work/diff2"
[ -s "$work/diff2" ] && { fail "something else changed"; cat "$work/diff2"; } || ok "nothing else changed"

# Again: nothing more is to be said in the new one.
status 1 chaffinch hand-on "$s" --sidecar-name whole
says "$work/out" "1 sidecar says all of it already"

status 2 chaffinch hand-on "$s" --keywords burst,weather; one_line "$work/err"
status 2 chaffinch hand-on "$s" --sidecar-name odd; one_line "$work/err"
status 2 chaffinch hand-on "$s" --keep-rating 4; one_line "$work/err"

# The swap: what others wrote survives, the old one is kept, undo gives it back.
foreign_of() { exiftool -j -XMP-crs:all -XMP-pond:all -XMP-dc:Title -XMP-xmp:all -struct "$1" | grep -v SourceFile; }
foreign_of "$work/a.xmp" | sed 's/"Rating": 0/"Rating": 1/' >"$work/want"
foreign_of "$work/b.xmp" >"$work/want-b"
status 0 apply "$s" --sidecars
says "$work/out" "2 sidecars swapped in; the old ones are kept"
foreign_of "$xa" >"$work/got"; same "$work/got" "$work/want" "every foreign property is there, the rating is 1"
foreign_of "$xb" >"$work/got"; same "$work/got" "$work/want-b" "a rating of 5 stays"
equal "swallow, mill & pond, set-up 1, burst 1" "$(read_tag "$xa" XMP-dc:Subject)" "the keywords of both"
same "$s/.chaffinch/replaced/0001/${a%.JPG}.xmp" "$work/a.xmp" "the old one is kept"
status 0 apply "$s" --sidecars
says "$work/out" "nothing to swap in"
status 1 chaffinch hand-on "$s" --sidecar-name whole
says "$work/out" "3 sidecars say all of it already"
status 0 apply "$s" --undo
says "$work/out" "run 0001 is undone"
same "$xa" "$work/a.xmp" "undo gives the old one back"
same "$xb" "$work/b.xmp" "the other too"
# One that was written to since it was merged is left.
status 1 chaffinch hand-on "$s" --sidecar-name whole
sed -i 's/deep/shallow/' "$xa"; cp "$xa" "$work/later.xmp"
status 1 apply "$s" --sidecars
says "$work/err" "changed since it was merged"
same "$xa" "$work/later.xmp" "later work stays"
status 0 apply "$s" --undo
status 2 apply "$s" --sidecars --move; one_line "$work/err"
sed -i 's/^end/emd/' "$s/.chaffinch/outgoing.log"
status 5 apply "$s" --sidecars
rm "$s/.chaffinch/outgoing.log"

# The shortlist is 3, a reject -1 when asked for; keywords as wished.
sqlite3 "$s/.chaffinch/catalogue.db" "UPDATE frame SET shortlist = 1 WHERE CAST(name AS TEXT) = '$(basename "$e" .JPG)'"
rm "$new"
status 1 chaffinch hand-on "$s" --mark-rejects --keywords burst --prefix "pond: "
equal 3 "$(read_tag "$s/${e%.JPG}.xmp" XMP-xmp:Rating)" "the shortlist is 3"
equal "pond: burst 1" "$(read_tag "$s/${e%.JPG}.xmp" XMP-dc:Subject)" "keywords as wished"
equal -1 "$(read_tag "$s/${r%.JPG}.xmp" XMP-xmp:Rating)" "rejects are -1 when asked for"
new=$s/${e%.JPG}.xmp

# A frame that is rejected later: what we wrote is taken back, by way of chaffinch-apply; a rating of somebody else's stays.
cp "$xa" "$work/a.later"; printf '%s\n' "$foreign" | sed 's/RATING/0/' >"$xa"; printf '%s\n' "$foreign" | sed 's/RATING/5/' >"$xb"
status 1 chaffinch hand-on "$s"
status 0 apply "$s" --sidecars
equal 1 "$(read_tag "$xa" XMP-xmp:Rating)" "kept: the rating is ours"
status 0 chaffinch decide "$s" reject "$a" "$b" "$e"
cp "$new" "$work/kept.xmp"
status 1 chaffinch hand-on "$s"
says "$work/out" "sidecars of frames that are not handed on any more: our marks are taken back"
same "$new" "$work/kept.xmp" "the sidecar is changed by chaffinch-apply only"
status 0 apply "$s" --sidecars
equal "" "$(read_tag "$new" XMP-xmp:Rating)" "rejected later: no rating any more"
equal "" "$(read_tag "$new" XMP-dc:Subject)" "and no keyword of ours"
equal 0 "$(read_tag "$xa" XMP-xmp:Rating)" "the nought that was there before is back"
equal "swallow, mill & pond" "$(read_tag "$xa" XMP-dc:Subject)" "the keywords of others are there"
equal 5 "$(read_tag "$xb" XMP-xmp:Rating)" "a rating of somebody else's stays"
equal "swallow, mill & pond" "$(read_tag "$xb" XMP-dc:Subject)" "without our keywords"
status 1 chaffinch hand-on "$s"
if grep -q "taken back" "$work/out"; then fail "taken back twice"; else ok "once"; fi
status 0 apply "$s" --undo
equal 1 "$(read_tag "$xa" XMP-xmp:Rating)" "undo gives the rating back"
cp "$work/a.later" "$xa"
status 0 chaffinch decide "$s" keep "$a" "$b" "$e"

# What has the name and is no sidecar is left alone and named: a folder, a link.
rm "$new"; mkdir "$new"
status 1 chaffinch hand-on "$s"
says "$work/err" "left '${e%.JPG}.xmp'"
rmdir "$new"; echo elsewhere >"$work/elsewhere.xmp"; ln -s "$work/elsewhere.xmp" "$new"
status 1 chaffinch hand-on "$s"
says "$work/err" "left '${e%.JPG}.xmp'"
equal elsewhere "$(cat "$work/elsewhere.xmp")" "a link is not followed"
rm "$new"; : >"$new"
status 1 chaffinch hand-on "$s"
says "$work/err" "left '${e%.JPG}.xmp'"
rm "$new"; status 1 chaffinch hand-on "$s"; [ -s "$new" ] && ok "and then it is written" || fail "it was not written"

# A folder that cannot be written: named, the rest goes on.
if [ "$(id -u)" -ne 0 ]; then
    f=$(dirname "$new"); rm "$new"; chmod 555 "$f"
    status 1 chaffinch hand-on "$s"
    says "$work/err" "permission denied"
    chmod 755 "$f"
fi

finish
