/* SPDX-License-Identifier: ISC */
#include "stereo/head_responses.h"

#include "base/fft.h"

#include <math.h>
#include <string.h>

#define PI 3.14159265358979323846
#define SPEED_OF_SOUND_M_S 343.0

#define HOLD_BELOW_HZ 150.0
#define HOLD_ABOVE_NORM 0.45 /* of the measured rate */
#define LOG_SQRT_2 0.34657359F
#define FLOOR_POWER 1e-10f /* -100 dB under the loudest bin: what is below is noise */
#define LAG_LOW_HZ 100.0
#define LAG_HIGH_HZ 16000.0
#define LAG_MAX_S 0.001   /* more than any head */
#define ROUGH_FRAMES 0.5  /* for what both ears share */
#define FINE_FRAMES 0.125 /* for what is between them */
#define PLANE_WAVE_M 1e6  /* the sphere stands in one */
#define NEIGHBOURS 8

/* Brown and Duda 1998. */
#define SHADOW_MIN 0.1
#define SHADOW_MIN_ANGLE_RAD (150.0 / 180.0 * PI)

static uint32_t power_of_two(uint32_t at_least)
{
   uint32_t n = 256;
   while (n < at_least) {
      n *= 2;
   }
   return n;
}

static uint32_t source_size(const BmMeasuredHead* measured)
{
   return power_of_two(8 * measured->n_taps);
}

static uint32_t target_size(double sample_rate_hz)
{
   return power_of_two(8 * bm_head_taps(sample_rate_hz));
}

typedef struct {
   float r;
   float i;
} Bin;

/* A transform of one size with room for its data, laid out in the scratch memory. */
typedef struct {
   uint32_t size;
   float* table;
   float* re;           /* [size] */
   float* im;           /* [size] */
   float* wave;         /* [size] */
   Bin* bins;           /* [size / 2 + 1] */
   float* log_spectrum; /* [size / 2 + 1], natural log of magnitude */
} Transform;

static size_t rounded(size_t bytes)
{
   return (bytes + 15) / 16 * 16;
}

static size_t transform_bytes(uint32_t size)
{
   return (BM_FFT_TABLE_FLOATS(size) + 3 * size) * sizeof(float) + rounded((size / 2 + 1) * sizeof(Bin)) +
          rounded((size / 2 + 1) * sizeof(float));
}

static char* transform_init(Transform* self, uint32_t size, char* at)
{
   self->size = size;
   self->table = (float*)(void*)at;
   self->re = self->table + BM_FFT_TABLE_FLOATS(size);
   self->im = self->re + size;
   self->wave = self->im + size;
   self->bins = (Bin*)(void*)(self->wave + size);
   at = (char*)self->bins + rounded((size / 2 + 1) * sizeof(Bin));
   self->log_spectrum = (float*)(void*)at;
   bm_fft_init(self->table, size);
   return at + rounded((size / 2 + 1) * sizeof(float));
}

static void run(Transform* self)
{
   BmFftProgress progress = {0};
   bm_fft_work(self->table, self->size, &progress, bm_fft_steps(self->size), self->re, self->im);
}

/* From wave to bins. */
static void forward(Transform* self)
{
   memcpy(self->re, self->wave, self->size * sizeof *self->wave);
   memset(self->im, 0, self->size * sizeof *self->im);
   run(self);
   for (uint32_t k = 0; k <= self->size / 2; ++k) {
      const uint32_t place = bm_fft_place(self->size, k);
      self->bins[k] = (Bin){self->re[place], self->im[place]};
   }
}

/* From bins to the wave, times the size: the forward transform of the conjugate is the conjugate of it. */
static void inverse(Transform* self)
{
   const uint32_t half = self->size / 2;
   for (uint32_t k = 0; k <= half; ++k) {
      const uint32_t mirrored = (self->size - k) % self->size;
      self->re[k] = self->re[mirrored] = self->bins[k].r;
      self->im[mirrored] = self->bins[k].i;
      self->im[k] = -self->bins[k].i;
   }
   self->im[0] = self->im[half] = 0.0F;
   run(self);
   for (uint32_t n = 0; n < self->size; ++n) {
      self->wave[n] = self->re[bm_fft_place(self->size, n)];
   }
}

