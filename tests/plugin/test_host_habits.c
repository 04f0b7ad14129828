/* SPDX-License-Identifier: ISC */
/*
   If one of these fails, a plugin sounds different, or crashes, in a host that uses it in another way than
   the bench does: one that moves ports about, leaves some unconnected, gives both channels one buffer,
   unloads libraries, or has two copies of the bundle.

   What LV2 lets a host do, done to every plugin of the bundle by its descriptor, without lilv in between;
   each must give the samples that the plainest of hosts gets.
*/
#define _GNU_SOURCE
#include "unit_test.h"

#include "every.h"

#include <lilv/lilv.h>
#include <lv2/core/lv2.h>

#include <dlfcn.h>
#include <float.h>
#include <sys/stat.h>
#include <unistd.h>

#if defined(__SSE2__)
#include <immintrin.h>
#endif

enum { N_HEARD = 4800, BLOCK = 300, MAX_HEARD_PORTS = 400, GUARD = 64 };

static char folder[] = "/tmp/bookmatch-habits-XXXXXX";

typedef struct {
   const BmPlugin* plugin;
   const LV2_Descriptor* descriptor;
   LV2_Handle handle;
   float controls[MAX_HEARD_PORTS];
} Bare;

typedef enum {
   PLAIN,
   MOVING,      /* every port has another place in every run; controls lie in a row, or not */
   UNCONNECTED, /* control inputs stand at their defaults, so no control is connected at all */
   SHARED,      /* one buffer for all inputs */
   WITH_EMPTY,  /* runs of no frames, audio unconnected, between the others */
} Habit;

static char* library_path(const BmPlugin* plugin)
{
   return lilv_file_uri_parse(lilv_node_as_uri(lilv_plugin_get_library_uri((const LilvPlugin*)plugin->lilv)),
                              NULL);
}

static const LV2_Descriptor* descriptor_in(void* library, const char* uri)
{
   LV2_Descriptor_Function list;
   *(void**)&list = dlsym(library, "lv2_descriptor");
   assert_non_null(list);
   const LV2_Descriptor* found = NULL;
   for (uint32_t i = 0; list(i) && !found; ++i) {
      found = strcmp(list(i)->URI, uri) ? NULL : list(i);
   }
   return found;
}

static void* open_library(const char* path, int flags)
{
   void* library = dlopen(path, RTLD_NOW | flags);
   if (!library) {
      fail_msg("%s", dlerror());
   }
   return library;
}

static Bare bare_new(void* library, const BmPlugin* plugin, const LV2_Feature* const* features)
{
   Bare bare = {.plugin = plugin, .descriptor = descriptor_in(library, plugin->uri)};
   assert_true(bare.descriptor && plugin->n_ports <= MAX_HEARD_PORTS);
   bare.handle = bare.descriptor->instantiate(bare.descriptor, RATE_HZ, plugin->bundle, features);
   if (!bare.handle) {
      fail_msg("%s: is not made", plugin->uri);
   }
   for (uint32_t i = 0; i < plugin->n_ports; ++i) {
      bare.controls[i] = plugin->ports[i].kind == BM_PORT_CONTROL ? plugin->ports[i].def : 0.0F;
   }
   return bare;
}

static void bare_free(Bare* bare)
{
   bare->descriptor->cleanup(bare->handle);
}

static void activate(const Bare* bare)
{
   if (bare->descriptor->activate) {
      bare->descriptor->activate(bare->handle);
   }
}

static void deactivate(const Bare* bare)
{
   if (bare->descriptor->deactivate) {
      bare->descriptor->deactivate(bare->handle);
   }
}

