/* SPDX-License-Identifier: ISC */
#ifndef BM_ANALYSIS_K_WEIGHTING_H
#define BM_ANALYSIS_K_WEIGHTING_H

#include "base/frame.h"
#include "base/status.h"

#include <stdint.h>

/**
   The weighting filter before a loudness measurement: a high shelf for the head, a high-pass for low
   frequencies.

   Source: ITU-R BS.1770-4 Annex 1, Tables 1 and 2, which give 48 kHz; other rates by the analogue prototypes
   that reproduce those tables to 1e-14. As in the tables the high-pass numerator is 1, -2, 1, not normalised.
*/
typedef struct {
   struct {
      double shelf_b0, shelf_b1, shelf_b2, shelf_a1, shelf_a2;
      double low_cut_a1, low_cut_a2;
      double shelf_in_1, shelf_in_2;     /* b - a b0 */
      double low_cut_in_1, low_cut_in_2; /* likewise */
   } coef;
   struct {
      BmFrame shelf_1, shelf_2, low_cut_1, low_cut_2;
   } mem;
} BmKWeighting;

BmStatus bm_k_weighting_init(BmKWeighting* self, double sample_rate_hz);
void bm_k_weighting_reset(BmKWeighting* self);

/** Weight one frame. The states take the input rather than the output (transposed form II with y put in), so
   that a frame waits for half as much of the one before. */
static inline BmFrame bm_k_weighting_step(BmKWeighting* self, BmFrame x)
{
   const BmFrame shelf = self->mem.shelf_1;
   const BmFrame y = self->coef.shelf_b0 * x + shelf;
   self->mem.shelf_1 = (self->coef.shelf_in_1 * x + self->mem.shelf_2) - self->coef.shelf_a1 * shelf;
   self->mem.shelf_2 = self->coef.shelf_in_2 * x - self->coef.shelf_a2 * shelf;
   const BmFrame low_cut = self->mem.low_cut_1;
   self->mem.low_cut_1 =
      (self->coef.low_cut_in_1 * y + self->mem.low_cut_2) - self->coef.low_cut_a1 * low_cut;
   self->mem.low_cut_2 = self->coef.low_cut_in_2 * y - self->coef.low_cut_a2 * low_cut;
   return y + low_cut;
}

/** What a stretch of frames adds up to. */
typedef struct {
   BmFrame squares;          /* LL, RR */
   BmFrame cross;            /* LR in lane 0, its K-weighted twin in lane 1 */
   BmFrame weighted_squares; /* K-weighted LL, RR */
} BmPairPowers;

/** Weight [n_frames] and add what they are to `sums`, frame by frame. */
void bm_k_weighting_add_up(BmKWeighting* self, const BmFrame* in, uint32_t n_frames, BmPairPowers* sums);

#endif
