/* SPDX-License-Identifier: ISC */
/* If these fail, a session that sounds different next year is called the same, or the wrong insert is blamed.
 */
#include "session_test.h"

#include "recall.h"

#define TWO_INSERTS(first, second)                                                                           \
   "<> a bm:Session . <#a> a bm:Track ; rdfs:label \"Lead\" ; bm:take <take.wav> ; bm:output <#mix> ; "      \
   "bm:inserts (\n"                                                                                          \
   "[ lv2:appliesTo test:mono ; lv2:port [ lv2:symbol \"gain\" ; pset:value " first " ] ]\n"                 \
   "[ rdfs:label \"Second\" ; lv2:appliesTo test:mono ; lv2:port [ lv2:symbol \"gain\" ; pset:value " second \
   " ] ] ) .\n"                                                                                              \
   "<#b> a bm:Track ; bm:take <other.wav> ; bm:output <#mix> . <#mix> a bm:Bus .\n"                          \
   "<#s> a bm:Stem ; bm:from <#mix> ; bm:file \"mix.wav\" .\n"

typedef struct {
   BmSession* session;
   BmFingerprint* print;
} Taken;

static bool hear(void* user, const BmTapBlock* taps, uint32_t n_frames, BmError* error)
{
   (void)error;
   bm_fingerprinter_hear(user, taps, n_frames);
   return true;
}

static void hear_inside(void* user, const BmInsideBlock* block)
{
   bm_fingerprinter_hear_inside(user, block);
}

/* The fingerprint of a session that must be right. */
static Taken take(const char* body)
{
   BmError error = {0};
   Taken taken = {.session = read_session(body, &error)};
   BmRender* render = taken.session ? bm_render_new(host, taken.session, &error) : NULL;
   if (!render) {
      fail_msg("%s", error.text);
   }
   BmFingerprinter* listener = bm_fingerprinter_new(taken.session, render, true);
   const BmRenderSink sink = {
      .user = listener, .hear = hear, .hear_inside = hear_inside, .without_before = true};
   assert_true(bm_render_run(render, &sink, &error));
   taken.print = bm_fingerprinter_finish(listener, &error);
   assert_non_null(taken.print);
   bm_fingerprinter_free(listener);
   bm_render_free(render);
   return taken;
}

static void taken_free(Taken* taken)
{
   bm_fingerprint_free(taken->print);
   bm_session_free(taken->session);
}

static char* words_of(const Taken* recorded, const Taken* now)
{
   BmText text = {0};
   bm_recall_add_words(&text, now->session, recorded->print, now->print);
   assert_false(text.failed);
   return text.chars;
}

static const char one_take[] = "<> a bm:Session . <#a> a bm:Track ; bm:take <take.wav> .\n"
                               "<#s> a bm:Stem ; bm:from <#a> ; bm:file \"a.wav\" .\n";

static double error_db; /* of the take, under its level */

static float wave_off(uint32_t frame, uint32_t channel)
{
   const float x = wave_noise(frame, channel);
   return x + (float)(pow(10.0, error_db / 20.0) * (double)wave_noise(frame + 7777777u, channel));
}

static float wave_last_bit(uint32_t frame, uint32_t channel)
{
   const float x = wave_noise(frame, channel);
   return frame % 3 ? x : nextafterf(x, 1.0f);
}

/* Subtracting the two takes gives error_db by construction: both noises have one level. */
static void the_difference_is_what_subtraction_would_give(void** state)
{
   (void)state;
   write_take("take.wav", RATE_HZ, 2, 96000, wave_noise);
   Taken one = take(one_take);
   for (error_db = -120.0; error_db < 0.0; error_db += 20.0) {
      write_take("take.wav", RATE_HZ, 2, 96000, wave_off);
      Taken other = take(one_take);
      for (uint32_t n = 0; n < one.print->n_signals; ++n) {
         /* Three standard deviations of the estimate. */
         assert_close(bm_fingerprint_difference_db(&one.print->signals[n], &other.print->signals[n]),
                      error_db, 3.0);
      }
      taken_free(&other);
   }
   taken_free(&one);
}