/* Blocks and spaces between them, each guarded on both sides, so that a look or a write beside one shows. */
static void run_block(Bare* bare, Habit habit, const Audio* in, const Audio* out, uint32_t start,
                      uint64_t* seed)
{
   static float pool[2 * (MAX_CHANNELS + 1)][BLOCK + 3 * GUARD];
   static float scattered[MAX_HEARD_PORTS][3];
   static float rows[2][MAX_HEARD_PORTS];
   const BmPlugin* plugin = bare->plugin;
   const float guard = 12345.0F;
   float* row_of_controls = habit == MOVING && start / BLOCK % 3 < 2 ? rows[start / BLOCK % 3] : NULL;
   float* places[MAX_HEARD_PORTS] = {NULL};
   uint32_t n_in = 0;
   uint32_t n_out = 0;
   uint32_t n_pool = 0;
   for (uint32_t i = 0; i < plugin->n_ports; ++i) {
      const BmPort* port = &plugin->ports[i];
      const uint32_t shift = habit == MOVING ? (uint32_t)(GUARD * (0.5 + 0.5 * bm_test_random(seed))) : 0;
      if (port->kind == BM_PORT_AUDIO) {
         float* row = pool[habit == MOVING ? (n_pool + start / BLOCK) % (2 * MAX_CHANNELS) : n_pool];
         ++n_pool;
         for (uint32_t n = 0; n < BLOCK + 3 * GUARD; ++n) {
            row[n] = guard;
         }
         places[i] = row + GUARD + shift;
         if (port->is_input) {
            memcpy(places[i], in->channels[n_in] + start, BLOCK * sizeof(float));
            n_in += habit != SHARED;
         }
      } else if (port->kind == BM_PORT_CONTROL) {
         float* triple = scattered[habit == MOVING ? (i * 7 + start / BLOCK) % MAX_HEARD_PORTS : i];
         triple[0] = triple[2] = guard;
         places[i] = habit == UNCONNECTED ? NULL : row_of_controls ? row_of_controls + i : triple + 1;
         if (places[i]) {
            *places[i] = bare->controls[i];
         }
      }
   }
   if (habit == SHARED) {
      float* shared = places[plugin->audio_in[0]];
      for (uint32_t c = 1; c < plugin->n_audio_in; ++c) {
         places[plugin->audio_in[c]] = shared;
      }
   }
   for (uint32_t i = 0; i < plugin->n_ports; ++i) {
      if (habit == MOVING || start == 0) {
         bare->descriptor->connect_port(bare->handle, i, places[i]);
      }
   }
   if (habit == WITH_EMPTY) {
      for (uint32_t i = 0; i < plugin->n_ports; ++i) {
         if (plugin->ports[i].kind == BM_PORT_AUDIO) {
            bare->descriptor->connect_port(bare->handle, i, NULL);
         }
      }
      bare->descriptor->run(bare->handle, 0);
      for (uint32_t i = 0; i < plugin->n_ports; ++i) {
         bare->descriptor->connect_port(bare->handle, i, places[i]);
      }
   }
   bare->descriptor->run(bare->handle, BLOCK);
   n_in = 0;
   for (uint32_t i = 0; i < plugin->n_ports; ++i) {
      const BmPort* port = &plugin->ports[i];
      const float* place = places[i];
      bool is_kept = true;
      if (port->kind == BM_PORT_AUDIO) {
         is_kept = place[-1] == guard && place[-GUARD] == guard && place[BLOCK] == guard &&
                   place[BLOCK + GUARD - 1] == guard;
         if (port->is_input) {
            is_kept = is_kept && !memcmp(place, in->channels[n_in] + start, BLOCK * sizeof(float));
            n_in += habit != SHARED;
         } else {
            memcpy(out->channels[n_out++] + start, place, BLOCK * sizeof(float));
         }
      } else if (place) {
         is_kept = row_of_controls || (place[-1] == guard && place[1] == guard);
         is_kept = is_kept && (!port->is_input || !memcmp(place, &bare->controls[i], sizeof *place));
         bare->controls[i] = *place;
      }
      if (!is_kept) {
         fail_msg("%s: port %s: run() writes where it may not", plugin->uri, port->symbol);
      }
   }
}

static void turn_controls(Bare* bare, uint64_t* seed)
{
   for (uint32_t i = 0; i < bare->plugin->n_ports; ++i) {
      const BmPort* port = control_input(bare->plugin, i);
      if (port && !port->is_enabled) {
         bare->controls[i] = random_value(port, seed);
      }
   }
}

