/* SPDX-License-Identifier: ISC */
#include "analysis/lowest_note.h"

#include <math.h>
#include <string.h>

#define PI 3.14159265358979323846

#define WINDOW_S 0.256
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
#define N_SCORED_MOST 64

/* Costs in work units, a butterfly being one; measured, rounded up. */
#define UNITS_PER_LEVEL 6
#define UNITS_PER_SCAN 4
#define UNITS_PER_PEAK 24
#define UNITS_PER_PASSED_OVER 4
#define UNITS_PER_SCORE 128
#define UNITS_PER_LINE 48
#define UNITS_FOR_DECISION 128
#define TICK_UNITS 800

#define N_PARTIALS 8

/* Analyses in a row that agree before a note counts; moving up from a note of long standing takes twice as
 * many. */
#define N_TO_CHANGE 3
#define N_TO_ESTABLISH 25

#define LEARN_RUN 25
#define LEARN_GAP 3
#define LEARN_MOST 250

enum { IDLE, LOAD, TRANSFORM, LEVELS, MAINS, SCAN, SIDE_LOBES, CANDIDATES, DECISION };

static double clamp(double x, double low, double high)
{
   return x < low ? low : x > high ? high : x;
}

static double cents(double hz, double reference_hz)
{
   return 1200.0 * log2(hz / reference_hz);
}

/* ---- front end ---- */

/* Chebyshev low-pass of the first kind, order 8, 0.5 dB: pole k at -sinh(a) sin(t) + i cosh(a) cos(t) with
   t = (2k + 1) pi / 16, a = asinh(1 / ripple) / 8 (Oppenheim & Schafer, Discrete-Time Signal Processing, app.
   B), by the bilinear transform with its edge at `edge_hz`. What folds into the band is 60 dB down. */
static void design_anti_alias(double sections[4][5], double edge_hz, double sample_rate_hz)
{
   const double a = asinh(1.0 / sqrt(pow(10.0, 0.05) - 1.0)) / 8.0;
   const double edge = tan(PI * edge_hz / sample_rate_hz);
   for (int k = 0; k < 4; ++k) {
      const double t = PI * (2 * k + 1) / 16.0;
      const double re = -sinh(a) * sin(t) * edge;
      const double im = cosh(a) * cos(t) * edge;
      const double square = re * re + im * im;
      const double scale = 1.0 / (1.0 - 2.0 * re + square);
      sections[k][0] = square * scale;
      sections[k][1] = 2.0 * square * scale;
      sections[k][2] = square * scale;
      sections[k][3] = (2.0 * square - 2.0) * scale;
      sections[k][4] = (1.0 + 2.0 * re + square) * scale;
   }
}

static BmFrame anti_alias(BmLowestNote* self, BmFrame x)
{
   for (int k = 0; k < 4; ++k) {
      const double* c = self->coef.anti_alias[k];
      BmFrame* z = self->mem.anti_alias[k];
      const BmFrame y = c[0] * x + z[0];
      z[0] = c[1] * x - c[3] * y + z[1];
      z[1] = c[2] * x - c[4] * y;
      x = y;
   }
   return x;
}

/* ---- spectrum: left is the real part of the input, right the imaginary ---- */

static uint32_t load(BmLowestNote* self, uint32_t units)
{
   BmLowestNoteJob* job = &self->mem.job;
   const uint32_t n = self->coef.window_samples;
   uint32_t spent = 0;
   for (; spent < units && job->position < BM_LOWEST_NOTE_FFT; ++spent, ++job->position) {
      const uint32_t i = job->position;
      const uint32_t at = (job->newest - n + i) % BM_LOWEST_NOTE_FFT;
      const uint32_t to = self->coef.reversed[i];
      self->mem.re[to] = i < n ? self->mem.ring[0][at] * self->coef.window[i] : 0.0f;
      self->mem.im[to] = i < n ? self->mem.ring[1][at] * self->coef.window[i] : 0.0f;
   }
   if (job->position == BM_LOWEST_NOTE_FFT) {
      job->stage = TRANSFORM;
      job->position = 0;
      job->half = 1;
   }
   return spent;
}

