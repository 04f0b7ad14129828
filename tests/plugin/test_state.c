/* SPDX-License-Identifier: ISC */
/*
   If one of these fails, a session that was saved opens with another sound, or a damaged one opens half and
   nobody is told.

   Settings and state of every plugin of the bundle: restored whole, or refused with a line in the log.
*/
#include "unit_test.h"

#include "every.h"
#include "urid_map.h"

#include <lilv/lilv.h>
#include <lv2/atom/atom.h>
#include <lv2/log/log.h>
#include <lv2/state/state.h>
#include <lv2/urid/urid.h>

#include <sys/stat.h>

static char folder[] = "/tmp/bookmatch-state-XXXXXX";
static char settings_path[64];
static char damaged_head_path[64];

/* The head responses of libmysofa's package, cut off in the middle. */
static void write_damaged_head(void)
{
   FILE* whole = fopen(BM_HEAD_RESPONSE_FILE, "rb");
   FILE* half = fopen(damaged_head_path, "wb");
   assert_true(whole && half);
   static char block[600000];
   assert_int_equal(fread(block, 1, sizeof block, whole), sizeof block);
   assert_int_equal(fwrite(block, 1, sizeof block, half), sizeof block);
   fclose(whole);
   assert_int_equal(fclose(half), 0);
}

static void ignore_log_line(void* user, const char* plugin_uri, const char* line)
{
   (void)user;
   (void)plugin_uri;
   (void)line;
}

/* Save, load into a fresh instance: the settings text must come back the same. */
static void check_state(const BmPlugin* plugin)
{
   BmInstance* one = hosted_instance(plugin, RATE_HZ);
   BmInstance* other = hosted_instance(plugin, RATE_HZ);
   uint64_t seed = 5;
   set_all(one, &seed);
   Audio in = plucks(N_FRAMES);
   Audio out = audio_new(N_FRAMES);
   run_on(one, &in, &out, 0, 1000);
   char* saved = bm_instance_save(one);
   assert_non_null(saved);
   BmError error = {0};
   if (!bm_instance_load_text(other, saved, &error)) {
      fail_msg("%s: %s", plugin->uri, error.text);
   }
   char* again = bm_instance_save(other);
   assert_string_equal(again, saved);
   cases_add(plugin->uri, "state", 1);
   free(saved);
   free(again);
   bm_instance_free(one);
   bm_instance_free(other);
   audio_free(&in);
   audio_free(&out);
}

static void every_plugin_comes_back_from_saved_settings(void** state)
{
   (void)state;
   hosted_for_every_plugin(check_state);
}

/* The settings as a file, cut off or with bytes turned over: either nothing is changed and one line tells
   why, or they are those that a new plugin reads from that file. */
static void check_damaged_settings(const BmPlugin* plugin)
{
   enum { N_DAMAGED = 40 };
   BmInstance* used = hosted_instance(plugin, RATE_HZ);
   uint64_t seed = 53;
   set_all(used, &seed);
   char* whole = bm_instance_save(used);
   const size_t length = strlen(whole);
   for (int n = 0; n < N_DAMAGED; ++n) {
      char* damaged = strdup(whole);
      const size_t place = (size_t)((0.5 + 0.5 * bm_test_random(&seed)) * (double)length);
      if (n % 2) {
         damaged[place] = '\0';
      } else {
         for (int k = 0; k < 1 + n % 5; ++k) {
            damaged[(place + (size_t)k * 17) % length] =
               (char)(1 + (int)(127.0 * fabs(bm_test_random(&seed))));
         }
      }
      FILE* file = fopen(settings_path, "w");
      assert_non_null(file);
      fputs(damaged, file);
      assert_int_equal(fclose(file), 0);
      BmInstance* new = hosted_instance(plugin, RATE_HZ);
      for (uint32_t i = 0; i < plugin->n_ports; ++i) {
         if (control_input(plugin, i)) {
            bm_instance_set(new, i, bm_instance_get(used, i));
         }
      }
      BmError error = {0};
      BmError error_of_new = {0};
      char* before = bm_instance_save(used);
      bm_host_set_log(hosted_host, ignore_log_line, NULL);
      const bool is_taken = bm_instance_load_file(used, settings_path, &error);
      const bool is_taken_by_new = bm_instance_load_file(new, settings_path, &error_of_new);
      bm_host_set_log(hosted_host, NULL, NULL);
      char* after = bm_instance_save(used);
      char* after_of_new = bm_instance_save(new);
      if (is_taken != is_taken_by_new || is_taken == error.is_set ||
          (is_taken && strcmp(after, after_of_new)) ||
          (!is_taken && (strcmp(after, before) != 0 || !error.text[0]))) {
         fail_msg("%s: restored by half from\n%s\n%s", plugin->uri, damaged, after);
      }
      cases_add(plugin->uri, "state damaged", 1);
      free(before);
      free(after);
      free(after_of_new);
      free(damaged);
      bm_instance_free(new);
   }
   free(whole);
   bm_instance_free(used);
}

