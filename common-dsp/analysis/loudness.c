/* SPDX-License-Identifier: ISC */
#include "analysis/loudness.h"

#include "base/clones.h"
#include "base/decibel.h"

#include <math.h>
#include <string.h>

#define HOPS_PER_S 100.0
#define MOMENTARY_HOPS 40
#define BLOCK_HOPS 10
#define PASSAGE_HOPS 100
#define OFFSET_LU (-0.691) /* BS.1770-4, eq. 2 */
#define LOWEST_LUFS (-70.0)
#define BIN_LU 0.05
#define GATE_LU 10.0
#define RANGE_GATE_LU 20.0
#define RANGE_LOW 0.10
#define RANGE_HIGH 0.95

static double lufs(double power)
{
   return fmax(BM_SILENCE_DB, OFFSET_LU + 10.0 * log10(power));
}

static void histogram_add(BmLoudnessHistogram* self, double power)
{
   const double loudness_lufs = lufs(power);
   if (loudness_lufs < LOWEST_LUFS) {
      return;
   }
   const double place = (loudness_lufs - LOWEST_LUFS) / BIN_LU;
   const uint32_t bin = place < BM_LOUDNESS_BINS - 1 ? (uint32_t)place : BM_LOUDNESS_BINS - 1;
   ++self->counts[bin];
   self->powers[bin] += power;
   self->count += 1.0;
   self->power += power;
   self->end_bin = bin < self->end_bin ? self->end_bin : bin + 1;
}

/* The first bin at or over the mean of all less `gate_lu`. */
static uint32_t gate_bin(const BmLoudnessHistogram* self, double gate_lu)
{
   const double mean = self->power / self->count;
   const double place = self->count > 0.0 ? (lufs(mean) - gate_lu - LOWEST_LUFS) / BIN_LU : 0.0;
   return place > 0.0 ? (uint32_t)fmin(round(place), BM_LOUDNESS_BINS) : 0;
}

/* Sum of [n] by eight lanes, so that none waits for another. */
BM_CLONES static double sum_of(const double* x, uint32_t n)
{
   double lanes[8] = {0.0};
   uint32_t i = 0;
   for (; i + 8 <= n; i += 8) {
      for (uint32_t lane = 0; lane < 8; ++lane) {
         lanes[lane] += x[i + lane];
      }
   }
   for (; i < n; ++i) {
      lanes[0] += x[i];
   }
   return ((lanes[0] + lanes[1]) + (lanes[2] + lanes[3])) + ((lanes[4] + lanes[5]) + (lanes[6] + lanes[7]));
}

/* The same of counts, which is exact. */
BM_CLONES static uint32_t n_in(const uint32_t* counts, uint32_t n)
{
   uint32_t sum = 0;
   for (uint32_t i = 0; i < n; ++i) {
      sum += counts[i];
   }
   return sum;
}

static double integrated_lufs(const BmLoudnessHistogram* self)
{
   const uint32_t first = gate_bin(self, GATE_LU);
   const uint32_t n_bins = first < self->end_bin ? self->end_bin - first : 0;
   const uint32_t count = n_in(self->counts + first, n_bins);
   return count > 0 ? lufs(sum_of(self->powers + first, n_bins) / count) : BM_SILENCE_DB;
}

/* Loudness of the passage at `rank` (0 the softest) from `first` on; within a bin its mean stands for each.
 */
static double ranked_lufs(const BmLoudnessHistogram* self, uint32_t first, uint32_t rank)
{
   enum { RUN = 32 };
   uint32_t bin = first;
   uint32_t below = 0;
   for (uint32_t n; bin + RUN <= self->end_bin; bin += RUN, below += n) {
      n = n_in(self->counts + bin, RUN);
      if (below + n > rank) {
         break;
      }
   }
   for (; bin < self->end_bin; ++bin) {
      below += self->counts[bin];
      if (below > rank) {
         return lufs(self->powers[bin] / self->counts[bin]);
      }
   }
   return BM_SILENCE_DB;
}

static double range_lu(const BmLoudnessHistogram* self)
{
   const uint32_t first = gate_bin(self, RANGE_GATE_LU);
   const uint32_t count = first < self->end_bin ? n_in(self->counts + first, self->end_bin - first) : 0;
   if (count == 0) {
      return 0.0;
   }
   return ranked_lufs(self, first, (uint32_t)((count - 1.0) * RANGE_HIGH + 0.5)) -
          ranked_lufs(self, first, (uint32_t)((count - 1.0) * RANGE_LOW + 0.5));
}

/* Mean of the last [n_hops], or of what there is, of a ring. */
static double recent_power(const BmLoudness* self, const double* powers, uint32_t n_hops)
{
   const uint32_t n = n_hops < self->mem.n_hops ? n_hops : (uint32_t)self->mem.n_hops;
   const uint32_t end = (uint32_t)(self->mem.n_hops % BM_LOUDNESS_HOPS_MAX);
   const uint32_t n_after = n < end ? n : end;
   const uint32_t n_before = n - n_after;
   const double sum =
      sum_of(powers + BM_LOUDNESS_HOPS_MAX - n_before, n_before) + sum_of(powers + end - n_after, n_after);
   return sum / n;
}

