/* SPDX-License-Identifier: ISC */
/* If these fail, the low cut stands in the wrong place: over the note and thins it, or an octave under it and
   lets the boom through; or it wanders with the mains, a rumble, or the host's block size. */
#include "unit_test.h"

#include "analysis/lowest_note.h"
#include "base/note.h"

#include <stdlib.h>
#include <string.h>

#define PI 3.14159265358979323846

static BmLowestNote note;
static BmLowestNote other;

static double cents(double hz, double reference_hz)
{
   return 1200.0 * log2(hz / reference_hz);
}

static void start(BmLowestNote* self, double rate, double lowest_hz, double highest_hz, BmLowestNoteMode mode)
{
   assert_int_equal(bm_lowest_note_init(self, rate), BM_OK);
   bm_lowest_note_set(self, &(BmLowestNoteParams){lowest_hz, highest_hz, mode});
}

static BmFrame* silence(uint32_t n_frames)
{
   BmFrame* frames = aligned_alloc(sizeof(BmFrame), n_frames * sizeof(BmFrame));
   assert_non_null(frames);
   memset(frames, 0, n_frames * sizeof(BmFrame));
   return frames;
}

/* A plucked string: partials n f0 sqrt(1 + B n^2) (Fletcher 1964), 1/n in amplitude with the nulls of a pick
   at a fifth of the string, each decaying faster than the one below. */
typedef struct {
   double hz;
   double inharmonicity;
   double level;
   double onset_s;
   double end_s; /* damped within 20 ms from there */
} String;

static void pluck(BmFrame* frames, uint32_t n_frames, double rate, String s)
{
   const uint32_t onset = (uint32_t)(s.onset_s * rate);
   for (int n = 1; n <= 30; ++n) {
      const double hz = n * s.hz * sqrt(1.0 + s.inharmonicity * n * n);
      if (hz > 0.45 * rate) {
         break;
      }
      const double step = 2.0 * PI * hz / rate;
      const double decay = exp(-(1.0 + 0.4 * n) / rate);
      const double turn_re = decay * cos(step);
      const double turn_im = decay * sin(step);
      const double amplitude = s.level * (fabs(sin(PI * n / 5.3)) + 0.02) / n;
      double re = amplitude * cos(n);
      double im = amplitude * sin(n);
      for (uint32_t i = onset; i < n_frames; ++i) {
         const double late_s = i / rate - s.end_s;
         const double damping = s.end_s > 0.0 && late_s > 0.0 ? exp(-late_s / 0.02) : 1.0;
         const double attack = fmin(1.0, (i - onset) / (0.003 * rate));
         frames[i] += bm_frame_both(damping * attack * im);
         const double next = re * turn_re - im * turn_im;
         im = re * turn_im + im * turn_re;
         re = next;
      }
   }
}

static void hum(BmFrame* frames, uint32_t n_frames, double rate, double mains_hz, double rms)
{
   double sum = 0.0;
   for (int h = 1; h <= 8; ++h) {
      sum += 0.5 / (h * h);
   }
   for (uint32_t i = 0; i < n_frames; ++i) {
      double x = 0.0;
      for (int h = 1; h <= 8; ++h) {
         x += sin(2.0 * PI * mains_hz * h * i / rate + h * h) / h;
      }
      frames[i] += bm_frame_both(x * rms / sqrt(sum));
   }
}

static double hz_after(BmLowestNote* self, const BmFrame* frames, double rate, double from_s, double to_s)
{
   const uint32_t from = (uint32_t)(from_s * rate);
   bm_lowest_note_process(self, frames + from, (uint32_t)(to_s * rate) - from);
   return bm_lowest_note_sounding_hz(self);
}

static void white_noise(BmFrame* frames, uint32_t n_frames, double level)
{
   uint64_t seed = 5;
   for (uint32_t i = 0; i < n_frames; ++i) {
      frames[i] += bm_frame(level * bm_test_random(&seed), level * bm_test_random(&seed));
   }
}

/* Noise through two poles at 40 Hz: what feet, stands and hands leave. */
static void rumble(BmFrame* frames, uint32_t n_frames, double rate, double rms)
{
   uint64_t seed = 9;
   const double pole = exp(-2.0 * PI * 40.0 / rate);
   double first = 0.0;
   double second = 0.0;
   double sum = 0.0;
   double* made = calloc(n_frames, sizeof *made);
   assert_non_null(made);
   for (uint32_t i = 0; i < n_frames; ++i) {
      first = pole * first + bm_test_random(&seed);
      second = pole * second + first;
      made[i] = second;
      sum += second * second;
   }
   for (uint32_t i = 0; i < n_frames; ++i) {
      frames[i] += bm_frame_both(made[i] * rms / sqrt(sum / n_frames));
   }
   free(made);
}

static void a_rate_out_of_range_is_refused(void** state)
{
   (void)state;
   assert_int_equal(bm_lowest_note_init(&note, 7999.0), BM_BAD_RATE);
   assert_int_equal(bm_lowest_note_init(&note, (double)NAN), BM_BAD_RATE);
}

