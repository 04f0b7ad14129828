#!/bin/sh
# If this fails, a strict host may refuse the bundle or draw it wrongly. Validates it against the LV2 schemas with
# Debian's lv2_validate. turtle.sh BUNDLE
set -eu
"$(dirname "$0")/../want" sord_validate sordi || exit $?
log=$(mktemp)
trap 'rm -f "$log"' EXIT
lv2_validate "$1"/*.ttl >"$log" 2>&1 || true
cat "$log"
grep -q '^Found 0 errors' "$log"
