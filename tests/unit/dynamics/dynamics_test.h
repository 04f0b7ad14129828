/* SPDX-License-Identifier: ISC */
/* What the tests of compressors and shapers share: sines through a processor, harmonics, and the click a
   moved control makes. Include after unit_test.h. */
#ifndef BM_DYNAMICS_TEST_H
#define BM_DYNAMICS_TEST_H

#include "base/frame.h"

#include <stdlib.h>
#include <string.h>

#define BM_TEST_PI 3.14159265358979323846

typedef struct {
   void* self;
   void (*process)(void* self, const BmFrame* in, BmFrame* out, uint32_t n_frames);
} BmDevice;

static inline double bm_test_lin(double db)
{
   return pow(10.0, db / 20.0);
}

static inline double bm_test_db(double lin)
{
   return 20.0 * log10(lin);
}

typedef struct {
   double rate_hz;
   double hz;
   double peak;
   uint64_t frame; /* of the sine's own time; goes on from call to call */
} BmTestSine;

/** Run `n_frames` of a sine, alike in both lanes; keep what comes out in `keep` [n_frames], if that is not
 * NULL. */
static inline void bm_test_run_sine(const BmDevice* device, BmTestSine* sine, BmFrame* keep,
                                    uint32_t n_frames)
{
   BmFrame block[64];
   for (uint32_t done = 0; done < n_frames;) {
      const uint32_t n = n_frames - done < 64 ? n_frames - done : 64;
      for (uint32_t i = 0; i < n; ++i) {
         const double cycles = fmod(sine->hz * (double)sine->frame / sine->rate_hz, 1.0);
         block[i] = bm_frame_both(sine->peak * sin(2.0 * BM_TEST_PI * cycles));
         ++sine->frame;
      }
      device->process(device->self, block, block, n);
      if (keep) {
         memcpy(keep + done, block, n * sizeof *block);
      }
      done += n;
   }
}

/**
   By how much the reduction in the first 200 ms of a sine goes deeper than in the 800 ms after them, dB. A
   filter behind a gain that falls fast rings with what came in before, and would hold a low note down twice.
*/
static inline double bm_test_overshoot_db(const BmDevice* device, BmTestSine sine,
                                          double (*reduction_db)(void))
{
   double most_db[2] = {0.0, 0.0};
   for (int ms = 0; ms < 1000; ++ms) {
      bm_test_run_sine(device, &sine, NULL, (uint32_t)(0.001 * sine.rate_hz));
      double* part_db = &most_db[ms >= 200];
      *part_db = fmax(*part_db, reduction_db());
   }
   return most_db[0] - most_db[1];
}

/** Amplitude of the component that has `cycles` in the left lane of `x` [n_frames]. */
static inline double bm_test_component(const BmFrame* x, uint32_t n_frames, double cycles)
{
   double re = 0.0;
   double im = 0.0;
   for (uint32_t i = 0; i < n_frames; ++i) {
      const double phase = 2.0 * BM_TEST_PI * fmod(cycles * i / n_frames, 1.0);
      re += x[i][0] * cos(phase);
      im += x[i][0] * sin(phase);
   }
   return 2.0 * sqrt(re * re + im * im) / n_frames;
}

/** In-place radix-2 transform of 2^log2_n complex numbers, re and im by turns; its own inverse with `sign` 1,
   but for the scale. */
static inline void bm_test_fft(double* x, int log2_n, int sign)
{
   const uint32_t n = 1U << log2_n;
   for (uint32_t i = 1, j = 0; i < n; ++i) {
      uint32_t bit = n >> 1;
      for (; j & bit; bit >>= 1) {
         j ^= bit;
      }
      j ^= bit;
      if (i < j) {
         for (int k = 0; k < 2; ++k) {
            const double swap = x[2 * i + (uint32_t)k];
            x[2 * i + (uint32_t)k] = x[2 * j + (uint32_t)k];
            x[2 * j + (uint32_t)k] = swap;
         }
      }
   }
   for (uint32_t length = 2; length <= n; length *= 2) {
      for (uint32_t k = 0; k < length / 2; ++k) {
         const double angle = sign * 2.0 * BM_TEST_PI * k / length;
         const double c = cos(angle);
         const double s = sin(angle);
         for (uint32_t i = k; i < n; i += length) {
            double* a = x + 2 * i;
            double* b = x + 2 * (i + length / 2);
            const double re = b[0] * c - b[1] * s;
            const double im = b[0] * s + b[1] * c;
            b[0] = a[0] - re;
            b[1] = a[1] - im;
            a[0] += re;
            a[1] += im;
         }
      }
   }
}

static inline double bm_test_bessel_i0(double x)
{
   double sum = 1.0;
   double term = 1.0;
   for (int k = 1; term > 1e-17 * sum; ++k) {
      term *= (0.5 * x / k) * (0.5 * x / k);
      sum += term;
   }
   return sum;
}

