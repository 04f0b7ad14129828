/* SPDX-License-Identifier: ISC */
#ifndef BM_REVERB_DECAY_H
#define BM_REVERB_DECAY_H

/**
   How long a room rings, by frequency.

       T(f) = decay / (1 + (1 / low_ratio - 1) Y / (1 + Y) + 3 X / (1 + X)),
       Y = (230 Hz / f)^4,  X = (f / damping)^4 / 2

   so the middle rings for `decay_s`, the bottom for `low_ratio` times that, and at `damping_hz` it is half.
   The shape is our own: two shelves are what a path through the room can apply to sound with one section
   each.
*/
typedef struct {
   double decay_s;    /* time to fall by 60 dB in the middle, > 0 */
   double low_ratio;  /* of the time well under 230 Hz, > 0 */
   double damping_hz; /* > 0; 2500 or more leaves the octaves up to 1 kHz within 4 % */
} BmDecay;

/** T(f) above in seconds. */
double bm_decay_time_s(const BmDecay* decay, double frequency_hz);

/** One second-order section, a0 = 1. */
typedef struct {
   double b0, b1, b2, a1, a2;
} BmDecaySection;

/** What a path of some length takes from the sound: both shelves in series, the gain of the middle in `low`.
 */
typedef struct {
   BmDecaySection low;
   BmDecaySection high;
} BmAbsorption;

/**
   Design what a path of `path_s` absorbs: -60 dB path / T(f) (Jot and Chaigne, "Digital delay networks for
   designing artificial reverberators", AES 90th Conv. 1991, eq. 7), exact at the bottom, in the middle and at
   the damping frequency. In between the dB are right within 5 % while the path loses no more than 10 dB,
   above a tenth of the rate within 9 % (the bilinear transform squeezes the top).

   Never amplifies, as long as low_ratio and decay are > 0.
*/
BmAbsorption bm_absorption(const BmDecay* decay, double path_s, double sample_rate_hz);

#endif
