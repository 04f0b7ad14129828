/* SPDX-License-Identifier: ISC */
#include "take_file.h"

#include "random.h"

#include <sndfile.h>

#include <errno.h>
#include <math.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#define TARGET_RMS_DB (-18.0)
#define TARGET_PEAK_DB (-3.5)
#define ROOM_RMS_DB (-74.0)
#define PATH_BYTES 4096
#define CHUNK_FRAMES 4096

static char unfinished[PATH_BYTES];
static volatile sig_atomic_t is_unfinished;

static double gain_of(double db)
{
   return pow(10.0, db / 20.0);
}

BmTakeLevel bm_take_level(const BmTakeAudio* take)
{
   double power = 0.0;
   double peak = 0.0;
   for (uint32_t c = 0; c < take->n_channels; ++c) {
      double sum = 0.0;
      for (uint32_t i = 0; i < take->n_frames; ++i) {
         const double x = take->channels[c][i];
         sum += x * x;
         peak = fmax(peak, fabs(x));
      }
      power = fmax(power, sum / take->n_frames);
   }
   return (BmTakeLevel){10.0 * log10(power), 20.0 * log10(peak)};
}

/* About -3 dB an octave: white noise and three slow copies of it. */
static void add_room(double* samples, uint32_t n_frames, double sample_rate_hz, BmRandom random)
{
   static const double corners_hz[3] = {40.0, 350.0, 2800.0};
   static const double gains[3] = {6.0, 2.2, 0.8};
   const double level = gain_of(ROOM_RMS_DB);
   double step[3];
   double slow[3] = {0.0};
   for (int k = 0; k < 3; ++k) {
      step[k] = -expm1(-6.283185307179586 * corners_hz[k] / sample_rate_hz);
   }
   for (uint32_t i = 0; i < n_frames; ++i) {
      const double white = bm_random_signed(&random);
      double sum = 0.12 * white;
      for (int k = 0; k < 3; ++k) {
         slow[k] += step[k] * (white - slow[k]);
         sum += gains[k] * slow[k];
      }
      samples[i] += level * sum;
   }
}

void bm_take_set_level(BmTakeAudio* take, uint64_t seed)
{
   const BmTakeLevel level = bm_take_level(take);
   const double gain = gain_of(fmin(TARGET_RMS_DB - level.rms_db, TARGET_PEAK_DB - level.peak_db));
   for (uint32_t c = 0; c < take->n_channels; ++c) {
      for (uint32_t i = 0; i < take->n_frames; ++i) {
         take->channels[c][i] *= gain;
      }
      add_room(take->channels[c], take->n_frames, take->sample_rate_hz, bm_random(seed, 3 + c));
   }
}

static bool write_frames(SNDFILE* file, const BmTakeAudio* take)
{
   double chunk[2 * CHUNK_FRAMES];
   for (uint32_t first = 0; first < take->n_frames; first += CHUNK_FRAMES) {
      const uint32_t left = take->n_frames - first;
      const uint32_t n = left < CHUNK_FRAMES ? left : CHUNK_FRAMES;
      for (uint32_t i = 0; i < n; ++i) {
         for (uint32_t c = 0; c < take->n_channels; ++c) {
            chunk[i * take->n_channels + c] = take->channels[c][first + i];
         }
      }
      if (sf_writef_double(file, chunk, n) != (sf_count_t)n) {
         return false;
      }
   }
   return true;
}

static bool failed(char* message, const char* path, const char* why)
{
   snprintf(message, BM_TAKE_MESSAGE_MAX, "%s: %s", path, why);
   bm_take_abandon();
   return false;
}

bool bm_take_write(const BmTakeAudio* take, const char* path, char message[BM_TAKE_MESSAGE_MAX])
{
   for (uint32_t c = 0; c < take->n_channels; ++c) {
      for (uint32_t i = 0; i < take->n_frames; ++i) {
         if (!(fabs(take->channels[c][i]) < 1.0)) {
            return failed(message, path, "not written: the model went out of bounds; please report it");
         }
      }
   }
   if (snprintf(unfinished, sizeof(unfinished), "%s.unfinished", path) >= (int)sizeof(unfinished)) {
      return failed(message, path, "the path is too long");
   }
   SF_INFO info = {.samplerate = (int)lround(take->sample_rate_hz),
                   .channels = (int)take->n_channels,
                   .format = SF_FORMAT_WAV | SF_FORMAT_PCM_24};
   is_unfinished = 1;
   errno = 0;
   SNDFILE* file = sf_open(unfinished, SFM_WRITE, &info);
   if (!file) {
      return failed(message, path, errno ? strerror(errno) : sf_strerror(NULL));
   }
   errno = 0;
   const bool is_written = write_frames(file, take);
   const int write_errno = errno;
   const bool is_closed = sf_close(file) == 0;
   /* The library does not tell when the last bytes found no room: count them. */
   struct stat status;
   const long long audio_bytes = 3LL * take->n_frames * take->n_channels;
   if (!is_written || !is_closed || stat(unfinished, &status) != 0 || status.st_size < audio_bytes) {
      return failed(message, path, write_errno ? strerror(write_errno) : "not all could be written");
   }
   if (rename(unfinished, path) != 0) {
      return failed(message, path, strerror(errno));
   }
   is_unfinished = 0;
   return true;
}

void bm_take_abandon(void)
{
   if (is_unfinished) {
      unlink(unfinished);
      is_unfinished = 0;
   }
}