static void every_open_string_of_every_tuning_is_named_in_its_octave(void** state)
{
   (void)state;
   const double rate = 16000.0;
   const uint32_t n_frames = (uint32_t)(0.6 * rate);
   BmFrame* frames = silence(n_frames);
   uint32_t n = 0;
   double worst = 0.0;
   for (uint32_t t = 0; t < bm_tuning_count(); ++t) {
      const BmTuning* tuning = bm_tuning(t);
      for (uint32_t i = 0; i < tuning->n_strings; ++i) {
         for (int stiff = 0; stiff < 2; ++stiff) {
            /* From the thinnest steel string to a stiff wound one (the reference sheet, section 1). */
            const double inharmonicity = stiff ? 3e-4 : 1e-5;
            const double hz = bm_note_hz(tuning->open_keys[i]);
            memset(frames, 0, n_frames * sizeof *frames);
            pluck(frames, n_frames, rate, (String){hz, inharmonicity, 0.3, 0.1, 0.0});
            start(&note, rate, bm_tuning_search_low_hz(tuning), bm_tuning_search_high_hz(tuning),
                  BM_LOWEST_NOTE_FOLLOW);
            const double found = hz_after(&note, frames, rate, 0.0, 0.4);
            const double off = cents(found, hz * sqrt(1.0 + inharmonicity));
            if (!(fabs(off) < 20.0)) {
               fail_msg("%s, string of %.2f Hz, B %g: %.2f Hz", tuning->name, hz, inharmonicity, found);
            }
            worst = fmax(worst, fabs(off));
            ++n;
         }
      }
   }
   printf("%u strings 0.3 s after the pluck, none an octave off, worst %.1f cents\n", n, worst);
   free(frames);
}

static void a_fifth_and_a_third_over_a_missing_bass_are_not_heard_as_the_bass(void** state)
{
   (void)state;
   const double rate = 44100.0;
   const uint32_t n_frames = (uint32_t)rate;
   BmFrame* frames = silence(n_frames);
   /* D3 A3 F#4: partials 2, 3 and 5 of a D2 that nobody plays. */
   pluck(frames, n_frames, rate, (String){bm_note_hz(50), 5e-5, 0.3, 0.1, 0.0});
   pluck(frames, n_frames, rate, (String){bm_note_hz(57), 5e-5, 0.3, 0.1, 0.0});
   pluck(frames, n_frames, rate, (String){bm_note_hz(66), 5e-5, 0.3, 0.1, 0.0});
   start(&note, rate, 38.0, 1300.0, BM_LOWEST_NOTE_FOLLOW);
   for (double at = 0.0; at < 0.95; at += 0.05) {
      const double hz = hz_after(&note, frames, rate, at, at + 0.05);
      if (at > 0.35 || hz > 0.0) {
         assert_close(cents(hz, bm_note_hz(50)), 0.0, 10.0);
      }
   }
   free(frames);
}

/* Exponentially decaying sine: a body's resonance, a knock. */
static void knock(BmFrame* frames, uint32_t n_frames, double rate, double hz, double level, double onset_s,
                  double decay_db_per_s)
{
   for (uint32_t i = (uint32_t)(onset_s * rate); i < n_frames; ++i) {
      const double t_s = i / rate - onset_s;
      frames[i] += bm_frame_both(level * pow(10.0, -decay_db_per_s * t_s / 20.0) * sin(2.0 * PI * hz * t_s));
   }
}

static void the_air_resonance_under_a_chord_is_dropped_soon_and_never_learned(void** state)
{
   (void)state;
   const double rate = 44100.0;
   const uint32_t n_frames = (uint32_t)(1.2 * rate);
   BmFrame* frames = silence(n_frames);
   /* A3 E4 C#5 over the air of the body at 110 Hz, where it answers at the recorded guitar's 75 dB a second
      and as strongly: all partials of an A2 are there, and it is none. */
   pluck(frames, n_frames, rate, (String){bm_note_hz(57), 5e-5, 0.3, 0.1, 0.0});
   pluck(frames, n_frames, rate, (String){bm_note_hz(64), 5e-5, 0.3, 0.1, 0.0});
   pluck(frames, n_frames, rate, (String){bm_note_hz(73), 5e-5, 0.3, 0.1, 0.0});
   knock(frames, n_frames, rate, 110.0, 0.08, 0.1, 75.0);
   start(&note, rate, 70.0, 1300.0, BM_LOWEST_NOTE_HOLD);
   for (double at = 0.0; at < 1.15; at += 0.05) {
      const double hz = hz_after(&note, frames, rate, at, at + 0.05);
      if (at >= 0.5) {
         assert_close(cents(hz, bm_note_hz(57)), 0.0, 10.0);
      }
   }
   assert_close(cents(bm_lowest_note_learned_hz(&note), bm_note_hz(57)), 0.0, 10.0);
   free(frames);
}

static void an_octave_above_does_not_hide_a_weaker_note(void** state)
{
   (void)state;
   const double rate = 44100.0;
   const uint32_t n_frames = (uint32_t)rate;
   BmFrame* frames = silence(n_frames);
   pluck(frames, n_frames, rate, (String){bm_note_hz(52), 5e-5, 0.4, 0.1, 0.0});
   pluck(frames, n_frames, rate, (String){bm_note_hz(40), 5e-5, 0.1, 0.1, 0.0});
   start(&note, rate, 70.0, 1300.0, BM_LOWEST_NOTE_FOLLOW);
   assert_close(cents(hz_after(&note, frames, rate, 0.0, 0.4), bm_note_hz(40)), 0.0, 10.0);
   assert_close(cents(hz_after(&note, frames, rate, 0.4, 1.0), bm_note_hz(40)), 0.0, 10.0);
   free(frames);
}

