/* SPDX-License-Identifier: ISC */
/*
   Recorded takes for the dynamics tests, at -18 dBFS root mean square over their sounding part, and
   descriptors.

   Phrases are recordings as they are. "Picked" and "strummed" are recorded single notes put in time: the
   sounds are a guitar's, the dynamics are written here. Include after hosted.h and recordings.h.

   The descriptors were fixed before anything was measured with them, and are:

   crest            20 log10(peak / RMS)                                          (the bench's)
   attack           mean over onsets: first 10 ms against 50 to 250 ms after      (the bench's
   attack-to-sustain) bright onset     mean over onsets: energy above 2 kHz of the first 20 ms against all
   energy 50 to 250 ms after highs            10 log10(energy above 5 kHz / energy) (the bench's share of
   highs) lows             10 log10(energy below 250 Hz / energy) spread           10th to 95th percentile of
   momentary loudness (400 ms each 100 ms, BS.1770), of what lies less than 20 LU under the mean: as EBU Tech
   3342 does with 3 s detail           mean change of level from one 10 ms to the next, dB, where the take
   sounds
*/
#ifndef BM_TEST_TAKES_H
#define BM_TEST_TAKES_H

#include "hosted.h"
#include "measure.h"
#include "onset.h"
#include "recordings.h"

#define TAKES_PI 3.14159265358979323846
#define TAKES_LEVEL_DBFS (-18.0)

typedef struct {
   double crest_db;
   double attack_db;
   double bright_onset_db;
   double highs_db;
   double lows_db;
   double spread_lu;
   double detail_db;
   double lufs;
} TakeFigures;

#define TAKES_N_FIGURES 7

static const char* const take_figure_names[TAKES_N_FIGURES] = {"crest", "attack", "bright onset", "highs",
                                                               "lows",  "spread", "detail"};

/* Second-order section, transposed direct form II; Butterworth by the Audio EQ Cookbook (Q = 1/sqrt 2). */
typedef struct {
   double b0, b1, b2, a1, a2, s1, s2;
} TakesFilter;

static inline TakesFilter takes_filter(double hz, bool high)
{
   const double w = 2.0 * TAKES_PI * hz / HOSTED_RATE_HZ;
   const double alpha = sin(w) / sqrt(2.0);
   const double a0 = 1.0 + alpha;
   const double b = high ? 0.5 * (1.0 + cos(w)) : 0.5 * (1.0 - cos(w));
   return (TakesFilter){.b0 = b / a0,
                        .b1 = (high ? -2.0 : 2.0) * b / a0,
                        .b2 = b / a0,
                        .a1 = -2.0 * cos(w) / a0,
                        .a2 = (1.0 - alpha) / a0};
}

static inline double takes_filter_step(TakesFilter* f, double x)
{
   const double y = f->b0 * x + f->s1;
   f->s1 = f->b1 * x - f->a1 * y + f->s2;
   f->s2 = f->b2 * x - f->a2 * y;
   return y;
}

/** Cumulative energy of both channels after a filter, [n_frames + 1]; NULL: none. The caller frees it. */
static inline double* takes_energy(const HostedTake* take, const TakesFilter* filter)
{
   double* sum = calloc(take->n_frames + 1, sizeof *sum);
   assert_non_null(sum);
   TakesFilter f[2][2];
   for (int c = 0; filter && c < 2; ++c) {
      f[c][0] = *filter;
      f[c][1] = *filter;
   }
   for (uint32_t i = 0; i < take->n_frames; ++i) {
      sum[i + 1] = sum[i];
      for (int c = 0; c < 2; ++c) {
         double x = (double)take->channel[c][i];
         if (filter) {
            x = takes_filter_step(&f[c][1], takes_filter_step(&f[c][0], x));
         }
         sum[i + 1] += x * x;
      }
   }
   return sum;
}

static inline double takes_between(const double* sum, uint32_t n_frames, double from_s, double to_s)
{
   const uint32_t from = (uint32_t)fmin(from_s * HOSTED_RATE_HZ, n_frames);
   const uint32_t to = (uint32_t)fmin(to_s * HOSTED_RATE_HZ, n_frames);
   return to > from ? (sum[to] - sum[from]) / (to - from) : 0.0;
}

#define TAKES_MAX_ONSETS 512

typedef struct {
   double time_s[TAKES_MAX_ONSETS];
   uint32_t n;
} TakesOnsets;

static inline void takes_on_onset(void* handle, const BmOnset* onset)
{
   TakesOnsets* onsets = handle;
   if (onsets->n < TAKES_MAX_ONSETS) {
      onsets->time_s[onsets->n++] = onset->time_s;
   }
}

static inline float* takes_interleave(const HostedTake* take)
{
   float* frames = calloc(2 * (size_t)take->n_frames, sizeof *frames);
   assert_non_null(frames);
   for (uint32_t i = 0; i < take->n_frames; ++i) {
      frames[2 * i] = take->channel[0][i];
      frames[2 * i + 1] = take->channel[1][i];
   }
   return frames;
}

