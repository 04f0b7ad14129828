/* SPDX-License-Identifier: ISC */
/* If these fail, the bench hears something else than what a user hears in a host: a wrong port, a lost
   setting, a latency that is not made up for. */
#include "unit_test.h"

#include "host.h"

#include <fcntl.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define MONO "urn:bookmatch:test#mono"

static BmHost* host;

static int start_host(void** state)
{
   (void)state;
   BmError error = {0};
   host = bm_host_new(&error);
   return host ? 0 : -1;
}

static int end_host(void** state)
{
   (void)state;
   bm_host_free(host);
   return 0;
}

static const BmPlugin* find(const char* uri)
{
   BmError error = {0};
   const BmPlugin* plugin = bm_host_find(host, uri, &error);
   assert_non_null(plugin);
   return plugin;
}

static uint32_t port(const BmPlugin* plugin, const char* symbol)
{
   BmError error = {0};
   const BmPort* found = bm_plugin_port(plugin, symbol, &error);
   assert_non_null(found);
   return found->index;
}

static BmInstance* start(const BmPlugin* plugin)
{
   BmError error = {0};
   BmInstance* instance = bm_instance_new(host, plugin, 48000.0, 64, &error);
   assert_non_null(instance);
   return instance;
}

static void a_port_is_known_as_its_turtle_describes_it(void** state)
{
   (void)state;
   const BmPlugin* plugin = find(MONO);
   assert_string_equal(plugin->name, "Test mono");
   assert_int_equal(plugin->n_audio_in, 1);
   assert_int_equal(plugin->n_audio_out, 1);
   assert_string_equal(plugin->latency->symbol, "latency");
   /* Of lv2:UtilityPlugin; whether or not LV2_PATH leads to LV2's own descriptions. */
   assert_string_equal(plugin->class_name, "Utility");
   const BmPort* delay = &plugin->ports[port(plugin, "delay")];
   assert_true(delay->is_input && delay->is_integer && delay->kind == BM_PORT_CONTROL);
   assert_true(delay->def == 0.0f && delay->min == 0.0f && delay->max == 4000.0f);
   const BmPort* kind = &plugin->ports[port(plugin, "kind")];
   assert_int_equal(kind->n_points, 2);
   assert_string_equal(kind->points[0].label, "Warm");
   assert_string_equal(kind->points[1].label, "Cold");
}

static void a_mistyped_name_is_answered_with_the_nearest(void** state)
{
   (void)state;
   BmError error = {0};
   assert_null(bm_host_find(host, "urn:bookmatch:test#momo", &error));
   assert_non_null(strstr(error.text, "did you mean <" MONO ">?"));
   error = (BmError){0};
   assert_null(bm_plugin_port(find(MONO), "dealy", &error));
   assert_non_null(strstr(error.text, "did you mean \"delay\"?"));
   error = (BmError){0};
   assert_null(bm_plugin_port(find(MONO), "reverberance", &error));
   assert_null(strstr(error.text, "did you mean"));
}

static void a_value_out_of_range_is_refused_with_the_range(void** state)
{
   (void)state;
   const BmPlugin* plugin = find(MONO);
   const BmPort* echo = &plugin->ports[port(plugin, "echo")];
   BmError error = {0};
   assert_true(bm_port_check(echo, 0.0, 48000.0, &error));
   assert_true(bm_port_check(echo, 1.0, 48000.0, &error));
   assert_false(bm_port_check(echo, 1.001, 48000.0, &error));
   assert_string_equal(error.text, "\"echo\" is 1.001, but its range is 0 to 1");
   error = (BmError){0};
   assert_false(bm_port_check(echo, (double)NAN, 48000.0, &error));
}

static void a_plugin_that_cannot_be_hosted_is_refused_with_the_reason(void** state)
{
   (void)state;
   BmError error = {0};
   assert_null(bm_instance_new(host, find("urn:bookmatch:test#needy"), 48000.0, 64, &error));
   assert_non_null(strstr(error.text, "urn:bookmatch:test#impossible"));
   error = (BmError){0};
   assert_null(bm_instance_new(host, find(MONO), 500000.0, 64, &error));
   assert_non_null(strstr(error.text, "500000 Hz"));
}

static void audio_passes_through_in_slices_of_at_most_the_promised_length(void** state)
{
   (void)state;
   const BmPlugin* plugin = find("urn:bookmatch:test#stereo");
   BmInstance* instance = start(plugin);
   bm_instance_set(instance, port(plugin, "gain"), 2.0f);
   float in[2][1000];
   float out[2][1000];
   for (int n = 0; n < 1000; ++n) {
      in[0][n] = (float)n;
      in[1][n] = (float)-n;
   }
   bm_instance_run(instance, (const float*[]){in[0], in[1]}, (float*[]){out[0], out[1]}, 1000);
   for (int n = 0; n < 1000; ++n) {
      assert_true(out[0][n] == 2.0f * in[0][n] && out[1][n] == 2.0f * in[1][n]);
   }
   assert_true(bm_instance_get(instance, port(plugin, "seen")) == 2.0f);
   bm_instance_free(instance);
}

