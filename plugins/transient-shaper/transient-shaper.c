/* SPDX-License-Identifier: ISC */
#include "dynamics/transient_shaper.h"
#include "shell.h"
#include "transient_shaper_ports.h"

BM_FIXED_VERBS(BmTransientShaper, transient_shaper)

static void set(void* self, const float* port)
{
   const BmTransientShaperParams params = {
      .attack_db = (double)port[TRANSIENT_SHAPER_ATTACK_DB],
      .sustain_db = (double)port[TRANSIENT_SHAPER_SUSTAIN_DB],
      .target = (BmShapeTarget)port[TRANSIENT_SHAPER_TARGET],
   };
   bm_transient_shaper_set(self, &params);
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
