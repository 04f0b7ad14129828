/* SPDX-License-Identifier: ISC */
/*
   If one of these fails, a stray number on a track or in an automation lane silences a mix, or it is never
   the same again.

   Whatever a host sends into any plugin of the bundle, what comes out is finite, and clean again soon after.
*/
#include "unit_test.h"

#include "every.h"

#include <float.h>

#if defined(__SANITIZE_ADDRESS__)
#define N_STEADY 100000
#elif defined(__has_feature)
#if __has_feature(address_sanitizer)
#define N_STEADY 100000
#endif
#endif
#ifndef N_STEADY
#define N_STEADY bm_test_count(1000000, 50000)
#endif
#define MAX_SECONDS 30

static void check_garbage(const BmPlugin* plugin)
{
   static const float garbage[] = {NAN, INFINITY, -INFINITY, 1e30F, -3.4e38F, 1e-40F, 1.0F, -1.0F, 0.0F};
   /* Clean again for long enough that a second of decay takes 80 dB. */
   enum { N_GARBAGE = sizeof garbage / sizeof *garbage, DIRTY = RATE_HZ / 4, N = 2 * RATE_HZ };
   Audio in = plucks(N);
   Audio out = audio_new(N);
   uint64_t seed = 3;
   for (uint32_t c = 0; c < MAX_CHANNELS; ++c) {
      for (uint32_t i = 0; i < DIRTY; ++i) {
         const double pick = 0.5 + 0.5 * bm_test_random(&seed);
         in.channels[c][i] = garbage[(uint32_t)(pick * N_GARBAGE) % N_GARBAGE];
      }
   }
   BmInstance* instance = hosted_instance(plugin, RATE_HZ);
   for (uint32_t start = 0; start < N; start += 100) {
      for (uint32_t i = 0; i < plugin->n_ports; ++i) {
         if (control_input(plugin, i)) {
            const double pick = 0.5 + 0.5 * bm_test_random(&seed);
            bm_instance_set(instance, i,
                            start < DIRTY ? garbage[(uint32_t)(pick * N_GARBAGE) % N_GARBAGE]
                                          : plugin->ports[i].def);
         }
      }
      run(instance, &in, &out, start, 100);
      for (uint32_t i = 0; i < plugin->n_ports; ++i) {
         const BmPort* port = &plugin->ports[i];
         if (port->kind == BM_PORT_CONTROL && !port->is_input) {
            const float value = bm_instance_get(instance, i);
            if (!(value >= port->min && value <= port->max)) {
               fail_msg("%s: %s is %g, outside %g to %g", plugin->uri, port->symbol, (double)value,
                        (double)port->min, (double)port->max);
            }
         }
      }
   }
   for (uint32_t c = 0; c < plugin->n_audio_out; ++c) {
      double late_peak = 0.0;
      for (uint32_t i = 0; i < N; ++i) {
         if (!isfinite((double)out.channels[c][i])) {
            fail_msg("%s: channel %u is not finite at frame %u", plugin->uri, c, i);
         }
         if (i > N - 4800) {
            late_peak = fmax(late_peak, fabs((double)out.channels[c][i]));
         }
      }
      cases_add(plugin->uri, "garbage samples", DIRTY);
      if (late_peak > 100.0) {
         fail_msg("%s: still at %g long after the input was clean again", plugin->uri, late_peak);
      }
   }
   bm_instance_free(instance);
   audio_free(&in);
   audio_free(&out);
}

static void every_plugin_stays_finite_whatever_comes_in(void** state)
{
   (void)state;
   hosted_for_every_plugin(check_garbage);
}

/* Every control jumps with every frame. */
static void check_jumps(const BmPlugin* plugin)
{
   static const float garbage[] = {NAN, INFINITY, -INFINITY, FLT_MAX, -FLT_MAX, 1e-40F};
   enum { N_GARBAGE = sizeof garbage / sizeof *garbage, N = 3000 };
   Audio in = plucks(N);
   Audio out = audio_new(N);
   BmInstance* instance = hosted_instance(plugin, RATE_HZ);
   uint64_t seed = 41;
   for (uint32_t frame = 0; frame < N; ++frame) {
      for (uint32_t i = 0; i < plugin->n_ports; ++i) {
         const BmPort* port = control_input(plugin, i);
         if (port) {
            const double pick = 8.0 * (1.0 + bm_test_random(&seed));
            bm_instance_set(instance, i, pick < N_GARBAGE ? garbage[(int)pick] : random_value(port, &seed));
         }
      }
      run(instance, &in, &out, frame, 1);
      for (uint32_t c = 0; c < plugin->n_audio_out; ++c) {
         if (!isfinite((double)out.channels[c][frame])) {
            fail_msg("%s: channel %u is not finite at frame %u", plugin->uri, c, frame);
         }
      }
   }
   cases_add(plugin->uri, "control jumps", N);
   bm_instance_free(instance);
   audio_free(&in);
   audio_free(&out);
}

