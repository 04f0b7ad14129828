/* SPDX-License-Identifier: ISC */
#ifndef BM_REVERB_ROOM_REVERB_H
#define BM_REVERB_ROOM_REVERB_H

#include "base/control_clock.h"
#include "base/fade.h"
#include "base/frame.h"
#include "base/glide.h"
#include "base/status.h"
#include "filters/band_eq.h"
#include "reverb/early_reflections.h"
#include "reverb/echo_history.h"
#include "reverb/late_field.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define BM_ROOM_VOLUME_MAX_M3 1000.0
#define BM_ROOM_PREDELAY_MAX_MS 60.0

typedef struct {
   double decay_s;     /* 0.2 .. 3: time to fall by 60 dB, octaves 500 Hz and 1 kHz */
   double low_ratio;   /* 0.5 .. 1.5: of that time, octave 125 Hz */
   double damping_hz;  /* 3000 .. 20000: where the time has halved */
   double volume_m3;   /* 30 .. BM_ROOM_VOLUME_MAX_M3 */
   double predelay_ms; /* 0 .. BM_ROOM_PREDELAY_MAX_MS: before the first reflection, on top of the room's own
                          gap */
   double distance_m;  /* 0.5 .. 6, no more than the room allows: the dry sound is this far away, so a nearer
                          source is drier and leaves a longer gap before the first reflection */
   double early_db;    /* level of the early part, BM_SILENCE_DB or less: none */
   double late_db;     /* level of the late part, likewise */
   double low_cut_hz;  /* 20 .. 500: of the wet sound, 12 dB an octave */
   double shimmer_db;  /* -12 .. 12: of the wet sound, high shelf at 6 kHz */
   double width;       /* 0 mono .. 1: of the wet sound */
   double modulation;  /* 0 none .. 1 */
} BmRoomReverbParams;

/**
   A short shoebox room with one instrument in it, or a pair before a pair of ears.

   The proportions are 1 : 1.4 : 1.9 (Louden, "Dimension-ratios of rectangular rooms with good distribution of
   eigentones", Acustica 24, 1971), from memory. The early part is image sources, the late part a feedback
   delay network at the level that a diffuse field has there: 4 pi c / V e^(-13.8 t / T) over the direct sound
   at 1 m (Barron and Lee, JASA 84(2), 1988, eq. 1). The images give way as the late part rises, so that from
   the first reflection on both together fall along one exponential. All wet sound is scaled so that at 1.5 m
   the diffuse field as a whole is as loud as the dry sound, whatever decay and volume. What left and right
   come from stands 20 degrees to either side. No latency. Only the room comes out; the dry sound is the
   caller's to mix.

   Decay and damping move inside the loop; volume, pre-delay and distance fade over 20 ms to new taps, at most
   ten times a second, so nothing slides in pitch.
*/
typedef struct {
   struct {
      double rate_hz;
      BmRoomReverbParams params;
   } cfg;
   BmBandEq tone;
   BmEchoHistory history;
   BmEarlyReflections early;
   BmLateField late;
   BmGlide decay_log, low_ratio_log, damping_log, turn; /* stepped at control rate */
   BmGlide early_gain, late_gain, side_gain;
   struct {
      BmRoomReverbParams heard; /* the layout that sounds, or is being faded to */
      uint32_t current;         /* of the two layouts */
      double mean_free_time_s[2];
      double lines_s[2]; /* sum of the late delays */
      BmEchoPlace late_in[2][BM_LATE_LINES];
      BmLateDelays delays[2];
   } coef;
   struct {
      BmControlClock clock;
      BmFade fade;
      bool is_fading;
      bool is_idle;       /* nothing sounds anywhere */
      bool takes_at_once; /* the next setting */
      uint32_t frames_since_fade;
      uint32_t quiet_frames; /* since anything but zero entered the history or a line */
   } mem;
} BmRoomReverb;

/** Where everything stands in the room of these params. */
BmEarlyScene bm_room_reverb_scene(const BmRoomReverbParams* params);

/** Gain of a reflection of walls that take nothing, at a path of 1 m, with early_db 0. */
double bm_room_reverb_gain_m(const BmRoomReverbParams* params);

/** The time to fall by 60 dB at a frequency. */
double bm_room_reverb_decay_s(const BmRoomReverbParams* params, double frequency_hz);

size_t bm_room_reverb_bytes(double sample_rate_hz);
BmStatus bm_room_reverb_init(BmRoomReverb* self, void* memory, double sample_rate_hz);
void bm_room_reverb_set(BmRoomReverb* self, const BmRoomReverbParams* params);
void bm_room_reverb_process(BmRoomReverb* self, const BmFrame* in, BmFrame* out, uint32_t n_frames);
void bm_room_reverb_reset(BmRoomReverb* self);

#endif
