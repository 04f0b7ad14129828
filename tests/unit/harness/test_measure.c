/* SPDX-License-Identifier: ISC */
/* If these fail, the figures under a take mean something else than their names say, and every choice made by
   them is made on sand. */
#include "unit_test.h"

#include "format.h"
#include "measure.h"

#include <float.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>

typedef struct {
   double level_dbfs; /* peak; BM_QUIET: silence */
   double length_s;
} Part;

#define BM_QUIET (-1000.0)

/* Measures frames that a function writes, in chunks of any size. */
typedef void (*Source)(void* handle, uint64_t frame, float* left_right);

static BmAnalysis measure(double rate_hz, uint32_t n_channels, double length_s, double note_hz,
                          uint32_t chunk_frames, Source source, void* handle)
{
   const BmMeterOptions options = {
      .sample_rate_hz = rate_hz, .n_channels = n_channels, .lowest_note_hz = note_hz};
   BmMeter* const meter = bm_meter_new(&options);
   assert_non_null(meter);
   float* const chunk = malloc((size_t)chunk_frames * n_channels * sizeof *chunk);
   const uint64_t n_frames = (uint64_t)llround(length_s * rate_hz);
   for (uint64_t n = 0; n < n_frames;) {
      const uint32_t count = n_frames - n < chunk_frames ? (uint32_t)(n_frames - n) : chunk_frames;
      for (uint32_t i = 0; i < count; ++i) {
         float left_right[2];
         source(handle, n + i, left_right);
         memcpy(chunk + (size_t)i * n_channels, left_right, n_channels * sizeof *chunk);
      }
      bm_meter_add(meter, chunk, count);
      n += count;
   }
   free(chunk);
   BmAnalysis analysis;
   assert_true(bm_meter_finish(meter, &analysis));
   bm_meter_free(meter);
   return analysis;
}

/* A stereo 1 kHz sine, in phase, at the levels of its parts: the signals of EBU Tech 3341 and 3342. */
typedef struct {
   double rate_hz;
   const Part* parts;
   uint32_t n_parts;
   uint32_t part; /* begun, so the present one is the one before */
   uint64_t part_end;
} Steps;

static void step_source(void* handle, uint64_t frame, float* left_right)
{
   Steps* const self = handle;
   while (frame >= self->part_end) {
      double end_s = 0.0;
      for (uint32_t n = 0; n <= self->part; ++n) {
         end_s += self->parts[n].length_s;
      }
      self->part_end = self->part + 1 < self->n_parts ? (uint64_t)llround(end_s * self->rate_hz) : UINT64_MAX;
      ++self->part;
   }
   const double level_dbfs = self->parts[self->part - 1].level_dbfs;
   const double gain = level_dbfs > BM_QUIET ? pow(10.0, 0.05 * level_dbfs) : 0.0;
   left_right[0] = (float)(gain * sin(2.0 * M_PI * 1000.0 * (double)frame / self->rate_hz));
   left_right[1] = left_right[0];
}

static BmAnalysis measure_steps(double rate_hz, const Part* parts, uint32_t n_parts)
{
   Steps steps = {.rate_hz = rate_hz, .parts = parts, .n_parts = n_parts};
   double length_s = 0.0;
   for (uint32_t n = 0; n < n_parts; ++n) {
      length_s += parts[n].length_s;
   }
   return measure(rate_hz, 2, length_s, 0.0, 4096, step_source, &steps);
}

static void integrated_loudness_is_that_of_ebu_tech_3341(void** state)
{
   (void)state;
   /* EBU Tech 3341 v4 table 1, signals 1 to 5, +-0.1 LU. */
   const struct {
      Part parts[5];
      uint32_t n_parts;
      double expected_lufs;
   } signals[] = {
      {{{-23.0, 20.0}}, 1, -23.0},
      {{{-33.0, 20.0}}, 1, -33.0},
      {{{-36.0, 10.0}, {-23.0, 60.0}, {-36.0, 10.0}}, 3, -23.0},
      {{{-72.0, 10.0}, {-36.0, 10.0}, {-23.0, 60.0}, {-36.0, 10.0}, {-72.0, 10.0}}, 5, -23.0},
      {{{-26.0, 20.0}, {-20.0, 20.1}, {-26.0, 20.0}}, 3, -23.0},
   };
   for (uint32_t n = 0; n < 5; ++n) {
      /* The long ones at a lower rate, to be quick. */
      const double rate_hz = signals[n].n_parts == 1 ? 48000.0 : 16000.0;
      BmAnalysis analysis = measure_steps(rate_hz, signals[n].parts, signals[n].n_parts);
      assert_close(analysis.figures.integrated_lufs, signals[n].expected_lufs, 0.1);
      if (signals[n].n_parts == 1) {
         assert_close(analysis.figures.momentary_max_lufs, signals[n].expected_lufs, 0.1);
         assert_close(analysis.figures.short_term_max_lufs, signals[n].expected_lufs, 0.1);
      }
      bm_analysis_free(&analysis);
   }
}

