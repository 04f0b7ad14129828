/* SPDX-License-Identifier: ISC */
#include "analysis/true_peak.h"

#include "base/decibel.h"
#include "base/floats.h"

#include <math.h>
#include <stdbool.h>
#include <string.h>

#define TAPS BM_FRACTIONAL_TAPS
#define PAIRS BM_TRUE_PEAK_PAIRS

/* How many middles before and after its own a point beside it looks at. */
#define REACH (PAIRS / 2)
#define HISTORY_FRAMES (TAPS - 1 + 2 * REACH)

/* Frames side by side in a BmFloats. */
#define STEP_FRAMES (BM_FLOATS_STEP / 2)

/* Lagrange's polynomial through 2 PAIRS points half-way between the two in the middle. */
static void design_quarter(double weight[PAIRS])
{
   for (int i = 0; i < PAIRS; ++i) {
      const double at = i + 0.5;
      double product = 1.0;
      for (int k = -PAIRS; k < PAIRS; ++k) {
         product *= k == i ? 1.0 : -(k + 0.5) / (at - (k + 0.5));
      }
      weight[i] = product;
   }
}

/* How much higher than the highest frame a point can be: the weights' magnitudes, summed. */
static double most_half(const double half[TAPS])
{
   double sum = 0.0;
   for (uint32_t k = 0; k < TAPS; ++k) {
      sum += fabs(half[k]);
   }
   return sum;
}

/* The same, of the point before a middle: what it takes of frames itself and by way of middles. */
static double most_quarter(const double half[TAPS], const double quarter[PAIRS])
{
   double weight[HISTORY_FRAMES + 1] = {0.0};
   const int first_frame = REACH + TAPS / 2 - 1; /* the nearest before the point, and its middle */
   const int first_middle = REACH;
   for (int i = 0; i < PAIRS; ++i) {
      const int step = (i + 1) / 2;
      const int frame = first_frame + (i % 2 ? step : -step);
      const int middle = first_middle + (i % 2 ? -step : step);
      weight[frame] += quarter[i];
      for (int k = 0; k < TAPS; ++k) {
         weight[middle + k] += quarter[i] * half[k];
      }
   }
   double sum = 0.0;
   for (uint32_t k = 0; k <= HISTORY_FRAMES; ++k) {
      sum += fabs(weight[k]);
   }
   return sum;
}

