/* SPDX-License-Identifier: ISC */
/*
   If one of these fails, a session that was saved opens with another sound, or a damaged one opens half and
   nobody is told.

   Settings and state of every plugin of the bundle: restored whole, or refused with a line in the log.
*/
#include "unit_test.h"

#include "every.h"

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
   Keepers kept = keepers_new(RATE_HZ);
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(every_plugin_comes_back_from_saved_settings),
   };
   const int n_failed = cmocka_run_group_tests(tests, NULL, NULL);
   keepers_free(&kept);
   bm_host_free(hosted_host);
   return n_failed;
}
