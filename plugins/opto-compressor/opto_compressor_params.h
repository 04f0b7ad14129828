/* SPDX-License-Identifier: ISC */
/* What the ports of this plugin mean: for the plugin itself, and for the channel strip. */
#ifndef BM_OPTO_COMPRESSOR_PARAMS_H
#define BM_OPTO_COMPRESSOR_PARAMS_H

#include "dynamics/opto_compressor.h"
#include "opto_compressor_ports.h"

/** Parameters for controls by the generated index. */
static inline BmOptoCompressorParams bm_opto_compressor_params(const float* port)
{
   return (BmOptoCompressorParams){
      .threshold_db = (double)port[OPTO_COMPRESSOR_THRESHOLD_DB],
      .limit = port[OPTO_COMPRESSOR_LAW] > 0.5F,
      .emphasis = (double)port[OPTO_COMPRESSOR_EMPHASIS_PERCENT] / 100.0,
      .release_is_set = port[OPTO_COMPRESSOR_RELEASE_SOURCE] > 0.5F,
      .release_ms = (double)port[OPTO_COMPRESSOR_RELEASE_MS],
      .makeup_db = (double)port[OPTO_COMPRESSOR_MAKEUP_DB],
      .sidechain_low_cut_hz = (double)port[OPTO_COMPRESSOR_SIDECHAIN_LOW_CUT_HZ],
      .link = (double)port[OPTO_COMPRESSOR_LINK_PERCENT] / 100.0,
   };
}

/** Write what it meters to its output ports. */
static inline void bm_opto_compressor_report(const BmOptoCompressor* self, float* port)
{
   port[OPTO_COMPRESSOR_GAIN_REDUCTION_DB] = (float)bm_opto_compressor_reduction_db(self);
}

#endif
