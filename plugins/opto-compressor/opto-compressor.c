/* SPDX-License-Identifier: ISC */
#include "opto_compressor_params.h"
#include "shell.h"

BM_FIXED_VERBS(BmOptoCompressor, opto_compressor)

static void set(void* self, const float* port)
{
   const BmOptoCompressorParams params = bm_opto_compressor_params(port);
   bm_opto_compressor_set(self, &params);
}

static void report(const void* self, float* port)
{
   bm_opto_compressor_report(self, port);
}

const BmPlugin bm_plugin = {
   .ports = &opto_compressor,
   .bytes = bytes,
   .init = init,
   .set = set,
   .process = process,
   .reset = reset,
   .report = report,
};
