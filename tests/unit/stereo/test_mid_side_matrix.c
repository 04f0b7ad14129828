/* SPDX-License-Identifier: ISC */
/* If these fail, mid and side do not add up to the take again, or mono loses the middle. */
#include "unit_test.h"

#include "ladder.h"
#include "stereo/mid_side_matrix.h"

static const BmMidSideMatrixParams unity = {.direction = BM_MID_SIDE_THROUGH, .width = 1.0};

static BmMidSideMatrix matrix_of(BmMidSideMatrixParams params)
{
   BmMidSideMatrix matrix;
   assert_int_equal(bm_mid_side_matrix_init(&matrix, 48000.0), BM_OK);
   bm_mid_side_matrix_set(&matrix, &params);
   return matrix;
}

static BmFrame through(BmMidSideMatrixParams params, BmFrame x)
{
   BmMidSideMatrix matrix = matrix_of(params);
   BmFrame y;
   bm_mid_side_matrix_process(&matrix, &x, &y, 1);
   return y;
}

static BmFrame sample_of_24_bits(uint64_t* seed)
{
   return bm_frame(round(bm_test_random(seed) * 8388607.0) / 8388608.0,
                   round(bm_test_random(seed) * 8388607.0) / 8388608.0);
}

static void at_unity_the_input_comes_out_to_the_bit(void** state)
{
   (void)state;
   uint64_t seed = 1;
   for (int n = 0; n < 1000; ++n) {
      const BmFrame x = bm_frame(bm_test_random(&seed), 1e-3 * bm_test_random(&seed));
      const BmFrame y = through(unity, x);
      assert_true(y[0] == x[0] && y[1] == x[1]);
   }
}

/* Reference sheet section 9: exact for 24-bit samples, also when they pass through a host's floats. */
static void encode_and_decode_give_24_bit_samples_back_exactly(void** state)
{
   (void)state;
   BmMidSideMatrixParams encode = unity, decode = unity;
   encode.direction = BM_MID_SIDE_ENCODE;
   decode.direction = BM_MID_SIDE_DECODE;
   uint64_t seed = 2;
   for (int n = 0; n < 1000; ++n) {
      const BmFrame x = sample_of_24_bits(&seed);
      const BmFrame coded = through(encode, x);
      assert_true(coded[0] == 0.5 * (x[0] + x[1]) && coded[1] == 0.5 * (x[0] - x[1]));
      const BmFrame y = through(decode, bm_frame((double)(float)coded[0], (double)(float)coded[1]));
      assert_true((float)y[0] == (float)x[0] && (float)y[1] == (float)x[1]);
   }
}

static void a_mid_bus_and_a_side_bus_add_up_to_the_pair(void** state)
{
   (void)state;
   BmMidSideMatrixParams mid_bus = unity, side_bus = unity;
   mid_bus.side_mute = true;
   side_bus.mid_mute = true;
   uint64_t seed = 3;
   for (int n = 0; n < 1000; ++n) {
      const BmFrame x = bm_frame(bm_test_random(&seed), bm_test_random(&seed));
      const BmFrame sum = through(mid_bus, x) + through(side_bus, x);
      assert_close(sum[0], x[0], 3e-16); /* an ulp below 1 */
      assert_close(sum[1], x[1], 3e-16);
   }
}

static void no_side_setting_moves_the_mono_fold_down(void** state)
{
   (void)state;
   uint64_t seed = 4;
   for (int n = 0; n < 1000; ++n) {
      const BmFrame x = bm_frame(bm_test_random(&seed), bm_test_random(&seed));
      BmMidSideMatrixParams params = unity;
      params.side_gain_db = 24.0 * bm_test_random(&seed);
      params.width = 1.0 + bm_test_random(&seed);
      params.side_polarity = n & 1;
      params.side_mute = n % 5 == 0;
      const BmFrame y = through(params, x);
      assert_close(0.5 * (y[0] + y[1]), 0.5 * (x[0] + x[1]), 1e-14);
   }
}

static void each_control_does_what_its_name_says(void** state)
{
   (void)state;
   const BmFrame x = bm_frame(0.75, 0.25); /* m 0.5, s 0.25 */
   BmMidSideMatrixParams params = unity;
   params.mid_gain_db = 20.0;
   BmFrame y = through(params, x);
   assert_close(y[0], 5.25, 1e-12);
   assert_close(y[1], 4.75, 1e-12);

   params = unity;
   params.width = 0.0;
   y = through(params, x);
   assert_true(y[0] == 0.5 && y[1] == 0.5);

   params = unity;
   params.side_polarity = true; /* swaps the sides */
   y = through(params, x);
   assert_close(y[0], 0.25, 1e-15);
   assert_close(y[1], 0.75, 1e-15);

   params = unity;
   params.mid_polarity = true;
   y = through(params, x);
   assert_close(y[0], -0.25, 1e-15);
   assert_close(y[1], -0.75, 1e-15);

   params.direction = BM_MID_SIDE_ENCODE;
   params.side_gain_db = -20.0;
   y = through(params, x);
   assert_close(y[0], -0.5, 1e-15);
   assert_close(y[1], 0.025, 1e-15);
}

