/* SPDX-License-Identifier: ISC */
#include "dynamics/two_qualities.h"

BmStatus bm_two_qualities_init(BmTwoQualities* self, double sample_rate_hz, uint32_t live_factor_at_48k,
                               uint32_t render_factor_at_48k)
{
   const uint32_t factor_at_48k[2] = {live_factor_at_48k, render_factor_at_48k};
   for (BmQuality q = BM_QUALITY_LIVE; q <= BM_QUALITY_RENDER; ++q) {
      const BmStatus status = bm_oversample_init(
         &self->oversample[q], sample_rate_hz, bm_oversample_factor(sample_rate_hz, factor_at_48k[q]), q, 0);
      if (status != BM_OK) {
         return status;
      }
   }
   const uint32_t live_frames = bm_oversample_latency_frames(&self->oversample[BM_QUALITY_LIVE]);
   self->cfg.latency_frames = bm_oversample_latency_frames(&self->oversample[BM_QUALITY_RENDER]);
   bm_delay_init(&self->align, self->align_memory, BM_TWO_QUALITIES_ALIGN_FRAMES,
                 self->cfg.latency_frames - live_frames);
   bm_fade_init(&self->render, BM_FADE_MS, sample_rate_hz);
   self->warm_up_frames = 0;
   return BM_OK;
}

bool bm_two_qualities_set(BmTwoQualities* self, BmQuality quality)
{
   const bool render = quality == BM_QUALITY_RENDER;
   const bool stands_still =
      !self->render.snap && (render ? bm_fade_is_off(&self->render) : bm_fade_is_on(&self->render));
   if (stands_still) {
      bm_oversample_reset(&self->oversample[quality]);
      if (!render) {
         bm_delay_reset(&self->align);
      }
      self->warm_up_frames = 2 * self->cfg.latency_frames;
   }
   bm_fade_set(&self->render, render);
   return stands_still;
}

static void run(BmTwoQualities* self, BmQuality quality, const BmFrame* in, BmFrame* out, uint32_t n_frames,
                BmQualityCore core, void* context)
{
   BmFrame high[BM_OVERSAMPLE_BLOCK_FRAMES * BM_OVERSAMPLE_MAX_FACTOR];
   bm_oversample_up(&self->oversample[quality], in, high, n_frames);
   core(context, quality, high, n_frames);
   bm_oversample_down(&self->oversample[quality], high, out, n_frames);
   if (quality == BM_QUALITY_LIVE) {
      bm_delay_process(&self->align, out, out, n_frames);
   }
}

void bm_two_qualities_process(BmTwoQualities* self, const BmFrame* in, BmFrame* out, uint32_t n_frames,
                              BmQualityCore core, void* context)
{
   if (bm_fade_is_off(&self->render)) {
      run(self, BM_QUALITY_LIVE, in, out, n_frames, core, context);
      return;
   }
   if (bm_fade_is_on(&self->render)) {
      run(self, BM_QUALITY_RENDER, in, out, n_frames, core, context);
      return;
   }
   BmFrame live[BM_OVERSAMPLE_BLOCK_FRAMES];
   run(self, BM_QUALITY_LIVE, in, live, n_frames, core, context);
   run(self, BM_QUALITY_RENDER, in, out, n_frames, core, context);
   for (uint32_t i = 0; i < n_frames; ++i) {
      double share = self->render.on ? 0.0 : 1.0;
      if (self->warm_up_frames) {
         --self->warm_up_frames;
      } else {
         share = bm_fade_step(&self->render);
      }
      out[i] = live[i] * (1.0 - share) + out[i] * share;
   }
}

void bm_two_qualities_reset(BmTwoQualities* self)
{
   bm_oversample_reset(&self->oversample[BM_QUALITY_LIVE]);
   bm_oversample_reset(&self->oversample[BM_QUALITY_RENDER]);
   bm_delay_reset(&self->align);
   bm_fade_reset(&self->render);
   self->warm_up_frames = 0;
}

uint32_t bm_two_qualities_factor(const BmTwoQualities* self, BmQuality quality)
{
   return self->oversample[quality].cfg.factor;
}

uint32_t bm_two_qualities_latency_frames(const BmTwoQualities* self)
{
   return self->cfg.latency_frames;
}
