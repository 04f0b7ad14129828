/* SPDX-License-Identifier: ISC */
/* A folder to try sessions in: takes of any shape, sessions from a string, renders into memory. */
#ifndef BM_SESSION_TEST_H
#define BM_SESSION_TEST_H

#include "unit_test.h"

#include "render.h"
#include "session.h"

#include <sndfile.h>

#include <dirent.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define RATE_HZ 48000

/* One line, so that the lines of a session's own text count from 2. */
#define PREFIXES                                                                                             \
   "@prefix bm: <urn:bookmatch:vocabulary#> . @prefix lv2: <http://lv2plug.in/ns/lv2core#> . "               \
   "@prefix pset: <http://lv2plug.in/ns/ext/presets#> . @prefix state: <http://lv2plug.in/ns/ext/state#> . " \
   "@prefix rdfs: <http://www.w3.org/2000/01/rdf-schema#> . @prefix test: <urn:bookmatch:test#> .\n"

static BmHost* host;
static char folder[] = "/tmp/bookmatch-test-XXXXXX";
static uint32_t n_render_threads; /* 0: as many as a user's render has */

static int open_folder(void** state)
{
   (void)state;
   BmError error = {0};
   host = bm_host_new(&error);
   return host && mkdtemp(folder) ? 0 : -1;
}

static int close_folder(void** state)
{
   (void)state;
   DIR* directory = opendir(folder);
   for (struct dirent* entry; directory && (entry = readdir(directory));) {
      char* path = bm_print("%s/%s", folder, entry->d_name);
      unlink(path);
      free(path);
   }
   closedir(directory);
   rmdir(folder);
   bm_host_free(host);
   return 0;
}

/* A path in the folder; the last few stay valid. */
static const char* in_folder(const char* name)
{
   static char paths[4][512];
   static int at;
   at = (at + 1) % 4;
   snprintf(paths[at], sizeof(paths[at]), "%s/%s", folder, name);
   return paths[at];
}

static void write_text(const char* name, const char* text)
{
   FILE* file = fopen(in_folder(name), "wb");
   assert_non_null(file);
   assert_true(fputs(text, file) >= 0);
   assert_int_equal(fclose(file), 0);
}

typedef float (*Wave)(uint32_t frame, uint32_t channel);

/* A take of 32-bit floats, so that what comes back is what went in. */
static void write_take(const char* name, int rate_hz, int n_channels, uint32_t n_frames, Wave wave)
{
   SF_INFO info = {.samplerate = rate_hz, .channels = n_channels, .format = SF_FORMAT_WAV | SF_FORMAT_FLOAT};
   SNDFILE* file = sf_open(in_folder(name), SFM_WRITE, &info);
   assert_non_null(file);
   float* samples = calloc((size_t)n_frames * (size_t)n_channels + 1, sizeof(float));
   for (uint32_t n = 0; n < n_frames; ++n) {
      for (uint32_t c = 0; c < (uint32_t)n_channels; ++c) {
         samples[n * (uint32_t)n_channels + c] = wave(n, c);
      }
   }
   assert_int_equal(sf_writef_float(file, samples, n_frames), n_frames);
   free(samples);
   assert_int_equal(sf_close(file), 0);
}

static inline float wave_one(uint32_t frame, uint32_t channel)
{
   (void)frame;
   (void)channel;
   return 1.0f;
}

static inline float wave_click(uint32_t frame, uint32_t channel)
{
   (void)channel;
   return frame == 0 ? 1.0f : 0.0f;
}

/* Never twice the same, and different in each channel. */
static inline float wave_noise(uint32_t frame, uint32_t channel)
{
   uint64_t seed = frame * 2654435761ULL + channel * 40503ULL + 1;
   for (int n = 0; n < 3; ++n) {
      bm_test_random(&seed);
   }
   return (float)(0.5 * bm_test_random(&seed));
}

static inline BmSession* read_session(const char* body, BmError* error)
{
   char* text = bm_print("%s%s", PREFIXES, body);
   write_text("session.ttl", text);
   free(text);
   return bm_session_read(host, in_folder("session.ttl"), NULL, error);
}

#define MAX_TAPS 4

/* What a render gave. */
typedef struct {
   uint32_t n_frames;
   uint32_t n_taps;
   float* after[MAX_TAPS][2];
   float* before[MAX_TAPS][2];
   uint32_t n_channels[MAX_TAPS];
   char warning[256]; /* the first */
   BmSession* session;
   BmRender* render;
} Rendered;

static inline bool keep_blocks(void* user, const BmTapBlock* taps, uint32_t n_frames, BmError* error)
{
   (void)error;
   Rendered* rendered = user;
   for (uint32_t t = 0; t < rendered->n_taps; ++t) {
      for (uint32_t c = 0; c < rendered->n_channels[t]; ++c) {
         const size_t size = rendered->n_frames + n_frames;
         rendered->after[t][c] = bm_realloc(rendered->after[t][c], size, sizeof(float));
         rendered->before[t][c] = bm_realloc(rendered->before[t][c], size, sizeof(float));
         memcpy(rendered->after[t][c] + rendered->n_frames, taps[t].after[c], n_frames * sizeof(float));
         memcpy(rendered->before[t][c] + rendered->n_frames, taps[t].before[c], n_frames * sizeof(float));
      }
   }
   rendered->n_frames += n_frames;
   return true;
}

/* Render a session that must be right. */
static inline Rendered render_body(const char* body)
{
   Rendered rendered = {0};
   BmError error = {0};
   rendered.session = read_session(body, &error);
   if (!rendered.session) {
      fail_msg("%s", error.text);
   }
   rendered.render = bm_render_new(host, rendered.session, &error);
   if (!rendered.render) {
      fail_msg("%s", error.text);
   }
   rendered.n_taps = rendered.session->n_stems;
   for (uint32_t t = 0; t < rendered.n_taps; ++t) {
      rendered.n_channels[t] = rendered.session->nodes[rendered.session->stems[t].from].n_out;
   }
   const BmRenderSink sink = {.user = &rendered, .hear = keep_blocks, .n_threads = n_render_threads};
   if (!bm_render_run(rendered.render, &sink, &error)) {
      fail_msg("%s", error.text);
   }
   const char* warning = bm_render_warning(rendered.render, 0);
   snprintf(rendered.warning, sizeof(rendered.warning), "%s", warning ? warning : "");
   return rendered;
}

static inline void rendered_free(Rendered* rendered)
{
   for (uint32_t t = 0; t < rendered->n_taps; ++t) {
      for (uint32_t c = 0; c < 2; ++c) {
         free(rendered->after[t][c]);
         free(rendered->before[t][c]);
      }
   }
   bm_render_free(rendered->render);
   bm_session_free(rendered->session);
}

#endif
