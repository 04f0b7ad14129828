/* SPDX-License-Identifier: ISC */
/* If these fail, the low cut eats the note it should stand under, or a moved control is heard. */
#include "unit_test.h"

#include "base/note.h"
#include "click.h"
#include "filters/fundamental_eq.h"
#include "ladder.h"
#include "prototype.h"

#include <complex.h>
#include <stdlib.h>
#include <string.h>

#define PI 3.14159265358979323846
#define LENGTH(array) (sizeof(array) / sizeof((array)[0]))

static const double complex imaginary_unit = (double complex)I;

static BmFundamentalEqParams flat(void)
{
   return (BmFundamentalEqParams){
      .lowest_note_hz = 82.40688922821748,
      .low_cut = false,
      .low_cut_slope_db_oct = 24,
      .low_cut_ratio = 0.768,
      .harmonic = 2,
      .harmonic_q = 1.0,
      .low_shelf = {.frequency_hz = 120.0},
      .bells = {{.frequency_hz = 400.0, .q = 1.0}, {.frequency_hz = 3000.0, .q = 1.0}},
      .high_shelf = {.frequency_hz = 8000.0},
   };
}

static BmFundamentalEqParams everything_on(void)
{
   BmFundamentalEqParams params = flat();
   params.low_cut = true;
   params.low_cut_slope_db_oct = 36;
   params.harmonic_gain_db = -5.0;
   params.harmonic_q = 2.0;
   params.low_shelf.gain_db = 3.0;
   params.bells[0].gain_db = -12.0;
   params.bells[0].q = 0.5;
   params.bells[1] = (BmBandParams){.frequency_hz = 11000.0, .gain_db = 12.0, .q = 1.5};
   params.high_shelf.gain_db = 6.0;
   return params;
}

static void process_blocks(BmFundamentalEq* eq, const BmFrame* in, BmFrame* out, uint32_t n, uint32_t block)
{
   for (uint32_t i = 0; i < n; i += block) {
      bm_fundamental_eq_process(eq, in + i, out + i, n - i < block ? n - i : block);
   }
}

static BmFrame* noise(uint32_t n, uint64_t seed)
{
   BmFrame* frames = aligned_alloc(64, (n * sizeof *frames + 63) / 64 * 64);
   for (uint32_t i = 0; i < n; ++i) {
      const double left = bm_test_random(&seed);
      frames[i] = bm_frame(left, bm_test_random(&seed));
   }
   return frames;
}

/* Left lane of the answer to a unit impulse. */
static double* answer_to_impulse(double rate_hz, const BmFundamentalEqParams* params, uint32_t n)
{
   BmFundamentalEq eq;
   assert_int_equal(bm_fundamental_eq_init(&eq, rate_hz), BM_OK);
   bm_fundamental_eq_set(&eq, params);
   double* h = malloc(n * sizeof *h);
   for (uint32_t i = 0; i < n; ++i) {
      BmFrame frame = bm_frame_both(i == 0 ? 1.0 : 0.0);
      bm_fundamental_eq_process(&eq, &frame, &frame, 1);
      h[i] = frame[0];
   }
   return h;
}

/* Magnitude at one frequency by the definition of the Fourier transform. */
static double magnitude_db(const double* h, uint32_t n, double omega)
{
   double complex sum = 0.0, turned = 1.0;
   const double complex step = cos(omega) - imaginary_unit * sin(omega);
   for (uint32_t i = 0; i < n; ++i) {
      sum += h[i] * turned;
      turned *= step;
   }
   return 20.0 * log10(cabs(sum));
}

static double expected_db(const BmFundamentalEqParams* p, double f)
{
   double sum = bm_prototype_bell_db(f, p->harmonic * p->lowest_note_hz, p->harmonic_gain_db, p->harmonic_q) +
                bm_prototype_low_shelf_db(f, p->low_shelf.frequency_hz, p->low_shelf.gain_db) +
                bm_prototype_high_shelf_db(f, p->high_shelf.frequency_hz, p->high_shelf.gain_db);
   for (int i = 0; i < 2; ++i) {
      sum += bm_prototype_bell_db(f, p->bells[i].frequency_hz, p->bells[i].gain_db, p->bells[i].q);
   }
   if (p->low_cut) {
      sum += bm_prototype_low_cut_db(f, p->low_cut_ratio * p->lowest_note_hz, p->low_cut_slope_db_oct);
   }
   return sum;
}