/* A full-scale sine of 1 kHz: -3.01 dBFS RMS as a level where constant 1 reads 0, 0 dBTP, 0 dBFS in the
   octave of 1 kHz (AES17), and -3.01 LUFS in one channel at 997 Hz (ITU-R BS.1770-4, annex 1). */
static float wave_sine(uint32_t frame, uint32_t channel)
{
   (void)channel;
   return (float)sin(2.0 * 3.14159265358979323846 * 997.0 * frame / RATE_HZ);
}

static void the_figures_are_those_of_the_standards(void** state)
{
   (void)state;
   write_take("take.wav", RATE_HZ, 1, 4 * RATE_HZ, wave_sine);
   Taken taken = take(one_take);
   for (uint32_t n = 0; n < taken.print->n_signals; ++n) {
      const BmFingerprintSignal* signal = &taken.print->signals[n];
      assert_close(signal->rms_dbfs, -3.0103, 0.001);
      /* To the half of a step of the meter's histogram. */
      assert_close(signal->loudness_lufs, -3.01, 0.06);
      assert_close(signal->peak_db, 0.0, 0.05);
      assert_close(signal->octave_dbfs[5], 0.0, 0.02);
      /* Its ends are cut hard. */
      assert_true(signal->octave_dbfs[3] < -45.0 && signal->octave_dbfs[7] < -45.0);
      assert_int_equal(signal->n_frames, 4 * RATE_HZ);
   }
   taken_free(&taken);
}

static void the_same_session_is_identical_and_rounding_is_within_tolerance(void** state)
{
   (void)state;
   write_take("take.wav", RATE_HZ, 2, 48000, wave_noise);
   Taken one = take(one_take);
   Taken again = take(one_take);
   assert_int_equal(bm_recall_compare(one.print, again.print), BM_RECALL_IDENTICAL);
   write_take("take.wav", RATE_HZ, 2, 48000, wave_last_bit);
   Taken rounded = take(one_take);
   assert_int_equal(bm_recall_compare(one.print, rounded.print), BM_RECALL_WITHIN);
   error_db = BM_RECALL_DIFFERENCE_DB + 5.0;
   write_take("take.wav", RATE_HZ, 2, 48000, wave_off);
   Taken other = take(one_take);
   assert_int_equal(bm_recall_compare(one.print, other.print), BM_RECALL_DIFFERENT);
   taken_free(&one);
   taken_free(&again);
   taken_free(&rounded);
   taken_free(&other);
}

static void what_differs_first_is_named_and_what_follows_is_not(void** state)
{
   (void)state;
   write_take("take.wav", RATE_HZ, 1, 48000, wave_noise);
   write_take("other.wav", RATE_HZ, 1, 48000, wave_one);
   Taken recorded = take(TWO_INSERTS("0.5", "0.5"));
   Taken second = take(TWO_INSERTS("0.5", "0.51"));
   char* words = words_of(&recorded, &second);
   assert_non_null(strstr(words, "different: 5 of 9 signals\n"));
   assert_non_null(strstr(words, "track <#a> \"Lead\", insert 2 \"Second\" <urn:bookmatch:test#mono>\n"));
   assert_null(strstr(words, "insert 1 "));
   assert_null(strstr(words, "bus <#mix>"));
   assert_null(strstr(words, "<#b>"));
   free(words);
   /* A take that changed late is told from there on, and is no insert's fault. */
   write_take("other.wav", RATE_HZ, 1, 36000, wave_one);
   Taken shorter = take(TWO_INSERTS("0.5", "0.5"));
   words = words_of(&recorded, &shorter);
   assert_non_null(strstr(words, "track <#b> \"b\", the take itself, from 0.8 s on\n"));
   assert_null(strstr(words, "<#a>"));
   free(words);
   taken_free(&recorded);
   taken_free(&second);
   taken_free(&shorter);
}