static void a_pair_in_opposite_polarity_is_heard_like_one_in_phase(void** state)
{
   (void)state;
   const double rate = 48000.0;
   const uint32_t n_frames = (uint32_t)(0.5 * rate);
   BmFrame* frames = silence(n_frames);
   pluck(frames, n_frames, rate, (String){110.0, 5e-5, 0.3, 0.1, 0.0});
   start(&note, rate, 70.0, 1300.0, BM_LOWEST_NOTE_FOLLOW);
   start(&other, rate, 70.0, 1300.0, BM_LOWEST_NOTE_FOLLOW);
   const double in_phase = hz_after(&note, frames, rate, 0.0, 0.5);
   for (uint32_t i = 0; i < n_frames; ++i) {
      frames[i] *= bm_frame(1.0, -1.0);
   }
   const double opposite = hz_after(&other, frames, rate, 0.0, 0.5);
   assert_close(cents(in_phase, 110.0), 0.0, 5.0);
   assert_close(cents(opposite, in_phase), 0.0, 0.01);
   assert_close(bm_lowest_note_confidence(&other), bm_lowest_note_confidence(&note), 1e-3);
   free(frames);
}

static void each_note_of_a_damped_melody_is_named_within_300_ms(void** state)
{
   (void)state;
   static const double keys[] = {40, 43, 45, 52, 50, 47, 64, 59, 57, 40};
   const double rate = 44100.0;
   const double beat_s = 0.45;
   enum { N = sizeof keys / sizeof *keys };
   const uint32_t n_frames = (uint32_t)(beat_s * N * rate);
   BmFrame* frames = silence(n_frames);
   for (int i = 0; i < N; ++i) {
      pluck(frames, n_frames, rate, (String){bm_note_hz(keys[i]), 5e-5, 0.3, i * beat_s, (i + 1) * beat_s});
   }
   start(&note, rate, 70.0, 1300.0, BM_LOWEST_NOTE_FOLLOW);
   for (int i = 0; i < N; ++i) {
      const double hz = hz_after(&note, frames, rate, i * beat_s, i * beat_s + 0.3);
      assert_close(cents(hz, bm_note_hz(keys[i])), 0.0, 20.0);
      assert_close(cents(hz_after(&note, frames, rate, i * beat_s + 0.3, (i + 1) * beat_s), hz), 0.0, 20.0);
   }
   free(frames);
}

static void mains_hum_alone_is_never_a_note(void** state)
{
   (void)state;
   const double rate = 16000.0;
   const uint32_t n_frames = (uint32_t)(6.0 * rate);
   static const double mains_hz[] = {50.0, 60.0, 49.8, 60.2};
   for (int i = 0; i < 4; ++i) {
      BmFrame* frames = silence(n_frames);
      hum(frames, n_frames, rate, mains_hz[i], 0.01);
      start(&note, rate, 28.0, 1300.0, BM_LOWEST_NOTE_HOLD);
      for (double at = 0.0; at < 5.95; at += 0.1) {
         const double hz = hz_after(&note, frames, rate, at, at + 0.1);
         if (hz != 0.0) {
            fail_msg("%.1f Hz hum taken for a note of %.2f Hz after %.1f s", mains_hz[i], hz, at);
         }
      }
      assert_true(bm_lowest_note_learned_hz(&note) == 0.0);
      free(frames);
   }
}

static void hum_between_notes_does_not_move_the_note(void** state)
{
   (void)state;
   const double rate = 16000.0;
   const uint32_t n_frames = (uint32_t)(12.0 * rate);
   BmFrame* frames = silence(n_frames);
   hum(frames, n_frames, rate, 50.0, 0.001);
   pluck(frames, n_frames, rate, (String){bm_note_hz(52), 5e-5, 0.3, 1.0, 3.0});
   start(&note, rate, 38.0, 1300.0, BM_LOWEST_NOTE_HOLD);
   hz_after(&note, frames, rate, 0.0, 1.3);
   for (double at = 1.3; at < 11.85; at += 0.1) {
      assert_close(cents(hz_after(&note, frames, rate, at, at + 0.1), bm_note_hz(52)), 0.0, 20.0);
   }
   assert_close(cents(bm_lowest_note_learned_hz(&note), bm_note_hz(52)), 0.0, 10.0);
   assert_true(bm_lowest_note_confidence(&note) < 0.1);
   free(frames);
}

static void what_bleeds_into_a_pause_is_not_followed(void** state)
{
   (void)state;
   const double rate = 16000.0;
   const uint32_t n_frames = (uint32_t)(4.0 * rate);
   BmFrame* frames = silence(n_frames);
   pluck(frames, n_frames, rate, (String){bm_note_hz(52), 5e-5, 0.3, 0.1, 1.0});
   /* Another player, 60 dB down. */
   pluck(frames, n_frames, rate, (String){bm_note_hz(40), 5e-5, 0.0003, 1.5, 0.0});
   start(&note, rate, 70.0, 1300.0, BM_LOWEST_NOTE_HOLD);
   hz_after(&note, frames, rate, 0.0, 1.0);
   assert_close(cents(hz_after(&note, frames, rate, 1.0, 4.0), bm_note_hz(52)), 0.0, 10.0);
   assert_close(cents(bm_lowest_note_learned_hz(&note), bm_note_hz(52)), 0.0, 10.0);
   free(frames);
}

