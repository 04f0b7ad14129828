/* SPDX-License-Identifier: ISC */
#ifndef BM_PLUGINS_INPUT_LINE_H
#define BM_PLUGINS_INPUT_LINE_H

#include "shell.h"
#include "shell/buffers.h"
#include "shell/memory.h"

#include <stdbool.h>
#include <stdint.h>
#include <string.h>

/** Room for the input behind its delay, so that this is moved seldom. */
#define BM_INPUT_LINE_SPARE_FRAMES (4 * BM_SLICE_FRAMES)
/** So that slices begin where a cache line does, if the host's blocks allow. */
#define BM_INPUT_LINE_ALIGN_FRAMES 16
/** Between the channels: what is read of one then never stands a multiple of 4 KiB from what was just written
    of the other, which a CPU takes for the same place at first. */
#define BM_INPUT_LINE_APART_FRAMES 512

/** The input, cleaned, as far back as the processor is late: what the dry side of every mix is read from. */
typedef struct {
   float* channels[2]; /* [n_frames] each; the newest slice begins at `now` */
   float* memory;
   uint32_t n_channels; /**< the host's; a mono input stands in both lanes */
   uint32_t n_frames;
   uint32_t latency_frames;
   uint32_t first; /* where `now` begins: latency_frames or more */
   uint32_t now;
} BmInputLine;

/** Forget the input. */
static inline void bm_input_line_reset(BmInputLine* self)
{
   for (uint32_t c = 0; c < 2; ++c) {
      memset(self->channels[c], 0, self->n_frames * sizeof *self->channels[c]);
   }
   self->now = self->first;
}

/** Set up. False: no memory. */
static inline bool bm_input_line_init(BmInputLine* self, uint32_t n_channels, uint32_t latency_frames)
{
   self->n_channels = n_channels;
   self->latency_frames = latency_frames;
   self->first = (latency_frames + BM_INPUT_LINE_ALIGN_FRAMES - 1) / BM_INPUT_LINE_ALIGN_FRAMES *
                 BM_INPUT_LINE_ALIGN_FRAMES;
   self->n_frames = self->first + BM_INPUT_LINE_SPARE_FRAMES;
   self->memory = bm_allocate((2 * self->n_frames + BM_INPUT_LINE_APART_FRAMES) * sizeof *self->memory);
   if (self->memory) {
      self->channels[0] = self->memory;
      self->channels[1] = self->memory + self->n_frames + BM_INPUT_LINE_APART_FRAMES;
      bm_input_line_reset(self);
   }
   return self->memory;
}

static inline void bm_input_line_free(BmInputLine* self)
{
   free(self->memory);
}

/** Have room for the next `n_frames`, at most BM_SLICE_FRAMES, at bm_input_line_next(). Real-time: yes. */
static inline void bm_input_line_make_room(BmInputLine* self, uint32_t n_frames)
{
   if (self->now + n_frames > self->n_frames) {
      for (uint32_t c = 0; c < self->n_channels; ++c) {
         memmove(self->channels[c], self->channels[c] + self->now - self->first,
                 self->first * sizeof *self->channels[c]);
      }
      self->now = self->first;
   }
}

/** Where a channel's newest slice is to be written. */
static inline float* bm_input_line_next(const BmInputLine* self, uint32_t c)
{
   return self->channels[c] + self->now;
}

/** Take [n_frames] of the host's channels, cleaned. Real-time: yes. */
static inline void bm_input_line_load(BmInputLine* self, const float* const* in, uint32_t start,
                                      uint32_t n_frames)
{
   bm_input_line_make_room(self, n_frames);
   for (uint32_t c = 0; c < self->n_channels; ++c) {
      bm_buffer_clean(in[c] + start, bm_input_line_next(self, c), n_frames);
   }
}

/** A lane of the newest slice, as it came. */
static inline const float* bm_input_line_fresh(const BmInputLine* self, uint32_t lane)
{
   return self->channels[lane && self->n_channels > 1 ? 1 : 0] + self->now;
}

/** A lane of the slice that the processor, which is late, gives back now. */
static inline const float* bm_input_line_delayed(const BmInputLine* self, uint32_t lane)
{
   return bm_input_line_fresh(self, lane) - self->latency_frames;
}

static inline void bm_input_line_advance(BmInputLine* self, uint32_t n_frames)
{
   self->now += n_frames;
}

#endif
