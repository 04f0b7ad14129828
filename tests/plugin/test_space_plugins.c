/* SPDX-License-Identifier: ISC */
/*
   Room, placement and meter as a host runs them. If one of these fails, the meter on screen is not the
   standard's, a room rings otherwise than its control says, or a take sits elsewhere than where it was put.
*/
#include "unit_test.h"

#include "decay_time.h"
#include "hosted.h"
#include "measure.h"
#include "recordings.h"

#include <kiss_fftr.h>
#include <mysofa.h>

#include <stdbool.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define PI 3.14159265358979323846

/* A stereo pair of channels, [0] left. */
typedef struct {
   float* channels[2];
   uint32_t n_frames;
} Pair;

static Pair pair_new(uint32_t n_frames)
{
   const Pair pair = {{calloc(n_frames, sizeof(float)), calloc(n_frames, sizeof(float))}, n_frames};
   assert_true(pair.channels[0] && pair.channels[1]);
   return pair;
}

static void pair_free(Pair pair)
{
   free(pair.channels[0]);
   free(pair.channels[1]);
}

/* As a host does, in blocks. */
static void run(BmInstance* instance, Pair in, Pair out)
{
   for (uint32_t start = 0; start < in.n_frames; start += 512) {
      const uint32_t n = in.n_frames - start < 512 ? in.n_frames - start : 512;
      const float* from[] = {in.channels[0] + start, in.channels[1] + start};
      float* to[] = {out.channels[0] + start, out.channels[1] + start};
      bm_instance_run(instance, from, to, n);
   }
}

/* Parts of a 1 kHz sine, alike in both channels, in order; -INFINITY is silence. */
typedef struct {
   double level_dbfs;
   double time_s;
} Part;

static void play(BmInstance* instance, double rate_hz, const Part* parts, uint32_t n_parts)
{
   uint64_t at = 0;
   for (uint32_t i = 0; i < n_parts; ++i) {
      const Pair sound = pair_new((uint32_t)llround(parts[i].time_s * rate_hz));
      for (uint32_t n = 0; n < sound.n_frames; ++n, ++at) {
         const double x = sin(2.0 * PI * 1000.0 * (double)at / rate_hz);
         sound.channels[0][n] = (float)(pow(10.0, parts[i].level_dbfs / 20.0) * x);
         sound.channels[1][n] = sound.channels[0][n];
      }
      const Pair out = pair_new(sound.n_frames);
      run(instance, sound, out);
      assert_memory_equal(sound.channels[0], out.channels[0], sound.n_frames * sizeof(float));
      pair_free(out);
      pair_free(sound);
   }
}

/* EBU Tech 3341 Table 1, signals 1, 3 and 5, and Tech 3342 Table 1, signals 1 and 3; reference sheet
 * section 3. */
static void the_take_meter_meets_ebu_tech_3341_and_3342(void** state)
{
   (void)state;
   static const double rates_hz[] = {44100.0, 48000.0, 96000.0};
   for (int r = 0; r < 3; ++r) {
      BmInstance* meter = hosted_new("urn:bookmatch:take-meter#stereo", rates_hz[r]);
      play(meter, rates_hz[r], (const Part[]){{-23.0, 20.0}}, 1);
      assert_close(hosted_get(meter, "momentary"), -23.0, 0.1);
      assert_close(hosted_get(meter, "short_term"), -23.0, 0.1);
      assert_close(hosted_get(meter, "integrated"), -23.0, 0.1);
      assert_close(hosted_get(meter, "true_peak"), -23.0, 0.3);
      assert_close(hosted_get(meter, "crest"), 3.01, 0.02);
      assert_close(hosted_get(meter, "correlation"), 1.0, 1e-4);
      assert_close(hosted_get(meter, "mono_change"), 0.0, 1e-3);
      hosted_set(meter, "reset", 1); /* a new passage */
      play(meter, rates_hz[r], (const Part[]){{-36.0, 10.0}, {-23.0, 60.0}, {-36.0, 10.0}}, 3);
      assert_close(hosted_get(meter, "integrated"), -23.0, 0.1);
      bm_instance_free(meter);
   }
   BmInstance* meter = hosted_new("urn:bookmatch:take-meter#stereo", 48000.0);
   play(meter, 48000.0, (const Part[]){{-26.0, 20.0}, {-20.0, 20.1}, {-26.0, 20.0}}, 3);
   assert_close(hosted_get(meter, "integrated"), -23.0, 0.1);
   bm_instance_restart(meter);
   play(meter, 48000.0, (const Part[]){{-20.0, 20.0}, {-30.0, 20.0}}, 2);
   assert_close(hosted_get(meter, "range"), 10.0, 1.0);
   bm_instance_restart(meter);
   play(meter, 48000.0, (const Part[]){{-40.0, 20.0}, {-20.0, 20.0}}, 2);
   assert_close(hosted_get(meter, "range"), 20.0, 1.0);
   bm_instance_free(meter);
}

