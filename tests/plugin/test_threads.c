/* SPDX-License-Identifier: ISC */
/*
   If one of these fails, a session of many tracks sounds different, or crashes, on a host that spreads
   plugins over cores, or a session saved while it plays opens with settings that never were.

   Threads make, run, save, restore and free every plugin of the bundle at once, each as a host of its own,
   and each must hear what a thread alone hears. Under ThreadSanitizer (build-thread) a shared variable
   without a lock is found even where nothing can be heard of it.
*/
#include "unit_test.h"

#include "every.h"
#include "snapshot.h"
#include "urid_map.h"

#include <lilv/lilv.h>
#include <lv2/atom/atom.h>
#include <lv2/state/state.h>
#include <lv2/urid/urid.h>

#include <pthread.h>
#include <stdatomic.h>
#include <time.h>

enum { N_THREADS = 3, N_ROUNDS = 2, N_HEARD = 6000, MAX_PLUGINS = 256 };

typedef struct {
   uint64_t hashes[N_ROUNDS][MAX_PLUGINS]; /* of what each plugin gave, by its place in the host */
   int number;
   BmHost* host; /* made, and its plugins read, before the threads: lilv has static buffers for that */
   pthread_barrier_t* start; /* NULL: alone */
} Ears;

static const Audio* in;

/* FNV-1a. */
static uint64_t hash_of(uint64_t hash, const float* samples, uint32_t n)
{
   const unsigned char* bytes = (const unsigned char*)samples;
   for (size_t i = 0; i < n * sizeof *samples; ++i) {
      hash = (hash ^ bytes[i]) * 0x100000001B3ULL;
   }
   return hash;
}

static uint64_t hear(BmHost* host, const BmPlugin* plugin, int round)
{
   BmError error = {0};
   BmInstance* instance = bm_instance_new(host, plugin, round % 2 ? 44100.0 : RATE_HZ, MAX_BLOCK, &error);
   uint64_t hash = 0xCBF29CE484222325ULL;
   if (!instance) {
      return 0;
   }
   uint64_t seed = 71;
   Audio out = audio_new(N_HEARD);
   for (uint32_t start = 0; start < N_HEARD; start += 1500) {
      set_all(instance, &seed);
      run(instance, in, &out, start, 1500);
      char* settings = bm_instance_save(instance);
      bm_instance_load_text(instance, settings, &error);
      free(settings);
   }
   for (uint32_t c = 0; c < plugin->n_audio_out; ++c) {
      hash = hash_of(hash, out.channels[c], N_HEARD);
   }
   audio_free(&out);
   bm_instance_free(instance);
   return hash;
}

static void* listen(void* data)
{
   Ears* ears = data;
   BmHost* host = ears->host;
   if (ears->start) {
      pthread_barrier_wait(ears->start);
   }
   const uint32_t n_plugins = bm_host_n_plugins(host);
   for (int round = 0; round < N_ROUNDS; ++round) {
      for (uint32_t i = 0; i < n_plugins; ++i) {
         /* Now the same plugin at once, now another. */
         const uint32_t n = round % 2 ? (i + (uint32_t)ears->number) % n_plugins : i;
         const BmPlugin* plugin = bm_host_plugin(host, n);
         if (!strncmp(plugin->uri, "urn:bookmatch:", 14)) {
            ears->hashes[round][n] = hear(host, plugin, round);
         }
      }
   }
   return NULL;
}

static void every_plugin_sounds_in_many_threads_as_it_does_alone(void** state)
{
   (void)state;
   static Ears alone;
   static Ears ears[N_THREADS];
   const Audio input = plucks(N_HEARD);
   in = &input;
   assert_in_range(bm_host_n_plugins(hosted_host), 1, MAX_PLUGINS);
   pthread_barrier_t start;
   pthread_barrier_init(&start, NULL, N_THREADS);
   pthread_t threads[N_THREADS];
   BmError error = {0};
   for (int t = 0; t < N_THREADS; ++t) {
      ears[t].host = bm_host_new(&error);
      assert_non_null(ears[t].host);
      for (uint32_t i = 0; i < bm_host_n_plugins(ears[t].host); ++i) {
         bm_host_plugin(ears[t].host, i);
      }
   }
   for (int t = 0; t < N_THREADS; ++t) {
      ears[t].number = t;
      ears[t].start = &start;
      assert_int_equal(pthread_create(&threads[t], NULL, listen, &ears[t]), 0);
   }
   for (int t = 0; t < N_THREADS; ++t) {
      pthread_join(threads[t], NULL);
      bm_host_free(ears[t].host);
   }
   pthread_barrier_destroy(&start);
   alone.host = hosted_host;
   listen(&alone);
   for (uint32_t i = 0; i < bm_host_n_plugins(hosted_host); ++i) {
      const BmPlugin* plugin = bm_host_plugin(hosted_host, i);
      for (int t = 0; t < N_THREADS * N_ROUNDS; ++t) {
         const uint64_t heard = ears[t / N_ROUNDS].hashes[t % N_ROUNDS][i];
         if (heard != alone.hashes[t % N_ROUNDS][i]) {
            fail_msg("%s: in thread %d, round %d, it is not what it is alone", plugin->uri, t / N_ROUNDS,
                     t % N_ROUNDS);
         }
         if (heard) {
            cases_add(plugin->uri, "threads", 1);
         }
      }
   }
   Audio done = input;
   audio_free(&done);
}