static void finish_hop(BmLoudness* self)
{
   const uint64_t slot = self->mem.n_hops % BM_LOUDNESS_HOPS_MAX;
   const double n_frames = self->mem.clock.period_frames;
   const BmPairPowers* sums = &self->mem.sums;
   const BmFrame squares = sums->weighted_squares / bm_frame_both(n_frames);
   const double both = squares[0] + squares[1];
   self->mem.power[slot] = self->cfg.n_channels == 2 ? both : squares[0];
   self->mem.mono_power[slot] = fmax(0.0, 0.5 * (both + 2.0 * sums->cross[1] / n_frames));
   memset(&self->mem.sums, 0, sizeof self->mem.sums);

   ++self->mem.n_hops;
   self->mem.momentary_power = recent_power(self, self->mem.power, MOMENTARY_HOPS);
   self->mem.short_term_power = recent_power(self, self->mem.power, BM_LOUDNESS_HOPS_MAX);
   if (self->mem.n_hops % BLOCK_HOPS == 0 && self->mem.n_hops >= MOMENTARY_HOPS) {
      histogram_add(&self->mem.blocks, self->mem.momentary_power);
      self->mem.integrated_lufs = integrated_lufs(&self->mem.blocks);
      if (self->cfg.n_channels == 2) {
         histogram_add(&self->mem.mono_blocks, recent_power(self, self->mem.mono_power, MOMENTARY_HOPS));
         self->mem.mono_integrated_lufs = integrated_lufs(&self->mem.mono_blocks);
      }
   }
   if (self->mem.n_hops % PASSAGE_HOPS == 0 && self->mem.n_hops >= BM_LOUDNESS_HOPS_MAX) {
      histogram_add(&self->mem.passages, self->mem.short_term_power);
      self->mem.range_lu = range_lu(&self->mem.passages);
   }
}

BmStatus bm_loudness_init(BmLoudness* self, double sample_rate_hz, uint32_t n_channels)
{
   const BmStatus status = bm_k_weighting_init(&self->weighting, sample_rate_hz);
   if (status != BM_OK) {
      return status;
   }
   if (n_channels < 1 || n_channels > 2) {
      return BM_BAD_ARGUMENT;
   }
   self->cfg.n_channels = n_channels;
   bm_control_clock_init(&self->mem.clock, (uint32_t)lround(sample_rate_hz / HOPS_PER_S));
   bm_loudness_reset(self);
   return BM_OK;
}

void bm_loudness_reset(BmLoudness* self)
{
   const uint32_t period_frames = self->mem.clock.period_frames;
   bm_k_weighting_reset(&self->weighting);
   memset(&self->mem, 0, sizeof self->mem);
   bm_control_clock_init(&self->mem.clock, period_frames);
   self->mem.integrated_lufs = BM_SILENCE_DB;
   self->mem.mono_integrated_lufs = BM_SILENCE_DB;
}

bool bm_loudness_is_at_hop(const BmLoudness* self)
{
   return bm_control_clock_is_due(&self->mem.clock);
}

uint32_t bm_loudness_hear(BmLoudness* self, const BmFrame* in, uint32_t n_frames, BmPairPowers* sums)
{
   const uint32_t n = bm_control_clock_next(&self->mem.clock, n_frames);
   bm_k_weighting_add_up(&self->weighting, in, n, &self->mem.sums);
   *sums = self->mem.sums;
   bm_control_clock_advance(&self->mem.clock, n);
   if (bm_loudness_is_at_hop(self)) { /* the next one begins: this one is full */
      finish_hop(self);
   }
   return n;
}

void bm_loudness_process(BmLoudness* self, const BmFrame* in, uint32_t n_frames)
{
   while (n_frames > 0) {
      BmPairPowers sums;
      const uint32_t n = bm_loudness_hear(self, in, n_frames, &sums);
      in += n;
      n_frames -= n;
   }
}

double bm_loudness_momentary_lufs(const BmLoudness* self)
{
   return lufs(self->mem.momentary_power);
}

double bm_loudness_short_term_lufs(const BmLoudness* self)
{
   return lufs(self->mem.short_term_power);
}

double bm_loudness_integrated_lufs(const BmLoudness* self)
{
   return self->mem.integrated_lufs;
}

double bm_loudness_range_lu(const BmLoudness* self)
{
   return self->mem.range_lu;
}

double bm_loudness_mono_change_lu(const BmLoudness* self)
{
   if (self->cfg.n_channels < 2 || self->mem.integrated_lufs <= BM_SILENCE_DB) {
      return 0.0;
   }
   return self->mem.mono_integrated_lufs - self->mem.integrated_lufs;
}
