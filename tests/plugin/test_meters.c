/* SPDX-License-Identifier: ISC */
/*
   The level meters that the shell gives every plugin. If one fails, gain staging by the meters is wrong, or a
   host that draws them shows something else at another block size.
*/
#include "unit_test.h"

#include "hosted.h"

#include <stdlib.h>
#include <string.h>

enum { RATE_HZ = 48000, N_FRAMES = 2 * RATE_HZ / 256 * 256, MAX_CHANNELS = 4 };

/* A sine in the left channel and silence in the right: a mean square of a^2 / 4 in stereo, a^2 / 2 in mono.
 */
#define AMPLITUDE 0.25
#define STEREO_DB (-18.0618) /* 10 log10(0.25^2 / 4) */
#define MONO_DB (-15.0515)   /* 10 log10(0.25^2 / 2) */

typedef struct {
   float* in[MAX_CHANNELS];
   float* out[MAX_CHANNELS];
} Audio;

static Audio audio;

static uint32_t index_of(const BmPlugin* plugin, const char* symbol)
{
   BmError error = {0};
   const BmPort* port = bm_plugin_port(plugin, symbol, &error);
   if (!port) {
      fail_msg("%s: %s", plugin->uri, error.text);
   }
   return port->index;
}

static BmInstance* new_instance(const BmPlugin* plugin)
{
   BmError error = {0};
   BmInstance* instance = bm_instance_new(hosted_host, plugin, RATE_HZ, N_FRAMES, &error);
   if (!instance) {
      fail_msg("%s: %s", plugin->uri, error.text);
   }
   return instance;
}

static void run(BmInstance* instance, uint32_t start, uint32_t n_frames)
{
   const float* in[MAX_CHANNELS];
   float* out[MAX_CHANNELS];
   for (uint32_t c = 0; c < MAX_CHANNELS; ++c) {
      in[c] = audio.in[c] + start;
      out[c] = audio.out[c] + start;
   }
   bm_instance_run(instance, in, out, n_frames);
}

static void run_all(BmInstance* instance, uint32_t block_frames)
{
   for (uint32_t start = 0; start < N_FRAMES; start += block_frames) {
      run(instance, start, start + block_frames < N_FRAMES ? block_frames : N_FRAMES - start);
   }
}

/* After 2 s a mean over 0.3 s is within 0.006 dB of its end; the sine is not cut at whole periods. */
static void check_levels(const BmPlugin* plugin)
{
   const double expected_db = plugin->n_audio_in == 1 ? MONO_DB : STEREO_DB;
   for (int enabled = 0; enabled <= 1; ++enabled) {
      BmInstance* instance = new_instance(plugin);
      bm_instance_set(instance, plugin->enabled->index, (float)enabled);
      run_all(instance, 512);
      assert_close((double)bm_instance_get(instance, index_of(plugin, "input_level")), expected_db, 0.05);
      if (!enabled) {
         assert_close((double)bm_instance_get(instance, index_of(plugin, "output_level")), expected_db, 0.05);
      }
      bm_instance_free(instance);
   }
}

static void the_meters_show_the_mean_square_over_the_channels(void** state)
{
   (void)state;
   hosted_for_every_plugin(check_levels);
}

/* The gain is both before the processor and after the meter's point of view: +6 dB in, -6 dB out. */
static void check_gained(const BmPlugin* plugin)
{
   BmInstance* instance = new_instance(plugin);
   run_all(instance, 512);
   const float in_db = bm_instance_get(instance, index_of(plugin, "input_level"));
   const float out_db = bm_instance_get(instance, index_of(plugin, "output_level"));
   bm_instance_free(instance);

   BmInstance* gained = new_instance(plugin);
   bm_instance_set(gained, index_of(plugin, "output_gain"), -6.0F);
   run_all(gained, 512);
   assert_close((double)(bm_instance_get(gained, index_of(plugin, "input_level")) - in_db), 0.0, 1e-3);
   assert_close((double)(bm_instance_get(gained, index_of(plugin, "output_level")) - out_db), -6.0, 1e-3);
   bm_instance_set(gained, index_of(plugin, "input_gain"), 6.0F);
   run_all(gained, 512);
   assert_close((double)(bm_instance_get(gained, index_of(plugin, "input_level")) - in_db), 6.0, 0.05);
   bm_instance_free(gained);
}

