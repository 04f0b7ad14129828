/* SPDX-License-Identifier: ISC */
/* If these fail, somebody loses a stem to a power cut, a full disk or another program at the same file, or
   gets a wrong one and is not told; or a take that is short, wide, of an odd rate or one of many cannot be
   used. */
/* First: it has a folder of its own. */
#include "cases.h"

#include "command_test.h"

#include <time.h>

/* Two renders of one session that differ in every file, and what each file is by the one or the other. */
static const char* const kept_names[] = {"out.wav",        "two.wav",   "out.before.wav",
                                         "two.before.wav", "kill.html", "kill.fingerprint"};
enum { N_KEPT = sizeof kept_names / sizeof kept_names[0] };

static void write_kill_session(int variant)
{
   char* body =
      bm_print("<> a bm:Session .\n" TRACK "; bm:gain %d .\n" STEM ".\n"
               "<#two> a bm:Stem ; bm:from <#a> ; bm:file \"two.wav\" ; bm:sampleFormat bm:float32 .\n",
               variant ? -6 : 0);
   write_session("kill.ttl", body);
   free(body);
}

static const char* kept_copy(int variant, int n)
{
   char name[64];
   snprintf(name, sizeof name, "kept-%d-%d", variant, n);
   return in_folder(name);
}

static void copy_file(const char* from, const char* to)
{
   size_t size = 0;
   char* bytes = read_bytes(from, &size);
   if (!bytes) {
      fail_msg("%s is not there", from);
   }
   FILE* file = fopen(to, "wb");
   assert_int_equal(fwrite(bytes, 1, size, file), size);
   fclose(file);
   free(bytes);
}

static void make_both_renders(void)
{
   write_take("take.wav", RATE_HZ, 1, 24000, wave_noise);
   for (int variant = 1; variant >= 0; --variant) {
      write_kill_session(variant);
      const Result result = run("render", in_folder("kill.ttl"), "-o", folder);
      if (result.status) {
         fail_msg("%s", result.text);
      }
      for (int n = 0; n < N_KEPT; ++n) {
         copy_file(in_folder(kept_names[n]), kept_copy(variant, n));
      }
   }
   /* The wave's gain is told in each, or the test could not tell them apart. */
   for (int n = 0; n < 2; ++n) {
      assert_false(are_equal(kept_copy(0, n), kept_copy(1, n)));
   }
}

/* Every file under its own name is all of one render or all of the other. */
static void assert_every_file_is_whole(const char* when)
{
   for (int n = 0; n < N_KEPT; ++n) {
      if (!are_equal(in_folder(kept_names[n]), kept_copy(0, n)) &&
          !are_equal(in_folder(kept_names[n]), kept_copy(1, n))) {
         fail_msg("%s: %s is of neither render", when, kept_names[n]);
      }
   }
}

static uint32_t n_files_in_folder(void)
{
   uint32_t n_files = 0;
   DIR* directory = opendir(folder);
   while (readdir(directory)) {
      ++n_files;
   }
   closedir(directory);
   return n_files;
}

static double now_s(void)
{
   struct timespec now;
   clock_gettime(CLOCK_MONOTONIC, &now);
   return (double)now.tv_sec + 1e-9 * (double)now.tv_nsec;
}

static void a_render_killed_at_any_of_100_moments_leaves_every_file_whole(void** state)
{
   (void)state;
   make_both_renders();
   const uint32_t n_files = n_files_in_folder();
   const double begun_s = now_s();
   assert_int_equal(run("render", in_folder("kill.ttl"), "-o", folder).status, 0);
   double length_s = now_s() - begun_s;
   uint64_t seed = 7;
   int n_killed = 0;
   int n_left = 0;
   for (int n = 0; n < 100; ++n) {
      write_kill_session(n % 2);
      const pid_t child = start((const char* const[]){"render", in_folder("kill.ttl"), "-o", folder, NULL});
      usleep((useconds_t)(1e6 * length_s * 0.55 * (1.0 + bm_test_random(&seed))));
      kill(child, SIGKILL);
      const bool is_killed = finish(child).status == 128 + SIGKILL;
      n_killed += is_killed;
      n_left += has_leftovers(folder);
      /* A machine that got faster or slower meanwhile. */
      length_s *= is_killed ? 1.0 : 0.95;
      assert_every_file_is_whole("killed");
   }
   print_message("100 renders, %d killed in the making, %d of them with files in the making\n", n_killed,
                 n_left);
   assert_true(n_killed >= 50 && n_left >= 5);
   cases_add("bench", "killed", 100);
   const Result result = run("render", in_folder("kill.ttl"), "-o", folder);
   assert_int_equal(result.status, 0);
   assert_false(has_leftovers(folder));
   assert_int_equal(n_files_in_folder(), n_files);
   for (int n = 0; n < N_KEPT; ++n) {
      assert_true(are_equal(in_folder(kept_names[n]), kept_copy(1, n)));
   }
}

