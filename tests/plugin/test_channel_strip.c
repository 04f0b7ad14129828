/* SPDX-License-Identifier: ISC */
/*
   The channel strip as a host runs it. If this fails, a strip is not what its plugins are in a row, so what
   was set on one cannot be carried to the other; or it moves in time when a stage is switched.
*/
#include "unit_test.h"

#include "base/decibel.h"
#include "click.h"
#include "hosted.h"

#include <stdbool.h>
#include <stdlib.h>
#include <string.h>

#define STRIP "urn:bookmatch:channel-strip#"

enum { N_FRAMES = 24000, BLOCK = 1000, N_KINDS = 6, N_TRIALS = 8 };

typedef struct {
   const char* plugin;
   const char* prefix;
} Stage;

/* By the value of `character1`. */
static const Stage kinds[N_KINDS] = {
   {NULL, NULL},
   {"fet-compressor", "fet_"},
   {"opto-compressor", "opto_"},
   {"variable-mu-compressor", "mu_"},
   {"tube-saturation", "tube_"},
   {"tape-saturation", "tape_"},
};
static const Stage eq = {"fundamental-eq", "eq_"};
static const Stage preamp = {"preamp", "preamp_"};
static const Stage mid_side_eq = {"mid-side-eq", "ms_"};
static const Stage shaper = {"transient-shaper", "shaper_"};
static const Stage room = {"room-reverb", "room_"};

/* Plucks, a little different left and right, loud enough for every detector. */
static HostedTake plucks(void)
{
   HostedTake take = hosted_take_new(N_FRAMES);
   uint64_t seed = 6;
   for (uint32_t i = 0; i < N_FRAMES; ++i) {
      const double t = (double)(i % 9000) / HOSTED_RATE_HZ;
      for (int c = 0; c < 2; ++c) {
         double x = 0.0;
         for (int h = 1; h <= 6; ++h) {
            x += sin(2.0 * 3.14159265358979 * 146.8 * (1.0 + 0.002 * c) * h * t) / h * exp(-t * (4.0 + h));
         }
         take.channel[c][i] = (float)(0.35 * x + 0.001 * bm_test_random(&seed));
      }
   }
   return take;
}

static bool has(const BmInstance* instance, const char* symbol)
{
   const BmPlugin* plugin = bm_instance_plugin(instance);
   for (uint32_t i = 0; i < plugin->n_ports; ++i) {
      if (!strcmp(plugin->ports[i].symbol, symbol)) {
         return true;
      }
   }
   return false;
}

static float random_value(const BmPort* port, uint64_t* seed)
{
   const double share = 0.5 + 0.5 * bm_test_random(seed);
   if (port->n_points) {
      const uint32_t index = (uint32_t)(share * port->n_points);
      return port->points[index < port->n_points ? index : port->n_points - 1].value;
   }
   if (port->is_toggled) {
      return share > 0.5 ? 1.0F : 0.0F;
   }
   return port->min + (float)share * (port->max - port->min);
}

/* Everything but what a host keeps for itself. */
static void set_at_random(BmInstance* strip, uint64_t* seed)
{
   static const char* const kept[] = {"output_gain", "match",   "mix",        "rendering",
                                      "characters",  "compare", "remember_a", "remember_b"};
   const BmPlugin* plugin = bm_instance_plugin(strip);
   for (uint32_t i = 0; i < plugin->n_ports; ++i) {
      const BmPort* port = &plugin->ports[i];
      bool is_kept = port->kind != BM_PORT_CONTROL || !port->is_input || port->is_enabled;
      for (size_t k = 0; k < sizeof kept / sizeof *kept; ++k) {
         is_kept = is_kept || !strcmp(port->symbol, kept[k]);
      }
      const float value = random_value(port, seed);
      if (!is_kept) {
         bm_instance_set(strip, i, value);
      }
   }
}

static void run(BmInstance* instance, HostedTake* take)
{
   HostedTake out = hosted_take_new(take->n_frames);
   assert_int_equal(take->n_frames % BLOCK, 0);
   for (uint32_t start = 0; start < take->n_frames; start += BLOCK) {
      const float* from[2] = {take->channel[0] + start, take->channel[1] + start};
      float* to[2] = {out.channel[0] + start, out.channel[1] + start};
      bm_instance_run(instance, from, to, BLOCK);
   }
   if (bm_instance_plugin(instance)->n_audio_out == 1) {
      memcpy(out.channel[1], out.channel[0], out.n_frames * sizeof(float));
   }
   hosted_take_free(take);
   *take = out;
}

