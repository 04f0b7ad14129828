/* SPDX-License-Identifier: ISC */
#include "analysis/lowest_note.h"

#include "base/clones.h"
#include "base/floats.h"

#include <math.h>
#include <string.h>

#define PI 3.14159265358979323846

/* At 4 kHz and at 44.1 / 11 just under half the transform, which then has less to do. */
#define WINDOW_S 0.2554
#define HOP_S 0.016
#define LOWEST_DECIMATED_HZ 4000.0
#define BAND_HZ 1480.0

/* Below these nothing is looked for: under full scale, and under the loudest of late (which fades). */
#define SILENCE_DB (-80.0)
#define UNDER_PROGRAMME_DB 45.0
#define PROGRAMME_FADE_DB_PER_S 4.0

/* Peaks, under the loudest of their spectrum. */
#define PEAK_FLOOR_DB 60.0
#define CANDIDATE_FLOOR_DB 46.0
#define KEPT_CANDIDATE_FLOOR_DB 50.0
#define LEAST_PROMINENCE_DB 2.0
#define N_SCORED_MOST 40
#define FAR_HZ 1e9

#define LOW_PASS_REJECT_DB 60.0
#define LOW_PASS_STEP 16

/* Costs in work units, eight butterflies being one; measured, rounded up. */
#define FLOATS_LOADED_PER_UNIT 32
#define UNITS_PER_LAST_STEP 2
#define UNITS_FOR_SQUARES 20
#define UNITS_PER_LEVELS 1
#define UNITS_PER_SCAN 4
#define UNITS_PER_TOP 1
#define UNITS_PER_SHADOWS 3
#define UNITS_PER_PEAK 5
#define UNITS_PER_KEPT 8 /* BM_FLOATS_STEP peaks */
#define UNITS_PER_PASSED_OVER 1
#define UNITS_PER_SCORE 48
#define UNITS_PER_LINE 2
#define UNITS_FOR_DECISION 16

/* The pace of the work, in units a hop: somewhat over what the last analysis took, so that one like it is
   done before the hop is over, and not too little. Where that would be late if every candidate had to be
   weighed, what finishes any. */
#define EVEN_SHARE 1.2
#define EVEN_UNITS_LEAST 2000
#define LATE_UNITS 3400
#define UNITS_BEFORE_CANDIDATES 1000
#define UNITS_MORE_THAN_ANY 100000
#define N_EXPECTED 6 /* candidates that must cost otherwise for that to be believed */

/* A tick, and a slice of the work: no longer than a short block of a host. */
#define TICK_SAMPLES_MOST 4
#define TICK_FRAMES_MOST 64
#define SLICE_FRAMES_MOST 32
#define SLICES_LEAST 16

#define N_PARTIALS 8

/* Analyses in a row that agree before a note counts; moving up from a note of long standing takes twice as
 * many. */
#define N_TO_CHANGE 3
#define N_TO_ESTABLISH 25

/* How near a reading must come for every other hop to be enough. */
#define STILL_CENTS 5.0

#define LEARN_RUN 25
#define LEARN_GAP 3
#define LEARN_MOST 250

enum { IDLE, LOAD, TRANSFORM, LEVELS, MAINS, SCAN, SIDE_LOBES, KEEP, CANDIDATES, DECISION };

/* Without the C library's care for NaN, which is none of ours. */
static double least(double a, double b)
{
   return a < b ? a : b;
}

static double most(double a, double b)
{
   return a > b ? a : b;
}

static double clamp(double x, double low, double high)
{
   return least(most(x, low), high);
}

static double cents(double hz, double reference_hz)
{
   return 1200.0 * log2(hz / reference_hz);
}

/* The same of what lies near, without a logarithm: within 0.01 % up to 50 cents. */
static double few_cents(double hz, double reference_hz)
{
   return 3462.4680981 * (hz - reference_hz) / (hz + reference_hz); /* 2400 / ln 2 */
}

/* ---- front end ---- */

/* Modified Bessel function of the first kind, order 0, by its power series. */
static double bessel_i0(double x)
{
   double sum = 1.0;
   double term = 1.0;
   for (double k = 1.0; term > 1e-12 * sum; k += 1.0) {
      term *= 0.25 * x * x / (k * k);
      sum += term;
   }
   return sum;
}

/* A low-pass before decimation, by Kaiser's window (Oppenheim & Schafer, Discrete-Time Signal Processing,
   section 7.5.3): what folds into the band is 60 dB down. */
static void design_low_pass(BmLowestNote* self)
{
   const double rate = self->cfg.sample_rate_hz;
   const double reject_hz = self->coef.decimated_hz - BAND_HZ;
   const double wanted = 1.0 + (LOW_PASS_REJECT_DB - 8.0) / (2.285 * 2.0 * PI * (reject_hz - BAND_HZ) / rate);
   const uint32_t n = ((uint32_t)wanted / LOW_PASS_STEP + 1) * LOW_PASS_STEP;
   const double beta = 0.1102 * (LOW_PASS_REJECT_DB - 8.7);
   const double edge = (reject_hz + BAND_HZ) / rate; /* of Nyquist */
   double taps[BM_LOWEST_NOTE_LOW_PASS_MAX];
   double sum = 0.0;
   for (uint32_t i = 0; i < n; ++i) {
      const double t = i - 0.5 * (n - 1);
      const double u = 2.0 * t / n;
      taps[i] =
         bessel_i0(beta * sqrt(1.0 - u * u)) * sin(PI * edge * t) / (PI * t); /* n is even: t is not 0 */
      sum += taps[i];
   }
   self->coef.n_low_pass = n;
   for (uint32_t i = 0; i < n; ++i) {
      self->coef.low_pass[2 * i] = (float)(taps[i] / sum);
      self->coef.low_pass[2 * i + 1] = (float)(taps[i] / sum);
   }
}

BM_CLONES static void hear(BmLowestNote* self, const BmFrame* in, uint32_t n_frames)
{
   float* to = self->mem.heard + 2 * self->mem.heard_end;
   for (uint32_t i = 0; i < n_frames; ++i) {
      to[2 * i] = (float)in[i][0];
      to[2 * i + 1] = (float)in[i][1];
   }
   self->mem.heard_end += n_frames;
}

/* How many frames there is room for, up to the end of a slice; at least of this one. */
static uint32_t frames_to_hear(const BmLowestNote* self)
{
   const uint32_t until_slice = self->mem.until_slice_frames;
   const uint32_t after_slice = BM_LOWEST_NOTE_HEARD_FRAMES - self->mem.heard_end - until_slice;
   return until_slice + after_slice / self->coef.slice_frames * self->coef.slice_frames;
}

/* For the next slice, between slices, so that what lies where does not depend on blocks. */
static void make_room(BmLowestNote* self)
{
   const bool is_between = self->mem.until_slice_frames == self->coef.slice_frames;
   if (is_between && self->mem.heard_end + self->coef.slice_frames > BM_LOWEST_NOTE_HEARD_FRAMES) {
      const uint32_t since_tick = self->coef.tick_frames - self->mem.until_tick_frames;
      const uint32_t n_kept = self->coef.n_low_pass + since_tick;
      memmove(self->mem.heard, self->mem.heard + 2 * (self->mem.heard_end - n_kept),
              2 * n_kept * sizeof(float));
      self->mem.heard_end = n_kept;
   }
}

