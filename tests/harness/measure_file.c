/* SPDX-License-Identifier: ISC */
#include "measure.h"

#include "audio_file.h"
#include "note_finder.h"

#include <math.h>
#include <stdlib.h>

#define BLOCK_FRAMES 4096u

static bool meter_file(BmMeter* meter, const char* path, const BmAudioInfo* info, BmWatch* watch,
                       BmError* error)
{
   const BmTakeOptions options = {.rate_hz = info->rate_hz};
   BmTake* take = bm_take_open(path, &options, error);
   float* memory = bm_calloc(4 * BLOCK_FRAMES, sizeof *memory);
   float* const channels[] = {memory, memory + BLOCK_FRAMES};
   float* const interleaved = memory + 2 * BLOCK_FRAMES;
   uint64_t n_left = take ? info->n_frames : 0;
   while (n_left) {
      const uint32_t n = n_left < BLOCK_FRAMES ? (uint32_t)n_left : BLOCK_FRAMES;
      if (!bm_take_read(take, channels, n, error) || !bm_watch_count(watch, n, error)) {
         break;
      }
      for (uint32_t frame = 0; frame < n; ++frame) {
         for (uint32_t channel = 0; channel < info->n_channels; ++channel) {
            interleaved[frame * info->n_channels + channel] = channels[channel][frame];
         }
      }
      bm_meter_add(meter, interleaved, n);
      n_left -= n;
   }
   free(memory);
   bm_take_close(take);
   return !error->is_set;
}

/* The two series have the same step, but may differ by the last point. */
static void keep_notes(const BmNotes* notes, BmSeries* series)
{
   for (uint32_t n = 0; n < series->n_points && n < notes->n_points; ++n) {
      series->lowest_note_hz[n] = notes->sounding_hz[n];
   }
}

bool bm_measure_file(BmHost* host, const char* path, double lowest_note_hz, BmWatch* watch,
                     BmAnalysis* analysis, BmError* error)
{
   *analysis = (BmAnalysis){0};
   BmAudioInfo info;
   if (!bm_audio_probe(path, &info, error)) {
      return false;
   }
   if (info.n_channels > BM_MAX_CHANNELS) {
      return bm_fail(error, "%s: has %u channels; mono and stereo can be measured", path, info.n_channels);
   }
   if (info.rate_hz < BM_MEASURE_MIN_RATE_HZ || info.rate_hz > BM_MEASURE_MAX_RATE_HZ) {
      return bm_fail(error, "%s: its rate is %.0f Hz; %.0f to %.0f can be measured", path, info.rate_hz,
                     BM_MEASURE_MIN_RATE_HZ, BM_MEASURE_MAX_RATE_HZ);
   }
   BmNotes notes = {.lowest_hz = (double)NAN};
   if (watch && watch->progress) {
      watch->progress->rate_hz = info.rate_hz;
   }
   const bool seeks_note = host && !(lowest_note_hz > 0.0);
   if (watch && !watch->total_frames) {
      watch->total_frames = (seeks_note ? 2u : 1u) * info.n_frames;
   }
   if (seeks_note && !bm_find_notes(host, path, watch, &notes, error)) {
      return false;
   }
   const double note_hz = lowest_note_hz > 0.0        ? lowest_note_hz
                          : isfinite(notes.lowest_hz) ? notes.lowest_hz
                                                      : 0.0;
   const BmMeterOptions options = {
      .sample_rate_hz = info.rate_hz, .n_channels = info.n_channels, .lowest_note_hz = note_hz};
   BmMeter* meter = bm_meter_new(&options);
   bool is_well = meter || bm_fail(error, "out of memory");
   is_well = is_well && meter_file(meter, path, &info, watch, error);
   if (is_well && !bm_meter_finish(meter, analysis)) {
      is_well = bm_fail(error, "out of memory");
   }
   if (is_well) {
      keep_notes(&notes, &analysis->series);
   }
   bm_meter_free(meter);
   bm_notes_free(&notes);
   return is_well;
}
