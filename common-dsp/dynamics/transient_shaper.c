/* SPDX-License-Identifier: ISC */
#include "dynamics/transient_shaper.h"

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
   self->coef.attack_up = -expm1(-period_s / ATTACK_UP_S);
   self->coef.attack_down = -expm1(-period_s / ATTACK_DOWN_S);
   self->coef.sustain_up = -expm1(-period_s / SUSTAIN_UP_S);
   self->coef.sustain_down = -expm1(-period_s / SUSTAIN_DOWN_S);
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
      self->mem.target[0] = self->wanted;
      self->mem.target[1] = self->wanted;
   }
}

static inline BmFrame bm_frame_log2(BmFrame x)
{
   return bm_frame(bm_log2(x[0]), bm_log2(x[1]));
}

static inline BmFrame bm_frame_exp2(BmFrame x)
{
   return bm_frame(bm_exp2(x[0]), bm_exp2(x[1]));
}

static inline BmFrame follow(BmFrame level, BmFrame towards, double up, double down)
{
   const BmFrame difference = towards - level;
   const BmFrame zero = {0.0, 0.0};
   return level + difference * bm_frame_select(difference > zero, bm_frame_both(up), bm_frame_both(down));
}

/* How much a difference counts, 0 to 1. */
static inline BmFrame weight(BmFrame difference, double from_db, double half_db)
{
   const BmFrame zero = {0.0, 0.0};
   const BmFrame above = bm_frame_max(difference - from_db / BM_DB_PER_LOG2, zero);
   const BmFrame square = above * above;
   const double half = half_db / BM_DB_PER_LOG2;
   return square / (square + half * half);
}

/* The amplitude level of each shaper's target, log2. */
static inline BmFrame level_of_targets(const BmTransientShaper* self)
{
   const double power[3] = {self->mem.power_all_mid[0], self->mem.power_all_mid[1], self->mem.power_side[0]};
   return 0.5 * bm_frame_log2(bm_frame(power[self->mem.target[0]], power[self->mem.target[1]]) + FLOOR_POWER);
}

static inline void hear(BmTransientShaper* self, BmFrame in)
{
   const double mid = 0.5 * (in[0] + in[1]);
   const double side = 0.5 * (in[0] - in[1]);
   const BmFrame all_mid = bm_frame(mid * mid + side * side, mid * mid);
   self->mem.power_all_mid =
      follow(self->mem.power_all_mid, all_mid, self->coef.follow_up, self->coef.follow_down);
   self->mem.power_side =
      follow(self->mem.power_side, bm_frame_both(side * side), self->coef.follow_up, self->coef.follow_down);
}

/* Gains of both shapers. */
static inline BmFrame shape(BmTransientShaper* self)
{
   const BmFrame level = level_of_targets(self);
   const BmFrame lowest = level - MOST_DB / BM_DB_PER_LOG2;
   self->mem.attack_level = bm_frame_max(self->mem.attack_level, lowest);
   self->mem.sustain_level = bm_frame_max(self->mem.sustain_level, lowest);
   const BmFrame above_attack = level - self->mem.attack_level;
   const BmFrame below_sustain = self->mem.sustain_level - level;
   self->mem.attack_level =
      follow(self->mem.attack_level, level, self->coef.attack_up, self->coef.attack_down);
   self->mem.sustain_level =
      follow(self->mem.sustain_level, level, self->coef.sustain_up, self->coef.sustain_down);
   const BmFrame gain =
      bm_glide_step(&self->attack) * weight(above_attack, ATTACK_FROM_DB, ATTACK_HALF_DB) +
      bm_glide_step(&self->sustain) * weight(below_sustain, SUSTAIN_FROM_DB, SUSTAIN_HALF_DB);
   self->mem.gain += self->coef.smooth * (gain - self->mem.gain);
   return bm_frame_exp2(self->mem.gain);
}

static inline BmFrame in_24_bit_steps(BmFrame x)
{
   return (x + TO_24_BITS) - TO_24_BITS;
}

/* What a shaper adds to the signal. */
static inline BmFrame change(BmFrame in, BmShapeTarget target, double gain_lin)
{
   if (target == BM_SHAPE_ALL) {
      return in * (gain_lin - 1.0);
   }
   const BmFrame other = bm_frame(in[1], in[0]);
   const BmFrame part = target == BM_SHAPE_MID ? 0.5 * (in + other) : 0.5 * (in - other);
   return in_24_bit_steps(part * (gain_lin - 1.0));
}

static void start_fade(BmTransientShaper* self)
{
   const uint32_t idle = self->second.on ? 0 : 1;
   self->mem.target[idle] = self->wanted;
   const double level = level_of_targets(self)[idle];
   self->mem.attack_level[idle] = level;
   self->mem.sustain_level[idle] = level;
   self->mem.gain[idle] = 0.0;
   self->second.snap = false;
   bm_fade_set(&self->second, !self->second.on);
}

static inline BmFrame step(BmTransientShaper* self, BmFrame in)
{
   hear(self, in);
   const bool settled = bm_fade_is_off(&self->second) || bm_fade_is_on(&self->second);
   if (settled && self->mem.target[self->second.on ? 1 : 0] != self->wanted) {
      start_fade(self);
   }
   const BmFrame gain_lin = shape(self);
   if (settled) {
      const int used = self->second.on ? 1 : 0;
      return in + change(in, self->mem.target[used], gain_lin[used]);
   }
   const double share = bm_fade_step(&self->second);
   return in + (1.0 - share) * change(in, self->mem.target[0], gain_lin[0]) +
          share * change(in, self->mem.target[1], gain_lin[1]);
}

void bm_transient_shaper_process(BmTransientShaper* self, const BmFrame* in, BmFrame* out, uint32_t n_frames)
{
   for (uint32_t i = 0; i < n_frames; ++i) {
      if (bm_control_clock_is_due(&self->clock)) {
         self->mem.gain_db = BM_DB_PER_LOG2 * self->mem.gain[self->second.on ? 1 : 0];
      }
      out[i] = step(self, in[i]);
      bm_control_clock_advance(&self->clock, 1);
   }
}

void bm_transient_shaper_reset(BmTransientShaper* self)
{
   const BmFrame floor_level = 0.5 * bm_frame_log2(bm_frame_both(FLOOR_POWER));
   self->mem.power_all_mid = bm_frame_both(0.0);
   self->mem.power_side = bm_frame_both(0.0);
   self->mem.attack_level = floor_level;
   self->mem.sustain_level = floor_level;
   self->mem.gain = bm_frame_both(0.0);
   self->mem.gain_db = 0.0;
   self->mem.target[0] = self->wanted;
   self->mem.target[1] = self->wanted;
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