/* Two sums for each of four samples, or four for fewer, so that none waits for another. */
BM_INLINE void low_pass_samples(const BmLowestNote* self, const uint32_t n_samples, const uint32_t n_sums,
                                uint32_t end, float* left, float* right)
{
   const uint32_t n = 2 * self->coef.n_low_pass;
   const uint32_t step = 2 * self->coef.decimation;
   const float* taps = self->coef.low_pass;
   const float* x = self->mem.heard + 2 * end - n - (n_samples - 1) * step;
   BmFloats sums[TICK_SAMPLES_MOST][4] = {{{0.0f}}};
   for (uint32_t i = 0; i < n; i += n_sums * BM_FLOATS_STEP) {
      for (uint32_t s = 0; s < n_sums; ++s) {
         const uint32_t at = i + s * BM_FLOATS_STEP;
         const BmFloats tap = *(const BmFloats*)(taps + at);
         for (uint32_t k = 0; k < n_samples; ++k) {
            sums[k][s] += tap * *(const BmFloats*)(x + at + k * step);
         }
      }
   }
   for (uint32_t k = 0; k < n_samples; ++k) {
      const BmFloats sum = (sums[k][0] + sums[k][1]) + (sums[k][2] + sums[k][3]);
      left[k] = (sum[0] + sum[2]) + (sum[4] + sum[6]);
      right[k] = (sum[1] + sum[3]) + (sum[5] + sum[7]);
   }
}

/* The low-passed samples of a tick, which ends `end` frames into what was heard. */
BM_CLONES static void low_pass(const BmLowestNote* self, uint32_t end, float* left, float* right)
{
   switch (self->coef.tick_samples) {
   case 1:
      low_pass_samples(self, 1, 4, end, left, right);
      break;
   case 2:
      low_pass_samples(self, 2, 4, end, left, right);
      break;
   default:
      low_pass_samples(self, TICK_SAMPLES_MOST, 2, end, left, right);
      break;
   }
}

/* ---- spectrum: left is the real part of the input, right the imaginary ---- */

BM_CLONES static void lay_window(BmLowestNote* self, uint32_t first, uint32_t end)
{
   const uint32_t oldest = (self->mem.job.newest - self->coef.window_samples) % BM_LOWEST_NOTE_FFT;
   const float* left = self->mem.ring[0] + oldest;
   const float* right = self->mem.ring[1] + oldest;
   for (uint32_t i = first; i < end; i += BM_FLOATS_STEP) {
      const BmFloats window = *(const BmFloats*)(self->coef.window + i);
      *(BmFloats*)(self->mem.re + i) = *(const BmFloats*)(left + i) * window;
      *(BmFloats*)(self->mem.im + i) = *(const BmFloats*)(right + i) * window;
   }
}

static uint32_t smaller(uint32_t a, uint32_t b)
{
   return a < b ? a : b;
}

static uint32_t load(BmLowestNote* self, uint32_t units)
{
   BmLowestNoteJob* job = &self->mem.job;
   const uint32_t wanted = units * FLOATS_LOADED_PER_UNIT;
   const uint32_t end = smaller(job->position + wanted, self->coef.load_samples);
   const uint32_t spent = (end - job->position) / FLOATS_LOADED_PER_UNIT;
   lay_window(self, job->position, end);
   job->position = end;
   if (job->position == self->coef.load_samples) {
      job->stage = TRANSFORM;
      job->transform = (BmFftProgress){.is_half = self->coef.load_samples == BM_LOWEST_NOTE_FFT / 2};
   }
   return spent;
}

/* The power of every bin where it lies, over its real part. */
BM_CLONES static void square_bins(BmLowestNote* self)
{
   for (uint32_t i = 0; i < BM_LOWEST_NOTE_FFT; i += BM_FLOATS_STEP) {
      const BmFloats re = *(const BmFloats*)(self->mem.re + i);
      const BmFloats im = *(const BmFloats*)(self->mem.im + i);
      *(BmFloats*)(self->mem.re + i) = re * re + im * im;
   }
}

static uint32_t transform(BmLowestNote* self, uint32_t units)
{
   BmLowestNoteJob* job = &self->mem.job;
   const bool is_last = bm_fft_is_in_last_pass(BM_LOWEST_NOTE_FFT, &job->transform);
   const uint32_t step_units = is_last ? UNITS_PER_LAST_STEP : 1;
   const uint32_t n_steps = (units + step_units - 1) / step_units;
   const uint32_t spent = n_steps * step_units;
   if (bm_fft_work(self->coef.fft_table, BM_LOWEST_NOTE_FFT, &job->transform, n_steps, self->mem.re,
                   self->mem.im)) {
      square_bins(self);
      job->stage = LEVELS;
      job->position = 0;
      job->first_bin = (uint32_t)(0.94 * self->cfg.params.lowest_hz * self->coef.bins_per_hz);
      self->mem.newest_spectrum = (self->mem.newest_spectrum + 1) % BM_LOWEST_NOTE_SPECTRA;
      return spent + UNITS_FOR_SQUARES;
   }
   return spent;
}

/* The spectrum `ago` analyses before the newest. */
static const float* spectrum(const BmLowestNote* self, uint32_t ago)
{
   const uint32_t n = BM_LOWEST_NOTE_SPECTRA;
   return self->mem.level_db[(self->mem.newest_spectrum + n - ago) % n] + BM_LOWEST_NOTE_MARGIN;
}

/* The spectrum of 32 ms ago, or, just after a hop was left out, of 48 ms. */
static const float* past_spectrum(const BmLowestNote* self)
{
   return spectrum(self, self->mem.job.n_hops == 1 ? 2 : 1);
}

/* The share of a change since past_spectrum() that falls to 32 ms. */
static double past_share(const BmLowestNote* self)
{
   const BmLowestNoteJob* job = &self->mem.job;
   return job->n_hops == 1 ? 2.0 / (1.0 + job->n_hops_before) : 1.0;
}

static double level_at(const float* level_db, double bin)
{
   const uint32_t k = (uint32_t)bin;
   const double share = bin - k;
   return (1.0 - share) * (double)level_db[k] + share * (double)level_db[k + 1];
}

/* Levels of the power of both lanes: bins k and N - k of the joint transform hold L + iR and its mirror. */
BM_CLONES static void take_levels(BmLowestNote* self, float* level_db, uint32_t first, uint32_t end)
{
   for (uint32_t i = first; i < end; i += BM_FLOATS_STEP) {
      BmFloats power;
      for (uint32_t lane = 0; lane < BM_FLOATS_STEP; ++lane) {
         power[lane] =
            self->mem.re[self->coef.place[0][i + lane]] + self->mem.re[self->coef.place[1][i + lane]];
      }
      power = 0.5f * power + 1e-20f;
      BmFloats log2_power;
      bm_floats_log2(&power, &log2_power);
      *(BmFloats*)(level_db + i) = 3.01029996f * log2_power;
   }
}

