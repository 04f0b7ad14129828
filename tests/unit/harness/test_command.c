/* SPDX-License-Identifier: ISC */
/* If these fail, a user at a terminal loses work: a stem that is half written, an older one that is gone, a
   render that differs from yesterday's, or an error that says nothing. */
#include "command_test.h"
#include "json_check.h"

static float wave_loud(uint32_t frame, uint32_t channel)
{
   return 2.1f * wave_noise(frame, channel);
}

static void a_render_repeats_to_the_byte_in_every_format(void** state)
{
   (void)state;
   write_take("take.wav", 44100, 2, 44100, wave_noise);
   write_session("same.ttl",
                 "<> a bm:Session ; bm:sampleRate 48000 .\n" TRACK ".\n" STEM ".\n"
                 "<#2> a bm:Stem ; bm:from <#a> ; bm:file \"16.wav\" ; bm:sampleFormat bm:pcm16 .\n"
                 "<#3> a bm:Stem ; bm:from <#a> ; bm:file \"32.wav\" ; bm:sampleFormat bm:float32 .\n");
   const char* names[] = {"out.wav", "16.wav", "32.wav"};
   const char* kept[] = {"first-24", "first-16", "first-32"};
   Result result = run("render", in_folder("same.ttl"), "-o", folder, "--no-report");
   assert_int_equal(result.status, 0);
   for (int n = 0; n < 3; ++n) {
      assert_int_equal(rename(in_folder(names[n]), in_folder(kept[n])), 0);
   }
   /* Some headers carry the time in seconds. */
   sleep(1);
   result = run("render", in_folder("same.ttl"), "-o", folder, "--no-report");
   assert_int_equal(result.status, 0);
   for (int n = 0; n < 3; ++n) {
      assert_true(are_equal(in_folder(names[n]), in_folder(kept[n])));
   }
}

static void an_integer_stem_holds_the_nearest_steps_and_tells_of_clipping(void** state)
{
   (void)state;
   write_take("take.wav", RATE_HZ, 1, 48000, wave_loud);
   write_session("loud.ttl", "<> a bm:Session .\n" TRACK ".\n" STEM ".\n");
   const Result result = run("render", in_folder("loud.ttl"), "-o", folder, "--no-report");
   assert_int_equal(result.status, 0);
   SF_INFO info = {0};
   SNDFILE* file = sf_open(in_folder("out.wav"), SFM_READ, &info);
   assert_int_equal(info.format, SF_FORMAT_WAV | SF_FORMAT_PCM_24);
   int* samples = calloc(48000, sizeof(int));
   assert_int_equal(sf_readf_int(file, samples, 48000), 48000);
   sf_close(file);
   uint32_t n_clipped = 0;
   for (uint32_t n = 0; n < 48000; ++n) {
      const double exact = (double)wave_loud(n, 0) * 8388608.0;
      const bool clips = exact > 8388607.5 || exact < -8388608.5;
      n_clipped += clips;
      assert_close(samples[n] / 256, clips ? copysign(8388607.5, exact) : exact, 0.5);
   }
   free(samples);
   assert_true(n_clipped > 100);
   char* warning = bm_print("%u samples above full scale clipped", n_clipped);
   assert_non_null(strstr(result.text, warning));
   free(warning);
}

/* Triangular dither of 2 steps makes the error's mean 0 and its variance a quarter of a squared step,
   whatever the signal (Lipshitz, Wannamaker, Vanderkooy, JAES 40(5) 1992, "Quantization and dither: a
   theoretical survey"). */
static float wave_between_steps(uint32_t frame, uint32_t channel)
{
   (void)frame;
   (void)channel;
   return 100.3f / 32768.0f;
}

static void a_16_bit_stem_is_dithered_so_that_its_error_knows_nothing_of_the_signal(void** state)
{
   (void)state;
   const uint32_t n_frames = 200000;
   write_take("take.wav", RATE_HZ, 1, n_frames, wave_between_steps);
   write_session("16.ttl", "<> a bm:Session .\n" TRACK ".\n" STEM "; bm:sampleFormat bm:pcm16 .\n");
   assert_int_equal(run("render", in_folder("16.ttl"), "-o", folder, "--no-report").status, 0);
   SF_INFO info = {0};
   SNDFILE* file = sf_open(in_folder("out.wav"), SFM_READ, &info);
   short* samples = calloc(n_frames, sizeof(short));
   assert_int_equal(sf_readf_short(file, samples, n_frames), n_frames);
   sf_close(file);
   double sum = 0.0;
   double sum_squares = 0.0;
   for (uint32_t n = 0; n < n_frames; ++n) {
      const double deviation = samples[n] - 100.3;
      sum += deviation;
      sum_squares += deviation * deviation;
   }
   free(samples);
   /* Four standard errors of 200000 samples. */
   assert_close(sum / n_frames, 0.0, 4.0 * 0.5 / sqrt(n_frames));
   assert_close(sum_squares / n_frames, 0.25, 0.005);
}

