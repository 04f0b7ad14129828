/* SPDX-License-Identifier: ISC */
/*
   If one of these fails, a session sounds different on another host, at another rate or the second time, or a
   track slides out of time.

   Properties that hold for every plugin of the bundle, as any host sees them.
*/
#include "unit_test.h"

#include "every.h"

enum { SPAN = 4000 }; /* of N_FRAMES */

/* How far it is to where controls jump next: all at once now and then, and in every second span between one
   alone more often. */
static uint32_t to_next_jump(uint32_t frame)
{
   const uint32_t step = frame / SPAN % 2 ? SPAN / 8 : SPAN;
   return step - frame % step;
}

/* Controls jump to the same random values at the same frames; only the blocks differ. */
static void render_in_blocks(const BmPlugin* plugin, const Audio* in, const Audio* out, uint32_t block_frames)
{
   BmInstance* instance = hosted_instance(plugin, RATE_HZ);
   uint64_t seed = 7;
   uint64_t block_seed = 99;
   uint32_t turned = 0;
   uint32_t to_jump = 0;
   for (uint32_t start = 0; start < in->n_frames;) {
      if (start % SPAN == 0) {
         set_all(instance, &seed);
         bm_instance_set(instance, plugin->enabled->index, start / SPAN % 3 == 2 ? 0.0F : 1.0F);
      } else if (to_jump == 0) {
         turned = next_control(plugin, turned);
         bm_instance_set(instance, turned, random_value(&plugin->ports[turned], &seed));
      }
      to_jump = to_jump ? to_jump : to_next_jump(start);
      uint32_t n =
         block_frames ? block_frames : (uint32_t)(1.0 + 500.0 * (1.0 + bm_test_random(&block_seed)));
      n = n < to_jump ? n : to_jump;
      run(instance, in, out, start, n);
      start += n;
      to_jump -= n;
   }
   bm_instance_free(instance);
}

static void check_blocks(const BmPlugin* plugin)
{
   static const uint32_t blocks[] = {1, 7, 64, 1000, 0};
   Audio in = plucks(N_FRAMES);
   Audio whole = audio_new(N_FRAMES);
   Audio cut = audio_new(N_FRAMES);
   render_in_blocks(plugin, &in, &whole, MAX_BLOCK);
   for (size_t i = 0; i < sizeof blocks / sizeof *blocks; ++i) {
      char what[64];
      snprintf(what, sizeof what, "blocks of %u (0: random) differ from blocks of %d", blocks[i], MAX_BLOCK);
      render_in_blocks(plugin, &in, &cut, blocks[i]);
      assert_same(plugin, &cut, &whole, 0, what);
      cases_add(plugin->uri, "block sizes", 1);
   }
   audio_free(&in);
   audio_free(&whole);
   audio_free(&cut);
}

static void every_plugin_gives_the_same_bits_for_every_block_size_while_controls_jump(void** state)
{
   (void)state;
   hosted_for_every_plugin(check_blocks);
}

/* `out` in the buffers of `in`, turned by `shift` channels: 0 each in its own, 1 left in right's. */
static Audio shared_outputs(const BmPlugin* plugin, const Audio* in, const Audio* own, uint32_t shift)
{
   const uint32_t n = plugin->n_audio_in > plugin->n_audio_out ? plugin->n_audio_in : plugin->n_audio_out;
   Audio out = *own;
   for (uint32_t c = 0; c < plugin->n_audio_out; ++c) {
      const uint32_t partner = (c + shift) % n;
      if (partner < plugin->n_audio_in) {
         out.channels[c] = in->channels[partner];
      }
   }
   return out;
}

static void check_in_place(const BmPlugin* plugin)
{
   Audio in = plucks(N_FRAMES);
   Audio apart = audio_new(N_FRAMES);
   render_in_blocks(plugin, &in, &apart, 1000);
   for (uint32_t shift = 0; shift < plugin->n_audio_out || shift < plugin->n_audio_in; ++shift) {
      Audio again = plucks(N_FRAMES);
      Audio own = audio_new(N_FRAMES);
      const Audio out = shared_outputs(plugin, &again, &own, shift);
      render_in_blocks(plugin, &again, &out, 1000);
      assert_same(plugin, &out, &apart, 0, shift ? "out in another channel's input" : "out in its own input");
      cases_add(plugin->uri, "in place", 1);
      audio_free(&again);
      audio_free(&own);
   }
   audio_free(&in);
   audio_free(&apart);
}

