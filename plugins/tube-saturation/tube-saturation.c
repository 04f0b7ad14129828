/* SPDX-License-Identifier: ISC */
#include "saturation/tube.h"
#include "shell.h"
#include "tube_saturation_ports.h"

static size_t bytes(double sample_rate_hz)
{
   (void)sample_rate_hz;
   return sizeof(BmTube);
}

static BmStatus init(void* self, double sample_rate_hz, const BmForm* form)
{
   (void)form;
   return bm_tube_init(self, sample_rate_hz);
}

static void set(void* self, const float* port)
{
   const BmTubeParams params = {
      .drive_db = (double)port[TUBE_SATURATION_DRIVE_DB],
      .bias = (double)port[TUBE_SATURATION_BIAS_PERCENT] / 100.0,
      .quality = (BmQuality)port[TUBE_SATURATION_QUALITY],
   };
   bm_tube_set(self, &params);
}

static void process(void* self, const BmFrame* in, BmFrame* out, uint32_t n_frames)
{
   bm_tube_process(self, in, out, n_frames);
}

static void reset(void* self)
{
   bm_tube_reset(self);
}

static uint32_t latency_frames(const void* self)
{
   return bm_tube_latency_frames(self);
}

const BmPlugin bm_plugin = {
   .ports = &tube_saturation,
   .bytes = bytes,
   .init = init,
   .set = set,
   .process = process,
   .reset = reset,
   .latency_frames = latency_frames,
};
