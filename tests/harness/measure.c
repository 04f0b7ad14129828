/* SPDX-License-Identifier: ISC */
#include "measure.h"

#include "onset.h"

#include <ebur128.h>

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define HIGHS_FROM_HZ 5000.0

/* Far enough below a note that the window's side lobes of it do not count as rumble: under -60 dB of it. */
#define UNDER_NOTE 0.70710678118654752

/* Loudness is looked at every 10 ms: EBU Tech 3341 signal 13 needs it. */
#define HOPS_PER_S 100
#define MOMENTARY_HOPS 40
#define SHORT_TERM_HOPS 300
#define HOPS_PER_POINT 10
#define SHORTEST_LOUDNESS_S 0.4

/* The spectrum's window: 0.34 s at 48 kHz, so that semitones part from E2 upwards. */
#define SPECTRUM_S 0.34

/* A harmonic is what lies within a quarter tone, or within the Hann window's main lobe if that is wider. */
#define HARMONIC_HALF_WIDTH 1.0293022366434921 /* 2^(1/24) */
#define LOBE_BINS 2.5
#define NOTE_GATE_DB 20.0

/* libebur128 oversamples 4 times below 96 kHz and less above; a meter told this rate does so at every rate.
 */
#define TRUE_PEAK_RATE 48000

/* What a harmonic meter keeps of each window; the gate is only known at the end. */
typedef struct {
   float power[BM_N_HARMONICS];
} NoteWindow;

struct BmMeter {
   BmMeterOptions options;
   bool has_failed;
   uint64_t n_frames;

   ebur128_state* loudness;
   ebur128_state* mono_loudness; /* of (L+R)/2, counted as two channels; NULL for mono */
   ebur128_state* true_peak;     /* NULL if it is not wanted */
   float* scratch;               /* [CHUNK_FRAMES x 2] */

   uint64_t n_hops;
   double hop_power[SHORT_TERM_HOPS]; /* ring: K-weighted, channels summed */
   double momentary_max_power;
   double short_term_max_power;
   BmSeries series;

   double peak[2];
   double square_sum[2];
   double product_sum;
   double step_square_sum[2]; /* since the last point of the series */
   double step_product_sum;

   BmOnsetMeter* onsets;
   double onset_db_sum;
   uint32_t n_onsets;

   BmSpectrumMeter* spectrum;
   NoteWindow* windows;
   uint32_t n_windows;
   uint32_t capacity_windows;

   BmOutline outline;
   uint64_t outline_frames; /* in the newest column */
};

#define CHUNK_FRAMES 4096

