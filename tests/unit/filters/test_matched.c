/* SPDX-License-Identifier: ISC */
/* If these fail, the top octave of every equaliser is not what its knobs say, or a band can run away. */
#include "unit_test.h"

#include "filters/matched.h"

#include <complex.h>
#include <stdbool.h>

#define PI 3.14159265358979323846

static const double rates_hz[] = {44100.0, 48000.0, 88200.0, 96000.0, 192000.0};
static const double low_rates_hz[] = {8000.0, 16000.0, 22050.0, 32000.0};
#define LENGTH(array) (sizeof(array) / sizeof((array)[0]))

static const double complex imaginary_unit = (double complex)I;

typedef enum { BELL, LOW_SHELF, HIGH_SHELF, LOW_CUT } Kind;

/* Audio EQ Cookbook, R. Bristow-Johnson, W3C Note 2021: the analogue prototypes. */
static double prototype_db(Kind kind, double f_over_f0, double gain_db, double q)
{
   const double complex s = imaginary_unit * f_over_f0;
   const double a = pow(10.0, gain_db / 40.0);
   double complex h = 0.0;
   switch (kind) {
   case BELL:
      h = (s * s + s * (a / q) + 1.0) / (s * s + s / (a * q) + 1.0);
      break;
   case LOW_SHELF:
      h = a * (s * s + s * (sqrt(a) / q) + a) / (a * s * s + s * (sqrt(a) / q) + 1.0);
      break;
   case HIGH_SHELF:
      h = a * (a * s * s + s * (sqrt(a) / q) + 1.0) / (s * s + s * (sqrt(a) / q) + a);
      break;
   case LOW_CUT:
      h = s * s / (s * s + s / q + 1.0);
      break;
   }
   return 20.0 * log10(cabs(h));
}

static BmMatched design(Kind kind, double omega, double gain_db, double q)
{
   switch (kind) {
   case LOW_SHELF:
      return bm_matched_low_shelf(omega, gain_db, q);
   case HIGH_SHELF:
      return bm_matched_high_shelf(omega, gain_db, q);
   case LOW_CUT:
      return bm_matched_low_cut(omega, q, 1.0);
   case BELL:
   default:
      return bm_matched_bell(omega, gain_db, q);
   }
}

/* The state equation of matched.h, solved at z = exp(i omega). */
static double complex section_response(const BmSection* s, double omega)
{
   const double complex z_1 =
      -2.0 * sin(0.5 * omega) * sin(0.5 * omega) + imaginary_unit * sin(omega); /* z - 1 */
   const double complex m00 = z_1 + (1.0 - s->keep);
   const double complex m11 = z_1 + s->step;
   const double complex det = m00 * m11 + s->turn * s->turn;
   const double complex band = (s->turn * m11 - s->turn * s->step) / det;
   const double complex low = (s->step * m00 + s->turn * s->turn) / det;
   return s->direct + s->mix_band * band + s->mix_low * low;
}

static double response_db(const BmMatched* m, double omega)
{
   return 20.0 * log10(cabs(section_response(&m->body, omega) * section_response(&m->correction, omega)));
}

static double largest_error_db(Kind kind, double rate_hz, double f0_hz, double gain_db, double q,
                               double top_hz)
{
   const BmMatched m = design(kind, 2.0 * PI * f0_hz / rate_hz, gain_db, q);
   double worst = 0.0;
   for (int i = 0; i <= 200; ++i) {
      const double f = 20.0 * pow(top_hz / 20.0, i / 200.0);
      const double expected = prototype_db(kind, f / f0_hz, gain_db, q);
      const double error = fabs(response_db(&m, 2.0 * PI * f / rate_hz) - expected);
      if (!(error <= worst)) {
         worst = error;
      }
   }
   return worst;
}

static const double centres_hz[] = {40.0,   60.0,   100.0,  250.0,  500.0,   700.0,   1000.0,  1500.0, 2500.0,
                                    4000.0, 6000.0, 8000.0, 9000.0, 10000.0, 12000.0, 14000.0, 16000.0};
static const double qs[] = {0.3, 0.5, 0.7071, 1.0, 2.0, 4.0, 8.0};
static const double gains_db[] = {-15.0, -12.0, -6.0, -1.0, 3.0, 6.0, 12.0, 15.0};

