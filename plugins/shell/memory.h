/* SPDX-License-Identifier: ISC */
#ifndef BM_PLUGINS_MEMORY_H
#define BM_PLUGINS_MEMORY_H

#include <stddef.h>
#include <stdlib.h>
#include <string.h>

/** Allocate zeroed memory whose start suits any vector; give it back with free(). NULL: there is none. */
static inline void* bm_allocate(size_t bytes)
{
   const size_t alignment = 64;
   const size_t rounded = bytes ? (bytes + alignment - 1) / alignment * alignment : alignment;
   void* memory = aligned_alloc(alignment, rounded);
   if (memory) {
      memset(memory, 0, rounded);
   }
   return memory;
}

#endif
