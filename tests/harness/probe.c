/* SPDX-License-Identifier: ISC */
#include "probe.h"

#include "format.h"
#include "response.h"
#include "spectrum.h"

#include <kiss_fftr.h>
#include <sndfile.h>

#include <complex.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define PI 3.14159265358979323846
#define BLOCK_FRAMES 1024u

typedef struct {
   BmInstance* instance;
   const BmPlugin* plugin;
   double rate_hz;
   uint32_t latency_frames;
} Subject;

static const BmPort* find_port(const BmPlugin* plugin, const char* symbol)
{
   for (uint32_t n = 0; n < plugin->n_ports; ++n) {
      if (!strcmp(plugin->ports[n].symbol, symbol)) {
         return &plugin->ports[n];
      }
   }
   return NULL;
}

static bool is_class(const BmPlugin* plugin, const char* word)
{
   return strstr(plugin->class_name, word) != NULL;
}

static void override(BmInstance* instance, const BmPlugin* plugin, const char* symbol, float value)
{
   const BmPort* port = find_port(plugin, symbol);
   if (port && port->is_input && port->kind == BM_PORT_CONTROL) {
      bm_instance_set(instance, port->index, value);
   }
}

static bool open_subject(Subject* subject, BmHost* host, const BmPlugin* plugin, const float* values,
                         double rate_hz)
{
   BmError none = {0};
   *subject = (Subject){bm_instance_new(host, plugin, rate_hz, BLOCK_FRAMES, &none), plugin, rate_hz, 0};
   if (!subject->instance) {
      return false;
   }
   for (uint32_t n = 0; n < plugin->n_ports; ++n) {
      if (plugin->ports[n].kind == BM_PORT_CONTROL && plugin->ports[n].is_input) {
         bm_instance_set(subject->instance, n, values[n]);
      }
   }
   override(subject->instance, plugin, "match", 0.0f);
   subject->latency_frames = bm_instance_latency(subject->instance, &none);
   return true;
}

/* Run `in` [n_frames] into every input (or into the first alone); the outputs to left and right, NULL to
 * drop. */
static void run(Subject* subject, const float* in, bool first_only, float* left, float* right,
                uint32_t n_frames)
{
   const BmPlugin* plugin = subject->plugin;
   const float** inputs = bm_calloc(plugin->n_audio_in, sizeof(float*));
   float** outputs = bm_calloc(plugin->n_audio_out, sizeof(float*));
   float* waste = bm_calloc((uint64_t)BLOCK_FRAMES * plugin->n_audio_out, sizeof(float));
   for (uint32_t start = 0; start < n_frames; start += BLOCK_FRAMES) {
      const uint32_t n = n_frames - start < BLOCK_FRAMES ? n_frames - start : BLOCK_FRAMES;
      for (uint32_t c = 0; c < plugin->n_audio_in; ++c) {
         inputs[c] = c && first_only ? NULL : in + start;
      }
      for (uint32_t c = 0; c < plugin->n_audio_out; ++c) {
         float* wanted = c == 0 ? left : c == 1 ? right : NULL;
         outputs[c] = wanted ? wanted + start : waste + (uint64_t)c * BLOCK_FRAMES;
      }
      bm_instance_run(subject->instance, inputs, outputs, n);
   }
   free(waste);
   free(outputs);
   free(inputs);
}

static double rms(const float* samples, uint32_t n_frames)
{
   double sum = 0.0;
   for (uint32_t n = 0; n < n_frames; ++n) {
      sum += (double)samples[n] * (double)samples[n];
   }
   return sqrt(sum / (n_frames ? n_frames : 1));
}

static double level_db(double amplitude)
{
   return amplitude > 1e-8 ? 20.0 * log10(amplitude) : -160.0;
}

/* Sine levels are peaks: a full-scale sine is 0 dBFS. */
static double sine_dbfs(const float* samples, uint32_t n_frames)
{
   return level_db(sqrt(2.0) * rms(samples, n_frames));
}

static void add_static_curve(Subject* subject, BmFigures* figures)
{
   enum { N_LEVELS = 25 };
   const double low_db = -60.0;
   const double step_db = 2.5;
   const uint32_t period = (uint32_t)lround(subject->rate_hz / 1000.0);
   const uint32_t hold = 500u * period; /* half a second a level, rising: only the attack has to settle */
   const uint32_t look = 50u * period;
   float* in = bm_calloc(hold, sizeof(float));
   float* out = bm_calloc(hold, sizeof(float));
   double* x = bm_figures_doubles(figures, N_LEVELS);
   double* y = bm_figures_doubles(figures, N_LEVELS);
   for (uint32_t level = 0; level < N_LEVELS; ++level) {
      x[level] = low_db + step_db * level;
      const double amplitude = pow(10.0, x[level] / 20.0);
      for (uint32_t n = 0; n < hold; ++n) {
         in[n] = (float)(amplitude * sin(2.0 * PI * (n % period) / period));
      }
      run(subject, in, false, out, NULL, hold);
      y[level] = sine_dbfs(out + hold - look, look);
   }
   free(in);
   free(out);
   BmPlot* plot = bm_figures_add(
      figures, "Static curve",
      bm_figures_text(figures, "A 1 kHz sine of 0 dBFS comes out at %.1f dBFS, one of -30 at %.1f.",
                      y[N_LEVELS - 1], y[(int)(30.0 / step_db)]));
   if (plot) {
      plot->is_square = true;
      plot->x = (BmPlotAxis){.label = "In, dBFS (1 kHz)", .min = low_db, .max = 0.0};
      plot->y = (BmPlotAxis){
         .label = "Out, dBFS", .min = low_db, .max = fmax(0.0, ceil(y[N_LEVELS - 1] / 10.0) * 10.0)};
      bm_figures_add_series(plot, "As it came in", BM_TONE_QUIET, x, x, N_LEVELS);
      bm_figures_add_series(plot, "Out", BM_TONE_AFTER, x, y, N_LEVELS);
   }
}

