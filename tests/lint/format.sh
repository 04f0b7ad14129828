#!/bin/sh
# If this fails, a diff will show more than was changed. format.sh ROOT
set -eu
cd "$1"
command -v clang-format >/dev/null || exit 77
find common-dsp plugins tests demo-sessions -name '*.[ch]' -exec clang-format --dry-run -Werror {} +