static void damaged_settings_are_restored_or_refused_but_never_half(void** state)
{
   (void)state;
   hosted_for_every_plugin(check_damaged_settings);
}

static const BmPlugin* the_other;

static void check_settings_of_another(const BmPlugin* plugin)
{
   if (plugin == the_other) {
      return;
   }
   BmInstance* other = hosted_instance(the_other, RATE_HZ);
   BmInstance* instance = hosted_instance(plugin, RATE_HZ);
   char* foreign = bm_instance_save(other);
   char* before = bm_instance_save(instance);
   BmError error = {0};
   assert_false(bm_instance_load_text(instance, foreign, &error));
   if (!strstr(error.text, the_other->uri) || !strstr(error.text, plugin->uri)) {
      fail_msg("settings of %s are refused by: %s", the_other->uri, error.text);
   }
   char* after = bm_instance_save(instance);
   assert_string_equal(after, before);
   cases_add(plugin->uri, "state damaged", 1);
   free(foreign);
   free(before);
   free(after);
   bm_instance_free(other);
   bm_instance_free(instance);
}

static void settings_of_another_plugin_are_refused(void** state)
{
   (void)state;
   for (uint32_t i = 0; i < bm_host_n_plugins(hosted_host); i += 5) {
      the_other = bm_host_plugin(hosted_host, i);
      if (!strncmp(the_other->uri, "urn:bookmatch:", 14)) {
         hosted_for_every_plugin(check_settings_of_another);
      }
   }
}

/* The state interface, as a host calls it. */

#define MAX_KEYS 16

typedef struct {
   LV2_URID key;
   uint32_t size;
   uint32_t type;
   char value[12000]; /* a remembered setting of the longest plugin */
} Entry;

typedef struct {
   Entry entries[MAX_KEYS];
   uint32_t n;
} Store;

static LV2_State_Status keep(LV2_State_Handle handle, uint32_t key, const void* value, size_t size,
                             uint32_t type, uint32_t flags)
{
   (void)flags;
   Store* store = handle;
   assert_true(store->n < MAX_KEYS && size <= sizeof store->entries->value);
   Entry* entry = &store->entries[store->n++];
   memset(entry, 0, sizeof *entry);
   entry->key = key;
   entry->size = (uint32_t)size;
   entry->type = type;
   memcpy(entry->value, value, size);
   return LV2_STATE_SUCCESS;
}

/* What a restore was given stays until it returns. */
static void* given_blocks[4 * MAX_KEYS];
static uint32_t n_given_blocks;

/* In a block of just its size, so that the sanitizer sees a look beyond it. */
static const void* bring(LV2_State_Handle handle, uint32_t key, size_t* size, uint32_t* type, uint32_t* flags)
{
   const Store* store = handle;
   for (uint32_t i = 0; i < store->n; ++i) {
      const Entry* entry = &store->entries[i];
      if (entry->key == key) {
         void* block = malloc(entry->size ? entry->size : 1);
         assert_true(block && n_given_blocks < 4 * MAX_KEYS);
         given_blocks[n_given_blocks++] = block;
         memcpy(block, entry->value, entry->size);
         *size = entry->size;
         *type = entry->type;
         *flags = LV2_STATE_IS_POD | LV2_STATE_IS_PORTABLE;
         return block;
      }
   }
   *size = *type = *flags = 0;
   return NULL;
}

