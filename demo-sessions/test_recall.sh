#!/bin/sh
# If this fails, the bundle no longer sounds as it did, and who opens last year's session hears it first.
# test_recall.sh BOOKMATCH MAKE_TAKES
set -eu
bookmatch=$1
make_takes=$2
sessions=$(dirname "$0")
takes=$(mktemp -d)
trap 'rm -rf "$takes"' EXIT
"$make_takes" -o "$takes" >/dev/null
"$bookmatch" check --takes "$takes" "$sessions"/*/session.ttl || {
   status=$?
   echo "Where this is meant, see \"When the sound is to change\" in DEVELOPERS.md."
   exit $status
}
