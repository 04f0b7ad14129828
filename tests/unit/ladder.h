/* SPDX-License-Identifier: ISC */
/* The rungs that every processor must stand on: the same bits for every block size, in place, and after
   reset. Include after unit_test.h. */
#ifndef BM_LADDER_H
#define BM_LADDER_H

#include "base/frame.h"

#include <stdlib.h>
#include <string.h>

typedef struct {
   void* (*fresh)(void); /* allocated, initialised and set */
   void (*process)(void* self, const BmFrame* in, BmFrame* out, uint32_t n_frames);
   void (*reset)(void* self);
   void (*release)(void* self);
} BmLadder;

/** Fill [n_frames] with repeatable noise of peak `peak_lin`, unlike in the two lanes. */
static inline void bm_test_noise(BmFrame* frames, uint32_t n_frames, double peak_lin, uint64_t seed)
{
   for (uint32_t n = 0; n < n_frames; ++n) {
      const double left = bm_test_random(&seed);
      const double right = bm_test_random(&seed);
      frames[n] = bm_frame(peak_lin * left, peak_lin * right);
   }
}

static inline void bm_test_run_in_blocks(const BmLadder* ladder, void* self, const BmFrame* in, BmFrame* out,
                                         uint32_t n_frames, uint32_t block_frames)
{
   for (uint32_t at = 0; at < n_frames; at += block_frames) {
      const uint32_t n = n_frames - at < block_frames ? n_frames - at : block_frames;
      ladder->process(self, in + at, out + at, n);
   }
}

/** Run [n_frames] of noise whole, in blocks, in place and after a reset; all must agree to the last bit. */
static inline void bm_test_climb(const BmLadder* ladder, uint32_t n_frames)
{
   const size_t bytes = n_frames * sizeof(BmFrame);
   BmFrame* in = aligned_alloc(64, (bytes + 63) / 64 * 64);
   BmFrame* whole = aligned_alloc(64, (bytes + 63) / 64 * 64);
   BmFrame* out = aligned_alloc(64, (bytes + 63) / 64 * 64);
   assert_non_null(in);
   assert_non_null(whole);
   assert_non_null(out);
   bm_test_noise(in, n_frames, 0.5, 1);

   void* self = ladder->fresh();
   ladder->process(self, in, whole, n_frames);
   for (uint32_t n = 0; n < n_frames; ++n) {
      assert_true(isfinite(whole[n][0]) && isfinite(whole[n][1]));
   }

   ladder->reset(self);
   ladder->process(self, in, out, n_frames);
   assert_memory_equal(out, whole, bytes); /* reset equals fresh */
   ladder->release(self);

   static const uint32_t blocks_frames[] = {1, 7, 64, 480, 1021};
   for (uint32_t i = 0; i < sizeof blocks_frames / sizeof blocks_frames[0]; ++i) {
      self = ladder->fresh();
      memcpy(out, in, bytes);
      bm_test_run_in_blocks(ladder, self, out, out, n_frames, blocks_frames[i]);
      assert_memory_equal(out, whole, bytes); /* block size and place do not matter */
      ladder->release(self);
   }
   free(out);
   free(whole);
   free(in);
}

#endif