static void delay(HostedTake* take, uint32_t frames)
{
   for (int c = 0; c < 2; ++c) {
      memmove(take->channel[c] + frames, take->channel[c], (take->n_frames - frames) * sizeof(float));
      memset(take->channel[c], 0, frames * sizeof(float));
   }
}

static BmInstance* stage_new(const Stage* stage, bool is_mono)
{
   char uri[128];
   const bool is_room = !strcmp(stage->plugin, "room-reverb");
   snprintf(uri, sizeof uri, "urn:bookmatch:%s#%s", stage->plugin,
            !is_mono  ? "stereo"
            : is_room ? "mono-to-stereo"
                      : "mono");
   return hosted_new(uri, HOSTED_RATE_HZ);
}

static uint32_t latency_of(const Stage* stage)
{
   BmInstance* instance = stage_new(stage, false);
   BmError error = {0};
   const uint32_t latency = bm_instance_latency(instance, &error);
   bm_instance_free(instance);
   return latency;
}

static uint32_t slot_latency(void)
{
   uint32_t longest = 0;
   for (uint32_t kind = 1; kind < N_KINDS; ++kind) {
      const uint32_t latency = latency_of(&kinds[kind]);
      longest = latency > longest ? latency : longest;
   }
   return longest;
}

/* The separate plugin with what the strip has, then what is missing to the latency of the place. */
static void run_stage(const Stage* stage, const BmInstance* strip, double mix, uint32_t latency,
                      HostedTake* take)
{
   const bool is_mono = bm_instance_plugin(strip)->n_audio_in == 1;
   BmInstance* instance = stage_new(stage, is_mono);
   const BmPlugin* plugin = bm_instance_plugin(instance);
   for (uint32_t i = 0; i < plugin->n_ports; ++i) {
      char symbol[64];
      snprintf(symbol, sizeof symbol, "%s%s", stage->prefix, plugin->ports[i].symbol);
      if (plugin->ports[i].kind == BM_PORT_CONTROL && plugin->ports[i].is_input && has(strip, symbol)) {
         bm_instance_set(instance, i, (float)hosted_get(strip, symbol));
      }
   }
   if (has(instance, "quality")) {
      hosted_set(instance, "quality", hosted_get(strip, "quality"));
   }
   hosted_set(instance, "mix", mix);
   if (bm_instance_plugin(strip)->n_audio_out == 1 && stage == &room) {
      hosted_set(instance, "width", 0.0);
   }
   bm_instance_restart(instance); /* so that it begins there */
   run(instance, take);
   if (bm_instance_plugin(strip)->n_audio_out == 1) {
      memcpy(take->channel[1], take->channel[0], take->n_frames * sizeof(float));
   }
   delay(take, latency - (uint32_t)hosted_get(instance, "latency"));
   bm_instance_free(instance);
}

static void run_slots(const BmInstance* strip, int place, uint32_t latency, HostedTake* take)
{
   for (int slot = 1; slot <= 2; ++slot) {
      char kind[32];
      char where[32];
      char mix[32];
      snprintf(kind, sizeof kind, "character%d", slot);
      snprintf(where, sizeof where, "character%d_place", slot);
      snprintf(mix, sizeof mix, "character%d_mix", slot);
      if ((int)hosted_get(strip, where) != place) {
         continue;
      }
      const int k = (int)hosted_get(strip, kind);
      if (k) {
         run_stage(&kinds[k], strip, hosted_get(strip, mix), latency, take);
      } else {
         delay(take, latency);
      }
   }
}

static void run_if_in(const char* symbol, const Stage* stage, const BmInstance* strip, double mix,
                      HostedTake* take)
{
   const uint32_t latency = latency_of(stage);
   if (has(strip, symbol) && hosted_get(strip, symbol) > 0.5) {
      run_stage(stage, strip, mix, latency, take);
   } else {
      delay(take, latency);
   }
}

static HostedTake row_of_plugins(const BmInstance* strip)
{
   HostedTake take = plucks();
   const uint32_t slot = slot_latency();
   const double gain = bm_gain_from_db((double)(float)hosted_get(strip, "input_gain"));
   const double trim = hosted_get(strip, "polarity") > 0.5 ? -gain : gain;
   for (uint32_t i = 0; i < take.n_frames; ++i) {
      for (int c = 0; c < 2; ++c) {
         take.channel[c][i] = (float)(trim * (double)take.channel[c][i]);
      }
   }
   if (bm_instance_plugin(strip)->n_audio_in == 1) {
      memcpy(take.channel[1], take.channel[0], take.n_frames * sizeof(float));
   }
   run_slots(strip, 0, slot, &take);
   run_if_in("eq_in", &eq, strip, 100.0, &take);
   run_if_in("preamp_in", &preamp, strip, 100.0, &take);
   run_slots(strip, 1, slot, &take);
   run_if_in("ms_in", &mid_side_eq, strip, 100.0, &take);
   run_slots(strip, 2, slot, &take);
   run_if_in("shaper_in", &shaper, strip, 100.0, &take);
   run_if_in("room_in", &room, strip, hosted_get(strip, "room_mix"), &take);
   return take;
}

