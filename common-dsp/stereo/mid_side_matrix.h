/* SPDX-License-Identifier: ISC */
#ifndef BM_STEREO_MID_SIDE_MATRIX_H
#define BM_STEREO_MID_SIDE_MATRIX_H

#include "analysis/correlation.h"
#include "base/frame.h"
#include "base/glide.h"
#include "base/status.h"

#include <stdbool.h>
#include <stdint.h>

typedef enum {
   BM_MID_SIDE_THROUGH = 0, /**< left/right in, left/right out, mid and side adjusted in between */
   BM_MID_SIDE_ENCODE = 1,  /**< left/right in; mid out in the left lane, side in the right */
   BM_MID_SIDE_DECODE = 2   /**< mid in the left lane, side in the right; left/right out */
} BmMidSideDirection;

typedef struct {
   BmMidSideDirection direction;
   double mid_gain_db;  /**< -24 to 24 */
   double side_gain_db; /**< -24 to 24 */
   double width; /**< of the side only, so mono stays what it is: 0 mono, 1 as it came, 2 twice the side */
   bool mid_mute;
   bool side_mute;
   bool mid_polarity; /* true: turned over */
   bool side_polarity;
} BmMidSideMatrixParams;

/**
   Mid and side, m = (l + r) / 2 and s = (l - r) / 2, with level, polarity and mute of each.

   One 2 x 2 matrix does it all; its four gains glide, so any change is a cross-fade. Through at 0 dB and
   width 1 gives the input back to the last bit; encode and then decode too, for 24-bit samples. Source of the
   half form: common practice, no source.
*/
typedef struct {
   struct {
      bool meter_mid_side; /* the output is mid and side, not left and right */
   } cfg;
   BmGlide left_from_left, left_from_right, right_from_left, right_from_right;
   BmCorrelation correlation; /* of the output as left and right */
} BmMidSideMatrix;

/** Set up. @return BM_OK or BM_BAD_RATE. */
BmStatus bm_mid_side_matrix_init(BmMidSideMatrix* self, double sample_rate_hz);

void bm_mid_side_matrix_set(BmMidSideMatrix* self, const BmMidSideMatrixParams* params);

/** Pass [n_frames] through the matrix; `out` may be `in`. Real-time: yes. */
void bm_mid_side_matrix_process(BmMidSideMatrix* self, const BmFrame* in, BmFrame* out, uint32_t n_frames);
void bm_mid_side_matrix_reset(BmMidSideMatrix* self);

/** Correlation of the output's left and right (an encoded output counts as what it decodes to), -1 to 1. */
double bm_mid_side_matrix_correlation_norm(const BmMidSideMatrix* self);

/** Level of the adjusted side over the adjusted mid in dB. */
double bm_mid_side_matrix_side_to_mid_db(const BmMidSideMatrix* self);

#endif
