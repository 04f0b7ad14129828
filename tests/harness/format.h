/* SPDX-License-Identifier: ISC */
/* Numbers for readers: a minus as wide as a plus, no negative zero, a dash for what is not a number. */
#ifndef BM_HARNESS_FORMAT_H
#define BM_HARNESS_FORMAT_H

#include <stdbool.h>

/** Room for any number below, in UTF-8 with its zero. */
#define BM_NUMBER_BYTES 48

#define BM_MINUS "\xE2\x88\x92"

/** A figure with `decimals` digits after the point; with a plus where it is above 0, if asked for. */
void bm_format_value(char* text, double value, int decimals, bool with_plus);

/** A control's value: as many digits as it needs, no more. */
void bm_format_control(char* text, double value);

/** The nearest note of equal temperament on A4 = 440 Hz (ISO 16), "E2"; "" below C-1 and for what is no
 * frequency. */
void bm_format_note(char* text, double frequency_hz);

/** The frequency of a note on A4 = 440 Hz (ISO 16): "E2", "F#3", "Bb1"; NaN for what is none. */
double bm_named_note_hz(const char* name);

#endif
