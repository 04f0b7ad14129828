/* SPDX-License-Identifier: ISC */
/* If these fail, the tube or the preamp colours a take in another way than its page says, takes off its
   transients, thumps, clicks, or folds harmonics back. */
#include "unit_test.h"

#include "ladder.h"
#include "saturation/preamp.h"
#include "saturation/tube.h"
#include "spectrum.h"

static double gain(double level_db)
{
   return pow(10.0, level_db / 20.0);
}

static void* allocate(size_t bytes)
{
   void* memory = aligned_alloc(64, (bytes + 63) / 64 * 64);
   assert_non_null(memory);
   return memory;
}

static BmTube* tube_with(double rate_hz, double drive_db, double bias, BmQuality quality)
{
   BmTube* tube = allocate(sizeof *tube);
   const BmTubeParams params = {drive_db, bias, quality};
   assert_int_equal(bm_tube_init(tube, rate_hz), BM_OK);
   bm_tube_set(tube, &params);
   return tube;
}

static void process_tube(void* self, const BmFrame* in, BmFrame* out, uint32_t n_frames)
{
   bm_tube_process(self, in, out, n_frames);
}

static BmTestSpectrum play_tube(double rate_hz, double hz, double level_db, double bias, BmQuality quality)
{
   BmTube* tube = tube_with(rate_hz, 0.0, bias, quality);
   const BmTestSpectrum spectrum = bm_test_sine(process_tube, tube, hz / rate_hz, gain(level_db), 65536);
   free(tube);
   return spectrum;
}

static BmPreamp* preamp_with(double rate_hz, const BmPreampParams* params)
{
   BmPreamp* preamp = allocate(sizeof *preamp);
   assert_int_equal(bm_preamp_init(preamp, rate_hz), BM_OK);
   bm_preamp_set(preamp, params);
   return preamp;
}

static void process_preamp(void* self, const BmFrame* in, BmFrame* out, uint32_t n_frames)
{
   bm_preamp_process(self, in, out, n_frames);
}

static BmTestSpectrum play_preamp(const BmPreampParams* params, double rate_hz, double hz, double level_db)
{
   BmPreamp* preamp = preamp_with(rate_hz, params);
   const BmTestSpectrum spectrum = bm_test_sine(process_preamp, preamp, hz / rate_hz, gain(level_db), 65536);
   free(preamp);
   return spectrum;
}

static void a_tube_gives_1_percent_second_harmonic_at_minus_18_dbfs(void** state)
{
   (void)state;
   const BmTestSpectrum spectrum = play_tube(48000.0, 1000.0, -18.0, 0.0, BM_QUALITY_LIVE);
   assert_close(bm_test_harmonic_db(&spectrum, 2), -40.0, 0.3);
   assert_close(10.0 * log10(spectrum.power[spectrum.bin]), -18.0, 0.05);
   free(spectrum.power);
}

/* Polynomial theory (reference sheet, section 5): the second rises 1 dB a dB, the third 2. */
static void a_tubes_harmonics_rise_as_a_polynomials_and_the_second_leads(void** state)
{
   (void)state;
   const BmTestSpectrum a = play_tube(48000.0, 1000.0, -30.0, 0.0, BM_QUALITY_LIVE);
   const BmTestSpectrum b = play_tube(48000.0, 1000.0, -20.0, 0.0, BM_QUALITY_LIVE);
   assert_close(bm_test_harmonic_db(&b, 2) - bm_test_harmonic_db(&a, 2), 10.0, 0.2);
   assert_close(bm_test_harmonic_db(&b, 3) - bm_test_harmonic_db(&a, 3), 20.0, 0.4);
   free(a.power);
   free(b.power);
   for (double level_db = -36.0; level_db <= 6.0; level_db += 6.0) { /* 6 dB over full scale is hard drive */
      const BmTestSpectrum spectrum = play_tube(48000.0, 1000.0, level_db, 0.0, BM_QUALITY_LIVE);
      assert_true(bm_test_harmonic_db(&spectrum, 2) > bm_test_harmonic_db(&spectrum, 3) + 6.0);
      free(spectrum.power);
   }
}

