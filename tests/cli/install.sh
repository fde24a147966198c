#!/bin/sh
# Installing into a staging folder: both executables and every man page arrive there, nothing anywhere else, and uninstall takes
# them away again. The folder's name has a space in it, the prefix one that does not exist.
. "$(dirname "$0")/lib.sh"
stage="$work/stage of ours"
prefix=/chaffinch-staged-$$
build() { MAKEFLAGS='' make -s OUT="${CHAFFINCH_OUT#"$PWD"/}" DESTDIR="$stage" PREFIX=$prefix "$1"; }
listed() { (cd "$stage" && find . -type f -printf '%P %m\n' | sort); }

status 0 build install
{
    for program in chaffinch chaffinch-apply; do echo "${prefix#/}/bin/$program 755"; done
    for page in man/*.[15]; do echo "${prefix#/}/share/man/man${page##*.}/${page#man/} 644"; done
} | sort >"$work/wanted"
listed >"$work/got"
same "$work/wanted" "$work/got" "both executables and $(ls man/*.[15] | wc -l) man pages are installed, and nothing else"
for page in chaffinch.1 chaffinch-apply.1 chaffinch-catalogue.5; do says "$work/got" "/$page 644"; done
[ ! -e "$prefix" ] && ok "nothing outside of the staging folder" || fail "'$prefix' was made"
status 0 "$stage$prefix/bin/chaffinch" --help
says "$work/out" chaffinch
status 0 "$stage$prefix/bin/chaffinch-apply" --help
says "$work/out" chaffinch-apply

status 0 build install
listed | cmp -s - "$work/wanted" && ok "installing again changes nothing" || fail "a second install differs"
status 0 build uninstall
[ -z "$(listed)" ] && ok "uninstall leaves no file" || { fail "uninstall left:"; listed; }
status 0 build uninstall
finish