/* What the bench measures of the file, live: a recorded phrase through both. */
static void the_take_meter_tells_what_the_bench_measures(void** state)
{
   (void)state;
   bm_test_want(bm_recording_phrase_is_there("guit_em9"), "guit_em9", "install sonic-pi-samples");
   BmRecording phrase = bm_recording_phrase("guit_em9", 48000.0, 0.0);
   assert_int_equal(phrase.n_channels, 2);
   const Pair sound = pair_new(phrase.n_frames);
   float* interleaved = malloc(2 * (size_t)phrase.n_frames * sizeof *interleaved);
   for (uint32_t n = 0; n < phrase.n_frames; ++n) {
      for (uint32_t c = 0; c < 2; ++c) {
         sound.channels[c][n] = (float)phrase.samples[2 * n + c];
         interleaved[2 * n + c] = sound.channels[c][n];
      }
   }
   const Pair out = pair_new(phrase.n_frames);
   BmInstance* meter = hosted_new("urn:bookmatch:take-meter#stereo", 48000.0);
   run(meter, sound, out);

   const BmMeterOptions options = {.sample_rate_hz = 48000.0, .n_channels = 2};
   BmMeter* bench = bm_meter_new(&options);
   assert_non_null(bench);
   bm_meter_add(bench, interleaved, phrase.n_frames);
   BmAnalysis analysis;
   assert_true(bm_meter_finish(bench, &analysis));
   assert_close(hosted_get(meter, "integrated"), analysis.figures.integrated_lufs, 0.05);
   assert_close(hosted_get(meter, "range"), analysis.figures.range_lu, 0.2);
   assert_close(hosted_get(meter, "true_peak"), analysis.figures.true_peak_dbtp, 0.2);
   assert_close(hosted_get(meter, "crest"), analysis.figures.crest_db, 0.01);
   assert_close(hosted_get(meter, "correlation"), analysis.figures.correlation, 0.001);
   assert_close(hosted_get(meter, "mono_change"), analysis.figures.mono_change_lu, 0.05);
   /* The bench hears the onsets of the last half second too, once the file is closed. */
   assert_close(hosted_get(meter, "attack_to_sustain"), analysis.figures.attack_to_sustain_db, 1.0);
   bm_analysis_free(&analysis);
   bm_meter_free(bench);
   bm_instance_free(meter);
   pair_free(out);
   pair_free(sound);
   free(interleaved);
   bm_recording_free(&phrase);
}

/* The spectrum of a channel: kissfft, unscaled. */
static kiss_fft_cpx* spectrum(const float* wave, uint32_t n_frames)
{
   kiss_fft_cpx* bins = malloc((n_frames / 2 + 1) * sizeof *bins);
   kiss_fftr_cfg plan = kiss_fftr_alloc((int)n_frames, 0, NULL, NULL);
   assert_true(bins && plan);
   kiss_fftr(plan, wave, bins);
   kiss_fftr_free(plan);
   return bins;
}

