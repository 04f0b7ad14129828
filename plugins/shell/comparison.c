/* SPDX-License-Identifier: ISC */
#include "shell/comparison.h"

#include "base/decibel.h"
#include "shell.h"

#include <stdlib.h>
#include <string.h>

/* What is compared gets ready unheard for so long; where nothing is known of its loudness, until that is. */
#define READY_S 0.2
#define FIRST_READY_S 0.8

static bool compares(void)
{
   return bm_plugin.ports->compare >= 0;
}

bool bm_comparison_init(BmComparison* self, double sample_rate_hz, const BmForm* form, const float* controls)
{
   const BmPorts* ports = bm_plugin.ports;
   self->sample_rate_hz = sample_rate_hz;
   self->controls = controls;
   self->alternative = BM_N_ALTERNATIVES;
   self->is_due = true;
   bm_glide_init(&self->output_gain, BM_GLIDE_MS, sample_rate_hz);
   self->settings = calloc(ports->n_controls, sizeof *self->settings);
   if (!self->settings || !bm_remembered_init(&self->remembered, ports) ||
       !bm_side_init(&self->sounding, sample_rate_hz, form) ||
       (compares() && !bm_side_init(&self->coming.side, sample_rate_hz, form))) {
      return false;
   }
   self->latency_frames = bm_plugin.latency_frames ? bm_plugin.latency_frames(self->sounding.processor) : 0;
   return true;
}

void bm_comparison_free(BmComparison* self)
{
   bm_side_free(&self->sounding);
   bm_side_free(&self->coming.side);
   bm_remembered_free(&self->remembered);
   free(self->settings);
}

void bm_comparison_wake(BmComparison* self)
{
   bm_side_reset(&self->sounding);
   bm_glide_reset(&self->output_gain);
   self->is_due = true;
}

void bm_comparison_reset(BmComparison* self)
{
   bm_comparison_wake(self);
   bm_loudness_match_reset(&self->sounding.match);
   self->coming.is_on = false;
   memset(self->findings, 0, sizeof self->findings);
   self->alternative = BM_N_ALTERNATIVES;
}

static void take_gains(BmComparison* self, BmSide* side)
{
   const double output_gain_db = (double)bm_setting_or(self->settings, bm_plugin.ports->output_gain, 0.0F);
   bm_side_set_gains(side, self->settings);
   bm_glide_set(&self->output_gain, bm_gain_from_db(output_gain_db));
}

static void set_sounding(BmComparison* self)
{
   bm_side_set(&self->sounding, self->settings, self->latency_frames);
   self->gains_wait_frames = bm_side_settling_frames(&self->sounding);
   if (self->gains_wait_frames == 0) {
      take_gains(self, &self->sounding);
   }
}

static void set_coming(BmComparison* self)
{
   bm_side_set(&self->coming.side, self->settings, self->latency_frames);
   take_gains(self, &self->coming.side);
}

/* With every alternative goes what the match has found for it. Nothing yet: as loud as what sounds now is. */
static BmMatchFinding finding_for(const BmComparison* self, uint32_t alternative)
{
   const BmMatchFinding present = {.gain_db = bm_loudness_match_gain_db(&self->sounding.match)};
   return self->findings[alternative].is_found ? self->findings[alternative] : present;
}

static void take_memories(void* processor, const void* from)
{
   for (uint32_t i = 0; i < bm_plugin.n_memories; ++i) {
      bm_plugin.memories[i].set(processor, bm_plugin.memories[i].get(from));
   }
}

static void begin_change(BmComparison* self, uint32_t alternative)
{
   BmComingSide* coming = &self->coming;
   const BmMatchFinding finding = finding_for(self, alternative);
   bm_side_reset(&coming->side);
   take_memories(coming->side.processor, self->sounding.processor);
   bm_loudness_match_reset(&coming->side.match);
   coming->is_on = true;
   coming->alternative = alternative;
   set_coming(self);
   const bool is_known = finding.is_found || bm_fade_is_off(&coming->side.match.enabled);
   coming->wait_frames = (uint32_t)((is_known ? READY_S : FIRST_READY_S) * self->sample_rate_hz);
   bm_loudness_match_recall(&coming->side.match, &finding, coming->wait_frames);
   bm_fade_init(&coming->fade, BM_FADE_MS, self->sample_rate_hz);
   bm_fade_set(&coming->fade, false);
   bm_fade_set(&coming->fade, true);
}

static void end_change(BmComparison* self)
{
   const BmSide left = self->sounding;
   self->findings[self->alternative] = bm_loudness_match_finding(&left.match);
   self->sounding = self->coming.side;
   self->coming.side = left;
   self->alternative = self->coming.alternative;
   self->gains_wait_frames = 0;
   self->coming.is_on = false;
   self->is_due = true;
}

static void change_unheard(BmComparison* self, uint32_t alternative)
{
   const BmMatchFinding finding = finding_for(self, alternative);
   self->findings[self->alternative] = bm_loudness_match_finding(&self->sounding.match);
   self->alternative = alternative;
   bm_loudness_match_recall(&self->sounding.match, &finding, 0);
   set_sounding(self);
}

static uint32_t wanted_alternative(const BmComparison* self)
{
   const BmPorts* ports = bm_plugin.ports;
   const uint32_t parts = ports->characters < 0 ? 0 : (uint32_t)self->controls[ports->characters];
   return compares() ? (uint32_t)self->controls[ports->compare] * BM_N_CHARACTER_CHOICES + parts : 0;
}

