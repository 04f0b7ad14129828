/* SPDX-License-Identifier: ISC */
#include "spectrum.h"

#include <kiss_fftr.h>

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Hann squared, four windows to a frame, adds up to 4 x 3/8. */
#define OVERLAP 4
#define OVERLAP_WEIGHT 1.5

#define BELL_STEPS 33

struct BmSpectrumMeter {
   uint32_t size_frames;
   uint32_t hop_frames;
   uint32_t n_channels;
   double sample_rate_hz;
   BmSpectrumFrame on_frame;
   void* handle;

   kiss_fftr_cfg plan;
   float* window;           /* [size_frames] */
   float* history;          /* [n_channels][size_frames], the newest last */
   float* windowed;         /* [size_frames] */
   kiss_fft_cpx* transform; /* [n_bins] */
   double* frame_power;     /* [n_bins] */
   double* total_power;     /* [n_bins] */

   uint32_t n_pending_frames; /* of the hop that is being filled */
   uint64_t n_frames;         /* of the stream */
   uint64_t n_windows;
};

void bm_spectrum_free(BmSpectrum* self)
{
   free(self->power);
   *self = (BmSpectrum){0};
}

double bm_spectrum_band_power(const BmSpectrum* self, double low_hz, double high_hz)
{
   /* Bin 0 has no half below 0 Hz. */
   const double low = low_hz > 0.0 ? low_hz / self->bin_hz + 0.5 : 0.0;
   const double high = fmin(high_hz / self->bin_hz + 0.5, (double)self->n_bins);
   double power = 0.0;
   for (double bin = floor(low); bin < high; ++bin) {
      const double share = fmin(bin + 1.0, high) - fmax(bin, low);
      power += self->power[(uint32_t)bin] * share;
   }
   return power;
}

/* Integral of the density, taken as straight lines between the bins, from 0 Hz to `position` bins. */
static double integral_to(const BmSpectrum* self, const double* whole, double position)
{
   const double last = self->n_bins - 1.0;
   const double at = fmin(fmax(position, 0.0), last);
   const uint32_t bin = at < last ? (uint32_t)at : self->n_bins - 2;
   const double share = at - bin;
   const double slope = self->power[bin + 1] - self->power[bin];
   return whole[bin] + share * (self->power[bin] + 0.5 * share * slope);
}

void bm_spectrum_smooth(const BmSpectrum* self, double per_octave, const double* frequency_hz,
                        uint32_t n_points, double* level_db)
{
   double* const whole = self->n_bins > 1 ? malloc(self->n_bins * sizeof *whole) : NULL;
   if (!whole) {
      for (uint32_t n = 0; n < n_points; ++n) {
         level_db[n] = -(double)INFINITY;
      }
      return;
   }
   whole[0] = 0.0;
   for (uint32_t bin = 1; bin < self->n_bins; ++bin) {
      whole[bin] = whole[bin - 1] + 0.5 * (self->power[bin - 1] + self->power[bin]);
   }
   /* A Hann bell over two bands counts for one; its steps are fine enough not to be seen. */
   const double step = exp2(2.0 / (per_octave * BELL_STEPS));
   for (uint32_t n = 0; n < n_points; ++n) {
      double edge = frequency_hz[n] / self->bin_hz * exp2(-1.0 / per_octave);
      double below = integral_to(self, whole, edge);
      double power = 0.0;
      for (uint32_t i = 0; i < BELL_STEPS; ++i) {
         edge *= step;
         const double up_to = integral_to(self, whole, edge);
         power += (0.5 - 0.5 * cos(2.0 * M_PI * (i + 0.5) / BELL_STEPS)) * (up_to - below);
         below = up_to;
      }
      level_db[n] = power > 0.0 ? 10.0 * log10(2.0 * power) : -(double)INFINITY;
   }
   free(whole);
}

void bm_log_frequencies(double low_hz, double high_hz, double* frequency_hz, uint32_t n_points)
{
   for (uint32_t n = 0; n < n_points; ++n) {
      frequency_hz[n] = low_hz * pow(high_hz / low_hz, (double)n / (n_points - 1));
   }
   frequency_hz[n_points - 1] = high_hz;
}

uint32_t bm_transform_size(double time_s, double sample_rate_hz)
{
   return 1u << (uint32_t)fmin(fmax(round(log2(time_s * sample_rate_hz)), 6.0), 24.0);
}

