/* SPDX-License-Identifier: ISC */
#include "shell.h"
#include "transient_shaper_params.h"

BM_FIXED_VERBS(BmTransientShaper, transient_shaper)
BM_SET_VERB(BmTransientShaper, transient_shaper, transient_shaper)
BM_REPORT_VERB(transient_shaper)

const BmPlugin bm_plugin = {
   .ports = &transient_shaper,
   .bytes = bytes,
   .init = init,
   .set = set,
   .process = process,
   .reset = reset,
   .report = report,
};
