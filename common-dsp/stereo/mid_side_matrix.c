/* SPDX-License-Identifier: ISC */
#include "stereo/mid_side_matrix.h"

#include "base/decibel.h"

static double signed_gain(double gain_db, bool mute, bool polarity)
{
   const double gain = mute ? 0.0 : bm_gain_from_db(gain_db);
   return polarity ? -gain : gain;
}

BmStatus bm_mid_side_matrix_init(BmMidSideMatrix* self, double sample_rate_hz)
{
   const BmStatus status = bm_correlation_init(&self->correlation, sample_rate_hz, BM_CORRELATION_WINDOW_S);
   if (status != BM_OK) {
      return status;
   }
   bm_glide_init(&self->left_from_left, BM_GLIDE_MS, sample_rate_hz);
   bm_glide_init(&self->left_from_right, BM_GLIDE_MS, sample_rate_hz);
   bm_glide_init(&self->right_from_left, BM_GLIDE_MS, sample_rate_hz);
   bm_glide_init(&self->right_from_right, BM_GLIDE_MS, sample_rate_hz);
   self->cfg.meter_mid_side = false;
   return BM_OK;
}

void bm_mid_side_matrix_set(BmMidSideMatrix* self, const BmMidSideMatrixParams* params)
{
   const double mid = signed_gain(params->mid_gain_db, params->mid_mute, params->mid_polarity);
   const double side =
      params->width * signed_gain(params->side_gain_db, params->side_mute, params->side_polarity);
   double matrix[4] = {0.5 * (mid + side), 0.5 * (mid - side), 0.5 * (mid - side), 0.5 * (mid + side)};
   if (params->direction == BM_MID_SIDE_ENCODE) {
      matrix[0] = 0.5 * mid;
      matrix[1] = 0.5 * mid;
      matrix[2] = 0.5 * side;
      matrix[3] = -0.5 * side;
   } else if (params->direction == BM_MID_SIDE_DECODE) {
      matrix[0] = mid;
      matrix[1] = side;
      matrix[2] = mid;
      matrix[3] = -side;
   }
   bm_glide_set(&self->left_from_left, matrix[0]);
   bm_glide_set(&self->left_from_right, matrix[1]);
   bm_glide_set(&self->right_from_left, matrix[2]);
   bm_glide_set(&self->right_from_right, matrix[3]);
   self->cfg.meter_mid_side = params->direction == BM_MID_SIDE_ENCODE;
}

void bm_mid_side_matrix_process(BmMidSideMatrix* self, const BmFrame* in, BmFrame* out, uint32_t n_frames)
{
   for (uint32_t n = 0; n < n_frames; ++n) {
      const BmFrame x = in[n];
      const BmFrame from_left =
         bm_frame(bm_glide_step(&self->left_from_left), bm_glide_step(&self->right_from_left));
      const BmFrame from_right =
         bm_frame(bm_glide_step(&self->left_from_right), bm_glide_step(&self->right_from_right));
      const BmFrame y = from_left * x[0] + from_right * x[1];
      const BmFrame pair = self->cfg.meter_mid_side ? bm_frame(y[0] + y[1], y[0] - y[1]) : y;
      bm_correlation_process(&self->correlation, &pair, 1);
      out[n] = y;
   }
}

void bm_mid_side_matrix_reset(BmMidSideMatrix* self)
{
   bm_glide_reset(&self->left_from_left);
   bm_glide_reset(&self->left_from_right);
   bm_glide_reset(&self->right_from_left);
   bm_glide_reset(&self->right_from_right);
   bm_correlation_reset(&self->correlation);
}

double bm_mid_side_matrix_correlation_norm(const BmMidSideMatrix* self)
{
   return bm_correlation_norm(&self->correlation);
}

double bm_mid_side_matrix_side_to_mid_db(const BmMidSideMatrix* self)
{
   return bm_correlation_side_to_mid_db(&self->correlation);
}
