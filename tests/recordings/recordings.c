/* SPDX-License-Identifier: ISC */
#include "recordings.h"

#include <samplerate.h>
#include <sndfile.h>

#include <limits.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define PHRASES "/usr/share/sonic-pi/samples"

static _Noreturn void give_up(const char* path, const char* why)
{
   fprintf(stderr, "%s: %s\n", path, why);
   exit(1);
}

static void join(char path[PATH_MAX], const char* folder, const char* rest)
{
   if (snprintf(path, PATH_MAX, "%s/%s", folder, rest) >= PATH_MAX) {
      give_up(folder, "the path is too long");
   }
}

static void find_notes(char folder[PATH_MAX])
{
   const char* named = getenv("BM_RECORDINGS");
   const char* cache = getenv("XDG_CACHE_HOME");
   const char* home = getenv("HOME");
   if (named && *named) {
      join(folder, named, "");
   } else if (cache && *cache) {
      join(folder, cache, "bookmatch/guitar-notes");
   } else {
      join(folder, home ? home : "", ".cache/bookmatch/guitar-notes");
   }
}

static void find_note(char path[PATH_MAX], int key)
{
   static const char* const names[12] = {"C", "Cs", "D", "Ds", "E", "F", "Fs", "G", "Gs", "A", "As", "B"};
   char folder[PATH_MAX];
   find_notes(folder);
   char file[32];
   snprintf(file, sizeof file, "%s%d.wav", names[key % 12], key / 12 - 1);
   join(path, folder, file);
}

bool bm_recordings_are_there(void)
{
   for (int key = BM_RECORDINGS_LOWEST_KEY; key <= BM_RECORDINGS_HIGHEST_KEY; ++key) {
      char path[PATH_MAX];
      find_note(path, key);
      if (access(path, R_OK) != 0) {
         return false;
      }
   }
   return true;
}

static BmRecording change_rate(const char* path, const float* samples, uint32_t n_frames, uint32_t n_channels,
                               double from_hz, double to_hz)
{
   const double ratio = to_hz / from_hz;
   const uint32_t capacity = (uint32_t)ceil(n_frames * ratio) + 1;
   float* changed = calloc((size_t)capacity * n_channels, sizeof *changed);
   BmRecording out = {calloc((size_t)capacity * n_channels, sizeof(double)), 0, n_channels, to_hz};
   if (!changed || !out.samples) {
      give_up(path, "no memory for it");
   }
   SRC_DATA job = {
      .data_in = samples,
      .data_out = changed,
      .input_frames = (long)n_frames,
      .output_frames = (long)capacity,
      .src_ratio = ratio,
   };
   const int error = src_simple(&job, SRC_SINC_BEST_QUALITY, (int)n_channels);
   if (error) {
      give_up(path, src_strerror(error));
   }
   out.n_frames = (uint32_t)job.output_frames_gen;
   for (size_t i = 0; i < (size_t)out.n_frames * n_channels; ++i) {
      out.samples[i] = (double)changed[i];
   }
   free(changed);
   return out;
}

BmRecording bm_recording_file(const char* path, double rate_hz, double duration_s)
{
   SF_INFO info = {0};
   SNDFILE* file = sf_open(path, SFM_READ, &info);
   if (!file) {
      give_up(path, sf_strerror(NULL));
   }
   const double wanted = duration_s > 0.0 ? ceil(duration_s * info.samplerate) : (double)info.frames;
   const uint32_t n_frames = (uint32_t)fmin(wanted, (double)info.frames);
   const uint32_t n_channels = (uint32_t)info.channels;
   const size_t n = (size_t)n_frames * n_channels;
   BmRecording out = {calloc(n ? n : 1, sizeof(double)), n_frames, n_channels, info.samplerate};
   if (!out.samples) {
      give_up(path, "no memory for it");
   }
   if (sf_readf_double(file, out.samples, n_frames) != n_frames) {
      give_up(path, "cut short");
   }
   sf_close(file);
   if (rate_hz <= 0.0 || rate_hz == out.rate_hz) {
      return out;
   }

   float* samples = calloc(n ? n : 1, sizeof *samples);
   if (!samples) {
      give_up(path, "no memory for it");
   }
   for (size_t i = 0; i < n; ++i) {
      samples[i] = (float)out.samples[i];
   }
   const BmRecording changed = change_rate(path, samples, n_frames, n_channels, out.rate_hz, rate_hz);
   free(samples);
   bm_recording_free(&out);
   return changed;
}

