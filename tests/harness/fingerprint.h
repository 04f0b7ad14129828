/* SPDX-License-Identifier: ISC */
/*
   What a session sounded like, as a small text that can be kept beside it: for each place that sound passes
   (into a track, out of each insert, out of its fader, each stem) the hash of its bits, a few figures, and a
   sketch from which the level of a later difference can be told without the audio.
*/
#ifndef BM_HARNESS_FINGERPRINT_H
#define BM_HARNESS_FINGERPRINT_H

#include "error.h"
#include "host.h"
#include "render.h"
#include "session.h"

#include <signal.h>
#include <stdbool.h>
#include <stdint.h>

/** Octaves around 31.5 Hz to 16 kHz. */
#define BM_FINGERPRINT_OCTAVES 10

/** A passage is also hashed in so many equal parts, to tell from when on it differs. */
#define BM_FINGERPRINT_PARTS 16

/**
   Numbers in a sketch.

   Each frame is added, with a sign, to one of them, sign and place drawn from the frame's number (Charikar,
   Chen and Farach-Colton, ICALP 2002). The sum of squares of the difference of two sketches estimates that of
   the two sounds without bias, with a relative deviation of sqrt(2 / 32) = 25 %: 1 dB.
*/
#define BM_FINGERPRINT_SKETCH 32

/** Sound at one place. Levels of silence are -INFINITY. */
typedef struct {
   char* name; /**< "first: take", "first: insert 1 <urn:…>", "stem guitars.wav" */
   uint32_t n_channels;
   uint64_t n_frames;                    /**< inside: as long as the takes last; of a stem: all */
   uint64_t bits;                        /**< hash of the samples as 32-bit floats */
   uint32_t parts[BM_FINGERPRINT_PARTS]; /**< hashes since the beginning, after each part */
   double rms_dbfs;                      /**< of all channels together; a constant 1.0 reads 0 */
   double sketch[BM_FINGERPRINT_SKETCH];
   bool is_measured;     /**< what follows is known */
   double loudness_lufs; /**< integrated, ITU-R BS.1770-4 */
   double peak_db;       /**< of a stem the true peak, 4 times oversampled; inside that of the samples */
   double octave_dbfs[BM_FINGERPRINT_OCTAVES]; /**< mean of the channels; a full-scale sine reads 0 */
   uint32_t node;                              /**< index in the session that was rendered */
   uint32_t place; /**< 0: what arrives, n: out of insert n, n_inserts + 1: out of the fader, + 2: a stem */
} BmFingerprintSignal;

typedef struct {
   char* uri;
   uint32_t minor_version;
   uint32_t micro_version;
} BmFingerprintPlugin;

typedef struct BmFingerprint BmFingerprint;

/** What a session sounded like with one of its alternatives chosen. */
struct BmFingerprint {
   uint64_t session; /**< hash of the session's file */
   double rate_hz;
   char* alternative;            /**< its label; NULL: the session offers none */
   BmFingerprint* next;          /**< of the next alternative, or NULL */
   BmFingerprintPlugin* plugins; /**< [n_plugins] each once, in the order of use */
   uint32_t n_plugins;
   BmFingerprintSignal* signals; /**< [n_signals] in the order of the sound, the stems last */
   uint32_t n_signals;
};

/** Where a session's fingerprint is kept: `session.fingerprint` beside `session.ttl`. The caller frees it. */
char* bm_fingerprint_path(const char* session_path);

/** Centre of octave `n` in Hz. */
double bm_fingerprint_octave_hz(uint32_t n);

/** Listens to a render. */
typedef struct BmFingerprinter BmFingerprinter;

/**
   Begin; borrows session and render.

   @param with_figures  measure loudness, peak and octaves too, which takes longer.
*/
BmFingerprinter* bm_fingerprinter_new(const BmSession* session, const BmRender* render, bool with_figures);
void bm_fingerprinter_free(BmFingerprinter* self);

/** Hear the taps as BmRenderSink gives them: the stems. */
void bm_fingerprinter_hear(BmFingerprinter* self, const BmTapBlock* taps, uint32_t n_frames);

/** Hear a place inside as BmRenderSink gives it. */
void bm_fingerprinter_hear_inside(BmFingerprinter* self, const BmInsideBlock* block);

/** Close the passage. @return NULL with the error set; else free with bm_fingerprint_free(). */
BmFingerprint* bm_fingerprinter_finish(BmFingerprinter* self, BmError* error);

/**
   Render the session with one alternative after the other, to no file, and leave it with its own choice.
   Progress goes to standard error.

   @param chosen  what is known of the session's own choice, which is then not rendered; NULL: nothing. The
   chain takes it over; after an error it is freed.
   @return those of all of them in a chain, in the order of the session; NULL with the error set.
*/
BmFingerprint* bm_fingerprint_take(BmHost* host, BmSession* session, BmFingerprint* chosen, bool with_figures,
                                   const volatile sig_atomic_t* stop, BmError* error);

/** Read one that was written, with its alternatives. @return NULL with an error that names file and line. */
BmFingerprint* bm_fingerprint_read(const char* path, BmError* error);

/** Write one and those that follow, with figures where they are known; an older file stays until the new one
 * is whole. False with the error set. */
bool bm_fingerprint_write(const BmFingerprint* self, const char* path, BmError* error);

/** Free it and those that follow. */
void bm_fingerprint_free(BmFingerprint* self);

/** That of the alternative which is chosen in the session; NULL: there is none in the chain. */
const BmFingerprint* bm_fingerprint_of_choice(const BmFingerprint* first, const BmSession* session);

/** The signal of that name, or NULL. */
const BmFingerprintSignal* bm_fingerprint_find(const BmFingerprint* self, const char* name);

/** Level of the difference of two signals over that of the first, in dB, estimated from their sketches:
   -INFINITY where they are alike, INFINITY where the first is silent and the second is not. */
double bm_fingerprint_difference_db(const BmFingerprintSignal* one, const BmFingerprintSignal* other);

#endif
