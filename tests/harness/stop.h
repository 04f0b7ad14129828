/* SPDX-License-Identifier: ISC */
/* Ctrl-C, for commands that take long. */
#ifndef BM_HARNESS_STOP_H
#define BM_HARNESS_STOP_H

#include <signal.h>

/** From now on the first signal to end is noted, and a second one ends at once. */
void bm_catch_signals(void);

/** True once a signal has come. */
const volatile sig_atomic_t* bm_stop(void);

#endif
