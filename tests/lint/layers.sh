#!/bin/sh
# If this fails, a floor of the house knows something it must not, and can no longer be tested or reused alone.
# layers.sh ROOT
set -eu
cd "$1"
failed=0

# forbid FOLDER PATTERN WHY: no include line in FOLDER may match PATTERN.
forbid()
{
   if grep -rnE "^[[:space:]]*#[[:space:]]*include[[:space:]]*[<\"]($2)" "$1" --include='*.[ch]'; then
      echo "$1: $3" >&2
      failed=1
   fi
}

forbid common-dsp 'lv2|lilv|kiss_fft|serd|sord|sndfile|samplerate|ebur128|mysofa|cairo|stdio\.h|stdlib\.h|unistd|pthread|time\.h' \
   'the sound knows libm only: no LV2, no files, no heap'
forbid plugins 'lilv|sndfile|samplerate|cairo' 'a plugin knows common-dsp and LV2'
forbid tests/harness '(base|filters|dynamics|saturation|stereo|reverb|analysis|strip)/|shell\.h|.*_ports\.h' \
   'the bench reaches a plugin through lilv only'
forbid demo-sessions '(filters|dynamics|saturation|stereo|reverb|analysis|strip)/|lv2|lilv' \
   'the demo takes are made without the DSP that plays them'
exit $failed