static void a_session_that_gained_or_lost_an_insert_is_told(void** state)
{
   (void)state;
   write_take("take.wav", RATE_HZ, 1, 48000, wave_noise);
   Taken bare = take(one_take);
   Taken more = take("<> a bm:Session . <#a> a bm:Track ; bm:take <take.wav> ; bm:inserts ( [ lv2:appliesTo "
                     "test:mono ] ) .\n"
                     "<#s> a bm:Stem ; bm:from <#a> ; bm:file \"a.wav\" .\n");
   char* words = words_of(&bare, &more);
   assert_non_null(strstr(words, "different"));
   assert_non_null(strstr(words, "the session's file has changed"));
   assert_non_null(strstr(words, "a: insert 1 <urn:bookmatch:test#mono>  was not recorded\n"));
   free(words);
   words = words_of(&more, &bare);
   assert_non_null(strstr(words, "no longer there: a: insert 1 <urn:bookmatch:test#mono>\n"));
   free(words);
   taken_free(&bare);
   taken_free(&more);
}

static char* file_text(const char* name)
{
   static char text[65536];
   FILE* file = fopen(in_folder(name), "rb");
   assert_non_null(file);
   text[fread(text, 1, sizeof(text) - 1, file)] = '\0';
   fclose(file);
   return text;
}

static void a_fingerprint_reads_back_as_it_was(void** state)
{
   (void)state;
   write_take("take.wav", RATE_HZ, 1, 48000, wave_noise);
   write_take("other.wav", RATE_HZ, 1, 48000, wave_one);
   Taken taken = take(TWO_INSERTS("0.0", "0.5"));
   BmError error = {0};
   assert_true(bm_fingerprint_write(taken.print, in_folder("a.fingerprint"), &error));
   BmFingerprint* read = bm_fingerprint_read(in_folder("a.fingerprint"), &error);
   assert_non_null(read);
   assert_int_equal(bm_recall_compare(read, taken.print), BM_RECALL_IDENTICAL);
   assert_int_equal(read->session, taken.print->session);
   assert_int_equal(read->n_plugins, 1);
   for (uint32_t n = 0; n < read->n_signals; ++n) {
      assert_true(bm_fingerprint_difference_db(&read->signals[n], &taken.print->signals[n]) < -170.0);
   }
   assert_true(bm_fingerprint_write(read, in_folder("b.fingerprint"), &error));
   char* first = bm_copy(file_text("a.fingerprint"));
   assert_string_equal(first, file_text("b.fingerprint"));
   free(first);
   bm_fingerprint_free(read);
   taken_free(&taken);
}

/* The same fingerprint once more, to change. */
static BmFingerprint* copy_of(const BmFingerprint* print)
{
   BmError error = {0};
   assert_true(bm_fingerprint_write(print, in_folder("copy.fingerprint"), &error));
   BmFingerprint* copy = bm_fingerprint_read(in_folder("copy.fingerprint"), &error);
   assert_non_null(copy);
   return copy;
}

/* How it compares when one signal's bits and, by `share` of its tolerance, one of its figures are others. */
static BmRecallVerdict verdict_of(const BmFingerprint* print, int figure, double share)
{
   BmFingerprint* moved = copy_of(print);
   BmFingerprintSignal* signal = &moved->signals[0];
   signal->bits ^= 1u;
   signal->loudness_lufs += figure == 0 ? share * BM_RECALL_LOUDNESS_LU : 0.0;
   signal->peak_db += figure == 1 ? share * BM_RECALL_PEAK_DB : 0.0;
   signal->octave_dbfs[5] += figure == 2 ? share * BM_RECALL_OCTAVE_DB : 0.0;
   const BmRecallVerdict verdict = bm_recall_compare(print, moved);
   bm_fingerprint_free(moved);
   return verdict;
}