/* From log_spectrum to the spectrum of its minimum phase in bins; wave is used up. */
static void minimum_phase(Transform* self)
{
   const uint32_t half = self->size / 2;
   for (uint32_t k = 0; k <= half; ++k) {
      self->bins[k] = (Bin){self->log_spectrum[k] / (float)self->size, 0.0F};
   }
   inverse(self);
   for (uint32_t n = 1; n < half; ++n) { /* fold: all of the cepstrum after time 0 */
      self->wave[n] *= 2.0F;
      self->wave[self->size - n] = 0.0F;
   }
   forward(self);
   for (uint32_t k = 0; k <= half; ++k) {
      const float magnitude = expf(self->bins[k].r);
      const float phase = self->bins[k].i;
      self->bins[k] = (Bin){magnitude * cosf(phase), magnitude * sinf(phase)};
   }
}

static float power_at(Bin bin)
{
   return bin.r * bin.r + bin.i * bin.i;
}

static void load(Transform* self, const float* taps, uint32_t n_taps)
{
   memcpy(self->wave, taps, n_taps * sizeof *taps);
   memset(self->wave + n_taps, 0, (self->size - n_taps) * sizeof *taps);
   forward(self);
}

/* How much of the sphere a position stands for: rings of elevation, shared by those that are on them. */
static double share_of_sphere(const BmMeasuredHead* measured, uint32_t position)
{
   const float elevation = measured->positions[3 * position + 1];
   double on_ring = 0.0;
   for (uint32_t i = 0; i < measured->n_positions; ++i) {
      on_ring += fabsf(measured->positions[3 * i + 1] - elevation) < 0.5F ? 1.0 : 0.0;
   }
   return (cos(elevation * PI / 180.0) + 1e-3) / on_ring;
}

/* Mean power of all directions and ears, bin by bin; natural log of its root. */
static void diffuse_field(const BmMeasuredHead* measured, Transform* source, double* power,
                          float* log_magnitude)
{
   const uint32_t n_bins = source->size / 2 + 1;
   double shares = 0.0;
   memset(power, 0, n_bins * sizeof *power);
   for (uint32_t i = 0; i < measured->n_positions; ++i) {
      const double share = share_of_sphere(measured, i);
      shares += 2.0 * share;
      for (uint32_t ear = 0; ear < 2; ++ear) {
         load(source, measured->taps + (size_t)(2 * i + ear) * measured->n_taps, measured->n_taps);
         for (uint32_t k = 0; k < n_bins; ++k) {
            power[k] += share * (double)power_at(source->bins[k]);
         }
      }
   }
   double loudest = 0.0;
   for (uint32_t k = 0; k < n_bins; ++k) {
      loudest = fmax(loudest, power[k]);
   }
   for (uint32_t k = 0; k < n_bins; ++k) {
      log_magnitude[k] = (float)(0.5 * log(fmax(power[k], (double)FLOOR_POWER * loudest) / shares));
   }
}

/* a lies behind b at lag > 0: the real part of the weighted cross-spectrum's transform, at any time. */
static double correlation_at(const Bin* cross, uint32_t n_bins, double lag_frames)
{
   const double turn = PI * lag_frames / (n_bins - 1);
   const double step_r = cos(turn);
   const double step_i = sin(turn);
   double r = 1.0;
   double i = 0.0;
   double sum = 0.0;
   for (uint32_t k = 0; k < n_bins; ++k) {
      sum += (double)cross[k].r * r - (double)cross[k].i * i;
      const double next = r * step_r - i * step_i;
      i = r * step_i + i * step_r;
      r = next;
   }
   return sum;
}

/* How far a lies behind b where both correlate best, from `first` to `last` frames, as music weighs
   frequencies: by 1 / sqrt(f), half way from white to pink. `finest_frames` is the last step of the search.
   Uses up the transform. */
static double best_lag_frames(Transform* transform, const Bin* a, const Bin* b, int first, int last,
                              double rate_hz, double finest_frames)
{
   const uint32_t n_bins = transform->size / 2 + 1;
   for (uint32_t k = 0; k < n_bins; ++k) {
      const double hz = k * rate_hz / transform->size;
      const bool heard = hz >= LAG_LOW_HZ && hz <= fmin(LAG_HIGH_HZ, HOLD_ABOVE_NORM * rate_hz);
      const float weight = heard ? (float)(1.0 / sqrt(hz)) : 0.0F;
      transform->bins[k] =
         (Bin){weight * (a[k].r * b[k].r + a[k].i * b[k].i), weight * (a[k].i * b[k].r - a[k].r * b[k].i)};
   }
   inverse(transform);
   const int size = (int)transform->size;
   int peak = first;
   for (int lag = first; lag <= last; ++lag) {
      peak = transform->wave[(lag + size) % size] > transform->wave[(peak + size) % size] ? lag : peak;
   }
   double centre = peak; /* a parabola on ever closer points */
   for (double step = 0.5; step >= finest_frames; step *= 0.25) {
      const double before = correlation_at(transform->bins, n_bins, centre - step);
      const double at = correlation_at(transform->bins, n_bins, centre);
      const double after = correlation_at(transform->bins, n_bins, centre + step);
      const double bend = before - 2.0 * at + after;
      centre += bend < 0.0 ? fmax(-step, fmin(step, 0.5 * step * (before - after) / bend)) : 0.0;
   }
   return centre;
}

