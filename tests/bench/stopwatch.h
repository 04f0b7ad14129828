/* SPDX-License-Identifier: ISC */
/* How long audio takes to process, on a machine that does other things too. */
#ifndef BM_BENCH_STOPWATCH_H
#define BM_BENCH_STOPWATCH_H

#include <stdbool.h>
#include <stdint.h>

/** Two clocks in nanoseconds; a test brings its own. */
typedef struct {
   double (*cpu_ns)(void* user);  /**< what this thread has had of its core: for laps */
   double (*wall_ns)(void* user); /**< quick to read: for single blocks */
   void* user;
} BmStopwatch;

/** The machine's. */
BmStopwatch bm_stopwatch(void);

/** Something that is measured: it runs blocks of a passage it plays to itself, round and round. */
typedef struct BmSubject BmSubject;
struct BmSubject {
   void (*run)(BmSubject* self, uint32_t n_frames);
   void (*restart)(BmSubject* self); /**< to the passage's start, in the state that is to be measured */
   void (*free)(BmSubject* self);
   bool leaves_denormals; /**< does not switch flushing on by itself, so the stopwatch does */
};

/** NULL is allowed. */
void bm_subject_free(BmSubject* subject);

#define BM_MAX_ROUNDS 31

/** One subject at one block size, and what came of it. Races may share a subject. */
typedef struct {
   BmSubject* subject;
   uint32_t block_frames;
   uint32_t lap_frames;
   double laps_ns[BM_MAX_ROUNDS]; /**< per frame */
   double ns_per_frame;           /**< median of the laps */
} BmRace;

/**
   Run all in turn, `n_rounds` times, and take each one's median.

   Taking turns, each round from another start, spreads whatever else the machine does evenly over all, so
   that ratios hold although the nanoseconds drift. Each lap begins with an untimed run-up of a quarter.
*/
void bm_race(BmStopwatch watch, BmRace* races, uint32_t n_races, uint32_t n_rounds);

/** Median over the rounds of a's lap over b's in the same round. */
double bm_race_ratio(const BmRace* a, const BmRace* b, uint32_t n_rounds);

/**
   The dearest block of a passage over the median block.

   The passage is played `n_laps` times from a restart and each block counts as its quickest lap, so what
   remains is the subject's own doing: work that comes in lumps.
*/
double bm_worst_block(BmStopwatch watch, BmSubject* subject, uint32_t block_frames, uint32_t n_blocks,
                      uint32_t n_laps);

/** Median of `values` [n], n >= 1; reorders them. */
double bm_median(double* values, uint32_t n);

#endif
