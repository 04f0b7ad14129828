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
#define TRANSFORM_PIECES 10 /* two steps more, and all is done before a hop's fewest steps, 14, are over */
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

enum { IDLE, TRANSFORM, POWERS, BANDS };

static size_t rounded(size_t bytes)
{
   return (bytes + 63) / 64 * 64;
}

static uint32_t transform_size(double sample_rate_hz)
{
   return 1U << (uint32_t)fmin(fmax(round(log2(TRANSFORM_S * sample_rate_hz)), 6.0), 24.0);
}

static size_t heard_bytes(uint32_t size)
{
   return (size + BM_FLOATS_STEP) * sizeof(float);
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

/* Mean square of the slope from each step on. */
static void slope_powers(const BmAttackToSustain* self, const StepSums* sums, double power[SUM_STEPS])
{
   for (int64_t i = 0; i < SUM_STEPS - SLOPE_STEPS; ++i) {
      const double energy = sums->energy[i + SLOPE_STEPS] - sums->energy[i];
      power[i] = energy / ((sums->n_frames[i + SLOPE_STEPS] - sums->n_frames[i]) * self->cfg.n_channels);
   }
}

/* Mean square from step `first` to before `last`, all of which are kept. */
static double step_power(const BmAttackToSustain* self, int64_t first, int64_t last)
{
   double energy[4] = {0.0}; /* so that none waits for another */
   uint64_t n_frames = 0;
   for (int64_t step = first; step < last; ++step) {
      const uint64_t slot = (uint64_t)step % BM_ATTACK_STEPS;
      energy[slot % 4] += self->mem.step_energy[slot];
      n_frames += self->mem.step_count[slot];
   }
   const double sum = (energy[0] + energy[1]) + (energy[2] + energy[3]);
   return n_frames > 0 ? sum / ((double)n_frames * self->cfg.n_channels) : 0.0;
}

/* Settle the instant near `time_s`, and count it with its two powers. */
static void settle(BmAttackToSustain* self, double time_s)
{
   const int64_t first = (int64_t)((time_s - SEARCH_BEFORE_S) * STEPS_PER_S);
   StepSums sums;
   add_up_steps(self, first - SLOPE_STEPS, &sums);
   double before[SUM_STEPS]; /* of the slope that ends where the one after begins */
   slope_powers(self, &sums, before);
   const double* after = before + SLOPE_STEPS;
   double highest = 0.0;
   for (uint32_t i = 0; i < SEARCH_STEPS; ++i) {
      highest = after[i] > highest ? after[i] : highest;
   }
   const double quiet = 1e-3 * highest + 1e-15;
   double steepest = 0.0;
   int64_t onset = first;
   for (uint32_t i = 0; i < SEARCH_STEPS; ++i) {
      const double rise = (after[i] + quiet) / (before[i] + quiet);
      if (rise > steepest) {
         steepest = rise;
         onset = first + i;
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

/* Whether `value` stands over the median of all by the threshold: over more than half of them, that is. */
static bool is_over_median(const BmAttackToSustain* self, double value)
{
   uint32_t n_under = 0;
   for (uint32_t hop = 0; hop < BM_ATTACK_FLUX_HOPS; ++hop) {
      n_under += self->mem.flux_db[hop] + THRESHOLD_DB < value;
   }
   return n_under > BM_ATTACK_FLUX_HOPS / 2;
}

static void pick_peak(BmAttackToSustain* self)
{
   const double centre = self->mem.flux_db[HOPS_BEFORE];
   for (uint32_t hop = HOPS_BEFORE - PEAK_HOPS; hop <= HOPS_BEFORE + PEAK_HOPS; ++hop) {
      if (self->mem.flux_db[hop] > centre || (self->mem.flux_db[hop] == centre && hop < HOPS_BEFORE)) {
         return;
      }
   }
   if (is_over_median(self, centre) && self->mem.n_waiting < BM_ATTACK_WAITING_MAX) {
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
   double loudest = self->mem.loudest_power;
   for (uint32_t band = 0; band < self->cfg.n_bands; ++band) {
      loudest = (double)band_power[band] > loudest ? (double)band_power[band] : loudest;
   }
   self->mem.loudest_power = loudest;
   band_levels(band_power, (float)fmax(FLOOR_POWER, FLOOR_UNDER_LOUDEST * loudest));
   double flux_db = 0.0;
   for (uint32_t band = 0; band < self->cfg.n_bands; ++band) {
      const double level_db = (double)band_power[band];
      const double rise_db = level_db - self->mem.band_db[1][band];
      flux_db += self->cfg.band_weight[band] * (rise_db > 0.0 ? rise_db : 0.0);
      self->mem.band_db[1][band] = self->mem.band_db[0][band];
      self->mem.band_db[0][band] = level_db;
   }
   memmove(self->mem.flux_db, self->mem.flux_db + 1, (BM_ATTACK_FLUX_HOPS - 1) * sizeof(double));
   memmove(self->mem.flux_time_s, self->mem.flux_time_s + 1, (BM_ATTACK_FLUX_HOPS - 1) * sizeof(double));
   self->mem.flux_db[BM_ATTACK_FLUX_HOPS - 1] = flux_db;
   self->mem.flux_time_s[BM_ATTACK_FLUX_HOPS - 1] = self->mem.transform_time_s;
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

/* Of bin and mirror together, in order, over the imaginary parts, which are done with. */
BM_CLONES static void gather_bins(BmAttackToSustain* self, uint32_t first, uint32_t end)
{
   for (uint32_t k = first; k < end; k += BM_FLOATS_STEP) {
      BmFloats power;
      for (uint32_t lane = 0; lane < BM_FLOATS_STEP; ++lane) {
         power[lane] = self->re[self->place[0][k + lane]] + self->re[self->place[1][k + lane]];
      }
      *(BmFloats*)(self->im + k) = power;
   }
}

/* Sums between the bands' edges; by eight lanes, so that none waits for another. */
BM_CLONES static void add_up_bands(const float* power, const uint32_t* edge, uint32_t n_bands, float* sums)
{
   for (uint32_t band = 0; band < n_bands; ++band) {
      BmFloats lanes = {0.0f};
      uint32_t k = edge[band];
      for (; k + BM_FLOATS_STEP <= edge[band + 1]; k += BM_FLOATS_STEP) {
         lanes += *(const BmFloats*)(power + k);
      }
      float sum = 0.0f;
      for (; k < edge[band + 1]; ++k) {
         sum += power[k];
      }
      sums[band] = ((lanes[0] + lanes[1]) + (lanes[2] + lanes[3])) +
                   ((lanes[4] + lanes[5]) + (lanes[6] + lanes[7])) + sum;
   }
}

static void finish_bands(BmAttackToSustain* self)
{
   const uint32_t size = self->cfg.size_frames;
   const uint32_t* edge = self->cfg.band_edge;
   gather_bins(self, edge[0] / BM_FLOATS_STEP * BM_FLOATS_STEP, edge[self->cfg.n_bands]);
   float band_power[BM_ATTACK_BANDS_MAX] = {0.0f};
   add_up_bands(self->im, edge, self->cfg.n_bands, band_power);
   /* Parseval; 3/8 is the mean square of the window, and half the sum of a bin and its mirror is both
    * channels'. */
   const double scale = 1.0 / ((double)size * size * 0.375 * self->cfg.n_channels);
   for (uint32_t band = 0; band < self->cfg.n_bands; ++band) {
      band_power[band] = (float)(scale * (double)band_power[band]);
   }
   hear_bands(self, band_power);
}

/* A piece of what the last hop left to be done. */
static void work(BmAttackToSustain* self)
{
   switch (self->mem.stage) {
   case TRANSFORM:
      if (bm_fft_work(self->fft_table, self->cfg.size_frames, &self->mem.transform, self->cfg.piece_steps,
                      self->re, self->im)) {
         self->mem.stage = POWERS;
      }
      break;
   case POWERS:
      square_bins(self);
      self->mem.stage = BANDS;
      break;
   case BANDS:
      finish_bands(self);
      self->mem.stage = IDLE;
      break;
   default:
      break;
   }
}

static void finish_hop(BmAttackToSustain* self)
{
   const uint32_t size = self->cfg.size_frames;
   const uint32_t hop = self->cfg.hop_frames;
   lay_window(self);
   self->mem.transform = (BmFftProgress){0};
   self->mem.stage = TRANSFORM;
   self->mem.transform_time_s = ((double)self->mem.n_frames - 0.5 * size) / self->cfg.rate_hz;
   memmove(self->heard[0], self->heard[0] + hop, (size - hop) * sizeof(float));
   memmove(self->heard[1], self->heard[1] + hop, (size - hop) * sizeof(float));
   self->mem.pending_frames = 0;
}

/* Where the next frame is to be laid; those before it are the newest. */
static uint32_t heard_end(const BmAttackToSustain* self)
{
   return self->cfg.size_frames - self->cfg.hop_frames + self->mem.pending_frames;
}

/* Of n_frames and up to seven more, which do not count. */
BM_CLONES static double energy_of(const float* left, const float* right, uint32_t n_frames)
{
   const BmFloatsBits lane = {0, 1, 2, 3, 4, 5, 6, 7};
   BmFloats sum = {0.0f};
   for (uint32_t i = 0; i < n_frames; i += BM_FLOATS_STEP) {
      const BmFloats l = *(const BmFloats*)(left + i);
      const BmFloats r = *(const BmFloats*)(right + i);
      const BmFloatsBits counts = lane < (int32_t)(n_frames - i);
      sum += (BmFloats)(counts & (BmFloatsBits)(l * l + r * r));
   }
   return (double)(((sum[0] + sum[1]) + (sum[2] + sum[3])) + ((sum[4] + sum[5]) + (sum[6] + sum[7])));
}

static void finish_step(BmAttackToSustain* self)
{
   const uint64_t slot = self->mem.n_steps % BM_ATTACK_STEPS;
   const uint32_t n_frames = (uint32_t)(self->mem.step_end - self->mem.step_begin);
   const uint32_t first = heard_end(self) - (uint32_t)(self->mem.n_frames - self->mem.step_begin);
   self->mem.step_energy[slot] = energy_of(self->heard[0] + first, self->heard[1] + first, n_frames);
   self->mem.step_count[slot] = n_frames;
   ++self->mem.n_steps;
   self->mem.step_begin = self->mem.step_end;
   self->mem.step_end = (uint64_t)ceil((double)(self->mem.n_steps + 1) * self->cfg.step_frames);
   work(self);
   settle_ripe(self);
}

size_t bm_attack_to_sustain_bytes(double sample_rate_hz)
{
   const uint32_t size = transform_size(sample_rate_hz);
   return rounded(BM_FFT_TABLE_FLOATS(size) * sizeof(float)) + 2 * rounded(size / 2 * sizeof(uint32_t)) +
          3 * rounded(size * sizeof(float)) + 2 * rounded(heard_bytes(size));
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
   self->cfg.piece_steps = (bm_fft_steps(size) + TRANSFORM_PIECES - 1) / TRANSFORM_PIECES;
   char* at = memory;
   self->fft_table = take(&at, BM_FFT_TABLE_FLOATS(size) * sizeof(float));
   self->place[0] = take(&at, size / 2 * sizeof(uint32_t));
   self->place[1] = take(&at, size / 2 * sizeof(uint32_t));
   self->window = take(&at, size * sizeof(float));
   self->heard[0] = take(&at, heard_bytes(size));
   self->heard[1] = take(&at, heard_bytes(size));
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
   memset(self->heard[0], 0, heard_bytes(self->cfg.size_frames));
   memset(self->heard[1], 0, heard_bytes(self->cfg.size_frames));
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

BM_CLONES static void hear(BmAttackToSustain* self, const BmFrame* in, uint32_t n_frames)
{
   float* left = self->heard[0] + heard_end(self);
   float* right = self->heard[1] + heard_end(self);
   const float is_pair = self->cfg.n_channels == 2 ? 1.0f : 0.0f;
   for (uint32_t n = 0; n < n_frames; ++n) {
      left[n] = (float)in[n][0];
      right[n] = is_pair * (float)in[n][1];
   }
   self->mem.n_frames += n_frames;
   self->mem.pending_frames += n_frames;
}

void bm_attack_to_sustain_process(BmAttackToSustain* self, const BmFrame* in, uint32_t n_frames)
{
   while (n_frames > 0) {
      const uint32_t n = smaller(n_frames, self->cfg.hop_frames - self->mem.pending_frames);
      hear(self, in, n);
      while (self->mem.step_end <= self->mem.n_frames) {
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
