/* SPDX-License-Identifier: ISC */
#include "opto_compressor_params.h"
#include "shell.h"

BM_FIXED_VERBS(BmOptoCompressor, opto_compressor)
BM_SET_VERB(BmOptoCompressor, opto_compressor, opto_compressor)
BM_NOMINAL_GAIN_VERB(BmOptoCompressor, opto_compressor)
BM_REPORT_VERB(opto_compressor)

const BmPlugin bm_plugin = {
   .ports = &opto_compressor,
   .bytes = bytes,
   .init = init,
   .set = set,
   .process = process,
   .reset = reset,
   .nominal_gain_lin = nominal_gain_lin,
   .report = report,
};