static void noise_alone_is_hardly_ever_taken_for_a_note(void** state)
{
   (void)state;
   const double rate = 16000.0;
   const uint32_t n_frames = (uint32_t)(8.0 * rate);
   for (int low = 0; low < 2; ++low) {
      BmFrame* frames = silence(n_frames);
      if (low) {
         rumble(frames, n_frames, rate, 0.05);
      } else {
         white_noise(frames, n_frames, 0.1);
      }
      start(&note, rate, 28.0, 1300.0, BM_LOWEST_NOTE_HOLD);
      int n_sure = 0;
      for (double at = 0.0; at < 7.95; at += 0.05) {
         hz_after(&note, frames, rate, at, at + 0.05);
         n_sure += bm_lowest_note_confidence(&note) > 0.5;
      }
      printf("%s noise: sure of a note %d times of 160\n", low ? "low" : "white", n_sure);
      assert_true(bm_lowest_note_learned_hz(&note) == 0.0);
      assert_true(n_sure <= 3);
      free(frames);
   }
}

static void silence_holds_the_note_and_confidence_falls(void** state)
{
   (void)state;
   const double rate = 48000.0;
   const uint32_t n_frames = (uint32_t)(4.0 * rate);
   BmFrame* frames = silence(n_frames);
   pluck(frames, n_frames, rate, (String){bm_note_hz(45), 5e-5, 0.3, 0.0, 1.0});
   start(&note, rate, 70.0, 1300.0, BM_LOWEST_NOTE_FOLLOW);
   assert_true(bm_lowest_note_hz(&note) == 0.0 && bm_lowest_note_confidence(&note) == 0.0);
   const double hz = hz_after(&note, frames, rate, 0.0, 1.0);
   assert_close(cents(hz, bm_note_hz(45)), 0.0, 5.0);
   assert_true(bm_lowest_note_confidence(&note) > 0.9);
   double last = bm_lowest_note_confidence(&note);
   for (double at = 1.4; at < 3.95; at += 0.2) {
      assert_close(cents(hz_after(&note, frames, rate, at, at + 0.2), hz), 0.0, 10.0);
      assert_true(bm_lowest_note_confidence(&note) < last);
      last = bm_lowest_note_confidence(&note);
   }
   assert_true(last < 0.05);
   free(frames);
}

static void following_glides_and_arrives(void** state)
{
   (void)state;
   const double rate = 48000.0;
   const uint32_t n_frames = (uint32_t)(2.0 * rate);
   BmFrame* frames = silence(n_frames);
   pluck(frames, n_frames, rate, (String){bm_note_hz(57), 5e-5, 0.3, 0.0, 0.0});
   pluck(frames, n_frames, rate, (String){bm_note_hz(45), 5e-5, 0.3, 1.0, 0.0});
   start(&note, rate, 70.0, 1300.0, BM_LOWEST_NOTE_FOLLOW);
   hz_after(&note, frames, rate, 0.0, 1.0);
   double last = bm_lowest_note_hz(&note);
   assert_close(cents(last, bm_note_hz(57)), 0.0, 5.0);
   for (uint32_t i = (uint32_t)rate; i + 48 <= n_frames; i += 48) {
      bm_lowest_note_process(&note, frames + i, 48);
      const double hz = bm_lowest_note_hz(&note);
      /* An octave in 80 ms: under 40 cents in a millisecond. */
      assert_true(fabs(cents(hz, last)) < 40.0);
      last = hz;
   }
   assert_close(cents(last, bm_note_hz(45)), 0.0, 5.0);
   free(frames);
}

static void learning_keeps_the_lowest_note_that_really_sounded(void** state)
{
   (void)state;
   const double rate = 44100.0;
   const uint32_t n_frames = (uint32_t)(7.0 * rate);
   BmFrame* frames = silence(n_frames);
   hum(frames, n_frames, rate, 60.0, 0.0005);
   pluck(frames, n_frames, rate, (String){bm_note_hz(50), 5e-5, 0.3, 0.5, 2.0});
   pluck(frames, n_frames, rate, (String){bm_note_hz(40), 5e-5, 0.3, 2.0, 3.0});
   pluck(frames, n_frames, rate, (String){bm_note_hz(52), 5e-5, 0.3, 3.0, 6.5});
   /* A knock on the body, louder than the strings, and a low string brushed and stopped at once. */
   knock(frames, n_frames, rate, 72.0, 0.5, 4.0, 75.0);
   pluck(frames, n_frames, rate, (String){bm_note_hz(36), 5e-5, 0.3, 5.0, 5.15});
   start(&note, rate, 38.0, 1300.0, BM_LOWEST_NOTE_HOLD);
   assert_true(bm_lowest_note_hz(&note) == 0.0);
   hz_after(&note, frames, rate, 0.0, 2.0);
   assert_close(cents(bm_lowest_note_hz(&note), bm_note_hz(50)), 0.0, 5.0);
   hz_after(&note, frames, rate, 2.0, 3.0);
   assert_close(cents(bm_lowest_note_hz(&note), bm_note_hz(40)), 0.0, 5.0);
   hz_after(&note, frames, rate, 3.0, 7.0);
   assert_close(cents(bm_lowest_note_hz(&note), bm_note_hz(40)), 0.0, 5.0);

   const double saved = bm_lowest_note_learned_hz(&note);
   start(&other, 96000.0, 38.0, 1300.0, BM_LOWEST_NOTE_HOLD);
   bm_lowest_note_set_learned_hz(&other, saved);
   bm_lowest_note_reset(&other);
   assert_close(bm_lowest_note_hz(&other), saved, 1e-9);
   bm_lowest_note_set_learned_hz(&other, 0.0);
   assert_true(bm_lowest_note_hz(&other) == 0.0);
   bm_lowest_note_set_learned_hz(&other, (double)NAN);
   assert_true(bm_lowest_note_hz(&other) == 0.0);
   free(frames);
}

