/* SPDX-License-Identifier: ISC */
#ifndef BM_HARNESS_SPECTRUM_H
#define BM_HARNESS_SPECTRUM_H

#include <stdbool.h>
#include <stdint.h>

/** Mean power over a passage in equal bins from 0 Hz to half the sample rate. */
typedef struct {
   uint32_t n_bins; /**< transform size / 2 + 1 */
   double bin_hz;   /**< width of a bin */
   double*
      power; /**< [n_bins] mean square of the signal in each bin; their sum is the passage's mean square */
} BmSpectrum;

void bm_spectrum_free(BmSpectrum* self);

/** Mean square of what lies in [low_hz, high_hz): whole bins, those at the edges by the share inside. */
double bm_spectrum_band_power(const BmSpectrum* self, double low_hz, double high_hz);

/**
   Smooth over bands of 1/`per_octave` octave with soft edges, for the eye: `level_db` [n_points] at
   `frequency_hz` [n_points].

   Each point is the power in its band in dBFS (a full-scale sine reads 0), so pink noise is level.
   -INFINITY where nothing is.
*/
void bm_spectrum_smooth(const BmSpectrum* self, double per_octave, const double* frequency_hz,
                        uint32_t n_points, double* level_db);

/** `frequency_hz` [n_points] evenly spaced by ratio from `low_hz` to `high_hz`, both included; n_points >= 2.
 */
void bm_log_frequencies(double low_hz, double high_hz, double* frequency_hz, uint32_t n_points);

/**
   Takes the spectrum of a stream: overlapped, windowed transforms (Welch, IEEE Trans. Audio Electroacoust.
   15, 1967), with kissfft.

   Hann windows at 75 % overlap, silence before and after: every frame of the stream gets the same weight, so
   the spectrum holds exactly the passage's energy.
*/
typedef struct BmSpectrumMeter BmSpectrumMeter;

/** Called for each transform, [n_bins] mean squares as in BmSpectrum, mean over the channels. `centre_frame`
   is the frame of the stream its window is centred on; before the first and behind the last it may lie
   outside. */
typedef void (*BmSpectrumFrame)(void* handle, const double* power, uint32_t n_bins, int64_t centre_frame);

/** New, for windows of `size_frames` (a power of two from 64), or NULL. `on_frame` may be NULL. */
BmSpectrumMeter* bm_spectrum_meter_new(uint32_t size_frames, double sample_rate_hz, uint32_t n_channels,
                                       BmSpectrumFrame on_frame, void* handle);
void bm_spectrum_meter_free(BmSpectrumMeter* self);
void bm_spectrum_meter_add(BmSpectrumMeter* self, const float* interleaved, uint32_t n_frames);

/** Close the passage. False if memory ran out. */
bool bm_spectrum_meter_finish(BmSpectrumMeter* self, BmSpectrum* spectrum);

/** The power of two nearest to `time_s` at `sample_rate_hz`. */
uint32_t bm_transform_size(double time_s, double sample_rate_hz);

#endif
