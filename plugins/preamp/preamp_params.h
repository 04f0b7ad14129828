/* SPDX-License-Identifier: ISC */
/* What the ports of this plugin mean: for the plugin itself, and for the channel strip. */
#ifndef BM_PREAMP_PARAMS_H
#define BM_PREAMP_PARAMS_H

#include "preamp_ports.h"
#include "saturation/preamp.h"

/** Parameters for controls by the generated index. */
static inline BmPreampParams bm_preamp_params(const float* port)
{
   return (BmPreampParams){
      .gain_db = (double)port[PREAMP_GAIN_DB],
      .pad = port[PREAMP_PAD] > 0.5F,
      .polarity = port[PREAMP_POLARITY] > 0.5F,
      .low_gain_db = (double)port[PREAMP_LOW_GAIN_DB],
      .high_gain_db = (double)port[PREAMP_HIGH_GAIN_DB],
      .quality = (BmQuality)port[PREAMP_QUALITY],
   };
}

#endif
