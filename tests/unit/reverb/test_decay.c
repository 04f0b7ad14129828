/* SPDX-License-Identifier: ISC */
/* If these fail, a tail rings on in one band, or a room swells up instead of dying away. */
#include "unit_test.h"

#include "reverb/decay.h"

static const double pi = 3.14159265358979323846;

static double section_db(const BmDecaySection* s, double omega)
{
   const double re_b = s->b0 + s->b1 * cos(omega) + s->b2 * cos(2.0 * omega);
   const double im_b = s->b1 * sin(omega) + s->b2 * sin(2.0 * omega);
   const double re_a = 1.0 + s->a1 * cos(omega) + s->a2 * cos(2.0 * omega);
   const double im_a = s->a1 * sin(omega) + s->a2 * sin(2.0 * omega);
   return 20.0 * log10(hypot(re_b, im_b) / hypot(re_a, im_a));
}

static double loss_db(const BmDecay* decay, double path_s, double rate_hz, double frequency_hz)
{
   const BmAbsorption absorption = bm_absorption(decay, path_s, rate_hz);
   const double omega = 2.0 * pi * frequency_hz / rate_hz;
   return -section_db(&absorption.low, omega) - section_db(&absorption.high, omega);
}

static void the_decay_time_does_what_its_controls_say(void** state)
{
   (void)state;
   const BmDecay decay = {1.5, 0.6, 6000.0};
   assert_close(bm_decay_time_s(&decay, 1.0), 0.9, 1e-3);
   assert_close(bm_decay_time_s(&decay, 6000.0), 0.75, 1e-3);
   assert_close(bm_decay_time_s(&decay, 1000.0), 1.5, 0.01);
   const BmDecay darkest = {1.0, 0.5, 3000.0};
   assert_close(bm_decay_time_s(&darkest, 500.0), 1.0, 0.05);
   assert_close(bm_decay_time_s(&darkest, 1000.0), 1.0, 0.03);
}

/* Jot and Chaigne (1991): a path of p seconds must lose 60 dB p / T(f). */
static void a_path_takes_what_its_length_must_at_every_frequency_and_rate(void** state)
{
   (void)state;
   static const double rates_hz[] = {44100.0, 48000.0, 96000.0, 192000.0};
   static const double frequencies_hz[] = {40.0,   125.0,  180.0,  250.0,  500.0,
                                           1000.0, 2000.0, 4000.0, 8000.0, 10000.0};
   static const BmDecay decays[] = {{0.5, 0.5, 3000.0}, {1.0, 1.0, 8000.0}, {3.0, 1.5, 10000.0}};
   for (uint32_t r = 0; r < 4; ++r) {
      for (uint32_t d = 0; d < 3; ++d) {
         for (double path_s = 0.01; path_s < 0.06; path_s *= 2.0) {
            for (uint32_t f = 0; f < 10; ++f) {
               const double expected = 60.0 * path_s / bm_decay_time_s(&decays[d], frequencies_hz[f]);
               if (expected > 10.0) {
                  continue; /* more than the model promises to follow */
               }
               assert_close(loss_db(&decays[d], path_s, rates_hz[r], frequencies_hz[f]), expected,
                            (frequencies_hz[f] <= 0.1 * rates_hz[r] ? 0.05 : 0.09) * expected);
            }
         }
      }
   }
}

static void nothing_is_ever_amplified(void** state)
{
   (void)state;
   uint64_t seed = 1;
   for (int i = 0; i < 2000; ++i) {
      const BmDecay decay = {exp(1.4 * bm_test_random(&seed)) * 0.8, 1.0 + 0.5 * bm_test_random(&seed),
                             11500.0 + 8500.0 * bm_test_random(&seed)};
      const double rate_hz = i % 2 ? 8000.0 : 192000.0;
      const double path_s = 0.05 + 0.049 * bm_test_random(&seed);
      for (double share = 0.0001; share < 0.5; share *= 1.7) {
         assert_true(loss_db(&decay, path_s, rate_hz, share * rate_hz) > 0.0);
      }
   }
}

int main(void)
{
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(the_decay_time_does_what_its_controls_say),
      cmocka_unit_test(a_path_takes_what_its_length_must_at_every_frequency_and_rate),
      cmocka_unit_test(nothing_is_ever_amplified),
   };
   return cmocka_run_group_tests(tests, NULL, NULL);
}
