/* SPDX-License-Identifier: ISC */
#include "analysis/attack_to_sustain.h"

#include "base/clones.h"
#include "base/fft.h"
#include "base/floats.h"

#include <math.h>
#include <string.h>

#define PI 3.14159265358979323846

#define TRANSFORM_S 0.02
#define OVERLAP 4
#define LOWEST_BAND_HZ 90.0
#define HIGHEST_BAND_HZ 16000.0
#define FLOOR_POWER 1e-9 /* -90 dBFS */
#define FLOOR_UNDER_LOUDEST 1e-6

/* Peak picking: see the source in the header, section IV. */
#define HOPS_BEFORE 20
#define PEAK_HOPS 6
#define THRESHOLD_DB 2.5
#define MIN_GAP_S 0.04

#define STEPS_PER_S 4000.0
#define SEARCH_BEFORE_S 0.010
#define SEARCH_AFTER_S 0.020
#define MIN_RISE 1.41
#define ATTACK_S 0.010
#define SUSTAIN_FROM_S 0.050
#define SUSTAIN_TO_S 0.250

static size_t rounded(size_t bytes)
{
   return (bytes + 63) / 64 * 64;
}

static uint32_t transform_size(double sample_rate_hz)
{
   return 1U << (uint32_t)fmin(fmax(round(log2(TRANSFORM_S * sample_rate_hz)), 6.0), 24.0);
}

/* Where an onset is looked for, and how far the sums around it reach. */
#define SLOPE_STEPS 20   /* 5 ms */
#define SEARCH_STEPS 120 /* SEARCH_BEFORE_S + SEARCH_AFTER_S */
#define SUM_STEPS (SEARCH_STEPS + 2 * SLOPE_STEPS)

/* Energy and frames before each step of a stretch, so that any mean square in it is one difference. */
typedef struct {
   int64_t first;
   double energy[SUM_STEPS + 1];
   double n_frames[SUM_STEPS + 1];
} StepSums;

static double step_energy(const BmAttackToSustain* self, int64_t step, double* n_frames)
{
   const uint64_t slot = (uint64_t)step % BM_ATTACK_STEPS;
   const int is_heard = step >= 0 && (uint64_t)step < self->mem.n_steps; /* silence before the stream */
   *n_frames = is_heard ? self->mem.step_count[slot] : self->cfg.step_frames;
   return is_heard ? self->mem.step_energy[slot] : 0.0;
}

static void add_up_steps(const BmAttackToSustain* self, int64_t first, StepSums* sums)
{
   sums->first = first;
   sums->energy[0] = 0.0;
   sums->n_frames[0] = 0.0;
   for (int64_t i = 0; i < SUM_STEPS; ++i) {
      double n_frames;
      sums->energy[i + 1] = sums->energy[i] + step_energy(self, first + i, &n_frames);
      sums->n_frames[i + 1] = sums->n_frames[i] + n_frames;
   }
}

/* Mean square of the slope from `step` on. */
static double slope_power(const BmAttackToSustain* self, const StepSums* sums, int64_t step)
{
   const int64_t i = step - sums->first;
   const double energy = sums->energy[i + SLOPE_STEPS] - sums->energy[i];
   return energy / ((sums->n_frames[i + SLOPE_STEPS] - sums->n_frames[i]) * self->cfg.n_channels);
}

/* Mean square from step `first` to before `last`. */
static double step_power(const BmAttackToSustain* self, int64_t first, int64_t last)
{
   double energy = 0.0;
   double n_frames = 0.0;
   for (int64_t step = first; step < last; ++step) {
      double n;
      energy += step_energy(self, step, &n);
      n_frames += n;
   }
   return n_frames > 0.0 ? energy / (n_frames * self->cfg.n_channels) : 0.0;
}