static void bias_moves_a_tube_from_even_to_odd(void** state)
{
   (void)state;
   double lead_before = 1e9;
   for (double bias = -1.0; bias <= 1.0; bias += 0.5) {
      const BmTestSpectrum spectrum = play_tube(48000.0, 1000.0, -18.0, bias, BM_QUALITY_LIVE);
      const double lead = bm_test_harmonic_db(&spectrum, 2) - bm_test_harmonic_db(&spectrum, 3);
      assert_true(bias > 0.8 || lead > 20.0);
      assert_true(bias < 0.8 || lead < 0.0);
      assert_true(bias < 0.8 || lead < lead_before);
      lead_before = lead;
      free(spectrum.power);
   }
}

static void loud_passages_shift_the_operating_point_and_quiet_ones_let_it_return(void** state)
{
   (void)state;
   /* A loud burst, then a quiet tone: just after it the stage stands colder, with more second harmonic; the
      coupling's 50 ms later it is back. */
   BmTube* tube = tube_with(48000.0, 0.0, 0.0, BM_QUALITY_LIVE);
   static BmFrame frames[48000];
   for (uint32_t n = 0; n < 48000; ++n) {
      frames[n] = bm_frame_both(gain(n < 9600 ? 6.0 : -30.0) * sin(2.0 * M_PI * 1000.0 * n / 48000.0));
   }
   bm_tube_process(tube, frames, frames, 48000);
   double second[2];
   const uint32_t from[] = {9840, 38400}; /* 5 ms and 600 ms after the burst */
   for (int i = 0; i < 2; ++i) {
      double complex sum[3] = {0.0};
      for (uint32_t n = 0; n < 960; ++n) {
         const double window = 0.5 - 0.5 * cos(2.0 * M_PI * n / 960.0);
         for (int k = 1; k <= 2; ++k) {
            sum[k] += window * frames[from[i] + n][0] * cexp(-2.0 * M_PI * I * k * n / 48.0);
         }
      }
      second[i] = 20.0 * log10(cabs(sum[2]) / cabs(sum[1]));
   }
   assert_true(second[0] > second[1] + 1.5);
   assert_close(second[1], -52.0, 0.5); /* -40 dB at -18 dBFS, 12 dB lower */
   free(tube);
}

static void the_band_is_flat_and_the_same_at_both_qualities(void** state)
{
   (void)state;
   const double rates_hz[] = {44100.0, 48000.0, 96000.0};
   for (int r = 0; r < 3; ++r) {
      for (BmQuality quality = BM_QUALITY_LIVE; quality <= BM_QUALITY_RENDER; ++quality) {
         const double hz[] = {50.0, 200.0, 1000.0, 5000.0, 10000.0, 15000.0, 20000.0};
         for (int f = 0; f < 7; ++f) {
            const BmTestSpectrum spectrum = play_tube(rates_hz[r], hz[f], -50.0, 0.0, quality);
            assert_close(10.0 * log10(spectrum.power[spectrum.bin]), -50.0, hz[f] < 100.0 ? 0.4 : 0.06);
            free(spectrum.power);
         }
      }
   }
}

/* "Into saturation": above the level where the distortion is that of tanh at unit drive, 6.7 %; so the
   reference sheet's table of aliasing for +12 dB is the comparison. */