/* T30 (ISO 3382-1) of an octave, its edges a raised cosine wide a sixth of an octave to either side. */
static double octave_t30_s(Pair response, double rate_hz, double centre_hz)
{
   const uint32_t n_frames = response.n_frames;
   double* energy = calloc(n_frames, sizeof *energy);
   float* wave = malloc(n_frames * sizeof *wave);
   kiss_fftr_cfg back = kiss_fftr_alloc((int)n_frames, 1, NULL, NULL);
   assert_true(energy && wave && back);
   for (uint32_t c = 0; c < 2; ++c) {
      kiss_fft_cpx* bins = spectrum(response.channels[c], n_frames);
      for (uint32_t k = 0; k <= n_frames / 2; ++k) {
         const double octaves = fabs(log2(fmax(1e-9, k * rate_hz / n_frames) / centre_hz));
         const double edge = fmin(1.0, fmax(0.0, (octaves - 1.0 / 3.0) * 3.0));
         const float gain = (float)(0.5 + 0.5 * cos(PI * edge));
         bins[k].r *= gain;
         bins[k].i *= gain;
      }
      kiss_fftri(back, bins, wave);
      for (uint32_t n = 0; n < n_frames; ++n) {
         energy[n] += (double)(wave[n] * wave[n]);
      }
      free(bins);
   }
   const double time_s = bm_test_t30_s(energy, n_frames, rate_hz);
   free(back);
   free(wave);
   free(energy);
   return time_s;
}

/* A single response scatters by itself (ISO 3382-2, A.2: 3 to 5 % here), so both inputs are played; the
   average over every rate and octave is in test_room_reverb.c. */
static void the_room_rings_for_the_time_that_is_set(void** state)
{
   (void)state;
   static const double decays_s[] = {0.5, 1.0, 2.0};
   for (int i = 0; i < 3; ++i) {
      const double rate_hz = i == 1 ? 44100.0 : 48000.0;
      double sum_s[2] = {0.0, 0.0};
      for (int side = 0; side < 2; ++side) {
         const uint32_t n_frames = (uint32_t)((1.1 * decays_s[i] + 0.2) * rate_hz) / 2 * 2;
         const Pair in = pair_new(n_frames);
         const Pair out = pair_new(n_frames);
         in.channels[side][0] = 1.0F;
         BmInstance* room = hosted_new("urn:bookmatch:room-reverb#stereo", rate_hz);
         hosted_set(room, "mix", 100);
         hosted_set(room, "decay", decays_s[i]);
         hosted_set(room, "shimmer", 0);
         run(room, in, out);
         sum_s[0] += 0.5 * octave_t30_s(out, rate_hz, 500.0);
         sum_s[1] += 0.5 * octave_t30_s(out, rate_hz, 1000.0);
         bm_instance_free(room);
         pair_free(in);
         pair_free(out);
      }
      assert_close(sum_s[0], decays_s[i], 0.05 * decays_s[i]);
      assert_close(sum_s[1], decays_s[i], 0.05 * decays_s[i]);
   }
}

enum { HEAD_RATE_HZ = 44100, NOISE_FRAMES = 65536 };

/* The file as it is: spectra [2][NOISE_FRAMES / 2 + 1] of a direction, and the power that all share. */
typedef struct {
   struct MYSOFA_HRTF* file;
   double* colour; /* [NOISE_FRAMES / 2 + 1] */
} Head;

static kiss_fft_cpx* head_spectrum(const Head* head, uint32_t position, uint32_t ear)
{
   float* wave = calloc(NOISE_FRAMES, sizeof *wave);
   assert_non_null(wave);
   memcpy(wave, head->file->DataIR.values + ((size_t)2 * position + ear) * head->file->N,
          head->file->N * sizeof *wave);
   kiss_fft_cpx* bins = spectrum(wave, NOISE_FRAMES);
   free(wave);
   return bins;
}

static double bin_power(kiss_fft_cpx bin)
{
   return (double)bin.r * (double)bin.r + (double)bin.i * (double)bin.i;
}

/* Mean power over directions, a ring of elevation weighing as its share of the sphere; every fourth position
 * does. */
