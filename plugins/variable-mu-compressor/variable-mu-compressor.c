/* SPDX-License-Identifier: ISC */
#include "dynamics/variable_mu_compressor.h"
#include "shell.h"
#include "variable_mu_compressor_ports.h"

BM_FIXED_VERBS(BmVariableMuCompressor, variable_mu_compressor)

static void set(void* self, const float* port)
{
   const BmVariableMuCompressorParams params = {
      .threshold_db = (double)port[VARIABLE_MU_COMPRESSOR_THRESHOLD_DB],
      .attack_ms = (double)port[VARIABLE_MU_COMPRESSOR_ATTACK_MS],
      .release_s = (double)port[VARIABLE_MU_COMPRESSOR_RELEASE_S],
      .balance = (double)port[VARIABLE_MU_COMPRESSOR_BALANCE_PERCENT] / 100.0,
      .makeup_db = (double)port[VARIABLE_MU_COMPRESSOR_MAKEUP_DB],
      .sidechain_low_cut_hz = (double)port[VARIABLE_MU_COMPRESSOR_SIDECHAIN_LOW_CUT_HZ],
      .link = (double)port[VARIABLE_MU_COMPRESSOR_LINK_PERCENT] / 100.0,
      .quality = (BmQuality)port[VARIABLE_MU_COMPRESSOR_QUALITY],
   };
   bm_variable_mu_compressor_set(self, &params);
}

static uint32_t latency_frames(const void* self)
{
   return bm_variable_mu_compressor_latency_frames(self);
}

static void report(const void* self, float* port)
{
   port[VARIABLE_MU_COMPRESSOR_GAIN_REDUCTION_DB] = (float)bm_variable_mu_compressor_reduction_db(self);
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
