/* SPDX-License-Identifier: ISC */
/*
   If this fails, a plugin can make a session drop out: something under run() allocated, locked or asked the
   kernel.

   Every plugin of the bundle runs through all its controls, choices and presets, its bypass, notes that it
   may follow, a state put back between two blocks, and garbage on its inputs, while the trap (trap.h) stands
   in front of the C library, and the kernel itself refuses system calls (syscall user
   dispatch, Linux 5.11; where the kernel lacks it that part is left out, and said so).
*/
#include "unit_test.h"

#include "cases.h"
#include "forbidden.h"
#include "host.h"
#include "trap.h"
#include "urid_map.h"

#include <lilv/lilv.h>
#include <lv2/atom/atom.h>
#include <lv2/state/state.h>
#include <lv2/urid/urid.h>

#include <dlfcn.h>
#include <pthread.h>
#include <signal.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>
#include <sys/prctl.h>
#include <sys/syscall.h>
#include <time.h>
#include <ucontext.h>
#include <unistd.h>

#ifndef PR_SET_SYSCALL_USER_DISPATCH
#define PR_SET_SYSCALL_USER_DISPATCH 59
#endif
enum { DISPATCH_OFF = 0, DISPATCH_ON = 1, ALLOW = 0, BLOCK = 1 };

enum { RATE_HZ = 48000, BLOCK_FRAMES = 256, MAX_AUDIO = 4, STACK_BYTES = 256 * 1024 };

static volatile char selector = ALLOW;
static volatile long first_syscall = -1;

/* The kernel delivers a refused system call as SIGSYS; it is counted and allowed to return as if it had
 * failed. */
static void on_syscall(int number, siginfo_t* info, void* context)
{
   (void)number;
   (void)context;
   selector = ALLOW;
   trap_hit("the kernel");
   if (first_syscall < 0) {
      first_syscall = info->si_syscall;
   }
}

static const char* forbidden; /* path of the plugin that does what is forbidden */
static BmHost* host;
static bool kernel_watches;

/* cmocka takes SIGSYS for itself before each test. */
static void take_sigsys(void)
{
   const struct sigaction action = {.sa_sigaction = on_syscall, .sa_flags = SA_SIGINFO};
   sigaction(SIGSYS, &action, NULL);
}

typedef struct {
   LilvInstance* instance;
   const BmPlugin* plugin;
   float* controls;
   float audio_in[MAX_AUDIO][BLOCK_FRAMES];
   float audio_out[MAX_AUDIO][BLOCK_FRAMES];
} Subject;

static LilvWorld* world;
static LV2_URID_Map map = {NULL, urid_map_uri};
static const LV2_Feature map_feature = {LV2_URID__map, &map};
static const LV2_Feature* const features[] = {&map_feature, NULL};

static void start_watching(void)
{
   trap_start();
   if (kernel_watches) {
      selector = BLOCK;
   }
}

static void stop_watching(void)
{
   selector = ALLOW;
   trap_stop();
}

typedef struct {
   Subject* subject;
   uint64_t seed;
   uint32_t n_blocks; /* that were run */
   uint32_t n_frames; /* of plucks */
} Job;

static const BmPort* control_input(const BmPlugin* plugin, uint32_t i)
{
   const BmPort* port = &plugin->ports[i];
   return port->kind == BM_PORT_CONTROL && port->is_input ? port : NULL;
}

static float value_between(const BmPort* port, uint64_t* seed)
{
   const double share = 0.5 + 0.5 * bm_test_random(seed);
   return port->min + (float)share * (port->max - port->min);
}

/* Plucked notes of many pitches, so that detectors find, follow and lose them. */
static void play_notes(Job* job)
{
   enum { NOTE_FRAMES = 4 * RATE_HZ / 5 };
   for (int i = 0; i < BLOCK_FRAMES; ++i, ++job->n_frames) {
      const uint32_t note = job->n_frames / NOTE_FRAMES;
      const double t = (double)(job->n_frames % NOTE_FRAMES) / RATE_HZ;
      const double hz = 82.4 * pow(2.0, (note * 5 % 24) / 12.0);
      for (int c = 0; c < MAX_AUDIO; ++c) {
         double x = 0.001 * bm_test_random(&job->seed);
         for (int h = 1; h <= 4; ++h) {
            x += 0.3 / h * exp(-3.0 * t) * sin(2.0 * 3.14159265358979 * hz * h * (t + 0.0003 * c));
         }
         job->subject->audio_in[c][i] = (float)x;
      }
   }
}

