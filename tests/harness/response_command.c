/* SPDX-License-Identifier: ISC */
#include "command.h"

#include "format.h"
#include "plugin_name.h"
#include "report.h"
#include "response.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define USUAL_RATE_HZ 48000.0
#define MIN_RATE_HZ 8000.0
#define MAX_RATE_HZ 384000.0
#define MIN_LEVEL_DBFS (-120.0)

/* A harmonic below this is rounding, not sound: single precision has a floor near it. */
#define SEEN_DB (-130.0)

typedef struct {
   const char* plugin;
   char** settings; /* [n_settings] "symbol=value" */
   uint32_t n_settings;
   const char* out_path;
   double rate_hz;
   double level_dbfs;
   BmResponseInput input;
   bool as_json;
} Options;

static bool parse_number(const char* text, double min, double max, double* value)
{
   char* end;
   *value = strtod(text, &end);
   return end != text && !*end && *value >= min && *value <= max;
}

static bool parse_input(const char* text, BmResponseInput* input)
{
   static const char* const names[] = {
      [BM_INPUT_BOTH] = "both", [BM_INPUT_LEFT] = "left", [BM_INPUT_SIDE] = "side"};
   for (int n = BM_INPUT_BOTH; n <= BM_INPUT_SIDE; ++n) {
      if (!strcmp(text, names[n])) {
         *input = (BmResponseInput)n;
         return true;
      }
   }
   return false;
}

static const struct {
   const char* name;
   const char* wanted;
} valued_options[] = {
   {"-o", "a file that ends in .svg or .html"},
   {"--rate", "8000 to 384000 Hz"},
   {"--level", "-120 to 0 dBFS"},
   {"--input", "both, left or side"},
};

static bool parse_value(const char* option, const char* value, Options* options)
{
   if (!strcmp(option, "-o")) {
      const char* ending = strrchr(value, '.');
      options->out_path = value;
      return ending && (!strcmp(ending, ".svg") || !strcmp(ending, ".html"));
   }
   if (!strcmp(option, "--rate")) {
      return parse_number(value, MIN_RATE_HZ, MAX_RATE_HZ, &options->rate_hz);
   }
   if (!strcmp(option, "--level")) {
      return parse_number(value, MIN_LEVEL_DBFS, 0.0, &options->level_dbfs);
   }
   return parse_input(value, &options->input);
}

/* What the option `argument` wants, or NULL if no such option takes a value. */
static const char* wanted_by(const char* argument)
{
   for (size_t n = 0; n < sizeof valued_options / sizeof valued_options[0]; ++n) {
      if (!strcmp(argument, valued_options[n].name)) {
         return valued_options[n].wanted;
      }
   }
   return NULL;
}

static bool parse(int n_arguments, char** arguments, Options* options)
{
   *options = (Options){.rate_hz = USUAL_RATE_HZ,
                        .level_dbfs = bm_response_curve_options(USUAL_RATE_HZ).impulse_dbfs};
   options->settings = bm_calloc((uint64_t)n_arguments + 1, sizeof *options->settings);
   for (int n = 0; n < n_arguments; ++n) {
      char* argument = arguments[n];
      const char* wanted = wanted_by(argument);
      if (wanted) {
         const char* value = bm_option_value(n_arguments, arguments, &n, wanted);
         if (!value) {
            return false;
         }
         if (!parse_value(argument, value, options)) {
            fprintf(stderr, "bookmatch: %s takes %s, not \"%s\"\n", argument, wanted, value);
            return false;
         }
      } else if (!strcmp(argument, "--json")) {
         options->as_json = true;
      } else if (argument[0] != '-' && !options->plugin) {
         options->plugin = argument;
      } else if (argument[0] != '-' && strchr(argument, '=')) {
         options->settings[options->n_settings++] = argument;
      } else {
         bm_tell_unknown("response", argument);
         return false;
      }
   }
   if (!options->plugin) {
      fputs("bookmatch: response needs a plugin\n", stderr);
   }
   return options->plugin != NULL;
}

