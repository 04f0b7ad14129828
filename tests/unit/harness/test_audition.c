/* SPDX-License-Identifier: ISC */
/* If these fail, a choice by ear is a choice of the louder one, a listener is hit by a clipped peak, or the
   page speaks of other audio than lies beside it. */
#include "page_check.h"
#include "session_test.h"

#include "audition.h"

#include <ebur128.h>

#include <glob.h>
#include <math.h>
#include <signal.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <time.h>

#define SESSION "<> a bm:Session ; rdfs:label \"Which one\" ; bm:maxTail 0 .\n"
#define STEM "<#out> a bm:Stem ; bm:from <#a> ; bm:file \"out.wav\" .\n"
#define TRACK "<#a> a bm:Track ; bm:take <take.wav> ; bm:inserts (\n"
#define ALTERNATIVE(name, inserts) "[ rdfs:label \"" name "\" ; bm:inserts ( " inserts " ) ]\n"
#define GAIN(value) "[ lv2:appliesTo test:mono ; lv2:port [ lv2:symbol \"gain\" ; pset:value " #value " ] ]"
#define THREE                                                                                                \
   SESSION STEM TRACK "[ bm:alternatives (\n" ALTERNATIVE("Loud", GAIN(-4)) ALTERNATIVE("As it is", "")      \
      ALTERNATIVE(                                                                                           \
         "Echo",                                                                                             \
         "[ lv2:appliesTo test:mono ; lv2:port [ lv2:symbol \"echo\" ; pset:value 0.9 ] ]") ") ] ) .\n"

static volatile sig_atomic_t never;
static volatile sig_atomic_t at_once = 1;

/* Noise of very different levels: some of it under the absolute gate of BS.1770 before it is turned up. */
static float wave_verse_and_chorus(uint32_t frame, uint32_t channel)
{
   static const float levels[] = {0.9f, 0.06f, 0.001f, 0.3f};
   return levels[frame / 24000 % 4] * wave_noise(frame, channel);
}

static bool audition(const char* body, const char* stem, const volatile sig_atomic_t* stop, BmError* error)
{
   BmSession* session = read_session(body, error);
   if (!session) {
      return false;
   }
   const BmAuditionTask task = {folder, stem, stop};
   BmAudition made;
   const bool ok = bm_audition_run(host, session, &task, &made, error);
   bm_audition_free(&made);
   bm_session_free(session);
   return ok;
}

static void audition_well(const char* body)
{
   BmError error = {0};
   if (!audition(body, NULL, &never, &error)) {
      fail_msg("%s", error.text);
   }
}

typedef struct {
   uint32_t n_frames;
   uint32_t n_channels;
   float* samples; /* interleaved */
   double integrated_lufs;
   double true_peak_dbtp;
} File;

/* The page, or a file of the one set of audio that lies beside it. */
static const char* made_file(const char* name)
{
   static char path[512];
   glob_t sets = {0};
   if (!strcmp(name, "index.html")) {
      return in_folder(name);
   }
   if (glob(in_folder("audio-*"), 0, NULL, &sets) || sets.gl_pathc != 1) {
      fail_msg("not one set of audio lies beside the page but %zu", sets.gl_pathc);
   }
   snprintf(path, sizeof path, "%s/%s", sets.gl_pathv[0], name);
   globfree(&sets);
   return path;
}

