/* SPDX-License-Identifier: ISC */
#ifndef BM_TEST_PROMISES_H
#define BM_TEST_PROMISES_H

#include "figures.h"

/** A preset, the take that has what its sentence speaks of, and what that sentence says. */
typedef struct {
   const char* plugin;
   const char* preset;
   const char* take;
   Promise promises[MAX_PROMISES + 1];
} Case;

/** Every preset of the plugins that this program is for, a plugin's together. */
extern const Case preset_cases[];
extern const uint32_t n_preset_cases;

#endif
