/* SPDX-License-Identifier: ISC */
#ifndef BM_TAKES_DISPERSION_H
#define BM_TAKES_DISPERSION_H

#include <stdint.h>

#define BM_DISPERSION_SECTIONS_MAX 4

/** What a string's loop must do: its partials stand at n f0 sqrt(1 + B n^2), a stiff string's (Fletcher &
    Rossing, The Physics of Musical Instruments, ch. 2). */
typedef struct {
   double sample_rate_hz;
   double f0_hz;         /* of the flexible string: the first partial lies at f0 sqrt(1 + B) */
   double inharmonicity; /* B */
   double loss_pole;     /* a of the loss filter (1 + a) / (1 + a z^-1), whose delay counts */
} BmDispersionSpec;

/** The answer: a plain delay and all-pass sections (a2 + a1 z^-1 + z^-2) / (1 + a1 z^-1 + a2 z^-2). */
typedef struct {
   double delay_frames; /* all that remains of the loop */
   uint32_t n_sections;
   double a1[BM_DISPERSION_SECTIONS_MAX];
   double a2[BM_DISPERSION_SECTIONS_MAX];
   double worst_cents;  /* of the fitted partials */
   uint32_t n_partials; /* fitted; above, partials draw together again */
} BmDispersion;

/**
   Fit the loop to a stiff string by least squares over the phase at its partials (Levenberg-Marquardt).

   All-pass sections in a string's loop: Jaffe & Smith, Computer Music Journal 7(2) 1983. A section can bend
   the phase by one turn, so four reach as far as B n^3 = 2.6, which is some 25 partials of a low E.
*/
void bm_dispersion_fit(BmDispersion* self, const BmDispersionSpec* spec);

/** Frequency of partial n (from 1) of a stiff string. */
double bm_stiff_partial_hz(double f0_hz, double inharmonicity, double n);

#endif
