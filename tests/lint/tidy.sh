#!/bin/sh
# If this fails, clang-tidy sees what a reader may not: a division that loses its fraction, a loop that cannot end, a
# copy one byte short. The checks are in .clang-tidy. tidy.sh ROOT BUILD
set -eu
"$(dirname "$0")/../want" clang-tidy clang-tidy || exit $?
cd "$1"
find common-dsp plugins tests/harness tests/bench -name '*.c' | sort |
   xargs -n 8 -P "$(nproc)" clang-tidy -p "$2" --quiet 2>/dev/null
