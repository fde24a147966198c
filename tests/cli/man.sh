#!/bin/sh
# The man page and --help say the same.
exec "$(dirname "$0")/../../scripts/check-man" "${CHAFFINCH_OUT:?run through make cli}"
