/* SPDX-License-Identifier: ISC */
#ifndef BM_TAKES_TAKE_FILE_H
#define BM_TAKES_TAKE_FILE_H

#include <stdbool.h>
#include <stdint.h>

#define BM_TAKE_MESSAGE_MAX 512

/** A finished take: one or two channels of n_frames at full scale 1. */
typedef struct {
   double sample_rate_hz;
   uint32_t n_channels;
   uint32_t n_frames;
   double* channels[2];
} BmTakeAudio;

typedef struct {
   double rms_db;  /* louder channel, dBFS: 0 is a square wave at full scale */
   double peak_db; /* highest sample of any channel, dBFS */
} BmTakeLevel;

/**
   Set the preamp as an engineer would for the whole take: about -18 dBFS RMS in the louder channel, no peak
   over -3.5 dBFS, one gain for both channels. Then let the room be heard, far below, from `seed`.
*/
void bm_take_set_level(BmTakeAudio* take, uint64_t seed);

BmTakeLevel bm_take_level(const BmTakeAudio* take);

/** Write 24-bit WAV under a temporary name and rename it when it is whole. False, and one line in `message`,
   if that fails; whatever bore the name before is then still there. */
bool bm_take_write(const BmTakeAudio* take, const char* path, char message[BM_TAKE_MESSAGE_MAX]);

/** Remove the file being written, if any. For a signal's handler. */
void bm_take_abandon(void);

#endif
