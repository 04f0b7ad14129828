/* SPDX-License-Identifier: ISC */
#include "reverb/echo_history.h"

#include "base/clones.h"
#include "base/fractional_delay.h"

#include <math.h>
#include <string.h>

#define HALF_TAPS (2 * (BM_ECHO_HALF_LATENCY_FRAMES + 1))
#define RUN_FRAMES (BM_ECHO_CHUNK_FRAMES + HALF_TAPS)

/* `delay_frames` of room in each ring, and a chunk with what the half frames reach back. */
static uint32_t capacity_frames(uint32_t longest_delay_frames)
{
   return longest_delay_frames + RUN_FRAMES;
}

size_t bm_echo_history_bytes(uint32_t longest_delay_frames)
{
   return 4 * sizeof(float) * (capacity_frames(longest_delay_frames) + RUN_FRAMES);
}

void bm_echo_history_reset(BmEchoHistory* self)
{
   memset(self->rings[0][0], 0, 4 * sizeof(float) * (self->capacity_frames + RUN_FRAMES));
   self->write_index = 0;
   self->chunk_index = 0;
}

void bm_echo_history_init(BmEchoHistory* self, void* memory, uint32_t longest_delay_frames)
{
   self->capacity_frames = capacity_frames(longest_delay_frames);
   for (uint32_t i = 0; i < 4; ++i) {
      self->rings[i / 2][i % 2] = (float*)memory + (size_t)i * (self->capacity_frames + RUN_FRAMES);
   }
   for (uint32_t k = 0; k < HALF_TAPS / 2; ++k) {
      const double middle = 0.5 * (HALF_TAPS - 1);
      double weight = 1.0;
      for (uint32_t j = 0; j < HALF_TAPS; ++j) {
         weight *= j == k ? 1.0 : (middle - j) / ((double)k - j);
      }
      self->half_weights[k] = (float)weight;
   }
   bm_echo_history_reset(self);
}

/* Copy what begins at write_index into the ring, and its beginning behind its end. */
static void put(const BmEchoHistory* self, float* ring, const float* chunk, uint32_t n_frames)
{
   const uint32_t at = self->write_index;
   const uint32_t left = self->capacity_frames - at;
   const uint32_t first = n_frames < left ? n_frames : left;
   memcpy(ring + at, chunk, first * sizeof *ring);
   memcpy(ring, chunk + first, (n_frames - first) * sizeof *ring);
   memcpy(ring + self->capacity_frames, ring, RUN_FRAMES * sizeof *ring);
}

/* [BM_ECHO_CHUNK_FRAMES] from [BM_ECHO_CHUNK_FRAMES + HALF_TAPS - 1]. */
BM_CLONES static void half_frames(const float* weights, const float* restrict x, float* restrict half)
{
   for (uint32_t n = 0; n < BM_ECHO_CHUNK_FRAMES; ++n) {
      half[n] = 0.0F;
   }
   for (uint32_t k = 0; k < HALF_TAPS / 2; ++k) {
      const float weight = weights[k];
      for (uint32_t n = 0; n < BM_ECHO_CHUNK_FRAMES; ++n) {
         half[n] += weight * (x[n + k] + x[n + HALF_TAPS - 1 - k]);
      }
   }
}

void bm_echo_history_push(BmEchoHistory* self, const BmFrame* in, uint32_t n_frames)
{
   self->chunk_index = self->write_index;
   for (uint32_t channel = 0; channel < 2; ++channel) {
      float chunk[BM_ECHO_CHUNK_FRAMES];
      for (uint32_t n = 0; n < n_frames; ++n) {
         chunk[n] = (float)in[n][channel];
      }
      put(self, self->rings[channel][0], chunk, n_frames);
      const BmEchoPlace oldest = {.phase = 0, .delay_frames = HALF_TAPS - 1};
      half_frames(self->half_weights, bm_echo_history_at(self, channel, oldest), chunk);
      put(self, self->rings[channel][1], chunk, n_frames);
   }
   self->write_index += n_frames;
   self->write_index -= self->write_index >= self->capacity_frames ? self->capacity_frames : 0;
}

BmEchoPlace bm_echo_place(double delay_frames)
{
   const uint32_t halves = (uint32_t)lround(2.0 * delay_frames);
   if (halves % 2 && halves / 2 >= BM_ECHO_HALF_LATENCY_FRAMES) {
      return (BmEchoPlace){.phase = 1, .delay_frames = halves / 2 - BM_ECHO_HALF_LATENCY_FRAMES};
   }
   return (BmEchoPlace){.phase = 0, .delay_frames = (uint32_t)lround(delay_frames)};
}
