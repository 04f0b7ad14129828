/* SPDX-License-Identifier: ISC */
/* What the fuzz targets share: a host, bytes to take decisions from, and a file made of bytes. */
#ifndef BM_FUZZ_H
#define BM_FUZZ_H

#include "host.h"

#include <fcntl.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

int LLVMFuzzerInitialize(int* argc, char*** argv);
int LLVMFuzzerTestOneInput(const uint8_t* data, size_t size);

/** Stop here with what is wrong; libFuzzer keeps the input. */
#define fuzz_fail(...)                                                                                       \
   do {                                                                                                      \
      fprintf(stderr, __VA_ARGS__);                                                                          \
      fputc('\n', stderr);                                                                                   \
      abort();                                                                                               \
   } while (0)

/** The input as a stream of bytes; zeros after its end. */
typedef struct {
   const uint8_t* data;
   size_t size;
   size_t at;
} Bytes;

static inline bool bytes_are_left(const Bytes* bytes)
{
   return bytes->at < bytes->size;
}

static inline uint8_t next_byte(Bytes* bytes)
{
   return bytes->at < bytes->size ? bytes->data[bytes->at++] : 0;
}

static inline uint32_t next_below(Bytes* bytes, uint32_t n)
{
   return n ? (next_byte(bytes) | (uint32_t)next_byte(bytes) << 8) % n : 0;
}

static inline void next_raw(Bytes* bytes, void* to, size_t size)
{
   for (size_t i = 0; i < size; ++i) {
      ((uint8_t*)to)[i] = next_byte(bytes);
   }
}

#define FUZZ_MAX_PLUGINS 256

/* The host and the bundle's plugins in it, an instance of each kept so that files are read once. */
static BmHost* fuzz_host;
static const BmPlugin* fuzz_plugins[FUZZ_MAX_PLUGINS];
static BmInstance* fuzz_keepers[FUZZ_MAX_PLUGINS];
static uint32_t fuzz_n_plugins;

static inline void fuzz_ignore_log(void* user, const char* plugin_uri, const char* line)
{
   (void)user;
   (void)plugin_uri;
   (void)line;
}

static inline void fuzz_open_host(double rate_hz, uint32_t max_frames)
{
   BmError error = {0};
   fuzz_host = bm_host_new(&error);
   for (uint32_t i = 0; i < bm_host_n_plugins(fuzz_host) && fuzz_n_plugins < FUZZ_MAX_PLUGINS; ++i) {
      const BmPlugin* plugin = bm_host_plugin(fuzz_host, i);
      if (!strncmp(plugin->uri, "urn:bookmatch:", 14)) {
         fuzz_plugins[fuzz_n_plugins] = plugin;
         fuzz_keepers[fuzz_n_plugins++] = bm_instance_new(fuzz_host, plugin, rate_hz, max_frames, &error);
      }
   }
   if (!fuzz_n_plugins || error.is_set) {
      fuzz_fail("the bundle is not on LV2_PATH; start with tests/fuzz/run. %s", error.text);
   }
   bm_host_set_log(fuzz_host, fuzz_ignore_log, NULL);
}

static char fuzz_folder[] = "/tmp/bookmatch-fuzz-XXXXXX";

/** Path of a file in a folder that is gone when the program ends. Valid until the next call. */
static inline const char* fuzz_path(const char* name)
{
   static char path[128];
   snprintf(path, sizeof path, "%s/%s", fuzz_folder, name);
   return path;
}

static inline void fuzz_remove_folder(void)
{
   unlink(fuzz_path("input"));
   unlink(fuzz_path("take.wav"));
   unlink(fuzz_path("pair.wav"));
   rmdir(fuzz_folder);
}

static inline void fuzz_open_folder(void)
{
   if (!mkdtemp(fuzz_folder)) {
      fuzz_fail("no folder in /tmp");
   }
   atexit(fuzz_remove_folder);
}

/** A file that holds the input; its path is valid until the next call. */
static inline const char* fuzz_file(const uint8_t* data, size_t size)
{
   static int file = -1;
   if (file < 0) {
      file = open(fuzz_path("input"), O_RDWR | O_CREAT, 0600);
   }
   if (file < 0 || ftruncate(file, 0) != 0 || pwrite(file, data, size, 0) != (ssize_t)size) {
      fuzz_fail("%s could not be written", fuzz_path("input"));
   }
   return fuzz_path("input");
}

/** An error that a user sees is one line. */
static inline void fuzz_check_error(const BmError* error)
{
   if (!error->is_set || !error->text[0] || strchr(error->text, '\n')) {
      fuzz_fail("an error must be one line, not \"%s\"", error->text);
   }
}

#endif
