/* SPDX-License-Identifier: ISC */
/* A host's map of URIs to numbers, for tests that host a plugin by lilv alone. */
#ifndef BM_URID_MAP_H
#define BM_URID_MAP_H

#include <lv2/urid/urid.h>

#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#define URID_MAP_SIZE 4096u

static char* urid_map_uris[URID_MAP_SIZE];
static uint32_t urid_map_n_uris;

/** The number of a URI, the same each time; 0 when the map is full. */
static inline LV2_URID urid_map_uri(LV2_URID_Map_Handle handle, const char* uri)
{
   (void)handle;
   for (uint32_t i = 0; i < urid_map_n_uris; ++i) {
      if (!strcmp(urid_map_uris[i], uri)) {
         return i + 1;
      }
   }
   if (urid_map_n_uris == URID_MAP_SIZE) {
      return 0;
   }
   urid_map_uris[urid_map_n_uris] = strdup(uri);
   return ++urid_map_n_uris;
}

static inline void urid_map_free(void)
{
   for (uint32_t i = 0; i < urid_map_n_uris; ++i) {
      free(urid_map_uris[i]);
   }
   urid_map_n_uris = 0;
}

#endif
