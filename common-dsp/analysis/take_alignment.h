/* SPDX-License-Identifier: ISC */
#ifndef BM_ANALYSIS_TAKE_ALIGNMENT_H
#define BM_ANALYSIS_TAKE_ALIGNMENT_H

#include "base/control_clock.h"
#include "base/fft.h"
#include "base/frame.h"
#include "base/status.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/** How far apart two takes may be, either way. */
#define BM_ALIGNMENT_MAX_S 0.030

/** From this confidence on a suggestion is one. */
#define BM_ALIGNMENT_CONFIDENT 0.3

/**
   Finds by how much the right lane is late against the left, and whether it is upside down: for two
   microphones before one instrument.

   Generalised cross-correlation of windows of about 0.17 s, with the maximum-likelihood weighting by
   coherence (Knapp and Carter, "The generalized correlation method for estimation of time delay", IEEE Trans.
   ASSP 24(4), 1976, eq. 33): where a frequency is mere noise in one of the takes it has no say. Cross-spectra
   fade over some ten windows of sound; silence is not counted. The work is cut into small pieces, a few every
   32 frames or less by its own clock.
*/
typedef struct {
   struct {
      double rate_hz;
      uint32_t size;   /* of the transform */
      uint32_t pieces; /* of work each control period */
      uint32_t low_bin, high_bin;
      uint32_t max_lag_frames;
   } cfg;
   float* heard[2];  /* [2 size], rings */
   float* window;    /* [size] */
   float* fft_table; /* [BM_FFT_TABLE_FLOATS(size)] */
   uint32_t* place;  /* [size] where the transform leaves a bin */
   float* re;        /* [size], what is transformed */
   float* im;
   float* power[2]; /* [size / 2 + 1] of each lane, fading means */
   float* cross_re; /* [size / 2 + 1] */
   float* cross_im;
   struct {
      BmControlClock clock;
      uint32_t write_index;
      uint32_t fresh_frames; /* since the last window began */
      uint32_t stage;
      uint32_t piece;
      BmFftProgress transform;
      uint32_t window_end;
      double energy[2];
      double weight_sum;
      double n_windows; /* in the means */
      double peak;
      int32_t peak_lag;
      double delay_frames;
      double confidence;
      bool is_opposed;
   } mem;
} BmTakeAlignment;

size_t bm_take_alignment_bytes(double sample_rate_hz);

/** Set up over `memory`, 64-byte aligned. @return BM_OK, BM_BAD_RATE, or BM_BAD_ARGUMENT without memory. */
BmStatus bm_take_alignment_init(BmTakeAlignment* self, void* memory, double sample_rate_hz);
void bm_take_alignment_reset(BmTakeAlignment* self);

/** Hear [n_frames]. Real-time: yes. */
void bm_take_alignment_process(BmTakeAlignment* self, const BmFrame* in, uint32_t n_frames);

/** How much later the right lane is, in ms, negative if earlier; the last of which it was confident, 0 at
 * first. */
double bm_take_alignment_delay_ms(const BmTakeAlignment* self);

/** Whether the right lane is upside down against the left; likewise. */
bool bm_take_alignment_is_opposed(const BmTakeAlignment* self);

/** How well the frequencies that count agree on the present finding, 0 to 1. */
double bm_take_alignment_confidence_norm(const BmTakeAlignment* self);

#endif