/* A file as libsndfile reads it and libebur128 measures it. */
static File read_file(const char* name)
{
   SF_INFO info = {0};
   SNDFILE* in = sf_open(made_file(name), SFM_READ, &info);
   if (!in) {
      fail_msg("%s is not there", name);
   }
   File file = {.n_frames = (uint32_t)info.frames, .n_channels = (uint32_t)info.channels};
   file.samples = calloc((size_t)file.n_frames * file.n_channels, sizeof(float));
   assert_int_equal(sf_readf_float(in, file.samples, info.frames), info.frames);
   assert_int_equal(info.format, SF_FORMAT_WAV | SF_FORMAT_PCM_24);
   sf_close(in);
   ebur128_state* meter =
      ebur128_init(file.n_channels, (unsigned long)info.samplerate, EBUR128_MODE_I | EBUR128_MODE_TRUE_PEAK);
   assert_int_equal(ebur128_add_frames_float(meter, file.samples, file.n_frames), EBUR128_SUCCESS);
   double peak = 0.0;
   ebur128_loudness_global(meter, &file.integrated_lufs);
   for (uint32_t c = 0; c < file.n_channels; ++c) {
      double channel_peak = 0.0;
      ebur128_true_peak(meter, c, &channel_peak);
      peak = fmax(peak, channel_peak);
   }
   file.true_peak_dbtp = 20.0 * log10(peak);
   ebur128_destroy(&meter);
   return file;
}

/* All at one loudness within 0.1 LU, below -1 dBTP, and one of them close under it. */
static void assert_matched(const char* const* names, uint32_t n_names)
{
   double lowest_lufs = 0.0;
   double highest_lufs = -100.0;
   double highest_dbtp = -100.0;
   for (uint32_t n = 0; n < n_names; ++n) {
      File file = read_file(names[n]);
      print_message("%s: %.3f LUFS, %.3f dBTP\n", names[n], file.integrated_lufs, file.true_peak_dbtp);
      lowest_lufs = fmin(lowest_lufs, file.integrated_lufs);
      highest_lufs = fmax(highest_lufs, file.integrated_lufs);
      highest_dbtp = fmax(highest_dbtp, file.true_peak_dbtp);
      free(file.samples);
   }
   assert_true(highest_lufs - lowest_lufs <= 0.1);
   assert_true(highest_dbtp < -1.0);
   assert_true(highest_dbtp > -1.1);
}

static void gains_lead_to_the_highest_common_loudness_that_keeps_every_peak_down(void** state)
{
   (void)state;
   uint64_t seed = 7;
   for (int round = 0; round < 1000; ++round) {
      BmLevel levels[BM_MAX_ALTERNATIVES];
      double gain_db[BM_MAX_ALTERNATIVES];
      const uint32_t n_levels = 2 + (uint32_t)round % (BM_MAX_ALTERNATIVES - 1);
      for (uint32_t n = 0; n < n_levels; ++n) {
         levels[n].integrated_lufs = -40.0 + 30.0 * bm_test_random(&seed);
         levels[n].true_peak_dbtp = levels[n].integrated_lufs + 15.0 + 10.0 * bm_test_random(&seed);
      }
      const double common_lufs = bm_match_levels(levels, n_levels, gain_db);
      double highest_dbtp = -100.0;
      for (uint32_t n = 0; n < n_levels; ++n) {
         assert_close(levels[n].integrated_lufs + gain_db[n], common_lufs, 1e-9);
         highest_dbtp = fmax(highest_dbtp, levels[n].true_peak_dbtp + gain_db[n]);
      }
      assert_true(highest_dbtp < -1.0);
      assert_close(highest_dbtp, -1.0, 0.02);
   }
   const BmLevel silent[] = {{-20.0, -3.0}, {-(double)INFINITY, -(double)INFINITY}};
   double gain_db[2];
   assert_true(isnan(bm_match_levels(silent, 2, gain_db)));
}

static void the_files_lie_at_one_loudness_and_below_the_peak_limit(void** state)
{
   (void)state;
   static const char* const names[] = {"1-loud.wav", "2-as-it-is.wav", "3-echo.wav"};
   write_take("take.wav", RATE_HZ, 1, 6 * RATE_HZ, wave_verse_and_chorus);
   audition_well(THREE);
   assert_matched(names, 3);
}