static float interpolated(const float* values, double place)
{
   const uint32_t below = (uint32_t)place;
   const float share = (float)(place - below);
   return values[below] + share * (values[below + 1] - values[below]);
}

static void log_magnitude(const Bin* bins, uint32_t n_bins, float* logs)
{
   float loudest = 0.0F;
   for (uint32_t k = 0; k < n_bins; ++k) {
      loudest = fmaxf(loudest, power_at(bins[k]));
   }
   for (uint32_t k = 0; k < n_bins; ++k) {
      logs[k] = 0.5F * logf(fmaxf(power_at(bins[k]), FLOOR_POWER * loudest));
   }
}

/* The beginning of the transform's wave, its last quarter faded out. */
static void keep_taps(const Transform* target, float* taps, uint32_t n_taps)
{
   for (uint32_t n = 0; n < n_taps; ++n) {
      const double end = 4.0 * (n + 0.5) / n_taps - 3.0;
      const double fade = end > 0.0 ? 0.5 + 0.5 * cos(PI * end) : 1.0;
      taps[n] = (float)(fade * (double)target->wave[n] / (double)target->size);
   }
}

static bool makes_sense(const BmMeasuredHead* measured)
{
   if (measured->n_positions == 0 || measured->n_taps < 8 || measured->n_taps > 1U << 16 ||
       bm_check_rate(measured->sample_rate_hz) != BM_OK ||
       !(measured->positions[2] > BM_HEAD_RADIUS_M * 1.1)) {
      return false;
   }
   double sum = 0.0; /* not finite if anything in it is not */
   for (size_t i = 0; i < 3 * (size_t)measured->n_positions; ++i) {
      sum += fabs((double)measured->positions[i]);
   }
   for (uint32_t i = 0; i < 2 * measured->n_positions; ++i) {
      double energy = 0.0;
      for (uint32_t n = 0; n < measured->n_taps; ++n) {
         const double x = (double)measured->taps[(size_t)i * measured->n_taps + n];
         energy += x * x;
      }
      if (!(energy > 0.0)) {
         return false;
      }
      sum += energy + (measured->delays_frames ? fabs((double)measured->delays_frames[i]) : 0.0);
   }
   return isfinite(sum);
}

BmDirection bm_direction(double azimuth_deg, double elevation_deg)
{
   const double azimuth = azimuth_deg * PI / 180.0;
   const double elevation = elevation_deg * PI / 180.0;
   return (BmDirection){cos(azimuth) * cos(elevation), sin(azimuth) * cos(elevation), sin(elevation)};
}

uint32_t bm_head_taps(double sample_rate_hz)
{
   return (uint32_t)ceil(BM_HEAD_RESPONSE_S * sample_rate_hz);
}

BmStatus bm_head_responses_init_sphere(BmHeadResponses* self, double sample_rate_hz)
{
   const BmStatus status = bm_check_rate(sample_rate_hz);
   if (status != BM_OK) {
      return status;
   }
   *self = (BmHeadResponses){
      .rate_hz = sample_rate_hz, .n_taps = bm_head_taps(sample_rate_hz), .radius_m = PLANE_WAVE_M};
   return BM_OK;
}

size_t bm_head_responses_bytes(const BmMeasuredHead* measured, double sample_rate_hz)
{
   return measured->n_positions *
          (sizeof(BmHeadDirection) + sizeof(float) * (2 + 2 * (size_t)bm_head_taps(sample_rate_hz)));
}

size_t bm_head_responses_scratch_bytes(const BmMeasuredHead* measured, double sample_rate_hz)
{
   const uint32_t size = source_size(measured);
   return transform_bytes(size) + transform_bytes(target_size(sample_rate_hz)) +
          (size / 2 + 2) * (sizeof(double) + sizeof(float) + 4 * sizeof(Bin)) + 64;
}

