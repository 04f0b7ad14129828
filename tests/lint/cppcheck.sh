#!/bin/sh
# If this fails, cppcheck sees what a reader may not: an index past the end, memory given back twice or never.
# cppcheck.sh ROOT
set -eu
"$(dirname "$0")/../want" cppcheck cppcheck || exit $?
cd "$1"
cppcheck --quiet --std=c11 --language=c --enable=warning,performance,portability --inline-suppr --error-exitcode=1 \
   -j "$(nproc)" -I common-dsp -I plugins -I tests/harness -I tests/bench -D__SSE2__ --suppressions-list=tests/lint/cppcheck.txt \
   common-dsp plugins tests/harness tests/bench
