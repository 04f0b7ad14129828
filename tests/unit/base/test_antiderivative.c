/* SPDX-License-Identifier: ISC */
/* If these fail, the tube folds its harmonics back into the music, or its curve is not the one that was
   drawn. The anchors also prove the measurement that the saturators' own tests use. */
#include "unit_test.h"

#include "../saturation/spectrum.h"
#include "base/antiderivative.h"

#include <stdbool.h>

enum { N_SEGMENTS = 1024 };
static BmCurveSegment segments[N_SEGMENTS + 1];

static BmFrame step(const BmCurve* curve, BmCurveMemory* memory, BmFrame x)
{
   const BmFrame position = bm_curve_position(curve, x);
   BmFramePair frames = BM_FRAME_PAIR(position, position);
   BmFramePair along;
   bm_curve_step(curve, memory, &frames, &along, 1);
   return BM_FIRST_OF_PAIR(frames);
}

static double curve_tanh(double x, const void* parameters)
{
   (void)parameters;
   return tanh(x);
}

static double curve_clip(double x, const void* parameters)
{
   (void)parameters;
   return fmin(fmax(x, -1.0), 1.0);
}

static void a_drawn_curve_is_the_function_and_its_slope(void** state)
{
   (void)state;
   BmCurve curve;
   bm_curve_init(&curve, segments, N_SEGMENTS, -8.0, 8.0, curve_tanh, NULL);
   for (double x = -8.0; x <= 8.0; x += 0.00371) {
      /* Cubic spline: h^4 max|f''''| / 384, with h = 1/64 and |tanh''''| < 4.1. */
      assert_close(bm_curve_at(&curve, x), tanh(x), 4.1 / 384.0 / pow(64.0, 4.0) + 1e-15);
      assert_close(bm_curve_slope(&curve, x), 1.0 - tanh(x) * tanh(x), 1e-6);
   }
   assert_close(bm_curve_at(&curve, 100.0), tanh(8.0), 1e-12);
   assert_close(bm_curve_at(&curve, -100.0), -tanh(8.0), 1e-12);
}

static void a_step_is_the_published_quotient_of_antiderivatives(void** state)
{
   (void)state;
   BmCurve curve;
   BmCurveMemory memory;
   bm_curve_init(&curve, segments, N_SEGMENTS, -8.0, 8.0, curve_tanh, NULL);
   bm_curve_settle(&curve, &memory, bm_frame_both(0.0));
   uint64_t seed = 11;
   double before[2] = {0.0, 0.0};
   for (int n = 0; n < 20000; ++n) {
      const double reach = pow(10.0, 1.0 - (n % 12)); /* small steps as well as large */
      double x[2];
      for (int lane = 0; lane < 2; ++lane) {
         const double there =
            n % 3 ? before[lane] + reach * bm_test_random(&seed) : 7.0 * bm_test_random(&seed);
         x[lane] = fmin(fmax(there, -7.5), 7.5);
      }
      const BmFrame y = step(&curve, &memory, bm_frame(x[0], x[1]));
      for (int lane = 0; lane < 2; ++lane) {
         /* The antiderivative of tanh is ln cosh; near equality the mean is tanh of the middle to second
          * order. */
         const double moved = x[lane] - before[lane];
         const double middle = 0.5 * (x[lane] + before[lane]);
         const double expected =
            fabs(moved) > 1e-4 ? (log(cosh(x[lane])) - log(cosh(before[lane]))) / moved : tanh(middle);
         assert_close(y[lane], expected, 2e-9);
         before[lane] = x[lane];
      }
   }
}

static void two_frames_at_once_are_two_frames_one_by_one(void** state)
{
   (void)state;
   BmCurve curve;
   BmCurveMemory one;
   BmCurveMemory two;
   bm_curve_init(&curve, segments, N_SEGMENTS, -8.0, 8.0, curve_tanh, NULL);
   for (uint32_t i = 0; i <= N_SEGMENTS; ++i) {
      segments[i].along = i;
      segments[i].along_rise = 1.0;
   }
   bm_curve_settle(&curve, &one, bm_frame_both(0.0));
   two = one;
   uint64_t seed = 12;
   for (int n = 0; n < 2000; ++n) {
      BmFrame x[2];
      BmFrame y[2];
      for (int k = 0; k < 2; ++k) {
         x[k] = bm_curve_position(&curve, bm_frame(9.0 * bm_test_random(&seed), 9.0 * bm_test_random(&seed)));
         BmFramePair frames = BM_FRAME_PAIR(x[k], x[k]);
         BmFramePair along;
         bm_curve_step(&curve, &one, &frames, &along, 1);
         y[k] = BM_FIRST_OF_PAIR(frames);
         assert_close(along[1], x[k][1], 1e-9);
      }
      BmFramePair frames = BM_FRAME_PAIR(x[0], x[1]);
      BmFramePair along;
      bm_curve_step(&curve, &two, &frames, &along, 2);
      assert_memory_equal(&frames, y, sizeof frames);
      assert_memory_equal(&one, &two, sizeof one);
   }
}

