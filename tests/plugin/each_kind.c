/* SPDX-License-Identifier: ISC */
/*
   Run one plugin of each LV2 class for a moment, for valgrind to watch: a value that was never set, which the
   other sanitizers do not see, would make a render that differs from day to day.
*/
#include "unit_test.h"

#include "every.h"

static const char* classes[64];
static uint32_t n_classes;

static bool is_new_class(const char* name)
{
   for (uint32_t i = 0; i < n_classes; ++i) {
      if (!strcmp(classes[i], name)) {
         return false;
      }
   }
   assert_true(n_classes < sizeof classes / sizeof *classes);
   classes[n_classes++] = name;
   return true;
}

static void live(const BmPlugin* plugin)
{
   enum { N = 4000 };
   if (!is_new_class(plugin->class_name)) {
      return;
   }
   Audio in = plucks(N);
   Audio out = audio_new(N);
   BmInstance* instance = hosted_instance(plugin, RATE_HZ);
   uint64_t seed = 83;
   double sum = 0.0;
   for (uint32_t start = 0; start < N; start += 1000) {
      run(instance, &in, &out, start, 1000);
      set_all(instance, &seed);
      bm_instance_set(instance, plugin->enabled->index, start == 2000 ? 0.0F : 1.0F);
   }
   for (uint32_t c = 0; c < plugin->n_audio_out; ++c) {
      for (uint32_t i = 0; i < N; ++i) {
         sum += fabs((double)out.channels[c][i]);
      }
   }
   BmError error = {0};
   char* settings = bm_instance_save(instance);
   assert_true(bm_instance_load_text(instance, settings, &error));
   free(settings);
   bm_instance_restart(instance);
   run(instance, &in, &out, 0, 1000);
   /* Printed, so that every sample counts. */
   printf("%s (%s): mean %.3g\n", plugin->uri, plugin->class_name, sum / N);
   assert_true(sum > 0.0);
   cases_add(plugin->uri, "memcheck", 1);
   bm_instance_free(instance);
   audio_free(&in);
   audio_free(&out);
}

int main(void)
{
   if (!hosted_open()) {
      return 1;
   }
   hosted_for_every_plugin(live);
   bm_host_free(hosted_host);
   return 0;
}