static void nothing_folds_back_12_db_into_saturation(void** state)
{
   (void)state;
   const double tube_edge_db = -3.2;
   const double preamp_edge_db = 4.1;
   const BmPreampParams flat = {0};
   const BmTestSpectrum tube_edge = play_tube(48000.0, 1000.0, tube_edge_db, 0.0, BM_QUALITY_LIVE);
   const BmTestSpectrum preamp_edge = play_preamp(&flat, 48000.0, 1000.0, preamp_edge_db);
   assert_close(bm_test_thd_percent(&tube_edge), 6.7, 0.4);
   assert_close(bm_test_thd_percent(&preamp_edge), 6.7, 0.4);
   free(tube_edge.power);
   free(preamp_edge.power);
   const double rates_hz[] = {44100.0, 48000.0, 96000.0};
   for (int r = 0; r < 3; ++r) {
      for (BmQuality quality = BM_QUALITY_LIVE; quality <= BM_QUALITY_RENDER; ++quality) {
         const double limit_db = quality == BM_QUALITY_LIVE ? -90.0 : -110.0;
         const double top = 20000.0 / rates_hz[r];
         BmPreampParams params = flat;
         params.quality = quality;
         const BmTestSpectrum a = play_tube(rates_hz[r], 5000.0, tube_edge_db + 12.0, 0.0, quality);
         const BmTestSpectrum b = play_preamp(&params, rates_hz[r], 5000.0, preamp_edge_db + 12.0);
         print_message("%g Hz, quality %d: aliases of the tube %.1f dB, of the preamp %.1f dB\n", rates_hz[r],
                       (int)quality, bm_test_alias_db(&a, top), bm_test_alias_db(&b, top));
         assert_true(bm_test_alias_db(&a, top) < limit_db);
         assert_true(bm_test_alias_db(&b, top) < limit_db);
         free(a.power);
         free(b.power);
      }
   }
}

/* The manual's tables of other tones at 44.1 kHz: 10 kHz, and two at once, each 12 dB into saturation. */
static void high_notes_and_pairs_fold_back_no_more_than_the_manual_says(void** state)
{
   (void)state;
   for (BmQuality quality = BM_QUALITY_LIVE; quality <= BM_QUALITY_RENDER; ++quality) {
      const BmPreampParams flat = {.quality = quality};
      const BmTestSpectrum a = play_tube(44100.0, 10000.0, 8.8, 0.0, quality);
      const BmTestSpectrum b = play_preamp(&flat, 44100.0, 10000.0, 16.1);
      BmTube* tube = tube_with(44100.0, 0.0, 0.0, quality);
      BmPreamp* preamp = preamp_with(44100.0, &flat);
      const double one_db[] = {bm_test_alias_db(&a, 20000.0 / 44100.0),
                               bm_test_alias_db(&b, 20000.0 / 44100.0)};
      const double two_db[] = {
         bm_test_two_tones_alias_db(process_tube, tube, 44100.0, 9, gain(8.8), 65536),
         bm_test_two_tones_alias_db(process_preamp, preamp, 44100.0, 9, gain(16.1), 65536)};
      for (int i = 0; i < 2; ++i) {
         print_message("%s, quality %d: aliases of 10 kHz %.1f dB, of 9 and 10 kHz %.1f dB\n",
                       i ? "preamp" : "tube", (int)quality, one_db[i], two_db[i]);
         assert_true(one_db[i] < (quality == BM_QUALITY_LIVE ? -88.0 : -112.0));
         assert_true(two_db[i] < (quality == BM_QUALITY_LIVE ? -82.0 : -113.0));
      }
      free(tube);
      free(preamp);
      free(a.power);
      free(b.power);
   }
}

static void a_preamp_distorts_a_little_at_nominal_level_second_harmonic_first(void** state)
{
   (void)state;
   BmPreampParams params = {0};
   for (double preamp_gain_db = 0.0; preamp_gain_db <= 40.0; preamp_gain_db += 40.0) {
      params.gain_db = preamp_gain_db;
      const BmTestSpectrum a = play_preamp(&params, 48000.0, 1000.0, -18.0 - preamp_gain_db);
      const BmTestSpectrum b = play_preamp(&params, 48000.0, 1000.0, -28.0 - preamp_gain_db);
      assert_between(bm_test_thd_percent(&a), 0.1, 1.0);
      assert_true(bm_test_harmonic_db(&a, 2) > bm_test_harmonic_db(&a, 3) + 20.0);
      assert_close(bm_test_harmonic_db(&a, 2) - bm_test_harmonic_db(&b, 2), 10.0, 0.2);
      assert_close(bm_test_harmonic_db(&a, 3) - bm_test_harmonic_db(&b, 3), 20.0, 0.4);
      assert_close(10.0 * log10(a.power[a.bin]), -18.0, 0.1);
      free(a.power);
      free(b.power);
   }
}