/* Gain over each millisecond of a 1 kHz tone that steps from soft to loud and back. */
static void add_burst(Subject* subject, BmFigures* figures)
{
   enum {
      SOFT_MS = 300,
      LOUD_MS = 700,
      AFTER_MS = 2000,
      N_MS = SOFT_MS + LOUD_MS + AFTER_MS,
      N_ATTACK = 120,
      LEAD = 10
   };
   const double soft_db = -40.0;
   const double loud_db = -6.0;
   const uint32_t period = (uint32_t)lround(subject->rate_hz / 1000.0);
   const uint32_t n_frames = N_MS * period + subject->latency_frames;
   float* in = bm_calloc(n_frames, sizeof(float));
   float* out = bm_calloc(n_frames, sizeof(float));
   for (uint32_t n = 0; n < n_frames; ++n) {
      const uint32_t ms = n / period;
      const bool is_loud = ms >= SOFT_MS && ms < SOFT_MS + LOUD_MS;
      in[n] =
         (float)(pow(10.0, (is_loud ? loud_db : soft_db) / 20.0) * sin(2.0 * PI * (n % period) / period));
   }
   run(subject, in, false, out, NULL, n_frames);
   double* gain_db = bm_figures_doubles(figures, N_MS);
   double* attack_ms = bm_figures_doubles(figures, N_ATTACK);
   double* release_s = bm_figures_doubles(figures, AFTER_MS);
   for (uint32_t ms = 0; ms < N_MS; ++ms) {
      const float* heard = out + (uint64_t)ms * period + subject->latency_frames;
      gain_db[ms] = level_db(rms(heard, period)) - level_db(rms(in + (uint64_t)ms * period, period));
   }
   for (uint32_t n = 0; n < N_ATTACK; ++n) {
      attack_ms[n] = (double)n - LEAD;
   }
   for (uint32_t n = 0; n < AFTER_MS; ++n) {
      release_s[n] = n / 1000.0;
   }
   free(in);
   free(out);
   const double held_db = gain_db[SOFT_MS + LOUD_MS - 1];
   const double rest_db = gain_db[SOFT_MS - 1];
   BmPlot* attack = bm_figures_add(
      figures, "Attack",
      bm_figures_text(figures, "Gain when a 1 kHz tone steps from %.0f to %.0f dBFS: from %+.1f to %+.1f dB.",
                      soft_db, loud_db, rest_db, held_db));
   if (attack) {
      attack->x = (BmPlotAxis){.label = "Time after the step, ms", .min = -LEAD, .max = N_ATTACK - LEAD};
      attack->y = (BmPlotAxis){.label = "Gain, dB"};
      bm_figures_add_series(attack, NULL, BM_TONE_AFTER, attack_ms, gain_db + SOFT_MS - LEAD, N_ATTACK);
   }
   uint32_t half_ms = 0;
   while (half_ms + 1 < AFTER_MS &&
          fabs(gain_db[SOFT_MS + LOUD_MS + half_ms] - rest_db) > 0.5 * fabs(held_db - rest_db)) {
      ++half_ms;
   }
   BmPlot* release = bm_figures_add(
      figures, "Release",
      bm_figures_text(figures, "Gain when the tone steps back: half is let go after %u ms.", half_ms));
   if (release) {
      release->x = (BmPlotAxis){.label = "Time after the step, s", .min = 0.0, .max = AFTER_MS / 1000.0};
      release->y = (BmPlotAxis){.label = "Gain, dB"};
      bm_figures_add_series(release, NULL, BM_TONE_AFTER, release_s, gain_db + SOFT_MS + LOUD_MS, AFTER_MS);
   }
}

/* One period, put together from many that fall between the samples differently. 1 kHz, because lower down a
   low cut's phase opens loops that are no hysteresis. */
static void add_transfer(Subject* subject, BmFigures* figures)
{
   enum { N = 512, N_TIMES = 60 };
   const uint32_t n_periods = (uint32_t)(1000.0 * N / subject->rate_hz) | 1u;
   const uint32_t n_frames = N_TIMES * N + subject->latency_frames;
   float* in = bm_calloc(n_frames, sizeof(float));
   float* out = bm_calloc(n_frames, sizeof(float));
   for (uint32_t n = 0; n < n_frames; ++n) {
      in[n] = (float)sin(2.0 * PI * (double)((uint64_t)n_periods * n % N) / N);
   }
   run(subject, in, false, out, NULL, n_frames);
   const uint32_t start = (N_TIMES - 1) * N;
   double* x = bm_figures_doubles(figures, N + 1u);
   double* y = bm_figures_doubles(figures, N + 1u);
   double peak = 1.0;
   for (uint32_t n = 0; n < N; ++n) {
      const uint32_t at = (uint32_t)((uint64_t)n_periods * (start + n) % N);
      x[at] = (double)in[start + n];
      y[at] = (double)out[start + n + subject->latency_frames];
      peak = fmax(peak, fabs(y[at]));
   }
   x[N] = x[0];
   y[N] = y[0];
   free(in);
   free(out);
   BmPlot* plot =
      bm_figures_add(figures, "Transfer curve, 1 kHz at 0 dBFS",
                     "Output against input over one period. A straight line changes nothing, a bend adds "
                     "harmonics, a loop remembers or shifts the phase.");
   if (plot) {
      const double reach = 0.5 * ceil(2.0 * peak - 0.1);
      plot->is_square = true;
      plot->x = (BmPlotAxis){.label = "In, full scale 1", .min = -1.0, .max = 1.0};
      plot->y = (BmPlotAxis){.label = "Out, full scale 1", .min = -reach, .max = reach};
      bm_figures_add_series(plot, "As it came in", BM_TONE_QUIET, x, x, N + 1u);
      bm_figures_add_series(plot, "Out", BM_TONE_AFTER, x, y, N + 1u);
   }
}

