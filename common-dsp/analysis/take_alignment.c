/* SPDX-License-Identifier: ISC */
#include "analysis/take_alignment.h"

#include <math.h>
#include <string.h>

#define PI 3.14159265358979323846
#define CONTROL_RATE_HZ 1500.0
#define WINDOW_S 0.16
#define LOW_HZ 60.0
#define HIGH_HZ 16000.0
#define HIGH_NORM 0.45
#define SILENT_POWER 1e-7 /* -70 dBFS */
#define KEEP 0.9          /* of the means, each window */
#define FEWEST_WINDOWS 3.0
#define COHERENCE_MAX 0.98
#define PIECE_FRAMES 64

enum { WAIT, LOAD, COLUMNS, ROWS, ACCUMULATE, WEIGH, BACK_COLUMNS, BACK_ROWS, SEARCH, N_STAGES };

static uint32_t transform_size(double sample_rate_hz)
{
   uint32_t size = 1024;
   while (size < WINDOW_S * sample_rate_hz) {
      size *= 2;
   }
   return size;
}

static uint32_t column_size(uint32_t size)
{
   uint32_t columns = 1;
   while (columns * columns < size) {
      columns *= 2;
   }
   return columns;
}

static size_t rounded(size_t bytes)
{
   return (bytes + 63) / 64 * 64;
}

static size_t plan_bytes(uint32_t size)
{
   size_t bytes = 0;
   kiss_fft_alloc((int)size, 0, NULL, &bytes);
   return rounded(bytes);
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
   case COLUMNS:
   case BACK_COLUMNS:
      return self->cfg.rows;
   case ROWS:
   case BACK_ROWS:
      return self->cfg.columns;
   case ACCUMULATE:
   case WEIGH:
      return pieces_of(n_bins(self));
   case SEARCH:
      return pieces_of(2 * self->cfg.max_lag_frames + 1);
   default:
      return 0;
   }
}

/* Where frequency or lag k of a whole transform stands after both steps. */
static uint32_t place_of(const BmTakeAlignment* self, uint32_t k)
{
   return k % self->cfg.columns * self->cfg.rows + k / self->cfg.columns;
}

/* One column: a small transform over every rows-th sample, turned for the second step (Cooley and Tukey
 * 1965). */
static void transform_column(BmTakeAlignment* self, uint32_t row)
{
   kiss_fft_cpx* out = self->column + self->cfg.columns;
   kiss_fft_stride(self->column_plan, self->wave + row, out, (int)self->cfg.rows);
   const double angle = -2.0 * PI * row / self->cfg.size;
   const double step_r = cos(angle);
   const double step_i = sin(angle);
   double r = 1.0;
   double i = 0.0;
   for (uint32_t k = 0; k < self->cfg.columns; ++k) {
      const double x = (double)out[k].r;
      const double y = (double)out[k].i;
      self->half[k * self->cfg.rows + row] = (kiss_fft_cpx){(float)(x * r - y * i), (float)(x * i + y * r)};
      const double next = r * step_r - i * step_i;
      i = r * step_i + i * step_r;
      r = next;
   }
}

static void transform_row(BmTakeAlignment* self, uint32_t column)
{
   const size_t at = (size_t)column * self->cfg.rows;
   kiss_fft(self->row_plan, self->half + at, self->wave + at);
}

static void load_piece(BmTakeAlignment* self, uint32_t piece)
{
   const uint32_t first = piece * PIECE_FRAMES;
   const uint32_t ring = 2 * self->cfg.size;
   for (uint32_t n = first; n < first + PIECE_FRAMES; ++n) {
      const uint32_t at = (self->mem.window_end + ring - self->cfg.size + n) % ring;
      const float left = self->heard[0][at];
      const float right = self->heard[1][at];
      self->mem.energy[0] += (double)(left * left);
      self->mem.energy[1] += (double)(right * right);
      /* two real transforms in one: left real, right imaginary */
      self->wave[n] = (kiss_fft_cpx){self->window[n] * left, self->window[n] * right};
   }
}

static void accumulate_piece(BmTakeAlignment* self, uint32_t piece)
{
   const uint32_t first = piece * PIECE_FRAMES;
   const uint32_t last = first + PIECE_FRAMES < n_bins(self) ? first + PIECE_FRAMES : n_bins(self);
   const float keep = (float)KEEP;
   for (uint32_t k = first; k < last; ++k) {
      const kiss_fft_cpx x = self->wave[place_of(self, k)];
      const kiss_fft_cpx y = self->wave[place_of(self, (self->cfg.size - k) % self->cfg.size)];
      const kiss_fft_cpx left = {0.5F * (x.r + y.r), 0.5F * (x.i - y.i)};
      const kiss_fft_cpx right = {0.5F * (x.i + y.i), 0.5F * (y.r - x.r)};
      self->power[0][k] = keep * self->power[0][k] + (left.r * left.r + left.i * left.i);
      self->power[1][k] = keep * self->power[1][k] + (right.r * right.r + right.i * right.i);
      self->cross[k].r = keep * self->cross[k].r + (right.r * left.r + right.i * left.i);
      self->cross[k].i = keep * self->cross[k].i + (right.i * left.r - right.r * left.i);
   }
}

