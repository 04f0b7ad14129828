/* SPDX-License-Identifier: ISC */
#include "base/fft.h"

#include "base/floats.h"

#include <math.h>
#include <stddef.h>

#define PI 3.14159265358979323846
#define ROOT_HALF 0.70710678118654752440f

/* The last pass takes transforms of so many neighbours; each step of any pass so many floats. */
#define LAST_SPAN 8
#define STEP_FLOATS 32

typedef float Floats4 __attribute__((vector_size(16), aligned(4), may_alias));

typedef struct {
   Floats4 re;
   Floats4 im;
} Complex4;

/* Passes of radix 4 lead down to the last one; where that does not come out, one of radix 2 before them. */
static uint32_t radix_of(uint32_t size, uint32_t span)
{
   const bool is_odd = __builtin_ctz(size / LAST_SPAN) % 2 != 0;
   return span == size && is_odd ? 2 : 4;
}

static uint32_t n_passes(uint32_t size)
{
   return (uint32_t)(__builtin_ctz(size / LAST_SPAN) + 1) / 2 + 1;
}

void bm_fft_init(float* table, uint32_t size)
{
   for (uint32_t span = size; span > LAST_SPAN;) {
      const uint32_t radix = radix_of(size, span);
      const uint32_t part = span / radix;
      for (uint32_t power = 1; power < radix; ++power, table += 2 * part) {
         for (uint32_t j = 0; j < part; ++j) {
            table[j] = (float)cos(2.0 * PI * power * j / span);
            table[part + j] = (float)-sin(2.0 * PI * power * j / span);
         }
      }
      span = part;
   }
}

uint32_t bm_fft_place(uint32_t size, uint32_t k)
{
   const uint32_t n_blocks = size / LAST_SPAN;
   const uint32_t last_digit = k / n_blocks;
   uint32_t block = 0;
   for (uint32_t span = size; span > LAST_SPAN;) {
      const uint32_t radix = radix_of(size, span);
      span /= radix;
      block += k % radix * (span / LAST_SPAN);
      k /= radix;
   }
   return block / 4 * STEP_FLOATS + 4 * last_digit + block % 4;
}

uint32_t bm_fft_pass_steps(uint32_t size)
{
   return size / STEP_FLOATS;
}

uint32_t bm_fft_steps(uint32_t size)
{
   return n_passes(size) * bm_fft_pass_steps(size);
}

bool bm_fft_is_in_last_pass(uint32_t size, const BmFftProgress* progress)
{
   return progress->pass + 1 >= n_passes(size);
}

typedef struct {
   const float* twiddles;
   float* re;
   float* im;
   size_t span;
   size_t first_step;
   size_t end_step;
   bool is_half; /* of what this pass finds, the second half counts as zero */
} Pass;

BM_INLINE BmFloats* at(float* floats, size_t index)
{
   return (BmFloats*)(floats + index);
}

BM_INLINE void multiply(const BmFloats* re, const BmFloats* im, const float* w_re, const float* w_im,
                        BmFloats* out_re, BmFloats* out_im)
{
   const BmFloats c = *(const BmFloats*)w_re;
   const BmFloats s = *(const BmFloats*)w_im;
   *out_re = *re * c - *im * s;
   *out_im = *re * s + *im * c;
}

BM_INLINE void run_radix_2(Pass pass, const bool is_half)
{
   const size_t part = pass.span / 2;
   const size_t end = pass.end_step * STEP_FLOATS / 2;
   for (size_t j = pass.first_step * STEP_FLOATS / 2; j < end; j += BM_FLOATS_STEP) {
      float* re = pass.re + j;
      float* im = pass.im + j;
      BmFloats dif_re = *at(re, 0);
      BmFloats dif_im = *at(im, 0);
      if (!is_half) {
         dif_re -= *at(re, part);
         dif_im -= *at(im, part);
         *at(re, 0) += *at(re, part);
         *at(im, 0) += *at(im, part);
      }
      multiply(&dif_re, &dif_im, pass.twiddles + j, pass.twiddles + part + j, at(re, part), at(im, part));
   }
}

