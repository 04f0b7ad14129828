/* SPDX-License-Identifier: ISC */
#include "processors.h"

#include "error.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { SETTLE_BLOCK = 1024 };

typedef struct {
   BmSubject subject;
   const BmProcessor* processor;
   void* self;
   void* memory;
   double rate_hz;
   BmState state;
   uint32_t position;
   uint32_t step;
   BmFrame* in; /* [BM_PASSAGE_ROOM] */
   BmFrame* out;
} ProcessorSubject;

static void* aligned_zeroes(size_t bytes)
{
   const size_t alignment = 64;
   const size_t rounded = (bytes / alignment + 1) * alignment;
   void* memory = aligned_alloc(alignment, rounded);
   if (!memory) {
      abort();
   }
   return memset(memory, 0, rounded);
}

static void processor_run(BmSubject* subject, uint32_t n_frames)
{
   ProcessorSubject* self = (ProcessorSubject*)subject;
   if (self->state == BM_STATE_MOVING) {
      self->processor->set(self->self, bm_position(self->step++));
   }
   self->processor->process(self->self, self->in + self->position, self->out, n_frames);
   self->position = (self->position + n_frames) % BM_PASSAGE_FRAMES;
}

static void run_for(ProcessorSubject* self, double seconds)
{
   const uint32_t n_blocks = (uint32_t)ceil(seconds * self->rate_hz / SETTLE_BLOCK);
   for (uint32_t i = 0; i < n_blocks; ++i) {
      processor_run(&self->subject, SETTLE_BLOCK);
   }
}

static void play(ProcessorSubject* self, bool silent)
{
   const float* left = silent ? bm_silence() : bm_passage(0, self->rate_hz);
   const float* right = silent ? bm_silence() : bm_passage(1, self->rate_hz);
   for (uint32_t i = 0; i < BM_PASSAGE_ROOM; ++i) {
      self->in[i] = bm_frame((double)left[i], (double)right[i]);
   }
}

static void processor_restart(BmSubject* subject)
{
   ProcessorSubject* self = (ProcessorSubject*)subject;
   self->processor->reset(self->self);
   if (self->processor->set) {
      self->processor->set(self->self, 0.0);
   }
   self->position = 0;
   self->step = 0;
   play(self, false);
   run_for(self, BM_SETTLE_S);
   if (self->state == BM_STATE_IDLE) {
      play(self, true);
      run_for(self, BM_SILENCE_S);
   }
   self->position = 0;
   self->step = 0;
}

static void processor_free(BmSubject* subject)
{
   ProcessorSubject* self = (ProcessorSubject*)subject;
   free(self->self);
   free(self->memory);
   free(self->in);
   free(self->out);
   free(self);
}

BmSubject* bm_processor_subject_new(const BmProcessor* processor, double rate_hz, BmState state)
{
   ProcessorSubject* self = bm_calloc(1, sizeof *self);
   self->subject = (BmSubject){processor_run, processor_restart, processor_free, true};
   self->processor = processor;
   self->rate_hz = rate_hz;
   self->state = state;
   self->self = aligned_zeroes(processor->size);
   self->memory = processor->bytes ? aligned_zeroes(processor->bytes(rate_hz)) : NULL;
   self->in = aligned_zeroes(BM_PASSAGE_ROOM * sizeof(BmFrame));
   self->out = aligned_zeroes(BM_MAX_BLOCK_FRAMES * sizeof(BmFrame));
   if (processor->init(self->self, self->memory, rate_hz) != BM_OK) {
      abort(); /* the benchmark's own rates are all within range */
   }
   processor_restart(&self->subject);
   return &self->subject;
}

size_t bm_processor_bytes(const BmProcessor* processor, double rate_hz)
{
   return processor->size + (processor->bytes ? processor->bytes(rate_hz) : 0);
}
