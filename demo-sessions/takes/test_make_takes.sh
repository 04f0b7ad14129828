#!/bin/sh
# If this fails, the demo's takes are not the same tomorrow, a half-written take may be mixed, or whoever mistypes is
# left to guess. test_make_takes.sh MAKE-TAKES
set -eu
make_takes=$(realpath "$1")
folder=$(mktemp -d)
trap 'rm -rf "$folder"' EXIT
cd "$folder"

fail()
{
   echo "$*" >&2
   exit 1
}

# refuses WORDS ARGUMENTS...: ends with an error whose one line has WORDS in it, and leaves no file.
refuses()
{
   words=$1
   shift
   if "$make_takes" "$@" >said 2>&1; then
      fail "$*: should have been refused"
   fi
   [ "$(wc -l <said)" = 1 ] || fail "$*: not one line: $(cat said)"
   grep -qF -- "$words" said || fail "$*: says '$(cat said)', not '$words'"
}

cat >short.part <<'PART'
instrument ukulele
tempo 200
take short 1 close
take pair 1 body -neck
chord C 0 0 0 3
pattern p D u
play p C
PART
cp short.part wrong.part
echo 'play p G' >>wrong.part

"$make_takes" -o a short.part >table
"$make_takes" -o b --seed 1 short.part >/dev/null
"$make_takes" -o c --seed 2 short.part >/dev/null
"$make_takes" -o d --rate 96000 short.part >/dev/null
[ "$(ls a)" = "$(printf 'pair.wav\nshort.wav')" ] || fail "made: $(ls a)"
cmp a/short.wav b/short.wav || fail 'the same seed made other bytes'
cmp a/pair.wav b/pair.wav || fail 'the same seed made other bytes'
if cmp -s a/short.wav c/short.wav; then fail 'another seed made the same bytes'; fi
[ "$(wc -c <d/short.wav)" -gt "$(($(wc -c <a/short.wav) * 19 / 10))" ] || fail 'twice the rate is not twice the bytes'
grep -q '^short  *mono .*crest .*lowest C4  *261.63 Hz' table || fail "table: $(cat table)"

refuses "'-o DIR' would be right" short.part
refuses "-o needs a value" -o
refuses "no option '--speed'" --speed 2 -o e short.part
refuses "--seed '-3'" -o e --seed -3 short.part
refuses "--seed '1x'" -o e --seed 1x short.part
refuses "--rate '8000'" -o e --rate 8000 short.part
refuses "--rate 'nan'" -o e --rate nan short.part
refuses "no part 'lullaby'" -o e lullaby
refuses "no part '../x'" -o e ../x
refuses "missing.part: No such file" -o e missing.part
refuses "wrong.part:8: no chord 'G'" -o e short.part wrong.part
refuses "both have a take 'short'" -o e short.part short.part
[ ! -e e ] || fail "an error left $(ls -d e/*)"
refuses "nowhere/e: No such file" -o nowhere/e short.part
echo text >file
refuses "file/" -o file short.part

# A full disk: no take under its name, no remains, an earlier take untouched.
mkdir full
cp a/short.wav full/short.wav
(
   ulimit -f 100
   refuses "full/short.wav: File too large" -o full --seed 9 short.part
)
[ "$(ls -A full)" = short.wav ] || fail "a full disk left $(ls -A full)"
cmp a/short.wav full/short.wav || fail 'a full disk spoilt an earlier take'
