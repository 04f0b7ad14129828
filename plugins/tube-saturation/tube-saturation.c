/* SPDX-License-Identifier: ISC */
#include "shell.h"
#include "tube_saturation_params.h"

BM_FIXED_VERBS(BmTube, tube)
BM_SET_VERB(BmTube, tube, tube_saturation)
BM_LATENCY_VERB(tube)

const BmPlugin bm_plugin = {
   .ports = &tube_saturation,
   .bytes = bytes,
   .init = init,
   .set = set,
   .process = process,
   .reset = reset,
   .latency_frames = latency_frames,
};
