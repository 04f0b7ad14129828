/* SPDX-License-Identifier: ISC */
#define _GNU_SOURCE /* pthread_timedjoin_np */

#include "audio_file.h"

#include <samplerate.h>
#include <sndfile.h>

#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <pthread.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

/* Frames moved in one go. */
#define BM_CHUNK_FRAMES 4096u

struct BmTake {
   char* path;
   int fd;             /* of the file; libsndfile closes it */
   struct stat opened; /* as the file was then */
   SNDFILE* file;
   SF_INFO info;
   uint32_t channels[BM_MAX_CHANNELS]; /* which of the file's, from 0 */
   uint32_t n_channels;
   uint64_t n_read;      /* frames, from the file */
   double ratio;         /* of the session's rate to the file's */
   SRC_STATE* converter; /* NULL at equal rates */
   uint64_t n_frames;    /* that the take has at the session's rate */
   uint64_t n_given;
   float* raw;    /* [BM_CHUNK_FRAMES * file channels] */
   float* picked; /* [BM_CHUNK_FRAMES * n_channels], interleaved, waiting for the converter */
   uint32_t picked_at;
   uint32_t n_picked;
   float* converted; /* [BM_CHUNK_FRAMES * n_channels] */
};

struct BmStemWriter {
   char* path;
   BmOutput* output;
   SNDFILE* file;
   BmSampleFormat format;
   double rate_hz;
   uint32_t n_channels;
   uint64_t n_frames;
   uint64_t n_clipped;
   uint64_t seed;
   void* interleaved; /* [BM_CHUNK_FRAMES * n_channels] of int or float */
};

static const char* const cut_off = "the audio is cut off: its header tells of more than there is";

/* libsndfile shortens a file that is cut off in silence, but its log keeps the finding: "data : 60000 (should
   be 35982)". The outer chunk counts only where an inner one is not told, since writers often get it wrong by
   a few bytes. */
static bool is_cut_off(SNDFILE* file)
{
   char log[8192] = {0};
   sf_command(file, SFC_GET_LOG_INFO, log, sizeof(log));
   static const char* const chunks[] = {"data", "SSND", "BODY", "Data Size", "riff", "Riff size"};
   char* rest = NULL;
   for (char* line = strtok_r(log, "\n", &rest); line; line = strtok_r(NULL, "\n", &rest)) {
      line += strspn(line, " ");
      if (!strcmp(line, "Seems to be a truncated file.")) {
         return true;
      }
      const char* should = strstr(line, "(should be ");
      for (size_t n = 0; should && n < sizeof(chunks) / sizeof(chunks[0]); ++n) {
         const char* after = line + strlen(chunks[n]);
         if (strncmp(line, chunks[n], strlen(chunks[n])) || after[strspn(after, " ")] != ':') {
            continue;
         }
         const uint64_t told = strtoull(strchr(after, ':') + 1, NULL, 10);
         const uint64_t there = strtoull(should + strlen("(should be "), NULL, 10);
         /* Who writes to a pipe cannot know the size and puts the greatest: all ones, or near the sign bit.
          */
         const bool is_unknown = (told >= 0xffffff00u && told <= 0xffffffffu) ||
                                 (told >= 0x7ffff000u && told <= 0x7fffffffu) || told > INT64_MAX;
         return told > there && !is_unknown;
      }
   }
   return false;
}

/* Processor time for a header; hours of MP3, which are looked through whole, take less than one second. */
#define BM_OPENING_S 4

typedef enum { OPENING_GOES_ON, OPENING_IS_GIVEN_UP, OPENING_IS_DONE } OpeningState;

typedef struct {
   _Atomic OpeningState state;
   int fd;
   SF_INFO info;
   SNDFILE* file; /* or NULL, with: */
   int error;
   char reason[256];
} Opening;

static void* open_sound(void* data)
{
   Opening* opening = data;
   opening->file = sf_open_fd(opening->fd, SFM_READ, &opening->info, SF_TRUE);
   if (!opening->file) {
      opening->error = sf_error(NULL);
      const char* reason = sf_strerror(NULL);
      snprintf(opening->reason, sizeof opening->reason, "%.*s", (int)strcspn(reason, "\n"), reason);
   }
   if (atomic_exchange(&opening->state, OPENING_IS_DONE) == OPENING_IS_GIVEN_UP) {
      sf_close(opening->file);
      free(opening);
   }
   return NULL;
}

