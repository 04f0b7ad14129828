/* SPDX-License-Identifier: ISC */
#include "preamp_params.h"
#include "shell.h"

BM_FIXED_VERBS(BmPreamp, preamp)

static void set(void* self, const float* port)
{
   const BmPreampParams params = bm_preamp_params(port);
   bm_preamp_set(self, &params);
}

static uint32_t latency_frames(const void* self)
{
   return bm_preamp_latency_frames(self);
}

const BmPlugin bm_plugin = {
   .ports = &preamp,
   .bytes = bytes,
   .init = init,
   .set = set,
   .process = process,
   .reset = reset,
   .latency_frames = latency_frames,
};
