/* SPDX-License-Identifier: ISC */
#include "shell.h"
#include "variable_mu_compressor_params.h"

BM_FIXED_VERBS(BmVariableMuCompressor, variable_mu_compressor)
BM_SET_VERB(BmVariableMuCompressor, variable_mu_compressor, variable_mu_compressor)
BM_LATENCY_VERB(variable_mu_compressor)
BM_NOMINAL_GAIN_VERB(BmVariableMuCompressor, variable_mu_compressor)
BM_REPORT_VERB(variable_mu_compressor)

const BmPlugin bm_plugin = {
   .ports = &variable_mu_compressor,
   .bytes = bytes,
   .init = init,
   .set = set,
   .process = process,
   .reset = reset,
   .latency_frames = latency_frames,
   .nominal_gain_lin = nominal_gain_lin,
   .report = report,
};
