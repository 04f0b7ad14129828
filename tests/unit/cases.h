/* SPDX-License-Identifier: ISC */
/* Counts what a test tried, for the table that tests/run closes with (tests/table tells the line). */
#ifndef BM_CASES_H
#define BM_CASES_H

#include <inttypes.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <unistd.h>

/**
   Add `n` cases to a cell of the table.

   @param row       a plugin's URI (its forms share a row), or a word for what is no plugin, as "bench".
   @param property  the column: a few short words.
*/
static inline void cases_add(const char* row, const char* property, uint64_t n)
{
   static FILE* file;
   const char* folder = getenv("BM_CASES");
   if (!file && folder) {
      char path[4096];
      snprintf(path, sizeof path, "%s/%ld.txt", folder, (long)getpid());
      file = fopen(path, "a");
   }
   if (file) {
      fprintf(file, "%s\t%s\t%" PRIu64 "\n", row, property, n);
      fflush(file);
   }
}

#endif
