/* SPDX-License-Identifier: ISC */
/* Takes to hear presets on. Modelled ones (modelled_takes.c: those of demo-sessions/takes and four more
   instruments) and recorded ones (recorded_takes.c) are linked into programs of their own. */
#ifndef BM_TEST_PRESET_TAKES_H
#define BM_TEST_PRESET_TAKES_H

#include <stdbool.h>
#include <stdint.h>

#define PRESET_RATE_HZ 48000

/** A take at nominal level, as an engineer sets the preamp: about -18 dBFS root mean square, no peak over
   -3.5 dBFS. */
typedef struct {
   float* channel[2];
   uint32_t n_frames;
   double lowest_hz; /* lowest note of the instrument as it is tuned */
} PresetTake;

/** Make the take of a name; preset_take_free() ends it. False if there is none, or a file is missing, with a
   line on stderr. */
bool preset_take(const char* name, PresetTake* take);
void preset_take_free(PresetTake* take);

/** Whether what the takes are made of is there; it has been said how to get it. */
bool preset_takes_are_there(void);

#endif
