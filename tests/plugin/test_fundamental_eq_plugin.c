/* SPDX-License-Identifier: ISC */
/*
   The Fundamental EQ as a host runs it. If one of these fails, the low cut eats the lowest note or misses it,
   the curve drawn is not the curve heard, or a note learned last year is gone.
*/
#include "unit_test.h"

#include "base/note.h"
#include "hosted.h"
#include "prototype.h"
#include "recordings.h"

#include <complex.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>

#define PI 3.14159265358979323846
#define MONO "urn:bookmatch:fundamental-eq#mono"
#define STEREO "urn:bookmatch:fundamental-eq#stereo"

/* Run one channel, a block at a time, as a host does; `out` may be NULL. */
static void run_mono(BmInstance* instance, const float* in, float* out, uint32_t n_frames)
{
   enum { BLOCK = 512 };
   float scratch[BLOCK];
   for (uint32_t start = 0; start < n_frames; start += BLOCK) {
      const uint32_t n = n_frames - start < BLOCK ? n_frames - start : BLOCK;
      const float* in_pointers[] = {in + start};
      float* out_pointers[] = {out ? out + start : scratch};
      bm_instance_run(instance, in_pointers, out_pointers, n);
   }
}

/* The response of the hosted plugin to an impulse: magnitude in dB at a frequency, by the Fourier sum itself.
 */
typedef struct {
   float* samples;
   uint32_t n_frames;
   double rate_hz;
} Impulse;

static Impulse impulse_response(BmInstance* instance, double rate_hz)
{
   const uint32_t n_frames = (uint32_t)(1.5 * rate_hz);
   float* in = calloc(n_frames, sizeof *in);
   Impulse impulse = {calloc(n_frames, sizeof(float)), n_frames, rate_hz};
   assert_non_null(in);
   assert_non_null(impulse.samples);
   in[0] = 1.0F;
   run_mono(instance, in, impulse.samples, n_frames);
   free(in);
   return impulse;
}

static double magnitude_db(const Impulse* impulse, double frequency_hz)
{
   const double complex turn = cexp(-I * 2.0 * PI * frequency_hz / impulse->rate_hz);
   double complex z = 1.0;
   double complex sum = 0.0;
   for (uint32_t i = 0; i < impulse->n_frames; ++i) {
      sum += (double)impulse->samples[i] * z;
      z *= turn;
   }
   return 20.0 * log10(cabs(sum));
}

static void the_curve_heard_is_the_analogue_prototype_up_to_20_khz(void** state)
{
   (void)state;
   static const double rates_hz[] = {44100.0, 48000.0, 96000.0, 192000.0};
   for (size_t r = 0; r < sizeof rates_hz / sizeof *rates_hz; ++r) {
      BmInstance* instance = hosted_new(MONO, rates_hz[r]);
      hosted_set(instance, "note_source", 0);
      hosted_set(instance, "note_freq", 98.0);
      hosted_set(instance, "low_cut_slope", 36);
      hosted_set(instance, "harmonic", 3);
      hosted_set(instance, "harmonic_gain", -9.0);
      hosted_set(instance, "harmonic_q", 2.5);
      hosted_set(instance, "low_shelf_freq", 220.0);
      hosted_set(instance, "low_shelf_gain", 6.0);
      hosted_set(instance, "bell1_freq", 900.0);
      hosted_set(instance, "bell1_gain", -12.0);
      hosted_set(instance, "bell1_q", 4.0);
      hosted_set(instance, "bell2_freq", 16000.0);
      hosted_set(instance, "bell2_gain", 12.0);
      hosted_set(instance, "bell2_q", 0.5);
      hosted_set(instance, "high_shelf_freq", 9000.0);
      hosted_set(instance, "high_shelf_gain", -6.0);
      Impulse impulse = impulse_response(instance, rates_hz[r]);
      double worst_db = 0.0;
      for (int step = 0; step <= 120; ++step) {
         const double f = 20.0 * pow(1000.0, step / 120.0);
         const double expected =
            bm_prototype_low_cut_db(f, 0.768 * 98.0, 36.0) + bm_prototype_bell_db(f, 294.0, -9.0, 2.5) +
            bm_prototype_low_shelf_db(f, 220.0, 6.0) + bm_prototype_bell_db(f, 900.0, -12.0, 4.0) +
            bm_prototype_bell_db(f, 16000.0, 12.0, 0.5) + bm_prototype_high_shelf_db(f, 9000.0, -6.0);
         if (expected > -60.0) {
            worst_db = fmax(worst_db, fabs(magnitude_db(&impulse, f) - expected));
         }
      }
      printf("%6.0f Hz: six bands together within %.3f dB of the prototypes\n", rates_hz[r], worst_db);
      assert_between(worst_db, 0.0, 0.1);
      free(impulse.samples);
      bm_instance_free(instance);
   }
}