/* Power spectrum in dB under the highest bin; `bins` [n / 2 + 1]. No window: the tone fits. */
static void spectrum_db(const float* samples, uint32_t n, double* bins)
{
   kiss_fftr_cfg plan = kiss_fftr_alloc((int)n, 0, NULL, NULL);
   kiss_fft_cpx* out = bm_calloc(n / 2 + 1, sizeof(kiss_fft_cpx));
   double highest = 1e-30;
   if (plan) {
      kiss_fftr(plan, samples, out);
   }
   for (uint32_t k = 0; k <= n / 2; ++k) {
      bins[k] = (double)out[k].r * (double)out[k].r + (double)out[k].i * (double)out[k].i;
      highest = k ? fmax(highest, bins[k]) : highest;
   }
   for (uint32_t k = 0; k <= n / 2; ++k) {
      bins[k] = fmax(10.0 * log10(bins[k] / highest + 1e-30), -160.0);
   }
   free(out);
   kiss_fftr_free(plan);
}

/* Harmonics 2 to 5 of 1 kHz at -18 dBFS while the control that drives the plugin goes through its range. */
static void add_drive_bars(Subject* subject, BmFigures* figures)
{
   enum { N = 16384, N_HARMONICS = 4, MAX_STEPS = 9 };
   static const char* const symbols[] = {"drive", "gain", "input_gain"};
   static const BmPlotTone tones[] = {BM_TONE_BEFORE, BM_TONE_AFTER, BM_TONE_EXTRA, BM_TONE_QUIET};
   const double step_db = 6.0;
   const BmPort* drive = NULL;
   for (size_t n = 0; n < sizeof symbols / sizeof *symbols && !drive; ++n) {
      drive = find_port(subject->plugin, symbols[n]);
   }
   if (!drive || !drive->is_input || !drive->has_min || !drive->has_max) {
      return;
   }
   const float settled = bm_instance_get(subject->instance, drive->index);
   const uint32_t bin = ((uint32_t)(1000.0 * N / subject->rate_hz)) | 1u;
   const uint32_t n_frames = 2u * N + subject->latency_frames;
   float* in = bm_calloc(n_frames, sizeof(float));
   float* out = bm_calloc(n_frames, sizeof(float));
   double* bins = bm_calloc(N / 2 + 1, sizeof(double));
   for (uint32_t n = 0; n < n_frames; ++n) {
      in[n] = (float)(pow(10.0, -18.0 / 20.0) * sin(2.0 * PI * (double)((uint64_t)bin * n % N) / N));
   }
   double* drive_db = bm_figures_doubles(figures, MAX_STEPS);
   BmPlotTick* ticks = bm_figures_ticks(figures, MAX_STEPS);
   double* amount_db[N_HARMONICS];
   for (int h = 0; h < N_HARMONICS; ++h) {
      amount_db[h] = bm_figures_doubles(figures, MAX_STEPS);
   }
   uint32_t n_steps = 0;
   const double lowest = (double)drive->min;
   for (double db = lowest; db <= (double)drive->max + 0.01 && n_steps < MAX_STEPS; db += step_db) {
      bm_instance_set(subject->instance, drive->index, (float)db);
      bm_instance_restart(subject->instance);
      run(subject, in, false, out, NULL, n_frames);
      spectrum_db(out + n_frames - N, N, bins);
      for (uint32_t h = 0; h < N_HARMONICS; ++h) {
         amount_db[h][n_steps] = bins[(h + 2) * bin] - bins[bin];
      }
      char label[BM_NUMBER_BYTES];
      bm_format_value(label, db, 0, false);
      ticks[n_steps] = (BmPlotTick){.value = db, .label = bm_figures_text(figures, "%s", label)};
      drive_db[n_steps++] = db;
   }
   free(bins);
   free(in);
   free(out);
   bm_instance_set(subject->instance, drive->index, settled);
   bm_instance_restart(subject->instance);
   BmPlot* plot =
      bm_figures_add(figures, "Harmonics against drive",
                     "How far the second to fifth harmonic of a 1 kHz sine at -18 dBFS (peak) lie "
                     "under the fundamental.");
   if (plot) {
      plot->x = (BmPlotAxis){.label = bm_figures_text(figures, "%s, dB", drive->name),
                             .min = lowest - 0.6 * step_db,
                             .max = drive_db[n_steps - 1] + 0.6 * step_db,
                             .ticks = ticks,
                             .n_ticks = n_steps};
      plot->y = (BmPlotAxis){.label = "Under the fundamental, dB", .min = -120.0, .max = 0.0};
      for (int h = 0; h < N_HARMONICS; ++h) {
         BmPlotSeries* series = bm_figures_add_series(plot, bm_figures_text(figures, "H%d", h + 2), tones[h],
                                                      drive_db, amount_db[h], n_steps);
         series->kind = BM_PLOT_BARS;
      }
   }
}

/* What a periodic signal holds of harmonic `h`. */
static double complex harmonic_of(const float* samples, uint32_t n_frames, uint32_t period, uint32_t h)
{
   double complex sum = 0.0;
   for (uint32_t n = 0; n < n_frames; ++n) {
      sum += (double)samples[n] * cexp(-2.0 * PI * I * (double)((uint64_t)h * n % period) / period);
   }
   return sum;
}

