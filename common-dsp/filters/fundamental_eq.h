/* SPDX-License-Identifier: ISC */
#ifndef BM_FILTERS_FUNDAMENTAL_EQ_H
#define BM_FILTERS_FUNDAMENTAL_EQ_H

#include "filters/band_eq.h"

/**
   The equaliser that knows the instrument's lowest note: its low cut stands a ratio under the note, its
   harmonic bell on one of the note's first four harmonics; two free bells and two shelves besides.

   Magnitudes are those of the analogue prototypes (Audio EQ Cookbook, W3C Note 2021; formulas and error
   bounds in filters/matched.h); the low cut is a Butterworth high-pass, |H|^2 = 1 / (1 + (corner / f)^(slope
   / 3 dB)). Shelves have BM_SHELF_Q. Every control moves without a click: slope, switch and harmonic by
   fading sections in and out, the rest by gliding. Flat, it gives its input to the last bit. No latency.
*/
typedef struct {
   struct {
      double lowest_note_hz; /* the last that was one */
   } cfg;
   BmBandEq eq;
} BmFundamentalEq;

typedef struct {
   double lowest_note_hz; /* 16 .. 2000; not a note: the last one stays */
   bool low_cut;
   uint32_t low_cut_slope_db_oct; /* 12, 24 or 36; other values as the next lower, at least 12 */
   double low_cut_ratio;    /* corner over lowest note, 0.25 .. 2; 0.768 costs the note 0.5 dB at 24 dB/oct */
   uint32_t harmonic;       /* 1 .. 4, the lowest note itself is 1 */
   double harmonic_gain_db; /* -15 .. 15 */
   double harmonic_q;       /* 0.3 .. 8 */
   /* 20 .. 20000 Hz, -15 .. 15 dB, bells Q 0.3 .. 8; a shelf's Q is BM_SHELF_Q whatever it says. */
   BmBandParams low_shelf;
   BmBandParams bells[2];
   BmBandParams high_shelf;
} BmFundamentalEqParams;

/** Set up, flat. @return BM_OK or BM_BAD_RATE. */
BmStatus bm_fundamental_eq_init(BmFundamentalEq* self, double sample_rate_hz);

/** Set all controls. The first time after init or reset at once, then gliding. Real-time: yes. */
void bm_fundamental_eq_set(BmFundamentalEq* self, const BmFundamentalEqParams* params);

/** Filter [n_frames]; `out` may be `in`. Real-time: yes. */
void bm_fundamental_eq_process(BmFundamentalEq* self, const BmFrame* in, BmFrame* out, uint32_t n_frames);

/** Forget the sound; parameters stay. */
void bm_fundamental_eq_reset(BmFundamentalEq* self);

#endif