/* Wherever the disk ends, in a stem, its before, the fingerprint or the report. */
static void a_file_that_may_not_grow_past_any_size_is_told_and_leaves_the_older(void** state)
{
   (void)state;
   make_both_renders();
   struct stat largest;
   assert_int_equal(stat(in_folder("kill.html"), &largest), 0);
   struct rlimit old;
   assert_int_equal(getrlimit(RLIMIT_FSIZE, &old), 0);
   write_kill_session(1);
   const rlim_t sizes[] = {
      1500, 30000, 72000, 90000, (rlim_t)largest.st_size / 2, (rlim_t)largest.st_size - 1};
   for (size_t n = 0; n < sizeof sizes / sizeof sizes[0]; ++n) {
      const struct rlimit limit = {sizes[n], old.rlim_max};
      setrlimit(RLIMIT_FSIZE, &limit);
      const Result result = run("render", in_folder("kill.ttl"), "-o", folder, "--json");
      setrlimit(RLIMIT_FSIZE, &old);
      assert_said(&result, 1, "cannot be written");
      assert_every_file_is_whole("a file may not grow");
      assert_false(has_leftovers(folder));
      cases_add("bench", "disk full", 1);
   }
}

/* A session that leaves a choice, of one take. */
static void write_choice_session(void)
{
   write_session("choice.ttl", "@prefix rdfs: <http://www.w3.org/2000/01/rdf-schema#> .\n"
                               "<> a bm:Session .\n" TRACK "; bm:inserts ( [ bm:alternatives (\n"
                               "[ rdfs:label \"As it is\" ; bm:inserts () ]\n"
                               "[ rdfs:label \"Twice\" ; bm:inserts () ] ) ] ) .\n" STEM ".\n");
}

/* Into a disk of its own: root only. */
static bool mount_disk(char* path, const char* options, unsigned long flags)
{
   assert_int_equal(mkdir(path, 0777), 0);
   if (mount("tmpfs", path, "tmpfs", flags, options)) {
      rmdir(path);
      return false;
   }
   return true;
}

static void a_folder_that_may_not_be_written_to_is_told(void** state)
{
   (void)state;
   make_earlier_output();
   char* place = bm_copy(in_folder("locked"));
   const bool is_root = geteuid() == 0;
   if (is_root ? !mount_disk(place, "size=1m", MS_RDONLY) : mkdir(place, 0555)) {
      free(place);
      bm_test_leave_out("a disk of its own takes root to mount");
   }
   char* picture = bm_print("%s/picture.svg", place);
   const Result rendered = run("render", in_folder("short.ttl"), "-o", place);
   const Result drawn = run("response", "-o", picture, "urn:bookmatch:test#mono");
   write_choice_session();
   const Result chosen = run("audition", in_folder("choice.ttl"), "-o", place);
   if (is_root) {
      umount(place);
   }
   rmdir(place);
   free(picture);
   free(place);
   assert_said(&rendered, 1, "cannot be written: ");
   assert_int_equal(drawn.status, 1);
   assert_non_null(strstr(drawn.text, "picture.svg: "));
   assert_said(&chosen, 1, "cannot be written: ");
   cases_add("bench", "read only", 3);
}

