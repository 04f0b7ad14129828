/* SPDX-License-Identifier: ISC */
/* Threads that share out jobs which do not depend on each other. */
#ifndef BM_HARNESS_WORKERS_H
#define BM_HARNESS_WORKERS_H

#include <stdint.h>

#define BM_WORKERS_MAX 64u

typedef struct BmWorkers BmWorkers;

/** One job; `worker` counts from 0 and is no other job's at the same time. */
typedef void (*BmJob)(void* user, uint32_t job, uint32_t worker);

/** As many workers as this machine has processors for this process, at most BM_WORKERS_MAX. */
uint32_t bm_workers_of_machine(void);

/**
   Start `n_workers` (1 to BM_WORKERS_MAX), the caller among them; fewer if the system gives no more threads.
   Never NULL.
*/
BmWorkers* bm_workers_new(uint32_t n_workers);
void bm_workers_free(BmWorkers* workers);

uint32_t bm_workers_count(const BmWorkers* workers);

/** Do jobs 0 to n_jobs - 1, in any order, and return when all are done. Not from two threads at once. */
void bm_workers_run(BmWorkers* workers, BmJob job, void* user, uint32_t n_jobs);

#endif
