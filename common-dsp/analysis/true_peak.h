/* SPDX-License-Identifier: ISC */
#ifndef BM_ANALYSIS_TRUE_PEAK_H
#define BM_ANALYSIS_TRUE_PEAK_H

#include "base/fractional_delay.h"
#include "base/frame.h"

#include <stdint.h>

#define BM_TRUE_PEAK_CHUNK_FRAMES 64

/**
   The highest level of the waveform between its frames, 4 points a frame at every rate (ITU-R BS.1770-4 Annex
   2).

   The points between are those of base/fractional_delay.h. What 4 points can still miss: 0.55 dB of a tone at
   0.45 of the rate, 0.1 dB at 0.2 of it.
*/
typedef struct {
   struct {
      double weights[3][BM_FRACTIONAL_TAPS]; /* oldest frame first */
   } coef;
   struct {
      BmFrame frames[BM_FRACTIONAL_TAPS - 1 + BM_TRUE_PEAK_CHUNK_FRAMES];
      BmFrame highest; /* of each lane since reset, linear */
   } mem;
} BmTruePeak;

void bm_true_peak_init(BmTruePeak* self);
void bm_true_peak_reset(BmTruePeak* self);

/** Hear [n_frames]. Real-time: yes. */
void bm_true_peak_process(BmTruePeak* self, const BmFrame* in, uint32_t n_frames);

/** The louder lane's true peak since reset in dBTP, BM_SILENCE_DB at least. */
double bm_true_peak_db(const BmTruePeak* self);

#endif
