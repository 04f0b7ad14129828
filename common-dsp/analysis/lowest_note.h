/* SPDX-License-Identifier: ISC */
#ifndef BM_ANALYSIS_LOWEST_NOTE_H
#define BM_ANALYSIS_LOWEST_NOTE_H

#include "base/fft.h"
#include "base/frame.h"
#include "base/glide.h"
#include "base/status.h"

#include <stdbool.h>
#include <stdint.h>

#define BM_LOWEST_NOTE_FFT 2048
#define BM_LOWEST_NOTE_LOW_PASS_MAX 1360 /* taps, at BM_RATE_MAX_HZ */
#define BM_LOWEST_NOTE_HEARD_FRAMES (BM_LOWEST_NOTE_LOW_PASS_MAX + 512)
#define BM_LOWEST_NOTE_BINS 800      /* the band that is looked at, with room for a lobe over its edge */
#define BM_LOWEST_NOTE_MARGIN 8      /* at either end of what is read by eights at any place */
#define BM_LOWEST_NOTE_PEAKS 192     /* the most partials kept of one spectrum */
#define BM_LOWEST_NOTE_PEAK_RUN 32   /* bins that the index of peaks is written by */
#define BM_LOWEST_NOTE_SPECTRA 3     /* the newest and the two before it */
#define BM_LOWEST_NOTE_MAINS_LINES 6 /* harmonics of 50 and of 60 Hz that are watched */
#define BM_LOWEST_NOTE_MAINS_MEMORY 16

/** No candidate lies above this, whatever the range asked for: its second partial must be in the band. */
#define BM_LOWEST_NOTE_HIGHEST_HZ 1300.0

typedef enum {
   BM_LOWEST_NOTE_HOLD,  /**< learn, and keep the lowest note that really sounded */
   BM_LOWEST_NOTE_FOLLOW /**< the lowest note sounding now */
} BmLowestNoteMode;

typedef struct {
   double lowest_hz;  /* range of the search, lowest_hz < highest_hz; see bm_tuning_search_low_hz() */
   double highest_hz; /* taken as BM_LOWEST_NOTE_HIGHEST_HZ if higher */
   BmLowestNoteMode mode;
} BmLowestNoteParams;

typedef struct {
   double hz;
   double level_db;
   double prominence_db; /* over the higher of the valleys beside it; negative: to be dropped */
} BmLowestNotePeak;

/** One analysis on its way through the stages; a piece of it is done in every slice. */
typedef struct {
   int stage;
   uint32_t n_hops;        /* since the analysis before */
   uint32_t n_hops_before; /* of that one */
   uint32_t spent_units;
   uint32_t slice;    /* of the hop, counted from 1 */
   uint32_t newest;   /* index in the ring after the window's last sample */
   uint32_t position; /* within the stage */
   BmFftProgress transform;
   uint32_t n_kept;         /* peaks that are no side lobe and no hum */
   uint32_t first_bin_left; /* of those that are not indexed yet */
   uint32_t head[3];        /* next peak to be tried as partial 1, 2, 3 of a candidate */
   uint32_t n_scored;
   uint32_t candidates_units; /* spent on those, and on those passed over */
   uint32_t first_bin;
   uint32_t loudest_bin;
   double best_hz; /* lowest candidate accepted, 0 while there is none */
   double best_score;
   bool best_decays;
   bool is_promising; /* unless it turns out to be noise */
} BmLowestNoteJob;