static void loudness_does_not_depend_on_the_sample_rate(void** state)
{
   (void)state;
   const double rates_hz[] = {8000.0, 11025.0, 44100.0, 96000.0, 192000.0};
   for (uint32_t n = 0; n < sizeof rates_hz / sizeof *rates_hz; ++n) {
      const Part part = {-23.0, 3.1};
      BmAnalysis analysis = measure_steps(rates_hz[n], &part, 1);
      assert_close(analysis.figures.integrated_lufs, -23.0, 0.1);
      assert_close(analysis.figures.momentary_max_lufs, -23.0, 0.1);
      assert_close(analysis.figures.short_term_max_lufs, -23.0, 0.1);
      assert_int_equal(analysis.series.n_points, 31);
      bm_analysis_free(&analysis);
   }
}

static void short_term_and_momentary_loudness_hold_still_where_ebu_tech_3341_says(void** state)
{
   (void)state;
   /* Signals 9 and 12: constant after 3 s and 1 s. */
   Part slow[10];
   for (uint32_t n = 0; n < 10; ++n) {
      slow[n] = n % 2 ? (Part){-30.0, 1.66} : (Part){-20.0, 1.34};
   }
   BmAnalysis analysis = measure_steps(16000.0, slow, 10);
   for (uint32_t point = 30; point < analysis.series.n_points; ++point) {
      assert_close((double)analysis.series.short_term_lufs[point], -23.0, 0.1);
   }
   assert_true(isnan(analysis.series.short_term_lufs[28]));
   bm_analysis_free(&analysis);
   Part fast[50];
   for (uint32_t n = 0; n < 50; ++n) {
      fast[n] = n % 2 ? (Part){-30.0, 0.22} : (Part){-20.0, 0.18};
   }
   analysis = measure_steps(48000.0, fast, 50);
   for (uint32_t point = 10; point < analysis.series.n_points; ++point) {
      assert_close((double)analysis.series.momentary_lufs[point], -23.0, 0.1);
   }
   bm_analysis_free(&analysis);
}

static void the_loudest_moment_is_found_wherever_it_falls(void** state)
{
   (void)state;
   /* EBU Tech 3341 signals 10 and 13 (shift by i x 0.15 s, i x 20 ms), then 11 and 14: the last is loudest.
    */
   for (uint32_t i = 0; i < 20; i += 3) {
      const Part late3s[] = {{BM_QUIET, 0.15 * i}, {-23.0, 3.0}, {BM_QUIET, 1.0}};
      BmAnalysis analysis = measure_steps(16000.0, late3s, 3);
      assert_close(analysis.figures.short_term_max_lufs, -23.0, 0.1);
      bm_analysis_free(&analysis);
   }
   for (uint32_t i = 0; i < 20; ++i) {
      const Part late400ms[] = {{BM_QUIET, 0.02 * i}, {-23.0, 0.4}, {BM_QUIET, 1.0}};
      BmAnalysis analysis = measure_steps(48000.0, late400ms, 3);
      assert_close(analysis.figures.momentary_max_lufs, -23.0, 0.1);
      bm_analysis_free(&analysis);
   }
   Part rising[60];
   for (uint32_t i = 0; i < 20; ++i) {
      rising[3 * i] = (Part){BM_QUIET, 0.02 * i};
      rising[3 * i + 1] = (Part){-38.0 + i, 0.4};
      rising[3 * i + 2] = (Part){BM_QUIET, 1.0};
   }
   BmAnalysis analysis = measure_steps(16000.0, rising, 60);
   assert_close(analysis.figures.momentary_max_lufs, -19.0, 0.1);
   bm_analysis_free(&analysis);
}

