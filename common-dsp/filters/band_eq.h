/* SPDX-License-Identifier: ISC */
#ifndef BM_FILTERS_BAND_EQ_H
#define BM_FILTERS_BAND_EQ_H

#include "base/control_clock.h"
#include "base/frame.h"
#include "base/glide.h"
#include "base/status.h"
#include "filters/matched.h"

#include <stdbool.h>
#include <stdint.h>

/**
   Equaliser bands in series, which move without a click: what the equalisers are made of.

   The two lanes may be set apart (mid and side) or together (left and right). Frequency, gain, Q and amount
   glide in octaves, dB, octaves and linearly, 20 ms behind the control; the sections are designed anew every
   2/3 ms while they move, and their coefficients follow a quadratic spline through the designs, frame by
   frame. A band that rests without effect (0 dB, amount 0) is not run at all, so a flat equaliser gives its
   input to the last bit.
*/
typedef enum { BM_BAND_LOW_CUT, BM_BAND_LOW_SHELF, BM_BAND_BELL, BM_BAND_HIGH_SHELF } BmBandKind;

typedef struct {
   double frequency_hz; /* centre or corner, > 0 */
   double gain_db;      /* bell and shelves */
   double q;            /* > 0 */
   double amount;       /* low cut: 0 dry .. 1 cut */
} BmBandParams;

/** Q of our shelves: the steepest without a bump. */
#define BM_SHELF_Q 0.70710678118654752440

/** How many low-cut bands in a row make a low cut of any slope. */
#define BM_LOW_CUT_BANDS 3

typedef struct {
   bool on;
   uint32_t slope_db_oct; /* 12, 24 or 36; another value counts as the next lower, at least 12 */
   double corner_hz;      /* -3 dB */
} BmLowCutParams;

#define BM_BAND_EQ_BANDS_MAX 12

/* The coefficients of BmSection, a lane each. */
typedef struct {
   BmFrame keep;
   BmFrame turn;
   BmFrame step;
   BmFrame direct;
   BmFrame mix_band;
   BmFrame mix_low;
} BmLanesSection;

typedef struct {
   BmLanesSection now;
   BmLanesSection rise;    /* per frame */
   BmLanesSection bend;    /* change of `rise` per frame */
   BmLanesSection last[3]; /* designs, newest first */
   BmFrame band;
   BmFrame low;
} BmMovingSection;

/* Four poles in all: a control that starts from rest and ends at rest. */
typedef struct {
   BmGlide ahead;
   BmGlide glide;
} BmBandGlide;

typedef enum {
   BM_BAND_OCTAVE, /* log2 of Hz */
   BM_BAND_GAIN_DB,
   BM_BAND_Q_OCTAVE, /* log2 of Q */
   BM_BAND_AMOUNT,
   BM_BAND_N_GLIDES
} BmBandGlideIndex;

typedef struct {
   BmBandGlide glides[2][BM_BAND_N_GLIDES]; /* a lane each */
   double frequency_hz[2];                  /* as last set, and their logarithms */
   double octave[2];
   double q[2];
   double q_octave[2];
   BmMovingSection sections[2]; /* body, correction */
   bool jumps;                  /* the next design is taken at once */
   bool is_stale;               /* moved while it had no effect, and not designed anew */
   uint32_t ticks_to_rest;
} BmBand;

typedef struct {
   struct {
      double rate_hz;
      uint32_t tick_frames; /* between designs while a band moves */
      uint32_t n_lanes;
      uint32_t n_bands;
      BmBandKind kinds[BM_BAND_EQ_BANDS_MAX];
   } cfg;
   struct {
      uint32_t n_run; /* sections that have an effect now, in series */
      struct {
         uint8_t band;
         uint8_t section;
         bool moves;
      } run[2 * BM_BAND_EQ_BANDS_MAX];
      bool rests; /* nothing moves or was set since */
   } coef;
   struct {
      BmControlClock clock;
      bool is_prepared; /* the control work of this frame is done */
      BmBand bands[BM_BAND_EQ_BANDS_MAX];
   } mem;
} BmBandEq;

/**
   Set up `n_bands` (to BM_BAND_EQ_BANDS_MAX) of `kinds`, in series in that order, without effect.

   @param n_lanes 1: both lanes are set alike through lane 0; 2: apart.
   @return BM_OK, BM_BAD_RATE, or BM_BAD_ARGUMENT.
*/
BmStatus bm_band_eq_init(BmBandEq* self, double sample_rate_hz, const BmBandKind* kinds, uint32_t n_bands,
                         uint32_t n_lanes);

/** Set band `index` in a lane (0 .. n_lanes - 1). The first time after init or reset at once, then gliding.
 */
void bm_band_eq_set(BmBandEq* self, uint32_t index, uint32_t lane, const BmBandParams* params);

/**
   Set the BM_LOW_CUT_BANDS low-cut bands from `first_index` on as one Butterworth high-pass,
   |H|^2 = 1 / (1 + (corner / f)^(slope / 3 dB)). Switch and slope fade sections in and out.
*/
void bm_band_eq_set_low_cut(BmBandEq* self, uint32_t first_index, uint32_t lane,
                            const BmLowCutParams* params);

/** Filter [n_frames]; `out` may be `in`. Real-time: yes. */
void bm_band_eq_process(BmBandEq* self, const BmFrame* in, BmFrame* out, uint32_t n_frames);

/** Forget the sound; settings stay and are taken at once. */
void bm_band_eq_reset(BmBandEq* self);

/**
   Do the control work that is due and tell for how many of the next `n_frames` it holds, for a caller that
   wants to know whether they are flat. bm_band_eq_process() does it by itself.
*/
uint32_t bm_band_eq_prepare(BmBandEq* self, uint32_t n_frames);

/** True if the output is the input to the last bit for as long as bm_band_eq_prepare() told. */
bool bm_band_eq_is_flat(const BmBandEq* self);

#endif
