/* SPDX-License-Identifier: ISC */
/* If these fail, a take sits elsewhere than where it was put, bends in pitch as it moves, or costs more in
   mono than is shown. */
#include "unit_test.h"

#include "ear_measure.h"
#include "ladder.h"
#include "stereo/take_placement.h"

static const double pi = 3.14159265358979323846;

typedef struct {
   BmTakePlacement* placement;
   void* memory;
} Instance;

static void* aligned(size_t bytes)
{
   void* memory = aligned_alloc(64, (bytes + 63) / 64 * 64);
   assert_non_null(memory);
   return memory;
}

static Instance open_placement(double rate_hz, uint32_t n_takes, const BmTakePlacementParams* params)
{
   const Instance instance = {aligned(sizeof(BmTakePlacement)), aligned(bm_take_placement_bytes(rate_hz))};
   assert_int_equal(bm_take_placement_init(instance.placement, instance.memory, rate_hz, n_takes), BM_OK);
   bm_take_placement_set(instance.placement, params);
   return instance;
}

static void close_placement(Instance instance)
{
   free(instance.memory);
   free(instance.placement);
}

/* Both takes in the middle, 1 m ahead, the second silent. */
static BmTakePlacementParams plain(BmPlacementMethod method)
{
   return (BmTakePlacementParams){.method = method,
                                  .law = BM_PAN_LAW_3_DB,
                                  .takes = {{.distance_m = 1.0}, {.distance_m = 1.0, .gain_db = -120.0}}};
}

#define LATENCY BM_FRACTIONAL_LATENCY_FRAMES

static void by_level_a_take_comes_out_at_its_pan_gains_and_delay_to_the_bit(void** state)
{
   (void)state;
   enum { N = 2000 };
   static BmFrame in[N], out[N];
   bm_test_noise(in, N, 0.9, 1);
   BmTakePlacementParams params = plain(BM_PLACEMENT_LEVEL);
   params.law = BM_PAN_LAW_6_DB;
   params.takes[0].pan = -0.5;
   params.takes[0].delay_ms = 10.0; /* 480 frames */
   params.takes[0].polarity = true;
   const Instance instance = open_placement(48000.0, 2, &params);
   assert_int_equal(bm_take_placement_latency_frames(instance.placement), LATENCY);
   bm_take_placement_process(instance.placement, in, out, N);
   for (int n = 0; n < N; ++n) {
      const double x = n >= 480 + LATENCY ? in[n - 480 - LATENCY][0] : 0.0;
      assert_true(out[n][0] == -0.75 * x && out[n][1] == -0.25 * x);
   }
   close_placement(instance);
}

/* A sine of 5 kHz shows its delay in its phase. */
static void a_delay_between_frames_is_exact(void** state)
{
   (void)state;
   static const double delays_ms[] = {0.0, 0.0101, 0.5033, 7.77, 29.999};
   for (int i = 0; i < 5; ++i) {
      BmTakePlacementParams params = plain(BM_PLACEMENT_LEVEL);
      params.takes[0].pan = -1.0;
      params.takes[0].delay_ms = delays_ms[i];
      const Instance instance = open_placement(44100.0, 2, &params);
      const double omega = 2.0 * pi * 5000.0 / 44100.0;
      double real = 0.0, imaginary = 0.0;
      for (int n = 0; n < 4410; ++n) {
         BmFrame x = bm_frame(sin(omega * n), 0.0);
         bm_take_placement_process(instance.placement, &x, &x, 1);
         if (n >= 2205) { /* 250 whole periods */
            real += x[0] * sin(omega * (n - LATENCY - delays_ms[i] * 44.1)) / 1102.5;
            imaginary += x[0] * cos(omega * (n - LATENCY - delays_ms[i] * 44.1)) / 1102.5;
         }
      }
      assert_close(real, 1.0, 1e-3);
      assert_close(atan2(imaginary, real) / omega, 0.0, 1e-3); /* frames */
      close_placement(instance);
   }
}

/* What comes out for an impulse must be what the sphere's formulas say (test_head_responses.c checks those).
 */
