/* SPDX-License-Identifier: ISC */
#ifndef BM_ANALYSIS_TRUE_PEAK_H
#define BM_ANALYSIS_TRUE_PEAK_H

#include "base/fractional_delay.h"
#include "base/frame.h"

#include <stdint.h>

#define BM_TRUE_PEAK_CHUNK_FRAMES 64
#define BM_TRUE_PEAK_PAIRS 6 /* about a point between a frame and a middle */

/**
   The highest level of the waveform between its frames, 4 points a frame at every rate (ITU-R BS.1770-4 Annex
   2).

   The middle between two frames is that of base/fractional_delay.h; the points at either side of it are
   worked out from frames and middles, which stand so close that twelve of them are enough (Lagrange's
   polynomial: within 0.012 dB up to 0.45 of the rate). In single precision; where nothing near is loud enough
   to make a new highest, not at all. What 4 points can still miss: 0.55 dB of a tone at 0.45 of the rate, 0.1
   dB at 0.2 of it.
*/
typedef struct {
   struct {
      float half[BM_FRACTIONAL_TAPS / 2]; /* the middle: weight of two frames' sum, the outermost first */
      float quarter[BM_TRUE_PEAK_PAIRS];  /* beside it: of a frame's and a middle's, the innermost first */
      float most;                         /* how much louder than all its frames a point can be */
      float most_beside;                  /* and one beside a middle, than all its frames and middles */
   } coef;
   struct {
      /* Left and right in turn; what is still needed, and a chunk. */
      float frames[2 * (BM_FRACTIONAL_TAPS + 2 * BM_TRUE_PEAK_PAIRS + BM_TRUE_PEAK_CHUNK_FRAMES)];
      float highest[2];       /* of each lane since reset, linear */
      float highest_frame[2]; /* likewise, of the frames alone */
      float last_highest[2];  /* of the last chunk's frames */
      uint32_t last_frames;   /* so many */
   } mem;
} BmTruePeak;

void bm_true_peak_init(BmTruePeak* self);
void bm_true_peak_reset(BmTruePeak* self);

/** Hear [n_frames]. Real-time: yes. */
void bm_true_peak_process(BmTruePeak* self, const BmFrame* in, uint32_t n_frames);

/** The highest frame of a lane since reset, linear. */
double bm_true_peak_frame_lin(const BmTruePeak* self, uint32_t lane);

/** The louder lane's true peak since reset in dBTP, BM_SILENCE_DB at least. */
double bm_true_peak_db(const BmTruePeak* self);

#endif