static void a_note_out_of_the_range_is_forgotten_when_the_range_moves(void** state)
{
   (void)state;
   const double rate = 44100.0;
   const uint32_t n_frames = (uint32_t)rate;
   BmFrame* frames = silence(n_frames);
   pluck(frames, n_frames, rate, (String){bm_note_hz(40), 5e-5, 0.3, 0.0, 0.0});
   start(&note, rate, 70.0, 1300.0, BM_LOWEST_NOTE_FOLLOW);
   assert_close(cents(hz_after(&note, frames, rate, 0.0, 0.5), bm_note_hz(40)), 0.0, 5.0);
   bm_lowest_note_set(&note, &(BmLowestNoteParams){180.0, 700.0, BM_LOWEST_NOTE_FOLLOW});
   assert_true(bm_lowest_note_hz(&note) == 0.0);
   const double hz = hz_after(&note, frames, rate, 0.5, 1.0);
   assert_true(hz == 0.0 || (hz >= 180.0 && hz <= 700.0));
   free(frames);
}

static void every_rate_names_the_same_note(void** state)
{
   (void)state;
   static const double rates[] = {8000,  11025, 11999, 16000,  22050, 44100,
                                  48000, 88200, 96000, 192000, 384000};
   for (size_t i = 0; i < sizeof rates / sizeof *rates; ++i) {
      const uint32_t n_frames = (uint32_t)(0.4 * rates[i]);
      BmFrame* frames = silence(n_frames);
      pluck(frames, n_frames, rates[i], (String){bm_note_hz(40), 5e-5, 0.2, 0.0, 0.0});
      pluck(frames, n_frames, rates[i], (String){bm_note_hz(59), 5e-5, 0.2, 0.0, 0.0});
      start(&note, rates[i], 70.0, 1300.0, BM_LOWEST_NOTE_FOLLOW);
      const double hz = hz_after(&note, frames, rates[i], 0.0, 0.3);
      assert_close(cents(hz, bm_note_hz(40)), 0.0, 5.0);
      free(frames);
   }
}

/* How many analyses came to an end between two times. */
static uint32_t n_analyses(const BmFrame* frames, double rate, double from_s, double to_s)
{
   const uint32_t n_before = note.mem.n_spectra;
   hz_after(&note, frames, rate, from_s, to_s);
   return note.mem.n_spectra - n_before;
}

/* While a note stands the search is at rest half of the time; the next note must not wait for that. */
static void a_note_that_stands_is_analysed_half_as_often_until_another_sounds(void** state)
{
   (void)state;
   const double rate = 48000.0;
   const uint32_t n_frames = (uint32_t)(2.5 * rate);
   BmFrame* frames = silence(n_frames);
   pluck(frames, n_frames, rate, (String){bm_note_hz(52), 5e-5, 0.3, 0.0, 1.6});
   pluck(frames, n_frames, rate, (String){bm_note_hz(43), 5e-5, 0.3, 1.6, 0.0});
   start(&note, rate, 38.0, 1300.0, BM_LOWEST_NOTE_FOLLOW);
   assert_in_range(n_analyses(frames, rate, 0.0, 0.4), 23, 25); /* one every 16 ms */
   hz_after(&note, frames, rate, 0.4, 0.8);
   assert_in_range(n_analyses(frames, rate, 0.8, 1.6), 24, 26);
   assert_close(cents(note.mem.sounding_hz, bm_note_hz(52)), 0.0, 5.0);
   assert_in_range(n_analyses(frames, rate, 1.6, 1.8), 9, 13);
   assert_close(cents(note.mem.sounding_hz, bm_note_hz(43)), 0.0, 20.0);
   assert_in_range(n_analyses(frames, rate, 1.8, 2.0), 12, 13);
   free(frames);
}

