/* SPDX-License-Identifier: ISC */
/* If these fail, the report names a note that was not played, and weighs its harmonics in the wrong place. */
#include "unit_test.h"

#include "host.h"
#include "measure.h"
#include "recordings.h"

#include <sndfile.h>

#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define NOTE_S 1.5

static char path[] = "/tmp/bm-test-notes-XXXXXX.wav";

/* Recorded guitar notes one after another. */
static void write_notes(const int* keys, uint32_t n_notes)
{
   SF_INFO info = {.samplerate = 44100, .channels = 1, .format = SF_FORMAT_WAV | SF_FORMAT_PCM_24};
   SNDFILE* const file = sf_open(path, SFM_WRITE, &info);
   assert_non_null(file);
   for (uint32_t n = 0; n < n_notes; ++n) {
      BmRecording note = bm_recording_note(keys[n], 44100.0, NOTE_S);
      double* const padded = calloc((size_t)(NOTE_S * 44100.0), sizeof *padded);
      memcpy(padded, note.samples, note.n_frames * sizeof *padded);
      sf_writef_double(file, padded, (sf_count_t)(NOTE_S * 44100.0));
      free(padded);
      bm_recording_free(&note);
   }
   sf_close(file);
}

static void the_lowest_recorded_note_of_a_phrase_is_named_and_followed(void** state)
{
   (void)state;
   const int phrases[][3] = {{52, 40, 55}, {45, 57, 50}, {62, 50, 59}};
   BmError error = {0};
   BmHost* host = bm_host_new(&error);
   assert_non_null(host);
   for (uint32_t n = 0; n < 3; ++n) {
      int lowest_key = 127;
      for (uint32_t i = 0; i < 3; ++i) {
         lowest_key = phrases[n][i] < lowest_key ? phrases[n][i] : lowest_key;
      }
      write_notes(phrases[n], 3);
      BmAnalysis analysis;
      if (!bm_measure_file(host, path, 0.0, NULL, &analysis, &error)) {
         fail_msg("%s", error.text);
      }
      const double nominal_hz = bm_recording_nominal_hz(lowest_key);
      assert_close(1200.0 * log2(analysis.figures.lowest_note_hz / nominal_hz), 0.0, 50.0);
      for (uint32_t h = 0; h < BM_N_HARMONICS; ++h) {
         assert_between(analysis.figures.harmonic_dbfs[h], -90.0, 0.0);
      }
      /* Each note in its own time: half a second in, and until before the next. */
      for (uint32_t i = 0; i < 3; ++i) {
         for (uint32_t point = (uint32_t)(10.0 * NOTE_S * i) + 5;
              point < (uint32_t)(10.0 * NOTE_S * (i + 1)) - 3; ++point) {
            const double hz = (double)analysis.series.lowest_note_hz[point];
            assert_close(1200.0 * log2(hz / bm_recording_nominal_hz(phrases[n][i])), 0.0, 50.0);
         }
      }
      bm_analysis_free(&analysis);
   }
   bm_host_free(host);
}

static void noise_has_no_lowest_note(void** state)
{
   (void)state;
   SF_INFO info = {.samplerate = 48000, .channels = 2, .format = SF_FORMAT_WAV | SF_FORMAT_PCM_24};
   SNDFILE* const file = sf_open(path, SFM_WRITE, &info);
   uint64_t seed = 5;
   for (uint32_t n = 0; n < 3 * 48000; ++n) {
      const double frame[] = {0.1 * bm_test_random(&seed), 0.1 * bm_test_random(&seed)};
      sf_writef_double(file, frame, 1);
   }
   sf_close(file);
   BmError error = {0};
   BmHost* host = bm_host_new(&error);
   BmAnalysis analysis;
   assert_true(bm_measure_file(host, path, 0.0, NULL, &analysis, &error));
   assert_true(isnan(analysis.figures.lowest_note_hz));
   assert_true(isnan(analysis.figures.harmonic_dbfs[0]));
   bm_analysis_free(&analysis);
   bm_host_free(host);
}

int main(void)
{
   if (!bm_recordings_are_there()) {
      return bm_test_missing("the recorded notes", "run tests/recordings/fetch");
   }
   close(mkstemps(path, 4));
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(the_lowest_recorded_note_of_a_phrase_is_named_and_followed),
      cmocka_unit_test(noise_has_no_lowest_note),
   };
   const int status = cmocka_run_group_tests(tests, NULL, NULL);
   unlink(path);
   return status;
}
