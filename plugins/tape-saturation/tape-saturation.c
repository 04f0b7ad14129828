/* SPDX-License-Identifier: ISC */
#include "base/decibel.h"
#include "saturation/tape.h"
#include "shell.h"
#include "tape_saturation_ports.h"

/* The lowest setting of hiss stands for none. */
#define HISS_OFF_DB (-100.0F)

BM_FIXED_VERBS(BmTape, tape)

static BmTapeSpeed speed(float cm_s)
{
   return cm_s < 30.0F ? BM_TAPE_SPEED_19 : cm_s < 60.0F ? BM_TAPE_SPEED_38 : BM_TAPE_SPEED_76;
}

static void set(void* self, const float* port)
{
   const float hiss_db = port[TAPE_SATURATION_HISS_DB];
   const BmTapeParams params = {
      .drive_db = (double)port[TAPE_SATURATION_DRIVE_DB],
      .bias_lin = (double)port[TAPE_SATURATION_BIAS_PERCENT] / 100.0,
      .speed = speed(port[TAPE_SATURATION_SPEED]),
      .wander_percent = (double)port[TAPE_SATURATION_WANDER_PERCENT],
      .wander_rate_hz = (double)port[TAPE_SATURATION_WANDER_RATE_HZ],
      .hiss_lin = hiss_db > HISS_OFF_DB ? bm_gain_from_db((double)hiss_db) : 0.0,
      .quality = (BmQuality)port[TAPE_SATURATION_QUALITY],
   };
   bm_tape_set(self, &params);
}

static uint32_t latency_frames(const void* self)
{
   return bm_tape_latency_frames(self);
}

const BmPlugin bm_plugin = {
   .ports = &tape_saturation,
   .bytes = bytes,
   .init = init,
   .set = set,
   .process = process,
   .reset = reset,
   .latency_frames = latency_frames,
};
