/* SPDX-License-Identifier: ISC */
/*
   If this fails, who plays through a plugin live in JACK, turns its controls, loads a preset or opens what
   the bench saved hears something else than the bench renders.

   Every plugin of the bundle runs in a jalv of its own on one JACK server of our own (dummy driver, no
   hardware, not real-time). Two clients here give them all the same input and record what they make of it;
   while it sounds the server is free-wheeling, so that a busy machine cannot drop a block. jalv 1.6.6 saves
   only from its windows (no command of its prompt does, and Debian's knows no JACK sessions), so what is
   reloaded here was saved by the bench.
*/
#include "unit_test.h"

#include "cases.h"
#include "host.h"
#include "turned.h"

#include <jack/jack.h>

#include <ctype.h>
#include <errno.h>
#include <fcntl.h>
#include <signal.h>
#include <stdatomic.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>
#include <sys/prctl.h>
#include <sys/wait.h>
#include <unistd.h>

enum {
   RATE_HZ = 48000,
   BLOCK = 512,
   N_BLOCKS = 90,
   N_FRAMES = N_BLOCKS * BLOCK,
   MAX_CHANNELS = 2,
   MAX_PLUGINS = 64,
   MAX_PORTS = 512,
   MOST_TRIES = 12,
   SPARE_BLOCKS = 12, /* that a busy server may repeat or leave out, or jalv waits to take a preset */
   LEAD_BLOCKS = 64,  /* of silence, until new connections are in force and no control glides */
   DEADLINE_S = 120   /* for a machine that is busy */
};

typedef struct {
   const BmPlugin* plugin;
   char name[16]; /* of the jalv in JACK; its output goes to a file of the name */
   pid_t child;
   int commands;      /* to jalv's prompt */
   uint32_t earliest; /* cycles between which it began to run */
   uint32_t latest;
   uint32_t asked; /* cycles between which it took a preset */
   uint32_t told;
   jack_port_t* heard[MAX_CHANNELS];
   float* recorded[MAX_CHANNELS]; /* [N_FRAMES] */
   BmInstance* instance;          /* the same plugin on the bench */
} Subject;

static BmHost* host;
static char folder[] = "/tmp/bookmatch-jalv-XXXXXX";
static pid_t server;
static jack_client_t* source;
static jack_client_t* sink;
static jack_port_t* source_ports[MAX_CHANNELS];
static Subject subjects[MAX_PLUGINS];
static uint32_t n_subjects;
static float input[MAX_CHANNELS][N_FRAMES];

/* Between the test and JACK's threads. */
static atomic_uint n_cycles;        /* that the source has seen */
static atomic_uint start_cycle;     /* of the last playing */
static atomic_int block;            /* that sounds in this cycle; -1: silence */
static atomic_int n_blocks_wanted;  /* of playing; set to begin */
static atomic_int n_blocks_silent;  /* before it */
static atomic_bool is_freewheeling; /* as JACK tells */
static atomic_bool has_ended;       /* the sink has recorded the last block */

static int play(jack_nframes_t n_frames, void* user)
{
   (void)user;
   const unsigned cycle = atomic_fetch_add(&n_cycles, 1);
   int now = -1;
   if (atomic_load(&n_blocks_wanted)) {
      if (atomic_load(&n_blocks_silent)) {
         atomic_fetch_sub(&n_blocks_silent, 1);
      } else {
         now = atomic_load(&block) + 1;
         if (now == 0) {
            atomic_store(&start_cycle, cycle);
         }
         if (now == atomic_load(&n_blocks_wanted)) {
            now = -1;
            atomic_store(&n_blocks_wanted, 0);
         }
      }
   }
   atomic_store(&block, now);
   for (uint32_t c = 0; c < MAX_CHANNELS; ++c) {
      float* out = jack_port_get_buffer(source_ports[c], n_frames);
      memset(out, 0, n_frames * sizeof *out);
      if (now >= 0) {
         memcpy(out, input[c] + now * BLOCK, BLOCK * sizeof *out);
      }
   }
   return 0;
}

