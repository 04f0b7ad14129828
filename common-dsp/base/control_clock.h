/* SPDX-License-Identifier: ISC */
#ifndef BM_BASE_CONTROL_CLOCK_H
#define BM_BASE_CONTROL_CLOCK_H

#include <math.h>
#include <stdbool.h>
#include <stdint.h>

/**
   Cuts a processor's own time into equal periods, for work that need not be done every frame.

   It counts the frames the processor has seen since reset, never a host's block edge, so the same input gives
   the same output for every block size. Use:

       while (n_frames) {
          const uint32_t n = bm_control_clock_next(&clock, n_frames);
          if (bm_control_clock_is_due(&clock)) { ... design, meter, look up ... }
          ... n frames at audio rate ...
          bm_control_clock_advance(&clock, n);
       }
*/
typedef struct {
   uint32_t period_frames;
   uint32_t position_frames;
} BmControlClock;

/** The power of two nearest to a period of 1 / `control_rate_hz`: blocks of a host, which mostly are powers
   of two, then hold whole periods, or periods whole blocks. At least 1. */
static inline uint32_t bm_control_period_frames(double control_rate_hz, double sample_rate_hz)
{
   const long exponent = lround(log2(sample_rate_hz / control_rate_hz));
   return exponent > 0 ? (uint32_t)1 << exponent : 1;
}

static inline void bm_control_clock_init(BmControlClock* self, uint32_t period_frames)
{
   self->period_frames = period_frames;
   self->position_frames = 0;
}

static inline void bm_control_clock_reset(BmControlClock* self)
{
   self->position_frames = 0;
}

/** True at the first frame of a period. */
static inline bool bm_control_clock_is_due(const BmControlClock* self)
{
   return self->position_frames == 0;
}

/** How many of the next `n_frames` still belong to this period (at least 1 if n_frames is). */
static inline uint32_t bm_control_clock_next(const BmControlClock* self, uint32_t n_frames)
{
   const uint32_t left = self->period_frames - self->position_frames;
   return n_frames < left ? n_frames : left;
}

/** Step by `n_frames`, no more than bm_control_clock_next() allowed. */
static inline void bm_control_clock_advance(BmControlClock* self, uint32_t n_frames)
{
   self->position_frames += n_frames;
   if (self->position_frames >= self->period_frames) {
      self->position_frames = 0;
   }
}

#endif
