/* SPDX-License-Identifier: ISC */
#ifndef BM_SATURATION_DRIVE_H
#define BM_SATURATION_DRIVE_H

#include "base/decibel.h"
#include "base/glide.h"

#include <stdbool.h>
#include <stdint.h>

#define BM_DRIVE_MAX_DELAY_FRAMES 320

/**
   A gain in front of a stage that is taken back behind it, as late as the stage is.

   Taken back at once, a gain that moves would meet frames that went in under another: 12 dB more drive
   dipped a tape's output by 1.8 dB.
*/
typedef struct {
   BmGlide gain_lin;
   uint32_t delay_frames;
   uint32_t index;
   double past_lin[BM_DRIVE_MAX_DELAY_FRAMES];
} BmDrive;

/** Set up for a stage that is `delay_frames` late, up to BM_DRIVE_MAX_DELAY_FRAMES. */
static inline void bm_drive_init(BmDrive* self, double sample_rate_hz, uint32_t delay_frames)
{
   bm_glide_init(&self->gain_lin, BM_GLIDE_MS, sample_rate_hz);
   self->delay_frames = delay_frames;
   self->index = 0;
}

/** First at once, then gliding. */
static inline void bm_drive_set(BmDrive* self, double drive_db)
{
   const bool at_once = self->gain_lin.snap;
   bm_glide_set(&self->gain_lin, bm_gain_from_db(drive_db));
   for (uint32_t i = 0; at_once && i < self->delay_frames; ++i) {
      self->past_lin[i] = self->gain_lin.value;
   }
}

/** Jump to the drive that is set, and take the next at once too. */
static inline void bm_drive_reset(BmDrive* self)
{
   bm_glide_reset(&self->gain_lin);
   for (uint32_t i = 0; i < self->delay_frames; ++i) {
      self->past_lin[i] = self->gain_lin.value;
   }
}

/** Advance one frame: the gain for what goes in and, in `back_lin`, that of what comes out. */
static inline double bm_drive_step(BmDrive* self, double* back_lin)
{
   const double gain_lin = bm_glide_step(&self->gain_lin);
   *back_lin = gain_lin;
   if (self->delay_frames > 0) {
      *back_lin = self->past_lin[self->index];
      self->past_lin[self->index] = gain_lin;
      self->index = self->index + 1 < self->delay_frames ? self->index + 1 : 0;
   }
   return gain_lin;
}

#endif