static int record(jack_nframes_t n_frames, void* user)
{
   (void)user;
   const int now = atomic_load(&block);
   for (uint32_t s = 0; s < n_subjects && now >= 0; ++s) {
      for (uint32_t c = 0; c < subjects[s].plugin->n_audio_out; ++c) {
         memcpy(subjects[s].recorded[c] + now * BLOCK, jack_port_get_buffer(subjects[s].heard[c], n_frames),
                BLOCK * sizeof(float));
      }
   }
   if (now == N_BLOCKS - 1) {
      atomic_store(&has_ended, true);
   }
   return 0;
}

static void on_freewheel(int starts, void* user)
{
   (void)user;
   atomic_store(&is_freewheeling, starts);
}

static void wait_for(const atomic_bool* flag, bool wanted, const char* what)
{
   for (int n = 0; atomic_load(flag) != wanted; ++n) {
      if (n == DEADLINE_S * 1000) {
         fail_msg("JACK: waited %d s for %s", DEADLINE_S, what);
      }
      usleep(1000);
   }
}

static void wait_cycles(uint32_t n)
{
   const uint32_t from = atomic_load(&n_cycles);
   for (int tries = 0; atomic_load(&n_cycles) - from < n; ++tries) {
      assert_true(tries < DEADLINE_S * 1000);
      usleep(1000);
   }
}

/* Let the input sound once, after some silence, and record what comes of it. */
static void play_and_record(uint32_t n_silent)
{
   assert_int_equal(jack_set_freewheel(source, 1), 0);
   wait_for(&is_freewheeling, true, "free-wheeling");
   atomic_store(&has_ended, false);
   atomic_store(&n_blocks_silent, (int)n_silent);
   atomic_store(&n_blocks_wanted, N_BLOCKS);
   wait_for(&has_ended, true, "the recording");
   assert_int_equal(jack_set_freewheel(source, 0), 0);
   wait_for(&is_freewheeling, false, "the end of free-wheeling");
}

static void path_in_folder(char* path, size_t size, const char* name, const char* ending)
{
   snprintf(path, size, "%s/%s%s", folder, name, ending);
}

/* Start a program that ends with us; what it says goes to a file, what it reads comes by *commands. */
static pid_t start(const char* const* arguments, const char* name, int* commands)
{
   char said[128];
   path_in_folder(said, sizeof said, name, ".txt");
   int ends[2];
   assert_int_equal(pipe(ends), 0);
   fcntl(ends[0], F_SETFD, FD_CLOEXEC);
   fcntl(ends[1], F_SETFD, FD_CLOEXEC);
   const pid_t child = fork();
   assert_true(child >= 0);
   if (child == 0) {
      prctl(PR_SET_PDEATHSIG, SIGKILL);
      const int file = open(said, O_CREAT | O_TRUNC | O_WRONLY, 0666);
      dup2(ends[0], STDIN_FILENO);
      dup2(file, STDOUT_FILENO);
      dup2(file, STDERR_FILENO);
      execvp(arguments[0], (char* const*)arguments);
      _exit(127);
   }
   close(ends[0]);
   *commands = ends[1];
   return child;
}

static void end(pid_t* child, int signal)
{
   if (*child <= 0) {
      return;
   }
   if (signal) {
      kill(*child, signal);
   }
   for (int n = 0; waitpid(*child, NULL, WNOHANG) == 0; ++n) {
      if (n == 10000) {
         kill(*child, SIGKILL);
      }
      usleep(1000);
   }
   *child = 0;
}

static char* read_said(const char* name)
{
   char path[128];
   path_in_folder(path, sizeof path, name, ".txt");
   FILE* file = fopen(path, "rb");
   static char text[1 << 20];
   text[file ? fread(text, 1, sizeof text - 1, file) : 0] = '\0';
   if (file) {
      fclose(file);
   }
   return text;
}

/* From saved settings come the ports of even number, the others are given beside. */
static bool is_given(const BmPort* port, const char* settings)
{
   return is_turned(port) && (!settings || port->index % 2);
}

