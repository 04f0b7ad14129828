/* SPDX-License-Identifier: ISC */
/*
   A plugin's state as any bytes: through the LV2 state interface, each key with any type, size and value; and
   as the Turtle of a preset file. Taken or refused, the plugin still runs, saves, and takes its own state
   back.
*/
#include "fuzz.h"
#include "urid_map.h"

#include <lilv/lilv.h>
#include <lv2/atom/atom.h>
#include <lv2/state/state.h>
#include <lv2/urid/urid.h>

#include <math.h>

enum { RATE_HZ = 48000, N_FRAMES = 256, MAX_URIS = 4096, MAX_BLOCKS = 64 };

static LV2_URID_Map map = {NULL, urid_map_uri};
static const LV2_Feature map_feature = {LV2_URID__map, &map};
static const LV2_Feature* const features[] = {&map_feature, NULL};

/* lilv's readers leak a node of what sord will not take; what this project leaks lies in lilv's or its own
 * frames. */
const char* __lsan_default_suppressions(void);
const char* __lsan_default_suppressions(void)
{
   return "leak:sord_node_from_serd_node\n";
}

int LLVMFuzzerInitialize(int* argc, char*** argv)
{
   (void)argc;
   (void)argv;
   fuzz_open_folder();
   fuzz_open_host(RATE_HZ, N_FRAMES);
   return 0;
}

typedef struct {
   Bytes* bytes;
   void* blocks[MAX_BLOCKS]; /* what was handed out stays until restore returns */
   uint32_t n_blocks;
   uint32_t seen[MAX_BLOCKS]; /* a key that is asked for again gives the same */
   size_t sizes[MAX_BLOCKS];
   uint32_t types[MAX_BLOCKS];
} Stored;

static const void* bring(LV2_State_Handle handle, uint32_t key, size_t* size, uint32_t* type, uint32_t* flags)
{
   static const char* const types[] = {LV2_ATOM__Double, LV2_ATOM__Float, LV2_ATOM__Path, LV2_ATOM__String};
   Stored* stored = handle;
   uint32_t n = 0;
   while (n < stored->n_blocks && stored->seen[n] != key) {
      ++n;
   }
   if (n == MAX_BLOCKS) {
      *size = *type = *flags = 0;
      return NULL;
   }
   if (n == stored->n_blocks) {
      const uint8_t kind = next_byte(stored->bytes);
      stored->seen[stored->n_blocks++] = key;
      stored->types[n] = urid_map_uri(NULL, types[kind % 4]);
      stored->sizes[n] = kind & 8 ? 8 : next_byte(stored->bytes);
      stored->blocks[n] = kind & 4 ? NULL : malloc(stored->sizes[n] + 1);
      if (stored->blocks[n]) {
         void* exact = realloc(stored->blocks[n], stored->sizes[n] ? stored->sizes[n] : 1);
         stored->blocks[n] = exact;
         next_raw(stored->bytes, exact, stored->sizes[n]);
         if (kind & 16 && stored->sizes[n]) {
            ((char*)exact)[stored->sizes[n] - 1] = '\0';
         }
      }
   }
   *size = stored->sizes[n];
   *type = stored->types[n];
   *flags = LV2_STATE_IS_POD | LV2_STATE_IS_PORTABLE;
   return stored->blocks[n];
}

static LV2_State_Status drop(LV2_State_Handle handle, uint32_t key, const void* value, size_t size,
                             uint32_t type, uint32_t flags)
{
   (void)key;
   (void)type;
   (void)flags;
   uint8_t* sum = handle;
   for (size_t i = 0; i < size; ++i) {
      *sum ^= ((const uint8_t*)value)[i];
   }
   return LV2_STATE_SUCCESS;
}

static void try_interface(Bytes* bytes, const BmPlugin* plugin)
{
   LilvInstance* instance = lilv_plugin_instantiate((const LilvPlugin*)plugin->lilv, RATE_HZ, features);
   const LV2_State_Interface* state = lilv_instance_get_extension_data(instance, LV2_STATE__interface);
   if (state) {
      Stored stored = {.bytes = bytes};
      uint8_t sum = 0;
      state->restore(lilv_instance_get_handle(instance), bring, &stored, 0, features);
      for (uint32_t i = 0; i < stored.n_blocks; ++i) {
         free(stored.blocks[i]);
      }
      state->save(lilv_instance_get_handle(instance), drop, &sum, LV2_STATE_IS_POD, features);
   }
   lilv_instance_free(instance);
}

static void try_file(Bytes* bytes, const BmPlugin* plugin)
{
   BmError error = {0};
   BmInstance* instance = bm_instance_new(fuzz_host, plugin, RATE_HZ, N_FRAMES, &error);
   if (!bm_instance_load_file(instance, fuzz_file(bytes->data + bytes->at, bytes->size - bytes->at),
                              &error)) {
      fuzz_check_error(&error);
   }
   static float frames[4][N_FRAMES];
   const float* in[] = {frames[0], frames[0], frames[0], frames[0]};
   float* out[] = {frames[1], frames[2], frames[3], frames[3]};
   bm_instance_run(instance, in, out, N_FRAMES);
   for (uint32_t i = 0; i < N_FRAMES; ++i) {
      if (!isfinite((double)frames[1][i])) {
         fuzz_fail("%s gives %g", plugin->uri, (double)frames[1][i]);
      }
   }
   bm_instance_free(instance);
}

int LLVMFuzzerTestOneInput(const uint8_t* data, size_t size)
{
   Bytes bytes = {data, size, 0};
   const BmPlugin* plugin = fuzz_plugins[next_byte(&bytes) % fuzz_n_plugins];
   if (next_byte(&bytes) % 2) {
      try_interface(&bytes, plugin);
   } else {
      try_file(&bytes, plugin);
   }
   return 0;
}