/* At -66 LUFS half of this take is under the absolute gate, and comes over it when it is turned up. */
static void all_but_silent_alternatives_are_matched_as_closely(void** state)
{
   (void)state;
   static const char* const names[] = {"1-quiet.wav", "2-quieter.wav", "3-loud.wav"};
   write_take("take.wav", RATE_HZ, 1, 6 * RATE_HZ, wave_verse_and_chorus);
   audition_well(SESSION STEM TRACK "[ bm:alternatives (\n" ALTERNATIVE("Quiet", GAIN(0.003))
                    ALTERNATIVE("Quieter", GAIN(0.001)) ALTERNATIVE("Loud", GAIN(4)) ") ] ) .\n");
   assert_matched(names, 3);
}

static void a_file_is_the_render_of_its_alternative_times_one_gain(void** state)
{
   (void)state;
   write_take("take.wav", RATE_HZ, 1, 2 * RATE_HZ, wave_noise);
   audition_well(THREE);
   File file = read_file("3-echo.wav");
   Rendered rendered =
      render_body(SESSION STEM TRACK
                  "[ lv2:appliesTo test:mono ; lv2:port [ lv2:symbol \"echo\" ; pset:value 0.9 ] ] ) .\n");
   assert_int_equal(file.n_frames, rendered.n_frames);
   double product = 0.0;
   double square = 0.0;
   for (uint32_t n = 0; n < file.n_frames; ++n) {
      product += (double)file.samples[n] * (double)rendered.after[0][0][n];
      square += (double)rendered.after[0][0][n] * (double)rendered.after[0][0][n];
   }
   const double gain = product / square;
   for (uint32_t n = 0; n < file.n_frames; ++n) {
      assert_close((double)file.samples[n], gain * (double)rendered.after[0][0][n], 0.51 / 8388608.0);
   }
   rendered_free(&rendered);
   free(file.samples);
}

/* On two loudspeakers mono is 3 LU louder than its file reads, so it is written as it is heard. */
static void mono_beside_stereo_is_written_to_both_channels(void** state)
{
   (void)state;
   static const char* const names[] = {"1-mono.wav", "2-wide.wav"};
   write_take("take.wav", RATE_HZ, 1, 2 * RATE_HZ, wave_noise);
   audition_well(SESSION STEM TRACK "[ bm:alternatives (\n" ALTERNATIVE("Mono", "")
                    ALTERNATIVE("Wide", "[ lv2:appliesTo test:stereo ]") ") ] ) .\n");
   assert_matched(names, 2);
   File mono = read_file(names[0]);
   assert_int_equal(mono.n_channels, 2);
   for (uint32_t n = 0; n < mono.n_frames; ++n) {
      assert_true(mono.samples[2 * n] == mono.samples[2 * n + 1]);
   }
   free(mono.samples);
}

/* The one that rings on comes first; the others are as long as it. */
static void every_file_is_as_long_as_the_longest_alternative_rings(void** state)
{
   (void)state;
   static const char* const names[] = {"1-echo.wav", "2-dry.wav"};
   write_take("take.wav", RATE_HZ, 1, RATE_HZ, wave_noise);
   audition_well("<> a bm:Session ; bm:maxTail 0.5 .\n" STEM TRACK "[ bm:alternatives (\n" ALTERNATIVE(
      "Echo", "[ lv2:appliesTo test:mono ; lv2:port [ lv2:symbol \"echo\" ; pset:value 0.9 ] ]")
                    ALTERNATIVE("Dry", "") ") ] ) .\n");
   for (int n = 0; n < 2; ++n) {
      File file = read_file(names[n]);
      assert_int_equal(file.n_frames, RATE_HZ + RATE_HZ / 2);
      const double late = (double)file.samples[RATE_HZ + RATE_HZ / 4];
      assert_true(n == 0 ? late != 0.0 : late == 0.0);
      free(file.samples);
   }
}

