/* SPDX-License-Identifier: ISC */
#include "head_file.h"

#include <mysofa.h>

#include <pthread.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

struct BmHeadFile {
   BmHeadFile* next;
   uint32_t n_holders;
   char* path;
   struct timespec written;
   double rate_hz;
   void* memory;
   BmHeadResponses responses;
};

static pthread_mutex_t lock = PTHREAD_MUTEX_INITIALIZER;
static BmHeadFile* all;

static void free_file(BmHeadFile* self)
{
   free(self->path);
   free(self->memory);
   free(self);
}

static void drop_unheld(void)
{
   BmHeadFile** link = &all;
   while (*link) {
      BmHeadFile* file = *link;
      if (file->n_holders == 0) {
         *link = file->next;
         free_file(file);
      } else {
         link = &file->next;
      }
   }
}

/* What is left when the library goes. */
__attribute__((destructor)) static void drop_all(void)
{
   drop_unheld();
}

/* The delays for every position and ear; a file may give them once for all. NULL: no memory. */
static float* delays_of(const struct MYSOFA_HRTF* file)
{
   const size_t n_delays = (size_t)file->M * file->R;
   float* delays = malloc(n_delays * sizeof *delays);
   for (size_t i = 0; delays && i < n_delays; ++i) {
      delays[i] = file->DataDelay.elements ? file->DataDelay.values[i % file->DataDelay.elements] : 0.0F;
   }
   return delays;
}

static bool has_all_arrays(const struct MYSOFA_HRTF* file)
{
   return file->R == 2 && file->M > 0 && file->N > 0 && file->DataSamplingRate.elements > 0 &&
          file->SourcePosition.elements >= 3 * file->M && file->DataIR.elements >= 2 * file->M * file->N;
}

static const char* take_over(BmHeadFile* self, struct MYSOFA_HRTF* file)
{
   if (mysofa_check(file) != MYSOFA_OK || !has_all_arrays(file)) {
      return "it holds no impulse responses for two ears";
   }
   mysofa_tospherical(file);
   float* delays = delays_of(file);
   const BmMeasuredHead measured = {.n_positions = file->M,
                                    .n_taps = file->N,
                                    .sample_rate_hz = (double)file->DataSamplingRate.values[0],
                                    .positions = file->SourcePosition.values,
                                    .taps = file->DataIR.values,
                                    .delays_frames = delays};
   self->memory = malloc(bm_head_responses_bytes(&measured, self->rate_hz));
   void* scratch = malloc(bm_head_responses_scratch_bytes(&measured, self->rate_hz));
   const BmStatus status = delays ? bm_head_responses_init_measured(&self->responses, self->memory, scratch,
                                                                    self->rate_hz, &measured)
                                  : BM_NO_MEMORY;
   free(scratch);
   free(delays);
   return status == BM_OK ? NULL : "its responses make no sense";
}

static BmHeadFile* read_file(const char* path, struct timespec written, double rate_hz, const char** fault)
{
   int error = MYSOFA_OK;
   struct MYSOFA_HRTF* file = mysofa_load(path, &error);
   if (!file) {
      *fault = "it is no head-response file";
      return NULL;
   }
   BmHeadFile* self = calloc(1, sizeof *self);
   *fault = "there is no memory for it";
   if (self) {
      self->path = strdup(path);
      self->written = written;
      self->rate_hz = rate_hz;
      *fault = self->path ? take_over(self, file) : *fault;
      if (*fault) {
         free_file(self);
         self = NULL;
      }
   }
   mysofa_free(file);
   return self;
}

const BmHeadFile* bm_head_file_open(const char* path, double rate_hz, const char** fault)
{
   struct stat status;
   if (stat(path, &status) != 0 || !S_ISREG(status.st_mode)) {
      *fault = "there is no such file";
      return NULL;
   }
   pthread_mutex_lock(&lock);
   BmHeadFile* found = all;
   while (found && (strcmp(found->path, path) != 0 || found->rate_hz != rate_hz ||
                    found->written.tv_sec != status.st_mtim.tv_sec ||
                    found->written.tv_nsec != status.st_mtim.tv_nsec)) {
      found = found->next;
   }
   if (!found) {
      found = read_file(path, status.st_mtim, rate_hz, fault);
      if (found) {
         drop_unheld();
         found->next = all;
         all = found;
      }
   }
   if (found) {
      ++found->n_holders;
   }
   pthread_mutex_unlock(&lock);
   return found;
}

void bm_head_file_close(const BmHeadFile* self)
{
   if (self) {
      pthread_mutex_lock(&lock);
      BmHeadFile* file = all;
      while (file != self) {
         file = file->next;
      }
      --file->n_holders;
      pthread_mutex_unlock(&lock);
   }
}

const BmHeadResponses* bm_head_file_responses(const BmHeadFile* self)
{
   return &self->responses;
}
