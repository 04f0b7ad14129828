/* SPDX-License-Identifier: ISC */
#define _GNU_SOURCE
#include "workers.h"

#include "error.h"

#include <pthread.h>
#include <sched.h>
#include <signal.h>
#include <stdatomic.h>
#include <stdbool.h>
#include <stdlib.h>

/* A block is done in less time than it takes to wake a thread, so wait a little before going to sleep. */
#define BM_SPINS 2000

struct BmWorkers {
   pthread_t threads[BM_WORKERS_MAX]; /* [n_threads] beside the caller */
   uint32_t n_threads;
   pthread_mutex_t mutex;
   pthread_cond_t is_new;
   pthread_cond_t is_done;
   atomic_uint round; /* of jobs; 0 before the first */
   atomic_uint n_idle;
   atomic_uint next_job;
   atomic_bool ends;
   BmJob job;
   void* user;
   uint32_t n_jobs;
};

typedef struct {
   BmWorkers* workers;
   uint32_t number;
} Worker;

static void do_jobs(BmWorkers* workers, uint32_t worker)
{
   for (uint32_t n; (n = atomic_fetch_add(&workers->next_job, 1)) < workers->n_jobs;) {
      workers->job(workers->user, n, worker);
   }
}

static bool is_news(BmWorkers* workers, unsigned seen)
{
   return atomic_load(&workers->round) != seen || atomic_load(&workers->ends);
}

static void* work(void* user)
{
   const Worker worker = *(Worker*)user;
   free(user);
   BmWorkers* workers = worker.workers;
   for (unsigned seen = 0;;) {
      for (uint32_t n = 0; n < BM_SPINS && !is_news(workers, seen); ++n) {
      }
      pthread_mutex_lock(&workers->mutex);
      while (!is_news(workers, seen)) {
         pthread_cond_wait(&workers->is_new, &workers->mutex);
      }
      seen = atomic_load(&workers->round);
      pthread_mutex_unlock(&workers->mutex);
      if (atomic_load(&workers->ends)) {
         return NULL;
      }
      do_jobs(workers, worker.number);
      pthread_mutex_lock(&workers->mutex);
      if (atomic_fetch_add(&workers->n_idle, 1) + 1 == workers->n_threads) {
         pthread_cond_signal(&workers->is_done);
      }
      pthread_mutex_unlock(&workers->mutex);
   }
}

uint32_t bm_workers_of_machine(void)
{
   cpu_set_t set;
   const int n = sched_getaffinity(0, sizeof(set), &set) ? 1 : CPU_COUNT(&set);
   return n < 1 ? 1 : (uint32_t)n > BM_WORKERS_MAX ? BM_WORKERS_MAX : (uint32_t)n;
}

BmWorkers* bm_workers_new(uint32_t n_workers)
{
   BmWorkers* workers = bm_calloc(1, sizeof(BmWorkers));
   pthread_mutex_init(&workers->mutex, NULL);
   pthread_cond_init(&workers->is_new, NULL);
   pthread_cond_init(&workers->is_done, NULL);
   /* Signals are the first thread's to answer. */
   sigset_t all;
   sigset_t before;
   sigfillset(&all);
   pthread_sigmask(SIG_SETMASK, &all, &before);
   for (uint32_t n = 1; n < n_workers && n < BM_WORKERS_MAX; ++n) {
      Worker* worker = bm_calloc(1, sizeof(Worker));
      *worker = (Worker){workers, n};
      if (pthread_create(&workers->threads[workers->n_threads], NULL, work, worker)) {
         free(worker);
         break;
      }
      ++workers->n_threads;
   }
   pthread_sigmask(SIG_SETMASK, &before, NULL);
   return workers;
}

void bm_workers_free(BmWorkers* workers)
{
   if (!workers) {
      return;
   }
   pthread_mutex_lock(&workers->mutex);
   atomic_store(&workers->ends, true);
   pthread_cond_broadcast(&workers->is_new);
   pthread_mutex_unlock(&workers->mutex);
   for (uint32_t n = 0; n < workers->n_threads; ++n) {
      pthread_join(workers->threads[n], NULL);
   }
   pthread_cond_destroy(&workers->is_done);
   pthread_cond_destroy(&workers->is_new);
   pthread_mutex_destroy(&workers->mutex);
   free(workers);
}

uint32_t bm_workers_count(const BmWorkers* workers)
{
   return workers->n_threads + 1;
}

void bm_workers_run(BmWorkers* workers, BmJob job, void* user, uint32_t n_jobs)
{
   workers->job = job;
   workers->user = user;
   workers->n_jobs = n_jobs;
   atomic_store(&workers->next_job, 0);
   if (!workers->n_threads || n_jobs < 2) {
      do_jobs(workers, 0);
      return;
   }
   atomic_store(&workers->n_idle, 0);
   pthread_mutex_lock(&workers->mutex);
   atomic_fetch_add(&workers->round, 1);
   pthread_cond_broadcast(&workers->is_new);
   pthread_mutex_unlock(&workers->mutex);
   do_jobs(workers, 0);
   for (uint32_t n = 0; n < BM_SPINS && atomic_load(&workers->n_idle) < workers->n_threads; ++n) {
   }
   pthread_mutex_lock(&workers->mutex);
   while (atomic_load(&workers->n_idle) < workers->n_threads) {
      pthread_cond_wait(&workers->is_done, &workers->mutex);
   }
   pthread_mutex_unlock(&workers->mutex);
}