/* Controls at their defaults, then as the command line says. */
static float* settle_values(const BmPlugin* plugin, const Options* options, BmError* error)
{
   float* values = bm_calloc(plugin->n_ports, sizeof *values);
   for (uint32_t port = 0; port < plugin->n_ports; ++port) {
      values[port] = plugin->ports[port].def;
   }
   for (uint32_t n = 0; n < options->n_settings && !error->is_set; ++n) {
      char* symbol = bm_copy(options->settings[n]);
      char* text = strchr(symbol, '=');
      *text++ = '\0';
      double value;
      const BmPort* port = bm_plugin_port(plugin, symbol, error);
      if (port && (port->kind != BM_PORT_CONTROL || !port->is_input)) {
         bm_fail(error, "%s: \"%s\" is not a control that can be set", plugin->uri, symbol);
      } else if (port && !parse_number(text, -HUGE_VAL, HUGE_VAL, &value)) {
         bm_fail(error, "%s: \"%s\" is not a number for %s", plugin->uri, text, symbol);
      } else if (port && bm_port_check(port, value, options->rate_hz, error)) {
         values[port->index] = (float)value;
      }
      free(symbol);
   }
   return values;
}

static void add_number(BmText* text, double value, int decimals, int width)
{
   char number[BM_NUMBER_BYTES];
   bm_format_value(number, value, decimals, false);
   int letters = 0;
   for (const char* c = number; *c; ++c) {
      letters += (*c & 0xC0) != 0x80;
   }
   bm_text_addf(text, "%*s%s", width > letters ? width - letters : 1, "", number);
}

static double phase_at(const BmResponse* response, double frequency_hz)
{
   uint32_t nearest = 0;
   for (uint32_t n = 0; n < response->n_points; ++n) {
      if (fabs(log(response->frequency_hz[n] / frequency_hz)) <
          fabs(log(response->frequency_hz[nearest] / frequency_hz))) {
         nearest = n;
      }
   }
   return response->phase_rad[nearest] * 180.0 / M_PI;
}

static void add_table(BmText* text, const BmPlugin* plugin, const BmResponse* response)
{
   bm_text_addf(text,
                "%s at %.0f Hz\nLatency %u frames as reported; the impulse response is highest at %u\n\n",
                plugin->uri, response->sample_rate_hz, response->latency_frames, response->peak_frames);
   bm_text_add(text, "       Hz  impulse dB     sine dB   phase deg\n");
   for (uint32_t n = 0; n < response->n_sines; ++n) {
      const BmSineCheck* sine = &response->sines[n];
      add_number(text, sine->frequency_hz, 1, 9);
      add_number(text, sine->impulse_db, 3, 12);
      add_number(text, sine->sine_db, 3, 12);
      add_number(text, phase_at(response, sine->frequency_hz), 1, 12);
      bm_text_add(text, "\n");
   }
   bm_text_add(text, "\n       Hz  in dBFS  out dBFS    H2 dB    H3 dB    H4 dB    H5 dB     THD %\n");
   for (uint32_t n = 0; n < response->n_harmonics; ++n) {
      const BmHarmonics* harmonics = &response->harmonics[n];
      add_number(text, harmonics->frequency_hz, 1, 9);
      add_number(text, harmonics->level_dbfs, 0, 9);
      add_number(text, harmonics->output_dbfs, 2, 10);
      for (uint32_t h = 1; h < BM_RESPONSE_N_HARMONICS; ++h) {
         add_number(text, harmonics->harmonic_db[h], 1, 9);
      }
      add_number(text, harmonics->thd_percent, 4, 10);
      bm_text_add(text, "\n");
   }
}

static void add_json_row(BmText* text, const char* const* keys, const double* values, const int* decimals,
                         uint32_t n)
{
   for (uint32_t i = 0; i < n; ++i) {
      bm_text_addf(text, "%s\"%s\": ", i ? ", " : "{", keys[i]);
      bm_text_add_json_number(text, values[i], decimals[i]);
   }
   bm_text_add(text, "}");
}

