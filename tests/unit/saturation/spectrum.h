/* SPDX-License-Identifier: ISC */
/* A sine that fits the transform exactly, and what a processor makes of it: harmonics and what is none of
 * them. */
#ifndef BM_TEST_SPECTRUM_H
#define BM_TEST_SPECTRUM_H

#include "base/frame.h"

#include <complex.h>
#include <stdlib.h>

#define BM_SPECTRUM_FRAMES 32768u

/** Transform [n, a power of two] in place: radix-2, decimation in time. */
static inline void bm_test_transform(double complex* x, uint32_t n)
{
   for (uint32_t i = 1, j = 0; i < n; ++i) {
      uint32_t bit = n >> 1;
      for (; j & bit; bit >>= 1) {
         j ^= bit;
      }
      j ^= bit;
      if (i < j) {
         const double complex keep = x[i];
         x[i] = x[j];
         x[j] = keep;
      }
   }
   for (uint32_t length = 2; length <= n; length *= 2) {
      const double complex turn = cexp(-2.0 * M_PI * I / length);
      for (uint32_t at = 0; at < n; at += length) {
         double complex w = 1.0;
         for (uint32_t i = 0; i < length / 2; ++i) {
            if (i % 64 == 0) {
               w = cexp(-2.0 * M_PI * I * i / length);
            }
            const double complex a = x[at + i];
            const double complex b = x[at + i + length / 2] * w;
            x[at + i] = a + b;
            x[at + i + length / 2] = a - b;
            w *= turn;
         }
      }
   }
}

typedef struct {
   double* power; /* of each bin up to half the rate, 1.0 for a sine of peak 1 */
   uint32_t n;    /* frames transformed */
   uint32_t bin;  /* of the sine */
} BmTestSpectrum;

/** The power spectrum of [n] values that hold `bin` periods of a sine. Freed by the caller. */
static inline BmTestSpectrum bm_test_spectrum(const double* values, uint32_t n, uint32_t bin)
{
   double complex* x = malloc(n * sizeof *x);
   BmTestSpectrum spectrum = {malloc((n / 2) * sizeof(double)), n, bin};
   assert_non_null(x);
   assert_non_null(spectrum.power);
   for (uint32_t i = 0; i < n; ++i) {
      x[i] = values[i];
   }
   bm_test_transform(x, n);
   for (uint32_t i = 0; i < n / 2; ++i) {
      const double amplitude = (i ? 2.0 : 1.0) * cabs(x[i]) / n;
      spectrum.power[i] = amplitude * amplitude;
   }
   free(x);
   return spectrum;
}

/** Level of harmonic k below the fundamental. */
static inline double bm_test_harmonic_db(const BmTestSpectrum* self, uint32_t k)
{
   return 10.0 * log10(self->power[k * self->bin] / self->power[self->bin] + 1e-40);
}

/** Root of the power of harmonics 2 to 9 over the fundamental's, in percent (THD_F). */
static inline double bm_test_thd_percent(const BmTestSpectrum* self)
{
   double sum = 0.0;
   for (uint32_t k = 2; k < 10 && k * self->bin < self->n / 2; ++k) {
      sum += self->power[k * self->bin];
   }
   return 100.0 * sqrt(sum / self->power[self->bin]);
}

/** Power up to `top_norm` (cycles a frame) in bins that are no harmonic, over that of harmonic k, in dB. */
static inline double bm_test_alias_under_db(const BmTestSpectrum* self, double top_norm, uint32_t k)
{
   double sum = 1e-40;
   for (uint32_t i = 1; i <= (uint32_t)(top_norm * self->n) && i < self->n / 2; ++i) {
      if (i % self->bin != 0) {
         sum += self->power[i];
      }
   }
   return 10.0 * log10(sum / self->power[k * self->bin]);
}

/** Over the fundamental's. */
static inline double bm_test_alias_db(const BmTestSpectrum* self, double top_norm)
{
   return bm_test_alias_under_db(self, top_norm, 1);
}

/** The odd bin nearest `frequency_norm`: no alias of it falls on a harmonic. */
static inline uint32_t bm_test_odd_bin(double frequency_norm, uint32_t n)
{
   return (uint32_t)(frequency_norm * n) | 1u;
}

typedef void (*BmTestProcess)(void* self, const BmFrame* in, BmFrame* out, uint32_t n_frames);

/** What `process` makes of sines at some multiples [n_multiples] of a frequency near `frequency_norm`, each
   of peak `amplitude_lin`, once it has settled. All that it rightly adds lies at further multiples. */