/* Shell's, with Ciura's gaps (from memory): common-dsp has no heap, which a library's may want. */
static void sort_by_height(BmHeadDirection* directions, uint32_t n)
{
   static const uint32_t gaps[] = {16000, 7000, 3000, 1750, 701, 301, 132, 57, 23, 10, 4, 1};
   for (size_t g = 0; g < sizeof gaps / sizeof *gaps; ++g) {
      for (uint32_t i = gaps[g]; i < n; ++i) {
         const BmHeadDirection moved = directions[i];
         uint32_t place = i;
         for (; place >= gaps[g] && directions[place - gaps[g]].z > moved.z; place -= gaps[g]) {
            directions[place] = directions[place - gaps[g]];
         }
         directions[place] = moved;
      }
   }
}

BmStatus bm_head_responses_init_measured(BmHeadResponses* self, void* memory, void* scratch,
                                         double sample_rate_hz, const BmMeasuredHead* measured)
{
   const BmStatus status = bm_head_responses_init_sphere(self, sample_rate_hz);
   if (status != BM_OK) {
      return status;
   }
   if (!memory || !scratch || !makes_sense(measured)) {
      return BM_BAD_ARGUMENT;
   }
   const uint32_t n_positions = measured->n_positions;
   BmHeadDirection* directions = memory;
   float* delays_s = (float*)(void*)(directions + n_positions);
   float* all_taps = delays_s + 2 * (size_t)n_positions;

   Transform source, target;
   char* at = transform_init(&source, source_size(measured), scratch);
   at = transform_init(&target, target_size(sample_rate_hz), at);
   double* power = (double*)(void*)at;
   const uint32_t n_bins = source.size / 2 + 1;
   Bin* spectra = (Bin*)(void*)(power + n_bins + 1);
   Bin* raw[2] = {spectra, spectra + n_bins};
   Bin* minimum[2] = {spectra + 2 * n_bins, spectra + 3 * n_bins};
   float* colour = (float*)(void*)(spectra + 4 * n_bins);
   diffuse_field(measured, &source, power, colour);

   /* With the colour kept, at least its mean level goes: log-spaced, as the ear hears it. */
   double level = 0.0;
   double n_levels = 0.0;
   for (double hz = HOLD_BELOW_HZ; hz < HOLD_ABOVE_NORM * measured->sample_rate_hz; hz *= 1.05) {
      level += (double)interpolated(colour, hz / measured->sample_rate_hz * source.size);
      n_levels += 1.0;
   }
   level /= n_levels;

   double earliest_s = INFINITY;
   for (uint32_t i = 0; i < n_positions; ++i) {
      double behind[2]; /* its minimum phase, in frames */
      for (uint32_t ear = 0; ear < 2; ++ear) {
         const size_t index = 2 * (size_t)i + ear;
         load(&source, measured->taps + index * measured->n_taps, measured->n_taps);
         memcpy(raw[ear], source.bins, n_bins * sizeof *source.bins);
         log_magnitude(source.bins, n_bins, source.log_spectrum);
         for (uint32_t k = 0; k <= target.size / 2; ++k) {
            const double hz = fmin(fmax(k * sample_rate_hz / target.size, HOLD_BELOW_HZ),
                                   HOLD_ABOVE_NORM * measured->sample_rate_hz);
            const double place = hz / measured->sample_rate_hz * source.size;
            target.log_spectrum[k] = interpolated(source.log_spectrum, place) - LOG_SQRT_2 -
                                     (measured->keep_colour ? (float)level : interpolated(colour, place));
         }
         minimum_phase(&target);
         inverse(&target);
         keep_taps(&target, all_taps + index * self->n_taps, self->n_taps);

         minimum_phase(&source);
         memcpy(minimum[ear], source.bins, n_bins * sizeof *source.bins);
         behind[ear] = best_lag_frames(&source, raw[ear], minimum[ear], 0, (int)measured->n_taps,
                                       measured->sample_rate_hz, ROUGH_FRAMES);
         behind[ear] += measured->delays_frames ? (double)measured->delays_frames[index] : 0.0;
      }
      /* The two delays of minimum phases differ so that the pair correlates at the lag of the measured pair.
       */
      const int most = (int)(LAG_MAX_S * measured->sample_rate_hz);
      const double apart =
         best_lag_frames(&source, raw[0], raw[1], -most, most, measured->sample_rate_hz, FINE_FRAMES) -
         best_lag_frames(&source, minimum[0], minimum[1], -most, most, measured->sample_rate_hz,
                         FINE_FRAMES) +
         (measured->delays_frames
             ? (double)measured->delays_frames[2 * i] - (double)measured->delays_frames[2 * i + 1]
             : 0.0);
      const double middle = 0.5 * (behind[0] + behind[1]);
      delays_s[2 * i] = (float)((middle + 0.5 * apart) / measured->sample_rate_hz);
      delays_s[2 * i + 1] = (float)((middle - 0.5 * apart) / measured->sample_rate_hz);
      earliest_s = fmin(earliest_s, (double)fminf(delays_s[2 * i], delays_s[2 * i + 1]));
   }
   for (uint32_t i = 0; i < n_positions; ++i) {
      const float* position = measured->positions + 3 * (size_t)i;
      const BmDirection direction = bm_direction((double)position[0], (double)position[1]);
      directions[i] =
         (BmHeadDirection){(float)direction.x, (float)direction.y, (float)direction.z, .position = i};
      delays_s[2 * i] -= (float)earliest_s;
      delays_s[2 * i + 1] -= (float)earliest_s;
   }
   sort_by_height(directions, n_positions);
   self->n_positions = n_positions;
   self->radius_m = (double)measured->positions[2];
   self->directions = directions;
   self->delays_s = delays_s;
   self->taps = all_taps;
   return BM_OK;
}