/* By eight lanes, then what is left over. The range is longer than eight. */
BM_CLONES static uint32_t loudest_bin(const float* level_db, uint32_t first, uint32_t last)
{
   BmFloats most_db = *(const BmFloats*)(level_db + first);
   uint32_t k = first + BM_FLOATS_STEP;
   for (; k + BM_FLOATS_STEP <= last + 1; k += BM_FLOATS_STEP) {
      const BmFloats next_db = *(const BmFloats*)(level_db + k);
      const BmFloatsBits is_more = next_db > most_db;
      most_db = (BmFloats)((is_more & (BmFloatsBits)next_db) | (~is_more & (BmFloatsBits)most_db));
   }
   float loudest_db = level_db[last];
   for (; k < last; ++k) {
      loudest_db = level_db[k] > loudest_db ? level_db[k] : loudest_db;
   }
   for (uint32_t lane = 0; lane < BM_FLOATS_STEP; ++lane) {
      loudest_db = most_db[lane] > loudest_db ? most_db[lane] : loudest_db;
   }
   for (k = first; level_db[k] < loudest_db;) {
      ++k;
   }
   return k;
}

static uint32_t levels(BmLowestNote* self, uint32_t units)
{
   BmLowestNoteJob* job = &self->mem.job;
   float* level_db = self->mem.level_db[self->mem.newest_spectrum] + BM_LOWEST_NOTE_MARGIN;
   const uint32_t n_runs = units / UNITS_PER_LEVELS + 1;
   const uint32_t end = smaller(job->position + n_runs * BM_FLOATS_STEP, BM_LOWEST_NOTE_BINS);
   const uint32_t spent = (end - job->position) / BM_FLOATS_STEP * UNITS_PER_LEVELS;
   take_levels(self, level_db, job->position, end);
   job->position = end;
   if (job->position == BM_LOWEST_NOTE_BINS) {
      for (int k = -BM_LOWEST_NOTE_MARGIN; k <= 0; ++k) {
         level_db[k] = level_db[1];
      }
      job->loudest_bin = loudest_bin(level_db, job->first_bin, self->coef.last_bin);
      job->stage = MAINS;
      job->position = 0;
   }
   return spent;
}

/* ---- mains hum ---- */

static double mains_hz(int system, int line)
{
   return (system == 0 ? 50.0 : 60.0) * (line + 1);
}

/* What a line of the mains carries: the least seen, rising slowly, and what stood still there for 0.25 s.
   Before anything is known, all that is heard on it. */
static void watch_mains(BmLowestNote* self, int system, int line)
{
   float* memory = self->mem.mains_level_db[system][line];
   const double bin = mains_hz(system, line) * self->coef.bins_per_hz;
   const float level = (float)level_at(spectrum(self, 0), bin);
   memory[self->mem.n_spectra % BM_LOWEST_NOTE_MAINS_MEMORY] = level;
   if (self->mem.n_spectra < BM_LOWEST_NOTE_MAINS_MEMORY) {
      return;
   }
   float low = level;
   float high = level;
   for (int i = 0; i < BM_LOWEST_NOTE_MAINS_MEMORY; ++i) {
      low = memory[i] < low ? memory[i] : low;
      high = memory[i] > high ? memory[i] : high;
   }
   double* hum = &self->mem.mains_hum_db[system][line];
   if ((double)level < *hum) {
      *hum = (double)level;
   } else if (high - low < 1.2f) {
      *hum += 0.2 * ((double)level - *hum);
   } else {
      *hum += self->mem.job.n_hops * HOP_S;
   }
}

/* Over all lines of the mains that are watched. */
#define HUM_END_HZ (60.0 * BM_LOWEST_NOTE_MAINS_LINES + 5.0)

/* A peak on a line of the mains that does not stand out from the hum there. Mains keeps within 0.5 % (EN
   50160); no note of equal temperament on A4 = 440 Hz lies so near to one of these lines. */
static bool is_hum(const BmLowestNote* self, double hz, double level_db)
{
   for (int system = 0; system < 2; ++system) {
      const int line = (int)(hz / mains_hz(system, 0) - 0.5); /* the nearest */
      if (line < BM_LOWEST_NOTE_MAINS_LINES) {
         const double off_hz = fabs(hz - mains_hz(system, line));
         if (off_hz < 0.3 + 0.25 * (line + 1) && level_db < self->mem.mains_hum_db[system][line] + 6.0) {
            return true;
         }
      }
   }
   return false;
}

static uint32_t mains(BmLowestNote* self, uint32_t units)
{
   BmLowestNoteJob* job = &self->mem.job;
   const uint32_t n_lines = 2 * BM_LOWEST_NOTE_MAINS_LINES;
   uint32_t spent = 0;
   for (; spent < units && job->position < n_lines; spent += UNITS_PER_LINE, ++job->position) {
      watch_mains(self, (int)(job->position % 2), (int)(job->position / 2));
   }
   if (job->position < n_lines) {
      return spent;
   }
   ++self->mem.n_spectra;
   const double loudest_db = (double)spectrum(self, 0)[job->loudest_bin];
   self->mem.loudest_db = loudest_db;
   const double past_db = (double)past_spectrum(self)[job->loudest_bin];
   self->mem.loudest_change_db = past_share(self) * (loudest_db - past_db);
   const double fade_db = job->n_hops * HOP_S * PROGRAMME_FADE_DB_PER_S;
   self->mem.programme_db = most(loudest_db, self->mem.programme_db - fade_db);
   const bool heard = loudest_db > SILENCE_DB && loudest_db > self->mem.programme_db - UNDER_PROGRAMME_DB;
   self->mem.n_peaks = 0;
   job->best_hz = 0.0;
   job->position = job->first_bin + 1;
   job->stage = heard ? SCAN : DECISION;
   return spent;
}

/* ---- peaks ---- */

/* The top of the parabola through three levels in dB: for a Hann window a good fit to the lobe's. */
static BmLowestNotePeak peak_at(const BmLowestNote* self, uint32_t k, double prominence_db)
{
   const float* level_db = spectrum(self, 0);
   const double left = (double)level_db[k - 1];
   const double top = (double)level_db[k];
   const double right = (double)level_db[k + 1];
   const double shift = 0.5 * (left - right) / (left - 2.0 * top + right);
   return (BmLowestNotePeak){
      .hz = (k + shift) * self->coef.bin_hz,
      .level_db = top - 0.25 * (left - right) * shift,
      .prominence_db = prominence_db,
   };
}

/* A run of bins between which the scan may stop. */
#define SCAN_BINS 32

/* The least of each bin from `first` on and the `reach` after it, for one run of bins and eight more. */
BM_INLINE void least_ahead(const float* first, uint32_t reach, float* least)
{
   for (uint32_t i = 0; i < SCAN_BINS + BM_FLOATS_STEP; i += BM_FLOATS_STEP) {
      BmFloats low = *(const BmFloats*)(first + i);
      for (uint32_t j = 1; j <= reach; ++j) {
         const BmFloats next = *(const BmFloats*)(first + i + j);
         const BmFloatsBits is_less = next < low;
         low = (BmFloats)((is_less & (BmFloatsBits)next) | (~is_less & (BmFloatsBits)low));
      }
      *(BmFloats*)(least + i) = low;
   }
}

BM_INLINE uint32_t any_lane(const BmFloatsBits* x)
{
   const BmFloatsBits fours = *x | __builtin_shufflevector(*x, *x, 4, 5, 6, 7, 0, 1, 2, 3);
   return (uint32_t)((fours[0] | fours[1]) | (fours[2] | fours[3]));
}

/* Which of a run of bins, a bit each, stand over both neighbours, over the floor and well over the higher of
   the valleys within a lobe's reach: by how much, goes to `prominence_db`. */
