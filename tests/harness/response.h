/* SPDX-License-Identifier: ISC */
#ifndef BM_HARNESS_RESPONSE_H
#define BM_HARNESS_RESPONSE_H

#include <stdbool.h>
#include <stdint.h>

/** H1 to H5. */
#define BM_RESPONSE_N_HARMONICS 5

/** Harmonics of one sine that fits the transform exactly. */
typedef struct {
   double frequency_hz; /**< as played: the nearest that fits */
   double level_dbfs;   /**< peak of the sine played, 1.0 = 0 */
   double output_dbfs;  /**< of the fundamental at the output */
   double
      harmonic_db[BM_RESPONSE_N_HARMONICS]; /**< below the fundamental; [0] is 0; NaN above half the rate */
   double thd_percent;                      /**< sqrt(sum U_n^2) / U_1, harmonics 2 to 5 (THD_F) */
} BmHarmonics;

/** What a processor does to a signal: left input to left output. */
typedef struct {
   double sample_rate_hz;
   uint32_t n_points;
   double* frequency_hz;    /**< [n_points], evenly spaced by ratio */
   double* magnitude_db;    /**< [n_points] from a small impulse */
   double* phase_rad;       /**< [n_points] unwrapped, the reported latency taken off */
   double* sine_db;         /**< [n_points] NaN where no sine was played: the cross-check */
   uint32_t latency_frames; /**< as the plugin reports it */
   double peak_frames;      /**< when the impulse response is at its highest, measured */
   uint32_t n_harmonics;
   BmHarmonics* harmonics;
} BmResponse;

void bm_response_free(BmResponse* self);

/** Runs the processor for [n_frames]; mono processors have one buffer, stereo two, equal. */
typedef void (*BmResponseRun)(void* handle, const float* in, float* out, uint32_t n_frames);
/** Puts the processor back as it was when it was made. */
typedef void (*BmResponseReset)(void* handle);

typedef struct {
   double sample_rate_hz;
   uint32_t n_points;       /**< 0: 481, which is 48 an octave-decade apart: 20 Hz to 20 kHz */
   double impulse_dbfs;     /**< 0 is full scale; small, so that what bends stays straight. Default -20 */
   double length_s;         /**< of the impulse response. 0: 2 s */
   uint32_t latency_frames; /**< reported by the processor */
   bool with_harmonics;     /**< play the sines as well */
} BmResponseOptions;

/** Measure any processor through its callbacks. False if memory ran out. */
bool bm_response_measure(const BmResponseOptions* options, BmResponseRun run, BmResponseReset reset,
                         void* handle, BmResponse* response);

#endif