static void the_low_cut_spares_the_note_and_takes_the_octave_below(void** state)
{
   (void)state;
   const uint32_t n = 65536;
   BmFundamentalEqParams params = flat();
   params.low_cut = true;
   for (uint32_t tuning = 0; tuning < bm_tuning_count(); ++tuning) {
      params.lowest_note_hz = bm_tuning_lowest_hz(bm_tuning(tuning));
      const double note = 2.0 * PI * params.lowest_note_hz / 48000.0;
      double* h = answer_to_impulse(48000.0, &params, n);
      assert_between(magnitude_db(h, n, note), -0.5, 0.0);
      assert_between(magnitude_db(h, n, 0.5 * note), -100.0, -15.0);
      free(h);
   }
   /* 10 log10(1 + 0.77^8): a ratio of 0.77 takes a hair more. */
   params.low_cut_ratio = 0.77;
   double* h = answer_to_impulse(48000.0, &params, n);
   assert_close(magnitude_db(h, n, 2.0 * PI * params.lowest_note_hz / 48000.0), -0.5060, 0.0005);
   free(h);
}

static void the_curve_is_that_of_the_prototypes_at_every_rate(void** state)
{
   (void)state;
   static const double rates_hz[] = {8000.0,  16000.0, 22050.0, 32000.0, 44100.0,
                                     48000.0, 88200.0, 96000.0, 192000.0};
   for (size_t r = 0; r < LENGTH(rates_hz); ++r) {
      BmFundamentalEqParams params = everything_on();
      if (rates_hz[r] < 32000.0) { /* keep the centres where the rate can follow */
         params.bells[1].frequency_hz = 2500.0;
         params.high_shelf.frequency_hz = 2000.0;
      }
      for (uint32_t slope = 12; slope <= 36; slope += 12) {
         params.low_cut_slope_db_oct = slope;
         params.harmonic = slope / 12;
         const uint32_t n = (uint32_t)(0.7 * rates_hz[r]);
         double* h = answer_to_impulse(rates_hz[r], &params, n);
         const double top_hz = fmin(20e3, 0.45 * rates_hz[r]);
         for (int i = 0; i <= 60; ++i) {
            const double f = 20.0 * pow(top_hz / 20.0, i / 60.0);
            assert_close(magnitude_db(h, n, 2.0 * PI * f / rates_hz[r]), expected_db(&params, f), 0.1);
         }
         free(h);
      }
   }
}

static void the_opposite_settings_give_the_take_back(void** state)
{
   (void)state;
   const uint32_t n = 20000;
   BmFundamentalEqParams there = everything_on();
   there.low_cut = false;
   BmFundamentalEqParams back = there;
   back.harmonic_gain_db *= -1.0;
   back.low_shelf.gain_db *= -1.0;
   back.bells[0].gain_db *= -1.0;
   back.bells[1].gain_db *= -1.0;
   back.high_shelf.gain_db *= -1.0;
   BmFundamentalEq a, b;
   bm_fundamental_eq_init(&a, 44100.0);
   bm_fundamental_eq_init(&b, 44100.0);
   bm_fundamental_eq_set(&a, &there);
   bm_fundamental_eq_set(&b, &back);
   BmFrame* in = noise(n, 3);
   BmFrame* out = noise(n, 4);
   process_blocks(&a, in, out, n, 512);
   process_blocks(&b, out, out, n, 512);
   for (uint32_t i = 0; i < n; ++i) {
      assert_close(out[i][0], in[i][0], 1e-12);
      assert_close(out[i][1], in[i][1], 1e-12);
   }
   free(in);
   free(out);
}

static void assert_same_bits(const BmFrame* a, const BmFrame* b, uint32_t n)
{
   assert_memory_equal(a, b, n * sizeof *a);
}

