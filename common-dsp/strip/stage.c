/* SPDX-License-Identifier: ISC */
#include "strip/stage.h"

#include <string.h>

/* What a processor is promised: no sample larger than 80 dB above full scale. */
#define LIMIT 1e4

typedef float SingleFrame __attribute__((vector_size(8)));

/* Vectors are converted whole: lane by lane GCC 12 drops the rounding when it optimises. */
static BmFrame rounded(BmFrame x)
{
   const BmFrame limit = bm_frame_both(LIMIT);
   const BmFrame single = __builtin_convertvector(__builtin_convertvector(x, SingleFrame), BmFrame);
   return bm_frame_max(-limit, bm_frame_min(single, limit));
}

void bm_stage_round(BmFrame* io, uint32_t n_frames, bool is_mono)
{
   if (is_mono) {
      for (uint32_t i = 0; i < n_frames; ++i) {
         io[i] = rounded(bm_frame_both(io[i][0]));
      }
      return;
   }
   for (uint32_t i = 0; i < n_frames; ++i) {
      io[i] = rounded(io[i]);
   }
}

static uint32_t choice_latency_frames(const BmStageChoice* choice)
{
   return choice->verbs->latency_frames ? choice->verbs->latency_frames(choice->self) : 0;
}

/* From silence, with everything as it is set. */
static void start(BmStage* self, BmStagePath* path, uint32_t choice)
{
   path->choice = choice;
   uint32_t latency_frames = 0;
   if (choice) {
      const BmStageChoice* chosen = &self->cfg.choices[choice];
      latency_frames = choice_latency_frames(chosen);
      chosen->verbs->reset(chosen->self);
      chosen->verbs->set(chosen->self, chosen->params);
   }
   const uint32_t pad_frames = self->cfg.latency_frames - latency_frames;
   bm_delay_init(&path->dry, path->memory, latency_frames, latency_frames);
   bm_delay_init(&path->pad, path->memory + latency_frames, pad_frames, pad_frames);
   bm_glide_reset(&path->mix);
   bm_glide_set(&path->mix, self->cfg.mix);
}

BmStatus bm_stage_init(BmStage* self, double sample_rate_hz, const BmStageChoice* choices, uint32_t n_choices,
                       bool is_mono)
{
   const BmStatus status = bm_check_rate(sample_rate_hz);
   if (status != BM_OK) {
      return status;
   }
   if (n_choices >= BM_STAGE_MAX_CHOICES) {
      return BM_BAD_ARGUMENT;
   }
   self->cfg.n_choices = n_choices;
   self->cfg.latency_frames = 0;
   for (uint32_t i = 0; i < n_choices; ++i) {
      self->cfg.choices[i + 1] = choices[i];
      const uint32_t latency_frames = choice_latency_frames(&choices[i]);
      if (latency_frames > self->cfg.latency_frames) {
         self->cfg.latency_frames = latency_frames;
      }
   }
   if (self->cfg.latency_frames > BM_STAGE_MAX_LATENCY_FRAMES) {
      return BM_BAD_ARGUMENT;
   }
   self->cfg.rate_hz = sample_rate_hz;
   self->cfg.is_mono = is_mono;
   self->cfg.wanted = 0;
   self->cfg.mix = 1.0;
   bm_glide_init(&self->path[0].mix, BM_GLIDE_MS, sample_rate_hz);
   bm_glide_init(&self->path[1].mix, BM_GLIDE_MS, sample_rate_hz);
   bm_stage_reset(self);
   return BM_OK;
}

static BmStagePath* now(BmStage* self)
{
   return &self->path[self->mem.current];
}

static BmStagePath* next(BmStage* self)
{
   return &self->path[1 - self->mem.current];
}

static void set_running(BmStage* self, BmStagePath* path)
{
   bm_glide_set(&path->mix, self->cfg.mix);
   if (path->choice) {
      const BmStageChoice* chosen = &self->cfg.choices[path->choice];
      chosen->verbs->set(chosen->self, chosen->params);
   }
}

static uint32_t waiting_frames(const BmStage* self, uint32_t choice)
{
   const double settling_ms = choice ? self->cfg.choices[choice].verbs->settling_ms : 0.0;
   return self->cfg.latency_frames + (uint32_t)(0.001 * (settling_ms + BM_FADE_MS) * self->cfg.rate_hz);
}

static void begin_change(BmStage* self)
{
   start(self, next(self), self->cfg.wanted);
   self->mem.is_changing = true;
   self->mem.waiting_frames = waiting_frames(self, self->cfg.wanted);
   bm_fade_init(&self->mem.fade, BM_FADE_MS, self->cfg.rate_hz);
   bm_fade_set(&self->mem.fade, false);
   bm_fade_set(&self->mem.fade, true);
   self->mem.entry = self->mem.fade;
}

void bm_stage_choose(BmStage* self, uint32_t choice, double mix)
{
   self->cfg.wanted = choice;
   self->cfg.mix = mix;
   if (self->mem.is_fresh) {
      self->mem.is_fresh = false;
      start(self, now(self), choice);
   } else if (!self->mem.is_changing && choice != now(self)->choice) {
      begin_change(self);
   }
}