static Head head_new(void)
{
   int error = 0;
   Head head = {mysofa_load(BM_HEAD_RESPONSE_FILE, &error), NULL};
   if (!head.file) {
      return head;
   }
   mysofa_tospherical(head.file);
   head.colour = calloc(NOISE_FRAMES / 2 + 1, sizeof *head.colour);
   assert_non_null(head.colour);
   for (uint32_t i = 0; i < head.file->M; i += 4) {
      const double elevation = (double)head.file->SourcePosition.values[3 * i + 1];
      double on_ring = 0.0;
      for (uint32_t j = 0; j < head.file->M; ++j) {
         on_ring += fabs((double)head.file->SourcePosition.values[3 * j + 1] - elevation) < 0.5;
      }
      for (uint32_t ear = 0; ear < 2; ++ear) {
         kiss_fft_cpx* bins = head_spectrum(&head, i, ear);
         for (uint32_t k = 0; k <= NOISE_FRAMES / 2; ++k) {
            head.colour[k] += bin_power(bins[k]) * cos(elevation * PI / 180.0) / on_ring;
         }
         free(bins);
      }
   }
   return head;
}

static void head_free(Head head)
{
   free(head.colour);
   mysofa_free(head.file);
}

/* 10 lg of left over right in power, and how far left lies behind right in us, from `low_hz` to 20 kHz;
   `weights` of the bins, or NULL for all alike. */
typedef struct {
   double level_db;
   double lag_us;
} EarDifference;

static EarDifference ear_difference(const kiss_fft_cpx* left, const kiss_fft_cpx* right,
                                    const double* weights)
{
   const uint32_t first = 100 * NOISE_FRAMES / HEAD_RATE_HZ;
   const uint32_t last = (uint32_t)(19800.0 * NOISE_FRAMES / HEAD_RATE_HZ);
   double l = 0.0, r = 0.0;
   for (uint32_t k = first; k <= last; ++k) {
      l += (weights ? weights[k] : 1.0) * bin_power(left[k]);
      r += (weights ? weights[k] : 1.0) * bin_power(right[k]);
   }
   EarDifference difference = {10.0 * log10(l / r), 0.0};
   double best = -1e300, from_us = -1000.0, to_us = 1000.0;
   for (double step_us = 5.0; step_us > 0.9; step_us *= 0.2) {
      for (double us = from_us; us <= to_us; us += step_us) {
         const double turn = 2.0 * PI * us * 1e-6 * HEAD_RATE_HZ / NOISE_FRAMES;
         double c = cos(turn * first), d = sin(turn * first), sum = 0.0;
         const double step_c = cos(turn), step_d = sin(turn);
         for (uint32_t k = first; k <= last; ++k) {
            const double re = (double)left[k].r * (double)right[k].r + (double)left[k].i * (double)right[k].i;
            const double im = (double)left[k].i * (double)right[k].r - (double)left[k].r * (double)right[k].i;
            sum += (weights ? weights[k] : 1.0) * (re * c - im * d);
            const double next = c * step_c - d * step_d;
            d = c * step_d + d * step_c;
            c = next;
         }
         if (sum > best) {
            best = sum;
            difference.lag_us = us;
         }
      }
      from_us = difference.lag_us - step_us;
      to_us = difference.lag_us + step_us;
   }
   return difference;
}

/* The issue: level difference and time difference of the measured set recovered from rendered noise within 1
   dB and 20 us at 0, 30, 60, 90 degrees on both sides. The set's common colour, which is taken out, is put
   back by weighing. */
