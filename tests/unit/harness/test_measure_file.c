/* SPDX-License-Identifier: ISC */
/* If these fail, `bookmatch measure` prints figures for a file that it did not read whole, or JSON that no
   program can read. */
#include "unit_test.h"

#include "json_check.h"
#include "measure.h"

#include <sndfile.h>

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static char path[] = "/tmp/bm-test-measure-XXXXXX.wav";

static int make_path(void** state)
{
   (void)state;
   const int file = mkstemps(path, 4);
   close(file);
   return file < 0;
}

static int remove_path(void** state)
{
   (void)state;
   return unlink(path);
}

/* A sine of -20 dBFS in floating point; `bad` goes into frame 1000 of it. */
static void write_sine(int rate_hz, int n_channels, int n_frames, float bad)
{
   SF_INFO info = {.samplerate = rate_hz, .channels = n_channels, .format = SF_FORMAT_WAV | SF_FORMAT_FLOAT};
   SNDFILE* const file = sf_open(path, SFM_WRITE, &info);
   assert_non_null(file);
   for (int n = 0; n < n_frames; ++n) {
      float frame[8];
      for (int channel = 0; channel < n_channels; ++channel) {
         frame[channel] = n == 1000 && bad != 0.0f
                             ? bad
                             : 0.1f * sinf(2.0f * (float)M_PI * 1000.0f * (float)n / (float)rate_hz);
      }
      sf_writef_float(file, frame, 1);
   }
   sf_close(file);
}

static void a_file_is_measured_to_its_end(void** state)
{
   (void)state;
   write_sine(48000, 2, 48000, 0.0f);
   BmAnalysis analysis;
   BmError error = {0};
   assert_true(bm_measure_file(NULL, path, 1000.0, NULL, &analysis, &error));
   assert_int_equal(analysis.figures.n_frames, 48000);
   assert_close(analysis.figures.integrated_lufs, -20.0, 0.1); /* 0 dBFS in both channels reads 0, BS.1770 */
   assert_close(analysis.figures.crest_db, 3.0103, 1e-3);
   assert_close(analysis.figures.correlation, 1.0, 1e-9);
   assert_between(analysis.figures.harmonic_dbfs[0], -21.0, -19.9); /* windows at the ends are half filled */
   bm_analysis_free(&analysis);
}

static void check_refused(const char* word)
{
   BmAnalysis analysis;
   BmError error = {0};
   assert_false(bm_measure_file(NULL, path, 0.0, NULL, &analysis, &error));
   assert_true(error.is_set);
   assert_non_null(strstr(error.text, path));
   if (!strstr(error.text, word)) {
      fail_msg("\"%s\" does not speak of \"%s\"", error.text, word);
   }
   assert_null(strchr(error.text, '\n'));
}

static void what_cannot_be_measured_is_refused_with_a_line(void** state)
{
   (void)state;
   write_sine(48000, 1, 4000, NAN);
   check_refused("finite");
   write_sine(48000, 2, 4000, INFINITY);
   check_refused("finite");
   write_sine(48000, 4, 4000, 0.0f);
   check_refused("channels");
   write_sine(48000, 1, 0, 0.0f);
   check_refused("");
   write_sine(1000, 1, 4000, 0.0f);
   check_refused("1000 Hz");
   write_sine(48000, 1, 48000, 0.0f);
   assert_int_equal(truncate(path, 40000), 0);
   check_refused("");
}

/* A part of the LIST, 8 bytes shorter than nothing: libsndfile 1.2.0 steps back over it and meets it again.
 */
static void a_header_that_leads_in_circles_is_given_up(void** state)
{
   (void)state;
   static const unsigned char header[] =
      "RIFF\x44\0\0\0WAVEfmt \x10\0\0\0\1\0\1\0\x80\xbb\0\0\0\x77\1\0\2\0\x10\0"
      "LIST\x18\0\0\0INFOpart\xf8\xff\xff\xff\0\0\0\0\0\0\0\0\0\0\0";
   FILE* const file = fopen(path, "wb");
   assert_non_null(file);
   assert_int_equal(fwrite(header, sizeof header, 1, file), 1);
   assert_int_equal(fclose(file), 0);
   check_refused("circles");
}

/* Two hours take minutes: a user must see how far it is, and Ctrl-C must not wait for the end. */
static void who_waits_sees_the_share_that_is_done_and_can_end_it(void** state)
{
   (void)state;
   write_sine(48000, 1, 48000, 0.0f);
   BmError error = {0};
   BmHost* host = bm_host_new(&error);
   assert_non_null(host);
   BmAnalysis analysis;
   BmWatch watch = {0};
   assert_true(bm_measure_file(host, path, 0.0, &watch, &analysis, &error));
   /* One pass for the note, one for the figures. */
   assert_int_equal(watch.total_frames, 2 * 48000);
   assert_int_equal(watch.done_frames, watch.total_frames);
   bm_analysis_free(&analysis);
   volatile sig_atomic_t is_stopped = 1;
   BmWatch stopped = {.stop = &is_stopped};
   assert_false(bm_measure_file(host, path, 0.0, &stopped, &analysis, &error));
   assert_string_equal(error.text, "interrupted");
   assert_true(stopped.done_frames < 48000 / 4);
   bm_host_free(host);
}