/* Wherever it stands among them. */
static void the_page_compares_with_the_alternative_that_does_nothing(void** state)
{
   (void)state;
   write_take("take.wav", RATE_HZ, 1, RATE_HZ, wave_noise);
   audition_well(THREE);
   char* page = read_page(in_folder("index.html"));
   assert_true(strstr(page, "Spectra against As it is"));
   assert_int_equal(count_of(page, "Spectra against "), count_of(page, "Spectra against As it is"));
   free(page);
}

static void an_audition_repeats_to_the_byte(void** state)
{
   (void)state;
   static const char* const names[] = {"index.html", "1-loud.wav", "1-loud.js", "3-echo.wav", "3-echo.js"};
   char* first[5];
   write_take("take.wav", RATE_HZ, 1, RATE_HZ, wave_noise);
   audition_well(THREE);
   for (int n = 0; n < 5; ++n) {
      first[n] = read_page(made_file(names[n]));
   }
   audition_well(THREE);
   for (int n = 0; n < 5; ++n) {
      char* second = read_page(made_file(names[n]));
      struct stat status;
      assert_int_equal(stat(made_file(names[n]), &status), 0);
      assert_memory_equal(first[n], second, (size_t)status.st_size);
      free(first[n]);
      free(second);
   }
}

static void the_page_is_whole_and_asks_nothing_of_a_network(void** state)
{
   (void)state;
   write_take("take.wav", RATE_HZ, 1, RATE_HZ, wave_noise);
   audition_well(SESSION STEM TRACK "[ bm:alternatives (\n" ALTERNATIVE(
      "</script><b a='1'> & \\\"one\\\"", GAIN(2)) ALTERNATIVE("\\u4E8C", "") ") ] ) .\n");
   char* page = read_page(in_folder("index.html"));
   char* style = strstr(page, "<style>");
   char* script = strstr(page, "<script>");
   assert_non_null(style);
   assert_non_null(script);
   assert_null(strstr(page, "http"));
   assert_null(strstr(page, "<b a="));
   assert_non_null(strstr(page, "1-script-b-a-1-one.wav"));
   assert_non_null(strstr(page, "2-alternative.wav"));
   assert_non_null(strstr(page, "damage hearing"));
   /* Style and script have rules of their own. */
   char* style_end = strstr(style, "</style>");
   memset(style + strlen("<style>"), ' ', (size_t)(style_end - style) - strlen("<style>"));
   char* script_end = strstr(script, "</script>");
   memset(script + strlen("<script>"), ' ', (size_t)(script_end - script) - strlen("<script>"));
   check_markup(page);
   free(page);
}

static void what_cannot_be_auditioned_is_told_in_one_line(void** state)
{
   (void)state;
   static const struct {
      const char* body;
      const char* stem;
      const char* message; /* after the path of the session */
   } cases[] = {
      {SESSION STEM TRACK ") .\n", NULL,
       ": offers no alternatives to choose from; SESSION.md tells of bm:alternatives"},
      {THREE, "outt.wav", ": has no stem \"outt.wav\"; did you mean \"out.wav\"?"},
      {THREE
       "<#b> a bm:Track ; bm:take <take.wav> .\n<#dry> a bm:Stem ; bm:from <#b> ; bm:file \"dry.wav\" .\n",
       "dry.wav", ":11: no alternative reaches the stem \"dry.wav\""},
      {SESSION
       "<#b> a bm:Track ; bm:take <take.wav> .\n<#dry> a bm:Stem ; bm:from <#b> ; bm:file \"dry.wav\" .\n"
       "<#m> a bm:Bus .\n" TRACK "[ bm:alternatives (\n" ALTERNATIVE("A", "")
          ALTERNATIVE("B", "") ") ] ) ; bm:output <#m> .\n",
       NULL, ": no alternative reaches a stem"},
      {SESSION "<#m> a bm:Bus .\n<#out> a bm:Stem ; bm:from <#m> ; bm:file \"out.wav\" .\n" TRACK
               "[ bm:alternatives (\n" ALTERNATIVE("A", "")
                  ALTERNATIVE("B", GAIN(2)) ") ] ) ; bm:mute true ; bm:output <#m> .\n"
                                            "<#b> a bm:Track ; bm:take <take.wav> ; bm:output <#m> .\n",
       NULL, ": no alternative reaches a stem"},
      {SESSION STEM TRACK "[ bm:alternatives (\n" ALTERNATIVE("Silent", GAIN(0))
          ALTERNATIVE("B", "") ") ] ) .\n",
       NULL, ":6: the alternative \"Silent\" is silent, or shorter than 0.4 s: it has no loudness to match"},
   };
   write_take("take.wav", RATE_HZ, 1, RATE_HZ, wave_noise);
   for (size_t n = 0; n < sizeof(cases) / sizeof(cases[0]); ++n) {
      BmError error = {0};
      unlink(in_folder("index.html"));
      assert_false(audition(cases[n].body, cases[n].stem, &never, &error));
      assert_string_equal(error.text + strlen(in_folder("session.ttl")), cases[n].message);
      assert_int_not_equal(access(in_folder("index.html"), F_OK), 0);
      assert_int_not_equal(access(in_folder(".audition.part"), F_OK), 0);
   }
}

