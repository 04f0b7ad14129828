/* SPDX-License-Identifier: ISC */
/* If these fail, a picture of a room or a compressor in the report tells a client something untrue. */
#include "unit_test.h"

#include "hosted.h"
#include "probe.h"

#include <sndfile.h>

#include <stdlib.h>
#include <string.h>
#include <unistd.h>

enum { RATE_HZ = 48000 };

/* An exponential decay of noise has the T30 it was made with (Monte-Carlo over 40 seeds: 1.001 +- 0.004 s).
 */
static void the_decay_time_of_a_known_decay_is_found(void** state)
{
   (void)state;
   static const double times_s[] = {0.3, 1.0, 2.0};
   uint64_t seed = 5;
   for (size_t t = 0; t < sizeof times_s / sizeof *times_s; ++t) {
      const uint32_t n_frames = (uint32_t)(1.6 * times_s[t] * RATE_HZ);
      float* decay = calloc(n_frames, sizeof *decay);
      assert_non_null(decay);
      for (uint32_t n = 0; n < n_frames; ++n) {
         decay[n] = (float)(bm_test_random(&seed) * exp(-6.907755279 * n / RATE_HZ / times_s[t]));
      }
      assert_close(bm_measured_decay_s(decay, n_frames, RATE_HZ), times_s[t], 0.03 * times_s[t]);
      free(decay);
   }
   const float silence[100] = {0.0f};
   assert_true(isnan(bm_measured_decay_s(silence, 100, RATE_HZ)));
}

static const BmPlot* find_plot(const BmFigures* figures, const char* title)
{
   for (uint32_t n = 0; n < figures->n_plots; ++n) {
      if (!strcmp(figures->plots[n].title, title)) {
         return &figures->plots[n];
      }
   }
   fail_msg("no picture called %s", title);
   return NULL;
}

static BmFigures probe(const char* uri, const char* const* symbols, const float* settings,
                       uint32_t n_settings)
{
   BmError error = {0};
   const BmPlugin* plugin = bm_host_find(hosted_host, uri, &error);
   if (!plugin) {
      fail_msg("%s", error.text);
   }
   float* values = calloc(plugin->n_ports, sizeof *values);
   assert_non_null(values);
   for (uint32_t n = 0; n < plugin->n_ports; ++n) {
      values[n] = plugin->ports[n].def;
      for (uint32_t s = 0; s < n_settings; ++s) {
         if (!strcmp(plugin->ports[n].symbol, symbols[s])) {
            values[n] = settings[s];
         }
      }
   }
   BmFigures figures = {.n_plots = 0};
   bm_probe_insert(hosted_host, plugin, values, RATE_HZ, &figures);
   free(values);
   return figures;
}

static double value_at(const BmPlotSeries* series, double x)
{
   uint32_t nearest = 0;
   for (uint32_t n = 1; n < series->n_points; ++n) {
      nearest = fabs(series->x[n] - x) < fabs(series->x[nearest] - x) ? n : nearest;
   }
   return series->y[nearest];
}

/* Far over the threshold a ratio of 4 gives 2.5 dB out for 10 dB in (Giannoulis et al., JAES 2012, eq. 4). */
static void a_static_curve_has_slope_one_below_and_one_over_ratio_above(void** state)
{
   (void)state;
   static const char* const symbols[] = {"threshold", "ratio", "attack", "release"};
   static const float settings[] = {-30.0f, 4.0f, 0.2f, 1100.0f};
   BmFigures figures = probe("urn:bookmatch:fet-compressor#mono", symbols, settings, 4);
   const BmPlotSeries* out = &find_plot(&figures, "Static curve")->series[1];
   assert_close(value_at(out, -50.0) - value_at(out, -60.0), 10.0, 0.05);
   assert_close(value_at(out, 0.0) - value_at(out, -10.0), 2.5, 0.25);
   find_plot(&figures, "Attack");
   find_plot(&figures, "Release");
   bm_figures_free(&figures);
}

