/* SPDX-License-Identifier: ISC */
#include "part.h"
#include "performance.h"
#include "recording.h"
#include "take_file.h"

#include <dirent.h>
#include <errno.h>
#include <math.h>
#include <signal.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#ifndef BM_PARTS_DIR
#error "BM_PARTS_DIR: the folder of the parts that are made when none is named"
#endif

#define PATH_BYTES 4096
#define PARTS_MAX 64
#define NOTE_BYTES 32
#define RATE_MIN_HZ 44100.0
#define RATE_MAX_HZ 192000.0

static const char usage[] =
   "usage: make-takes -o DIR [--seed N] [--rate HZ] [PART...]\n"
   "Make the demo takes: parts played on modelled instruments, as 24-bit WAV files in DIR.\n"
   "  PART       a part's name, or a file that ends in .part (default: every part)\n"
   "  --seed N   another N is another set of performances (default 1)\n"
   "  --rate HZ  44100 to 192000 (default 48000)\n";

typedef struct {
   const char* directory;
   uint64_t seed;
   double sample_rate_hz;
   uint32_t n_parts;
   BmPart* parts;
} Job;

__attribute__((format(printf, 1, 2))) static bool complain(const char* format, ...)
{
   va_list arguments;
   va_start(arguments, format);
   fputs("make-takes: ", stderr);
   vfprintf(stderr, format, arguments);
   fputc('\n', stderr);
   va_end(arguments);
   return false;
}

static void stop(int signal_number)
{
   bm_take_abandon();
   _exit(128 + signal_number);
}

static bool read_part(Job* job, const char* path)
{
   char message[BM_PART_MESSAGE_MAX];
   if (job->n_parts == PARTS_MAX) {
      return complain("more than %d parts", PARTS_MAX);
   }
   BmPart* parts = realloc(job->parts, (job->n_parts + 1) * sizeof(BmPart));
   if (!parts) {
      return complain("out of memory");
   }
   job->parts = parts;
   return bm_part_read(&job->parts[job->n_parts++], path, message) || complain("%s", message);
}

static bool ends_in_part(const char* name)
{
   const size_t length = strlen(name);
   return length > 5 && strcmp(name + length - 5, ".part") == 0;
}

static int is_part(const struct dirent* entry)
{
   return entry->d_name[0] != '.' && ends_in_part(entry->d_name);
}

static bool read_named_part(Job* job, const char* name)
{
   char path[PATH_BYTES];
   if (ends_in_part(name)) {
      return read_part(job, name);
   }
   snprintf(path, sizeof(path), "%s/%s.part", BM_PARTS_DIR, name);
   if (strchr(name, '/') || access(path, F_OK) != 0) {
      return complain(
         "no part '%s'; a name from demo-sessions/takes/parts or a file that ends in .part would be "
         "right",
         name);
   }
   return read_part(job, path);
}

static bool read_every_part(Job* job)
{
   struct dirent** entries;
   const int n = scandir(BM_PARTS_DIR, &entries, is_part, alphasort);
   if (n < 0) {
      return complain("%s: %s", BM_PARTS_DIR, strerror(errno));
   }
   bool is_read = true;
   for (int i = 0; i < n; ++i) {
      char path[PATH_BYTES];
      snprintf(path, sizeof(path), "%s/%s", BM_PARTS_DIR, entries[i]->d_name);
      is_read = is_read && read_part(job, path);
      free(entries[i]);
   }
   free(entries);
   return is_read;
}

static bool read_arguments(Job* job, int argc, char** argv)
{
   int i = 1;
   for (; i < argc && argv[i][0] == '-'; ++i) {
      const char* option = argv[i];
      if (strcmp(option, "--help") == 0) {
         fputs(usage, stdout);
         exit(0);
      }
      const bool is_directory = strcmp(option, "-o") == 0;
      const bool is_seed = strcmp(option, "--seed") == 0;
      if (!is_directory && !is_seed && strcmp(option, "--rate") != 0) {
         return complain("no option '%s'; -o, --seed, --rate or --help would be right", option);
      }
      if (++i == argc) {
         return complain("%s needs a value", option);
      }
      char* end = argv[i];
      errno = 0;
      if (is_directory) {
         job->directory = argv[i];
      } else if (is_seed) {
         job->seed = strtoull(argv[i], &end, 10);
         if (argv[i][0] < '0' || argv[i][0] > '9' || *end || errno) {
            return complain("--seed '%s': a whole number from 0 would be right", argv[i]);
         }
      } else {
         job->sample_rate_hz = strtod(argv[i], &end);
         if (end == argv[i] || *end || !(job->sample_rate_hz >= RATE_MIN_HZ) ||
             !(job->sample_rate_hz <= RATE_MAX_HZ) || job->sample_rate_hz != floor(job->sample_rate_hz)) {
            return complain("--rate '%s': 44100 to 192000 would be right", argv[i]);
         }
      }
   }
   if (!job->directory || !job->directory[0]) {
      return complain("where to? '-o DIR' would be right");
   }
   if (i == argc) {
      return read_every_part(job);
   }
   for (; i < argc; ++i) {
      if (!read_named_part(job, argv[i])) {
         return false;
      }
   }
   return true;
}