static void run_watched(Job* job, uint32_t n_frames)
{
   start_watching();
   lilv_instance_run(job->subject->instance, n_frames);
   stop_watching();
   ++job->n_blocks;
}

/* All controls jump about, their values sometimes garbage, as the audio is. */
static void run_wild(Job* job)
{
   static const float garbage[] = {NAN, INFINITY, -INFINITY, 1e30F, 1e-40F};
   Subject* subject = job->subject;
   const BmPlugin* plugin = subject->plugin;
   const int n_blocks = (int)bm_test_count(400, 60);
   for (int block = 0; block < n_blocks; ++block) {
      for (uint32_t i = 0; i < plugin->n_ports; ++i) {
         const BmPort* port = control_input(plugin, i);
         if (port && bm_test_random(&job->seed) > 0.5) {
            subject->controls[i] = block % 50 == 49 ? garbage[block % 5] : value_between(port, &job->seed);
         }
      }
      for (int c = 0; c < MAX_AUDIO; ++c) {
         for (int i = 0; i < BLOCK_FRAMES; ++i) {
            subject->audio_in[c][i] = block % 40 == 39
                                         ? garbage[i % 5]
                                         : (float)(block % 7 == 6 ? 0.0 : 0.3 * bm_test_random(&job->seed));
         }
      }
      run_watched(job, block % 11 == 10 ? 0 : BLOCK_FRAMES);
   }
}

static void set_defaults(Subject* subject)
{
   for (uint32_t i = 0; i < subject->plugin->n_ports; ++i) {
      if (control_input(subject->plugin, i)) {
         subject->controls[i] = subject->plugin->ports[i].def;
      }
   }
}

/* Each control alone, to both ends of its range, and to each of its choices for long enough to find a note.
 */
static void run_sweeps(Job* job)
{
   Subject* subject = job->subject;
   const int n_to_find = (int)bm_test_count(160, 4);
   set_defaults(subject);
   for (uint32_t i = 0; i < subject->plugin->n_ports; ++i) {
      const BmPort* port = control_input(subject->plugin, i);
      for (uint32_t step = 0; port && step < 3 + port->n_points; ++step) {
         subject->controls[i] = step == 0   ? port->min
                                : step == 1 ? port->max
                                : step == 2 ? port->def
                                            : port->points[step - 3].value;
         for (int block = 0; block < (step < 3 ? 1 : n_to_find); ++block) {
            play_notes(job);
            run_watched(job, BLOCK_FRAMES);
         }
      }
      if (port) {
         subject->controls[i] = port->def;
      }
   }
}

static const void* value_of_control(const char* symbol, void* user, uint32_t* size, uint32_t* type)
{
   (void)symbol;
   (void)user;
   *size = *type = 0;
   return NULL;
}

static void set_control(const char* symbol, void* user, const void* value, uint32_t size, uint32_t type)
{
   (void)size;
   Subject* subject = user;
   for (uint32_t i = 0; i < subject->plugin->n_ports; ++i) {
      if (!strcmp(subject->plugin->ports[i].symbol, symbol)) {
         subject->controls[i] =
            type == urid_map_uri(NULL, LV2_ATOM__Int) ? (float)*(const int32_t*)value : *(const float*)value;
      }
   }
}

