/* SPDX-License-Identifier: ISC */
#include "analysis/take_alignment.h"

#include "base/clones.h"
#include "base/floats.h"

#include <math.h>
#include <string.h>

#define PI 3.14159265358979323846
#define CONTROL_RATE_HZ 1500.0
#define PERIOD_MAX_FRAMES 32 /* or a host's short block would have all of the work, and the next none */
#define WINDOW_S 0.16
#define LOW_HZ 60.0
#define HIGH_HZ 16000.0
#define HIGH_NORM 0.45
#define SILENT_POWER 1e-7 /* -70 dBFS */
#define KEEP 0.9          /* of the means, each window */
#define FEWEST_WINDOWS 3.0
#define COHERENCE_MAX 0.98
#define LEAST_POWERS 1e-60 /* keeps silence from being divided by */
#define PIECE_FRAMES 64    /* divides the size of the transform */
#define PIECE_STEPS 16

enum { WAIT, LOAD, TRANSFORM, ACCUMULATE, WEIGH, BACK, SEARCH, N_STAGES };

static uint32_t transform_size(double sample_rate_hz)
{
   uint32_t size = 1024;
   while (size < WINDOW_S * sample_rate_hz) {
      size *= 2;
   }
   return size;
}

static size_t rounded(size_t bytes)
{
   return (bytes + 63) / 64 * 64;
}

static uint32_t pieces_of(uint32_t n)
{
   return (n + PIECE_FRAMES - 1) / PIECE_FRAMES;
}

static uint32_t n_bins(const BmTakeAlignment* self)
{
   return self->cfg.size / 2 + 1;
}

static uint32_t stage_pieces(const BmTakeAlignment* self, uint32_t stage)
{
   switch (stage) {
   case LOAD:
      return pieces_of(self->cfg.size);
   case TRANSFORM:
   case BACK:
      return (bm_fft_steps(self->cfg.size) + PIECE_STEPS - 1) / PIECE_STEPS;
   case ACCUMULATE:
   case WEIGH:
      return pieces_of(n_bins(self));
   case SEARCH:
      return pieces_of(2 * self->cfg.max_lag_frames + 1);
   default:
      return 0;
   }
}

/* Left as the real part, right as the imaginary: two real transforms in one. */
BM_CLONES static void load_run(BmTakeAlignment* self, uint32_t to, uint32_t from, uint32_t n)
{
   const float* left = self->heard[0] + from;
   const float* right = self->heard[1] + from;
   double energy_left = self->mem.energy[0];
   double energy_right = self->mem.energy[1];
   for (uint32_t i = 0; i < n; ++i) {
      energy_left += (double)(left[i] * left[i]);
      energy_right += (double)(right[i] * right[i]);
      self->re[to + i] = self->window[to + i] * left[i];
      self->im[to + i] = self->window[to + i] * right[i];
   }
   self->mem.energy[0] = energy_left;
   self->mem.energy[1] = energy_right;
}

static void load_piece(BmTakeAlignment* self, uint32_t piece)
{
   const uint32_t first = piece * PIECE_FRAMES;
   const uint32_t ring = 2 * self->cfg.size;
   const uint32_t from = (self->mem.window_end + ring - self->cfg.size + first) % ring;
   const uint32_t before_end = ring - from < PIECE_FRAMES ? ring - from : PIECE_FRAMES;
   load_run(self, first, from, before_end);
   load_run(self, first + before_end, 0, PIECE_FRAMES - before_end);
}

static void transform_piece(BmTakeAlignment* self, uint32_t piece)
{
   if (piece == 0) {
      self->mem.transform = (BmFftProgress){0};
   }
   bm_fft_work(self->fft_table, self->cfg.size, &self->mem.transform, PIECE_STEPS, self->re, self->im);
}

/* Bins k and -k of the transform of left + i right, as they lie together in the pieces. */
typedef struct {
   float x_re[PIECE_FRAMES];
   float x_im[PIECE_FRAMES];
   float y_re[PIECE_FRAMES];
   float y_im[PIECE_FRAMES];
} BinPairs;