static void flat_is_the_input_to_the_last_bit(void** state)
{
   (void)state;
   const uint32_t n = 48000;
   BmFrame* in = noise(n, 1);
   BmFrame* out = noise(n, 2);
   BmFundamentalEq eq;
   bm_fundamental_eq_init(&eq, 48000.0);
   process_blocks(&eq, in, out, n, 999); /* never set */
   assert_same_bits(out, in, n);
   BmFundamentalEqParams params = flat();
   bm_fundamental_eq_set(&eq, &params);
   process_blocks(&eq, in, out, n, 999);
   assert_same_bits(out, in, n);
   /* Turned up and down again, after the glide and the tick that ends it. */
   params = everything_on();
   bm_fundamental_eq_set(&eq, &params);
   process_blocks(&eq, in, out, n, 999);
   params = flat();
   params.lowest_note_hz = 60.0;
   bm_fundamental_eq_set(&eq, &params);
   process_blocks(&eq, in, out, n, 999);
   process_blocks(&eq, in, out, n, 999);
   assert_same_bits(out, in, n);
   free(in);
   free(out);
}

/* After a glide the EQ must be where it was told to go, whatever moved together. */
static void a_glide_ends_where_a_fresh_start_begins(void** state)
{
   (void)state;
   const uint32_t n = 96000;
   BmFrame* in = noise(n, 5);
   BmFrame* glided = noise(n, 6);
   BmFrame* fresh = noise(n, 7);
   const BmFundamentalEqParams before[] = {flat(), everything_on()};
   for (size_t k = 0; k < LENGTH(before); ++k) {
      BmFundamentalEqParams after = everything_on();
      after.lowest_note_hz = 110.0;
      after.harmonic = 3;
      after.low_cut_slope_db_oct = 24;
      after.bells[0] = (BmBandParams){.frequency_hz = 900.0, .gain_db = 7.0, .q = 3.0};
      after.bells[1] = (BmBandParams){.frequency_hz = 5000.0, .gain_db = -4.0, .q = 0.4};
      after.high_shelf = (BmBandParams){.frequency_hz = 3000.0, .gain_db = -3.0};
      BmFundamentalEq a, b;
      bm_fundamental_eq_init(&a, 48000.0);
      bm_fundamental_eq_init(&b, 48000.0);
      bm_fundamental_eq_set(&a, &before[k]);
      process_blocks(&a, in, glided, 100, 100);
      bm_fundamental_eq_set(&a, &after);
      bm_fundamental_eq_set(&b, &after);
      process_blocks(&a, in, glided, n, 512);
      process_blocks(&b, in, fresh, n, 512);
      for (uint32_t i = n - 1000; i < n; ++i) {
         assert_close(glided[i][0], fresh[i][0], 1e-11);
      }
   }
   free(in);
   free(glided);
   free(fresh);
}

/* What moves in a test of clicks. */
typedef struct {
   const char* what;
   void (*before)(BmFundamentalEqParams* p);
   void (*after)(BmFundamentalEqParams* p);
} Move;

#define MOVE(name, from, to)                                                                                 \
   static void name##_before(BmFundamentalEqParams* p)                                                       \
   {                                                                                                         \
      from;                                                                                                  \
   }                                                                                                         \
   static void name##_after(BmFundamentalEqParams* p)                                                        \
   {                                                                                                         \
      from;                                                                                                  \
      to;                                                                                                    \
   }

MOVE(bell_gain, p->bells[0].frequency_hz = 997.0, p->bells[0].gain_db = -6.0)
MOVE(bell_gain_off, (p->bells[0].frequency_hz = 997.0, p->bells[0].gain_db = 6.0), p->bells[0].gain_db = 0.0)
MOVE(bell_gain_low, p->bells[0].frequency_hz = 100.0, p->bells[0].gain_db = -6.0)
MOVE(bell_frequency, (p->bells[1].frequency_hz = 700.0, p->bells[1].gain_db = 6.0),
     p->bells[1].frequency_hz = 997.0)