static Store asked_for;

static const void* note_key(LV2_State_Handle handle, uint32_t key, size_t* size, uint32_t* type,
                            uint32_t* flags)
{
   (void)handle;
   for (uint32_t i = 0; i < asked_for.n; ++i) {
      if (asked_for.entries[i].key == key) {
         key = 0;
      }
   }
   if (key) {
      asked_for.entries[asked_for.n++].key = key;
   }
   *size = *type = *flags = 0;
   return NULL;
}

static int n_logged;

static int log_vprintf(LV2_Log_Handle handle, LV2_URID type, const char* format, va_list args)
{
   (void)handle;
   (void)type;
   (void)format;
   (void)args;
   return ++n_logged;
}

static int log_printf(LV2_Log_Handle handle, LV2_URID type, const char* format, ...)
{
   (void)handle;
   (void)type;
   (void)format;
   return ++n_logged;
}

static LV2_URID_Map map = {NULL, urid_map_uri};
static LV2_Log_Log logger = {NULL, log_printf, log_vprintf};
static const LV2_Feature map_feature = {LV2_URID__map, &map};
static const LV2_Feature log_feature = {LV2_LOG__log, &logger};
static const LV2_Feature* const features[] = {&map_feature, &log_feature, NULL};

static LilvInstance* bare_instance(const BmPlugin* plugin)
{
   LilvInstance* instance = lilv_plugin_instantiate((const LilvPlugin*)plugin->lilv, RATE_HZ, features);
   assert_non_null(instance);
   return instance;
}

static const LV2_State_Interface* state_of(LilvInstance* instance)
{
   return lilv_instance_get_extension_data(instance, LV2_STATE__interface);
}

static LV2_State_Status restore(LilvInstance* instance, const Store* store)
{
   n_logged = 0;
   const LV2_State_Status status =
      state_of(instance)->restore(lilv_instance_get_handle(instance), bring, (void*)store, 0, features);
   while (n_given_blocks) {
      free(given_blocks[--n_given_blocks]);
   }
   return status;
}

static void save(LilvInstance* instance, Store* store)
{
   store->n = 0;
   assert_int_equal(state_of(instance)->save(lilv_instance_get_handle(instance), keep, store,
                                             LV2_STATE_IS_POD | LV2_STATE_IS_PORTABLE, features),
                    LV2_STATE_SUCCESS);
}

static bool are_equal(const Store* a, const Store* b)
{
   return a->n == b->n && memcmp(a->entries, b->entries, a->n * sizeof *a->entries) == 0;
}

static const Entry* find(const Store* store, LV2_URID key)
{
   for (uint32_t i = 0; i < store->n; ++i) {
      if (store->entries[i].key == key) {
         return &store->entries[i];
      }
   }
   return NULL;
}

static const Entry* path_in(const Store* store)
{
   for (uint32_t i = 0; i < store->n; ++i) {
      if (store->entries[i].type == urid_map_uri(NULL, LV2_ATOM__Path)) {
         return &store->entries[i];
      }
   }
   return NULL;
}

static void set_number(Entry* entry, double value)
{
   entry->type = urid_map_uri(NULL, LV2_ATOM__Double);
   entry->size = sizeof value;
   memcpy(entry->value, &value, sizeof value);
}

static void set_text(Entry* entry, const char* type, const char* text)
{
   entry->type = urid_map_uri(NULL, type);
   entry->size = (uint32_t)snprintf(entry->value, sizeof entry->value, "%s", text) + 1;
}

/* Have a plugin that compares settings remember two that differ. */
static void remember_both(LilvInstance* instance, const BmPlugin* plugin)
{
   static float input_gain_db;
   static float remembers[2];
   for (uint32_t i = 0; i < plugin->n_ports; ++i) {
      const char* symbol = plugin->ports[i].symbol;
      if (!strcmp(symbol, "input_gain")) {
         lilv_instance_connect_port(instance, i, &input_gain_db);
      } else if (!strncmp(symbol, "remember_", 9)) {
         lilv_instance_connect_port(instance, i, &remembers[symbol[9] - 'a']);
      }
   }
   for (int k = 0; k < 2; ++k) {
      input_gain_db = 3.0F + (float)k;
      remembers[k] = 0.0F;
      lilv_instance_run(instance, 0);
      remembers[k] = 1.0F;
      lilv_instance_run(instance, 0);
   }
}