static void check_row(const char* uri, uint64_t seed)
{
   BmInstance* strip = hosted_new(uri, HOSTED_RATE_HZ);
   for (int trial = 0; trial < N_TRIALS; ++trial) {
      set_at_random(strip, &seed);
      bm_instance_restart(strip);
      HostedTake out = plucks();
      run(strip, &out);
      HostedTake row = row_of_plugins(strip);
      for (int c = 0; c < 2; ++c) {
         for (uint32_t i = 0; i < N_FRAMES; ++i) {
            if (out.channel[c][i] != row.channel[c][i]) {
               char* settings = bm_instance_save(strip);
               fail_msg("%s: trial %d, channel %d, frame %u: %.9g, in a row %.9g with\n%s", uri, trial, c, i,
                        (double)out.channel[c][i], (double)row.channel[c][i], settings);
            }
         }
      }
      hosted_take_free(&out);
      hosted_take_free(&row);
   }
   bm_instance_free(strip);
}

static void the_strip_is_its_plugins_in_a_row_to_the_last_bit(void** state)
{
   (void)state;
   check_row(STRIP "stereo", 1);
   check_row(STRIP "mono", 2);
   check_row(STRIP "mono-to-stereo", 3);
}

static void a_strip_with_everything_out_is_the_take_itself_as_late_as_with_everything_in(void** state)
{
   (void)state;
   BmInstance* strip = hosted_new(STRIP "stereo", HOSTED_RATE_HZ);
   HostedTake in = plucks();
   HostedTake out = plucks();
   run(strip, &out);
   const uint32_t latency = (uint32_t)hosted_get(strip, "latency");
   assert_int_equal(latency, latency_of(&preamp) + 2 * slot_latency());
   for (uint32_t i = latency; i < N_FRAMES; ++i) {
      assert_true(out.channel[0][i] == in.channel[0][i - latency] &&
                  out.channel[1][i] == in.channel[1][i - latency]);
   }
   uint64_t seed = 3;
   for (int trial = 0; trial < 5; ++trial) {
      set_at_random(strip, &seed);
      run(strip, &out);
      assert_int_equal((uint32_t)hosted_get(strip, "latency"), latency);
   }
   hosted_take_free(&in);
   hosted_take_free(&out);
   bm_instance_free(strip);
}

/* With everything out the shell passes the take on by itself. Turned over it does not, and every stage that
   is switched in here is linear: so one run must be the other turned over, to the last bit, or a stage that
   comes in hears what was there long before. */
static void a_stage_that_comes_in_after_a_rest_finds_the_take_where_it_would_have_been(void** state)
{
   (void)state;
   HostedTake takes[2] = {plucks(), plucks()};
   for (uint32_t turned = 0; turned < 2; ++turned) {
      BmInstance* strip = hosted_new(STRIP "stereo", HOSTED_RATE_HZ);
      hosted_set_all(strip, "eq_note_source 0 eq_bell1_gain 6 ms_side_bell1_gain -4 room_mix 30");
      hosted_set(strip, "polarity", turned);
      for (uint32_t block = 0; block < N_FRAMES / BLOCK; ++block) {
         const bool is_in = block % 8 == 3 || block % 8 == 4 || block > 19;
         hosted_set(strip, "eq_in", is_in);
         hosted_set(strip, "ms_in", block % 16 == 4 || block > 20);
         hosted_set(strip, "room_in", block > 20);
         const float* from[2] = {takes[turned].channel[0] + block * BLOCK,
                                 takes[turned].channel[1] + block * BLOCK};
         HostedTake out = hosted_take_new(BLOCK);
         bm_instance_run(strip, from, out.channel, BLOCK);
         for (int c = 0; c < 2; ++c) {
            memcpy(takes[turned].channel[c] + block * BLOCK, out.channel[c], BLOCK * sizeof(float));
         }
         hosted_take_free(&out);
      }
      bm_instance_free(strip);
   }
   for (uint32_t i = 0; i < N_FRAMES; ++i) {
      for (int c = 0; c < 2; ++c) {
         assert_true(takes[0].channel[c][i] == -takes[1].channel[c][i]);
      }
   }
   hosted_take_free(&takes[0]);
   hosted_take_free(&takes[1]);
}

