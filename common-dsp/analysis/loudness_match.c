/* SPDX-License-Identifier: ISC */
#include "analysis/loudness_match.h"

#include "base/decibel.h"

#include <math.h>

#define PERIOD_S 0.001
#define WINDOW_S 8.0
#define MOMENTARY_S 0.4
#define FIRST_GUESS_S 0.4
#define SETTLING_S 3.0
#define SETTLING_DB_PER_S 12.0
#define SETTLED_DB_PER_S 0.9
#define SILENCE_LUFS (-70.0)
/* BS.1770-4, Annex 1, equation 2. */
#define LOUDNESS_OFFSET_DB (-0.691)
#define RELATIVE_GATE 0.1 /* -10 LU */
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
   bm_k_weighting_init(&self->mem.reference.weighting, sample_rate_hz);
   bm_k_weighting_init(&self->mem.output.weighting, sample_rate_hz);
   self->cfg.period_frames = (uint32_t)lrint(PERIOD_S * sample_rate_hz);
   self->cfg.period_s = self->cfg.period_frames / sample_rate_hz;
   self->coef.momentary = -expm1(-self->cfg.period_s / MOMENTARY_S);
   self->coef.silence_power = pow(10.0, 0.1 * (SILENCE_LUFS - LOUDNESS_OFFSET_DB));
   bm_control_clock_init(&self->clock, self->cfg.period_frames);
   bm_fade_init(&self->enabled, BM_FADE_MS, sample_rate_hz);
   bm_glide_init(&self->known, BM_GLIDE_MS, sample_rate_hz);
   self->known_next = 1.0;
   bm_loudness_match_reset(self);
   return BM_OK;
}

static void loudness_reset(BmMatchLoudness* self)
{
   bm_k_weighting_reset(&self->weighting);
   self->period_sum = 0.0;
   self->momentary = 0.0;
   self->mean = 0.0;
   self->gated_mean = 0.0;
   self->gated_s = 0.0;
}

static void loudness_hear(BmMatchLoudness* self, BmFrame x)
{
   const BmFrame weighted = bm_k_weighting_step(&self->weighting, x);
   const BmFrame square = weighted * weighted;
   self->period_sum += square[0] + square[1];
}

static void loudness_conclude_period(BmMatchLoudness* self, const BmLoudnessMatch* match)
{
   const double power = fmin(self->period_sum / match->cfg.period_frames, MAX_POWER);
   self->period_sum = 0.0;
   self->momentary += match->coef.momentary * (power - self->momentary);
}

/* Another period of programme, `heard_s` of it so far. */
static void loudness_average(BmMatchLoudness* self, double period_s, double heard_s)
{
   self->mean += period_s / fmin(heard_s, WINDOW_S) * (self->momentary - self->mean);
   if (self->momentary >= RELATIVE_GATE * self->mean) {
      self->gated_s += period_s;
      self->gated_mean += period_s / fmin(self->gated_s, WINDOW_S) * (self->momentary - self->gated_mean);
   }
}

static void listen_anew(BmLoudnessMatch* self)
{
   loudness_reset(&self->mem.reference);
   loudness_reset(&self->mem.output);
   self->mem.heard_s = 0.0;
   self->mem.gain = bm_gain_from_db(self->mem.gain_db);
   self->mem.gain_increment = 0.0;
   self->mem.deaf_periods = 0;
   bm_control_clock_reset(&self->clock);
}

static void know_at_once(BmLoudnessMatch* self)
{
   self->known_wait_frames = 0;
   bm_glide_reset(&self->known);
   bm_glide_set(&self->known, self->known_next);
   self->known_inverse = 1.0 / self->known_next;
}

void bm_loudness_match_set(BmLoudnessMatch* self, bool enabled)
{
   if (enabled && bm_fade_is_off(&self->enabled)) {
      listen_anew(self);
      know_at_once(self);
   }
   bm_fade_set(&self->enabled, enabled);
}

static void take_finding(BmLoudnessMatch* self)
{
   BmMatchLoudness* both[2] = {&self->mem.reference, &self->mem.output};
   const BmMatchFinding* found = &self->mem.recalled;
   self->mem.heard_s = found->heard_s;
   for (int i = 0; i < 2; ++i) {
      both[i]->mean = found->mean[i];
      both[i]->gated_mean = found->gated_mean[i];
      both[i]->gated_s = found->gated_s[i];
   }
}

static double target_db(const BmLoudnessMatch* self)
{
   const double reference = self->mem.reference.gated_mean;
   const double output = self->mem.output.gated_mean;
   const double ratio_db = 10.0 * log10((reference + 1e-30) / (output + 1e-30));
   const double known_db = bm_db_from_gain(self->known.target);
   const double most_db = MAX_BOOST_DB + fmax(-known_db, 0.0);
   return fmax(-MAX_CUT_DB, fmin(ratio_db - known_db, most_db)) + known_db;
}

