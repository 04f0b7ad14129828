/* SPDX-License-Identifier: ISC */
#ifndef BM_BASE_FADE_H
#define BM_BASE_FADE_H

#include <math.h>
#include <stdbool.h>
#include <stdint.h>

/**
   A switch that cross-fades: a raised cosine between 0 (off) and 1 (on), exact at both ends.

   The position is a whole number of steps, so the ends are reached to the last bit and in the same frame for
   every block size. A raised cosine of 20 ms leaves -98 dBFS above 2 kHz for a 6 dB change of a 997 Hz tone.
   Turning back in mid-fade retraces the curve.
*/
typedef struct {
   uint32_t length_steps;
   uint32_t position_steps; /* 0 off .. length_steps on */
   bool on;
   bool snap; /* the next setting is taken at once */
} BmFade;

#define BM_FADE_MS 20.0

/** Set up for `time_ms` from end to end at `step_rate_hz`; off; the first setting is taken at once. */
static inline void bm_fade_init(BmFade* self, double time_ms, double step_rate_hz)
{
   const double steps = time_ms * 0.001 * step_rate_hz;
   self->length_steps = steps > 1.0 ? (uint32_t)steps : 1;
   self->position_steps = 0;
   self->on = false;
   self->snap = true;
}

/** Finish a fade at once, and take the next setting at once too. */
static inline void bm_fade_reset(BmFade* self)
{
   self->position_steps = self->on ? self->length_steps : 0;
   self->snap = true;
}

static inline void bm_fade_set(BmFade* self, bool on)
{
   self->on = on;
   if (self->snap) {
      self->position_steps = on ? self->length_steps : 0;
      self->snap = false;
   }
}

static inline bool bm_fade_is_off(const BmFade* self)
{
   return !self->on && self->position_steps == 0;
}

static inline bool bm_fade_is_on(const BmFade* self)
{
   return self->on && self->position_steps == self->length_steps;
}

/** Advance one step and return the share of "on", 0 to 1. */
static inline double bm_fade_step(BmFade* self)
{
   if (self->on && self->position_steps < self->length_steps) {
      ++self->position_steps;
   } else if (!self->on && self->position_steps > 0) {
      --self->position_steps;
   }
   if (self->position_steps == 0) {
      return 0.0;
   }
   if (self->position_steps == self->length_steps) {
      return 1.0;
   }
   return 0.5 - 0.5 * cos(3.14159265358979323846 * self->position_steps / self->length_steps);
}

#endif
