/* SPDX-License-Identifier: ISC */
#ifndef BM_HARNESS_MEASURE_H
#define BM_HARNESS_MEASURE_H

#include "error.h"
#include "host.h"
#include "progress.h"
#include "spectrum.h"
#include "text.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/** How many harmonics of the lowest note are measured, the fundamental counted as the first. */
#define BM_N_HARMONICS 4

/** The sample rates that can be measured. */
#define BM_MEASURE_MIN_RATE_HZ 8000.0
#define BM_MEASURE_MAX_RATE_HZ 384000.0

/** Time between two points of the series. */
#define BM_SERIES_STEP_S 0.1

/**
   The descriptors of one passage of audio, mono or stereo.

   A figure that has no meaning for the passage is NaN (correlation of mono or of silence, attack-to-sustain
   without an onset); a level of silence is -INFINITY. Levels in dBFS: a sine of peak 1.0 reads 0 (AES17).
   A mono passage is one channel of weight 1, as ITU-R BS.1770 reads; on two loudspeakers it is 3 LU louder.
*/
typedef struct {
   double sample_rate_hz;
   uint32_t n_channels;
   uint64_t n_frames;

   double integrated_lufs;     /**< ITU-R BS.1770-4, gated */
   double momentary_max_lufs;  /**< loudest 400 ms, looked at every 10 ms; EBU Tech 3341 */
   double short_term_max_lufs; /**< loudest 3 s, looked at every 10 ms; EBU Tech 3341 */
   double range_lu;            /**< EBU Tech 3342 */
   double true_peak_dbtp;      /**< ITU-R BS.1770-4 Annex 2, 4x at every rate, loudest channel */
   double crest_db; /**< 20 log10(peak / RMS) of each channel, mean weighted by the channel's energy */
   double attack_to_sustain_db; /**< mean over onsets of the first 10 ms against 50 to 250 ms after it */
   double n_onsets;             /**< how many onsets that mean holds */
   double highs_db;             /**< 10 log10(energy above 5 kHz / energy) */
   double lowest_note_hz;       /**< the lowest note that really sounded, found or given */
   double under_note_db; /**< 10 log10(energy more than half an octave below the lowest note / energy) */
   double harmonic_dbfs[BM_N_HARMONICS]; /**< of the lowest note, while its fundamental sounds */
   double correlation;                   /**< sum(LR) / sqrt(sum(LL) sum(RR)) */
   double mono_change_lu;                /**< loudness of (L+R)/2 on both channels minus loudness of L, R */
} BmMeasurement;

/** What there is to say about one field of BmMeasurement: the table that every print-out is made from. */
typedef struct {
   const char* key;        /**< for JSON, unit included */
   const char* label;      /**< for people */
   const char* unit;       /**< "" if it has none */
   int decimals;           /**< as many as the figure deserves */
   const char* definition; /**< one sentence, with its source */
   size_t offset;          /**< of the double in BmMeasurement */
} BmDescriptor;

/** All descriptors, in the order of print; `n_descriptors` of them. */
const BmDescriptor* bm_descriptors(uint32_t* n_descriptors);

/** The figure that `descriptor` speaks of. */
double bm_measurement_value(const BmMeasurement* self, const BmDescriptor* descriptor);

/** The share of a passage's energy that lies more than half an octave below `note_hz`, as in BmMeasurement;
   NaN without a note or for silence. */
double bm_under_note_db(const BmSpectrum* spectrum, double note_hz);

/** The passage over time: one point each BM_SERIES_STEP_S, the first at that time. */
typedef struct {
   uint32_t n_points;
   uint32_t capacity_points;
   float* momentary_lufs;  /**< the 400 ms before; NaN until they are full */
   float* short_term_lufs; /**< the 3 s before; NaN until they are full */
   float* correlation;     /**< of the step; NaN for mono and for silence */
   float* lowest_note_hz;  /**< NaN where no note sounds, or none was looked for */
} BmSeries;

/** The waveform seen from afar: extremes over equal columns, both channels together. */
#define BM_OUTLINE_MAX_COLUMNS 4096
typedef struct {
   uint32_t n_columns;
   uint64_t column_frames; /**< of each column; the last may hold fewer */
   float min[BM_OUTLINE_MAX_COLUMNS];
   float max[BM_OUTLINE_MAX_COLUMNS];
} BmOutline;

/** All that is known of one passage: what the report draws and prints. */
typedef struct {
   BmMeasurement figures;
   BmSeries series;
   BmOutline outline;
   BmSpectrum spectrum; /**< long-term mean power over the passage, mean of the channels */
} BmAnalysis;

void bm_analysis_free(BmAnalysis* self);

typedef struct {
   double sample_rate_hz;
   uint32_t n_channels;    /**< 1 or 2 */
   double lowest_note_hz;  /**< whose harmonics to measure; 0 if not known: they are then NaN */
   bool without_true_peak; /**< which is the dearest of the figures: it is then NaN */
} BmMeterOptions;

/** Measures a stream of any length; memory grows by 16 bytes each BM_SERIES_STEP_S and no more. */
typedef struct BmMeter BmMeter;

/** A new meter, or NULL if the options make no sense or there is no memory. */
BmMeter* bm_meter_new(const BmMeterOptions* options);
void bm_meter_free(BmMeter* self);

/** Hear `interleaved` [n_frames x n_channels], linear, full scale 1.0. What is not finite counts as 0. */
void bm_meter_add(BmMeter* self, const float* interleaved, uint32_t n_frames);

/** The same of `channels` [n_channels][n_frames]. */
void bm_meter_add_channels(BmMeter* self, const float* const* channels, uint32_t n_frames);

/** Close the passage and give all that was measured, to be freed with bm_analysis_free(). The meter can only
   be freed after it. False if memory ran out on the way. */
bool bm_meter_finish(BmMeter* self, BmAnalysis* analysis);

/**
   Measure the audio file `path`.

   @param host            finds the lowest note first, in a pass of its own, if `lowest_note_hz` is 0. NULL:
   no search.
   @param lowest_note_hz  whose harmonics to measure; 0 if not known.
   @param watch           its rate and, if that is 0, its total are set. NULL: nobody.
   @param analysis        to be freed with bm_analysis_free().
   @return false with the error set: the file cannot be read, is empty, is cut off, has more than two
   channels, or holds samples that are not finite.
*/
bool bm_measure_file(BmHost* host, const char* path, double lowest_note_hz, BmWatch* watch,
                     BmAnalysis* analysis, BmError* error);

/** Add the figures of `n_files` files as a JSON document; what is not finite becomes null. */
void bm_measure_add_json(BmText* text, const char* const* paths, const BmMeasurement* figures,
                         uint32_t n_files);

/** Add them as a table, a column for each file; as several below each other where one would have more than
    `max_columns` letters in a line. 0: no limit. */
void bm_measure_add_table(BmText* text, const char* const* paths, const BmMeasurement* figures,
                          uint32_t n_files, uint32_t max_columns);

#endif