/** The onsets of the dry take: every version of it is weighed at the same instants. */
static inline TakesOnsets takes_onsets(const HostedTake* dry)
{
   TakesOnsets onsets = {.n = 0};
   BmOnsetMeter* meter = bm_onset_meter_new(HOSTED_RATE_HZ, 2, takes_on_onset, &onsets);
   float* frames = takes_interleave(dry);
   bm_onset_meter_add(meter, frames, dry->n_frames);
   bm_onset_meter_finish(meter);
   bm_onset_meter_free(meter);
   free(frames);
   return onsets;
}

static inline int takes_compare(const void* a, const void* b)
{
   const double x = *(const double*)a;
   const double y = *(const double*)b;
   return (x > y) - (x < y);
}

static inline BmAnalysis takes_analyse(const HostedTake* take)
{
   const BmMeterOptions options = {.sample_rate_hz = HOSTED_RATE_HZ, .n_channels = 2};
   BmMeter* meter = bm_meter_new(&options);
   assert_non_null(meter);
   float* frames = takes_interleave(take);
   bm_meter_add(meter, frames, take->n_frames);
   BmAnalysis analysis;
   assert_true(bm_meter_finish(meter, &analysis));
   bm_meter_free(meter);
   free(frames);
   return analysis;
}

static inline double takes_lufs(const HostedTake* take)
{
   BmAnalysis analysis = takes_analyse(take);
   const double lufs = analysis.figures.integrated_lufs;
   bm_analysis_free(&analysis);
   return lufs;
}

static inline double takes_spread_lu(const BmSeries* series)
{
   double* values = calloc(series->n_points + 1, sizeof *values);
   double power = 0.0;
   uint32_t n = 0;
   for (uint32_t i = 0; i < series->n_points; ++i) {
      const double lufs = (double)series->momentary_lufs[i];
      if (lufs > -70.0) {
         values[n++] = lufs;
         power += pow(10.0, 0.1 * lufs);
      }
   }
   const double gate = 10.0 * log10(power / n) - 20.0;
   uint32_t kept = 0;
   for (uint32_t i = 0; i < n; ++i) {
      if (values[i] > gate) {
         values[kept++] = values[i];
      }
   }
   qsort(values, kept, sizeof *values, takes_compare);
   const double spread = values[(uint32_t)(0.95 * (kept - 1))] - values[(uint32_t)(0.10 * (kept - 1))];
   free(values);
   return spread;
}

static inline double takes_detail_db(const double* energy, uint32_t n_frames)
{
   const uint32_t step = HOSTED_RATE_HZ / 100;
   const double floor = 1e-4 * energy[n_frames] / n_frames; /* 40 dB under the mean */
   double sum = 0.0;
   uint32_t n = 0;
   double last = 0.0;
   for (uint32_t i = 0; i + step <= n_frames; i += step) {
      const double power = (energy[i + step] - energy[i]) / step;
      if (power > floor && last > floor) {
         sum += fabs(10.0 * log10(power / last));
         ++n;
      }
      last = power;
   }
   return sum / n;
}

static inline TakeFigures takes_measure(const HostedTake* take, const TakesOnsets* onsets)
{
   BmAnalysis analysis = takes_analyse(take);
   const TakesFilter high = takes_filter(2000.0, true);
   const TakesFilter low = takes_filter(250.0, false);
   double* all = takes_energy(take, NULL);
   double* above = takes_energy(take, &high);
   double* below = takes_energy(take, &low);
   TakeFigures figures = {
      .crest_db = analysis.figures.crest_db,
      .highs_db = analysis.figures.highs_db,
      .lows_db = 10.0 * log10(below[take->n_frames] / all[take->n_frames]),
      .spread_lu = takes_spread_lu(&analysis.series),
      .detail_db = takes_detail_db(all, take->n_frames),
      .lufs = analysis.figures.integrated_lufs,
   };
   uint32_t n = 0;
   for (uint32_t i = 0; i < onsets->n; ++i) {
      const double t = onsets->time_s[i];
      const double body = takes_between(all, take->n_frames, t + 0.05, t + 0.25);
      const double attack = takes_between(all, take->n_frames, t, t + 0.01);
      const double bright = takes_between(above, take->n_frames, t, t + 0.02);
      if (body > 0.0 && attack > 0.0 && bright > 0.0 && t + 0.25 < take->n_frames / (double)HOSTED_RATE_HZ) {
         figures.attack_db += 10.0 * log10(attack / body);
         figures.bright_onset_db += 10.0 * log10(bright / body);
         ++n;
      }
   }
   figures.attack_db /= n;
   figures.bright_onset_db /= n;
   free(all);
   free(above);
   free(below);
   bm_analysis_free(&analysis);
   return figures;
}

static inline double takes_figure(const TakeFigures* figures, uint32_t index)
{
   const double values[TAKES_N_FIGURES] = {figures->crest_db, figures->attack_db, figures->bright_onset_db,
                                           figures->highs_db, figures->lows_db,   figures->spread_lu,
                                           figures->detail_db};
   return values[index];
}

