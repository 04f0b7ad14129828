/* SPDX-License-Identifier: ISC */
#define _GNU_SOURCE /* renameat2 */
#include "audition.h"

#include "audio_file.h"
#include "note_finder.h"
#include "output.h"
#include "progress.h"
#include "render.h"
#include "stems.h"

#include <ctype.h>
#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define BLOCK_FRAMES 4096u

/* What rounding to 24 bits and the limits of printing could add to a peak. */
#define PEAK_MARGIN_DB 0.01

/* Turning up a quiet render lifts parts of it over the absolute gate of BS.1770, so that loudness moves by
   more than the gain: then it is matched again with what was found. */
#define MAX_ROUNDS 6
#define SAME_GAIN_DB 0.001

/* A page that needs more memory than this is warned of. */
#define LARGE_PAGE_BYTES (1ULL << 30)

/* Audio and scripts lie in a folder of their own beside the page, named by what is in it: so a new set is
   there before the page speaks of it, and an old one as long as a page does. */
#define SET "audio-"
#define SET_DIGITS 8u

#define PCM_BYTES 3u /* a sample in the files and in the scripts */

typedef struct {
   BmHost* host;
   BmSession* session;
   const BmAuditionTask* task;
   BmAudition* audition;
   uint32_t stem;
   char* folder; /* where the files are made; they are moved when all are whole */
   BmProgress progress;
   BmLevel levels[BM_MAX_ALTERNATIVES]; /* as rendered */
   BmNotes notes;                       /* of the reference */
   BmError* error;
} Work;

double bm_match_levels(const BmLevel* levels, uint32_t n_levels, double* gain_db)
{
   double common_lufs = (double)INFINITY;
   for (uint32_t n = 0; n < n_levels; ++n) {
      const double highest_lufs =
         levels[n].integrated_lufs - levels[n].true_peak_dbtp + BM_AUDITION_MAX_DBTP - PEAK_MARGIN_DB;
      if (!isfinite(highest_lufs)) {
         return (double)NAN;
      }
      common_lufs = fmin(common_lufs, highest_lufs);
   }
   for (uint32_t n = 0; n < n_levels; ++n) {
      gain_db[n] = common_lufs - levels[n].integrated_lufs;
   }
   return common_lufs;
}

/* ---- files ---- */

static char* in_work(const Work* work, const char* kind, uint32_t take)
{
   return bm_print("%s/%s%u%s", work->folder, kind, take + 1u, strcmp(kind, "script-") ? ".wav" : ".js");
}

static char* in_folder(const Work* work, const char* name)
{
   const char* folder = work->task->folder;
   return bm_print("%s%s%s", folder, folder[0] && folder[strlen(folder) - 1] == '/' ? "" : "/", name);
}

static bool is_of_a_set(const char* name)
{
   const size_t size = strlen(name);
   const bool is_audio = size > 4 && !strcmp(name + size - 4, ".wav");
   const bool is_script = size > 3 && !strcmp(name + size - 3, ".js");
   return name[0] >= '1' && name[0] <= '9' && name[1] == '-' && (is_audio || is_script);
}

/* Remove a set's folder; what else lies in it stays, and so does what the session plays. */
static void remove_set(const Work* work, const char* path)
{
   DIR* directory = opendir(path);
   for (struct dirent* entry; directory && (entry = readdir(directory));) {
      BmError is_take = {0};
      char* file = bm_print("%s/%s", path, entry->d_name);
      if (is_of_a_set(entry->d_name) && !bm_would_overwrite_take(work->session, file, &is_take)) {
         unlink(file);
      }
      free(file);
   }
   if (directory) {
      closedir(directory);
      rmdir(path);
   }
}

/* "audio-" and the set's number. */
static bool is_set(const char* name)
{
   return !strncmp(name, SET, strlen(SET)) && strlen(name) == strlen(SET) + SET_DIGITS &&
          strspn(name + strlen(SET), "0123456789abcdef") == SET_DIGITS;
}

