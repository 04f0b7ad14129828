#!/bin/sh
# If this fails, two bundles in one host can call into each other: a library shows more than LV2 asks for.
# exports.sh BUNDLE
set -eu
"$(dirname "$0")/../want" nm binutils || exit $?
failed=0
for library in "$1"/*.so; do
   shown=$(nm -D --defined-only "$library" | awk '{ print $3 }')
   if [ "$shown" != lv2_descriptor ]; then
      echo "${library##*/} shows "$shown"; lv2_descriptor alone would be right"
      failed=1
   fi
done
exit $failed