static void loudness_range_is_that_of_ebu_tech_3342(void** state)
{
   (void)state;
   /* EBU Tech 3342 table 1, signals 1 to 4, +-1 LU there; +-0.1 here. */
   const struct {
      Part parts[5];
      uint32_t n_parts;
      double expected_lu;
   } signals[] = {
      {{{-20.0, 20.0}, {-30.0, 20.0}}, 2, 10.0},
      {{{-20.0, 20.0}, {-15.0, 20.0}}, 2, 5.0},
      {{{-40.0, 20.0}, {-20.0, 20.0}}, 2, 20.0},
      {{{-50.0, 20.0}, {-35.0, 20.0}, {-20.0, 20.0}, {-35.0, 20.0}, {-50.0, 20.0}}, 5, 15.0},
   };
   for (uint32_t n = 0; n < 4; ++n) {
      BmAnalysis analysis = measure_steps(16000.0, signals[n].parts, signals[n].n_parts);
      assert_close(analysis.figures.range_lu, signals[n].expected_lu, 0.1);
      bm_analysis_free(&analysis);
   }
}

typedef struct {
   double rate_hz;
   double frequency_hz;
   double phase_rad;
   double gain;
   double length_s;
} Tone;

/* Faded in and out over 100 ms: an abrupt start really overshoots. */
static void tone_source(void* handle, uint64_t frame, float* left_right)
{
   const Tone* const self = handle;
   const double time_s = (double)frame / self->rate_hz;
   const double edge_s = fmin(fmin(time_s, self->length_s - time_s), 0.1);
   const double fade = 0.5 - 0.5 * cos(M_PI * edge_s / 0.1);
   left_right[0] =
      (float)(fade * self->gain * sin(2.0 * M_PI * self->frequency_hz * time_s + self->phase_rad));
   left_right[1] = left_right[0];
}

static void true_peaks_between_the_samples_are_seen(void** state)
{
   (void)state;
   /* EBU Tech 3341 signals 15 to 19, +0.2/-0.4 dB. */
   const double rates_hz[] = {44100.0, 48000.0, 96000.0};
   const struct {
      double divisor;
      double phase_deg;
      double gain;
      double expected_dbtp;
   } signals[] = {{4.0, 0.0, 0.5, -6.0},
                  {4.0, 45.0, 0.5, -6.0},
                  {6.0, 60.0, 0.5, -6.0},
                  {8.0, 67.5, 0.5, -6.0},
                  {4.0, 45.0, 1.41, 3.0}};
   for (uint32_t rate = 0; rate < 3; ++rate) {
      for (uint32_t n = 0; n < 5; ++n) {
         Tone tone = {.rate_hz = rates_hz[rate],
                      .frequency_hz = rates_hz[rate] / signals[n].divisor,
                      .phase_rad = signals[n].phase_deg * M_PI / 180.0,
                      .gain = signals[n].gain,
                      .length_s = 0.5};
         BmAnalysis analysis = measure(tone.rate_hz, 2, 0.5, 0.0, 4096, tone_source, &tone);
         assert_between(analysis.figures.true_peak_dbtp, signals[n].expected_dbtp - 0.4,
                        signals[n].expected_dbtp + 0.2);
         bm_analysis_free(&analysis);
      }
   }
}

/* A band-limited pulse of peak 1, its crest a part of a sample away from the nearest one. */
static void pulse_source(void* handle, uint64_t frame, float* left_right)
{
   const double t = (double)frame - 2000.0 - *(const double*)handle;
   const double bell = fabs(t) < 200.0 ? 0.5 + 0.5 * cos(M_PI * t / 200.0) : 0.0;
   left_right[0] = (float)(t == 0.0 ? 1.0 : bell * sin(0.8 * M_PI * t) / (0.8 * M_PI * t));
   left_right[1] = left_right[0];
}

static void the_peak_of_a_pulse_is_seen_wherever_it_falls(void** state)
{
   (void)state;
   /* EBU Tech 3341 signals 20 to 23, +0.2/-0.4 dB: the pulse sampled at offsets of a quarter. */
   for (uint32_t quarter = 0; quarter < 4; ++quarter) {
      double offset = 0.25 * quarter;
      BmAnalysis analysis = measure(48000.0, 2, 0.1, 0.0, 4096, pulse_source, &offset);
      assert_between(analysis.figures.true_peak_dbtp, -0.4, 0.2);
      bm_analysis_free(&analysis);
   }
}