/* Who plays an earlier audition as a take, or keeps notes beside it, still has both after the next. */
static void what_others_keep_in_the_folder_stays(void** state)
{
   (void)state;
   write_take("take.wav", RATE_HZ, 1, RATE_HZ, wave_noise);
   audition_well(THREE);
   char take[512];
   char notes[512];
   char other[512];
   snprintf(take, sizeof take, "%s", made_file("1-loud.wav"));
   snprintf(other, sizeof other, "%s", made_file("3-echo.wav"));
   snprintf(notes, sizeof notes, "%s", made_file("notes.txt"));
   FILE* file = fopen(notes, "w");
   assert_non_null(file);
   fclose(file);
   char* body = bm_print(SESSION STEM "<#a> a bm:Track ; bm:take <%s> ; bm:inserts (\n"
                                      "[ bm:alternatives (\n" ALTERNATIVE("Loud", GAIN(4))
                                         ALTERNATIVE("B", "") ") ] ) .\n",
                         take);
   audition_well(body);
   free(body);
   assert_int_equal(access(take, R_OK), 0);
   assert_int_equal(access(notes, R_OK), 0);
   assert_int_not_equal(access(other, R_OK), 0);
   unlink(notes);
   audition_well(THREE);
   assert_int_equal(access(made_file("3-echo.wav"), R_OK), 0);
}

static void an_audition_that_is_stopped_leaves_the_one_before_as_it_was(void** state)
{
   (void)state;
   write_take("take.wav", RATE_HZ, 1, RATE_HZ, wave_noise);
   audition_well(THREE);
   char* page = read_page(in_folder("index.html"));
   BmError error = {0};
   assert_false(audition(THREE, NULL, &at_once, &error));
   assert_non_null(strstr(error.text, "interrupted"));
   char* still = read_page(in_folder("index.html"));
   assert_string_equal(page, still);
   assert_int_not_equal(access(in_folder(".audition.part"), F_OK), 0);
   assert_int_not_equal(access(in_folder(".index.html.part"), F_OK), 0);
   free(page);
   free(still);
}

enum { N_MADE = 3 };
static const char* const made[N_MADE] = {"index.html", "1-one.js", "2-two.js"};

static void choose_between(const char* one, const char* two)
{
   char* body = bm_print(SESSION STEM TRACK "[ bm:alternatives (\n" ALTERNATIVE("One", "%s")
                            ALTERNATIVE("Two", "%s") ") ] ) .\n",
                         one, two);
   BmError error = {0};
   BmSession* session = read_session(body, &error);
   assert_non_null(session);
   bm_session_free(session);
   free(body);
}