/* Magnetisation against field, seen from outside: at low frequencies a record amplifier is flat, so dividing
   each harmonic by the response to what is small undoes replay, and leaves the curve of the layer. Both axes
   are in units of the input: a quiet signal has slope 1. */
static void add_magnetisation(Subject* subject, BmFigures* figures)
{
   enum { N_PERIODS = 60, N_HARMONICS = 15 };
   override(subject->instance, subject->plugin, "hiss", -100.0f);
   override(subject->instance, subject->plugin, "wander", 0.0f);
   override(subject->instance, subject->plugin, "mix", 100.0f);
   const double small = 1e-3;
   const uint32_t period = (uint32_t)lround(subject->rate_hz / 100.0);
   const uint32_t n_frames = N_PERIODS * period;
   float* in = bm_calloc(n_frames, sizeof(float));
   float* out = bm_calloc(n_frames, sizeof(float));
   double complex quiet[N_HARMONICS + 1];
   double complex loud[N_HARMONICS + 1];
   bm_instance_restart(subject->instance);
   in[0] = (float)small;
   run(subject, in, false, out, NULL, n_frames);
   for (uint32_t h = 1; h <= N_HARMONICS; ++h) {
      quiet[h] = harmonic_of(out, n_frames, period, h) / small;
   }
   for (uint32_t n = 0; n < n_frames; ++n) {
      in[n] = (float)sin(2.0 * PI * (n % period) / period);
   }
   bm_instance_restart(subject->instance);
   run(subject, in, false, out, NULL, n_frames);
   for (uint32_t h = 1; h <= N_HARMONICS; ++h) {
      loud[h] = 2.0 / period * harmonic_of(out + n_frames - period, period, period, h);
   }
   double* field = bm_figures_doubles(figures, period + 1u);
   double* magnetisation = bm_figures_doubles(figures, period + 1u);
   for (uint32_t n = 0; n <= period; ++n) {
      field[n] = sin(2.0 * PI * n / period);
      for (uint32_t h = 1; h <= N_HARMONICS; ++h) {
         magnetisation[n] += creal(loud[h] / quiet[h] * cexp(2.0 * PI * I * h * n / period));
      }
   }
   free(in);
   free(out);
   BmPlot* plot = bm_figures_add(
      figures, "Magnetisation against field",
      bm_figures_text(
         figures,
         "The tape's layer seen through the machine, its replay undone: a 100 Hz sine of 0 dBFS. "
         "At no field %.2f %% of the peak remains: the bias erases the loop and leaves the curve.",
         50.0 * fabs(magnetisation[0] - magnetisation[period / 2]) / magnetisation[period / 4]));
   if (plot) {
      plot->is_square = true;
      plot->x = (BmPlotAxis){.label = "Field, as input (full scale 1)", .min = -1.0, .max = 1.0};
      plot->y = (BmPlotAxis){.label = "Magnetisation, as input", .min = -1.0, .max = 1.0};
      bm_figures_add_series(plot, "Without saturation", BM_TONE_QUIET, field, field, period + 1u);
      bm_figures_add_series(plot, "Layer", BM_TONE_AFTER, field, magnetisation, period + 1u);
   }
}

/* The plugin's values as the probe wants them, for measurements that host it themselves. */
static float* probe_values(const BmPlugin* plugin, const float* values)
{
   float* changed = bm_calloc(plugin->n_ports, sizeof(float));
   memcpy(changed, values, plugin->n_ports * sizeof(float));
   const BmPort* match = find_port(plugin, "match");
   if (match) {
      changed[match->index] = 0.0f;
   }
   return changed;
}

static void add_harmonics(BmHost* host, const BmPlugin* plugin, const float* values, double rate_hz,
                          BmFigures* figures)
{
   float* changed = probe_values(plugin, values);
   BmResponseOptions options = bm_response_curve_options(rate_hz);
   options.with_harmonics = true;
   BmResponse response = {0};
   BmError none = {0};
   if (bm_response_of_plugin(host, plugin, changed, BM_INPUT_BOTH, &options, &response, &none)) {
      static const double wanted_hz[] = {100.0, 1000.0};
      static const BmPlotTone tones[] = {BM_TONE_BEFORE, BM_TONE_AFTER, BM_TONE_CURVE, BM_TONE_QUIET};
      for (int f = 0; f < 2; ++f) {
         double* level = bm_figures_doubles(figures, response.n_harmonics);
         double* amount[4];
         uint32_t n_levels = 0;
         for (int h = 0; h < 4; ++h) {
            amount[h] = bm_figures_doubles(figures, response.n_harmonics);
         }
         for (uint32_t n = 0; n < response.n_harmonics; ++n) {
            const BmHarmonics* found = &response.harmonics[n];
            if (fabs(log2(found->frequency_hz / wanted_hz[f])) < 0.5) {
               level[n_levels] = found->level_dbfs;
               for (int h = 0; h < 4; ++h) {
                  amount[h][n_levels] = fmax(found->harmonic_db[h + 1], -140.0);
               }
               ++n_levels;
            }
         }
         BmPlot* plot =
            bm_figures_add(figures, bm_figures_text(figures, "Harmonics of %.0f Hz", wanted_hz[f]),
                           "How far the second to fifth harmonic lie under the fundamental, against the "
                           "level that comes in.");
         if (plot) {
            plot->x = (BmPlotAxis){.label = "In, dBFS"};
            plot->y = (BmPlotAxis){.label = "Under the fundamental, dB", .min = -120.0, .max = 0.0};
            for (int h = 0; h < 4; ++h) {
               bm_figures_add_series(plot, bm_figures_text(figures, "H%d", h + 2), tones[h], level, amount[h],
                                     n_levels);
            }
         }
      }
      bm_response_free(&response);
   }
   free(changed);
}