static const BmDescriptor descriptors[] = {
   {"integrated_lufs", "Integrated loudness", "LUFS", 1,
    "Gated loudness of the whole passage (ITU-R BS.1770-4, EBU R 128). One channel is weighed as one "
    "loudspeaker: "
    "on two it is 3 LU louder.",
    offsetof(BmMeasurement, integrated_lufs)},
   {"momentary_max_lufs", "Loudest 400 ms", "LUFS", 1, "Highest momentary loudness (EBU Tech 3341).",
    offsetof(BmMeasurement, momentary_max_lufs)},
   {"short_term_max_lufs", "Loudest 3 s", "LUFS", 1, "Highest short-term loudness (EBU Tech 3341).",
    offsetof(BmMeasurement, short_term_max_lufs)},
   {"range_lu", "Loudness range", "LU", 1,
    "Spread of the short-term loudness, 10th to 95th percentile (EBU Tech 3342).",
    offsetof(BmMeasurement, range_lu)},
   {"true_peak_dbtp", "True peak", "dBTP", 1,
    "Highest peak between the samples too, 4 times oversampled (ITU-R BS.1770-4, Annex 2).",
    offsetof(BmMeasurement, true_peak_dbtp)},
   {"crest_db", "Crest factor", "dB", 1,
    "Peak over RMS of the passage: 3.0 for a sine. Of two channels the mean, weighted by their energy.",
    offsetof(BmMeasurement, crest_db)},
   {"attack_to_sustain_db", "Attack to sustain", "dB", 1,
    "Mean over the onsets: power of the first 10 ms over that of 50 to 250 ms after.",
    offsetof(BmMeasurement, attack_to_sustain_db)},
   {"onsets", "Onsets heard", "", 0, "How many onsets that mean holds (spectral flux, Bello et al. 2005).",
    offsetof(BmMeasurement, n_onsets)},
   {"highs_db", "Share above 5 kHz", "dB", 1, "Energy above 5 kHz over all energy.",
    offsetof(BmMeasurement, highs_db)},
   {"lowest_note_hz", "Lowest note", "Hz", 1, "The lowest note that really sounded.",
    offsetof(BmMeasurement, lowest_note_hz)},
   {"under_note_db", "Share under lowest note", "dB", 1,
    "Energy more than half an octave under the lowest note (rumble, handling, air) over all energy.",
    offsetof(BmMeasurement, under_note_db)},
   {"harmonic1_dbfs", "Lowest note, fundamental", "dBFS", 1,
    "Level of the lowest note's fundamental while it sounds; a full-scale sine reads 0 (AES17).",
    offsetof(BmMeasurement, harmonic_dbfs[0])},
   {"harmonic2_dbfs", "Lowest note, 2nd harmonic", "dBFS", 1, "The same for its second harmonic.",
    offsetof(BmMeasurement, harmonic_dbfs[1])},
   {"harmonic3_dbfs", "Lowest note, 3rd harmonic", "dBFS", 1, "The same for its third harmonic.",
    offsetof(BmMeasurement, harmonic_dbfs[2])},
   {"harmonic4_dbfs", "Lowest note, 4th harmonic", "dBFS", 1, "The same for its fourth harmonic.",
    offsetof(BmMeasurement, harmonic_dbfs[3])},
   {"correlation", "Correlation", "", 2, "1: left and right alike; 0: unrelated; -1: they cancel in mono.",
    offsetof(BmMeasurement, correlation)},
   {"mono_change_lu", "Folded to mono", "LU", 1,
    "Loudness of (L+R)/2 on both channels minus that of the stereo signal: 0 if both are alike, about -3 if "
    "they are unrelated.",
    offsetof(BmMeasurement, mono_change_lu)},
};

const BmDescriptor* bm_descriptors(uint32_t* n_descriptors)
{
   *n_descriptors = sizeof descriptors / sizeof *descriptors;
   return descriptors;
}

double bm_measurement_value(const BmMeasurement* self, const BmDescriptor* descriptor)
{
   double value;
   memcpy(&value, (const char*)self + descriptor->offset, sizeof value);
   return value;
}

void bm_analysis_free(BmAnalysis* self)
{
   free(self->series.momentary_lufs);
   free(self->series.short_term_lufs);
   free(self->series.correlation);
   free(self->series.lowest_note_hz);
   bm_spectrum_free(&self->spectrum);
   self->series = (BmSeries){0};
}

static double lufs_from_power(double power)
{
   return power > 0.0 ? -0.691 + 10.0 * log10(power) : -(double)INFINITY; /* BS.1770-4 equation 2 */
}

static double correlation_of(double left_square, double right_square, double product)
{
   const double scale = sqrt(left_square) * sqrt(right_square);
   return scale > 0.0 ? fmin(fmax(product / scale, -1.0), 1.0) : (double)NAN;
}

static void hear_onset(void* handle, const BmOnset* onset)
{
   BmMeter* const self = handle;
   if (onset->attack_power > 0.0 && onset->sustain_power > 0.0) {
      self->onset_db_sum += 10.0 * log10(onset->attack_power / onset->sustain_power);
      ++self->n_onsets;
   }
}

static void hear_window(void* handle, const double* power, uint32_t n_bins, int64_t centre_frame)
{
   (void)centre_frame;
   BmMeter* const self = handle;
   if (self->n_windows == self->capacity_windows) {
      const uint32_t capacity = self->capacity_windows ? 2 * self->capacity_windows : 256;
      NoteWindow* const windows = realloc(self->windows, capacity * sizeof *windows);
      if (!windows) {
         self->has_failed = true;
         return;
      }
      self->windows = windows;
      self->capacity_windows = capacity;
   }
   const BmSpectrum view = {
      .n_bins = n_bins, .bin_hz = 0.5 * self->options.sample_rate_hz / (n_bins - 1), .power = (double*)power};
   NoteWindow* const window = &self->windows[self->n_windows++];
   for (uint32_t n = 0; n < BM_N_HARMONICS; ++n) {
      const double centre_hz = (n + 1) * self->options.lowest_note_hz;
      const double half_hz = fmax(centre_hz * (HARMONIC_HALF_WIDTH - 1.0), LOBE_BINS * view.bin_hz);
      window->power[n] = (float)bm_spectrum_band_power(&view, centre_hz - half_hz, centre_hz + half_hz);
   }
}

