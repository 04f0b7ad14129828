/* SPDX-License-Identifier: ISC */
/* If these fail, a pair of microphones is lined up wrongly, and sounds hollower than before. */
#include "unit_test.h"

#include "analysis/take_alignment.h"
#include "ladder.h"
#include "recordings.h"

static const double pi = 3.14159265358979323846;

typedef struct {
   BmTakeAlignment* alignment;
   void* memory;
} Instance;

static void* aligned(size_t bytes)
{
   void* memory = aligned_alloc(64, (bytes + 63) / 64 * 64);
   assert_non_null(memory);
   return memory;
}

static Instance open_alignment(double rate_hz)
{
   const Instance instance = {aligned(sizeof(BmTakeAlignment)), aligned(bm_take_alignment_bytes(rate_hz))};
   assert_int_equal(bm_take_alignment_init(instance.alignment, instance.memory, rate_hz), BM_OK);
   return instance;
}

static void close_alignment(Instance instance)
{
   free(instance.memory);
   free(instance.alignment);
}

#define SHIFT_HALF 64

/* y[n] = x(n - delay) by a sinc of 128 frames under a Hann window, so not by what is tested here. */
static void shift(const double* x, double* y, uint32_t n_frames, double delay_frames)
{
   double weights[2 * SHIFT_HALF];
   const int32_t whole = (int32_t)floor(delay_frames);
   for (int k = 0; k < 2 * SHIFT_HALF; ++k) {
      const double t = k - SHIFT_HALF + 1 - (delay_frames - whole);
      const double sinc = fabs(t) < 1e-12 ? 1.0 : sin(pi * t) / (pi * t);
      weights[k] = sinc * (0.5 + 0.5 * cos(pi * t / (SHIFT_HALF + 1)));
   }
   for (int32_t n = 0; n < (int32_t)n_frames; ++n) {
      double sum = 0.0;
      for (int k = 0; k < 2 * SHIFT_HALF; ++k) {
         const int32_t at = n - whole - (k - SHIFT_HALF + 1);
         sum += at >= 0 && at < (int32_t)n_frames ? weights[k] * x[at] : 0.0;
      }
      y[n] = sum;
   }
}

typedef struct {
   double delay_frames; /* of the right lane */
   double gain;         /* of the right lane, negative: upside down */
   double noise_db;     /* under the phrase, in each lane */
   double tilt;         /* share of the last frame in the right lane: another microphone's colour */
} Pair;

static void play_pair(BmTakeAlignment* alignment, const double* phrase, uint32_t n_frames, Pair pair,
                      uint64_t seed)
{
   double power = 0.0;
   for (uint32_t n = 0; n < n_frames; ++n) {
      power += phrase[n] * phrase[n] / n_frames;
   }
   const double noise = sqrt(3.0 * power) * pow(10.0, pair.noise_db / 20.0); /* evenly spread */
   double* late = malloc(n_frames * sizeof *late);
   shift(phrase, late, n_frames, fabs(pair.delay_frames));
   const double* left = pair.delay_frames < 0.0 ? late : phrase;
   const double* right = pair.delay_frames < 0.0 ? phrase : late;
   for (uint32_t n = 0; n < n_frames; ++n) {
      const double coloured = right[n] + (n > 0 ? pair.tilt * right[n - 1] : 0.0);
      const double left_noise = noise * bm_test_random(&seed);
      const double right_noise = noise * bm_test_random(&seed);
      const BmFrame x = bm_frame(left[n] + left_noise, pair.gain * (coloured + right_noise));
      bm_take_alignment_process(alignment, &x, 1);
   }
   free(late);
}

