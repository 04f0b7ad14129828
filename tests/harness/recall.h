/* SPDX-License-Identifier: ISC */
/* Whether a session sounds as it did: two fingerprints against each other. */
#ifndef BM_HARNESS_RECALL_H
#define BM_HARNESS_RECALL_H

#include "fingerprint.h"
#include "text.h"

/**
   How much may differ before it counts as another sound: what another compiler, C library or processor may
   round otherwise in the last bits, and what processors that decide (a tracked note, a gate) make of it.

   The level of the difference is held below the rounding noise of 16 bits under a sound of full level (6.02 *
   16 = 96 dB), with room for the error of the estimate; the figures to what is shown of them.
*/
#define BM_RECALL_DIFFERENCE_DB (-90.0)
#define BM_RECALL_LOUDNESS_LU 0.02
#define BM_RECALL_PEAK_DB 0.02
#define BM_RECALL_OCTAVE_DB 0.02
/** Octaves are compared where they stand above this, in dB under the signal's own level. */
#define BM_RECALL_OCTAVE_FLOOR_DB (-80.0)

typedef enum {
   BM_RECALL_IDENTICAL, /**< every sample of every signal, to the bit */
   BM_RECALL_WITHIN,    /**< within the tolerances above */
   BM_RECALL_DIFFERENT,
} BmRecallVerdict;

/** Compare what was recorded with what is. Where one of them has no figures, bits and sketches decide. */
BmRecallVerdict bm_recall_compare(const BmFingerprint* recorded, const BmFingerprint* now);

/** Say the verdict in words: where the sound differs first, and by how much everywhere. */
void bm_recall_add_words(BmText* text, const BmSession* session, const BmFingerprint* recorded,
                         const BmFingerprint* now);

#endif