static void run_jalv(Subject* subject, const char* settings)
{
   const BmPlugin* plugin = subject->plugin;
   static char turned[MAX_PORTS][64];
   /* Its answers come line by line; jalv itself would keep them until there are 4 KiB. */
   const char* arguments[2 * MAX_PORTS + 16] = {"stdbuf", "-oL", "jalv", "-x", "-n", subject->name};
   uint32_t n = 6;
   for (uint32_t p = 0; p < plugin->n_ports; ++p) {
      if (is_given(&plugin->ports[p], settings)) {
         assert_true(p < MAX_PORTS);
         snprintf(turned[p], sizeof turned[p], "%s=%.9g", plugin->ports[p].symbol,
                  (double)other_value(&plugin->ports[p], p));
         arguments[n++] = "-c";
         arguments[n++] = turned[p];
      }
   }
   if (settings) {
      arguments[n++] = "-l";
      arguments[n++] = settings;
   } else {
      arguments[n++] = plugin->uri;
   }
   subject->earliest = atomic_load(&n_cycles);
   subject->child = start(arguments, subject->name, &subject->commands);
}

static void connect_ports(const char* from, const char* to)
{
   for (int n = 0; jack_connect(source, from, to); ++n) {
      if (n == DEADLINE_S * 200) {
         fail_msg("JACK: %s could not be connected to %s in %d s", from, to, DEADLINE_S);
      }
      usleep(5000);
   }
}

static void connect_jalv(Subject* subject)
{
   const BmPlugin* plugin = subject->plugin;
   char port[128];
   /* Before it runs its ports cannot be connected. */
   for (uint32_t c = 0; c < plugin->n_audio_in; ++c) {
      snprintf(port, sizeof port, "%s:%s", subject->name, plugin->ports[plugin->audio_in[c]].symbol);
      for (int n = 0; !jack_port_by_name(source, port); ++n) {
         if (n == DEADLINE_S * 200 || waitpid(subject->child, NULL, WNOHANG) == subject->child) {
            fail_msg("<%s>: jalv does not run it: %s", plugin->uri, read_said(subject->name));
         }
         usleep(5000);
      }
      connect_ports(jack_port_name(source_ports[c]), port);
   }
   for (uint32_t c = 0; c < plugin->n_audio_out; ++c) {
      snprintf(port, sizeof port, "%s:%s", subject->name, plugin->ports[plugin->audio_out[c]].symbol);
      connect_ports(port, jack_port_name(subject->heard[c]));
   }
   subject->latest = atomic_load(&n_cycles) + 1;
}

/* Start a jalv, with every control turned or with saved settings, and connect it. */
static void start_jalv(Subject* subject, const char* settings)
{
   run_jalv(subject, settings);
   connect_jalv(subject);
}

static void end_jalv(Subject* subject)
{
   if (subject->commands >= 0) {
      close(subject->commands);
      subject->commands = -1;
   }
   end(&subject->child, 0);
   bm_instance_free(subject->instance);
   subject->instance = NULL;
}

/* Run the input; or, where nobody keeps what comes out, silence. */
static void run_bench(Subject* subject, uint32_t n_blocks, float* const* out)
{
   for (uint32_t b = 0; b < n_blocks; ++b) {
      const float* in[MAX_CHANNELS];
      float* blocks[MAX_CHANNELS];
      float unheard[MAX_CHANNELS][BLOCK];
      for (uint32_t c = 0; c < MAX_CHANNELS; ++c) {
         in[c] = out ? input[c] + b * BLOCK : NULL;
         blocks[c] = out ? out[c] + b * BLOCK : unheard[c];
      }
      bm_instance_run(subject->instance, in, blocks, BLOCK);
   }
}

static float* bench_out[MAX_CHANNELS];

/* The first frame at which jalv and bench differ; N_FRAMES if they do not. */
static uint32_t first_difference(const Subject* subject)
{
   for (uint32_t n = 0; n < N_FRAMES; ++n) {
      for (uint32_t c = 0; c < subject->plugin->n_audio_out; ++c) {
         if (subject->recorded[c][n] != bench_out[c][n]) {
            return n;
         }
      }
   }
   return N_FRAMES;
}

static bool sounds(const Subject* subject)
{
   float peak = 0.0f;
   for (uint32_t n = 0; n < N_FRAMES; ++n) {
      peak = fmaxf(peak, fabsf(subject->recorded[0][n]));
   }
   return peak > 1e-4f;
}

static const char* preset_of(const Subject* subject)
{
   const BmPlugin* plugin = subject->plugin;
   return plugin->n_presets ? plugin->presets[plugin->n_presets - 1].uri : NULL;
}