/* Wait for a thread's end. False: it has had BM_OPENING_S of processor time and goes on. */
static bool has_ended(pthread_t thread)
{
   for (;;) {
      struct timespec time;
      clock_gettime(CLOCK_REALTIME, &time);
      time.tv_sec += 1;
      if (pthread_timedjoin_np(thread, NULL, &time) != ETIMEDOUT) {
         return true;
      }
      clockid_t clock;
      if (!pthread_getcpuclockid(thread, &clock) && !clock_gettime(clock, &time) &&
          time.tv_sec >= BM_OPENING_S) {
         return false;
      }
   }
}

/* Open `fd`, which is closed with the sound, in a thread of its own: a header can be made so that libsndfile
   (1.2.0: a part of a LIST whose size wraps around) reads it in circles for ever. That thread is then left to
   itself, and so is what it works on: should it end after all, it cleans up. */
static bool open_in_time(int fd, Opening* opened)
{
   Opening* opening = bm_calloc(1, sizeof *opening);
   opening->fd = fd;
   pthread_t thread;
   if (pthread_create(&thread, NULL, open_sound, opening)) {
      open_sound(opening);
   } else if (!has_ended(thread)) {
      pthread_detach(thread);
      if (atomic_exchange(&opening->state, OPENING_IS_GIVEN_UP) == OPENING_GOES_ON) {
         return false;
      }
   }
   opened->file = opening->file;
   opened->info = opening->info;
   opened->error = opening->error;
   memcpy(opened->reason, opening->reason, sizeof opened->reason);
   free(opening);
   return true;
}

/* Open for reading what has audio in it. */
static SNDFILE* open_checked(const char* path, SF_INFO* info, int* fd, BmError* error)
{
   *fd = open(path, O_RDONLY | O_CLOEXEC);
   const int open_reason = errno;
   Opening opened = {0};
   if (*fd >= 0 && !open_in_time(*fd, &opened)) {
      bm_fail(error, "%s: its header leads in circles; it is damaged, or made to be", path);
      return NULL;
   }
   *info = opened.info;
   SNDFILE* file = opened.file;
   if (!file) {
      struct stat status;
      const bool is_folder = !stat(path, &status) && S_ISDIR(status.st_mode);
      const char* reason = *fd < 0 ? strerror(open_reason) : opened.reason;
      if (is_folder) {
         bm_fail(error, "%s: is a folder, not an audio file", path);
      } else if (*fd >= 0 && opened.error == SF_ERR_UNRECOGNISED_FORMAT) {
         bm_fail(error, "%s: is no audio file of a format that libsndfile reads (WAV, AIFF, FLAC, Ogg ...)",
                 path);
      } else {
         bm_fail(error, "%s: %s", path, reason);
      }
      return NULL;
   }
   if (is_cut_off(file)) {
      bm_fail(error, "%s: %s", path, cut_off);
   } else if (info->frames <= 0 || info->channels <= 0) {
      bm_fail(error, "%s: holds no audio", path);
   } else if (info->samplerate <= 0) {
      bm_fail(error, "%s: has a sample rate of %d Hz", path, info->samplerate);
   }
   if (error->is_set) {
      sf_close(file);
      return NULL;
   }
   return file;
}

bool bm_audio_probe(const char* path, BmAudioInfo* info, BmError* error)
{
   SF_INFO sf_info;
   int fd;
   SNDFILE* file = open_checked(path, &sf_info, &fd, error);
   if (!file) {
      return false;
   }
   sf_close(file);
   *info = (BmAudioInfo){(double)sf_info.samplerate, (uint32_t)sf_info.channels, (uint64_t)sf_info.frames};
   return true;
}

uint64_t bm_frames_at_rate(uint64_t n_frames, double from_hz, double to_hz)
{
   return from_hz == to_hz ? n_frames : (uint64_t)ceil((double)n_frames * to_hz / from_hz);
}