static void json_of_any_figures_and_names_is_strict(void** state)
{
   (void)state;
   BmMeasurement figures[2];
   memset(figures, 0, sizeof figures);
   figures[0].integrated_lufs = -(double)INFINITY;
   figures[0].correlation = (double)NAN;
   figures[0].highs_db = 1e300;
   const char* const paths[] = {"a \"b\"\\\n\x01\xFF.wav", "\xC3\xBC.wav"};
   BmText text = {0};
   bm_measure_add_json(&text, paths, figures, 2);
   assert_true(is_json(text.chars));
   assert_non_null(strstr(text.chars, "\"integrated_lufs\": null"));
   assert_non_null(strstr(text.chars, "\"correlation\": null"));
   bm_text_free(&text);
}

static void the_table_is_aligned(void** state)
{
   (void)state;
   BmMeasurement figures[2];
   memset(figures, 0, sizeof figures);
   figures[0].integrated_lufs = -(double)INFINITY;
   figures[1].integrated_lufs = -123.4;
   figures[1].lowest_note_hz = 92.5;
   const char* const paths[] = {"folder/a.wav", "folder/a rather long name of a take.wav"};
   BmText text = {0};
   bm_measure_add_table(&text, paths, figures, 2, 0);
   assert_null(strstr(text.chars, "folder"));
   /* Columns end in the same place, counted in letters. */
   size_t first_width = 0;
   for (char* line = strtok(text.chars, "\n"); line; line = strtok(NULL, "\n")) {
      size_t width = 0;
      for (const char* c = line; *c; ++c) {
         width += (*c & 0xC0) != 0x80;
      }
      first_width = first_width ? first_width : width;
      assert_int_equal(width, first_width);
   }
   bm_text_free(&text);
}

static void one_channel_beside_two_is_told_to_be_3_lu_lower(void** state)
{
   (void)state;
   static const uint32_t n_channels[][2] = {{1, 1}, {2, 2}, {1, 2}};
   for (uint32_t n = 0; n < 3; ++n) {
      BmMeasurement figures[2];
      memset(figures, 0, sizeof figures);
      figures[0].n_channels = n_channels[n][0];
      figures[1].n_channels = n_channels[n][1];
      const char* const paths[] = {"a.wav", "b.wav"};
      BmText text = {0};
      bm_measure_add_table(&text, paths, figures, 2, 0);
      assert_true((strstr(text.chars, "on two it is 3 LU louder") != NULL) == (n == 2));
      bm_text_free(&text);
   }
}

static void many_files_make_tables_that_fit_the_terminal(void** state)
{
   (void)state;
   BmMeasurement figures[9];
   memset(figures, 0, sizeof figures);
   const char* paths[9];
   for (uint32_t n = 0; n < 9; ++n) {
      paths[n] = "take.wav";
      figures[n].crest_db = n;
   }
   for (uint32_t columns = 45; columns < 200; columns += 13) {
      BmText text = {0};
      bm_measure_add_table(&text, paths, figures, 9, columns);
      uint32_t n_seen = 0;
      for (char* line = strtok(text.chars, "\n"); line; line = strtok(NULL, "\n")) {
         if (strlen(line) > columns) {
            fail_msg("%u columns are too few for: %s", columns, line);
         }
         /* Every file once, in order. */
         const char* at = strncmp(line, "Crest factor", 12) ? "" : strstr(line, "dB") + 2;
         double value;
         int used;
         while (sscanf(at, "%lf%n", &value, &used) == 1) {
            assert_close(value, n_seen++, 0.0);
            at += used;
         }
      }
      assert_int_equal(n_seen, 9);
      bm_text_free(&text);
   }
}

int main(void)
{
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(a_file_is_measured_to_its_end),
      cmocka_unit_test(what_cannot_be_measured_is_refused_with_a_line),
      cmocka_unit_test(a_header_that_leads_in_circles_is_given_up),
      cmocka_unit_test(who_waits_sees_the_share_that_is_done_and_can_end_it),
      cmocka_unit_test(json_of_any_figures_and_names_is_strict),
      cmocka_unit_test(the_table_is_aligned),
      cmocka_unit_test(one_channel_beside_two_is_told_to_be_3_lu_lower),
      cmocka_unit_test(many_files_make_tables_that_fit_the_terminal),
   };
   return cmocka_run_group_tests(tests, make_path, remove_path);
}