void bm_stage_refresh(BmStage* self)
{
   set_running(self, now(self));
   if (self->mem.is_changing) {
      set_running(self, next(self));
   }
}

void bm_stage_hold(BmStage* self, uint32_t n_frames)
{
   if (self->mem.is_changing && self->mem.waiting_frames && self->mem.waiting_frames < n_frames) {
      self->mem.waiting_frames = n_frames;
   }
}

static void mix_in(BmStagePath* path, const BmFrame* dry, BmFrame* io, uint32_t n_frames)
{
   if (bm_glide_is_still(&path->mix) && path->mix.value == 1.0) {
      return;
   }
   for (uint32_t i = 0; i < n_frames; ++i) {
      const double mix = bm_glide_step(&path->mix);
      if (mix < 1.0) {
         io[i] = io[i] * mix + dry[i] * (1.0 - mix);
      }
   }
}

static void run_path(const BmStage* self, BmStagePath* path, BmFrame* io, uint32_t n_frames)
{
   if (path->choice) {
      BmFrame dry[BM_STAGE_BLOCK_FRAMES];
      bm_delay_process(&path->dry, io, dry, n_frames);
      const BmStageChoice* chosen = &self->cfg.choices[path->choice];
      chosen->verbs->process(chosen->self, io, io, n_frames);
      mix_in(path, dry, io, n_frames);
      bm_stage_round(io, n_frames, self->cfg.is_mono);
   }
   bm_delay_process(&path->pad, io, io, n_frames);
}

/* Of a change: as far as the fade's beginning or end, so that both fall on the same frame for every block
 * size.
 */
static uint32_t change_frames(const BmStage* self, uint32_t n_frames)
{
   const BmFade* fade = &self->mem.fade;
   const uint32_t left =
      self->mem.waiting_frames ? self->mem.waiting_frames : fade->length_steps - fade->position_steps;
   return n_frames < left ? n_frames : left;
}

static void run_change(BmStage* self, BmFrame* io, uint32_t n_frames)
{
   BmFrame coming[BM_STAGE_BLOCK_FRAMES];
   for (uint32_t i = 0; i < n_frames; ++i) {
      coming[i] = io[i] * bm_fade_step(&self->mem.entry);
   }
   run_path(self, now(self), io, n_frames);
   run_path(self, next(self), coming, n_frames);
   if (self->mem.waiting_frames) {
      self->mem.waiting_frames -= n_frames;
      return;
   }
   for (uint32_t i = 0; i < n_frames; ++i) {
      io[i] += (coming[i] - io[i]) * bm_fade_step(&self->mem.fade);
   }
   bm_stage_round(io, n_frames, self->cfg.is_mono);
   if (bm_fade_is_on(&self->mem.fade)) {
      self->mem.current = 1 - self->mem.current;
      self->mem.is_changing = false;
   }
}

void bm_stage_process(BmStage* self, BmFrame* io, uint32_t n_frames)
{
   if (self->mem.is_fresh) {
      self->mem.is_fresh = false;
      start(self, now(self), self->cfg.wanted);
   }
   while (n_frames) {
      if (!self->mem.is_changing && self->cfg.wanted != now(self)->choice) {
         begin_change(self);
      }
      uint32_t n = n_frames < BM_STAGE_BLOCK_FRAMES ? n_frames : BM_STAGE_BLOCK_FRAMES;
      if (self->mem.is_changing) {
         n = change_frames(self, n);
         run_change(self, io, n);
      } else {
         run_path(self, now(self), io, n);
      }
      io += n;
      n_frames -= n;
   }
}

void bm_stage_reset(BmStage* self)
{
   self->mem.current = 0;
   self->mem.is_changing = false;
   self->mem.waiting_frames = 0;
   self->mem.is_fresh = true;
}

uint32_t bm_stage_latency_frames(const BmStage* self)
{
   return self->cfg.latency_frames;
}

uint32_t bm_stage_settling_frames(const BmStage* self)
{
   const BmFade* fade = &self->mem.fade;
   const uint32_t waits = self->mem.is_changing ? self->mem.waiting_frames : 0;
   const uint32_t fades = self->mem.is_changing ? fade->length_steps - fade->position_steps : 0;
   const uint32_t to = self->mem.is_changing ? 1 - self->mem.current : self->mem.current;
   const uint32_t wanted = self->cfg.wanted;
   return self->path[to].choice == wanted ? waits : waits + fades + waiting_frames(self, wanted);
}

bool bm_stage_runs(const BmStage* self, uint32_t choice)
{
   const BmStagePath* path = self->path;
   const uint32_t current = self->mem.current;
   return path[current].choice == choice || (self->mem.is_changing && path[1 - current].choice == choice);
}

bool bm_stage_is_out(const BmStage* self)
{
   return !self->mem.is_fresh && !self->mem.is_changing && self->cfg.wanted == 0 &&
          self->path[self->mem.current].choice == 0;
}
