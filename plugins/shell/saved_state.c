/* SPDX-License-Identifier: ISC */
#include "shell/saved_state.h"

#include "shell.h"

#include <lv2/atom/atom.h>
#include <lv2/core/lv2_util.h>

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define COMPLAINT_BYTES 256

enum { KEY_BYTES = 128 };

static bool compares(void)
{
   return bm_plugin.ports->compare >= 0;
}

bool bm_saved_state_is_needed(void)
{
   return bm_plugin.n_memories || bm_plugin.file || compares();
}

static uint32_t n_to_save(void)
{
   const uint32_t n_settings = compares() ? BM_N_REMEMBERED : 0;
   return bm_plugin.n_memories + n_settings * (1 + bm_plugin.ports->n_controls);
}

static void load_file(const BmSavedState* self, void* processor, const char* path)
{
   char complaint[BM_COMPLAINT_BYTES] = "";
   if (!bm_plugin.file->load(processor, path, complaint)) {
      lv2_log_error(self->logger, "%s: %s\n", self->form->uri, complaint);
   }
}

bool bm_saved_state_init(BmSavedState* self, const BmForm* form, LV2_URID_Map* map, LV2_Log_Logger* logger,
                         BmComparison* plugin)
{
   self->form = form;
   self->map = map;
   self->logger = logger;
   self->unlearned = calloc(bm_plugin.n_memories + 1, sizeof *self->unlearned);
   if (!self->unlearned || !bm_snapshot_init(&self->to_save, n_to_save())) {
      return false;
   }
   if (bm_plugin.file) {
      load_file(self, plugin->sounding.processor, NULL);
   }
   for (uint32_t i = 0; i < bm_plugin.n_memories; ++i) {
      self->unlearned[i] = bm_plugin.memories[i].get(plugin->sounding.processor);
   }
   bm_saved_state_update(self, plugin);
   return true;
}

void bm_saved_state_free(BmSavedState* self)
{
   free(self->unlearned);
   bm_snapshot_free(&self->to_save);
}

static void put_remembered(BmSnapshot* to_save, uint32_t at, const BmRemembered* remembered)
{
   for (uint32_t k = 0; k < BM_N_REMEMBERED; ++k) {
      bm_snapshot_put(to_save, at++, remembered->is_set[k] ? 1.0 : 0.0);
      for (uint32_t i = 0; i < bm_plugin.ports->n_controls; ++i) {
         bm_snapshot_put(to_save, at++, (double)remembered->settings[k][i]);
      }
   }
}

void bm_saved_state_update(BmSavedState* self, BmComparison* plugin)
{
   const void* processor = plugin->sounding.processor;
   bool is_new = plugin->remembered_is_new;
   for (uint32_t i = 0; i < bm_plugin.n_memories; ++i) {
      is_new = is_new || bm_plugin.memories[i].get(processor) != bm_snapshot_last(&self->to_save, i);
   }
   if (!is_new) {
      return;
   }
   bm_snapshot_begin(&self->to_save);
   for (uint32_t i = 0; i < bm_plugin.n_memories; ++i) {
      bm_snapshot_put(&self->to_save, i, bm_plugin.memories[i].get(processor));
   }
   if (plugin->remembered_is_new) {
      put_remembered(&self->to_save, bm_plugin.n_memories, &plugin->remembered);
   }
   bm_snapshot_end(&self->to_save);
   plugin->remembered_is_new = false;
}

/* A path as the session keeps it, abstract, or as it is on this machine; with who frees it. */
typedef struct {
   char* text;
   const LV2_State_Free_Path* owner;
} MappedPath;

static MappedPath map_path(const LV2_Feature* const* features, const char* path, bool abstract)
{
   const LV2_State_Map_Path* map = (const LV2_State_Map_Path*)lv2_features_data(features, LV2_STATE__mapPath);
   MappedPath mapped = {NULL, (const LV2_State_Free_Path*)lv2_features_data(features, LV2_STATE__freePath)};
   if (map) {
      mapped.text = abstract ? map->abstract_path(map->handle, path) : map->absolute_path(map->handle, path);
   }
   return mapped;
}

static void free_path(MappedPath path)
{
   if (path.text && path.owner) {
      path.owner->free_path(path.owner->handle, path.text);
   } else {
      free(path.text); /* as the specification has it without that feature */
   }
}

static LV2_URID urid(const BmSavedState* self, const char* uri)
{
   return self->map->map(self->map->handle, uri);
}

