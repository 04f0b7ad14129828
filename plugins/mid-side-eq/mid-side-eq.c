/* SPDX-License-Identifier: ISC */
#include "mid_side_eq_params.h"
#include "shell.h"

BM_FIXED_VERBS(BmMidSideEq, mid_side_eq)

static void set(void* self, const float* port)
{
   const BmMidSideEqParams params = bm_mid_side_eq_params(port);
   bm_mid_side_eq_set(self, &params);
}

static void report(const void* self, float* port)
{
   bm_mid_side_eq_report(self, port);
}

const BmPlugin bm_plugin = {
   .ports = &mid_side_eq,
   .bytes = bytes,
   .init = init,
   .set = set,
   .process = process,
   .reset = reset,
   .report = report,
};
