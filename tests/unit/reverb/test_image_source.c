/* SPDX-License-Identifier: ISC */
/* If these fail, the room on show is no room: reflections come at the wrong time or level. */
#include "unit_test.h"

#include "reverb/image_source.h"

#include <stdbool.h>
#include <stdlib.h>

static const BmShoebox room = {{6.0, 4.0, 3.0}};
static const BmPoint source = {1.5, 1.2, 1.1};
static const BmPoint ear = {4.2, 2.7, 1.6};

static int by_distance(const void* a, const void* b)
{
   const double left = ((const BmImage*)a)->distance_m;
   const double right = ((const BmImage*)b)->distance_m;
   return (left > right) - (left < right);
}

/* Reference sheet section 7: Allen and Berkley (1979) computed for this room, reflection factor 0.9, c = 343
   m/s. Tolerances of the sheet: 0.01 ms, 0.01 dB. */
static void the_first_eight_arrivals_are_those_of_the_worked_example(void** state)
{
   (void)state;
   static const double expected[8][3] = {/* ms, order, dB over the direct sound */
                                         {9.1222, 0, 0.0},     {11.9605, 1, -3.268}, {13.1777, 1, -4.110},
                                         {13.9058, 1, -4.577}, {14.3865, 1, -4.872}, {15.9126, 2, -6.663},
                                         {16.3343, 2, -6.890}, {16.8467, 2, -7.159}};
   BmImage images[129];
   assert_int_equal(bm_image_count(4), 129);
   bm_image_sources(&room, source, ear, 4, images);
   qsort(images, 129, sizeof images[0], by_distance);
   const double direct = 1.0 / images[0].distance_m;
   for (int i = 0; i < 8; ++i) {
      assert_close(1000.0 * images[i].distance_m / BM_SPEED_OF_SOUND_M_S, expected[i][0], 0.01);
      assert_int_equal(images[i].order, (int)expected[i][1]);
      const double gain = pow(0.9, images[i].order) / images[i].distance_m;
      assert_close(20.0 * log10(gain / direct), expected[i][2], 0.01);
   }
}

/* The paper's own form (eq. 8): images at (1 - 2q) x + 2 l L, with |l - q| + |l| reflections an axis. */
static void every_image_of_the_papers_sum_is_listed_once(void** state)
{
   (void)state;
   BmImage images[63];
   bm_image_sources(&room, source, ear, 3, images);
   bool is_taken[63] = {false};
   uint32_t n_found = 0;
   for (int index = 0; index < 8 * 125; ++index) {
      const int q = index % 8, l = index / 8 % 5 - 2, m = index / 40 % 5 - 2, n = index / 200 - 2;
      const int qx = q & 1, qy = q >> 1 & 1, qz = q >> 2;
      const int order = abs(l - qx) + abs(l) + abs(m - qy) + abs(m) + abs(n - qz) + abs(n);
      if (order > 3) {
         continue;
      }
      const double x = (1 - 2 * qx) * source.x_m + 2 * l * room.size_m.x_m - ear.x_m;
      const double y = (1 - 2 * qy) * source.y_m + 2 * m * room.size_m.y_m - ear.y_m;
      const double z = (1 - 2 * qz) * source.z_m + 2 * n * room.size_m.z_m - ear.z_m;
      uint32_t i = 0;
      while (i < 63 &&
             (is_taken[i] || fabs(images[i].from_ear_m.x_m - x) > 1e-9 ||
              fabs(images[i].from_ear_m.y_m - y) > 1e-9 || fabs(images[i].from_ear_m.z_m - z) > 1e-9)) {
         ++i;
      }
      assert_true(i < 63);
      is_taken[i] = true;
      assert_int_equal(images[i].order, order);
      assert_close(images[i].distance_m, sqrt(x * x + y * y + z * z), 1e-12);
      ++n_found;
   }
   assert_int_equal(n_found, 63);
}

/* Reference sheet section 7, same room: V 72 m^3, S 108 m^2, mean free path 2.667 m (7.77 ms); walls of
   reflection factor 0.9 have, by Eyring, 0.5097 s. */
static void the_rooms_statistics_are_those_of_the_worked_example(void** state)
{
   (void)state;
   assert_close(bm_shoebox_volume_m3(&room), 72.0, 1e-12);
   assert_close(bm_shoebox_surface_m2(&room), 108.0, 1e-12);
   assert_close(1000.0 * bm_shoebox_mean_free_time_s(&room), 7.77, 0.01);
   assert_close(pow(10.0, -3.0 * bm_shoebox_mean_free_time_s(&room) / 0.5097), 0.9, 1e-4);
}

int main(void)
{
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(the_first_eight_arrivals_are_those_of_the_worked_example),
      cmocka_unit_test(every_image_of_the_papers_sum_is_listed_once),
      cmocka_unit_test(the_rooms_statistics_are_those_of_the_worked_example),
   };
   return cmocka_run_group_tests(tests, NULL, NULL);
}