static void binaurally_each_ear_hears_the_head_in_that_direction(void** state)
{
   (void)state;
   static const double rates_hz[] = {8000.0, 44100.0, 96000.0};
   static BmEarSpectrum ears[2];
   for (int r = 0; r < 3; ++r) {
      for (double azimuth = -90.0; azimuth <= 90.0; azimuth += 30.0) {
         BmTakePlacementParams params = plain(BM_PLACEMENT_BINAURAL);
         params.takes[0].azimuth_deg = azimuth;
         params.takes[0].delay_ms = 1.0;
         const Instance instance = open_placement(rates_hz[r], 2, &params);
         const uint32_t n_frames = (uint32_t)(0.01 * rates_hz[r]) + LATENCY;
         BmFrame* frames = aligned(n_frames * sizeof *frames);
         memset(frames, 0, n_frames * sizeof *frames);
         frames[0] = bm_frame(1.0, 0.0);
         bm_take_placement_process(instance.placement, frames, frames, n_frames);
         double taps[2048];
         for (uint32_t ear = 0; ear < 2; ++ear) {
            for (uint32_t n = 0; n < n_frames; ++n) {
               taps[n] = frames[n][ear];
            }
            bm_ear_spectrum(&ears[ear], taps, n_frames, 0.0, rates_hz[r]);
         }
         /* Woodworth's difference, right ear first for azimuths to the right; 10 us for the shadow's own
            phase under the weighting of level. */
         static BmHeadResponse response;
         bm_head_responses_at(&instance.placement->head, bm_direction(-azimuth, 0.0), 1.0, &response);
         static BmEarSpectrum expected[2];
         for (uint32_t ear = 0; ear < 2; ++ear) {
            bm_ear_spectrum(&expected[ear], response.taps[ear], instance.placement->head.n_taps,
                            response.delays_s[ear], rates_hz[r]);
         }
         const double high_hz = 0.4 * rates_hz[r];
         assert_close(bm_ear_lag_us(&ears[0], &ears[1], 50.0, high_hz),
                      bm_ear_lag_us(&expected[0], &expected[1], 50.0, high_hz), 1.0);
         assert_close(bm_ear_level_db(&ears[0], &ears[1], 50.0, high_hz),
                      bm_ear_level_db(&expected[0], &expected[1], 50.0, high_hz), 0.01);
         const double theta = fabs(azimuth) * pi / 180.0;
         const double woodworth_us = 1e6 * 0.0875 / 343.0 * (theta + sin(theta));
         assert_close(fabs(1e6 * (response.delays_s[0] - response.delays_s[1])), woodworth_us, 1.0);
         assert_true(azimuth == 0.0 ||
                     (bm_ear_lag_us(&ears[0], &ears[1], 50.0, high_hz) > 0.0) == (azimuth > 0.0));
         free(frames);
         close_placement(instance);
      }
   }
}

/* (2 sin(w/2))^5: -89 dB at 997 Hz, +30 dB at the top, where a click lives. */
typedef struct {
   double history[5];
} FifthDifference;

static double fifth_difference(FifthDifference* self, double x)
{
   for (int i = 0; i < 5; ++i) {
      const double last = self->history[i];
      self->history[i] = x;
      x -= last;
   }
   return x;
}

static void no_control_clicks(void** state)
{
   (void)state;
   for (int which = 0; which < 9; ++which) {
      BmTakePlacementParams params = plain(which < 5 ? BM_PLACEMENT_BINAURAL : BM_PLACEMENT_LEVEL);
      const Instance instance = open_placement(48000.0, 2, &params);
      FifthDifference difference = {{0.0}};
      double worst = 0.0;
      for (int n = 0; n < 24000; ++n) {
         if (n == 18345) { /* and back */
            params = plain(which < 5 ? BM_PLACEMENT_BINAURAL : BM_PLACEMENT_LEVEL);
            bm_take_placement_set(instance.placement, &params);
         }
         if (n == 12345) {
            BmTakePlace* place = &params.takes[0];
            place->azimuth_deg = which == 0 ? 90.0 : 0.0;
            place->elevation_deg = which == 1 ? 60.0 : 0.0;
            place->distance_m = which == 2 ? 0.3 : 1.0;
            place->delay_ms = which == 3 || which == 5 ? 11.3 : 0.0;
            place->polarity = which == 4 || which == 6;
            place->pan = which == 7 ? 1.0 : 0.0;
            params.method = which == 8 ? BM_PLACEMENT_BINAURAL : params.method;
            bm_take_placement_set(instance.placement, &params);
         }
         BmFrame x = bm_frame(0.5 * sin(2.0 * pi * 997.0 * n / 48000.0), 0.0);
         bm_take_placement_process(instance.placement, &x, &x, 1);
         const double rough = fifth_difference(&difference, x[0]);
         worst = n > 2000 ? fmax(worst, fabs(rough)) : 0.0;
      }
      assert_between(20.0 * log10(worst), -120.0, -70.0);
      close_placement(instance);
   }
}