static void every_plugin_gives_the_same_bits_in_place(void** state)
{
   (void)state;
   hosted_for_every_plugin(check_in_place);
}

/* An instance of the same plugin whose controls jump, on input that overloads it. */
static void check_neighbours(const BmPlugin* plugin)
{
   static const double neighbour_hz[] = {RATE_HZ, 96000.0};
   enum { BLOCK = 500 };
   Audio in = plucks(N_FRAMES);
   Audio alone = audio_new(N_FRAMES);
   Audio beside = audio_new(N_FRAMES);
   Audio noise = audio_new(N_FRAMES);
   Audio unheard = audio_new(N_FRAMES);
   uint64_t seed = 17;
   for (uint32_t i = 0; i < N_FRAMES; ++i) {
      for (uint32_t c = 0; c < MAX_CHANNELS; ++c) {
         noise.channels[c][i] = (float)(4.0 * bm_test_random(&seed));
      }
   }
   BmInstance* one = hosted_instance(plugin, RATE_HZ);
   run_on(one, &in, &alone, 0, BLOCK);
   bm_instance_free(one);
   for (size_t i = 0; i < sizeof neighbour_hz / sizeof *neighbour_hz; ++i) {
      one = hosted_instance(plugin, RATE_HZ);
      BmInstance* other = hosted_instance(plugin, neighbour_hz[i]);
      for (uint32_t start = 0; start < N_FRAMES; start += BLOCK) {
         set_all(other, &seed);
         run(other, &noise, &unheard, start, BLOCK);
         run(one, &in, &beside, start, BLOCK);
      }
      bm_instance_free(other);
      bm_instance_free(one);
      assert_same(plugin, &beside, &alone, 0, "beside another instance");
      cases_add(plugin->uri, "two instances", 1);
   }
   audio_free(&in);
   audio_free(&alone);
   audio_free(&beside);
   audio_free(&noise);
   audio_free(&unheard);
}

static void no_instance_hears_another(void** state)
{
   (void)state;
   hosted_for_every_plugin(check_neighbours);
}

static void check_bypass(const BmPlugin* plugin)
{
   static const double rates_hz[] = {RATE_HZ, 44100.0, 96000.0};
   enum { WET = 6000 };
   Audio in = plucks(N_FRAMES);
   Audio out = audio_new(N_FRAMES);
   Audio expected = audio_new(N_FRAMES);
   uint64_t seed = 11;
   for (size_t r = 0; r < sizeof rates_hz / sizeof *rates_hz; ++r) {
      BmInstance* instance = hosted_instance(plugin, rates_hz[r]);
      set_all(instance, &seed);
      run(instance, &in, &out, 0, WET);
      bm_instance_set(instance, plugin->enabled->index, 0.0F);
      run_on(instance, &in, &out, WET, 1000);
      const uint32_t latency = (uint32_t)bm_instance_get(instance, plugin->latency->index);
      for (uint32_t c = 0; c < plugin->n_audio_out; ++c) {
         const uint32_t from = c < plugin->n_audio_in ? c : plugin->n_audio_in - 1;
         for (uint32_t i = latency; i < N_FRAMES; ++i) {
            expected.channels[c][i] = in.channels[from][i - latency];
         }
      }
      assert_same(plugin, &out, &expected, WET + (uint32_t)(rates_hz[r] / 40.0),
                  "bypassed, but not the delayed input");
      cases_add(plugin->uri, "bypass to the bit", 1);
      bm_instance_free(instance);
   }
   audio_free(&in);
   audio_free(&out);
   audio_free(&expected);
}

static void every_bypass_is_the_input_to_the_bit_and_in_time(void** state)
{
   (void)state;
   hosted_for_every_plugin(check_bypass);
}

/* Whatever it heard and whatever its controls were, after deactivate and activate it is as one that was just
   made and given the same settings. What a plugin has learned is a setting: it stays, as a session does. */
