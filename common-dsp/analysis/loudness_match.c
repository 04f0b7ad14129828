/* SPDX-License-Identifier: ISC */
#include "analysis/loudness_match.h"

#include "base/decibel.h"

#include <math.h>
#include <string.h>

#define PERIOD_S 0.001
#define WINDOW_S 5.0
#define MOMENTARY_S 0.4
#define FIRST_GUESS_S 0.4
#define SETTLING_S 3.0
#define SETTLING_DB_PER_S 12.0
#define SETTLED_DB_PER_S 0.9
#define SILENCE_LUFS (-70.0)
/* BS.1770-4, Annex 1, equation 2. */
#define LOUDNESS_OFFSET_DB (-0.691)
#define PAUSE_LU (-20.0)
#define PROGRAMME_FALL_DB_PER_S 0.5
#define MAX_BOOST_DB 12.0
#define MAX_CUT_DB 60.0
/* So that even 120 dB over full scale leaves the averages finite. */
#define MAX_POWER 1e12

BmStatus bm_loudness_match_init(BmLoudnessMatch* self, double sample_rate_hz)
{
   const BmStatus status = bm_check_rate(sample_rate_hz);
   if (status != BM_OK) {
      return status;
   }
   bm_k_weighting_init(&self->mem.reference_weighting, sample_rate_hz);
   bm_k_weighting_init(&self->mem.output_weighting, sample_rate_hz);
   self->cfg.period_frames = (uint32_t)lrint(PERIOD_S * sample_rate_hz);
   self->cfg.period_s = self->cfg.period_frames / sample_rate_hz;
   self->coef.momentary = -expm1(-self->cfg.period_s / MOMENTARY_S);
   self->coef.programme_fall = pow(10.0, -0.1 * PROGRAMME_FALL_DB_PER_S * self->cfg.period_s);
   self->coef.silence_power = pow(10.0, 0.1 * (SILENCE_LUFS - LOUDNESS_OFFSET_DB));
   self->coef.pause_ratio = pow(10.0, 0.1 * PAUSE_LU);
   bm_control_clock_init(&self->clock, self->cfg.period_frames);
   bm_fade_init(&self->enabled, BM_FADE_MS, sample_rate_hz);
   bm_loudness_match_reset(self);
   return BM_OK;
}

static void listen_anew(BmLoudnessMatch* self)
{
   const double gain_db = self->mem.gain_db;
   bm_k_weighting_reset(&self->mem.reference_weighting);
   bm_k_weighting_reset(&self->mem.output_weighting);
   self->mem.reference_sum = 0.0;
   self->mem.output_sum = 0.0;
   self->mem.momentary_power = 0.0;
   self->mem.programme_power = 0.0;
   self->mem.reference_power = 0.0;
   self->mem.output_power = 0.0;
   self->mem.heard_s = 0.0;
   self->mem.gain = bm_gain_from_db(gain_db);
   self->mem.gain_increment = 0.0;
   bm_control_clock_reset(&self->clock);
}

void bm_loudness_match_set(BmLoudnessMatch* self, bool enabled)
{
   if (enabled && bm_fade_is_off(&self->enabled)) {
      listen_anew(self);
   }
   bm_fade_set(&self->enabled, enabled);
}

/* A period has been heard: average, and choose where the gain goes during the next. */
static void conclude_period(BmLoudnessMatch* self)
{
   const double reference = fmin(self->mem.reference_sum / self->cfg.period_frames, MAX_POWER);
   const double output = fmin(self->mem.output_sum / self->cfg.period_frames, MAX_POWER);
   self->mem.reference_sum = 0.0;
   self->mem.output_sum = 0.0;
   self->mem.gain_increment = 0.0;
   self->mem.gain = bm_gain_from_db(self->mem.gain_db);

   self->mem.momentary_power += self->coef.momentary * (reference - self->mem.momentary_power);
   self->mem.programme_power =
      fmax(self->mem.momentary_power, self->mem.programme_power * self->coef.programme_fall);
   if (self->mem.momentary_power < self->coef.silence_power ||
       self->mem.momentary_power < self->coef.pause_ratio * self->mem.programme_power) {
      return;
   }

   self->mem.heard_s += self->cfg.period_s;
   const double share = self->cfg.period_s / fmin(self->mem.heard_s, WINDOW_S);
   self->mem.reference_power += share * (reference - self->mem.reference_power);
   self->mem.output_power += share * (output - self->mem.output_power);
   if (self->mem.heard_s < FIRST_GUESS_S) {
      return;
   }
   const double ratio_db =
      10.0 * log10((self->mem.reference_power + 1e-30) / (self->mem.output_power + 1e-30));
   const double target_db = fmax(-MAX_CUT_DB, fmin(ratio_db, MAX_BOOST_DB));
   const double slew = self->mem.heard_s < SETTLING_S ? SETTLING_DB_PER_S : SETTLED_DB_PER_S;
   const double step_db = slew * self->cfg.period_s;
   self->mem.gain_db += fmax(-step_db, fmin(target_db - self->mem.gain_db, step_db));
   self->mem.gain_increment = (bm_gain_from_db(self->mem.gain_db) - self->mem.gain) / self->cfg.period_frames;
}

static double power(BmFrame x)
{
   const BmFrame square = x * x;
   return square[0] + square[1];
}

void bm_loudness_match_process(BmLoudnessMatch* self, const BmFrame* reference, BmFrame* io,
                               uint32_t n_frames)
{
   while (n_frames && !bm_fade_is_off(&self->enabled)) {
      const uint32_t n = bm_control_clock_next(&self->clock, n_frames);
      uint32_t i = 0;
      while (i < n && !bm_fade_is_off(&self->enabled)) {
         self->mem.reference_sum += power(bm_k_weighting_step(&self->mem.reference_weighting, reference[i]));
         self->mem.output_sum += power(bm_k_weighting_step(&self->mem.output_weighting, io[i]));
         self->mem.gain += self->mem.gain_increment;
         io[i] *= 1.0 + bm_fade_step(&self->enabled) * (self->mem.gain - 1.0);
         ++i;
      }
      bm_control_clock_advance(&self->clock, i);
      if (bm_control_clock_is_due(&self->clock)) {
         conclude_period(self);
      }
      reference += i;
      io += i;
      n_frames -= i;
   }
}

void bm_loudness_match_reset(BmLoudnessMatch* self)
{
   self->mem.gain_db = 0.0;
   listen_anew(self);
   bm_fade_reset(&self->enabled);
}

double bm_loudness_match_gain_db(const BmLoudnessMatch* self)
{
   return self->mem.gain_db;
}
