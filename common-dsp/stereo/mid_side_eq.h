/* SPDX-License-Identifier: ISC */
#ifndef BM_STEREO_MID_SIDE_EQ_H
#define BM_STEREO_MID_SIDE_EQ_H

#include "analysis/correlation.h"
#include "base/fade.h"
#include "filters/band_eq.h"

typedef enum {
   BM_LISTEN_BOTH = 0,
   BM_LISTEN_MID = 1, /**< the mid in both channels */
   BM_LISTEN_SIDE =
      2 /**< the side in both channels, in phase, so that it is heard in the centre and in mono */
} BmMidSideListen;

/** The equaliser of mid or of side; frequencies 20 .. 20000 Hz, gains -15 .. 15 dB, Q 0.3 .. 8. */
typedef struct {
   BmLowCutParams low_cut;
   BmBandParams low_shelf; /* Q is BM_SHELF_Q whatever it says */
   BmBandParams bells[2];
   BmBandParams high_shelf;
} BmMidSideEqHalf;

typedef struct {
   BmMidSideEqHalf mid;
   BmMidSideEqHalf side; /* its low cut makes the bottom mono */
   BmMidSideListen listen;
} BmMidSideEqParams;

/**
   One equaliser for what the two sides share and one for what they do not: mid m = (l + r) / 2, side
   s = (l - r) / 2, back by l = m + s, r = m - s (half form: common practice, no source).

   Bands are those of filters/band_eq.h and keep their curves within 0.05 dB of the analogue prototypes. While
   every band rests flat and both are listened to, the output is the input to the last bit; otherwise sum and
   difference are rounded once each (-310 dB). Controls glide, listening cross-fades. No latency.
*/
typedef struct {
   BmBandEq eq; /* lanes: mid, side */
   struct {
      BmFade mid;   /* heard */
      BmFade side;  /* heard */
      BmFade apart; /* the side with opposite signs left and right */
   } listen;
   BmCorrelation correlation; /* of the output */
} BmMidSideEq;

/** Set up, flat. @return BM_OK or BM_BAD_RATE. */
BmStatus bm_mid_side_eq_init(BmMidSideEq* self, double sample_rate_hz);

/** Set all controls. The first time after init or reset at once, then gliding. Real-time: yes. */
void bm_mid_side_eq_set(BmMidSideEq* self, const BmMidSideEqParams* params);

/** Filter [n_frames] of left and right; `out` may be `in`. Real-time: yes. */
void bm_mid_side_eq_process(BmMidSideEq* self, const BmFrame* in, BmFrame* out, uint32_t n_frames);

/** Forget the sound; parameters stay. */
void bm_mid_side_eq_reset(BmMidSideEq* self);

/** Correlation of the output's left and right, -1 to 1; 0 while either is silent. */
double bm_mid_side_eq_correlation_norm(const BmMidSideEq* self);

#endif