static void check_restart(const BmPlugin* plugin)
{
   enum { N_DIRTY = 10100 };
   Audio in = plucks(N_FRAMES);
   Audio dirt = audio_new(N_DIRTY);
   Audio unheard = audio_new(N_DIRTY);
   Audio restarted = audio_new(N_FRAMES);
   Audio fresh = audio_new(N_FRAMES);
   uint64_t seed = 23;
   for (uint32_t i = 0; i < N_DIRTY; ++i) {
      for (uint32_t c = 0; c < MAX_CHANNELS; ++c) {
         dirt.channels[c][i] = (float)(2.0 * bm_test_random(&seed));
      }
   }
   for (int pass = 0; pass < 3; ++pass) {
      BmInstance* used = hosted_instance(plugin, RATE_HZ);
      BmInstance* new = hosted_instance(plugin, RATE_HZ);
      for (uint32_t start = 0; start < N_DIRTY; start += 2525) {
         set_all(used, &seed);
         bm_instance_set(used, plugin->enabled->index, pass == 2 && start >= 5000 ? 0.0F : 1.0F);
         run(used, &dirt, &unheard, start, 2525);
      }
      bm_instance_set(used, plugin->enabled->index, 1.0F);
      BmError error = {0};
      char* settings = bm_instance_save(used);
      bm_instance_load_text(new, settings, &error);
      assert_false(error.is_set);
      free(settings);
      for (uint32_t i = 0; i < plugin->n_ports; ++i) {
         if (control_input(plugin, i)) {
            bm_instance_set(new, i, bm_instance_get(used, i)); /* the text rounds */
         }
      }
      bm_instance_restart(used);
      run_on(used, &in, &restarted, 0, 1000);
      run_on(new, &in, &fresh, 0, 1000);
      assert_same(plugin, &restarted, &fresh, 0, "after deactivate and activate");
      for (uint32_t i = 0; i < plugin->n_ports; ++i) {
         if (plugin->ports[i].kind == BM_PORT_CONTROL &&
             bm_instance_get(used, i) != bm_instance_get(new, i)) {
            fail_msg("%s: after deactivate and activate: %s is %g, not %g", plugin->uri,
                     plugin->ports[i].symbol, (double)bm_instance_get(used, i),
                     (double)bm_instance_get(new, i));
         }
      }
      cases_add(plugin->uri, "restart", 1);
      bm_instance_free(used);
      bm_instance_free(new);
   }
   audio_free(&in);
   audio_free(&dirt);
   audio_free(&unheard);
   audio_free(&restarted);
   audio_free(&fresh);
}

static void every_plugin_starts_afresh_when_it_is_activated_again(void** state)
{
   (void)state;
   hosted_for_every_plugin(check_restart);
}

static void check_silence(const BmPlugin* plugin)
{
   Audio in = audio_new(N_FRAMES);
   Audio out = audio_new(N_FRAMES);
   BmInstance* instance = hosted_instance(plugin, RATE_HZ);
   run_on(instance, &in, &out, 0, 1000);
   assert_same(plugin, &out, &in, 0, "silence in");
   cases_add(plugin->uri, "silence", 1);
   bm_instance_free(instance);
   audio_free(&in);
   audio_free(&out);
}

static void every_plugin_is_silent_when_the_input_is(void** state)
{
   (void)state;
   hosted_for_every_plugin(check_silence);
}

static int n_log_lines;

static void count_log_line(void* user, const char* plugin_uri, const char* line)
{
   (void)user;
   (void)plugin_uri;
   (void)line;
   ++n_log_lines;
}

static double good_hz;

static void check_good_rate(const BmPlugin* plugin)
{
   enum { N = 4000 };
   Audio in = plucks(N);
   Audio out = audio_new(N);
   BmInstance* instance = hosted_instance(plugin, good_hz);
   run(instance, &in, &out, 0, N);
   for (uint32_t c = 0; c < plugin->n_audio_out; ++c) {
      double power = 0.0;
      for (uint32_t n = 0; n < N; ++n) {
         const double x = (double)out.channels[c][n];
         if (!(fabs(x) < 10.0)) {
            fail_msg("%s at %g Hz: frame %u is %g", plugin->uri, good_hz, n, x);
         }
         power += x * x / N;
      }
      if (power < 1e-6) {
         fail_msg("%s at %g Hz: channel %u is silent", plugin->uri, good_hz, c);
      }
   }
   cases_add(plugin->uri, "rates", 1);
   bm_instance_free(instance);
   audio_free(&in);
   audio_free(&out);
}

