/* SPDX-License-Identifier: ISC */
#ifndef BM_STEREO_PAN_LAW_H
#define BM_STEREO_PAN_LAW_H

#include "base/frame.h"

#include <math.h>

/** What panning by level costs each side in the middle. */
typedef enum {
   BM_PAN_LAW_3_DB = 0,   /**< sine and cosine: the power of both sides stays the same */
   BM_PAN_LAW_4_5_DB = 1, /**< the geometric mean of the other two */
   BM_PAN_LAW_6_DB = 2    /**< linear: the sum of both sides stays the same */
} BmPanLaw;

/** Gains of left and right; `pan` -1 left .. 1 right. Exact at both ends and, for -6 dB, in the middle.
 * Common practice, no source. */
static inline BmFrame bm_pan_gains(BmPanLaw law, double pan)
{
   const double right = 0.5 * (1.0 + pan);
   const double left = 0.5 * (1.0 - pan);
   const double quarter_turn = 1.57079632679489661923;
   const BmFrame power =
      bm_frame(right == 1.0 ? 0.0 : cos(quarter_turn * right), left == 1.0 ? 0.0 : sin(quarter_turn * right));
   switch (law) {
   case BM_PAN_LAW_6_DB:
      return bm_frame(left, right);
   case BM_PAN_LAW_4_5_DB:
      return bm_frame(sqrt(left * power[0]), sqrt(right * power[1]));
   case BM_PAN_LAW_3_DB:
   default:
      return power;
   }
}

#endif
