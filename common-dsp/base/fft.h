/* SPDX-License-Identifier: ISC */
#ifndef BM_BASE_FFT_H
#define BM_BASE_FFT_H

#include <stdbool.h>
#include <stdint.h>

/**
   The discrete Fourier transform of a complex signal, in single precision, that can stop and go on anywhere.

   X[k] = sum of x[n] e^(-2 pi i n k / size), real and imaginary parts in arrays of their own, in place. Radix
   4 by decimation in frequency, and 8 at the end (Oppenheim and Schafer, Discrete-Time Signal Processing,
   section 9.3), eight butterflies at a time. So the bins come out of order: bm_fft_place() tells where each
   is. Two real signals go in one transform: as real and imaginary part; bins k and size - k then hold both,
   |L_k|^2 + |R_k|^2 = (|X_k|^2 + |X_(size-k)|^2) / 2.
*/
#define BM_FFT_SIZE_MIN 64

/** Floats of the table for a size, a power of two from BM_FFT_SIZE_MIN on. */
#define BM_FFT_TABLE_FLOATS(size) (2 * (size))

/** How far a transform has come; pass and step are zero at its beginning. */
typedef struct {
   uint32_t pass;
   uint32_t step; /* within the pass */
   bool is_half;  /* the second half of the input is silence: it is not read, and need not be laid there */
} BmFftProgress;

/** Fill `table` [BM_FFT_TABLE_FLOATS(size)]. */
void bm_fft_init(float* table, uint32_t size);

/** Where bin `k` < size lies after the transform. */
uint32_t bm_fft_place(uint32_t size, uint32_t k);

/** How many steps a transform takes: eight butterflies of radix 4 each, or, in the last pass, nearly twice as
 * much work. */
uint32_t bm_fft_steps(uint32_t size);

/** How many of them are one pass. */
uint32_t bm_fft_pass_steps(uint32_t size);

/** Whether the next step is one of the last pass. */
bool bm_fft_is_in_last_pass(uint32_t size, const BmFftProgress* progress);

/** Go on for up to `n_steps`. True once the transform is done. Real-time: yes. */
bool bm_fft_work(const float* table, uint32_t size, BmFftProgress* progress, uint32_t n_steps, float* re,
                 float* im);

#endif
