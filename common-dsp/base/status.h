/* SPDX-License-Identifier: ISC */
#ifndef BM_BASE_STATUS_H
#define BM_BASE_STATUS_H

/** Outcome of set-up code. Processing code cannot fail and returns nothing. */
typedef enum {
   BM_OK = 0,
   BM_BAD_RATE,     /**< the sample rate is outside BM_RATE_MIN_HZ to BM_RATE_MAX_HZ, or not a number */
   BM_BAD_ARGUMENT, /**< a size, a channel count or a pointer makes no sense */
   BM_NO_MEMORY     /**< the memory asked for was not granted */
} BmStatus;

#define BM_RATE_MIN_HZ 8000.0
#define BM_RATE_MAX_HZ 384000.0

/** Say whether the processors can run at `sample_rate_hz`: BM_OK or BM_BAD_RATE (a NaN is a bad rate). */
static inline BmStatus bm_check_rate(double sample_rate_hz)
{
   return sample_rate_hz >= BM_RATE_MIN_HZ && sample_rate_hz <= BM_RATE_MAX_HZ ? BM_OK : BM_BAD_RATE;
}

#endif
