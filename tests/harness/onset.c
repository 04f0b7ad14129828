/* SPDX-License-Identifier: ISC */
#include "onset.h"

#include "spectrum.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* The transform is about 20 ms long; by its 75 % overlap a hop is about 5 ms. */
#define TRANSFORM_S 0.02
#define RISE_HOPS 2
#define MAX_BANDS 32
#define LOWEST_BAND_HZ 90.0
#define HIGHEST_BAND_HZ 16000.0
#define FLOOR_POWER 1e-9
#define FLOOR_UNDER_LOUDEST 1e-6

/* Peak picking (Bello et al. 2005, section IV): the highest within PEAK_HOPS on both sides, and more than
   THRESHOLD_DB over the median of the hops around. The figures are ours, set on recorded guitar phrases. */
#define HOPS_BEFORE 20
#define HOPS_AFTER 10
#define PEAK_HOPS 6
#define THRESHOLD_DB 2.5
#define MIN_GAP_S 0.04
#define N_FLUX (HOPS_BEFORE + 1 + HOPS_AFTER)

/* Energy in steps of 0.25 ms, for a second back: enough for the median's delay, the search and the sustain.
 */
#define STEPS_PER_S 4000.0
#define N_STEPS 4096
#define SEARCH_BEFORE_S 0.010
#define SEARCH_AFTER_S 0.020
#define SLOPE_S 0.005
#define MIN_RISE 1.41 /* a note that ends splashes over all bands too, but does not rise */
#define ATTACK_S 0.010
#define SUSTAIN_FROM_S 0.050
#define SUSTAIN_TO_S 0.250
#define MAX_CANDIDATES 64

struct BmOnsetMeter {
   double sample_rate_hz;
   uint32_t n_channels;
   BmOnsetFound on_onset;
   void* handle;

   BmSpectrumMeter* spectrum;
   uint32_t n_bands;
   uint32_t band_edge[MAX_BANDS + 1]; /* bins */
   double band_weight[MAX_BANDS];
   double band_db[RISE_HOPS][MAX_BANDS];
   double loudest_power;

   double flux_db[N_FLUX]; /* the oldest first */
   double flux_time_s[N_FLUX];

   double candidate_s[MAX_CANDIDATES]; /* found by flux, waiting for their sustain */
   uint32_t n_candidates;
   double last_onset_s;

   double step_frames;
   double* step_energy;  /* [N_STEPS] ring: sum of squares over channels */
   uint32_t* step_count; /* [N_STEPS] frames in it */
   uint64_t n_steps;     /* whole ones so far */
   uint64_t n_frames;
};

static double step_power(const BmOnsetMeter* self, int64_t first, int64_t last)
{
   double energy = 0.0;
   double n_samples = 0.0;
   for (int64_t step = first; step < last; ++step) {
      if (step >= 0 && step < (int64_t)self->n_steps) {
         energy += self->step_energy[step % N_STEPS];
         n_samples += (double)self->step_count[step % N_STEPS] * self->n_channels;
      } else {
         n_samples += self->step_frames * self->n_channels; /* silence before the stream */
      }
   }
   return n_samples > 0.0 ? energy / n_samples : 0.0;
}

/* Settle the instant near `time_s` and tell it, with its two powers. */
static void resolve(BmOnsetMeter* self, double time_s)
{
   const int64_t slope = (int64_t)(SLOPE_S * STEPS_PER_S);
   const int64_t first = (int64_t)((time_s - SEARCH_BEFORE_S) * STEPS_PER_S);
   const int64_t last = (int64_t)((time_s + SEARCH_AFTER_S) * STEPS_PER_S);
   double highest = 0.0;
   for (int64_t step = first; step < last; ++step) {
      highest = fmax(highest, step_power(self, step, step + slope));
   }
   const double quiet = 1e-3 * highest + 1e-15;
   double steepest = 0.0;
   int64_t onset = first;
   for (int64_t step = first; step < last; ++step) {
      const double rise =
         (step_power(self, step, step + slope) + quiet) / (step_power(self, step - slope, step) + quiet);
      if (rise > steepest) {
         steepest = rise;
         onset = step;
      }
   }
   const double onset_s = (double)onset / STEPS_PER_S;
   if (onset < 0 || steepest < MIN_RISE || onset_s < self->last_onset_s + MIN_GAP_S) {
      return;
   }
   const BmOnset found = {
      .time_s = onset_s,
      .attack_power = step_power(self, onset, onset + (int64_t)(ATTACK_S * STEPS_PER_S)),
      .sustain_power = step_power(self, onset + (int64_t)(SUSTAIN_FROM_S * STEPS_PER_S),
                                  onset + (int64_t)(SUSTAIN_TO_S * STEPS_PER_S)),
   };
   self->last_onset_s = onset_s;
   self->on_onset(self->handle, &found);
}