/* Those that no page speaks of any more. */
static void remove_other_sets(const Work* work, const char* set)
{
   DIR* directory = opendir(work->task->folder);
   for (struct dirent* entry; directory && (entry = readdir(directory));) {
      if (is_set(entry->d_name) && strcmp(entry->d_name, set) != 0) {
         char* path = in_folder(work, entry->d_name);
         remove_set(work, path);
         free(path);
      }
   }
   if (directory) {
      closedir(directory);
   }
}

/* Remove all that this run, or one that was killed, has left. */
static void clean(const Work* work)
{
   char* set = bm_print("%s/set", work->folder);
   remove_set(work, set);
   free(set);
   static const char* const kinds[] = {"rendered-", "audio-", "script-", ".rendered-", ".audio-", ".script-"};
   for (uint32_t n = 0; n < BM_MAX_ALTERNATIVES; ++n) {
      for (size_t k = 0; k < sizeof(kinds) / sizeof(kinds[0]); ++k) {
         const bool is_script = strstr(kinds[k], "script");
         char* path = bm_print("%s/%s%u%s%s", work->folder, kinds[k], n + 1u, is_script ? ".js" : ".wav",
                               kinds[k][0] == '.' ? ".part" : "");
         unlink(path);
         free(path);
      }
   }
   rmdir(work->folder);
}

/* A label as part of a file's name, for people who look into the folder. */
static char* plain_name(const char* label)
{
   char name[41];
   uint32_t size = 0;
   for (const char* at = label; *at && size + 1u < sizeof(name); ++at) {
      if (isalnum((unsigned char)*at) && (unsigned char)*at < 128) {
         name[size++] = (char)tolower((unsigned char)*at);
      } else if (size && name[size - 1] != '-') {
         name[size++] = '-';
      }
   }
   while (size && name[size - 1] == '-') {
      --size;
   }
   name[size] = '\0';
   return bm_copy(size ? name : "alternative");
}

/* ---- what to hear ---- */

/* Which stems sound otherwise with another alternative. */
static void find_reach(const BmSession* session, bool* is_reached)
{
   bool* varies = bm_calloc(session->n_nodes, sizeof(bool));
   for (uint32_t n = 0; n < session->n_nodes; ++n) {
      const BmNode* node = &session->nodes[n];
      varies[n] = varies[n] || node->n_chains > 1;
      for (uint32_t r = 0; r < node->n_routes && !node->is_muted; ++r) {
         varies[node->routes[r].to] = varies[node->routes[r].to] || varies[n];
      }
   }
   for (uint32_t n = 0; n < session->n_stems; ++n) {
      is_reached[n] = varies[session->stems[n].from];
   }
   free(varies);
}

static bool fail_unknown_stem(Work* work)
{
   const BmSession* session = work->session;
   const char** files = bm_calloc(session->n_stems, sizeof(char*));
   for (uint32_t n = 0; n < session->n_stems; ++n) {
      files[n] = session->stems[n].file;
   }
   const char* nearest = bm_nearest(work->task->stem, files, session->n_stems);
   bm_fail(work->error, "%s: has no stem \"%s\"; %s \"%s\"%s", session->path, work->task->stem,
           nearest ? "did you mean" : "there is", nearest ? nearest : files[0], nearest ? "?" : "");
   free(files);
   return false;
}

static bool choose_stem(Work* work)
{
   const BmSession* session = work->session;
   const char* wanted = work->task->stem;
   bool* is_reached = bm_calloc(session->n_stems, sizeof(bool));
   uint32_t n_reached = 0;
   find_reach(session, is_reached);
   work->stem = session->n_stems;
   for (uint32_t n = session->n_stems; n-- > 0;) {
      const bool is_it = wanted ? !strcmp(session->stems[n].file, wanted) : is_reached[n];
      n_reached += is_reached[n];
      work->stem = is_it ? n : work->stem;
   }
   const bool is_found = work->stem < session->n_stems;
   const bool is_well = is_found && is_reached[work->stem];
   free(is_reached);
   if (!is_found && wanted) {
      return fail_unknown_stem(work);
   }
   if (!is_found) {
      return bm_fail(work->error, "%s: no alternative reaches a stem", session->path);
   }
   if (!is_well) {
      return bm_fail_at(work->error, session->path, session->stems[work->stem].line,
                        "no alternative reaches the stem \"%s\"", wanted);
   }
   if (n_reached > 1 && !wanted) {
      fprintf(stderr,
              "bookmatch: of %u stems that the alternatives reach, \"%s\" is heard; --stem chooses another\n",
              n_reached, session->stems[work->stem].file);
   }
   work->audition->stem = &session->stems[work->stem];
   return true;
}