static bool pick_channels(BmTake* take, const BmTakeOptions* options, BmError* error)
{
   const uint32_t in_file = (uint32_t)take->info.channels;
   take->n_channels = options->channels ? options->n_channels : in_file;
   if (take->n_channels < 1 || take->n_channels > BM_MAX_CHANNELS) {
      return bm_fail(error, "%s: has %u channels; say which one or two are meant", take->path, in_file);
   }
   for (uint32_t c = 0; c < take->n_channels; ++c) {
      const uint32_t channel = options->channels ? options->channels[c] : c + 1;
      if (channel < 1 || channel > in_file) {
         return bm_fail(error, "%s: has no channel %u; it has %u", take->path, channel, in_file);
      }
      take->channels[c] = channel - 1;
   }
   return true;
}

BmTake* bm_take_open(const char* path, const BmTakeOptions* options, BmError* error)
{
   SF_INFO info;
   int fd;
   SNDFILE* file = open_checked(path, &info, &fd, error);
   if (!file) {
      return NULL;
   }
   BmTake* take = bm_calloc(1, sizeof(BmTake));
   take->path = bm_copy(path);
   take->file = file;
   take->fd = fd;
   fstat(fd, &take->opened);
   take->info = info;
   take->ratio = options->rate_hz / (double)info.samplerate;
   take->n_frames = bm_frames_at_rate((uint64_t)info.frames, (double)info.samplerate, options->rate_hz);
   if (pick_channels(take, options, error) && take->ratio != 1.0) {
      int status = 0;
      take->converter = src_is_valid_ratio(take->ratio)
                           ? src_new(SRC_SINC_BEST_QUALITY, (int)take->n_channels, &status)
                           : NULL;
      if (!take->converter) {
         bm_fail(error, "%s: cannot be brought from %d Hz to %g Hz", path, info.samplerate, options->rate_hz);
      }
   }
   if (error->is_set) {
      bm_take_close(take);
      return NULL;
   }
   take->raw = bm_calloc((uint64_t)BM_CHUNK_FRAMES * (uint64_t)info.channels, sizeof(float));
   take->picked = bm_calloc((uint64_t)BM_CHUNK_FRAMES * take->n_channels, sizeof(float));
   take->converted = bm_calloc((uint64_t)BM_CHUNK_FRAMES * take->n_channels, sizeof(float));
   return take;
}

void bm_take_close(BmTake* take)
{
   if (!take) {
      return;
   }
   src_delete(take->converter);
   sf_close(take->file);
   free(take->raw);
   free(take->picked);
   free(take->converted);
   free(take->path);
   free(take);
}

/* Somebody wrote to the file since it was opened. (A file that is replaced or removed by name stays
 * readable.) */
static bool has_changed(const BmTake* take)
{
   struct stat now;
   return fstat(take->fd, &now) || now.st_size != take->opened.st_size ||
          now.st_mtim.tv_sec != take->opened.st_mtim.tv_sec ||
          now.st_mtim.tv_nsec != take->opened.st_mtim.tv_nsec;
}

static bool fail_as_changed(const BmTake* take, BmError* error)
{
   return bm_fail(error, "%s: was changed while it was being read; try again when nothing writes to it",
                  take->path);
}

/* Fill `picked` with the wanted channels of the next frames of the file; at the end with none. */
static bool read_chunk(BmTake* take, uint32_t n_frames, BmError* error)
{
   const uint64_t left = (uint64_t)take->info.frames - take->n_read;
   const uint32_t n = left < n_frames ? (uint32_t)left : n_frames;
   take->picked_at = 0;
   take->n_picked = n;
   if (!n) {
      return true;
   }
   const bool is_whole = sf_readf_float(take->file, take->raw, n) == (sf_count_t)n;
   /* Asked when something is wrong, and of all that was read at its end. */
   if ((!is_whole || n == left) && has_changed(take)) {
      return fail_as_changed(take, error);
   }
   if (!is_whole) {
      return bm_fail(error, "%s: %s", take->path, cut_off);
   }
   float* picked = take->picked;
   for (uint32_t i = 0; i < n; ++i) {
      for (uint32_t c = 0; c < take->n_channels; ++c) {
         const float x = take->raw[i * (uint32_t)take->info.channels + take->channels[c]];
         if (!isfinite(x)) {
            const uint64_t frame = take->n_read + i;
            return bm_fail(error, "%s: the sample at %.6f s (frame %llu, channel %u) is not a finite number",
                           take->path, (double)frame / take->info.samplerate, (unsigned long long)frame,
                           take->channels[c] + 1);
         }
         *picked++ = x;
      }
   }
   take->n_read += n;
   return true;
}

