/* SPDX-License-Identifier: ISC */
#include "yardstick.h"

#include "error.h"
#include "passage.h"

#include <stdlib.h>

typedef struct {
   BmSubject subject;
   uint32_t position;
   double s1, s2;
   double in[BM_PASSAGE_ROOM];
   double out[BM_MAX_BLOCK_FRAMES];
} Section;

static void section_restart(BmSubject* subject)
{
   Section* self = (Section*)subject;
   self->position = 0;
   self->s1 = 0.0;
   self->s2 = 0.0;
}

/* A bell of +6 dB at 1 kHz, Q 1, at 48 kHz (Audio EQ Cookbook). */
static void section_run(BmSubject* subject, uint32_t n_frames)
{
   static const double b0 = 1.0439530870, b1 = -1.8953207239, b2 = 0.8677222848, a1 = -1.8953207239,
                       a2 = 0.9116753718;
   Section* self = (Section*)subject;
   const double* in = self->in + self->position;
   double* out = self->out;
   double s1 = self->s1;
   double s2 = self->s2;
   for (uint32_t i = 0; i < n_frames; ++i) {
      const double x = in[i];
      const double y = b0 * x + s1;
      s1 = b1 * x - a1 * y + s2;
      s2 = b2 * x - a2 * y;
      out[i] = y;
   }
   self->s1 = s1;
   self->s2 = s2;
   self->position = (self->position + n_frames) % BM_PASSAGE_FRAMES;
}

static void section_free(BmSubject* subject)
{
   free(subject);
}

BmSubject* bm_yardstick_section_new(void)
{
   Section* self = bm_calloc(1, sizeof *self);
   self->subject = (BmSubject){section_run, section_restart, section_free, false};
   const float* passage = bm_passage(0, 48000.0);
   for (uint32_t i = 0; i < BM_PASSAGE_ROOM; ++i) {
      self->in[i] = (double)passage[i];
   }
   return &self->subject;
}

typedef struct {
   BmSubject subject;
   uint32_t position;
   float gain;
   const float* in[2];
   float out[2][BM_MAX_BLOCK_FRAMES];
} Gain;

static void gain_restart(BmSubject* subject)
{
   ((Gain*)subject)->position = 0;
}

static void gain_run(BmSubject* subject, uint32_t n_frames)
{
   Gain* self = (Gain*)subject;
   const float gain = self->gain;
   for (uint32_t c = 0; c < 2; ++c) {
      const float* in = self->in[c] + self->position;
      float* restrict out = self->out[c];
      for (uint32_t i = 0; i < n_frames; ++i) {
         out[i] = gain * in[i];
      }
   }
   self->position = (self->position + n_frames) % BM_PASSAGE_FRAMES;
}

static void gain_free(BmSubject* subject)
{
   free(subject);
}

BmSubject* bm_yardstick_gain_new(void)
{
   Gain* self = bm_calloc(1, sizeof *self);
   self->subject = (BmSubject){gain_run, gain_restart, gain_free, false};
   self->gain = 0.7F;
   self->in[0] = bm_passage(0, 48000.0);
   self->in[1] = bm_passage(1, 48000.0);
   return &self->subject;
}