/* What goes to the terminal, or into a pipe to a file. */
static void words_that_cannot_be_written_make_the_command_fail(void** state)
{
   (void)state;
   make_earlier_output();
   char* commands[] = {bm_copy("list"),
                       bm_copy("list urn:bookmatch:test#mono"),
                       bm_print("measure %s", in_folder("take.wav")),
                       bm_print("measure --json %s", in_folder("take.wav")),
                       bm_copy("response --json urn:bookmatch:test#mono"),
                       bm_print("check %s", in_folder("short.ttl")),
                       bm_print("render %s -o %s --no-report", in_folder("short.ttl"), folder)};
   for (size_t n = 0; n < sizeof commands / sizeof commands[0]; ++n) {
      char* line = bm_print("%s %s >/dev/full 2>%s", command_path(), commands[n], in_folder("said"));
      const int status = system(line);
      char* said = read_page(in_folder("said"));
      if (!WIFEXITED(status) || WEXITSTATUS(status) != 1 ||
          !strstr(said, "standard output: No space left on device")) {
         fail_msg("%s: exit code %d, said: %s", commands[n], WEXITSTATUS(status), said);
      }
      free(said);
      free(line);
      free(commands[n]);
      cases_add("bench", "disk full", 1);
   }
}

/* A render that reads take.wav for long enough to be caught at it; with a send that waits for the last take.
 */
static pid_t start_render_of_long_take(void)
{
   write_take("take.wav", RATE_HZ, 1, 40 * RATE_HZ, wave_noise);
   write_session("long.ttl", "<> a bm:Session .\n" TRACK "; bm:inserts (\n"
                             "[ lv2:appliesTo <urn:bookmatch:fundamental-eq#mono> ]\n"
                             "[ lv2:appliesTo <urn:bookmatch:fundamental-eq#mono> ] ) .\n" STEM ".\n");
   const pid_t child =
      start((const char* const[]){"render", in_folder("long.ttl"), "-o", folder, "--no-report", NULL});
   struct stat part = {0};
   for (int n = 0; n < 5000 && part.st_size < 10000; ++n) {
      usleep(1000);
      (void)stat(in_folder(".out.wav.part"), &part);
   }
   return child;
}

static void a_take_that_shrinks_grows_or_is_rewritten_while_it_is_rendered_is_told(void** state)
{
   (void)state;
   make_earlier_output();
   for (int n = 0; n < 3; ++n) {
      const pid_t child = start_render_of_long_take();
      const int file = open(in_folder("take.wav"), O_RDWR);
      if (n == 0) {
         assert_int_equal(ftruncate(file, 1000000), 0);
      } else {
         assert_true(lseek(file, n == 1 ? 0 : -4, n == 1 ? SEEK_END : SEEK_END) > 0);
         assert_int_equal(write(file, "\0\0\0", 4), 4);
      }
      close(file);
      const Result result = finish(child);
      assert_said(&result, 1, "take.wav: was changed while it was being read");
      assert_earlier_output_stands_alone();
      cases_add("bench", "takes change", 1);
   }
}

/* A program that saves anew under the same name, or removes the file, leaves the render what it had open. */
static void a_take_that_is_removed_while_it_is_rendered_is_rendered_to_its_end(void** state)
{
   (void)state;
   write_take("take.wav", RATE_HZ, 1, 1000, wave_noise);
   pid_t child = start_render_of_long_take();
   assert_int_equal(finish(child).status, 0);
   copy_file(in_folder("out.wav"), in_folder("whole"));
   child = start_render_of_long_take();
   assert_int_equal(unlink(in_folder("take.wav")), 0);
   const Result result = finish(child);
   if (result.status) {
      fail_msg("%s", result.text);
   }
   assert_true(are_equal(in_folder("out.wav"), in_folder("whole")));
   const Result again = run("render", in_folder("long.ttl"), "-o", folder, "--no-report");
   assert_said(&again, 1, "take.wav: ");
   assert_non_null(strstr(again.text, "No such file or directory"));
   assert_true(are_equal(in_folder("out.wav"), in_folder("whole")));
   cases_add("bench", "takes change", 2);
}

enum { MANY = 200, MANY_FRAMES = 4800 };

static void a_take_that_is_not_there_is_told_by_every_command(void** state)
{
   (void)state;
   make_earlier_output();
   write_choice_session();
   unlink(in_folder("take.wav"));
   const char* const commands[] = {"render", "audition", "check"};
   for (size_t n = 0; n < sizeof commands / sizeof commands[0]; ++n) {
      const Result result = run(commands[n], in_folder(n == 1 ? "choice.ttl" : "short.ttl"));
      /* For check 1 means another sound. */
      assert_said(&result, n == 2 ? 2 : 1, "take.wav: No such file");
      cases_add("bench", "take missing", 1);
   }
}