static void add_json(BmText* text, const BmPlugin* plugin, const BmResponse* response)
{
   bm_text_add(text, "{\"plugin\": ");
   bm_text_add_json_string(text, plugin->uri);
   bm_text_addf(text,
                ", \"sample_rate_hz\": %.0f, \"latency_frames\": %u, \"peak_frames\": %u,\n \"curve\": [",
                response->sample_rate_hz, response->latency_frames, response->peak_frames);
   for (uint32_t n = 0; n < response->n_points; ++n) {
      static const char* const keys[] = {"frequency_hz", "magnitude_db", "phase_rad"};
      bm_text_add(text, n ? ",\n  " : "\n  ");
      add_json_row(text, keys,
                   (double[]){response->frequency_hz[n], response->magnitude_db[n], response->phase_rad[n]},
                   (int[]){4, 5, 5}, 3);
   }
   bm_text_add(text, "],\n \"sines\": [");
   for (uint32_t n = 0; n < response->n_sines; ++n) {
      static const char* const keys[] = {"frequency_hz", "impulse_db", "sine_db"};
      const BmSineCheck* sine = &response->sines[n];
      bm_text_add(text, n ? ",\n  " : "\n  ");
      add_json_row(text, keys, (double[]){sine->frequency_hz, sine->impulse_db, sine->sine_db},
                   (int[]){4, 5, 5}, 3);
   }
   bm_text_add(text, "],\n \"harmonics\": [");
   for (uint32_t n = 0; n < response->n_harmonics; ++n) {
      static const char* const keys[] = {"frequency_hz", "level_dbfs", "output_dbfs", "h2_db",
                                         "h3_db",        "h4_db",      "h5_db",       "thd_percent"};
      const BmHarmonics* h = &response->harmonics[n];
      bm_text_add(text, n ? ",\n  " : "\n  ");
      add_json_row(text, keys,
                   (double[]){h->frequency_hz, h->level_dbfs, h->output_dbfs, h->harmonic_db[1],
                              h->harmonic_db[2], h->harmonic_db[3], h->harmonic_db[4], h->thd_percent},
                   (int[]){4, 1, 4, 3, 3, 3, 3, 6}, 8);
   }
   bm_text_add(text, "]}\n");
}

/* ---- pictures ---- */

#define MAX_LEVELS 16

/* Harmonics 2 to 5 against the level of one tone; false if all of them are under the floor. */
typedef struct {
   double level_dbfs[MAX_LEVELS];
   double harmonic_db[BM_RESPONSE_N_HARMONICS - 1][MAX_LEVELS];
   BmPlotSeries series[BM_RESPONSE_N_HARMONICS - 1];
   char title[64];
} HarmonicPicture;

static bool draw_harmonics(const BmResponse* response, uint32_t first, HarmonicPicture* picture, BmPlot* plot)
{
   static const char* const labels[] = {"2nd", "3rd", "4th", "5th"};
   static const BmPlotTone tones[] = {BM_TONE_AFTER, BM_TONE_BEFORE, BM_TONE_EXTRA, BM_TONE_QUIET};
   uint32_t n_levels = 0;
   bool is_seen = false;
   while (first + n_levels < response->n_harmonics && n_levels < MAX_LEVELS &&
          response->harmonics[first + n_levels].frequency_hz == response->harmonics[first].frequency_hz) {
      const BmHarmonics* harmonics = &response->harmonics[first + n_levels];
      picture->level_dbfs[n_levels] = harmonics->level_dbfs;
      for (uint32_t h = 1; h < BM_RESPONSE_N_HARMONICS; ++h) {
         picture->harmonic_db[h - 1][n_levels] = harmonics->harmonic_db[h];
         is_seen = is_seen || harmonics->harmonic_db[h] > SEEN_DB;
      }
      ++n_levels;
   }
   for (uint32_t h = 0; h < BM_RESPONSE_N_HARMONICS - 1; ++h) {
      picture->series[h] = (BmPlotSeries){.label = labels[h],
                                          .tone = tones[h],
                                          .n_points = n_levels,
                                          .x = picture->level_dbfs,
                                          .y = picture->harmonic_db[h]};
   }
   snprintf(picture->title, sizeof picture->title, "Harmonics of %.0f Hz",
            response->harmonics[first].frequency_hz);
   *plot =
      (BmPlot){.title = picture->title,
               .description = "Levels of harmonics 2 to 5 against the fundamental, over the level played.",
               .x = {.min = -30.0, .max = 0.0, .label = "dBFS played"},
               .y = {.min = SEEN_DB, .max = 0.0, .label = "dB against the fundamental"},
               .series = picture->series,
               .n_series = BM_RESPONSE_N_HARMONICS - 1};
   return is_seen;
}

static void add_settings(BmText* text, const Options* options)
{
   bm_text_addf(text, "Measured as hosted, at %.0f Hz", options->rate_hz);
   for (uint32_t n = 0; n < options->n_settings; ++n) {
      bm_text_addf(text, "%s %s", n ? "," : ", with", options->settings[n]);
   }
   bm_text_add(text, options->n_settings ? "." : ", all controls at their defaults.");
}

