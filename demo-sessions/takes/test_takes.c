/* SPDX-License-Identifier: ISC */
/* If these fail, the demo sessions play something else tomorrow, a double is a copy, or the takes no longer
   behave as recorded instruments do: no boom to tame, no delay to align, no room to level. */
#include "unit_test.h"

#include "part.h"
#include "performance.h"
#include "recording.h"
#include "take_file.h"

#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define RATE_HZ 48000.0
#define TWO_PI 6.283185307179586

static void read_text(BmPart* part, const char* text)
{
   char path[] = "/tmp/bm-part-XXXXXX";
   char message[BM_PART_MESSAGE_MAX] = "";
   const int file = mkstemp(path);
   assert_true(file >= 0);
   assert_int_equal(write(file, text, strlen(text)), (ssize_t)strlen(text));
   close(file);
   const bool is_read = bm_part_read(part, path, message);
   unlink(path);
   if (!is_read) {
      fail_msg("%s", message);
   }
}

/* One microphone or more on a part played with a seed. */
static BmRecording record(const BmPart* part, uint64_t seed, const char* const* names, uint32_t n_names)
{
   const BmMicrophone* microphones[BM_MICROPHONES_MAX];
   for (uint32_t i = 0; i < n_names; ++i) {
      microphones[i] = bm_microphone_find(names[i]);
   }
   BmPerformance performance;
   BmRecording recording;
   assert_true(bm_performance_play(&performance, part, seed));
   assert_true(
      bm_recording_make(&recording, part->instrument, &performance, microphones, n_names, RATE_HZ, seed));
   bm_performance_free(&performance);
   return recording;
}

static BmRecording record_close(const BmPart* part, uint64_t seed)
{
   return record(part, seed, (const char* const[]){"close"}, 1);
}

static double product(const double* a, const double* b, uint32_t n)
{
   double sum = 0.0;
   for (uint32_t i = 0; i < n; ++i) {
      sum += a[i] * b[i];
   }
   return sum;
}

static double correlation(const double* a, const double* b, uint32_t n)
{
   return product(a, b, n) / sqrt(product(a, a, n) * product(b, b, n));
}

static double power_at(const double* x, uint32_t n, double hz)
{
   double re = 0.0;
   double im = 0.0;
   for (uint32_t i = 0; i < n; ++i) {
      const double w = (0.5 - 0.5 * cos(TWO_PI * i / n)) * x[i];
      re += w * cos(TWO_PI * hz * i / RATE_HZ);
      im -= w * sin(TWO_PI * hz * i / RATE_HZ);
   }
   return (re * re + im * im) / n / n;
}

static const char two_bars[] = "instrument steel-string\ntempo 120\nhand pick\ntake t 1 close\n"
                               "chord G 3 2 0 0 3 3\nchord Em 0 2 2 0 0 0\n"
                               "pattern p D! . d U b+1 3 2 U\nplay p G Em\n";

static void the_same_seed_plays_the_same_to_the_bit(void** state)
{
   (void)state;
   BmPart part;
   read_text(&part, two_bars);
   BmRecording a = record_close(&part, 5);
   BmRecording b = record_close(&part, 5);
   BmRecording other = record_close(&part, 6);
   assert_int_equal(a.n_frames, b.n_frames);
   assert_memory_equal(a.channels[0], b.channels[0], a.n_frames * sizeof(double));
   assert_memory_not_equal(a.channels[0], other.channels[0], a.n_frames * sizeof(double));
   bm_recording_free(&a);
   bm_recording_free(&b);
   bm_recording_free(&other);
}

static void two_performances_differ_as_a_double_does(void** state)
{
   (void)state;
   BmPart part;
   read_text(&part, two_bars);
   for (uint64_t seed = 10; seed < 16; seed += 2) {
      BmRecording a = record_close(&part, seed);
      BmRecording b = record_close(&part, seed + 1);
      assert_int_equal(a.n_frames, b.n_frames);
      assert_between(correlation(a.channels[0], b.channels[0], a.n_frames), -0.5, 0.5);
      /* Yet the same part: who hears only levels over tenths of a second cannot tell them apart. */
      double envelopes[2][100];
      const uint32_t n = a.n_frames / 4800;
      assert_true(n <= 100);
      for (uint32_t i = 0; i < n; ++i) {
         envelopes[0][i] = sqrt(product(&a.channels[0][i * 4800], &a.channels[0][i * 4800], 4800));
         envelopes[1][i] = sqrt(product(&b.channels[0][i * 4800], &b.channels[0][i * 4800], 4800));
      }
      assert_between(correlation(envelopes[0], envelopes[1], n), 0.9, 1.0);
      bm_recording_free(&a);
      bm_recording_free(&b);
   }
}