static void a_bell_keeps_its_analogue_curve_up_to_20_khz(void** state)
{
   (void)state;
   for (size_t r = 0; r < LENGTH(rates_hz); ++r) {
      double worst = 0.0;
      for (size_t c = 0; c < LENGTH(centres_hz); ++c) {
         for (size_t k = 0; k < LENGTH(qs); ++k) {
            for (size_t g = 0; g < LENGTH(gains_db); ++g) {
               worst =
                  fmax(worst, largest_error_db(BELL, rates_hz[r], centres_hz[c], gains_db[g], qs[k], 20e3));
            }
         }
      }
      print_message("bells at %g Hz: %.4f dB\n", rates_hz[r], worst);
      assert_between(worst, 0.0, 0.05);
   }
}

static void a_shelf_keeps_its_analogue_curve_up_to_20_khz(void** state)
{
   (void)state;
   for (size_t r = 0; r < LENGTH(rates_hz); ++r) {
      double worst = 0.0;
      for (size_t c = 0; c < LENGTH(centres_hz); ++c) {
         for (size_t g = 0; g < LENGTH(gains_db); ++g) {
            for (Kind kind = LOW_SHELF; kind <= HIGH_SHELF; ++kind) {
               worst = fmax(worst,
                            largest_error_db(kind, rates_hz[r], centres_hz[c], gains_db[g], sqrt(0.5), 20e3));
            }
         }
      }
      print_message("shelves at %g Hz: %.4f dB\n", rates_hz[r], worst);
      assert_between(worst, 0.0, 0.05);
   }
}

static double butterworth_high_pass_db(unsigned order, double f_over_corner)
{
   return -10.0 * log10(1.0 + pow(f_over_corner, -2.0 * order));
}

static double low_cut_db(unsigned order, double corner_hz, double f_hz, double rate_hz)
{
   double sum = 0.0;
   for (unsigned i = 0; i < order / 2; ++i) {
      const BmMatched m = bm_matched_low_cut(2.0 * PI * corner_hz / rate_hz, bm_butterworth_q(order, i), 1.0);
      sum += response_db(&m, 2.0 * PI * f_hz / rate_hz);
   }
   return sum;
}

/* |H|^2 = 1 / (1 + (fc/f)^2n); its digits at fc/4 .. 4 fc and the Qs are those of filter tables. */
static void low_cuts_in_series_are_butterworth(void** state)
{
   (void)state;
   static const struct {
      unsigned order;
      double at_db[5];
      double qs[3];
   } table[] = {{2, {-24.099, -12.304, -3.010, -0.2633, -0.0169}, {0.707107}},
                {4, {-48.165, -24.099, -3.010, -0.0169, -0.0001}, {0.541196, 1.306563}},
                {6, {-72.247, -36.125, -3.010, -0.0011, 0.0}, {0.517638, 0.707107, 1.931852}}};
   static const double corners_hz[] = {20.0, 63.5, 200.0, 500.0, 1000.0, 2000.0, 4000.0};
   double worst = 0.0;
   for (size_t t = 0; t < LENGTH(table); ++t) {
      const unsigned order = table[t].order;
      for (unsigned i = 0; i < order / 2; ++i) {
         assert_close(bm_butterworth_q(order, i), table[t].qs[i], 1e-6);
      }
      for (int i = 0; i < 5; ++i) {
         assert_close(butterworth_high_pass_db(order, 0.25 * pow(2.0, i)), table[t].at_db[i], 0.0006);
         assert_close(low_cut_db(order, 63.5, 63.5 * 0.25 * pow(2.0, i), 48000.0), table[t].at_db[i], 0.001);
      }
      for (size_t r = 0; r < LENGTH(rates_hz); ++r) {
         for (size_t c = 0; c < LENGTH(corners_hz); ++c) {
            for (int i = 0; i <= 100; ++i) {
               const double f = 20.0 * pow(1000.0, i / 100.0);
               const double error = low_cut_db(order, corners_hz[c], f, rates_hz[r]) -
                                    butterworth_high_pass_db(order, f / corners_hz[c]);
               worst = fmax(worst, fabs(error));
            }
         }
      }
   }
   print_message("low cuts: %.4f dB\n", worst);
   assert_between(worst, 0.0, 0.02);
}

