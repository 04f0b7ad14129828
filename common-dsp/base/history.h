/* SPDX-License-Identifier: ISC */
#ifndef BM_BASE_HISTORY_H
#define BM_BASE_HISTORY_H

#include "base/frame.h"

#include <stddef.h>
#include <stdint.h>
#include <string.h>

/**
   The last frames of two channels, to be read at many delays at once: a ring whose beginning stands once more
   after its end, so that a run of frames anywhere is one run of memory. In double and in single precision.
*/
typedef struct {
   double* lanes[2]; /* [capacity_frames + run_frames] each */
   float* singles[2];
   uint32_t capacity_frames;
   uint32_t run_frames;
   uint32_t write_index;
   uint32_t chunk_index; /* where the newest chunk begins */
} BmHistory;

typedef struct {
   uint32_t delay_frames; /* the longest a reader looks back */
   uint32_t run_frames;   /* the longest chunk, plus what a reader wants after it */
} BmHistoryReach;

static inline size_t bm_history_bytes(BmHistoryReach reach)
{
   return (sizeof(double) + sizeof(float)) * 2 * ((size_t)reach.delay_frames + 2 * reach.run_frames);
}

static inline void bm_history_reset(BmHistory* self)
{
   memset(self->lanes[0], 0,
          (sizeof(double) + sizeof(float)) * 2 * (self->capacity_frames + self->run_frames));
   self->write_index = 0;
   self->chunk_index = 0;
}

/** Set up over `memory` (bm_history_bytes(), aligned for doubles), silent. */
static inline void bm_history_init(BmHistory* self, void* memory, BmHistoryReach reach)
{
   self->capacity_frames = reach.delay_frames + reach.run_frames;
   self->run_frames = reach.run_frames;
   const size_t lane_frames = self->capacity_frames + self->run_frames;
   self->lanes[0] = memory;
   self->lanes[1] = self->lanes[0] + lane_frames;
   self->singles[0] = (float*)(void*)(self->lanes[1] + lane_frames);
   self->singles[1] = self->singles[0] + lane_frames;
   bm_history_reset(self);
}

/** Hear a chunk of [n_frames], no more than run_frames. */
static inline void bm_history_push(BmHistory* self, const BmFrame* in, uint32_t n_frames)
{
   self->chunk_index = self->write_index;
   for (uint32_t n = 0; n < n_frames; ++n) {
      for (uint32_t lane = 0; lane < 2; ++lane) {
         double* ring = self->lanes[lane];
         float* singles = self->singles[lane];
         ring[self->write_index] = in[n][lane];
         singles[self->write_index] = (float)in[n][lane];
         if (self->write_index < self->run_frames) {
            ring[self->write_index + self->capacity_frames] = in[n][lane];
            singles[self->write_index + self->capacity_frames] = (float)in[n][lane];
         }
      }
      self->write_index = self->write_index + 1 < self->capacity_frames ? self->write_index + 1 : 0;
   }
}

static inline uint32_t bm_history_index(const BmHistory* self, uint32_t delay_frames)
{
   const uint32_t now = self->chunk_index;
   return now >= delay_frames ? now - delay_frames : now + self->capacity_frames - delay_frames;
}

/** The newest chunk as it was `delay_frames` before: frame n of it at [n], later ones after it; what is after
    the newest is old. */
static inline const double* bm_history_at(const BmHistory* self, uint32_t lane, uint32_t delay_frames)
{
   return self->lanes[lane] + bm_history_index(self, delay_frames);
}

/** The same in single precision. */
static inline const float* bm_history_singles_at(const BmHistory* self, uint32_t lane, uint32_t delay_frames)
{
   return self->singles[lane] + bm_history_index(self, delay_frames);
}

#endif
