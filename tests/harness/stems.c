/* SPDX-License-Identifier: ISC */
#include "stems.h"

#include "audio_file.h"
#include "output.h"

#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

typedef struct {
   char* path;
   BmStemWriter* writer;
   bool has_sound;
} File;

struct BmStems {
   const BmSession* session;
   File* files; /* [2 n_stems]: after, before; a before that is not wanted stays empty */
   uint64_t n_frames;
};

bool bm_would_overwrite_take(const BmSession* session, const char* path, BmError* error)
{
   struct stat stem;
   if (stat(path, &stem)) {
      return false;
   }
   for (uint32_t n = 0; n < session->n_nodes; ++n) {
      struct stat take;
      const BmNode* node = &session->nodes[n];
      if (node->is_track && !stat(node->take, &take) && take.st_dev == stem.st_dev &&
          take.st_ino == stem.st_ino) {
         bm_fail(error, "%s: would overwrite the take of <#%s>; choose another folder with -o", path,
                 node->id);
         return true;
      }
   }
   return false;
}

BmStems* bm_stems_open(const BmSession* session, const char* folder, uint64_t max_frames, bool with_before,
                       BmError* error)
{
   if (!bm_make_folder(folder, error)) {
      return NULL;
   }
   BmStems* stems = bm_calloc(1, sizeof(BmStems));
   stems->session = session;
   stems->files = bm_calloc(session->n_stems * 2u, sizeof(File));
   const char* slash = folder[0] && folder[strlen(folder) - 1] == '/' ? "" : "/";
   for (uint32_t n = 0; n < session->n_stems * 2u; ++n) {
      const BmStem* stem = &session->stems[n / 2];
      const bool is_before = n % 2;
      File* file = &stems->files[n];
      if (is_before && !with_before) {
         continue;
      }
      const int stem_size = (int)(strlen(stem->file) - strlen(".wav"));
      file->path =
         bm_print("%s%s%.*s%s.wav", folder, slash, stem_size, stem->file, is_before ? ".before" : "");
      if (!bm_would_overwrite_take(session, file->path, error)) {
         file->writer = bm_stem_open(file->path, stem->format, session->rate_hz,
                                     session->nodes[stem->from].n_out, max_frames, error);
      }
      if (!file->writer) {
         bm_stems_close(stems);
         return NULL;
      }
   }
   return stems;
}

/* Counted up to the first sample that sounds. */
static bool sounds(const float* const* channels, uint32_t n_channels, uint32_t n_frames)
{
   for (uint32_t c = 0; c < n_channels; ++c) {
      for (uint32_t n = 0; n < n_frames; ++n) {
         if (channels[c][n] != 0.0f) {
            return true;
         }
      }
   }
   return false;
}

bool bm_stems_hear(BmStems* stems, const BmTapBlock* taps, uint32_t n_frames, BmError* error)
{
   stems->n_frames += n_frames;
   for (uint32_t n = 0; n < stems->session->n_stems * 2u; ++n) {
      const BmTapBlock* tap = &taps[n / 2];
      const float* const* channels = n % 2 ? tap->before : tap->after;
      File* file = &stems->files[n];
      if (!file->has_sound) {
         file->has_sound =
            sounds(channels, stems->session->nodes[stems->session->stems[n / 2].from].n_out, n_frames);
      }
      if (file->writer && !bm_stem_write(file->writer, channels, n_frames, error)) {
         return false;
      }
   }
   return true;
}

bool bm_stems_publish(BmStems* stems, BmError* error)
{
   for (uint32_t n = 0; n < stems->session->n_stems * 2u; ++n) {
      if (stems->files[n].writer && !bm_stem_finish(stems->files[n].writer, error)) {
         return false;
      }
   }
   for (uint32_t n = 0; n < stems->session->n_stems * 2u; ++n) {
      if (stems->files[n].writer && !bm_stem_publish(stems->files[n].writer, error)) {
         return false;
      }
   }
   return true;
}

const char* bm_stems_path(const BmStems* stems, uint32_t stem, bool before)
{
   return stems->files[stem * 2u + (before ? 1u : 0u)].path;
}

uint64_t bm_stems_n_clipped(const BmStems* stems, uint32_t stem)
{
   return bm_stem_n_clipped(stems->files[stem * 2u].writer);
}

bool bm_stems_is_silent(const BmStems* stems, uint32_t stem)
{
   return !stems->files[stem * 2u].has_sound;
}

uint64_t bm_stems_n_frames(const BmStems* stems)
{
   return stems->n_frames;
}

void bm_stems_close(BmStems* stems)
{
   if (!stems) {
      return;
   }
   for (uint32_t n = 0; n < stems->session->n_stems * 2u; ++n) {
      bm_stem_close(stems->files[n].writer);
      free(stems->files[n].path);
   }
   free(stems->files);
   free(stems);
}