static void a_true_peak_at_96_khz_is_oversampled_four_times_too(void** state)
{
   (void)state;
   /* A sine of a third of the rate keeps its phase to the samples. Steps of 30 degrees (4x) miss its crest by
      15 at most and read 0.30 dB low; steps of 60 (2x) read up to 1.25 dB low. */
   double lowest_dbtp = 0.0;
   for (uint32_t step = 0; step < 12; ++step) {
      Tone tone = {.rate_hz = 96000.0,
                   .frequency_hz = 32000.0,
                   .phase_rad = step * M_PI / 36.0,
                   .gain = 1.0,
                   .length_s = 0.4};
      BmAnalysis analysis = measure(96000.0, 1, 0.4, 0.0, 4096, tone_source, &tone);
      lowest_dbtp = fmin(lowest_dbtp, analysis.figures.true_peak_dbtp);
      bm_analysis_free(&analysis);
   }
   assert_between(lowest_dbtp, -0.35, 0.05);
}

static void both_source(void* handle, uint64_t frame, float* left_right)
{
   const double rate_hz = 48000.0;
   const double correlation = *(const double*)handle;
   /* 1000 and 1010 Hz: apart to the last cycle over whole tenths of a second, alike to the K-weighting. */
   const double a = sin(2.0 * M_PI * 1000.0 * (double)frame / rate_hz);
   const double b = sin(2.0 * M_PI * 1010.0 * (double)frame / rate_hz);
   left_right[0] = (float)(0.1 * a);
   left_right[1] = (float)(0.1 * (correlation * a + sqrt(1.0 - correlation * correlation) * b));
}

static void correlation_and_mono_change_follow_their_formulas(void** state)
{
   (void)state;
   /* For equal powers: 10 log10((1 + rho) / 2). */
   const double table[][2] = {{1.0, 0.0},    {0.9, -0.22},  {0.5, -1.25},   {0.3, -1.87},   {0.0, -3.01},
                              {-0.3, -4.56}, {-0.5, -6.02}, {-0.9, -13.01}, {-0.99, -23.01}};
   for (uint32_t n = 0; n < sizeof table / sizeof *table; ++n) {
      double correlation = table[n][0];
      BmAnalysis analysis = measure(48000.0, 2, 4.0, 0.0, 4096, both_source, &correlation);
      assert_close(analysis.figures.correlation, table[n][0], 1e-6);
      assert_close(analysis.figures.mono_change_lu, table[n][1], 0.03);
      for (uint32_t point = 0; point < analysis.series.n_points; ++point) {
         assert_close((double)analysis.series.correlation[point], table[n][0], 1e-5);
      }
      bm_analysis_free(&analysis);
   }
   double opposite = -1.0;
   BmAnalysis analysis = measure(48000.0, 2, 2.0, 0.0, 4096, both_source, &opposite);
   assert_close(analysis.figures.correlation, -1.0, 1e-9);
   assert_true(isinf(analysis.figures.mono_change_lu) && analysis.figures.mono_change_lu < 0.0);
   bm_analysis_free(&analysis);
}

static void left_only_source(void* handle, uint64_t frame, float* left_right)
{
   const double x = sin(2.0 * M_PI * 1000.0 * (double)frame / 48000.0);
   left_right[0] = (float)(*(const double*)handle > 0.0 ? copysign(0.5, x + 1e-9) : 0.5 * x);
   left_right[1] = 0.0f;
}

static void crest_factor_is_3_db_for_a_sine_wherever_it_is_panned_and_0_for_a_square(void** state)
{
   (void)state;
   double is_square = 0.0;
   for (uint32_t n_channels = 1; n_channels <= 2; ++n_channels) {
      BmAnalysis analysis = measure(48000.0, n_channels, 1.0, 0.0, 4096, left_only_source, &is_square);
      assert_close(analysis.figures.crest_db, 3.0103, 1e-4);
      assert_true(isnan(analysis.figures.correlation));
      bm_analysis_free(&analysis);
   }
   is_square = 1.0;
   BmAnalysis analysis = measure(48000.0, 2, 1.0, 0.0, 4096, left_only_source, &is_square);
   assert_close(analysis.figures.crest_db, 0.0, 1e-9);
   bm_analysis_free(&analysis);
}

static void noise_source(void* handle, uint64_t frame, float* left_right)
{
   (void)frame;
   left_right[0] = (float)(0.25 * bm_test_random(handle));
   left_right[1] = (float)(0.25 * bm_test_random(handle));
}

static void two_tones_source(void* handle, uint64_t frame, float* left_right)
{
   (void)handle;
   left_right[0] = (float)(0.05 * sin(2.0 * M_PI * 4900.0 * (double)frame / 48000.0) +
                           0.5 * sin(2.0 * M_PI * 5100.0 * (double)frame / 48000.0));
   left_right[1] = left_right[0];
}

