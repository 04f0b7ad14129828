/* SPDX-License-Identifier: ISC */
#ifndef BM_REVERB_IMAGE_SOURCE_H
#define BM_REVERB_IMAGE_SOURCE_H

#include <stdint.h>

#define BM_SPEED_OF_SOUND_M_S 343.0 /* dry air, 20 degrees C */

typedef struct {
   double x_m, y_m, z_m;
} BmPoint;

/** A room with three pairs of parallel walls, one corner at the origin. */
typedef struct {
   BmPoint size_m;
} BmShoebox;

/** One arrival: the straight path from a mirrored source. */
typedef struct {
   uint32_t order;     /* walls met on the way; 0 is the direct sound */
   double distance_m;  /* length of the path */
   BmPoint from_ear_m; /* where the image stands, seen from the ear */
} BmImage;

double bm_shoebox_volume_m3(const BmShoebox* room);
double bm_shoebox_surface_m2(const BmShoebox* room);

/** Mean time between two wall hits of a path in a diffuse field, 4 V / (S c) (Kuttruff, Room Acoustics). */
double bm_shoebox_mean_free_time_s(const BmShoebox* room);

/** How many images there are of order 0 to `order`: 1, 7, 25, 63, ... */
uint32_t bm_image_count(uint32_t order);

/**
   List the images of order 0 to `max_order`, the direct sound first, no other order among them.

   Each stands for the pressure reflection^order / distance at distance / c (Allen and Berkley, "Image method
   for efficiently simulating small-room acoustics", JASA 65(4), 1979, eq. 8, without its factor 1 / 4 pi).

   @param images [bm_image_count(max_order)]
*/
void bm_image_sources(const BmShoebox* room, BmPoint source, BmPoint ear, uint32_t max_order,
                      BmImage* images);

#endif