/* What the host wants goes to the side that it wants to hear. A change that is heard already is brought to
   its end first. */
static void follow(BmComparison* self, bool asleep)
{
   BmComingSide* coming = &self->coming;
   const uint32_t wanted = wanted_alternative(self);
   const bool is_new = self->alternative == BM_N_ALTERNATIVES;
   if (coming->is_on && coming->alternative == wanted) {
      set_coming(self);
   } else if (coming->is_on && coming->wait_frames == 0) {
      return;
   } else if (self->alternative == wanted || is_new) {
      coming->is_on = false;
      self->alternative = wanted;
      set_sounding(self);
   } else if (asleep) {
      change_unheard(self, wanted);
   } else {
      begin_change(self, wanted);
   }
}

/* What is remembered anew has a loudness that nobody has heard. */
static void look_at_switches(BmComparison* self)
{
   const unsigned remembered = bm_remembered_look(&self->remembered, self->controls);
   self->remembered_is_new = self->remembered_is_new || remembered;
   for (uint32_t k = BM_N_CHARACTER_CHOICES; k < BM_N_ALTERNATIVES; ++k) {
      if (remembered >> (k / BM_N_CHARACTER_CHOICES - 1) & 1) {
         self->findings[k].is_found = false;
      }
   }
}

void bm_comparison_set(BmComparison* self, bool asleep)
{
   self->is_due = false;
   if (compares()) {
      look_at_switches(self);
      bm_remembered_choose(&self->remembered, self->controls, self->settings);
   } else {
      memcpy(self->settings, self->controls, bm_plugin.ports->n_controls * sizeof *self->settings);
   }
   follow(self, asleep);
}

void bm_comparison_remember(BmComparison* self, float* const settings[BM_N_REMEMBERED])
{
   for (int k = 0; k < BM_N_REMEMBERED && compares(); ++k) {
      self->remembered.is_set[k] = settings[k] != NULL;
      if (settings[k]) {
         memcpy(self->remembered.settings[k], settings[k], bm_plugin.ports->n_controls * sizeof *settings[k]);
      }
   }
   self->coming.is_on = false;
   memset(self->findings, 0, sizeof self->findings);
   self->remembered_is_new = compares();
   self->is_due = true;
}

static uint32_t less(uint32_t a, uint32_t b)
{
   return a < b ? a : b;
}

uint32_t bm_comparison_next(const BmComparison* self, uint32_t n_frames)
{
   const BmComingSide* coming = &self->coming;
   const uint32_t n = self->gains_wait_frames ? less(n_frames, self->gains_wait_frames) : n_frames;
   if (!coming->is_on) {
      return n;
   }
   return less(n, coming->wait_frames ? coming->wait_frames
                                      : coming->fade.length_steps - coming->fade.position_steps);
}

bool bm_comparison_needs_dry(const BmComparison* self)
{
   return bm_side_needs_dry(&self->sounding) || self->coming.is_on;
}

static void process_coming(BmComingSide* self, const BmInputLine* line, const BmFrame* dry, BmFrame* io,
                           uint32_t n_frames)
{
   BmFrame gained[BM_SLICE_FRAMES];
   BmFrame wet[BM_SLICE_FRAMES];
   bm_side_process(&self->side, line, dry, gained, wet, n_frames);
   for (uint32_t i = 0; i < n_frames && self->wait_frames == 0; ++i) {
      io[i] += (wet[i] - io[i]) * bm_fade_step(&self->fade);
   }
}

void bm_comparison_process(BmComparison* self, const BmInputLine* line, const BmFrame* dry, BmFrame* gained,
                           BmFrame* wet, uint32_t n_frames)
{
   bm_side_process(&self->sounding, line, dry, gained, wet, n_frames);
   if (self->coming.is_on) {
      process_coming(&self->coming, line, dry, wet, n_frames);
   }
   if (!bm_glide_is_at_one(&self->output_gain)) {
      BmGlide gain = self->output_gain; /* a copy of its own, because a store to `wet` may change that */
      for (uint32_t i = 0; i < n_frames; ++i) {
         wet[i] *= bm_glide_step(&gain);
      }
      self->output_gain = gain;
   }
}

/* True: it has come. */
static bool advance_coming(BmComparison* self, uint32_t n_frames)
{
   BmComingSide* coming = &self->coming;
   if (coming->wait_frames == 0) {
      return bm_fade_is_on(&coming->fade);
   }
   coming->wait_frames -= n_frames;
   if (coming->wait_frames == 0 && !self->findings[coming->alternative].is_found) {
      bm_loudness_match_jump(&coming->side.match);
   }
   return false;
}

bool bm_comparison_advance(BmComparison* self, uint32_t n_frames)
{
   if (self->gains_wait_frames) {
      self->gains_wait_frames -= n_frames;
      if (self->gains_wait_frames == 0) {
         take_gains(self, &self->sounding);
      }
   }
   if (!self->coming.is_on || !advance_coming(self, n_frames)) {
      return false;
   }
   end_change(self);
   return true;
}

void bm_comparison_stop(BmComparison* self)
{
   self->coming.is_on = false;
}

bool bm_comparison_is_through(const BmComparison* self)
{
   return bm_plugin.is_through && bm_side_is_plain(&self->sounding) && !self->coming.is_on &&
          self->gains_wait_frames == 0 && bm_glide_is_at_one(&self->output_gain) &&
          bm_plugin.is_through(self->sounding.processor);
}
