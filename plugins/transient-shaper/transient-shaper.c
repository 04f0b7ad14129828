/* SPDX-License-Identifier: ISC */
#include "shell.h"
#include "transient_shaper_params.h"

BM_FIXED_VERBS(BmTransientShaper, transient_shaper)

static void set(void* self, const float* port)
{
   const BmTransientShaperParams params = bm_transient_shaper_params(port);
   bm_transient_shaper_set(self, &params);
}

static void report(const void* self, float* port)
{
   bm_transient_shaper_report(self, port);
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
