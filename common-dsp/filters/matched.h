/* SPDX-License-Identifier: ISC */
#ifndef BM_FILTERS_MATCHED_H
#define BM_FILTERS_MATCHED_H

/**
   Second-order sections that keep the magnitude of their analogue prototype up to the top of the band.

   A prototype is a quotient of two quadratics in s (Audio EQ Cookbook, R. Bristow-Johnson, W3C Note 2021; s
   in units of the centre or corner, A = 10^(gain_db/40)):

       bell        (s^2 + s A/Q + 1) / (s^2 + s/(A Q) + 1)
       low shelf   A (s^2 + s sqrt(A)/Q + A) / (A s^2 + s sqrt(A)/Q + 1)
       high shelf  A (A s^2 + s sqrt(A)/Q + 1) / (s^2 + s sqrt(A)/Q + A)
       low cut     s^2 / (s^2 + s/Q + 1)

   Each quadratic becomes a matched pair z = exp(s T), which is exact but for the images of the pair around
   the sample rate, times a correction of two zeros that stands for the images (after Gunness and Chauhan,
   "Optimizing the magnitude response of matched z-transform filters", AES 32nd Conf. 2007; the correction by
   quadratic is our own, see matched.c). So a quotient becomes two sections, `body` and `correction`; where
   the correction would change less than 0.01 dB it is exactly none and need not be run.

   Largest error from 20 Hz to 20 kHz at 44.1 kHz: 0.05 dB for bells 40 Hz to 16 kHz, Q 0.3 to 8, +-15 dB and
   for shelves, 0.01 dB for low cuts up to 4 kHz; less at higher rates. Under 44.1 kHz the same holds up to
   0.45 of the rate while the centre stays under 0.36 of it; a centre anywhere up to twice the rate gives a
   stable section within 2 dB. Equal boost and cut are exact inverses. Every figure moves without a step when
   a parameter does. A design costs three exponentials, two sines and about a hundred operations (0.1 us).
*/

/**
   One second-order section by its state equation, for each frame x, y:

       v = x - low;  y = direct x + mix_band band + mix_low low
       band += -(1 - keep) band + turn v;  low += turn band + step v      (the old band)

   It is the state-variable filter of trapezoidal integrators, and holds any stable pair of poles. The matrix
   of the state never lengthens a state, nor does any mean of such matrices: so gliding the coefficients from
   one section to another cannot make it unstable, however fast (Cayley transform of a dissipative matrix).
*/
typedef struct {
   double keep;
   double turn;
   double step;
   double direct;
   double mix_band;
   double mix_low;
} BmSection;

typedef struct {
   BmSection body;
   BmSection correction; /* direct is 1, both mixes 0 when there is none */
} BmMatched;

/** What a centre or corner may be, in radians a frame: up to twice the rate. */
#define BM_MATCHED_OMEGA_MAX 12.566370614359172

/**
   Design a bell. All four: `omega` = 2 pi f / rate > 0, `q` > 0; exactly 0 dB gives `direct` 1 and mixes 0 in
   both sections. Real-time: yes.
*/
BmMatched bm_matched_bell(double omega, double gain_db, double q);

/** Design a low shelf, flat at the top; `q` 0.7071 is the steepest without a bump. */
BmMatched bm_matched_low_shelf(double omega, double gain_db, double q);

/** Design a high shelf, flat at the bottom. */
BmMatched bm_matched_high_shelf(double omega, double gain_db, double q);

/** Design a second-order low cut mixed with the dry signal: `amount` 0 is exactly dry, 1 the cut alone. */
BmMatched bm_matched_low_cut(double omega, double q, double amount);

/** Q of section `index` (0 .. order/2 - 1) of a Butterworth filter of even `order`: 1 / (2 sin((2 i + 1) pi /
 * 2n)). */
double bm_butterworth_q(unsigned order, unsigned index);

#endif