/* Share of 40 pairs of recorded phrases found within half a frame and of the right polarity. */
static double share_found(double noise_db)
{
   static const char* const names[] = {"guit_em9", "guit_e_fifths", "guit_e_slide", "guit_harmonics"};
   static const double rates_hz[] = {44100.0, 48000.0};
   enum { TRIALS = 5 };
   uint32_t n_found = 0;
   uint64_t seed = 5;
   for (int i = 0; i < 8; ++i) {
      const double rate_hz = rates_hz[i / 4];
      BmRecording recording = bm_recording_phrase(names[i % 4], rate_hz, 1.6);
      double* phrase = malloc(recording.n_frames * sizeof *phrase);
      for (uint32_t n = 0; n < recording.n_frames; ++n) {
         phrase[n] = recording.samples[n * recording.n_channels];
      }
      for (int trial = 0; trial < TRIALS; ++trial) {
         const Pair pair = {.delay_frames = 0.029 * rate_hz * bm_test_random(&seed),
                            .gain = (trial & 1 ? -1.0 : 1.0) * pow(10.0, 0.5 * bm_test_random(&seed)),
                            .noise_db = noise_db};
         const Instance instance = open_alignment(rate_hz);
         play_pair(instance.alignment, phrase, recording.n_frames, pair, (uint64_t)(100 * i + trial));
         const double error =
            bm_take_alignment_delay_ms(instance.alignment) * 0.001 * rate_hz - pair.delay_frames;
         n_found +=
            fabs(error) <= 0.5 && bm_take_alignment_is_opposed(instance.alignment) == (pair.gain < 0.0);
         close_alignment(instance);
      }
      free(phrase);
      bm_recording_free(&recording);
   }
   return n_found / (8.0 * TRIALS);
}

/* The issue: on recorded phrases with known delays, within half a frame and of the right polarity in 95 % of
   cases at 20 dB of uncorrelated noise. At 0 dB, as loud as the phrase, most are still found: 34 of 40 when
   this was written. */
static void recorded_phrases_are_lined_up_in_95_of_100_cases(void** state)
{
   (void)state;
   bm_test_want(bm_recording_phrase_is_there("guit_em9"), "guit_em9", "install sonic-pi-samples");
   assert_between(share_found(-20.0), 0.95, 1.0);
   assert_between(share_found(0.0), 0.8, 1.0);
}

/* A made-up take: decaying bursts of noise, four a second. */
static double* made_up_take(uint32_t n_frames, double rate_hz, uint64_t seed)
{
   double* take = malloc(n_frames * sizeof *take);
   for (uint32_t n = 0; n < n_frames; ++n) {
      take[n] = 0.3 * bm_test_random(&seed) * exp(-fmod(4.0 * n / rate_hz, 1.0) * 5.0);
   }
   return take;
}

static void every_rate_and_another_microphones_colour_are_no_hindrance(void** state)
{
   (void)state;
   static const double rates_hz[] = {8000.0, 96000.0, 192000.0};
   for (int r = 0; r < 3; ++r) {
      const uint32_t n_frames = (uint32_t)(1.2 * rates_hz[r]);
      double* take = made_up_take(n_frames, rates_hz[r], 3);
      const Pair pair = {
         .delay_frames = -0.0123 * rates_hz[r] + 0.4, .gain = -0.5, .noise_db = -20.0, .tilt = 0.0};
      const Instance instance = open_alignment(rates_hz[r]);
      play_pair(instance.alignment, take, n_frames, pair, 9);
      assert_close(bm_take_alignment_delay_ms(instance.alignment) * 0.001 * rates_hz[r], pair.delay_frames,
                   0.2);
      assert_true(bm_take_alignment_is_opposed(instance.alignment));
      close_alignment(instance);
      free(take);
   }
   double* take = made_up_take(57600, 48000.0, 4);
   const Instance instance = open_alignment(48000.0);
   /* A share of 0.6 of the last frame is a low-pass that by itself lies 0.6 / 1.6 = 0.375 frames later. */
   play_pair(instance.alignment, take, 57600,
             (Pair){.delay_frames = 100.0, .gain = 1.0, .noise_db = -40.0, .tilt = 0.6}, 9);
   assert_close(bm_take_alignment_delay_ms(instance.alignment) * 48.0, 100.375, 0.5);
   assert_false(bm_take_alignment_is_opposed(instance.alignment));
   close_alignment(instance);
   free(take);
}

/* A double is another performance: it has no delay, and none may be made up. Nor does silence. */
static void takes_that_are_not_of_one_sound_give_no_suggestion(void** state)
{
   (void)state;
   double* one = made_up_take(96000, 48000.0, 5);
   double* other = made_up_take(96000, 48000.0, 6);
   Instance instance = open_alignment(48000.0);
   for (uint32_t n = 0; n < 96000; ++n) {
      const BmFrame x = bm_frame(one[n], other[n]);
      bm_take_alignment_process(instance.alignment, &x, 1);
      assert_true(bm_take_alignment_confidence_norm(instance.alignment) < BM_ALIGNMENT_CONFIDENT);
   }
   assert_true(bm_take_alignment_delay_ms(instance.alignment) == 0.0);
   close_alignment(instance);

   instance = open_alignment(48000.0);
   for (uint32_t n = 0; n < 48000; ++n) {
      const BmFrame x = bm_frame(one[n], 0.0);
      bm_take_alignment_process(instance.alignment, &x, 1);
   }
   assert_true(bm_take_alignment_delay_ms(instance.alignment) == 0.0);
   assert_true(bm_take_alignment_confidence_norm(instance.alignment) == 0.0);
   close_alignment(instance);
   free(one);
   free(other);
}

