#!/bin/sh
# If this fails, bytes that someone may send us break the bench or a plugin: the input lies in FOUND, and
# `PROGRAM FILE` runs it again. Runs one fuzz target; what it learns is kept in FOUND for the next time.
# one.sh PROGRAM TARGET CORPUS FOUND SECONDS [INPUTS]; without a number of inputs each run tries others, with one it tries
# the same each time, however fast the machine.
set -eu
program=$1 target=$2 corpus=$3 found=$4 seconds=$5 inputs=${6:-}
mkdir -p "$found"
scratch=$(mktemp -d)
trap 'rm -rf "$scratch"' EXIT
log=$scratch/log
learned=$found
if [ -n "$inputs" ]; then
   learned=$scratch/learned
   mkdir "$learned"
fi
status=0
"$program" ${inputs:+-seed=1 "-runs=$inputs"} -max_total_time="$seconds" -timeout=20 -rss_limit_mb=2048 -max_len=8192 \
   -print_final_stats=1 -verbosity=1 -artifact_prefix="$found/" "$learned" "$corpus" >"$log" 2>&1 || status=$?
n=$(sed -n 's/^stat::number_of_executed_units: *//p' "$log")
if [ $status -ne 0 ]; then
   tail -n 80 "$log"
   for input in "$found"/crash-* "$found"/timeout-* "$found"/oom-* "$found"/leak-*; do
      [ ! -f "$input" ] || { echo "$input, in base64:"; base64 "$input"; }
   done
   exit 1
fi
echo "fuzz_$target: $n inputs"
if [ -n "${BM_CASES:-}" ]; then
   printf 'fuzzing\t%s\t%s\n' "$target" "$n" >>"$BM_CASES/fuzz-$target.txt"
fi
