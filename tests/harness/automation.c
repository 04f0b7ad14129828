/* SPDX-License-Identifier: ISC */
#include "automation.h"

#include <math.h>
#include <stdlib.h>

void bm_lane_init(BmLane* lane, const BmAutomation* automation, double rate_hz)
{
   lane->automation = automation;
   lane->frames = bm_calloc(automation->n_points, sizeof(int64_t));
   for (uint32_t n = 0; n < automation->n_points; ++n) {
      lane->frames[n] = llround(automation->points[n].time_s * rate_hz);
   }
}

void bm_lane_free(BmLane* lane)
{
   free(lane->frames);
   lane->frames = NULL;
}

/* How many breakpoints stand at or before `frame`. */
static uint32_t n_passed(const BmLane* lane, int64_t frame)
{
   uint32_t low = 0;
   uint32_t high = lane->automation->n_points;
   while (low < high) {
      const uint32_t middle = low + (high - low) / 2;
      if (lane->frames[middle] <= frame) {
         low = middle + 1;
      } else {
         high = middle;
      }
   }
   return low;
}

double bm_lane_value(const BmLane* lane, int64_t frame)
{
   const BmBreakpoint* points = lane->automation->points;
   const uint32_t next = n_passed(lane, frame);
   if (next == 0) {
      return points[0].value;
   }
   const BmBreakpoint* from = &points[next - 1];
   if (next == lane->automation->n_points || from->to_next == BM_SEGMENT_HELD) {
      return from->value;
   }
   const double share =
      (double)(frame - lane->frames[next - 1]) / (double)(lane->frames[next] - lane->frames[next - 1]);
   return from->to_next == BM_SEGMENT_GEOMETRIC ? from->value * pow(points[next].value / from->value, share)
                                                : from->value + share * (points[next].value - from->value);
}

int64_t bm_lane_next_cut(const BmLane* lane, int64_t frame)
{
   const BmBreakpoint* points = lane->automation->points;
   const uint32_t next = n_passed(lane, frame);
   if (next == lane->automation->n_points) {
      return INT64_MAX;
   }
   const int64_t breakpoint = lane->frames[next];
   const bool is_still = next == 0 || points[next - 1].to_next == BM_SEGMENT_HELD ||
                         points[next - 1].value == points[next].value;
   if (is_still) {
      return breakpoint;
   }
   /* A ramp begins at or after frame 0. */
   const int64_t grid = (frame / BM_AUTOMATION_GRID_FRAMES + 1) * BM_AUTOMATION_GRID_FRAMES;
   return grid < breakpoint ? grid : breakpoint;
}
