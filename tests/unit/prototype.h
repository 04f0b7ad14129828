/* SPDX-License-Identifier: ISC */
/* The analogue curves that equalisers are held to: Audio EQ Cookbook (R. Bristow-Johnson, W3C Note 2021) and
   Butterworth, as magnitudes in dB at a frequency. Shelves have Q 0.7071. */
#ifndef BM_PROTOTYPE_H
#define BM_PROTOTYPE_H

#include <complex.h>
#include <math.h>

static inline double bm_prototype_bell_db(double frequency_hz, double centre_hz, double gain_db, double q)
{
   const double complex s = (double complex)I * (frequency_hz / centre_hz);
   const double a = pow(10.0, gain_db / 40.0);
   return 20.0 * log10(cabs((s * s + s * (a / q) + 1.0) / (s * s + s / (a * q) + 1.0)));
}

static inline double bm_prototype_high_shelf_db(double frequency_hz, double corner_hz, double gain_db)
{
   const double complex s = (double complex)I * (frequency_hz / corner_hz);
   const double a = pow(10.0, gain_db / 40.0);
   const double complex middle = s * sqrt(2.0 * a);
   return 20.0 * log10(cabs(a * (a * s * s + middle + 1.0) / (s * s + middle + a)));
}

/* A high shelf with the axis turned round. */
static inline double bm_prototype_low_shelf_db(double frequency_hz, double corner_hz, double gain_db)
{
   return bm_prototype_high_shelf_db(corner_hz, frequency_hz, gain_db);
}

/* Butterworth high-pass: |H|^2 = 1 / (1 + (corner / f)^(slope / 3 dB)). */
static inline double bm_prototype_low_cut_db(double frequency_hz, double corner_hz, double slope_db_oct)
{
   return -10.0 * log10(1.0 + pow(corner_hz / frequency_hz, slope_db_oct / 3.0));
}

#endif
