/* SPDX-License-Identifier: ISC */
#include "shell/buffers.h"

#include "base/clones.h"
#include "shell.h"

#include <string.h>

typedef float Singles __attribute__((vector_size(16)));

BM_CLONES void bm_buffer_clean(const float* restrict in, float* restrict out, uint32_t n_frames)
{
   for (uint32_t i = 0; i < n_frames; ++i) {
      out[i] = bm_cleaned(in[i]);
   }
}

BM_CLONES void bm_buffers_join(const float* restrict left, const float* restrict right,
                               BmFrame* restrict frames, uint32_t n_frames)
{
   for (uint32_t i = 0; i < n_frames; ++i) {
      frames[i] = bm_frame((double)left[i], (double)right[i]);
   }
}

/* Bound by magnitude, which for the bits of floats is an integer comparison; a NaN becomes the limit. */
BM_INLINE void limit_singles(float* x, float limit, uint32_t n)
{
   const uint32_t sign = 0x80000000U;
   int32_t most;
   memcpy(&most, &limit, sizeof most);
   for (uint32_t i = 0; i < n; ++i) {
      uint32_t bits;
      memcpy(&bits, x + i, sizeof bits);
      const int32_t magnitude = (int32_t)(bits & ~sign);
      bits = (uint32_t)(magnitude < most ? magnitude : most) | (bits & sign);
      memcpy(x + i, &bits, sizeof bits);
   }
}

BM_CLONES void bm_buffers_join_limited(const float* left, const float* right, BmFrame* restrict frames,
                                       uint32_t n_frames)
{
   float l[BM_SLICE_FRAMES] __attribute__((aligned(16)));
   float r[BM_SLICE_FRAMES] __attribute__((aligned(16)));
   memcpy(l, left, n_frames * sizeof *l);
   memcpy(r, right, n_frames * sizeof *r);
   limit_singles(l, (float)BM_INPUT_LIMIT, n_frames);
   limit_singles(r, (float)BM_INPUT_LIMIT, n_frames);
   uint32_t i = 0;
   for (; i + 4 <= n_frames; i += 4) {
      const Singles* l4 = (const Singles*)(l + i);
      const Singles* r4 = (const Singles*)(r + i);
      const Singles first = __builtin_shufflevector(*l4, *r4, 0, 4, 1, 5);
      const Singles second = __builtin_shufflevector(*l4, *r4, 2, 6, 3, 7);
      *(BmFramePair*)(frames + i) = __builtin_convertvector(first, BmFramePair);
      *(BmFramePair*)(frames + i + 2) = __builtin_convertvector(second, BmFramePair);
   }
   for (; i < n_frames; ++i) {
      frames[i] = bm_frame((double)l[i], (double)r[i]);
   }
}

BM_CLONES void bm_buffers_part(const BmFrame* restrict frames, float* restrict left, float* restrict right,
                               uint32_t n_frames)
{
   uint32_t i = 0;
   for (; i + 4 <= n_frames; i += 4) {
      const Singles first = __builtin_convertvector(*(const BmFramePair*)(frames + i), Singles);
      const Singles second = __builtin_convertvector(*(const BmFramePair*)(frames + i + 2), Singles);
      const Singles l = __builtin_shufflevector(first, second, 0, 2, 4, 6);
      const Singles r = __builtin_shufflevector(first, second, 1, 3, 5, 7);
      memcpy(left + i, &l, sizeof l);
      memcpy(right + i, &r, sizeof r);
   }
   for (; i < n_frames; ++i) {
      left[i] = (float)frames[i][0];
      right[i] = (float)frames[i][1];
   }
   limit_singles(left, FLT_MAX, n_frames);
   limit_singles(right, FLT_MAX, n_frames);
}
