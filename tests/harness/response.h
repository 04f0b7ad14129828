/* SPDX-License-Identifier: ISC */
#ifndef BM_HARNESS_RESPONSE_H
#define BM_HARNESS_RESPONSE_H

#include "error.h"
#include "host.h"

#include <stdbool.h>
#include <stdint.h>

/** H1 to H5. */
#define BM_RESPONSE_N_HARMONICS 5

/** Harmonics of one sine that fits the transform exactly (an odd number of periods, no window). */
typedef struct {
   double frequency_hz; /**< as played: the nearest that fits */
   double level_dbfs;   /**< peak of the sine played; 1.0 is 0 */
   double output_dbfs;  /**< of the fundamental at the output */
   double
      harmonic_db[BM_RESPONSE_N_HARMONICS]; /**< against the fundamental; [0] is 0; NaN above half the rate */
   double thd_percent;                      /**< sqrt(sum U_n^2) / U_1, harmonics 2 to 5 (THD_F) */
} BmHarmonics;

/** The same magnitude by two ways: from the impulse, and from a sine that was played. */
typedef struct {
   double frequency_hz;
   double impulse_db;
   double sine_db;
} BmSineCheck;

/** What a processor does to a signal. */
typedef struct {
   double sample_rate_hz;
   uint32_t n_points;
   double* frequency_hz;    /**< [n_points] evenly spaced by ratio */
   double* magnitude_db;    /**< [n_points] from an impulse */
   double* phase_rad;       /**< [n_points] unwrapped, the reported latency taken off */
   uint32_t latency_frames; /**< as the plugin reports it */
   uint32_t peak_frames;    /**< when the impulse response is at its highest */
   uint32_t n_sines;
   BmSineCheck* sines; /**< [n_sines] three an octave */
   uint32_t n_harmonics;
   BmHarmonics* harmonics; /**< [n_harmonics] */
} BmResponse;

void bm_response_free(BmResponse* self);

/** Run the processor for [n_frames]. */
typedef void (*BmResponseRun)(void* handle, const float* in, float* out, uint32_t n_frames);
/** Put the processor back as it was when it was made. */
typedef void (*BmResponseReset)(void* handle);

typedef struct {
   double sample_rate_hz;
   uint32_t n_points;       /**< 0: 241; from 20 Hz to 20 kHz, or to 0.45 of the rate if that is lower */
   double impulse_dbfs;     /**< 0 is full scale; small, so that what bends stays straight */
   double length_s;         /**< of the impulse response; 0: 1 s */
   double sine_dbfs;        /**< of the cross-check */
   bool with_sines;         /**< play the cross-check's sines, three an octave */
   bool with_harmonics;     /**< play 100 Hz and 1 kHz from -30 to 0 dBFS */
   uint32_t latency_frames; /**< reported by the processor */
} BmResponseOptions;

/** Small impulse, no sines: the curve alone. */
BmResponseOptions bm_response_curve_options(double sample_rate_hz);

/** Measure a processor through its callbacks. */
void bm_response_measure(const BmResponseOptions* options, BmResponseRun run, BmResponseReset reset,
                         void* handle, BmResponse* response);

/** What is played into a stereo plugin. Mono ones have but one input. */
typedef enum {
   BM_INPUT_BOTH, /**< the same left and right: the mid */
   BM_INPUT_LEFT,
   BM_INPUT_SIDE, /**< right is left turned over */
} BmResponseInput;

/**
   Measure an installed plugin, hosted as any host would, first input to first output.

   @param values   [n_ports] of its controls; NULL: the defaults.
   @param options  its latency_frames is asked of the plugin.
   @return false with the error set.
*/
bool bm_response_of_plugin(BmHost* host, const BmPlugin* plugin, const float* values, BmResponseInput input,
                           const BmResponseOptions* options, BmResponse* response, BmError* error);

#endif
