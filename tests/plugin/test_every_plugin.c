/* SPDX-License-Identifier: ISC */
/*
   Properties that hold for every plugin of the bundle, as any host sees them. None is listed by hand: a
   plugin that is added is tested. If one fails, a session sounds different on another host, or a stray
   number silences a mix.
*/
#include "unit_test.h"

#include "hosted.h"

#include <stdbool.h>
#include <stdlib.h>
#include <string.h>

#define MAX_CHANNELS 4

enum { RATE_HZ = HOSTED_RATE_HZ, MAX_BLOCK = HOSTED_MAX_BLOCK, N_FRAMES = 24000 };

typedef struct {
   float* channels[MAX_CHANNELS];
   uint32_t n_frames;
} Audio;

static Audio audio_new(uint32_t n_frames)
{
   Audio audio = {.n_frames = n_frames};
   for (int c = 0; c < MAX_CHANNELS; ++c) {
      audio.channels[c] = calloc(n_frames, sizeof(float));
      assert_non_null(audio.channels[c]);
   }
   return audio;
}

static void audio_free(Audio* audio)
{
   for (int c = 0; c < MAX_CHANNELS; ++c) {
      free(audio->channels[c]);
   }
}

/* Plucks with a little noise, different in each channel: something for every detector to hear. */
static Audio plucks(uint32_t n_frames)
{
   Audio audio = audio_new(n_frames);
   uint64_t seed = 20261125;
   for (uint32_t i = 0; i < n_frames; ++i) {
      const double t = (double)(i % 12000) / RATE_HZ;
      for (int c = 0; c < MAX_CHANNELS; ++c) {
         double x = 0.0;
         for (int h = 1; h <= 6; ++h) {
            x += sin(2.0 * 3.14159265358979 * 110.0 * (1.0 + 0.003 * c) * h * t) / h * exp(-t * (3.0 + h));
         }
         audio.channels[c][i] = (float)(0.25 * x + 0.002 * bm_test_random(&seed));
      }
   }
   return audio;
}

static const float* const* inputs(const Audio* audio, uint32_t start, const float** pointers)
{
   for (int c = 0; c < MAX_CHANNELS; ++c) {
      pointers[c] = audio->channels[c] + start;
   }
   return pointers;
}

static float* const* outputs(const Audio* audio, uint32_t start, float** pointers)
{
   for (int c = 0; c < MAX_CHANNELS; ++c) {
      pointers[c] = audio->channels[c] + start;
   }
   return pointers;
}

static void run(BmInstance* instance, const Audio* in, const Audio* out, uint32_t start, uint32_t n_frames)
{
   const float* in_pointers[MAX_CHANNELS];
   float* out_pointers[MAX_CHANNELS];
   bm_instance_run(instance, inputs(in, start, in_pointers), outputs(out, start, out_pointers), n_frames);
}

static const BmPort* control_input(const BmPlugin* plugin, uint32_t index)
{
   const BmPort* port = &plugin->ports[index];
   return port->kind == BM_PORT_CONTROL && port->is_input ? port : NULL;
}

/* A value a host's panel could send. */
static float random_value(const BmPort* port, uint64_t* seed)
{
   const double share = 0.5 + 0.5 * bm_test_random(seed);
   if (port->n_points) {
      const uint32_t index = (uint32_t)(share * port->n_points);
      return port->points[index < port->n_points ? index : port->n_points - 1].value;
   }
   if (port->is_toggled) {
      return share > 0.5 ? 1.0F : 0.0F;
   }
   return port->min + (float)share * (port->max - port->min);
}

static void set_all(BmInstance* instance, uint64_t* seed)
{
   const BmPlugin* plugin = bm_instance_plugin(instance);
   for (uint32_t i = 0; i < plugin->n_ports; ++i) {
      const BmPort* port = control_input(plugin, i);
      if (port && !port->is_enabled) {
         bm_instance_set(instance, i, random_value(port, seed));
      }
   }
}

