/* SPDX-License-Identifier: ISC */
#ifndef BM_BASE_FRAME_H
#define BM_BASE_FRAME_H

#include <stdint.h>

/**
   One frame of audio: left and right as the two lanes of one vector, linear, full scale 1.0.

   A mono signal stands in both lanes alike, so that a linked detector, a mid or a maximum over channels is
   right without a special case. Double, because low corners at high rates need it and two doubles are one
   register on every 64-bit machine. Arithmetic operators work lane by lane.
*/
typedef double BmFrame __attribute__((vector_size(16)));

/** A lane-wise truth value, as comparisons of BmFrame give it: all bits set or none. */
typedef int64_t BmFrameMask __attribute__((vector_size(16)));

static inline BmFrame bm_frame(double left, double right)
{
   return (BmFrame){left, right};
}

static inline BmFrame bm_frame_both(double x)
{
   return (BmFrame){x, x};
}

/** Take `yes` in the lanes where `mask` is set, `no` elsewhere. No branch. */
static inline BmFrame bm_frame_select(BmFrameMask mask, BmFrame yes, BmFrame no)
{
   return (BmFrame)((mask & (BmFrameMask)yes) | (~mask & (BmFrameMask)no));
}

static inline BmFrame bm_frame_abs(BmFrame x)
{
   const BmFrameMask magnitude = {INT64_MAX, INT64_MAX};
   return (BmFrame)((BmFrameMask)x & magnitude);
}

/* a > b ? a : b, and a < b ? a : b. GCC does not see that a machine has them as one instruction. */
#if defined(__SSE2__) && defined(__GNUC__) && !defined(__clang__)
static inline BmFrame bm_frame_max(BmFrame a, BmFrame b)
{
   return __builtin_ia32_maxpd(a, b);
}

static inline BmFrame bm_frame_min(BmFrame a, BmFrame b)
{
   return __builtin_ia32_minpd(a, b);
}
#else
static inline BmFrame bm_frame_max(BmFrame a, BmFrame b)
{
   return bm_frame_select(a > b, a, b);
}

static inline BmFrame bm_frame_min(BmFrame a, BmFrame b)
{
   return bm_frame_select(a < b, a, b);
}
#endif

#endif
