/* SPDX-License-Identifier: ISC */
#include "mid_side_eq_params.h"
#include "shell.h"

BM_FIXED_VERBS(BmMidSideEq, mid_side_eq)
BM_SET_VERB(BmMidSideEq, mid_side_eq, mid_side_eq)
BM_REPORT_VERB(mid_side_eq)

const BmPlugin bm_plugin = {
   .ports = &mid_side_eq,
   .bytes = bytes,
   .init = init,
   .set = set,
   .process = process,
   .reset = reset,
   .report = report,
};