static void finish_note(const BmMeter* self, BmMeasurement* figures)
{
   figures->lowest_note_hz = self->options.lowest_note_hz > 0.0 ? self->options.lowest_note_hz : (double)NAN;
   float loudest = 0.0f;
   for (uint32_t i = 0; i < self->n_windows; ++i) {
      loudest = fmaxf(loudest, self->windows[i].power[0]);
   }
   const double gate = (double)loudest * pow(10.0, -0.1 * NOTE_GATE_DB);
   double sum[BM_N_HARMONICS] = {0.0};
   uint32_t n_sounding = 0;
   for (uint32_t i = 0; i < self->n_windows; ++i) {
      if (loudest > 0.0f && (double)self->windows[i].power[0] >= gate) {
         ++n_sounding;
         for (uint32_t n = 0; n < BM_N_HARMONICS; ++n) {
            sum[n] += (double)self->windows[i].power[n];
         }
      }
   }
   for (uint32_t n = 0; n < BM_N_HARMONICS; ++n) {
      const bool is_there = (n + 1) * self->options.lowest_note_hz < 0.5 * self->options.sample_rate_hz;
      figures->harmonic_dbfs[n] =
         n_sounding && is_there ? 10.0 * log10(2.0 * sum[n] / n_sounding) : (double)NAN;
   }
}

/* 10 log10 of the part of the energy that lies from low_hz to high_hz. */
static double share_db(const BmSpectrum* spectrum, double low_hz, double high_hz)
{
   const double all = bm_spectrum_band_power(spectrum, 0.0, (double)INFINITY);
   const double part = bm_spectrum_band_power(spectrum, low_hz, high_hz);
   return !(all > 0.0) ? (double)NAN : part > 0.0 ? 10.0 * log10(part / all) : -(double)INFINITY;
}

double bm_under_note_db(const BmSpectrum* spectrum, double note_hz)
{
   return note_hz > 0.0 ? share_db(spectrum, 0.0, note_hz * UNDER_NOTE) : (double)NAN;
}

static bool grow(float** values, uint32_t capacity)
{
   float* const grown = realloc(*values, capacity * sizeof *grown);
   if (grown) {
      *values = grown;
   }
   return grown;
}

static void push_point(BmMeter* self, double momentary_lufs, double short_term_lufs)
{
   BmSeries* const series = &self->series;
   if (series->n_points == series->capacity_points) {
      const uint32_t capacity = series->capacity_points ? 2 * series->capacity_points : 256;
      if (!grow(&series->momentary_lufs, capacity) || !grow(&series->short_term_lufs, capacity) ||
          !grow(&series->correlation, capacity) || !grow(&series->lowest_note_hz, capacity)) {
         self->has_failed = true;
         return;
      }
      series->capacity_points = capacity;
   }
   const uint32_t point = series->n_points++;
   series->momentary_lufs[point] = (float)momentary_lufs;
   series->short_term_lufs[point] = (float)short_term_lufs;
   series->correlation[point] =
      (float)(self->options.n_channels == 2
                 ? correlation_of(self->step_square_sum[0], self->step_square_sum[1], self->step_product_sum)
                 : (double)NAN);
   series->lowest_note_hz[point] = NAN;
   self->step_square_sum[0] = 0.0;
   self->step_square_sum[1] = 0.0;
   self->step_product_sum = 0.0;
}

static double mean_of_hops(const BmMeter* self, uint32_t n_hops)
{
   double sum = 0.0;
   for (uint64_t hop = self->n_hops - n_hops; hop < self->n_hops; ++hop) {
      sum += self->hop_power[hop % SHORT_TERM_HOPS];
   }
   return sum / n_hops;
}

