/* SPDX-License-Identifier: ISC */
/* What host.c (what is installed) and instance.c (what runs) share; nobody else includes it. */
#ifndef BM_HARNESS_HOST_PRIVATE_H
#define BM_HARNESS_HOST_PRIVATE_H

#include "host.h"

#include <lilv/lilv.h>
#include <lv2/urid/urid.h>

#include <pthread.h>

struct BmHost {
   LilvWorld* world;
   BmPlugin* plugins; /* [n_plugins], by URI; ports are NULL until first asked for */
   uint32_t n_plugins;
   char** strings; /* [n_strings] what the descriptions point to */
   uint32_t n_strings;
   void** blocks; /* [n_blocks] arrays of the descriptions */
   uint32_t n_blocks;
   pthread_mutex_t urid_mutex; /* plugins may map and log from any thread */
   pthread_mutex_t log_mutex;
   char** urids; /* [n_urids] URI of identifier n + 1 */
   uint32_t n_urids;
   LV2_URID_Map map;
   LV2_URID_Unmap unmap;
   BmLogSink log;
   void* log_user;
};

#endif