#define BM_TEST_CLICK_LOG2_FRAMES 15
#define BM_TEST_CLICK_FRAMES (1U << BM_TEST_CLICK_LOG2_FRAMES)

/**
   The click of a control moved at the middle of x [BM_TEST_CLICK_FRAMES], dBFS.

   "Test B" of the project's reference sheet: a Kaiser window (beta 24) around the jump, everything below
   `from_hz` taken away, the peak of what is left. A compressor bends a sine by itself; so 110 Hz (the
   window's main lobe and a little) around each harmonic of `tone_hz` are taken away too.
*/
static inline double bm_test_click_db(const BmFrame* x, double rate_hz, double tone_hz, double from_hz)
{
   double* z = calloc(2 * BM_TEST_CLICK_FRAMES, sizeof *z);
   for (uint32_t i = 0; i < BM_TEST_CLICK_FRAMES; ++i) {
      const double t = 2.0 * i / BM_TEST_CLICK_FRAMES - 1.0;
      z[2 * i] = x[i][0] * bm_test_bessel_i0(24.0 * sqrt(1.0 - t * t)) / bm_test_bessel_i0(24.0);
   }
   bm_test_fft(z, BM_TEST_CLICK_LOG2_FRAMES, -1);
   for (uint32_t k = 0; k < BM_TEST_CLICK_FRAMES; ++k) {
      const double hz =
         (k <= BM_TEST_CLICK_FRAMES / 2 ? k : BM_TEST_CLICK_FRAMES - k) * rate_hz / BM_TEST_CLICK_FRAMES;
      const double off = fabs(hz - tone_hz * round(hz / tone_hz));
      if (hz < from_hz || off < 110.0) {
         z[2 * k] = 0.0;
         z[2 * k + 1] = 0.0;
      }
   }
   bm_test_fft(z, BM_TEST_CLICK_LOG2_FRAMES, 1);
   double peak = 0.0;
   for (uint32_t i = 0; i < BM_TEST_CLICK_FRAMES; ++i) {
      peak = fmax(peak, fabs(z[2 * i]) / BM_TEST_CLICK_FRAMES);
   }
   free(z);
   return bm_test_db(peak);
}

/**
   The worst click over eight phases of a 997 Hz sine of `peak` when `move` is called at its middle, dBFS;
   `fresh` brings the processor back to where it was before.
*/
static inline double bm_test_worst_click_db(const BmDevice* device, double peak, void (*fresh)(void* self),
                                            void (*move)(void* self))
{
   BmFrame* tone = aligned_alloc(64, BM_TEST_CLICK_FRAMES * sizeof *tone);
   double worst = -400.0;
   for (uint64_t phase = 0; phase < 8; ++phase) {
      BmTestSine sine = {48000.0, 997.0, peak, phase * 6};
      fresh(device->self);
      bm_test_run_sine(device, &sine, NULL, 48000);
      bm_test_run_sine(device, &sine, tone, BM_TEST_CLICK_FRAMES / 2);
      move(device->self);
      bm_test_run_sine(device, &sine, tone + BM_TEST_CLICK_FRAMES / 2, BM_TEST_CLICK_FRAMES / 2);
      worst = fmax(worst, bm_test_click_db(tone, 48000.0, 997.0, 2000.0));
   }
   free(tone);
   return worst;
}

/** A recording's stand-in: plucked notes of a stiff string, unlike in the two lanes. */
static inline void bm_test_pluck(double rate_hz, double peak, BmFrame* out, uint32_t n_frames)
{
   uint64_t seed = 3;
   const uint32_t gap = (uint32_t)(0.35 * rate_hz);
   double hz = 110.0;
   double level = peak;
   for (uint32_t i = 0; i < n_frames; ++i) {
      if (i % gap == 0) {
         hz = 82.0 * pow(2.0, 1.0 + bm_test_random(&seed));
         level = peak * pow(10.0, 0.2 * (bm_test_random(&seed) - 1.0));
      }
      const double t = (i % gap) / rate_hz;
      double left = 0.0;
      double right = 0.0;
      for (int n = 1; n <= 8; ++n) {
         const double partial_hz = n * hz * sqrt(1.0 + 1e-4 * n * n);
         const double a = exp(-t * (2.0 + 3.0 * n)) / n;
         left += a * sin(2.0 * BM_TEST_PI * partial_hz * t);
         right += a * sin(2.0 * BM_TEST_PI * 1.001 * partial_hz * t);
      }
      const double rise = t < 0.002 ? t / 0.002 : 1.0;
      out[i] = bm_frame(0.6 * level * rise * left, 0.5 * level * rise * right);
   }
}

#endif
