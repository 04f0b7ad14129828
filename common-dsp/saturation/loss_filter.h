/* SPDX-License-Identifier: ISC */
#ifndef BM_SATURATION_LOSS_FILTER_H
#define BM_SATURATION_LOSS_FILTER_H

#include "base/frame.h"

#include <stdint.h>

/** Longest filter: 2 * 96 - 1 taps. */
#define BM_LOSS_FILTER_MAX_TAPS 96

/** Frames that are filtered at a time. */
#define BM_LOSS_FILTER_PIECE_FRAMES 32

/**
   A linear-phase filter made from magnitudes, which may change while sound runs.

   A new response is reached on a straight line over BM_LOSS_FILTER_GLIDE_FRAMES, tap by tap. Delay:
   bm_loss_filter_latency_frames(), whatever the response.
*/
typedef struct {
   struct {
      uint32_t n_taps; /* of one side, centre included */
   } cfg;
   struct {
      double cosine[4 * BM_LOSS_FILTER_MAX_TAPS]; /* of a turn in 4 n_taps steps */
      double window[BM_LOSS_FILTER_MAX_TAPS];
      /* All taps, a zero in front. */
      BmFrame tap[2 * BM_LOSS_FILTER_MAX_TAPS];
      BmFrame rise[2 * BM_LOSS_FILTER_MAX_TAPS]; /* per frame */
      BmFrame target[2 * BM_LOSS_FILTER_MAX_TAPS];
   } coef;
   struct {
      BmFrame window[2 * BM_LOSS_FILTER_MAX_TAPS + BM_LOSS_FILTER_PIECE_FRAMES];
      uint32_t glide_left_frames;
   } mem;
} BmLossFilter;

#define BM_LOSS_FILTER_GLIDE_FRAMES 64

/** Set up with 2 n_taps - 1 taps (n_taps a multiple of 4, to BM_LOSS_FILTER_MAX_TAPS), passing nothing until
 * set. */
void bm_loss_filter_init(BmLossFilter* self, uint32_t n_taps);

/** How many magnitudes a design takes: at 0, 1/(n - 1), ... 1 of half the sample rate. */
uint32_t bm_loss_filter_n_points(const BmLossFilter* self);

/** Take a response at once. Real-time: yes, about 10 us. */
void bm_loss_filter_set(BmLossFilter* self, const double* magnitude_lin);

/** Move to a response over the next BM_LOSS_FILTER_GLIDE_FRAMES. Real-time: yes, about 10 us. */
void bm_loss_filter_glide(BmLossFilter* self, const double* magnitude_lin);

void bm_loss_filter_reset(BmLossFilter* self);

uint32_t bm_loss_filter_latency_frames(const BmLossFilter* self);

/** Filter [n_frames]; `out` may be `in`. Real-time: yes. */
void bm_loss_filter_process(BmLossFilter* self, const BmFrame* in, BmFrame* out, uint32_t n_frames);

#endif
