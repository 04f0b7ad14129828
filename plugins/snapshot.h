/* SPDX-License-Identifier: ISC */
/*
   Numbers that run() changes and another thread reads: a host may save a plugin's state while it runs it (LV2
   state, save()), and what is saved must be of a single moment.

   One writer, which never waits; a reader tries again while it writes.
*/
#ifndef BM_PLUGINS_SNAPSHOT_H
#define BM_PLUGINS_SNAPSHOT_H

#include <sched.h>
#include <stdatomic.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdlib.h>

typedef struct {
   _Atomic double* values; /* [n] */
   uint32_t n;
   atomic_uint version; /* odd while the values are written */
} BmSnapshot;

/** Set up, all values 0. False: no memory. */
static inline bool bm_snapshot_init(BmSnapshot* self, uint32_t n)
{
   self->values = calloc(n ? n : 1, sizeof *self->values);
   self->n = n;
   return self->values;
}

static inline void bm_snapshot_free(BmSnapshot* self)
{
   free((void*)self->values);
}

/** Between begin and end, values may be put. Real-time: yes. */
static inline void bm_snapshot_begin(BmSnapshot* self)
{
   atomic_store_explicit(&self->version, self->version + 1, memory_order_relaxed);
}

static inline void bm_snapshot_put(BmSnapshot* self, uint32_t index, double value)
{
   /* Who sees this value sees that the version is odd. */
   atomic_store_explicit(&self->values[index], value, memory_order_release);
}

static inline void bm_snapshot_end(BmSnapshot* self)
{
   atomic_store_explicit(&self->version, self->version + 1, memory_order_release);
}

/** The value put last, for the writer. */
static inline double bm_snapshot_last(const BmSnapshot* self, uint32_t index)
{
   return atomic_load_explicit(&self->values[index], memory_order_relaxed);
}

/** Read all values, [n], of one moment. From any thread. */
static inline void bm_snapshot_read(BmSnapshot* self, double* values)
{
   for (;;) {
      const unsigned version = atomic_load_explicit(&self->version, memory_order_acquire);
      for (uint32_t i = 0; i < self->n; ++i) {
         values[i] = atomic_load_explicit(&self->values[i], memory_order_acquire);
      }
      if (version % 2 == 0 && version == atomic_load_explicit(&self->version, memory_order_relaxed)) {
         return;
      }
      sched_yield();
   }
}

#endif