static void the_input_meter_stands_behind_the_input_gain_and_the_output_meter_behind_everything(void** state)
{
   (void)state;
   hosted_for_every_plugin(check_gained);
}

/* Bypassed on the way and back, so that all paths add to the meters. */
static void check_blocks(const BmPlugin* plugin)
{
   static const uint32_t blocks[] = {N_FRAMES, 256, 64, 37};
   float first_db[2] = {0.0F, 0.0F};
   for (uint32_t b = 0; b < sizeof blocks / sizeof *blocks; ++b) {
      BmInstance* instance = new_instance(plugin);
      for (uint32_t start = 0; start < N_FRAMES;) {
         const uint32_t third = N_FRAMES / 3;
         const uint32_t part = start / third;
         const uint32_t end = part < 2 ? (part + 1) * third : N_FRAMES;
         const uint32_t n = end - start < blocks[b] ? end - start : blocks[b];
         bm_instance_set(instance, plugin->enabled->index, part == 1 ? 0.0F : 1.0F);
         run(instance, start, n);
         start += n;
      }
      const float db[2] = {bm_instance_get(instance, index_of(plugin, "input_level")),
                           bm_instance_get(instance, index_of(plugin, "output_level"))};
      if (b == 0) {
         memcpy(first_db, db, sizeof first_db);
      } else if (memcmp(first_db, db, sizeof first_db)) {
         fail_msg("%s: blocks of %u: levels %.9g and %.9g, in one block %.9g and %.9g", plugin->uri,
                  blocks[b], (double)db[0], (double)db[1], (double)first_db[0], (double)first_db[1]);
      }
      bm_instance_free(instance);
   }
}

static void the_meters_show_the_same_for_every_block_size(void** state)
{
   (void)state;
   hosted_for_every_plugin(check_blocks);
}

static void check_nothing_heard(const BmPlugin* plugin)
{
   BmInstance* instance = new_instance(plugin);
   run_all(instance, 512);
   bm_instance_restart(instance);
   run(instance, 0, 0);
   assert_close((double)bm_instance_get(instance, index_of(plugin, "input_level")), -120.0, 0.0);
   assert_close((double)bm_instance_get(instance, index_of(plugin, "output_level")), -120.0, 0.0);
   bm_instance_free(instance);
}

static void the_meters_start_at_silence_when_activated_again(void** state)
{
   (void)state;
   hosted_for_every_plugin(check_nothing_heard);
}

int main(void)
{
   if (!hosted_open()) {
      return 1;
   }
   for (uint32_t c = 0; c < MAX_CHANNELS; ++c) {
      audio.in[c] = calloc(N_FRAMES, sizeof(float));
      audio.out[c] = calloc(N_FRAMES, sizeof(float));
   }
   for (uint32_t i = 0; i < N_FRAMES; ++i) {
      audio.in[0][i] = (float)(AMPLITUDE * sin(2.0 * 3.14159265358979323846 * 997.0 * i / RATE_HZ));
   }
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(the_meters_show_the_mean_square_over_the_channels),
      cmocka_unit_test(the_input_meter_stands_behind_the_input_gain_and_the_output_meter_behind_everything),
      cmocka_unit_test(the_meters_show_the_same_for_every_block_size),
      cmocka_unit_test(the_meters_start_at_silence_when_activated_again),
   };
   const int n_failed = cmocka_run_group_tests(tests, NULL, NULL);
   for (uint32_t c = 0; c < MAX_CHANNELS; ++c) {
      free(audio.in[c]);
      free(audio.out[c]);
   }
   bm_host_free(hosted_host);
   return n_failed;
}