/* A tone while its take jumps from the middle to the side and 10 ms back in time: each period at the far ear
   as long as before within 10 %, since the head's 3/4 of a period is bridged in 20 ms. A tap sliding those 10
   ms would make them 50 % longer. */
static void a_move_does_not_bend_the_pitch(void** state)
{
   (void)state;
   for (int method = 0; method < 2; ++method) {
      BmTakePlacementParams params = plain((BmPlacementMethod)method);
      const Instance instance = open_placement(48000.0, 2, &params);
      double last = 0.0, last_crossing = -1.0, worst = 0.0;
      for (int n = 0; n < 24000; ++n) {
         if (n == 12000) {
            params.takes[0].azimuth_deg = 90.0;
            params.takes[0].delay_ms = 10.0; /* whole periods: the fade is between like phases */
            bm_take_placement_set(instance.placement, &params);
         }
         BmFrame x = bm_frame(0.5 * sin(2.0 * pi * 2000.0 * n / 48000.0), 0.0);
         bm_take_placement_process(instance.placement, &x, &x, 1);
         if (last < 0.0 && x[1] >= 0.0) {
            const double crossing = n - x[1] / (x[1] - last);
            if (last_crossing > 2000.0) {
               worst = fmax(worst, fabs((crossing - last_crossing) / 24.0 - 1.0));
            }
            last_crossing = crossing;
         }
         last = x[1];
      }
      assert_between(worst, 0.0, 0.1);
      close_placement(instance);
   }
}

/* A move takes up to 5 ms to be worked out and 20 ms to be faded to; one sent on meanwhile takes as long
   again after that. Then it sounds as if it had always been there. */
static void a_take_that_is_sent_on_while_it_moves_arrives_where_it_was_sent_last(void** state)
{
   (void)state;
   static const double rates_hz[] = {8000.0, 44100.0, 192000.0};
   static const double sent_on_ms[] = {0.3, 1.0, 2.0, 3.3, 15.0};
   enum { N_SENT_ON = sizeof sent_on_ms / sizeof *sent_on_ms };
   for (int r = 0; r < 3; ++r) {
      for (int i = 0; i < N_SENT_ON; ++i) {
         const uint32_t ms = (uint32_t)(0.001 * rates_hz[r]);
         BmTakePlacementParams params[3] = {plain(BM_PLACEMENT_BINAURAL)};
         params[0].takes[1].gain_db = 0.0;
         params[1] = params[2] = params[0];
         params[1].takes[0].azimuth_deg = 50.0;
         params[1].takes[1].delay_ms = 3.0;
         params[2].takes[0].azimuth_deg = -120.0;
         params[2].takes[0].elevation_deg = 20.0;
         params[2].takes[1].distance_m = 2.0;
         const Instance moved = open_placement(rates_hz[r], 2, &params[0]);
         const Instance there = open_placement(rates_hz[r], 2, &params[2]);
         const uint32_t sent = 40 * ms;
         const uint32_t sent_on = sent + (uint32_t)(0.001 * sent_on_ms[i] * rates_hz[r]);
         uint64_t seed = 5;
         for (uint32_t n = 0; n < 110 * ms; ++n) {
            if (n == sent || n == sent_on) {
               bm_take_placement_set(moved.placement, n == sent ? &params[1] : &params[2]);
            }
            const double left = bm_test_random(&seed);
            BmFrame a = bm_frame(left, bm_test_random(&seed));
            BmFrame b = a;
            bm_take_placement_process(moved.placement, &a, &a, 1);
            bm_take_placement_process(there.placement, &b, &b, 1);
            if (n >= sent + 52 * ms) {
               assert_true(a[0] == b[0] && a[1] == b[1]);
            }
         }
         close_placement(moved);
         close_placement(there);
      }
   }
}

