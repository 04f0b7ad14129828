/* SPDX-License-Identifier: ISC */
/* If these fail, a master clips in the listener's converter though the meter said it would not. */
#include "unit_test.h"

#include "analysis/true_peak.h"
#include "ladder.h"

static const double pi = 3.14159265358979323846;

/* A tone of frequency rate / `divisor`, faded in and out over 100 ms (reference sheet section 3: started
   abruptly its onset really overshoots). */
static double peak_of_tone_db(double rate_hz, double divisor, double phase_deg, double gain)
{
   BmTruePeak meter;
   bm_true_peak_init(&meter);
   const int n_frames = (int)rate_hz, fade = (int)(0.1 * rate_hz);
   for (int n = 0; n < n_frames; ++n) {
      const int edge = n < n_frames - n ? n : n_frames - n;
      const double share = edge < fade ? 0.5 - 0.5 * cos(pi * edge / fade) : 1.0;
      const BmFrame x = bm_frame(0.0, share * gain * sin(2.0 * pi * n / divisor + phase_deg * pi / 180.0));
      bm_true_peak_process(&meter, &x, 1);
   }
   return bm_true_peak_db(&meter);
}

/* EBU Tech 3341 Table 1, signals 15 to 19: +0.2, -0.4 dB. */
static void tones_between_the_frames_meet_ebu_tech_3341(void** state)
{
   (void)state;
   static const double rates_hz[] = {44100.0, 48000.0, 96000.0};
   for (int r = 0; r < 3; ++r) {
      assert_between(peak_of_tone_db(rates_hz[r], 4.0, 0.0, 0.5), -6.4, -5.8);
      assert_between(peak_of_tone_db(rates_hz[r], 4.0, 45.0, 0.5), -6.4, -5.8);
      assert_between(peak_of_tone_db(rates_hz[r], 6.0, 60.0, 0.5), -6.4, -5.8);
      assert_between(peak_of_tone_db(rates_hz[r], 8.0, 67.5, 0.5), -6.4, -5.8);
      assert_between(peak_of_tone_db(rates_hz[r], 4.0, 45.0, 1.41), 2.6, 3.2);
   }
}

/* Signals 20 to 23: a band-limited pulse of height 1 whose top lies 0 to 3 quarters of a frame beside a
 * frame. */
static void a_pulse_between_the_frames_meets_ebu_tech_3341(void** state)
{
   (void)state;
   for (int quarter = 0; quarter < 4; ++quarter) {
      BmTruePeak meter;
      bm_true_peak_init(&meter);
      for (int n = 0; n < 400; ++n) {
         const double t =
            n - 200.0 + 0.25 * quarter; /* low-passed at 0.4 of the rate, Hann over 200 frames */
         const double u = 0.8 * pi * t;
         const double window = fabs(t) < 100.0 ? 0.5 + 0.5 * cos(pi * t / 100.0) : 0.0;
         const BmFrame x = bm_frame_both(window * (fabs(u) < 1e-12 ? 1.0 : sin(u) / u));
         bm_true_peak_process(&meter, &x, 1);
      }
      assert_between(bm_true_peak_db(&meter), -0.4, 0.2);
   }
}

/* BS.1770-4 Annex 2: 4 points a period of frames under-read by 20 lg cos(pi f / 4 rate) at most: 0.554 dB at
 * 0.45. */
static void it_never_reads_more_than_the_standard_allows_below_or_above(void** state)
{
   (void)state;
   double lowest = 10.0, highest = -10.0;
   for (int phase = 0; phase < 45; phase += 3) {
      const double db = peak_of_tone_db(8000.0, 1.0 / 0.45, phase, 1.0);
      lowest = fmin(lowest, db);
      highest = fmax(highest, db);
   }
   assert_between(lowest, -0.57, 0.0);
   assert_between(highest, -0.57, 0.02);
}

/* Tones that reach their top a quarter or three quarters after a frame, and nowhere near a frame or a middle:
   up to 0.45 of the rate they are read within the 0.012 dB that the header says. */