/* Controls jump now and then, but where they are not connected. */
static void render(Bare* bare, Habit habit, bool turns, const Audio* in, const Audio* out)
{
   uint64_t seed = 19;
   uint64_t place_seed = 23;
   activate(bare);
   for (uint32_t start = 0; start < N_HEARD; start += BLOCK) {
      if (turns && start / BLOCK % 4 == 1) {
         turn_controls(bare, &seed);
      }
      run_block(bare, habit, in, out, start, &place_seed);
   }
   deactivate(bare);
}

static void render_new(void* library, const BmPlugin* plugin, Habit habit, bool turns, const Audio* in,
                       const Audio* out)
{
   Bare bare = bare_new(library, plugin, NULL);
   render(&bare, habit, turns, in, out);
   bare_free(&bare);
}

static void expect(const BmPlugin* plugin, const Audio* out, const Audio* plain, const char* what)
{
   assert_same(plugin, out, plain, 0, what);
   cases_add(plugin->uri, "host habits", 1);
}

static void check_habits(const BmPlugin* plugin)
{
   static const struct {
      Habit habit;
      bool turns;
      const char* what;
   } habits[] = {
      {MOVING, true, "with ports that move"},
      {UNCONNECTED, false, "with controls that are not connected"},
      {SHARED, true, "with one buffer for all inputs"},
      {WITH_EMPTY, true, "with runs of no frames between"},
   };
   char* path = library_path(plugin);
   void* library = open_library(path, RTLD_LOCAL);
   const Audio in = plucks(N_HEARD);
   const Audio out = audio_new(N_HEARD);
   const Audio plain = audio_new(N_HEARD);
   for (size_t i = 0; i < sizeof habits / sizeof *habits; ++i) {
      Audio same = in;
      for (uint32_t c = 1; c < MAX_CHANNELS && habits[i].habit == SHARED; ++c) {
         same.channels[c] = in.channels[0];
      }
      render_new(library, plugin, PLAIN, habits[i].turns, &same, &plain);
      render_new(library, plugin, habits[i].habit, habits[i].turns, &same, &out);
      expect(plugin, &out, &plain, habits[i].what);
   }
   dlclose(library);
   lilv_free(path);
   audio_free((Audio*)&in);
   audio_free((Audio*)&out);
   audio_free((Audio*)&plain);
}

static void no_plugin_minds_how_a_host_connects_its_ports(void** state)
{
   (void)state;
   hosted_for_every_plugin(check_habits);
}

/* The life of an instance in other orders, and features that nobody knows. */
static void check_lives(const BmPlugin* plugin)
{
   static const LV2_Feature unknown = {"urn:bookmatch:no-such-feature", NULL};
   static const LV2_Feature* const only_unknown[] = {&unknown, NULL};
   static const LV2_Feature* const none[] = {NULL};
   static const LV2_Feature* const* const lists[] = {NULL, none, only_unknown};
   char* path = library_path(plugin);
   void* library = open_library(path, RTLD_LOCAL);
   const Audio in = plucks(N_HEARD);
   const Audio out = audio_new(N_HEARD);
   const Audio plain = audio_new(N_HEARD);
   render_new(library, plugin, PLAIN, true, &in, &plain);
   for (size_t i = 0; i < sizeof lists / sizeof *lists; ++i) {
      Bare bare = bare_new(library, plugin, lists[i]);
      bare_free(&bare); /* never activated */
      bare = bare_new(library, plugin, lists[i]);
      activate(&bare);
      bare_free(&bare); /* never run, never deactivated */
      bare = bare_new(library, plugin, lists[i]);
      deactivate(&bare);
      activate(&bare);
      activate(&bare);
      render(&bare, PLAIN, true, &in, &out);
      deactivate(&bare);
      bare_free(&bare);
      expect(plugin, &out, &plain, "activated three times");
   }
   dlclose(library);
   lilv_free(path);
   audio_free((Audio*)&in);
   audio_free((Audio*)&out);
   audio_free((Audio*)&plain);
}