BM_CLONES static uint32_t find_tops(const float* level_db, uint32_t lobe_bins, float floor_db,
                                    float prominence_db[SCAN_BINS])
{
   float valley_db[SCAN_BINS + BM_FLOATS_STEP]; /* from lobe_bins before the run on */
   least_ahead(level_db - lobe_bins, lobe_bins, valley_db);
   BmFloatsBits tops = {0};
   BmFloatsBits bit = {1, 2, 4, 8, 16, 32, 64, 128};
   for (uint32_t i = 0; i < SCAN_BINS; i += BM_FLOATS_STEP) {
      const BmFloats level = *(const BmFloats*)(level_db + i);
      const BmFloats before = *(const BmFloats*)(level_db + i - 1);
      const BmFloats after = *(const BmFloats*)(level_db + i + 1);
      const BmFloats left = *(const BmFloats*)(valley_db + i);
      const BmFloats right = *(const BmFloats*)(valley_db + i + lobe_bins);
      const BmFloatsBits is_left = left > right;
      const BmFloats valley = (BmFloats)((is_left & (BmFloatsBits)left) | (~is_left & (BmFloatsBits)right));
      const BmFloats prominence = level - valley;
      *(BmFloats*)(prominence_db + i) = prominence;
      const BmFloatsBits is_top = (level > before) & (level >= after) & (level > floor_db) &
                                  (prominence >= (float)LEAST_PROMINENCE_DB);
      tops |= is_top & bit;
      bit <<= BM_FLOATS_STEP;
   }
   return any_lane(&tops);
}

static uint32_t scan(BmLowestNote* self, uint32_t units)
{
   BmLowestNoteJob* job = &self->mem.job;
   const float floor_db = (float)(self->mem.loudest_db - PEAK_FLOOR_DB);
   float* scanned_hz = self->mem.scanned_hz + BM_LOWEST_NOTE_MARGIN;
   float* scanned_db = self->mem.scanned_db + BM_LOWEST_NOTE_MARGIN;
   uint32_t spent = 0;
   while (spent < units && job->position < self->coef.last_bin) {
      float prominence_db[SCAN_BINS];
      const uint32_t first = job->position;
      const uint32_t n_left = self->coef.last_bin - first;
      uint32_t tops = find_tops(spectrum(self, 0) + first, self->coef.lobe_bins, floor_db, prominence_db);
      tops &= n_left < SCAN_BINS ? (1U << n_left) - 1 : UINT32_MAX;
      for (; tops && self->mem.n_peaks < BM_LOWEST_NOTE_PEAKS; tops &= tops - 1) {
         const uint32_t i = (uint32_t)__builtin_ctz(tops);
         const BmLowestNotePeak peak = peak_at(self, first + i, (double)prominence_db[i]);
         scanned_hz[self->mem.n_peaks] = (float)peak.hz;
         scanned_db[self->mem.n_peaks] = (float)peak.level_db;
         self->mem.peaks[self->mem.n_peaks++] = peak;
         spent += UNITS_PER_TOP;
      }
      spent += UNITS_PER_SCAN;
      job->position += SCAN_BINS;
   }
   if (job->position >= self->coef.last_bin) {
      for (uint32_t i = 0; i < BM_LOWEST_NOTE_MARGIN; ++i) {
         scanned_hz[self->mem.n_peaks + i] = (float)FAR_HZ;
      }
      job->stage = SIDE_LOBES;
      job->position = 0;
   }
   return spent;
}

/* The side lobes of a Hann window, as an envelope: -31.5 dB at 2.36 bins, then 18 dB an octave (Harris, Proc.
   IEEE 66, 1978), and 8 dB on top for a sound that changes within the window. */
#define SIDE_LOBE_DB (-31.5 + 8.0)
#define SIDE_LOBE_BINS 2.36
#define SIDE_LOBES_REACH_BINS 8.0

static bool is_side_lobe(const BmLowestNote* self, uint32_t i)
{
   const BmLowestNotePeak* peaks = self->mem.peaks;
   const double reach_hz = SIDE_LOBES_REACH_BINS * self->coef.window_bin_hz;
   const double first_hz = SIDE_LOBE_BINS * self->coef.window_bin_hz;
   for (int step = -1; step <= 1; step += 2) {
      for (uint32_t j = i + (uint32_t)step; j < self->mem.n_peaks; j += (uint32_t)step) {
         const double distance_hz = fabs(peaks[j].hz - peaks[i].hz);
         if (distance_hz > reach_hz) {
            break;
         }
         const double under_db = peaks[i].level_db - peaks[j].level_db;
         if (under_db < SIDE_LOBE_DB && /* few are, and spare a logarithm */
             under_db < SIDE_LOBE_DB - 60.0 * log10(most(1.0, distance_hz / first_hz))) {
            return true;
         }
      }
   }
   return false;
}

/* Which of eight peaks, a bit each, are near to one that is louder by enough for some side lobe. Tops stand
   two bins apart, so that a reach of eight bins of the window, sixteen of the transform, holds eight at most.
 */
BM_CLONES static uint32_t find_shadowed(const float* hz, const float* level_db, float reach_hz,
                                        float under_db)
{
   const BmFloats here_hz = *(const BmFloats*)hz;
   const BmFloats here_db = *(const BmFloats*)level_db;
   BmFloatsBits is_shadowed = {0};
   for (uint32_t o = 1; o <= BM_FLOATS_STEP; ++o) {
      const BmFloats above_hz = *(const BmFloats*)(hz + o) - here_hz;
      const BmFloats below_hz = here_hz - *(const BmFloats*)(hz - o);
      const BmFloats under_above_db = here_db - *(const BmFloats*)(level_db + o);
      const BmFloats under_below_db = here_db - *(const BmFloats*)(level_db - o);
      is_shadowed |= (above_hz < reach_hz) & (under_above_db < under_db);
      is_shadowed |= (below_hz < reach_hz) & (under_below_db < under_db);
   }
   is_shadowed &= (BmFloatsBits){1, 2, 4, 8, 16, 32, 64, 128};
   return any_lane(&is_shadowed);
}

static uint32_t side_lobes(BmLowestNote* self, uint32_t units)
{
   BmLowestNoteJob* job = &self->mem.job;
   BmLowestNotePeak* peaks = self->mem.peaks;
   const float reach_hz = (float)(1.001 * SIDE_LOBES_REACH_BINS * self->coef.window_bin_hz);
   const float under_db = (float)(SIDE_LOBE_DB + 0.001);
   uint32_t spent = 0;
   while (spent < units && job->position < self->mem.n_peaks) {
      const uint32_t first = job->position;
      const uint32_t end = smaller(first + BM_FLOATS_STEP, self->mem.n_peaks);
      uint32_t shadowed =
         find_shadowed(self->mem.scanned_hz + BM_LOWEST_NOTE_MARGIN + first,
                       self->mem.scanned_db + BM_LOWEST_NOTE_MARGIN + first, reach_hz, under_db);
      spent += UNITS_PER_SHADOWS;
      shadowed &= (1U << (end - first)) - 1;
      for (; shadowed; shadowed &= shadowed - 1, spent += UNITS_PER_PEAK) {
         const uint32_t i = first + (uint32_t)__builtin_ctz(shadowed);
         if (is_side_lobe(self, i)) {
            peaks[i].prominence_db = -1.0;
         }
      }
      for (uint32_t i = first; i < end && peaks[i].hz < HUM_END_HZ; ++i, spent += UNITS_PER_PEAK) {
         if (is_hum(self, peaks[i].hz, peaks[i].level_db)) {
            peaks[i].prominence_db = -1.0;
         }
      }
      job->position = end;
   }
   if (job->position < self->mem.n_peaks) {
      return spent;
   }
   self->mem.peak_hz[0] = -FAR_HZ;
   job->n_kept = 0;
   job->position = 0;
   job->first_bin_left = 0;
   job->stage = KEEP;
   return spent;
}