static void two_hundred_tracks_are_one_sum(void** state)
{
   (void)state;
   char* body =
      bm_copy("<> a bm:Session ; bm:maxTail 0 .\n<#mix> a bm:Bus ; bm:channels 1 .\n<#out> a bm:Stem ; "
              "bm:from <#mix> ; bm:file \"out.wav\" ; bm:sampleFormat bm:float32 .\n");
   for (int n = 0; n < MANY; ++n) {
      char name[32];
      snprintf(name, sizeof name, "take-%d.wav", n);
      write_take(name, RATE_HZ, 1, MANY_FRAMES, n % 2 ? wave_noise : wave_one);
      char* longer =
         bm_print("%s<#t%d> a bm:Track ; bm:take <%s> ; bm:gain -40 ; bm:output <#mix> ; bm:inserts ( [ "
                  "lv2:appliesTo <urn:bookmatch:mid-side-matrix#stereo> ; bm:bypass true ] ) .\n",
                  body, n, name);
      free(body);
      body = longer;
   }
   write_session("many.ttl", body);
   free(body);
   const Result result = run("render", in_folder("many.ttl"), "-o", folder, "--no-report");
   if (result.status) {
      fail_msg("%s", result.text);
   }
   print_message("%d tracks: %ld KiB\n", MANY, result.resident_kib);
   static float sum[MANY_FRAMES];
   SF_INFO info = {0};
   SNDFILE* file = sf_open(in_folder("out.wav"), SFM_READ, &info);
   assert_int_equal(info.frames, MANY_FRAMES);
   assert_int_equal(sf_readf_float(file, sum, MANY_FRAMES), MANY_FRAMES);
   sf_close(file);
   for (uint32_t n = 0; n < MANY_FRAMES; ++n) {
      assert_close((double)sum[n], MANY / 2 * 0.01 * (1.0 + (double)wave_noise(n, 0)), 1e-6);
   }
   cases_add("bench", "many tracks", MANY);
   /* Where the system allows fewer open files, it says which was one too many. */
   struct rlimit old;
   getrlimit(RLIMIT_NOFILE, &old);
   const struct rlimit limit = {100, old.rlim_max};
   setrlimit(RLIMIT_NOFILE, &limit);
   const Result few = run("render", in_folder("many.ttl"), "-o", folder, "--no-report");
   setrlimit(RLIMIT_NOFILE, &old);
   assert_said(&few, 1, ".wav: Too many open files");
}

/* Render one track alone, to the bit. */
static Result render_take(const char* track, const char* session)
{
   char* body = bm_print("<> a bm:Session ; bm:maxTail 0 %s .\n<#a> a bm:Track ; %s .\n" STEM
                         "; bm:sampleFormat bm:float32 .\n",
                         session, track);
   write_session("one.ttl", body);
   free(body);
   return run("render", in_folder("one.ttl"), "-o", folder);
}

/* The stem's frames, and its samples where `samples` is given. */
static SF_INFO read_stem(float* samples, uint32_t n_frames)
{
   SF_INFO info = {0};
   SNDFILE* file = sf_open(in_folder("out.wav"), SFM_READ, &info);
   assert_non_null(file);
   if (samples) {
      assert_int_equal(sf_readf_float(file, samples, n_frames), n_frames);
   }
   sf_close(file);
   return info;
}

static void a_take_of_one_sample_is_a_take_and_an_empty_one_is_told(void** state)
{
   (void)state;
   write_take("one.wav", RATE_HZ, 1, 1, wave_noise);
   Result result = render_take("bm:take <one.wav>", "");
   if (result.status) {
      fail_msg("%s", result.text);
   }
   float sample = 0.0f;
   assert_int_equal(read_stem(&sample, 1).frames, 1);
   assert_true(sample == wave_noise(0, 0));
   result = run("measure", "--json", in_folder("one.wav"));
   assert_said(&result, 0, "\"frames\": 1,");
   write_take("empty.wav", RATE_HZ, 1, 0, wave_noise);
   write_text("nothing.wav", "");
   static const char* const words[] = {"empty.wav: holds no audio", "nothing.wav: is no audio file"};
   const char* const names[] = {"empty.wav", "nothing.wav"};
   for (int n = 0; n < 2; ++n) {
      char* track = bm_print("bm:take <%s>", names[n]);
      result = render_take(track, "");
      free(track);
      assert_said(&result, 1, words[n]);
      result = run("measure", in_folder(names[n]));
      assert_said(&result, 1, words[n]);
   }
   cases_add("bench", "odd takes", 6);
}