#if !BM_TEST_ADDRESS_SANITIZED
static void a_render_equals_lv2apply_sample_for_sample(void** state)
{
   (void)state;
   if (bm_test_is_emulated()) {
      bm_test_leave_out("this machine's lv2apply cannot load what another's is");
   }
   bm_test_want(bm_test_has("lv2apply"), "lv2apply", "install lilv-utils");
   write_take("take.wav", RATE_HZ, 2, 48000, wave_noise);
   write_session("side.ttl",
                 "<> a bm:Session ; bm:maxTail 0 .\n" STEM "; bm:sampleFormat bm:float32 .\n" TRACK
                 "; bm:inserts ( [ lv2:appliesTo <urn:bookmatch:mid-side-matrix#stereo> ; lv2:port\n"
                 "[ lv2:symbol \"width\" ; pset:value 130 ] ,\n"
                 "[ lv2:symbol \"mid_gain\" ; pset:value -2.5 ] ] ) .\n");
   const Result result = run("render", in_folder("side.ttl"), "-o", folder, "--no-report");
   if (result.status) {
      fail_msg("%s", result.text);
   }
   char* command =
      bm_print("lv2apply -i %s -o %s -c width 130 -c mid_gain -2.5 urn:bookmatch:mid-side-matrix#stereo",
               in_folder("take.wav"), in_folder("applied.wav"));
   assert_int_equal(system(command), 0);
   free(command);
   static float samples[2][96000];
   const char* names[] = {"out.wav", "applied.wav"};
   for (int n = 0; n < 2; ++n) {
      SF_INFO info = {0};
      SNDFILE* file = sf_open(in_folder(names[n]), SFM_READ, &info);
      assert_int_equal(info.frames, 48000);
      assert_int_equal(sf_readf_float(file, samples[n], 48000), 48000);
      sf_close(file);
   }
   assert_memory_equal(samples[0], samples[1], sizeof(samples[0]));
   assert_true(samples[0][30000] != wave_noise(15000, 0));
}
#endif

static void an_interrupted_render_leaves_everything_as_it_was(void** state)
{
   (void)state;
   static const int signals[] = {SIGINT, SIGTERM, SIGHUP};
   make_earlier_output();
   for (int n = 0; n < 3; ++n) {
      const pid_t child = start_long_render();
      assert_int_equal(kill(child, signals[n]), 0);
      const Result result = finish(child);
      assert_said(&result, 1, "interrupted");
      assert_earlier_output_stands_alone();
   }
}

static void a_killed_render_leaves_the_earlier_stem_and_the_next_one_clears_up(void** state)
{
   (void)state;
   make_earlier_output();
   for (int n = 0; n < 5; ++n) {
      const pid_t child = start_long_render();
      assert_int_equal(kill(child, SIGKILL), 0);
      assert_int_equal(finish(child).status, 128 + SIGKILL);
      assert_true(are_equal(in_folder("out.wav"), in_folder("earlier")));
   }
   assert_true(has_leftovers(folder));
   assert_int_equal(run("render", in_folder("short.ttl"), "-o", folder, "--no-report").status, 0);
   assert_earlier_output_stands_alone();
}

static void two_renders_of_one_file_do_not_mix(void** state)
{
   (void)state;
   make_earlier_output();
   const pid_t child = start_long_render();
   const Result result = run("render", in_folder("short.ttl"), "-o", folder, "--no-report");
   kill(child, SIGTERM);
   finish(child);
   assert_said(&result, 1, "out.wav: another render is writing it");
   assert_earlier_output_stands_alone();
}

static void a_file_that_may_not_grow_leaves_everything_as_it_was(void** state)
{
   (void)state;
   make_earlier_output();
   struct rlimit old;
   assert_int_equal(getrlimit(RLIMIT_FSIZE, &old), 0);
   const struct rlimit limit = {100000, old.rlim_max};
   setrlimit(RLIMIT_FSIZE, &limit);
   const Result result = run("render", in_folder("short.ttl"), "-o", folder, "--no-report");
   setrlimit(RLIMIT_FSIZE, &old);
   assert_said(&result, 1, "out.wav: cannot be written: File too large");
   assert_earlier_output_stands_alone();
}

static void a_full_disk_leaves_everything_as_it_was(void** state)
{
   (void)state;
   char* disk = bm_print("%s/disk", folder);
   assert_int_equal(mkdir(disk, 0777), 0);
   if (mount("tmpfs", disk, "tmpfs", 0, "size=1m")) {
      rmdir(disk);
      free(disk);
      bm_test_leave_out("a disk of its own takes root to mount");
   }
   make_earlier_output();
   char* there = bm_print("%s/out.wav", disk);
   Result result = run("render", in_folder("short.ttl"), "-o", disk, "--no-report");
   const int first_status = result.status;
   /* 48000 * 30 frames of 3 bytes do not fit. */
   write_session("big.ttl", "<> a bm:Session .\n" TRACK "; bm:offset 29 .\n" STEM ".\n");
   result = run("render", in_folder("big.ttl"), "-o", disk, "--no-report");
   const bool stands = are_equal(there, in_folder("earlier")) && !has_leftovers(disk);
   unlink(there);
   free(there);
   umount(disk);
   rmdir(disk);
   free(disk);
   assert_int_equal(first_status, 0);
   assert_said(&result, 1, "out.wav: cannot be written: No space left on device");
   assert_true(stands);
}

static void a_take_is_never_overwritten(void** state)
{
   (void)state;
   write_take("take.wav", RATE_HZ, 1, 1000, wave_noise);
   write_session("self.ttl", "<> a bm:Session .\n" TRACK ".\n"
                             "<#out> a bm:Stem ; bm:from <#a> ; bm:file \"take.wav\" .\n");
   const Result result = run("render", in_folder("self.ttl"), "-o", folder, "--no-report");
   assert_said(&result, 1, "take.wav: would overwrite the take of <#a>");
   assert_false(has_leftovers(folder));
}

