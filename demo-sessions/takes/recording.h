/* SPDX-License-Identifier: ISC */
#ifndef BM_TAKES_RECORDING_H
#define BM_TAKES_RECORDING_H

#include "body.h"
#include "performance.h"

#include <stdbool.h>
#include <stdint.h>

/** What the microphones heard: a buffer each, before any gain. */
typedef struct {
   uint32_t n_microphones;
   uint32_t n_frames;
   double* channels[BM_MICROPHONES_MAX];
} BmRecording;

/**
   Let the strings of an instrument move a body in common and record it.

   Strings meet at the bridge as wave impedances in parallel with the body's mobility (Smith, Physical Audio
   Signal Processing, "loaded junctions"), so an open string answers its neighbours, a note near a body
   resonance dies faster, and the two polarisations, which move the bridge unequally, decay in two stages
   (Weinreich, JASA 62, 1977). False if memory runs out; free with bm_recording_free().
*/
bool bm_recording_make(BmRecording* self, const BmInstrument* instrument, const BmPerformance* performance,
                       const BmMicrophone* const* microphones, uint32_t n_microphones, double sample_rate_hz,
                       uint64_t seed);
void bm_recording_free(BmRecording* self);

#endif