/* A pan that is drawn with a value for every frame: the take is under way long before the drawing ends. */
static void a_take_whose_place_changes_with_every_frame_follows(void** state)
{
   (void)state;
   BmTakePlacementParams params = plain(BM_PLACEMENT_BINAURAL);
   const Instance instance = open_placement(48000.0, 2, &params);
   double left = 0.0, right = 0.0;
   for (int n = 0; n < 14400; ++n) {
      params.takes[0].azimuth_deg = 90.0 * n / 14400.0;
      bm_take_placement_set(instance.placement, &params);
      BmFrame x = bm_frame(sin(2.0 * pi * 4000.0 * n / 48000.0), 0.0);
      bm_take_placement_process(instance.placement, &x, &x, 1);
      left += n > 9600 ? x[0] * x[0] : 0.0;
      right += n > 9600 ? x[1] * x[1] : 0.0;
   }
   /* The sphere's shadow at 4 kHz is 14 to 16 dB between 50 and 90 degrees (Brown and Duda 1998). */
   assert_between(10.0 * log10(right / left), 13.0, 17.0);
   close_placement(instance);
}

static void play_noise(BmTakePlacement* placement, uint32_t n_frames, bool same)
{
   uint64_t seed = 2;
   for (uint32_t n = 0; n < n_frames; ++n) {
      const double a = bm_test_random(&seed), b = bm_test_random(&seed);
      BmFrame x = bm_frame(a, same ? a : b);
      bm_take_placement_process(placement, &x, &x, 1);
   }
}

static void what_mono_costs_is_shown_for_both_ways(void** state)
{
   (void)state;
   BmTakePlacementParams params = plain(BM_PLACEMENT_LEVEL);
   params.takes[0].azimuth_deg = -90.0;
   params.takes[0].pan = -1.0;
   params.takes[1].azimuth_deg = 90.0;
   params.takes[1].pan = 1.0;
   params.takes[1].gain_db = 0.0;
   const Instance instance = open_placement(48000.0, 2, &params);
   play_noise(instance.placement, 96000, false);
   const BmCorrelation* level = bm_take_placement_correlation(instance.placement, BM_PLACEMENT_LEVEL);
   const BmCorrelation* binaural = bm_take_placement_correlation(instance.placement, BM_PLACEMENT_BINAURAL);
   /* Two unrelated takes panned hard: no correlation, and mono is 3 dB less. */
   assert_close(bm_correlation_norm(level), 0.0, 0.02);
   assert_close(bm_correlation_mono_change_lu(level), -3.01, 0.1);
   /* The sphere gives each ear some of the other take, late: power-weighted the two ears' cross terms have
      the sum over takes of h_l h_r at lag 0, which the sphere's 0.66 ms keeps near 0 for white noise. */
   assert_close(bm_correlation_norm(binaural), 0.0, 0.1);
   close_placement(instance);

   params = plain(BM_PLACEMENT_BINAURAL); /* one take straight ahead: both ears alike */
   const Instance ahead = open_placement(48000.0, 2, &params);
   play_noise(ahead.placement, 48000, false);
   for (int method = 0; method < 2; ++method) {
      const BmCorrelation* meter = bm_take_placement_correlation(ahead.placement, (BmPlacementMethod)method);
      assert_close(bm_correlation_norm(meter), 1.0, 1e-9);
      assert_close(bm_correlation_mono_change_lu(meter), 0.0, 1e-6);
   }
   close_placement(ahead);
}