BM_CLONES static void accumulate(BmTakeAlignment* self, const BinPairs* bins, uint32_t first, uint32_t n)
{
   const float keep = (float)KEEP;
   float* restrict power_left = self->power[0] + first;
   float* restrict power_right = self->power[1] + first;
   float* restrict cross_re = self->cross_re + first;
   float* restrict cross_im = self->cross_im + first;
   for (uint32_t i = 0; i < n; ++i) {
      const float left_re = 0.5F * (bins->x_re[i] + bins->y_re[i]);
      const float left_im = 0.5F * (bins->x_im[i] - bins->y_im[i]);
      const float right_re = 0.5F * (bins->x_im[i] + bins->y_im[i]);
      const float right_im = 0.5F * (bins->y_re[i] - bins->x_re[i]);
      power_left[i] = keep * power_left[i] + (left_re * left_re + left_im * left_im);
      power_right[i] = keep * power_right[i] + (right_re * right_re + right_im * right_im);
      cross_re[i] = keep * cross_re[i] + (right_re * left_re + right_im * left_im);
      cross_im[i] = keep * cross_im[i] + (right_im * left_re - right_re * left_im);
   }
}

static uint32_t piece_end(const BmTakeAlignment* self, uint32_t first)
{
   return first + PIECE_FRAMES < n_bins(self) ? first + PIECE_FRAMES : n_bins(self);
}

static void accumulate_piece(BmTakeAlignment* self, uint32_t piece)
{
   const uint32_t first = piece * PIECE_FRAMES;
   const uint32_t end = piece_end(self, first);
   BinPairs bins;
   for (uint32_t k = first; k < end; ++k) {
      const uint32_t x = self->place[k];
      const uint32_t y = self->place[(self->cfg.size - k) % self->cfg.size];
      bins.x_re[k - first] = self->re[x];
      bins.x_im[k - first] = self->im[x];
      bins.y_re[k - first] = self->re[y];
      bins.y_im[k - first] = self->im[y];
   }
   accumulate(self, &bins, first, end - first);
}

/* What a frequency has to say, over the magnitude of its cross-spectrum, and that magnitude. */
BM_CLONES static void weigh(const BmTakeAlignment* self, uint32_t first, uint32_t n,
                            double weights[PIECE_FRAMES], double magnitudes[PIECE_FRAMES])
{
   const double chance = 1.0 / self->mem.n_windows; /* coherence of unrelated noise over so many windows */
   const double over_chance = 1.0 / (1.0 - chance);
   for (uint32_t i = 0; i < n; ++i) {
      const double r = (double)self->cross_re[first + i];
      const double im = (double)self->cross_im[first + i];
      const double square = r * r + im * im;
      const double powers = (double)self->power[0][first + i] * (double)self->power[1][first + i];
      const double magnitude = sqrt(square);
      const double raw = (square / (powers + LEAST_POWERS) - chance) * over_chance;
      const double coherence = raw < 0.0 ? 0.0 : raw > COHERENCE_MAX ? COHERENCE_MAX : raw;
      weights[i] = coherence / ((1.0 - coherence) * (magnitude + LEAST_POWERS));
      magnitudes[i] = magnitude;
   }
}

/* The weighted cross-spectrum, both halves, for the way back. */
static void weigh_piece(BmTakeAlignment* self, uint32_t piece)
{
   const uint32_t size = self->cfg.size;
   const uint32_t first = piece * PIECE_FRAMES;
   const uint32_t end = piece_end(self, first);
   double weights[PIECE_FRAMES];
   double magnitudes[PIECE_FRAMES];
   weigh(self, first, end - first, weights, magnitudes);
   for (uint32_t k = first; k < end; ++k) {
      const double weight = k >= self->cfg.low_bin && k <= self->cfg.high_bin ? weights[k - first] : 0.0;
      self->mem.weight_sum += weight * magnitudes[k - first];
      const float r = (float)(weight * (double)self->cross_re[k]);
      const float i = (float)(weight * (double)self->cross_im[k]);
      /* Conjugated, since the transform back is made of the one forth. */
      self->re[k] = r;
      self->im[k] = -i;
      if (k > 0 && k < size / 2) {
         self->re[size - k] = r;
         self->im[size - k] = i;
      }
   }
}

static double correlation_at(const BmTakeAlignment* self, int32_t lag)
{
   const uint32_t k = lag >= 0 ? (uint32_t)lag : self->cfg.size - (uint32_t)-lag;
   return (double)self->re[self->place[k]];
}