/* One of the ways in which a value may have been kept, by this version, another one, or a broken disk. */
static void set_anything(Entry* entry, uint64_t* seed)
{
   static const double odd[] = {NAN, INFINITY, -INFINITY, 1e300, -1e300, 1e-310, 0.0, -0.0, 1.0, 0.3};
   const double share = 0.5 + 0.5 * bm_test_random(seed);
   const float single = (float)(20.0 * bm_test_random(seed));
   switch ((int)(12.0 * share)) {
   case 0:
      set_number(entry, odd[(int)(120.0 * share)]);
      break;
   case 1:
      entry->type = urid_map_uri(NULL, LV2_ATOM__Float);
      entry->size = sizeof single;
      memcpy(entry->value, &single, sizeof single);
      break;
   case 2:
      set_number(entry, 1.0);
      entry->size = (uint32_t)(144.0 * share - 24.0) % 24;
      break;
   case 3:
      set_text(entry, LV2_ATOM__String,
               single < -10.0F  ? "a word"
               : single < 0.0F  ? "input_gain 3000"
               : single < 10.0F ? "input_gain 3"
                                : "input_gain -3 mix");
      break;
   case 4:
      set_text(entry, LV2_ATOM__Path, "/no/such/file.sofa");
      break;
   case 5:
      set_text(entry, LV2_ATOM__Path, share < 5.5 / 12.0 ? settings_path : damaged_head_path);
      break;
   case 6:
      set_text(entry, LV2_ATOM__Path, "");
      break;
   case 7:
      set_text(entry, LV2_ATOM__Path, "unterminated");
      entry->size -= 1;
      break;
   case 8:
      entry->type = urid_map_uri(NULL, LV2_ATOM__Path);
      entry->size = 300;
      for (int i = 0; i < 299; ++i) {
         entry->value[i] = (char)(int)(127.0 * bm_test_random(seed));
      }
      break;
   case 9:
      set_number(entry, 900.0 + 900.0 * bm_test_random(seed));
      break;
   default:
      set_number(entry, bm_test_random(seed));
      break;
   }
}

/* Each restore must leave what a new plugin has after the same restore or, refused, what was there before. */
static void check_any_state(const BmPlugin* plugin)
{
   enum { N_STATES = 200 };
   LilvInstance* used = bare_instance(plugin);
   if (!state_of(used)) {
      lilv_instance_free(used);
      return;
   }
   remember_both(used, plugin);
   asked_for.n = 0;
   state_of(used)->restore(lilv_instance_get_handle(used), note_key, NULL, 0, features);
   uint32_t n_taken = 0;
   uint64_t seed = 61;
   Store* stores = calloc(4, sizeof *stores);
   Store *given = &stores[0], *before = &stores[1], *after = &stores[2], *of_new = &stores[3];
   for (int n = 0; n < N_STATES; ++n) {
      save(used, before);
      given->n = 0;
      for (uint32_t i = 0; i < asked_for.n; ++i) {
         const bool is_damaged = n % 3 == 0 || i == (uint32_t)n % asked_for.n;
         const Entry* kept = find(before, asked_for.entries[i].key);
         if (is_damaged ? bm_test_random(&seed) > -0.5 : kept != NULL) {
            Entry* entry = &given->entries[given->n++];
            *entry = is_damaged ? (Entry){.key = asked_for.entries[i].key} : *kept;
            if (is_damaged) {
               set_anything(entry, &seed);
            }
         }
      }
      given->entries[given->n++] =
         (Entry){.key = urid_map_uri(NULL, "urn:bookmatch:of-another-version"), .size = 8};
      LilvInstance* new = bare_instance(plugin);
      const LV2_State_Status status_of_new = restore(new, given);
      const LV2_State_Status status = restore(used, given);
      save(used, after);
      save(new, of_new);
      const bool is_taken = status == LV2_STATE_SUCCESS;
      const bool changes_nothing = is_taken && given->n == 1;
      if (status != status_of_new) {
         fail_msg("%s: state %d: what is restored depends on what was there", plugin->uri, n);
      }
      if (!is_taken && n_logged != 1) {
         fail_msg("%s: state %d is refused with %d lines in the log, not one", plugin->uri, n, n_logged);
      }
      if (is_taken && n_logged > (path_in(given) ? 1 : 0)) {
         fail_msg("%s: state %d is taken with %d lines in the log", plugin->uri, n, n_logged);
      }
      if (!are_equal(after, is_taken && !changes_nothing ? of_new : before)) {
         fail_msg("%s: state %d is %s by half", plugin->uri, n, is_taken ? "taken" : "refused");
      }
      const Entry* path = is_taken ? path_in(given) : NULL;
      const Entry* path_kept = path ? find(after, path->key) : NULL;
      if (path && !(path_kept && !strcmp(path_kept->value, path->value))) {
         fail_msg("%s: state %d: the file %s is not saved again", plugin->uri, n, path->value);
      }
      n_taken += is_taken;
      lilv_instance_run(used, 0);
      cases_add(plugin->uri, "state damaged", 1);
      lilv_instance_free(new);
   }
   assert_in_range(n_taken, 10, N_STATES - 10);
   free(stores);
   lilv_instance_free(used);
}