/* What others need so that a control is heard at all. */
static const char audible[] =
   "eq_in 1 preamp_in 1 shaper_in 1 room_in 1 eq_note_source 2 opto_release_source 1 "
   "tape_hiss -60 preamp_gain 20 room_mix 50";

/* One take of half a second; a control's ends must differ in it. */
static bool is_heard(BmInstance* strip, const BmPort* port)
{
   HostedTake low = plucks();
   HostedTake high = plucks();
   bm_instance_set(strip, port->index, port->min);
   bm_instance_restart(strip);
   run(strip, &low);
   bm_instance_set(strip, port->index, port->max);
   bm_instance_restart(strip);
   run(strip, &high);
   const bool differs = memcmp(low.channel[0], high.channel[0], N_FRAMES * sizeof(float)) != 0;
   hosted_take_free(&low);
   hosted_take_free(&high);
   return differs;
}

static void set_for(BmInstance* strip, const BmPort* port)
{
   const BmPlugin* plugin = bm_instance_plugin(strip);
   for (uint32_t i = 0; i < plugin->n_ports; ++i) {
      const BmPort* other = &plugin->ports[i];
      if (other->kind == BM_PORT_CONTROL && other->is_input) {
         const bool moves = !other->n_points && !other->is_toggled && !strstr(other->symbol, "put_gain");
         bm_instance_set(strip, i, moves ? other->min + 0.7F * (other->max - other->min) : other->def);
      }
   }
   hosted_set_all(strip, audible);
   for (int k = 1; k < N_KINDS; ++k) {
      if (!strncmp(port->symbol, kinds[k].prefix, strlen(kinds[k].prefix))) {
         hosted_set(strip, "character1", k);
      }
   }
   if (!strncmp(port->symbol, "character", 9)) {
      hosted_set_all(strip, "character1 1 character2 4");
   }
   if (!strcmp(port->symbol, "eq_note_freq")) {
      hosted_set(strip, "eq_note_source", 0);
   }
}

/* The two that only act while others are turned, and what only a host or a session moves. */
static bool is_for_the_session(const BmPort* port)
{
   return port->is_trigger || port->is_free_wheeling;
}

static void every_control_of_the_mono_strip_is_heard(void** state)
{
   (void)state;
   BmInstance* strip = hosted_new(STRIP "mono", HOSTED_RATE_HZ);
   const BmPlugin* plugin = bm_instance_plugin(strip);
   for (uint32_t i = 0; i < plugin->n_ports; ++i) {
      const BmPort* port = &plugin->ports[i];
      if (port->kind == BM_PORT_CONTROL && port->is_input && !is_for_the_session(port)) {
         set_for(strip, port);
         if (!is_heard(strip, port)) {
            fail_msg("%s: %s changes nothing", plugin->uri, port->symbol);
         }
      }
   }
   bm_instance_free(strip);
}

/* Noise that neither gets louder nor softer: what is loud in the output is the strip's doing. */
static HostedTake noise(uint32_t n_frames)
{
   HostedTake take = hosted_take_new(n_frames);
   uint64_t seed = 8;
   for (uint32_t i = 0; i < n_frames; ++i) {
      take.channel[0][i] = (float)(0.1 * bm_test_random(&seed));
      take.channel[1][i] = (float)(0.1 * bm_test_random(&seed));
   }
   return take;
}

static double level_db(const HostedTake* take, uint32_t from, uint32_t n_frames)
{
   double sum = 0.0;
   for (uint32_t i = from; i < from + n_frames; ++i) {
      sum += (double)take->channel[0][i] * (double)take->channel[0][i] +
             (double)take->channel[1][i] * (double)take->channel[1][i];
   }
   return 10.0 * log10(sum / (2.0 * n_frames));
}

static void run_for(BmInstance* strip, uint32_t n_frames)
{
   HostedTake take = noise(n_frames);
   run(strip, &take);
   hosted_take_free(&take);
}

/* Switch it on for a block, as a button does. */
static void press(BmInstance* strip, const char* symbol)
{
   hosted_set(strip, symbol, 1.0);
   run_for(strip, BLOCK);
   hosted_set(strip, symbol, 0.0);
   run_for(strip, BLOCK);
}

static const char loud_tube[] =
   "character1 4 tube_drive 12 preamp_in 1 preamp_gain 6 eq_in 0 input_gain 2 output_gain 4";
static const char soft_eq[] = "character1 0 preamp_in 0 eq_in 1 eq_bell2_gain 6 input_gain -3 output_gain -3";