/* Reference sheet section 9: first notch of two like takes at 1 / (2 delay), within 1 %. */
static void the_comb_notch_is_where_the_takes_cancel(void** state)
{
   (void)state;
   static const double table[][2] = {{0.1, 5000.0}, {0.25, 2000.0}, {0.5, 1000.0}, {1.0, 500.0},
                                     {2.0, 250.0},  {5.0, 100.0},   {10.0, 50.0}};
   for (int i = 0; i < 7; ++i) {
      BmTakePlacementParams params = plain(BM_PLACEMENT_LEVEL);
      params.takes[1] = params.takes[0];
      params.takes[i & 1].delay_ms = table[i][0];
      const Instance instance = open_placement(48000.0, 2, &params);
      assert_close(bm_take_placement_comb_notch_hz(instance.placement), table[i][1], 0.01 * table[i][1]);
      /* and a tone there is gone */
      double loudest = 0.0;
      for (int n = 0; n < 4000; ++n) {
         BmFrame x = bm_frame_both(sin(2.0 * pi * table[i][1] * n / 48000.0));
         bm_take_placement_process(instance.placement, &x, &x, 1);
         loudest = n > 2000 ? fmax(loudest, fabs(x[0])) : 0.0;
      }
      assert_between(loudest, 0.0, 0.01);
      params.takes[1].polarity = true; /* now the first notch above 0 Hz is a period away */
      bm_take_placement_set(instance.placement, &params);
      assert_close(bm_take_placement_comb_notch_hz(instance.placement), 2.0 * table[i][1],
                   0.02 * table[i][1]);
      close_placement(instance);
   }
   BmTakePlacementParams params = plain(BM_PLACEMENT_LEVEL);
   const Instance one = open_placement(48000.0, 1, &params);
   assert_true(bm_take_placement_comb_notch_hz(one.placement) == 0.0);
   close_placement(one);
   /* Above half the rate there is none. */
   for (int above = 0; above < 2; ++above) {
      params.takes[1] = params.takes[0];
      params.takes[1].delay_ms = above ? 500.0 / 24500.0 : 500.0 / 23500.0;
      const Instance close_by = open_placement(48000.0, 2, &params);
      assert_close(bm_take_placement_comb_notch_hz(close_by.placement), above ? 0.0 : 23500.0, 1.0);
      close_placement(close_by);
   }
}

/* The second microphone 3.21 ms late and upside down: found, shown, taken up only when asked, kept by a
 * session. */
static void a_pair_is_lined_up_when_asked_and_stays_so(void** state)
{
   (void)state;
   enum { N = 96000 };
   BmFrame* pair = aligned(N * sizeof *pair);
   uint64_t seed = 3;
   for (int n = 0; n < N; ++n) {
      pair[n] = bm_frame(0.3 * bm_test_random(&seed), 0.0);
      pair[n][1] = n >= 154 ? -pair[n - 154][0] : 0.0;
   }
   BmTakePlacementParams params = plain(BM_PLACEMENT_LEVEL);
   params.takes[1] = params.takes[0];
   const Instance instance = open_placement(48000.0, 2, &params);
   BmFrame* out = aligned(N * sizeof *out);
   bm_take_placement_process(instance.placement, pair, out, N);
   const BmTakeOffset found = bm_take_placement_suggestion(instance.placement);
   assert_close(found.delay_ms, 154.0 / 48.0, 0.5 / 48.0);
   assert_true(found.is_opposed);
   assert_true(bm_take_placement_confidence_norm(instance.placement) > 0.9);
   assert_close(bm_take_placement_comb_notch_hz(instance.placement), 48000.0 / 154.0, 1.0);
   double apart = 0.0, together = 0.0, restored = 0.0;
   for (int n = N / 2; n < N; ++n) {
      apart += out[n][0] * out[n][0];
   }
   params.align = true;
   bm_take_placement_set(instance.placement, &params);
   bm_take_placement_process(instance.placement, pair, out, N);
   for (int n = N / 2; n < N; ++n) {
      together += out[n][0] * out[n][0];
   }
   assert_close(10.0 * log10(together / apart), 3.01, 0.1); /* unrelated at lag 0 before, the same now */
   assert_true(bm_take_placement_comb_notch_hz(instance.placement) == 0.0);
   const BmTakeOffset learned = bm_take_placement_learned(instance.placement);
   close_placement(instance);

   const Instance next_year = open_placement(48000.0, 2, &params);
   bm_take_placement_recall(next_year.placement, learned);
   bm_take_placement_process(next_year.placement, pair, out, N);
   for (int n = N / 2; n < N; ++n) {
      restored += out[n][0] * out[n][0];
   }
   assert_close(10.0 * log10(restored / together), 0.0, 0.01);
   close_placement(next_year);
   free(out);
   free(pair);
}

static void the_mono_form_hears_only_its_one_take(void** state)
{
   (void)state;
   BmTakePlacementParams params = plain(BM_PLACEMENT_LEVEL);
   params.takes[1].gain_db = 0.0;
   const Instance instance = open_placement(48000.0, 1, &params);
   for (int n = 0; n < 100; ++n) {
      BmFrame x = bm_frame(0.0, 1.0);
      bm_take_placement_process(instance.placement, &x, &x, 1);
      assert_true(x[0] == 0.0 && x[1] == 0.0);
   }
   close_placement(instance);
}

