/* SPDX-License-Identifier: ISC */
#ifndef BM_BASE_DECIBEL_H
#define BM_BASE_DECIBEL_H

#include <math.h>

/** The lowest level a meter or a report shows; stands for silence too. */
#define BM_SILENCE_DB (-120.0)

/** Linear amplitude of a level in dB: 10^(db/20). */
static inline double bm_gain_from_db(double db)
{
   return exp(db * 0.11512925464970228420); /* ln(10) / 20 */
}

/** Level in dB of a linear amplitude; BM_SILENCE_DB for zero, anything below it, or not a number. */
static inline double bm_db_from_gain(double gain)
{
   const double db = 20.0 * log10(gain);
   return db > BM_SILENCE_DB ? db : BM_SILENCE_DB;
}

/** Level in dB of a power (a mean square); the floor is BM_SILENCE_DB. */
static inline double bm_db_from_power(double power)
{
   const double db = 10.0 * log10(power);
   return db > BM_SILENCE_DB ? db : BM_SILENCE_DB;
}

#endif