/* The loudness match takes it out beforehand: what it misses is heard for seconds. */
static void what_a_preamp_says_it_raises_a_take_by_is_what_it_does(void** state)
{
   (void)state;
   enum { N = 48000 };
   static BmFrame in[N];
   static BmFrame out[N];
   bm_test_noise(in, N, sqrt(3.0) * gain(-18.0), 7);
   for (double gain_db = -20.0; gain_db <= 36.0; gain_db += 8.0) {
      const BmPreampParams params = {.gain_db = fmax(gain_db, 0.0) + (gain_db < 0.0 ? 20.0 + gain_db : 0.0),
                                     .pad = gain_db < 0.0};
      BmPreamp* preamp = preamp_with(48000.0, &params);
      bm_preamp_process(preamp, in, out, N);
      double power = 0.0;
      for (uint32_t n = N / 2; n < N; ++n) {
         power += 2.0 * out[n][0] * out[n][0] / N;
      }
      assert_close(10.0 * log10(power) + 18.0, 20.0 * log10(bm_preamp_nominal_gain_lin(&params, 1.0)),
                   gain_db > 20.0 ? 2.0 : 0.6);
      free(preamp);
   }
}

static void a_preamps_transformer_distorts_lows_12_db_more_and_the_third_leads(void** state)
{
   (void)state;
   const BmPreampParams params = {0};
   for (double level_db = -18.0; level_db <= 0.0; level_db += 6.0) {
      const BmTestSpectrum low = play_preamp(&params, 48000.0, 30.0, level_db);
      const BmTestSpectrum mid = play_preamp(&params, 48000.0, 1000.0, level_db);
      assert_true(20.0 * log10(bm_test_thd_percent(&low) / bm_test_thd_percent(&mid)) > 12.0);
      assert_true(bm_test_harmonic_db(&low, 3) > bm_test_harmonic_db(&low, 2) + 6.0);
      free(low.power);
      free(mid.power);
   }
}

static void a_preamps_pad_polarity_and_tone_do_what_they_say(void** state)
{
   (void)state;
   enum { N = 4800 };
   static BmFrame in[N];
   static BmFrame straight[N];
   static BmFrame turned[N];
   BmPreampParams params = {0};
   BmPreamp* preamp = preamp_with(48000.0, &params);
   for (uint32_t n = 0; n < N; ++n) {
      in[n] = bm_frame_both(0.001 * sin(0.13 * n));
   }
   bm_preamp_process(preamp, in, straight, N);
   params.polarity = true;
   bm_preamp_reset(preamp);
   bm_preamp_set(preamp, &params);
   bm_preamp_process(preamp, in, turned, N);
   for (uint32_t n = 0; n < N; ++n) {
      assert_close(turned[n][0], -straight[n][0], 1e-6);
   }
   free(preamp);
   params = (BmPreampParams){.pad = true, .low_gain_db = 6.0, .high_gain_db = -6.0};
   const double hz[] = {30.0, 1000.0, 18000.0};
   const double expected_db[] = {-14.0 - 0.4, -20.0, -26.0};
   for (int f = 0; f < 3; ++f) {
      const BmTestSpectrum spectrum = play_preamp(&params, 48000.0, hz[f], -30.0);
      assert_close(10.0 * log10(spectrum.power[spectrum.bin]), -30.0 + expected_db[f], 0.7);
      free(spectrum.power);
   }
}

static void check_latency(BmTestProcess process, void* self, uint32_t latency_frames, double lean)
{
   BmFrame frames[1024] = {{0.0, 0.0}};
   frames[0] = bm_frame_both(1e-3);
   process(self, frames, frames, 1024);
   uint32_t peak = 0;
   for (uint32_t n = 0; n < 1024; ++n) {
      peak = fabs(frames[n][0]) > fabs(frames[peak][0]) ? n : peak;
   }
   assert_int_equal(peak, latency_frames);
   /* Whole frames: even about the peak, but for the capacitors and, in the preamp, the transformer's
    * low-pass. */
   assert_close(frames[peak - 1][0], frames[peak + 1][0], lean * frames[peak][0]);
}

