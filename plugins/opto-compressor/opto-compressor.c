/* SPDX-License-Identifier: ISC */
#include "dynamics/opto_compressor.h"
#include "opto_compressor_ports.h"
#include "shell.h"

BM_FIXED_VERBS(BmOptoCompressor, opto_compressor)

static void set(void* self, const float* port)
{
   const BmOptoCompressorParams params = {
      .threshold_db = (double)port[OPTO_COMPRESSOR_THRESHOLD_DB],
      .limit = port[OPTO_COMPRESSOR_LAW] > 0.5F,
      .emphasis = (double)port[OPTO_COMPRESSOR_EMPHASIS_PERCENT] / 100.0,
      .release_is_set = port[OPTO_COMPRESSOR_RELEASE_SOURCE] > 0.5F,
      .release_ms = (double)port[OPTO_COMPRESSOR_RELEASE_MS],
      .makeup_db = (double)port[OPTO_COMPRESSOR_MAKEUP_DB],
      .sidechain_low_cut_hz = (double)port[OPTO_COMPRESSOR_SIDECHAIN_LOW_CUT_HZ],
      .link = (double)port[OPTO_COMPRESSOR_LINK_PERCENT] / 100.0,
   };
   bm_opto_compressor_set(self, &params);
}

static void report(const void* self, float* port)
{
   port[OPTO_COMPRESSOR_GAIN_REDUCTION_DB] = (float)bm_opto_compressor_reduction_db(self);
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