/* A period has been heard: average, and choose where the gain goes during the next. */
static void conclude_period(BmLoudnessMatch* self)
{
   BmMatchLoudness* reference = &self->mem.reference;
   BmMatchLoudness* output = &self->mem.output;
   self->mem.gain_increment = 0.0;
   self->mem.gain = bm_gain_from_db(self->mem.gain_db);
   loudness_conclude_period(reference, self);
   loudness_conclude_period(output, self);
   if (self->mem.deaf_periods) {
      --self->mem.deaf_periods;
      if (self->mem.deaf_periods == 0) {
         take_finding(self);
      }
      return;
   }
   if (reference->momentary < self->coef.silence_power) {
      return;
   }
   self->mem.heard_s += self->cfg.period_s;
   loudness_average(reference, self->cfg.period_s, self->mem.heard_s);
   loudness_average(output, self->cfg.period_s, self->mem.heard_s);
   if (self->mem.heard_s < FIRST_GUESS_S) {
      return;
   }
   const double slew = self->mem.heard_s < SETTLING_S ? SETTLING_DB_PER_S : SETTLED_DB_PER_S;
   const double step_db = slew * self->cfg.period_s;
   self->mem.gain_db += fmax(-step_db, fmin(target_db(self) - self->mem.gain_db, step_db));
   self->mem.gain_increment = (bm_gain_from_db(self->mem.gain_db) - self->mem.gain) / self->cfg.period_frames;
}

void bm_loudness_match_know(BmLoudnessMatch* self, double gain_lin, uint32_t wait_frames)
{
   if (gain_lin == self->known_next) {
      return;
   }
   self->known_next = gain_lin;
   if (self->is_fresh || bm_fade_is_off(&self->enabled)) {
      know_at_once(self);
   } else if (self->known_wait_frames == 0) {
      self->known_wait_frames = wait_frames + 1;
   }
}

void bm_loudness_match_process(BmLoudnessMatch* self, const BmFrame* reference, BmFrame* io,
                               uint32_t n_frames)
{
   self->is_fresh = self->is_fresh && n_frames == 0;
   while (n_frames && !bm_fade_is_off(&self->enabled)) {
      const uint32_t n = bm_control_clock_next(&self->clock, n_frames);
      uint32_t i = 0;
      while (i < n && !bm_fade_is_off(&self->enabled)) {
         loudness_hear(&self->mem.reference, reference[i]);
         if (self->known_wait_frames > 0 && --self->known_wait_frames == 0) {
            bm_glide_set(&self->known, self->known_next);
         }
         if (!bm_glide_is_still(&self->known)) {
            self->known_inverse = 1.0 / bm_glide_step(&self->known);
         }
         loudness_hear(&self->mem.output, io[i] * self->known_inverse);
         self->mem.gain += self->mem.gain_increment;
         const double gain = self->mem.gain * self->known_inverse;
         io[i] *= 1.0 + bm_fade_step(&self->enabled) * (gain - 1.0);
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

BmMatchFinding bm_loudness_match_finding(const BmLoudnessMatch* self)
{
   if (self->mem.deaf_periods) {
      return self->mem.recalled;
   }
   const BmMatchLoudness* reference = &self->mem.reference;
   const BmMatchLoudness* output = &self->mem.output;
   return (BmMatchFinding){
      .is_found = self->mem.heard_s >= FIRST_GUESS_S,
      .gain_db = self->mem.gain_db,
      .heard_s = self->mem.heard_s,
      .mean = {reference->mean, output->mean},
      .gated_mean = {reference->gated_mean, output->gated_mean},
      .gated_s = {reference->gated_s, output->gated_s},
   };
}

void bm_loudness_match_recall(BmLoudnessMatch* self, const BmMatchFinding* finding, uint32_t deaf_frames)
{
   self->mem.gain_db = finding->gain_db;
   listen_anew(self);
   self->mem.recalled = *finding;
   self->mem.deaf_periods = finding->is_found ? deaf_frames / self->cfg.period_frames + 1 : 0;
}

void bm_loudness_match_jump(BmLoudnessMatch* self)
{
   if (self->mem.heard_s >= FIRST_GUESS_S) {
      self->mem.gain_db = target_db(self);
      self->mem.gain = bm_gain_from_db(self->mem.gain_db);
      self->mem.gain_increment = 0.0;
   }
}

void bm_loudness_match_reset(BmLoudnessMatch* self)
{
   self->mem.gain_db = 0.0;
   self->is_fresh = true;
   listen_anew(self);
   know_at_once(self);
   bm_fade_reset(&self->enabled);
}

double bm_loudness_match_gain_db(const BmLoudnessMatch* self)
{
   return self->mem.gain_db;
}
