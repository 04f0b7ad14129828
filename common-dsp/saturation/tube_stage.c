/* SPDX-License-Identifier: ISC */
#include "saturation/tube_stage.h"

#include "base/clones.h"

#include <math.h>
#include <string.h>

static const double pi = 3.14159265358979323846;

static const uint32_t factor_at_48k[] = {[BM_QUALITY_LIVE] = 4, [BM_QUALITY_RENDER] = 8};

/* The output capacitor with its load, 22 nF and 1 Mohm. */
#define OUTPUT_TIME_S 0.022
#define REST_GLIDE_MS 15.0
#define SETTLE_S 0.15

/* Half a step of the antialiased curve and one and a half of the correction's four taps. */
#define INNER_DELAY_FRAMES 2

static void path_start(BmTubeStage* self, uint32_t copy)
{
   BmTubePath* path = &self->mem.path[copy];
   const BmOversampleDesign* design = &self->coef.design[self->mem.quality];
   path->quality = self->mem.quality;
   bm_oversample_begin(&path->oversample, design);
   const double high_rate_hz = self->cfg.sample_rate_hz * design->cfg.factor;
   path->step_s = 1.0 / high_rate_hz;
   /* Taps -q/2, (1 + q)/2, (1 + q)/2, -q/2: with the curve's cos(w/2) they make cos^2 (1 + 4 q sin^2), of
      w/2; q so that 20 kHz comes out at 1. */
   const double sine = sin(pi * fmin(20000.0 / high_rate_hz, 0.15));
   path->correction = 0.25 / (1.0 - sine * sine);
   bm_triode_settle(&self->coef.triode, &self->mem.rest, &path->triode);
   memset(path->last, 0, sizeof path->last);
   bm_delay_init(&path->pad, path->pad_frames, BM_TUBE_STAGE_MAX_PAD_FRAMES,
                 self->cfg.latency_frames - design->cfg.latency_frames);
}

BmStatus bm_tube_stage_init(BmTubeStage* self, double sample_rate_hz, const BmTriodeCircuit* circuit)
{
   const BmStatus status = bm_check_rate(sample_rate_hz);
   if (status != BM_OK) {
      return status;
   }
   memset(self, 0, sizeof *self);
   self->cfg.sample_rate_hz = sample_rate_hz;
   bm_triode_init(&self->coef.triode, circuit);
   self->coef.output_leak = -expm1(-1.0 / (OUTPUT_TIME_S * sample_rate_hz));
   for (BmQuality quality = BM_QUALITY_LIVE; quality <= BM_QUALITY_RENDER; ++quality) {
      BmOversampleDesign* design = &self->coef.design[quality];
      bm_oversample_design(design, sample_rate_hz,
                           bm_oversample_factor(sample_rate_hz, factor_at_48k[quality]), quality,
                           INNER_DELAY_FRAMES);
      const uint32_t latency_frames = design->cfg.latency_frames;
      if (latency_frames > self->cfg.latency_frames) {
         self->cfg.latency_frames = latency_frames;
      }
   }
   bm_changeover_init(&self->mem.changeover, self->cfg.latency_frames + (uint32_t)(SETTLE_S * sample_rate_hz),
                      sample_rate_hz);
   bm_glide_init(&self->mem.rest_v, REST_GLIDE_MS, sample_rate_hz);
   bm_tube_stage_reset(self);
   return BM_OK;
}

void bm_tube_stage_set(BmTubeStage* self, double rest_v, BmQuality quality)
{
   bm_glide_set(&self->mem.rest_v, rest_v);
   self->mem.quality = quality;
   if (self->mem.is_fresh) {
      self->cfg.is_set = true;
      self->mem.rest = bm_triode_rest(&self->coef.triode, self->mem.rest_v.value);
      path_start(self, self->mem.changeover.heard);
   }
}

/* In place: `high` begins with the three frames before the [n_frames] new ones, and the result with the
 * first. */
