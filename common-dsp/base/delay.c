/* SPDX-License-Identifier: ISC */
#include "base/delay.h"

#include <string.h>

void bm_delay_init(BmDelay* self, BmFrame* frames, uint32_t capacity_frames, uint32_t delay_frames)
{
   self->frames = frames;
   self->capacity_frames = capacity_frames;
   self->delay_frames = delay_frames < capacity_frames ? delay_frames : capacity_frames;
   bm_delay_reset(self);
}

void bm_delay_reset(BmDelay* self)
{
   if (self->capacity_frames) {
      memset(self->frames, 0, self->capacity_frames * sizeof *self->frames);
   }
   self->write_index = 0;
}

void bm_delay_process(BmDelay* self, const BmFrame* in, BmFrame* out, uint32_t n_frames)
{
   if (self->delay_frames == 0) {
      if (out != in) {
         memcpy(out, in, n_frames * sizeof *out);
      }
      return;
   }
   while (n_frames) {
      const uint32_t left = self->delay_frames - self->write_index;
      const uint32_t n = n_frames < left ? n_frames : left;
      BmFrame* line = self->frames + self->write_index;
      for (uint32_t i = 0; i < n; ++i) {
         const BmFrame newest = in[i];
         out[i] = line[i];
         line[i] = newest;
      }
      self->write_index = n < left ? self->write_index + n : 0;
      in += n;
      out += n;
      n_frames -= n;
   }
}