static void finish_hop(BmMeter* self)
{
   double lufs = -(double)INFINITY;
   if (ebur128_loudness_window(self->loudness, 1000 / HOPS_PER_S, &lufs) != EBUR128_SUCCESS) {
      self->has_failed = true;
   }
   self->hop_power[self->n_hops % SHORT_TERM_HOPS] = isfinite(lufs) ? pow(10.0, 0.1 * (lufs + 0.691)) : 0.0;
   ++self->n_hops;
   double momentary_lufs = (double)NAN;
   double short_term_lufs = (double)NAN;
   if (self->n_hops >= MOMENTARY_HOPS) {
      const double power = mean_of_hops(self, MOMENTARY_HOPS);
      self->momentary_max_power = fmax(self->momentary_max_power, power);
      momentary_lufs = lufs_from_power(power);
   }
   if (self->n_hops >= SHORT_TERM_HOPS) {
      const double power = mean_of_hops(self, SHORT_TERM_HOPS);
      self->short_term_max_power = fmax(self->short_term_max_power, power);
      short_term_lufs = lufs_from_power(power);
   }
   if (self->n_hops % HOPS_PER_POINT == 0) {
      push_point(self, momentary_lufs, short_term_lufs);
   }
}

/* Two columns become one. */
static void halve_outline(BmOutline* outline)
{
   for (uint32_t n = 0; n < BM_OUTLINE_MAX_COLUMNS / 2; ++n) {
      outline->min[n] = fminf(outline->min[2 * n], outline->min[2 * n + 1]);
      outline->max[n] = fmaxf(outline->max[2 * n], outline->max[2 * n + 1]);
   }
   outline->n_columns /= 2;
   outline->column_frames *= 2;
}

static void draw_outline(BmMeter* self, const float* interleaved, uint32_t n_frames)
{
   BmOutline* const outline = &self->outline;
   const uint32_t n_channels = self->options.n_channels;
   for (uint32_t n = 0; n < n_frames;) {
      if (self->outline_frames == 0) {
         if (outline->n_columns == BM_OUTLINE_MAX_COLUMNS) {
            halve_outline(outline);
         }
         outline->min[outline->n_columns] = interleaved[(size_t)n * n_channels];
         outline->max[outline->n_columns] = interleaved[(size_t)n * n_channels];
         ++outline->n_columns;
      }
      const uint64_t left = outline->column_frames - self->outline_frames;
      const uint32_t end = left < n_frames - n ? n + (uint32_t)left : n_frames;
      float low = outline->min[outline->n_columns - 1];
      float high = outline->max[outline->n_columns - 1];
      for (uint32_t i = n * n_channels; i < end * n_channels; ++i) {
         low = interleaved[i] < low ? interleaved[i] : low;
         high = interleaved[i] > high ? interleaved[i] : high;
      }
      outline->min[outline->n_columns - 1] = low;
      outline->max[outline->n_columns - 1] = high;
      self->outline_frames = (self->outline_frames + (end - n)) % outline->column_frames;
      n = end;
   }
}

/* Hear at most CHUNK_FRAMES that do not reach over the end of a hop. */
static void hear(BmMeter* self, const float* interleaved, uint32_t n_frames)
{
   const uint32_t n_channels = self->options.n_channels;
   double peak[2] = {self->peak[0], self->peak[1]};
   double square_sum[2] = {self->square_sum[0], self->square_sum[1]};
   double step_square_sum[2] = {self->step_square_sum[0], self->step_square_sum[1]};
   for (uint32_t n = 0; n < n_frames; ++n) {
      const float* const frame = interleaved + (size_t)n * n_channels;
      const double x[] = {(double)frame[0], (double)frame[n_channels - 1]};
      for (int c = 0; c < 2; ++c) {
         peak[c] = fabs(x[c]) > peak[c] ? fabs(x[c]) : peak[c];
         square_sum[c] += x[c] * x[c];
         step_square_sum[c] += x[c] * x[c];
      }
      self->product_sum += x[0] * x[1];
      self->step_product_sum += x[0] * x[1];
   }
   for (int c = 0; c < 2; ++c) {
      self->peak[c] = peak[c];
      self->square_sum[c] = square_sum[c];
      self->step_square_sum[c] = step_square_sum[c];
   }
   draw_outline(self, interleaved, n_frames);
   bool is_well = ebur128_add_frames_float(self->loudness, interleaved, n_frames) == EBUR128_SUCCESS;
   if (self->true_peak) {
      is_well =
         ebur128_add_frames_float(self->true_peak, interleaved, n_frames) == EBUR128_SUCCESS && is_well;
   }
   if (self->mono_loudness) {
      float mono[CHUNK_FRAMES];
      for (uint32_t n = 0; n < n_frames; ++n) {
         mono[n] = 0.5f * (interleaved[2 * n] + interleaved[2 * n + 1]);
      }
      is_well = ebur128_add_frames_float(self->mono_loudness, mono, n_frames) == EBUR128_SUCCESS && is_well;
   }
   self->has_failed = self->has_failed || !is_well;
   bm_onset_meter_add(self->onsets, interleaved, n_frames);
   bm_spectrum_meter_add(self->spectrum, interleaved, n_frames);
}

