/* SPDX-License-Identifier: ISC */
#include "shell/level_meter.h"

#include "base/clones.h"
#include "shell.h"
#include "shell/buffers.h"

#include <math.h>
#include <string.h>

#define LEVEL_TIME_S 0.3
#define EXPONENT_BITS 0x7F800000 /* of a float; all ones if it is not finite */

void bm_level_meter_init(BmLevelMeter* self, double sample_rate_hz)
{
   self->coefficient = -expm1(-BM_SLICE_FRAMES / (LEVEL_TIME_S * sample_rate_hz));
   bm_level_meter_reset(self);
}

void bm_level_meter_reset(BmLevelMeter* self)
{
   const BmLevelMeter silent = {.coefficient = self->coefficient};
   *self = silent;
}

BM_CLONES void bm_level_meter_process(BmLevelMeter* self, uint32_t position, const BmFrame* frames,
                                      uint32_t n_frames)
{
   uint32_t i = 0;
   if (position % 2 && n_frames) {
      self->squares[1] += frames[i] * frames[i];
      ++i;
   }
   BmFramePair even_odd = BM_FRAME_PAIR(self->squares[0], self->squares[1]);
   for (; i + 2 <= n_frames; i += 2) {
      const BmFramePair pair = *(const BmFramePair*)(frames + i);
      even_odd += pair * pair;
   }
   self->squares[0] = BM_FIRST_OF_PAIR(even_odd);
   self->squares[1] = BM_SECOND_OF_PAIR(even_odd);
   if (i < n_frames) {
      self->squares[0] += frames[i] * frames[i];
   }
}

BM_INLINE void clean_few(BmLevelMeter* self, uint32_t position, const float* const in[2], float* const out[2],
                         uint32_t begin, uint32_t end)
{
   for (uint32_t i = begin; i < end; ++i) {
      for (uint32_t lane = 0; lane < 2; ++lane) {
         out[lane][i] = bm_cleaned(in[lane][i]);
         self->single_squares[lane][(position + i) % BM_FLOATS_STEP] += out[lane][i] * out[lane][i];
      }
   }
}

/* Its own pointers, because those of the caller would be read again after every store. */
BM_CLONES void bm_level_meter_clean(BmLevelMeter* self, uint32_t position, const float* const in[2],
                                    float* const out[2], uint32_t n_frames)
{
   const uint32_t to_step = (BM_FLOATS_STEP - position % BM_FLOATS_STEP) % BM_FLOATS_STEP;
   const uint32_t begin = to_step < n_frames ? to_step : n_frames;
   clean_few(self, position, in, out, 0, begin);
   BmFloats sums[2] = {self->single_squares[0], self->single_squares[1]};
   const float* left = in[0];
   const float* right = in[1];
   float* left_out = out[0];
   float* right_out = out[1];
   uint32_t i = begin;
   for (; i + BM_FLOATS_STEP <= n_frames; i += BM_FLOATS_STEP) {
      const BmFloatsBits l = *(const BmFloatsBits*)(const void*)(left + i);
      const BmFloatsBits r = *(const BmFloatsBits*)(const void*)(right + i);
      const BmFloats clean_l = (BmFloats)(l & ((l & EXPONENT_BITS) < EXPONENT_BITS));
      const BmFloats clean_r = (BmFloats)(r & ((r & EXPONENT_BITS) < EXPONENT_BITS));
      *(BmFloats*)(left_out + i) = clean_l;
      *(BmFloats*)(right_out + i) = clean_r;
      sums[0] += clean_l * clean_l;
      sums[1] += clean_r * clean_r;
   }
   self->single_squares[0] = sums[0];
   self->single_squares[1] = sums[1];
   clean_few(self, position, in, out, i, n_frames);
}

void bm_level_meter_conclude(BmLevelMeter* self)
{
   const BmFrame squares = self->squares[0] + self->squares[1];
   double sum = squares[0] + squares[1];
   for (uint32_t k = 0; k < BM_FLOATS_STEP; ++k) {
      sum += (double)self->single_squares[0][k] + (double)self->single_squares[1][k];
   }
   memset(self->single_squares, 0, sizeof self->single_squares);
   self->squares[0] = bm_frame_both(0.0);
   self->squares[1] = bm_frame_both(0.0);
   const double power = fmin(sum / (2.0 * BM_SLICE_FRAMES), BM_INPUT_LIMIT * BM_INPUT_LIMIT);
   self->power += self->coefficient * (power - self->power);
}