/* A new instance on the bench, as jalv starts it. */
static void start_bench(Subject* subject, const char* settings)
{
   BmError error = {0};
   bm_instance_free(subject->instance);
   subject->instance = bm_instance_new(host, subject->plugin, RATE_HZ, BLOCK, &error);
   if (!subject->instance || (settings && !bm_instance_load_file(subject->instance, settings, &error))) {
      fail_msg("%s", error.text);
   }
   for (uint32_t p = 0; p < subject->plugin->n_ports; ++p) {
      if (is_given(&subject->plugin->ports[p], settings)) {
         bm_instance_set(subject->instance, p, other_value(&subject->plugin->ports[p], p));
      }
   }
}

static void load_preset(Subject* subject, const char* preset)
{
   BmError error = {0};
   if (!bm_instance_load_preset(subject->instance, preset, &error)) {
      fail_msg("%s", error.text);
   }
}

/* Whether the bench gives what jalv gave, after so many blocks of silence and a preset so many before their
   end. */
static bool is_followed(Subject* subject, const char* settings, uint32_t n_silent, uint32_t n_with_preset)
{
   const char* preset = settings ? NULL : preset_of(subject);
   start_bench(subject, settings);
   if (preset) {
      run_bench(subject, n_silent - n_with_preset, NULL);
      load_preset(subject, preset);
      run_bench(subject, n_with_preset, NULL);
   } else {
      run_bench(subject, n_silent, NULL);
   }
   run_bench(subject, N_BLOCKS, bench_out);
   return first_difference(subject) == N_FRAMES;
}

/* Run on the bench what the jalv ran since it began. When that was, and when it took its preset, is known to
   a few blocks of silence only; most plugins do not mind, for those with a slow movement or a noise of their
   own the numbers are found by trying. False: with none of them the bench gives what jalv gave. */
static bool follow_on_bench(Subject* subject, const char* settings)
{
   const bool has_preset = !settings && preset_of(subject);
   const uint32_t begun = atomic_load(&start_cycle);
   const uint32_t likely = begun - subject->latest;
   const uint32_t most = begun - subject->earliest + SPARE_BLOCKS;
   const uint32_t least_preset = has_preset ? begun - subject->told : 0;
   const uint32_t most_preset = has_preset ? begun - subject->asked : 0;
   for (uint32_t distance = 0; distance <= most; ++distance) {
      for (int side = distance ? -1 : 1; side <= 1; side += 2) {
         const uint32_t n_silent = likely + (uint32_t)side * distance;
         if (n_silent > most || (side < 0 && distance > SPARE_BLOCKS)) {
            continue;
         }
         for (uint32_t n = least_preset; n <= most_preset && n <= n_silent; ++n) {
            if (is_followed(subject, settings, n_silent, n)) {
               return sounds(subject);
            }
         }
      }
   }
   return false;
}

static void say_to(const Subject* subject, const char* line)
{
   assert_int_equal(write(subject->commands, line, strlen(line)), (ssize_t)strlen(line));
}

/* Whether the value of a control that jalv told last is this one; it prints six decimals. */
static bool told(const char* said, const BmPort* port, float value)
{
   char wanted[128];
   snprintf(wanted, sizeof wanted, "\n%s = ", port->symbol);
   const char* last = NULL;
   for (const char* at = said; (at = strstr(at, wanted)); ++at) {
      last = at;
   }
   if (!last) {
      /* the first line of a list stands behind the prompt */
      snprintf(wanted, sizeof wanted, "> %s = ", port->symbol);
      for (const char* at = said; (at = strstr(at, wanted)); ++at) {
         last = at;
      }
   }
   return last && fabs(strtod(strchr(last, '=') + 1, NULL) - (double)value) <= 1e-6;
}

static void save_settings(Subject* subject, const char* path)
{
   char* settings = bm_instance_save(subject->instance);
   FILE* file = fopen(path, "wb");
   assert_non_null(file);
   fputs(settings, file);
   assert_int_equal(fclose(file), 0);
   free(settings);
}