/* Names, channels and the one to compare with. */
static bool prepare(Work* work)
{
   BmSession* session = work->session;
   BmAudition* audition = work->audition;
   audition->session = session;
   if (session->n_alternatives < 2) {
      return bm_fail(work->error,
                     "%s: offers no alternatives to choose from; SESSION.md tells of bm:alternatives",
                     session->path);
   }
   if (!choose_stem(work)) {
      return false;
   }
   audition->n_takes = session->n_alternatives;
   for (uint32_t n = session->n_alternatives; n-- > 0;) {
      const BmAlternative* alternative = &session->alternatives[n];
      char* name = plain_name(alternative->label);
      audition->takes[n].alternative = alternative;
      audition->takes[n].audio = bm_print("%u-%s.wav", n + 1u, name);
      audition->takes[n].script = bm_print("%u-%s.js", n + 1u, name);
      free(name);
      audition->reference = alternative->is_empty ? n : audition->reference;
      bm_session_choose(session, n);
      const uint32_t n_out = session->nodes[audition->stem->from].n_out;
      audition->n_channels = n_out > audition->n_channels ? n_out : audition->n_channels;
   }
   return true;
}

/* ---- rendering ---- */

typedef struct {
   Work* work;
   uint32_t take;
   BmStemWriter* writer;
   BmMeter* meter;
   uint64_t n_frames;
   float* interleaved;
   uint32_t capacity_frames;
} Listener;

static bool hear(void* user, const BmTapBlock* taps, uint32_t n_frames, BmError* error)
{
   Listener* listener = user;
   const Work* work = listener->work;
   const BmAudition* audition = work->audition;
   const BmTapBlock* tap = &taps[work->stem];
   const bool is_mono = work->session->nodes[audition->stem->from].n_out == 1;
   const float* channels[] = {tap->after[0], is_mono ? tap->after[0] : tap->after[1]};
   if (listener->capacity_frames < n_frames) {
      listener->capacity_frames = n_frames;
      listener->interleaved =
         bm_realloc(listener->interleaved, (uint64_t)n_frames * BM_MAX_CHANNELS, sizeof(float));
   }
   for (uint32_t n = 0; n < n_frames; ++n) {
      for (uint32_t c = 0; c < audition->n_channels; ++c) {
         listener->interleaved[n * audition->n_channels + c] = channels[c][n];
      }
   }
   bm_meter_add(listener->meter, listener->interleaved, n_frames);
   listener->n_frames += n_frames;
   return bm_stem_write(listener->writer, channels, n_frames, error);
}

static void tell(void* user, uint64_t done_frames, uint64_t total_frames)
{
   Listener* listener = user;
   Work* work = listener->work;
   bm_progress_tell(&work->progress, listener->take * total_frames + done_frames,
                    work->audition->n_takes * total_frames);
}

/* Once each, though every alternative may say the same. */
static void tell_warnings(const BmRender* render, BmText* told)
{
   for (uint32_t n = 0; bm_render_warning(render, n); ++n) {
      char* line = bm_print("bookmatch: warning: %s\n", bm_render_warning(render, n));
      if (!told->chars || !strstr(told->chars, line)) {
         bm_text_add(told, line);
         fputs(line, stderr);
      }
      free(line);
   }
}

