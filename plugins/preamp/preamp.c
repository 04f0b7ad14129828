/* SPDX-License-Identifier: ISC */
#include "preamp_params.h"
#include "shell.h"

BM_FIXED_VERBS(BmPreamp, preamp)
BM_SET_VERB(BmPreamp, preamp, preamp)
BM_LATENCY_VERB(preamp)
BM_NOMINAL_GAIN_VERB(BmPreamp, preamp)

const BmPlugin bm_plugin = {
   .ports = &preamp,
   .bytes = bytes,
   .init = init,
   .set = set,
   .process = process,
   .reset = reset,
   .latency_frames = latency_frames,
   .nominal_gain_lin = nominal_gain_lin,
};