/* A host may save while the plugin runs (LV2 state: save() is in a threading class of its own). */

static LV2_URID_Map map = {NULL, urid_map_uri};
static const LV2_Feature map_feature = {LV2_URID__map, &map};
static const LV2_Feature* const features[] = {&map_feature, NULL};

enum { N_SAVES = 100, N_LIVES = 200, N_ENDS = 2, TEXT_BYTES = 16384, N_TEXTS = 2, RUN_FRAMES = 48 };

typedef struct {
   char texts[N_TEXTS][TEXT_BYTES]; /* by the order in which they come; "" for none */
   uint32_t n_texts;
   uint32_t n_values;
} Saved;

static LV2_State_Status keep(LV2_State_Handle handle, uint32_t key, const void* value, size_t size,
                             uint32_t type, uint32_t flags)
{
   (void)key;
   (void)flags;
   Saved* saved = handle;
   ++saved->n_values;
   if (type == urid_map_uri(NULL, LV2_ATOM__String)) {
      assert_true(saved->n_texts < N_TEXTS && size <= TEXT_BYTES);
      memcpy(saved->texts[saved->n_texts++], value, size);
   }
   return LV2_STATE_SUCCESS;
}

typedef struct {
   const BmPlugin* plugin;
   LilvInstance* instance;
   float* controls;
   const Audio* in;
   Audio out;
   uint32_t at;
   atomic_int n_lives; /* that both settings were remembered */
   atomic_bool has_ended;
} Live;

static void save_live(const Live* live, Saved* saved)
{
   const LV2_State_Interface* state = lilv_instance_get_extension_data(live->instance, LV2_STATE__interface);
   memset(saved, 0, sizeof *saved);
   assert_int_equal(state->save(lilv_instance_get_handle(live->instance), keep, saved,
                                LV2_STATE_IS_POD | LV2_STATE_IS_PORTABLE, features),
                    LV2_STATE_SUCCESS);
}

static bool ends_with(const char* text, const char* ending)
{
   const size_t n = strlen(text);
   return n >= strlen(ending) && !strcmp(text + n - strlen(ending), ending);
}

static void run_live(Live* live, bool remembers)
{
   uint32_t n_in = 0;
   uint32_t n_out = 0;
   for (uint32_t i = 0; i < live->plugin->n_ports; ++i) {
      const BmPort* port = &live->plugin->ports[i];
      if (port->kind == BM_PORT_AUDIO) {
         lilv_instance_connect_port(live->instance, i,
                                    port->is_input ? live->in->channels[n_in++] + live->at
                                                   : live->out.channels[n_out++] + live->at);
      } else if (!strncmp(port->symbol, "remember_", 9)) {
         live->controls[i] = remembers ? 1.0F : 0.0F;
      }
   }
   lilv_instance_run(live->instance, RUN_FRAMES);
   live->at = (live->at + RUN_FRAMES) % live->in->n_frames;
}

/* Both remembered settings at once, of nothing but least or most values. */
static void remember(Live* live, int end)
{
   for (uint32_t i = 0; i < live->plugin->n_ports; ++i) {
      const BmPort* port = control_input(live->plugin, i);
      if (port && !ends_with(port->symbol, "note_source") && !port->is_enabled) {
         live->controls[i] = end ? port->max : port->min;
      }
   }
   run_live(live, false);
   run_live(live, true);
}

static void* live_on(void* data)
{
   Live* live = data;
   for (int n = 0; !atomic_load(&live->has_ended); ++n) {
      remember(live, n % N_ENDS);
      atomic_fetch_add(&live->n_lives, 1);
      for (int k = 0; k < n % 8; ++k) {
         run_live(live, true);
      }
   }
   return NULL;
}