BmSpectrumMeter* bm_spectrum_meter_new(uint32_t size_frames, double sample_rate_hz, uint32_t n_channels,
                                       BmSpectrumFrame on_frame, void* handle)
{
   BmSpectrumMeter* const self = calloc(1, sizeof *self);
   if (!self) {
      return NULL;
   }
   const uint32_t n_bins = size_frames / 2 + 1;
   self->size_frames = size_frames;
   self->hop_frames = size_frames / OVERLAP;
   self->n_channels = n_channels;
   self->sample_rate_hz = sample_rate_hz;
   self->on_frame = on_frame;
   self->handle = handle;
   self->plan = kiss_fftr_alloc((int)size_frames, 0, NULL, NULL);
   self->window = malloc(size_frames * sizeof *self->window);
   self->history = calloc((size_t)n_channels * size_frames, sizeof *self->history);
   self->windowed = malloc(size_frames * sizeof *self->windowed);
   self->transform = malloc(n_bins * sizeof *self->transform);
   self->frame_power = malloc(n_bins * sizeof *self->frame_power);
   self->total_power = calloc(n_bins, sizeof *self->total_power);
   if (!self->plan || !self->window || !self->history || !self->windowed || !self->transform ||
       !self->frame_power || !self->total_power) {
      bm_spectrum_meter_free(self);
      return NULL;
   }
   for (uint32_t n = 0; n < size_frames; ++n) {
      self->window[n] = (float)(0.5 - 0.5 * cos(2.0 * M_PI * n / size_frames));
   }
   return self;
}

void bm_spectrum_meter_free(BmSpectrumMeter* self)
{
   if (self) {
      kiss_fftr_free(self->plan);
      free(self->window);
      free(self->history);
      free(self->windowed);
      free(self->transform);
      free(self->frame_power);
      free(self->total_power);
      free(self);
   }
}

/* Transform the history as it stands; its window ends with frame `end_frame` of the stream. */
static void take_window(BmSpectrumMeter* self, int64_t end_frame)
{
   const uint32_t size = self->size_frames;
   const uint32_t n_bins = size / 2 + 1;
   memset(self->frame_power, 0, n_bins * sizeof *self->frame_power);
   /* Parseval, and 3/8: the mean square of the window itself. */
   const double scale = 1.0 / ((double)size * size * 0.375 * self->n_channels);
   for (uint32_t channel = 0; channel < self->n_channels; ++channel) {
      const float* const history = self->history + (size_t)channel * size;
      for (uint32_t n = 0; n < size; ++n) {
         self->windowed[n] = history[n] * self->window[n];
      }
      kiss_fftr(self->plan, self->windowed, self->transform);
      for (uint32_t bin = 0; bin < n_bins; ++bin) {
         const double re = (double)self->transform[bin].r;
         const double im = (double)self->transform[bin].i;
         const double sides = bin == 0 || bin == n_bins - 1 ? 1.0 : 2.0;
         self->frame_power[bin] += scale * sides * (re * re + im * im);
      }
   }
   for (uint32_t bin = 0; bin < n_bins; ++bin) {
      self->total_power[bin] += self->frame_power[bin];
   }
   ++self->n_windows;
   if (self->on_frame) {
      self->on_frame(self->handle, self->frame_power, n_bins, end_frame - (int64_t)(size / 2));
   }
}

/* Hear [n_frames], or silence if `interleaved` is NULL, counting from frame `first_frame` of the stream. */
static void hear(BmSpectrumMeter* self, const float* interleaved, uint64_t n_frames, uint64_t first_frame)
{
   const uint32_t size = self->size_frames;
   uint64_t n_done = 0;
   while (n_done < n_frames) {
      const uint32_t room = self->hop_frames - self->n_pending_frames;
      const uint32_t n = n_frames - n_done < room ? (uint32_t)(n_frames - n_done) : room;
      for (uint32_t channel = 0; channel < self->n_channels; ++channel) {
         float* const into =
            self->history + (size_t)channel * size + size - self->hop_frames + self->n_pending_frames;
         for (uint32_t i = 0; i < n; ++i) {
            into[i] = interleaved ? interleaved[(n_done + i) * self->n_channels + channel] : 0.0f;
         }
      }
      n_done += n;
      self->n_pending_frames += n;
      if (self->n_pending_frames == self->hop_frames) {
         take_window(self, (int64_t)(first_frame + n_done));
         for (uint32_t channel = 0; channel < self->n_channels; ++channel) {
            float* const history = self->history + (size_t)channel * size;
            memmove(history, history + self->hop_frames, (size - self->hop_frames) * sizeof *history);
         }
         self->n_pending_frames = 0;
      }
   }
}

void bm_spectrum_meter_add(BmSpectrumMeter* self, const float* interleaved, uint32_t n_frames)
{
   hear(self, interleaved, n_frames, self->n_frames);
   self->n_frames += n_frames;
}

bool bm_spectrum_meter_finish(BmSpectrumMeter* self, BmSpectrum* spectrum)
{
   hear(self, NULL, self->size_frames - self->n_pending_frames, self->n_frames);
   const uint32_t n_bins = self->size_frames / 2 + 1;
   *spectrum = (BmSpectrum){.n_bins = n_bins,
                            .bin_hz = self->sample_rate_hz / self->size_frames,
                            .power = malloc(n_bins * sizeof(double))};
   if (!spectrum->power) {
      *spectrum = (BmSpectrum){0};
      return false;
   }
   /* Each window's mean square spreads over its frames; OVERLAP_WEIGHT of them lie over each frame. */
   const double weight =
      self->n_frames ? 0.375 * self->size_frames / (OVERLAP_WEIGHT * (double)self->n_frames) : 0.0;
   for (uint32_t bin = 0; bin < n_bins; ++bin) {
      spectrum->power[bin] = weight * self->total_power[bin];
   }
   return true;
}