/* The next of those that stay, indexed so that it is found without a search. */
static void keep(BmLowestNote* self, const BmLowestNotePeak* peak)
{
   BmLowestNoteJob* job = &self->mem.job;
   const uint32_t end = (uint32_t)(peak->hz * self->coef.bins_per_hz) + 1;
   for (uint32_t from = job->first_bin_left; from < end; from += BM_LOWEST_NOTE_PEAK_RUN) { /* mostly once */
      memset(self->mem.first_peak + from, (int)job->n_kept, BM_LOWEST_NOTE_PEAK_RUN);
   }
   job->first_bin_left = end;
   self->mem.peaks[job->n_kept++] = *peak;
   self->mem.peak_hz[job->n_kept] = peak->hz;
}

/* With a peak before and one behind all that never are near. */
static uint32_t keep_peaks(BmLowestNote* self, uint32_t units)
{
   BmLowestNoteJob* job = &self->mem.job;
   uint32_t spent = 0;
   for (; spent < units && job->position < self->mem.n_peaks; spent += UNITS_PER_KEPT) {
      const uint32_t end = smaller(job->position + BM_FLOATS_STEP, self->mem.n_peaks);
      for (; job->position < end; ++job->position) {
         if (self->mem.peaks[job->position].prominence_db >= 0.0) {
            keep(self, &self->mem.peaks[job->position]);
         }
      }
   }
   if (job->position < self->mem.n_peaks) {
      return spent;
   }
   self->mem.n_peaks = job->n_kept;
   self->mem.peak_hz[job->n_kept + 1] = FAR_HZ;
   memset(self->mem.first_peak + job->first_bin_left, (int)job->n_kept,
          BM_LOWEST_NOTE_BINS - job->first_bin_left);
   job->stage = CANDIDATES;
   job->n_scored = 0;
   job->candidates_units = 0;
   job->is_promising = false;
   memset(job->head, 0, sizeof job->head);
   return spent;
}

/* Where the peak nearest to `hz` is in `peak_hz`. Peaks are in order of frequency. */
static uint32_t nearest_place(const BmLowestNote* self, double hz)
{
   const double* peak_hz = self->mem.peak_hz;
   const uint32_t bin = smaller((uint32_t)(hz * self->coef.bins_per_hz), BM_LOWEST_NOTE_BINS - 1);
   uint32_t i = self->mem.first_peak[bin] + 1U;
   i += peak_hz[i] < hz; /* two in one bin there are not */
   i -= hz - peak_hz[i - 1] <= peak_hz[i] - hz;
   return i;
}

/* The peak nearest to `hz` within `tolerance_hz`, or NULL. */
static const BmLowestNotePeak* nearest_peak(const BmLowestNote* self, double hz, double tolerance_hz)
{
   const uint32_t i = nearest_place(self, hz);
   return fabs(self->mem.peak_hz[i] - hz) < tolerance_hz ? &self->mem.peaks[i - 1] : NULL;
}

/* A peak, and between which frequencies none is nearer. */
typedef struct {
   double hz;
   double low_hz;
   double high_hz;
   uint32_t place;
} Nearest;

/* Of one peak or more. */
static void find_nearest(const BmLowestNote* self, double hz, Nearest* nearest)
{
   const uint32_t i = nearest_place(self, hz);
   const double* peak_hz = self->mem.peak_hz + i;
   nearest->hz = peak_hz[0];
   nearest->low_hz = 0.5 * (peak_hz[-1] + peak_hz[0]);
   nearest->high_hz = 0.5 * (peak_hz[0] + peak_hz[1]);
   nearest->place = i;
}

/* As nearest_peak(), when `nearest` was found for a frequency nearby. So the search need not wait until a
   candidate's frequency is sharp. */
BM_INLINE const BmLowestNotePeak* still_nearest(const BmLowestNote* self, Nearest* nearest, double hz,
                                                double tolerance_hz)
{
   if (hz <= nearest->low_hz || hz >= nearest->high_hz) {
      find_nearest(self, hz, nearest);
   }
   return fabs(nearest->hz - hz) < tolerance_hz ? &self->mem.peaks[nearest->place - 1] : NULL;
}

/* ---- candidates ---- */

static double partial_tolerance_hz(double hz)
{
   return most(1.2, 0.012 * hz);
}

/* How much of a partial a peak is by its level: 0 at 55 dB under the loudest, 1 from 20 dB under it. */
static double presence(const BmLowestNote* self, const BmLowestNotePeak* peak)
{
   return clamp((peak->level_db - self->mem.loudest_db + 55.0) * (1.0 / 35.0), 0.0, 1.0);
}

/* Partial after partial the estimate is sharpened, and bends with the string's stiffness. */
static double refined_hz(const BmLowestNote* self, double hz, bool on_peak, Nearest nearest[N_PARTIALS + 1])
{
   for (int n = 2; n <= N_PARTIALS; ++n) {
      find_nearest(self, n * hz, &nearest[n]);
   }
   double weight = on_peak ? 1.0 : 0.0;
   double sum = on_peak ? hz : 0.0;
   for (int n = 2; n <= N_PARTIALS && n * hz <= BAND_HZ; ++n) {
      const double tolerance_hz = least(partial_tolerance_hz(n * hz), 0.35 * hz);
      const BmLowestNotePeak* peak = still_nearest(self, &nearest[n], n * hz, tolerance_hz);
      if (peak) {
         const double w = 0.5 * n * presence(self, peak);
         sum += w * peak->hz / n;
         weight += w;
         hz = weight > 0.0 ? sum / weight : hz;
      }
   }
   return hz;
}

typedef struct {
   double hz;
   double score; /* log odds that it is the fundamental of a sounding note */
   bool decays;  /* faster than a string left alone */
} Candidate;