/* A slide of 200 cents up and down once a second is followed as closely as ever. */
static void a_note_that_moves_is_analysed_at_every_hop(void** state)
{
   (void)state;
   const double rate = 48000.0;
   const uint32_t n_frames = (uint32_t)(3.0 * rate);
   BmFrame* frames = silence(n_frames);
   double turns = 0.0;
   for (uint32_t i = 0; i < n_frames; ++i) {
      const double moving_s = fmax(0.0, i / rate - 1.0);
      turns += 110.0 * exp2(100.0 / 1200.0 * (1.0 - cos(2.0 * PI * moving_s))) / rate;
      for (int n = 1; n <= 8; ++n) {
         frames[i] += bm_frame_both(0.1 / n * sin(2.0 * PI * n * turns));
      }
   }
   start(&note, rate, 38.0, 1300.0, BM_LOWEST_NOTE_FOLLOW);
   assert_true(n_analyses(frames, rate, 0.0, 1.0) < 50);
   assert_in_range(n_analyses(frames, rate, 1.0, 3.0), 110, 125);
   free(frames);
}

/* A search that is done in a few slices and then rests makes one block cost as much as all the others. */
static void the_work_is_spread_as_the_last_analysis_asks(void** state)
{
   (void)state;
   for (int noisy = 0; noisy < 2; ++noisy) {
      const double rate = 48000.0;
      const uint32_t n_frames = (uint32_t)(1.2 * rate);
      BmFrame* frames = silence(n_frames);
      pluck(frames, n_frames, rate, (String){bm_note_hz(45), 5e-5, 0.3, 0.0, 0.0});
      white_noise(frames, n_frames, noisy ? 0.3 : 0.001);
      start(&note, rate, 38.0, 1300.0, BM_LOWEST_NOTE_FOLLOW);
      hz_after(&note, frames, rate, 0.0, 0.8);
      note.mem.most_slice_units = 0;
      uint32_t most_units = note.mem.last_units;
      for (uint32_t i = (uint32_t)(0.8 * rate); i < n_frames; ++i) {
         bm_lowest_note_process(&note, frames + i, 1);
         most_units = note.mem.last_units > most_units ? note.mem.last_units : most_units;
      }
      /* A fifteenth, and by how much a stage may step over it. */
      printf("%s: %u units an analysis at most, %u a slice\n", noisy ? "noise" : "string", most_units,
             note.mem.most_slice_units);
      assert_true(note.mem.most_slice_units < most_units / 15 + 120);
      free(frames);
   }
}

/* The most work in a block of 64 frames, from then on. */
static uint32_t most_block_units(const BmFrame* frames, uint32_t from, uint32_t n_frames)
{
   uint32_t most = 0;
   for (uint32_t i = from; i + 64 <= n_frames; i += 64) {
      const uint64_t n_before = note.mem.spent_units;
      bm_lowest_note_process(&note, frames + i, 64);
      const uint32_t n = (uint32_t)(note.mem.spent_units - n_before);
      most = n > most ? n : most;
   }
   return most;
}

/* From a string that is soon found to noise in which every peak must be weighed, and back: what the last
   analysis took says nothing of the next. The higher the rate the less falls to a short block: without that,
   most of them have no work and some have a hundred times the others'. */
static void no_short_block_bears_the_work_of_many_at_any_rate(void** state)
{
   (void)state;
   static const double rates[] = {44100, 48000, 88200, 96000, 176400, 192000};
   for (size_t r = 0; r < sizeof rates / sizeof *rates; ++r) {
      const double rate = rates[r];
      const uint32_t n_frames = (uint32_t)(1.0 * rate);
      BmFrame* frames = silence(n_frames);
      pluck(frames, n_frames, rate, (String){bm_note_hz(45), 5e-5, 0.3, 0.0, 0.0});
      white_noise(frames + n_frames / 2, n_frames / 4, 1.0);
      start(&note, rate, 38.0, 1300.0, BM_LOWEST_NOTE_FOLLOW);
      const uint32_t most = most_block_units(frames, 0, n_frames);
      const double hop_blocks = note.coef.hop_ticks * note.coef.tick_frames / 64.0;
      printf("%.1f kHz: %u units in a block at most, %.1f blocks a hop\n", rate / 1000.0, most, hop_blocks);
      /* What finishes any analysis in a hop, and by how much stages may step over it. */
      assert_true(most < 4000.0 / hop_blocks + 160.0);
      assert_int_equal(note.mem.n_overruns, 0);
      /* Nor is the low pass left to a few blocks. */
      assert_true(note.coef.tick_frames <= 64);
      free(frames);
   }
}

/* Hear a string in noise until an analysis is done and the next has not begun. */
static void analyse(double rate, double noise)
{
   const uint32_t n_frames = (uint32_t)(0.7 * rate);
   BmFrame* frames = silence(n_frames);
   pluck(frames, n_frames, rate, (String){bm_note_hz(40), 5e-5, 0.3, 0.1, 0.55});
   white_noise(frames, n_frames, noise);
   start(&note, rate, 28.0, 1300.0, BM_LOWEST_NOTE_FOLLOW);
   const uint32_t n_known = (uint32_t)(0.6 * rate);
   bm_lowest_note_process(&note, frames, n_known);
   for (uint32_t i = n_known; i < n_frames && note.mem.job.stage != 0; ++i) {
      bm_lowest_note_process(&note, frames + i, 1);
   }
   assert_int_equal(note.mem.job.stage, 0);
   free(frames);
}

static const float* scanned_hz(void)
{
   return note.mem.scanned_hz + BM_LOWEST_NOTE_MARGIN;
}

/* By the definition, bin by bin: over both neighbours, within 60 dB of the loudest, and 2 dB over the higher
   of the valleys beside it. */