static BmMeter* new_meter(const Work* work, double note_hz)
{
   const BmMeterOptions options = {.sample_rate_hz = work->session->rate_hz,
                                   .n_channels = work->audition->n_channels,
                                   .lowest_note_hz = note_hz};
   BmMeter* meter = bm_meter_new(&options);
   if (!meter) {
      bm_fail(work->error, "%s: at %g Hz loudness cannot be measured", work->session->path,
              work->session->rate_hz);
   }
   return meter;
}

static bool keep_level(Work* work, Listener* listener)
{
   BmAnalysis analysis = {0};
   if (!bm_meter_finish(listener->meter, &analysis)) {
      return bm_fail(work->error, "out of memory");
   }
   work->levels[listener->take] =
      (BmLevel){analysis.figures.integrated_lufs, analysis.figures.true_peak_dbtp};
   bm_analysis_free(&analysis);
   BmAudition* audition = work->audition;
   audition->n_frames = listener->n_frames > audition->n_frames ? listener->n_frames : audition->n_frames;
   const BmLevel* level = &work->levels[listener->take];
   const BmAlternative* alternative = audition->takes[listener->take].alternative;
   return (isfinite(level->integrated_lufs) && isfinite(level->true_peak_dbtp)) ||
          bm_fail_at(work->error, work->session->path, alternative->line,
                     "the alternative \"%s\" is silent, or shorter than 0.4 s: it has no loudness to match",
                     alternative->label);
}

static bool render_take(Work* work, uint32_t take, BmText* told)
{
   bm_session_choose(work->session, take);
   BmRender* render = bm_render_new(work->host, work->session, work->error);
   if (!render) {
      return false;
   }
   Listener listener = {.work = work, .take = take, .meter = new_meter(work, 0.0)};
   char* path = in_work(work, "rendered-", take);
   if (listener.meter) {
      listener.writer = bm_stem_open(path, BM_FLOAT32, work->session->rate_hz, work->audition->n_channels,
                                     bm_render_max_frames(render), work->error);
   }
   const BmRenderSink sink = {
      .user = &listener, .hear = hear, .progress = tell, .without_before = true, .stop = work->task->stop};
   const bool ok = listener.writer && bm_render_run(render, &sink, work->error) &&
                   bm_stem_finish(listener.writer, work->error) &&
                   bm_stem_publish(listener.writer, work->error) && keep_level(work, &listener);
   tell_warnings(render, told);
   bm_stem_close(listener.writer);
   bm_meter_free(listener.meter);
   bm_render_free(render);
   free(listener.interleaved);
   free(path);
   return ok;
}

/* ---- writing ---- */

/* Base64 (RFC 4648) of whole groups of three bytes. */
static void add_base64(BmText* text, const uint8_t* bytes, uint32_t n_bytes)
{
   static const char digits[] = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
   char* letters = bm_calloc((uint64_t)n_bytes / 3u * 4u + 1u, 1);
   char* at = letters;
   for (uint32_t n = 0; n + 2u < n_bytes; n += 3u) {
      const uint32_t bits = (uint32_t)bytes[n] << 16 | (uint32_t)bytes[n + 1] << 8 | bytes[n + 2];
      *at++ = digits[bits >> 18];
      *at++ = digits[bits >> 12 & 63u];
      *at++ = digits[bits >> 6 & 63u];
      *at++ = digits[bits & 63u];
   }
   bm_text_add(text, letters);
   free(letters);
}

static bool write_text(BmOutput* output, const char* path, const BmText* text, BmError* error)
{
   if (text->failed) {
      return bm_fail(error, "out of memory");
   }
   for (size_t done = 0; done < text->length;) {
      const ssize_t n = write(bm_output_fd(output), text->chars + done, text->length - done);
      if (n < 0 && errno != EINTR) {
         return bm_fail(error, "%s: cannot be written: %s", path, strerror(errno));
      }
      done += n > 0 ? (size_t)n : 0;
   }
   return true;
}