static void assert_same(const BmPlugin* plugin, const Audio* a, const Audio* b, uint32_t from,
                        const char* what)
{
   for (uint32_t c = 0; c < plugin->n_audio_out; ++c) {
      for (uint32_t i = from; i < a->n_frames; ++i) {
         if (memcmp(&a->channels[c][i], &b->channels[c][i], sizeof(float)) != 0) {
            fail_msg("%s: %s: channel %u, frame %u: %.9g, not %.9g", plugin->uri, what, c, i,
                     (double)a->channels[c][i], (double)b->channels[c][i]);
         }
      }
   }
}

/* Controls jump to the same random values at the same frames; only the blocks differ. */
static void render_in_blocks(const BmPlugin* plugin, const Audio* in, const Audio* out, uint32_t block_frames)
{
   enum { CHANGE_EVERY = 4000 };
   BmInstance* instance = hosted_instance(plugin, RATE_HZ);
   uint64_t seed = 7;
   uint64_t block_seed = 99;
   for (uint32_t start = 0; start < in->n_frames;) {
      if (start % CHANGE_EVERY == 0) {
         set_all(instance, &seed);
         if (plugin->enabled) {
            bm_instance_set(instance, plugin->enabled->index, start / CHANGE_EVERY % 3 == 2 ? 0.0F : 1.0F);
         }
      }
      uint32_t n = block_frames;
      if (n == 0) {
         n = (uint32_t)(1.0 + 500.0 * (1.0 + bm_test_random(&block_seed)));
      }
      const uint32_t to_change = CHANGE_EVERY - start % CHANGE_EVERY;
      n = n < to_change ? n : to_change;
      run(instance, in, out, start, n);
      start += n;
   }
   bm_instance_free(instance);
}

static void check_blocks(const BmPlugin* plugin)
{
   static const uint32_t blocks[] = {1, 7, 64, 1000, 0};
   Audio in = plucks(N_FRAMES);
   Audio whole = audio_new(N_FRAMES);
   Audio cut = audio_new(N_FRAMES);
   render_in_blocks(plugin, &in, &whole, MAX_BLOCK);
   for (size_t i = 0; i < sizeof blocks / sizeof *blocks; ++i) {
      char what[64];
      snprintf(what, sizeof what, "blocks of %u (0: random) differ from blocks of %d", blocks[i], MAX_BLOCK);
      render_in_blocks(plugin, &in, &cut, blocks[i]);
      assert_same(plugin, &cut, &whole, 0, what);
   }
   audio_free(&in);
   audio_free(&whole);
   audio_free(&cut);
}

static void every_plugin_gives_the_same_bits_for_every_block_size_while_controls_jump(void** state)
{
   (void)state;
   hosted_for_every_plugin(check_blocks);
}

static void check_ports(const BmPlugin* plugin)
{
   for (uint32_t i = 0; i < plugin->n_ports; ++i) {
      const BmPort* port = &plugin->ports[i];
      if (port->kind != BM_PORT_CONTROL) {
         continue;
      }
      const size_t length = strlen(port->help);
      if (!port->has_min || !port->has_max || !(port->def >= port->min && port->def <= port->max)) {
         fail_msg("%s: port %s wants a range and a default inside it", plugin->uri, port->symbol);
      }
      if (length == 0 || port->help[length - 1] != '.') {
         fail_msg("%s: port %s wants a sentence of help", plugin->uri, port->symbol);
      }
   }
   assert_non_null(plugin->enabled);
   assert_non_null(plugin->latency);
}

static void every_port_has_a_range_a_default_inside_it_and_a_sentence(void** state)
{
   (void)state;
   hosted_for_every_plugin(check_ports);
}

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

