/* SPDX-License-Identifier: ISC */
#include "shell.h"
#include "tape_saturation_params.h"

BM_FIXED_VERBS(BmTape, tape)

static void set(void* self, const float* port)
{
   const BmTapeParams params = bm_tape_saturation_params(port);
   bm_tape_set(self, &params);
}

static uint32_t latency_frames(const void* self)
{
   return bm_tape_latency_frames(self);
}

const BmPlugin bm_plugin = {
   .ports = &tape_saturation,
   .bytes = bytes,
   .init = init,
   .set = set,
   .process = process,
   .reset = reset,
   .latency_frames = latency_frames,
};