static void each_figure_alone_is_enough_to_call_a_session_different(void** state)
{
   (void)state;
   write_take("take.wav", RATE_HZ, 1, 48000, wave_noise);
   Taken taken = take(one_take);
   /* The file rounds; what is compared has been through it. */
   BmFingerprint* print = copy_of(taken.print);
   for (int figure = 0; figure < 3; ++figure) {
      for (double sign = -1.0; sign <= 1.0; sign += 2.0) {
         assert_int_equal(verdict_of(print, figure, 0.5 * sign), BM_RECALL_WITHIN);
         assert_int_equal(verdict_of(print, figure, 1.5 * sign), BM_RECALL_DIFFERENT);
      }
   }
   /* An octave with next to nothing in it may be anything. */
   BmFingerprint* moved = copy_of(print);
   moved->signals[0].bits ^= 1u;
   moved->signals[0].octave_dbfs[0] = print->signals[0].rms_dbfs + BM_RECALL_OCTAVE_FLOOR_DB - 1.0;
   print->signals[0].octave_dbfs[0] = moved->signals[0].octave_dbfs[0] - 40.0;
   assert_int_equal(bm_recall_compare(print, moved), BM_RECALL_WITHIN);
   moved->signals[0].octave_dbfs[0] += 2.0;
   assert_int_equal(bm_recall_compare(print, moved), BM_RECALL_DIFFERENT);
   bm_fingerprint_free(moved);
   bm_fingerprint_free(print);
   taken_free(&taken);
}

static void another_length_rate_or_number_of_signals_is_not_the_same(void** state)
{
   (void)state;
   write_take("take.wav", RATE_HZ, 1, 48000, wave_noise);
   Taken taken = take(one_take);
   BmFingerprint* other = copy_of(taken.print);
   assert_int_equal(bm_recall_compare(taken.print, other), BM_RECALL_IDENTICAL);
   other->signals[0].n_frames += 1;
   assert_int_not_equal(bm_recall_compare(taken.print, other), BM_RECALL_IDENTICAL);
   other->signals[0].n_frames -= 1;
   other->rate_hz = 44100.0;
   assert_int_equal(bm_recall_compare(taken.print, other), BM_RECALL_DIFFERENT);
   other->rate_hz = RATE_HZ;
   other->n_signals -= 1;
   assert_int_equal(bm_recall_compare(taken.print, other), BM_RECALL_DIFFERENT);
   other->n_signals += 1;
   assert_int_equal(bm_recall_compare(taken.print, other), BM_RECALL_IDENTICAL);
   bm_fingerprint_free(other);
   taken_free(&taken);
}

static void another_rate_version_or_octave_is_told(void** state)
{
   (void)state;
   write_take("take.wav", RATE_HZ, 1, 48000, wave_noise);
   write_take("other.wav", RATE_HZ, 1, 48000, wave_one);
   Taken taken = take(TWO_INSERTS("0.5", "0.5"));
   Taken now = {.session = taken.session, .print = copy_of(taken.print)};
   now.print->rate_hz = 44100.0;
   now.print->plugins[0].minor_version = 7;
   now.print->plugins[0].micro_version = 9;
   now.print->signals[0].bits ^= 1u;
   now.print->signals[0].octave_dbfs[5] += 3.0;
   char* words = words_of(&taken, &now);
   assert_non_null(strstr(words, "the sample rate was 48000 Hz and is 44100 Hz\n"));
   assert_non_null(strstr(words, "<urn:bookmatch:test#mono> was version "));
   assert_non_null(strstr(words, " and is 7.9\n"));
   assert_non_null(strstr(words, "+3.00 at 1000 Hz\n"));
   free(words);
   bm_fingerprint_free(now.print);
   taken_free(&taken);
}

static void many_changes_are_counted_and_not_all_listed(void** state)
{
   (void)state;
   enum { N_TRACKS = 24 };
   BmText body = {0};
   bm_text_add(&body, "<> a bm:Session . <#mix> a bm:Bus .\n"
                      "<#s> a bm:Stem ; bm:from <#mix> ; bm:file \"mix.wav\" .\n");
   for (int n = 0; n < N_TRACKS; ++n) {
      bm_text_addf(&body, "<#t%d> a bm:Track ; bm:take <take.wav> ; bm:output <#mix> .\n", n);
   }
   write_take("take.wav", RATE_HZ, 1, 4800, wave_noise);
   Taken recorded = take(body.chars);
   write_take("take.wav", RATE_HZ, 1, 4800, wave_one);
   Taken now = take(body.chars);
   char* words = words_of(&recorded, &now);
   assert_non_null(strstr(words, "different: 51 of 51 signals\n"));
   assert_non_null(strstr(words, "  and 16 more\n"));
   assert_non_null(strstr(words, "\nand 11 more\n"));
   free(words);
   bm_text_free(&body);
   taken_free(&recorded);
   taken_free(&now);
}

