/* SPDX-License-Identifier: ISC */
#ifndef BM_DYNAMICS_TRANSIENT_SHAPER_H
#define BM_DYNAMICS_TRANSIENT_SHAPER_H

#include "base/control_clock.h"
#include "base/fade.h"
#include "base/frame.h"
#include "base/glide.h"
#include "base/status.h"

#include <stdint.h>

typedef enum { BM_SHAPE_ALL = 0, BM_SHAPE_MID = 1, BM_SHAPE_SIDE = 2 } BmShapeTarget;

typedef struct {
   double attack_db;     /**< -15 to 15: gain at the onset of a hard pluck */
   double sustain_db;    /**< -15 to 15: gain while a note dies away quickly */
   BmShapeTarget target; /**< a change cross-fades */
} BmTransientShaperParams;

/** Levels and gain in log2 of amplitude. */
typedef struct {
   BmFrame slow_level; /* attack's and sustain's copy */
   double gain;
   BmShapeTarget target;
} BmShaper;

/**
   Makes attacks and decays of plucked strings stronger or weaker, whatever their level.

   One peak follower of the target's power (0.5 ms up, 60 ms down, so that the lowest string does not ripple).
   Its level in dB is compared with two slower copies of itself, low-passed as dB: where it is above the one
   (25 ms up, 80 ms down) there is an attack, where it is below the other (30 ms up, 500 ms down) a decay. A
   gain depends on these differences only, so the same take 50 dB down is shaped alike. Differences of
   envelopes are common practice, no source; the times and laws are our own, chosen for plucked strings.

   A target of side adds to left what it takes from right, in steps of 2^-23: what was recorded in 24 bits
   keeps its mid (left plus right) to the last bit, also in single precision below +6 dBFS. So does side for a
   target of mid.
*/
typedef struct {
   struct {
      double follow_up, follow_down;
      BmFrame slow_up, slow_down; /* attack's and sustain's copy */
      double smooth;
   } coef;
   struct {
      BmFrame power_all_mid; /* followers: all, mid */
      BmFrame power_side;    /* side in both lanes */
      BmShaper shaper[2];    /* one of them in use, the other for the target that is faded to */
      double gain_db;        /* as last metered */
   } mem;
   BmShapeTarget wanted;
   BmGlide attack;
   BmGlide sustain;
   BmFade second; /* on: the second shaper is in use */
   BmControlClock clock;
} BmTransientShaper;

/** Set up. Errors: BM_BAD_RATE. */
BmStatus bm_transient_shaper_init(BmTransientShaper* self, double sample_rate_hz);

void bm_transient_shaper_set(BmTransientShaper* self, const BmTransientShaperParams* params);

/** Shape [n_frames]; `out` may be `in`. Real-time: yes. Latency: none. */
void bm_transient_shaper_process(BmTransientShaper* self, const BmFrame* in, BmFrame* out, uint32_t n_frames);

void bm_transient_shaper_reset(BmTransientShaper* self);

/** Gain of the target at the end of the latest whole millisecond, dB. */
double bm_transient_shaper_gain_db(const BmTransientShaper* self);

#endif
