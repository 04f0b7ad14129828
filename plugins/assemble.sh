#!/bin/sh
# assemble.sh STAMP BUNDLE FILE...: make BUNDLE hold exactly these files, then touch STAMP.
set -eu
stamp=$1
bundle=$2
shift 2
rm -rf "$bundle"
mkdir -p "$bundle"
cp "$@" "$bundle"
: > "$stamp"