static void no_plugin_minds_features_or_the_order_of_its_life(void** state)
{
   (void)state;
   hosted_for_every_plugin(check_lives);
}

static void copy_file(const char* from, const char* to)
{
   char* command = NULL;
   assert_true(asprintf(&command, "cp '%s' '%s'", from, to) > 0);
   assert_int_equal(system(command), 0);
   free(command);
}

/* A library that was unloaded, and one beside its copy whose symbols every library sees. */
static void check_libraries(const BmPlugin* plugin)
{
   char* path = library_path(plugin);
   static int n_copies; /* a library that stays loaded keeps its name */
   char copy[128];
   snprintf(copy, sizeof copy, "%s/copy-%d.so", folder, n_copies++);
   copy_file(path, copy);
   const Audio in = plucks(N_HEARD);
   const Audio out = audio_new(N_HEARD);
   const Audio beside = audio_new(N_HEARD);
   const Audio plain = audio_new(N_HEARD);
   for (int n = 0; n < 3; ++n) {
      void* library = open_library(path, RTLD_LOCAL);
      render_new(library, plugin, PLAIN, true, &in, n ? &out : &plain);
      assert_int_equal(dlclose(library), 0);
      if (n) {
         expect(plugin, &out, &plain, "loaded again");
      }
   }
   void* first = open_library(path, RTLD_GLOBAL);
   void* second = open_library(copy, RTLD_GLOBAL);
   assert_ptr_not_equal(descriptor_in(first, plugin->uri), descriptor_in(second, plugin->uri));
   Bare one = bare_new(first, plugin, NULL);
   Bare other = bare_new(second, plugin, NULL);
   render(&other, PLAIN, true, &in, &beside);
   render(&one, PLAIN, true, &in, &out);
   bare_free(&one);
   dlclose(first);
   expect(plugin, &out, &plain, "beside a copy of the bundle");
   expect(plugin, &beside, &plain, "as the copy of a bundle");
   activate(&other);
   bare_free(&other);
   dlclose(second);
   unlink(copy);
   lilv_free(path);
   audio_free((Audio*)&in);
   audio_free((Audio*)&out);
   audio_free((Audio*)&beside);
   audio_free((Audio*)&plain);
}

static void no_plugin_minds_being_unloaded_or_loaded_twice(void** state)
{
   (void)state;
   hosted_for_every_plugin(check_libraries);
}

/* Each library lists the plugins that the Turtle names for it, and ends its list. */
static void check_list(const BmPlugin* plugin)
{
   char* path = library_path(plugin);
   void* library = open_library(path, RTLD_LOCAL);
   LV2_Descriptor_Function list;
   *(void**)&list = dlsym(library, "lv2_descriptor");
   uint32_t n_listed = 0;
   uint32_t n_named = 0;
   while (list(n_listed)) {
      BmError error = {0};
      if (!bm_host_find(hosted_host, list(n_listed)->URI, &error)) {
         fail_msg("%s lists %s, which the Turtle does not name", path, list(n_listed)->URI);
      }
      ++n_listed;
   }
   for (uint32_t i = 0; i < bm_host_n_plugins(hosted_host); ++i) {
      const BmPlugin* named = bm_host_plugin(hosted_host, i);
      char* its_path = library_path(named);
      n_named += !strcmp(its_path, path);
      lilv_free(its_path);
   }
   assert_int_equal(n_listed, n_named);
   assert_null(list(n_listed + 1));
   assert_null(list(UINT32_MAX));
   cases_add(plugin->uri, "host habits", 1);
   dlclose(library);
   lilv_free(path);
}

static void every_library_lists_what_the_turtle_names_and_no_more(void** state)
{
   (void)state;
   hosted_for_every_plugin(check_list);
}

#if defined(__SSE2__)
#define FLUSHES 0x8040U /* results (bit 15) and operands (bit 6) */
#elif defined(__aarch64__)
#define FLUSHES (1ULL << 24)
#else
#define FLUSHES 0U
#endif