static void every_plugin_runs_at_odd_rates_from_8_to_384_khz(void** state)
{
   (void)state;
   static const double rates_hz[] = {8000.0, 11025.0, 37800.0, 44055.9, 88200.0, 192000.0, 384000.0};
   for (size_t i = 0; i < sizeof rates_hz / sizeof *rates_hz; ++i) {
      good_hz = rates_hz[i];
      Keepers kept = keepers_new(good_hz);
      hosted_for_every_plugin(check_good_rate);
      keepers_free(&kept);
   }
}

static void check_bad_rates(const BmPlugin* plugin)
{
   static const double bad_hz[] = {0.0, 1.0, 7999.0, 384001.0, -48000.0, 1e9, 1e300, INFINITY, NAN};
   for (size_t i = 0; i < sizeof bad_hz / sizeof *bad_hz; ++i) {
      BmError error = {0};
      n_log_lines = 0;
      bm_host_set_log(hosted_host, count_log_line, NULL);
      BmInstance* instance = bm_instance_new(hosted_host, plugin, bad_hz[i], MAX_BLOCK, &error);
      bm_host_set_log(hosted_host, NULL, NULL);
      if (instance || n_log_lines != 1) {
         fail_msg("%s at %g Hz: expected a refusal with one log line, got %d lines", plugin->uri, bad_hz[i],
                  n_log_lines);
      }
      cases_add(plugin->uri, "rates", 1);
   }
}

static void every_plugin_refuses_absurd_rates_in_one_line(void** state)
{
   (void)state;
   hosted_for_every_plugin(check_bad_rates);
}

/* Whatever preset stood before, a preset leads to the same settings, and does what its file says. */
static void check_presets(const BmPlugin* plugin)
{
   BmInstance* wanderer = hosted_instance(plugin, RATE_HZ);
   for (uint32_t i = 0; i < 2 * plugin->n_presets; ++i) {
      const char* uri = plugin->presets[i % plugin->n_presets].uri;
      BmError error = {0};
      BmInstance* fresh = hosted_instance(plugin, RATE_HZ);
      char* untouched = bm_instance_save(fresh);
      if (!bm_instance_load_preset(fresh, uri, &error) || !bm_instance_load_preset(wanderer, uri, &error)) {
         fail_msg("%s: %s", uri, error.text);
      }
      char* expected = bm_instance_save(fresh);
      char* settings = bm_instance_save(wanderer);
      if (strcmp(settings, expected) != 0) {
         fail_msg("%s: after another preset it sets\n%s\nbut alone\n%s", uri, settings, expected);
      }
      if (strcmp(untouched, expected) == 0) {
         fail_msg("%s: changes nothing", uri);
      }
      cases_add(plugin->uri, "presets", 1);
      free(untouched);
      free(expected);
      free(settings);
      bm_instance_free(fresh);
   }
   bm_instance_free(wanderer);
}

static void every_preset_sounds_the_same_whatever_stood_before(void** state)
{
   (void)state;
   hosted_for_every_plugin(check_presets);
}

static const BmPort* input_of(const BmPlugin* plugin, const char* symbol)
{
   for (uint32_t i = 0; i < plugin->n_ports; ++i) {
      if (control_input(plugin, i) && !strcmp(plugin->ports[i].symbol, symbol)) {
         return &plugin->ports[i];
      }
   }
   return NULL;
}