BM_INLINE void run_radix_4(Pass pass, const bool is_half)
{
   const size_t part = pass.span / 4; /* a power of two */
   const size_t end = pass.end_step * BM_FLOATS_STEP;
   for (size_t i = pass.first_step * BM_FLOATS_STEP; i < end; i += BM_FLOATS_STEP) {
      const size_t j = i & (part - 1);
      float* re = pass.re + 4 * (i - j) + j;
      float* im = pass.im + 4 * (i - j) + j;
      const float* w = pass.twiddles + j;
      BmFloats sum02_re = *at(re, 0);
      BmFloats sum02_im = *at(im, 0);
      BmFloats sum13_re = *at(re, part);
      BmFloats sum13_im = *at(im, part);
      BmFloats dif02_re = sum02_re;
      BmFloats dif02_im = sum02_im;
      BmFloats dif13_re = sum13_re;
      BmFloats dif13_im = sum13_im;
      if (!is_half) {
         sum02_re += *at(re, 2 * part);
         sum02_im += *at(im, 2 * part);
         sum13_re += *at(re, 3 * part);
         sum13_im += *at(im, 3 * part);
         dif02_re -= *at(re, 2 * part);
         dif02_im -= *at(im, 2 * part);
         dif13_re -= *at(re, 3 * part);
         dif13_im -= *at(im, 3 * part);
      }
      const BmFloats y1_re = dif02_re + dif13_im;
      const BmFloats y1_im = dif02_im - dif13_re;
      const BmFloats y2_re = sum02_re - sum13_re;
      const BmFloats y2_im = sum02_im - sum13_im;
      const BmFloats y3_re = dif02_re - dif13_im;
      const BmFloats y3_im = dif02_im + dif13_re;
      *at(re, 0) = sum02_re + sum13_re;
      *at(im, 0) = sum02_im + sum13_im;
      multiply(&y1_re, &y1_im, w, w + part, at(re, part), at(im, part));
      multiply(&y2_re, &y2_im, w + 2 * part, w + 3 * part, at(re, 2 * part), at(im, 2 * part));
      multiply(&y3_re, &y3_im, w + 4 * part, w + 5 * part, at(re, 3 * part), at(im, 3 * part));
   }
}

/* Four rows of four to four columns. */
BM_INLINE void transpose(const float* rows, uint32_t stride, Floats4* columns)
{
   const Floats4 a = *(const Floats4*)rows;
   const Floats4 b = *(const Floats4*)(rows + stride);
   const Floats4 c = *(const Floats4*)(rows + 2 * stride);
   const Floats4 d = *(const Floats4*)(rows + 3 * stride);
   const Floats4 ab_low = __builtin_shufflevector(a, b, 0, 4, 1, 5);
   const Floats4 ab_high = __builtin_shufflevector(a, b, 2, 6, 3, 7);
   const Floats4 cd_low = __builtin_shufflevector(c, d, 0, 4, 1, 5);
   const Floats4 cd_high = __builtin_shufflevector(c, d, 2, 6, 3, 7);
   columns[0] = __builtin_shufflevector(ab_low, cd_low, 0, 1, 4, 5);
   columns[1] = __builtin_shufflevector(ab_low, cd_low, 2, 3, 6, 7);
   columns[2] = __builtin_shufflevector(ab_high, cd_high, 0, 1, 4, 5);
   columns[3] = __builtin_shufflevector(ab_high, cd_high, 2, 3, 6, 7);
}

BM_INLINE Complex4 plus(Complex4 a, Complex4 b)
{
   return (Complex4){a.re + b.re, a.im + b.im};
}

BM_INLINE Complex4 minus(Complex4 a, Complex4 b)
{
   return (Complex4){a.re - b.re, a.im - b.im};
}

/* Times -i. */
BM_INLINE Complex4 turned(Complex4 a)
{
   return (Complex4){a.im, -a.re};
}

/* Times (1 - i) / sqrt(2). */
BM_INLINE Complex4 half_turned(Complex4 a)
{
   return (Complex4){(a.re + a.im) * ROOT_HALF, (a.im - a.re) * ROOT_HALF};
}