static void any_state_is_taken_whole_or_refused_with_a_line_in_the_log(void** state)
{
   (void)state;
   hosted_for_every_plugin(check_any_state);
}

/* A host that keeps files with the session tells paths in its own way, and wants each of its texts back. */
#define IN_SESSION "in-session:"
static int n_paths_out;

static char* abstract_path(LV2_State_Map_Path_Handle handle, const char* path)
{
   (void)handle;
   ++n_paths_out;
   char* text = malloc(strlen(IN_SESSION) + strlen(path) + 1);
   strcpy(text, IN_SESSION);
   return strcat(text, path);
}

static char* absolute_path(LV2_State_Map_Path_Handle handle, const char* path)
{
   (void)handle;
   ++n_paths_out;
   return strdup(strncmp(path, IN_SESSION, strlen(IN_SESSION)) ? path : path + strlen(IN_SESSION));
}

static void free_path(LV2_State_Free_Path_Handle handle, char* path)
{
   (void)handle;
   --n_paths_out;
   free(path);
}

static uint32_t n_plugins_with_file;

static void check_mapped_path(const BmPlugin* plugin)
{
   static LV2_State_Map_Path map_path = {NULL, abstract_path, absolute_path};
   static LV2_State_Free_Path give_back = {NULL, free_path};
   static const LV2_Feature map_path_feature = {LV2_STATE__mapPath, &map_path};
   static const LV2_Feature free_path_feature = {LV2_STATE__freePath, &give_back};
   static const LV2_Feature* const with_paths[] = {&map_feature, &log_feature, &map_path_feature,
                                                   &free_path_feature, NULL};
   LilvInstance* instance = bare_instance(plugin);
   const LV2_State_Interface* state = state_of(instance);
   asked_for.n = 0;
   if (state) {
      state->restore(lilv_instance_get_handle(instance), note_key, NULL, 0, features);
   }
   Store* stores = calloc(2, sizeof *stores);
   for (uint32_t i = 0; i < asked_for.n; ++i) {
      Store *given = &stores[0], *kept = &stores[1];
      given->n = 1;
      given->entries[0] = (Entry){.key = asked_for.entries[i].key};
      set_text(&given->entries[0], LV2_ATOM__Path, IN_SESSION BM_HEAD_RESPONSE_FILE);
      n_logged = 0;
      const LV2_State_Status status =
         state->restore(lilv_instance_get_handle(instance), bring, given, 0, with_paths);
      while (n_given_blocks) {
         free(given_blocks[--n_given_blocks]);
      }
      if (status == LV2_STATE_SUCCESS) { /* this is the file's key */
         kept->n = 0;
         ++n_plugins_with_file;
         assert_int_equal(n_logged, 0);
         state->save(lilv_instance_get_handle(instance), keep, kept, LV2_STATE_IS_POD, with_paths);
         assert_non_null(path_in(kept));
         assert_string_equal(path_in(kept)->value, IN_SESSION BM_HEAD_RESPONSE_FILE);
         save(instance, kept);
         assert_string_equal(path_in(kept)->value, BM_HEAD_RESPONSE_FILE);
         assert_int_equal(n_paths_out, 0);
         cases_add(plugin->uri, "state", 1);
      }
   }
   free(stores);
   lilv_instance_free(instance);
}

