/* SPDX-License-Identifier: ISC */
#include "shell.h"
#include "tube_saturation_params.h"

BM_FIXED_VERBS(BmTube, tube)

static void set(void* self, const float* port)
{
   const BmTubeParams params = bm_tube_saturation_params(port);
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