static bool save_picture(const Options* options, const BmPlugin* plugin, const BmResponse* response,
                         BmError* error)
{
   double* phase_deg = bm_calloc(response->n_points, sizeof *phase_deg);
   double lowest_db = 0.0;
   double highest_db = 0.0;
   for (uint32_t n = 0; n < response->n_points; ++n) {
      phase_deg[n] = response->phase_rad[n] * 180.0 / M_PI;
      lowest_db = fmin(lowest_db, fmax(response->magnitude_db[n], -96.0));
      highest_db = fmax(highest_db, fmin(response->magnitude_db[n], 60.0));
   }
   const double low_hz = response->frequency_hz[0];
   const double high_hz = response->frequency_hz[response->n_points - 1];
   const BmPlotSeries magnitude = {.tone = BM_TONE_AFTER,
                                   .n_points = response->n_points,
                                   .x = response->frequency_hz,
                                   .y = response->magnitude_db};
   const BmPlotSeries phase = {
      .tone = BM_TONE_EXTRA, .n_points = response->n_points, .x = response->frequency_hz, .y = phase_deg};
   HarmonicPicture* pictures = bm_calloc(response->n_harmonics + 1, sizeof *pictures);
   BmPlot* plots = bm_calloc(response->n_harmonics + 2, sizeof *plots);
   uint32_t n_plots = 0;
   plots[n_plots++] = (BmPlot){.title = "Magnitude",
                               .description = "Level change over frequency.",
                               .x = {.scale = BM_AXIS_LOG, .min = low_hz, .max = high_hz, .label = "Hz"},
                               .y = {.min = 6.0 * floor(fmin(lowest_db, -6.0) / 6.0),
                                     .max = 6.0 * ceil(fmax(highest_db, 6.0) / 6.0),
                                     .label = "dB"},
                               .series = &magnitude,
                               .n_series = 1,
                               .height_px = 260.0};
   plots[n_plots++] = (BmPlot){.title = "Phase",
                               .description = "Phase over frequency, the reported latency taken off.",
                               .x = {.scale = BM_AXIS_LOG, .min = low_hz, .max = high_hz, .label = "Hz"},
                               .y = {.label = "degrees, without the latency"},
                               .series = &phase,
                               .n_series = 1};
   for (uint32_t n = 0; n < response->n_harmonics; ++n) {
      const bool is_new_tone =
         n == 0 || response->harmonics[n].frequency_hz != response->harmonics[n - 1].frequency_hz;
      if (is_new_tone && draw_harmonics(response, n, &pictures[n], &plots[n_plots])) {
         ++n_plots;
      }
   }
   const char* ending = strrchr(options->out_path, '.');
   bool is_saved;
   if (ending && !strcmp(ending, ".svg")) {
      BmText document = {0};
      bm_plot_add_svg(&document, plots, n_plots);
      is_saved = bm_text_save(&document, options->out_path);
      bm_text_free(&document);
   } else {
      BmText words = {0};
      add_settings(&words, options);
      is_saved = bm_report_write_figures(plugin->name, words.chars, plots, n_plots, options->out_path);
      bm_text_free(&words);
   }
   if (!is_saved) {
      bm_fail(error, "%s: %s", options->out_path, strerror(errno));
   }
   free(plots);
   free(pictures);
   free(phase_deg);
   return is_saved;
}

static bool measure(const Options* options, BmHost* host, BmText* text, BmError* error)
{
   const BmPlugin* plugin = bm_find_named_plugin(host, options->plugin, error);
   if (!plugin) {
      return false;
   }
   float* values = settle_values(plugin, options, error);
   BmResponseOptions how = bm_response_curve_options(options->rate_hz);
   how.impulse_dbfs = options->level_dbfs;
   how.sine_dbfs = options->level_dbfs;
   how.with_sines = true;
   how.with_harmonics = true;
   BmResponse response = {0};
   if (!error->is_set &&
       bm_response_of_plugin(host, plugin, values, options->input, &how, &response, error)) {
      (options->as_json ? add_json : add_table)(text, plugin, &response);
      if (options->out_path) {
         save_picture(options, plugin, &response, error);
      }
   }
   bm_response_free(&response);
   free(values);
   return !error->is_set;
}

int bm_response_command(int n_arguments, char** arguments)
{
   Options options;
   if (!parse(n_arguments, arguments, &options)) {
      free(options.settings);
      return 2;
   }
   BmError error = {0};
   BmText text = {0};
   BmHost* host = bm_host_new(&error);
   const bool ok = host && measure(&options, host, &text, &error);
   if (ok) {
      fputs(text.failed ? "" : text.chars, stdout);
   } else {
      fprintf(stderr, "bookmatch: %s\n", error.text);
   }
   bm_text_free(&text);
   bm_host_free(host);
   free(options.settings);
   return ok ? 0 : 1;
}
