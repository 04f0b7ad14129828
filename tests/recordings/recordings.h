/* SPDX-License-Identifier: ISC */
/* Real recordings for the tests: single guitar notes (brought by tests/recordings/fetch) and the guitar
   phrases of Debian's sonic-pi-samples. */
#ifndef BM_RECORDINGS_H
#define BM_RECORDINGS_H

#include <stdbool.h>
#include <stdint.h>

/** The recorded notes are every semitone from D2 to D5, by MIDI key number. */
#define BM_RECORDINGS_LOWEST_KEY 38
#define BM_RECORDINGS_HIGHEST_KEY 74

typedef struct {
   double* samples; /* [n_frames * n_channels], interleaved, full scale 1.0 */
   uint32_t n_frames;
   uint32_t n_channels;
   double rate_hz;
} BmRecording;

/**
   Say whether the notes are there, in the folder that the environment variable BM_RECORDINGS names, else
   where tests/recordings/fetch puts them by itself.
*/
bool bm_recordings_are_there(void);

/**
   Load a note, mono.

   @param key         MIDI key number, BM_RECORDINGS_LOWEST_KEY to BM_RECORDINGS_HIGHEST_KEY.
   @param rate_hz     the rate wanted, by libsamplerate's best sinc; 0 takes the file's own (44100 Hz).
   @param duration_s  how much of the recording; 0 takes all.

   Exits the program with a message when the file cannot be read: a test has nothing to say then.
*/
BmRecording bm_recording_note(int key, double rate_hz, double duration_s);

/** Load a stereo phrase of sonic-pi-samples by name without suffix, "guit_em9" or "guit_e_fifths"; as above.
 */
BmRecording bm_recording_phrase(const char* name, double rate_hz, double duration_s);

/** Say whether bm_recording_phrase() would find `name`. */
bool bm_recording_phrase_is_there(const char* name);

/** Load any audio file; as above. */
BmRecording bm_recording_file(const char* path, double rate_hz, double duration_s);

void bm_recording_free(BmRecording* recording);

/** Equal temperament's frequency of a MIDI key, A4 = 440 Hz (ISO 16): what the player meant, not what
 * sounded. */
double bm_recording_nominal_hz(int key);

/**
   Measure what sounded: the stiff-string fundamental that fits partials 1 to 5 between 0.1 s and 1.1 s.

   Each partial is the maximum of the Hann-windowed Fourier transform near its place; f_n = n f0 sqrt(1 + B
   n^2) (Fletcher 1964) is fitted to them by least squares, weighted by amplitude.

   @param near_hz  where to look, within a quarter tone.
*/
double bm_recording_measured_hz(const BmRecording* recording, double near_hz);

#endif