static void assert_jalv_tells_the_bench_s_values(Subject* subject)
{
   const BmPlugin* plugin = subject->plugin;
   for (int n = 0;; ++n) {
      say_to(subject, "controls\n");
      usleep(5000);
      const char* said = read_said(subject->name);
      const BmPort* wrong = NULL;
      for (uint32_t p = 0; p < plugin->n_ports; ++p) {
         const BmPort* port = &plugin->ports[p];
         if (is_turned(port) && !told(said, port, bm_instance_get(subject->instance, p))) {
            wrong = port;
         }
      }
      if (!wrong) {
         return;
      }
      if (n == 200 * DEADLINE_S) {
         fail_msg("<%s>: after a preset jalv and the bench differ in %s, %g on the bench", plugin->uri,
                  wrong->symbol, (double)bm_instance_get(subject->instance, wrong->index));
      }
   }
}

/* Load the last preset into jalv, that runs. It must tell the bench's values, which has them from lilv. */
static void ask_for_preset(Subject* subject, const char* preset)
{
   char line[512];
   snprintf(line, sizeof line, "preset %s\n", preset);
   start_bench(subject, NULL);
   load_preset(subject, preset);
   wait_cycles(2);
   subject->asked = atomic_load(&n_cycles);
   say_to(subject, line);
   assert_jalv_tells_the_bench_s_values(subject);
   subject->told = atomic_load(&n_cycles) + 1;
}

/* Compare one plugin. NULL if jalv gave what the bench gives; else when it did not. */
static const char* compare(Subject* subject)
{
   char settings[128];
   path_in_folder(settings, sizeof settings, subject->name, ".ttl");
   start_jalv(subject, NULL);
   if (preset_of(subject)) {
      ask_for_preset(subject, preset_of(subject));
   }
   play_and_record(LEAD_BLOCKS);
   if (!follow_on_bench(subject, NULL)) {
      return "with all controls turned and then a preset";
   }
   save_settings(subject, settings);
   end_jalv(subject);
   start_jalv(subject, settings);
   play_and_record(LEAD_BLOCKS);
   return follow_on_bench(subject, settings) ? NULL : "with settings that the bench saved";
}

static void every_plugin_in_jalv_gives_the_bench_s_samples(void** state)
{
   (void)state;
   assert_true(n_subjects > 0);
   uint32_t n_presets = 0;
   uint32_t n_again = 0;
   for (uint32_t s = 0; s < n_subjects; ++s) {
      Subject* subject = &subjects[s];
      const char* wrong = NULL;
      /* On a busy machine JACK now and then loses a block on its way; chance makes no second equal in a
         million bits, so that one equal recording is proof. */
      for (uint32_t tries = 0; tries < MOST_TRIES && (wrong = compare(subject)); ++tries) {
         end_jalv(subject);
         ++n_again;
      }
      end_jalv(subject);
      if (wrong) {
         fail_msg("<%s> %s: jalv does not give what the bench gives, %d times out of %d",
                  subject->plugin->uri, wrong, MOST_TRIES, MOST_TRIES);
      }
      cases_add(subject->plugin->uri, "jalv", subject->plugin->n_presets ? 3 : 2);
      n_presets += subject->plugin->n_presets > 0;
   }
   printf("jalv: %u plugins equal to the bench to the bit with all controls turned, %u of them with a preset "
          "loaded while they ran, and with settings that the bench saved; %u recordings repeated\n",
          n_subjects, n_presets, n_again);
}

/* A server for us alone, and our two clients on it. False: there can be none here. */
static bool start_server(void)
{
   char name[64];
   snprintf(name, sizeof name, "bookmatch-%d", (int)getpid());
   setenv("JACK_DEFAULT_SERVER", name, 1);
   setenv("JACK_NO_START_SERVER", "1", 1);
   setenv("JACK_NO_AUDIO_RESERVATION", "1", 1);
   char rate[16];
   char period[16];
   snprintf(rate, sizeof rate, "-r%d", RATE_HZ);
   snprintf(period, sizeof period, "-p%d", BLOCK);
   const char* const arguments[] = {"jackd", "-r",   "-n",  name,  "-d", "dummy",
                                    rate,    period, "-C0", "-P0", NULL};
   int commands = -1;
   server = start(arguments, "jackd", &commands);
   close(commands);
   for (int n = 0; n < 600 && !source && waitpid(server, NULL, WNOHANG) == 0; ++n) {
      source = jack_client_open("source", JackNoStartServer | JackUseExactName, NULL);
      usleep(source ? 0 : 50000);
   }
   sink = source ? jack_client_open("sink", JackNoStartServer | JackUseExactName, NULL) : NULL;
   return sink;
}