/* Radix 2, decimation in time, in place, so that it can stop and go on between any two butterflies. */
static uint32_t transform(BmLowestNote* self, uint32_t units)
{
   BmLowestNoteJob* job = &self->mem.job;
   uint32_t spent = 0;
   while (spent < units && job->half < BM_LOWEST_NOTE_FFT) {
      const uint32_t half = job->half;
      const uint32_t group = job->position / half;
      const uint32_t first = job->position % half;
      const uint32_t n = half - first < units - spent ? half - first : units - spent;
      const float* tw_re = self->coef.twiddle_re + half - 1 + first;
      const float* tw_im = self->coef.twiddle_im + half - 1 + first;
      float* a_re = self->mem.re + 2 * half * group + first;
      float* a_im = self->mem.im + 2 * half * group + first;
      float* b_re = a_re + half;
      float* b_im = a_im + half;
      for (uint32_t j = 0; j < n; ++j) {
         const float re = b_re[j] * tw_re[j] - b_im[j] * tw_im[j];
         const float im = b_re[j] * tw_im[j] + b_im[j] * tw_re[j];
         b_re[j] = a_re[j] - re;
         b_im[j] = a_im[j] - im;
         a_re[j] += re;
         a_im[j] += im;
      }
      spent += n;
      job->position += n;
      if (job->position == BM_LOWEST_NOTE_FFT / 2) {
         job->position = 0;
         job->half *= 2;
      }
   }
   if (job->half == BM_LOWEST_NOTE_FFT) {
      job->stage = LEVELS;
      job->position = 1;
      job->first_bin = (uint32_t)(0.94 * self->cfg.params.lowest_hz / self->coef.bin_hz);
      job->loudest_bin = job->first_bin;
      self->mem.newest_spectrum = (self->mem.newest_spectrum + 1) % BM_LOWEST_NOTE_SPECTRA;
   }
   return spent;
}

/* The spectrum `ago` analyses before the newest. */
static const float* spectrum(const BmLowestNote* self, uint32_t ago)
{
   const uint32_t n = BM_LOWEST_NOTE_SPECTRA;
   return self->mem.level_db[(self->mem.newest_spectrum + n - ago) % n];
}

static double level_at(const float* level_db, double bin)
{
   const uint32_t k = (uint32_t)bin;
   const double share = bin - k;
   return (1.0 - share) * (double)level_db[k] + share * (double)level_db[k + 1];
}