static void check_bypass(const BmPlugin* plugin)
{
   Audio in = plucks(N_FRAMES);
   Audio out = audio_new(N_FRAMES);
   Audio expected = audio_new(N_FRAMES);
   BmInstance* instance = hosted_instance(plugin, RATE_HZ);
   uint64_t seed = 11;
   set_all(instance, &seed);
   run(instance, &in, &out, 0, 6000);
   bm_instance_set(instance, plugin->enabled->index, 0.0F);
   for (uint32_t start = 6000; start < N_FRAMES; start += 1000) {
      run(instance, &in, &out, start, 1000);
   }
   const uint32_t latency = (uint32_t)bm_instance_get(instance, plugin->latency->index);
   for (uint32_t c = 0; c < plugin->n_audio_out; ++c) {
      const uint32_t from = c < plugin->n_audio_in ? c : plugin->n_audio_in - 1;
      for (uint32_t i = latency; i < N_FRAMES; ++i) {
         expected.channels[c][i] = in.channels[from][i - latency];
      }
   }
   assert_same(plugin, &out, &expected, 6000 + RATE_HZ / 40, "bypassed, but not the delayed input");
   bm_instance_free(instance);
   audio_free(&in);
   audio_free(&out);
   audio_free(&expected);
}

static void every_bypass_is_the_input_to_the_bit_and_in_time(void** state)
{
   (void)state;
   hosted_for_every_plugin(check_bypass);
}

static void check_restart(const BmPlugin* plugin)
{
   Audio in = plucks(N_FRAMES);
   Audio first = audio_new(N_FRAMES);
   Audio second = audio_new(N_FRAMES);
   BmInstance* instance = hosted_instance(plugin, RATE_HZ);
   for (int pass = 0; pass < 2; ++pass) {
      for (uint32_t start = 0; start < N_FRAMES; start += 1000) {
         run(instance, &in, pass ? &second : &first, start, 1000);
      }
      bm_instance_restart(instance);
   }
   assert_same(plugin, &second, &first, 0, "after deactivate and activate");
   bm_instance_free(instance);
   audio_free(&in);
   audio_free(&first);
   audio_free(&second);
}

static void every_plugin_starts_afresh_when_it_is_activated_again(void** state)
{
   (void)state;
   hosted_for_every_plugin(check_restart);
}

static void check_silence(const BmPlugin* plugin)
{
   Audio in = audio_new(N_FRAMES);
   Audio out = audio_new(N_FRAMES);
   BmInstance* instance = hosted_instance(plugin, RATE_HZ);
   for (uint32_t start = 0; start < N_FRAMES; start += 1000) {
      run(instance, &in, &out, start, 1000);
   }
   assert_same(plugin, &out, &in, 0, "silence in");
   bm_instance_free(instance);
   audio_free(&in);
   audio_free(&out);
}

static void every_plugin_is_silent_when_the_input_is(void** state)
{
   (void)state;
   hosted_for_every_plugin(check_silence);
}

static int n_log_lines;

static void count_log_line(void* user, const char* plugin_uri, const char* line)
{
   (void)user;
   (void)plugin_uri;
   (void)line;
   ++n_log_lines;
}

static void check_rates(const BmPlugin* plugin)
{
   static const double good_hz[] = {8000.0, 11025.0, 44100.0, 88200.0, 192000.0, 384000.0};
   static const double bad_hz[] = {0.0, 100.0, -48000.0, 1e9};
   Audio in = plucks(4000);
   Audio out = audio_new(4000);
   for (size_t i = 0; i < sizeof good_hz / sizeof *good_hz; ++i) {
      BmInstance* instance = hosted_instance(plugin, good_hz[i]);
      run(instance, &in, &out, 0, 4000);
      for (uint32_t c = 0; c < plugin->n_audio_out; ++c) {
         for (uint32_t n = 0; n < 4000; ++n) {
            if (!(fabsf(out.channels[c][n]) < 10.0F)) {
               fail_msg("%s at %g Hz: frame %u is %g", plugin->uri, good_hz[i], n,
                        (double)out.channels[c][n]);
            }
         }
      }
      bm_instance_free(instance);
   }
   for (size_t i = 0; i < sizeof bad_hz / sizeof *bad_hz; ++i) {
      BmError error = {0};
      n_log_lines = 0;
      bm_host_set_log(hosted_host, count_log_line, NULL);
      BmInstance* instance = bm_instance_new(hosted_host, plugin, bad_hz[i], MAX_BLOCK, &error);
      bm_host_set_log(hosted_host, NULL, NULL);
      if (instance || n_log_lines != 1) {
         fail_msg("%s at %g Hz: expected a refusal with one log line, got %d lines", plugin->uri, bad_hz[i],
                  n_log_lines);
      }
   }
   audio_free(&in);
   audio_free(&out);
}