/* Give up to `n_frames` frames in `*interleaved`; *n_given is 0 only at the end. */
static bool next_frames(BmTake* take, uint32_t n_frames, float** interleaved, uint32_t* n_given,
                        BmError* error)
{
   const uint32_t wanted = n_frames < BM_CHUNK_FRAMES ? n_frames : BM_CHUNK_FRAMES;
   if (!take->converter) {
      *interleaved = take->picked;
      const bool ok = read_chunk(take, wanted, error);
      *n_given = take->n_picked;
      return ok;
   }
   *interleaved = take->converted;
   *n_given = 0;
   for (;;) {
      if (take->picked_at == take->n_picked && !read_chunk(take, BM_CHUNK_FRAMES, error)) {
         return false;
      }
      SRC_DATA data = {
         .data_in = take->picked + (size_t)take->picked_at * take->n_channels,
         .data_out = take->converted,
         .input_frames = (long)(take->n_picked - take->picked_at),
         .output_frames = (long)wanted,
         .end_of_input = take->n_read == (uint64_t)take->info.frames,
         .src_ratio = take->ratio,
      };
      const int status = src_process(take->converter, &data);
      if (status) {
         return bm_fail(error, "%s: %s", take->path, src_strerror(status));
      }
      take->picked_at += (uint32_t)data.input_frames_used;
      *n_given = (uint32_t)data.output_frames_gen;
      if (data.output_frames_gen || (data.end_of_input && !data.input_frames_used)) {
         return true;
      }
   }
}

bool bm_take_read(BmTake* take, float* const* channels, uint32_t n_frames, BmError* error)
{
   uint32_t done = 0;
   while (done < n_frames && take->n_given < take->n_frames) {
      const uint64_t left = take->n_frames - take->n_given;
      const uint32_t wanted = n_frames - done < left ? n_frames - done : (uint32_t)left;
      float* interleaved = NULL;
      uint32_t n = 0;
      if (!next_frames(take, wanted, &interleaved, &n, error)) {
         return false;
      }
      if (!n) {
         break;
      }
      for (uint32_t c = 0; c < take->n_channels; ++c) {
         for (uint32_t i = 0; i < n; ++i) {
            channels[c][done + i] = interleaved[i * take->n_channels + c];
         }
      }
      done += n;
      take->n_given += n;
   }
   for (uint32_t c = 0; c < take->n_channels; ++c) {
      memset(channels[c] + done, 0, (n_frames - done) * sizeof(float));
   }
   return true;
}

static const uint32_t sample_bytes[] = {[BM_PCM24] = 3, [BM_FLOAT32] = 4, [BM_PCM16] = 2};

static bool fail_to_write(BmStemWriter* stem, BmError* error)
{
   const char* reason = sf_strerror(stem->file);
   const char* system_error = "System error : ";
   if (!strncmp(reason, system_error, strlen(system_error))) {
      reason += strlen(system_error);
   }
   return bm_fail(error, "%s: cannot be written: %.*s", stem->path, (int)strcspn(reason, ".\n"), reason);
}

BmStemWriter* bm_stem_open(const char* path, BmSampleFormat format, double rate_hz, uint32_t n_channels,
                           uint64_t max_frames, BmError* error)
{
   BmOutput* output = bm_output_open(path, error);
   if (!output) {
      return NULL;
   }
   BmStemWriter* stem = bm_calloc(1, sizeof(BmStemWriter));
   stem->path = bm_copy(path);
   stem->output = output;
   stem->format = format;
   stem->rate_hz = rate_hz;
   stem->n_channels = n_channels;
   stem->seed = 1;
   stem->interleaved = bm_calloc((uint64_t)BM_CHUNK_FRAMES * n_channels, sizeof(int));
   static const int subtypes[] = {
      [BM_PCM24] = SF_FORMAT_PCM_24, [BM_FLOAT32] = SF_FORMAT_FLOAT, [BM_PCM16] = SF_FORMAT_PCM_16};
   /* A WAV counts its bytes in 32 bits; some of them are header. */
   const bool is_long = max_frames * n_channels * sample_bytes[format] > UINT32_MAX - 4096u;
   SF_INFO info = {
      .samplerate = (int)lrint(rate_hz),
      .channels = (int)n_channels,
      .format = (is_long ? SF_FORMAT_RF64 : SF_FORMAT_WAV) | subtypes[format],
   };
   stem->file = sf_open_fd(bm_output_fd(output), SFM_WRITE, &info, SF_FALSE);
   if (!stem->file) {
      fail_to_write(stem, error);
      bm_stem_close(stem);
      return NULL;
   }
   /* The chunk carries the time of day, and a render is to repeat to the byte. */
   sf_command(stem->file, SFC_SET_ADD_PEAK_CHUNK, NULL, SF_FALSE);
   return stem;
}

