/* SPDX-License-Identifier: ISC */
#ifndef BM_BASE_FRACTIONAL_DELAY_H
#define BM_BASE_FRACTIONAL_DELAY_H

#define BM_FRACTIONAL_TAPS 48

/** Delay of the weights beyond what they were asked for: they look as far ahead as behind. */
#define BM_FRACTIONAL_LATENCY_FRAMES (BM_FRACTIONAL_TAPS / 2 - 1)

/**
   Design a delay between frames: weights [BM_FRACTIONAL_TAPS], newest frame first, for a delay of
   BM_FRACTIONAL_LATENCY_FRAMES + `fraction`, 0 <= fraction < 1.

   A sinc under a Kaiser window (beta 7; Laakso et al., "Splitting the unit delay", IEEE Signal Proc. Mag.
   13(1), 1996): the error against the ideal delay stays under -64 dB up to 0.45 of the rate (20 kHz at 44.1
   kHz). A fraction of 0 is exactly a delay of whole frames.
*/
void bm_fractional_delay_design(double fraction, double* weights);

#endif