static void every_plugin_stays_finite_while_all_controls_jump_with_every_sample(void** state)
{
   (void)state;
   hosted_for_every_plugin(check_jumps);
}

/* What a host writes outside a control's range counts as the nearer end of it, and NaN as the default. */
static void check_clamps(const BmPlugin* plugin)
{
   enum { N = 6000 };
   Audio in = plucks(N);
   Audio wild = audio_new(N);
   Audio tame = audio_new(N);
   BmInstance* one = hosted_instance(plugin, RATE_HZ);
   BmInstance* other = hosted_instance(plugin, RATE_HZ);
   uint64_t seed = 43;
   for (uint32_t start = 0; start < N; start += 1000) {
      for (uint32_t i = 0; i < plugin->n_ports; ++i) {
         const BmPort* port = control_input(plugin, i);
         if (port) {
            const double pick = bm_test_random(&seed);
            bm_instance_set(one, i, pick < -0.3 ? NAN : pick < 0.0 ? INFINITY : pick < 0.3 ? 1e30F : -1e30F);
            bm_instance_set(other, i, pick < -0.3 ? port->def : pick < 0.3 ? port->max : port->min);
         }
      }
      run(one, &in, &wild, start, 1000);
      run(other, &in, &tame, start, 1000);
   }
   assert_same(plugin, &wild, &tame, 0, "controls outside their range");
   cases_add(plugin->uri, "control jumps", N / 1000);
   bm_instance_free(one);
   bm_instance_free(other);
   audio_free(&in);
   audio_free(&wild);
   audio_free(&tame);
}

static void every_control_outside_its_range_counts_as_the_end_of_it_and_nan_as_the_default(void** state)
{
   (void)state;
   hosted_for_every_plugin(check_clamps);
}

typedef enum { SILENCE, NOT_A_NUMBER, INFINITE, HUGE, DENORMAL, SQUARE, DC, N_KINDS } Kind;

static const char* const kind_names[N_KINDS] = {"silence",   "NaN",    "infinity", "huge",
                                                "denormals", "square", "DC"};

static float sample(Kind kind, uint32_t i)
{
   const float sign = i / 240 % 2 ? -1.0F : 1.0F;
   switch (kind) {
   case NOT_A_NUMBER:
      return NAN;
   case INFINITE:
      return sign * INFINITY;
   case HUGE:
      return sign * FLT_MAX;
   case DENORMAL:
      return sign * 1e-40F;
   case SQUARE:
      return sign;
   case DC:
      return 1.0F;
   default:
      return 0.0F;
   }
}

/* What a plugin that needs longer than a second remembers, and why that is meant. */
static const struct {
   const char* uri;
   int seconds;
} long_memories[] = {
   {"urn:bookmatch:opto-compressor", 30}, /* a cell lit for seconds lets the last tenth go in seconds */
   {"urn:bookmatch:room-reverb", 5},      /* a decay of 0.5 s is 60 dB; from 80 dB over full scale longer */
   {"urn:bookmatch:variable-mu-compressor", 5}, /* released by a time constant of a second by default */
};

static int seconds_allowed(const BmPlugin* plugin)
{
   for (size_t i = 0; i < sizeof long_memories / sizeof *long_memories; ++i) {
      const size_t length = strlen(long_memories[i].uri);
      if (!strncmp(plugin->uri, long_memories[i].uri, length) && plugin->uri[length] == '#') {
         return long_memories[i].seconds;
      }
   }
   return 1;
}

