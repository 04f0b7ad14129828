/* SPDX-License-Identifier: ISC */
/*
   If one of these fails, a knob that is turned is not heard in one host but in another, a meter stands still
   there, or a plugin comes back from its bypass with the settings of before.

   Where a host keeps the values of its ports, and when it writes them, for every plugin of the bundle.
*/
#include "unit_test.h"

#include "every.h"

#include <lilv/lilv.h>

enum { BLOCK = 64, N_BLOCKS = 360, N_HEARD = N_BLOCKS * BLOCK, MAX_PORTS = 256, SPREAD = 16 };

/* Bypassed in the middle third. */
enum { BYPASS_BEGINS = N_BLOCKS / 3, BYPASS_ENDS = 2 * N_BLOCKS / 3 };

typedef enum { SIDE_BY_SIDE, IN_GROUPS, APART, MOVING_ABOUT, N_LAYOUTS } Layout;

/* A host's memory for the values of the ports, by port. */
typedef struct {
   float values[MAX_PORTS * SPREAD];
   uint32_t place[MAX_PORTS];
} Board;

static void lay_out(Board* board, Layout layout, uint32_t n_ports)
{
   enum { GROUP = 7 };
   for (uint32_t i = 0; i < MAX_PORTS * SPREAD; ++i) {
      board->values[i] = NAN; /* of what is not a port's any more */
   }
   for (uint32_t i = 0; i < n_ports; ++i) {
      board->place[i] = layout == SIDE_BY_SIDE ? i
                        : layout == IN_GROUPS  ? i + i / GROUP * SPREAD
                                               : (i * 89 % MAX_PORTS) * SPREAD; /* 89 is prime to MAX_PORTS */
   }
}

typedef struct {
   const BmPlugin* plugin;
   LilvInstance* lilv;
   Layout layout;
   float values[MAX_PORTS]; /* what the inputs are to be */
   Board boards[2];
   uint32_t current;
} RawHost;

static void connect_controls(RawHost* host, Layout layout)
{
   host->current = 1 - host->current;
   Board* board = &host->boards[host->current];
   lay_out(board, layout, host->plugin->n_ports);
   for (uint32_t i = 0; i < host->plugin->n_ports; ++i) {
      if (host->plugin->ports[i].kind == BM_PORT_CONTROL) {
         lilv_instance_connect_port(host->lilv, i, &board->values[board->place[i]]);
      }
   }
}

static RawHost* raw_host_new(const BmPlugin* plugin, Layout layout)
{
   RawHost* host = calloc(1, sizeof *host);
   assert_non_null(host);
   assert_true(plugin->n_ports <= MAX_PORTS);
   host->plugin = plugin;
   host->layout = layout;
   host->lilv = lilv_plugin_instantiate(plugin->lilv, RATE_HZ, NULL);
   assert_non_null(host->lilv);
   for (uint32_t i = 0; i < plugin->n_ports; ++i) {
      host->values[i] = plugin->ports[i].def;
   }
   connect_controls(host, layout == MOVING_ABOUT ? APART : layout);
   lilv_instance_activate(host->lilv);
   return host;
}

static void raw_host_free(RawHost* host)
{
   lilv_instance_deactivate(host->lilv);
   lilv_instance_free(host->lilv);
   free(host);
}

