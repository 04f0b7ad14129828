/* SPDX-License-Identifier: ISC */
#include "saturation/tube.h"

/* Peak voltage at the source for full scale, so that -18 dBFS makes 1 % second harmonic. */
#define VOLTS_AT_FULL_SCALE 1.255

static const BmTriodeCircuit circuit = {
   .supply_v = 250.0,
   .plate_ohm = 47e3,
   .cathode_ohm = 1500.0,
   .cathode_farad = 22e-6,
   .source_ohm = 2e3,
   .coupling_farad = 2.2e-6,
   .grid_ohm = 22e3,
};

BmStatus bm_tube_init(BmTube* self, double sample_rate_hz)
{
   const BmStatus status = bm_tube_stage_init(&self->stage, sample_rate_hz, &circuit);
   bm_drive_init(&self->drive, sample_rate_hz, bm_tube_stage_latency_frames(&self->stage));
   return status;
}

void bm_tube_set(BmTube* self, const BmTubeParams* params)
{
   /* Through -2.1 V, the self-bias of -1.5 V, and -0.42 V, where the curve has its turning point. */
   const double rest_v = -1.5 + params->bias * (0.84 + 0.24 * params->bias);
   bm_drive_set(&self->drive, params->drive_db);
   bm_tube_stage_set(&self->stage, rest_v, params->quality);
}

void bm_tube_process(BmTube* self, const BmFrame* in, BmFrame* out, uint32_t n_frames)
{
   double back_lin[BM_OVERSAMPLE_BLOCK_FRAMES];
   while (n_frames) {
      const uint32_t n = n_frames < BM_OVERSAMPLE_BLOCK_FRAMES ? n_frames : BM_OVERSAMPLE_BLOCK_FRAMES;
      for (uint32_t i = 0; i < n; ++i) {
         out[i] = in[i] * (VOLTS_AT_FULL_SCALE * bm_drive_step(&self->drive, &back_lin[i]));
      }
      bm_tube_stage_process(&self->stage, out, out, n);
      for (uint32_t i = 0; i < n; ++i) {
         out[i] /= VOLTS_AT_FULL_SCALE * back_lin[i];
      }
      in += n;
      out += n;
      n_frames -= n;
   }
}

void bm_tube_reset(BmTube* self)
{
   bm_drive_reset(&self->drive);
   bm_tube_stage_reset(&self->stage);
}

uint32_t bm_tube_latency_frames(const BmTube* self)
{
   return bm_tube_stage_latency_frames(&self->stage);
}