/* A quarter of the rate, its samples beside the crests: 3 dB more lies between them. */
static float wave_between(uint32_t frame, uint32_t channel)
{
   (void)channel;
   return (float)((frame / 2 % 2 ? -1.0 : 1.0) * sqrt(0.5));
}

static const BmFingerprintSignal* heard(const Taken* taken, const char* name)
{
   const BmFingerprintSignal* signal = bm_fingerprint_find(taken->print, name);
   if (!signal) {
      fail_msg("there is no signal %s", name);
   }
   return signal;
}

static void a_stem_s_peak_lies_between_samples_too(void** state)
{
   (void)state;
   write_take("take.wav", RATE_HZ, 1, 48000, wave_between);
   Taken taken = take(one_take);
   assert_close(heard(&taken, "a: out")->peak_db, -3.01, 0.01);
   /* The hard ends ring a little above. */
   assert_between(heard(&taken, "stem a.wav")->peak_db, -0.2, 1.0);
   taken_free(&taken);
}

static void a_fader_that_is_moved_is_heard(void** state)
{
   (void)state;
   static const char* const faders[] = {
      "bm:gain -1", "bm:pan 0.5", "bm:mute true",
      "bm:automation [ bm:control bm:gain ; bm:points ( ( 0 0.0 ) ( 0.5 -6 ) ) ]"};
   write_take("take.wav", RATE_HZ, 2, 48000, wave_noise);
   for (size_t n = 0; n < sizeof faders / sizeof faders[0]; ++n) {
      char* body = bm_print("<> a bm:Session . <#a> a bm:Track ; bm:take <take.wav> ; %s .\n"
                            "<#s> a bm:Stem ; bm:from <#a> ; bm:file \"a.wav\" .\n",
                            faders[n]);
      Taken taken = take(body);
      if (heard(&taken, "a: out")->bits == heard(&taken, "a: take")->bits) {
         fail_msg("%s is not heard behind the fader", faders[n]);
      }
      free(body);
      taken_free(&taken);
   }
}

static void a_fingerprint_of_another_format_is_refused_in_one_line(void** state)
{
   (void)state;
   write_take("take.wav", RATE_HZ, 1, 4800, wave_noise);
   Taken taken = take(one_take);
   BmFingerprint* print = copy_of(taken.print);
   char* text = bm_copy(file_text("copy.fingerprint"));
   char* number = strpbrk(text, "0123456789");
   assert_int_equal(*number, '1');
   *number = '2';
   write_text("other.fingerprint", text);
   BmError error = {0};
   assert_null(bm_fingerprint_read(in_folder("other.fingerprint"), &error));
   assert_non_null(strstr(error.text, "other.fingerprint"));
   assert_null(strchr(error.text, '\n'));
   free(text);
   bm_fingerprint_free(print);
   taken_free(&taken);
}

static void a_fingerprint_that_is_cut_off_is_refused_in_one_line(void** state)
{
   (void)state;
   write_take("take.wav", RATE_HZ, 1, 4800, wave_noise);
   Taken taken = take(one_take);
   BmError error = {0};
   assert_true(bm_fingerprint_write(taken.print, in_folder("a.fingerprint"), &error));
   char* whole = bm_copy(file_text("a.fingerprint"));
   /* The last line may lose digits of a number and still be one. */
   const size_t last_line = (size_t)(strrchr(whole, 's') - whole);
   for (size_t size = 0; size < last_line; size += size < 200 ? 1 : 7) {
      char* cut = bm_print("%.*s", (int)size, whole);
      write_text("cut.fingerprint", cut);
      free(cut);
      BmError refused = {0};
      BmFingerprint* read = bm_fingerprint_read(in_folder("cut.fingerprint"), &refused);
      /* Between two signals it is whole, but then the session has more. */
      if (read) {
         assert_int_equal(bm_recall_compare(read, taken.print), BM_RECALL_DIFFERENT);
      } else {
         assert_non_null(strstr(refused.text, "cut.fingerprint"));
         assert_null(strchr(refused.text, '\n'));
      }
      bm_fingerprint_free(read);
   }
   free(whole);
   taken_free(&taken);
}

