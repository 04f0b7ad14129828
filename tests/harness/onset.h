/* SPDX-License-Identifier: ISC */
#ifndef BM_HARNESS_ONSET_H
#define BM_HARNESS_ONSET_H

#include <stdbool.h>
#include <stdint.h>

/**
   Finds the onsets in a stream and weighs each: the first 10 ms against 50 to 250 ms after it.

   Detection: spectral flux with half-wave rectification and a moving median as threshold (Bello, Daudet,
   Abdallah, Duxbury, Davies and Sandler, "A Tutorial on Onset Detection in Music Signals", IEEE Trans. Speech
   and Audio Processing 13(5), 2005, sections III-B and IV), taken on the levels of third-octave bands, so
   that it does not depend on how loud the take is. The instant is then settled to 0.25 ms: where the 5 ms
   after stand highest over the 5 ms before. A band under -90 dBFS, or 60 dB under the loudest band so far,
   has no say.
*/
typedef struct BmOnsetMeter BmOnsetMeter;

/** The onset at `time_s`; its two mean squares, mean over the channels. */
typedef struct {
   double time_s;
   double attack_power;
   double sustain_power;
} BmOnset;

/** Called for each onset, in order, up to about half a second late. */
typedef void (*BmOnsetFound)(void* handle, const BmOnset* onset);

BmOnsetMeter* bm_onset_meter_new(double sample_rate_hz, uint32_t n_channels, BmOnsetFound on_onset,
                                 void* handle);
void bm_onset_meter_free(BmOnsetMeter* self);
void bm_onset_meter_add(BmOnsetMeter* self, const float* interleaved, uint32_t n_frames);

/** Close the passage. An onset in its last 250 ms is not told: it has no sustain to weigh. */
void bm_onset_meter_finish(BmOnsetMeter* self);

#endif