static void the_share_of_highs_is_a_share_of_energy(void** state)
{
   (void)state;
   /* White noise to 24 kHz: 19 parts of 24. Two tones, just below and just above, 20 dB apart: 0.01 / 1.01.
    */
   uint64_t seed = 7;
   BmAnalysis analysis = measure(48000.0, 2, 4.0, 0.0, 4096, noise_source, &seed);
   assert_close(analysis.figures.highs_db, 10.0 * log10(19.0 / 24.0), 0.05);
   bm_analysis_free(&analysis);
   analysis = measure(48000.0, 2, 1.0, 0.0, 4096, two_tones_source, NULL);
   assert_close(analysis.figures.highs_db, -0.0432, 0.01);
   bm_analysis_free(&analysis);
}

/* An open E string (ISO 16: 82.407 Hz) over rumble at 30 Hz and an offset, each at its own gain, and all
   faded in and out over the 8 s: what is cut off has energy everywhere. */
typedef struct {
   double note;
   double rumble;
   double offset;
} Low;

static void low_source(void* handle, uint64_t frame, float* left_right)
{
   const Low* const low = handle;
   const double time_s = (double)frame / 48000.0;
   left_right[0] =
      (float)(sin(M_PI * time_s / 8.0) * (low->note * sin(2.0 * M_PI * 82.407 * time_s) +
                                          low->rumble * sin(2.0 * M_PI * 30.0 * time_s) + low->offset));
   left_right[1] = left_right[0];
}

static double under_note_db(double note, double rumble, double offset)
{
   Low low = {note, rumble, offset};
   BmAnalysis analysis = measure(48000.0, 2, 8.0, 82.407, 4096, low_source, &low);
   const double share_db = analysis.figures.under_note_db;
   bm_analysis_free(&analysis);
   return share_db;
}

/* Open strings and others of the reference sheet: equal temperament on A4 = 440 Hz (ISO 16). */
static void a_note_is_known_by_its_name(void** state)
{
   (void)state;
   const struct {
      const char* name;
      double frequency_hz;
   } notes[] = {{"E2", 82.407}, {"A2", 110.0},    {"a4", 440.0},    {"B1", 61.735}, {"C2", 65.406},
                {"B0", 30.868}, {"F#3", 184.997}, {"Gb3", 184.997}, {"E5", 659.255}};
   for (size_t n = 0; n < sizeof notes / sizeof *notes; ++n) {
      assert_close(bm_named_note_hz(notes[n].name), notes[n].frequency_hz, 0.001);
   }
   static const char* const others[] = {"", "E", "H2", "E22", "E2 ", "2E", "E##2", "82.4", "E-1"};
   for (size_t n = 0; n < sizeof others / sizeof *others; ++n) {
      assert_true(isnan(bm_named_note_hz(others[n])));
   }
}

static void what_lies_under_the_lowest_note_is_a_share_of_energy(void** state)
{
   (void)state;
   assert_close(under_note_db(0.5, 0.05, 0.0), 10.0 * log10(0.01 / 1.01), 0.05);
   assert_close(under_note_db(0.5, 0.005, 0.0), 10.0 * log10(0.0001 / 1.0001), 0.1);
   assert_close(under_note_db(0.5, 0.0, 0.05), 10.0 * log10(0.02 / 1.02),
                0.05); /* an offset is under any note */
   assert_close(under_note_db(0.0, 0.5, 0.0), 0.0, 0.05);
   assert_true(under_note_db(0.5, 0.0, 0.0) < -65.0); /* the note itself is not under it */
   BmAnalysis analysis = measure(48000.0, 2, 1.0, 0.0, 4096, two_tones_source, NULL);
   assert_true(isnan(analysis.figures.under_note_db)); /* no note, nothing under it */
   bm_analysis_free(&analysis);
}

static void the_spectrum_holds_the_passages_energy_to_the_last_frame(void** state)
{
   (void)state;
   /* A click in the first frame, in the last, or anywhere between weighs the same (Parseval). */
   const uint64_t n_frames = 50001;
   const uint64_t places[] = {0, 1, 4095, 4096, 20000, 49999, 50000};
   for (uint32_t n = 0; n < sizeof places / sizeof *places; ++n) {
      BmSpectrumMeter* const meter = bm_spectrum_meter_new(4096, 48000.0, 1, NULL, NULL);
      for (uint64_t frame = 0; frame < n_frames; ++frame) {
         const float x = frame == places[n] ? 1.0f : 0.0f;
         bm_spectrum_meter_add(meter, &x, 1);
      }
      BmSpectrum spectrum;
      assert_true(bm_spectrum_meter_finish(meter, &spectrum));
      bm_spectrum_meter_free(meter);
      const double power = bm_spectrum_band_power(&spectrum, 0.0, 48000.0);
      assert_close(10.0 * log10(power * (double)n_frames), 0.0, 1e-4);
      bm_spectrum_free(&spectrum);
   }
}

