/* SPDX-License-Identifier: ISC */
#include "saturation/preamp.h"

#include "base/decibel.h"

#include <math.h>

/* Peak voltage at the grid for full scale: 10 dB of headroom above it before grid current flows. */
#define VOLTS_AT_FULL_SCALE 0.545
#define SELF_BIAS_V (-1.5)
#define PAD_DB 20.0
/* What the stage lets a take of -18 dBFS be raised by in the end. */
#define LARGEST_GAIN_LIN 17.5

static const BmTriodeCircuit circuit = {
   .supply_v = 250.0,
   .plate_ohm = 47e3,
   .cathode_ohm = 1500.0,
   .cathode_farad = 47e-6,
   .source_ohm = 2e3,
   .coupling_farad = 2.2e-6,
   .grid_ohm = 22e3,
};

BmStatus bm_preamp_init(BmPreamp* self, double sample_rate_hz)
{
   const BmStatus status = bm_tube_stage_init(&self->stage, sample_rate_hz, &circuit);
   if (status != BM_OK) {
      return status;
   }
   static const BmBandKind tone[] = {BM_BAND_LOW_SHELF, BM_BAND_HIGH_SHELF};
   bm_glide_init(&self->gain_lin, BM_GLIDE_MS, sample_rate_hz);
   bm_transformer_init(&self->transformer, sample_rate_hz);
   return bm_band_eq_init(&self->tone, sample_rate_hz, tone, 2, 1);
}

static double input_gain_lin(const BmPreampParams* params)
{
   return bm_gain_from_db(params->gain_db - (params->pad ? PAD_DB : 0.0));
}

void bm_preamp_set(BmPreamp* self, const BmPreampParams* params)
{
   const double gain_lin = input_gain_lin(params);
   const BmBandParams low = {.frequency_hz = 120.0, .gain_db = params->low_gain_db, .q = 0.6};
   const BmBandParams high = {.frequency_hz = 6000.0, .gain_db = params->high_gain_db, .q = 0.6};
   bm_glide_set(&self->gain_lin, params->polarity ? -gain_lin : gain_lin);
   bm_tube_stage_set(&self->stage, SELF_BIAS_V, params->quality);
   bm_band_eq_set(&self->tone, 0, 0, &low);
   bm_band_eq_set(&self->tone, 1, 0, &high);
}

double bm_preamp_nominal_gain_lin(const BmPreampParams* params, double level_lin)
{
   const double gain_lin = input_gain_lin(params);
   return gain_lin / hypot(1.0, level_lin * gain_lin / LARGEST_GAIN_LIN);
}

void bm_preamp_process(BmPreamp* self, const BmFrame* in, BmFrame* out, uint32_t n_frames)
{
   for (uint32_t n = 0; n < n_frames; ++n) {
      out[n] = in[n] * (VOLTS_AT_FULL_SCALE * bm_glide_step(&self->gain_lin));
   }
   bm_tube_stage_process(&self->stage, out, out, n_frames);
   for (uint32_t n = 0; n < n_frames; ++n) {
      out[n] *= 1.0 / VOLTS_AT_FULL_SCALE;
   }
   bm_band_eq_process(&self->tone, out, out, n_frames);
   bm_transformer_process(&self->transformer, out, out, n_frames);
}

void bm_preamp_reset(BmPreamp* self)
{
   bm_glide_reset(&self->gain_lin);
   bm_tube_stage_reset(&self->stage);
   bm_band_eq_reset(&self->tone);
   bm_transformer_reset(&self->transformer);
}

uint32_t bm_preamp_latency_frames(const BmPreamp* self)
{
   return bm_tube_stage_latency_frames(&self->stage);
}