static void a_folder_that_cannot_be_made_is_said(void** state)
{
   (void)state;
   write_take("take.wav", RATE_HZ, 1, 1000, wave_noise);
   write_session("short.ttl", "<> a bm:Session .\n" TRACK ".\n" STEM ".\n");
   const Result result = run("render", in_folder("short.ttl"), "-o", in_folder("take.wav"), "--no-report");
   assert_said(&result, 1, "take.wav: is not a folder");
}

/* Cut each kind of file in the middle of its audio. */
static void audio_that_is_cut_off_is_told_in_every_container(void** state)
{
   (void)state;
   static const struct {
      const char* name;
      int format;
   } kinds[] = {
      {"cut.wav", SF_FORMAT_WAV | SF_FORMAT_PCM_24},   {"cut.aiff", SF_FORMAT_AIFF | SF_FORMAT_PCM_16},
      {"cut.au", SF_FORMAT_AU | SF_FORMAT_FLOAT},      {"cut.flac", SF_FORMAT_FLAC | SF_FORMAT_PCM_24},
      {"cut.w64", SF_FORMAT_W64 | SF_FORMAT_PCM_24},   {"cut.caf", SF_FORMAT_CAF | SF_FORMAT_PCM_24},
      {"cut.rf64", SF_FORMAT_RF64 | SF_FORMAT_PCM_24},
   };
   for (size_t n = 0; n < sizeof(kinds) / sizeof(kinds[0]); ++n) {
      SF_INFO info = {.samplerate = RATE_HZ, .channels = 1, .format = kinds[n].format};
      SNDFILE* file = sf_open(in_folder(kinds[n].name), SFM_WRITE, &info);
      assert_non_null(file);
      for (uint32_t i = 0; i < 20000; ++i) {
         const float x = wave_noise(i, 0);
         sf_writef_float(file, &x, 1);
      }
      sf_close(file);
      char* body =
         bm_print("<> a bm:Session .\n<#a> a bm:Track ; bm:take <%s> .\n" STEM ".\n", kinds[n].name);
      write_session("cut.ttl", body);
      free(body);
      Result result = run("render", in_folder("cut.ttl"), "-o", folder, "--no-report");
      if (result.status) {
         fail_msg("whole: %s", result.text);
      }
      struct stat status;
      stat(in_folder(kinds[n].name), &status);
      assert_int_equal(truncate(in_folder(kinds[n].name), status.st_size * 3 / 5), 0);
      result = run("render", in_folder("cut.ttl"), "-o", folder, "--no-report");
      if (result.status != 1) {
         fail_msg("%s was taken as whole", kinds[n].name);
      }
      /* libsndfile itself refuses a CAF without its end. */
      assert_said(&result, 1, kinds[n].format >> 16 == SF_FORMAT_CAF >> 16 ? "cut.caf" : "is cut off");
   }
}

/* The figure of this name in the file that is number `n` of the JSON. */
static double json_figure(const char* json, const char* key, int n)
{
   char* name = bm_print("\"%s\": ", key);
   const char* at = json;
   for (int i = 0; i <= n && at; ++i) {
      at = strstr(at + 1, name);
   }
   const double value = at ? strtod(at + strlen(name), NULL) : (double)NAN;
   free(name);
   return value;
}

static void a_report_tells_what_each_stem_was_before_and_became(void** state)
{
   (void)state;
   write_take("take.wav", RATE_HZ, 1, 4 * RATE_HZ, wave_noise);
   write_session("told.ttl", "<> a bm:Session ; rdfs:label \"Told & shown\" .\n" TRACK
                             "; rdfs:label \"First <take>\" ; bm:output <#mix> ; bm:pan 1 ; bm:inserts (\n"
                             "[ lv2:appliesTo test:mono ; rdfs:label \"Halver\" ; bm:automation\n"
                             "[ lv2:symbol \"gain\" ; bm:points ( ( 0 0.5 bm:held ) ( 2 -0.5 ) ) ] ] ) .\n"
                             "<#mix> a bm:Bus .\n<#2> a bm:Stem ; bm:from <#mix> ; bm:file \"told.wav\" .\n");
   const Result result = run("render", in_folder("told.ttl"), "-o", folder, "--json");
   if (result.status) {
      fail_msg("%s", result.text);
   }
   assert_true(is_json(result.text));
   /* The insert halves the level, whichever way it turns it. */
   const double before = json_figure(result.text, "integrated_lufs", 0);
   assert_close(json_figure(result.text, "integrated_lufs", 1), before + 20.0 * log10(0.5), 0.01);
   char* page = read_page(in_folder("told.html"));
   static const char* const words[] = {
      "Told &amp; shown", "First &lt;take&gt;",
      "Halver",           "told.before.wav",
      "Halver: Port 2",   "<dd>bookmatch check told.ttl --against told.fingerprint</dd>"};
   for (size_t n = 0; n < sizeof(words) / sizeof(words[0]); ++n) {
      if (!strstr(page, words[n])) {
         fail_msg("the page does not speak of %s", words[n]);
      }
   }
   free(page);
   assert_int_equal(access(in_folder("told.before.wav"), R_OK), 0);
}

/* The report on NAME.ttl, which is NAME.html. */
static char* rendered_page(const char* name)
{
   char session[64];
   char page[64];
   snprintf(session, sizeof session, "%s.ttl", name);
   snprintf(page, sizeof page, "%s.html", name);
   const Result result = run("render", in_folder(session), "-o", folder);
   assert_said(&result, 0, "");
   return read_page(in_folder(page));
}

/* Quiet noise whose only peak is one of its last frames. */
static float wave_late_peak(uint32_t frame, uint32_t channel)
{
   return frame == 4 * RATE_HZ - 10 ? 0.9f : 0.1f * wave_noise(frame, channel);
}

