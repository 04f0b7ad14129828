/* SPDX-License-Identifier: ISC */
#ifndef BM_SATURATION_CHANGEOVER_H
#define BM_SATURATION_CHANGEOVER_H

#include "base/fade.h"
#include "base/frame.h"

#include <stdbool.h>
#include <stdint.h>
#include <string.h>

/**
   Which of two copies of a path is heard, while a mode that a path cannot change in flight is changed.

   The idle copy is set up anew, runs unheard until its memories have settled, and is then faded in; the other
   stops. Only one runs in between, so a changeover costs double for its duration and nothing otherwise.
   A caller cuts its time at bm_changeover_frames() so that the end falls on the same frame for every block
   size.
*/
typedef struct {
   uint32_t settle_frames;
   uint32_t settle_left_frames;
   uint32_t heard;
   bool is_changing;
   BmFade fade; /* from copy 0 to copy 1 */
} BmChangeover;

/** Set up with copy 0 heard. `settle_frames`: how long a fresh copy runs before it may be heard. */
static inline void bm_changeover_init(BmChangeover* self, uint32_t settle_frames, double sample_rate_hz)
{
   self->settle_frames = settle_frames;
   self->settle_left_frames = 0;
   self->heard = 0;
   self->is_changing = false;
   bm_fade_init(&self->fade, BM_FADE_MS, sample_rate_hz);
   bm_fade_set(&self->fade, false);
}

/** Start a changeover and return the copy to set up; call only while none is under way. */
static inline uint32_t bm_changeover_begin(BmChangeover* self)
{
   self->is_changing = true;
   self->settle_left_frames = self->settle_frames;
   return 1 - self->heard;
}

static inline bool bm_changeover_runs(const BmChangeover* self, uint32_t copy)
{
   return self->is_changing || copy == self->heard;
}

/** How many of the next `n_frames` do not reach beyond the end of the changeover. */
static inline uint32_t bm_changeover_frames(const BmChangeover* self, uint32_t n_frames)
{
   const uint32_t left = self->settle_left_frames + self->fade.length_steps;
   const uint32_t gone =
      self->heard == 0 ? self->fade.position_steps : self->fade.length_steps - self->fade.position_steps;
   return self->is_changing && n_frames > left - gone ? left - gone : n_frames;
}

/** Mix the copies' outputs [n_frames] (no more than bm_changeover_frames() allowed) into `out`. */
static inline void bm_changeover_mix(BmChangeover* self, const BmFrame* copy0, const BmFrame* copy1,
                                     BmFrame* out, uint32_t n_frames)
{
   if (!self->is_changing) {
      memcpy(out, self->heard ? copy1 : copy0, n_frames * sizeof *out);
      return;
   }
   for (uint32_t n = 0; n < n_frames; ++n) {
      double share = (double)self->heard;
      if (self->is_changing) {
         if (self->settle_left_frames > 0) {
            --self->settle_left_frames;
         } else {
            bm_fade_set(&self->fade, self->heard == 0);
            share = bm_fade_step(&self->fade);
            if (bm_fade_is_on(&self->fade) || bm_fade_is_off(&self->fade)) {
               self->heard = 1 - self->heard;
               self->is_changing = false;
            }
         }
      }
      out[n] = share == 0.0 ? copy0[n] : share == 1.0 ? copy1[n] : copy0[n] + (copy1[n] - copy0[n]) * share;
   }
}

#endif
