/* SPDX-License-Identifier: ISC */
/* If these fail, a moved control clicks, or never arrives. */
#include "unit_test.h"

#include "base/fade.h"
#include "base/glide.h"

static void a_glide_takes_its_first_target_at_once(void** state)
{
   (void)state;
   BmGlide glide;
   bm_glide_init(&glide, BM_GLIDE_MS, 48000.0);
   bm_glide_set(&glide, 0.5);
   assert_true(bm_glide_step(&glide) == 0.5);
}

static void a_glide_follows_the_closed_form_of_two_poles_and_arrives_to_the_bit(void** state)
{
   (void)state;
   const double rate = 48000.0;
   BmGlide glide;
   bm_glide_init(&glide, BM_GLIDE_MS, rate);
   bm_glide_set(&glide, 1.0);
   bm_glide_set(&glide, 0.0);
   double value = 1.0;
   for (int n = 1; n <= 480; ++n) {
      value = bm_glide_step(&glide);
      /* Two equal one-poles from 1 to 0 after n steps: p^n (1 + n (1 - p)). */
      const double pole = exp(-1000.0 / (BM_GLIDE_MS * rate));
      assert_close(value, pow(pole, n) * (1.0 + n * (1.0 - pole)), 1e-12);
   }
   for (int n = 0; n < (int)rate; ++n) {
      value = bm_glide_step(&glide);
   }
   assert_true(value == 0.0);
   assert_true(bm_glide_is_still(&glide));
}

static void a_fade_is_exact_at_both_ends_and_symmetric(void** state)
{
   (void)state;
   BmFade fade;
   bm_fade_init(&fade, 20.0, 48000.0);
   bm_fade_set(&fade, false);
   bm_fade_set(&fade, true);
   double up[960];
   for (int n = 0; n < 960; ++n) {
      up[n] = bm_fade_step(&fade);
   }
   assert_true(up[959] == 1.0 && bm_fade_is_on(&fade));
   bm_fade_set(&fade, false);
   for (int n = 0; n < 959; ++n) {
      assert_close(bm_fade_step(&fade) + up[n], 1.0, 1e-12);
   }
   assert_true(bm_fade_step(&fade) == 0.0 && bm_fade_is_off(&fade));
}

int main(void)
{
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(a_glide_takes_its_first_target_at_once),
      cmocka_unit_test(a_glide_follows_the_closed_form_of_two_poles_and_arrives_to_the_bit),
      cmocka_unit_test(a_fade_is_exact_at_both_ends_and_symmetric),
   };
   return cmocka_run_group_tests(tests, NULL, NULL);
}