static bool names_differ(const Job* job)
{
   for (uint32_t a = 0; a < job->n_parts; ++a) {
      for (uint32_t b = 0; b < a; ++b) {
         for (uint32_t i = 0; i < job->parts[a].n_takes; ++i) {
            for (uint32_t j = 0; j < job->parts[b].n_takes; ++j) {
               if (strcmp(job->parts[a].takes[i].name, job->parts[b].takes[j].name) == 0) {
                  return complain("parts '%s' and '%s' both have a take '%s'", job->parts[b].name,
                                  job->parts[a].name, job->parts[a].takes[i].name);
               }
            }
         }
      }
   }
   return true;
}

static const char* note_name(double hz, char name[NOTE_BYTES])
{
   static const char* const names[] = {"C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B"};
   const long key = lround(69.0 + 12.0 * log2(hz / 440.0));
   snprintf(name, NOTE_BYTES, "%s%ld", names[key % 12], key / 12 - 1);
   return name;
}

static bool write_take(const Job* job, const BmTake* take, const BmRecording* recording,
                       const uint32_t of_recording[2], double lowest_hz, uint64_t seed)
{
   BmTakeAudio audio = {.sample_rate_hz = job->sample_rate_hz,
                        .n_channels = take->n_microphones,
                        .n_frames = recording->n_frames};
   bool is_written = true;
   for (uint32_t c = 0; is_written && c < audio.n_channels; ++c) {
      audio.channels[c] = malloc(audio.n_frames * sizeof(double));
      is_written = audio.channels[c] != NULL || complain("out of memory");
      for (uint32_t i = 0; is_written && i < audio.n_frames; ++i) {
         const double x = recording->channels[of_recording[c]][i];
         audio.channels[c][i] = take->reversed[c] ? -x : x;
      }
   }
   if (is_written) {
      char path[PATH_BYTES];
      char message[BM_TAKE_MESSAGE_MAX];
      char note[NOTE_BYTES];
      bm_take_set_level(&audio, seed ^ bm_random_seed_of(take->name));
      const BmTakeLevel level = bm_take_level(&audio);
      const int length = snprintf(path, sizeof(path), "%s/%s.wav", job->directory, take->name);
      is_written =
         length < (int)sizeof(path) || complain("-o '%.60s...': the path is too long", job->directory);
      is_written = is_written && (bm_take_write(&audio, path, message) || complain("%s", message));
      if (is_written) {
         printf("%-24s %-6s %5.1f s  RMS %6.1f dBFS  peak %5.1f dBFS  crest %4.1f dB  lowest %-3s %7.2f Hz\n",
                take->name, audio.n_channels == 2 ? "stereo" : "mono", audio.n_frames / audio.sample_rate_hz,
                level.rms_db, level.peak_db, level.peak_db - level.rms_db, note_name(lowest_hz, note),
                lowest_hz);
         fflush(stdout);
      }
   }
   free(audio.channels[0]);
   free(audio.channels[1]);
   return is_written;
}

/* Play one performance and write every take of it. */
static bool make_performance(const Job* job, const BmPart* part, uint32_t number)
{
   const BmMicrophone* microphones[BM_MICROPHONES_MAX];
   uint32_t n_microphones = 0;
   uint32_t of_recording[BM_TAKES_MAX][2] = {{0}};
   for (uint32_t t = 0; t < part->n_takes; ++t) {
      const BmTake* take = &part->takes[t];
      for (uint32_t c = 0; take->performance == number && c < take->n_microphones; ++c) {
         uint32_t m = 0;
         while (m < n_microphones && microphones[m] != take->microphones[c]) {
            ++m;
         }
         microphones[m] = take->microphones[c];
         n_microphones += m == n_microphones;
         of_recording[t][c] = m;
      }
   }
   const uint64_t seed = (job->seed * 100 + number) ^ bm_random_seed_of(part->name);
   BmPerformance performance;
   BmRecording recording;
   if (!bm_performance_play(&performance, part, seed)) {
      return complain("out of memory");
   }
   bool is_made = bm_recording_make(&recording, part->instrument, &performance, microphones, n_microphones,
                                    job->sample_rate_hz, seed) ||
                  complain("out of memory");
   for (uint32_t t = 0; is_made && t < part->n_takes; ++t) {
      if (part->takes[t].performance == number) {
         is_made = write_take(job, &part->takes[t], &recording, of_recording[t], performance.lowest_hz, seed);
      }
   }
   bm_recording_free(&recording);
   bm_performance_free(&performance);
   return is_made;
}

static bool make_part(const Job* job, const BmPart* part)
{
   for (uint32_t t = 0; t < part->n_takes; ++t) {
      bool is_new = true;
      for (uint32_t earlier = 0; earlier < t; ++earlier) {
         is_new = is_new && part->takes[earlier].performance != part->takes[t].performance;
      }
      if (is_new && !make_performance(job, part, part->takes[t].performance)) {
         return false;
      }
   }
   return true;
}

int main(int argc, char** argv)
{
   signal(SIGINT, stop);
   signal(SIGTERM, stop);
   signal(SIGHUP, stop);
   signal(SIGXFSZ, SIG_IGN); /* then a file too large is an error to report, not an end */
   Job job = {.seed = 1, .sample_rate_hz = 48000.0};
   bool is_done = read_arguments(&job, argc, argv) && names_differ(&job);
   if (is_done && mkdir(job.directory, 0777) != 0 && errno != EEXIST) {
      is_done = complain("%s: %s", job.directory, strerror(errno));
   }
   for (uint32_t i = 0; is_done && i < job.n_parts; ++i) {
      is_done = make_part(&job, &job.parts[i]);
   }
   free(job.parts);
   return is_done ? 0 : 1;
}