static void the_latency_told_is_the_latency_there_is(void** state)
{
   (void)state;
   const double rates_hz[] = {8000.0, 44100.0, 48000.0, 96000.0, 192000.0, 384000.0};
   for (int r = 0; r < 6; ++r) {
      for (BmQuality quality = BM_QUALITY_LIVE; quality <= BM_QUALITY_RENDER; ++quality) {
         BmTube* tube = tube_with(rates_hz[r], 0.0, 0.0, quality);
         check_latency(process_tube, tube, bm_tube_latency_frames(tube), 0.06);
         free(tube);
         const BmPreampParams params = {.quality = quality};
         BmPreamp* preamp = preamp_with(rates_hz[r], &params);
         check_latency(process_preamp, preamp, bm_preamp_latency_frames(preamp), 1.0);
         free(preamp);
      }
   }
}

static void silence_stays_silent_whatever_moves(void** state)
{
   (void)state;
   static BmFrame frames[2400];
   BmTube* tube = tube_with(48000.0, 0.0, 0.0, BM_QUALITY_LIVE);
   const BmPreampParams start = {0};
   BmPreamp* preamp = preamp_with(48000.0, &start);
   for (int i = 0; i < 40; ++i) {
      const BmTubeParams params = {i % 3 ? 24.0 : -12.0, i % 2 ? 1.0 : -1.0, (BmQuality)(i / 7 % 2)};
      bm_tube_set(tube, &params);
      memset(frames, 0, sizeof frames);
      bm_tube_process(tube, frames, frames, 2400);
      for (uint32_t n = 0; n < 2400; ++n) {
         assert_close(frames[n][0], 0.0, 1e-4); /* while the bias moves; -80 dBFS */
      }
      const BmPreampParams moved = {40.0 * (i % 2), i % 3, i % 5, 12.0, 12.0, (BmQuality)(i / 7 % 2)};
      bm_preamp_set(preamp, &moved);
      memset(frames, 0, sizeof frames);
      bm_preamp_process(preamp, frames, frames, 2400);
      for (uint32_t n = 0; n < 2400; ++n) {
         assert_close(frames[n][0], 0.0, 1e-12);
      }
   }
   free(tube);
   free(preamp);
}

static void change_tube(void* self, const void* params)
{
   bm_tube_set(self, params);
}

static void change_preamp(void* self, const void* params)
{
   bm_preamp_set(self, params);
}

static void a_tubes_drive_that_jumps_leaves_a_quiet_take_as_loud_as_it_was(void** state)
{
   (void)state;
   const double jumps_db[][2] = {{0.0, 12.0}, {12.0, 0.0}, {-12.0, 24.0}};
   for (int i = 0; i < 3; ++i) {
      BmTube* still = tube_with(48000.0, jumps_db[i][0], 0.0, BM_QUALITY_LIVE);
      BmTube* moved = tube_with(48000.0, jumps_db[i][0], 0.0, BM_QUALITY_LIVE);
      const BmTubeParams params = {jumps_db[i][1], 0.0, BM_QUALITY_LIVE};
      assert_true(bm_test_swing_db(process_tube, still, moved, change_tube, &params, 1e-4) < 0.1);
      free(still);
      free(moved);
   }
}

static void a_change_of_quality_in_a_loud_passage_changes_nothing_else(void** state)
{
   (void)state;
   BmTube* still = tube_with(48000.0, 12.0, 0.0, BM_QUALITY_LIVE);
   BmTube* moved = tube_with(48000.0, 12.0, 0.0, BM_QUALITY_LIVE);
   const BmTubeParams params = {12.0, 0.0, BM_QUALITY_RENDER};
   /* The path that takes over has its operating point where the loud passage has shifted it to. */
   const double swing_db = bm_test_swing_db(process_tube, still, moved, change_tube, &params, 0.5);
   print_message("quality changed in a loud tone: %.4f dB\n", swing_db);
   assert_true(swing_db < 0.02); /* a path that has not settled: 0.5 */
   free(still);
   free(moved);
}