/* Settle the instant near `time_s`, and count it with its two powers. */
static void settle(BmAttackToSustain* self, double time_s)
{
   const int64_t first = (int64_t)((time_s - SEARCH_BEFORE_S) * STEPS_PER_S);
   const int64_t last = first + SEARCH_STEPS;
   StepSums sums;
   add_up_steps(self, first - SLOPE_STEPS, &sums);
   double highest = 0.0;
   for (int64_t step = first; step < last; ++step) {
      highest = fmax(highest, slope_power(self, &sums, step));
   }
   const double quiet = 1e-3 * highest + 1e-15;
   double steepest = 0.0;
   int64_t onset = first;
   for (int64_t step = first; step < last; ++step) {
      const double rise =
         (slope_power(self, &sums, step) + quiet) / (slope_power(self, &sums, step - SLOPE_STEPS) + quiet);
      if (rise > steepest) {
         steepest = rise;
         onset = step;
      }
   }
   const double onset_s = (double)onset / STEPS_PER_S;
   if (onset < 0 || steepest < MIN_RISE || onset_s < self->mem.last_onset_s + MIN_GAP_S) {
      return;
   }
   self->mem.last_onset_s = onset_s;
   const double attack = step_power(self, onset, onset + (int64_t)(ATTACK_S * STEPS_PER_S));
   const double sustain = step_power(self, onset + (int64_t)(SUSTAIN_FROM_S * STEPS_PER_S),
                                     onset + (int64_t)(SUSTAIN_TO_S * STEPS_PER_S));
   if (attack > 0.0 && sustain > 0.0) {
      self->mem.sum_db += 10.0 * log10(attack / sustain);
      ++self->mem.n_onsets;
   }
}

static void settle_ripe(BmAttackToSustain* self)
{
   const double heard_s = (double)self->mem.n_steps / STEPS_PER_S;
   if (self->mem.n_waiting > 0 && self->mem.waiting_s[0] + SEARCH_AFTER_S + SUSTAIN_TO_S <= heard_s) {
      settle(self, self->mem.waiting_s[0]);
      --self->mem.n_waiting;
      memmove(self->mem.waiting_s, self->mem.waiting_s + 1, self->mem.n_waiting * sizeof(double));
   }
}

static double median(const double* values)
{
   double sorted[BM_ATTACK_FLUX_HOPS];
   for (uint32_t i = 0; i < BM_ATTACK_FLUX_HOPS; ++i) {
      uint32_t place = i;
      for (; place > 0 && sorted[place - 1] > values[i]; --place) {
         sorted[place] = sorted[place - 1];
      }
      sorted[place] = values[i];
   }
   return sorted[BM_ATTACK_FLUX_HOPS / 2];
}

static void pick_peak(BmAttackToSustain* self)
{
   const double centre = self->mem.flux_db[HOPS_BEFORE];
   for (uint32_t hop = HOPS_BEFORE - PEAK_HOPS; hop <= HOPS_BEFORE + PEAK_HOPS; ++hop) {
      if (self->mem.flux_db[hop] > centre || (self->mem.flux_db[hop] == centre && hop < HOPS_BEFORE)) {
         return;
      }
   }
   if (centre > median(self->mem.flux_db) + THRESHOLD_DB && self->mem.n_waiting < BM_ATTACK_WAITING_MAX) {
      self->mem.waiting_s[self->mem.n_waiting++] = self->mem.flux_time_s[HOPS_BEFORE];
   }
}

/* Levels of all bands; those that are none read the floor. */
static void band_levels(float band_power[BM_ATTACK_BANDS_MAX], float floor_power)
{
   for (uint32_t band = 0; band < BM_ATTACK_BANDS_MAX; band += BM_FLOATS_STEP) {
      BmFloats* level = (BmFloats*)(band_power + band);
      const BmFloats power = *level + floor_power;
      bm_floats_log2(&power, level);
      *level *= 3.01029996f;
   }
}

static void hear_bands(BmAttackToSustain* self, float band_power[BM_ATTACK_BANDS_MAX])
{
   for (uint32_t band = 0; band < self->cfg.n_bands; ++band) {
      self->mem.loudest_power = fmax(self->mem.loudest_power, (double)band_power[band]);
   }
   band_levels(band_power, (float)fmax(FLOOR_POWER, FLOOR_UNDER_LOUDEST * self->mem.loudest_power));
   double flux_db = 0.0;
   for (uint32_t band = 0; band < self->cfg.n_bands; ++band) {
      const double level_db = (double)band_power[band];
      flux_db += self->cfg.band_weight[band] * fmax(0.0, level_db - self->mem.band_db[1][band]);
      self->mem.band_db[1][band] = self->mem.band_db[0][band];
      self->mem.band_db[0][band] = level_db;
   }
   memmove(self->mem.flux_db, self->mem.flux_db + 1, (BM_ATTACK_FLUX_HOPS - 1) * sizeof(double));
   memmove(self->mem.flux_time_s, self->mem.flux_time_s + 1, (BM_ATTACK_FLUX_HOPS - 1) * sizeof(double));
   self->mem.flux_db[BM_ATTACK_FLUX_HOPS - 1] = flux_db;
   self->mem.flux_time_s[BM_ATTACK_FLUX_HOPS - 1] =
      ((double)self->mem.n_frames - 0.5 * self->cfg.size_frames) / self->cfg.rate_hz;
   pick_peak(self);
}