static void resolve_ripe(BmOnsetMeter* self)
{
   const double heard_s = (double)self->n_steps / STEPS_PER_S;
   uint32_t n_ripe = 0;
   while (n_ripe < self->n_candidates &&
          self->candidate_s[n_ripe] + SEARCH_AFTER_S + SUSTAIN_TO_S <= heard_s) {
      resolve(self, self->candidate_s[n_ripe]);
      ++n_ripe;
   }
   self->n_candidates -= n_ripe;
   memmove(self->candidate_s, self->candidate_s + n_ripe, self->n_candidates * sizeof *self->candidate_s);
}

static int compare_doubles(const void* a, const void* b)
{
   const double x = *(const double*)a;
   const double y = *(const double*)b;
   return (x > y) - (x < y);
}

static void pick_peak(BmOnsetMeter* self)
{
   const double centre = self->flux_db[HOPS_BEFORE];
   for (uint32_t hop = HOPS_BEFORE - PEAK_HOPS; hop <= HOPS_BEFORE + PEAK_HOPS; ++hop) {
      if (self->flux_db[hop] > centre || (self->flux_db[hop] == centre && hop < HOPS_BEFORE)) {
         return;
      }
   }
   double sorted[N_FLUX];
   memcpy(sorted, self->flux_db, sizeof sorted);
   qsort(sorted, N_FLUX, sizeof *sorted, compare_doubles);
   if (centre > sorted[N_FLUX / 2] + THRESHOLD_DB && self->n_candidates < MAX_CANDIDATES) {
      self->candidate_s[self->n_candidates++] = self->flux_time_s[HOPS_BEFORE];
   }
}

static void push_flux(BmOnsetMeter* self, double flux_db, double time_s)
{
   memmove(self->flux_db, self->flux_db + 1, (N_FLUX - 1) * sizeof *self->flux_db);
   memmove(self->flux_time_s, self->flux_time_s + 1, (N_FLUX - 1) * sizeof *self->flux_time_s);
   self->flux_db[N_FLUX - 1] = flux_db;
   self->flux_time_s[N_FLUX - 1] = time_s;
   pick_peak(self);
}

static void hear_transform(void* handle, const double* power, uint32_t n_bins, int64_t centre_frame)
{
   BmOnsetMeter* const self = handle;
   (void)n_bins;
   double band_power[MAX_BANDS];
   for (uint32_t band = 0; band < self->n_bands; ++band) {
      band_power[band] = 0.0;
      for (uint32_t bin = self->band_edge[band]; bin < self->band_edge[band + 1]; ++bin) {
         band_power[band] += power[bin];
      }
      self->loudest_power = fmax(self->loudest_power, band_power[band]);
   }
   const double floor_power = fmax(FLOOR_POWER, FLOOR_UNDER_LOUDEST * self->loudest_power);
   double flux_db = 0.0;
   for (uint32_t band = 0; band < self->n_bands; ++band) {
      const double level_db = 10.0 * log10(band_power[band] + floor_power);
      flux_db += self->band_weight[band] * fmax(0.0, level_db - self->band_db[RISE_HOPS - 1][band]);
      for (uint32_t hop = RISE_HOPS - 1; hop > 0; --hop) {
         self->band_db[hop][band] = self->band_db[hop - 1][band];
      }
      self->band_db[0][band] = level_db;
   }
   push_flux(self, flux_db, (double)centre_frame / self->sample_rate_hz);
}

