/* SPDX-License-Identifier: ISC */
#include "dynamics/transient_shaper.h"

#include "base/clones.h"
#include "dynamics/log2.h"
#include "dynamics/reduction_meter.h"

#include <math.h>

#define FOLLOW_UP_S 0.0005
#define FOLLOW_DOWN_S 0.030 /* of power: 60 ms of amplitude */
#define ATTACK_UP_S 0.025
#define ATTACK_DOWN_S 0.080
#define SUSTAIN_UP_S 0.030
#define SUSTAIN_DOWN_S 0.500
#define SMOOTH_S 0.0003

/* A difference begins to count at `from` and counts half at `from` + `half`. */
#define ATTACK_FROM_DB 1.0
#define ATTACK_HALF_DB 2.5
#define SUSTAIN_FROM_DB 0.7
#define SUSTAIN_HALF_DB 4.0

/* An attack out of silence counts as one out of this much below. */
#define MOST_DB 40.0

/* -200 dBFS: so far below any recording that its level does not matter. */
#define FLOOR_POWER 1e-20

/* Steps of 2^-23: 1.5 * 2^52 * 2^-23. */
#define TO_24_BITS 805306368.0

BmStatus bm_transient_shaper_init(BmTransientShaper* self, double sample_rate_hz)
{
   const BmStatus status = bm_check_rate(sample_rate_hz);
   if (status != BM_OK) {
      return status;
   }
   const double period_s = 1.0 / sample_rate_hz;
   self->coef.follow_up = -expm1(-period_s / FOLLOW_UP_S);
   self->coef.follow_down = -expm1(-period_s / FOLLOW_DOWN_S);
   self->coef.slow_up = bm_frame(-expm1(-period_s / ATTACK_UP_S), -expm1(-period_s / SUSTAIN_UP_S));
   self->coef.slow_down = bm_frame(-expm1(-period_s / ATTACK_DOWN_S), -expm1(-period_s / SUSTAIN_DOWN_S));
   self->coef.smooth = -expm1(-period_s / SMOOTH_S);
   bm_glide_init(&self->attack, BM_GLIDE_MS, sample_rate_hz);
   bm_glide_init(&self->sustain, BM_GLIDE_MS, sample_rate_hz);
   bm_fade_init(&self->second, BM_FADE_MS, sample_rate_hz);
   bm_control_clock_init(&self->clock, (uint32_t)lrint(BM_DYNAMICS_PERIOD_S * sample_rate_hz));
   const BmTransientShaperParams params = {0.0, 0.0, BM_SHAPE_ALL};
   bm_transient_shaper_set(self, &params);
   bm_transient_shaper_reset(self);
   return BM_OK;
}

void bm_transient_shaper_set(BmTransientShaper* self, const BmTransientShaperParams* params)
{
   const bool at_once = self->attack.snap;
   bm_glide_set(&self->attack, params->attack_db / BM_DB_PER_LOG2);
   bm_glide_set(&self->sustain, params->sustain_db / BM_DB_PER_LOG2);
   self->wanted = params->target;
   if (at_once) {
      self->mem.shaper[0].target = self->wanted;
      self->mem.shaper[1].target = self->wanted;
   }
}

/* Upwards faster than downwards, so the higher of both ways is the right one. */
BM_INLINE BmFrame follow(BmFrame level, BmFrame towards, BmFrame up, BmFrame down)
{
   return bm_frame_max((1.0 - up) * level + up * towards, (1.0 - down) * level + down * towards);
}

/* How much a difference counts, 0 to 1. */
BM_INLINE double weight(double difference, double from_db, double half_db)
{
   const double above = difference - from_db / BM_DB_PER_LOG2;
   const double counted = above > 0.0 ? above : 0.0;
   const double square = counted * counted;
   const double half = half_db / BM_DB_PER_LOG2;
   return square / (square + half * half);
}

BM_INLINE double amplitude_level(double power)
{
   return 0.5 * bm_log2(power + FLOOR_POWER);
}

/* Followers of the power of all, mid and side. */
BM_INLINE void hear(BmTransientShaper* self, BmFrame in)
{
   const BmFrame other = bm_frame(in[1], in[0]);
   const BmFrame mid = 0.5 * (in + other);
   const BmFrame side = 0.5 * (in - other);
   const BmFrame side_power = side * side;
   const BmFrame all_mid = mid * mid + bm_frame(side_power[0], 0.0);
   const BmFrame up = bm_frame_both(self->coef.follow_up);
   const BmFrame down = bm_frame_both(self->coef.follow_down);
   self->mem.power_all_mid = follow(self->mem.power_all_mid, all_mid, up, down);
   self->mem.power_side = follow(self->mem.power_side, side_power, up, down);
}

static double power_of(const BmTransientShaper* self, BmShapeTarget target)
{
   return target == BM_SHAPE_SIDE ? self->mem.power_side[0] : self->mem.power_all_mid[target];
}

/* Compare a level with a shaper's slower copies: how far it is above attack's and below sustain's. */
BM_INLINE BmFrame compare(const BmTransientShaper* self, BmShaper* shaper, double level)
{
   const BmFrame sign = {1.0, -1.0};
   const BmFrame slow = bm_frame_max(shaper->slow_level, bm_frame_both(level - MOST_DB / BM_DB_PER_LOG2));
   shaper->slow_level = follow(slow, bm_frame_both(level), self->coef.slow_up, self->coef.slow_down);
   return sign * (level - slow);
}

BM_INLINE double wanted_gain(double attack, double sustain, double above, double below)
{
   return attack * weight(above, ATTACK_FROM_DB, ATTACK_HALF_DB) +
          sustain * weight(below, SUSTAIN_FROM_DB, SUSTAIN_HALF_DB);
}

