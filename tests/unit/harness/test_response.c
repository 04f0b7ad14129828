/* SPDX-License-Identifier: ISC */
/* If these fail, the curve printed for a plugin is not the curve it has. */
#include "unit_test.h"

#include "json_check.h"
#include "page_check.h"
#include "plugin_name.h"
#include "response.h"

#include <stdbool.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define RATE_HZ 48000.0

/* A delay, then a one-pole low-pass, then a polynomial: each known in closed form. */
typedef struct {
   uint32_t delay_frames;
   double feedback; /* y = (1 - f) x + f y' */
   double power[6]; /* of the polynomial */
   double history[64];
   uint32_t write_index;
   double state;
   uint32_t n_resets;
} Known;

static void run_known(void* handle, const float* in, float* out, uint32_t n_frames)
{
   Known* const self = handle;
   for (uint32_t n = 0; n < n_frames; ++n) {
      self->history[self->write_index] = (double)in[n];
      const double delayed = self->history[(self->write_index + 64 - self->delay_frames) % 64];
      self->write_index = (self->write_index + 1) % 64;
      self->state = (1.0 - self->feedback) * delayed + self->feedback * self->state;
      double y = 0.0;
      for (int p = 5; p >= 0; --p) {
         y = y * self->state + self->power[p];
      }
      out[n] = (float)y;
   }
}

static void reset_known(void* handle)
{
   Known* const self = handle;
   memset(self->history, 0, sizeof self->history);
   self->state = 0.0;
   ++self->n_resets;
}

static BmResponse measure(Known* known, double level_dbfs)
{
   BmResponseOptions options = bm_response_curve_options(RATE_HZ);
   options.impulse_dbfs = level_dbfs;
   options.sine_dbfs = level_dbfs;
   options.with_sines = true;
   options.with_harmonics = true;
   options.latency_frames = known->delay_frames;
   BmResponse response;
   bm_response_measure(&options, run_known, reset_known, known, &response);
   return response;
}

static void a_pure_delay_is_flat_and_its_latency_is_taken_off_the_phase(void** state)
{
   (void)state;
   Known known = {.delay_frames = 37, .power = {0.0, 1.0}};
   BmResponse response = measure(&known, -40.0);
   assert_int_equal(response.latency_frames, 37);
   assert_int_equal(response.peak_frames, 37);
   for (uint32_t n = 0; n < response.n_points; ++n) {
      assert_close(response.magnitude_db[n], 0.0, 1e-9);
      assert_close(response.phase_rad[n], 0.0, 1e-9);
   }
   bm_response_free(&response);
}

static void a_one_pole_has_its_closed_form_by_impulse_and_by_sine(void** state)
{
   (void)state;
   Known known = {.delay_frames = 5, .feedback = 0.9, .power = {0.0, 1.0}};
   BmResponse response = measure(&known, -40.0);
   for (uint32_t n = 0; n < response.n_points; ++n) {
      /* H = (1 - f) / (1 - f e^-jw) */
      const double omega = 2.0 * M_PI * response.frequency_hz[n] / RATE_HZ;
      const double re = 1.0 - 0.9 * cos(omega);
      const double im = 0.9 * sin(omega);
      assert_close(response.magnitude_db[n], 20.0 * log10(0.1 / hypot(re, im)), 1e-4);
      assert_close(response.phase_rad[n], -atan2(im, re), 1e-4);
   }
   assert_int_equal(response.n_sines, 30); /* three an octave from 20 Hz to 20 kHz */
   for (uint32_t n = 0; n < response.n_sines; ++n) {
      assert_close(response.sines[n].sine_db, response.sines[n].impulse_db, 1e-4);
   }
   bm_response_free(&response);
}

static void the_curve_of_what_bends_is_that_of_its_small_signals(void** state)
{
   (void)state;
   /* x - 0.3 x^3: gain 0.7 for an impulse of full scale, 1 for a small one. */
   Known known = {.power = {0.0, 1.0, 0.0, -0.3}};
   BmResponse small = measure(&known, -60.0);
   BmResponse full = measure(&known, 0.0);
   assert_close(small.magnitude_db[100], 0.0, 1e-4);
   assert_close(full.magnitude_db[100], 20.0 * log10(0.7), 1e-4);
   bm_response_free(&small);
   bm_response_free(&full);
}

