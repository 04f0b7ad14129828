/* SPDX-License-Identifier: ISC */
#include "fet_compressor_params.h"
#include "shell.h"

BM_FIXED_VERBS(BmFetCompressor, fet_compressor)
BM_SET_VERB(BmFetCompressor, fet_compressor, fet_compressor)
BM_LATENCY_VERB(fet_compressor)
BM_NOMINAL_GAIN_VERB(BmFetCompressor, fet_compressor)
BM_REPORT_VERB(fet_compressor)

const BmPlugin bm_plugin = {
   .ports = &fet_compressor,
   .bytes = bytes,
   .init = init,
   .set = set,
   .process = process,
   .reset = reset,
   .latency_frames = latency_frames,
   .nominal_gain_lin = nominal_gain_lin,
   .report = report,
};
