/* SPDX-License-Identifier: ISC */
#include "analysis/true_peak.h"

#include "base/decibel.h"
#include "base/floats.h"

#include <math.h>
#include <string.h>

#define TAPS BM_FRACTIONAL_TAPS
#define HISTORY_FRAMES (TAPS - 1)

/* Frames side by side in a BmFloats. */
#define STEP_FRAMES (BM_FLOATS_STEP / 2)

void bm_true_peak_init(BmTruePeak* self)
{
   double quarter[TAPS];
   double half[TAPS];
   bm_fractional_delay_design(0.25, quarter);
   bm_fractional_delay_design(0.5, half);
   double most_quarter = 0.0;
   double most_half = 0.0;
   for (uint32_t k = 0; k < TAPS; ++k) {
      most_quarter += fabs(quarter[k]);
      most_half += fabs(half[k]);
   }
   /* Three quarters are a quarter from the other side, and the middle is its own mirror image. */
   for (uint32_t k = 0; k < TAPS / 2; ++k) {
      self->coef.half[k] = (float)half[k];
      self->coef.sum[k] = (float)(0.5 * (quarter[k] + quarter[TAPS - 1 - k]));
      self->coef.difference[k] = (float)(0.5 * (quarter[k] - quarter[TAPS - 1 - k]));
   }
   self->coef.most = (float)(fmax(most_quarter, most_half) * (1.0 + 1e-4)); /* more than rounding does */
   bm_true_peak_reset(self);
}

void bm_true_peak_reset(BmTruePeak* self)
{
   memset(&self->mem, 0, sizeof self->mem);
}

/* Of magnitudes; as integers, which order numbers that are not negative as the numbers themselves. */
BM_INLINE void take_higher(BmFloatsBits* highest, const BmFloats* x)
{
   const BmFloatsBits magnitude = (BmFloatsBits)*x & 0x7FFFFFFF;
   const BmFloatsBits is_more = magnitude > *highest;
   *highest = (is_more & magnitude) | (~is_more & *highest);
}

BM_INLINE void take_lanes(const BmFloatsBits* highest, float out[2])
{
   const BmFloats x = (BmFloats)*highest;
   for (uint32_t i = 0; i < BM_FLOATS_STEP; ++i) {
      out[i % 2] = x[i] > out[i % 2] ? x[i] : out[i % 2];
   }
}

/* Highest of the frames themselves, history and all. */
BM_CLONES static void highest_frame(const float* frames, uint32_t n_frames, float out[2])
{
   BmFloatsBits highest = {0};
   uint32_t i = 0;
   for (; i + BM_FLOATS_STEP <= 2 * n_frames; i += BM_FLOATS_STEP) {
      take_higher(&highest, (const BmFloats*)(frames + i));
   }
   out[0] = 0.0f;
   out[1] = 0.0f;
   take_lanes(&highest, out);
   for (; i < 2 * n_frames; ++i) {
      out[i % 2] = fabsf(frames[i]) > out[i % 2] ? fabsf(frames[i]) : out[i % 2];
   }
}

/* Highest of the points between, four frames at a time; of the last four only those that were heard. */
BM_CLONES static void highest_between(const BmTruePeak* self, uint32_t n_frames, float out[2])
{
   BmFloatsBits highest = {0};
   const BmFloatsBits lane = {0, 1, 2, 3, 4, 5, 6, 7};
   for (uint32_t n = 0; n < n_frames; n += STEP_FRAMES) {
      const float* first = self->mem.frames + 2 * n;
      const float* last = first + 2 * (TAPS - 1);
      BmFloats half = {0.0f};
      BmFloats sums = {0.0f};
      BmFloats differences = {0.0f};
      for (uint32_t k = 0; k < TAPS / 2; ++k) {
         const BmFloats a = *(const BmFloats*)(first + 2 * k);
         const BmFloats b = *(const BmFloats*)(last - 2 * k);
         const BmFloats sum = a + b;
         half += self->coef.half[k] * sum;
         sums += self->coef.sum[k] * sum;
         differences += self->coef.difference[k] * (a - b);
      }
      const BmFloatsBits is_heard = lane < 2 * ((int32_t)n_frames - (int32_t)n);
      const BmFloats quarter = (BmFloats)(is_heard & (BmFloatsBits)(sums + differences));
      const BmFloats three_quarters = (BmFloats)(is_heard & (BmFloatsBits)(sums - differences));
      half = (BmFloats)(is_heard & (BmFloatsBits)half);
      take_higher(&highest, &half);
      take_higher(&highest, &quarter);
      take_higher(&highest, &three_quarters);
   }
   out[0] = 0.0f;
   out[1] = 0.0f;
   take_lanes(&highest, out);
}

static void take_highest(float highest[2], const float found[2])
{
   for (uint32_t lane = 0; lane < 2; ++lane) {
      highest[lane] = found[lane] > highest[lane] ? found[lane] : highest[lane];
   }
}

static void hear_chunk(BmTruePeak* self, uint32_t n_frames)
{
   float found[2];
   highest_frame(self->mem.frames, HISTORY_FRAMES + n_frames, found);
   take_highest(self->mem.highest_frame, found);
   take_highest(self->mem.highest, found);
   const float most = self->coef.most;
   if (most * found[0] > self->mem.highest[0] || most * found[1] > self->mem.highest[1]) {
      highest_between(self, n_frames, found);
      take_highest(self->mem.highest, found);
   }
}

void bm_true_peak_process(BmTruePeak* self, const BmFrame* in, uint32_t n_frames)
{
   while (n_frames > 0) {
      const uint32_t n = n_frames < BM_TRUE_PEAK_CHUNK_FRAMES ? n_frames : BM_TRUE_PEAK_CHUNK_FRAMES;
      float* newest = self->mem.frames + 2 * HISTORY_FRAMES;
      for (uint32_t i = 0; i < n; ++i) {
         newest[2 * i] = (float)in[i][0];
         newest[2 * i + 1] = (float)in[i][1];
      }
      hear_chunk(self, n);
      memmove(self->mem.frames, self->mem.frames + 2 * n, 2 * HISTORY_FRAMES * sizeof *newest);
      in += n;
      n_frames -= n;
   }
}

double bm_true_peak_frame_lin(const BmTruePeak* self, uint32_t lane)
{
   return (double)self->mem.highest_frame[lane];
}

double bm_true_peak_db(const BmTruePeak* self)
{
   return bm_db_from_gain(fmax((double)self->mem.highest[0], (double)self->mem.highest[1]));
}
