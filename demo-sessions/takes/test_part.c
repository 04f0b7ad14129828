/* SPDX-License-Identifier: ISC */
/* If these fail, whoever writes a part of their own gets another part than they wrote, or is not told which
   line is wrong and what would be right. */
#include "unit_test.h"

#include "part.h"
#include "performance.h"

#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define HEAD "instrument ukulele\ntempo 120\ntake t 1 close\nchord C 0 0 0 3\n"

static bool read_text(BmPart* part, const char* text, char message[BM_PART_MESSAGE_MAX])
{
   char path[] = "/tmp/bm-part-XXXXXX";
   const int file = mkstemp(path);
   assert_true(file >= 0);
   assert_int_equal(write(file, text, strlen(text)), (ssize_t)strlen(text));
   close(file);
   const bool is_read = bm_part_read(part, path, message);
   unlink(path);
   return is_read;
}

static void a_wrong_line_is_named_with_what_would_be_right(void** state)
{
   (void)state;
   static const struct {
      const char* text;
      const char* says[2];
   } wrongs[] = {
      {"instrument lute\n", {":1: ", "steel-string, baritone"}},
      {"instrument ukulele\ntempo fast\n", {":2: ", "30 to 300"}},
      {"instrument ukulele\ntempo nan\n", {":2: ", "30 to 300"}},
      {"instrument ukulele\nbeats 2.5\n", {":2: ", "whole number"}},
      {"instrument ukulele\nhand left\n", {":2: ", "pick, fingers, thumb"}},
      {"instrument ukulele\ntake t 1 ceiling\n", {":2: ", "close, body, neck, far"}},
      {"instrument ukulele\ntake ../t 1 close\n", {":2: ", "no '/'"}},
      {"instrument ukulele\ntake t 1 close\n\ntake t 2 close\n", {":4: ", "second take 't'"}},
      {"chord C 0 0 0 3\n", {":1: ", "instrument must come before"}},
      {"instrument ukulele\nchord C 0 0 3\n", {":2: ", "4 courses"}},
      {"instrument ukulele\nchord C 0 0 0 99\n", {":2: ", "fret '99'"}},
      {"instrument ukulele\nchord C x x x x\n", {":2: ", "no note"}},
      {HEAD "pattern p D Q\n", {":5: ", "step 'Q'"}},
      {HEAD "pattern p 5\n", {":5: ", "step '5'"}},
      {HEAD "pattern p 2:\n", {":5: ", "step '2:'"}},
      {HEAD "play p C\n", {":5: ", "no pattern 'p'"}},
      {HEAD "pattern p D\nplay p G\n", {":6: ", "no chord 'G'"}},
      {HEAD "section verse loud\n", {":5: ", "-24 to 12 dB"}},
      {HEAD "pattern p D\nrepeat 4\n", {":6: ", "no line begins with 'repeat'"}},
      {HEAD "pattern p\n", {":5: ", "pattern NAME STEP..."}},
      {HEAD, {":4: ", "something to play"}},
      {"", {":0: ", "needs an instrument"}},
   };
   for (uint32_t i = 0; i < sizeof(wrongs) / sizeof(wrongs[0]); ++i) {
      BmPart part;
      char message[BM_PART_MESSAGE_MAX] = "";
      assert_false(read_text(&part, wrongs[i].text, message));
      if (!strstr(message, wrongs[i].says[0]) || !strstr(message, wrongs[i].says[1]) ||
          strchr(message, '\n')) {
         fail_msg("for \"%s\" it says \"%s\"", wrongs[i].text, message);
      }
   }
   BmPart part;
   char message[BM_PART_MESSAGE_MAX] = "";
   assert_false(bm_part_read(&part, "/nowhere/at-all.part", message));
   assert_non_null(strstr(message, "/nowhere/at-all.part: No such file"));
}

static double slip_s(const BmGesture* pluck)
{
   return pluck->at_s + pluck->pluck.contact_s;
}

/* Plucks of a performance in the order they sound: string and fret. */
static uint32_t list_plucks(const BmPerformance* performance, uint32_t strings[], uint32_t frets[])
{
   double last_s = 0.0;
   for (uint32_t n = 0;; ++n) {
      const BmGesture* next = NULL;
      for (uint32_t i = 0; i < performance->n_gestures; ++i) {
         const BmGesture* gesture = &performance->gestures[i];
         if (gesture->kind == BM_GESTURE_PLUCK && slip_s(gesture) > last_s &&
             (!next || slip_s(gesture) < slip_s(next))) {
            next = gesture;
         }
      }
      if (!next) {
         return n;
      }
      assert_true(n < 32);
      strings[n] = next->string;
      frets[n] = next->fret;
      last_s = slip_s(next);
   }
}

static void what_is_written_is_played(void** state)
{
   (void)state;
   BmPart part;
   char message[BM_PART_MESSAGE_MAX] = "";
   /* Down over all four, up over all four, the bass, the first course at fret 7, then two at once. */
   assert_true(read_text(&part, HEAD "pattern p D U b 1:7 3+2:5 . . . # and silence\nplay p C\n", message));
   const uint32_t strings[] = {0, 1, 2, 3, 3, 2, 1, 0, 0, 3};
   const uint32_t frets[] = {0, 0, 0, 3, 3, 0, 0, 0, 0, 7};
   for (uint64_t seed = 1; seed <= 20; ++seed) {
      BmPerformance performance;
      uint32_t played[32];
      uint32_t stopped[32];
      assert_true(bm_performance_play(&performance, &part, seed));
      assert_int_equal(list_plucks(&performance, played, stopped), 12);
      assert_memory_equal(played, strings, sizeof(strings));
      assert_memory_equal(stopped, frets, sizeof(frets));
      assert_int_equal(played[10] + played[11], 1 + 2);
      assert_int_equal(stopped[10] + stopped[11], 5);
      assert_close(performance.lowest_hz, 261.626, 0.001);
      bm_performance_free(&performance);
   }
}

static void a_player_stays_near_the_click_but_never_on_it(void** state)
{
   (void)state;
   BmPart part;
   char message[BM_PART_MESSAGE_MAX] = "";
   assert_true(read_text(
      &part, HEAD "pattern p 1 2 3 4\nplay p C C C C C C C C C C C C C C C C\nplay p C C C C C C C C\n",
      message));
   BmPerformance performance;
   assert_true(bm_performance_play(&performance, &part, 3));
   double sum = 0.0;
   double power = 0.0;
   uint32_t n = 0;
   for (uint32_t i = 0; i < performance.n_gestures; ++i) {
      const BmGesture* gesture = &performance.gestures[i];
      if (gesture->kind == BM_GESTURE_PLUCK) {
         /* 120 a minute is a note each half second; the first comes after the lead-in of 0.7 s. */
         const double off_s = slip_s(gesture) - 0.7 - 0.5 * n++;
         assert_between(off_s, -0.08, 0.08);
         sum += off_s;
         power += off_s * off_s;
      }
   }
   assert_int_equal(n, 96);
   assert_between(sqrt(power / n - sum * sum / n / n), 0.004, 0.025);
   bm_performance_free(&performance);
}

int main(void)
{
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(a_wrong_line_is_named_with_what_would_be_right),
      cmocka_unit_test(what_is_written_is_played),
      cmocka_unit_test(a_player_stays_near_the_click_but_never_on_it),
   };
   return cmocka_run_group_tests(tests, NULL, NULL);
}
