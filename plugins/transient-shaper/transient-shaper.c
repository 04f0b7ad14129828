/* SPDX-License-Identifier: ISC */
#include "dynamics/transient_shaper.h"
#include "shell.h"
#include "transient_shaper_ports.h"

static size_t bytes(double sample_rate_hz)
{
   (void)sample_rate_hz;
   return sizeof(BmTransientShaper);
}

static BmStatus init(void* self, double sample_rate_hz, const BmForm* form)
{
   (void)form;
   return bm_transient_shaper_init(self, sample_rate_hz);
}

static void set(void* self, const float* port)
{
   const BmTransientShaperParams params = {
      .attack_db = (double)port[TRANSIENT_SHAPER_ATTACK_DB],
      .sustain_db = (double)port[TRANSIENT_SHAPER_SUSTAIN_DB],
      .target = (BmShapeTarget)port[TRANSIENT_SHAPER_TARGET],
   };
   bm_transient_shaper_set(self, &params);
}

static void process(void* self, const BmFrame* in, BmFrame* out, uint32_t n_frames)
{
   bm_transient_shaper_process(self, in, out, n_frames);
}

static void reset(void* self)
{
   bm_transient_shaper_reset(self);
}

static void report(const void* self, float* port)
{
   port[TRANSIENT_SHAPER_GAIN_CHANGE_DB] = (float)bm_transient_shaper_gain_db(self);
}

const BmPlugin bm_plugin = {
   .ports = &transient_shaper,
   .bytes = bytes,
   .init = init,
   .set = set,
   .process = process,
   .reset = reset,
   .report = report,
};