MOVE(bell_sweep, (p->bells[1].frequency_hz = 100.0, p->bells[1].gain_db = 6.0),
     p->bells[1].frequency_hz = 10000.0)
MOVE(bell_q, (p->bells[0] = (BmBandParams){.frequency_hz = 1400.0, .gain_db = 6.0, .q = 0.3}),
     p->bells[0].q = 8.0)
MOVE(low_shelf_gain, p->low_shelf.frequency_hz = 200.0, p->low_shelf.gain_db = 6.0)
MOVE(low_shelf_frequency, (p->low_shelf = (BmBandParams){.frequency_hz = 50.0, .gain_db = 6.0}),
     p->low_shelf.frequency_hz = 400.0)
MOVE(high_shelf_gain, p->high_shelf.frequency_hz = 500.0, p->high_shelf.gain_db = 6.0)
MOVE(high_shelf_frequency, (p->high_shelf = (BmBandParams){.frequency_hz = 500.0, .gain_db = 6.0}),
     p->high_shelf.frequency_hz = 8000.0)
MOVE(low_cut_on, p->low_cut = false, p->low_cut = true)
MOVE(low_cut_off, p->low_cut = true, p->low_cut = false)
MOVE(slope_up, (p->low_cut = true, p->low_cut_slope_db_oct = 12), p->low_cut_slope_db_oct = 36)
MOVE(slope_down, (p->low_cut = true, p->low_cut_slope_db_oct = 36), p->low_cut_slope_db_oct = 24)
MOVE(ratio, (p->low_cut = true, p->low_cut_ratio = 0.5), p->low_cut_ratio = 1.2)
MOVE(lowest_note, (p->low_cut = true, p->harmonic_gain_db = 6.0), p->lowest_note_hz = 110.0)
MOVE(lowest_note_far, (p->low_cut = true, p->harmonic_gain_db = -6.0, p->harmonic = 3),
     p->lowest_note_hz = 330.0)
MOVE(harmonic, p->harmonic_gain_db = 6.0, p->harmonic = 3)
MOVE(harmonic_gain, (p->lowest_note_hz = 50.0, p->harmonic_q = 8.0), p->harmonic_gain_db = 6.0)
MOVE(harmonic_q, (p->lowest_note_hz = 50.0, p->harmonic_gain_db = -6.0, p->harmonic_q = 8.0),
     p->harmonic_q = 0.5)

#define ROW(name)                                                                                            \
   {                                                                                                         \
#name, name##_before, name##_after                                                                     \
   }

static const Move moves[] = {
   ROW(bell_gain),       ROW(bell_gain_off),
   ROW(bell_gain_low),   ROW(bell_frequency),
   ROW(bell_sweep),      ROW(bell_q),
   ROW(low_shelf_gain),  ROW(low_shelf_frequency),
   ROW(high_shelf_gain), ROW(high_shelf_frequency),
   ROW(low_cut_on),      ROW(low_cut_off),
   ROW(slope_up),        ROW(slope_down),
   ROW(ratio),           ROW(lowest_note),
   ROW(lowest_note_far), ROW(harmonic),
   ROW(harmonic_gain),   ROW(harmonic_q),
};

/* A full-scale sine, a control jumps in mid-tone; the worst of 8 phases. */
static double click_of_move_dbfs(const Move* move, double tone_hz)
{
   enum { N_BEFORE = 24000, N_SEEN = 33600, N_PHASES = 8 };
   const double rate_hz = 48000.0;
   const uint32_t n = N_BEFORE + N_SEEN, middle = N_BEFORE + N_SEEN / 2;
   BmFrame* frames = noise(n, 1);
   double* y = malloc(N_SEEN * sizeof *y);
   double worst = -400.0;
   for (int phase = 0; phase < N_PHASES; ++phase) {
      for (uint32_t i = 0; i < n; ++i) {
         frames[i] = bm_frame_both(sin(2.0 * PI * (tone_hz * i / rate_hz + phase / (double)N_PHASES)));
      }
      BmFundamentalEq eq;
      bm_fundamental_eq_init(&eq, rate_hz);
      BmFundamentalEqParams params = flat();
      move->before(&params);
      bm_fundamental_eq_set(&eq, &params);
      bm_fundamental_eq_process(&eq, frames, frames, middle);
      params = flat();
      move->after(&params);
      bm_fundamental_eq_set(&eq, &params);
      bm_fundamental_eq_process(&eq, frames + middle, frames + middle, n - middle);
      for (uint32_t i = 0; i < N_SEEN; ++i) {
         y[i] = frames[N_BEFORE + i][0];
      }
      worst = fmax(worst, bm_test_click_dbfs(y, N_SEEN, rate_hz, tone_hz > 500.0 ? 2000.0 : 1000.0));
   }
   free(frames);
   free(y);
   return worst;
}