/* Left as the real part, right as the imaginary. */
BM_CLONES static void lay_window(BmAttackToSustain* self)
{
   for (uint32_t n = 0; n < self->cfg.size_frames; n += BM_FLOATS_STEP) {
      const BmFloats window = *(const BmFloats*)(self->window + n);
      *(BmFloats*)(self->re + n) = *(const BmFloats*)(self->heard[0] + n) * window;
      *(BmFloats*)(self->im + n) = *(const BmFloats*)(self->heard[1] + n) * window;
   }
}

/* Powers of all bins where they lie, over the real parts. */
BM_CLONES static void square_bins(BmAttackToSustain* self)
{
   for (uint32_t n = 0; n < self->cfg.size_frames; n += BM_FLOATS_STEP) {
      const BmFloats re = *(const BmFloats*)(self->re + n);
      const BmFloats im = *(const BmFloats*)(self->im + n);
      *(BmFloats*)(self->re + n) = re * re + im * im;
   }
}

static void finish_hop(BmAttackToSustain* self)
{
   const uint32_t size = self->cfg.size_frames;
   const uint32_t hop = self->cfg.hop_frames;
   lay_window(self);
   BmFftProgress progress = {0};
   bm_fft_work(self->fft_table, size, &progress, bm_fft_steps(size), self->re, self->im);
   square_bins(self);
   float band_power[BM_ATTACK_BANDS_MAX] = {0.0f};
   /* Parseval; 3/8 is the mean square of the window, and half the sum of a bin and its mirror is both
    * channels'. */
   const double scale = 1.0 / ((double)size * size * 0.375 * self->cfg.n_channels);
   for (uint32_t band = 0; band < self->cfg.n_bands; ++band) {
      float sum = 0.0f;
      for (uint32_t k = self->cfg.band_edge[band]; k < self->cfg.band_edge[band + 1]; ++k) {
         sum += self->re[self->place[0][k]] + self->re[self->place[1][k]];
      }
      band_power[band] = (float)(scale * (double)sum);
   }
   memmove(self->heard[0], self->heard[0] + hop, (size - hop) * sizeof(float));
   memmove(self->heard[1], self->heard[1] + hop, (size - hop) * sizeof(float));
   self->mem.pending_frames = 0;
   hear_bands(self, band_power);
}

static void finish_step(BmAttackToSustain* self)
{
   ++self->mem.n_steps;
   const uint64_t next = self->mem.n_steps % BM_ATTACK_STEPS;
   self->mem.step_energy[next] = 0.0;
   self->mem.step_count[next] = 0;
   self->mem.step_end = (uint64_t)ceil((double)(self->mem.n_steps + 1) * self->cfg.step_frames);
   settle_ripe(self);
}

size_t bm_attack_to_sustain_bytes(double sample_rate_hz)
{
   const uint32_t size = transform_size(sample_rate_hz);
   return rounded(BM_FFT_TABLE_FLOATS(size) * sizeof(float)) + 2 * rounded(size / 2 * sizeof(uint32_t)) +
          5 * rounded(size * sizeof(float));
}

static void* take(char** at, size_t bytes)
{
   void* taken = *at;
   *at += rounded(bytes);
   return taken;
}