static void a_report_tells_what_each_insert_cost_wherever_it_stands(void** state)
{
   (void)state;
   write_take("take.wav", RATE_HZ, 1, 4 * RATE_HZ, wave_late_peak);
   write_session(
      "chain.ttl",
      "<> a bm:Session .\n" TRACK "; bm:output <#mix> ; bm:gain -3 ; bm:inserts (\n"
      "[ lv2:appliesTo test:mono ; lv2:port [ lv2:symbol \"gain\" ; pset:value 0.5 ] ]\n"
      "[ lv2:appliesTo test:mono ; lv2:port [ lv2:symbol \"gain\" ; pset:value 8 ] ; bm:bypass true ]\n"
      "[ lv2:appliesTo test:mono ; lv2:port [ lv2:symbol \"gain\" ; pset:value 0.25 ] ,\n"
      "[ lv2:symbol \"delay\" ; pset:value 4000 ] ]\n"
      "[ lv2:appliesTo test:widen ] ) .\n"
      "<#mix> a bm:Bus ; bm:inserts (\n"
      "[ lv2:appliesTo test:stereo ; lv2:port [ lv2:symbol \"gain\" ; pset:value 2 ] ] ) .\n"
      "<#2> a bm:Stem ; bm:from <#mix> ; bm:file \"chain.wav\" .\n");
   char* page = rendered_page("chain");
   /* Loudness and crest factor; 20 log10 of the gains, and a take that becomes two channels is no louder for
    * it.
    */
   static const char* const rows[] = {
      "1. Test mono</th><td>−6.0</td><td>0.0</td>", "3. Test mono</th><td>−12.0</td><td>0.0</td>",
      "4. Test widen</th><td>0.0</td><td>0.0</td>", "All of them</th><td>−18.1</td><td>0.0</td>",
      "1. Test stereo</th><td>+6.0</td><td>0.0</td>"};
   for (size_t n = 0; n < sizeof(rows) / sizeof(rows[0]); ++n) {
      if (!strstr(page, rows[n])) {
         fail_msg("no row %s", rows[n]);
      }
   }
   assert_null(strstr(page, "2. Test mono</th><td>"));
   /* The terminal and the JSON tell the same, of a bus with a single insert too. */
   static const char* const printed[] = {"\n  1. Test mono                     −6.0        0.0",
                                         "\n  all of them                     −18.1        0.0",
                                         "\n  1. Test stereo                   +6.0        0.0",
                                         "1. Test stereo leaves 6.0 LU louder than it came"};
   const Result result = run("render", in_folder("chain.ttl"), "-o", folder);
   for (size_t n = 0; n < sizeof(printed) / sizeof(printed[0]); ++n) {
      if (!strstr(result.text, printed[n])) {
         fail_msg("nothing says \"%s\" in %s", printed[n], result.text);
      }
   }
   const Result as_json = run("render", in_folder("chain.ttl"), "-o", folder, "--json");
   assert_true(is_json(as_json.text));
   const char* const inserts = strstr(as_json.text, "\"inserts\": [");
   assert_non_null(inserts);
   assert_close(json_figure(inserts, "integrated_lufs", 2), -12.04, 0.01);
   assert_int_equal(count_of(inserts, "\"words\": "), 4);
   /* What mono keeps is a column for both, as both end in stereo, and for the overview. */
   assert_int_equal(count_of(page, "Folded to mono <small>LU</small></th></tr>"), 3);
   free(page);
}

static void what_sends_alone_feed_is_not_compared_with_silence(void** state)
{
   (void)state;
   write_take("take.wav", RATE_HZ, 1, RATE_HZ, wave_noise);
   write_session("sent.ttl", "<> a bm:Session .\n" TRACK "; bm:send [ bm:to <#room> ] .\n"
                             "<#room> a bm:Bus ; rdfs:comment \"For the players.\" .\n"
                             "<#1> a bm:Stem ; bm:from <#a> ; bm:file \"dry.wav\" .\n"
                             "<#2> a bm:Stem ; bm:from <#room> ; bm:file \"room.wav\" .\n");
   char* page = rendered_page("sent");
   assert_int_equal(count_of(page, "For the players. There is no before"), 1);
   assert_int_equal(count_of(page, "There is no before"), 1);
   assert_non_null(strstr(page, "src=\"dry.before.wav\""));
   assert_null(strstr(page, "src=\"room.before.wav\""));
   free(page);
}

static void a_stem_of_silence_is_warned_of(void** state)
{
   (void)state;
   write_take("take.wav", RATE_HZ, 1, 480, wave_noise);
   static const char* const mutes[] = {"true", "false"};
   for (int n = 0; n < 2; ++n) {
      char* body = bm_print("<> a bm:Session .\n" TRACK "; bm:output <#mix> .\n"
                            "<#mix> a bm:Bus ; bm:mute %s .\n"
                            "<#1> a bm:Stem ; bm:from <#mix> ; bm:file \"mix.wav\" .\n" STEM ".\n",
                            mutes[n]);
      write_session("mute.ttl", body);
      free(body);
      const Result result = run("render", in_folder("mute.ttl"), "-o", folder, "--no-report");
      assert_int_equal(result.status, 0);
      assert_int_equal(count_of(result.text, "mix.wav: holds nothing but silence"), n == 0);
      assert_int_equal(count_of(result.text, "warning"), n == 0);
   }
}