enum { ALIAS_FRAMES = 16384 };

/* Spectrum in dB under the highest line, [ALIAS_FRAMES / 2 + 1], of what a sine of full scale that goes `bin`
   times through ALIAS_FRAMES settles to. */
static void sine_spectrum_db(Subject* subject, uint32_t bin, double* bins)
{
   const uint32_t n_frames = 5u * ALIAS_FRAMES + subject->latency_frames;
   float* in = bm_calloc(n_frames, sizeof(float));
   float* out = bm_calloc(n_frames, sizeof(float));
   for (uint32_t n = 0; n < n_frames; ++n) {
      in[n] = (float)sin(2.0 * PI * (double)((uint64_t)bin * n % ALIAS_FRAMES) / ALIAS_FRAMES);
   }
   bm_instance_restart(subject->instance);
   run(subject, in, false, out, NULL, n_frames);
   spectrum_db(out + n_frames - ALIAS_FRAMES, ALIAS_FRAMES, bins);
   free(in);
   free(out);
}

/* Where the harmonics would fold to if the curve were taken sample by sample: those of a low tone, each put
   at the same multiple of `bin`. */
static void fold_harmonics(const double* low_bins, uint32_t low_bin, uint32_t n_harmonics, uint32_t bin,
                           double* bins)
{
   for (uint32_t k = 0; k <= ALIAS_FRAMES / 2; ++k) {
      bins[k] = -160.0;
   }
   for (uint32_t h = 1; h <= n_harmonics; ++h) {
      const uint32_t turned = h * bin % ALIAS_FRAMES;
      const uint32_t at = turned > ALIAS_FRAMES / 2 ? ALIAS_FRAMES - turned : turned;
      bins[at] = fmax(bins[at], low_bins[h * low_bin]);
   }
}

static void add_aliases(Subject* subject, BmFigures* figures)
{
   const double low_hz = 250.0;
   const uint32_t bin = ((uint32_t)(5000.0 * ALIAS_FRAMES / subject->rate_hz)) | 1u;
   const uint32_t low_bin = ((uint32_t)(low_hz * ALIAS_FRAMES / subject->rate_hz)) | 1u;
   const double step_hz = subject->rate_hz / ALIAS_FRAMES;
   const uint32_t n_shown = (uint32_t)fmin(ALIAS_FRAMES / 2.0, 20000.0 / step_hz);
   const BmPort* quality = find_port(subject->plugin, "quality");
   const char* first = quality && quality->n_points ? quality->points[0].label : "Out";
   const char* last = quality && quality->n_points ? quality->points[quality->n_points - 1].label : "Best";
   enum { PLAIN, FIRST, LAST };
   const char* labels[] = {"Taken sample by sample", first, last};
   static const BmPlotTone series_tones[] = {BM_TONE_QUIET, BM_TONE_BEFORE, BM_TONE_AFTER};
   double worst_db[3] = {-200.0, -200.0, -200.0};
   double* x = bm_figures_doubles(figures, n_shown);
   double* levels[3] = {NULL, NULL, NULL};
   double* bins = bm_calloc(ALIAS_FRAMES / 2 + 1, sizeof(double));
   double* low_bins = bm_calloc(ALIAS_FRAMES / 2 + 1, sizeof(double));
   for (int q = quality ? LAST : FIRST; q >= PLAIN; --q) {
      if (quality && q) {
         bm_instance_set(subject->instance, quality->index, q == LAST ? quality->max : quality->min);
      }
      if (q == PLAIN) {
         sine_spectrum_db(subject, low_bin, low_bins);
         fold_harmonics(low_bins, low_bin, n_shown / low_bin, bin, bins);
      } else {
         sine_spectrum_db(subject, bin, bins);
      }
      levels[q] = bm_figures_doubles(figures, n_shown);
      for (uint32_t k = 0; k < n_shown; ++k) {
         x[k] = (k + 1) * step_hz;
         levels[q][k] = bins[k + 1];
         if ((k + 1) % bin && x[k] > 50.0) {
            worst_db[q] = fmax(worst_db[q], bins[k + 1]);
         }
      }
   }
   free(bins);
   free(low_bins);
   const char* at_last =
      quality ? bm_figures_text(figures, " at the first quality, %.0f dB at the last", -worst_db[LAST]) : "";
   BmPlot* plot = bm_figures_add(
      figures, "What a 5 kHz sine at 0 dBFS leaves behind",
      bm_figures_text(figures,
                      "Besides the harmonics, the strongest line below 20 kHz is %.0f dB under the "
                      "fundamental%s. It would be %.0f dB under it if the curve were taken sample by "
                      "sample: that is where the harmonics of a %.0f Hz sine would fold to, were they those "
                      "of this one.",
                      -worst_db[FIRST], at_last, -worst_db[PLAIN], low_hz));
   if (plot) {
      plot->x = (BmPlotAxis){.label = "Frequency, Hz", .min = 0.0, .max = 20000.0};
      plot->y = (BmPlotAxis){.label = "Under the fundamental, dB", .min = -160.0, .max = 0.0};
      for (int q = PLAIN; q <= LAST; ++q) {
         if (levels[q]) {
            bm_figures_add_series(plot, labels[q], series_tones[q], x, levels[q], n_shown);
         }
      }
   }
}