/* A strip that has remembered both and is set to something else. */
static BmInstance* remembering(const char* a, const char* b)
{
   BmInstance* strip = hosted_new(STRIP "stereo", HOSTED_RATE_HZ);
   run_for(strip, BLOCK);
   hosted_set_all(strip, a);
   press(strip, "remember_a");
   hosted_set_all(strip, b);
   press(strip, "remember_b");
   hosted_set_all(strip, "character1 2 opto_makeup 5 eq_in 0 input_gain 0 output_gain 0");
   return strip;
}

static BmInstance* comparing(void)
{
   return remembering(loud_tube, soft_eq);
}

static void a_remembered_setting_sounds_as_it_was_set_and_comes_back_with_the_session(void** state)
{
   (void)state;
   BmInstance* first = comparing();
   char* saved = bm_instance_save(first);
   const char* settings[] = {loud_tube, soft_eq};
   for (int which = 0; which < 2; ++which) {
      BmError error = {0};
      BmInstance* reopened = hosted_new(STRIP "stereo", HOSTED_RATE_HZ);
      assert_true(bm_instance_load_text(reopened, saved, &error));
      hosted_set(reopened, "compare", which + 1);
      bm_instance_restart(reopened);
      HostedTake compared = plucks();
      run(reopened, &compared);
      BmInstance* plain = hosted_new(STRIP "stereo", HOSTED_RATE_HZ);
      hosted_set_all(plain, settings[which]);
      hosted_set_all(plain, "match 1 output_gain 0"); /* this is not remembered: it would make one louder */
      bm_instance_restart(plain);
      HostedTake set = plucks();
      run(plain, &set);
      assert_memory_equal(compared.channel[0], set.channel[0], N_FRAMES * sizeof(float));
      assert_memory_equal(compared.channel[1], set.channel[1], N_FRAMES * sizeof(float));
      hosted_take_free(&compared);
      hosted_take_free(&set);
      bm_instance_free(reopened);
      bm_instance_free(plain);
   }
   free(saved);
   bm_instance_free(first);
}

/* Pairs that as set are some 10 dB apart: by what stands in the chain, by a gain in front of it, by how deep
   one compressor works. As loud as the take is right. */
static const char* const pairs[][2] = {
   {loud_tube, soft_eq},
   {"input_gain 5 output_gain 3", "input_gain -5 output_gain 0"},
   {"character1 1 fet_threshold -30", "character1 1 fet_threshold -10"},
   {"character1 3 mu_threshold -34 mu_release 2", "character1 2 opto_threshold -10 eq_in 1"},
};

/* Turn between the first and the second of what `control` offers, and see that the take's level is held
   throughout, but for the first second. */
static void check_turns(BmInstance* strip, const char* control, const char* what)
{
   enum { TURN = 4 * HOSTED_RATE_HZ, FIRST_READY = HOSTED_RATE_HZ, BIT = HOSTED_RATE_HZ / 100 };
   HostedTake in = noise(TURN);
   const uint32_t latency = (uint32_t)hosted_get(strip, "latency");
   double worst_db = 0.0;
   for (int turn = 0; turn < 5; ++turn) {
      hosted_set(strip, control, turn % 2 + 1);
      HostedTake take = noise(turn < 2 ? TURN : HOSTED_RATE_HZ);
      run(strip, &take);
      for (uint32_t at = turn ? latency : FIRST_READY; at + BIT < take.n_frames; at += BIT / 4) {
         const double off_db = level_db(&take, at, BIT) - level_db(&in, at - latency, BIT);
         worst_db = fmax(worst_db, fabs(off_db));
      }
      hosted_take_free(&take);
   }
   printf("%s: off by %.2f dB at most\n", what, worst_db);
   assert_between(worst_db, 0.0, 1.0);
   hosted_take_free(&in);
}

/* What comes in gets ready for 40 ms; a gain that was set with it waits for it. */
static void a_gain_set_with_a_switch_is_heard_with_it(void** state)
{
   (void)state;
   enum { WAIT = HOSTED_RATE_HZ / 25 };
   HostedTake takes[2];
   for (int changes = 0; changes < 2; ++changes) {
      BmInstance* strip = hosted_new(STRIP "stereo", HOSTED_RATE_HZ);
      hosted_set_all(strip, "eq_in 1 eq_bell2_gain 6");
      run_for(strip, HOSTED_RATE_HZ / 2);
      if (changes) {
         hosted_set_all(strip, "character1 4 input_gain -6 output_gain -6");
      }
      takes[changes] = noise(HOSTED_RATE_HZ);
      run(strip, &takes[changes]);
      bm_instance_free(strip);
   }
   assert_memory_equal(takes[1].channel[0], takes[0].channel[0], WAIT * sizeof(float));
   assert_true(level_db(&takes[1], 4 * WAIT, 8 * WAIT) < level_db(&takes[0], 4 * WAIT, 8 * WAIT) - 6.0);
   hosted_take_free(&takes[0]);
   hosted_take_free(&takes[1]);
}