/* One alternative on its way from the render to its two files. */
typedef struct {
   Work* work;
   uint32_t take;
   double gain_lin;
   BmTake* in;
   BmStemWriter* audio;
   BmOutput* script;
   char* script_path;
   BmMeter* meter;
   float* channels[BM_MAX_CHANNELS];
   float* interleaved;
   uint8_t* pcm;
   uint64_t id;
} Copy;

/* Gain, and what 24 bits hold of it: the file, the script and the figures speak of the same samples. */
static void take_block(Copy* copy, uint32_t n_frames)
{
   const uint32_t n_channels = copy->work->audition->n_channels;
   uint8_t* at = copy->pcm;
   for (uint32_t n = 0; n < n_frames; ++n) {
      for (uint32_t c = 0; c < n_channels; ++c) {
         const double scaled = rint((double)copy->channels[c][n] * copy->gain_lin * 8388608.0);
         const int32_t step = (int32_t)fmin(fmax(scaled, -8388608.0), 8388607.0);
         copy->channels[c][n] = (float)step / 8388608.0f;
         copy->interleaved[n * n_channels + c] = copy->channels[c][n];
         for (uint32_t b = 0; b < PCM_BYTES; ++b) {
            *at = (uint8_t)((uint32_t)step >> (8u * b));
            /* FNV-1a, 64 bits (Fowler, Noll, Vo). */
            copy->id = (copy->id ^ *at++) * 1099511628211ULL;
         }
      }
   }
}

static bool copy_block(Copy* copy, uint32_t n_frames)
{
   Work* work = copy->work;
   const uint32_t n_channels = work->audition->n_channels;
   const float* const channels[] = {copy->channels[0], copy->channels[1]};
   if (!bm_take_read(copy->in, copy->channels, n_frames, work->error)) {
      return false;
   }
   take_block(copy, n_frames);
   bm_meter_add(copy->meter, copy->interleaved, n_frames);
   BmText line = {0};
   bm_text_addf(&line, "bookmatchAudio(%u, \"", copy->take);
   add_base64(&line, copy->pcm, n_frames * n_channels * PCM_BYTES);
   bm_text_add(&line, "\");\n");
   const bool ok = bm_stem_write(copy->audio, channels, n_frames, work->error) &&
                   write_text(copy->script, copy->script_path, &line, work->error);
   bm_text_free(&line);
   return ok;
}

static bool copy_all(Copy* copy)
{
   Work* work = copy->work;
   const uint64_t n_frames = work->audition->n_frames;
   for (uint64_t done = 0; done < n_frames; done += BLOCK_FRAMES) {
      const uint64_t left = n_frames - done;
      if (*work->task->stop) {
         return bm_fail(work->error, "interrupted; nothing was written");
      }
      if (!copy_block(copy, left < BLOCK_FRAMES ? (uint32_t)left : BLOCK_FRAMES)) {
         return false;
      }
   }
   BmText end = {0};
   bm_text_addf(&end, "bookmatchAudioEnd(%u, \"%016llx\");\n", copy->take, (unsigned long long)copy->id);
   const bool ok = write_text(copy->script, copy->script_path, &end, work->error);
   bm_text_free(&end);
   return ok && bm_stem_finish(copy->audio, work->error) && bm_stem_publish(copy->audio, work->error) &&
          bm_output_sync(copy->script, work->error) && bm_output_publish(copy->script, work->error);
}