/* Each preset, and each time the state of before is saved and restored, as a host does between two runs. */
static void run_presets(Job* job)
{
   Subject* subject = job->subject;
   for (uint32_t n = 0; n <= subject->plugin->n_presets; ++n) {
      LilvState* state = lilv_state_new_from_instance((const LilvPlugin*)subject->plugin->lilv,
                                                      subject->instance, &map, NULL, NULL, NULL, NULL,
                                                      value_of_control, subject, LV2_STATE_IS_POD, features);
      lilv_state_restore(state, subject->instance, NULL, NULL, 0, features);
      lilv_state_free(state);
      if (n < subject->plugin->n_presets) {
         LilvNode* uri = lilv_new_uri(world, subject->plugin->presets[n].uri);
         lilv_world_load_resource(world, uri);
         LilvState* preset = lilv_state_new_from_world(world, &map, uri);
         if (!preset) {
            trap_start();
            trap_hit("a preset that cannot be read"); /* no preset, no proof */
            trap_stop();
         } else {
            lilv_state_restore(preset, subject->instance, set_control, subject, 0, features);
            lilv_state_free(preset);
         }
         lilv_node_free(uri);
      }
      for (uint32_t block = 0; block < bm_test_count(40, 4); ++block) {
         play_notes(job);
         run_watched(job, BLOCK_FRAMES);
      }
   }
}

static void* run_job(void* data)
{
   Job* job = data;
   if (kernel_watches && prctl(PR_SET_SYSCALL_USER_DISPATCH, DISPATCH_ON, 0, 0, &selector) != 0) {
      kernel_watches = false;
   }
   run_wild(job);
   run_sweeps(job);
   run_presets(job);
   if (kernel_watches) {
      prctl(PR_SET_SYSCALL_USER_DISPATCH, DISPATCH_OFF, 0, 0, 0);
   }
   return NULL;
}

/* How deep run() and its thread go: run on a stack that is painted, so that the deepest write shows. */
static size_t run_on_painted_stack(Job* job)
{
   enum { PAINT = 0x5A };
   unsigned char* stack = aligned_alloc(4096, STACK_BYTES);
   assert_non_null(stack);
   memset(stack, PAINT, STACK_BYTES);
   pthread_attr_t attributes;
   pthread_attr_init(&attributes);
   assert_int_equal(pthread_attr_setstack(&attributes, stack, STACK_BYTES), 0);
   pthread_t thread;
   assert_int_equal(pthread_create(&thread, &attributes, run_job, job), 0);
   pthread_join(thread, NULL);
   size_t untouched = 0;
   while (untouched < STACK_BYTES && stack[untouched] == PAINT) {
      ++untouched;
   }
   pthread_attr_destroy(&attributes);
   free(stack);
   return STACK_BYTES - untouched;
}

static void check(const BmPlugin* plugin)
{
   Subject* subject = calloc(1, sizeof *subject);
   subject->plugin = plugin;
   subject->controls = calloc(plugin->n_ports, sizeof *subject->controls);
   subject->instance = lilv_plugin_instantiate((const LilvPlugin*)plugin->lilv, RATE_HZ, features);
   if (!subject->instance) {
      fail_msg("%s: does not run", plugin->uri);
   }
   uint32_t n_in = 0;
   uint32_t n_out = 0;
   for (uint32_t i = 0; i < plugin->n_ports; ++i) {
      const BmPort* port = &plugin->ports[i];
      if (port->kind == BM_PORT_AUDIO) {
         lilv_instance_connect_port(subject->instance, i,
                                    port->is_input ? subject->audio_in[n_in++] : subject->audio_out[n_out++]);
      } else if (port->kind == BM_PORT_CONTROL) {
         subject->controls[i] = port->def;
         lilv_instance_connect_port(subject->instance, i, &subject->controls[i]);
      } else {
         lilv_instance_connect_port(subject->instance, i, NULL);
      }
   }
   lilv_instance_activate(subject->instance);
   trap_clear();
   first_syscall = -1;
   Job job = {.subject = subject, .seed = 4711};
   const size_t stack_bytes = run_on_painted_stack(&job);
   lilv_instance_deactivate(subject->instance);
   lilv_instance_free(subject->instance);
   free(subject->controls);
   free(subject);
   printf("%-46s %u blocks, %ld hits, %5.1f KiB of stack%s\n", plugin->uri, job.n_blocks, trap_n_hits(),
          (double)stack_bytes / 1024.0, kernel_watches ? "" : " (kernel not watching)");
   cases_add(plugin->uri, "real-time blocks", job.n_blocks);
   if (trap_n_hits()) {
      fail_msg("%s: %ld calls under run(); the first: %s (system call %ld)", plugin->uri, trap_n_hits(),
               trap_first_hit(), first_syscall);
   }
   if (stack_bytes > 128 * 1024) {
      fail_msg("%s: run() and its thread use %zu bytes of stack; 131072 at most", plugin->uri, stack_bytes);
   }
}

