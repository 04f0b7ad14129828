/* SPDX-License-Identifier: ISC */
/* What the ports of this plugin mean: for the plugin itself, and for the channel strip. */
#ifndef BM_FET_COMPRESSOR_PARAMS_H
#define BM_FET_COMPRESSOR_PARAMS_H

#include "dynamics/fet_compressor.h"
#include "fet_compressor_ports.h"

/** Parameters for controls by the generated index. */
static inline BmFetCompressorParams bm_fet_compressor_params(const float* port)
{
   return (BmFetCompressorParams){
      .threshold_db = (double)port[FET_COMPRESSOR_THRESHOLD_DB],
      .ratio = (double)port[FET_COMPRESSOR_RATIO],
      .attack_ms = (double)port[FET_COMPRESSOR_ATTACK_MS],
      .release_ms = (double)port[FET_COMPRESSOR_RELEASE_MS],
      .makeup_db = (double)port[FET_COMPRESSOR_MAKEUP_DB],
      .sidechain_low_cut_hz = (double)port[FET_COMPRESSOR_SIDECHAIN_LOW_CUT_HZ],
      .link = (double)port[FET_COMPRESSOR_LINK_PERCENT] / 100.0,
      .quality = (BmQuality)port[FET_COMPRESSOR_QUALITY],
   };
}

/** Write what it meters to its output ports. */
static inline void bm_fet_compressor_report(const BmFetCompressor* self, float* port)
{
   port[FET_COMPRESSOR_GAIN_REDUCTION_DB] = (float)bm_fet_compressor_reduction_db(self);
}

#endif