static void every_instrument_makes_a_level_take_without_dc(void** state)
{
   (void)state;
   const BmInstrument* instrument;
   for (uint32_t i = 0; (instrument = bm_instrument_at(i)); ++i) {
      char text[512];
      snprintf(
         text, sizeof(text),
         "instrument %s\ntempo 120\ntake t 1 close\nchord C %s\npattern p D! . U . b 1 D U\nplay p C C\n",
         instrument->name, instrument->n_courses == 4 ? "0 2 0 3" : "0 2 2 1 0 0");
      BmPart part;
      read_text(&part, text);
      BmRecording recording = record(&part, 3, (const char* const[]){"body", "neck"}, 2);
      BmTakeAudio take = {RATE_HZ, 2, recording.n_frames, {recording.channels[0], recording.channels[1]}};
      bm_take_set_level(&take, 3);
      const BmTakeLevel level = bm_take_level(&take);
      assert_between(level.rms_db, -27.0, -17.0);
      assert_between(level.peak_db, -9.0, -3.0);
      for (uint32_t c = 0; c < 2; ++c) {
         double sum = 0.0;
         for (uint32_t k = 0; k < take.n_frames; ++k) {
            assert_true(isfinite(take.channels[c][k]));
            sum += take.channels[c][k];
         }
         assert_true(fabs(sum / take.n_frames) < 1e-5); /* -100 dBFS */
         /* The room before the first note: there, and far below. */
         const double room = product(take.channels[c], take.channels[c], 24000) / 24000;
         assert_between(10.0 * log10(room), -85.0, -60.0);
      }
      bm_recording_free(&recording);
   }
}

/* A note alone on each open string, four seconds apart. */
static void open_string_part(BmPart* part, const char* instrument)
{
   char text[1024];
   snprintf(text, sizeof(text),
            "instrument %s\ntempo 60\ntake t 1 close\nchord O 0 0 0 0 0 0\n"
            "pattern p6 6 . . .\npattern p5 5 . . .\npattern p4 4 . . .\npattern p3 3 . . .\n"
            "pattern p2 2 . . .\npattern p1 1 . . .\n"
            "play p6 O\nplay p5 O\nplay p4 O\nplay p3 O\nplay p2 O\nplay p1 O\n",
            instrument);
   read_text(part, text);
}

static void on_the_body_notes_stay_in_tune_and_fade_like_a_guitar_s(void** state)
{
   (void)state;
   BmPart part;
   open_string_part(&part, "steel-string");
   BmRecording recording = record_close(&part, 4);
   for (uint32_t s = 0; s < 6; ++s) {
      const double hz = bm_string_hz(&part.instrument->strings[s], 0.0);
      const double* note = &recording.channels[0][(uint32_t)((0.8 + 4.0 * s) * RATE_HZ)];
      /* The strongest within 20 cents: a body pulls a note by some cents, as a real one does. */
      double best_cents = 0.0;
      double best = 0.0;
      for (double off = -20.0; off <= 20.0; off += 1.0) {
         const double power = power_at(note, 36000, hz * exp2(off / 1200.0));
         if (power > best) {
            best = power;
            best_cents = off;
         }
      }
      assert_between(best_cents, -7.0, 7.0);
      /* Over two seconds a fundamental falls by some 10 to 60 dB, T60 from 2 to 12 s: from memory. */
      const double lost_db = 10.0 * log10(power_at(note, 24000, hz) / power_at(note + 96000, 24000, hz));
      assert_between(lost_db, 10.0, 60.0);
      /* A pluck's peak stands 10 to 20 dB over the first second of its note. */
      double peak = 0.0;
      const double* second = note - 4800;
      for (uint32_t i = 0; i < 48000; ++i) {
         peak = fmax(peak, fabs(second[i]));
      }
      assert_between(20.0 * log10(peak) - 10.0 * log10(product(second, second, 48000) / 48000), 10.0, 20.0);
   }
   bm_recording_free(&recording);
}

