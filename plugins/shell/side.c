/* SPDX-License-Identifier: ISC */
#include "shell/side.h"

#include "base/decibel.h"
#include "shell.h"
#include "shell/buffers.h"
#include "shell/memory.h"

#include <stdlib.h>

bool bm_side_init(BmSide* self, double sample_rate_hz, const BmForm* form)
{
   bm_glide_init(&self->input_gain, BM_GLIDE_MS, sample_rate_hz);
   bm_glide_init(&self->mix, BM_GLIDE_MS, sample_rate_hz);
   self->processor = bm_allocate(bm_plugin.bytes(sample_rate_hz));
   return bm_loudness_match_init(&self->match, sample_rate_hz) == BM_OK && self->processor &&
          bm_plugin.init(self->processor, sample_rate_hz, form) == BM_OK;
}

void bm_side_free(BmSide* self)
{
   free(self->processor);
}

static double input_gain_lin(const float* settings)
{
   return bm_gain_from_db((double)bm_setting_or(settings, bm_plugin.ports->input_gain, 0.0F));
}

static double mix_share(const float* settings)
{
   return (double)bm_setting_or(settings, bm_plugin.ports->mix, 100.0F) / 100.0;
}

/* From in to out, of a take that comes at nominal level. */
static double known_gain_lin(const float* settings)
{
   const double in = input_gain_lin(settings);
   const double mix = mix_share(settings);
   return in *
          (bm_plugin.nominal_gain_lin ? 1.0 - mix + mix * bm_plugin.nominal_gain_lin(settings, in) : 1.0);
}

void bm_side_set(BmSide* self, const float* settings, uint32_t latency_frames)
{
   const BmPorts* ports = bm_plugin.ports;
   const bool matches = bm_setting_or(settings, ports->compare, 0.0F) > 0.5F ||
                        bm_setting_or(settings, ports->match, 0.0F) > 0.5F;
   bm_plugin.set(self->processor, settings);
   const uint32_t settling_frames = bm_side_settling_frames(self);
   bm_loudness_match_know(&self->match, known_gain_lin(settings), latency_frames + settling_frames);
   bm_loudness_match_set(&self->match, matches);
}

uint32_t bm_side_settling_frames(const BmSide* self)
{
   return bm_plugin.settling_frames ? bm_plugin.settling_frames(self->processor) : 0;
}

void bm_side_set_gains(BmSide* self, const float* settings)
{
   bm_glide_set(&self->input_gain, input_gain_lin(settings));
   bm_glide_set(&self->mix, mix_share(settings));
}

void bm_side_reset(BmSide* self)
{
   bm_glide_reset(&self->input_gain);
   bm_glide_reset(&self->mix);
   bm_plugin.reset(self->processor);
}

bool bm_side_is_plain(const BmSide* self)
{
   return bm_fade_is_off(&self->match.enabled) && bm_glide_is_at_one(&self->input_gain) &&
          bm_glide_is_at_one(&self->mix);
}

/* `gains`: written for each frame; NULL: not asked for. */
static void apply_input_gain(BmSide* self, BmFrame* frames, double* gains, uint32_t n_frames)
{
   const BmFrame limit = bm_frame_both(BM_INPUT_LIMIT);
   if (bm_glide_is_still(&self->input_gain)) {
      const double gain = self->input_gain.value;
      for (uint32_t i = 0; i < n_frames; ++i) {
         frames[i] = bm_frame_max(-limit, bm_frame_min(frames[i] * gain, limit));
      }
      for (uint32_t i = 0; gains && i < n_frames; ++i) {
         gains[i] = gain;
      }
      return;
   }
   BmGlide glide = self->input_gain; /* a copy of its own, because a store to `frames` may change that */
   for (uint32_t i = 0; i < n_frames; ++i) {
      const double gain = bm_glide_step(&glide);
      frames[i] = bm_frame_max(-limit, bm_frame_min(frames[i] * gain, limit));
      if (gains) {
         gains[i] = gain;
      }
   }
   self->input_gain = glide;
}

static void mix_dry(BmSide* self, const BmFrame* dry, const double* gains, BmFrame* wet, uint32_t n_frames)
{
   BmGlide glide = self->mix;
   for (uint32_t i = 0; i < n_frames; ++i) {
      const double mix = bm_glide_step(&glide);
      if (mix < 1.0) {
         wet[i] = wet[i] * mix + dry[i] * (gains[i] * (1.0 - mix));
      }
   }
   self->mix = glide;
}

void bm_side_process(BmSide* self, const BmInputLine* line, const BmFrame* dry, BmFrame* gained, BmFrame* wet,
                     uint32_t n_frames)
{
   double gains[BM_SLICE_FRAMES];
   const bool mixes = !bm_glide_is_at_one(&self->mix);
   const float* left = bm_input_line_fresh(line, 0);
   const float* right = bm_input_line_fresh(line, 1);
   if (bm_glide_is_at_one(&self->input_gain) && !mixes) {
      bm_buffers_join_limited(left, right, gained, n_frames);
   } else {
      bm_buffers_join(left, right, gained, n_frames);
      apply_input_gain(self, gained, mixes ? gains : NULL, n_frames);
   }
   bm_plugin.process(self->processor, gained, wet, n_frames);
   if (mixes) {
      mix_dry(self, dry, gains, wet, n_frames);
   }
   bm_loudness_match_process(&self->match, dry, wet, n_frames);
}
