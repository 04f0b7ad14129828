/* SPDX-License-Identifier: ISC */
#ifndef BM_REVERB_HISTORY_H
#define BM_REVERB_HISTORY_H

#include "base/frame.h"

#include <stddef.h>
#include <stdint.h>
#include <string.h>

/** The most frames heard at a time, and how many past them a reader may look. */
#define BM_HISTORY_CHUNK_FRAMES 32
#define BM_HISTORY_EXTRA_FRAMES 4
#define BM_HISTORY_MARGIN_FRAMES (BM_HISTORY_CHUNK_FRAMES + BM_HISTORY_EXTRA_FRAMES)

/**
   The last frames of two channels, to be read at many delays at once: a ring whose beginning stands once more
   after its end, so that a chunk anywhere is one run of memory.
*/
typedef struct {
   double* lanes[2]; /* [capacity_frames + BM_HISTORY_MARGIN_FRAMES] each */
   uint32_t capacity_frames;
   uint32_t write_index;
   uint32_t chunk_index; /* where the newest chunk begins */
} BmHistory;

/** Bytes of memory to look back `longest_frames`. */
static inline size_t bm_history_bytes(uint32_t longest_frames)
{
   return sizeof(double) * 2 * (longest_frames + 2 * BM_HISTORY_MARGIN_FRAMES);
}

static inline void bm_history_reset(BmHistory* self)
{
   memset(self->lanes[0], 0, sizeof(double) * 2 * (self->capacity_frames + BM_HISTORY_MARGIN_FRAMES));
   self->write_index = 0;
   self->chunk_index = 0;
}

static inline void bm_history_init(BmHistory* self, void* memory, uint32_t longest_frames)
{
   self->capacity_frames = longest_frames + BM_HISTORY_MARGIN_FRAMES;
   self->lanes[0] = memory;
   self->lanes[1] = self->lanes[0] + self->capacity_frames + BM_HISTORY_MARGIN_FRAMES;
   bm_history_reset(self);
}

/** Hear a chunk of [n_frames <= BM_HISTORY_CHUNK_FRAMES]. */
static inline void bm_history_push(BmHistory* self, const BmFrame* in, uint32_t n_frames)
{
   self->chunk_index = self->write_index;
   for (uint32_t n = 0; n < n_frames; ++n) {
      for (uint32_t lane = 0; lane < 2; ++lane) {
         double* ring = self->lanes[lane];
         ring[self->write_index] = in[n][lane];
         if (self->write_index < BM_HISTORY_MARGIN_FRAMES) {
            ring[self->write_index + self->capacity_frames] = in[n][lane];
         }
      }
      self->write_index = self->write_index + 1 < self->capacity_frames ? self->write_index + 1 : 0;
   }
}

/** The newest chunk as it was `delay_frames` before: frame n of it at [n], later ones after it. */
static inline const double* bm_history_at(const BmHistory* self, uint32_t lane, uint32_t delay_frames)
{
   const uint32_t now = self->chunk_index;
   return self->lanes[lane] +
          (now >= delay_frames ? now - delay_frames : now + self->capacity_frames - delay_frames);
}

#endif
