/* SPDX-License-Identifier: ISC */
#include "shell.h"
#include "variable_mu_compressor_params.h"

BM_FIXED_VERBS(BmVariableMuCompressor, variable_mu_compressor)

static void set(void* self, const float* port)
{
   const BmVariableMuCompressorParams params = bm_variable_mu_compressor_params(port);
   bm_variable_mu_compressor_set(self, &params);
}

static uint32_t latency_frames(const void* self)
{
   return bm_variable_mu_compressor_latency_frames(self);
}

static void report(const void* self, float* port)
{
   bm_variable_mu_compressor_report(self, port);
}

const BmPlugin bm_plugin = {
   .ports = &variable_mu_compressor,
   .bytes = bytes,
   .init = init,
   .set = set,
   .process = process,
   .reset = reset,
   .latency_frames = latency_frames,
   .report = report,
};
