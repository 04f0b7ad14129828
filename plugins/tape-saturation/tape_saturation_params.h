/* SPDX-License-Identifier: ISC */
/* What the ports of this plugin mean: for the plugin itself, and for the channel strip. */
#ifndef BM_TAPE_SATURATION_PARAMS_H
#define BM_TAPE_SATURATION_PARAMS_H

#include "base/decibel.h"
#include "saturation/tape.h"
#include "tape_saturation_ports.h"

/* The lowest setting of hiss stands for none. */
#define BM_TAPE_SATURATION_HISS_OFF_DB (-100.0F)

static inline BmTapeSpeed bm_tape_saturation_speed(float cm_s)
{
   return cm_s < 30.0F ? BM_TAPE_SPEED_19 : cm_s < 60.0F ? BM_TAPE_SPEED_38 : BM_TAPE_SPEED_76;
}

/** Parameters for controls by the generated index. */
static inline BmTapeParams bm_tape_saturation_params(const float* port)
{
   const float hiss_db = port[TAPE_SATURATION_HISS_DB];
   return (BmTapeParams){
      .drive_db = (double)port[TAPE_SATURATION_DRIVE_DB],
      .bias_lin = (double)port[TAPE_SATURATION_BIAS_PERCENT] / 100.0,
      .speed = bm_tape_saturation_speed(port[TAPE_SATURATION_SPEED]),
      .wander_percent = (double)port[TAPE_SATURATION_WANDER_PERCENT],
      .wander_rate_hz = (double)port[TAPE_SATURATION_WANDER_RATE_HZ],
      .hiss_lin = hiss_db > BM_TAPE_SATURATION_HISS_OFF_DB ? bm_gain_from_db((double)hiss_db) : 0.0,
      .quality = (BmQuality)port[TAPE_SATURATION_QUALITY],
   };
}

#endif