static bool is_peak(const float* level_db, uint32_t k)
{
   float left = level_db[k];
   float right = level_db[k];
   for (uint32_t j = 1; j <= note.coef.lobe_bins; ++j) {
      left = fminf(left, level_db[k > j ? k - j : 0]);
      right = fminf(right, level_db[k + j]);
   }
   return level_db[k] > level_db[k - 1] && level_db[k] >= level_db[k + 1] &&
          level_db[k] > (float)(note.mem.loudest_db - 60.0) && level_db[k] - fmaxf(left, right) >= 2.0f;
}

static const double scanned_rates[] = {8000, 11025, 11999, 44100, 48000};
enum { N_SCANNED_RATES = sizeof scanned_rates / sizeof *scanned_rates };

static void every_bin_that_stands_out_of_the_spectrum_is_a_peak(void** state)
{
   (void)state;
   for (uint32_t r = 0; r < N_SCANNED_RATES; ++r) {
      analyse(scanned_rates[r], 0.01);
      const float* level_db = note.mem.level_db[note.mem.newest_spectrum] + BM_LOWEST_NOTE_MARGIN;
      uint32_t n = 0;
      for (uint32_t k = note.mem.job.first_bin + 1; k < note.coef.last_bin; ++k) {
         if (is_peak(level_db, k)) {
            assert_close((double)scanned_hz()[n] / note.coef.bin_hz, k, 0.501);
            ++n;
         }
      }
      assert_in_range(n, 20, BM_LOWEST_NOTE_PEAKS - 1);
      assert_true(scanned_hz()[n] > 1e8f); /* and there are no others */
   }
}

/* By how many dB, at most, a peak is lower than the side lobe that another may have there. */
static double under_side_lobe_db(uint32_t i)
{
   const float* level_db = note.mem.scanned_db + BM_LOWEST_NOTE_MARGIN;
   double most_db = -100.0;
   for (uint32_t j = 0; scanned_hz()[j] < 1e8f; ++j) {
      const double bins = (double)fabsf(scanned_hz()[j] - scanned_hz()[i]) / note.coef.window_bin_hz;
      if (j != i && bins <= 8.0) {
         const double lobe_db = (double)level_db[j] - 23.5 - 60.0 * log10(fmax(1.0, bins / 2.36));
         most_db = fmax(most_db, lobe_db - (double)level_db[i]);
      }
   }
   return most_db;
}

static void just_the_peaks_that_may_be_side_lobes_are_dropped(void** state)
{
   (void)state;
   uint32_t n_dropped = 0;
   for (uint32_t r = 0; r < 2 * N_SCANNED_RATES; ++r) {
      analyse(scanned_rates[r / 2], r % 2 ? 1e-3 : 5e-3);
      uint32_t kept = 0;
      for (uint32_t i = 0; scanned_hz()[i] < 1e8f; ++i) {
         const double hz = (double)scanned_hz()[i];
         const double under_db = under_side_lobe_db(i);
         if (hz < 370.0 || fabs(under_db) < 0.01) {
            continue; /* may be hum, or may be either for rounding */
         }
         while (kept < note.mem.n_peaks && note.mem.peaks[kept].hz < hz - 1e-3) {
            ++kept;
         }
         const bool is_kept = kept < note.mem.n_peaks && fabs(note.mem.peaks[kept].hz - hz) < 1e-3;
         assert_int_equal(is_kept, under_db < 0.0);
         n_dropped += !is_kept;
      }
   }
   assert_true(n_dropped > 5);
}

/* White noise, a cluster of close partials, a click train, extremes: whatever makes the most peaks. */
static void fill_hard(BmFrame* frames, uint32_t n_frames, double rate, int kind)
{
   if (kind == 0) {
      white_noise(frames, n_frames, 0.5);
      return;
   }
   for (uint32_t i = 0; i < n_frames; ++i) {
      double x = 0.0;
      if (kind == 1) {
         for (int k = 0; k < 150; ++k) {
            x += 0.01 * sin(2.0 * PI * (40.0 + 9.7 * k) * i / rate + k * k);
         }
      } else if (kind == 2) {
         x = i % (uint32_t)(rate / 11.0) == 0 ? 1.0 : 0.0;
      } else {
         x = i % 3 == 0 ? 9999.0 : -9999.0;
      }
      frames[i] = bm_frame(x, -x);
   }
}

static void the_work_of_a_slice_is_bounded_whatever_is_heard(void** state)
{
   (void)state;
   static const double rates[] = {8000, 11999, 44100, 48000};
   uint32_t most = 0;
   for (int r = 0; r < 4; ++r) {
      for (int kind = 0; kind < 4; ++kind) {
         const uint32_t n_frames = (uint32_t)(1.5 * rates[r]);
         BmFrame* frames = silence(n_frames);
         fill_hard(frames, n_frames, rates[r], kind);
         start(&note, rates[r], 20.0, 1300.0, BM_LOWEST_NOTE_HOLD);
         bm_lowest_note_process(&note, frames, n_frames);
         assert_true(note.mem.most_slice_units <= BM_LOWEST_NOTE_SLICE_UNITS_MOST);
         /* Every analysis was done before the next was due. */
         assert_int_equal(note.mem.n_overruns, 0);
         assert_true(isfinite(bm_lowest_note_hz(&note)) && isfinite(bm_lowest_note_confidence(&note)));
         most = note.mem.most_slice_units > most ? note.mem.most_slice_units : most;
         free(frames);
      }
   }
   printf("at most %u work units in a slice\n", most);
}