BmMeter* bm_meter_new(const BmMeterOptions* options)
{
   const bool makes_sense = options->sample_rate_hz >= BM_MEASURE_MIN_RATE_HZ &&
                            options->sample_rate_hz <= BM_MEASURE_MAX_RATE_HZ &&
                            (options->n_channels == 1 || options->n_channels == 2);
   BmMeter* const self = makes_sense ? calloc(1, sizeof *self) : NULL;
   if (!self) {
      return NULL;
   }
   const uint32_t n_channels = options->n_channels;
   const double rate_hz = options->sample_rate_hz;
   self->options = *options;
   self->scratch = malloc(2 * CHUNK_FRAMES * sizeof *self->scratch);
   self->loudness = ebur128_init(n_channels, (unsigned long)lround(rate_hz),
                                 EBUR128_MODE_I | EBUR128_MODE_LRA | EBUR128_MODE_S);
   self->true_peak =
      options->without_true_peak ? NULL : ebur128_init(n_channels, TRUE_PEAK_RATE, EBUR128_MODE_TRUE_PEAK);
   self->mono_loudness =
      n_channels == 2 ? ebur128_init(1, (unsigned long)lround(rate_hz), EBUR128_MODE_I) : NULL;
   if (self->mono_loudness) {
      ebur128_set_channel(self->mono_loudness, 0, EBUR128_DUAL_MONO);
   }
   self->onsets = bm_onset_meter_new(rate_hz, n_channels, hear_onset, self);
   self->spectrum = bm_spectrum_meter_new(bm_transform_size(SPECTRUM_S, rate_hz), rate_hz, n_channels,
                                          options->lowest_note_hz > 0.0 ? hear_window : NULL, self);
   self->outline.column_frames = 1;
   if (!self->scratch || !self->loudness || (!self->true_peak && !options->without_true_peak) ||
       (n_channels == 2 && !self->mono_loudness) || !self->onsets || !self->spectrum) {
      bm_meter_free(self);
      return NULL;
   }
   return self;
}

void bm_meter_free(BmMeter* self)
{
   if (self) {
      free(self->scratch);
      if (self->loudness) {
         ebur128_destroy(&self->loudness);
      }
      if (self->mono_loudness) {
         ebur128_destroy(&self->mono_loudness);
      }
      if (self->true_peak) {
         ebur128_destroy(&self->true_peak);
      }
      bm_onset_meter_free(self->onsets);
      bm_spectrum_meter_free(self->spectrum);
      BmAnalysis rest = {.series = self->series};
      bm_analysis_free(&rest);
      free(self->windows);
      free(self);
   }
}

/* `channels` [n_channels], a channel's frames `stride` apart. */
static void add(BmMeter* self, const float* const* channels, uint32_t stride, uint32_t n_frames)
{
   const uint32_t n_channels = self->options.n_channels;
   uint32_t n_done = 0;
   while (n_done < n_frames) {
      const uint64_t hop_end =
         (uint64_t)llround((double)(self->n_hops + 1) * self->options.sample_rate_hz / HOPS_PER_S);
      uint64_t n = hop_end - self->n_frames;
      n = n < CHUNK_FRAMES ? n : CHUNK_FRAMES;
      n = n < n_frames - n_done ? n : n_frames - n_done;
      for (uint32_t channel = 0; channel < n_channels; ++channel) {
         const float* const from = channels[channel] + (size_t)n_done * stride;
         for (uint32_t i = 0; i < n; ++i) {
            const float x = from[(size_t)i * stride];
            self->scratch[i * n_channels + channel] = isfinite(x) ? x : 0.0f;
         }
      }
      hear(self, self->scratch, (uint32_t)n);
      n_done += (uint32_t)n;
      self->n_frames += n;
      if (self->n_frames == hop_end) {
         finish_hop(self);
      }
   }
}

