/* SPDX-License-Identifier: ISC */
/* What the tests of compressors and shapers share: sines through a processor, harmonics, and the click that a
   moved control makes beside harmonics of its own. Include after unit_test.h. */
#ifndef BM_DYNAMICS_TEST_H
#define BM_DYNAMICS_TEST_H

#include "base/frame.h"
#include "click.h"

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

#define BM_TEST_CLICK_FRAMES 32768U

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
   bm_test_fft(z, BM_TEST_CLICK_FRAMES, -1);
   for (uint32_t k = 0; k < BM_TEST_CLICK_FRAMES; ++k) {
      const double hz =
         (k <= BM_TEST_CLICK_FRAMES / 2 ? k : BM_TEST_CLICK_FRAMES - k) * rate_hz / BM_TEST_CLICK_FRAMES;
      const double off = fabs(hz - tone_hz * round(hz / tone_hz));
      if (hz < from_hz || off < 110.0) {
         z[2 * k] = 0.0;
         z[2 * k + 1] = 0.0;
      }
   }
   bm_test_fft(z, BM_TEST_CLICK_FRAMES, 1);
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

/** Level in dB of a 100 Hz sine of `peak` half a second after `set` and another two after `move`. */
static inline double bm_test_level_db(const BmDevice* device, double peak, void (*set)(void* self),
                                      void (*move)(void* self))
{
   static BmFrame end[4800];
   BmTestSine sine = {48000.0, 100.0, peak, 0};
   set(device->self);
   bm_test_run_sine(device, &sine, NULL, 24000);
   move(device->self);
   bm_test_run_sine(device, &sine, NULL, 96000);
   bm_test_run_sine(device, &sine, end, 4800);
   return bm_test_db(bm_test_component(end, 4800, 10.0));
}

/** Fail unless a control that is moved from before to after leaves no click, and arrives. */
static inline void bm_test_move(const BmDevice* device, double peak, void (*set_before)(void* self),
                                void (*set_after)(void* self), void (*move)(void* self))
{
   assert_between(bm_test_worst_click_db(device, peak, set_before, move), -200.0, -80.0);
   assert_close(bm_test_level_db(device, peak, set_before, move),
                bm_test_level_db(device, peak, set_after, move), 0.05);
}

/**
   Define process() and `device` of the one processor `self` that a test file holds, by its verbs
   bm_<name>_...
*/
#define BM_TEST_DEVICE(name, self)                                                                           \
   static void process(void* processor, const BmFrame* in, BmFrame* out, uint32_t n_frames)                  \
   {                                                                                                         \
      bm_##name##_process(processor, in, out, n_frames);                                                     \
   }                                                                                                         \
   static const BmDevice device = {&(self), process};

/**
   Define `before`, `after` and check_move(), which is bm_test_move() from one to the other by start(), and
   move() to what anything() gives, for bm_test_climb_moving(). `peak_db`: of the sine that is heard.
*/
#define BM_TEST_MOVES(Type, name, peak_db)                                                                   \
   static Type##Params before;                                                                               \
   static Type##Params after;                                                                                \
   static void set_before(void* self)                                                                        \
   {                                                                                                         \
      (void)self;                                                                                            \
      start(48000.0, &before);                                                                               \
   }                                                                                                         \
   static void set_after(void* self)                                                                         \
   {                                                                                                         \
      (void)self;                                                                                            \
      start(48000.0, &after);                                                                                \
   }                                                                                                         \
   static void move_to_after(void* self)                                                                     \
   {                                                                                                         \
      bm_##name##_set(self, &after);                                                                         \
   }                                                                                                         \
   static void check_move(void)                                                                              \
   {                                                                                                         \
      bm_test_move(&device, bm_test_lin(peak_db), set_before, set_after, move_to_after);                     \
   }                                                                                                         \
   static void move(void* self, uint32_t nth)                                                                \
   {                                                                                                         \
      uint64_t seed = nth;                                                                                   \
      const Type##Params params = anything(&seed);                                                           \
      bm_##name##_set(self, &params);                                                                        \
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
