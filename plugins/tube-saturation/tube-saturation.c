/* SPDX-License-Identifier: ISC */
#include "saturation/tube.h"
#include "shell.h"
#include "tube_saturation_ports.h"

BM_FIXED_VERBS(BmTube, tube)

static void set(void* self, const float* port)
{
   const BmTubeParams params = {
      .drive_db = (double)port[TUBE_SATURATION_DRIVE_DB],
      .bias = (double)port[TUBE_SATURATION_BIAS_PERCENT] / 100.0,
      .quality = (BmQuality)port[TUBE_SATURATION_QUALITY],
   };
   bm_tube_set(self, &params);
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
