/* SPDX-License-Identifier: ISC */
#include "saturation/preamp.h"
#include "preamp_ports.h"
#include "shell.h"

BM_FIXED_VERBS(BmPreamp, preamp)

static void set(void* self, const float* port)
{
   const BmPreampParams params = {
      .gain_db = (double)port[PREAMP_GAIN_DB],
      .pad = port[PREAMP_PAD] > 0.5F,
      .polarity = port[PREAMP_POLARITY] > 0.5F,
      .low_gain_db = (double)port[PREAMP_LOW_GAIN_DB],
      .high_gain_db = (double)port[PREAMP_HIGH_GAIN_DB],
      .quality = (BmQuality)port[PREAMP_QUALITY],
   };
   bm_preamp_set(self, &params);
}

static uint32_t latency_frames(const void* self)
{
   return bm_preamp_latency_frames(self);
}

const BmPlugin bm_plugin = {
   .ports = &preamp,
   .bytes = bytes,
   .init = init,
   .set = set,
   .process = process,
   .reset = reset,
   .latency_frames = latency_frames,
};
