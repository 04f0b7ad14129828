/* SPDX-License-Identifier: ISC */
#include "fet_compressor_params.h"
#include "shell.h"

BM_FIXED_VERBS(BmFetCompressor, fet_compressor)

static void set(void* self, const float* port)
{
   const BmFetCompressorParams params = bm_fet_compressor_params(port);
   bm_fet_compressor_set(self, &params);
}

static uint32_t latency_frames(const void* self)
{
   return bm_fet_compressor_latency_frames(self);
}

static void report(const void* self, float* port)
{
   bm_fet_compressor_report(self, port);
}

const BmPlugin bm_plugin = {
   .ports = &fet_compressor,
   .bytes = bytes,
   .init = init,
   .set = set,
   .process = process,
   .reset = reset,
   .latency_frames = latency_frames,
   .report = report,
};