/* Brown and Duda 1998: a one-pole, one-zero shadow and the way around the sphere. */
static void sphere_at(const BmHeadResponses* self, BmDirection direction, BmHeadResponse* response)
{
   const double corner = 2.0 * SPEED_OF_SOUND_M_S / BM_HEAD_RADIUS_M;
   const double twice_rate = 2.0 * self->rate_hz;
   for (uint32_t ear = 0; ear < 2; ++ear) {
      const double cosine = fmax(-1.0, fmin(1.0, ear == 0 ? direction.y : -direction.y));
      const double angle = acos(cosine);
      const double way = angle < 0.5 * PI ? -cosine : angle - 0.5 * PI;
      response->delays_s[ear] = BM_HEAD_RADIUS_M / SPEED_OF_SOUND_M_S * (1.0 + way);
      const double zero =
         1.0 + 0.5 * SHADOW_MIN + (1.0 - 0.5 * SHADOW_MIN) * cos(angle / SHADOW_MIN_ANGLE_RAD * PI);
      const double a0 = twice_rate + corner;
      const double pole = (twice_rate - corner) / a0;
      const double b0 = (twice_rate * zero + corner) / a0;
      const double b1 = (corner - twice_rate * zero) / a0;
      double tap = b1 + pole * b0;
      response->taps[ear][0] = sqrt(0.5) * b0;
      for (uint32_t n = 1; n < self->n_taps; ++n) {
         response->taps[ear][n] = sqrt(0.5) * tap;
         tap *= pole;
      }
   }
}

typedef struct {
   uint32_t positions[3];
   double weights[3];
} Mix;

static double determinant(const BmHeadDirection* a, const BmHeadDirection* b, const BmHeadDirection* c)
{
   return (double)a->x * ((double)b->y * (double)c->z - (double)b->z * (double)c->y) -
          (double)a->y * ((double)b->x * (double)c->z - (double)b->z * (double)c->x) +
          (double)a->z * ((double)b->x * (double)c->y - (double)b->y * (double)c->x);
}

/* The measured directions nearest to one. */
typedef struct {
   uint32_t n;
   const BmHeadDirection* directions[NEIGHBOURS]; /* the nearest first, of two as near that of the file */
   float cosines[NEIGHBOURS];
} Neighbours;

static void look_at(Neighbours* self, const BmHeadDirection* wanted, const BmHeadDirection* d)
{
   const float cosine = d->x * wanted->x + d->y * wanted->y + d->z * wanted->z;
   uint32_t place = self->n;
   while (place > 0 &&
          (self->cosines[place - 1] < cosine ||
           (self->cosines[place - 1] == cosine && self->directions[place - 1]->position > d->position))) {
      --place;
   }
   if (place == NEIGHBOURS) {
      return;
   }
   self->n += self->n < NEIGHBOURS;
   for (uint32_t i = self->n - 1; i > place; --i) {
      self->cosines[i] = self->cosines[i - 1];
      self->directions[i] = self->directions[i - 1];
   }
   self->cosines[place] = cosine;
   self->directions[place] = d;
}

