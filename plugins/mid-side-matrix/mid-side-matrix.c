/* SPDX-License-Identifier: ISC */
#include "mid_side_matrix_ports.h"
#include "shell.h"
#include "stereo/mid_side_matrix.h"

BM_FIXED_VERBS(BmMidSideMatrix, mid_side_matrix)

static void set(void* self, const float* port)
{
   const BmMidSideMatrixParams params = {
      .direction = (BmMidSideDirection)port[MID_SIDE_MATRIX_DIRECTION],
      .mid_gain_db = (double)port[MID_SIDE_MATRIX_MID_GAIN_DB],
      .side_gain_db = (double)port[MID_SIDE_MATRIX_SIDE_GAIN_DB],
      .width = (double)port[MID_SIDE_MATRIX_WIDTH_PERCENT] / 100.0,
      .mid_mute = port[MID_SIDE_MATRIX_MID_MUTE] > 0.5F,
      .side_mute = port[MID_SIDE_MATRIX_SIDE_MUTE] > 0.5F,
      .mid_polarity = port[MID_SIDE_MATRIX_MID_POLARITY] > 0.5F,
      .side_polarity = port[MID_SIDE_MATRIX_SIDE_POLARITY] > 0.5F,
   };
   bm_mid_side_matrix_set(self, &params);
}

static void report(const void* self, float* port)
{
   port[MID_SIDE_MATRIX_CORRELATION] = (float)bm_mid_side_matrix_correlation_norm(self);
   port[MID_SIDE_MATRIX_SIDE_TO_MID_DB] = (float)bm_mid_side_matrix_side_to_mid_db(self);
}

const BmPlugin bm_plugin = {
   .ports = &mid_side_matrix,
   .bytes = bytes,
   .init = init,
   .set = set,
   .process = process,
   .reset = reset,
   .report = report,
};