static void alternatives_read_back_in_their_order_and_damaged_ones_are_refused(void** state)
{
   (void)state;
   write_take("take.wav", RATE_HZ, 1, 4800, wave_noise);
   Taken first = take(one_take);
   Taken second = take(one_take);
   BmError error = {0};
   first.print->alternative = bm_copy("As it is");
   first.print->next = second.print;
   second.print->alternative = bm_copy("Other");
   second.print->signals[0].bits += 1;
   assert_true(bm_fingerprint_write(first.print, in_folder("two.fingerprint"), &error));
   BmFingerprint* read = bm_fingerprint_read(in_folder("two.fingerprint"), &error);
   assert_non_null(read);
   assert_string_equal(read->alternative, "As it is");
   assert_string_equal(read->next->alternative, "Other");
   assert_null(read->next->next);
   assert_int_equal(bm_recall_compare(read, first.print), BM_RECALL_IDENTICAL);
   assert_int_equal(bm_recall_compare(read->next, second.print), BM_RECALL_IDENTICAL);
   assert_int_equal(bm_recall_compare(read->next, first.print), BM_RECALL_WITHIN);
   assert_true(read->next->session == first.print->session && read->next->rate_hz == first.print->rate_hz);
   bm_fingerprint_free(read);
   char* whole = bm_copy(file_text("two.fingerprint"));
   char* at = strstr(whole, "alternative Other");
   /* Twice the same, and one without a signal. */
   memcpy(at, "alternative As it", strlen("alternative As it"));
   char* twice = bm_print("%.*s is%s", (int)(at + strlen("alternative As it") - whole), whole,
                          at + strlen("alternative As it"));
   char* none = bm_print("%.*salternative Third\nalternative Fourth\n", (int)(at - whole), whole);
   const char* const damaged[] = {twice, none};
   for (int n = 0; n < 2; ++n) {
      BmError refused = {0};
      write_text("cut.fingerprint", damaged[n]);
      assert_null(bm_fingerprint_read(in_folder("cut.fingerprint"), &refused));
      assert_non_null(strstr(refused.text, "cut.fingerprint:"));
   }
   free(whole);
   free(twice);
   free(none);
   first.print->next = NULL;
   taken_free(&first);
   taken_free(&second);
}

int main(void)
{
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(the_difference_is_what_subtraction_would_give),
      cmocka_unit_test(the_figures_are_those_of_the_standards),
      cmocka_unit_test(the_same_session_is_identical_and_rounding_is_within_tolerance),
      cmocka_unit_test(what_differs_first_is_named_and_what_follows_is_not),
      cmocka_unit_test(a_session_that_gained_or_lost_an_insert_is_told),
      cmocka_unit_test(a_fingerprint_reads_back_as_it_was),
      cmocka_unit_test(each_figure_alone_is_enough_to_call_a_session_different),
      cmocka_unit_test(another_length_rate_or_number_of_signals_is_not_the_same),
      cmocka_unit_test(another_rate_version_or_octave_is_told),
      cmocka_unit_test(many_changes_are_counted_and_not_all_listed),
      cmocka_unit_test(a_stem_s_peak_lies_between_samples_too),
      cmocka_unit_test(a_fader_that_is_moved_is_heard),
      cmocka_unit_test(a_fingerprint_of_another_format_is_refused_in_one_line),
      cmocka_unit_test(a_fingerprint_that_is_cut_off_is_refused_in_one_line),
      cmocka_unit_test(alternatives_read_back_in_their_order_and_damaged_ones_are_refused),
   };
   return cmocka_run_group_tests(tests, open_folder, close_folder);
}