static void the_body_booms_by_its_air_and_its_top(void** state)
{
   (void)state;
   /* Fletcher & Rossing, ch. 9: air at 90 to 110 Hz, top at 170 to 220 Hz. Knock on the bridge and listen. */
   const BmInstrument* instrument = bm_instrument_find("steel-string");
   const BmMicrophone* microphone = bm_microphone_find("close");
   BmBody body;
   bm_body_init(&body, instrument, RATE_HZ, &microphone, 1, 1);
   static double heard[48000];
   for (uint32_t i = 0; i < 48000; ++i) {
      double channels[BM_MICROPHONES_MAX];
      bm_body_push(&body, i == 0 ? 1.0 : 0.0, channels);
      heard[i] = channels[0];
   }
   double air = 0.0;
   double top = 0.0;
   double between = INFINITY;
   double below = 0.0;
   for (double hz = 50.0; hz <= 220.0; hz += 2.0) {
      double re = 0.0;
      double im = 0.0;
      for (uint32_t i = 0; i < 48000; ++i) {
         re += heard[i] * cos(TWO_PI * hz * i / RATE_HZ);
         im -= heard[i] * sin(TWO_PI * hz * i / RATE_HZ);
      }
      const double db = 10.0 * log10(re * re + im * im);
      if (hz <= 60.0) {
         below = db;
      } else if (hz >= 90.0 && hz <= 110.0) {
         air = fmax(air, db);
      } else if (hz > 120.0 && hz < 160.0) {
         between = fmin(between, db);
      } else if (hz >= 170.0) {
         top = fmax(top, db);
      }
   }
   assert_true(air > between + 6.0);
   assert_true(top > between + 6.0);
   assert_true(air > below + 15.0);
}

static void the_bridge_never_gives_back_more_than_it_takes(void** state)
{
   (void)state;
   /* A body is passive: whatever force drives it, the work done on it is not negative. Rayleigh. */
   const BmMicrophone* microphone = bm_microphone_find("close");
   const BmInstrument* instrument;
   for (uint32_t n = 0; (instrument = bm_instrument_at(n)); ++n) {
      BmBody body;
      bm_body_init(&body, instrument, RATE_HZ, &microphone, 1, 1);
      uint64_t seed = 9;
      double work = 0.0;
      double force = 0.0;
      for (uint32_t i = 0; i < 20000; ++i) {
         double channels[BM_MICROPHONES_MAX];
         force = i < 10000 ? 0.9 * force + bm_test_random(&seed) : 0.0;
         work += force * (bm_body_recoil(&body) + body.coef.at_once * force);
         assert_true(work >= 0.0);
         bm_body_push(&body, force, channels);
      }
      /* And comes to rest. */
      assert_true(fabs(bm_body_recoil(&body)) < 1e-3);
   }
}

static void an_open_string_answers_its_octave(void** state)
{
   (void)state;
   /* E3 on the fourth string, stopped after a second; the open low E, an octave below, goes on with it. With
      a chord that has F for its bass it has nothing to say. */
   double left[2];
   for (uint32_t i = 0; i < 2; ++i) {
      char text[512];
      snprintf(text, sizeof(text),
               "instrument steel-string\ntempo 120\ntake t 1 close\nchord O %s x 2 x x x\n"
               "pattern p 4 . . . 4:3 . . .\npattern rest . . . .\nplay p O\nplay rest O\n",
               i == 0 ? "0" : "1");
      BmPart part;
      read_text(&part, text);
      BmRecording recording = record_close(&part, 8);
      /* The fourth string has moved on to F3 at 1.7 s. */
      left[i] = power_at(&recording.channels[0][(uint32_t)(2.0 * RATE_HZ)], 38400, 164.814);
      bm_recording_free(&recording);
   }
   assert_between(10.0 * log10(left[0] / left[1]), 10.0, 80.0);
}

static void a_far_microphone_hears_later_by_its_distance(void** state)
{
   (void)state;
   BmPart part;
   read_text(&part, two_bars);
   BmRecording recording = record(&part, 2, (const char* const[]){"close", "far"}, 2);
   const double metres = bm_microphone_find("far")->body_m - bm_microphone_find("close")->body_m;
   const double expected = metres / 343.0 * RATE_HZ;
   uint32_t best_lag = 0;
   double best = -1.0;
   for (uint32_t lag = 0; lag < 200; ++lag) {
      const double now =
         correlation(recording.channels[0], recording.channels[1] + lag, recording.n_frames - 200);
      if (now > best) {
         best = now;
         best_lag = lag;
      }
   }
   assert_close(best_lag, expected, 6.0);
   assert_between(best, 0.6, 0.99);
   bm_recording_free(&recording);
}

int main(void)
{
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(the_same_seed_plays_the_same_to_the_bit),
      cmocka_unit_test(two_performances_differ_as_a_double_does),
      cmocka_unit_test(every_instrument_makes_a_level_take_without_dc),
      cmocka_unit_test(on_the_body_notes_stay_in_tune_and_fade_like_a_guitar_s),
      cmocka_unit_test(the_body_booms_by_its_air_and_its_top),
      cmocka_unit_test(the_bridge_never_gives_back_more_than_it_takes),
      cmocka_unit_test(an_open_string_answers_its_octave),
      cmocka_unit_test(a_far_microphone_hears_later_by_its_distance),
   };
   return cmocka_run_group_tests(tests, NULL, NULL);
}
