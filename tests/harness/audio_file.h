/* SPDX-License-Identifier: ISC */
/* Audio files in and out, as streams: takes of any kind that libsndfile reads, stems as WAV. */
#ifndef BM_HARNESS_AUDIO_FILE_H
#define BM_HARNESS_AUDIO_FILE_H

#include "error.h"
#include "output.h"

#include <stdbool.h>
#include <stdint.h>

/** The session works in mono and stereo. */
#define BM_MAX_CHANNELS 2u

typedef struct {
   double rate_hz;
   uint32_t n_channels;
   uint64_t n_frames;
} BmAudioInfo;

/** Look at a file's header. False with the error set: unreadable, empty, or its audio is cut off. */
bool bm_audio_probe(const char* path, BmAudioInfo* info, BmError* error);

/** How many frames `n_frames` at `from_hz` are at `to_hz`. */
uint64_t bm_frames_at_rate(uint64_t n_frames, double from_hz, double to_hz);

typedef struct {
   double rate_hz; /**< to bring it to; by libsamplerate's best sinc converter where the file's differs */
   const uint32_t*
      channels;         /**< [n_channels] which of the file's to read, counted from 1; NULL: all, in order */
   uint32_t n_channels; /**< 0 with NULL */
} BmTakeOptions;

typedef struct BmTake BmTake;

/** Open a take. @return NULL with the error set. */
BmTake* bm_take_open(const char* path, const BmTakeOptions* options, BmError* error);
void bm_take_close(BmTake* take);

/**
   Read the next `n_frames` into `channels` [n_channels][n_frames]; past the end it is silence.

   @return false with the error set: the file ends before its header says, or holds a sample that is not
   finite.
*/
bool bm_take_read(BmTake* take, float* const* channels, uint32_t n_frames, BmError* error);

typedef enum { BM_PCM24, BM_FLOAT32, BM_PCM16 } BmSampleFormat;

typedef struct BmStemWriter BmStemWriter;

/**
   Begin a WAV file; RF64 if `max_frames` could be more than a WAV can hold.

   16-bit samples are dithered: triangular, 2 steps wide, from a fixed seed, so that a render repeats to the
   byte. What is above full scale is clipped and counted, except in floating point.
   @return NULL with the error set.
*/
BmStemWriter* bm_stem_open(const char* path, BmSampleFormat format, double rate_hz, uint32_t n_channels,
                           uint64_t max_frames, BmError* error);

/** Add frames. False with the error set (a full disk). */
bool bm_stem_write(BmStemWriter* stem, const float* const* channels, uint32_t n_frames, BmError* error);

/** Complete the file under its temporary name, on disk and read back. False with the error set. */
bool bm_stem_finish(BmStemWriter* stem, BmError* error);

/** Give the finished file its name. False with the error set. */
bool bm_stem_publish(BmStemWriter* stem, BmError* error);

/** How many samples were clipped. */
uint64_t bm_stem_n_clipped(const BmStemWriter* stem);

/** Close; a file that was not published is removed. NULL is allowed. */
void bm_stem_close(BmStemWriter* stem);

#endif
