/* SPDX-License-Identifier: ISC */
/*
   Stands in front of the C library's allocator, locks, streams, clocks and whatever else may wait, for every
   library in the process, and counts the calls while it watches. (A program that uses it exports its
   symbols.)
*/
#ifndef BM_TRAP_H
#define BM_TRAP_H

#include <stdbool.h>

void trap_start(void);
void trap_stop(void);

/** Count a call, if the trap watches. */
void trap_hit(const char* what);

/** Calls since trap_clear(). */
long trap_n_hits(void);

/** Name of the first of them; NULL: none. */
const char* trap_first_hit(void);

void trap_clear(void);

#endif