/* Uniform in [0, 1): a 64-bit linear congruential generator (Knuth, MMIX constants). */
static double random_unit(uint64_t* seed)
{
   *seed = *seed * 6364136223846793005ULL + 1442695040888963407ULL;
   return (double)(*seed >> 11) / 9007199254740992.0;
}

/* A sample as an integer of the format, at the top of 32 bits as libsndfile takes it. */
static int quantise(BmStemWriter* stem, float x)
{
   const bool is_16 = stem->format == BM_PCM16;
   const double scale = is_16 ? 32768.0 : 8388608.0;
   double y = (double)x * scale;
   if (is_16) {
      const double first = random_unit(&stem->seed);
      y += first - random_unit(&stem->seed);
   }
   y = rint(y);
   if (!(y <= scale - 1.0)) {
      stem->n_clipped += (double)x * scale > scale - 0.5;
      y = scale - 1.0;
   } else if (y < -scale) {
      stem->n_clipped += (double)x * scale < -scale - 0.5;
      y = -scale;
   }
   return (int)y * (is_16 ? 65536 : 256);
}

bool bm_stem_write(BmStemWriter* stem, const float* const* channels, uint32_t n_frames, BmError* error)
{
   const bool is_float = stem->format == BM_FLOAT32;
   for (uint32_t done = 0; done < n_frames;) {
      const uint32_t left = n_frames - done;
      const uint32_t n = left < BM_CHUNK_FRAMES ? left : BM_CHUNK_FRAMES;
      for (uint32_t i = 0; i < n; ++i) {
         for (uint32_t c = 0; c < stem->n_channels; ++c) {
            const float x = channels[c][done + i];
            const uint32_t at = i * stem->n_channels + c;
            if (is_float) {
               ((float*)stem->interleaved)[at] = x;
            } else {
               ((int*)stem->interleaved)[at] = quantise(stem, x);
            }
         }
      }
      const sf_count_t n_written = is_float ? sf_writef_float(stem->file, stem->interleaved, n)
                                            : sf_writef_int(stem->file, stem->interleaved, n);
      if (n_written != (sf_count_t)n) {
         return fail_to_write(stem, error);
      }
      done += n;
      stem->n_frames += n;
   }
   return true;
}

bool bm_stem_finish(BmStemWriter* stem, BmError* error)
{
   sf_close(stem->file);
   stem->file = NULL;
   if (!bm_output_sync(stem->output, error)) {
      return false;
   }
   /* libsndfile's last write tells nobody whether it worked. */
   SF_INFO info = {0};
   lseek(bm_output_fd(stem->output), 0, SEEK_SET);
   SNDFILE* file = sf_open_fd(bm_output_fd(stem->output), SFM_READ, &info, SF_FALSE);
   const bool is_whole = file && (uint64_t)info.frames == stem->n_frames && !is_cut_off(file);
   if (file) {
      sf_close(file);
   }
   return is_whole || bm_fail(error, "%s: cannot be written: what was written is not there", stem->path);
}

bool bm_stem_publish(BmStemWriter* stem, BmError* error)
{
   return bm_output_publish(stem->output, error);
}

uint64_t bm_stem_n_clipped(const BmStemWriter* stem)
{
   return stem->n_clipped;
}

void bm_stem_close(BmStemWriter* stem)
{
   if (!stem) {
      return;
   }
   if (stem->file) {
      sf_close(stem->file);
   }
   bm_output_close(stem->output);
   free(stem->interleaved);
   free(stem->path);
   free(stem);
}
