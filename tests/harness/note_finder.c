/* SPDX-License-Identifier: ISC */
#include "note_finder.h"

#include "audio_file.h"
#include "measure.h"

#include <math.h>
#include <stdlib.h>

#define PLUGIN "urn:bookmatch:fundamental-eq"
#define LEARN 1.0f
#define FOLLOW 2.0f
#define SURE_PERCENT 50.0f
#define BLOCK_FRAMES 1024u

/* One instance that learns the lowest note, and one that follows what sounds. */
typedef struct {
   BmInstance* learner;
   BmInstance* follower;
   uint32_t note_port;
   uint32_t confidence_port;
   float unlearned_hz; /* what the learner shows before it has learned */
} Finder;

static BmInstance* start(BmHost* host, const BmPlugin* plugin, double rate_hz, float source, Finder* finder)
{
   BmError error = {0};
   BmInstance* instance = bm_instance_new(host, plugin, rate_hz, BLOCK_FRAMES, &error);
   const BmPort* source_port = bm_plugin_port(plugin, "note_source", &error);
   const BmPort* set_port = bm_plugin_port(plugin, "note_freq", &error);
   const BmPort* note_port = bm_plugin_port(plugin, "lowest_note", &error);
   const BmPort* confidence_port = bm_plugin_port(plugin, "note_confidence", &error);
   if (error.is_set) {
      bm_instance_free(instance);
      return NULL;
   }
   bm_instance_set(instance, source_port->index, source);
   bm_instance_set(instance, set_port->index, set_port->min);
   finder->note_port = note_port->index;
   finder->confidence_port = confidence_port->index;
   finder->unlearned_hz = set_port->min;
   return instance;
}

static void push_point(BmNotes* notes, uint32_t* capacity, float hz)
{
   if (notes->n_points == *capacity) {
      *capacity = *capacity ? 2 * *capacity : 256;
      notes->sounding_hz = bm_realloc(notes->sounding_hz, *capacity, sizeof *notes->sounding_hz);
   }
   notes->sounding_hz[notes->n_points++] = hz;
}

static bool listen(const Finder* finder, BmTake* take, const BmAudioInfo* info, BmWatch* watch,
                   BmNotes* notes, BmError* error)
{
   float in[BM_MAX_CHANNELS][BLOCK_FRAMES];
   float out[BM_MAX_CHANNELS][BLOCK_FRAMES];
   float* const reads[] = {in[0], in[1]};
   const float* const ins[] = {in[0], in[1]};
   float* const outs[] = {out[0], out[1]};
   uint32_t capacity = 0;
   uint64_t n_done = 0;
   while (n_done < info->n_frames) {
      const uint64_t point_end = (uint64_t)llround((notes->n_points + 1) * BM_SERIES_STEP_S * info->rate_hz);
      uint64_t n = info->n_frames - n_done < BLOCK_FRAMES ? info->n_frames - n_done : BLOCK_FRAMES;
      n = point_end - n_done < n ? point_end - n_done : n;
      if (!bm_take_read(take, reads, (uint32_t)n, error) || !bm_watch_count(watch, n, error)) {
         return false;
      }
      bm_instance_run(finder->learner, ins, outs, (uint32_t)n);
      bm_instance_run(finder->follower, ins, outs, (uint32_t)n);
      n_done += n;
      if (n_done == point_end) {
         const bool is_sure = bm_instance_get(finder->follower, finder->confidence_port) >= SURE_PERCENT;
         push_point(notes, &capacity, is_sure ? bm_instance_get(finder->follower, finder->note_port) : NAN);
      }
   }
   const float learned_hz = bm_instance_get(finder->learner, finder->note_port);
   if (fabsf(learned_hz - finder->unlearned_hz) > 0.01f) {
      notes->lowest_hz = (double)learned_hz;
   }
   return true;
}

void bm_notes_free(BmNotes* self)
{
   free(self->sounding_hz);
   *self = (BmNotes){.lowest_hz = (double)NAN};
}

bool bm_find_notes(BmHost* host, const char* path, BmWatch* watch, BmNotes* notes, BmError* error)
{
   *notes = (BmNotes){.lowest_hz = (double)NAN};
   BmAudioInfo info;
   if (!bm_audio_probe(path, &info, error)) {
      return false;
   }
   BmError missing = {0};
   const BmPlugin* plugin =
      bm_host_find(host, info.n_channels == 2 ? PLUGIN "#stereo" : PLUGIN "#mono", &missing);
   Finder finder = {0};
   if (plugin) {
      finder.learner = start(host, plugin, info.rate_hz, LEARN, &finder);
      finder.follower = start(host, plugin, info.rate_hz, FOLLOW, &finder);
   }
   bool is_well = true;
   if (finder.learner && finder.follower) {
      const BmTakeOptions options = {.rate_hz = info.rate_hz};
      BmTake* take = bm_take_open(path, &options, error);
      is_well = take && listen(&finder, take, &info, watch, notes, error);
      bm_take_close(take);
   }
   bm_instance_free(finder.learner);
   bm_instance_free(finder.follower);
   return is_well;
}