static void moving_a_control_does_not_click(void** state)
{
   (void)state;
   const BmTubeParams tubes[][2] = {
      {{0.0, 0.0, BM_QUALITY_LIVE}, {0.0, 0.0, BM_QUALITY_LIVE}},
      {{0.0, 0.0, BM_QUALITY_LIVE}, {6.0, 0.0, BM_QUALITY_LIVE}},
      {{0.0, -1.0, BM_QUALITY_LIVE}, {0.0, 1.0, BM_QUALITY_LIVE}},
      {{6.0, 1.0, BM_QUALITY_LIVE}, {6.0, -1.0, BM_QUALITY_LIVE}},
      {{0.0, 0.0, BM_QUALITY_LIVE}, {0.0, 0.0, BM_QUALITY_RENDER}},
   };
   for (size_t i = 0; i < sizeof tubes / sizeof *tubes; ++i) {
      BmTube* tube = tube_with(48000.0, tubes[i][0].drive_db, tubes[i][0].bias, tubes[i][0].quality);
      const double click = bm_test_click_dbfs(process_tube, tube, change_tube, &tubes[i][1], gain(-18.0));
      assert_true(click < (i == 0 ? -100.0 : -80.0)); /* the first: what the measurement reads by itself */
      free(tube);
   }
   const BmPreampParams flat = {0};
   const BmPreampParams preamps[][2] = {
      {flat, {.gain_db = 6.0, .pad = false}},
      {flat, {.gain_db = 0.0, .pad = true}},
      {flat, {.gain_db = 0.0, .polarity = true}},
      {{.low_gain_db = -12.0, .high_gain_db = 12.0}, {.low_gain_db = 12.0, .high_gain_db = -12.0}},
      {flat, {.gain_db = 0.0, .quality = BM_QUALITY_RENDER}},
   };
   for (size_t i = 0; i < sizeof preamps / sizeof *preamps; ++i) {
      BmPreamp* preamp = preamp_with(48000.0, &preamps[i][0]);
      assert_true(bm_test_click_dbfs(process_preamp, preamp, change_preamp, &preamps[i][1], gain(-18.0)) <
                  -80.0);
      free(preamp);
   }
}

static void no_dc_comes_out_of_a_stage_that_bends_one_way(void** state)
{
   (void)state;
   BmTestSpectrum spectrum = play_tube(48000.0, 1000.0, 6.0, 0.0, BM_QUALITY_LIVE);
   assert_true(10.0 * log10(spectrum.power[0] / spectrum.power[spectrum.bin]) < -55.0);
   free(spectrum.power);
   const BmPreampParams params = {.gain_db = 20.0};
   spectrum = play_preamp(&params, 48000.0, 1000.0, -6.0);
   assert_true(10.0 * log10(spectrum.power[0] / spectrum.power[spectrum.bin]) < -55.0);
   free(spectrum.power);
}

static void whatever_comes_in_what_goes_out_is_finite_and_recovers(void** state)
{
   (void)state;
   const double rates_hz[] = {8000.0, 48000.0, 384000.0};
   static BmFrame frames[48000];
   for (int r = 0; r < 3; ++r) {
      BmTube* tube = tube_with(rates_hz[r], 24.0, 0.0, BM_QUALITY_LIVE);
      const BmPreampParams loud = {.gain_db = 40.0, .low_gain_db = 12.0};
      BmPreamp* preamp = preamp_with(rates_hz[r], &loud);
      for (int which = 0; which < 2; ++which) {
         uint64_t seed = 3;
         for (uint32_t n = 0; n < 48000; ++n) {
            frames[n] = bm_frame(n % 100 < 50 ? 1e4 : -1e4, 1e4 * bm_test_random(&seed));
         }
         which ? bm_tube_process(tube, frames, frames, 48000)
               : bm_preamp_process(preamp, frames, frames, 48000);
         for (uint32_t n = 0; n < 48000; ++n) {
            assert_true(fabs(frames[n][0]) < 1e4 && fabs(frames[n][1]) < 1e4);
         }
         for (int i = 0; i < (int)(rates_hz[r] / 48000.0) + 1; ++i) {
            memset(frames, 0, sizeof frames);
            which ? bm_tube_process(tube, frames, frames, 48000)
                  : bm_preamp_process(preamp, frames, frames, 48000);
         }
         assert_close(frames[47999][0], 0.0, 1e-4); /* -80 dBFS after a second */
      }
      free(tube);
      free(preamp);
   }
}

