/* SPDX-License-Identifier: ISC */
/* What the ports of this plugin mean: for the plugin itself, and for the channel strip. */
#ifndef BM_TRANSIENT_SHAPER_PARAMS_H
#define BM_TRANSIENT_SHAPER_PARAMS_H

#include "dynamics/transient_shaper.h"
#include "transient_shaper_ports.h"

/** Parameters for controls by the generated index. */
static inline BmTransientShaperParams bm_transient_shaper_params(const float* port)
{
   return (BmTransientShaperParams){
      .attack_db = (double)port[TRANSIENT_SHAPER_ATTACK_DB],
      .sustain_db = (double)port[TRANSIENT_SHAPER_SUSTAIN_DB],
      .target = (BmShapeTarget)port[TRANSIENT_SHAPER_TARGET],
   };
}

/** Write what it meters to its output ports. */
static inline void bm_transient_shaper_report(const BmTransientShaper* self, float* port)
{
   port[TRANSIENT_SHAPER_GAIN_CHANGE_DB] = (float)bm_transient_shaper_gain_db(self);
}

#endif