/* What was found out about the level of a setting goes with it when another takes its place. */
static void a_setting_remembered_anew_is_compared_at_its_own_level(void** state)
{
   (void)state;
   BmInstance* strip = remembering("character1 1 fet_threshold -34", "character1 1 fet_threshold -10");
   check_turns(strip, "compare", "deep against shallow");
   hosted_set(strip, "compare", 0.0);
   run_for(strip, HOSTED_RATE_HZ);
   hosted_set_all(strip, "character1 1 fet_threshold -10");
   press(strip, "remember_a");
   run_for(strip, HOSTED_RATE_HZ);
   check_turns(strip, "compare", "shallow against shallow");
   bm_instance_free(strip);
}

static void who_compares_hears_no_difference_in_level_at_any_moment(void** state)
{
   (void)state;
   for (size_t p = 0; p < sizeof pairs / sizeof *pairs; ++p) {
      BmInstance* strip = remembering(pairs[p][0], pairs[p][1]);
      check_turns(strip, "compare", pairs[p][0]);
      bm_instance_free(strip);
   }
   BmInstance* strip = hosted_new(STRIP "stereo", HOSTED_RATE_HZ);
   hosted_set_all(strip, "match 1 character1 1 fet_threshold -26 character2 4 tube_drive 12");
   run_for(strip, HOSTED_RATE_HZ);
   check_turns(strip, "characters", "one character, then the other");
   bm_instance_free(strip);
}

static const char lifted[] = "eq_in 1 eq_note_source 0 eq_bell2_freq 1000 eq_bell2_gain 9 input_gain 3";
static const char lowered[] = "ms_in 1 ms_mid_bell2_freq 1000 ms_mid_bell2_gain -9 input_gain -3";

/* In which blocks A, B, as set, A... are pressed in turn, and how loud the last of them is. */
typedef struct {
   uint32_t at[12];
   uint32_t n;
   double final_db;
} Hurry;

static const Hurry hurries[] = {
   {{2, 5, 44, 45, 51, 52, 60, 61, 62, 63}, 10, 0.0},
   {{2, 5, 44}, 3, 9.0}, /* as set again while B fades in */
   {{2, 3, 4}, 3, 9.0},  /* before anything else was heard: as if nothing had been pressed */
   {{0}, 0, 9.0},
};

static double* compare_in_a_hurry(const Hurry* hurry, uint32_t n_frames, uint32_t largest)
{
   double* heard = calloc(n_frames, sizeof *heard);
   assert_non_null(heard);
   BmInstance* strip = remembering(lifted, lowered);
   hosted_set_all(strip, "character1 0 ms_in 0 eq_in 1");
   run_for(strip, HOSTED_RATE_HZ);
   uint32_t presses = 0;
   for (uint32_t frame = 0; frame < n_frames;) {
      const uint32_t block = frame / BLOCK;
      if (presses < hurry->n && block == hurry->at[presses]) {
         ++presses;
         hosted_set(strip, "compare", presses % 3);
      }
      const uint32_t left = (block + 1) * BLOCK - frame;
      const uint32_t n = left < largest ? left : largest;
      float x[BLOCK];
      float y[2][BLOCK];
      for (uint32_t i = 0; i < n; ++i) {
         x[i] = (float)(0.1 * sin(2.0 * M_PI * 997.0 / HOSTED_RATE_HZ * (frame + i)));
      }
      const float* from[2] = {x, x};
      float* to[2] = {y[0], y[1]};
      bm_instance_run(strip, from, to, n);
      for (uint32_t i = 0; i < n; ++i) {
         heard[frame + i] = (double)y[0][i];
      }
      frame += n;
   }
   bm_instance_free(strip);
   return heard;
}

static void who_compares_in_a_hurry_hears_no_click_and_ends_with_what_was_asked_for_last(void** state)
{
   (void)state;
   enum { N = 130 * BLOCK, SETTLED = 4800, WINDOW = 33600 };
   double* before = NULL;
   for (size_t h = 0; h < sizeof hurries / sizeof *hurries; ++h) {
      double* whole = compare_in_a_hurry(&hurries[h], N, BLOCK);
      double* sliced = compare_in_a_hurry(&hurries[h], N, 37);
      assert_memory_equal(whole, sliced, N * sizeof *whole);
      for (uint32_t from = SETTLED; from + WINDOW <= N; from += WINDOW / 4) {
         /* Reference sheet, test B. */
         assert_between(bm_test_click_dbfs(whole + from, WINDOW, HOSTED_RATE_HZ, 2000.0), -250.0, -80.0);
      }
      double peak = 0.0;
      for (uint32_t i = N - SETTLED; i < N; ++i) {
         peak = fmax(peak, fabs(whole[i]));
      }
      assert_close(20.0 * log10(peak / 0.1), hurries[h].final_db, 0.5);
      if (hurries[h].n == 0) {
         assert_memory_equal(whole, before, N * sizeof *whole);
      }
      free(before);
      before = whole;
      free(sliced);
   }
   free(before);
}

