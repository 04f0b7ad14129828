/* SPDX-License-Identifier: ISC */
/* If these fail, a take is heard from somewhere else than where it was put, or takes on a colour. */
#include "unit_test.h"

#include "ear_measure.h"
#include "stereo/head_responses.h"

#include <string.h>

static const double pi = 3.14159265358979323846;

static BmHeadResponse response;

static void look_up(const BmHeadResponses* head, double azimuth_deg, double elevation_deg, double distance_m)
{
   bm_head_responses_at(head, bm_direction(azimuth_deg, elevation_deg), distance_m, &response);
}

static double magnitude_db(const BmHeadResponses* head, int ear, double hz)
{
   double real = 0.0, imaginary = 0.0;
   for (uint32_t n = 0; n < head->n_taps; ++n) {
      real += response.taps[ear][n] * cos(2.0 * pi * hz * n / head->rate_hz);
      imaginary += response.taps[ear][n] * sin(2.0 * pi * hz * n / head->rate_hz);
   }
   return 20.0 * log10(hypot(real, imaginary));
}

/* Reference sheet section 8, Woodworth: (a / c)(theta + sin theta), a 8.75 cm; model against its formula 1
 * us. */
static void the_spheres_time_difference_is_woodworths(void** state)
{
   (void)state;
   static const double table[][2] = {{0.0, 0.0},    {15.0, 132.8}, {30.0, 261.1},
                                     {45.0, 380.7}, {60.0, 488.1}, {90.0, 655.8}};
   BmHeadResponses head;
   assert_int_equal(bm_head_responses_init_sphere(&head, 48000.0), BM_OK);
   for (int i = 0; i < 6; ++i) {
      for (int side = -1; side <= 1; side += 2) {
         look_up(&head, side * table[i][0], 0.0, 100.0);
         assert_close(1e6 * (response.delays_s[1] - response.delays_s[0]), side * table[i][1], 1.0);
      }
   }
}

/* Reference sheet section 8: rigid sphere (Duda and Martens 1998), level difference of bands 0.1 to 12 kHz at
   15 to 60 degrees, 3.60 6.88 9.53 11.07 dB; a model may differ by 4 dB there. Limits: 0 dB at the bottom, +6
   dB in front of the near ear at the top (-3 dB for both ears together is ours). */
static void the_spheres_shadow_is_near_that_of_a_rigid_sphere(void** state)
{
   (void)state;
   static const double table[][2] = {{15.0, 3.60}, {30.0, 6.88}, {45.0, 9.53}, {60.0, 11.07}};
   static const double rates_hz[] = {44100.0, 96000.0};
   for (int r = 0; r < 2; ++r) {
      BmHeadResponses head;
      assert_int_equal(bm_head_responses_init_sphere(&head, rates_hz[r]), BM_OK);
      for (int i = 0; i < 4; ++i) {
         look_up(&head, table[i][0], 0.0, 100.0);
         static BmEarSpectrum ears[2];
         for (int ear = 0; ear < 2; ++ear) {
            bm_ear_spectrum(&ears[ear], response.taps[ear], head.n_taps, 0.0, rates_hz[r]);
         }
         assert_close(bm_ear_level_db(&ears[0], &ears[1], 100.0, 12000.0), table[i][1], 4.0);
      }
      look_up(&head, 90.0, 0.0, 1.0 + BM_HEAD_RADIUS_M); /* 1 m from the ear */
      assert_close(magnitude_db(&head, 0, 20.0), -3.01, 0.1);
      assert_close(magnitude_db(&head, 0, 15000.0), -3.01 + 6.02, 0.3);
   }
}

static void each_ear_hears_its_own_distance(void** state)
{
   (void)state;
   BmHeadResponses head;
   assert_int_equal(bm_head_responses_init_sphere(&head, 48000.0), BM_OK);
   look_up(&head, 0.0, 0.0, 1.0);
   const double at_1_m = magnitude_db(&head, 0, 100.0);
   look_up(&head, 0.0, 0.0, 4.0);
   assert_close(magnitude_db(&head, 0, 100.0) - at_1_m, -12.04, 0.05);
   look_up(&head, 90.0, 0.0, 0.35); /* 26.25 cm from one ear, 43.75 cm from the other */
   assert_close(magnitude_db(&head, 0, 30.0) - magnitude_db(&head, 1, 30.0), 20.0 * log10(43.75 / 26.25),
                0.1);
   look_up(&head, 90.0, 0.0, 0.0); /* inside the head: loud, not infinite */
   assert_between(magnitude_db(&head, 0, 100.0), 0.0, 30.0);
}

/* A made-up head: a ring of 24 directions, 15 degrees apart, three rings; response of an ear with cosine g to
   it is a delay of 20 - 10 g frames and the taps (0.6 + 0.3 g), 0.2 (a minimum-phase pair), measured through
   a loudspeaker with the taps 1, 0.5. */
enum { RING = 24, POSITIONS = 3 * RING, TAPS = 128 };
static float positions[POSITIONS][3], taps[POSITIONS][2][TAPS];