static void* fresh_tube(void)
{
   return tube_with(44100.0, 12.0, 0.3, BM_QUALITY_LIVE);
}

static void reset_tube(void* self)
{
   bm_tube_reset(self);
}

static void* fresh_preamp(void)
{
   const BmPreampParams params = {.gain_db = 12.0, .low_gain_db = 3.0, .quality = BM_QUALITY_RENDER};
   return preamp_with(96000.0, &params);
}

static void reset_preamp(void* self)
{
   bm_preamp_reset(self);
}

static void* fresh_moving_tube(void)
{
   BmTube* tube = fresh_tube();
   const BmTubeParams params = {6.0, -0.5, BM_QUALITY_RENDER};
   BmFrame frame = {0.0, 0.0};
   bm_tube_process(tube, &frame, &frame, 1);
   bm_tube_set(tube, &params);
   return tube;
}

static void no_block_size_changes_a_bit_nor_does_a_reset(void** state)
{
   (void)state;
   const BmLadder tube = {fresh_tube, process_tube, reset_tube, free};
   const BmLadder preamp = {fresh_preamp, process_preamp, reset_preamp, free};
   bm_test_climb(&tube, 6000);
   bm_test_climb(&preamp, 6000);
   enum { N = 12000 };
   static BmFrame in[N];
   static BmFrame whole[N];
   static BmFrame out[N];
   bm_test_noise(in, N, 0.5, 5);
   BmTube* moving = fresh_moving_tube();
   bm_tube_process(moving, in, whole, N);
   free(moving);
   for (uint32_t block = 1; block < 1000; block = block * 5 + 2) {
      moving = fresh_moving_tube();
      bm_test_run_in_blocks(&tube, moving, in, out, N, block);
      assert_memory_equal(out, whole, sizeof whole);
      free(moving);
   }
}

int main(void)
{
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(a_tube_gives_1_percent_second_harmonic_at_minus_18_dbfs),
      cmocka_unit_test(a_tubes_harmonics_rise_as_a_polynomials_and_the_second_leads),
      cmocka_unit_test(bias_moves_a_tube_from_even_to_odd),
      cmocka_unit_test(loud_passages_shift_the_operating_point_and_quiet_ones_let_it_return),
      cmocka_unit_test(the_band_is_flat_and_the_same_at_both_qualities),
      cmocka_unit_test(nothing_folds_back_12_db_into_saturation),
      cmocka_unit_test(high_notes_and_pairs_fold_back_no_more_than_the_manual_says),
      cmocka_unit_test(a_preamp_distorts_a_little_at_nominal_level_second_harmonic_first),
      cmocka_unit_test(what_a_preamp_says_it_raises_a_take_by_is_what_it_does),
      cmocka_unit_test(a_preamps_transformer_distorts_lows_12_db_more_and_the_third_leads),
      cmocka_unit_test(a_preamps_pad_polarity_and_tone_do_what_they_say),
      cmocka_unit_test(the_latency_told_is_the_latency_there_is),
      cmocka_unit_test(silence_stays_silent_whatever_moves),
      cmocka_unit_test(a_tubes_drive_that_jumps_leaves_a_quiet_take_as_loud_as_it_was),
      cmocka_unit_test(a_change_of_quality_in_a_loud_passage_changes_nothing_else),
      cmocka_unit_test(moving_a_control_does_not_click),
      cmocka_unit_test(no_dc_comes_out_of_a_stage_that_bends_one_way),
      cmocka_unit_test(whatever_comes_in_what_goes_out_is_finite_and_recovers),
      cmocka_unit_test(no_block_size_changes_a_bit_nor_does_a_reset),
   };
   return cmocka_run_group_tests(tests, NULL, NULL);
}
