/* SPDX-License-Identifier: ISC */
#include "stereo/mid_side_matrix.h"

#include "base/decibel.h"

#define MEASURED_FRAMES 64

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

static bool is_still(const BmMidSideMatrix* self)
{
   return bm_glide_is_still(&self->left_from_left) && bm_glide_is_still(&self->left_from_right) &&
          bm_glide_is_still(&self->right_from_left) && bm_glide_is_still(&self->right_from_right);
}

static BmFrame mix(BmFrame x, BmFrame from_left, BmFrame from_right)
{
   return from_left * bm_frame_both(x[0]) + from_right * bm_frame_both(x[1]);
}

static void mix_still(BmMidSideMatrix* self, const BmFrame* in, BmFrame* out, uint32_t n_frames)
{
   const BmFrame from_left = bm_frame(self->left_from_left.value, self->right_from_left.value);
   const BmFrame from_right = bm_frame(self->left_from_right.value, self->right_from_right.value);
   for (uint32_t n = 0; n < n_frames; ++n) {
      out[n] = mix(in[n], from_left, from_right);
   }
}

static void mix_moving(BmMidSideMatrix* self, const BmFrame* in, BmFrame* out, uint32_t n_frames)
{
   for (uint32_t n = 0; n < n_frames; ++n) {
      const BmFrame from_left =
         bm_frame(bm_glide_step(&self->left_from_left), bm_glide_step(&self->right_from_left));
      const BmFrame from_right =
         bm_frame(bm_glide_step(&self->left_from_right), bm_glide_step(&self->right_from_right));
      out[n] = mix(in[n], from_left, from_right);
   }
}

static void measure(BmMidSideMatrix* self, const BmFrame* out, uint32_t n_frames)
{
   if (!self->cfg.meter_mid_side) {
      bm_correlation_process(&self->correlation, out, n_frames);
      return;
   }
   BmFrame left_right[MEASURED_FRAMES];
   while (n_frames) {
      const uint32_t n = n_frames < MEASURED_FRAMES ? n_frames : MEASURED_FRAMES;
      for (uint32_t i = 0; i < n; ++i) {
         left_right[i] = bm_frame(out[i][0] + out[i][1], out[i][0] - out[i][1]);
      }
      bm_correlation_process(&self->correlation, left_right, n);
      out += n;
      n_frames -= n;
   }
}

void bm_mid_side_matrix_process(BmMidSideMatrix* self, const BmFrame* in, BmFrame* out, uint32_t n_frames)
{
   if (is_still(self)) {
      mix_still(self, in, out, n_frames);
   } else {
      mix_moving(self, in, out, n_frames);
   }
   measure(self, out, n_frames);
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
