/* SPDX-License-Identifier: ISC */
/*
   Two settings that a plugin remembers beside the one its host has: for `compare`.

   A setting is every control input but those that stay the host's own: bypass, output gain, match, quality,
   triggers and the controls of the comparison.
*/
#ifndef BM_PLUGINS_REMEMBERED_H
#define BM_PLUGINS_REMEMBERED_H

#include "ports.h"

#include <stdbool.h>

#define BM_N_REMEMBERED 2

typedef struct {
   const BmPorts* ports;
   float* settings[BM_N_REMEMBERED]; /* [n_controls] */
   bool is_set[BM_N_REMEMBERED];
   bool was_on[BM_N_REMEMBERED]; /* the switch that remembers; on from the start, it does nothing */
} BmRemembered;

/** Set up. False: no memory. Nothing is remembered, and nothing is allocated for a plugin without `compare`.
 */
bool bm_remembered_init(BmRemembered* self, const BmPorts* ports);
void bm_remembered_free(BmRemembered* self);

/** Look at the switches; remember `controls` for each that has been switched on: bit 0 A, bit 1 B. */
unsigned bm_remembered_look(BmRemembered* self, const float* controls);

/** What is to sound: `controls` with the setting that `compare` chooses in its place. One not yet remembered
   is what the host has. */
void bm_remembered_choose(const BmRemembered* self, const float* controls, float* settings);

/** A setting, [n_controls], as text, "symbol value symbol value"; the caller frees it. NULL: no memory. */
char* bm_remembered_text(const BmPorts* ports, const double* settings);

/**
   Read such a text. A control that it does not name has its default, so that a plugin may gain controls.

   @param settings   [n_controls], written.
   @param complaint  [complaint_bytes], says what is wrong when this is false.
*/
bool bm_remembered_read(const BmPorts* ports, const char* text, float* settings, char* complaint,
                        size_t complaint_bytes);

#endif