static void every_plugin_runs_from_8_to_384_khz_and_refuses_other_rates_in_one_line(void** state)
{
   (void)state;
   hosted_for_every_plugin(check_rates);
}

/* Whatever preset stood before, a preset leads to the same settings, and does what its file says. */
static void check_presets(const BmPlugin* plugin)
{
   BmInstance* wanderer = hosted_instance(plugin, RATE_HZ);
   for (uint32_t i = 0; i < 2 * plugin->n_presets; ++i) {
      const char* uri = plugin->presets[i % plugin->n_presets].uri;
      BmError error = {0};
      BmInstance* fresh = hosted_instance(plugin, RATE_HZ);
      char* untouched = bm_instance_save(fresh);
      if (!bm_instance_load_preset(fresh, uri, &error) || !bm_instance_load_preset(wanderer, uri, &error)) {
         fail_msg("%s: %s", uri, error.text);
      }
      char* expected = bm_instance_save(fresh);
      char* settings = bm_instance_save(wanderer);
      if (strcmp(settings, expected) != 0) {
         fail_msg("%s: after another preset it sets\n%s\nbut alone\n%s", uri, settings, expected);
      }
      if (strcmp(untouched, expected) == 0) {
         fail_msg("%s: changes nothing", uri);
      }
      free(untouched);
      free(expected);
      free(settings);
      bm_instance_free(fresh);
   }
   bm_instance_free(wanderer);
}

static void every_preset_sounds_the_same_whatever_stood_before(void** state)
{
   (void)state;
   hosted_for_every_plugin(check_presets);
}

/* Save, load into a fresh instance: the settings text must come back the same. */
static void check_state(const BmPlugin* plugin)
{
   BmInstance* one = hosted_instance(plugin, RATE_HZ);
   BmInstance* other = hosted_instance(plugin, RATE_HZ);
   uint64_t seed = 5;
   set_all(one, &seed);
   Audio in = plucks(N_FRAMES);
   Audio out = audio_new(N_FRAMES);
   for (uint32_t start = 0; start < N_FRAMES; start += 1000) {
      run(one, &in, &out, start, 1000);
   }
   char* saved = bm_instance_save(one);
   assert_non_null(saved);
   BmError error = {0};
   if (!bm_instance_load_text(other, saved, &error)) {
      fail_msg("%s: %s", plugin->uri, error.text);
   }
   char* again = bm_instance_save(other);
   assert_string_equal(again, saved);
   free(saved);
   free(again);
   bm_instance_free(one);
   bm_instance_free(other);
   audio_free(&in);
   audio_free(&out);
}

static void every_plugin_comes_back_from_saved_settings(void** state)
{
   (void)state;
   hosted_for_every_plugin(check_state);
}

int main(void)
{
   BmError error = {0};
   hosted_host = bm_host_new(&error);
   if (!hosted_host) {
      fprintf(stderr, "%s\n", error.text);
      return 1;
   }
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(every_port_has_a_range_a_default_inside_it_and_a_sentence),
      cmocka_unit_test(every_plugin_gives_the_same_bits_for_every_block_size_while_controls_jump),
      cmocka_unit_test(every_plugin_stays_finite_whatever_comes_in),
      cmocka_unit_test(every_bypass_is_the_input_to_the_bit_and_in_time),
      cmocka_unit_test(every_plugin_starts_afresh_when_it_is_activated_again),
      cmocka_unit_test(every_plugin_is_silent_when_the_input_is),
      cmocka_unit_test(every_plugin_runs_from_8_to_384_khz_and_refuses_other_rates_in_one_line),
      cmocka_unit_test(every_preset_sounds_the_same_whatever_stood_before),
      cmocka_unit_test(every_plugin_comes_back_from_saved_settings),
   };
   const int n_failed = cmocka_run_group_tests(tests, NULL, NULL);
   bm_host_free(hosted_host);
   return n_failed;
}