/* The exit code is what a script goes by. */
static void check_tells_the_same_from_another_and_from_trouble(void** state)
{
   (void)state;
   write_take("take.wav", RATE_HZ, 1, 24000, wave_noise);
   write_session("recall.ttl", "<> a bm:Session .\n" TRACK ".\n" STEM ".\n");
   Result result = run("check", in_folder("recall.ttl"));
   assert_said(&result, 2, "recall.fingerprint: cannot be read");
   result = run("check", in_folder("recall.ttl"), "--accept");
   assert_said(&result, 0, "recorded in");
   result = run("check", in_folder("recall.ttl"));
   assert_said(&result, 0, "identical to the bit");
   write_take("take.wav", RATE_HZ, 1, 24000, wave_loud);
   result = run("check", in_folder("recall.ttl"));
   assert_int_equal(result.status, 1);
   assert_non_null(strstr(result.text, "<#a> \"a\", the take itself"));
   result = run("check", in_folder("recall.ttl"), "--against", in_folder("recall.ttl"));
   assert_said(&result, 2, "recall.ttl:1: not a line of a fingerprint");
   result = run("check", in_folder("recall.ttl"), "--accept");
   result = run("check", in_folder("recall.ttl"));
   assert_said(&result, 0, "identical to the bit");
}

static void write_choice(const char* gain)
{
   char* text =
      bm_print("<> a bm:Session ; bm:maxTail 0 .\n" TRACK " ; bm:inserts ( [ bm:alternatives (\n"
               "[ rdfs:label \"As it is\" ; bm:inserts () ]\n"
               "[ rdfs:label \"Softer, and \\\"wide\\\"\" ; bm:inserts ( [ lv2:appliesTo test:mono ;\n"
               "lv2:port [ lv2:symbol \"gain\" ; pset:value %s ] ] ) ] ) ] ) .\n"
               "<#1> a bm:Stem ; bm:from <#a> ; bm:file \"choice.wav\" .\n",
               gain);
   write_session("choice.ttl", text);
   free(text);
}

static void assert_all_said(const Result* result, int status, const char* words)
{
   assert_int_equal(result->status, status);
   if (!strstr(result->text, words)) {
      fail_msg("not said: %s; but:\n%s", words, result->text);
   }
}

/* A choice that is still open is kept with all that may be chosen. */
static void check_tells_of_every_alternative(void** state)
{
   (void)state;
   write_take("take.wav", RATE_HZ, 1, RATE_HZ, wave_noise);
   write_choice("0.5");
   Result result = run("render", in_folder("choice.ttl"));
   assert_int_equal(result.status, 0);
   result = run("check", in_folder("choice.ttl"));
   assert_all_said(&result, 0, "choice.ttl, \"As it is\": identical to the bit");
   assert_all_said(&result, 0, "choice.ttl, \"Softer, and \"wide\"\": identical to the bit");
   write_choice("0.25");
   result = run("check", in_folder("choice.ttl"));
   assert_all_said(&result, 1, "choice.ttl, \"As it is\": identical to the bit");
   assert_all_said(&result, 1, "choice.ttl, \"Softer, and \"wide\"\": different");
   assert_all_said(&result, 1, "insert 1 \"Test mono\"");
   assert_all_said(&result, 1, "-6.02");
   result = run("check", in_folder("choice.ttl"), "--accept");
   result = run("check", in_folder("choice.ttl"));
   assert_int_equal(result.status, 0);
   /* As it was recorded before alternatives were. */
   char* text = read_page(in_folder("choice.fingerprint"));
   *strstr(text, "\nalternative Softer") = '\0';
   write_text("choice.fingerprint", text);
   free(text);
   result = run("check", in_folder("choice.ttl"));
   assert_all_said(&result, 2, "the alternative \"Softer, and \"wide\"\" is not in the fingerprint");
   assert_all_said(&result, 2, "choice.ttl, \"As it is\": identical to the bit");
}

/* Chosen by ear, kept by one line; what it was chosen from stays, and is held to its fingerprint as before.
 */
static void a_choice_that_the_session_names_is_rendered_and_the_rest_is_kept(void** state)
{
   (void)state;
   write_take("take.wav", RATE_HZ, 1, RATE_HZ, wave_noise);
   write_choice("0.5");
   Result result = run("render", in_folder("choice.ttl"), "-o", in_folder("first"), "--no-report");
   assert_all_said(&result, 0, "of 2 alternatives \"As it is\" is rendered");
   size_t size = 0;
   char* text = read_bytes(in_folder("choice.ttl"), &size);
   assert_non_null(text);
   text[size] = '\0';
   char* rest = strstr(text, "bm:maxTail 0");
   char* chosen = bm_print("%.*sbm:choice \"Softer, and \\\"wide\\\"\" ; %s", (int)(rest - text), text, rest);
   write_text("choice.ttl", chosen);
   free(chosen);
   free(text);
   result = run("render", in_folder("choice.ttl"), "-o", in_folder("second"), "--no-report", "--json");
   assert_all_said(&result, 0, "of 2 alternatives \"Softer, and \"wide\"\" is rendered");
   const double second_lufs = json_figure(result.text, "integrated_lufs", 0);
   result = run("measure", "--json", in_folder("first/choice.wav"));
   assert_close(second_lufs - json_figure(result.text, "integrated_lufs", 0), 20.0 * log10(0.5), 0.01);
   /* Both renders know both alternatives, in the order of the session. */
   for (int n = 0; n < 2; ++n) {
      result = run("check", in_folder("choice.ttl"), "--against",
                   in_folder(n ? "second/choice.fingerprint" : "first/choice.fingerprint"));
      assert_all_said(&result, 0, "\"As it is\": identical to the bit");
      assert_all_said(&result, 0, "\"Softer, and \"wide\"\": identical to the bit");
      assert_true(strstr(result.text, "As it is") < strstr(result.text, "Softer"));
   }
   result = run("render", in_folder("choice.ttl"));
   result = run("render", in_folder("choice.ttl"));
   assert_int_equal(result.status, 0);
   assert_null(strstr(result.text, "sounds other than"));
}

