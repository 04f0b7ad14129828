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

static inline BmFrame* bm_test_frames(uint32_t n_frames)
{
   BmFrame* frames = aligned_alloc(64, (n_frames * sizeof *frames + 63) / 64 * 64);
   assert_non_null(frames);
   return frames;
}

static const uint32_t bm_test_blocks_frames[] = {1, 7, 64, 480, 1021};
#define BM_TEST_N_BLOCKS (sizeof bm_test_blocks_frames / sizeof bm_test_blocks_frames[0])

/** Run [n_frames] of noise whole, in blocks, in place and after a reset; all must agree to the last bit. */
static inline void bm_test_climb(const BmLadder* ladder, uint32_t n_frames)
{
   const size_t bytes = n_frames * sizeof(BmFrame);
   BmFrame* in = bm_test_frames(n_frames);
   BmFrame* whole = bm_test_frames(n_frames);
   BmFrame* out = bm_test_frames(n_frames);
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

   for (uint32_t i = 0; i < BM_TEST_N_BLOCKS; ++i) {
      self = ladder->fresh();
      memcpy(out, in, bytes);
      bm_test_run_in_blocks(ladder, self, out, out, n_frames, bm_test_blocks_frames[i]);
      assert_memory_equal(out, whole, bytes); /* block size and place do not matter */
      ladder->release(self);
   }
   free(out);
   free(whole);
   free(in);
}

/** Set the controls anew, otherwise for each `nth` but alike for the same. */
typedef void (*BmMove)(void* self, uint32_t nth);

#define BM_TEST_MOVE_FRAMES 1777

static inline void bm_test_run_moving(const BmLadder* ladder, BmMove move, void* self, BmFrame* frames,
                                      uint32_t n_frames, uint32_t block_frames)
{
   for (uint32_t at = 0; at < n_frames; at += BM_TEST_MOVE_FRAMES) {
      const uint32_t n = n_frames - at < BM_TEST_MOVE_FRAMES ? n_frames - at : BM_TEST_MOVE_FRAMES;
      move(self, at / BM_TEST_MOVE_FRAMES);
      bm_test_run_in_blocks(ladder, self, frames + at, frames + at, n, block_frames);
   }
}

/**
   The same while the controls jump: all blocks must give the same bits, and a reset in mid-motion must leave
   nothing behind but the controls.

   Noise, silence, noise. @param n_frames no multiple of BM_TEST_MOVE_FRAMES.
*/
static inline void bm_test_climb_moving(const BmLadder* ladder, BmMove move, uint32_t n_frames)
{
   const size_t bytes = n_frames * sizeof(BmFrame);
   BmFrame* in = bm_test_frames(n_frames);
   BmFrame* whole = bm_test_frames(n_frames);
   BmFrame* out = bm_test_frames(n_frames);
   bm_test_noise(in, n_frames, 0.5, 2);
   memset(in + n_frames / 3, 0, n_frames / 3 * sizeof *in);
   void* self = ladder->fresh();
   memcpy(whole, in, bytes);
   bm_test_run_moving(ladder, move, self, whole, n_frames, n_frames);
   for (uint32_t i = 0; i < BM_TEST_N_BLOCKS; ++i) {
      void* other = ladder->fresh();
      memcpy(out, in, bytes);
      bm_test_run_moving(ladder, move, other, out, n_frames, bm_test_blocks_frames[i]);
      assert_memory_equal(out, whole, bytes);
      ladder->release(other);
   }

   for (uint32_t moves_on = 0; moves_on < 2; ++moves_on) {
      void* other = ladder->fresh();
      if (!moves_on) {
         move(other, n_frames / BM_TEST_MOVE_FRAMES);
      }
      ladder->reset(self);
      ladder->reset(other);
      memcpy(whole, in, bytes);
      memcpy(out, in, bytes);
      if (moves_on) { /* what is set first is taken at once, not glided to */
         bm_test_run_moving(ladder, move, self, whole, n_frames, n_frames);
         bm_test_run_moving(ladder, move, other, out, n_frames, n_frames);
      } else {
         ladder->process(self, whole, whole, n_frames);
         ladder->process(other, out, out, n_frames);
      }
      assert_memory_equal(whole, out, bytes);
      ladder->release(other);
   }
   ladder->release(self);
   free(out);
   free(whole);
   free(in);
}

#endif
