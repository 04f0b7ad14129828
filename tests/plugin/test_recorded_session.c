/* SPDX-License-Identifier: ISC */
/*
   The main job on real recordings: two takes of a part, sequenced from recorded guitar notes, and two
   recorded stereo phrases, through a session. If one fails, a stem leaves the bench with rumble in it,
   without its bass, or narrower or weaker in mono than the takes were.
*/
#include "unit_test.h"

#include "hosted.h"
#include "measure.h"
#include "recordings.h"
#include "render.h"

#include <sndfile.h>

#include <stdbool.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define PI 3.14159265358979323846
#define PREFIXES                                                                                             \
   "@prefix bm: <urn:bookmatch:vocabulary#> .\n"                                                             \
   "@prefix lv2: <http://lv2plug.in/ns/lv2core#> .\n"                                                        \
   "@prefix pset: <http://lv2plug.in/ns/ext/presets#> .\n"

enum { RATE_HZ = 44100 /* the recordings' own */, PART_FRAMES = 12 * RATE_HZ };

static char folder[] = "/tmp/bookmatch-recorded-XXXXXX";

/* Bass note and chord tones above it, one bar each; MIDI keys. */
static const int part[][5] = {
   {40, 52, 55, 59, 64}, {43, 50, 55, 59, 62}, {45, 52, 57, 60, 64}, {41, 53, 57, 60, 65}};
enum { N_BARS = sizeof part / sizeof *part, N_NOTES = 5 };

static void add_note(float* take, const BmRecording* note, uint32_t start, double gain, uint32_t n_frames)
{
   for (uint32_t i = 0; i < n_frames && i < note->n_frames && start + i < PART_FRAMES; ++i) {
      const uint32_t left = n_frames - i;
      const double damp = left < 2400 ? left / 2400.0 : 1.0; /* the hand on the string */
      take[start + i] += (float)(gain * damp * note->samples[i]);
   }
}

/* A performance: the same notes, each a little early or late and louder or softer, over stand rumble at 24
 * Hz. */
static float* perform(uint64_t seed)
{
   float* take = calloc(PART_FRAMES, sizeof *take);
   assert_non_null(take);
   const uint32_t bar_frames = PART_FRAMES / N_BARS;
   for (uint32_t bar = 0; bar < N_BARS; ++bar) {
      for (uint32_t n = 0; n < N_NOTES; ++n) {
         BmRecording note = bm_recording_note(part[bar][n], RATE_HZ, 3.0);
         const double late_s = 0.02 + 0.012 * bm_test_random(&seed);
         const uint32_t start = bar * bar_frames + n * bar_frames / 8 + (uint32_t)(late_s * RATE_HZ);
         const double gain = 0.35 * pow(10.0, 0.1 * bm_test_random(&seed));
         add_note(take, &note, start, gain, bar_frames - n * bar_frames / 8);
         bm_recording_free(&note);
      }
   }
   for (uint32_t i = 0; i < PART_FRAMES; ++i) {
      take[i] += (float)(0.02 * sin(2.0 * PI * 24.0 * i / RATE_HZ + (double)(seed % 7)));
   }
   return take;
}

static void write_take(const char* name, const float* samples, uint32_t n_frames, uint32_t n_channels)
{
   char path[128];
   snprintf(path, sizeof path, "%s/%s", folder, name);
   SF_INFO info = {
      .samplerate = RATE_HZ, .channels = (int)n_channels, .format = SF_FORMAT_WAV | SF_FORMAT_FLOAT};
   SNDFILE* file = sf_open(path, SFM_WRITE, &info);
   assert_non_null(file);
   assert_int_equal(sf_writef_float(file, samples, n_frames), n_frames);
   sf_close(file);
}

typedef struct {
   BmMeter* before;
   BmMeter* after;
   uint64_t n_frames;
   double complex_parts[2][2];
} Ears;