/* @param shown  [n_ports] the outputs afterwards. */
static void raw_host_run(RawHost* host, const Audio* in, const Audio* out, uint32_t start, float* shown)
{
   const BmPlugin* plugin = host->plugin;
   if (host->layout == MOVING_ABOUT && start / BLOCK % 9 == 5) {
      connect_controls(host, (Layout)(start / BLOCK % MOVING_ABOUT));
   }
   Board* board = &host->boards[host->current]; /* the other keeps what it had */
   for (uint32_t i = 0; i < plugin->n_ports; ++i) {
      if (plugin->ports[i].kind == BM_PORT_CONTROL) {
         board->values[board->place[i]] = plugin->ports[i].is_input ? host->values[i] : NAN;
      }
   }
   for (uint32_t c = 0; c < plugin->n_audio_in; ++c) {
      lilv_instance_connect_port(host->lilv, plugin->audio_in[c], in->channels[c] + start);
   }
   for (uint32_t c = 0; c < plugin->n_audio_out; ++c) {
      lilv_instance_connect_port(host->lilv, plugin->audio_out[c], out->channels[c] + start);
   }
   lilv_instance_run(host->lilv, BLOCK);
   for (uint32_t i = 0; i < plugin->n_ports; ++i) {
      shown[i] = plugin->ports[i].kind == BM_PORT_CONTROL ? board->values[board->place[i]] : 0.0F;
      if (isnan(shown[i])) {
         fail_msg("%s: frame %u: %s was not written", plugin->uri, start, plugin->ports[i].symbol);
      }
   }
}

static void play(const BmPlugin* plugin, Layout layout, const Audio* in, const Audio* out,
                 float (*shown)[MAX_PORTS])
{
   RawHost* host = raw_host_new(plugin, layout);
   uint64_t seed = 61;
   uint32_t turned = 0;
   for (uint32_t block = 0; block < N_BLOCKS; ++block) {
      const bool is_bypassed = block >= BYPASS_BEGINS && block < BYPASS_ENDS;
      host->values[plugin->enabled->index] = is_bypassed ? 0.0F : 1.0F;
      turned = next_control(plugin, turned); /* one alone, so that none is taken up with another */
      host->values[turned] = random_value(&plugin->ports[turned], &seed);
      raw_host_run(host, in, out, block * BLOCK, shown[block]);
   }
   raw_host_free(host);
}

static void check_layouts(const BmPlugin* plugin)
{
   static float expected[N_BLOCKS][MAX_PORTS], shown[N_BLOCKS][MAX_PORTS];
   Audio in = plucks(N_HEARD);
   Audio first = audio_new(N_HEARD);
   Audio out = audio_new(N_HEARD);
   play(plugin, APART, &in, &first, expected);
   for (int layout = 0; layout < N_LAYOUTS; ++layout) {
      play(plugin, (Layout)layout, &in, &out, shown);
      assert_same(plugin, &out, &first, 0, "with the values of its ports in other places");
      for (uint32_t block = 0; block < N_BLOCKS; ++block) {
         for (uint32_t i = 0; i < plugin->n_ports; ++i) {
            if (memcmp(&shown[block][i], &expected[block][i], sizeof(float)) != 0) {
               fail_msg("%s: layout %d, block %u: %s is %g, not %g", plugin->uri, layout, block,
                        plugin->ports[i].symbol, (double)shown[block][i], (double)expected[block][i]);
            }
         }
      }
      cases_add(plugin->uri, "port places", 1);
   }
   audio_free(&in);
   audio_free(&first);
   audio_free(&out);
}

static void every_plugin_sounds_and_shows_the_same_wherever_a_host_keeps_its_values(void** state)
{
   (void)state;
   hosted_for_every_plugin(check_layouts);
}

/* Its effect is not only how it stands: what acts when it is switched, and a match, which outlasts a bypass.
 */
static bool is_deed(const BmPort* port)
{
   return port->is_trigger || !strcmp(port->symbol, "align") || !strcmp(port->symbol, "match");
}

/* Turned again and again while bypassed, or once as the bypass began: what is heard afterwards is the same.
 */
