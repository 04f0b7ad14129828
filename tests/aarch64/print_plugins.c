/* SPDX-License-Identifier: ISC */
/* Writes what every plugin of the bundle makes of one input, with its defaults and with each of its presets,
   so that two machines can be compared: for each a line "uri<TAB>preset<TAB>samples", then the samples as
   32-bit floats of the machine. */
#include "host.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { RATE_HZ = 48000, BLOCK = 512, N_BLOCKS = 60 };

static void print_one(BmHost* host, const BmPlugin* plugin, const char* preset)
{
   BmError error = {0};
   BmInstance* instance = bm_instance_new(host, plugin, RATE_HZ, BLOCK, &error);
   if (!instance || (preset && !bm_instance_load_preset(instance, preset, &error))) {
      fprintf(stderr, "%s\n", error.text);
      exit(1); /* what neither machine makes would not differ */
   }
   printf("%s\t%s\t%u\n", plugin->uri, preset ? preset : "", N_BLOCKS * BLOCK * plugin->n_audio_out);
   float in[2][BLOCK];
   float out[2][BLOCK];
   uint64_t seed = 1;
   for (uint32_t b = 0; b < N_BLOCKS; ++b) {
      for (uint32_t i = 0; i < BLOCK; ++i) {
         /* Plucks from nothing but sums and products, so that the input is the same everywhere. */
         const double t = (double)((b * BLOCK + i) % 12000) / RATE_HZ;
         const double fade = 1.0 / (1.0 + 30.0 * t * t + 12.0 * t);
         for (uint32_t c = 0; c < 2; ++c) {
            const double turns = t * (110.0 + c);
            const double x = turns - (double)(uint32_t)turns - 0.5;
            seed = seed * 6364136223846793005ULL + 1442695040888963407ULL;
            const double noise = (double)(int64_t)(seed >> 11) / (double)(1LL << 52) - 1.0;
            in[c][i] = (float)(fade * 2.4 * x * (1.0 - 2.0 * fabs(x)) + 0.01 * noise);
         }
      }
      const float* const ins[] = {in[0], in[1]};
      float* const outs[] = {out[0], out[1]};
      bm_instance_run(instance, ins, outs, BLOCK);
      for (uint32_t c = 0; c < plugin->n_audio_out; ++c) {
         fwrite(out[c], sizeof(float), BLOCK, stdout);
      }
   }
   bm_instance_free(instance);
}

int main(void)
{
   BmError error = {0};
   BmHost* host = bm_host_new(&error);
   if (!host) {
      fprintf(stderr, "%s\n", error.text);
      return 1;
   }
   for (uint32_t p = 0; p < bm_host_n_plugins(host); ++p) {
      const BmPlugin* plugin = bm_host_plugin(host, p);
      if (!strncmp(plugin->uri, "urn:bookmatch:", 14)) {
         print_one(host, plugin, NULL);
         for (uint32_t n = 0; n < plugin->n_presets; ++n) {
            print_one(host, plugin, plugin->presets[n].uri);
         }
      }
   }
   bm_host_free(host);
   return fflush(stdout) || ferror(stdout);
}