/* Alias-to-signal over all harmonics up to 20 kHz, ideal resampling, 5 kHz, 12 dB into the curve. */
static double alias_db(double rate_hz, uint32_t oversampling, BmCurveFunction function, bool antialiased)
{
   const uint32_t n = BM_SPECTRUM_FRAMES * oversampling;
   const uint32_t bin = bm_test_odd_bin(5000.0 / rate_hz, BM_SPECTRUM_FRAMES);
   double* values = malloc(n * sizeof *values);
   assert_non_null(values);
   BmCurve curve;
   BmCurveMemory memory;
   bm_curve_init(&curve, segments, N_SEGMENTS, -8.0, 8.0, function, NULL);
   bm_curve_settle(&curve, &memory, bm_frame_both(4.0 * sin(-2.0 * M_PI * bin / n)));
   for (uint32_t i = 0; i < n; ++i) {
      const double x = 4.0 * sin(2.0 * M_PI * (double)((uint64_t)bin * i % n) / n);
      values[i] = antialiased ? step(&curve, &memory, bm_frame_both(x))[0] : function(x, NULL);
   }
   const BmTestSpectrum spectrum = bm_test_spectrum(values, n, bin);
   const double top_norm = 20000.0 / (rate_hz * oversampling);
   double harmonics = 0.0;
   for (uint32_t k = 1; k * bin <= (uint32_t)(top_norm * n); ++k) {
      harmonics += spectrum.power[k * bin] / spectrum.power[bin];
   }
   const double result = bm_test_alias_db(&spectrum, top_norm) - 10.0 * log10(harmonics);
   free(spectrum.power);
   free(values);
   return result;
}

static void aliasing_is_what_the_reference_sheet_computed(void** state)
{
   (void)state;
   const struct {
      double rate_hz;
      uint32_t oversampling;
      double tanh_direct, tanh_antialiased, clip_direct, clip_antialiased;
   } table[] = {
      {44100.0, 1, -18.2, -24.7, -15.4, -22.0},   {44100.0, 2, -51.9, -69.6, -33.8, -52.5},
      {44100.0, 4, -112.1, -137.7, -48.3, -73.4}, {48000.0, 2, -58.6, -79.0, -35.0, -55.2},
      {48000.0, 4, -118.7, -141.1, -51.0, -75.3},
   };
   for (uint32_t i = 0; i < sizeof table / sizeof table[0]; ++i) {
      const double rate_hz = table[i].rate_hz;
      const uint32_t os = table[i].oversampling;
      assert_close(alias_db(rate_hz, os, curve_tanh, false), table[i].tanh_direct, 1.0);
      assert_true(alias_db(rate_hz, os, curve_tanh, true) < fmin(table[i].tanh_antialiased + 1.0, 0.0));
      assert_close(alias_db(rate_hz, os, curve_clip, false), table[i].clip_direct, 1.0);
      assert_close(alias_db(rate_hz, os, curve_clip, true), table[i].clip_antialiased, 1.5);
   }
}

static void a_straight_line_loses_what_the_theory_says(void** state)
{
   (void)state;
   /* cos(w/2) at 20 kHz: -16.74, -0.56 dB at 44.1 and 176.4 kHz (reference sheet). */
   BmCurve curve;
   BmCurveMemory memory;
   bm_curve_init(&curve, segments, N_SEGMENTS, -8.0, 8.0, curve_clip, NULL);
   const double rates_hz[] = {44100.0, 176400.0};
   const double table_db[] = {-16.74, -0.56};
   for (int r = 0; r < 2; ++r) {
      double values[4096];
      const uint32_t bin = bm_test_odd_bin(20000.0 / rates_hz[r], 4096);
      bm_curve_settle(&curve, &memory, bm_frame_both(0.5 * sin(-2.0 * M_PI * bin / 4096.0)));
      for (uint32_t i = 0; i < 4096; ++i) {
         values[i] = step(&curve, &memory, bm_frame_both(0.5 * sin(2.0 * M_PI * bin * i / 4096.0)))[0];
      }
      const BmTestSpectrum spectrum = bm_test_spectrum(values, 4096, bin);
      assert_close(10.0 * log10(spectrum.power[bin] / 0.25), table_db[r], 0.05); /* nearest bin */
      free(spectrum.power);
   }
}

int main(void)
{
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(a_drawn_curve_is_the_function_and_its_slope),
      cmocka_unit_test(a_step_is_the_published_quotient_of_antiderivatives),
      cmocka_unit_test(two_frames_at_once_are_two_frames_one_by_one),
      cmocka_unit_test(aliasing_is_what_the_reference_sheet_computed),
      cmocka_unit_test(a_straight_line_loses_what_the_theory_says),
   };
   return cmocka_run_group_tests(tests, NULL, NULL);
}
