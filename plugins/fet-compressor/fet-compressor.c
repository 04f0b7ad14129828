/* SPDX-License-Identifier: ISC */
#include "dynamics/fet_compressor.h"
#include "fet_compressor_ports.h"
#include "shell.h"

BM_FIXED_VERBS(BmFetCompressor, fet_compressor)

static void set(void* self, const float* port)
{
   const BmFetCompressorParams params = {
      .threshold_db = (double)port[FET_COMPRESSOR_THRESHOLD_DB],
      .ratio = (double)port[FET_COMPRESSOR_RATIO],
      .attack_ms = (double)port[FET_COMPRESSOR_ATTACK_MS],
      .release_ms = (double)port[FET_COMPRESSOR_RELEASE_MS],
      .makeup_db = (double)port[FET_COMPRESSOR_MAKEUP_DB],
      .sidechain_low_cut_hz = (double)port[FET_COMPRESSOR_SIDECHAIN_LOW_CUT_HZ],
      .link = (double)port[FET_COMPRESSOR_LINK_PERCENT] / 100.0,
      .quality = (BmQuality)port[FET_COMPRESSOR_QUALITY],
   };
   bm_fet_compressor_set(self, &params);
}

static uint32_t latency_frames(const void* self)
{
   return bm_fet_compressor_latency_frames(self);
}

static void report(const void* self, float* port)
{
   port[FET_COMPRESSOR_GAIN_REDUCTION_DB] = (float)bm_fet_compressor_reduction_db(self);
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