static void of_eight_channels_the_named_ones_are_taken(void** state)
{
   (void)state;
   write_take("eight.wav", RATE_HZ, 8, 2400, wave_noise);
   Result result = render_take("bm:take <eight.wav>", "");
   assert_said(&result, 1, "the take has 8 channels; name one or two of them");
   result = run("measure", in_folder("eight.wav"));
   assert_said(&result, 1, "eight.wav: has 8 channels; mono and stereo can be measured");
   result = render_take("bm:take <eight.wav> ; bm:takeChannels ( 8 9 )", "");
   assert_said(&result, 1, "9");
   result = render_take("bm:take <eight.wav> ; bm:takeChannels ( 8 3 )", "");
   if (result.status) {
      fail_msg("%s", result.text);
   }
   static float samples[2 * 2400];
   assert_int_equal(read_stem(samples, 2400).channels, 2);
   for (uint32_t n = 0; n < 2400; ++n) {
      assert_true(samples[2 * n] == wave_noise(n, 7) && samples[2 * n + 1] == wave_noise(n, 2));
   }
   cases_add("bench", "odd takes", 4);
}

static void odd_rates_are_kept_or_brought_to_the_session_s(void** state)
{
   (void)state;
   static const int rates[] = {8000, 11025, 37800, 384000};
   static float samples[3000];
   for (int n = 0; n < 4; ++n) {
      write_take("odd.wav", rates[n], 1, 3000, wave_noise);
      Result result = render_take("bm:take <odd.wav>", "");
      if (result.status) {
         fail_msg("%d Hz: %s", rates[n], result.text);
      }
      const SF_INFO info = read_stem(samples, 3000);
      assert_int_equal(info.samplerate, rates[n]);
      assert_int_equal(info.frames, 3000);
      for (uint32_t i = 0; i < 3000; ++i) {
         assert_true(samples[i] == wave_noise(i, 0));
      }
      char* rate = bm_print("%d", rates[n]);
      result = run("response", "--json", "--rate", rate, "urn:bookmatch:test#mono");
      free(rate);
      assert_int_equal(result.status, 0);
      for (int to = 0; to < 4; ++to) {
         char* words = bm_print("; bm:sampleRate %d", rates[to]);
         result = render_take("bm:take <odd.wav>", words);
         free(words);
         if (result.status) {
            fail_msg("%d to %d Hz: %s", rates[n], rates[to], result.text);
         }
         assert_int_equal(read_stem(NULL, 0).frames, (3000LL * rates[to] + rates[n] - 1) / rates[n]);
         cases_add("bench", "odd takes", 1);
      }
   }
}

int main(void)
{
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(a_render_killed_at_any_of_100_moments_leaves_every_file_whole),
      cmocka_unit_test(a_file_that_may_not_grow_past_any_size_is_told_and_leaves_the_older),
      cmocka_unit_test(a_folder_that_may_not_be_written_to_is_told),
      cmocka_unit_test(words_that_cannot_be_written_make_the_command_fail),
      cmocka_unit_test(a_take_that_shrinks_grows_or_is_rewritten_while_it_is_rendered_is_told),
      cmocka_unit_test(a_take_that_is_removed_while_it_is_rendered_is_rendered_to_its_end),
      cmocka_unit_test(a_take_that_is_not_there_is_told_by_every_command),
      cmocka_unit_test(two_hundred_tracks_are_one_sum),
      cmocka_unit_test(a_take_of_one_sample_is_a_take_and_an_empty_one_is_told),
      cmocka_unit_test(of_eight_channels_the_named_ones_are_taken),
      cmocka_unit_test(odd_rates_are_kept_or_brought_to_the_session_s),
   };
   return cmocka_run_group_tests(tests, open_folder, close_folder);
}