static void a_smoothed_spectrum_reads_a_sine_at_its_level_and_pink_noise_flat(void** state)
{
   (void)state;
   BmSpectrum spectrum = {.n_bins = 8193, .bin_hz = 48000.0 / 16384.0};
   spectrum.power = calloc(spectrum.n_bins, sizeof *spectrum.power);
   for (uint32_t bin = 1; bin < spectrum.n_bins; ++bin) {
      spectrum.power[bin] = 1e-3 / bin;
   }
   double frequency_hz[200];
   double level_db[200];
   bm_log_frequencies(60.0, 20000.0, frequency_hz, 200);
   bm_spectrum_smooth(&spectrum, 6.0, frequency_hz, 200, level_db);
   for (uint32_t n = 0; n < 200; ++n) {
      /* 1e-3 ln(2^(1/6)), twice for dBFS of a sine. */
      assert_close(level_db[n], 10.0 * log10(2.0 * 1e-3 * log(2.0) / 6.0), 0.1);
   }
   bm_spectrum_free(&spectrum);
}

/* Plucked tones: 2 kHz that dies away with time constant tau, every 0.6 s, each after true silence. */
typedef struct {
   double rate_hz;
   double gain;
   double decay_s;
   double noise;
   uint64_t seed;
} Plucks;

static void pluck_source(void* handle, uint64_t frame, float* left_right)
{
   Plucks* const self = handle;
   const double time_s = (double)frame / self->rate_hz;
   const double since_s = fmod(time_s - 0.3, 0.6);
   double x = self->noise * fmin(time_s / 0.2, 1.0) * bm_test_random(&self->seed); /* no onset of its own */
   if (time_s >= 0.3 && since_s < 0.5) {
      x += exp(-since_s / self->decay_s) * sin(2.0 * M_PI * 2000.0 * since_s);
   }
   left_right[0] = (float)(self->gain * x);
   left_right[1] = 0.5f * left_right[0];
}

static double attack_to_sustain_of_decay(double decay_s)
{
   /* Mean squares of exp(-2 t / tau) over 0 to 10 ms and 50 to 250 ms. */
   const double attack = (1.0 - exp(-2.0 * 0.010 / decay_s)) / 0.010;
   const double sustain = (exp(-2.0 * 0.050 / decay_s) - exp(-2.0 * 0.250 / decay_s)) / 0.200;
   return 10.0 * log10(attack / sustain);
}

static void attack_to_sustain_is_that_of_an_exponential_decay(void** state)
{
   (void)state;
   const double decays_s[] = {0.05, 0.1, 0.3, 1.0};
   const double rates_hz[] = {16000.0, 44100.0, 96000.0};
   for (uint32_t rate = 0; rate < 3; ++rate) {
      for (uint32_t n = 0; n < 4; ++n) {
         Plucks plucks = {.rate_hz = rates_hz[rate], .gain = 0.5, .decay_s = decays_s[n], .seed = 3};
         BmAnalysis analysis = measure(plucks.rate_hz, 2, 3.3, 0.0, 4096, pluck_source, &plucks);
         assert_close(analysis.figures.n_onsets, 5.0, 0.0);
         assert_close(analysis.figures.attack_to_sustain_db, attack_to_sustain_of_decay(decays_s[n]), 0.3);
         bm_analysis_free(&analysis);
      }
   }
}

static void onsets_are_heard_at_any_level_and_through_noise(void** state)
{
   (void)state;
   const double gains[] = {1.0, 0.1, 0.01};
   for (uint32_t n = 0; n < 3; ++n) {
      Plucks plucks = {.rate_hz = 48000.0, .gain = gains[n], .decay_s = 0.2, .noise = 0.003, .seed = 3};
      BmAnalysis analysis = measure(48000.0, 2, 6.3, 0.0, 4096, pluck_source, &plucks);
      assert_close(analysis.figures.n_onsets, 10.0, 0.0);
      assert_close(analysis.figures.attack_to_sustain_db, attack_to_sustain_of_decay(0.2), 0.5);
      bm_analysis_free(&analysis);
   }
}