/* The weighted cross-spectrum, both halves, into the wave for the way back. */
static void weigh_piece(BmTakeAlignment* self, uint32_t piece)
{
   const uint32_t first = piece * PIECE_FRAMES;
   const uint32_t last = first + PIECE_FRAMES < n_bins(self) ? first + PIECE_FRAMES : n_bins(self);
   const double chance = 1.0 / self->mem.n_windows; /* coherence of unrelated noise over so many windows */
   for (uint32_t k = first; k < last; ++k) {
      const double r = (double)self->cross[k].r;
      const double i = (double)self->cross[k].i;
      const double square = r * r + i * i;
      const double powers = (double)self->power[0][k] * (double)self->power[1][k];
      double weight = 0.0;
      if (k >= self->cfg.low_bin && k <= self->cfg.high_bin && powers > 0.0 && square > 0.0) {
         const double coherence = fmin(COHERENCE_MAX, (square / powers - chance) / (1.0 - chance));
         weight = coherence > 0.0 ? coherence / (1.0 - coherence) / sqrt(square) : 0.0;
      }
      self->mem.weight_sum += weight * sqrt(square);
      /* Conjugated, since the transform back is made of the one forth. */
      self->wave[k] = (kiss_fft_cpx){(float)(weight * r), (float)(-weight * i)};
      if (k > 0 && k < self->cfg.size / 2) {
         self->wave[self->cfg.size - k] = (kiss_fft_cpx){(float)(weight * r), (float)(weight * i)};
      }
   }
}

static double correlation_at(const BmTakeAlignment* self, int32_t lag)
{
   const uint32_t k = lag >= 0 ? (uint32_t)lag : self->cfg.size - (uint32_t)-lag;
   return (double)self->wave[place_of(self, k)].r;
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
   case COLUMNS:
   case BACK_COLUMNS:
      transform_column(self, piece);
      break;
   case ROWS:
   case BACK_ROWS:
      transform_row(self, piece);
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
   const uint32_t columns = column_size(size);
   return plan_bytes(columns) + plan_bytes(size / columns) + 5 * rounded(size * sizeof(float)) +
          2 * rounded(size * sizeof(kiss_fft_cpx)) + 2 * rounded((size / 2 + 1) * sizeof(float)) +
          rounded((size / 2 + 1) * sizeof(kiss_fft_cpx)) + rounded(2 * columns * sizeof(kiss_fft_cpx));
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
   const uint32_t columns = column_size(size);
   const uint32_t rows = size / columns;
   const double high_hz = fmin(HIGH_HZ, HIGH_NORM * sample_rate_hz);
   self->cfg.rate_hz = sample_rate_hz;
   self->cfg.size = size;
   self->cfg.columns = columns;
   self->cfg.rows = rows;
   self->cfg.low_bin = (uint32_t)ceil(LOW_HZ * size / sample_rate_hz);
   self->cfg.high_bin = (uint32_t)(high_hz * size / sample_rate_hz);
   self->cfg.max_lag_frames = (uint32_t)ceil(BM_ALIGNMENT_MAX_S * sample_rate_hz);

   char* at = memory;
   size_t bytes = plan_bytes(columns);
   self->column_plan = kiss_fft_alloc((int)columns, 0, take(&at, bytes), &bytes);
   bytes = plan_bytes(rows);
   self->row_plan = kiss_fft_alloc((int)rows, 0, take(&at, bytes), &bytes);
   self->heard[0] = take(&at, 2 * size * sizeof(float));
   self->heard[1] = take(&at, 2 * size * sizeof(float));
   self->window = take(&at, size * sizeof(float));
   self->wave = take(&at, size * sizeof(kiss_fft_cpx));
   self->half = take(&at, size * sizeof(kiss_fft_cpx));
   self->power[0] = take(&at, (size / 2 + 1) * sizeof(float));
   self->power[1] = take(&at, (size / 2 + 1) * sizeof(float));
   self->cross = take(&at, (size / 2 + 1) * sizeof(kiss_fft_cpx));
   self->column = take(&at, 2 * columns * sizeof(kiss_fft_cpx));
   for (uint32_t n = 0; n < size; ++n) {
      self->window[n] = (float)(0.5 - 0.5 * cos(2.0 * PI * (n + 0.5) / size));
   }

   const uint32_t period_frames = (uint32_t)lround(sample_rate_hz / CONTROL_RATE_HZ);
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
   memset(self->cross, 0, bins * sizeof(kiss_fft_cpx));
}

void bm_take_alignment_process(BmTakeAlignment* self, const BmFrame* in, uint32_t n_frames)
{
   const uint32_t ring = 2 * self->cfg.size;
   while (n_frames > 0) {
      if (bm_control_clock_is_due(&self->mem.clock)) {
         control(self);
      }
      const uint32_t n = bm_control_clock_next(&self->mem.clock, n_frames);
      for (uint32_t i = 0; i < n; ++i) {
         self->heard[0][self->mem.write_index] = (float)in[i][0];
         self->heard[1][self->mem.write_index] = (float)in[i][1];
         self->mem.write_index = self->mem.write_index + 1 < ring ? self->mem.write_index + 1 : 0;
      }
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