static void a_setting_that_is_chosen_in_bypass_is_there_at_once_afterwards(void** state)
{
   (void)state;
   enum { FADED = HOSTED_RATE_HZ / 20, LOOK = HOSTED_RATE_HZ / 10 };
   BmInstance* strip = remembering("polarity 0 input_gain 6", "polarity 1 input_gain -6");
   for (int turn = 0; turn < 3; ++turn) {
      hosted_set(strip, "compare", turn % 2 + 1);
      run_for(strip, 4 * HOSTED_RATE_HZ);
   }
   hosted_set(strip, "enabled", 0.0);
   run_for(strip, HOSTED_RATE_HZ);
   hosted_set(strip, "compare", 2.0);
   run_for(strip, HOSTED_RATE_HZ);
   hosted_set(strip, "enabled", 1.0);
   HostedTake take = noise(HOSTED_RATE_HZ);
   HostedTake in = noise(HOSTED_RATE_HZ);
   run(strip, &take);
   const uint32_t latency = (uint32_t)hosted_get(strip, "latency");
   for (uint32_t i = FADED; i < LOOK; ++i) {
      assert_close((double)take.channel[0][i], -(double)in.channel[0][i - latency], 0.01);
   }
   hosted_take_free(&take);
   hosted_take_free(&in);
   bm_instance_free(strip);
}

static void what_got_ready_before_a_bypass_does_not_ring_on_after_it(void** state)
{
   (void)state;
   BmInstance* strip = remembering("input_gain 1", "room_in 1 room_mix 100 room_decay 3");
   hosted_set(strip, "character1", 0.0);
   hosted_set(strip, "compare", 2.0);
   run_for(strip, HOSTED_RATE_HZ / 2);
   hosted_set(strip, "enabled", 0.0);
   run_for(strip, HOSTED_RATE_HZ);
   HostedTake bypassed = hosted_take_new(HOSTED_RATE_HZ);
   HostedTake silence = hosted_take_new(HOSTED_RATE_HZ);
   run(strip, &bypassed);
   hosted_set(strip, "enabled", 1.0);
   run(strip, &silence);
   for (uint32_t i = 0; i < silence.n_frames; ++i) {
      assert_true(silence.channel[0][i] == 0.0F && silence.channel[1][i] == 0.0F);
   }
   hosted_take_free(&bypassed);
   hosted_take_free(&silence);
   bm_instance_free(strip);
}

/* Else every comparison begins with a low cut on another note. */
static void the_note_that_was_learned_goes_along(void** state)
{
   (void)state;
   BmInstance* strip =
      remembering("eq_in 1 eq_note_source 1", "eq_in 1 eq_note_source 1 eq_harmonic_gain -6");
   hosted_set_all(strip, "character1 0 eq_in 1");
   HostedTake string = hosted_take_new(96000);
   for (uint32_t i = 0; i < string.n_frames; ++i) {
      const double t = i / (double)HOSTED_RATE_HZ;
      for (int h = 1; h <= 12; ++h) {
         string.channel[0][i] += (float)(0.15 * exp(-0.7 * t) * sin(2.0 * M_PI * 110.0 * h * t) / h);
      }
      string.channel[1][i] = string.channel[0][i];
   }
   run(strip, &string);
   assert_close(hosted_get(strip, "eq_lowest_note"), 110.0, 0.3);
   for (int which = 1; which <= 2; ++which) {
      HostedTake silence = hosted_take_new(2 * HOSTED_RATE_HZ);
      hosted_set(strip, "compare", which);
      run(strip, &silence);
      assert_close(hosted_get(strip, "eq_lowest_note"), 110.0, 0.3);
      hosted_take_free(&silence);
   }
   hosted_take_free(&string);
   bm_instance_free(strip);
}

static void a_button_that_a_session_saved_pressed_remembers_nothing(void** state)
{
   (void)state;
   BmInstance* strip = hosted_new(STRIP "mono", HOSTED_RATE_HZ);
   hosted_set(strip, "remember_a", 1.0);
   run_for(strip, BLOCK);
   char* saved = bm_instance_save(strip);
   assert_null(strstr(saved, "#remembered_a"));
   free(saved);
   press(strip, "remember_b");
   saved = bm_instance_save(strip);
   assert_non_null(strstr(saved, "#remembered_b"));
   free(saved);
   bm_instance_free(strip);
}

