/* SPDX-License-Identifier: ISC */
#ifndef BM_STRIP_STAGE_H
#define BM_STRIP_STAGE_H

#include "base/delay.h"
#include "base/fade.h"
#include "base/frame.h"
#include "base/glide.h"
#include "base/status.h"

#include <stdbool.h>
#include <stdint.h>

#define BM_STAGE_MAX_CHOICES 8
#define BM_STAGE_MAX_LATENCY_FRAMES 512
#define BM_STAGE_BLOCK_FRAMES 256

/** A processor's verbs without its type. */
typedef struct {
   void (*set)(void* self, const void* params);
   void (*process)(void* self, const BmFrame* in, BmFrame* out, uint32_t n_frames);
   void (*reset)(void* self);
   uint32_t (*latency_frames)(const void* self); /* NULL: none */
   double settling_ms; /* how long it must have heard a sound before it does to it what it will go on doing */
} BmStageVerbs;

/** A processor that a stage may choose, set up; `params` is read whenever it is set. */
typedef struct {
   const BmStageVerbs* verbs;
   void* self;
   const void* params;
} BmStageChoice;

/** One way through a stage. Private to BmStage. */
typedef struct {
   uint32_t choice; /* 0: nothing */
   BmGlide mix;
   BmDelay dry; /* by the processor's latency */
   BmDelay pad; /* by what is missing to the stage's */
   BmFrame memory[BM_STAGE_MAX_LATENCY_FRAMES];
} BmStagePath;

/**
   A place in a chain where one of several processors works, or none, as a plugin in a row of plugins would:
   what leaves is rounded to single precision and bounded, and is mixed with what came in as the plugins'
   shell mixes (wet * mix + dry * (1 - mix)).

   A change of choice lets the new processor hear the take, faded in, for the stage's latency and 40 ms more,
   then cross-fades over 20 ms. What is not chosen is not run; it begins from silence when it is chosen again.
   The latency is that of the slowest choice whatever is chosen. A change that is asked for during another
   follows it.
*/
typedef struct {
   struct {
      BmStageChoice choices[BM_STAGE_MAX_CHOICES]; /* from 1 */
      uint32_t n_choices;
      uint32_t latency_frames;
      double rate_hz;
      bool is_mono; /* the left lane is what leaves */
      uint32_t wanted;
      double mix;
   } cfg;
   BmStagePath path[2];
   struct {
      uint32_t current;
      bool is_changing;
      uint32_t waiting_frames;
      BmFade entry; /* of the take into what comes */
      BmFade fade;
      bool is_fresh; /* the next setting is taken at once */
   } mem;
} BmStage;

/**
   Set up with the choices 1 to `n_choices`, which live as long as the stage does; nothing is chosen.

   Errors: BM_BAD_RATE, BM_BAD_ARGUMENT (too many choices, or one too late).
*/
BmStatus bm_stage_init(BmStage* self, double sample_rate_hz, const BmStageChoice* choices, uint32_t n_choices,
                       bool is_mono);

/** Choose, 0 for nothing; what has to come in for that begins with the params as they are now and with `mix`,
    0 .. 1. What runs goes on as it was set. Real-time: yes. */
void bm_stage_choose(BmStage* self, uint32_t choice, double mix);

/** Have what runs read its params anew, and take the mix last given. Real-time: yes. */
void bm_stage_refresh(BmStage* self);

/** Let a cross-fade that is yet to begin wait for so long. Real-time: yes. */
void bm_stage_hold(BmStage* self, uint32_t n_frames);

/** Process [n_frames] in place. Real-time: yes. */
void bm_stage_process(BmStage* self, BmFrame* io, uint32_t n_frames);

/** Forget the sound: what is wanted begins anew, at once. */
void bm_stage_reset(BmStage* self);

uint32_t bm_stage_latency_frames(const BmStage* self);

/** How long until the cross-fade to what is wanted begins; 0 while or after it does. */
uint32_t bm_stage_settling_frames(const BmStage* self);

/** Whether a choice is heard, or is about to be. */
bool bm_stage_runs(const BmStage* self, uint32_t choice);

/** Whether nothing is chosen, and nothing of an earlier choice is left. */
bool bm_stage_is_out(const BmStage* self);

/** Round to what a plugin would hand on to the next: single precision, below 1e4; the left lane in both if
 * mono.
 */
void bm_stage_round(BmFrame* io, uint32_t n_frames, bool is_mono);

#endif