static void the_latency_is_known_before_the_first_frame_and_asking_leaves_no_trace(void** state)
{
   (void)state;
   const BmPlugin* plugin = find(MONO);
   BmInstance* instance = start(plugin);
   bm_instance_set(instance, port(plugin, "delay"), 7.0f);
   float in[16] = {1.0f};
   float out[16];
   BmError error = {0};
   assert_int_equal(bm_instance_latency(instance, &error), 7);
   bm_instance_run(instance, (const float*[]){in}, (float*[]){out}, 4);
   assert_int_equal(bm_instance_latency(instance, &error), 7);
   bm_instance_run(instance, (const float*[]){in + 4}, (float*[]){out + 4}, 12);
   for (int n = 0; n < 16; ++n) {
      assert_true(out[n] == (n == 7 ? 1.0f : 0.0f));
   }
   bm_instance_free(instance);
}

static void a_restart_forgets_the_sound_and_keeps_the_controls(void** state)
{
   (void)state;
   const BmPlugin* plugin = find(MONO);
   BmInstance* instance = start(plugin);
   bm_instance_set(instance, port(plugin, "delay"), 7.0f);
   float in[16] = {1.0f};
   float out[16];
   bm_instance_run(instance, (const float*[]){in}, (float*[]){out}, 4);
   bm_instance_restart(instance);
   bm_instance_run(instance, (const float*[]){NULL}, (float*[]){out}, 16);
   for (int n = 0; n < 16; ++n) {
      assert_true(out[n] == 0.0f);
   }
   bm_instance_free(instance);
}

/* What one frame of 1.0 becomes, once the worker has been. */
static float answer(BmInstance* instance)
{
   const float in[2] = {0.0f, 1.0f};
   float out[2];
   bm_instance_run(instance, (const float*[]){in}, (float*[]){out}, 1);
   bm_instance_run(instance, (const float*[]){in + 1}, (float*[]){out + 1}, 1);
   return out[1];
}

static void a_preset_brings_back_controls_and_state(void** state)
{
   (void)state;
   const BmPlugin* plugin = find(MONO);
   assert_int_equal(plugin->n_presets, 1);
   assert_string_equal(plugin->presets[0].label, "Half");
   BmInstance* instance = start(plugin);
   BmError error = {0};
   assert_true(bm_instance_load_preset(instance, "urn:bookmatch:test#half", &error));
   assert_true(answer(instance) == 0.5f * 0.25f);
   assert_false(bm_instance_load_preset(instance, "urn:bookmatch:test#hafl", &error));
   assert_non_null(strstr(error.text, "did you mean <urn:bookmatch:test#half>?"));
   bm_instance_free(instance);
}

static void settings_saved_are_settings_restored(void** state)
{
   (void)state;
   const BmPlugin* plugin = find(MONO);
   BmError error = {0};
   BmInstance* first = start(plugin);
   assert_true(bm_instance_load_preset(first, "urn:bookmatch:test#half", &error));
   assert_true(answer(first) == 0.125f);
   bm_instance_set(first, port(plugin, "gain"), 4.0f);
   char* text = bm_instance_save(first);
   bm_instance_free(first);

   BmInstance* second = start(plugin);
   assert_true(bm_instance_load_text(second, text, &error));
   assert_true(answer(second) == 4.0f * 0.25f);
   bm_instance_free(second);

   BmInstance* other = start(find("urn:bookmatch:test#stereo"));
   assert_false(bm_instance_load_text(other, text, &error));
   assert_non_null(strstr(error.text, "settings of <" MONO ">, not of"));
   bm_instance_free(other);

   /* As a file it is a preset that any host can load: prefixes of its own, and the file itself as subject. */
   char path[] = "/tmp/bookmatch-host-XXXXXX";
   const int file = mkstemp(path);
   assert_true(file >= 0);
   assert_int_equal(write(file, text, strlen(text)), (ssize_t)strlen(text));
   assert_int_equal(close(file), 0);
   BmInstance* third = start(plugin);
   BmError none = {0};
   assert_true(bm_instance_load_file(third, path, &none));
   assert_true(answer(third) == 4.0f * 0.25f);

   /* Without lv2:appliesTo it could be any plugin's settings. */
   const char* nobodys = "<> a <http://lv2plug.in/ns/ext/presets#Preset> .\n";
   assert_int_equal(truncate(path, 0), 0);
   const int again = open(path, O_WRONLY);
   assert_int_equal(write(again, nobodys, strlen(nobodys)), (ssize_t)strlen(nobodys));
   assert_int_equal(close(again), 0);
   assert_false(bm_instance_load_file(third, path, &none));
   assert_non_null(strstr(none.text, ":1: the preset does not say of which plugin it is (lv2:appliesTo)"));
   assert_true(answer(third) == 4.0f * 0.25f);
   bm_instance_free(third);
   remove(path);
   free(text);
}

int main(void)
{
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(a_port_is_known_as_its_turtle_describes_it),
      cmocka_unit_test(a_mistyped_name_is_answered_with_the_nearest),
      cmocka_unit_test(a_value_out_of_range_is_refused_with_the_range),
      cmocka_unit_test(a_plugin_that_cannot_be_hosted_is_refused_with_the_reason),
      cmocka_unit_test(audio_passes_through_in_slices_of_at_most_the_promised_length),
      cmocka_unit_test(the_latency_is_known_before_the_first_frame_and_asking_leaves_no_trace),
      cmocka_unit_test(a_restart_forgets_the_sound_and_keeps_the_controls),
      cmocka_unit_test(a_preset_brings_back_controls_and_state),
      cmocka_unit_test(settings_saved_are_settings_restored),
   };
   return cmocka_run_group_tests(tests, start_host, end_host);
}
