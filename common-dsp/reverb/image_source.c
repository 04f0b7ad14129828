/* SPDX-License-Identifier: ISC */
#include "reverb/image_source.h"

#include <math.h>

/* Where the source stands in the mirror room `index` places along an axis; |index| walls lie in between. */
static double mirrored(double place_m, double size_m, int index)
{
   return index % 2 == 0 ? index * size_m + place_m : (index + 1) * size_m - place_m;
}

static int magnitude(int index)
{
   return index < 0 ? -index : index;
}

double bm_shoebox_volume_m3(const BmShoebox* room)
{
   return room->size_m.x_m * room->size_m.y_m * room->size_m.z_m;
}

double bm_shoebox_surface_m2(const BmShoebox* room)
{
   const BmPoint size = room->size_m;
   return 2.0 * (size.x_m * size.y_m + size.y_m * size.z_m + size.z_m * size.x_m);
}

double bm_shoebox_mean_free_time_s(const BmShoebox* room)
{
   return 4.0 * bm_shoebox_volume_m3(room) / (bm_shoebox_surface_m2(room) * BM_SPEED_OF_SOUND_M_S);
}

uint32_t bm_image_count(uint32_t order)
{
   uint32_t count = 1;
   for (uint32_t k = 1; k <= order; ++k) {
      count += 4 * k * k + 2; /* integer points with |l| + |m| + |n| = k */
   }
   return count;
}

void bm_image_sources(const BmShoebox* room, BmPoint source, BmPoint ear, uint32_t max_order, BmImage* images)
{
   uint32_t n_images = 0;
   const int reach = (int)max_order;
   for (int order = 0; order <= reach; ++order) {
      for (int l = -order; l <= order; ++l) {
         const int left_m = order - magnitude(l);
         for (int m = -left_m; m <= left_m; ++m) {
            const int left_n = left_m - magnitude(m);
            for (int n = -left_n; n <= left_n; n += left_n > 0 ? 2 * left_n : 1) {
               const BmPoint at = {mirrored(source.x_m, room->size_m.x_m, l) - ear.x_m,
                                   mirrored(source.y_m, room->size_m.y_m, m) - ear.y_m,
                                   mirrored(source.z_m, room->size_m.z_m, n) - ear.z_m};
               images[n_images++] = (BmImage){(uint32_t)order, hypot(hypot(at.x_m, at.y_m), at.z_m), at};
            }
         }
      }
   }
}