/* The fingerprint is what a session is held to, so a render by itself must not move it. */
static void a_render_records_a_session_once_and_again_when_the_session_changes(void** state)
{
   (void)state;
   write_take("take.wav", RATE_HZ, 1, 24000, wave_noise);
   write_session("once.ttl", "<> a bm:Session .\n" TRACK ".\n" STEM ".\n");
   Result result = run("render", in_folder("once.ttl"), "--no-report");
   assert_int_equal(result.status, 0);
   result = run("check", in_folder("once.ttl"));
   assert_said(&result, 0, "identical to the bit");
   write_take("take.wav", RATE_HZ, 1, 24000, wave_loud);
   result = run("render", in_folder("once.ttl"), "--no-report");
   assert_int_equal(result.status, 0);
   assert_non_null(strstr(result.text, "sounds other than"));
   result = run("check", in_folder("once.ttl"));
   assert_int_equal(result.status, 1);
   write_session("once.ttl", "<> a bm:Session .\n" TRACK "; bm:gain -1 .\n" STEM ".\n");
   result = run("render", in_folder("once.ttl"), "--no-report");
   result = run("check", in_folder("once.ttl"));
   assert_said(&result, 0, "identical to the bit");
   /* With a folder given it lies with the stems. */
   result = run("render", in_folder("once.ttl"), "--no-report", "-o", in_folder("once"));
   result = run("check", in_folder("once.ttl"), "--against", in_folder("once/once.fingerprint"));
   assert_said(&result, 0, "identical to the bit");
   unlink(in_folder("once/out.wav"));
   unlink(in_folder("once/once.fingerprint"));
   rmdir(in_folder("once"));
}

/* The first minute: takes in hand, no session, and nothing learned yet. */
static void a_session_begun_around_takes_renders_as_it_stands(void** state)
{
   (void)state;
   static const char odd_name[] = "say \"when\" 1.wav";
   write_take(odd_name, RATE_HZ, 1, RATE_HZ, wave_noise);
   write_take("two.wav", RATE_HZ, 1, RATE_HZ, wave_noise);
   write_take("wide.wav", RATE_HZ, 2, RATE_HZ, wave_noise);
   static const struct {
      const char* takes[3];
      bool is_placed;
   } cases[] = {{{odd_name}, false},
                {{"wide.wav"}, false},
                {{odd_name, "two.wav"}, true},
                {{odd_name, "wide.wav"}, false},
                {{odd_name, "two.wav", "wide.wav"}, false}};
   for (size_t n = 0; n < sizeof(cases) / sizeof(cases[0]); ++n) {
      char* paths[3] = {NULL};
      for (int t = 0; t < 3 && cases[n].takes[t]; ++t) {
         paths[t] = bm_print("%s/%s", folder, cases[n].takes[t]);
      }
      unlink(in_folder("begun.ttl"));
      Result result = run("begin", "-o", in_folder("begun.ttl"), paths[0], paths[1], paths[2]);
      assert_all_said(&result, 0, "bookmatch audition ");
      result = run("render", in_folder("begun.ttl"), "-o", folder, "--no-report");
      assert_all_said(&result, 0, "of 6 alternatives \"As it is\" is rendered");
      assert_all_said(&result, 0, "begun.wav");
      char* text = read_page(in_folder("begun.ttl"));
      assert_int_equal(count_of(text, "fundamental-eq:preset:tame-the-boom"),
                       (paths[0] != NULL) + (paths[1] != NULL) + (paths[2] != NULL));
      assert_int_equal(count_of(text, "take-placement#pair"), cases[n].is_placed);
      free(text);
      for (int t = 0; t < 3; ++t) {
         free(paths[t]);
      }
   }
   /* What was begun is the user's. */
   write_text("begun.ttl", "mine");
   Result result = run("begin", in_folder("two.wav"), "-o", in_folder("begun.ttl"));
   assert_said(&result, 1, "begun.ttl: is there already; -o names another");
   char* text = read_page(in_folder("begun.ttl"));
   assert_string_equal(text, "mine");
   free(text);
   result = run("begin", in_folder("begun.ttl"), "-o", in_folder("other.ttl"));
   assert_said(&result, 1, "begun.ttl: is no audio file");
   assert_int_not_equal(access(in_folder("other.ttl"), F_OK), 0);
   result = run("begin", in_folder("two.wav"), "-o", in_folder("other.wav"));
   assert_said(&result, 2, "-o names the session, which ends in .ttl");
   result = run("begin");
   assert_said(&result, 2, "begin needs a take");
   unlink(in_folder(odd_name));
}