static const char* remembered_key(int which, char* uri)
{
   snprintf(uri, KEY_BYTES, "%s#remembered_%c", bm_plugin.ports->uri, 'a' + which);
   return uri;
}

/* Where a host takes values. */
typedef struct {
   const BmSavedState* state;
   LV2_State_Store_Function store_value;
   LV2_State_Handle handle;
} Store;

static LV2_State_Status store(const Store* to, const char* key, const void* data, size_t bytes,
                              const char* type_uri)
{
   return to->store_value(to->handle, urid(to->state, key), data, bytes, urid(to->state, type_uri),
                          LV2_STATE_IS_POD | LV2_STATE_IS_PORTABLE);
}

static LV2_State_Status save_file(const Store* to, const void* processor, const LV2_Feature* const* features)
{
   const char* path = bm_plugin.file->path(processor);
   if (!path[0]) {
      return LV2_STATE_SUCCESS;
   }
   const MappedPath mapped = map_path(features, path, true);
   const char* kept = mapped.text ? mapped.text : path;
   const LV2_State_Status status = store(to, bm_plugin.file->uri, kept, strlen(kept) + 1, LV2_ATOM__Path);
   free_path(mapped);
   return status;
}

/* `values` are those of to_save behind the memories. */
static LV2_State_Status save_remembered(const Store* to, const double* values)
{
   const BmPorts* ports = bm_plugin.ports;
   LV2_State_Status status = LV2_STATE_SUCCESS;
   for (int k = 0; k < BM_N_REMEMBERED && compares() && status == LV2_STATE_SUCCESS; ++k) {
      const double* setting = values + (uint32_t)k * (1 + ports->n_controls);
      char* text = setting[0] > 0.5 ? bm_remembered_text(ports, setting + 1) : NULL;
      char key[KEY_BYTES];
      if (text) {
         status = store(to, remembered_key(k, key), text, strlen(text) + 1, LV2_ATOM__String);
         free(text);
      }
   }
   return status;
}

static LV2_State_Status save_values(const Store* to, const double* values)
{
   for (uint32_t i = 0; i < bm_plugin.n_memories; ++i) {
      const LV2_State_Status status =
         store(to, bm_plugin.memories[i].uri, &values[i], sizeof values[i], LV2_ATOM__Double);
      if (status != LV2_STATE_SUCCESS) {
         return status;
      }
   }
   return save_remembered(to, values + bm_plugin.n_memories);
}

LV2_State_Status bm_saved_state_save(BmSavedState* self, const BmComparison* plugin,
                                     LV2_State_Store_Function store_value, LV2_State_Handle handle,
                                     const LV2_Feature* const* features)
{
   if (!self->map) {
      return LV2_STATE_ERR_NO_FEATURE;
   }
   const Store to = {self, store_value, handle};
   double* values = calloc(n_to_save() + 1, sizeof *values);
   if (!values) {
      return LV2_STATE_ERR_UNKNOWN;
   }
   bm_snapshot_read(&self->to_save, values);
   const LV2_State_Status status = save_values(&to, values);
   free(values);
   return status == LV2_STATE_SUCCESS && bm_plugin.file ? save_file(&to, plugin->sounding.processor, features)
                                                        : status;
}

/* A value that a host brings back; data is NULL where it has none. */
typedef struct {
   const void* data;
   size_t size;
   uint32_t type;
} Stored;

/* What a host brings back, looked at before any of it is taken. */
typedef struct {
   const BmSavedState* state;
   LV2_State_Retrieve_Function retrieve;
   LV2_State_Handle handle;
   float* settings[BM_N_REMEMBERED]; /* NULL: none */
   Stored path;
   bool is_empty;
} Restored;

static Stored fetch(const Restored* from, const char* uri)
{
   Stored stored = {0};
   uint32_t flags = 0;
   stored.data = from->retrieve(from->handle, urid(from->state, uri), &stored.size, &stored.type, &flags);
   return stored;
}

static bool is_of_type(const BmSavedState* self, const Stored* stored, const char* type_uri)
{
   return stored->type == urid(self, type_uri);
}

/* NaN for what is no number. */
static double number_of(const BmSavedState* self, const Stored* stored)
{
   double value = (double)NAN;
   if (is_of_type(self, stored, LV2_ATOM__Double) && stored->size == sizeof value) {
      memcpy(&value, stored->data, sizeof value);
   } else if (is_of_type(self, stored, LV2_ATOM__Float) && stored->size == sizeof(float)) {
      float single;
      memcpy(&single, stored->data, sizeof single);
      value = (double)single;
   }
   return value;
}