static void a_file_is_found_and_kept_where_the_session_has_it(void** state)
{
   (void)state;
   hosted_for_every_plugin(check_mapped_path);
   assert_true(n_plugins_with_file > 0);
}

/* After `left` values a host fails to keep one. */
static LV2_State_Status refuse(LV2_State_Handle handle, uint32_t key, const void* value, size_t size,
                               uint32_t type, uint32_t flags)
{
   (void)key;
   (void)value;
   (void)size;
   (void)type;
   assert_int_equal(flags & LV2_STATE_IS_POD, LV2_STATE_IS_POD);
   uint32_t* left = handle;
   return (*left)-- ? LV2_STATE_SUCCESS : LV2_STATE_ERR_NO_SPACE;
}

static void check_refusal(const BmPlugin* plugin)
{
   LilvInstance* instance = bare_instance(plugin);
   const LV2_State_Interface* state = state_of(instance);
   if (state) {
      /* All that there can be: both remembered settings too. */
      remember_both(instance, plugin);
      Store* store = calloc(1, sizeof *store);
      save(instance, store);
      assert_true(store->n > 0);
      for (uint32_t n = 0; n <= store->n; ++n) {
         uint32_t left = n;
         const LV2_State_Status status =
            state->save(lilv_instance_get_handle(instance), refuse, &left, 0, NULL);
         if (status != (n < store->n ? LV2_STATE_ERR_NO_SPACE : LV2_STATE_SUCCESS)) {
            fail_msg("%s: of %u values %u could be kept, but save() says %d", plugin->uri, store->n, n,
                     (int)status);
         }
         cases_add(plugin->uri, "state", 1);
      }
      /* A host need not pass features to restore() either. */
      assert_int_equal(state->restore(lilv_instance_get_handle(instance), bring, store, 0, NULL),
                       LV2_STATE_SUCCESS);
      while (n_given_blocks) {
         free(given_blocks[--n_given_blocks]);
      }
      Store* after = calloc(1, sizeof *after);
      save(instance, after);
      assert_true(are_equal(after, store));
      free(after);
      free(store);
   }
   lilv_instance_free(instance);
}

static void a_value_that_a_host_cannot_keep_is_told(void** state)
{
   (void)state;
   hosted_for_every_plugin(check_refusal);
}

int main(void)
{
   if (!hosted_open_with(folder)) {
      return 1;
   }
   snprintf(settings_path, sizeof settings_path, "%s/settings.ttl", folder);
   snprintf(damaged_head_path, sizeof damaged_head_path, "%s/damaged.sofa", folder);
   write_damaged_head();
   Keepers kept = keepers_new(RATE_HZ);
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(every_plugin_comes_back_from_saved_settings),
      cmocka_unit_test(damaged_settings_are_restored_or_refused_but_never_half),
      cmocka_unit_test(settings_of_another_plugin_are_refused),
      cmocka_unit_test(a_file_is_found_and_kept_where_the_session_has_it),
      cmocka_unit_test(a_value_that_a_host_cannot_keep_is_told),
      cmocka_unit_test(any_state_is_taken_whole_or_refused_with_a_line_in_the_log),
   };
   const int n_failed = cmocka_run_group_tests(tests, NULL, NULL);
   keepers_free(&kept);
   bm_host_free(hosted_host);
   urid_map_free();
   unlink(settings_path);
   unlink(damaged_head_path);
   rmdir(folder);
   return n_failed;
}