static bool hear(void* user, const BmTapBlock* taps, uint32_t n_frames, BmError* error)
{
   (void)error;
   Ears* ears = user;
   for (int side = 0; side < 2; ++side) {
      const float* const* channels = side ? taps->after : taps->before;
      float interleaved[2 * 4096];
      for (uint32_t start = 0; start < n_frames; start += 4096) {
         const uint32_t n = n_frames - start < 4096 ? n_frames - start : 4096;
         for (uint32_t i = 0; i < n; ++i) {
            const float left = channels[0][start + i];
            const float right = channels[1] ? channels[1][start + i] : left;
            if (!isfinite(left) || !isfinite(right)) {
               fail_msg("frame %u is not finite", start + i);
            }
            interleaved[2 * i] = left;
            interleaved[2 * i + 1] = right;
            const double phase = 2.0 * PI * 24.0 * (double)(ears->n_frames + start + i) / RATE_HZ;
            ears->complex_parts[side][0] += (double)left * cos(phase);
            ears->complex_parts[side][1] += (double)left * sin(phase);
         }
         bm_meter_add(side ? ears->after : ears->before, interleaved, n);
      }
   }
   ears->n_frames += n_frames;
   return true;
}

typedef struct {
   BmMeasurement before;
   BmMeasurement after;
   double rumble_change_db;
   uint64_t n_frames;
} Outcome;

/* Render a session's first stem; `note_trace` gets the first insert's lowest note over time if it is not
 * NULL. */
static Outcome render(const char* text, double lowest_note_hz, float* note_trace, uint32_t n_trace)
{
   char path[128];
   snprintf(path, sizeof path, "%s/session.ttl", folder);
   FILE* file = fopen(path, "w");
   assert_non_null(file);
   assert_true(fputs(PREFIXES, file) >= 0 && fputs(text, file) >= 0);
   assert_int_equal(fclose(file), 0);

   BmError error = {0};
   BmSession* session = bm_session_read(hosted_host, path, NULL, &error);
   BmRender* rendering = session ? bm_render_new(hosted_host, session, &error) : NULL;
   const BmMeterOptions options = {
      .sample_rate_hz = RATE_HZ, .n_channels = 2, .lowest_note_hz = lowest_note_hz};
   Ears ears = {.before = bm_meter_new(&options), .after = bm_meter_new(&options)};
   const BmRenderSink sink = {.user = &ears, .hear = hear};
   if (!rendering || !bm_render_run(rendering, &sink, &error)) {
      fail_msg("%s", error.text);
   }
   if (note_trace) {
      const BmInsertRecord* record = NULL;
      for (uint32_t n = 0; n < session->n_nodes && !record; ++n) {
         record = session->nodes[n].n_inserts ? bm_render_insert(rendering, n, 0) : NULL;
      }
      assert_non_null(record);
      for (uint32_t t = 0; t < record->n_traces; ++t) {
         const BmTrace* trace = &record->traces[t];
         if (!strcmp(trace->port->symbol, "lowest_note")) {
            for (uint32_t i = 0; i < n_trace; ++i) {
               const double time_s = (i + 0.5) * PART_FRAMES / RATE_HZ / n_trace;
               const uint32_t index = (uint32_t)(time_s / trace->point_s);
               note_trace[i] = index < trace->n_points ? trace->mean[index] : 0.0F;
            }
         }
      }
   }
   BmAnalysis before;
   BmAnalysis after;
   assert_true(bm_meter_finish(ears.before, &before));
   assert_true(bm_meter_finish(ears.after, &after));
   Outcome outcome = {.before = before.figures, .after = after.figures, .n_frames = ears.n_frames};
   double power[2];
   for (int side = 0; side < 2; ++side) {
      const double* parts = ears.complex_parts[side];
      power[side] = parts[0] * parts[0] + parts[1] * parts[1];
   }
   outcome.rumble_change_db = 10.0 * log10(power[1] / power[0]);
   bm_analysis_free(&before);
   bm_analysis_free(&after);
   bm_meter_free(ears.before);
   bm_meter_free(ears.after);
   bm_render_free(rendering);
   bm_session_free(session);
   return outcome;
}