static void a_room_s_octaves_decay_as_its_control_says(void** state)
{
   (void)state;
   static const char* const symbols[] = {"decay"};
   static const float settings[] = {0.8f};
   BmFigures figures = probe("urn:bookmatch:room-reverb#stereo", symbols, settings, 1);
   const BmPlotSeries* bars = &find_plot(&figures, "Decay time by octave")->series[0];
   assert_int_equal(bars->n_points, 7);
   assert_close(bars->y[2], 0.8, 0.08);
   assert_close(bars->y[3], 0.8, 0.08);
   find_plot(&figures, "Energy decay");
   find_plot(&figures, "Echogram");
   bm_figures_free(&figures);
}

static void a_saturator_shows_curve_harmonics_and_aliases_and_an_equaliser_none_of_them(void** state)
{
   (void)state;
   BmFigures figures = probe("urn:bookmatch:tube-saturation#mono", NULL, NULL, 0);
   const BmPlot* harmonics = find_plot(&figures, "Harmonics of 1000 Hz");
   assert_true(value_at(&harmonics->series[0], -18.0) > value_at(&harmonics->series[1], -18.0));
   find_plot(&figures, "Transfer curve, 1 kHz at 0 dBFS");
   find_plot(&figures, "What a 5 kHz sine at 0 dBFS leaves behind");
   bm_figures_free(&figures);
   figures = probe("urn:bookmatch:fundamental-eq#mono", NULL, NULL, 0);
   assert_int_equal(figures.n_plots, 0);
   bm_figures_free(&figures);
}

/* At 48 kHz the seventh harmonic of 5 kHz folds to 48 - 35 = 13 kHz, by plain arithmetic; an oversampled
   curve leaves far less there than the picture says it would otherwise. */
static void the_picture_of_aliases_shows_what_oversampling_takes_away(void** state)
{
   (void)state;
   const char* const symbols[] = {"drive"};
   const float settings[] = {6.0F};
   BmFigures figures = probe("urn:bookmatch:tube-saturation#mono", symbols, settings, 1);
   const BmPlot* plot = find_plot(&figures, "What a 5 kHz sine at 0 dBFS leaves behind");
   assert_int_equal(plot->n_series, 3);
   double worst_db[3] = {-200.0, -200.0, -200.0};
   for (uint32_t s = 0; s < 3; ++s) {
      const BmPlotSeries* series = &plot->series[s];
      for (uint32_t n = 0; n < series->n_points; ++n) {
         const double from_harmonic = fabs(remainder(series->x[n], 5000.0));
         if (series->x[n] > 50.0 && from_harmonic > 50.0) {
            worst_db[s] = fmax(worst_db[s], series->y[n]);
         }
      }
   }
   const double fundamental_hz = 1707.0 * 48000.0 / 16384.0;
   assert_true(worst_db[0] > -60.0); /* taken sample by sample */
   assert_true(worst_db[1] < -90.0); /* live, as the manual of the plugin says or better */
   assert_true(worst_db[2] < -110.0);
   assert_true(value_at(&plot->series[0], fabs(48000.0 - 7.0 * fundamental_hz)) > -50.0);
   bm_figures_free(&figures);
}

/* Weak bending is a polynomial: H2 rises 1 dB a dB, H3 2, H4 3 (the powers of a sine). */
static void harmonics_grow_with_drive_as_powers_of_a_sine_do(void** state)
{
   (void)state;
   BmFigures figures = probe("urn:bookmatch:tube-saturation#mono", NULL, NULL, 0);
   const BmPlot* bars = find_plot(&figures, "Harmonics against drive");
   assert_int_equal(bars->n_series, 4);
   for (uint32_t h = 0; h < 3; ++h) {
      assert_int_equal(bars->series[h].kind, BM_PLOT_BARS);
      assert_close(value_at(&bars->series[h], 0.0) - value_at(&bars->series[h], -6.0), 6.0 * (h + 1), 0.5);
   }
   assert_string_equal(bars->x.ticks[2].label, "0");
   bm_figures_free(&figures);
}

/* Under bias a tape follows Langevin's function, without a loop. Its third harmonic is 3 % at -9 dBFS, which
   puts full scale at 1.43283 of the function's own unit (the root of that, by bisection) and 9 dB. Within 5
   %: the bias smears the curve a little, and the level is set at 1 kHz, after the record equalisation. */