static inline BmTestSpectrum bm_test_sines(BmTestProcess process, void* self, double frequency_norm,
                                           const uint32_t* multiple, uint32_t n_multiples,
                                           double amplitude_lin, uint32_t settle_frames)
{
   const uint32_t n = BM_SPECTRUM_FRAMES;
   const uint32_t bin = bm_test_odd_bin(frequency_norm, n);
   double* values = malloc(n * sizeof *values);
   assert_non_null(values);
   enum { BLOCK = 256 };
   BmFrame block[BLOCK];
   for (uint32_t at = 0; at < settle_frames + n; at += BLOCK) {
      for (uint32_t i = 0; i < BLOCK; ++i) {
         double sum = 0.0;
         for (uint32_t k = 0; k < n_multiples; ++k) {
            sum += sin(2.0 * M_PI * (double)((uint64_t)multiple[k] * bin * (at + i) % n) / n);
         }
         block[i] = bm_frame_both(amplitude_lin * sum);
      }
      process(self, block, block, BLOCK);
      for (uint32_t i = 0; i < BLOCK; ++i) {
         if (at + i >= settle_frames && at + i < settle_frames + n) {
            values[at + i - settle_frames] = block[i][0];
         }
      }
   }
   const BmTestSpectrum spectrum = bm_test_spectrum(values, n, bin);
   free(values);
   return spectrum;
}

/** Of one sine near `frequency_norm`. */
static inline BmTestSpectrum bm_test_sine(BmTestProcess process, void* self, double frequency_norm,
                                          double amplitude_lin, uint32_t settle_frames)
{
   const uint32_t itself = 1;
   return bm_test_sines(process, self, frequency_norm, &itself, 1, amplitude_lin, settle_frames);
}

/** Two sines 1 kHz apart, the lower near `low_khz`, that peak together as one of `amplitude_lin` would: what
    folds back below 20 kHz, over the lower one, in dB. */
static inline double bm_test_two_tones_alias_db(BmTestProcess process, void* self, double sample_rate_hz,
                                                uint32_t low_khz, double amplitude_lin,
                                                uint32_t settle_frames)
{
   const uint32_t multiple[] = {low_khz, low_khz + 1};
   const BmTestSpectrum spectrum =
      bm_test_sines(process, self, 1000.0 / sample_rate_hz, multiple, 2, 0.5 * amplitude_lin, settle_frames);
   const double alias_db = bm_test_alias_under_db(&spectrum, 20000.0 / sample_rate_hz, low_khz);
   free(spectrum.power);
   return alias_db;
}

typedef void (*BmTestChange)(void* self, const void* params);

/**
   Peak, in dBFS, of what a change in mid-tone leaves above 2 kHz beside a 997 Hz sine at 48 kHz (reference
   sheet, section 12). The tone's own harmonics, which a change may well raise or lower, are no click: only
   what lies 200 Hz and more away from them counts.
*/
static inline double bm_test_click_dbfs(BmTestProcess process, void* self, BmTestChange change,
                                        const void* params, double amplitude_lin)
{
   enum { N = 65536, CHANGE = 40000, WINDOW = 32768 };
   static BmFrame frames[N];
   static double complex x[WINDOW];
   for (uint32_t n = 0; n < N; ++n) {
      frames[n] = bm_frame_both(amplitude_lin * sin(2.0 * M_PI * 997.0 * n / 48000.0));
   }
   process(self, frames, frames, CHANGE);
   change(self, params);
   process(self, frames + CHANGE, frames + CHANGE, N - CHANGE);
   double worst = 0.0;
   for (uint32_t shift = 0; shift <= 9000; shift += 1500) { /* a change of mode comes later */
      for (uint32_t i = 0; i < WINDOW; ++i) {
         const double t = 2.0 * M_PI * i / WINDOW; /* Blackman-Harris: side lobes under -92 dB */
         const double window = 0.35875 - 0.48829 * cos(t) + 0.14128 * cos(2.0 * t) - 0.01168 * cos(3.0 * t);
         x[i] = frames[CHANGE - WINDOW / 2 + shift + i][0] * window;
      }
      bm_test_transform(x, WINDOW);
      for (uint32_t i = 0; i < WINDOW; ++i) {
         const double hz = 48000.0 * (i <= WINDOW / 2 ? i : WINDOW - i) / WINDOW;
         const double off_hz = fabs(hz - 997.0 * round(hz / 997.0));
         x[i] = hz < 2200.0 || off_hz < 200.0 ? 0.0 : conj(x[i]) / WINDOW;
      }
      bm_test_transform(x, WINDOW);
      for (uint32_t i = 0; i < WINDOW; ++i) {
         worst = fmax(worst, cabs(x[i]));
      }
   }
   return 20.0 * log10(worst + 1e-20);
}

/** How far, in dB, the level of a 997 Hz sine at 48 kHz strays from that of its twin while `moved` takes new
 * settings. */
static inline double bm_test_swing_db(BmTestProcess process, void* still, void* moved, BmTestChange change,
                                      const void* params, double amplitude_lin)
{
   enum { N = 24000, CHANGE = 12000 };
   static BmFrame in[N];
   static BmFrame out[2][N];
   for (uint32_t n = 0; n < N; ++n) {
      in[n] = bm_frame_both(amplitude_lin * sin(2.0 * M_PI * 997.0 * n / 48000.0));
   }
   process(still, in, out[0], N);
   process(moved, in, out[1], CHANGE);
   change(moved, params);
   process(moved, in + CHANGE, out[1] + CHANGE, N - CHANGE);
   double worst = 0.0;
   for (uint32_t n = CHANGE; n < N; ++n) {
      worst = fmax(worst, fabs(out[1][n][0] - out[0][n][0]) / amplitude_lin);
   }
   return 20.0 * log10(1.0 + worst);
}

#endif