static void an_index_leads_to_what_was_rendered_and_says_what_was_not(void** state)
{
   (void)state;
   write_take("take.wav", RATE_HZ, 1, 24000, wave_noise);
   write_session("one.ttl", "<> a bm:Session ; rdfs:label \"The one\" .\n" TRACK
                            "; bm:gain -6 ; bm:inserts ( [ lv2:appliesTo test:mono ;\n"
                            "lv2:port [ lv2:symbol \"gain\" ; pset:value 0.5 ] ] ) .\n" STEM ".\n");
   Result result = run("index", in_folder("one.ttl"), "-o", folder);
   assert_said(&result, 1, "no one.html in ");
   result = run("render", in_folder("one.ttl"), "-o", in_folder("one"));
   assert_int_equal(result.status, 0);
   result = run("index", in_folder("one.ttl"), "-o", folder, "--title", "All");
   assert_said(&result, 0, "/index.html\n");
   char* page = read_page(in_folder("index.html"));
   assert_non_null(strstr(page, "<a href=\"one/one.html\">The one</a>"));
   assert_non_null(strstr(page, "src=\"one/out.before.wav\""));
   assert_non_null(strstr(page, "src=\"one/out.wav\""));
   assert_null(strstr(page, "audition"));
   assert_non_null(strstr(page, "LUFS. Against before: 6.0 LU quieter</small>"));
   free(page);
   const char* made[] = {"out.wav", "out.before.wav", "one.html", "one.fingerprint"};
   for (int n = 0; n < 4; ++n) {
      char* path = bm_print("%s/one/%s", folder, made[n]);
      unlink(path);
      free(path);
   }
   rmdir(in_folder("one"));
}

static void wrong_usage_is_exit_code_2_with_help(void** state)
{
   (void)state;
   Result result = run("render");
   assert_said(&result, 2, "usage: bookmatch render SESSION.ttl");
   result = run("render", "a.ttl", "b.ttl");
   assert_said(&result, 2, "does not know what to do with \"b.ttl\"");
   result = run("render", "a.ttl", "-o");
   assert_said(&result, 2, "-o wants a folder");
   result = run("render", "a.ttl", "--takes", "--json");
   assert_said(&result, 2, "--takes wants a folder");
   result = run("measure", "a.wav", "--note");
   assert_said(&result, 2, "--note wants a frequency in Hz, or a note");
   result = run("measure", "a.wav", "--note", "H2");
   assert_said(&result, 2, "--note takes a frequency from 10 to 5000 Hz or a note such as E2, not \"H2\"");
   result = run("response", "urn:bookmatch:test#mono", "--level");
   assert_said(&result, 2, "--level wants -120 to 0 dBFS");
   result = run("response", "urn:bookmatch:test#mono", "--level", "1");
   assert_said(&result, 2, "--level takes -120 to 0 dBFS, not \"1\"");
   result = run("response", "-o", "picture", "urn:bookmatch:test#mono");
   assert_said(&result, 2, "-o takes a file that ends in .svg or .html, not \"picture\"");
   result = run("rendre");
   assert_said(&result, 2, "there is no \"rendre\"");
   result = run("list", "a", "b");
   assert_said(&result, 2, "list takes one plugin; \"b\" is one more");
   result = run("list", "--help");
   assert_said(&result, 0, "bookmatch list [PLUGIN]");
   result = run("--help");
   assert_said(&result, 0, "bookmatch render SESSION.ttl");
   /* It fits the narrowest usual terminal. */
   for (char* line = strtok(result.text, "\n"); line; line = strtok(NULL, "\n")) {
      if (strlen(line) > 79) {
         fail_msg("%zu columns: %s", strlen(line), line);
      }
   }
   result = run("--version");
   assert_said(&result, 0, "bookmatch 0.");
   result = run("render", "--fast", "a.ttl");
   assert_said(&result, 2, "render does not know what to do with \"--fast\"; `bookmatch render --help` says");
}

static void list_shows_plugins_and_the_ports_of_one(void** state)
{
   (void)state;
   Result result = run("list");
   assert_said(&result, 0, "urn:bookmatch:test#mono");
   result = run("list", "urn:bookmatch:test#mono");
   assert_said(&result, 0, "delay                0 to 4000 frames, default 0");
   assert_said(&result, 0, "2 = Cold");
   assert_said(&result, 0, "<urn:bookmatch:test#half>  Half");
   result = run("list", "urn:bookmatch:test#momo");
   assert_said(&result, 1, "did you mean <urn:bookmatch:test#mono>?");
   result = run("list", "take-placement");
   assert_said(&result, 1, "\"take-placement\" has no mono or stereo form: say \"take-placement#");
   assert_non_null(strstr(result.text, " or \"take-placement#"));
   result = run("list", "fundamental");
   assert_said(&result, 1, "did you mean \"fundamental-eq\"?");
   result = run("list", "momo");
   assert_said(&result, 1, "no plugin \"momo\" is installed; `bookmatch list` names those that are");
   result = run("list", "test#momo");
   assert_said(&result, 1, "no plugin \"test#momo\" is installed; did you mean \"test#mono\"?");
   result = run("list", "fundmental-eq");
   assert_said(&result, 1, "no plugin \"fundmental-eq\" is installed; did you mean \"fundamental-eq\"?");
}

static void a_path_that_leads_to_no_plugin_is_said(void** state)
{
   (void)state;
   write_take("take.wav", RATE_HZ, 1, 480, wave_noise);
   write_session("wrong.ttl",
                 "<> a bm:Session .\n" TRACK "; bm:inserts ( [ lv2:appliesTo test:mono ] ) .\n" STEM ".\n");
   char* path = bm_copy(getenv("LV2_PATH"));
   setenv("LV2_PATH", in_folder("nowhere"), 1);
   Result result = run("list");
   assert_said(&result, 1, "no LV2 plugin lies where LV2_PATH or, without it, the standard folders point");
   result = run("render", in_folder("wrong.ttl"), "-o", folder);
   assert_said(&result, 1, "no LV2 plugin lies where LV2_PATH");
   write_text("manifest.ttl", "");
   setenv("LV2_PATH", folder, 1);
   result = run("list");
   assert_said(&result, 1, "is a bundle itself; name the folder that holds it");
   result = run("measure", in_folder("take.wav"));
   assert_said(&result, 1, "is a bundle itself");
   setenv("LV2_PATH", path, 1);
   free(path);
   result = run("render", in_folder("wrong.ttl"), "-o", folder, "--no-report");
   assert_int_equal(result.status, 0);
}