BmOnsetMeter* bm_onset_meter_new(double sample_rate_hz, uint32_t n_channels, BmOnsetFound on_onset,
                                 void* handle)
{
   BmOnsetMeter* const self = calloc(1, sizeof *self);
   if (!self) {
      return NULL;
   }
   const uint32_t size_frames = bm_transform_size(TRANSFORM_S, sample_rate_hz);
   self->sample_rate_hz = sample_rate_hz;
   self->n_channels = n_channels;
   self->on_onset = on_onset;
   self->handle = handle;
   self->last_onset_s = -1.0;
   self->step_frames = sample_rate_hz / STEPS_PER_S;
   self->step_energy = calloc(N_STEPS, sizeof *self->step_energy);
   self->step_count = calloc(N_STEPS, sizeof *self->step_count);
   self->spectrum = bm_spectrum_meter_new(size_frames, sample_rate_hz, n_channels, hear_transform, self);
   if (!self->step_energy || !self->step_count || !self->spectrum) {
      bm_onset_meter_free(self);
      return NULL;
   }
   /* Third octaves, each at least one bin. A band of few bins flutters: it counts by the root of its bins. */
   const double bin_hz = sample_rate_hz / size_frames;
   double edge_hz = LOWEST_BAND_HZ;
   double sum = 0.0;
   self->band_edge[0] = (uint32_t)fmax(1.0, round(edge_hz / bin_hz));
   while (self->n_bands < MAX_BANDS && edge_hz < fmin(HIGHEST_BAND_HZ, 0.45 * sample_rate_hz)) {
      edge_hz *= cbrt(2.0);
      const uint32_t bin = (uint32_t)round(edge_hz / bin_hz);
      if (bin > self->band_edge[self->n_bands] && bin < size_frames / 2) {
         const double weight = sqrt(fmin(bin - self->band_edge[self->n_bands], 8.0));
         self->band_weight[self->n_bands] = weight;
         sum += weight;
         self->band_edge[++self->n_bands] = bin;
      }
   }
   for (uint32_t band = 0; band < self->n_bands; ++band) {
      self->band_weight[band] /= sum;
      for (uint32_t hop = 0; hop < RISE_HOPS; ++hop) {
         self->band_db[hop][band] = 10.0 * log10(FLOOR_POWER);
      }
   }
   return self;
}

void bm_onset_meter_free(BmOnsetMeter* self)
{
   if (self) {
      bm_spectrum_meter_free(self->spectrum);
      free(self->step_energy);
      free(self->step_count);
      free(self);
   }
}

void bm_onset_meter_add(BmOnsetMeter* self, const float* interleaved, uint32_t n_frames)
{
   uint32_t n_done = 0;
   while (n_done < n_frames) {
      const uint64_t step_end = (uint64_t)ceil((double)(self->n_steps + 1) * self->step_frames);
      const uint64_t left = step_end - self->n_frames;
      const uint32_t n = n_frames - n_done < left ? n_frames - n_done : (uint32_t)left;
      const float* const chunk = interleaved + (size_t)n_done * self->n_channels;
      const uint32_t slot = (uint32_t)(self->n_steps % N_STEPS);
      for (uint32_t i = 0; i < n * self->n_channels; ++i) {
         self->step_energy[slot] += (double)chunk[i] * (double)chunk[i];
      }
      self->step_count[slot] += n;
      bm_spectrum_meter_add(self->spectrum, chunk, n);
      self->n_frames += n;
      n_done += n;
      if (self->n_frames == step_end) {
         ++self->n_steps;
         const uint32_t next = (uint32_t)(self->n_steps % N_STEPS);
         self->step_energy[next] = 0.0;
         self->step_count[next] = 0;
         resolve_ripe(self);
      }
   }
}

void bm_onset_meter_finish(BmOnsetMeter* self)
{
   BmSpectrum unused;
   if (bm_spectrum_meter_finish(self->spectrum, &unused)) {
      bm_spectrum_free(&unused);
   }
   for (uint32_t hop = 0; hop < HOPS_AFTER; ++hop) {
      push_flux(self, 0.0, self->flux_time_s[N_FLUX - 1]);
   }
   /* By now the search may reach past the end; the sustain may not. */
   const double heard_s = (double)self->n_steps / STEPS_PER_S;
   for (uint32_t n = 0; n < self->n_candidates; ++n) {
      if (self->candidate_s[n] + SUSTAIN_TO_S + SEARCH_AFTER_S <= heard_s) {
         resolve(self, self->candidate_s[n]);
      }
   }
   self->n_candidates = 0;
}