/**
   Finds the lowest fundamental that sounds in a take of one or several strings, voices or strokes at a time.

   The input, both lanes by themselves so that a pair in opposite polarity does not cancel, is low-passed and
   decimated to 4 to 6 kHz. Every 16 ms a Hann window of 256 ms is transformed and
   its spectral peaks are taken. From the lowest upwards each peak, and each place in the shoulder of one
   where half or a third of another peak falls, is tried as a fundamental: its partials are sought along the
   harmonic series (harmonic-sum salience, Klapuri, ISMIR 2006; the search for partials that stretch as
   Fletcher, JASA 36, 1964, says), and seven observations are summed to log odds. The first with odds over
   even is the lowest. The odds' weights are a logistic regression on mixes of recorded notes. What tells a
   string from the rest:

    - it has energy at the fundamental, so that a third over a bass is no lower note;
    - it has partials 2 and 3 and an unbroken run of them, and 5 and 7, that no octave or fifth over it has;
    - it does not decay as fast as a body resonance (some 75 dB a second) or a thump;
    - it does not stand still on a harmonic of 50 or 60 Hz: what stands there without a swing is mains hum,
   whose level is remembered under the notes.

   A new note must be found in three analyses in a row; one that has been sounding for 0.4 s is kept through
   beats and through the fading of its fundamental, and while nothing else is found only every other hop is
   analysed.

   Work is bounded and spread: one piece every 32 frames (fewer at low rates, so that a hop has 16 pieces at
   least), counted in work units of about eight butterflies each (5 ns on one machine), at most
   BM_LOWEST_NOTE_SLICE_UNITS_MOST of them, whatever the input and the block size. An analysis is done within
   the 16 ms after its window. No audio output, no delay. A note is decided 100 to 300 ms after its onset.
*/
typedef struct {
   struct {
      double sample_rate_hz;
      BmLowestNoteParams params;
   } cfg;

   struct {
      uint32_t decimation;
      double decimated_hz;
      double bin_hz;
      double bins_per_hz;
      double window_bin_hz; /* of a transform as long as the window */
      uint32_t window_samples;
      uint32_t load_samples; /* up to there the transform has input */
      uint32_t tick_samples; /* decimated ones */
      uint32_t tick_frames;
      uint32_t hop_ticks;
      uint32_t slice_frames;
      uint32_t hop_slices;
      uint32_t last_bin;
      uint32_t lobe_bins; /* half the width in which a peak must stand out */
      uint32_t n_low_pass;
      /* Aligned, so that no eight of them lie across two cache lines. Each tap twice, for left and right. */
      float low_pass[2 * BM_LOWEST_NOTE_LOW_PASS_MAX] __attribute__((aligned(64)));
      float window[BM_LOWEST_NOTE_FFT]; /* 0 after its end */
      float fft_table[BM_FFT_TABLE_FLOATS(BM_LOWEST_NOTE_FFT)];
      uint16_t place[2][BM_LOWEST_NOTE_BINS]; /* where the transform leaves a bin and its mirror */
   } coef;

   struct {
      /* Left and right in turn, up to heard_end; aligned like the taps. */
      float heard[2 * BM_LOWEST_NOTE_HEARD_FRAMES] __attribute__((aligned(64)));
      float ring[2][2 * BM_LOWEST_NOTE_FFT]; /* everything twice, so that a window is in one piece */
      float re[BM_LOWEST_NOTE_FFT];
      float im[BM_LOWEST_NOTE_FFT];
      uint32_t heard_end;
      uint32_t until_tick_frames;
      uint32_t until_slice_frames;
      uint32_t since_start_ticks; /* of the newest analysis */
      uint32_t write_index;

      BmLowestNoteJob job;
      float level_db[BM_LOWEST_NOTE_SPECTRA][BM_LOWEST_NOTE_BINS + 2 * BM_LOWEST_NOTE_MARGIN];
      uint32_t newest_spectrum;
      uint32_t n_spectra; /* analysed since reset */
      double loudest_db;
      double loudest_change_db;
      double programme_db; /* falls slowly from the loudest peak of late */
      uint32_t n_peaks;
      BmLowestNotePeak peaks[BM_LOWEST_NOTE_PEAKS];
      /* The same as scanned, after BM_LOWEST_NOTE_MARGIN that are far from all. */
      float scanned_hz[BM_LOWEST_NOTE_PEAKS + 3 * BM_LOWEST_NOTE_MARGIN];
      float scanned_db[BM_LOWEST_NOTE_PEAKS + 3 * BM_LOWEST_NOTE_MARGIN];
      double peak_hz[BM_LOWEST_NOTE_PEAKS + 2];
      uint8_t first_peak[BM_LOWEST_NOTE_BINS + BM_LOWEST_NOTE_PEAK_RUN]; /* from a bin on; n_peaks if none */

      float mains_level_db[2][BM_LOWEST_NOTE_MAINS_LINES][BM_LOWEST_NOTE_MAINS_MEMORY];
      double mains_hum_db[2][BM_LOWEST_NOTE_MAINS_LINES];

      double sounding_hz; /* 0 before the first note */
      double confidence;
      double pending_hz;
      uint32_t pending_n;
      uint32_t age;  /* analyses that have confirmed sounding_hz */
      bool is_still; /* the last one did, as so many before that half as many will do */
      BmGlide glide; /* of log2 of sounding_hz */
      double glide_hz;

      double run_log2_hz; /* a note being learned: mean, length, and analyses since it was last found */
      uint32_t run_n;
      uint32_t run_gap;

      uint32_t last_units; /* what the analysis before cost */
      uint32_t most_slice_units;
      uint64_t spent_units; /* since reset */
      uint32_t n_overruns;
   } mem;

   /* Survives reset: it belongs to the take, not to the stream. */
   struct {
      double log2_hz;
      uint32_t n_analyses; /* that agree on it, up to a limit; 0: nothing learned */
   } learned;
} BmLowestNote;

/** The most work units that one slice spends; and what an analysis of any input needs fits between two hops.
 */
#define BM_LOWEST_NOTE_SLICE_UNITS_MOST 700

/** Settle the tables for a rate; searches 28 to 1300 Hz, following, until set. BM_OK or BM_BAD_RATE. */
BmStatus bm_lowest_note_init(BmLowestNote* self, double sample_rate_hz);

/** Change range or mode. A note out of the new range is forgotten; a learned one is kept. Real-time: yes. */
void bm_lowest_note_set(BmLowestNote* self, const BmLowestNoteParams* params);

/** Listen to [n_frames]; 0 is allowed. Real-time: yes. */
void bm_lowest_note_process(BmLowestNote* self, const BmFrame* in, uint32_t n_frames);

/** Forget what was heard. Parameters and the learned note stay. */
void bm_lowest_note_reset(BmLowestNote* self);

/**
   The note to steer by, in Hz: following, it glides from note to note (in cents; nine tenths of the way
   within 80 ms); holding, it is the learned one. 0 while there is none.
*/
double bm_lowest_note_hz(const BmLowestNote* self);

/** The lowest note as last decided, without glide, in either mode; held through silence. 0 before the first.
 */
double bm_lowest_note_sounding_hz(const BmLowestNote* self);

/** How sure that is, 0 to 1. Falls in silence and in noise, to a half within 0.5 s. */
double bm_lowest_note_confidence(const BmLowestNote* self);

/** The lowest note that really sounded, 0.4 s at a stretch, while in BM_LOWEST_NOTE_HOLD; 0 before the first.
 */
double bm_lowest_note_learned_hz(const BmLowestNote* self);

/** Restore a learned note from saved state; 0 (or anything that is no frequency of a note) begins to learn
 * anew. */
void bm_lowest_note_set_learned_hz(BmLowestNote* self, double hz);

#endif