/* Write an alternative with its gain, and measure what was written. */
static bool write_take(Work* work, uint32_t take, double gain_db)
{
   const BmAudition* audition = work->audition;
   BmAuditionTake* written = &work->audition->takes[take];
   const double note_hz = isfinite(work->notes.lowest_hz) ? work->notes.lowest_hz : 0.0;
   Copy copy = {
      .work = work, .take = take, .gain_lin = pow(10.0, gain_db / 20.0), .id = 14695981039346656037ULL};
   const BmTakeOptions as_it_is = {.rate_hz = work->session->rate_hz};
   char* in_path = in_work(work, "rendered-", take);
   char* audio_path = in_work(work, "audio-", take);
   copy.script_path = in_work(work, "script-", take);
   float* memory = bm_calloc(2ULL * BM_MAX_CHANNELS * BLOCK_FRAMES, sizeof(float));
   copy.channels[0] = memory;
   copy.channels[1] = memory + BLOCK_FRAMES;
   copy.interleaved = memory + 2u * BLOCK_FRAMES;
   copy.pcm = bm_calloc((uint64_t)BM_MAX_CHANNELS * BLOCK_FRAMES * PCM_BYTES, 1);
   copy.in = bm_take_open(in_path, &as_it_is, work->error);
   copy.audio = copy.in ? bm_stem_open(audio_path, BM_PCM24, work->session->rate_hz, audition->n_channels,
                                       audition->n_frames, work->error)
                        : NULL;
   copy.script = copy.audio ? bm_output_open(copy.script_path, work->error) : NULL;
   copy.meter = copy.script ? new_meter(work, note_hz) : NULL;
   bool ok = copy.meter && copy_all(&copy);
   bm_analysis_free(&written->analysis);
   written->analysis = (BmAnalysis){0};
   if (ok && !bm_meter_finish(copy.meter, &written->analysis)) {
      ok = bm_fail(work->error, "out of memory");
   }
   written->gain_db = gain_db;
   written->id = copy.id;
   bm_meter_free(copy.meter);
   bm_output_close(copy.script);
   bm_stem_close(copy.audio);
   bm_take_close(copy.in);
   free(copy.pcm);
   free(memory);
   free(copy.script_path);
   free(audio_path);
   free(in_path);
   return ok;
}

/* Write all at one loudness; once more, with what was found, where a gate moved. */
static bool match_takes(Work* work)
{
   BmAudition* audition = work->audition;
   double gain_db[BM_MAX_ALTERNATIVES];
   for (uint32_t round = 0; round < MAX_ROUNDS; ++round) {
      audition->integrated_lufs = bm_match_levels(work->levels, audition->n_takes, gain_db);
      bool is_matched = true;
      for (uint32_t n = 0; n < audition->n_takes; ++n) {
         const BmAuditionTake* take = &audition->takes[n];
         const bool is_written = round && fabs(take->gain_db - gain_db[n]) < SAME_GAIN_DB;
         char* what = bm_print("writing %s", take->audio);
         bm_progress_say(&work->progress, what);
         free(what);
         if (!is_written && !write_take(work, n, gain_db[n])) {
            return false;
         }
         const double off_lu = take->analysis.figures.integrated_lufs - audition->integrated_lufs;
         /* What is silent now was all but silent before. */
         work->levels[n].integrated_lufs += isfinite(off_lu) ? off_lu : 0.0;
         is_matched = is_matched && fabs(off_lu) < 0.5 * BM_AUDITION_MATCH_LU;
      }
      if (is_matched) {
         return true;
      }
   }
   return bm_fail(work->error, "%s: the alternatives cannot be brought to one loudness", work->session->path);
}

/* The same note in all, so that its harmonics can be compared. */
static bool find_notes(Work* work)
{
   char* path = in_work(work, "rendered-", work->audition->reference);
   const bool ok = bm_find_notes(work->host, path, NULL, &work->notes, work->error);
   free(path);
   return ok;
}

/* By names and samples. */
static char* name_set(const BmAudition* audition)
{
   uint64_t hash = 14695981039346656037ULL;
   for (uint32_t n = 0; n < audition->n_takes; ++n) {
      for (const char* c = audition->takes[n].audio; *c; ++c) {
         hash = (hash ^ (unsigned char)*c) * 1099511628211ULL;
      }
      hash = (hash ^ audition->takes[n].id) * 1099511628211ULL;
      hash ^= hash >> 32;
   }
   return bm_print("%s%0*llx", SET, (int)SET_DIGITS, (unsigned long long)(hash & 0xFFFFFFFFU));
}

