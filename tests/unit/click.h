/* SPDX-License-Identifier: ISC */
/* How loud a click a moved control makes: the spectral click measure. */
#ifndef BM_CLICK_H
#define BM_CLICK_H

#include <math.h>
#include <stdint.h>
#include <stdlib.h>

/** Discrete Fourier transform in place, [n] complex pairs, n a power of two; sign -1 forward, +1 back
 * (unscaled). */
static inline void bm_test_fft(double* pairs, uint32_t n, int sign)
{
   for (uint32_t i = 1, j = 0; i < n; ++i) {
      uint32_t bit = n >> 1;
      for (; j & bit; bit >>= 1) {
         j ^= bit;
      }
      j ^= bit;
      if (i < j) {
         for (uint32_t k = 0; k < 2; ++k) {
            const double swap = pairs[2 * i + k];
            pairs[2 * i + k] = pairs[2 * j + k];
            pairs[2 * j + k] = swap;
         }
      }
   }
   for (uint32_t span = 1; span < n; span *= 2) {
      for (uint32_t k = 0; k < span; ++k) {
         const double angle = sign * 3.14159265358979323846 * k / span;
         const double c = cos(angle), s = sin(angle);
         for (uint32_t i = k; i < n; i += 2 * span) {
            double* a = pairs + 2 * i;
            double* b = a + 2 * span;
            const double re = b[0] * c - b[1] * s, im = b[0] * s + b[1] * c;
            b[0] = a[0] - re;
            b[1] = a[1] - im;
            a[0] += re;
            a[1] += im;
         }
      }
   }
}

/* Modified Bessel function of the first kind, order 0, by its series. */
static inline double bm_test_bessel_i0(double x)
{
   double term = 1.0, sum = 1.0;
   for (int k = 1; term > 1e-18 * sum; ++k) {
      term *= 0.25 * x * x / ((double)k * k);
      sum += term;
   }
   return sum;
}

/**
   Peak, in dBFS, of what a change in mid-tone leaves above `above_hz`.

   @param y  [n_frames], the change in its middle; n_frames = 0.7 s, at most 65536. Under a Kaiser window
   (beta 24) the spectrum below `above_hz` is set to zero and the rest brought back to time. Floor about -190
   dBFS.
*/
static inline double bm_test_click_dbfs(const double* y, uint32_t n_frames, double rate_hz, double above_hz)
{
   const uint32_t n = 65536;
   const double window_peak = bm_test_bessel_i0(24.0);
   double* pairs = calloc(2 * n, sizeof *pairs);
   for (uint32_t i = 0; i < n_frames; ++i) {
      const double t = 2.0 * i / (n_frames - 1) - 1.0;
      pairs[2 * i] = y[i] * bm_test_bessel_i0(24.0 * sqrt(fmax(0.0, 1.0 - t * t))) / window_peak;
   }
   bm_test_fft(pairs, n, -1);
   const uint32_t edge = (uint32_t)(above_hz / rate_hz * n);
   for (uint32_t i = 0; i < n; ++i) {
      const uint32_t bin = i <= n / 2 ? i : n - i;
      if (bin < edge) {
         pairs[2 * i] = 0.0;
         pairs[2 * i + 1] = 0.0;
      }
   }
   bm_test_fft(pairs, n, 1);
   double peak = 1e-12;
   for (uint32_t i = 0; i < n; ++i) {
      peak = fmax(peak, fabs(pairs[2 * i]) / n);
   }
   free(pairs);
   return 20.0 * log10(peak);
}

#endif