/*
   Weigh a candidate. The weights began as a logistic regression on the spectra of chords and strums mixed
   from recorded guitar notes, of recorded cello notes, of hum and of rumble; then rounded, and turned towards
   fewer notes named too low. Chords of other seeds, violins and double basses had no part in them.
*/
static Candidate score(const BmLowestNote* self, double candidate_hz, const BmLowestNotePeak* own)
{
   const float* now_db = spectrum(self, 0);
   Nearest partials[N_PARTIALS + 1];
   const double hz = refined_hz(self, candidate_hz, own != NULL, partials);
   double partial[N_PARTIALS] = {0.0}; /* [n]: 0 absent to 1 strong and in its place */
   uint32_t n_in_a_row = 0;
   uint32_t n_exact = 0;
   bool odd_exact = false;
   for (uint32_t n = 2; n < N_PARTIALS; ++n) {
      if (n * hz > BAND_HZ) {
         partial[n] =
            0.3; /* out of sight: an absent one would count more against it, a present one more for it */
         continue;
      }
      const BmLowestNotePeak* peak = still_nearest(self, &partials[n], n * hz, partial_tolerance_hz(n * hz));
      if (peak) {
         const double off_cents = fabs(few_cents(peak->hz, n * hz));
         partial[n] = presence(self, peak) * clamp(1.0 - (off_cents - 3.0) * (1.0 / 12.0), 0.0, 1.0);
         if (partial[n] > 0.15) {
            n_in_a_row += n_in_a_row == n - 2;
            if (off_cents < 10.0 && n <= 5) {
               ++n_exact;
               odd_exact = odd_exact || n % 2 == 1;
            }
         }
      }
   }

   const double bin = candidate_hz * self->coef.bins_per_hz;
   const double level_db = (own ? own->level_db : level_at(now_db, bin)) - self->mem.loudest_db;
   /* Decay over 32 ms beyond 1 dB, unless all decays. */
   const double change_db = past_share(self) * (level_at(now_db, bin) - level_at(past_spectrum(self), bin));
   const double decay_db = clamp(change_db - least(self->mem.loudest_change_db, 0.0) + 1.0, -3.0, 0.0);
   const BmLowestNotePeak* beside = own ? own : nearest_peak(self, candidate_hz, 20.0);
   const double prominence_db = beside ? least(beside->prominence_db, 30.0) : 0.0;

   double odds = 0.19 * most(level_db, -42.0) + 0.06 * prominence_db + 4.0 * decay_db - 2.25;
   odds += 2.8 * least(partial[2], partial[3]) + 1.1 * partial[4] + 2.0 * partial[5] + 1.9 * partial[6] +
           2.3 * partial[7] + 0.32 * least(n_in_a_row, 5);
   if (!own) {
      /* In the shoulder of a peak anything may be read, so its partials have to say it, an odd one among
       * them. */
      odds -= n_exact >= 3 && odd_exact ? 1.5 : 7.5;
   }
   return (Candidate){hz, odds, decay_db < -0.3};
}

static bool is_established_near(const BmLowestNote* self, double hz)
{
   return self->mem.sounding_hz > 0.0 && fabs(few_cents(hz, self->mem.sounding_hz)) < 30.0;
}

static double share_established(const BmLowestNote* self)
{
   return self->mem.age < N_TO_ESTABLISH ? (double)self->mem.age / N_TO_ESTABLISH : 1.0;
}

/* How crowded the surroundings of a place in the spectrum are: of the bins within 20 to 40 Hz, the share that
   comes within 15 dB of it. A tone is alone or among few, a peak of noise is one of many: measured on 33,000
   spectra, a note in a chord has over 0.55 in 0.5 % of them, a peak of noise under 0.62 in 0.5 %. */
static double crowd_at(const BmLowestNote* self, double hz)
{
   const float* level_db = spectrum(self, 0);
   const float floor_db = (float)(level_at(level_db, hz * self->coef.bins_per_hz) - 15.0);
   const double reach_hz = clamp(0.5 * hz, 20.0, 40.0);
   const uint32_t first = (uint32_t)(most(hz - reach_hz, 25.0) * self->coef.bins_per_hz);
   const uint32_t last = (uint32_t)((hz + reach_hz) * self->coef.bins_per_hz);
   uint32_t n = 0;
   for (uint32_t k = first; k <= last; ++k) {
      n += level_db[k] > floor_db;
   }
   return n / (last + 1.0 - first);
}

/* A weak fundamental may lie in the noise of a bow, but then its next partials do not. */
static double noise_odds(const BmLowestNote* self, double hz)
{
   double crowd = 1.0;
   for (int n = 1; n <= 3 && n * hz < BAND_HZ; ++n) {
      crowd = least(crowd, crowd_at(self, n * hz));
   }
   return 30.0 * most(0.0, crowd - 0.55);
}

/* Whether half or a third of a peak may be a fundamental hidden in the shoulder of a lower peak. */
static bool is_in_shoulder(const BmLowestNote* self, double hz)
{
   const double level_db = level_at(spectrum(self, 0), hz * self->coef.bins_per_hz);
   if (level_db < self->mem.loudest_db - CANDIDATE_FLOOR_DB) {
      return false;
   }
   const BmLowestNotePeak* peak = nearest_peak(self, hz, 1.6 * self->coef.window_bin_hz);
   return peak && fabs(peak->hz - hz) > 0.006 * hz && peak->level_db - level_db < 9.0;
}

/* From the lowest upwards, until one is accepted. The candidates are three sorted lists: peaks, halves,
 * thirds. */
static uint32_t candidates(BmLowestNote* self, uint32_t units)
{
   BmLowestNoteJob* job = &self->mem.job;
   const BmLowestNotePeak* peaks = self->mem.peaks;
   uint32_t spent = 0;
   while (spent < units) {
      if (job->is_promising) {
         job->best_score -= noise_odds(self, job->best_hz);
         job->is_promising = false;
         spent += UNITS_PER_SCORE;
         if (job->best_score > 0.0) {
            job->stage = DECISION;
            return spent;
         }
         job->best_hz = 0.0;
         continue;
      }
      uint32_t list = 3;
      double hz = self->cfg.params.highest_hz;
      for (uint32_t i = 0; i < 3; ++i) {
         if (job->head[i] < self->mem.n_peaks && peaks[job->head[i]].hz / (i + 1) <= hz) {
            hz = peaks[job->head[i]].hz / (i + 1);
            list = i;
         }
      }
      if (list == 3 || job->n_scored == N_SCORED_MOST) {
         job->stage = DECISION;
         return spent;
      }
      const BmLowestNotePeak* peak = &peaks[job->head[list]++];
      spent += UNITS_PER_PASSED_OVER;
      if (hz < self->cfg.params.lowest_hz) {
         continue;
      }
      const bool established = is_established_near(self, hz);
      const double floor_db = established ? KEPT_CANDIDATE_FLOOR_DB : CANDIDATE_FLOOR_DB;
      if (list == 0 ? peak->level_db < self->mem.loudest_db - floor_db : !is_in_shoulder(self, hz)) {
         continue;
      }
      Candidate candidate = score(self, hz, list == 0 ? peak : NULL);
      spent += UNITS_PER_SCORE;
      ++job->n_scored;
      if (is_established_near(self, candidate.hz)) {
         candidate.score += 6.0 * share_established(self);
      }
      if (candidate.score > 0.0) {
         job->best_hz = candidate.hz;
         job->best_score = candidate.score;
         job->best_decays = candidate.decays;
         job->is_promising = true;
      }
   }
   return spent;
}

/* ---- decision ---- */

/* A run of analyses that agree is a note that really sounded; the lowest such is kept, and ever better known.
 */
static void learn(BmLowestNote* self, bool found)
{
   if (!found) {
      if (++self->mem.run_gap > LEARN_GAP) {
         self->mem.run_n = 0;
      }
      return;
   }
   const double log2_hz = log2(self->mem.sounding_hz);
   if (self->mem.run_n == 0 || fabs(log2_hz - self->mem.run_log2_hz) > 40.0 / 1200.0) {
      self->mem.run_n = 0;
      self->mem.run_log2_hz = log2_hz;
   }
   self->mem.run_gap = 0;
   self->mem.run_n = smaller(self->mem.run_n + self->mem.job.n_hops, LEARN_MOST);
   self->mem.run_log2_hz += (log2_hz - self->mem.run_log2_hz) * self->mem.job.n_hops / self->mem.run_n;
   if (self->mem.run_n < LEARN_RUN) {
      return;
   }
   const double above = self->mem.run_log2_hz - self->learned.log2_hz;
   if (self->learned.n_analyses == 0 || above < -50.0 / 1200.0) {
      self->learned.log2_hz = self->mem.run_log2_hz;
      self->learned.n_analyses = LEARN_RUN;
   } else if (above <= 50.0 / 1200.0) {
      self->learned.n_analyses += self->learned.n_analyses < LEARN_MOST;
      self->learned.log2_hz += (log2_hz - self->learned.log2_hz) / self->learned.n_analyses;
   }
}