/* It can follow: what was found stays through silence, and gives way to what is found next. */
static void a_finding_stays_through_silence_and_gives_way_to_the_next(void** state)
{
   (void)state;
   double* take = made_up_take(96000, 48000.0, 7);
   const Instance instance = open_alignment(48000.0);
   play_pair(instance.alignment, take, 72000, (Pair){.delay_frames = 200.0, .gain = 1.0, .noise_db = -30.0},
             1);
   const BmFrame silence = {0.0, 0.0};
   for (uint32_t n = 0; n < 48000; ++n) {
      bm_take_alignment_process(instance.alignment, &silence, 1);
   }
   assert_close(bm_take_alignment_delay_ms(instance.alignment) * 48.0, 200.0, 0.5);
   for (int i = 0; i < 2; ++i) {
      play_pair(instance.alignment, take, 96000,
                (Pair){.delay_frames = -50.5, .gain = -1.0, .noise_db = -30.0}, 2);
   }
   assert_close(bm_take_alignment_delay_ms(instance.alignment) * 48.0, -50.5, 0.5);
   assert_true(bm_take_alignment_is_opposed(instance.alignment));
   free(take);
   close_alignment(instance);
}

static void the_work_is_spread_and_the_memory_told(void** state)
{
   (void)state;
   static const double rates_hz[] = {8000.0, 44100.0, 48000.0, 96000.0, 192000.0, 384000.0};
   for (int r = 0; r < 6; ++r) {
      const Instance instance = open_alignment(rates_hz[r]);
      /* 64 samples or one transform of 32 to 256 a piece, each below 4 us */
      assert_between(instance.alignment->cfg.pieces, 1, rates_hz[r] <= 96000.0 ? 10 : 40);
      assert_between((double)bm_take_alignment_bytes(rates_hz[r]) / rates_hz[r], 3.0, 20.0);
      assert_int_equal(bm_take_alignment_init(instance.alignment, NULL, rates_hz[r]), BM_BAD_ARGUMENT);
      assert_int_equal(bm_take_alignment_init(instance.alignment, instance.memory, 1.0), BM_BAD_RATE);
      close_alignment(instance);
   }
}

static void block_size_and_reset_leave_no_trace(void** state)
{
   (void)state;
   double* take = made_up_take(16000, 8000.0, 8);
   double found[3];
   const Instance instance = open_alignment(8000.0);
   for (int run = 0; run < 3; ++run) {
      BmFrame frames[1000];
      for (uint32_t at = 0; at < 16000; at += 1000) {
         for (uint32_t n = 0; n < 1000; ++n) {
            frames[n] = bm_frame(take[at + n], at + n >= 33 ? take[at + n - 33] + 0.1 * take[at + n] : 0.0);
         }
         const uint32_t block = run == 1 ? 13 : 1000;
         for (uint32_t n = 0; n < 1000; n += block) {
            bm_take_alignment_process(instance.alignment, frames + n, 1000 - n < block ? 1000 - n : block);
         }
      }
      found[run] = bm_take_alignment_delay_ms(instance.alignment) +
                   bm_take_alignment_confidence_norm(instance.alignment);
      bm_take_alignment_reset(instance.alignment);
      assert_true(bm_take_alignment_delay_ms(instance.alignment) == 0.0);
   }
   assert_close(found[0], 33.0 / 8.0 + 0.7, 0.5);
   assert_true(found[0] == found[1] && found[0] == found[2]);
   close_alignment(instance);
   free(take);
}

int main(void)
{
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(recorded_phrases_are_lined_up_in_95_of_100_cases),
      cmocka_unit_test(every_rate_and_another_microphones_colour_are_no_hindrance),
      cmocka_unit_test(takes_that_are_not_of_one_sound_give_no_suggestion),
      cmocka_unit_test(a_finding_stays_through_silence_and_gives_way_to_the_next),
      cmocka_unit_test(the_work_is_spread_and_the_memory_told),
      cmocka_unit_test(block_size_and_reset_leave_no_trace),
   };
   return cmocka_run_group_tests(tests, NULL, NULL);
}
