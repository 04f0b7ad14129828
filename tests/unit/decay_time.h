/* SPDX-License-Identifier: ISC */
/* How long a room rings. */
#ifndef BM_DECAY_TIME_H
#define BM_DECAY_TIME_H

#include <math.h>
#include <stdint.h>

/**
   Seconds to fall by 60 dB of an energy [n_frames] over time (ISO 3382-1): the straight line through
   `from_db` to `to_db` of the backward integral (Schroeder 1965), drawn on. T30 reads -5 to -35 dB, T20 -5 to
   -25, EDT 0 to -10.
*/
static inline double bm_test_decay_s(const double* energy, uint32_t n_frames, double rate_hz, double from_db,
                                     double to_db)
{
   double total = 0.0;
   for (uint32_t n = n_frames; n-- > 0;) {
      total += energy[n];
   }
   double left = total, st = 0.0, sl = 0.0, stt = 0.0, stl = 0.0, count = 0.0;
   for (uint32_t n = 0; n < n_frames; ++n) {
      const double level_db = 10.0 * log10(left / total);
      left -= energy[n];
      if (level_db < to_db) {
         break;
      }
      if (level_db <= from_db) {
         const double t = n / rate_hz;
         st += t;
         sl += level_db;
         stt += t * t;
         stl += t * level_db;
         count += 1.0;
      }
   }
   return -60.0 / ((count * stl - st * sl) / (count * stt - st * st));
}

static inline double bm_test_t30_s(const double* energy, uint32_t n_frames, double rate_hz)
{
   return bm_test_decay_s(energy, n_frames, rate_hz, -5.0, -35.0);
}

#endif