static void harmonics_of_a_polynomial_are_those_of_the_formula(void** state)
{
   (void)state;
   /* x + 0.1 x^2 - 0.05 x^3 + 0.02 x^4 + 0.01 x^5 with a sine of 1 (expansion of powers of a cosine):
      H1 0.96875, H2 0.06, H3 -0.009375, H4 0.0025, H5 0.000625. */
   Known known = {.power = {0.0, 1.0, 0.1, -0.05, 0.02, 0.01}};
   BmResponse response = measure(&known, -40.0);
   uint32_t n_full = 0;
   for (uint32_t n = 0; n < response.n_harmonics; ++n) {
      const BmHarmonics* const harmonics = &response.harmonics[n];
      if (harmonics->level_dbfs == 0.0) {
         const double amplitude[] = {0.96875, 0.06, 0.009375, 0.0025, 0.000625};
         double square_sum = 0.0;
         for (uint32_t h = 1; h < 5; ++h) {
            assert_close(harmonics->harmonic_db[h], 20.0 * log10(amplitude[h] / amplitude[0]), 0.001);
            square_sum += amplitude[h] * amplitude[h];
         }
         assert_close(harmonics->output_dbfs, 20.0 * log10(amplitude[0]), 0.001);
         assert_close(harmonics->thd_percent, 100.0 * sqrt(square_sum) / amplitude[0], 1e-4);
         ++n_full;
      } else if (harmonics->level_dbfs == -30.0) {
         /* The second falls by 1 dB a dB. */
         assert_close(harmonics->harmonic_db[1], 20.0 * log10(0.05) - 30.0, 0.05);
      }
   }
   assert_int_equal(n_full, 2); /* 100 Hz and 1 kHz */
   bm_response_free(&response);
}

static void harmonics_above_half_the_rate_are_not_numbers(void** state)
{
   (void)state;
   Known known = {.power = {0.0, 1.0, 0.1}};
   BmResponseOptions options = bm_response_curve_options(8000.0);
   options.with_harmonics = true;
   BmResponse response;
   bm_response_measure(&options, run_known, reset_known, &known, &response);
   assert_true(response.frequency_hz[response.n_points - 1] <= 3600.0 + 1e-9);
   const BmHarmonics* const last = &response.harmonics[response.n_harmonics - 1];
   assert_close(last->harmonic_db[1], 20.0 * log10(0.05), 0.01);
   assert_true(isnan(last->harmonic_db[4]));
   assert_true(isfinite(last->thd_percent));
   bm_response_free(&response);
}

static void every_tone_begins_from_a_fresh_processor(void** state)
{
   (void)state;
   Known known = {.power = {0.0, 1.0}};
   BmResponse response = measure(&known, -40.0);
   assert_int_equal(known.n_resets, 1 + response.n_sines + response.n_harmonics);
   bm_response_free(&response);
}

static void a_hosted_low_cut_has_butterworths_slope_and_only_the_asked_channel_is_played(void** state)
{
   (void)state;
   BmError error = {0};
   BmHost* host = bm_host_new(&error);
   assert_non_null(host);
   const BmPlugin* plugin = bm_find_named_plugin(host, "fundamental-eq", &error);
   if (!plugin) {
      fail_msg("%s", error.text);
   }
   float* values = calloc(plugin->n_ports, sizeof *values);
   for (uint32_t n = 0; n < plugin->n_ports; ++n) {
      values[n] = plugin->ports[n].def;
   }
   /* Corner at 100 Hz, 24 dB/octave, all else flat; Butterworth of order 4: -24.099 dB at half, -3.010 at the
    * corner. */
   values[bm_plugin_port(plugin, "note_freq", &error)->index] = 125.0f;
   values[bm_plugin_port(plugin, "low_cut_ratio", &error)->index] = 0.8f;
   values[bm_plugin_port(plugin, "low_cut_slope", &error)->index] = 24.0f;
   values[bm_plugin_port(plugin, "harmonic_gain", &error)->index] = 0.0f;
   assert_false(error.is_set);
   BmResponseOptions options = bm_response_curve_options(RATE_HZ);
   options.with_sines = true;
   BmResponse response;
   assert_true(bm_response_of_plugin(host, plugin, values, BM_INPUT_BOTH, &options, &response, &error));
   for (uint32_t n = 0; n < response.n_points; ++n) {
      const double expected_db = -10.0 * log10(1.0 + pow(100.0 / response.frequency_hz[n], 8.0));
      assert_close(response.magnitude_db[n], expected_db, 0.1);
   }
   for (uint32_t n = 0; n < response.n_sines; ++n) {
      assert_close(response.sines[n].sine_db, response.sines[n].impulse_db, 0.02);
   }
   bm_response_free(&response);
   free(values);

   /* Side cut away: what is played left and right alike stays, what is opposite goes. */
   plugin = bm_find_named_plugin(host, "mid-side-matrix#stereo", &error);
   assert_non_null(plugin);
   values = calloc(plugin->n_ports, sizeof *values);
   for (uint32_t n = 0; n < plugin->n_ports; ++n) {
      values[n] = plugin->ports[n].def;
   }
   values[bm_plugin_port(plugin, "side_mute", &error)->index] = 1.0f;
   options.with_sines = false;
   const double expected_db[] = {[BM_INPUT_BOTH] = 0.0, [BM_INPUT_LEFT] = -6.0206, [BM_INPUT_SIDE] = -120.0};
   for (int input = BM_INPUT_BOTH; input <= BM_INPUT_SIDE; ++input) {
      assert_true(
         bm_response_of_plugin(host, plugin, values, (BmResponseInput)input, &options, &response, &error));
      assert_close(fmax(response.magnitude_db[100], -120.0), expected_db[input], 0.001);
      bm_response_free(&response);
   }
   free(values);
   bm_host_free(host);
}

