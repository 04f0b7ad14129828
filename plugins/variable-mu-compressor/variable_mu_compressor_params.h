/* SPDX-License-Identifier: ISC */
/* What the ports of this plugin mean: for the plugin itself, and for the channel strip. */
#ifndef BM_VARIABLE_MU_COMPRESSOR_PARAMS_H
#define BM_VARIABLE_MU_COMPRESSOR_PARAMS_H

#include "dynamics/variable_mu_compressor.h"
#include "variable_mu_compressor_ports.h"

/** Parameters for controls by the generated index. */
static inline BmVariableMuCompressorParams bm_variable_mu_compressor_params(const float* port)
{
   return (BmVariableMuCompressorParams){
      .threshold_db = (double)port[VARIABLE_MU_COMPRESSOR_THRESHOLD_DB],
      .attack_ms = (double)port[VARIABLE_MU_COMPRESSOR_ATTACK_MS],
      .release_s = (double)port[VARIABLE_MU_COMPRESSOR_RELEASE_S],
      .balance = (double)port[VARIABLE_MU_COMPRESSOR_BALANCE_PERCENT] / 100.0,
      .makeup_db = (double)port[VARIABLE_MU_COMPRESSOR_MAKEUP_DB],
      .sidechain_low_cut_hz = (double)port[VARIABLE_MU_COMPRESSOR_SIDECHAIN_LOW_CUT_HZ],
      .link = (double)port[VARIABLE_MU_COMPRESSOR_LINK_PERCENT] / 100.0,
      .quality = (BmQuality)port[VARIABLE_MU_COMPRESSOR_QUALITY],
   };
}

/** Write what it meters to its output ports. */
static inline void bm_variable_mu_compressor_report(const BmVariableMuCompressor* self, float* port)
{
   port[VARIABLE_MU_COMPRESSOR_GAIN_REDUCTION_DB] = (float)bm_variable_mu_compressor_reduction_db(self);
}

#endif