/* -80 dBFS is asked for a 6 dB jump, -95 preferred; one pole of 20 ms would leave -62. */
static void no_control_clicks(void** state)
{
   (void)state;
   for (size_t m = 0; m < LENGTH(moves); ++m) {
      const double high = click_of_move_dbfs(&moves[m], 997.0);
      const double low = click_of_move_dbfs(&moves[m], 100.0);
      print_message("%-22s %.1f dBFS at 997 Hz, %.1f at 100 Hz\n", moves[m].what, high, low);
      assert_between(high, -400.0, -100.0);
      assert_between(low, -400.0, -100.0);
   }
}

static long double exact_section(const BmSection* s, long double* band, long double* low, long double x)
{
   const long double keep = (long double)s->keep, turn = (long double)s->turn, step = (long double)s->step;
   const long double v = x - *low;
   const long double y =
      (long double)s->direct * x + (long double)s->mix_band * *band + (long double)s->mix_low * *low;
   const long double old_band = *band;
   *band = keep * old_band + turn * v;
   *low += turn * old_band + step * v;
   return y;
}

/* The difference to the same sections in long double is what rounding adds. */
static void the_noise_floor_is_under_minus_140_dbfs_with_a_corner_at_20_hz_and_192_khz(void** state)
{
   (void)state;
   const double rate_hz = 192000.0;
   const uint32_t n = 192000;
   BmFundamentalEqParams params = flat();
   params.low_cut = true;
   params.low_cut_slope_db_oct = 36;
   params.lowest_note_hz = 20.0;
   params.low_cut_ratio = 1.0;
   params.harmonic = 1;
   params.harmonic_gain_db = 15.0;
   params.harmonic_q = 8.0;
   params.low_shelf = (BmBandParams){.frequency_hz = 20.0, .gain_db = -15.0};
   BmSection sections[5];
   for (unsigned i = 0; i < 3; ++i) {
      sections[i] = bm_matched_low_cut(2.0 * PI * 20.0 / rate_hz, bm_butterworth_q(6, i), 1.0).body;
   }
   sections[3] = bm_matched_bell(2.0 * PI * 20.0 / rate_hz, 15.0, 8.0).body;
   sections[4] = bm_matched_low_shelf(2.0 * PI * 20.0 / rate_hz, -15.0, sqrt(0.5)).body;
   long double band[5] = {0.0L}, low[5] = {0.0L}, sum = 0.0L;
   BmFundamentalEq eq;
   bm_fundamental_eq_init(&eq, rate_hz);
   bm_fundamental_eq_set(&eq, &params);
   for (uint32_t i = 0; i < n; ++i) {
      const double t = i / rate_hz;
      BmFrame frame = bm_frame_both(0.5 * sin(2.0 * PI * 997.0 * t) + 0.5 * sin(2.0 * PI * 23.0 * t));
      long double x = (long double)frame[0];
      for (int k = 0; k < 5; ++k) {
         x = exact_section(&sections[k], &band[k], &low[k], x);
      }
      bm_fundamental_eq_process(&eq, &frame, &frame, 1);
      const long double difference = (long double)frame[0] - x;
      sum += difference * difference;
   }
   const double floor_dbfs = (double)(10.0L * log10l(sum / n + 1e-40L));
   print_message("noise floor %.1f dBFS\n", floor_dbfs);
   assert_between(floor_dbfs, -400.0, -200.0);
}