/* Another head while it plays: faded to, and then heard. This one is a sphere that hears everything 6 dB
   louder, made as a measured head of one position. */
static void another_head_is_faded_to(void** state)
{
   (void)state;
   const float position[3] = {0.0F, 0.0F, 1.0F};
   static float taps[2][64];
   taps[0][10] = 1.0F;
   taps[1][10] = 0.1F;
   const BmMeasuredHead measured = {
      .n_positions = 1, .n_taps = 64, .sample_rate_hz = 48000.0, .positions = position, .taps = &taps[0][0]};
   void* memory = malloc(bm_head_responses_bytes(&measured, 48000.0));
   void* scratch = malloc(bm_head_responses_scratch_bytes(&measured, 48000.0));
   BmHeadResponses head;
   assert_int_equal(bm_head_responses_init_measured(&head, memory, scratch, 48000.0, &measured), BM_OK);
   free(scratch);
   const BmTakePlacementParams params = plain(BM_PLACEMENT_BINAURAL);
   const Instance instance = open_placement(48000.0, 2, &params);
   FifthDifference difference = {{0.0}};
   double worst = 0.0, left = 0.0, right = 0.0;
   for (int n = 0; n < 24000; ++n) {
      if (n == 12000) {
         bm_take_placement_set_head(instance.placement, &head);
      }
      BmFrame x = bm_frame(0.5 * sin(2.0 * pi * 997.0 * n / 48000.0), 0.0);
      bm_take_placement_process(instance.placement, &x, &x, 1);
      const double rough = fifth_difference(&difference, x[1]);
      worst = n > 2000 ? fmax(worst, fabs(rough)) : 0.0;
      left = n > 18000 ? fmax(left, fabs(x[0])) : 0.0;
      right = n > 18000 ? fmax(right, fabs(x[1])) : 0.0;
   }
   assert_between(20.0 * log10(worst), -120.0, -70.0);
   assert_close(20.0 * log10(left / right), 20.0, 0.1);
   close_placement(instance);
   free(memory);
}

static void random_controls_keep_it_finite(void** state)
{
   (void)state;
   static const double rates_hz[] = {8000.0, 192000.0};
   for (int r = 0; r < 2; ++r) {
      BmTakePlacementParams params = plain(BM_PLACEMENT_BINAURAL);
      const Instance instance = open_placement(rates_hz[r], 2, &params);
      uint64_t seed = 4;
      for (int block = 0; block < 150; ++block) {
         for (int i = 0; i < 2; ++i) {
            params.takes[i] = (BmTakePlace){.pan = bm_test_random(&seed),
                                            .azimuth_deg = 180.0 * bm_test_random(&seed),
                                            .elevation_deg = 90.0 * bm_test_random(&seed),
                                            .distance_m = 5.1 + 4.9 * bm_test_random(&seed),
                                            .delay_ms = 15.0 + 15.0 * bm_test_random(&seed),
                                            .gain_db = 12.0 * bm_test_random(&seed),
                                            .polarity = bm_test_random(&seed) > 0.0};
         }
         params.method = bm_test_random(&seed) > 0.0 ? BM_PLACEMENT_BINAURAL : BM_PLACEMENT_LEVEL;
         params.law = (BmPanLaw)(block % 3);
         params.align = bm_test_random(&seed) > 0.0;
         bm_take_placement_set(instance.placement, &params);
         BmFrame frames[256];
         bm_test_noise(frames, 256, 1.0, (uint64_t)block);
         bm_take_placement_process(instance.placement, frames, frames, 256);
         for (int n = 0; n < 256; ++n) {
            assert_between(frames[n][0], -100.0, 100.0);
            assert_between(frames[n][1], -100.0, 100.0);
         }
      }
      close_placement(instance);
   }
}

static void* fresh(void)
{
   BmTakePlacementParams params = plain(BM_PLACEMENT_BINAURAL);
   params.takes[0].azimuth_deg = 37.0;
   params.takes[0].delay_ms = 0.33;
   params.takes[1] = params.takes[0];
   params.takes[1].azimuth_deg = -80.0;
   params.takes[1].elevation_deg = 20.0;
   Instance* instance = malloc(sizeof *instance);
   *instance = open_placement(44100.0, 2, &params);
   return instance;
}