/* The processor's modes of arithmetic, without what has happened so far. */
static uint64_t arithmetic(void)
{
#if defined(__SSE2__)
   return _mm_getcsr() & ~0x3FU;
#elif defined(__aarch64__)
   uint64_t mode;
   __asm__ volatile("mrs %0, fpcr" : "=r"(mode));
   return mode;
#else
   return 0;
#endif
}

static void flush_denormals(bool on)
{
   const uint64_t mode = on ? arithmetic() | FLUSHES : arithmetic() & ~(uint64_t)FLUSHES;
#if defined(__SSE2__)
   _mm_setcsr((unsigned)mode);
#elif defined(__aarch64__)
   __asm__ volatile("msr fpcr, %0" : : "r"(mode));
#else
   (void)mode;
#endif
}

static uint32_t n_looks_inside;
static uint32_t n_looks_unflushed;

/* Stands before libm's for every plugin, whose level meters ask for it under run(): a look at the mode there.
 */
double log10(double x)
{
   static double (*next)(double);
   if (!next) {
      *(void**)&next = dlsym(RTLD_NEXT, "log10");
   }
   ++n_looks_inside;
   n_looks_unflushed += (arithmetic() & FLUSHES) != FLUSHES;
   return next(x);
}

/* A host may have its processor flush denormals or not; it finds it as it was, and hears the same. Under
   run() it flushes them in any case, both of operands and results: a tail that dies away costs no more. */
static void check_arithmetic(const BmPlugin* plugin)
{
   char* path = library_path(plugin);
   void* library = open_library(path, RTLD_LOCAL);
   const Audio in = plucks(N_HEARD);
   const Audio outs[] = {audio_new(N_HEARD), audio_new(N_HEARD)};
   for (uint32_t i = N_HEARD / 2; i < N_HEARD; ++i) {
      for (uint32_t c = 0; c < MAX_CHANNELS; ++c) {
         in.channels[c][i] = i % 2 ? 1e-40F : -FLT_MIN;
      }
   }
   for (int flushes = 0; flushes < 2; ++flushes) {
      flush_denormals(flushes);
      const uint64_t before = arithmetic();
      Bare bare = bare_new(library, plugin, NULL);
      n_looks_inside = n_looks_unflushed = 0;
      render(&bare, PLAIN, true, &in, &outs[flushes]);
      const uint64_t after = arithmetic();
      bare_free(&bare);
      flush_denormals(false);
      if (after != before) {
         fail_msg("%s: leaves the processor's mode at %#llx, not %#llx", plugin->uri,
                  (unsigned long long)after, (unsigned long long)before);
      }
      assert_true(n_looks_inside > 0);
      if (n_looks_unflushed) {
         fail_msg("%s: under run() denormals are not flushed, so that a dying tail costs more", plugin->uri);
      }
   }
   expect(plugin, &outs[1], &outs[0], "in a host that flushes denormals");
   dlclose(library);
   lilv_free(path);
   audio_free((Audio*)&in);
   audio_free((Audio*)&outs[0]);
   audio_free((Audio*)&outs[1]);
}

static void every_plugin_flushes_denormals_and_leaves_the_arithmetic_as_it_was(void** state)
{
   (void)state;
   hosted_for_every_plugin(check_arithmetic);
}

int main(void)
{
   if (!hosted_open_with(folder)) {
      return 1;
   }
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(every_library_lists_what_the_turtle_names_and_no_more),
      cmocka_unit_test(no_plugin_minds_how_a_host_connects_its_ports),
      cmocka_unit_test(no_plugin_minds_features_or_the_order_of_its_life),
      cmocka_unit_test(no_plugin_minds_being_unloaded_or_loaded_twice),
      cmocka_unit_test(every_plugin_flushes_denormals_and_leaves_the_arithmetic_as_it_was),
   };
   const int n_failed = cmocka_run_group_tests(tests, NULL, NULL);
   rmdir(folder);
   bm_host_free(hosted_host);
   return n_failed;
}