void bm_meter_add(BmMeter* self, const float* interleaved, uint32_t n_frames)
{
   const uint32_t n_channels = self->options.n_channels;
   const float* const channels[] = {interleaved, interleaved + n_channels - 1};
   add(self, channels, n_channels, n_frames);
}

void bm_meter_add_channels(BmMeter* self, const float* const* channels, uint32_t n_frames)
{
   add(self, channels, 1, n_frames);
}

static double crest_db(const BmMeter* self)
{
   double sum_db = 0.0;
   double sum = 0.0;
   for (uint32_t channel = 0; channel < self->options.n_channels; ++channel) {
      const double mean_square = self->square_sum[channel] / (double)self->n_frames;
      if (mean_square > 0.0) {
         sum_db += mean_square * 20.0 * log10(self->peak[channel] / sqrt(mean_square));
         sum += mean_square;
      }
   }
   return sum > 0.0 ? sum_db / sum : (double)NAN;
}

static double true_peak_dbtp(BmMeter* self)
{
   if (!self->true_peak) {
      return (double)NAN;
   }
   double highest = 0.0;
   for (uint32_t channel = 0; channel < self->options.n_channels; ++channel) {
      double peak = 0.0;
      if (ebur128_true_peak(self->true_peak, channel, &peak) != EBUR128_SUCCESS) {
         self->has_failed = true;
      }
      highest = fmax(highest, peak);
   }
   return highest > 0.0 ? 20.0 * log10(highest) : -(double)INFINITY;
}

bool bm_meter_finish(BmMeter* self, BmAnalysis* analysis)
{
   *analysis = (BmAnalysis){0};
   BmMeasurement* const figures = &analysis->figures;
   const uint32_t n_channels = self->options.n_channels;
   figures->sample_rate_hz = self->options.sample_rate_hz;
   figures->n_channels = n_channels;
   figures->n_frames = self->n_frames;

   bm_onset_meter_finish(self->onsets);
   self->has_failed = !bm_spectrum_meter_finish(self->spectrum, &analysis->spectrum) || self->has_failed;

   const double length_s = (double)self->n_frames / self->options.sample_rate_hz;
   double integrated_lufs = (double)NAN;
   double mono_lufs = (double)NAN;
   double range_lu = (double)NAN;
   if (length_s >= SHORTEST_LOUDNESS_S) {
      bool is_well = ebur128_loudness_global(self->loudness, &integrated_lufs) == EBUR128_SUCCESS;
      is_well = ebur128_loudness_range(self->loudness, &range_lu) == EBUR128_SUCCESS && is_well;
      if (self->mono_loudness) {
         is_well = ebur128_loudness_global(self->mono_loudness, &mono_lufs) == EBUR128_SUCCESS && is_well;
      }
      self->has_failed = self->has_failed || !is_well;
   }
   figures->integrated_lufs = integrated_lufs;
   figures->momentary_max_lufs =
      self->n_hops >= MOMENTARY_HOPS ? lufs_from_power(self->momentary_max_power) : (double)NAN;
   figures->short_term_max_lufs =
      self->n_hops >= SHORT_TERM_HOPS ? lufs_from_power(self->short_term_max_power) : (double)NAN;
   figures->range_lu = self->n_hops >= SHORT_TERM_HOPS && isfinite(integrated_lufs) ? range_lu : (double)NAN;
   figures->true_peak_dbtp = true_peak_dbtp(self);
   figures->crest_db = crest_db(self);
   figures->n_onsets = self->n_onsets;
   figures->attack_to_sustain_db = self->n_onsets ? self->onset_db_sum / self->n_onsets : (double)NAN;
   figures->correlation = (double)NAN;
   figures->mono_change_lu = (double)NAN;
   if (n_channels == 2) {
      figures->correlation = correlation_of(self->square_sum[0], self->square_sum[1], self->product_sum);
      figures->mono_change_lu = isfinite(integrated_lufs) ? mono_lufs - integrated_lufs : (double)NAN;
   }
   figures->highs_db = share_db(&analysis->spectrum, HIGHS_FROM_HZ, (double)INFINITY);
   figures->under_note_db = bm_under_note_db(&analysis->spectrum, self->options.lowest_note_hz);
   finish_note(self, figures);
   analysis->outline = self->outline;
   analysis->series = self->series;
   self->series = (BmSeries){0};
   if (self->has_failed) {
      bm_analysis_free(analysis);
   }
   return !self->has_failed;
}