/* Up and down from the height that is wanted, until heights alone are too far off. */
static Neighbours find_neighbours(const BmHeadResponses* self, const BmHeadDirection* wanted)
{
   const float rounding = 1e-5F;
   Neighbours neighbours = {.n = 0};
   uint32_t above = 0;
   for (uint32_t step = self->n_positions; step > 0; step /= 2) {
      while (above + step <= self->n_positions && self->directions[above + step - 1].z < wanted->z) {
         above += step;
      }
   }
   for (uint32_t below = above; below > 0 || above < self->n_positions;) {
      const float up = above < self->n_positions ? self->directions[above].z - wanted->z : INFINITY;
      const float down = below > 0 ? wanted->z - self->directions[below - 1].z : INFINITY;
      const bool goes_up = below == 0 || (above < self->n_positions && up <= down);
      const float least = goes_up ? up : down;
      /* Two directions are at least as far apart as their heights. */
      if (neighbours.n == NEIGHBOURS &&
          1.0F - 0.5F * least * least + rounding < neighbours.cosines[NEIGHBOURS - 1]) {
         break;
      }
      look_at(&neighbours, wanted, &self->directions[goes_up ? above++ : --below]);
   }
   return neighbours;
}

/* The three measured directions around one that are nearest to it in sum. */
static Mix find_mix(const BmHeadResponses* self, const BmHeadDirection* wanted)
{
   const Neighbours near = find_neighbours(self, wanted);
   const uint32_t nearest = near.directions[0]->position;
   Mix best = {{nearest, nearest, nearest}, {1.0, 0.0, 0.0}};
   float best_closeness = -INFINITY;
   for (uint32_t i = 0; i < near.n; ++i) {
      for (uint32_t j = i + 1; j < near.n; ++j) {
         for (uint32_t k = j + 1; k < near.n; ++k) {
            const float sum = near.cosines[i] + near.cosines[j] + near.cosines[k];
            if (sum <= best_closeness) {
               continue;
            }
            const BmHeadDirection* a = near.directions[i];
            const BmHeadDirection* b = near.directions[j];
            const BmHeadDirection* c = near.directions[k];
            const double volume = determinant(a, b, c);
            if (fabs(volume) < 1e-9) {
               continue;
            }
            const double weights[3] = {determinant(wanted, b, c) / volume, determinant(a, wanted, c) / volume,
                                       determinant(a, b, wanted) / volume};
            const double total = weights[0] + weights[1] + weights[2];
            if (weights[0] < -1e-6 || weights[1] < -1e-6 || weights[2] < -1e-6 || !(total > 0.5)) {
               continue;
            }
            best_closeness = sum;
            best = (Mix){{a->position, b->position, c->position},
                         {weights[0] / total, weights[1] / total, weights[2] / total}};
         }
      }
   }
   return best;
}

static void measured_at(const BmHeadResponses* self, BmDirection direction, BmHeadResponse* response)
{
   const BmHeadDirection wanted = {(float)direction.x, (float)direction.y, (float)direction.z, 0};
   const Mix mix = find_mix(self, &wanted);
   for (uint32_t ear = 0; ear < 2; ++ear) {
      response->delays_s[ear] = 0.0;
      memset(response->taps[ear], 0, self->n_taps * sizeof(double));
      for (uint32_t i = 0; i < 3; ++i) {
         const size_t index = 2 * (size_t)mix.positions[i] + ear;
         const float* taps = self->taps + index * self->n_taps;
         response->delays_s[ear] += mix.weights[i] * (double)self->delays_s[index];
         for (uint32_t n = 0; n < self->n_taps; ++n) {
            response->taps[ear][n] += mix.weights[i] * (double)taps[n];
         }
      }
   }
}

static double ear_distance_m(BmDirection direction, double distance_m, uint32_t ear)
{
   const double y = direction.y * distance_m - (ear == 0 ? BM_HEAD_RADIUS_M : -BM_HEAD_RADIUS_M);
   return hypot(hypot(direction.x * distance_m, y), direction.z * distance_m);
}

void bm_head_responses_at(const BmHeadResponses* self, BmDirection direction, double distance_m,
                          BmHeadResponse* response)
{
   if (self->n_positions > 0) {
      measured_at(self, direction, response);
   } else {
      sphere_at(self, direction, response);
   }
   for (uint32_t ear = 0; ear < 2; ++ear) {
      const double measured = ear_distance_m(direction, self->radius_m, ear) / self->radius_m;
      const double gain = measured / fmax(ear_distance_m(direction, distance_m, ear), 0.05);
      for (uint32_t n = 0; n < self->n_taps; ++n) {
         response->taps[ear][n] *= gain;
      }
   }
}