static void the_default_low_cut_spares_the_note_and_clears_the_octave_below(void** state)
{
   (void)state;
   static const double notes_hz[] = {41.203, 82.407, 195.998, 391.995};
   for (size_t i = 0; i < sizeof notes_hz / sizeof *notes_hz; ++i) {
      BmInstance* instance = hosted_new(MONO, 48000.0);
      hosted_set(instance, "note_freq", notes_hz[i]);
      Impulse impulse = impulse_response(instance, 48000.0);
      assert_between(magnitude_db(&impulse, notes_hz[i]), -0.5, 0.0);
      assert_between(magnitude_db(&impulse, notes_hz[i] / 2.0), -40.0, -15.0);
      free(impulse.samples);
      bm_instance_free(instance);
   }
}

/* A note as a string would give it, for tests of what the plugin does with it. */
static float* harmonic_tone(double note_hz, double rate_hz, uint32_t n_frames)
{
   float* tone = calloc(n_frames, sizeof *tone);
   assert_non_null(tone);
   for (uint32_t i = 0; i < n_frames; ++i) {
      const double t = i / rate_hz;
      double x = 0.0;
      for (int h = 1; h <= 12; ++h) {
         x += sin(2.0 * PI * note_hz * h * t) / h;
      }
      tone[i] = (float)(0.15 * x * exp(-0.7 * t));
   }
   return tone;
}

static void a_learned_note_moves_the_low_cut_and_survives_save_and_reload(void** state)
{
   (void)state;
   enum { N_FRAMES = 96000 };
   float* tone = harmonic_tone(110.0, 48000.0, N_FRAMES);
   BmInstance* first = hosted_new(MONO, 48000.0);
   hosted_set(first, "note_source", 1);
   run_mono(first, tone, NULL, N_FRAMES);
   assert_close(hosted_get(first, "lowest_note"), 110.0, 0.3);

   char* saved = bm_instance_save(first);
   assert_non_null(saved);
   BmInstance* second = hosted_new(MONO, 48000.0);
   BmError error = {0};
   if (!bm_instance_load_text(second, saved, &error)) {
      fail_msg("%s", error.text);
   }
   Impulse impulse = impulse_response(second, 48000.0);
   assert_close(hosted_get(second, "lowest_note"), hosted_get(first, "lowest_note"), 0.05);
   assert_close(magnitude_db(&impulse, 0.768 * 110.0), -3.01, 0.3);
   free(impulse.samples);
   free(saved);
   free(tone);
   bm_instance_free(first);
   bm_instance_free(second);
}

/* Else the first bass note of a take loses its fundamental to a low cut that stands on a guitar's E. */
static void until_a_note_is_heard_the_lowest_string_is_spared(void** state)
{
   (void)state;
   enum { DOUBLE_BASS = 18, MANDOLIN = 13 };
   float silence[512] = {0};
   for (int source = 1; source <= 2; ++source) {
      BmInstance* instance = hosted_new(MONO, 48000.0);
      hosted_set(instance, "note_source", source);
      hosted_set(instance, "tuning", DOUBLE_BASS);
      run_mono(instance, silence, NULL, 512);
      assert_close(hosted_get(instance, "lowest_note"), 41.203, 0.01);
      Impulse impulse = impulse_response(instance, 48000.0);
      assert_between(magnitude_db(&impulse, 41.203), -0.51, 0.0);
      free(impulse.samples);
      hosted_set(instance, "tuning", MANDOLIN);
      hosted_set(instance, "note_freq", 100.0);
      run_mono(instance, silence, NULL, 512);
      assert_close(hosted_get(instance, "lowest_note"), 100.0, 0.01);
      bm_instance_free(instance);
   }
}

static void every_tuning_is_called_what_the_search_takes_it_for(void** state)
{
   (void)state;
   BmInstance* instance = hosted_new(MONO, 48000.0);
   const BmPort* tuning = &bm_instance_plugin(instance)->ports[hosted_port(instance, "tuning")];
   assert_int_equal(tuning->n_points, bm_tuning_count());
   for (uint32_t i = 0; i < tuning->n_points; ++i) {
      assert_string_equal(tuning->points[i].label, bm_tuning((uint32_t)tuning->points[i].value)->name);
   }
   bm_instance_free(instance);
}

/* A thump at the start, another capo, another instrument: what was learned from it must not stay for good. */
static void learning_begins_anew_when_asked_and_when_the_tuning_rules_the_note_out(void** state)
{
   (void)state;
   enum { N_FRAMES = 72000, VIOLIN = 15 };
   float* low = harmonic_tone(97.999, 48000.0, N_FRAMES);
   float* high = harmonic_tone(246.942, 48000.0, N_FRAMES);
   BmInstance* instance = hosted_new(MONO, 48000.0);
   hosted_set(instance, "note_source", 1);
   run_mono(instance, low, NULL, N_FRAMES);
   run_mono(instance, high, NULL, N_FRAMES);
   assert_close(hosted_get(instance, "lowest_note"), 97.999, 0.3);
   hosted_set(instance, "learn_again", 1);
   run_mono(instance, high, NULL, N_FRAMES);
   assert_close(hosted_get(instance, "lowest_note"), 246.942, 0.7);

   hosted_set(instance, "learn_again", 0);
   run_mono(instance, low, NULL, N_FRAMES);
   assert_close(hosted_get(instance, "lowest_note"), 97.999, 0.3);
   hosted_set(instance, "tuning", VIOLIN);
   run_mono(instance, high, NULL, N_FRAMES);
   assert_close(hosted_get(instance, "lowest_note"), 246.942, 0.7);
   bm_instance_free(instance);
   free(low);
   free(high);
}

