#!/bin/sh
# If this fails, a diff will show more than was changed. format.sh ROOT
set -eu
"$(dirname "$0")/../want" clang-format clang-format || exit $?
cd "$1"
find common-dsp plugins tests demo-sessions -name '*.[ch]' -exec clang-format --dry-run -Werror {} +