BmStatus bm_attack_to_sustain_init(BmAttackToSustain* self, void* memory, double sample_rate_hz,
                                   uint32_t n_channels)
{
   const BmStatus status = bm_check_rate(sample_rate_hz);
   if (status != BM_OK) {
      return status;
   }
   if (!memory || n_channels < 1 || n_channels > 2) {
      return BM_BAD_ARGUMENT;
   }
   const uint32_t size = transform_size(sample_rate_hz);
   self->cfg.rate_hz = sample_rate_hz;
   self->cfg.n_channels = n_channels;
   self->cfg.size_frames = size;
   self->cfg.hop_frames = size / OVERLAP;
   self->cfg.step_frames = sample_rate_hz / STEPS_PER_S;
   char* at = memory;
   self->fft_table = take(&at, BM_FFT_TABLE_FLOATS(size) * sizeof(float));
   self->place[0] = take(&at, size / 2 * sizeof(uint32_t));
   self->place[1] = take(&at, size / 2 * sizeof(uint32_t));
   self->window = take(&at, size * sizeof(float));
   self->heard[0] = take(&at, size * sizeof(float));
   self->heard[1] = take(&at, size * sizeof(float));
   self->re = take(&at, size * sizeof(float));
   self->im = take(&at, size * sizeof(float));
   bm_fft_init(self->fft_table, size);
   for (uint32_t k = 0; k < size / 2; ++k) {
      self->place[0][k] = bm_fft_place(size, k);
      self->place[1][k] = bm_fft_place(size, (size - k) % size);
   }
   for (uint32_t n = 0; n < size; ++n) {
      self->window[n] = (float)(0.5 - 0.5 * cos(2.0 * PI * n / size));
   }
   /* Third octaves, each at least one bin. A band of few bins flutters: it counts by the root of its bins. */
   const double bin_hz = sample_rate_hz / size;
   double edge_hz = LOWEST_BAND_HZ;
   double sum = 0.0;
   self->cfg.n_bands = 0;
   self->cfg.band_edge[0] = (uint32_t)fmax(1.0, round(edge_hz / bin_hz));
   while (self->cfg.n_bands < BM_ATTACK_BANDS_MAX && edge_hz < fmin(HIGHEST_BAND_HZ, 0.45 * sample_rate_hz)) {
      edge_hz *= cbrt(2.0);
      const uint32_t bin = (uint32_t)round(edge_hz / bin_hz);
      const uint32_t last = self->cfg.band_edge[self->cfg.n_bands];
      if (bin > last && bin < size / 2) {
         const double weight = sqrt(fmin(bin - last, 8.0));
         self->cfg.band_weight[self->cfg.n_bands] = weight;
         sum += weight;
         self->cfg.band_edge[++self->cfg.n_bands] = bin;
      }
   }
   for (uint32_t band = 0; band < self->cfg.n_bands; ++band) {
      self->cfg.band_weight[band] /= sum;
   }
   bm_attack_to_sustain_reset(self);
   return BM_OK;
}

void bm_attack_to_sustain_reset(BmAttackToSustain* self)
{
   memset(&self->mem, 0, sizeof self->mem);
   memset(self->heard[0], 0, self->cfg.size_frames * sizeof(float));
   memset(self->heard[1], 0, self->cfg.size_frames * sizeof(float));
   for (uint32_t band = 0; band < self->cfg.n_bands; ++band) {
      self->mem.band_db[0][band] = 10.0 * log10(FLOOR_POWER);
      self->mem.band_db[1][band] = 10.0 * log10(FLOOR_POWER);
   }
   self->mem.last_onset_s = -1.0;
   self->mem.step_end = (uint64_t)ceil(self->cfg.step_frames);
}

static uint32_t smaller(uint32_t a, uint32_t b)
{
   return a < b ? a : b;
}

static void hear(BmAttackToSustain* self, const BmFrame* in, uint32_t n_frames)
{
   const uint32_t at = self->cfg.size_frames - self->cfg.hop_frames + self->mem.pending_frames;
   const uint64_t slot = self->mem.n_steps % BM_ATTACK_STEPS;
   const BmFrame is_channel = {1.0, self->cfg.n_channels == 2 ? 1.0 : 0.0};
   float* left = self->heard[0] + at;
   float* right = self->heard[1] + at;
   double energy = self->mem.step_energy[slot];
   for (uint32_t n = 0; n < n_frames; ++n) {
      const BmFrame x = in[n] * is_channel;
      left[n] = (float)x[0];
      right[n] = (float)x[1];
      energy += x[0] * x[0] + x[1] * x[1];
   }
   self->mem.step_energy[slot] = energy;
   self->mem.step_count[slot] += n_frames;
   self->mem.n_frames += n_frames;
   self->mem.pending_frames += n_frames;
}

void bm_attack_to_sustain_process(BmAttackToSustain* self, const BmFrame* in, uint32_t n_frames)
{
   while (n_frames > 0) {
      const uint32_t until_step = (uint32_t)(self->mem.step_end - self->mem.n_frames);
      const uint32_t until_hop = self->cfg.hop_frames - self->mem.pending_frames;
      const uint32_t n = smaller(n_frames, smaller(until_step, until_hop));
      hear(self, in, n);
      if (self->mem.n_frames == self->mem.step_end) {
         finish_step(self);
      }
      if (self->mem.pending_frames == self->cfg.hop_frames) {
         finish_hop(self);
      }
      in += n;
      n_frames -= n;
   }
}

double bm_attack_to_sustain_db(const BmAttackToSustain* self)
{
   return self->mem.n_onsets > 0 ? self->mem.sum_db / self->mem.n_onsets : 0.0;
}

uint32_t bm_attack_to_sustain_onsets(const BmAttackToSustain* self)
{
   return self->mem.n_onsets;
}