/* Backward integral of the energy, in dB under the whole; returns false for silence. */
static bool decay_curve_db(const float* response, uint32_t n_frames, double* curve_db)
{
   double sum = 0.0;
   for (uint32_t n = n_frames; n-- > 0;) {
      sum += (double)response[n] * (double)response[n];
      curve_db[n] = sum;
   }
   for (uint32_t n = 0; n < n_frames && sum > 0.0; ++n) {
      curve_db[n] = fmax(10.0 * log10(curve_db[n] / sum + 1e-30), -120.0);
   }
   return sum > 0.0;
}

double bm_measured_decay_s(const float* response, uint32_t n_frames, double rate_hz)
{
   double* curve_db = bm_calloc(n_frames, sizeof(double));
   double result = (double)NAN;
   double n_points = 0.0;
   double sum_x = 0.0;
   double sum_y = 0.0;
   double sum_xx = 0.0;
   double sum_xy = 0.0;
   if (n_frames && decay_curve_db(response, n_frames, curve_db) && curve_db[n_frames - 1] < -35.0) {
      for (uint32_t n = 0; n < n_frames; ++n) {
         if (curve_db[n] <= -5.0 && curve_db[n] >= -35.0) {
            const double x = n / rate_hz;
            n_points += 1.0;
            sum_x += x;
            sum_y += curve_db[n];
            sum_xx += x * x;
            sum_xy += x * curve_db[n];
         }
      }
      const double slope = (n_points * sum_xy - sum_x * sum_y) / (n_points * sum_xx - sum_x * sum_x);
      result = slope < 0.0 ? -60.0 / slope : (double)NAN;
   }
   free(curve_db);
   return result;
}

/* An octave around `centre_hz`: two of the Audio EQ Cookbook's band-passes (W3C Note 2021) in a row. */
static void octave_band(const float* in, float* out, uint32_t n_frames, double centre_hz, double rate_hz)
{
   enum { N_SECTIONS = 2 };
   const double q = 1.8;
   const double omega = 2.0 * PI * centre_hz / rate_hz;
   const double alpha = sin(omega) / (2.0 * q);
   const double b0 = alpha / (1.0 + alpha);
   const double a1 = -2.0 * cos(omega) / (1.0 + alpha);
   const double a2 = (1.0 - alpha) / (1.0 + alpha);
   double state[N_SECTIONS][2] = {{0.0}};
   for (uint32_t n = 0; n < n_frames; ++n) {
      double x = (double)in[n];
      for (int section = 0; section < N_SECTIONS; ++section) {
         double* s = state[section];
         const double y = b0 * x + s[0];
         s[0] = s[1] - a1 * y;
         s[1] = -b0 * x - a2 * y;
         x = y;
      }
      out[n] = (float)x;
   }
}

static void add_decay(Subject* subject, BmFigures* figures)
{
   enum { N_OCTAVES = 7 };
   override(subject->instance, subject->plugin, "mix", 100.0f);
   override(subject->instance, subject->plugin, "input_gain", 0.0f);
   bm_instance_restart(subject->instance);
   const uint32_t n_frames = bm_transform_size(4.0, subject->rate_hz);
   float* in = bm_calloc(n_frames, sizeof(float));
   float* out = bm_calloc(n_frames, sizeof(float));
   float* band = bm_calloc(n_frames, sizeof(float));
   double* curve_db = bm_calloc(n_frames, sizeof(double));
   in[0] = 1.0f;
   run(subject, in, false, out, NULL, n_frames);
   if (decay_curve_db(out, n_frames, curve_db)) {
      const double time_s = bm_measured_decay_s(out, n_frames, subject->rate_hz);
      const uint32_t step = (uint32_t)(subject->rate_hz / 200.0);
      const uint32_t n_points = n_frames / step;
      double* x = bm_figures_doubles(figures, n_points);
      double* y = bm_figures_doubles(figures, n_points);
      for (uint32_t n = 0; n < n_points; ++n) {
         x[n] = (double)n * step / subject->rate_hz;
         y[n] = curve_db[n * step];
      }
      BmPlot* plot = bm_figures_add(
         figures, "Energy decay",
         bm_figures_text(
            figures, "Backward integral of the energy (ISO 3382): T30 is %.2f s, all frequencies.", time_s));
      if (plot) {
         plot->x = (BmPlotAxis){
            .label = "Time, s", .min = 0.0, .max = fmax(0.5, fmin(3.0, ceil(2.4 * time_s) / 2.0))};
         plot->y = (BmPlotAxis){.label = "Energy still to come, dB", .min = -70.0, .max = 0.0};
         bm_figures_add_series(plot, NULL, BM_TONE_AFTER, x, y, n_points);
      }
      double* octave = bm_figures_doubles(figures, N_OCTAVES);
      double* decay_s = bm_figures_doubles(figures, N_OCTAVES);
      static const BmPlotTick ticks[N_OCTAVES] = {{0, "125", false}, {1, "250", false}, {2, "500", false},
                                                  {3, "1k", false},  {4, "2k", false},  {5, "4k", false},
                                                  {6, "8k", false}};
      double longest_s = 0.0;
      for (uint32_t n = 0; n < N_OCTAVES; ++n) {
         octave_band(out, band, n_frames, 125.0 * pow(2.0, n), subject->rate_hz);
         octave[n] = n;
         decay_s[n] = bm_measured_decay_s(band, n_frames, subject->rate_hz);
         longest_s = isfinite(decay_s[n]) ? fmax(longest_s, decay_s[n]) : longest_s;
      }
      BmPlot* bars =
         bm_figures_add(figures, "Decay time by octave",
                        bm_figures_text(figures, "T30 at 500 Hz %.2f s, at 1 kHz %.2f s, at 4 kHz %.2f s.",
                                        decay_s[2], decay_s[3], decay_s[5]));
      if (bars) {
         bars->x = (BmPlotAxis){
            .label = "Octave, Hz", .min = -0.6, .max = N_OCTAVES - 0.4, .ticks = ticks, .n_ticks = N_OCTAVES};
         bars->y = (BmPlotAxis){.label = "T30, s", .min = 0.0, .max = fmax(0.2, ceil(longest_s * 5.0) / 5.0)};
         BmPlotSeries* series = bm_figures_add_series(bars, NULL, BM_TONE_AFTER, octave, decay_s, N_OCTAVES);
         series->kind = BM_PLOT_BARS;
      }
      const uint32_t n_early = (uint32_t)(0.08 * subject->rate_hz);
      double* early_ms = bm_figures_doubles(figures, n_early);
      double* early_db = bm_figures_doubles(figures, n_early);
      double peak = 1e-9;
      for (uint32_t n = 0; n < n_early; ++n) {
         peak = fmax(peak, fabs((double)out[n]));
      }
      uint32_t n_strokes = 0;
      for (uint32_t n = 0; n < n_early; ++n) {
         const double db = level_db(fabs((double)out[n]) / peak);
         if (db > -50.0) {
            early_ms[n_strokes] = 1000.0 * n / subject->rate_hz;
            early_db[n_strokes++] = db;
         }
      }
      BmPlot* echoes =
         bm_figures_add(figures, "Echogram", "Every sample of the first 80 ms after an impulse.");
      if (echoes) {
         echoes->x = (BmPlotAxis){.label = "Time, ms", .min = 0.0, .max = 80.0};
         echoes->y = (BmPlotAxis){.label = "Under the strongest, dB", .min = -50.0, .max = 0.0};
         BmPlotSeries* series =
            bm_figures_add_series(echoes, NULL, BM_TONE_AFTER, early_ms, early_db, n_strokes);
         series->kind = BM_PLOT_STEMS;
      }
   }
   free(in);
   free(out);
   free(band);
   free(curve_db);
}