static pid_t start_audition(void)
{
   const pid_t child = fork();
   if (child == 0) {
      freopen("/dev/null", "w", stdout);
      freopen("/dev/null", "w", stderr);
      execl(getenv("BM_COMMAND"), "bookmatch", "audition", in_folder("session.ttl"), "-o", folder,
            (char*)NULL);
      _exit(127);
   }
   return child;
}

/* Whatever moment it dies in, the page that is there has all of its own audio. */
static void an_audition_that_is_killed_leaves_a_whole_one_and_the_next_clears_up(void** state)
{
   (void)state;
   char* whole[2][N_MADE];
   struct timespec begun;
   struct timespec ended;
   write_take("take.wav", RATE_HZ, 1, 2 * RATE_HZ, wave_noise);
   for (int k = 0; k < 2; ++k) {
      choose_between(k ? GAIN(2) : "", k ? "" : GAIN(-1));
      clock_gettime(CLOCK_MONOTONIC, &begun);
      waitpid(start_audition(), NULL, 0);
      clock_gettime(CLOCK_MONOTONIC, &ended);
      for (int n = 0; n < N_MADE; ++n) {
         whole[k][n] = read_page(made_file(made[n]));
      }
   }
   assert_string_not_equal(whole[0][0], whole[1][0]);
   const double whole_us =
      1e6 * (double)(ended.tv_sec - begun.tv_sec) + 1e-3 * (double)(ended.tv_nsec - begun.tv_nsec);
   for (int round = 1; round <= 16; ++round) {
      choose_between(round % 2 ? GAIN(2) : "", round % 2 ? "" : GAIN(-1));
      const pid_t child = start_audition();
      usleep((useconds_t)(whole_us * round / 16.0));
      kill(child, SIGKILL);
      waitpid(child, NULL, 0);
      char* page = read_page(in_folder("index.html"));
      const int k = strcmp(page, whole[0][0]) ? 1 : 0;
      assert_string_equal(page, whole[k][0]);
      const char* set = strstr(page, "data-script=\"audio-") + strlen("data-script=\"");
      for (int n = 1; n < N_MADE; ++n) {
         char path[128];
         snprintf(path, sizeof path, "%.14s/%s", set, made[n]);
         char* script = read_page(in_folder(path));
         assert_string_equal(script, whole[k][n]);
         free(script);
      }
      free(page);
   }
   waitpid(start_audition(), NULL, 0);
   assert_int_equal(access(made_file("1-one.wav"), R_OK), 0);
   assert_int_not_equal(access(in_folder(".audition.part"), F_OK), 0);
   for (int n = 0; n < N_MADE; ++n) {
      free(whole[0][n]);
      free(whole[1][n]);
   }
}

int main(void)
{
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(gains_lead_to_the_highest_common_loudness_that_keeps_every_peak_down),
      cmocka_unit_test(the_files_lie_at_one_loudness_and_below_the_peak_limit),
      cmocka_unit_test(all_but_silent_alternatives_are_matched_as_closely),
      cmocka_unit_test(a_file_is_the_render_of_its_alternative_times_one_gain),
      cmocka_unit_test(mono_beside_stereo_is_written_to_both_channels),
      cmocka_unit_test(every_file_is_as_long_as_the_longest_alternative_rings),
      cmocka_unit_test(the_page_compares_with_the_alternative_that_does_nothing),
      cmocka_unit_test(an_audition_repeats_to_the_byte),
      cmocka_unit_test(the_page_is_whole_and_asks_nothing_of_a_network),
      cmocka_unit_test(what_cannot_be_auditioned_is_told_in_one_line),
      cmocka_unit_test(an_audition_that_is_stopped_leaves_the_one_before_as_it_was),
      cmocka_unit_test(an_audition_that_is_killed_leaves_a_whole_one_and_the_next_clears_up),
      cmocka_unit_test(what_others_keep_in_the_folder_stays),
   };
   return cmocka_run_group_tests(tests, open_folder, close_folder);
}