static void nothing_under_run_allocates_locks_or_calls_the_kernel(void** state)
{
   (void)state;
   take_sigsys();
   uint32_t n_checked = 0;
   for (uint32_t i = 0; i < bm_host_n_plugins(host); ++i) {
      const BmPlugin* plugin = bm_host_plugin(host, i);
      if (!strncmp(plugin->uri, "urn:bookmatch:", 14)) {
         check(plugin);
         ++n_checked;
      }
   }
   assert_true(n_checked > 0);
   if (!kernel_watches) {
      bm_test_leave_out("the kernel cannot refuse system calls here (Linux 5.11 can); the rest is right");
   }
}

typedef struct {
   const char* caught_as;
   const char* statement;
} Deed;

static const Deed deeds[] = {
#define DEED(name, statement) {#name, #statement},
#define KERNEL_DEED(name, statement) {"the kernel", #statement},
   DEEDS(DEED, KERNEL_DEED)};

static void the_trap_catches_each_thing_that_is_forbidden_under_run(void** state)
{
   (void)state;
   take_sigsys();
   void* library = dlopen(forbidden, RTLD_NOW | RTLD_LOCAL);
   if (!library) {
      fail_msg("%s", dlerror());
   }
   LV2_Descriptor_Function describe;
   *(void**)&describe = dlsym(library, "lv2_descriptor");
   const LV2_Descriptor* plugin = describe(0);
   LV2_Handle instance = plugin->instantiate(plugin, RATE_HZ, "", NULL);
   assert_non_null(instance);
   float number = -1.0F;
   plugin->connect_port(instance, 0, &number);
   if (kernel_watches) {
      assert_int_equal(prctl(PR_SET_SYSCALL_USER_DISPATCH, DISPATCH_ON, 0, 0, &selector), 0);
   }
   const int n_deeds = sizeof deeds / sizeof *deeds;
   int n_caught = 0;
   for (int d = -1; d < n_deeds; ++d) {
      const char* wanted = d < 0 ? "nothing" : deeds[d].caught_as;
      number = (float)d;
      trap_clear();
      start_watching();
      plugin->run(instance, 1);
      stop_watching();
      const char* found = trap_n_hits() ? trap_first_hit() : "nothing";
      n_caught += trap_n_hits() > 0;
      if (strcmp(found, wanted) != 0 && (kernel_watches || strcmp(wanted, "the kernel") != 0)) {
         fail_msg("%s under run(): the trap names %s, not %s",
                  d < 0 ? "sin() and memset()" : deeds[d].statement, found, wanted);
      }
   }
   if (kernel_watches) {
      prctl(PR_SET_SYSCALL_USER_DISPATCH, DISPATCH_OFF, 0, 0, 0);
   }
   plugin->cleanup(instance);
   dlclose(library);
   printf("%d of %d deeds that run() may not do are caught\n", n_caught, n_deeds);
}

int main(int argc, char** argv)
{
   if (argc != 2) {
      fputs("usage: test_real_time FORBIDDEN.so\n", stderr);
      return 1;
   }
   forbidden = argv[1];
   kernel_watches = prctl(PR_SET_SYSCALL_USER_DISPATCH, DISPATCH_ON, 0, 0, &selector) == 0;
   if (kernel_watches) {
      prctl(PR_SET_SYSCALL_USER_DISPATCH, DISPATCH_OFF, 0, 0, 0);
   }
   BmError error = {0};
   host = bm_host_new(&error);
   if (!host) {
      fprintf(stderr, "%s\n", error.text);
      return 1;
   }
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(the_trap_catches_each_thing_that_is_forbidden_under_run),
      cmocka_unit_test(nothing_under_run_allocates_locks_or_calls_the_kernel),
   };
   world = lilv_world_new();
   lilv_world_load_all(world);
   const int n_failed = cmocka_run_group_tests(tests, NULL, NULL);
   lilv_world_free(world);
   urid_map_free();
   bm_host_free(host);
   return n_failed;
}