static void search_piece(BmTakeAlignment* self, uint32_t piece)
{
   const int32_t most = (int32_t)self->cfg.max_lag_frames;
   const int32_t first = (int32_t)(piece * PIECE_FRAMES) - most;
   for (int32_t lag = first; lag < first + PIECE_FRAMES && lag <= most; ++lag) {
      const double value = correlation_at(self, lag);
      if (fabs(value) > fabs(self->mem.peak)) {
         self->mem.peak = value;
         self->mem.peak_lag = lag;
      }
   }
}

static void conclude(BmTakeAlignment* self)
{
   /* Both halves of the spectrum add up in the peak. */
   self->mem.confidence =
      self->mem.weight_sum > 0.0 ? fmin(1.0, 0.5 * fabs(self->mem.peak) / self->mem.weight_sum) : 0.0;
   if (self->mem.confidence < BM_ALIGNMENT_CONFIDENT) {
      return;
   }
   const double before = correlation_at(self, self->mem.peak_lag - 1);
   const double at = self->mem.peak;
   const double after = correlation_at(self, self->mem.peak_lag + 1);
   const double bend = before - 2.0 * at + after;
   self->mem.delay_frames = self->mem.peak_lag + (bend * at < 0.0 ? 0.5 * (before - after) / bend : 0.0);
   self->mem.is_opposed = at < 0.0;
}

/* The step from a finished stage to the next. */
static void finish_stage(BmTakeAlignment* self)
{
   const uint32_t finished = self->mem.stage;
   self->mem.piece = 0;
   self->mem.stage = (finished + 1) % N_STAGES;
   if (finished == LOAD) {
      const double silent = SILENT_POWER * self->cfg.size;
      if (!(self->mem.energy[0] > silent && self->mem.energy[1] > silent)) {
         self->mem.stage = WAIT;
      }
   } else if (finished == ACCUMULATE) {
      self->mem.n_windows = KEEP * self->mem.n_windows + 1.0;
      self->mem.weight_sum = 0.0;
      self->mem.peak = 0.0;
      self->mem.peak_lag = 0;
      if (self->mem.n_windows < FEWEST_WINDOWS * 0.9) {
         self->mem.stage = WAIT;
      }
   } else if (finished == SEARCH) {
      conclude(self);
   }
}

static void work_a_piece(BmTakeAlignment* self)
{
   const uint32_t piece = self->mem.piece++;
   switch (self->mem.stage) {
   case LOAD:
      load_piece(self, piece);
      break;
   case TRANSFORM:
   case BACK:
      transform_piece(self, piece);
      break;
   case ACCUMULATE:
      accumulate_piece(self, piece);
      break;
   case WEIGH:
      weigh_piece(self, piece);
      break;
   default:
      search_piece(self, piece);
      break;
   }
   if (self->mem.piece == stage_pieces(self, self->mem.stage)) {
      finish_stage(self);
   }
}

static void control(BmTakeAlignment* self)
{
   if (self->mem.stage == WAIT && self->mem.fresh_frames >= self->cfg.size / 2) {
      self->mem.fresh_frames = 0;
      self->mem.window_end = self->mem.write_index;
      self->mem.energy[0] = 0.0;
      self->mem.energy[1] = 0.0;
      self->mem.piece = 0;
      self->mem.stage = LOAD;
   }
   for (uint32_t i = 0; i < self->cfg.pieces && self->mem.stage != WAIT; ++i) {
      work_a_piece(self);
   }
}

size_t bm_take_alignment_bytes(double sample_rate_hz)
{
   const uint32_t size = transform_size(sample_rate_hz);
   return rounded(BM_FFT_TABLE_FLOATS(size) * sizeof(float)) + rounded(size * sizeof(uint32_t)) +
          7 * rounded(size * sizeof(float)) + 4 * rounded((size / 2 + 1) * sizeof(float));
}

static void* take(char** at, size_t bytes)
{
   void* taken = *at;
   *at += rounded(bytes);
   return taken;
}