static void a_biased_tape_s_magnetisation_is_langevin_s_curve_at_every_speed(void** state)
{
   (void)state;
   static const char* const symbols[] = {"speed", "hiss", "wander"};
   for (float speed = 19.0f; speed <= 76.0f; speed *= 2.0f) {
      const float settings[] = {speed, -40.0f, 0.3f};
      BmFigures figures = probe("urn:bookmatch:tape-saturation#mono", symbols, settings, 3);
      const BmPlotSeries* layer = &find_plot(&figures, "Magnetisation against field")->series[1];
      const uint32_t quarter = (layer->n_points - 1) / 4;
      for (uint32_t n = 1; n <= quarter; ++n) {
         const double x = 1.43283 * pow(10.0, 9.0 / 20.0) * layer->x[n];
         const double langevin = layer->x[n] * 3.0 / x * (1.0 / tanh(x) - 1.0 / x);
         assert_close(layer->y[n] - layer->y[0], langevin, 0.05 * langevin + 0.005);
         assert_close(layer->y[n], layer->y[2 * quarter - n], 0.002); /* up and down alike */
      }
      bm_figures_free(&figures);
   }
   BmFigures figures = probe("urn:bookmatch:tube-saturation#mono", NULL, NULL, 0);
   for (uint32_t n = 0; n < figures.n_plots; ++n) {
      assert_null(strstr(figures.plots[n].title, "Magnetisation"));
   }
   bm_figures_free(&figures);
}

/* One channel alone: mid and side are the same, and every point of the goniometer lies on the diagonal. */
static void a_file_with_one_channel_silent_has_equal_mid_and_side(void** state)
{
   (void)state;
   char path[] = "/tmp/bookmatch-probe-XXXXXX";
   const int descriptor = mkstemp(path);
   assert_true(descriptor >= 0);
   SF_INFO info = {.samplerate = RATE_HZ, .channels = 2, .format = SF_FORMAT_WAV | SF_FORMAT_FLOAT};
   SNDFILE* file = sf_open_fd(descriptor, SFM_WRITE, &info, 1);
   assert_non_null(file);
   uint64_t seed = 9;
   for (int n = 0; n < RATE_HZ; ++n) {
      const float frame[2] = {(float)(0.3 * bm_test_random(&seed)), 0.0f};
      assert_int_equal(sf_writef_float(file, frame, 1), 1);
   }
   sf_close(file);
   BmFigures figures = {.n_plots = 0};
   bm_probe_stereo_file(path, path, &figures);
   unlink(path);
   const BmPlotSeries* mid = &find_plot(&figures, "Mid spectrum")->series[1];
   const BmPlotSeries* side = &find_plot(&figures, "Side spectrum")->series[1];
   for (uint32_t n = 0; n < mid->n_points; ++n) {
      assert_close(mid->y[n], side->y[n], 1e-6);
   }
   const BmPlotSeries* cloud = &find_plot(&figures, "Goniometer")->series[0];
   assert_true(cloud->n_points > 1000);
   for (uint32_t n = 0; n < cloud->n_points; ++n) {
      assert_close(cloud->x[n], -cloud->y[n], 1e-9);
   }
   bm_figures_free(&figures);
}

int main(void)
{
   if (!hosted_open()) {
      return 1;
   }
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(the_decay_time_of_a_known_decay_is_found),
      cmocka_unit_test(a_static_curve_has_slope_one_below_and_one_over_ratio_above),
      cmocka_unit_test(a_room_s_octaves_decay_as_its_control_says),
      cmocka_unit_test(a_saturator_shows_curve_harmonics_and_aliases_and_an_equaliser_none_of_them),
      cmocka_unit_test(the_picture_of_aliases_shows_what_oversampling_takes_away),
      cmocka_unit_test(harmonics_grow_with_drive_as_powers_of_a_sine_do),
      cmocka_unit_test(a_biased_tape_s_magnetisation_is_langevin_s_curve_at_every_speed),
      cmocka_unit_test(a_file_with_one_channel_silent_has_equal_mid_and_side),
   };
   const int n_failed = cmocka_run_group_tests(tests, NULL, NULL);
   bm_host_free(hosted_host);
   return n_failed;
}