static void noise_around_the_head_differs_between_the_ears_as_the_file_says(void** state)
{
   (void)state;
   const Head head = head_new();
   bm_test_want(head.file, "the measured head", "install libmysofa1");
   for (double azimuth = -90.0; azimuth <= 90.0; azimuth += 30.0) {
      const Pair in = pair_new(NOISE_FRAMES);
      const Pair out = pair_new(NOISE_FRAMES);
      uint64_t seed = 17;
      for (uint32_t n = 1000; n < NOISE_FRAMES - 4000; ++n) { /* ends before the block does */
         in.channels[0][n] = (float)(0.25 * bm_test_random(&seed));
      }
      BmInstance* placement = hosted_new("urn:bookmatch:take-placement#pair", HEAD_RATE_HZ);
      hosted_set(placement, "method", 1);
      hosted_set(placement, "azimuth_a", azimuth);
      hosted_set(placement, "distance_a", 1.4); /* as measured */
      run(placement, in, out);
      kiss_fft_cpx* ours[2] = {spectrum(out.channels[0], NOISE_FRAMES),
                               spectrum(out.channels[1], NOISE_FRAMES)};
      const EarDifference heard = ear_difference(ours[0], ours[1], head.colour);

      uint32_t position = 0;
      while (fabs((double)head.file->SourcePosition.values[3 * position + 1]) > 0.1 ||
             fabs(remainder((double)head.file->SourcePosition.values[3 * position] + azimuth, 360.0)) > 0.1) {
         ++position;
         assert_true(position < head.file->M);
      }
      kiss_fft_cpx* file[2] = {head_spectrum(&head, position, 0), head_spectrum(&head, position, 1)};
      const EarDifference measured = ear_difference(file[0], file[1], NULL);
      printf("%4.0f degrees: %6.2f dB %6.0f us heard, %6.2f dB %6.0f us measured\n", azimuth, heard.level_db,
             heard.lag_us, measured.level_db, measured.lag_us);
      assert_close(heard.level_db, measured.level_db, 1.0);
      assert_close(heard.lag_us, measured.lag_us, 20.0);
      assert_true(azimuth == 0.0 ||
                  (heard.lag_us > 0.0) == (azimuth > 0.0)); /* right of us: left hears later */
      for (int ear = 0; ear < 2; ++ear) {
         free(ours[ear]);
         free(file[ear]);
      }
      bm_instance_free(placement);
      pair_free(in);
      pair_free(out);
   }
   head_free(head);
}

static uint32_t n_log_lines;
static char last_log_line[1024];

static void hear_log(void* user, const char* uri, const char* line)
{
   (void)user;
   (void)uri;
   ++n_log_lines;
   snprintf(last_log_line, sizeof last_log_line, "%s", line);
}

static double power_at_ear(BmInstance* placement, uint32_t ear)
{
   const Pair in = pair_new(9600);
   const Pair out = pair_new(9600);
   uint64_t seed = 3;
   for (uint32_t n = 0; n < in.n_frames; ++n) {
      in.channels[0][n] = (float)(0.25 * bm_test_random(&seed));
   }
   run(placement, in, out);
   double power = 0.0;
   for (uint32_t n = 4800; n < in.n_frames; ++n) {
      power += (double)(out.channels[ear][n] * out.channels[ear][n]) / 4800.0;
   }
   pair_free(in);
   pair_free(out);
   return power;
}

#define STATE_OF(path)                                                                                       \
   "@prefix atom: <http://lv2plug.in/ns/ext/atom#> . @prefix lv2: <http://lv2plug.in/ns/lv2core#> . "        \
   "@prefix pset: <http://lv2plug.in/ns/ext/presets#> . @prefix state: <http://lv2plug.in/ns/ext/state#> . " \
   "[] a pset:Preset ; lv2:appliesTo <urn:bookmatch:take-placement#pair> ; "                                 \
   "lv2:port [ lv2:symbol \"method\" ; pset:value 1 ] , [ lv2:symbol \"azimuth_a\" ; pset:value -60 ] ; "    \
   "state:state [ <urn:bookmatch:take-placement#head_responses> \"" path "\"^^atom:Path ] ."