/* Prototype figures of the peak at 10 kHz, Q 1, +12 dB; a bilinear section at 44.1 kHz gives 0.26 dB at 20
 * kHz. */
static void a_bell_at_10_khz_gives_the_published_figures(void** state)
{
   (void)state;
   static const double points[][2] = {{1e3, 0.1618},    {5e3, 3.9642},  {8e3, 9.6479}, {10e3, 12.0},
                                      {12.5e3, 9.6479}, {15e3, 6.9411}, {20e3, 3.9642}};
   const BmMatched m = bm_matched_bell(2.0 * PI * 10e3 / 44100.0, 12.0, 1.0);
   for (size_t i = 0; i < LENGTH(points); ++i) {
      assert_close(response_db(&m, 2.0 * PI * points[i][0] / 44100.0), points[i][1], 0.05);
   }
}

/* Denominators of M. Vicanek, "Matched Second Order Digital Filters", 2016, for 10 kHz. */
static void poles_stand_where_the_matched_z_transform_puts_them(void** state)
{
   (void)state;
   static const struct {
      double rate_hz, bell_a1, bell_a2, cut_a1, cut_a2;
   } anchors[] = {
      {44100.0, -0.266366162335, 0.489646876532, -0.389985998940, 0.133332016462},
      {48000.0, -0.430658304455, 0.518895609049, -0.476625809088, 0.157048402616},
      {96000.0, -1.367971668535, 0.720344090729, -1.126593301552, 0.396293329007},
   };
   for (size_t i = 0; i < LENGTH(anchors); ++i) {
      const double omega = 2.0 * PI * 10e3 / anchors[i].rate_hz;
      const BmSection bell = bm_matched_bell(omega, 12.0, 1.0).body;
      assert_close(bell.step - bell.keep - 1.0, anchors[i].bell_a1, 1e-9);
      assert_close(bell.keep * (1.0 - bell.step) + bell.turn * bell.turn, anchors[i].bell_a2, 1e-9);
      const BmSection cut = bm_matched_low_cut(omega, sqrt(0.5), 1.0).body;
      assert_close(cut.step - cut.keep - 1.0, anchors[i].cut_a1, 1e-9);
      assert_close(cut.keep * (1.0 - cut.step) + cut.turn * cut.turn, anchors[i].cut_a2, 1e-9);
   }
}

static void equal_boost_and_cut_undo_each_other(void** state)
{
   (void)state;
   for (Kind kind = BELL; kind <= HIGH_SHELF; ++kind) {
      for (size_t c = 0; c < LENGTH(centres_hz); ++c) {
         for (size_t k = 0; k < LENGTH(qs); ++k) {
            const double omega = 2.0 * PI * centres_hz[c] / 44100.0;
            const BmMatched up = design(kind, omega, 9.0, qs[k]);
            const BmMatched down = design(kind, omega, -9.0, qs[k]);
            for (int i = 1; i <= 64; ++i) {
               const double w = PI * i / 64.0;
               const double complex product =
                  section_response(&up.body, w) * section_response(&up.correction, w) *
                  section_response(&down.body, w) * section_response(&down.correction, w);
               assert_close(cabs(product - 1.0), 0.0, 1e-11);
            }
         }
      }
   }
}

static void no_gain_is_no_filter(void** state)
{
   (void)state;
   for (Kind kind = BELL; kind <= HIGH_SHELF; ++kind) {
      for (size_t c = 0; c < LENGTH(centres_hz); ++c) {
         const BmMatched m = design(kind, 2.0 * PI * centres_hz[c] / 8000.0, 0.0, 0.7);
         assert_true(m.body.direct == 1.0 && m.body.mix_band == 0.0 && m.body.mix_low == 0.0);
         assert_true(m.correction.direct == 1.0 && m.correction.mix_band == 0.0 &&
                     m.correction.mix_low == 0.0);
      }
   }
   const BmMatched dry = bm_matched_low_cut(0.01, 0.7, 0.0);
   assert_true(dry.body.direct == 1.0 && dry.body.mix_band == 0.0 && dry.body.mix_low == 0.0);
}