static void steady_noise_has_no_onset_but_its_start(void** state)
{
   (void)state;
   for (uint64_t seed = 1; seed <= 2; ++seed) {
      uint64_t random = seed;
      BmAnalysis analysis = measure(48000.0, 1, 12.0, 0.0, 4096, noise_source, &random);
      assert_between(analysis.figures.n_onsets, 1.0, 1.0);
      assert_close(analysis.figures.attack_to_sustain_db, 0.0, 0.5);
      bm_analysis_free(&analysis);
   }
}

/* A note of four harmonics that sounds every other second over a higher one. */
static const double harmonic_gain[4] = {0.2, 0.1, 0.05, 0.01};

static void note_source(void* handle, uint64_t frame, float* left_right)
{
   const double time_s = (double)frame / 48000.0;
   double x = 0.1 * sin(2.0 * M_PI * 493.9 * time_s);
   if (fmod(time_s, 2.0) < 1.0) {
      for (uint32_t n = 0; n < 4; ++n) {
         x += harmonic_gain[n] * sin(2.0 * M_PI * (n + 1) * *(const double*)handle * time_s);
      }
   }
   left_right[0] = (float)x;
   left_right[1] = (float)x;
}

static void harmonics_of_the_lowest_note_are_weighed_while_it_sounds(void** state)
{
   (void)state;
   const double notes_hz[] = {82.407, 110.0, 146.832, 195.998};
   for (uint32_t n = 0; n < 4; ++n) {
      double note_hz = notes_hz[n];
      BmAnalysis analysis = measure(48000.0, 2, 12.0, note_hz, 4096, note_source, &note_hz);
      assert_close(analysis.figures.lowest_note_hz, note_hz, 0.0);
      for (uint32_t h = 0; h < 4; ++h) {
         /* Windows half filled at the note's edges cost about a decibel of the mean. */
         assert_between(analysis.figures.harmonic_dbfs[h] - 20.0 * log10(harmonic_gain[h]), -1.5, 0.1);
      }
      bm_analysis_free(&analysis);
   }
}

static void figures_are_the_same_to_the_bit_for_every_chunk_size(void** state)
{
   (void)state;
   const uint32_t chunks[] = {1, 7, 1000, 65536};
   BmAnalysis first = {0};
   for (uint32_t n = 0; n < 4; ++n) {
      Plucks plucks = {.rate_hz = 44100.0, .gain = 0.5, .decay_s = 0.2, .noise = 0.01, .seed = 5};
      BmAnalysis analysis = measure(44100.0, 2, 3.2, 150.0, chunks[n], pluck_source, &plucks);
      if (n == 0) {
         first = analysis;
         continue;
      }
      uint32_t n_descriptors;
      const BmDescriptor* const all = bm_descriptors(&n_descriptors);
      for (uint32_t d = 0; d < n_descriptors; ++d) {
         const double a = bm_measurement_value(&first.figures, &all[d]);
         const double b = bm_measurement_value(&analysis.figures, &all[d]);
         if (!(a == b || (isnan(a) && isnan(b)))) {
            fail_msg("%s differs: %.17g and %.17g", all[d].key, a, b);
         }
      }
      assert_int_equal(first.series.n_points, analysis.series.n_points);
      assert_memory_equal(first.series.momentary_lufs, analysis.series.momentary_lufs,
                          first.series.n_points * sizeof(float));
      assert_memory_equal(first.outline.max, analysis.outline.max, sizeof first.outline.max);
      assert_memory_equal(first.spectrum.power, analysis.spectrum.power,
                          first.spectrum.n_bins * sizeof(double));
      bm_analysis_free(&analysis);
   }
   bm_analysis_free(&first);
}

static void silent_source(void* handle, uint64_t frame, float* left_right)
{
   (void)handle;
   (void)frame;
   left_right[0] = 0.0f;
   left_right[1] = 0.0f;
}

static void broken_source(void* handle, uint64_t frame, float* left_right)
{
   (void)handle;
   left_right[0] = frame == 100 ? NAN : frame == 200 ? INFINITY : 0.1f;
   left_right[1] = -left_right[0];
}

