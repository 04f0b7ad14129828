/* SPDX-License-Identifier: ISC */
/* What the ports of this plugin mean: for the plugin itself, and for the channel strip. */
#ifndef BM_TUBE_SATURATION_PARAMS_H
#define BM_TUBE_SATURATION_PARAMS_H

#include "saturation/tube.h"
#include "tube_saturation_ports.h"

/** Parameters for controls by the generated index. */
static inline BmTubeParams bm_tube_saturation_params(const float* port)
{
   return (BmTubeParams){
      .drive_db = (double)port[TUBE_SATURATION_DRIVE_DB],
      .bias = (double)port[TUBE_SATURATION_BIAS_PERCENT] / 100.0,
      .quality = (BmQuality)port[TUBE_SATURATION_QUALITY],
   };
}

#endif