/* Give a file of the set its name in the folder "set" that is still at work, and from now on in `set`. */
static bool move(const Work* work, const char* kind, uint32_t take, const char* set, char** name)
{
   char* from = in_work(work, kind, take);
   char* to = bm_print("%s/set/%s", work->folder, *name);
   const bool ok =
      !rename(from, to) || bm_fail(work->error, "%s: cannot be written: %s", to, strerror(errno));
   char* named = bm_print("%s/%s", set, *name);
   free(*name);
   *name = named;
   free(from);
   free(to);
   return ok;
}

/* The whole set at once; one of the name, which is the same, makes way, if need be before it comes. */
static bool place_set(const Work* work, const char* made, const char* path)
{
   if (!rename(made, path) || !renameat2(AT_FDCWD, made, AT_FDCWD, path, RENAME_EXCHANGE)) {
      return true;
   }
   remove_set(work, path);
   return !rename(made, path) || bm_fail(work->error, "%s: cannot be written: %s", path, strerror(errno));
}

/* The page last: with it all that it speaks of is there, and without it nothing has changed. */
static bool publish(Work* work, BmOutput* page)
{
   BmAudition* audition = work->audition;
   char* set = name_set(audition);
   char* path = in_folder(work, set);
   char* made = bm_print("%s/set", work->folder);
   bool ok = bm_make_folder(made, work->error);
   for (uint32_t n = 0; n < audition->n_takes && ok; ++n) {
      ok = move(work, "audio-", n, set, &audition->takes[n].audio) &&
           move(work, "script-", n, set, &audition->takes[n].script);
   }
   BmText text = {0};
   bm_audition_add_page(&text, audition);
   ok = ok && write_text(page, "index.html", &text, work->error) && bm_output_sync(page, work->error);
   bm_text_free(&text);
   ok = ok && place_set(work, made, path) && bm_output_publish(page, work->error);
   if (ok) {
      remove_other_sets(work, set);
   }
   free(made);
   free(path);
   free(set);
   return ok;
}

static void warn_of_size(const BmAudition* audition)
{
   const uint64_t n_bytes = audition->n_frames * audition->n_channels * audition->n_takes * sizeof(float);
   if (n_bytes > LARGE_PAGE_BYTES) {
      fprintf(
         stderr,
         "bookmatch: warning: the page will take %.1f GiB of the browser's memory; shorter takes or fewer "
         "alternatives take less\n",
         (double)n_bytes / (double)LARGE_PAGE_BYTES);
   }
}

bool bm_audition_run(BmHost* host, BmSession* session, const BmAuditionTask* task, BmAudition* audition,
                     BmError* error)
{
   Work work = {.host = host, .session = session, .task = task, .audition = audition, .error = error};
   work.notes.lowest_hz = (double)NAN;
   *audition = (BmAudition){0};
   if (!prepare(&work) || !bm_make_folder(task->folder, error)) {
      return false;
   }
   work.folder = in_folder(&work, ".audition.part");
   char* page_path = in_folder(&work, "index.html");
   /* Held from the start, so that two auditions do not write into one folder. */
   BmOutput* page = bm_output_open(page_path, error);
   bool ok = page != NULL;
   if (ok) {
      clean(&work);
      ok = bm_make_folder(work.folder, error);
   }
   BmText told = {0};
   bm_progress_begin(&work.progress, session->rate_hz);
   for (uint32_t n = 0; n < audition->n_takes && ok; ++n) {
      ok = render_take(&work, n, &told);
   }
   ok = ok && find_notes(&work) && match_takes(&work);
   bm_progress_end(&work.progress);
   if (ok) {
      warn_of_size(audition);
   }
   ok = ok && publish(&work, page);
   if (page) {
      clean(&work);
   }
   bm_output_close(page);
   bm_text_free(&told);
   bm_notes_free(&work.notes);
   free(page_path);
   free(work.folder);
   return ok;
}

void bm_audition_free(BmAudition* audition)
{
   for (uint32_t n = 0; n < audition->n_takes; ++n) {
      free(audition->takes[n].audio);
      free(audition->takes[n].script);
      bm_analysis_free(&audition->takes[n].analysis);
   }
   *audition = (BmAudition){0};
}