static void what_is_no_session_is_named_for_what_it_is(void** state)
{
   (void)state;
   write_take("take.wav", RATE_HZ, 1, 480, wave_noise);
   Result result = run("render", folder);
   assert_said(&result, 1, "is a folder, not a Turtle file");
   result = run("render", in_folder("take.wav"));
   assert_said(&result, 1, "take.wav: is no text; a Turtle file is wanted here");
}

/* Seconds of 8 kHz mono silence as a file that is mostly a hole. */
static void write_long_take(uint32_t n_seconds)
{
   write_take("take.wav", 8000, 1, 0, wave_noise);
   const uint32_t n_bytes = n_seconds * 8000 * 2;
   const struct {
      char riff[4];
      uint32_t riff_bytes;
      char wave[8];
      uint32_t fmt_bytes;
      uint16_t pcm, n_channels;
      uint32_t rate_hz, byte_rate;
      uint16_t frame_bytes, bits;
      char data[4];
      uint32_t data_bytes;
   } header = {"RIFF", n_bytes + 36, "WAVEfmt ", 16, 1, 1, 8000, 16000, 2, 16, "data", n_bytes};
   FILE* file = fopen(in_folder("take.wav"), "wb");
   assert_int_equal(fwrite(&header, sizeof(header), 1, file), 1);
   fclose(file);
   assert_int_equal(truncate(in_folder("take.wav"), (off_t)sizeof(header) + n_bytes), 0);
}

static void two_hours_take_no_more_memory_than_ten_seconds(void** state)
{
   (void)state;
   write_session("hours.ttl",
                 "<> a bm:Session ; bm:maxTail 0 .\n" TRACK
                 "; bm:inserts ( [ lv2:appliesTo test:mono ] ) .\n" STEM "; bm:sampleFormat bm:pcm16 .\n");
   write_long_take(10);
   const Result ten_seconds = run("render", in_folder("hours.ttl"), "-o", folder, "--no-report");
   assert_int_equal(ten_seconds.status, 0);
   write_long_take(7200);
   const Result two_hours = run("render", in_folder("hours.ttl"), "-o", folder, "--no-report");
   assert_int_equal(two_hours.status, 0);
   struct stat stem;
   assert_int_equal(stat(in_folder("out.wav"), &stem), 0);
   assert_int_equal(stem.st_size, 7200 * 8000 * 2 + 44);
   print_message("peak memory: 10 s %ld KiB, 2 h %ld KiB\n", ten_seconds.resident_kib,
                 two_hours.resident_kib);
   assert_true(two_hours.resident_kib < ten_seconds.resident_kib + 2048);
}

int main(void)
{
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(a_render_repeats_to_the_byte_in_every_format),
      cmocka_unit_test(an_integer_stem_holds_the_nearest_steps_and_tells_of_clipping),
      cmocka_unit_test(a_16_bit_stem_is_dithered_so_that_its_error_knows_nothing_of_the_signal),
#if !BM_TEST_ADDRESS_SANITIZED
      cmocka_unit_test(a_render_equals_lv2apply_sample_for_sample),
#endif
      cmocka_unit_test(an_interrupted_render_leaves_everything_as_it_was),
      cmocka_unit_test(a_killed_render_leaves_the_earlier_stem_and_the_next_one_clears_up),
      cmocka_unit_test(two_renders_of_one_file_do_not_mix),
      cmocka_unit_test(a_file_that_may_not_grow_leaves_everything_as_it_was),
      cmocka_unit_test(a_full_disk_leaves_everything_as_it_was),
      cmocka_unit_test(a_take_is_never_overwritten),
      cmocka_unit_test(a_folder_that_cannot_be_made_is_said),
      cmocka_unit_test(audio_that_is_cut_off_is_told_in_every_container),
      cmocka_unit_test(a_report_tells_what_each_stem_was_before_and_became),
      cmocka_unit_test(a_report_tells_what_each_insert_cost_wherever_it_stands),
      cmocka_unit_test(what_sends_alone_feed_is_not_compared_with_silence),
      cmocka_unit_test(a_stem_of_silence_is_warned_of),
      cmocka_unit_test(check_tells_the_same_from_another_and_from_trouble),
      cmocka_unit_test(check_tells_of_every_alternative),
      cmocka_unit_test(a_choice_that_the_session_names_is_rendered_and_the_rest_is_kept),
      cmocka_unit_test(a_render_records_a_session_once_and_again_when_the_session_changes),
      cmocka_unit_test(a_session_begun_around_takes_renders_as_it_stands),
      cmocka_unit_test(an_index_leads_to_what_was_rendered_and_says_what_was_not),
      cmocka_unit_test(wrong_usage_is_exit_code_2_with_help),
      cmocka_unit_test(list_shows_plugins_and_the_ports_of_one),
      cmocka_unit_test(a_path_that_leads_to_no_plugin_is_said),
      cmocka_unit_test(what_is_no_session_is_named_for_what_it_is),
      cmocka_unit_test(two_hours_take_no_more_memory_than_ten_seconds),
   };
   return cmocka_run_group_tests(tests, open_folder, close_folder);
}