/* With nothing of it in the mix, a plugin is a gain and its latency; 6 dB of both gains. */
static void check_dry_mix(const BmPlugin* plugin)
{
   const BmPort* mix = input_of(plugin, "mix");
   if (!mix) {
      return;
   }
   Audio in = plucks(N_FRAMES);
   Audio out = audio_new(N_FRAMES);
   BmInstance* instance = hosted_instance(plugin, RATE_HZ);
   bm_instance_set(instance, mix->index, 0.0F);
   bm_instance_set(instance, input_of(plugin, "input_gain")->index, 9.0F);
   bm_instance_set(instance, input_of(plugin, "output_gain")->index, -3.0F);
   run_on(instance, &in, &out, 0, 1000);
   const uint32_t latency = (uint32_t)bm_instance_get(instance, plugin->latency->index);
   for (uint32_t c = 0; c < plugin->n_audio_out; ++c) {
      const float* x = in.channels[c < plugin->n_audio_in ? c : 0];
      for (uint32_t i = latency; i < N_FRAMES; ++i) {
         const double expected = (double)x[i - latency] * pow(10.0, 6.0 / 20.0);
         if (!(fabs((double)out.channels[c][i] - expected) < 1e-6)) {
            fail_msg("%s: mix 0, channel %u, frame %u: %g, not %g", plugin->uri, c, i,
                     (double)out.channels[c][i], expected);
         }
      }
   }
   cases_add(plugin->uri, "nothing in the mix", 1);
   bm_instance_free(instance);
   audio_free(&in);
   audio_free(&out);
}

static void every_plugin_with_nothing_in_the_mix_is_the_take_at_its_gains(void** state)
{
   (void)state;
   hosted_for_every_plugin(check_dry_mix);
}

static double furthest(const BmPlugin* plugin, const Audio* a, const Audio* b, uint32_t from)
{
   double most = 0.0;
   for (uint32_t c = 0; c < plugin->n_audio_out; ++c) {
      for (uint32_t i = from; i < a->n_frames; ++i) {
         most = fmax(most, fabs((double)a->channels[c][i] - (double)b->channels[c][i]));
      }
   }
   return most;
}

/* A host that has bounced goes back to the quality it had set. */
static void check_after_rendering(const BmPlugin* plugin)
{
   enum { LIVE, RENDERING, AFTERWARDS, N_WAYS };
   const BmPort* rendering = NULL;
   for (uint32_t i = 0; i < plugin->n_ports; ++i) {
      rendering = plugin->ports[i].is_free_wheeling ? &plugin->ports[i] : rendering;
   }
   if (!rendering) {
      return;
   }
   Audio in = plucks(N_FRAMES);
   Audio out[N_WAYS];
   for (int way = 0; way < N_WAYS; ++way) {
      out[way] = audio_new(N_FRAMES);
      BmInstance* instance = hosted_instance(plugin, RATE_HZ);
      bm_instance_set(instance, input_of(plugin, "input_gain")->index, 12.0F);
      bm_instance_set(instance, rendering->index, way == LIVE ? 0.0F : 1.0F);
      run(instance, &in, &out[way], 0, 1000);
      bm_instance_set(instance, rendering->index, way == RENDERING ? 1.0F : 0.0F);
      run_on(instance, &in, &out[way], 1000, 1000);
      bm_instance_free(instance);
   }
   const uint32_t from = N_FRAMES - 4000;
   const double by_quality = furthest(plugin, &out[RENDERING], &out[LIVE], from);
   const double left = furthest(plugin, &out[AFTERWARDS], &out[LIVE], from);
   if (left > 0.5 * by_quality) {
      fail_msg("%s: %g off what it was before rendering, which changes it by %g", plugin->uri, left,
               by_quality);
   }
   cases_add(plugin->uri, "after rendering", 1);
   audio_free(&in);
   for (int way = 0; way < N_WAYS; ++way) {
      audio_free(&out[way]);
   }
}

static void every_plugin_goes_back_to_its_quality_after_rendering(void** state)
{
   (void)state;
   hosted_for_every_plugin(check_after_rendering);
}

/* Where left is not right: a side is left without right, takes and walls have places. */
static bool has_sides(const BmPlugin* plugin)
{
   static const char* const names[] = {"mid-side-matrix", "mid-side-eq", "channel-strip", "room-reverb",
                                       "take-placement"};
   bool found = plugin->n_audio_in != 2 || plugin->n_audio_out != 2;
   for (size_t i = 0; i < sizeof names / sizeof *names; ++i) {
      found = found || strstr(plugin->uri, names[i]);
   }
   return found;
}