static void any_block_size_leaves_the_same_bits(void** state)
{
   (void)state;
   static const uint32_t sizes[] = {1, 7, 64, 1000, 8192, 0};
   const double rate = 48000.0;
   const uint32_t n_frames = (uint32_t)(1.2 * rate);
   BmFrame* frames = silence(n_frames);
   pluck(frames, n_frames, rate, (String){bm_note_hz(52), 5e-5, 0.3, 0.1, 0.5});
   pluck(frames, n_frames, rate, (String){bm_note_hz(43), 5e-5, 0.3, 0.5, 0.0});
   hum(frames, n_frames, rate, 50.0, 0.001);
   start(&note, rate, 38.0, 1300.0, BM_LOWEST_NOTE_HOLD);
   bm_lowest_note_process(&note, frames, n_frames);
   assert_true(bm_lowest_note_learned_hz(&note) > 0.0);
   for (size_t s = 0; s < sizeof sizes / sizeof *sizes; ++s) {
      start(&other, rate, 38.0, 1300.0, BM_LOWEST_NOTE_HOLD);
      uint64_t seed = 3;
      for (uint32_t at = 0; at < n_frames;) {
         uint32_t n = sizes[s] ? sizes[s] : (uint32_t)(700.0 * (1.0 + bm_test_random(&seed)));
         n = n < n_frames - at ? n : n_frames - at;
         bm_lowest_note_process(&other, frames + at, n);
         at += n;
      }
      assert_memory_equal(&other.mem, &note.mem, sizeof note.mem);
      assert_true(bm_lowest_note_learned_hz(&other) == bm_lowest_note_learned_hz(&note));
   }
   free(frames);
}

static void reset_equals_fresh_and_keeps_what_was_learned(void** state)
{
   (void)state;
   const double rate = 44100.0;
   const uint32_t n_frames = (uint32_t)(1.0 * rate);
   BmFrame* frames = silence(n_frames);
   pluck(frames, n_frames, rate, (String){bm_note_hz(45), 5e-5, 0.3, 0.0, 0.0});
   start(&note, rate, 70.0, 1300.0, BM_LOWEST_NOTE_HOLD);
   start(&other, rate, 70.0, 1300.0, BM_LOWEST_NOTE_HOLD);
   bm_lowest_note_process(&note, frames, n_frames);
   const double learned_hz = bm_lowest_note_learned_hz(&note);
   assert_close(cents(learned_hz, bm_note_hz(45)), 0.0, 5.0);
   bm_lowest_note_reset(&note);
   assert_true(bm_lowest_note_learned_hz(&note) == learned_hz);
   bm_lowest_note_set_learned_hz(&note, 0.0);
   assert_memory_equal(&note.mem, &other.mem, sizeof note.mem);
   free(frames);
}

int main(void)
{
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(a_rate_out_of_range_is_refused),
      cmocka_unit_test(every_open_string_of_every_tuning_is_named_in_its_octave),
      cmocka_unit_test(a_fifth_and_a_third_over_a_missing_bass_are_not_heard_as_the_bass),
      cmocka_unit_test(the_air_resonance_under_a_chord_is_dropped_soon_and_never_learned),
      cmocka_unit_test(an_octave_above_does_not_hide_a_weaker_note),
      cmocka_unit_test(a_pair_in_opposite_polarity_is_heard_like_one_in_phase),
      cmocka_unit_test(each_note_of_a_damped_melody_is_named_within_300_ms),
      cmocka_unit_test(mains_hum_alone_is_never_a_note),
      cmocka_unit_test(hum_between_notes_does_not_move_the_note),
      cmocka_unit_test(what_bleeds_into_a_pause_is_not_followed),
      cmocka_unit_test(noise_alone_is_hardly_ever_taken_for_a_note),
      cmocka_unit_test(silence_holds_the_note_and_confidence_falls),
      cmocka_unit_test(following_glides_and_arrives),
      cmocka_unit_test(learning_keeps_the_lowest_note_that_really_sounded),
      cmocka_unit_test(a_note_out_of_the_range_is_forgotten_when_the_range_moves),
      cmocka_unit_test(every_rate_names_the_same_note),
      cmocka_unit_test(a_note_that_stands_is_analysed_half_as_often_until_another_sounds),
      cmocka_unit_test(a_note_that_moves_is_analysed_at_every_hop),
      cmocka_unit_test(the_work_is_spread_as_the_last_analysis_asks),
      cmocka_unit_test(no_short_block_bears_the_work_of_many_at_any_rate),
      cmocka_unit_test(every_bin_that_stands_out_of_the_spectrum_is_a_peak),
      cmocka_unit_test(just_the_peaks_that_may_be_side_lobes_are_dropped),
      cmocka_unit_test(the_work_of_a_slice_is_bounded_whatever_is_heard),
      cmocka_unit_test(any_block_size_leaves_the_same_bits),
      cmocka_unit_test(reset_equals_fresh_and_keeps_what_was_learned),
   };
   return cmocka_run_group_tests(tests, NULL, NULL);
}