static void a_session_saved_with_learn_again_on_keeps_its_note(void** state)
{
   (void)state;
   enum { N_FRAMES = 72000 };
   float* tone = harmonic_tone(110.0, 48000.0, N_FRAMES);
   BmInstance* first = hosted_new(MONO, 48000.0);
   hosted_set(first, "note_source", 1);
   hosted_set(first, "learn_again", 1);
   run_mono(first, tone, NULL, N_FRAMES);
   char* saved = bm_instance_save(first);
   BmInstance* second = hosted_new(MONO, 48000.0);
   BmError error = {0};
   if (!bm_instance_load_text(second, saved, &error)) {
      fail_msg("%s", error.text);
   }
   float silence[512] = {0};
   run_mono(second, silence, NULL, 512);
   assert_close(hosted_get(second, "lowest_note"), 110.0, 0.3);
   free(saved);
   free(tone);
   bm_instance_free(first);
   bm_instance_free(second);
}

static void follow_moves_with_the_part(void** state)
{
   (void)state;
   enum { N_FRAMES = 72000 };
   BmInstance* instance = hosted_new(MONO, 48000.0);
   hosted_set(instance, "note_source", 2);
   static const double part_hz[] = {146.832, 97.999, 130.813};
   for (size_t i = 0; i < sizeof part_hz / sizeof *part_hz; ++i) {
      float* tone = harmonic_tone(part_hz[i], 48000.0, N_FRAMES);
      run_mono(instance, tone, NULL, N_FRAMES);
      assert_close(hosted_get(instance, "lowest_note"), part_hz[i], 0.006 * part_hz[i]);
      free(tone);
   }
   bm_instance_free(instance);
}

/* 50 cents of what sounded, 300 ms after the onset, read from the plugin's own output port. */
static void follow_names_the_recorded_notes(void** state)
{
   (void)state;
   bm_test_want(bm_recordings_are_there(), "the recorded notes", "run tests/recordings/fetch");
   int n_right = 0;
   int n_notes = 0;
   for (int key = BM_RECORDINGS_LOWEST_KEY; key <= BM_RECORDINGS_HIGHEST_KEY; ++key) {
      BmRecording note = bm_recording_note(key, 48000.0, 1.5);
      float* samples = calloc(note.n_frames + 4800, sizeof *samples);
      assert_non_null(samples);
      for (uint32_t i = 0; i < note.n_frames; ++i) {
         samples[4800 + i] = (float)note.samples[i];
      }
      const double sounded_hz = bm_recording_measured_hz(&note, bm_recording_nominal_hz(key));
      BmInstance* instance = hosted_new(MONO, 48000.0);
      hosted_set(instance, "tuning", 2); /* drop D: the recordings begin at D2 */
      hosted_set(instance, "note_source", 2);
      run_mono(instance, samples, NULL, 4800 + 14400);
      const double cents = 1200.0 * log2(hosted_get(instance, "lowest_note") / sounded_hz);
      n_right += fabs(cents) < 50.0;
      if (!(fabs(cents) < 50.0)) {
         printf("key %d, %.1f Hz: named %.1f Hz\n", key, sounded_hz, hosted_get(instance, "lowest_note"));
      }
      ++n_notes;
      bm_instance_free(instance);
      free(samples);
      bm_recording_free(&note);
   }
   printf("%d of %d recorded notes named within 50 cents 300 ms after the onset\n", n_right, n_notes);
   assert_true(n_right >= (int)ceil(0.95 * n_notes));
}

int main(void)
{
   if (!hosted_open()) {
      return 1;
   }
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(the_curve_heard_is_the_analogue_prototype_up_to_20_khz),
      cmocka_unit_test(the_default_low_cut_spares_the_note_and_clears_the_octave_below),
      cmocka_unit_test(a_learned_note_moves_the_low_cut_and_survives_save_and_reload),
      cmocka_unit_test(until_a_note_is_heard_the_lowest_string_is_spared),
      cmocka_unit_test(every_tuning_is_called_what_the_search_takes_it_for),
      cmocka_unit_test(learning_begins_anew_when_asked_and_when_the_tuning_rules_the_note_out),
      cmocka_unit_test(a_session_saved_with_learn_again_on_keeps_its_note),
      cmocka_unit_test(follow_moves_with_the_part),
      cmocka_unit_test(follow_names_the_recorded_notes),
   };
   const int n_failed = cmocka_run_group_tests(tests, NULL, NULL);
   bm_host_free(hosted_host);
   return n_failed;
}
