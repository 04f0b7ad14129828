/* SPDX-License-Identifier: ISC */
#include "dynamics/fet_compressor.h"
#include "fet_compressor_ports.h"
#include "shell.h"

static size_t bytes(double sample_rate_hz)
{
   (void)sample_rate_hz;
   return sizeof(BmFetCompressor);
}

static BmStatus init(void* self, double sample_rate_hz, const BmForm* form)
{
   (void)form;
   return bm_fet_compressor_init(self, sample_rate_hz);
}

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

static void process(void* self, const BmFrame* in, BmFrame* out, uint32_t n_frames)
{
   bm_fet_compressor_process(self, in, out, n_frames);
}

static void reset(void* self)
{
   bm_fet_compressor_reset(self);
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