static double between(uint64_t* seed, double low, double high)
{
   return low * pow(high / low, 0.5 + 0.5 * bm_test_random(seed));
}

static BmFundamentalEqParams anything(uint64_t* seed)
{
   BmFundamentalEqParams p = {
      .lowest_note_hz = between(seed, 16.0, 2000.0),
      .low_cut = bm_test_random(seed) > 0.0,
      .low_cut_slope_db_oct = 12 * (uint32_t)(2.0 + 1.5 * bm_test_random(seed)),
      .low_cut_ratio = between(seed, 0.25, 2.0),
      .harmonic = (uint32_t)(3.0 + 2.0 * bm_test_random(seed)),
      .harmonic_gain_db = 15.0 * bm_test_random(seed),
      .harmonic_q = between(seed, 0.3, 8.0),
      .low_shelf = {.frequency_hz = between(seed, 20.0, 2e4), .gain_db = 15.0 * bm_test_random(seed)},
      .high_shelf = {.frequency_hz = between(seed, 20.0, 2e4), .gain_db = 15.0 * bm_test_random(seed)},
   };
   for (int b = 0; b < 2; ++b) {
      p.bells[b] = (BmBandParams){.frequency_hz = between(seed, 20.0, 2e4),
                                  .gain_db = 15.0 * bm_test_random(seed),
                                  .q = between(seed, 0.3, 8.0)};
   }
   return p;
}

static void* fresh(void)
{
   BmFundamentalEq* eq = aligned_alloc(64, (sizeof *eq + 63) / 64 * 64);
   const BmFundamentalEqParams params = everything_on();
   assert_int_equal(bm_fundamental_eq_init(eq, 44100.0), BM_OK);
   bm_fundamental_eq_set(eq, &params);
   return eq;
}

static void process(void* self, const BmFrame* in, BmFrame* out, uint32_t n_frames)
{
   bm_fundamental_eq_process(self, in, out, n_frames);
}

static void move(void* self, uint32_t nth)
{
   uint64_t seed = nth;
   BmFundamentalEqParams params = anything(&seed);
   if (nth % 2) { /* some bands come and go */
      params.bells[0].gain_db = 0.0;
      params.high_shelf.gain_db = 0.0;
   }
   bm_fundamental_eq_set(self, &params);
}

static void block_size_place_and_reset_change_no_bit(void** state)
{
   (void)state;
   const BmLadder ladder = {fresh, process, (void (*)(void*))bm_fundamental_eq_reset, free};
   bm_test_climb(&ladder, 10000);
   bm_test_climb_moving(&ladder, move, 30000);
}

static void any_controls_at_any_moment_keep_it_finite_and_bounded(void** state)
{
   (void)state;
   static const double rates_hz[] = {8000.0, 44100.0, 192000.0, 384000.0};
   enum { N = 512 };
   for (size_t r = 0; r < LENGTH(rates_hz); ++r) {
      uint64_t seed = 41 + r;
      BmFundamentalEq eq;
      bm_fundamental_eq_init(&eq, rates_hz[r]);
      BmFrame frames[N];
      double peak = 0.0;
      for (int round = 0; round < 3000; ++round) {
         const BmFundamentalEqParams p = anything(&seed);
         bm_fundamental_eq_set(&eq, &p);
         const uint32_t n = 1 + (uint32_t)(0.5 * (N - 1) * (1.0 + bm_test_random(&seed)) * (round % 3 == 0));
         for (uint32_t i = 0; i < n; ++i) {
            frames[i] = bm_frame(bm_test_random(&seed), round & 64 ? 1.0 : -1.0);
         }
         bm_fundamental_eq_process(&eq, frames, frames, n);
         for (uint32_t i = 0; i < n; ++i) {
            assert_true(isfinite(frames[i][0]) && isfinite(frames[i][1]));
            peak = fmax(peak, fmax(fabs(frames[i][0]), fabs(frames[i][1])));
         }
      }
      /* Five bands of 15 dB on one spot are 75 dB. */
      assert_between(20.0 * log10(peak), -20.0, 80.0);
      const BmFundamentalEqParams off = flat();
      bm_fundamental_eq_set(&eq, &off);
      for (int k = 0; k < 2000; ++k) {
         memset(frames, 0, sizeof frames);
         bm_fundamental_eq_process(&eq, frames, frames, N);
      }
      for (uint32_t i = 0; i < N; ++i) {
         assert_true(frames[i][0] == 0.0 && frames[i][1] == 0.0);
      }
   }
}