BM_CLONES static void correct_droop(BmTubePath* path, BmFrame* high, uint32_t n_frames)
{
   const double outer = -0.5 * path->correction;
   const double inner = 0.5 + 0.5 * path->correction;
   memcpy(high, path->last, sizeof path->last);
   memcpy(path->last, high + n_frames, sizeof path->last);
   for (uint32_t n = 0; n < n_frames; ++n) {
      high[n] = outer * (high[n + 3] + high[n]) + inner * (high[n + 2] + high[n + 1]);
   }
}

static void path_process(BmTubeStage* self, BmTubePath* path, const BmTriodeRest* rest, bool rest_moves,
                         const BmFrame* in, BmFrame* out, uint32_t n_frames)
{
   BmFrame with_last[3 + BM_OVERSAMPLE_BLOCK_FRAMES * BM_OVERSAMPLE_MAX_FACTOR];
   BmFrame* const high = with_last + 3;
   const uint32_t factor = path->oversample.cfg.factor;
   bm_oversample_up(&path->oversample, in, high, n_frames);
   if (rest_moves) {
      for (uint32_t n = 0; n < n_frames; ++n) {
         bm_triode_process(&self->coef.triode, &rest[n], &path->triode, high + (size_t)n * factor, 1, factor,
                           path->step_s);
      }
   } else {
      bm_triode_process(&self->coef.triode, rest, &path->triode, high, n_frames, factor, path->step_s);
   }
   correct_droop(path, with_last, n_frames * factor);
   bm_oversample_down(&path->oversample, with_last, out, n_frames);
   bm_delay_process(&path->pad, out, out, n_frames);
}

static void process_block(BmTubeStage* self, const BmFrame* in, BmFrame* out, uint32_t n_frames)
{
   BmTriodeRest rest[BM_OVERSAMPLE_BLOCK_FRAMES];
   BmFrame heard[2][BM_OVERSAMPLE_BLOCK_FRAMES];
   const bool rest_moves = !bm_glide_is_still(&self->mem.rest_v);
   if (rest_moves) {
      for (uint32_t n = 0; n < n_frames; ++n) {
         rest[n] = bm_triode_rest(&self->coef.triode, bm_glide_step(&self->mem.rest_v));
      }
      self->mem.rest = rest[n_frames - 1];
   } else {
      rest[0] = self->mem.rest;
   }
   for (uint32_t i = 0; i < 2; ++i) {
      if (bm_changeover_runs(&self->mem.changeover, i)) {
         path_process(self, &self->mem.path[i], rest, rest_moves, in, heard[i], n_frames);
      }
   }
   bm_changeover_mix(&self->mem.changeover, heard[0], heard[1], out, n_frames);
   BmFrame capacitor = self->mem.output_capacitor_v;
   for (uint32_t n = 0; n < n_frames; ++n) {
      out[n] -= capacitor;
      capacitor += self->coef.output_leak * out[n];
   }
   self->mem.output_capacitor_v = capacitor;
}

void bm_tube_stage_process(BmTubeStage* self, const BmFrame* in, BmFrame* out, uint32_t n_frames)
{
   BmChangeover* changeover = &self->mem.changeover;
   self->mem.is_fresh = false;
   while (n_frames) {
      if (!changeover->is_changing && self->mem.path[changeover->heard].quality != self->mem.quality) {
         path_start(self, bm_changeover_begin(changeover));
      }
      uint32_t n = n_frames < BM_OVERSAMPLE_BLOCK_FRAMES ? n_frames : BM_OVERSAMPLE_BLOCK_FRAMES;
      n = bm_changeover_frames(changeover, n);
      process_block(self, in, out, n);
      in += n;
      out += n;
      n_frames -= n;
   }
}

void bm_tube_stage_reset(BmTubeStage* self)
{
   bm_changeover_init(&self->mem.changeover, self->mem.changeover.settle_frames, self->cfg.sample_rate_hz);
   bm_glide_reset(&self->mem.rest_v);
   self->mem.output_capacitor_v = bm_frame_both(0.0);
   self->mem.is_fresh = true;
   if (self->cfg.is_set) {
      self->mem.rest = bm_triode_rest(&self->coef.triode, self->mem.rest_v.value);
      path_start(self, self->mem.changeover.heard);
   }
}

uint32_t bm_tube_stage_latency_frames(const BmTubeStage* self)
{
   return self->cfg.latency_frames;
}