/* An instance after N_STEADY frames of one kind. */
static BmInstance* after(const BmPlugin* plugin, Kind kind)
{
   enum { BLOCK = 4800 };
   Audio steady = audio_new(BLOCK);
   Audio out = audio_new(BLOCK);
   for (uint32_t i = 0; i < BLOCK; ++i) {
      for (uint32_t c = 0; c < MAX_CHANNELS; ++c) {
         steady.channels[c][i] = sample(kind, i);
      }
   }
   BmInstance* instance = hosted_instance(plugin, RATE_HZ);
   const uint32_t n_frames = kind == HUGE ? N_STEADY / 10 : N_STEADY;
   uint32_t done = 0;
   for (; done < n_frames; done += BLOCK) {
      run(instance, &steady, &out, 0, BLOCK);
      for (uint32_t c = 0; c < plugin->n_audio_out; ++c) {
         float largest = 0.0F;
         bool is_finite = true;
         for (uint32_t i = 0; i < BLOCK; ++i) {
            largest = fmaxf(largest, fabsf(out.channels[c][i]));
            is_finite &= fabsf(out.channels[c][i]) <= FLT_MAX;
         }
         if (!is_finite || (kind == SILENCE && largest != 0.0F)) {
            fail_msg("%s: %s in gives up to %g within frames %u to %u", plugin->uri, kind_names[kind],
                     (double)largest, done, done + BLOCK);
         }
      }
   }
   cases_add(plugin->uri, "steady samples", done);
   audio_free(&steady);
   audio_free(&out);
   return instance;
}

/* Largest difference over the last 100 ms of the second, re the largest sample there. */
static double difference_db(const BmPlugin* plugin, const Audio* a, const Audio* reference)
{
   double largest = 0.0;
   double difference = 0.0;
   for (uint32_t c = 0; c < plugin->n_audio_out; ++c) {
      for (uint32_t i = RATE_HZ - RATE_HZ / 10; i < RATE_HZ; ++i) {
         const double x = (double)reference->channels[c][i];
         largest = fmax(largest, fabs(x));
         difference = fmax(difference, fabs((double)a->channels[c][i] - x));
      }
   }
   assert_true(largest > 0.0);
   return fmax(20.0 * log10(difference / largest), -999.0);
}

static void check_recovery(const BmPlugin* plugin)
{
   const double close_db = -90.0;
   const int allowed_s = seconds_allowed(plugin);
   Audio clean = plucks(RATE_HZ);
   Audio out = audio_new(RATE_HZ);
   Audio references[MAX_SECONDS];
   BmInstance* untroubled = after(plugin, SILENCE);
   for (int second = 0; second < allowed_s; ++second) {
      references[second] = audio_new(RATE_HZ);
      run_on(untroubled, &clean, &references[second], 0, 4800);
   }
   bm_instance_free(untroubled);
   printf("%-44s", plugin->uri);
   for (Kind kind = NOT_A_NUMBER; kind < N_KINDS; ++kind) {
      BmInstance* troubled = after(plugin, kind);
      double first_db = 0.0;
      double last_db = 0.0;
      int second = 0;
      do {
         run_on(troubled, &clean, &out, 0, 4800);
         last_db = difference_db(plugin, &out, &references[second]);
         first_db = second == 0 ? last_db : first_db;
         ++second;
      } while (second < allowed_s && last_db > close_db);
      printf("  %s %.0f", kind_names[kind], first_db);
      if (second > 1) {
         printf(" (%d s)", second);
      }
      if (last_db > close_db) {
         fail_msg("%s: %d s of clean input after %s it is still %.0f dB from the clean output, not %.0f",
                  plugin->uri, second, kind_names[kind], last_db, close_db);
      }
      bm_instance_free(troubled);
   }
   printf(" dB\n");
   for (int second = 0; second < allowed_s; ++second) {
      audio_free(&references[second]);
   }
   audio_free(&clean);
   audio_free(&out);
}

static void every_plugin_is_clean_a_second_after_a_million_samples_of_anything(void** state)
{
   (void)state;
   printf("How far from the clean output after a second of clean input (and when it is -90 dB):\n");
   hosted_for_every_plugin(check_recovery);
}

int main(void)
{
   if (!hosted_open()) {
      return 1;
   }
   Keepers kept = keepers_new(RATE_HZ);
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(every_plugin_stays_finite_whatever_comes_in),
      cmocka_unit_test(every_plugin_stays_finite_while_all_controls_jump_with_every_sample),
      cmocka_unit_test(every_control_outside_its_range_counts_as_the_end_of_it_and_nan_as_the_default),
      cmocka_unit_test(every_plugin_is_clean_a_second_after_a_million_samples_of_anything),
   };
   const int n_failed = cmocka_run_group_tests(tests, NULL, NULL);
   keepers_free(&kept);
   bm_host_free(hosted_host);
   return n_failed;
}
