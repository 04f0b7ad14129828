/* SPDX-License-Identifier: ISC */
#include "analysis/take_meter.h"

#include <math.h>

#define CHUNK_FRAMES 64

BmStatus bm_take_meter_init(BmTakeMeter* self, void* memory, double sample_rate_hz, uint32_t n_channels)
{
   BmStatus status = bm_loudness_init(&self->loudness, sample_rate_hz, n_channels);
   if (status == BM_OK) {
      status = bm_correlation_init(&self->correlation, sample_rate_hz, 0.0);
   }
   if (status == BM_OK) {
      status = bm_attack_to_sustain_init(&self->attack, memory, sample_rate_hz, n_channels);
   }
   if (status == BM_OK) {
      status = bm_lowest_note_init(&self->lowest_note, sample_rate_hz);
   }
   if (status == BM_OK) {
      bm_true_peak_init(&self->true_peak);
      self->cfg.n_channels = n_channels;
      bm_take_meter_reset(self);
   }
   return status;
}

size_t bm_take_meter_bytes(double sample_rate_hz)
{
   return bm_attack_to_sustain_bytes(sample_rate_hz);
}

void bm_take_meter_reset(BmTakeMeter* self)
{
   bm_loudness_reset(&self->loudness);
   bm_true_peak_reset(&self->true_peak);
   bm_correlation_reset(&self->correlation);
   bm_attack_to_sustain_reset(&self->attack);
   bm_lowest_note_reset(&self->lowest_note);
   self->mem.n_frames = 0.0;
}

void bm_take_meter_process(BmTakeMeter* self, const BmFrame* in, uint32_t n_frames)
{
   while (n_frames > 0) {
      BmPairPowers sums;
      const uint32_t n_most = n_frames < CHUNK_FRAMES ? n_frames : CHUNK_FRAMES;
      const uint32_t n = bm_loudness_hear(&self->loudness, in, n_most, &sums);
      bm_correlation_take(&self->correlation, &sums, bm_loudness_is_at_hop(&self->loudness));
      bm_true_peak_process(&self->true_peak, in, n);
      bm_attack_to_sustain_process(&self->attack, in, n);
      bm_lowest_note_process(&self->lowest_note, in, n);
      self->mem.n_frames += n;
      in += n;
      n_frames -= n;
   }
}

double bm_take_meter_crest_db(const BmTakeMeter* self)
{
   const BmFrame energies = bm_correlation_energies(&self->correlation);
   double weighted_db = 0.0;
   double weight = 0.0;
   for (uint32_t channel = 0; channel < self->cfg.n_channels; ++channel) {
      const double energy = energies[channel];
      const double peak = bm_true_peak_frame_lin(&self->true_peak, channel);
      if (energy > 0.0) {
         weighted_db += energy * 20.0 * log10(peak / sqrt(energy / self->mem.n_frames));
         weight += energy;
      }
   }
   return weight > 0.0 ? weighted_db / weight : 0.0;
}