void bm_true_peak_init(BmTruePeak* self)
{
   double half[TAPS];
   double quarter[PAIRS];
   bm_fractional_delay_design(0.5, half);
   design_quarter(quarter);
   for (uint32_t k = 0; k < TAPS / 2; ++k) {
      self->coef.half[k] = (float)half[k];
   }
   double beside = 0.0;
   for (uint32_t k = 0; k < PAIRS; ++k) {
      self->coef.quarter[k] = (float)quarter[k];
      beside += 2.0 * fabs(quarter[k]);
   }
   const double most = fmax(most_half(half), most_quarter(half, quarter));
   self->coef.most = (float)(most * (1.0 + 1e-4)); /* more than rounding does */
   self->coef.most_beside = (float)(beside * (1.0 + 1e-4));
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

/* Highest of the frames themselves. */
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

/* What is not among the first n_lanes becomes zero. */
BM_INLINE void keep_lanes(BmFloats* x, int32_t n_lanes)
{
   const BmFloatsBits lane = {0, 1, 2, 3, 4, 5, 6, 7};
   *x = (BmFloats)((lane < n_lanes) & (BmFloatsBits)*x);
}

/* The middles behind each of n_frames and of 2 REACH more, four at a time, and their highest. */
BM_CLONES static void find_middles(const BmTruePeak* self, uint32_t n_frames, float* middles, float out[2])
{
   const uint32_t n_middles = n_frames + 2 * REACH;
   BmFloatsBits highest = {0};
   for (uint32_t n = 0; n < n_middles; n += STEP_FRAMES) {
      const float* first = self->mem.frames + 2 * n;
      const float* last = first + 2 * (TAPS - 1);
      BmFloats middle = {0.0f};
      for (uint32_t k = 0; k < TAPS / 2; ++k) {
         middle +=
            self->coef.half[k] * (*(const BmFloats*)(first + 2 * k) + *(const BmFloats*)(last - 2 * k));
      }
      keep_lanes(&middle, 2 * ((int32_t)n_middles - (int32_t)n));
      *(BmFloats*)(middles + 2 * n) = middle;
      take_higher(&highest, &middle);
   }
   out[0] = 0.0f;
   out[1] = 0.0f;
   take_lanes(&highest, out);
}

/* The point between the two innermost of a row of middles and frames in turn: `left` and `right` are these,
   each in the row of its own kind. */
BM_INLINE void find_quarter(const float* weights, const float* left, const float* right, BmFloats* out)
{
   BmFloats sum = {0.0f};
   for (int i = 0; i < PAIRS; ++i) {
      const int step = 2 * ((i + 1) / 2);
      const float* a = i % 2 ? right - step : left - step;
      const float* b = i % 2 ? left + step : right + step;
      sum += weights[i] * (*(const BmFloats*)a + *(const BmFloats*)b);
   }
   *out = sum;
}

/* Highest of the points beside the middles. */
BM_CLONES static void highest_beside(const BmTruePeak* self, uint32_t n_frames, const float* middles,
                                     float out[2])
{
   BmFloatsBits highest = {0};
   for (uint32_t n = 0; n < n_frames; n += STEP_FRAMES) {
      const float* frame = self->mem.frames + 2 * (n + REACH + TAPS / 2 - 1);
      const float* middle = middles + 2 * (n + REACH);
      BmFloats before;
      BmFloats after;
      find_quarter(self->coef.quarter, frame, middle, &before);
      find_quarter(self->coef.quarter, middle, frame + 2, &after);
      keep_lanes(&before, 2 * ((int32_t)n_frames - (int32_t)n));
      keep_lanes(&after, 2 * ((int32_t)n_frames - (int32_t)n));
      take_higher(&highest, &before);
      take_higher(&highest, &after);
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

/* Whether what is so much louder than `found` at most may be a new highest. */
static bool may_be_higher(const BmTruePeak* self, float most, const float found[2])
{
   return most * found[0] > self->mem.highest[0] || most * found[1] > self->mem.highest[1];
}

static void hear_chunk(BmTruePeak* self, uint32_t n_frames)
{
   float newest[2];
   highest_frame(self->mem.frames + 2 * HISTORY_FRAMES, n_frames, newest);
   take_highest(self->mem.highest_frame, newest);
   take_highest(self->mem.highest, newest);
   float found[2] = {self->mem.last_highest[0], self->mem.last_highest[1]};
   if (self->mem.last_frames < HISTORY_FRAMES) { /* more than the last chunk is still in sight */
      highest_frame(self->mem.frames, HISTORY_FRAMES, found);
   }
   take_highest(found, newest);
   self->mem.last_frames = n_frames;
   memcpy(self->mem.last_highest, newest, sizeof newest);
   if (!may_be_higher(self, self->coef.most, found)) {
      return;
   }
   float middles[2 * (BM_TRUE_PEAK_CHUNK_FRAMES + 2 * REACH + STEP_FRAMES)];
   float middle[2];
   find_middles(self, n_frames, middles, middle);
   take_highest(found, middle);
   take_highest(self->mem.highest, middle);
   if (may_be_higher(self, self->coef.most_beside, found)) {
      highest_beside(self, n_frames, middles, found);
      take_highest(self->mem.highest, found);
   }
}

BM_CLONES static void take_in(const BmFrame* in, uint32_t n_frames, float* out)
{
   for (uint32_t i = 0; i < n_frames; ++i) {
      out[2 * i] = (float)in[i][0];
      out[2 * i + 1] = (float)in[i][1];
   }
}

void bm_true_peak_process(BmTruePeak* self, const BmFrame* in, uint32_t n_frames)
{
   while (n_frames > 0) {
      const uint32_t n = n_frames < BM_TRUE_PEAK_CHUNK_FRAMES ? n_frames : BM_TRUE_PEAK_CHUNK_FRAMES;
      float* newest = self->mem.frames + 2 * HISTORY_FRAMES;
      take_in(in, n, newest);
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