static void quiet(const char* line)
{
   (void)line;
}

static bool start_clients(void)
{
   atomic_store(&block, -1);
   for (uint32_t c = 0; c < MAX_CHANNELS; ++c) {
      char name[32];
      snprintf(name, sizeof name, "out-%u", c);
      source_ports[c] = jack_port_register(source, name, JACK_DEFAULT_AUDIO_TYPE, JackPortIsOutput, 0);
   }
   for (uint32_t s = 0; s < n_subjects; ++s) {
      for (uint32_t c = 0; c < subjects[s].plugin->n_audio_out; ++c) {
         char name[32];
         snprintf(name, sizeof name, "%s-%u", subjects[s].name, c);
         subjects[s].heard[c] = jack_port_register(sink, name, JACK_DEFAULT_AUDIO_TYPE, JackPortIsInput, 0);
         if (!subjects[s].heard[c]) {
            return false;
         }
      }
   }
   jack_set_process_callback(source, play, NULL);
   jack_set_process_callback(sink, record, NULL);
   jack_set_freewheel_callback(source, on_freewheel, NULL);
   return jack_get_buffer_size(source) == BLOCK && !jack_activate(source) && !jack_activate(sink);
}

static void make_subjects(void)
{
   for (uint32_t p = 0; p < bm_host_n_plugins(host); ++p) {
      const BmPlugin* plugin = bm_host_plugin(host, p);
      if (!strncmp(plugin->uri, "urn:bookmatch:", 14) && n_subjects < MAX_PLUGINS) {
         Subject* subject = &subjects[n_subjects];
         subject->plugin = plugin;
         subject->commands = -1;
         snprintf(subject->name, sizeof subject->name, "plugin-%u", n_subjects++);
         for (uint32_t c = 0; c < MAX_CHANNELS; ++c) {
            subject->recorded[c] = bm_calloc(N_FRAMES, sizeof(float));
         }
      }
   }
   uint64_t seed = 1;
   for (uint32_t n = 0; n < N_FRAMES; ++n) {
      const double t = (double)(n % 16000) / RATE_HZ;
      for (uint32_t c = 0; c < MAX_CHANNELS; ++c) {
         bench_out[c] = bench_out[c] ? bench_out[c] : bm_calloc(N_FRAMES, sizeof(float));
         input[c][n] = (float)(0.3 * exp(-4.0 * t) * sin(2.0 * 3.14159265358979 * (110.0 + c) * t) +
                               0.01 * bm_test_random(&seed));
      }
   }
}

static void clear_up(void)
{
   for (uint32_t s = 0; s < n_subjects; ++s) {
      end_jalv(&subjects[s]);
   }
   /* Our clients end with the process: closing one waits for ever if the server is in trouble. */
   end(&server, SIGTERM);
   for (uint32_t s = 0; s < n_subjects; ++s) {
      for (uint32_t c = 0; c < MAX_CHANNELS; ++c) {
         free(subjects[s].recorded[c]);
      }
   }
   for (uint32_t c = 0; c < MAX_CHANNELS; ++c) {
      free(bench_out[c]);
   }
   bm_host_free(host);
   char command[64];
   snprintf(command, sizeof command, "rm -rf %s", folder);
   (void)!system(command);
}

int main(void)
{
   if (!bm_test_has("jackd") || !bm_test_has("jalv")) {
      return bm_test_missing("jackd or jalv", "install jackd2 and jalv");
   }
   BmError error = {0};
   host = bm_host_new(&error);
   if (!host || !mkdtemp(folder)) {
      fprintf(stderr, "%s\n", error.text);
      return 1;
   }
   signal(SIGPIPE, SIG_IGN);
   jack_set_error_function(quiet);
   jack_set_info_function(quiet);
   make_subjects();
   if (!start_server()) {
      fprintf(stderr, "left out: no JACK server can run here: %s\n", read_said("jackd"));
      clear_up();
      return BM_TEST_SKIPPED;
   }
   assert_true(start_clients());
   const struct CMUnitTest tests[] = {cmocka_unit_test(every_plugin_in_jalv_gives_the_bench_s_samples)};
   const int n_failed = cmocka_run_group_tests(tests, NULL, NULL);
   clear_up();
   return n_failed;
}
