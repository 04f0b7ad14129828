/* SPDX-License-Identifier: ISC */
#ifndef BM_ANALYSIS_CORRELATION_H
#define BM_ANALYSIS_CORRELATION_H

#include "analysis/k_weighting.h"
#include "base/control_clock.h"
#include "base/frame.h"
#include "base/status.h"

#include <stdbool.h>
#include <stdint.h>

/** How far back a live meter looks: the time constant of its mean, in seconds (common practice, no source).
 */
#define BM_CORRELATION_WINDOW_S 0.4

#define BM_CORRELATION_PERIOD_FRAMES 64

/**
   What becomes of a stereo pair when it is folded to mono, measured as it plays.

   Means decay exponentially over `window_s` in steps of BM_CORRELATION_PERIOD_FRAMES, or hold everything
   since reset where it is 0.
*/
typedef struct {
   struct {
      double window_s;
      double sample_rate_hz;
   } cfg;
   struct {
      double keep; /* share of the mean that a period leaves; 1: plain sums */
      double add;  /* weight of a frame of the period in the mean; 1: plain sums */
   } coef;
   BmKWeighting weighting;
   struct {
      BmControlClock clock;
      BmPairPowers means; /* of the periods before */
      BmPairPowers sums;  /* of this one */
   } mem;
} BmCorrelation;

/** Set up; `window_s` is the time constant of the means, or 0 to add up everything since reset. */
BmStatus bm_correlation_init(BmCorrelation* self, double sample_rate_hz, double window_s);
void bm_correlation_reset(BmCorrelation* self);

/** Hear [n_frames]. Real-time: yes. */
void bm_correlation_process(BmCorrelation* self, const BmFrame* in, uint32_t n_frames);

/** Instead of bm_correlation_process(): take the sums of a period so far, which the caller adds up and, if it
   `ends` here, begins anew. Real-time: yes. */
void bm_correlation_take(BmCorrelation* self, const BmPairPowers* sums, bool ends);

/** sum(LL) and sum(RR), or their means. */
BmFrame bm_correlation_energies(const BmCorrelation* self);

/** sum(LR) / sqrt(sum(LL) sum(RR)), -1 to 1; 0 while either channel is silent. */
double bm_correlation_norm(const BmCorrelation* self);

/**
   Loudness of (L+R)/2 on both channels minus loudness of L, R, in LU (K-weighted, ITU-R BS.1770-4; not
   gated): 0 for identical channels, about -3 for unrelated ones. 0 in silence; no lower than BM_SILENCE_DB.
*/
double bm_correlation_mono_change_lu(const BmCorrelation* self);

/** Level of the side (L-R)/2 above that of the mid (L+R)/2, in dB, within +/- BM_SILENCE_DB; 0 in silence. */
double bm_correlation_side_to_mid_db(const BmCorrelation* self);

#endif