static void add_head_responses(Subject* subject, BmFigures* figures)
{
   const uint32_t n_frames = (uint32_t)(subject->rate_hz / 4.0);
   const uint32_t n_shown = (uint32_t)(0.004 * subject->rate_hz);
   float* in = bm_calloc(n_frames, sizeof(float));
   float* left = bm_calloc(n_frames, sizeof(float));
   float* right = bm_calloc(n_frames, sizeof(float));
   in[n_frames / 2] = 1.0f; /* whatever is loaded in the background has had time by then */
   run(subject, in, true, left, right, n_frames);
   uint32_t peak = n_frames / 2;
   for (uint32_t n = n_frames / 2; n < n_frames; ++n) {
      if (fmax(fabs((double)left[n]), fabs((double)right[n])) >
          fmax(fabs((double)left[peak]), fabs((double)right[peak]))) {
         peak = n;
      }
   }
   const uint32_t lead = (uint32_t)(0.0005 * subject->rate_hz);
   const uint32_t start = peak > lead ? peak - lead : 0;
   double* x = bm_figures_doubles(figures, n_shown);
   double* y_left = bm_figures_doubles(figures, n_shown);
   double* y_right = bm_figures_doubles(figures, n_shown);
   for (uint32_t n = 0; n < n_shown && start + n < n_frames; ++n) {
      x[n] = 1000.0 * n / subject->rate_hz;
      y_left[n] = (double)left[start + n];
      y_right[n] = (double)right[start + n];
   }
   free(in);
   free(left);
   free(right);
   BmPlot* plot =
      bm_figures_add(figures, "The first take at each ear",
                     "What an impulse in the first input becomes left and right: the nearer side is earlier "
                     "and louder.");
   if (plot) {
      plot->x = (BmPlotAxis){.label = "Time, ms", .min = 0.0, .max = 4.0};
      plot->y = (BmPlotAxis){.label = "Amplitude"};
      bm_figures_add_series(plot, "Left", BM_TONE_BEFORE, x, y_left, n_shown);
      bm_figures_add_series(plot, "Right", BM_TONE_AFTER, x, y_right, n_shown);
   }
}

void bm_probe_insert(BmHost* host, const BmPlugin* plugin, const float* values, double rate_hz,
                     BmFigures* figures)
{
   const bool reduces = find_port(plugin, "gain_reduction") != NULL;
   const bool shapes = find_port(plugin, "gain_change") != NULL;
   const bool distorts =
      is_class(plugin, "Distortion") || is_class(plugin, "Amplifier") || is_class(plugin, "Waveshaper");
   const bool rings = is_class(plugin, "Reverb");
   const bool places = find_port(plugin, "azimuth_a") != NULL && plugin->n_audio_out == 2;
   Subject subject;
   if ((!reduces && !shapes && !distorts && !rings && !places) || plugin->n_audio_in == 0 ||
       plugin->n_audio_out == 0 || !open_subject(&subject, host, plugin, values, rate_hz)) {
      return;
   }
   if (reduces) {
      add_static_curve(&subject, figures);
      bm_instance_restart(subject.instance);
   }
   if (reduces || shapes) {
      add_burst(&subject, figures);
   }
   if (distorts) {
      add_transfer(&subject, figures);
      add_drive_bars(&subject, figures);
      add_harmonics(host, plugin, values, rate_hz, figures);
      add_aliases(&subject, figures);
   }
   if (distorts && find_port(plugin, "bias") && find_port(plugin, "speed")) {
      add_magnetisation(&subject, figures);
   }
   if (rings) {
      add_decay(&subject, figures);
   }
   if (places) {
      add_head_responses(&subject, figures);
   }
   bm_instance_free(subject.instance);
}