static void a_top_a_quarter_beside_a_frame_is_read_exactly(void** state)
{
   (void)state;
   static const double divisors[] = {8.0, 4.0, 2.5, 1.0 / 0.45};
   for (int i = 0; i < 4; ++i) {
      for (int quarter = 1; quarter <= 3; quarter += 2) {
         const double phase_deg = 90.0 - 0.25 * quarter * 360.0 / divisors[i];
         assert_between(peak_of_tone_db(8000.0, divisors[i], phase_deg, 0.5), -6.0206 - 0.013,
                        -6.0206 + 0.002);
      }
   }
}

/* A click, then a tone faded in whose frames lie 3 dB under its top: whichever is louder is the peak, though
   what cannot be one is never worked out. */
static void a_peak_is_found_however_loud_the_frames_were_before(void** state)
{
   (void)state;
   for (int level_db = -20; level_db <= 0; ++level_db) {
      BmTruePeak meter;
      bm_true_peak_init(&meter);
      for (int n = 0; n < 3000; ++n) {
         const double fade = fmin(1.0, fmax(0.0, (n - 1000) / 1000.0));
         const double tone = 0.5 * fade * sin(pi * (0.5 * n + 0.25));
         const BmFrame frame = bm_frame(n == 500 ? pow(10.0, level_db / 20.0) : tone, 0.0);
         bm_true_peak_process(&meter, &frame, 1);
      }
      assert_close(bm_true_peak_db(&meter), fmax(-6.0206, level_db), 0.01);
   }
}

static void block_size_and_reset_leave_no_trace(void** state)
{
   (void)state;
   static BmFrame in[3000];
   bm_test_noise(in, 3000, 0.7, 3);
   double peak_db[3];
   BmTruePeak meter;
   bm_true_peak_init(&meter);
   for (int run = 0; run < 3; ++run) {
      const uint32_t block = run == 1 ? 11 : 3000;
      for (uint32_t n = 0; n < 3000; n += block) {
         bm_true_peak_process(&meter, in + n, 3000 - n < block ? 3000 - n : block);
      }
      peak_db[run] = bm_true_peak_db(&meter);
      bm_true_peak_reset(&meter);
      assert_true(bm_true_peak_db(&meter) == -120.0);
   }
   assert_true(peak_db[0] == peak_db[1] && peak_db[0] == peak_db[2]);
   assert_true(peak_db[0] > 20.0 * log10(0.69));
}

static double peak_in_blocks_db(const BmFrame* in, uint32_t n_frames, uint32_t block)
{
   BmTruePeak meter;
   bm_true_peak_init(&meter);
   for (uint32_t n = 0; n < n_frames; n += block) {
      bm_true_peak_process(&meter, in + n, n_frames - n < block ? n_frames - n : block);
   }
   return bm_true_peak_db(&meter);
}

static void a_stroke_out_of_silence_is_read_wherever_in_a_block_it_falls(void** state)
{
   (void)state;
   for (uint32_t place = 100; place < 230; ++place) {
      BmFrame in[400] = {{0.0, 0.0}};
      bm_test_noise(in + place, 20, 0.7, place);
      const double db = peak_in_blocks_db(in, 400, 1);
      assert_true(peak_in_blocks_db(in, 400, 50) == db);
      assert_true(peak_in_blocks_db(in, 400, 64) == db);
      assert_true(peak_in_blocks_db(in, 400, 400) == db);
   }
}

int main(void)
{
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(tones_between_the_frames_meet_ebu_tech_3341),
      cmocka_unit_test(a_pulse_between_the_frames_meets_ebu_tech_3341),
      cmocka_unit_test(it_never_reads_more_than_the_standard_allows_below_or_above),
      cmocka_unit_test(a_top_a_quarter_beside_a_frame_is_read_exactly),
      cmocka_unit_test(a_peak_is_found_however_loud_the_frames_were_before),
      cmocka_unit_test(a_stroke_out_of_silence_is_read_wherever_in_a_block_it_falls),
      cmocka_unit_test(block_size_and_reset_leave_no_trace),
   };
   return cmocka_run_group_tests(tests, NULL, NULL);
}
