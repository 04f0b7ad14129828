/* SPDX-License-Identifier: ISC */
/* If these fail, a ratio or a threshold is not what its knob says. */
#include "unit_test.h"

#include "dynamics/log2.h"
#include "dynamics/static_curve.h"

static double output(const BmStaticCurve* curve, double input)
{
   return input - bm_static_curve_reduction(curve, input);
}

static void it_is_the_published_curve(void** state)
{
   (void)state;
   /* Giannoulis, Massberg and Reiss 2012, equation 4, at T = -20, R = 4, W = 6. */
   const BmStaticCurve curve = {.threshold = -20.0, .knee = 6.0, .slope = 0.75};
   const double check[][2] = {{-40, -40},    {-23, -23},   {-22, -22.0625}, {-20, -20.5625}, {-18, -19.5625},
                              {-17, -19.25}, {-14, -18.5}, {-10, -17.5},    {-6, -16.5},     {0, -15}};
   for (unsigned i = 0; i < sizeof check / sizeof *check; ++i) {
      assert_close(output(&curve, check[i][0]), check[i][1], 1e-12);
   }
   const BmStaticCurve limiter = {.threshold = -20.0, .knee = 6.0, .slope = 1.0};
   assert_close(output(&limiter, -23.0), -23.0, 1e-12);
   assert_close(output(&limiter, -20.0), -20.75, 1e-12);
   assert_close(output(&limiter, -17.0), -20.0, 1e-12);
   assert_close(output(&limiter, 0.0), -20.0, 1e-12);
}

static void its_slope_is_its_derivative(void** state)
{
   (void)state;
   const BmStaticCurve curve = {.threshold = -3.0, .knee = 1.0, .slope = 0.9};
   for (double x = -6.0; x < 2.0; x += 0.03) {
      const double step = 1e-6;
      const double slope = 1.0 - (output(&curve, x + step) - output(&curve, x - step)) / (2.0 * step);
      assert_close(bm_static_curve_slope(&curve, x), slope, 1e-5);
   }
}

static void the_fast_logarithm_and_power_are_as_exact_as_they_say(void** state)
{
   (void)state;
   uint64_t seed = 5;
   double worst_log = 0.0;
   double worst_exp = 0.0;
   double worst_single = 0.0;
   for (int i = 0; i < 200000; ++i) {
      const double x = 900.0 * bm_test_random(&seed);
      const double y = exp2(bm_test_random(&seed) * (i % 2 ? 1.0 : 900.0));
      worst_exp = fmax(worst_exp, fabs(bm_exp2(x) / exp2(x) - 1.0));
      const float f = (float)(x / 9.0);
      worst_single = fmax(worst_single, fabs((double)bm_exp2_single(f) / exp2((double)f) - 1.0));
      worst_log = fmax(worst_log, fabs(bm_log2(y) - log2(y)));
   }
   assert_between(worst_exp, 1e-12, 8e-9);
   assert_between(worst_log, 1e-12, 3e-9);
   assert_between(worst_single, 1e-12, 4e-7);
   assert_true(bm_exp2(0.0) == 1.0);
   assert_true(bm_exp2_single(0.0F) == 1.0F);
   assert_true(bm_log2(1.0) == 0.0);
   assert_true(bm_exp2(-17.0) == exp2(-17.0));
}

int main(void)
{
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(it_is_the_published_curve),
      cmocka_unit_test(its_slope_is_its_derivative),
      cmocka_unit_test(the_fast_logarithm_and_power_are_as_exact_as_they_say),
   };
   return cmocka_run_group_tests(tests, NULL, NULL);
}