static double ear_cosine(const float* position, int ear)
{
   const double y = sin((double)position[0] * pi / 180.0) * cos((double)position[1] * pi / 180.0);
   return ear == 0 ? y : -y;
}

static BmMeasuredHead made_up_head(double rate_hz)
{
   memset(taps, 0, sizeof taps);
   for (int i = 0; i < POSITIONS; ++i) {
      positions[i][0] = (float)(15 * (i % RING));
      positions[i][1] = (float)(15 * (i / RING - 1));
      positions[i][2] = 1.0F;
      for (int ear = 0; ear < 2; ++ear) {
         const double g = ear_cosine(positions[i], ear);
         const double delay = 20.0 - 10.0 * g;
         const double direct[3] = {0.6 + 0.3 * g, 0.2 + 0.5 * (0.6 + 0.3 * g), 0.1};
         for (int n = 0; n < 100; ++n) { /* band-limited, so that the delay may lie between frames */
            for (int k = 0; k < 3; ++k) {
               const double t = n - delay - k;
               const double window = fabs(t) < 16.0 ? 0.5 + 0.5 * cos(pi * t / 16.0) : 0.0;
               taps[i][ear][n] +=
                  (float)(direct[k] * window * (fabs(t) < 1e-9 ? 1.0 : sin(pi * t) / (pi * t)));
            }
         }
      }
   }
   return (BmMeasuredHead){.n_positions = POSITIONS,
                           .n_taps = TAPS,
                           .sample_rate_hz = rate_hz,
                           .positions = &positions[0][0],
                           .taps = &taps[0][0][0]};
}

static void* memory;

static BmHeadResponses load(const BmMeasuredHead* measured, double rate_hz)
{
   BmHeadResponses head;
   free(memory);
   memory = malloc(bm_head_responses_bytes(measured, rate_hz));
   void* scratch = malloc(bm_head_responses_scratch_bytes(measured, rate_hz));
   assert_int_equal(bm_head_responses_init_measured(&head, memory, scratch, rate_hz, measured), BM_OK);
   free(scratch);
   return head;
}

static void a_measured_head_keeps_its_delays_and_levels_at_every_rate(void** state)
{
   (void)state;
   static const double rates_hz[] = {8000.0, 22050.0, 44100.0, 48000.0, 96000.0, 192000.0};
   const BmMeasuredHead measured = made_up_head(44100.0);
   for (int r = 0; r < 6; ++r) {
      const BmHeadResponses head = load(&measured, rates_hz[r]);
      for (int i = RING; i < 2 * RING; i += 5) {
         look_up(&head, (double)positions[i][0], (double)positions[i][1], 1.0);
         const double g[2] = {ear_cosine(positions[i], 0), ear_cosine(positions[i], 1)};
         assert_close(1e6 * (response.delays_s[0] - response.delays_s[1]),
                      1e6 * 10.0 * (g[1] - g[0]) / 44100.0, 8.0);
         for (double hz = 300.0; hz < fmin(15000.0, 0.4 * rates_hz[r]); hz *= 1.7) {
            const double omega = 2.0 * pi * hz / 44100.0;
            double expected_db = 0.0;
            for (int ear = 0; ear < 2; ++ear) {
               const double b0 = 0.6 + 0.3 * g[ear];
               const double level = 10.0 * log10(b0 * b0 + 0.04 + 0.4 * b0 * cos(omega));
               expected_db += ear == 0 ? level : -level;
            }
            assert_close(magnitude_db(&head, 0, hz) - magnitude_db(&head, 1, hz), expected_db, 0.25);
         }
      }
   }
}

/* The loudspeaker's colour is in every direction alike: it goes, and the mean of all directions is flat. */
static void the_colour_of_the_measurement_is_taken_out(void** state)
{
   (void)state;
   const BmMeasuredHead measured = made_up_head(44100.0);
   const BmHeadResponses head = load(&measured, 44100.0);
   static const double bands_hz[] = {100.0, 1000.0, 5000.0, 15000.0};
   for (int band = 0; band < 4; ++band) {
      double power = 0.0, shares = 0.0;
      for (int i = 0; i < POSITIONS; ++i) {
         const double share = cos((double)positions[i][1] * pi / 180.0);
         look_up(&head, (double)positions[i][0], (double)positions[i][1], 1.0);
         for (int ear = 0; ear < 2; ++ear) {
            power += share * pow(10.0, 0.1 * magnitude_db(&head, ear, bands_hz[band]));
            shares += share;
         }
      }
      assert_close(10.0 * log10(power / shares), -3.01, 0.1);
   }
}