/* Power of both lanes: bins k and N - k of the joint transform hold L + iR and its mirror. */
static uint32_t levels(BmLowestNote* self, uint32_t units)
{
   BmLowestNoteJob* job = &self->mem.job;
   float* level_db = self->mem.level_db[self->mem.newest_spectrum];
   const float* re = self->mem.re;
   const float* im = self->mem.im;
   uint32_t spent = 0;
   for (; spent < units && job->position < BM_LOWEST_NOTE_BINS; spent += UNITS_PER_LEVEL, ++job->position) {
      const uint32_t k = job->position;
      const uint32_t m = BM_LOWEST_NOTE_FFT - k;
      const float power = 0.5f * (re[k] * re[k] + im[k] * im[k] + re[m] * re[m] + im[m] * im[m]);
      level_db[k] = 10.0f * log10f(power + 1e-20f);
      if (k >= job->first_bin && k <= self->coef.last_bin && level_db[k] > level_db[job->loudest_bin]) {
         job->loudest_bin = k;
      }
   }
   if (job->position == BM_LOWEST_NOTE_BINS) {
      level_db[0] = level_db[1];
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
   const double bin = mains_hz(system, line) / self->coef.bin_hz;
   const float level = (float)level_at(spectrum(self, 0), bin);
   memory[self->mem.n_spectra % BM_LOWEST_NOTE_MAINS_MEMORY] = level;
   if (self->mem.n_spectra < BM_LOWEST_NOTE_MAINS_MEMORY) {
      return;
   }
   float least = level;
   float most = level;
   for (int i = 0; i < BM_LOWEST_NOTE_MAINS_MEMORY; ++i) {
      least = fminf(least, memory[i]);
      most = fmaxf(most, memory[i]);
   }
   double* hum = &self->mem.mains_hum_db[system][line];
   if ((double)level < *hum) {
      *hum = (double)level;
   } else if (most - least < 1.2f) {
      *hum += 0.2 * ((double)level - *hum);
   } else {
      *hum += HOP_S;
   }
}

/* A peak on a line of the mains that does not stand out from the hum there. Mains keeps within 0.5 % (EN
   50160); no note of equal temperament on A4 = 440 Hz lies so near to one of these lines. */
static bool is_hum(const BmLowestNote* self, double hz, double level_db)
{
   for (int system = 0; system < 2; ++system) {
      for (int line = 0; line < BM_LOWEST_NOTE_MAINS_LINES; ++line) {
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
   self->mem.loudest_change_db = loudest_db - (double)spectrum(self, 2)[job->loudest_bin];
   self->mem.programme_db = fmax(loudest_db, self->mem.programme_db - HOP_S * PROGRAMME_FADE_DB_PER_S);
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

static uint32_t scan(BmLowestNote* self, uint32_t units)
{
   BmLowestNoteJob* job = &self->mem.job;
   const float* level_db = spectrum(self, 0);
   const uint32_t lobe = self->coef.lobe_bins;
   const float floor_db = (float)(self->mem.loudest_db - PEAK_FLOOR_DB);
   uint32_t spent = 0;
   for (; spent < units && job->position < self->coef.last_bin; ++job->position) {
      const uint32_t k = job->position;
      spent += UNITS_PER_SCAN;
      if (!(level_db[k] > level_db[k - 1] && level_db[k] >= level_db[k + 1] && level_db[k] > floor_db)) {
         continue;
      }
      spent += UNITS_PER_PEAK;
      float left = level_db[k];
      float right = level_db[k];
      for (uint32_t j = 1; j <= lobe; ++j) {
         left = fminf(left, level_db[k - (j < k ? j : k)]);
         right = fminf(right, level_db[k + j]);
      }
      const double prominence_db = (double)(level_db[k] - fmaxf(left, right));
      if (prominence_db >= LEAST_PROMINENCE_DB && self->mem.n_peaks < BM_LOWEST_NOTE_PEAKS) {
         self->mem.peaks[self->mem.n_peaks++] = peak_at(self, k, prominence_db);
      }
   }
   if (job->position >= self->coef.last_bin) {
      job->stage = SIDE_LOBES;
      job->position = 0;
   }
   return spent;
}

/* The side lobes of a Hann window, as an envelope: -31.5 dB at 2.36 bins, then 18 dB an octave (Harris, Proc.
   IEEE 66, 1978), and 8 dB on top for a sound that changes within the window. */
static bool is_side_lobe(const BmLowestNote* self, uint32_t i)
{
   const BmLowestNotePeak* peaks = self->mem.peaks;
   const double highest_db = -31.5 + 8.0;
   for (int step = -1; step <= 1; step += 2) {
      for (uint32_t j = i + (uint32_t)step; j < self->mem.n_peaks; j += (uint32_t)step) {
         const double distance_bins = fabs(peaks[j].hz - peaks[i].hz) / self->coef.window_bin_hz;
         if (distance_bins > 8.0) {
            break;
         }
         const double under_db = peaks[i].level_db - peaks[j].level_db;
         if (under_db < highest_db && under_db < highest_db - 60.0 * log10(fmax(1.0, distance_bins / 2.36))) {
            return true;
         }
      }
   }
   return false;
}

static uint32_t side_lobes(BmLowestNote* self, uint32_t units)
{
   BmLowestNoteJob* job = &self->mem.job;
   BmLowestNotePeak* peaks = self->mem.peaks;
   uint32_t spent = 0;
   for (; spent < units && job->position < self->mem.n_peaks; spent += UNITS_PER_PEAK, ++job->position) {
      const uint32_t i = job->position;
      if (is_side_lobe(self, i) || is_hum(self, peaks[i].hz, peaks[i].level_db)) {
         peaks[i].prominence_db = -1.0;
      }
   }
   if (job->position < self->mem.n_peaks) {
      return spent;
   }
   uint32_t n_kept = 0;
   for (uint32_t i = 0; i < self->mem.n_peaks; ++i) {
      if (peaks[i].prominence_db >= 0.0) {
         peaks[n_kept++] = peaks[i];
      }
   }
   self->mem.n_peaks = n_kept;
   job->stage = CANDIDATES;
   job->n_scored = 0;
   memset(job->head, 0, sizeof job->head);
   return spent + BM_LOWEST_NOTE_PEAKS;
}

/* The peak nearest to `hz` within `tolerance_hz`, or NULL. Peaks are in order of frequency. */
static const BmLowestNotePeak* nearest_peak(const BmLowestNote* self, double hz, double tolerance_hz)
{
   const BmLowestNotePeak* peaks = self->mem.peaks;
   uint32_t low = 0;
   uint32_t high = self->mem.n_peaks;
   while (low < high) {
      const uint32_t middle = (low + high) / 2;
      if (peaks[middle].hz < hz) {
         low = middle + 1;
      } else {
         high = middle;
      }
   }
   const BmLowestNotePeak* found = NULL;
   for (uint32_t i = low ? low - 1 : 0; i <= low && i < self->mem.n_peaks; ++i) {
      const double distance_hz = fabs(peaks[i].hz - hz);
      if (distance_hz < tolerance_hz) {
         tolerance_hz = distance_hz;
         found = &peaks[i];
      }
   }
   return found;
}

/* ---- candidates ---- */

static double partial_tolerance_hz(double hz)
{
   return fmax(1.2, 0.012 * hz);
}

/* How much of a partial a peak is by its level: 0 at 55 dB under the loudest, 1 from 20 dB under it. */
static double presence(const BmLowestNote* self, const BmLowestNotePeak* peak)
{
   return clamp((peak->level_db - self->mem.loudest_db + 55.0) / 35.0, 0.0, 1.0);
}

/* Partial after partial the estimate is sharpened, and bends with the string's stiffness. */
static double refined_hz(const BmLowestNote* self, double hz, bool on_peak)
{
   double weight = on_peak ? 1.0 : 0.0;
   double sum = on_peak ? hz : 0.0;
   for (int n = 2; n <= N_PARTIALS && n * hz <= BAND_HZ; ++n) {
      const double tolerance_hz = fmin(partial_tolerance_hz(n * hz), 0.35 * hz);
      const BmLowestNotePeak* peak = nearest_peak(self, n * hz, tolerance_hz);
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
   const double hz = refined_hz(self, candidate_hz, own != NULL);
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
      const BmLowestNotePeak* peak = nearest_peak(self, n * hz, partial_tolerance_hz(n * hz));
      if (peak) {
         const double off_cents = fabs(cents(peak->hz, n * hz));
         partial[n] = presence(self, peak) * clamp(1.0 - (off_cents - 3.0) / 12.0, 0.0, 1.0);
         if (partial[n] > 0.15) {
            n_in_a_row += n_in_a_row == n - 2;
            if (off_cents < 10.0 && n <= 5) {
               ++n_exact;
               odd_exact = odd_exact || n % 2 == 1;
            }
         }
      }
   }

   const double bin = candidate_hz / self->coef.bin_hz;
   const double level_db = (own ? own->level_db : level_at(now_db, bin)) - self->mem.loudest_db;
   /* Decay over 32 ms beyond 1 dB, unless all decays. */
   const double change_db = level_at(now_db, bin) - level_at(spectrum(self, 2), bin);
   const double decay_db = clamp(change_db - fmin(self->mem.loudest_change_db, 0.0) + 1.0, -3.0, 0.0);
   const BmLowestNotePeak* nearest = own ? own : nearest_peak(self, candidate_hz, 20.0);
   const double prominence_db = nearest ? fmin(nearest->prominence_db, 30.0) : 0.0;

   double odds = 0.19 * fmax(level_db, -42.0) + 0.06 * prominence_db + 4.0 * decay_db - 2.25;
   odds += 2.8 * fmin(partial[2], partial[3]) + 1.1 * partial[4] + 2.0 * partial[5] + 1.9 * partial[6] +
           2.3 * partial[7] + 0.32 * fmin(n_in_a_row, 5);
   if (!own) {
      /* In the shoulder of a peak anything may be read, so its partials have to say it, an odd one among
       * them. */
      odds -= n_exact >= 3 && odd_exact ? 1.5 : 7.5;
   }
   return (Candidate){hz, odds, decay_db < -0.3};
}

static bool is_established_near(const BmLowestNote* self, double hz)
{
   return self->mem.sounding_hz > 0.0 && fabs(cents(hz, self->mem.sounding_hz)) < 30.0;
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
   const float floor_db = (float)(level_at(level_db, hz / self->coef.bin_hz) - 15.0);
   const double reach_hz = clamp(0.5 * hz, 20.0, 40.0);
   const uint32_t first = (uint32_t)(fmax(hz - reach_hz, 25.0) / self->coef.bin_hz);
   const uint32_t last = (uint32_t)((hz + reach_hz) / self->coef.bin_hz);
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
      crowd = fmin(crowd, crowd_at(self, n * hz));
   }
   return 30.0 * fmax(0.0, crowd - 0.55);
}

/* Whether half or a third of a peak may be a fundamental hidden in the shoulder of a lower peak. */
static bool is_in_shoulder(const BmLowestNote* self, double hz)
{
   const double level_db = level_at(spectrum(self, 0), hz / self->coef.bin_hz);
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
         candidate.score -= noise_odds(self, candidate.hz);
         spent += UNITS_PER_SCORE;
      }
      if (candidate.score > 0.0) {
         job->best_hz = candidate.hz;
         job->best_score = candidate.score;
         job->best_decays = candidate.decays;
         job->stage = DECISION;
         return spent;
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
   if (self->mem.run_n < LEARN_MOST) {
      ++self->mem.run_n;
   }
   self->mem.run_log2_hz += (log2_hz - self->mem.run_log2_hz) / self->mem.run_n;
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
         /* The longer a note stands the less one spectrum moves it. */
         const double share = fmax(0.25, 1.0 / (1.0 + self->mem.age));
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

/* Go on with the analysis by what one tick may spend. Each stage stops within one step of its allowance. */
static void work(BmLowestNote* self)
{
   BmLowestNoteJob* job = &self->mem.job;
   uint32_t spent = 0;
   while (job->stage != IDLE && spent < TICK_UNITS) {
      const uint32_t left = TICK_UNITS - spent;
      switch (job->stage) {
      case LOAD:
         spent += load(self, left);
         break;
      case TRANSFORM:
         spent += transform(self, left);
         break;
      case LEVELS:
         spent += levels(self, left);
         break;
      case MAINS:
         spent += mains(self, left);
         break;
      case SCAN:
         spent += scan(self, left);
         break;
      case SIDE_LOBES:
         spent += side_lobes(self, left);
         break;
      case CANDIDATES:
         spent += candidates(self, left);
         break;
      default:
         decide(self);
         spent += UNITS_FOR_DECISION;
         job->stage = IDLE;
         break;
      }
   }
   if (spent > self->mem.most_tick_units) {
      self->mem.most_tick_units = spent;
   }
}

/* One decimated sample. */
static void tick(BmLowestNote* self, BmFrame x)
{
   const uint32_t at = self->mem.write_index++ % BM_LOWEST_NOTE_FFT;
   self->mem.ring[0][at] = (float)x[0];
   self->mem.ring[1][at] = (float)x[1];
   if (--self->mem.until_hop_samples == 0) {
      self->mem.until_hop_samples = self->coef.hop_samples;
      self->mem.n_overruns += self->mem.job.stage != IDLE;
      self->mem.job.stage = LOAD;
      self->mem.job.newest = self->mem.write_index;
      self->mem.job.position = 0;
   }
   work(self);
   bm_glide_step(&self->mem.glide);
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
   self->coef.window_samples = (uint32_t)(WINDOW_S * rate);
   self->coef.window_bin_hz = rate / self->coef.window_samples;
   self->coef.hop_samples = (uint32_t)(HOP_S * rate);
   self->coef.last_bin = (uint32_t)(BAND_HZ / self->coef.bin_hz);
   self->coef.lobe_bins = (uint32_t)(3.0 * self->coef.window_bin_hz / self->coef.bin_hz + 0.5);
   design_anti_alias(self->coef.anti_alias, 1500.0, sample_rate_hz);
   /* So scaled, a full-scale sine in one lane reads 0 dB. */
   const uint32_t n = self->coef.window_samples;
   for (uint32_t i = 0; i < n; ++i) {
      self->coef.window[i] = (float)((0.5 - 0.5 * cos(2.0 * PI * (i + 0.5) / n)) / (0.25 * n));
   }
   for (uint32_t half = 1; half < BM_LOWEST_NOTE_FFT; half *= 2) {
      for (uint32_t j = 0; j < half; ++j) {
         self->coef.twiddle_re[half - 1 + j] = (float)cos(PI * j / half);
         self->coef.twiddle_im[half - 1 + j] = (float)-sin(PI * j / half);
      }
   }
   for (uint32_t i = 0; i < BM_LOWEST_NOTE_FFT; ++i) {
      self->coef.reversed[i] =
         (uint16_t)(self->coef.reversed[i / 2] / 2 + (i % 2) * (BM_LOWEST_NOTE_FFT / 2));
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
      bm_glide_reset(&self->mem.glide);
   }
}

void bm_lowest_note_process(BmLowestNote* self, const BmFrame* in, uint32_t n_frames)
{
   for (uint32_t i = 0; i < n_frames; ++i) {
      const BmFrame low = anti_alias(self, in[i]);
      if (--self->mem.until_tick_frames == 0) {
         self->mem.until_tick_frames = self->coef.decimation;
         tick(self, low);
      }
   }
}

void bm_lowest_note_reset(BmLowestNote* self)
{
   memset(&self->mem, 0, sizeof self->mem);
   self->mem.until_tick_frames = self->coef.decimation;
   self->mem.until_hop_samples = self->coef.hop_samples;
   self->mem.programme_db = -200.0;
   for (uint32_t i = 0; i < BM_LOWEST_NOTE_SPECTRA; ++i) {
      for (uint32_t k = 0; k < BM_LOWEST_NOTE_BINS; ++k) {
         self->mem.level_db[i][k] = -200.0f;
      }
   }
   for (uint32_t system = 0; system < 2; ++system) {
      for (uint32_t line = 0; line < BM_LOWEST_NOTE_MAINS_LINES; ++line) {
         self->mem.mains_hum_db[system][line] = 100.0;
      }
   }
   bm_glide_init(&self->mem.glide, 20.0, self->coef.decimated_hz);
}

double bm_lowest_note_hz(const BmLowestNote* self)
{
   if (self->cfg.params.mode == BM_LOWEST_NOTE_HOLD) {
      return bm_lowest_note_learned_hz(self);
   }
   return self->mem.sounding_hz > 0.0 ? exp2(self->mem.glide.value) : 0.0;
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