static void check_saving(const BmPlugin* plugin)
{
   static Saved whole[N_ENDS];
   static Saved saved;
   const Audio input = plucks(RATE_HZ);
   Live live = {.plugin = plugin, .in = &input, .out = audio_new(RATE_HZ)};
   live.instance = lilv_plugin_instantiate((const LilvPlugin*)plugin->lilv, RATE_HZ, features);
   assert_non_null(live.instance);
   if (lilv_instance_get_extension_data(live.instance, LV2_STATE__interface)) {
      live.controls = calloc(plugin->n_ports, sizeof *live.controls);
      for (uint32_t i = 0; i < plugin->n_ports; ++i) {
         if (plugin->ports[i].kind == BM_PORT_CONTROL) {
            live.controls[i] = plugin->ports[i].def;
            lilv_instance_connect_port(live.instance, i, &live.controls[i]);
         }
         if (control_input(plugin, i) && ends_with(plugin->ports[i].symbol, "note_source")) {
            live.controls[i] = 1.0F; /* to have it learn */
         }
      }
      lilv_instance_activate(live.instance);
      for (int end = 0; end < N_ENDS; ++end) {
         remember(&live, end);
         save_live(&live, &whole[end]);
      }
      pthread_t thread;
      assert_int_equal(pthread_create(&thread, NULL, live_on, &live), 0);
      uint32_t n_half = 0;
      uint32_t n_saves = 0;
      for (; n_saves < N_SAVES || atomic_load(&live.n_lives) < N_LIVES; ++n_saves) {
         save_live(&live, &saved);
         const bool is_whole = !memcmp(saved.texts, whole[0].texts, sizeof saved.texts) ||
                               !memcmp(saved.texts, whole[1].texts, sizeof saved.texts);
         n_half += saved.n_values != whole[0].n_values || !is_whole;
      }
      atomic_store(&live.has_ended, true);
      pthread_join(thread, NULL);
      if (n_half) {
         fail_msg("%s: of %d states saved while it ran %u are of no one moment", plugin->uri, N_SAVES,
                  n_half);
      }
      cases_add(plugin->uri, "saved in the run", N_SAVES);
      lilv_instance_deactivate(live.instance);
   }
   lilv_instance_free(live.instance);
   free(live.controls);
   Audio done = input;
   audio_free(&done);
   audio_free(&live.out);
}

static void what_is_saved_while_a_plugin_runs_is_of_one_moment(void** state)
{
   (void)state;
   hosted_for_every_plugin(check_saving);
}

enum { N_NUMBERS = 500, N_READS = 2000 };

typedef struct {
   BmSnapshot snapshot;
   atomic_int n_writes;
   atomic_bool has_ended;
} Writer;

static void* write_on(void* data)
{
   Writer* writer = data;
   while (!atomic_load(&writer->has_ended)) {
      const double moment = atomic_fetch_add(&writer->n_writes, 1);
      bm_snapshot_begin(&writer->snapshot);
      for (uint32_t i = 0; i < N_NUMBERS; ++i) {
         bm_snapshot_put(&writer->snapshot, i, moment);
      }
      bm_snapshot_end(&writer->snapshot);
      /* As run() rests; who never does starves a reader. */
      nanosleep(&(struct timespec){.tv_nsec = 50000}, NULL);
   }
   return NULL;
}

static void a_snapshot_is_of_one_moment_and_never_older_than_the_last(void** state)
{
   (void)state;
   static Writer writer;
   static double values[N_NUMBERS];
   assert_true(bm_snapshot_init(&writer.snapshot, N_NUMBERS));
   pthread_t thread;
   assert_int_equal(pthread_create(&thread, NULL, write_on, &writer), 0);
   double last = 0.0;
   uint32_t n_torn = 0;
   for (int n = 0; n < N_READS || atomic_load(&writer.n_writes) < N_READS; ++n) {
      bm_snapshot_read(&writer.snapshot, values);
      for (uint32_t i = 1; i < N_NUMBERS; ++i) {
         n_torn += values[i] != values[0];
      }
      n_torn += values[0] < last;
      last = values[0];
   }
   atomic_store(&writer.has_ended, true);
   pthread_join(thread, NULL);
   bm_snapshot_free(&writer.snapshot);
   assert_int_equal(n_torn, 0);
}

int main(void)
{
   if (!hosted_open()) {
      return 1;
   }
   Keepers kept =
      keepers_new(RATE_HZ); /* no library is unloaded: the sanitizer does not see the loader's locks */
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(every_plugin_sounds_in_many_threads_as_it_does_alone),
      cmocka_unit_test(a_snapshot_is_of_one_moment_and_never_older_than_the_last),
      cmocka_unit_test(what_is_saved_while_a_plugin_runs_is_of_one_moment),
   };
   const int n_failed = cmocka_run_group_tests(tests, NULL, NULL);
   keepers_free(&kept);
   urid_map_free();
   bm_host_free(hosted_host);
   return n_failed;
}