static void check_turned_in_bypass(const BmPlugin* plugin)
{
   static float shown[MAX_PORTS];
   Audio in = plucks(N_HEARD);
   Audio out[2] = {audio_new(N_HEARD), audio_new(N_HEARD)};
   for (int during = 0; during < 2; ++during) {
      RawHost* host = raw_host_new(plugin, SIDE_BY_SIDE);
      float before[MAX_PORTS], after[MAX_PORTS];
      uint64_t seed = 67;
      for (uint32_t i = 0; i < plugin->n_ports; ++i) {
         const BmPort* port = control_input(plugin, i);
         const bool turns = port && !port->is_enabled && !is_deed(port);
         before[i] = turns ? random_value(port, &seed) : plugin->ports[i].def;
         after[i] = turns ? random_value(port, &seed) : before[i];
      }
      memcpy(host->values, before, sizeof before);
      for (uint32_t block = 0; block < N_BLOCKS; ++block) {
         if (block == BYPASS_BEGINS && !during) {
            memcpy(host->values, after, sizeof after);
         }
         for (uint32_t i = 0; i < plugin->n_ports && during; ++i) {
            const uint32_t turn = BYPASS_ENDS - 1 - i % 60; /* its last */
            if (block > BYPASS_BEGINS + 30 && block < turn && i % 2) {
               host->values[i] = block % 2 ? after[i] : before[i];
            } else if (block == turn) {
               host->values[i] = after[i];
            }
         }
         const bool is_bypassed = block >= BYPASS_BEGINS && block < BYPASS_ENDS;
         host->values[plugin->enabled->index] = is_bypassed ? 0.0F : 1.0F;
         raw_host_run(host, &in, &out[during], block * BLOCK, shown);
      }
      raw_host_free(host);
   }
   assert_same(plugin, &out[1], &out[0], BYPASS_ENDS * BLOCK,
               "controls turned while bypassed, and once before");
   cases_add(plugin->uri, "turned while bypassed", 1);
   audio_free(&in);
   audio_free(&out[0]);
   audio_free(&out[1]);
}

static void every_plugin_comes_back_from_its_bypass_as_its_controls_stand(void** state)
{
   (void)state;
   hosted_for_every_plugin(check_turned_in_bypass);
}

/* The line of a saved session that holds the setting remembered as A; the caller frees it. */
static char* remembered_line(bool is_bypassed)
{
   BmInstance* strip = hosted_new("urn:bookmatch:channel-strip#stereo", RATE_HZ);
   const float* silence[2] = {NULL, NULL};
   static float unheard[2][2000];
   float* out[2] = {unheard[0], unheard[1]};
   static const char* const steps[] = {"eq_in 1 eq_bell1_gain -4.5 fet_threshold -27 remember_a 0",
                                       "remember_a 1", "remember_a 0 eq_bell1_gain 3 room_in 1"};
   hosted_set(strip, "enabled", is_bypassed ? 0.0 : 1.0);
   bm_instance_run(strip, silence, out, 2000);
   for (size_t i = 0; i < sizeof steps / sizeof *steps; ++i) {
      hosted_set_all(strip, steps[i]);
      bm_instance_run(strip, silence, out, BLOCK);
   }
   char* saved = bm_instance_save(strip);
   const char* line = strstr(saved, "#remembered_a");
   char* kept = line ? strndup(line, strcspn(line, "\n")) : strdup("");
   free(saved);
   bm_instance_free(strip);
   return kept;
}

static void a_setting_remembered_while_bypassed_is_saved_like_any_other(void** state)
{
   (void)state;
   char* bypassed = remembered_line(true);
   char* active = remembered_line(false);
   assert_non_null(strstr(bypassed, "eq_bell1_gain -4.5"));
   assert_string_equal(bypassed, active);
   free(bypassed);
   free(active);
}

int main(void)
{
   if (!hosted_open()) {
      return 1;
   }
   Keepers kept = keepers_new(RATE_HZ);
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(every_plugin_sounds_and_shows_the_same_wherever_a_host_keeps_its_values),
      cmocka_unit_test(every_plugin_comes_back_from_its_bypass_as_its_controls_stand),
      cmocka_unit_test(a_setting_remembered_while_bypassed_is_saved_like_any_other),
   };
   const int n_failed = cmocka_run_group_tests(tests, NULL, NULL);
   keepers_free(&kept);
   bm_host_free(hosted_host);
   return n_failed;
}
