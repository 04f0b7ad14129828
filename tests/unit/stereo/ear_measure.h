/* SPDX-License-Identifier: ISC */
/* Level and time difference between two ears, from spectra. Include after unit_test.h. */
#ifndef BM_EAR_MEASURE_H
#define BM_EAR_MEASURE_H

#include <stdlib.h>

#define BM_EAR_BINS 2049

/** The spectrum of taps behind a delay, at 0 .. rate / 2 in BM_EAR_BINS steps, by the definition. */
typedef struct {
   double rate_hz;
   double real[BM_EAR_BINS], imaginary[BM_EAR_BINS];
} BmEarSpectrum;

static inline void bm_ear_spectrum(BmEarSpectrum* self, const double* taps, uint32_t n_taps, double delay_s,
                                   double rate_hz)
{
   self->rate_hz = rate_hz;
   for (uint32_t k = 0; k < BM_EAR_BINS; ++k) {
      const double omega = 3.14159265358979323846 * k / (BM_EAR_BINS - 1);
      const double step_r = cos(omega), step_i = -sin(omega);
      double r = cos(omega * delay_s * rate_hz), i = -sin(omega * delay_s * rate_hz);
      double real = 0.0, imaginary = 0.0;
      for (uint32_t n = 0; n < n_taps; ++n) {
         real += taps[n] * r;
         imaginary += taps[n] * i;
         const double next = r * step_r - i * step_i;
         i = r * step_i + i * step_r;
         r = next;
      }
      self->real[k] = real;
      self->imaginary[k] = imaginary;
   }
}

static inline double bm_ear_hz(const BmEarSpectrum* self, uint32_t k)
{
   return 0.5 * self->rate_hz * k / (BM_EAR_BINS - 1);
}

/** 10 lg of the energy of `left` over that of `right` between two frequencies, each bin alike. */
static inline double bm_ear_level_db(const BmEarSpectrum* left, const BmEarSpectrum* right, double low_hz,
                                     double high_hz)
{
   double l = 0.0, r = 0.0;
   for (uint32_t k = 0; k < BM_EAR_BINS; ++k) {
      const double hz = bm_ear_hz(left, k);
      if (hz >= low_hz && hz <= high_hz) {
         l += left->real[k] * left->real[k] + left->imaginary[k] * left->imaginary[k];
         r += right->real[k] * right->real[k] + right->imaginary[k] * right->imaginary[k];
      }
   }
   return 10.0 * log10(l / r);
}

/** How far `left` lies behind `right` where their correlation from `low_hz` to `high_hz` is highest, in us.
 */
static inline double bm_ear_lag_us(const BmEarSpectrum* left, const BmEarSpectrum* right, double low_hz,
                                   double high_hz)
{
   double best_us = 0.0, best = -1e300, step_us = 4.0, from_us = -1000.0, to_us = 1000.0;
   for (int pass = 0; pass < 3; ++pass) {
      for (double us = from_us; us <= to_us; us += step_us) {
         double sum = 0.0;
         const double turn = 2.0 * 3.14159265358979323846 * bm_ear_hz(left, 1) * us * 1e-6;
         const double step_r = cos(turn), step_i = sin(turn);
         double r = 1.0, i = 0.0;
         for (uint32_t k = 0; k < BM_EAR_BINS; ++k) {
            const double hz = bm_ear_hz(left, k);
            if (hz >= low_hz && hz <= high_hz) {
               const double cross_r =
                  left->real[k] * right->real[k] + left->imaginary[k] * right->imaginary[k];
               const double cross_i =
                  left->imaginary[k] * right->real[k] - left->real[k] * right->imaginary[k];
               sum += cross_r * r - cross_i * i;
            }
            const double next = r * step_r - i * step_i;
            i = r * step_i + i * step_r;
            r = next;
         }
         if (sum > best) {
            best = sum;
            best_us = us;
         }
      }
      from_us = best_us - step_us;
      to_us = best_us + step_us;
      step_us *= 0.1;
   }
   return best_us;
}

#endif