static void decide(BmLowestNote* self)
{
   const double hz = self->mem.job.best_hz;
   bool confirmed = false;
   self->mem.is_still = false;
   if (hz > 0.0) {
      const bool same = self->mem.pending_n > 0 && fabs(cents(hz, self->mem.pending_hz)) < 40.0;
      self->mem.pending_n = same ? self->mem.pending_n + (self->mem.pending_n < 1000) : 1;
      self->mem.pending_hz = hz;
      const bool kept = self->mem.sounding_hz > 0.0 && fabs(cents(hz, self->mem.sounding_hz)) < 60.0;
      const double n_more = hz > self->mem.sounding_hz ? N_TO_CHANGE * share_established(self) : 0.0;
      confirmed = kept || self->mem.pending_n >= N_TO_CHANGE + (uint32_t)(n_more + 0.5);
      if (confirmed) {
         const bool older = self->mem.age < N_TO_ESTABLISH && !self->mem.job.best_decays;
         self->mem.age = kept ? self->mem.age + older : 0;
         self->mem.is_still =
            self->mem.age == N_TO_ESTABLISH && fabs(few_cents(hz, self->mem.sounding_hz)) < STILL_CENTS;
         /* The longer a note stands the less one spectrum moves it. */
         const double share = most(0.25, 1.0 / (1.0 + self->mem.age));
         const double from_hz = kept ? self->mem.sounding_hz : hz;
         self->mem.sounding_hz = from_hz + share * (hz - from_hz);
         bm_glide_set(&self->mem.glide, log2(self->mem.sounding_hz));
      }
   } else {
      self->mem.pending_n = 0;
      self->mem.age -= self->mem.age > 0;
   }
   const double certainty = confirmed ? 1.0 / (1.0 + exp(-0.5 * self->mem.job.best_score)) : 0.0;
   self->mem.confidence += (certainty - self->mem.confidence) * (confirmed ? 0.3 : 0.03);
   if (self->cfg.params.mode == BM_LOWEST_NOTE_HOLD) {
      learn(self, confirmed && !self->mem.job.best_decays);
   }
}

/* ---- time ---- */

/* Of analyses that begin one after the other. */
static uint32_t n_hops_between(const BmLowestNote* self)
{
   return self->mem.is_still ? 2 : 1;
}

/* What an analysis may still need: every candidate weighed, at about what it took to weigh those before. */
static uint32_t units_left_most(const BmLowestNoteJob* job)
{
   if (job->stage == DECISION) {
      return UNITS_FOR_DECISION;
   }
   if (job->stage == CANDIDATES) {
      const uint32_t expected = N_EXPECTED * UNITS_PER_SCORE + job->candidates_units;
      return (N_SCORED_MOST - job->n_scored) * expected / (N_EXPECTED + job->n_scored);
   }
   const uint32_t before = smaller(job->spent_units, UNITS_BEFORE_CANDIDATES);
   return UNITS_BEFORE_CANDIDATES - before + N_SCORED_MOST * UNITS_PER_SCORE;
}

/* How far the analysis is to have come by the end of this slice. */
static uint32_t units_due(const BmLowestNote* self)
{
   const BmLowestNoteJob* job = &self->mem.job;
   const uint32_t n_slices = self->coef.hop_slices;
   if (job->slice >= n_slices) {
      return UNITS_MORE_THAN_ANY;
   }
   const uint32_t like_last = (uint32_t)(EVEN_SHARE * self->mem.last_units);
   const uint32_t even = like_last > EVEN_UNITS_LEAST ? like_last : EVEN_UNITS_LEAST;
   const uint32_t due = even * job->slice / n_slices;
   const uint32_t n_left = n_slices - job->slice;
   const uint32_t late_units = units_left_most(job) / n_left;
   const bool is_late = late_units * n_slices > LATE_UNITS;
   return is_late && job->spent_units + late_units > due ? job->spent_units + late_units : due;
}

static uint32_t weigh_candidates(BmLowestNote* self, uint32_t units)
{
   const uint32_t spent = candidates(self, units);
   self->mem.job.candidates_units += spent;
   return spent;
}

static uint32_t work_on(BmLowestNote* self, uint32_t units)
{
   switch (self->mem.job.stage) {
   case LOAD:
      return load(self, units);
   case TRANSFORM:
      return transform(self, units);
   case LEVELS:
      return levels(self, units);
   case MAINS:
      return mains(self, units);
   case SCAN:
      return scan(self, units);
   case SIDE_LOBES:
      return side_lobes(self, units);
   case KEEP:
      return keep_peaks(self, units);
   case CANDIDATES:
      return weigh_candidates(self, units);
   default:
      decide(self);
      self->mem.job.stage = IDLE;
      return UNITS_FOR_DECISION;
   }
}

/* Go on with the analysis for a slice. Each stage stops within one step of its allowance. */
static void work(BmLowestNote* self)
{
   BmLowestNoteJob* job = &self->mem.job;
   if (job->stage == IDLE) {
      return;
   }
   ++job->slice;
   const uint32_t due = units_due(self);
   const uint32_t n_before = job->spent_units;
   while (job->stage != IDLE && job->spent_units < due) {
      job->spent_units += work_on(self, due - job->spent_units);
   }
   const uint32_t spent = job->spent_units - n_before;
   self->mem.spent_units += spent;
   if (spent > self->mem.most_slice_units) {
      self->mem.most_slice_units = spent;
   }
   if (job->stage == IDLE) {
      self->mem.last_units = job->spent_units;
   }
}

/* What has been heard up to `end`. */
static void tick(BmLowestNote* self, uint32_t end)
{
   const uint32_t n = self->coef.tick_samples;
   const uint32_t at = self->mem.write_index % BM_LOWEST_NOTE_FFT;
   float* left = self->mem.ring[0] + at;
   float* right = self->mem.ring[1] + at;
   low_pass(self, end, left, right);
   memcpy(left + BM_LOWEST_NOTE_FFT, left, n * sizeof *left);
   memcpy(right + BM_LOWEST_NOTE_FFT, right, n * sizeof *right);
   self->mem.write_index += n;
   if (++self->mem.since_start_ticks >= n_hops_between(self) * self->coef.hop_ticks) {
      BmLowestNoteJob* job = &self->mem.job;
      self->mem.n_overruns += job->stage != IDLE;
      self->mem.since_start_ticks = 0;
      job->n_hops_before = job->n_hops;
      job->n_hops = n_hops_between(self);
      job->spent_units = 0;
      job->slice = 0;
      job->newest = self->mem.write_index;
      job->position = 0;
      job->stage = LOAD;
   }
   const double log2_hz = self->mem.glide.value;
   if (bm_glide_step(&self->mem.glide) != log2_hz) {
      self->mem.glide_hz = exp2(self->mem.glide.value);
   }
}

/* ---- public ---- */

