/* SPDX-License-Identifier: ISC */
/* A plugin that does what no run() may (forbidden.h), to prove the trap; in no bundle. Its one port is the
   number of the deed. */
#include "forbidden.h"

#include <lv2/core/lv2.h>

#include <fcntl.h>
#include <math.h>
#include <pthread.h>
#include <sched.h>
#include <semaphore.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/time.h>
#include <threads.h>
#include <time.h>
#include <unistd.h>

static void* block;
static volatile int result;
static char text[64];
static FILE* file; /* something of it has been read */
static FILE* sink;
static FILE* opened;
static pthread_mutex_t mutex = PTHREAD_MUTEX_INITIALIZER;
static pthread_cond_t condition = PTHREAD_COND_INITIALIZER;
static pthread_rwlock_t rwlock = PTHREAD_RWLOCK_INITIALIZER;
static pthread_spinlock_t spinlock;
static pthread_once_t once = PTHREAD_ONCE_INIT;
static mtx_t mtx;
static cnd_t cnd;
static once_flag flag = ONCE_FLAG_INIT;
static sem_t semaphore;
static const struct timespec long_ago = {.tv_sec = -1}; /* answered without the kernel */
static const struct timespec no_time;
static struct timespec now;
static struct timeval today;

static void nothing(void) {}

static int compare(const void* a, const void* b)
{
   return *(const char*)a - *(const char*)b;
}

static LV2_Handle instantiate(const LV2_Descriptor* descriptor, double rate, const char* path,
                              const LV2_Feature* const* features)
{
   (void)descriptor;
   (void)rate;
   (void)path;
   (void)features;
   static const float* number;
   mtx_init(&mtx, mtx_plain);
   cnd_init(&cnd);
   sem_init(&semaphore, 0, 0);
   pthread_spin_init(&spinlock, PTHREAD_PROCESS_PRIVATE);
   file = fopen("/dev/zero", "rb");
   sink = fopen("/dev/null", "wb");
   return file && sink && fgetc(file) == 0 && fputc('1', sink) == '1' ? &number : NULL;
}

static void connect_port(LV2_Handle instance, uint32_t port, void* data)
{
   (void)port;
   *(const float**)instance = data;
}

static void cleanup(LV2_Handle instance)
{
   (void)instance;
   fclose(file);
   fclose(sink);
}

static void run(LV2_Handle instance, uint32_t n_frames)
{
   (void)n_frames;
   int number = (int)**(const float**)instance;
   text[1] = (char)fabs(sin(number)); /* allowed */
   memset(text, 0, sizeof text);
#define DEED(name, statement)                                                                                \
   if (number-- == 0) {                                                                                      \
      statement;                                                                                             \
   }
   DEEDS(DEED, DEED)
}

LV2_SYMBOL_EXPORT const LV2_Descriptor* lv2_descriptor(uint32_t index)
{
   static const LV2_Descriptor descriptor = {.URI = "urn:bookmatch:forbidden",
                                             .instantiate = instantiate,
                                             .connect_port = connect_port,
                                             .run = run,
                                             .cleanup = cleanup};
   return index ? NULL : &descriptor;
}
