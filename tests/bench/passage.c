/* SPDX-License-Identifier: ISC */
#include "passage.h"

#include <math.h>
#include <string.h>

const char* bm_state_name(BmState state)
{
   static const char* const names[BM_N_STATES] = {"active", "idle", "bypassed", "moving"};
   return names[state];
}

double bm_position(uint32_t step)
{
   const double turn = (double)(step % BM_N_POSITIONS) / BM_N_POSITIONS;
   return turn < 0.5 ? 4.0 * turn - 1.0 : 3.0 - 4.0 * turn;
}

static void pluck(float* samples, uint32_t channel, double rate_hz)
{
   enum { N_PARTIALS = 12 };
   uint64_t seed = 1 + channel;
   double peak = 0.0;
   for (uint32_t i = 0; i < BM_PASSAGE_FRAMES; ++i) {
      const double t = i / rate_hz;
      double x = 0.0;
      for (uint32_t n = 1; n <= N_PARTIALS; ++n) {
         x += sin(6.28318530717958647692 * 110.0 * n * t + channel * 0.3 * n) * exp(-t * (2.0 + n)) / n;
      }
      seed = seed * 6364136223846793005ULL + 1442695040888963407ULL; /* Knuth, MMIX */
      x += 0.02 * ((double)(int64_t)(seed >> 11) / (double)(1LL << 52) - 1.0);
      samples[i] = (float)x;
      peak = fmax(peak, fabs(x));
   }
   for (uint32_t i = 0; i < BM_PASSAGE_FRAMES; ++i) {
      samples[i] *= (float)(0.5 / peak);
   }
   memcpy(samples + BM_PASSAGE_FRAMES, samples, BM_MAX_BLOCK_FRAMES * sizeof *samples);
}

const float* bm_passage(uint32_t channel, double rate_hz)
{
   enum { MAX_RATES = 8 };
   static struct {
      double rate_hz;
      float samples[BM_PASSAGE_CHANNELS][BM_PASSAGE_ROOM];
   } kept[MAX_RATES];
   uint32_t i = 0;
   while (i + 1 < MAX_RATES && kept[i].rate_hz > 0.0 && kept[i].rate_hz != rate_hz) {
      ++i;
   }
   if (kept[i].rate_hz != rate_hz) {
      kept[i].rate_hz = rate_hz;
      for (uint32_t c = 0; c < BM_PASSAGE_CHANNELS; ++c) {
         pluck(kept[i].samples[c], c, rate_hz);
      }
   }
   return kept[i].samples[channel];
}

const float* bm_silence(void)
{
   static const float silence[BM_PASSAGE_ROOM];
   return silence;
}