static void silence_and_broken_samples_leave_no_nonsense(void** state)
{
   (void)state;
   const double lengths_s[] = {0.0, 0.001, 0.39, 5.0};
   for (uint32_t n = 0; n < 4; ++n) {
      BmAnalysis analysis = measure(48000.0, 2, lengths_s[n], 100.0, 512, silent_source, NULL);
      assert_true(!isfinite(analysis.figures.integrated_lufs));
      assert_true(isinf(analysis.figures.true_peak_dbtp));
      assert_true(isnan(analysis.figures.crest_db));
      assert_true(isnan(analysis.figures.correlation));
      assert_true(isnan(analysis.figures.highs_db));
      assert_true(isnan(analysis.figures.under_note_db));
      assert_true(isnan(analysis.figures.attack_to_sustain_db));
      assert_true(isnan(analysis.figures.harmonic_dbfs[0]));
      bm_analysis_free(&analysis);
   }
   BmAnalysis analysis = measure(48000.0, 2, 1.0, 0.0, 512, broken_source, NULL);
   assert_close(analysis.figures.correlation, -1.0, 1e-6);
   assert_true(isfinite(analysis.figures.integrated_lufs));
   bm_analysis_free(&analysis);
}

static void spike_source(void* handle, uint64_t frame, float* left_right)
{
   left_right[0] = 0.0f;
   left_right[1] = frame == *(const uint64_t*)handle ? -0.9f : 0.0f;
}

static void the_outline_keeps_every_peak_in_its_place(void** state)
{
   (void)state;
   for (uint64_t place = 0; place < 99000; place += 12345) {
      BmAnalysis analysis = measure(8000.0, 2, 12.5, 0.0, 4096, spike_source, &place);
      const BmOutline* const outline = &analysis.outline;
      assert_true(outline->n_columns * outline->column_frames >= 100000);
      assert_true(outline->n_columns > BM_OUTLINE_MAX_COLUMNS / 2);
      for (uint32_t n = 0; n < outline->n_columns; ++n) {
         const bool holds_it = n == place / outline->column_frames;
         assert_true(outline->min[n] == (holds_it ? -0.9f : 0.0f));
         assert_true(outline->max[n] == 0.0f);
      }
      bm_analysis_free(&analysis);
   }
}

static void a_meter_refuses_what_it_cannot_measure(void** state)
{
   (void)state;
   const BmMeterOptions bad[] = {
      {.sample_rate_hz = 48000.0, .n_channels = 0},
      {.sample_rate_hz = 48000.0, .n_channels = 3},
      {.sample_rate_hz = 100.0, .n_channels = 2},
      {.sample_rate_hz = (double)NAN, .n_channels = 2},
   };
   for (uint32_t n = 0; n < 4; ++n) {
      assert_null(bm_meter_new(&bad[n]));
   }
}

int main(void)
{
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(integrated_loudness_is_that_of_ebu_tech_3341),
      cmocka_unit_test(loudness_does_not_depend_on_the_sample_rate),
      cmocka_unit_test(short_term_and_momentary_loudness_hold_still_where_ebu_tech_3341_says),
      cmocka_unit_test(the_loudest_moment_is_found_wherever_it_falls),
      cmocka_unit_test(loudness_range_is_that_of_ebu_tech_3342),
      cmocka_unit_test(true_peaks_between_the_samples_are_seen),
      cmocka_unit_test(the_peak_of_a_pulse_is_seen_wherever_it_falls),
      cmocka_unit_test(a_true_peak_at_96_khz_is_oversampled_four_times_too),
      cmocka_unit_test(correlation_and_mono_change_follow_their_formulas),
      cmocka_unit_test(crest_factor_is_3_db_for_a_sine_wherever_it_is_panned_and_0_for_a_square),
      cmocka_unit_test(the_share_of_highs_is_a_share_of_energy),
      cmocka_unit_test(a_note_is_known_by_its_name),
      cmocka_unit_test(what_lies_under_the_lowest_note_is_a_share_of_energy),
      cmocka_unit_test(the_spectrum_holds_the_passages_energy_to_the_last_frame),
      cmocka_unit_test(a_smoothed_spectrum_reads_a_sine_at_its_level_and_pink_noise_flat),
      cmocka_unit_test(attack_to_sustain_is_that_of_an_exponential_decay),
      cmocka_unit_test(onsets_are_heard_at_any_level_and_through_noise),
      cmocka_unit_test(steady_noise_has_no_onset_but_its_start),
      cmocka_unit_test(harmonics_of_the_lowest_note_are_weighed_while_it_sounds),
      cmocka_unit_test(figures_are_the_same_to_the_bit_for_every_chunk_size),
      cmocka_unit_test(silence_and_broken_samples_leave_no_nonsense),
      cmocka_unit_test(the_outline_keeps_every_peak_in_its_place),
      cmocka_unit_test(a_meter_refuses_what_it_cannot_measure),
   };
   return cmocka_run_group_tests(tests, NULL, NULL);
}