static void the_tail_ends_in_silence_without_denormals(void** state)
{
   (void)state;
   const uint32_t n = 8000;
   BmFundamentalEqParams params = everything_on();
   params.bells[0] = (BmBandParams){.frequency_hz = 100.0, .gain_db = 15.0, .q = 8.0};
   BmFundamentalEq eq;
   bm_fundamental_eq_init(&eq, 8000.0);
   bm_fundamental_eq_set(&eq, &params);
   BmFrame* frames = noise(n, 51);
   bm_fundamental_eq_process(&eq, frames, frames, n);
   for (int second = 0; second < 6; ++second) {
      memset(frames, 0, n * sizeof *frames);
      bm_fundamental_eq_process(&eq, frames, frames, n);
      for (uint32_t i = 0; i < n; ++i) {
         assert_true(frames[i][0] == 0.0 || fabs(frames[i][0]) > 1e-290);
      }
   }
   assert_true(frames[n - 1][0] == 0.0 && frames[n - 1][1] == 0.0);
   free(frames);
}

static void what_is_not_a_note_leaves_the_last_note(void** state)
{
   (void)state;
   static const double not_notes[] = {0.0, -1.0, (double)NAN, HUGE_VAL};
   const uint32_t n = 2000;
   BmFrame* in = noise(n, 61);
   BmFrame* expected = noise(n, 62);
   BmFrame* out = noise(n, 63);
   BmFundamentalEqParams params = everything_on();
   BmFundamentalEq eq;
   bm_fundamental_eq_init(&eq, 48000.0);
   bm_fundamental_eq_set(&eq, &params);
   bm_fundamental_eq_process(&eq, in, expected, n);
   for (size_t k = 0; k < LENGTH(not_notes); ++k) {
      bm_fundamental_eq_reset(&eq);
      params.lowest_note_hz = not_notes[k];
      bm_fundamental_eq_set(&eq, &params);
      bm_fundamental_eq_process(&eq, in, out, n);
      assert_same_bits(out, expected, n);
   }
   free(in);
   free(expected);
   free(out);
}

static void a_rate_it_cannot_run_at_is_refused(void** state)
{
   (void)state;
   BmFundamentalEq eq;
   assert_int_equal(bm_fundamental_eq_init(&eq, 7999.0), BM_BAD_RATE);
   assert_int_equal(bm_fundamental_eq_init(&eq, 400000.0), BM_BAD_RATE);
   assert_int_equal(bm_fundamental_eq_init(&eq, (double)NAN), BM_BAD_RATE);
}

int main(void)
{
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(the_low_cut_spares_the_note_and_takes_the_octave_below),
      cmocka_unit_test(the_curve_is_that_of_the_prototypes_at_every_rate),
      cmocka_unit_test(the_opposite_settings_give_the_take_back),
      cmocka_unit_test(flat_is_the_input_to_the_last_bit),
      cmocka_unit_test(a_glide_ends_where_a_fresh_start_begins),
      cmocka_unit_test(no_control_clicks),
      cmocka_unit_test(the_noise_floor_is_under_minus_140_dbfs_with_a_corner_at_20_hz_and_192_khz),
      cmocka_unit_test(block_size_place_and_reset_change_no_bit),
      cmocka_unit_test(any_controls_at_any_moment_keep_it_finite_and_bounded),
      cmocka_unit_test(the_tail_ends_in_silence_without_denormals),
      cmocka_unit_test(what_is_not_a_note_leaves_the_last_note),
      cmocka_unit_test(a_rate_it_cannot_run_at_is_refused),
   };
   return cmocka_run_group_tests(tests, NULL, NULL);
}