/* What `bookmatch response ARGUMENTS` prints, both streams; its status in `status`. */
static char* run_command(const char* arguments, int* status)
{
   char line[1024];
   snprintf(line, sizeof line, "%s response %s 2>&1", getenv("BM_COMMAND"), arguments);
   FILE* const pipe = popen(line, "r");
   assert_non_null(pipe);
   char* const text = calloc(1, 1 << 20);
   assert_true(fread(text, 1, (1 << 20) - 1, pipe) > 0);
   *status = pclose(pipe);
   return text;
}

static void the_command_prints_a_table_or_strict_json_and_draws(void** state)
{
   (void)state;
   int status;
   char* text = run_command("fundamental-eq harmonic_gain=-6", &status);
   assert_int_equal(status, 0);
   assert_non_null(strstr(text, "impulse dB"));
   free(text);
   char folder[] = "/tmp/bm-test-response-XXXXXX";
   assert_non_null(mkdtemp(folder));
   const char* const endings[] = {"svg", "html"};
   for (uint32_t n = 0; n < 2; ++n) {
      char path[64];
      char arguments[256];
      snprintf(path, sizeof path, "%s/curve.%s", folder, endings[n]);
      snprintf(arguments, sizeof arguments, "--json -o %s --rate 96000 --input side mid-side-eq#stereo",
               path);
      text = run_command(arguments, &status);
      assert_int_equal(status, 0);
      assert_true(is_json(text));
      free(text);
      char* const page = read_page(path);
      check_markup(page);
      assert_non_null(strstr(page, "Magnitude"));
      free(page);
      unlink(path);
   }
   rmdir(folder);
}

static void what_the_command_cannot_do_is_said_in_a_line(void** state)
{
   (void)state;
   const struct {
      const char* arguments;
      int status;
      const char* word;
   } cases[] = {
      {"no-such-plugin", 1, "no-such-plugin"},
      {"fundamental-eq no_such_port=1", 1, "no_such_port"},
      {"fundamental-eq harmonic_gain=99", 1, "15"},
      {"fundamental-eq harmonic_gain=loud", 1, "loud"},
      {"fundamental-eq harmonic_gain=", 1, "harmonic_gain"},
      {"fundamental-eq lowest_note=80", 1, "lowest_note"},
      {"fundamental-eq -o /nonexistent-folder/x.svg", 1, "/nonexistent-folder/x.svg"},
      {"--rate 10 fundamental-eq", 2, "--rate"},
      {"--level 3 fundamental-eq", 2, "--level"},
      {"--input mono fundamental-eq", 2, "--input"},
      {"--what fundamental-eq", 2, "--what"},
      {"", 2, "needs a plugin"},
   };
   for (uint32_t n = 0; n < sizeof cases / sizeof *cases; ++n) {
      int status;
      char* const text = run_command(cases[n].arguments, &status);
      if (status >> 8 != cases[n].status || !strstr(text, cases[n].word) ||
          strncmp(text, "bookmatch: ", 11)) {
         fail_msg("\"%s\" ends %d with: %s", cases[n].arguments, status >> 8, text);
      }
      free(text);
   }
}

int main(void)
{
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(a_pure_delay_is_flat_and_its_latency_is_taken_off_the_phase),
      cmocka_unit_test(a_one_pole_has_its_closed_form_by_impulse_and_by_sine),
      cmocka_unit_test(the_curve_of_what_bends_is_that_of_its_small_signals),
      cmocka_unit_test(harmonics_of_a_polynomial_are_those_of_the_formula),
      cmocka_unit_test(harmonics_above_half_the_rate_are_not_numbers),
      cmocka_unit_test(every_tone_begins_from_a_fresh_processor),
      cmocka_unit_test(a_hosted_low_cut_has_butterworths_slope_and_only_the_asked_channel_is_played),
      cmocka_unit_test(the_command_prints_a_table_or_strict_json_and_draws),
      cmocka_unit_test(what_the_command_cannot_do_is_said_in_a_line),
   };
   return cmocka_run_group_tests(tests, NULL, NULL);
}