BM_INLINE BmFrame in_24_bit_steps(BmFrame x)
{
   return (x + TO_24_BITS) - TO_24_BITS;
}

/* What a shaper adds to the signal. */
BM_INLINE BmFrame change(BmFrame in, BmShapeTarget target, double more_lin)
{
   if (target == BM_SHAPE_ALL) {
      return in * more_lin;
   }
   const BmFrame other = bm_frame(in[1], in[0]);
   const BmFrame part = target == BM_SHAPE_MID ? 0.5 * (in + other) : 0.5 * (in - other);
   return in_24_bit_steps(part * more_lin);
}

static void start_fade(BmTransientShaper* self)
{
   BmShaper* idle = &self->mem.shaper[self->second.on ? 0 : 1];
   idle->target = self->wanted;
   idle->slow_level = bm_frame_both(amplitude_level(power_of(self, idle->target)));
   idle->gain = 0.0;
   self->second.snap = false;
   bm_fade_set(&self->second, !self->second.on);
}

/* One frame while one shaper is faded to the other. */
static BmFrame fade_step(BmTransientShaper* self, BmFrame in)
{
   hear(self, in);
   const double attack = bm_glide_step(&self->attack);
   const double sustain = bm_glide_step(&self->sustain);
   const double second = bm_fade_step(&self->second);
   const double share[2] = {1.0 - second, second};
   BmFrame out = in;
   for (uint32_t i = 0; i < 2; ++i) {
      BmShaper* shaper = &self->mem.shaper[i];
      const BmFrame off = compare(self, shaper, amplitude_level(power_of(self, shaper->target)));
      const double gain = wanted_gain(attack, sustain, off[0], off[1]);
      shaper->gain += self->coef.smooth * (gain - shaper->gain);
      out += share[i] * change(in, shaper->target, bm_exp2(shaper->gain) - 1.0);
   }
   return out;
}

/* Frames that are worked on together, side by side wherever they do not wait for one another. */
#define CHUNK 64

/* [n_frames], up to CHUNK, through the one shaper in use. */
BM_CLONES static void shape(BmTransientShaper* self, const BmFrame* in, BmFrame* out, uint32_t n_frames)
{
   BmShaper shaper = self->mem.shaper[self->second.on ? 1 : 0];
   double level[CHUNK];
   double above[CHUNK];
   double below[CHUNK];
   double gain[CHUNK];
   for (uint32_t n = 0; n < n_frames; ++n) {
      hear(self, in[n]);
      level[n] = power_of(self, shaper.target);
   }
   for (uint32_t n = 0; n < n_frames; ++n) {
      level[n] = amplitude_level(level[n]);
   }
   for (uint32_t n = 0; n < n_frames; ++n) {
      const BmFrame off = compare(self, &shaper, level[n]);
      above[n] = off[0];
      below[n] = off[1];
   }
   if (bm_glide_is_still(&self->attack) && bm_glide_is_still(&self->sustain)) {
      const double attack = self->attack.value;
      const double sustain = self->sustain.value;
      for (uint32_t n = 0; n < n_frames; ++n) {
         gain[n] = wanted_gain(attack, sustain, above[n], below[n]);
      }
   } else {
      for (uint32_t n = 0; n < n_frames; ++n) {
         gain[n] =
            wanted_gain(bm_glide_step(&self->attack), bm_glide_step(&self->sustain), above[n], below[n]);
      }
   }
   const double kept = 1.0 - self->coef.smooth;
   for (uint32_t n = 0; n < n_frames; ++n) {
      shaper.gain = kept * shaper.gain + self->coef.smooth * gain[n];
      gain[n] = shaper.gain;
   }
   for (uint32_t n = 0; n < n_frames; ++n) {
      gain[n] = bm_exp2(gain[n]) - 1.0;
   }
   for (uint32_t n = 0; n < n_frames; ++n) {
      out[n] = in[n] + change(in[n], shaper.target, gain[n]);
   }
   self->mem.shaper[self->second.on ? 1 : 0] = shaper;
}

void bm_transient_shaper_process(BmTransientShaper* self, const BmFrame* in, BmFrame* out, uint32_t n_frames)
{
   while (n_frames) {
      if (bm_control_clock_is_due(&self->clock)) {
         self->mem.gain_db = BM_DB_PER_LOG2 * self->mem.shaper[self->second.on ? 1 : 0].gain;
      }
      uint32_t n = bm_control_clock_next(&self->clock, n_frames);
      n = n < CHUNK ? n : CHUNK;
      bool settled = bm_fade_is_off(&self->second) || bm_fade_is_on(&self->second);
      if (settled && self->mem.shaper[self->second.on ? 1 : 0].target != self->wanted) {
         start_fade(self);
         settled = false;
      }
      if (settled) {
         shape(self, in, out, n);
      } else {
         n = 1;
         *out = fade_step(self, *in);
      }
      bm_control_clock_advance(&self->clock, n);
      in += n;
      out += n;
      n_frames -= n;
   }
}

void bm_transient_shaper_reset(BmTransientShaper* self)
{
   self->mem.power_all_mid = bm_frame_both(0.0);
   self->mem.power_side = bm_frame_both(0.0);
   self->mem.gain_db = 0.0;
   for (uint32_t i = 0; i < 2; ++i) {
      self->mem.shaper[i] =
         (BmShaper){.slow_level = bm_frame_both(amplitude_level(0.0)), .gain = 0.0, .target = self->wanted};
   }
   bm_fade_reset(&self->second);
   bm_fade_set(&self->second, false);
   bm_glide_reset(&self->attack);
   bm_glide_reset(&self->sustain);
   bm_control_clock_reset(&self->clock);
}

double bm_transient_shaper_gain_db(const BmTransientShaper* self)
{
   return self->mem.gain_db;
}