static void the_meters_read_the_output_in_every_direction(void** state)
{
   (void)state;
   for (int direction = 0; direction < 3; ++direction) {
      BmMidSideMatrixParams params = unity;
      params.direction = (BmMidSideDirection)direction;
      params.side_gain_db = -12.0;
      BmMidSideMatrix matrix = matrix_of(params);
      uint64_t seed = 6;
      for (uint32_t n = 0; n < 96000; ++n) {
         /* Mid and side unrelated and alike in level, given as the direction expects. */
         const double m = bm_test_random(&seed), s = bm_test_random(&seed);
         BmFrame x = direction == BM_MID_SIDE_DECODE ? bm_frame(m, s) : bm_frame(m + s, m - s);
         bm_mid_side_matrix_process(&matrix, &x, &x, 1);
      }
      assert_close(bm_mid_side_matrix_side_to_mid_db(&matrix), -12.0, 0.2);
      const double ratio = pow(10.0, -1.2);
      assert_close(bm_mid_side_matrix_correlation_norm(&matrix), (1.0 - ratio) / (1.0 + ratio), 0.01);
   }
}

/* A 997 Hz tone while everything is thrown over; what is left above 5 kHz is the click. */
static void switching_anything_does_not_click(void** state)
{
   (void)state;
   BmMidSideMatrix matrix = matrix_of(unity);
   double worst = 0.0;
   double history[5] = {0.0};
   for (uint32_t n = 0; n < 48000; ++n) {
      if (n % 6000 == 3000) {
         BmMidSideMatrixParams params = unity;
         params.direction = (BmMidSideDirection)(n / 6000 % 3);
         params.mid_mute = n / 6000 & 1;
         params.side_polarity = n / 6000 & 2;
         bm_mid_side_matrix_set(&matrix, &params);
      }
      const double phase = 2.0 * 3.14159265358979323846 * 997.0 * n / 48000.0;
      BmFrame x = bm_frame(0.5 * sin(phase), 0.3 * cos(phase));
      bm_mid_side_matrix_process(&matrix, &x, &x, 1);
      /* Fifth difference: (2 sin(w/2))^5, -89 dB at 997 Hz and -0.3 dB at 10 kHz. */
      double difference = x[0];
      for (int i = 0; i < 5; ++i) {
         const double last = history[i];
         history[i] = difference;
         difference -= last;
      }
      if (n > 5) {
         worst = fmax(worst, fabs(difference));
      }
   }
   assert_between(20.0 * log10(worst), -200.0, -80.0);
}

static void* fresh(void)
{
   BmMidSideMatrix* matrix = aligned_alloc(64, (sizeof *matrix + 63) / 64 * 64);
   *matrix = matrix_of((BmMidSideMatrixParams){.width = 1.5, .mid_gain_db = -3.0});
   return matrix;
}

static void process(void* self, const BmFrame* in, BmFrame* out, uint32_t n_frames)
{
   bm_mid_side_matrix_process(self, in, out, n_frames);
}

static void reset(void* self)
{
   bm_mid_side_matrix_reset(self);
}

static void move(void* self, uint32_t nth)
{
   const BmMidSideMatrixParams params = {.direction = (BmMidSideDirection)(nth % 3),
                                         .side_gain_db = nth % 4 * 3.0,
                                         .width = nth % 5 * 0.5,
                                         .mid_mute = nth % 7 == 3};
   bm_mid_side_matrix_set(self, &params);
}

static void block_size_place_and_reset_leave_no_trace(void** state)
{
   (void)state;
   const BmLadder ladder = {fresh, process, reset, free};
   bm_test_climb(&ladder, 5000);
   bm_test_climb_moving(&ladder, move, 20000);
}

int main(void)
{
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(at_unity_the_input_comes_out_to_the_bit),
      cmocka_unit_test(encode_and_decode_give_24_bit_samples_back_exactly),
      cmocka_unit_test(a_mid_bus_and_a_side_bus_add_up_to_the_pair),
      cmocka_unit_test(no_side_setting_moves_the_mono_fold_down),
      cmocka_unit_test(each_control_does_what_its_name_says),
      cmocka_unit_test(the_meters_read_the_output_in_every_direction),
      cmocka_unit_test(switching_anything_does_not_click),
      cmocka_unit_test(block_size_place_and_reset_leave_no_trace),
   };
   return cmocka_run_group_tests(tests, NULL, NULL);
}
