/* SPDX-License-Identifier: ISC */
/* A host's buffers of single precision, and the frames that processors take. */
#ifndef BM_PLUGINS_BUFFERS_H
#define BM_PLUGINS_BUFFERS_H

#include "base/frame.h"

#include <float.h>
#include <math.h>
#include <stdint.h>

/** What a processor is promised: no sample larger than 80 dB above full scale. */
#define BM_INPUT_LIMIT 1e4

/** The sample, or silence in place of what is not finite. */
static inline float bm_cleaned(float x)
{
   return fabsf(x) <= FLT_MAX ? x : 0.0F;
}

/** Copy [n_frames] cleaned; the buffers do not overlap. Real-time: yes. */
void bm_buffer_clean(const float* restrict in, float* restrict out, uint32_t n_frames);

/** Make [n_frames] of two buffers. Real-time: yes. */
void bm_buffers_join(const float* restrict left, const float* restrict right, BmFrame* restrict frames,
                     uint32_t n_frames);

/** Make frames of two buffers, [n_frames], at most BM_SLICE_FRAMES, each sample bounded to BM_INPUT_LIMIT.
    Real-time: yes. */
void bm_buffers_join_limited(const float* left, const float* right, BmFrame* restrict frames,
                             uint32_t n_frames);

/** Write [n_frames] to two buffers, bounded to what they can hold; a NaN becomes the bound. Real-time: yes.
 */
void bm_buffers_part(const BmFrame* restrict frames, float* restrict left, float* restrict right,
                     uint32_t n_frames);

#endif
