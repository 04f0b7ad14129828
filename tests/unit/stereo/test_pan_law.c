/* SPDX-License-Identifier: ISC */
/* If these fail, a take gets louder or softer as it is moved across the stage. */
#include "unit_test.h"

#include "stereo/pan_law.h"

static double db(double gain)
{
   return 20.0 * log10(gain);
}

/* Reference sheet section 8: levels of left and right at p = 0.25 and 0.5 (pan -0.5 and 0). */
static void the_laws_are_those_of_the_table(void** state)
{
   (void)state;
   static const double table[3][3] = {
      {-0.688, -8.343, -3.010}, {-1.593, -10.192, -4.515}, {-2.499, -12.041, -6.021}};
   for (int law = 0; law < 3; ++law) {
      const BmFrame aside = bm_pan_gains((BmPanLaw)law, -0.5);
      assert_close(db(aside[0]), table[law][0], 0.001);
      assert_close(db(aside[1]), table[law][1], 0.001);
      const BmFrame mirrored = bm_pan_gains((BmPanLaw)law, 0.5);
      assert_close(mirrored[0], aside[1], 1e-15);
      assert_close(mirrored[1], aside[0], 1e-15);
      const BmFrame middle = bm_pan_gains((BmPanLaw)law, 0.0);
      assert_close(db(middle[0]), table[law][2], 0.001);
      assert_close(middle[0], middle[1], 1e-15);
   }
}

static void power_or_sum_stays_the_same_all_the_way(void** state)
{
   (void)state;
   for (double pan = -1.0; pan <= 1.0; pan += 0.01) {
      const BmFrame power = bm_pan_gains(BM_PAN_LAW_3_DB, pan);
      assert_close(power[0] * power[0] + power[1] * power[1], 1.0, 1e-12);
      const BmFrame linear = bm_pan_gains(BM_PAN_LAW_6_DB, pan);
      assert_close(linear[0] + linear[1], 1.0, 1e-12);
   }
}

static void a_hard_panned_take_leaves_the_other_side_silent(void** state)
{
   (void)state;
   for (int law = 0; law < 3; ++law) {
      const BmFrame left = bm_pan_gains((BmPanLaw)law, -1.0);
      const BmFrame right = bm_pan_gains((BmPanLaw)law, 1.0);
      assert_true(left[0] == 1.0 && left[1] == 0.0);
      assert_true(right[0] == 0.0 && right[1] == 1.0);
   }
}

int main(void)
{
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(the_laws_are_those_of_the_table),
      cmocka_unit_test(power_or_sum_stays_the_same_all_the_way),
      cmocka_unit_test(a_hard_panned_take_leaves_the_other_side_silent),
   };
   return cmocka_run_group_tests(tests, NULL, NULL);
}