static int n_log_lines;
static char last_line[512];

static void count_log_line(void* user, const char* plugin_uri, const char* line)
{
   (void)user;
   (void)plugin_uri;
   ++n_log_lines;
   snprintf(last_line, sizeof last_line, "%s", line);
}

static char* replaced(const char* text, const char* old, const char* new)
{
   const char* at = strstr(text, old);
   assert_non_null(at);
   char* out = calloc(strlen(text) + strlen(new) + 1, 1);
   assert_non_null(out);
   memcpy(out, text, (size_t)(at - text));
   strcat(out, new);
   strcat(out, at + strlen(old));
   return out;
}

/* What stands in the session's text, and what then; NULL: it is taken. */
typedef struct {
   const char* old;
   const char* new;
   const char* complaint;
} Damage;

static const Damage damages[] = {
   {"tube_drive 12 ", "", NULL}, /* as a session from before the plugin had that control */
   {"tube_drive 12 ", "tube_drove 12 ", "no setting has a control tube_drove"},
   {"tube_drive 12 ", "tube_drive 99 ", "tube_drive 99 is not a value from -12 to 24"},
   {"tube_drive 12 ", "tube_drive nan ", "tube_drive nan is not a value"},
   {"tube_drive 12 ", "tube_drive twelve ", "tube_drive twelve is not a value"},
   {"tube_drive 12 ", "tube_drive ", "is not a value"},
   {"tube_drive 12 ", "enabled 0 ", "no setting has a control enabled"},
   {"character1 4 ", "character1 3.5 ", "character1 3.5 is not a value"},
};

static void a_damaged_comparison_is_refused_whole_in_one_line(void** state)
{
   (void)state;
   BmInstance* first = comparing();
   char* saved = bm_instance_save(first);
   for (size_t i = 0; i < sizeof damages / sizeof *damages; ++i) {
      BmError error = {0};
      BmInstance* reopened = hosted_new(STRIP "stereo", HOSTED_RATE_HZ);
      char* text = replaced(saved, damages[i].old, damages[i].new);
      n_log_lines = 0;
      bm_host_set_log(hosted_host, count_log_line, NULL);
      bm_instance_load_text(reopened, text, &error);
      bm_host_set_log(hosted_host, NULL, NULL);
      char* kept = bm_instance_save(reopened);
      if (damages[i].complaint) {
         if (n_log_lines != 1 || !strstr(last_line, damages[i].complaint)) {
            fail_msg("%s: wanted one line with \"%s\", got %d, the last %s", damages[i].new,
                     damages[i].complaint, n_log_lines, last_line);
         }
         assert_null(strstr(kept, "remembered_"));
      } else {
         assert_int_equal(n_log_lines, 0);
         assert_non_null(strstr(kept, "tube_drive 0 "));
      }
      free(kept);
      free(text);
      bm_instance_free(reopened);
   }
   free(saved);
   bm_instance_free(first);
}

int main(void)
{
   if (!hosted_open()) {
      return 1;
   }
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(the_strip_is_its_plugins_in_a_row_to_the_last_bit),
      cmocka_unit_test(a_strip_with_everything_out_is_the_take_itself_as_late_as_with_everything_in),
      cmocka_unit_test(a_stage_that_comes_in_after_a_rest_finds_the_take_where_it_would_have_been),
      cmocka_unit_test(every_control_of_the_mono_strip_is_heard),
      cmocka_unit_test(a_remembered_setting_sounds_as_it_was_set_and_comes_back_with_the_session),
      cmocka_unit_test(a_gain_set_with_a_switch_is_heard_with_it),
      cmocka_unit_test(a_setting_remembered_anew_is_compared_at_its_own_level),
      cmocka_unit_test(who_compares_hears_no_difference_in_level_at_any_moment),
      cmocka_unit_test(who_compares_in_a_hurry_hears_no_click_and_ends_with_what_was_asked_for_last),
      cmocka_unit_test(a_setting_that_is_chosen_in_bypass_is_there_at_once_afterwards),
      cmocka_unit_test(what_got_ready_before_a_bypass_does_not_ring_on_after_it),
      cmocka_unit_test(the_note_that_was_learned_goes_along),
      cmocka_unit_test(a_button_that_a_session_saved_pressed_remembers_nothing),
      cmocka_unit_test(a_damaged_comparison_is_refused_whole_in_one_line),
   };
   const int n_failed = cmocka_run_group_tests(tests, NULL, NULL);
   bm_host_free(hosted_host);
   return n_failed;
}
