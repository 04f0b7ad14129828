/* SPDX-License-Identifier: ISC */
#ifndef BM_PLUGINS_LEVEL_METER_H
#define BM_PLUGINS_LEVEL_METER_H

#include "base/floats.h"
#include "base/frame.h"

#include <stdint.h>

/**
   The mean square of what goes in or out, over 0.3 s, in periods of BM_SLICE_FRAMES.

   A period's squares are added in lanes by frame number, whatever the slices, so that the sum has one order.
*/
typedef struct {
   double coefficient; /* of the mean, per period */
   double power;       /**< mean square over the channels */
   BmFrame squares[2];
   /* Of left and right. Not across cache lines: what a run leaves the next one waits for there. */
   BmFloats single_squares[2] __attribute__((aligned(64)));
} BmLevelMeter;

void bm_level_meter_init(BmLevelMeter* self, double sample_rate_hz);
void bm_level_meter_reset(BmLevelMeter* self);

/** Measure [n_frames]; `position` is the first one's place in the period. Real-time: yes. */
void bm_level_meter_process(BmLevelMeter* self, uint32_t position, const BmFrame* frames, uint32_t n_frames);

/** Copy left and right, [n_frames], with silence in place of what is not finite, and measure the copy: in one
    pass, for sound that is passed on. Real-time: yes. */
void bm_level_meter_clean(BmLevelMeter* self, uint32_t position, const float* const in[2],
                          float* const out[2], uint32_t n_frames);

/** End a period. Real-time: yes. */
void bm_level_meter_conclude(BmLevelMeter* self);

#endif