/* Mid and side spectra of a file, and points of its goniometer, evenly spread over it. */
typedef struct {
   BmSpectrum spectrum[2];
   double rate_hz;
   uint32_t n_points;
   double* x;
   double* y;
} StereoFile;

static bool hear_stereo_file(const char* path, StereoFile* heard, BmFigures* figures)
{
   enum { N_POINTS = 2500, READ = 4096 };
   SF_INFO info = {0};
   SNDFILE* file = sf_open(path, SFM_READ, &info);
   if (!file || info.channels != 2 || info.frames < READ) {
      sf_close(file);
      return false;
   }
   heard->rate_hz = info.samplerate;
   heard->x = bm_figures_doubles(figures, N_POINTS);
   heard->y = bm_figures_doubles(figures, N_POINTS);
   const sf_count_t every = info.frames / N_POINTS + 1;
   BmSpectrumMeter* meters[2];
   for (int m = 0; m < 2; ++m) {
      meters[m] =
         bm_spectrum_meter_new(bm_transform_size(0.2, heard->rate_hz), heard->rate_hz, 1, NULL, NULL);
   }
   float frames[2 * READ];
   float parts[2][READ];
   sf_count_t position = 0;
   for (sf_count_t n; (n = sf_readf_float(file, frames, READ)) > 0; position += n) {
      for (sf_count_t i = 0; i < n; ++i) {
         parts[0][i] = 0.5f * (frames[2 * i] + frames[2 * i + 1]);
         parts[1][i] = 0.5f * (frames[2 * i] - frames[2 * i + 1]);
         if ((position + i) % every == 0 && heard->n_points < N_POINTS) {
            heard->x[heard->n_points] = -(double)parts[1][i]; /* left stands left */
            heard->y[heard->n_points++] = (double)parts[0][i];
         }
      }
      for (int m = 0; m < 2 && meters[m]; ++m) {
         bm_spectrum_meter_add(meters[m], parts[m], (uint32_t)n);
      }
   }
   sf_close(file);
   bool ok = true;
   for (int m = 0; m < 2; ++m) {
      ok = meters[m] && bm_spectrum_meter_finish(meters[m], &heard->spectrum[m]) && ok;
      bm_spectrum_meter_free(meters[m]);
   }
   return ok;
}

void bm_probe_stereo_file(const char* before_path, const char* after_path, BmFigures* figures)
{
   enum { N_FREQUENCIES = 160 };
   StereoFile heard[2] = {{.rate_hz = 0.0}, {.rate_hz = 0.0}};
   if (hear_stereo_file(after_path, &heard[1], figures) &&
       hear_stereo_file(before_path, &heard[0], figures)) {
      double* frequency = bm_figures_doubles(figures, N_FREQUENCIES);
      bm_log_frequencies(20.0, fmin(20000.0, 0.45 * heard[1].rate_hz), frequency, N_FREQUENCIES);
      double highest = -120.0;
      double* level[2][2];
      for (int side = 0; side < 2; ++side) {
         for (int m = 0; m < 2; ++m) {
            level[side][m] = bm_figures_doubles(figures, N_FREQUENCIES);
            bm_spectrum_smooth(&heard[side].spectrum[m], 6.0, frequency, N_FREQUENCIES, level[side][m]);
            for (int n = 0; n < N_FREQUENCIES; ++n) {
               highest = fmax(highest, level[side][m][n]);
            }
         }
      }
      for (int m = 0; m < 2; ++m) {
         BmPlot* plot =
            bm_figures_add(figures, m ? "Side spectrum" : "Mid spectrum",
                           m ? "What left and right do not share: (L-R)/2, before and after."
                             : "What left and right share, all that mono hears: (L+R)/2, before and after.");
         if (plot) {
            plot->x = (BmPlotAxis){
               .label = "Hz", .scale = BM_AXIS_LOG, .min = frequency[0], .max = frequency[N_FREQUENCIES - 1]};
            plot->y = (BmPlotAxis){.label = "dBFS in each sixth of an octave",
                                   .min = 10.0 * ceil(highest / 10.0) - 70.0,
                                   .max = 10.0 * ceil(highest / 10.0)};
            bm_figures_add_series(plot, "Before", BM_TONE_BEFORE, frequency, level[0][m], N_FREQUENCIES);
            bm_figures_add_series(plot, "After", BM_TONE_AFTER, frequency, level[1][m], N_FREQUENCIES);
         }
      }
      double reach = 1e-3;
      for (uint32_t n = 0; n < heard[1].n_points; ++n) {
         reach = fmax(reach, fmax(fabs(heard[1].x[n]), fabs(heard[1].y[n])));
      }
      reach = ceil(reach * 10.0) / 10.0;
      BmPlot* plot = bm_figures_add(
         figures, "Goniometer",
         "Side to the left and right against mid upwards, after processing: a line up is mono, "
         "a round cloud unrelated channels, a line across cancels in mono.");
      if (plot) {
         plot->is_square = true;
         plot->x = (BmPlotAxis){.label = "left to right", .min = -reach, .max = reach};
         plot->y =
            (BmPlotAxis){.label = "mid after processing, 1 is full scale", .min = -reach, .max = reach};
         BmPlotSeries* series =
            bm_figures_add_series(plot, NULL, BM_TONE_AFTER, heard[1].x, heard[1].y, heard[1].n_points);
         series->kind = BM_PLOT_POINTS;
      }
   }
   for (int side = 0; side < 2; ++side) {
      bm_spectrum_free(&heard[side].spectrum[0]);
      bm_spectrum_free(&heard[side].spectrum[1]);
   }
}
