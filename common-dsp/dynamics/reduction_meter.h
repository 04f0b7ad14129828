/* SPDX-License-Identifier: ISC */
#ifndef BM_DYNAMICS_REDUCTION_METER_H
#define BM_DYNAMICS_REDUCTION_METER_H

#include "base/control_clock.h"
#include "base/frame.h"

#include <math.h>

/** Periods of the meter and of other work at control rate. */
#define BM_DYNAMICS_PERIOD_S 0.001

/**
   Holds the reduction of a compressor's channel that is reduced most, at the end of the latest millisecond
   the processor has seen, whatever blocks the host runs it in.
*/
typedef struct {
   BmControlClock clock;
   double gain_lin;
} BmReductionMeter;

static inline void bm_reduction_meter_reset(BmReductionMeter* self)
{
   bm_control_clock_reset(&self->clock);
   self->gain_lin = 1.0;
}

static inline void bm_reduction_meter_init(BmReductionMeter* self, double sample_rate_hz)
{
   bm_control_clock_init(&self->clock, (uint32_t)lrint(BM_DYNAMICS_PERIOD_S * sample_rate_hz));
   bm_reduction_meter_reset(self);
}

/** Reduction in dB, >= 0. */
static inline double bm_reduction_meter_db(const BmReductionMeter* self)
{
   return fmax(0.0, -20.0 * log10(self->gain_lin));
}

#endif