BmStatus bm_lowest_note_init(BmLowestNote* self, double sample_rate_hz)
{
   const BmStatus status = bm_check_rate(sample_rate_hz);
   if (status != BM_OK) {
      return status;
   }
   memset(self, 0, sizeof *self);
   self->cfg.sample_rate_hz = sample_rate_hz;
   self->cfg.params = (BmLowestNoteParams){28.0, BM_LOWEST_NOTE_HIGHEST_HZ, BM_LOWEST_NOTE_FOLLOW};

   self->coef.decimation = (uint32_t)(sample_rate_hz / LOWEST_DECIMATED_HZ);
   const double rate = sample_rate_hz / self->coef.decimation;
   self->coef.decimated_hz = rate;
   self->coef.bin_hz = rate / BM_LOWEST_NOTE_FFT;
   self->coef.bins_per_hz = BM_LOWEST_NOTE_FFT / rate;
   self->coef.window_samples = (uint32_t)(WINDOW_S * rate);
   self->coef.window_bin_hz = rate / self->coef.window_samples;
   self->coef.tick_samples = TICK_SAMPLES_MOST;
   while (self->coef.tick_samples > 1 && self->coef.tick_samples * self->coef.decimation > TICK_FRAMES_MOST) {
      self->coef.tick_samples /= 2;
   }
   self->coef.tick_frames = self->coef.tick_samples * self->coef.decimation;
   self->coef.hop_ticks =
      (uint32_t)(HOP_S * rate / TICK_SAMPLES_MOST + 0.5) * (TICK_SAMPLES_MOST / self->coef.tick_samples);
   const uint32_t hop_frames = self->coef.hop_ticks * self->coef.tick_frames;
   self->coef.slice_frames = SLICE_FRAMES_MOST;
   while (self->coef.slice_frames * SLICES_LEAST > hop_frames) {
      self->coef.slice_frames /= 2;
   }
   self->coef.hop_slices = hop_frames / self->coef.slice_frames;
   self->coef.last_bin = (uint32_t)(BAND_HZ * self->coef.bins_per_hz);
   self->coef.lobe_bins = (uint32_t)(3.0 * self->coef.window_bin_hz * self->coef.bins_per_hz + 0.5);
   design_low_pass(self);
   /* So scaled, a full-scale sine in one lane reads 0 dB. */
   const uint32_t n = self->coef.window_samples;
   self->coef.load_samples = n <= BM_LOWEST_NOTE_FFT / 2 ? BM_LOWEST_NOTE_FFT / 2 : BM_LOWEST_NOTE_FFT;
   for (uint32_t i = 0; i < n; ++i) {
      self->coef.window[i] = (float)((0.5 - 0.5 * cos(2.0 * PI * (i + 0.5) / n)) / (0.25 * n));
   }
   bm_fft_init(self->coef.fft_table, BM_LOWEST_NOTE_FFT);
   for (uint32_t k = 0; k < BM_LOWEST_NOTE_BINS; ++k) {
      self->coef.place[0][k] = (uint16_t)bm_fft_place(BM_LOWEST_NOTE_FFT, k);
      self->coef.place[1][k] =
         (uint16_t)bm_fft_place(BM_LOWEST_NOTE_FFT, (BM_LOWEST_NOTE_FFT - k) % BM_LOWEST_NOTE_FFT);
   }
   bm_lowest_note_reset(self);
   return BM_OK;
}

void bm_lowest_note_set(BmLowestNote* self, const BmLowestNoteParams* params)
{
   self->cfg.params = *params;
   self->cfg.params.highest_hz = clamp(params->highest_hz, 20.0, BM_LOWEST_NOTE_HIGHEST_HZ);
   self->cfg.params.lowest_hz = clamp(params->lowest_hz, 10.0, self->cfg.params.highest_hz);
   const double hz = self->mem.sounding_hz;
   if (hz > 0.0 && (hz < self->cfg.params.lowest_hz || hz > self->cfg.params.highest_hz)) {
      self->mem.sounding_hz = 0.0;
      self->mem.confidence = 0.0;
      self->mem.age = 0;
      self->mem.is_still = false;
      bm_glide_reset(&self->mem.glide);
      self->mem.glide_hz = exp2(self->mem.glide.value);
   }
}

void bm_lowest_note_process(BmLowestNote* self, const BmFrame* in, uint32_t n_frames)
{
   while (n_frames) {
      const uint32_t n = smaller(n_frames, frames_to_hear(self));
      hear(self, in, n);
      for (uint32_t left = n; left;) {
         const uint32_t next =
            smaller(left, smaller(self->mem.until_tick_frames, self->mem.until_slice_frames));
         left -= next;
         self->mem.until_tick_frames -= next;
         self->mem.until_slice_frames -= next;
         if (self->mem.until_tick_frames == 0) {
            tick(self, self->mem.heard_end - left);
            self->mem.until_tick_frames = self->coef.tick_frames;
         }
         if (self->mem.until_slice_frames == 0) {
            work(self);
            self->mem.until_slice_frames = self->coef.slice_frames;
         }
      }
      make_room(self);
      in += n;
      n_frames -= n;
   }
}

void bm_lowest_note_reset(BmLowestNote* self)
{
   memset(&self->mem, 0, sizeof self->mem);
   self->mem.heard_end = self->coef.n_low_pass;
   self->mem.until_tick_frames = self->coef.tick_frames;
   self->mem.until_slice_frames = self->coef.slice_frames;
   self->mem.job.n_hops = 1;
   self->mem.programme_db = -200.0;
   for (uint32_t i = 0; i < BM_LOWEST_NOTE_SPECTRA; ++i) {
      for (uint32_t k = 0; k < BM_LOWEST_NOTE_BINS + 2 * BM_LOWEST_NOTE_MARGIN; ++k) {
         self->mem.level_db[i][k] = -200.0f;
      }
   }
   for (uint32_t system = 0; system < 2; ++system) {
      for (uint32_t line = 0; line < BM_LOWEST_NOTE_MAINS_LINES; ++line) {
         self->mem.mains_hum_db[system][line] = 100.0;
      }
   }
   for (uint32_t i = 0; i < BM_LOWEST_NOTE_MARGIN; ++i) {
      self->mem.scanned_hz[i] = (float)-FAR_HZ;
   }
   bm_glide_init(&self->mem.glide, 20.0, self->coef.decimated_hz / self->coef.tick_samples);
}

double bm_lowest_note_hz(const BmLowestNote* self)
{
   if (self->cfg.params.mode == BM_LOWEST_NOTE_HOLD) {
      return bm_lowest_note_learned_hz(self);
   }
   return self->mem.sounding_hz > 0.0 ? self->mem.glide_hz : 0.0;
}

double bm_lowest_note_sounding_hz(const BmLowestNote* self)
{
   return self->mem.sounding_hz;
}

double bm_lowest_note_confidence(const BmLowestNote* self)
{
   return self->mem.confidence;
}

double bm_lowest_note_learned_hz(const BmLowestNote* self)
{
   return self->learned.n_analyses > 0 ? exp2(self->learned.log2_hz) : 0.0;
}

void bm_lowest_note_set_learned_hz(BmLowestNote* self, double hz)
{
   const bool valid = hz >= 10.0 && hz <= 10000.0;
   self->learned.log2_hz = valid ? log2(hz) : 0.0;
   self->learned.n_analyses = valid ? LEARN_RUN : 0;
   self->mem.run_n = 0;
}