BmRecording bm_recording_note(int key, double rate_hz, double duration_s)
{
   char path[PATH_MAX];
   find_note(path, key);
   return bm_recording_file(path, rate_hz, duration_s);
}

static void find_phrase(char path[PATH_MAX], const char* name)
{
   char file[64];
   snprintf(file, sizeof file, "%s.flac", name);
   join(path, PHRASES, file);
}

bool bm_recording_phrase_is_there(const char* name)
{
   char path[PATH_MAX];
   find_phrase(path, name);
   return access(path, R_OK) == 0;
}

BmRecording bm_recording_phrase(const char* name, double rate_hz, double duration_s)
{
   char path[PATH_MAX];
   find_phrase(path, name);
   return bm_recording_file(path, rate_hz, duration_s);
}

void bm_recording_free(BmRecording* recording)
{
   free(recording->samples);
   *recording = (BmRecording){0};
}

double bm_recording_nominal_hz(int key)
{
   return 440.0 * exp2((key - 69) / 12.0);
}

static double magnitude_at(const double* windowed, uint32_t n_frames, double w_rad)
{
   double re = 0.0;
   double im = 0.0;
   const double step_re = cos(w_rad);
   const double step_im = sin(w_rad);
   double turn_re = 1.0;
   double turn_im = 0.0;
   for (uint32_t i = 0; i < n_frames; ++i) {
      re += windowed[i] * turn_re;
      im += windowed[i] * turn_im;
      const double next = turn_re * step_re - turn_im * step_im;
      turn_im = turn_re * step_im + turn_im * step_re;
      turn_re = next;
   }
   return hypot(re, im);
}

/* Scan in steps of a quarter of the window's lobe, then close in by thirds. */
static double highest_near(const double* windowed, uint32_t n_frames, double low_rad, double high_rad,
                           double* magnitude)
{
   const double step = 2.0 * M_PI / n_frames;
   double best = low_rad;
   *magnitude = -1.0;
   for (double w = low_rad; w <= high_rad; w += step) {
      const double m = magnitude_at(windowed, n_frames, w);
      if (m > *magnitude) {
         *magnitude = m;
         best = w;
      }
   }
   double low = best - step;
   double high = best + step;
   for (int i = 0; i < 24; ++i) {
      const double a = low + (high - low) / 3.0;
      const double b = high - (high - low) / 3.0;
      if (magnitude_at(windowed, n_frames, a) < magnitude_at(windowed, n_frames, b)) {
         low = a;
      } else {
         high = b;
      }
   }
   return 0.5 * (low + high);
}

double bm_recording_measured_hz(const BmRecording* recording, double near_hz)
{
   const double rate = recording->rate_hz;
   const uint32_t begin = (uint32_t)(0.1 * rate);
   const uint32_t n = (uint32_t)rate;
   if (recording->n_channels != 1 || recording->n_frames < begin + n) {
      give_up("bm_recording_measured_hz", "wants 1.1 s of mono");
   }
   double* windowed = calloc(n, sizeof *windowed);
   if (!windowed) {
      give_up("bm_recording_measured_hz", "no memory");
   }
   for (uint32_t i = 0; i < n; ++i) {
      windowed[i] = recording->samples[begin + i] * (0.5 - 0.5 * cos(2.0 * M_PI * (i + 0.5) / n));
   }
   /* (f_n / n)^2 = f0^2 + f0^2 B n^2 is a line over n^2. */
   double w = 0.0;
   double wx = 0.0;
   double wy = 0.0;
   double wxx = 0.0;
   double wxy = 0.0;
   for (int k = 1; k <= 5; ++k) {
      const double at = 2.0 * M_PI * k * near_hz / rate;
      double magnitude;
      const double found =
         highest_near(windowed, n, at * exp2(-1.0 / 24.0), at * exp2(1.0 / 24.0), &magnitude);
      const double x = (double)k * k;
      const double y = pow(found * rate / (2.0 * M_PI * k), 2.0);
      w += magnitude;
      wx += magnitude * x;
      wy += magnitude * y;
      wxx += magnitude * x * x;
      wxy += magnitude * x * y;
   }
   free(windowed);
   return sqrt((wy * wxx - wx * wxy) / (w * wxx - wx * wx));
}
