/* SPDX-License-Identifier: ISC */
#include "dynamics/opto_compressor.h"
#include "opto_compressor_ports.h"
#include "shell.h"

static size_t bytes(double sample_rate_hz)
{
   (void)sample_rate_hz;
   return sizeof(BmOptoCompressor);
}

static BmStatus init(void* self, double sample_rate_hz, const BmForm* form)
{
   (void)form;
   return bm_opto_compressor_init(self, sample_rate_hz);
}

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

static void process(void* self, const BmFrame* in, BmFrame* out, uint32_t n_frames)
{
   bm_opto_compressor_process(self, in, out, n_frames);
}

static void reset(void* self)
{
   bm_opto_compressor_reset(self);
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