static void between_measured_directions_delay_and_level_go_straight(void** state)
{
   (void)state;
   const BmMeasuredHead measured = made_up_head(48000.0);
   const BmHeadResponses head = load(&measured, 48000.0);
   for (double azimuth = -180.0; azimuth <= 180.0; azimuth += 2.5) {
      for (double elevation = -15.0; elevation <= 15.0; elevation += 5.0) {
         look_up(&head, azimuth, elevation, 1.0);
         const float at[2] = {(float)azimuth, (float)elevation};
         const double g = ear_cosine(at, 0);
         assert_close(1e6 * (response.delays_s[0] - response.delays_s[1]), -1e6 * 20.0 * g / 48000.0, 12.0);
         const double expected = 20.0 * log10((0.8 + 0.3 * g) / (0.8 - 0.3 * g));
         assert_close(magnitude_db(&head, 0, 300.0) - magnitude_db(&head, 1, 300.0), expected, 0.3);
      }
   }
   look_up(&head, 37.0, -90.0, 1.0); /* no ring there: the nearest stands in */
   assert_between(magnitude_db(&head, 0, 300.0), -6.0, 0.0);
}

/* Directions all over the sphere in no order, an ear as loud as 2 + x there: between three that are close
   around a direction this goes straight, and leaves it by no more than their triangle leaves the sphere. */
static void among_many_directions_those_around_are_found(void** state)
{
   (void)state;
   enum { N = 997, N_TAPS = 16, STEP = 390 };
   static float places[N][3], clicks[N][2][N_TAPS];
   for (int i = 0; i < N; ++i) {
      const int n = i * STEP % N;
      const double z = (2.0 * n + 1.0) / N - 1.0;
      places[i][0] = (float)fmod(137.507764 * n, 360.0); /* the golden angle: spread evenly */
      places[i][1] = (float)(asin(z) * 180.0 / pi);
      places[i][2] = 1.0F;
      clicks[i][0][2] = clicks[i][1][2] =
         (float)(2.0 + bm_direction((double)places[i][0], (double)places[i][1]).x);
   }
   const BmMeasuredHead measured = {.n_positions = N,
                                    .n_taps = N_TAPS,
                                    .sample_rate_hz = 8000.0,
                                    .positions = &places[0][0],
                                    .taps = &clicks[0][0][0]};
   const BmHeadResponses head = load(&measured, 8000.0);
   look_up(&head, 90.0, 0.0, 1.0);
   const double scale = response.taps[0][0] / 2.0;
   uint64_t seed = 3;
   for (int i = 0; i < 3000; ++i) {
      const BmDirection direction =
         bm_direction(180.0 * bm_test_random(&seed), asin(bm_test_random(&seed)) * 180.0 / pi);
      bm_head_responses_at(&head, direction, 1.0, &response);
      assert_close(response.taps[0][0] / scale, 2.0 + direction.x, 0.01);
   }
}

/* Each with one fault. */
static void a_head_that_makes_no_sense_is_refused(void** state)
{
   (void)state;
   enum {
      WHOLE,
      EMPTY,
      NO_RATE,
      NAN_IN_TAPS,
      SILENT,
      AT_THE_CENTRE,
      NAN_IN_POSITIONS,
      NAN_IN_DELAYS,
      N_FAULTS
   };
   static float delays[POSITIONS][2];
   BmHeadResponses head;
   assert_int_equal(bm_head_responses_init_sphere(&head, 1.0), BM_BAD_RATE);
   for (int fault = 0; fault < N_FAULTS; ++fault) {
      BmMeasuredHead measured = made_up_head(44100.0);
      measured.delays_frames = &delays[0][0];
      void* room = malloc(bm_head_responses_bytes(&measured, 44100.0));
      void* scratch = malloc(bm_head_responses_scratch_bytes(&measured, 44100.0));
      measured.n_positions = fault == EMPTY ? 0 : measured.n_positions;
      measured.sample_rate_hz = fault == NO_RATE ? NAN : measured.sample_rate_hz;
      taps[3][1][7] = fault == NAN_IN_TAPS ? NAN : taps[3][1][7];
      memset(taps[3], 0, fault == SILENT ? sizeof taps[3] : 0);
      positions[0][2] = fault == AT_THE_CENTRE ? 0.0F : positions[0][2];
      positions[5][1] = fault == NAN_IN_POSITIONS ? NAN : positions[5][1];
      delays[5][1] = fault == NAN_IN_DELAYS ? NAN : 0.0F;
      const BmStatus status = bm_head_responses_init_measured(&head, room, scratch, 44100.0, &measured);
      if (status != (fault == WHOLE ? BM_OK : BM_BAD_ARGUMENT)) {
         fail_msg("fault %d: status %d", fault, (int)status);
      }
      free(room);
      free(scratch);
   }
}

int main(void)
{
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(the_spheres_time_difference_is_woodworths),
      cmocka_unit_test(the_spheres_shadow_is_near_that_of_a_rigid_sphere),
      cmocka_unit_test(each_ear_hears_its_own_distance),
      cmocka_unit_test(a_measured_head_keeps_its_delays_and_levels_at_every_rate),
      cmocka_unit_test(the_colour_of_the_measurement_is_taken_out),
      cmocka_unit_test(between_measured_directions_delay_and_level_go_straight),
      cmocka_unit_test(among_many_directions_those_around_are_found),
      cmocka_unit_test(a_head_that_makes_no_sense_is_refused),
   };
   const int failed = cmocka_run_group_tests(tests, NULL, NULL);
   free(memory);
   return failed;
}