BmStatus bm_take_alignment_init(BmTakeAlignment* self, void* memory, double sample_rate_hz)
{
   const BmStatus status = bm_check_rate(sample_rate_hz);
   if (status != BM_OK) {
      return status;
   }
   if (!memory) {
      return BM_BAD_ARGUMENT;
   }
   const uint32_t size = transform_size(sample_rate_hz);
   const double high_hz = fmin(HIGH_HZ, HIGH_NORM * sample_rate_hz);
   self->cfg.rate_hz = sample_rate_hz;
   self->cfg.size = size;
   self->cfg.low_bin = (uint32_t)ceil(LOW_HZ * size / sample_rate_hz);
   self->cfg.high_bin = (uint32_t)(high_hz * size / sample_rate_hz);
   self->cfg.max_lag_frames = (uint32_t)ceil(BM_ALIGNMENT_MAX_S * sample_rate_hz);

   char* at = memory;
   self->heard[0] = take(&at, 2 * size * sizeof(float));
   self->heard[1] = take(&at, 2 * size * sizeof(float));
   self->window = take(&at, size * sizeof(float));
   self->fft_table = take(&at, BM_FFT_TABLE_FLOATS(size) * sizeof(float));
   self->place = take(&at, size * sizeof(uint32_t));
   self->re = take(&at, size * sizeof(float));
   self->im = take(&at, size * sizeof(float));
   self->power[0] = take(&at, (size / 2 + 1) * sizeof(float));
   self->power[1] = take(&at, (size / 2 + 1) * sizeof(float));
   self->cross_re = take(&at, (size / 2 + 1) * sizeof(float));
   self->cross_im = take(&at, (size / 2 + 1) * sizeof(float));
   bm_fft_init(self->fft_table, size);
   for (uint32_t k = 0; k < size; ++k) {
      self->place[k] = bm_fft_place(size, k);
   }
   for (uint32_t n = 0; n < size; ++n) {
      self->window[n] = (float)(0.5 - 0.5 * cos(2.0 * PI * (n + 0.5) / size));
   }

   const uint32_t period = bm_control_period_frames(CONTROL_RATE_HZ, sample_rate_hz);
   const uint32_t period_frames = period < PERIOD_MAX_FRAMES ? period : PERIOD_MAX_FRAMES;
   bm_control_clock_init(&self->mem.clock, period_frames);
   uint32_t all_pieces = 0;
   for (uint32_t stage = LOAD; stage < N_STAGES; ++stage) {
      all_pieces += stage_pieces(self, stage);
   }
   const uint32_t periods = size / 2 / period_frames - 2; /* done before the next window is due */
   self->cfg.pieces = (all_pieces + periods - 1) / periods;
   bm_take_alignment_reset(self);
   return BM_OK;
}

void bm_take_alignment_reset(BmTakeAlignment* self)
{
   const BmControlClock clock = self->mem.clock;
   const size_t bins = n_bins(self);
   memset(&self->mem, 0, sizeof self->mem);
   self->mem.clock = clock;
   bm_control_clock_reset(&self->mem.clock);
   for (uint32_t lane = 0; lane < 2; ++lane) {
      memset(self->heard[lane], 0, 2 * (size_t)self->cfg.size * sizeof(float));
      memset(self->power[lane], 0, bins * sizeof(float));
   }
   memset(self->cross_re, 0, bins * sizeof(float));
   memset(self->cross_im, 0, bins * sizeof(float));
}

void bm_take_alignment_process(BmTakeAlignment* self, const BmFrame* in, uint32_t n_frames)
{
   const uint32_t ring = 2 * self->cfg.size;
   while (n_frames > 0) {
      if (bm_control_clock_is_due(&self->mem.clock)) {
         control(self);
      }
      const uint32_t n = bm_control_clock_next(&self->mem.clock, n_frames);
      uint32_t at = self->mem.write_index;
      for (uint32_t i = 0; i < n; ++i) {
         self->heard[0][at] = (float)in[i][0];
         self->heard[1][at] = (float)in[i][1];
         at = at + 1 < ring ? at + 1 : 0;
      }
      self->mem.write_index = at;
      self->mem.fresh_frames += n;
      bm_control_clock_advance(&self->mem.clock, n);
      in += n;
      n_frames -= n;
   }
}

double bm_take_alignment_delay_ms(const BmTakeAlignment* self)
{
   return 1000.0 * self->mem.delay_frames / self->cfg.rate_hz;
}

bool bm_take_alignment_is_opposed(const BmTakeAlignment* self)
{
   return self->mem.is_opposed;
}

double bm_take_alignment_confidence_norm(const BmTakeAlignment* self)
{
   return self->mem.confidence;
}