/** Bring a take to TAKES_LEVEL_DBFS, root mean square of what lies less than 40 dB under its peak, 10 ms
 * each. */
static inline void takes_level(HostedTake* take)
{
   double* sum = takes_energy(take, NULL);
   const uint32_t step = HOSTED_RATE_HZ / 100;
   double most = 0.0;
   for (uint32_t i = 0; i + step <= take->n_frames; i += step) {
      most = fmax(most, sum[i + step] - sum[i]);
   }
   double energy = 0.0;
   uint32_t n = 0;
   for (uint32_t i = 0; i + step <= take->n_frames; i += step) {
      if (sum[i + step] - sum[i] > 1e-4 * most) {
         energy += sum[i + step] - sum[i];
         ++n;
      }
   }
   free(sum);
   /* Mean of the two channels. */
   const double gain = pow(10.0, TAKES_LEVEL_DBFS / 20.0) / sqrt(energy / (2.0 * n * step));
   for (int c = 0; c < 2; ++c) {
      for (uint32_t i = 0; i < take->n_frames; ++i) {
         take->channel[c][i] = (float)(gain * (double)take->channel[c][i]);
      }
   }
}

/** A recorded phrase, as often as it fills `duration_s`. */
static inline HostedTake takes_phrase(const char* name, double duration_s)
{
   BmRecording phrase = bm_recording_phrase(name, HOSTED_RATE_HZ, 0.0);
   HostedTake take = hosted_take_new((uint32_t)(duration_s * 1000.0) * HOSTED_MS);
   for (uint32_t i = 0; i < take.n_frames; ++i) {
      const uint32_t at = i % phrase.n_frames;
      for (uint32_t c = 0; c < 2; ++c) {
         const uint32_t from = c < phrase.n_channels ? c : phrase.n_channels - 1;
         take.channel[c][i] = (float)phrase.samples[(size_t)at * phrase.n_channels + from];
      }
   }
   bm_recording_free(&phrase);
   takes_level(&take);
   return take;
}

/* Recorded notes, each read and brought to the rate once; freed when the program ends. */
static inline const BmRecording* takes_note(int key)
{
   static BmRecording notes[BM_RECORDINGS_HIGHEST_KEY + 1];
   if (!notes[key].samples) {
      notes[key] = bm_recording_note(key, HOSTED_RATE_HZ, 1.2);
   }
   return &notes[key];
}

static inline void takes_add_note(HostedTake* take, int key, double at_s, double gain_db, double ring_s)
{
   const BmRecording* note = takes_note(key);
   const uint32_t start = (uint32_t)(at_s * HOSTED_RATE_HZ);
   for (uint32_t i = 0; i < note->n_frames && start + i < take->n_frames; ++i) {
      const double t = (double)i / HOSTED_RATE_HZ;
      const double damped = t > ring_s ? exp(-(t - ring_s) / 0.03) : 1.0;
      const float x = (float)(pow(10.0, gain_db / 20.0) * damped * note->samples[i]);
      take->channel[0][start + i] += x;
      take->channel[1][start + i] += x;
   }
}

/** Recorded notes picked in eighths, two dynamics of accent; 8 s. */
static inline HostedTake takes_picked(void)
{
   static const int keys[] = {40, 55, 59, 64, 47, 55, 59, 64, 45, 57, 60, 64, 52, 57, 60, 64};
   static const double accents_db[] = {0.0, -8.0, -5.0, -3.0, -2.0, -9.0, -4.0, -6.0};
   HostedTake take = hosted_take_new(8 * HOSTED_RATE_HZ);
   for (uint32_t i = 0; i < 30; ++i) {
      takes_add_note(&take, keys[i % 16], 0.25 * i, accents_db[i % 8], i % 4 ? 0.6 : 1.0);
   }
   takes_level(&take);
   return take;
}

/** Recorded notes strummed as chords, loud and soft strokes and a quiet passage between two loud ones; 16 s.
 */
static inline HostedTake takes_strummed(void)
{
   static const int chords[4][6] = {
      {40, 47, 52, 56, 59, 64}, {45, 52, 57, 60, 64, 69}, {43, 47, 50, 55, 59, 67}, {50, 57, 62, 66, 69, 74}};
   static const double strokes_db[] = {0.0, -10.0, -3.0, -7.0, -1.0, -9.0, -4.0, -6.0};
   HostedTake take = hosted_take_new(16 * HOSTED_RATE_HZ);
   for (uint32_t i = 0; i < 38; ++i) {
      const double passage_db = i >= 14 && i < 26 ? -9.0 : 0.0;
      for (uint32_t s = 0; s < 6; ++s) {
         const uint32_t string = i % 2 ? 5 - s : s;
         takes_add_note(&take, chords[i / 4 % 4][string], 0.4 * i + 0.012 * s, strokes_db[i % 8] + passage_db,
                        0.38);
      }
   }
   takes_level(&take);
   return take;
}

#endif