#define TRACK(name, pan)                                                                                     \
   "<#" name "> a bm:Track ; bm:take <" name ".wav> ; bm:pan " pan " ; bm:inserts ( [\n"                     \
   "  lv2:appliesTo <urn:bookmatch:fundamental-eq#mono> ; lv2:port\n"                                        \
   "  [ lv2:symbol \"note_source\" ; pset:value 2 ] , [ lv2:symbol \"harmonic_gain\" ; pset:value -6.0 ] "   \
   "]\n"                                                                                                     \
   ") ; bm:output <#guitars> .\n"

static void a_double_of_recorded_notes_keeps_its_bass_loses_its_rumble_and_its_boom(void** state)
{
   (void)state;
   bm_test_want(bm_recordings_are_there(), "the recorded notes", "run tests/recordings/fetch");
   float* first = perform(1);
   float* second = perform(2);
   write_take("first.wav", first, PART_FRAMES, 1);
   write_take("second.wav", second, PART_FRAMES, 1);
   free(first);
   free(second);

   enum { N_TRACE = 48 };
   float notes_hz[N_TRACE];
   const double bass_hz = bm_recording_nominal_hz(part[0][0]);
   const Outcome outcome =
      render("<> a bm:Session ; bm:sampleRate 44100 .\n" TRACK("first", "-0.8")
                TRACK("second", "0.8") "<#guitars> a bm:Bus .\n"
                                       "<#stem> a bm:Stem ; bm:from <#guitars> ; bm:file \"guitars.wav\" .\n",
             bass_hz, notes_hz, N_TRACE);
   const BmMeasurement* before = &outcome.before;
   const BmMeasurement* after = &outcome.after;
   printf("rumble at 24 Hz %+.1f dB; E2: fundamental %+.2f dB, second harmonic %+.2f dB\n",
          outcome.rumble_change_db, after->harmonic_dbfs[0] - before->harmonic_dbfs[0],
          after->harmonic_dbfs[1] - before->harmonic_dbfs[1]);
   printf("loudness %+.2f LU, correlation %.2f -> %.2f, mono change %.2f -> %.2f LU, attack-to-sustain %+.2f "
          "dB\n",
          after->integrated_lufs - before->integrated_lufs, before->correlation, after->correlation,
          before->mono_change_lu, after->mono_change_lu,
          after->attack_to_sustain_db - before->attack_to_sustain_db);

   /* Butterworth of 24 dB/octave at 0.768 of E2 or higher: 24 Hz is at least 1.4 octaves under it. */
   assert_between(outcome.rumble_change_db, -120.0, -30.0);
   /* On the note itself: the low cut takes 0.50 dB, the bell an octave higher (-6 dB, Q 1.4) another 1.14 dB
      by the Audio EQ Cookbook's prototype; on the second harmonic they take 0.00 and 6.00 dB. */
   assert_close(after->harmonic_dbfs[0] - before->harmonic_dbfs[0], -1.64, 0.6);
   assert_close(after->harmonic_dbfs[1] - before->harmonic_dbfs[1], -6.0, 0.6);
   assert_between(after->mono_change_lu - before->mono_change_lu, -0.5, 0.5);
   assert_true(outcome.n_frames >= PART_FRAMES);

   uint32_t n_right = 0;
   uint32_t n_asked = 0;
   for (uint32_t i = 0; i < N_TRACE; ++i) {
      const double time_s = (i + 0.5) * PART_FRAMES / RATE_HZ / N_TRACE;
      const double bar_s = (double)PART_FRAMES / RATE_HZ / N_BARS;
      const uint32_t bar = (uint32_t)(time_s / bar_s);
      if (time_s - bar * bar_s > 0.35) { /* 300 ms after the latest that the bass may begin */
         ++n_asked;
         n_right += fabs(1200.0 * log2((double)notes_hz[i] / bm_recording_nominal_hz(part[bar][0]))) < 50.0;
      }
   }
   printf("the low cut stands on the bar's bass note in %u of %u looks\n", n_right, n_asked);
   assert_true(n_right >= 0.95 * n_asked);
}

