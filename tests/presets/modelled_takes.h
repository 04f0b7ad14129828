/* SPDX-License-Identifier: ISC */
/* Takes to hear presets on: the models of demo-sessions/takes, four more instruments, and a recorded phrase.
 */
#ifndef BM_TEST_MODELLED_TAKES_H
#define BM_TEST_MODELLED_TAKES_H

#include <stdbool.h>
#include <stdint.h>

#define MODELLED_RATE_HZ 44100

/** Two microphones on one instrument, at nominal level: as an engineer sets the preamp, about -18 dBFS root
   mean square and no peak over -3.5 dBFS (bm_take_set_level()). */
typedef struct {
   float* channel[2];
   uint32_t n_frames;
} ModelledTake;

/**
   Make a take of some seconds.

   @param name  "strummed", "picked", "phrase" (recorded), "nylon", "twelve-string", "baritone", "ukulele",
                "mandolin", "banjo", "resonator", "double-bass", "violin" or "cello".

   False if there is none of that name, or a file is missing, with a line on stderr.
*/
bool modelled_take(const char* name, double duration_s, ModelledTake* take);
void modelled_take_free(ModelledTake* take);

#endif
