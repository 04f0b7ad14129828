/* SPDX-License-Identifier: ISC */
#include "stopwatch.h"

#include "denormals.h"
#include "error.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#define N_CLOCK_READS 101

static double read_ns(clockid_t clock)
{
   struct timespec now;
   clock_gettime(clock, &now);
   return 1e9 * (double)now.tv_sec + (double)now.tv_nsec;
}

static double cpu_ns(void* user)
{
   (void)user;
   return read_ns(CLOCK_THREAD_CPUTIME_ID);
}

static double wall_ns(void* user)
{
   (void)user;
   return read_ns(CLOCK_MONOTONIC);
}

BmStopwatch bm_stopwatch(void)
{
   return (BmStopwatch){cpu_ns, wall_ns, NULL};
}

void bm_subject_free(BmSubject* subject)
{
   if (subject) {
      subject->free(subject);
   }
}

static int compare(const void* a, const void* b)
{
   const double x = *(const double*)a;
   const double y = *(const double*)b;
   return (x > y) - (x < y);
}

double bm_median(double* values, uint32_t n)
{
   qsort(values, n, sizeof *values, compare);
   return n % 2 ? values[n / 2] : 0.5 * (values[n / 2 - 1] + values[n / 2]);
}

typedef double (*Clock)(void* user);

/* What reading the clock adds to a measurement. */
static double clock_ns(Clock clock, void* user)
{
   double reads[N_CLOCK_READS];
   for (uint32_t i = 0; i < N_CLOCK_READS; ++i) {
      const double start = clock(user);
      reads[i] = clock(user) - start;
   }
   return bm_median(reads, N_CLOCK_READS);
}

static void run_lap(BmSubject* subject, uint32_t block_frames, uint32_t n_frames)
{
   for (uint32_t done = 0; done < n_frames; done += block_frames) {
      subject->run(subject, block_frames);
   }
}

static BmDenormalMode mode_for(const BmSubject* subject)
{
   const BmDenormalMode mode = bm_denormals_off();
   if (!subject->leaves_denormals) {
      bm_denormals_restore(mode);
   }
   return mode;
}

void bm_race(BmStopwatch watch, BmRace* races, uint32_t n_races, uint32_t n_rounds)
{
   const double overhead_ns = clock_ns(watch.cpu_ns, watch.user);
   for (uint32_t round = 0; round < n_rounds; ++round) {
      for (uint32_t i = 0; i < n_races; ++i) {
         BmRace* race = &races[(i + 5 * round) % n_races];
         const BmDenormalMode mode = mode_for(race->subject);
         run_lap(race->subject, race->block_frames, race->lap_frames / 4);
         const double start_ns = watch.cpu_ns(watch.user);
         run_lap(race->subject, race->block_frames, race->lap_frames);
         const double ns = watch.cpu_ns(watch.user) - start_ns - overhead_ns;
         bm_denormals_restore(mode);
         race->laps_ns[round] = ns / race->lap_frames;
      }
   }
   for (uint32_t i = 0; i < n_races; ++i) {
      double laps[BM_MAX_ROUNDS];
      memcpy(laps, races[i].laps_ns, sizeof laps);
      races[i].ns_per_frame = bm_median(laps, n_rounds);
   }
}

double bm_race_ratio(const BmRace* a, const BmRace* b, uint32_t n_rounds)
{
   double ratios[BM_MAX_ROUNDS];
   for (uint32_t round = 0; round < n_rounds; ++round) {
      ratios[round] = a->laps_ns[round] / b->laps_ns[round];
   }
   return bm_median(ratios, n_rounds);
}

double bm_worst_block(BmStopwatch watch, BmSubject* subject, uint32_t block_frames, uint32_t n_blocks,
                      uint32_t n_laps)
{
   double* quickest_ns = bm_calloc(n_blocks, sizeof *quickest_ns);
   const double overhead_ns = clock_ns(watch.wall_ns, watch.user);
   for (uint32_t lap = 0; lap < n_laps; ++lap) {
      const BmDenormalMode mode = mode_for(subject);
      subject->restart(subject);
      for (uint32_t i = 0; i < n_blocks; ++i) {
         const double start_ns = watch.wall_ns(watch.user);
         subject->run(subject, block_frames);
         const double ns = fmax(watch.wall_ns(watch.user) - start_ns - overhead_ns, 1.0);
         quickest_ns[i] = lap == 0 ? ns : fmin(quickest_ns[i], ns);
      }
      bm_denormals_restore(mode);
   }
   const double median_ns = bm_median(quickest_ns, n_blocks);
   const double worst_ns = quickest_ns[n_blocks - 1];
   free(quickest_ns);
   return worst_ns / median_ns;
}