/* Left into right and right into left: so comes out what came out, to the bit, while controls jump. */
static void check_sides(const BmPlugin* plugin)
{
   if (has_sides(plugin)) {
      return;
   }
   Audio in = plucks(N_FRAMES);
   Audio out = audio_new(N_FRAMES);
   Audio exchanged = audio_new(N_FRAMES);
   Audio in_exchanged = in;
   Audio out_exchanged = exchanged;
   for (int c = 0; c < 2; ++c) {
      in_exchanged.channels[c] = in.channels[1 - c];
      out_exchanged.channels[c] = exchanged.channels[1 - c];
   }
   render_in_blocks(plugin, &in, &out, 1000);
   render_in_blocks(plugin, &in_exchanged, &out_exchanged, 1000);
   assert_same(plugin, &exchanged, &out, 0, "left and right exchanged");
   cases_add(plugin->uri, "sides alike", 1);
   audio_free(&in);
   audio_free(&out);
   audio_free(&exchanged);
}

static void right_is_treated_as_left_is(void** state)
{
   (void)state;
   hosted_for_every_plugin(check_sides);
}

/* Outputs by plugin and symbol; whether one of its forms has shown something else there than at first. */
typedef struct {
   char name[96];
   bool has_moved;
} Reading;

enum { MAX_READINGS = 256 };
static Reading readings[MAX_READINGS];
static uint32_t n_readings;

static Reading* reading_of(const BmPlugin* plugin, const BmPort* port)
{
   Reading new = {.has_moved = port == plugin->latency};
   snprintf(new.name, sizeof new.name, "%.*s: %s", (int)strcspn(plugin->uri, "#"), plugin->uri, port->symbol);
   for (uint32_t i = 0; i < n_readings; ++i) {
      if (!strcmp(readings[i].name, new.name)) {
         return &readings[i];
      }
   }
   assert_true(n_readings < MAX_READINGS);
   readings[n_readings] = new;
   return &readings[n_readings++];
}

/* Notes, all controls anew for each second and one channel the other way up, until every output has moved. */
static void check_readings(const BmPlugin* plugin)
{
   enum { N = RATE_HZ, MAX_OUTPUTS = 32, TRIES = 8 };
   Audio in = plucks(N);
   Audio out = audio_new(N);
   BmInstance* instance = hosted_instance(plugin, RATE_HZ);
   const BmPort* ports[MAX_OUTPUTS];
   float first[MAX_OUTPUTS];
   uint32_t n_ports = 0;
   uint64_t seed = 71;
   run(instance, &in, &out, 0, 0);
   for (uint32_t i = 0; i < plugin->n_ports; ++i) {
      if (plugin->ports[i].kind == BM_PORT_CONTROL && !plugin->ports[i].is_input) {
         assert_true(n_ports < MAX_OUTPUTS);
         ports[n_ports] = &plugin->ports[i];
         first[n_ports++] = bm_instance_get(instance, i);
      }
   }
   uint32_t n_still = n_ports;
   for (int n = 0; n < TRIES && n_still; ++n) {
      if (n) {
         set_all(instance, &seed);
      }
      for (uint32_t i = 0; i < N; ++i) {
         in.channels[1][i] = -in.channels[1][i];
      }
      run_on(instance, &in, &out, 0, 4800);
      n_still = 0;
      for (uint32_t i = 0; i < n_ports; ++i) {
         Reading* reading = reading_of(plugin, ports[i]);
         reading->has_moved = reading->has_moved || bm_instance_get(instance, ports[i]->index) != first[i];
         n_still += !reading->has_moved;
      }
   }
   cases_add(plugin->uri, "readings", n_ports);
   bm_instance_free(instance);
   audio_free(&in);
   audio_free(&out);
}

/* In one of its forms: what tells left from right has nothing to tell of one channel. */
static void every_output_of_every_plugin_shows_what_it_hears(void** state)
{
   (void)state;
   hosted_for_every_plugin(check_readings);
   for (uint32_t i = 0; i < n_readings; ++i) {
      if (!readings[i].has_moved) {
         fail_msg("%s stands still whatever is played", readings[i].name);
      }
   }
}