/* A file that is missing or broken: one line that says which and what is wrong, and a sphere, not silence. */
static void a_missing_or_broken_head_file_leaves_one_line_and_a_sphere(void** state)
{
   (void)state;
   char broken[] = "/tmp/bookmatch-head-XXXXXX";
   const int handle = mkstemp(broken);
   assert_true(handle >= 0 && write(handle, "no head", 7) == 7);
   close(handle);
   char text[1024];
   snprintf(text, sizeof text, STATE_OF("%s"), broken);
   const char* const states[] = {STATE_OF("/nowhere/no.sofa"), text};
   bm_host_set_log(hosted_host, hear_log, NULL);
   for (int i = 0; i < 2; ++i) {
      BmInstance* placement = hosted_new("urn:bookmatch:take-placement#pair", 48000.0);
      BmError error = {0};
      n_log_lines = 0;
      if (!bm_instance_load_text(placement, states[i], &error)) {
         fail_msg("%s", error.text);
      }
      assert_int_equal(n_log_lines, 1);
      assert_non_null(strstr(last_log_line, i == 0 ? "/nowhere/no.sofa" : broken));
      assert_non_null(strstr(last_log_line, "a sphere stands in"));
      /* It sounds, and from the left; the sphere's figures are held in test_head_responses.c. */
      const double left = power_at_ear(placement, 0);
      const double right = power_at_ear(placement, 1);
      assert_between(10.0 * log10(left / right), 8.0, 20.0);
      assert_true(left > 1e-3);
      bm_instance_free(placement);
   }
   bm_host_set_log(hosted_host, NULL, NULL);
   unlink(broken);
}

/* Lined up when asked; the session brings it back without hearing the takes again. */
static void an_alignment_is_kept_by_the_session(void** state)
{
   (void)state;
   const Pair in = pair_new(96000);
   const Pair out = pair_new(96000);
   uint64_t seed = 5;
   for (uint32_t n = 0; n < in.n_frames; ++n) {
      in.channels[0][n] = (float)(0.25 * bm_test_random(&seed));
      in.channels[1][n] = n >= 123 ? -0.5F * in.channels[0][n - 123] : 0.0F;
   }
   BmInstance* placement = hosted_new("urn:bookmatch:take-placement#pair", 48000.0);
   run(placement, in, out);
   assert_close(hosted_get(placement, "suggested_delay"), 123.0 / 48.0, 0.5 / 48.0);
   assert_true(hosted_get(placement, "suggested_polarity") == 1.0);
   assert_true(hosted_get(placement, "suggestion_confidence") > 90.0);
   assert_close(hosted_get(placement, "comb_notch"), 48000.0 / 123.0, 2.0);
   hosted_set(placement, "align", 1);
   run(placement, in, out);
   char* saved = bm_instance_save(placement);
   bm_instance_free(placement);

   BmInstance* next_year = hosted_new("urn:bookmatch:take-placement#pair", 48000.0);
   BmError error = {0};
   if (!bm_instance_load_text(next_year, saved, &error)) {
      fail_msg("%s", error.text);
   }
   const Pair again = pair_new(96000);
   run(next_year, in, again);
   double difference = 0.0, power = 0.0;
   for (uint32_t n = 48000; n < 96000; ++n) {
      const double a = (double)out.channels[0][n], b = (double)again.channels[0][n];
      difference += (a - b) * (a - b);
      power += a * a;
   }
   assert_true(difference < 1e-9 * power);
   free(saved);
   bm_instance_free(next_year);
   pair_free(again);
   pair_free(in);
   pair_free(out);
}

int main(void)
{
   if (!hosted_open()) {
      return 1;
   }
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(the_take_meter_meets_ebu_tech_3341_and_3342),
      cmocka_unit_test(the_take_meter_tells_what_the_bench_measures),
      cmocka_unit_test(the_room_rings_for_the_time_that_is_set),
      cmocka_unit_test(noise_around_the_head_differs_between_the_ears_as_the_file_says),
      cmocka_unit_test(a_missing_or_broken_head_file_leaves_one_line_and_a_sphere),
      cmocka_unit_test(an_alignment_is_kept_by_the_session),
   };
   const int failed = cmocka_run_group_tests(tests, NULL, NULL);
   bm_host_free(hosted_host);
   return failed;
}