static void recorded_phrases_come_out_cleared_and_as_wide_as_they_were(void** state)
{
   (void)state;
   /* What their spectra show: a chord over E2, and fifths over E3. */
   static const char* const names[] = {"guit_em9", "guit_e_fifths"};
   static const double lowest_hz[] = {82.407, 164.814};
   for (size_t i = 0; i < sizeof names / sizeof *names; ++i) {
      bm_test_want(bm_recording_phrase_is_there(names[i]), names[i], "install sonic-pi-samples");
      BmRecording phrase = bm_recording_phrase(names[i], RATE_HZ, 0.0);
      float* samples = calloc((size_t)phrase.n_frames * 2, sizeof *samples);
      assert_non_null(samples);
      for (uint32_t n = 0; n < phrase.n_frames * 2; ++n) {
         samples[n] = (float)phrase.samples[n];
      }
      write_take("phrase.wav", samples, phrase.n_frames, 2);
      free(samples);
      bm_recording_free(&phrase);
      float notes_hz[24];
      const Outcome outcome = render(
         "<> a bm:Session ; bm:sampleRate 44100 .\n"
         "<#phrase> a bm:Track ; bm:take <phrase.wav> ; bm:inserts (\n"
         "  [ lv2:appliesTo <urn:bookmatch:fundamental-eq#stereo> ;\n"
         "    lv2:port [ lv2:symbol \"note_source\" ; pset:value 1 ] ,\n"
         "             [ lv2:symbol \"note_freq\" ; pset:value 60.0 ] ,\n" /* not what is to be heard */
         "             [ lv2:symbol \"harmonic_gain\" ; pset:value -4.0 ] ]\n"
         "  [ lv2:appliesTo <urn:bookmatch:mid-side-eq#stereo> ;\n"
         "    lv2:port [ lv2:symbol \"side_low_shelf_gain\" ; pset:value -4.0 ] ,\n"
         "             [ lv2:symbol \"side_high_shelf_gain\" ; pset:value 3.0 ] ] ) .\n"
         "<#stem> a bm:Stem ; bm:from <#phrase> ; bm:file \"phrase.wav\" .\n",
         0.0, notes_hz, 24);
      printf("%s: lowest note learned %.2f Hz; loudness %+.2f LU; correlation %.2f -> %.2f; mono %.2f -> "
             "%.2f LU\n",
             names[i], (double)notes_hz[8], outcome.after.integrated_lufs - outcome.before.integrated_lufs,
             outcome.before.correlation, outcome.after.correlation, outcome.before.mono_change_lu,
             outcome.after.mono_change_lu);
      assert_close(1200.0 * log2((double)notes_hz[8] / lowest_hz[i]), 0.0, 50.0);
      assert_between(outcome.after.integrated_lufs - outcome.before.integrated_lufs, -6.0, 1.0);
      assert_close(outcome.after.mono_change_lu, outcome.before.mono_change_lu, 1.0);
   }
}

int main(void)
{
   if (!hosted_open_with(folder)) {
      return 1;
   }
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(a_double_of_recorded_notes_keeps_its_bass_loses_its_rumble_and_its_boom),
      cmocka_unit_test(recorded_phrases_come_out_cleared_and_as_wide_as_they_were),
   };
   const int n_failed = cmocka_run_group_tests(tests, NULL, NULL);
   bm_host_free(hosted_host);
   char command[64];
   snprintf(command, sizeof command, "rm -rf %s", folder);
   return system(command) == 0 ? n_failed : 1;
}