/* Squared length of the longest image of a unit state: the larger eigenvalue of M M'. */
static double largest_stretch(const BmSection* s)
{
   const double a = s->keep, b = -s->turn, c = s->turn, d = 1.0 - s->step;
   const double p = a * a + b * b, q = a * c + b * d, r = c * c + d * d;
   return 0.5 * (p + r) + sqrt(0.25 * (p - r) * (p - r) + q * q);
}

static void no_section_and_no_mean_of_sections_lengthens_its_state(void** state)
{
   (void)state;
   uint64_t seed = 7;
   BmSection before = bm_matched_bell(1.0, 6.0, 1.0).body;
   for (int i = 0; i < 200000; ++i) {
      const double omega = 1e-4 * pow(1.2e5, 0.5 + 0.5 * bm_test_random(&seed));
      const double q = 0.1 * pow(200.0, 0.5 + 0.5 * bm_test_random(&seed));
      const double gain_db = 18.0 * bm_test_random(&seed);
      const BmMatched m = design((Kind)(i % 4), omega, gain_db, q);
      const BmSection* both[] = {&m.body, &m.correction};
      for (int k = 0; k < 2; ++k) {
         const BmSection* s = both[k];
         assert_true(isfinite(s->direct) && isfinite(s->mix_band) && isfinite(s->mix_low));
         assert_between(largest_stretch(s), 0.0, 1.0 + 1e-14);
         const double share = 0.5 + 0.5 * bm_test_random(&seed);
         const BmSection mean = {.keep = share * s->keep + (1.0 - share) * before.keep,
                                 .turn = share * s->turn + (1.0 - share) * before.turn,
                                 .step = share * s->step + (1.0 - share) * before.step};
         assert_between(largest_stretch(&mean), 0.0, 1.0 + 1e-14);
         /* Poles strictly inside the circle: the stability triangle. */
         const double a1 = s->step - s->keep - 1.0;
         const double a2 = s->keep * (1.0 - s->step) + s->turn * s->turn;
         assert_true(a2 < 1.0 && fabs(a1) < 1.0 + a2);
         before = *s;
      }
   }
}

static void at_low_rates_curves_hold_as_far_as_the_rate_allows(void** state)
{
   (void)state;
   for (size_t r = 0; r < LENGTH(low_rates_hz); ++r) {
      const double rate = low_rates_hz[r];
      double inside = 0.0, beyond = 0.0;
      for (size_t c = 0; c < LENGTH(centres_hz); ++c) {
         for (size_t k = 0; k < LENGTH(qs); ++k) {
            for (Kind kind = BELL; kind <= HIGH_SHELF; ++kind) {
               const double q = kind == BELL ? qs[k] : sqrt(0.5);
               const double error = largest_error_db(kind, rate, centres_hz[c], 15.0, q, 0.45 * rate);
               double* worst = centres_hz[c] <= 0.36 * rate ? &inside : &beyond;
               *worst = fmax(*worst, error);
            }
         }
      }
      print_message("at %g Hz: %.4f dB, centres beyond 0.36 of the rate %.3f dB\n", rate, inside, beyond);
      assert_between(inside, 0.0, 0.06);
      assert_between(beyond, 0.0, 2.0);
   }
}

int main(void)
{
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(a_bell_keeps_its_analogue_curve_up_to_20_khz),
      cmocka_unit_test(a_shelf_keeps_its_analogue_curve_up_to_20_khz),
      cmocka_unit_test(low_cuts_in_series_are_butterworth),
      cmocka_unit_test(a_bell_at_10_khz_gives_the_published_figures),
      cmocka_unit_test(poles_stand_where_the_matched_z_transform_puts_them),
      cmocka_unit_test(equal_boost_and_cut_undo_each_other),
      cmocka_unit_test(no_gain_is_no_filter),
      cmocka_unit_test(no_section_and_no_mean_of_sections_lengthens_its_state),
      cmocka_unit_test(at_low_rates_curves_hold_as_far_as_the_rate_allows),
   };
   return cmocka_run_group_tests(tests, NULL, NULL);
}