static void process(void* self, const BmFrame* in, BmFrame* out, uint32_t n_frames)
{
   bm_take_placement_process(((Instance*)self)->placement, in, out, n_frames);
}

static void reset(void* self)
{
   bm_take_placement_reset(((Instance*)self)->placement);
}

static void release(void* self)
{
   close_placement(*(Instance*)self);
   free(self);
}

static void block_size_place_and_reset_leave_no_trace(void** state)
{
   (void)state;
   bm_test_climb(&(BmLadder){fresh, process, reset, release}, 6000);
}

static void block_size_and_reset_leave_no_trace_while_takes_move(void** state)
{
   (void)state;
   enum { N = 6000, CHANGE = 1111 };
   enum { WHOLE, SLICED, RESET, N_WAYS };
   static BmFrame in[N], out[N_WAYS][N];
   bm_test_noise(in, N, 0.5, 2);
   const BmLadder ladder = {fresh, process, reset, release};
   for (int way = 0; way < N_WAYS; ++way) {
      Instance* instance = fresh();
      BmTakePlacementParams params = plain(BM_PLACEMENT_BINAURAL);
      if (way == RESET) {
         bm_test_run_in_blocks(&ladder, instance, in, out[way], CHANGE, CHANGE);
         reset(instance);
         const BmTakePlacementParams kept = instance->placement->cfg.params;
         bm_take_placement_set(instance->placement, &kept);
      }
      bm_test_run_in_blocks(&ladder, instance, in, out[way], CHANGE, way == SLICED ? 7 : CHANGE);
      params.takes[0].azimuth_deg = -110.0;
      params.takes[0].delay_ms = 3.0;
      bm_take_placement_set(instance->placement, &params);
      bm_test_run_in_blocks(&ladder, instance, in + CHANGE, out[way] + CHANGE, N - CHANGE,
                            way == SLICED ? 7 : N - CHANGE);
      release(instance);
   }
   assert_memory_equal(out[WHOLE], out[SLICED], sizeof out[0]);
   assert_memory_equal(out[WHOLE], out[RESET], sizeof out[0]);
}

static void bad_arguments_are_refused(void** state)
{
   (void)state;
   BmTakePlacement* placement = aligned(sizeof *placement);
   void* memory = aligned(bm_take_placement_bytes(48000.0));
   assert_int_equal(bm_take_placement_init(placement, memory, 0.0, 2), BM_BAD_RATE);
   assert_int_equal(bm_take_placement_init(placement, NULL, 48000.0, 2), BM_BAD_ARGUMENT);
   assert_int_equal(bm_take_placement_init(placement, memory, 48000.0, 3), BM_BAD_ARGUMENT);
   free(memory);
   free(placement);
}

int main(void)
{
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(by_level_a_take_comes_out_at_its_pan_gains_and_delay_to_the_bit),
      cmocka_unit_test(a_delay_between_frames_is_exact),
      cmocka_unit_test(binaurally_each_ear_hears_the_head_in_that_direction),
      cmocka_unit_test(no_control_clicks),
      cmocka_unit_test(a_move_does_not_bend_the_pitch),
      cmocka_unit_test(a_take_whose_place_changes_with_every_frame_follows),
      cmocka_unit_test(a_take_that_is_sent_on_while_it_moves_arrives_where_it_was_sent_last),
      cmocka_unit_test(what_mono_costs_is_shown_for_both_ways),
      cmocka_unit_test(the_comb_notch_is_where_the_takes_cancel),
      cmocka_unit_test(a_pair_is_lined_up_when_asked_and_stays_so),
      cmocka_unit_test(the_mono_form_hears_only_its_one_take),
      cmocka_unit_test(another_head_is_faded_to),
      cmocka_unit_test(random_controls_keep_it_finite),
      cmocka_unit_test(block_size_place_and_reset_leave_no_trace),
      cmocka_unit_test(block_size_and_reset_leave_no_trace_while_takes_move),
      cmocka_unit_test(bad_arguments_are_refused),
   };
   return cmocka_run_group_tests(tests, NULL, NULL);
}