BM_INLINE void transform_4(const Complex4* x, Complex4* bin_0, Complex4* bin_1, Complex4* bin_2,
                           Complex4* bin_3)
{
   const Complex4 sum02 = plus(x[0], x[2]);
   const Complex4 dif02 = minus(x[0], x[2]);
   const Complex4 sum13 = plus(x[1], x[3]);
   const Complex4 dif13 = turned(minus(x[1], x[3]));
   *bin_0 = plus(sum02, sum13);
   *bin_1 = plus(dif02, dif13);
   *bin_2 = minus(sum02, sum13);
   *bin_3 = minus(dif02, dif13);
}

BM_INLINE void run_last(Pass pass)
{
   for (size_t step = pass.first_step; step < pass.end_step; ++step) {
      float* re = pass.re + step * STEP_FLOATS;
      float* im = pass.im + step * STEP_FLOATS;
      Floats4 x_re[LAST_SPAN];
      Floats4 x_im[LAST_SPAN];
      transpose(re, LAST_SPAN, x_re);
      transpose(re + 4, LAST_SPAN, x_re + 4);
      transpose(im, LAST_SPAN, x_im);
      transpose(im + 4, LAST_SPAN, x_im + 4);
      Complex4 even[4];
      Complex4 odd[4];
      for (uint32_t j = 0; j < 4; ++j) {
         const Complex4 a = {x_re[j], x_im[j]};
         const Complex4 b = {x_re[j + 4], x_im[j + 4]};
         even[j] = plus(a, b);
         odd[j] = minus(a, b);
      }
      odd[1] = half_turned(odd[1]);
      odd[2] = turned(odd[2]);
      odd[3] = turned(half_turned(odd[3]));
      Complex4 bins[LAST_SPAN];
      transform_4(even, &bins[0], &bins[2], &bins[4], &bins[6]);
      transform_4(odd, &bins[1], &bins[3], &bins[5], &bins[7]);
      for (uint32_t k = 0; k < LAST_SPAN; ++k) {
         *(Floats4*)(re + 4 * k) = bins[k].re;
         *(Floats4*)(im + 4 * k) = bins[k].im;
      }
   }
}

BM_CLONES static void run_pass(const Pass* pass, uint32_t radix)
{
   if (pass->span == LAST_SPAN) {
      run_last(*pass);
   } else if (radix == 2 && pass->is_half) {
      run_radix_2(*pass, true);
   } else if (radix == 2) {
      run_radix_2(*pass, false);
   } else if (pass->is_half) {
      run_radix_4(*pass, true);
   } else {
      run_radix_4(*pass, false);
   }
}

bool bm_fft_work(const float* table, uint32_t size, BmFftProgress* progress, uint32_t n_steps, float* re,
                 float* im)
{
   const uint32_t pass_steps = bm_fft_pass_steps(size);
   Pass pass = {.twiddles = table, .re = re, .im = im, .span = size};
   for (uint32_t i = 0; i < progress->pass; ++i) {
      const uint32_t radix = radix_of(size, (uint32_t)pass.span);
      pass.twiddles += 2 * (radix - 1) * (pass.span / radix);
      pass.span /= radix;
   }
   while (n_steps && pass.span >= LAST_SPAN) {
      const uint32_t radix = radix_of(size, (uint32_t)pass.span);
      const uint32_t left = pass_steps - progress->step;
      const uint32_t n = n_steps < left ? n_steps : left;
      pass.first_step = progress->step;
      pass.end_step = progress->step + n;
      pass.is_half = progress->is_half && progress->pass == 0;
      run_pass(&pass, radix);
      progress->step += n;
      n_steps -= n;
      if (progress->step == pass_steps) {
         progress->step = 0;
         ++progress->pass;
         pass.twiddles += 2 * (radix - 1) * (pass.span / radix);
         pass.span = pass.span == LAST_SPAN ? 1 : pass.span / radix;
      }
   }
   return progress->pass == n_passes(size);
}