static bool is_path(const BmSavedState* self, const Stored* stored)
{
   const char* text = (const char*)stored->data;
   return is_of_type(self, stored, LV2_ATOM__Path) && stored->size > 1 && text[0] && !text[stored->size - 1];
}

/* Each of these is false, with a line, if something is wrong. */
static bool fetch_remembered(Restored* from)
{
   const BmSavedState* self = from->state;
   const BmPorts* ports = bm_plugin.ports;
   for (int k = 0; k < BM_N_REMEMBERED && compares(); ++k) {
      char key[KEY_BYTES];
      const Stored stored = fetch(from, remembered_key(k, key));
      if (!stored.data) {
         continue;
      }
      char complaint[COMPLAINT_BYTES] = "it is not a text";
      const bool is_text =
         is_of_type(self, &stored, LV2_ATOM__String) && memchr(stored.data, '\0', stored.size);
      float* setting = calloc(ports->n_controls, sizeof *setting);
      from->settings[k] = setting;
      from->is_empty = false;
      if (!is_text || !setting ||
          !bm_remembered_read(ports, (const char*)stored.data, setting, complaint, sizeof complaint)) {
         lv2_log_error(self->logger, "%s: stored %s: %s; the state is refused\n", self->form->uri, key,
                       complaint);
         return false;
      }
   }
   return true;
}

static bool check_memories(Restored* from)
{
   const BmSavedState* self = from->state;
   for (uint32_t i = 0; i < bm_plugin.n_memories; ++i) {
      const BmMemory* memory = &bm_plugin.memories[i];
      const Stored stored = fetch(from, memory->uri);
      const double value = stored.data ? number_of(self, &stored) : memory->minimum;
      if (!(value >= memory->minimum && value <= memory->maximum)) {
         lv2_log_error(self->logger, "%s: stored %s is not a number from %g to %g; the state is refused\n",
                       self->form->uri, memory->uri, memory->minimum, memory->maximum);
         return false;
      }
      from->is_empty = from->is_empty && !stored.data;
   }
   return true;
}

static bool fetch_path(Restored* from)
{
   const BmSavedState* self = from->state;
   if (!bm_plugin.file) {
      return true;
   }
   from->path = fetch(from, bm_plugin.file->uri);
   if (from->path.data && !is_path(self, &from->path)) {
      lv2_log_error(self->logger, "%s: stored %s is not a path; the state is refused\n", self->form->uri,
                    bm_plugin.file->uri);
      return false;
   }
   from->is_empty = from->is_empty && !from->path.data;
   return true;
}

static void take_path(const BmSavedState* self, void* processor, const Stored* path,
                      const LV2_Feature* const* features)
{
   if (path->data) {
      const MappedPath mapped = map_path(features, (const char*)path->data, false);
      load_file(self, processor, mapped.text ? mapped.text : (const char*)path->data);
      free_path(mapped);
   } else if (bm_plugin.file && bm_plugin.file->path(processor)[0]) {
      load_file(self, processor, NULL);
   }
}

/* Of a state that holds some of the values, as one of another version may, the rest are as in a new plugin.
 */
static void take(BmSavedState* self, const Restored* from, BmComparison* plugin,
                 const LV2_Feature* const* features)
{
   void* processor = plugin->sounding.processor;
   bm_comparison_remember(plugin, from->settings);
   for (uint32_t i = 0; i < bm_plugin.n_memories; ++i) {
      const Stored stored = fetch(from, bm_plugin.memories[i].uri);
      bm_plugin.memories[i].set(processor, stored.data ? number_of(self, &stored) : self->unlearned[i]);
   }
   bm_saved_state_update(self, plugin);
   take_path(self, processor, &from->path, features);
}

LV2_State_Status bm_saved_state_restore(BmSavedState* self, BmComparison* plugin,
                                        LV2_State_Retrieve_Function retrieve, LV2_State_Handle handle,
                                        const LV2_Feature* const* features)
{
   if (!self->map) {
      return LV2_STATE_ERR_NO_FEATURE;
   }
   Restored from = {.state = self, .retrieve = retrieve, .handle = handle, .is_empty = true};
   const bool is_right = fetch_remembered(&from) && check_memories(&from) && fetch_path(&from);
   /* One that holds nothing, as a preset, changes nothing. */
   if (is_right && !from.is_empty) {
      take(self, &from, plugin, features);
   }
   for (int k = 0; k < BM_N_REMEMBERED; ++k) {
      free(from.settings[k]);
   }
   return is_right ? LV2_STATE_SUCCESS : LV2_STATE_ERR_BAD_TYPE;
}
