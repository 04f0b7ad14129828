/* SPDX-License-Identifier: ISC */
/* The two units in which costs travel from machine to machine. */
#ifndef BM_BENCH_YARDSTICK_H
#define BM_BENCH_YARDSTICK_H

#include "stopwatch.h"

/** U: one second-order section in double precision, mono, transposed direct form II, plain C. */
BmSubject* bm_yardstick_section_new(void);

/** A gain on float, stereo, plain C. */
BmSubject* bm_yardstick_gain_new(void);

#endif