/* How many frames `out` lags behind `in`: where their cross-correlation is largest. */
static int64_t measured_lag(const float* in, const float* out, uint32_t n_frames, uint32_t near,
                            uint32_t reach)
{
   double largest = 0.0;
   int64_t lag = -1;
   for (uint32_t candidate = near > reach ? near - reach : 0; candidate <= near + reach; ++candidate) {
      double sum = 0.0;
      for (uint32_t i = near + reach; i < n_frames; ++i) {
         sum += (double)in[i - candidate] * (double)out[i];
      }
      if (fabs(sum) > largest) {
         largest = fabs(sum);
         lag = candidate;
      }
   }
   return lag;
}

/* With soft white noise through its defaults, quality live and render. */
static void check_latency(const BmPlugin* plugin)
{
   static const double rates_hz[] = {RATE_HZ, 44100.0, 96000.0};
   enum { N = 6000, REACH = 100 };
   Audio in = audio_new(N);
   Audio out = audio_new(N);
   uint64_t seed = 31;
   for (uint32_t i = 0; i < N; ++i) {
      const float x = (float)(0.05 * bm_test_random(&seed));
      for (uint32_t c = 0; c < MAX_CHANNELS; ++c) {
         in.channels[c][i] = x;
      }
   }
   for (size_t r = 0; r < 2 * sizeof rates_hz / sizeof *rates_hz; ++r) {
      BmInstance* instance = hosted_instance(plugin, rates_hz[r / 2]);
      for (uint32_t i = 0; i < plugin->n_ports; ++i) {
         if (plugin->ports[i].is_free_wheeling) {
            bm_instance_set(instance, i, r % 2 ? 1.0F : 0.0F);
         }
      }
      run_on(instance, &in, &out, 0, 1000);
      const uint32_t told = (uint32_t)bm_instance_get(instance, plugin->latency->index);
      for (uint32_t c = 0; c < plugin->n_audio_out; ++c) {
         const int64_t lag = measured_lag(in.channels[0], out.channels[c], N, told, REACH);
         if (lag != told) {
            fail_msg("%s at %g Hz tells a latency of %u frames, but channel %u lags by %lld\n", plugin->uri,
                     rates_hz[r / 2], told, c, (long long)lag);
         }
         cases_add(plugin->uri, "latency", 1);
      }
      bm_instance_free(instance);
   }
   audio_free(&in);
   audio_free(&out);
}

static void every_latency_told_is_the_latency_measured(void** state)
{
   (void)state;
   hosted_for_every_plugin(check_latency);
}

int main(void)
{
   if (!hosted_open()) {
      return 1;
   }
   Keepers kept[] = {keepers_new(RATE_HZ), keepers_new(44100.0), keepers_new(96000.0)};
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(every_plugin_gives_the_same_bits_for_every_block_size_while_controls_jump),
      cmocka_unit_test(every_plugin_gives_the_same_bits_in_place),
      cmocka_unit_test(no_instance_hears_another),
      cmocka_unit_test(every_bypass_is_the_input_to_the_bit_and_in_time),
      cmocka_unit_test(every_plugin_starts_afresh_when_it_is_activated_again),
      cmocka_unit_test(every_plugin_is_silent_when_the_input_is),
      cmocka_unit_test(every_plugin_runs_at_odd_rates_from_8_to_384_khz),
      cmocka_unit_test(every_plugin_refuses_absurd_rates_in_one_line),
      cmocka_unit_test(every_preset_sounds_the_same_whatever_stood_before),
      cmocka_unit_test(every_plugin_with_nothing_in_the_mix_is_the_take_at_its_gains),
      cmocka_unit_test(every_plugin_goes_back_to_its_quality_after_rendering),
      cmocka_unit_test(right_is_treated_as_left_is),
      cmocka_unit_test(every_output_of_every_plugin_shows_what_it_hears),
      cmocka_unit_test(every_latency_told_is_the_latency_measured),
   };
   const int n_failed = cmocka_run_group_tests(tests, NULL, NULL);
   for (size_t i = 0; i < sizeof kept / sizeof *kept; ++i) {
      keepers_free(&kept[i]);
   }
   bm_host_free(hosted_host);
   return n_failed;
}
