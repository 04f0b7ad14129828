/* SPDX-License-Identifier: ISC */
/* If these fail, a stem is not what the session says: out of time, out of balance, cut short, or different
 * tomorrow. */
#include "session_test.h"

#include "automation.h"

#define SESSION "<> a bm:Session ; bm:sampleRate 48000 .\n"
#define BUS "<#mix> a bm:Bus .\n"
#define STEM "<#out> a bm:Stem ; bm:from <#mix> ; bm:file \"out.wav\" .\n"
#define STEM_OF_A "<#out> a bm:Stem ; bm:from <#a> ; bm:file \"out.wav\" .\n"
#define GAIN(value) "lv2:port [ lv2:symbol \"gain\" ; pset:value " value " ]"
#define DELAY(value) "[ lv2:appliesTo test:mono ; lv2:port [ lv2:symbol \"delay\" ; pset:value " value " ] ]"
#define STEREO_DELAY(value)                                                                                  \
   "[ lv2:appliesTo test:stereo ; lv2:port [ lv2:symbol \"delay\" ; pset:value " value " ] ]"

#define N_TAKE 5000u

static void a_take_alone_comes_out_to_the_bit(void** state)
{
   (void)state;
   write_take("take.wav", RATE_HZ, 2, N_TAKE, wave_noise);
   Rendered r = render_body(SESSION STEM_OF_A "<#a> a bm:Track ; bm:take <take.wav> .\n");
   assert_int_equal(r.n_frames, N_TAKE);
   for (uint32_t n = 0; n < N_TAKE; ++n) {
      for (uint32_t c = 0; c < 2; ++c) {
         assert_true(r.after[0][c][n] == wave_noise(n, c) && r.before[0][c][n] == wave_noise(n, c));
      }
   }
   rendered_free(&r);
}

/* Level of the sides of a mono take of ones at `pan`. */
static void sides(const char* pan, double* left, double* right)
{
   char* body =
      bm_print(SESSION STEM_OF_A "<#a> a bm:Track ; bm:take <take.wav> ; bm:pan %s ; bm:gain -6 .\n", pan);
   Rendered r = render_body(body);
   assert_int_equal(r.n_channels[0], 2);
   *left = (double)r.after[0][0][10] / pow(10.0, -6.0 / 20.0);
   *right = (double)r.after[0][1][10] / pow(10.0, -6.0 / 20.0);
   rendered_free(&r);
   free(body);
}

/* Constant power, sine and cosine: at a quarter -0.688 and -8.343 dB (reference sheet, section 8). */
static void the_pan_of_a_mono_take_keeps_its_power(void** state)
{
   (void)state;
   write_take("take.wav", RATE_HZ, 1, 100, wave_one);
   double left = 0.0;
   double right = 0.0;
   sides("-0.5", &left, &right);
   assert_close(20.0 * log10(left), -0.688, 0.001);
   assert_close(20.0 * log10(right), -8.343, 0.001);
   sides("0", &left, &right);
   assert_close(20.0 * log10(left), -3.0103, 0.0001);
   assert_close(left, right, 1e-7);
   sides("1", &left, &right);
   assert_true(left == 0.0);
   assert_close(right, 1.0, 1e-7);
   for (double pan = -1.0; pan <= 1.0; pan += 0.125) {
      char text[32];
      snprintf(text, sizeof(text), "%g", pan);
      sides(text, &left, &right);
      assert_close(10.0 * log10(left * left + right * right), 0.0, 0.001);
   }
}

static void the_pan_of_a_stereo_take_is_a_balance(void** state)
{
   (void)state;
   write_take("pair.wav", RATE_HZ, 2, 100, wave_noise);
   Rendered r = render_body(SESSION STEM_OF_A "<#a> a bm:Track ; bm:take <pair.wav> ; bm:pan 0.5 .\n");
   for (uint32_t n = 0; n < 100; ++n) {
      assert_close((double)r.after[0][0][n], 0.70710678 * (double)wave_noise(n, 0), 1e-7);
      assert_true(r.after[0][1][n] == wave_noise(n, 1));
   }
   rendered_free(&r);
   r = render_body(SESSION STEM_OF_A "<#a> a bm:Track ; bm:take <pair.wav> ; bm:pan -1 .\n");
   for (uint32_t n = 0; n < 100; ++n) {
      assert_true(r.after[0][0][n] == wave_noise(n, 0) && r.after[0][1][n] == 0.0f);
   }
   rendered_free(&r);
}

static void a_mono_take_comes_to_the_middle_of_a_stereo_bus(void** state)
{
   (void)state;
   write_take("take.wav", RATE_HZ, 1, 100, wave_noise);
   Rendered r = render_body(SESSION BUS STEM "<#a> a bm:Track ; bm:take <take.wav> ; bm:output <#mix> .\n");
   for (uint32_t n = 0; n < 100; ++n) {
      assert_close((double)r.after[0][0][n], sqrt(0.5) * (double)wave_noise(n, 0), 1e-7);
      assert_true(r.after[0][0][n] == r.after[0][1][n]);
   }
   rendered_free(&r);
}

static void takes_stand_where_their_offsets_say(void** state)
{
   (void)state;
   write_take("take.wav", RATE_HZ, 4, N_TAKE, wave_noise);
   /* 0.05 s are 2400 frames at 48 kHz. */
   Rendered r = render_body(
      SESSION STEM_OF_A "<#a> a bm:Track ; bm:take <take.wav> ; bm:takeChannels ( 3 ) ; bm:offset 0.05 .\n"
                        "<#b> a bm:Track ; bm:take <take.wav> ; bm:takeChannels ( 2 4 ) ; bm:offset -0.05 ;\n"
                        "   bm:inverted true .\n"
                        "<#second> a bm:Stem ; bm:from <#b> ; bm:file \"b.wav\" .\n");
   assert_int_equal(r.n_frames, N_TAKE + 2400);
   for (uint32_t n = 0; n < r.n_frames; ++n) {
      assert_true(r.after[0][0][n] == (n < 2400 ? 0.0f : wave_noise(n - 2400, 2)));
      const bool has_ended = n + 2400 >= N_TAKE;
      assert_true(r.after[1][0][n] == (has_ended ? 0.0f : -wave_noise(n + 2400, 1)));
      assert_true(r.after[1][1][n] == (has_ended ? 0.0f : -wave_noise(n + 2400, 3)));
   }
   rendered_free(&r);
}

static void parallel_paths_of_different_latency_meet_to_the_frame(void** state)
{
   (void)state;
   write_take("take.wav", RATE_HZ, 1, N_TAKE, wave_noise);
   /* Straight; late by 700; late by 13 over a bus that is late by 1200; early and turned over, as often as
      the rest. If all meet, nothing is left. */
   Rendered r = render_body(
      SESSION BUS STEM
      "<#a> a bm:Track ; bm:take <take.wav> ; bm:output <#mix> .\n"
      "<#b> a bm:Track ; bm:take <take.wav> ; bm:inserts ( " DELAY(
         "700") " ) ; bm:output <#mix> .\n"
                "<#c> a bm:Track ; bm:take <take.wav> ; bm:inserts ( " DELAY(
                   "13") " ) ;\n"
                         "   bm:send [ bm:to <#late> ; bm:preFader true ] ; bm:gain -144 .\n"
                         "<#late> a bm:Bus ; bm:channels 1 ; bm:inserts ( " DELAY(
                            "1200") " ) ; bm:output <#mix> .\n"
                                    "<#d> a bm:Track ; bm:take <take.wav> ; bm:inverted true ; bm:output "
                                    "<#mix> , <#also> ;\n"
                                    "   bm:send [ bm:to <#mix> ] .\n"
                                    "<#also> a bm:Bus ; bm:channels 1 ; bm:output <#mix> .\n"
                                    "<#alone> a bm:Stem ; bm:from <#a> ; bm:file \"alone.wav\" .\n"
                                    "<#late-alone> a bm:Stem ; bm:from <#late> ; bm:file \"late.wav\" .\n");
   assert_int_equal(r.n_frames, N_TAKE);
   for (uint32_t n = 0; n < N_TAKE; ++n) {
      assert_close((double)r.after[0][0][n], 0.0, 1e-7);
      assert_true(r.after[1][0][n] == wave_noise(n, 0));
      assert_true(r.after[2][0][n] == wave_noise(n, 0));
   }
   rendered_free(&r);
}

static void before_is_the_session_without_inserts_and_sends_in_time_with_after(void** state)
{
   (void)state;
   write_take("take.wav", RATE_HZ, 1, N_TAKE, wave_noise);
   Rendered r = render_body(SESSION BUS STEM "<#a> a bm:Track ; bm:take <take.wav> ; bm:inserts ( " DELAY(
      "700") " \n"
             "   [ lv2:appliesTo test:mono ; " GAIN(
                "0.25") " ] ) ;\n"
                        "   bm:pan -1 ; bm:output <#mix> ; bm:send [ bm:to <#mix> ] .\n");
   for (uint32_t n = 0; n < N_TAKE; ++n) {
      assert_true(r.before[0][0][n] == wave_noise(n, 0));
      assert_true(r.after[0][0][n] == 0.5f * wave_noise(n, 0));
   }
   rendered_free(&r);
}

static void a_send_taps_before_or_after_the_fader(void** state)
{
   (void)state;
   write_take("take.wav", RATE_HZ, 1, 100, wave_one);
   Rendered r = render_body(SESSION "<#a> a bm:Track ; bm:take <take.wav> ; bm:gain -20 ;\n"
                                    "   bm:send [ bm:to <#pre> ; bm:preFader true ; bm:gain -6 ] ,\n"
                                    "   [ bm:to <#post> ; bm:gain -6 ] .\n"
                                    "<#pre> a bm:Bus ; bm:channels 1 . <#post> a bm:Bus ; bm:channels 1 .\n"
                                    "<#1> a bm:Stem ; bm:from <#pre> ; bm:file \"pre.wav\" .\n"
                                    "<#2> a bm:Stem ; bm:from <#post> ; bm:file \"post.wav\" .\n");
   assert_close(20.0 * log10((double)r.after[0][0][50]), -6.0, 1e-5);
   assert_close(20.0 * log10((double)r.after[1][0][50]), -26.0, 1e-5);
   rendered_free(&r);
}

/* The pan comes with the fader. */
static void a_send_before_the_fader_of_a_panned_mono_track_comes_to_the_middle(void** state)
{
   (void)state;
   write_take("take.wav", RATE_HZ, 1, 100, wave_noise);
   Rendered r = render_body(SESSION "<#a> a bm:Track ; bm:take <take.wav> ; bm:pan -1 ;\n"
                                    "   bm:send [ bm:to <#pre> ; bm:preFader true ] , [ bm:to <#post> ] .\n"
                                    "<#pre> a bm:Bus . <#post> a bm:Bus .\n"
                                    "<#1> a bm:Stem ; bm:from <#pre> ; bm:file \"pre.wav\" .\n"
                                    "<#2> a bm:Stem ; bm:from <#post> ; bm:file \"post.wav\" .\n");
   for (uint32_t n = 0; n < 100; ++n) {
      assert_close((double)r.after[0][0][n], sqrt(0.5) * (double)wave_noise(n, 0), 1e-7);
      assert_true(r.after[0][1][n] == r.after[0][0][n]);
      assert_true(r.after[1][0][n] == wave_noise(n, 0) && r.after[1][1][n] == 0.0f);
   }
   rendered_free(&r);
}

static void a_muted_track_and_its_sends_are_not_heard(void** state)
{
   (void)state;
   write_take("take.wav", RATE_HZ, 1, 100, wave_one);
   Rendered r = render_body(SESSION BUS STEM
                            "<#a> a bm:Track ; bm:take <take.wav> ; bm:pan -1 ; bm:output <#mix> .\n"
                            "<#b> a bm:Track ; bm:take <take.wav> ; bm:mute true ; bm:output <#mix> ;\n"
                            "   bm:send [ bm:to <#mix> ; bm:preFader true ] .\n");
   assert_true(r.after[0][0][50] == 1.0f && r.after[0][1][50] == 0.0f);
   rendered_free(&r);
}

static void a_mono_signal_goes_through_a_stereo_plugin_and_is_stereo_from_there_on(void** state)
{
   (void)state;
   write_take("take.wav", RATE_HZ, 1, 100, wave_noise);
   Rendered r =
      render_body(SESSION STEM_OF_A
                  "<#a> a bm:Track ; bm:take <take.wav> ; bm:inserts ( [ lv2:appliesTo test:stereo ] ) .\n"
                  "<#b> a bm:Track ; bm:take <take.wav> ; bm:inserts ( [ lv2:appliesTo test:widen ] ) .\n"
                  "<#2> a bm:Stem ; bm:from <#b> ; bm:file \"b.wav\" .\n");
   for (uint32_t t = 0; t < 2; ++t) {
      assert_int_equal(r.n_channels[t], 2);
      for (uint32_t n = 0; n < 100; ++n) {
         for (uint32_t c = 0; c < 2; ++c) {
            assert_true(r.after[t][c][n] == wave_noise(n, 0) && r.before[t][c][n] == wave_noise(n, 0));
         }
      }
   }
   rendered_free(&r);
}

/* Before, nothing is done to it: both channels are heard, as loud as either if they are alike. */
static void a_pair_goes_through_a_plugin_with_one_output_and_is_mono_from_there_on(void** state)
{
   (void)state;
   write_take("pair.wav", RATE_HZ, 2, 100, wave_noise);
   Rendered r =
      render_body(SESSION STEM_OF_A
                  "<#a> a bm:Track ; bm:take <pair.wav> ; bm:inserts ( [ lv2:appliesTo test:narrow ] ) .\n");
   assert_int_equal(r.n_channels[0], 1);
   for (uint32_t n = 0; n < 100; ++n) {
      assert_true(r.after[0][0][n] == wave_noise(n, 0));
      assert_true(r.before[0][0][n] == (float)(0.5 * ((double)wave_noise(n, 0) + (double)wave_noise(n, 1))));
   }
   rendered_free(&r);
}

static void settings_of_any_host_can_be_pasted(void** state)
{
   (void)state;
   write_take("take.wav", RATE_HZ, 1, 100, wave_one);
   write_text("saved.ttl", PREFIXES "<urn:saved> a pset:Preset ; lv2:appliesTo test:mono ;\n"
                                    "   lv2:port [ lv2:symbol \"gain\" ; pset:value 4.0 ] ;\n"
                                    "   state:state [ test:scale \"0.125\" ] .\n");
   static const struct {
      const char* words;
      float level;
   } cases[] = {
      {"state:state [ test:scale \"0.25\" ]", 0.25f},
      {"state:state [ test:scale \"0.25\" ] ; " GAIN("3.0"), 0.75f},
      {"pset:preset test:half", 0.125f},
      {"pset:preset test:half ; " GAIN("2.0"), 0.5f},
      {"pset:preset <saved.ttl>", 0.5f},
      {"bm:bypass true ; " GAIN("2.0"), 1.0f},
   };
   for (size_t n = 0; n < sizeof(cases) / sizeof(cases[0]); ++n) {
      char* body = bm_print(SESSION STEM_OF_A "<#a> a bm:Track ; bm:take <take.wav> ;\n"
                                              "bm:inserts ( [ lv2:appliesTo test:mono ; %s ] ) .\n",
                            cases[n].words);
      Rendered r = render_body(body);
      /* From the first frame on, though the state reaches the plugin through its worker. */
      assert_close((double)r.after[0][0][0], (double)cases[n].level, 0.0);
      rendered_free(&r);
      free(body);
   }
}

static void a_jump_of_a_control_lands_on_its_frame(void** state)
{
   (void)state;
   write_take("ones.wav", RATE_HZ, 1, N_TAKE, wave_one);
   /* 1234 frames at 48 kHz, not on any grid; behind a plugin that is 700 frames late it still meets the same
    * sound. */
   Rendered r = render_body(SESSION STEM_OF_A "<#a> a bm:Track ; bm:take <ones.wav> ; bm:inserts (\n" DELAY(
      "700") "\n"
             "[ lv2:appliesTo test:mono ; bm:automation [ lv2:symbol \"gain\" ;\n"
             "   bm:points ( ( 0 1.0 bm:held ) ( 0.025708333 -2.0 bm:held ) ( 0.05 3.0 ) ) ] ] ) .\n");
   for (uint32_t n = 0; n < N_TAKE; ++n) {
      assert_true(r.after[0][0][n] == (n < 1234 ? 1.0f : n < 2400 ? -2.0f : 3.0f));
   }
   rendered_free(&r);
}

static void a_ramp_of_a_control_climbs_on_a_fine_grid_and_ends_where_it_should(void** state)
{
   (void)state;
   /* 2407 frames, not on the grid: there it jumps down, to climb again. */
   const double jump_s = 0.050145833;
   write_take("ones.wav", RATE_HZ, 1, N_TAKE, wave_one);
   Rendered r = render_body(
      SESSION STEM_OF_A "<#a> a bm:Track ; bm:take <ones.wav> ; bm:inserts ( [ lv2:appliesTo test:mono ;\n"
                        "bm:automation [ lv2:symbol \"gain\" ; bm:points ( ( 0.01 0.5 ) ( 0.050145833 2.5 )\n"
                        "( 0.050145833 1.0 bm:geometric ) ( 0.1 4.0 ) ) ] ] ) .\n");
   for (uint32_t n = 0; n < N_TAKE; ++n) {
      const double t = (double)n / RATE_HZ;
      const double wanted = t < 0.01   ? 0.5
                            : n < 2407 ? 0.5 + 2.0 * (t - 0.01) / (jump_s - 0.01)
                                       : pow(4.0, fmin(t - jump_s, 0.1 - jump_s) / (0.1 - jump_s));
      /* Never further than one step of the grid, and exact on it. */
      const double step = n < 2407 ? 2.0 / 0.04 / RATE_HZ * BM_AUTOMATION_GRID_FRAMES : 0.08;
      assert_close((double)r.after[0][0][n], wanted, step);
      if (n % BM_AUTOMATION_GRID_FRAMES == 0) {
         assert_close((double)r.after[0][0][n], wanted, 1e-6);
      }
   }
   rendered_free(&r);
}

static void a_control_of_whole_numbers_is_given_the_nearest_ones_on_its_way(void** state)
{
   (void)state;
   write_take("take.wav", RATE_HZ, 1, N_TAKE, wave_noise);
   Rendered r = render_body(
      SESSION STEM_OF_A "<#a> a bm:Track ; bm:take <take.wav> ; bm:inserts ( [ lv2:appliesTo test:mono ;\n"
                        "bm:automation [ lv2:symbol \"delay\" ; bm:points ( ( 0 0 ) ( 0.1 4 ) ) ] ] ) .\n");
   for (uint32_t n = BM_AUTOMATION_GRID_FRAMES; n < 4800; ++n) {
      const uint32_t on_grid = n / BM_AUTOMATION_GRID_FRAMES * BM_AUTOMATION_GRID_FRAMES;
      assert_true(r.after[0][0][n] == wave_noise(n - (uint32_t)rint(4.0 * on_grid / 4800.0), 0));
   }
   rendered_free(&r);
}

/* A send that opens at 0.5 s opens on the sound of 0.5 s, however late its path is; the fader's grid is 16
 * frames. */
static void a_send_and_a_fader_meet_the_sound_they_were_set_on(void** state)
{
   (void)state;
   write_take("take.wav", RATE_HZ, 1, 48000, wave_one);
   Rendered rendered = render_body(
      "<> a bm:Session ; bm:maxTail 0 . <#a> a bm:Track ; bm:take <take.wav> ;\n"
      "   bm:inserts ( [ lv2:appliesTo test:mono ; lv2:port [ lv2:symbol \"delay\" ; pset:value 1000 ] ] ) "
      ";\n"
      "   bm:send [ bm:to <#late> ; bm:preFader true ; bm:automation [ bm:control bm:gain ;\n"
      "      bm:points ( ( 0.0 -144.0 bm:held ) ( 0.5 0.0 ) ) ] ] ;\n"
      "   bm:automation [ bm:control bm:gain ; bm:points ( ( 0.0 0.0 bm:held ) ( 0.25 -144.0 ) ) ] .\n"
      "<#late> a bm:Bus ; bm:channels 1 .\n"
      "<#s> a bm:Stem ; bm:from <#late> ; bm:file \"send.wav\" .\n"
      "<#t> a bm:Stem ; bm:from <#a> ; bm:file \"fader.wav\" .\n");
   for (uint32_t n = 0; n < 48000; ++n) {
      if (n < 24000 - 16 || n >= 24000 + 16) {
         assert_close(rendered.after[0][0][n], n < 24000 ? 0.0 : 1.0, 1e-6);
      }
      if (n < 12000 - 16 || n >= 12000 + 16) {
         assert_close(rendered.after[1][0][n], n < 12000 ? 1.0 : 0.0, 1e-6);
      }
   }
   rendered_free(&rendered);
}

static void gain_and_pan_move_without_steps(void** state)
{
   (void)state;
   write_take("ones.wav", RATE_HZ, 1, N_TAKE, wave_one);
   Rendered r = render_body(SESSION STEM_OF_A "<#a> a bm:Track ; bm:take <ones.wav> ; bm:inserts ( " DELAY(
      "700") " ) ;\n"
             "   bm:automation [ bm:control bm:gain ; bm:points ( ( 0.02 -12 ) ( 0.06 0 ) ) ] ,\n"
             "   [ bm:control bm:pan ; bm:points ( ( 0.02 -1 ) ( 0.06 1 ) ) ] .\n");
   for (uint32_t n = 0; n < N_TAKE; ++n) {
      const double share = fmin(fmax(((double)n / RATE_HZ - 0.02) / 0.04, 0.0), 1.0);
      const double gain = pow(10.0, (-12.0 + 12.0 * share) / 20.0);
      const double angle = 3.14159265358979 / 2.0 * share;
      assert_close((double)r.after[0][0][n], gain * cos(angle), 1e-4);
      assert_close((double)r.after[0][1][n], gain * sin(angle), 1e-4);
      assert_close((double)r.before[0][1][n], gain * sin(angle), 1e-4);
   }
   rendered_free(&r);
}

static void a_tail_ends_with_its_last_sample_above_minus_100_db(void** state)
{
   (void)state;
   write_take("click.wav", RATE_HZ, 1, 100, wave_click);
   /* The plugin echoes each 1000 frames at half the level: 2^-16 is the last above 1e-5. */
   Rendered r = render_body(SESSION STEM_OF_A "<#a> a bm:Track ; bm:take <click.wav> ; bm:inserts (\n"
                                              "[ lv2:appliesTo test:mono ; lv2:port [ lv2:symbol \"echo\" ; "
                                              "pset:value 0.5 ] ] ) .\n"
                                              "<#dry> a bm:Track ; bm:take <click.wav> .\n"
                                              "<#2> a bm:Stem ; bm:from <#dry> ; bm:file \"dry.wav\" .\n");
   assert_int_equal(r.n_frames, 16001);
   for (uint32_t n = 0; n < r.n_frames; ++n) {
      assert_true(r.after[0][0][n] == (n % 1000 ? 0.0f : powf(0.5f, (float)n / 1000.0f)));
      assert_true(r.after[1][0][n] == (n ? 0.0f : 1.0f) && r.before[0][0][n] == r.after[1][0][n]);
   }
   assert_string_equal(r.warning, "");
   rendered_free(&r);
}

static void a_tail_that_never_ends_is_cut_and_warned_of(void** state)
{
   (void)state;
   write_take("ones.wav", RATE_HZ, 1, 1000, wave_one);
   static const char body[] =
      "<> a bm:Session ; bm:maxTail %s .\n" STEM_OF_A "<#a> a bm:Track ; bm:take <ones.wav> ; bm:inserts (\n"
      "[ lv2:appliesTo test:mono ; lv2:port [ lv2:symbol \"echo\" ; pset:value 1.0 ] ] ) .\n";
   char text[1024];
   snprintf(text, sizeof(text), body, "2.5");
   Rendered r = render_body(text);
   assert_int_equal(r.n_frames, 1000 + 5 * RATE_HZ / 2);
   assert_non_null(strstr(r.warning, "still sounding 2.5 s after the last take"));
   rendered_free(&r);
   snprintf(text, sizeof(text), body, "0");
   r = render_body(text);
   assert_int_equal(r.n_frames, 1000);
   assert_string_equal(r.warning, "");
   rendered_free(&r);
}

#define SINE_HZ 997.0
#define SINE_RATE_HZ 44100

static float wave_sine(uint32_t frame, uint32_t channel)
{
   (void)channel;
   return (float)(0.5 * sin(2.0 * 3.14159265358979323846 * SINE_HZ * frame / SINE_RATE_HZ));
}

static void a_take_of_another_rate_keeps_its_pitch_level_and_time(void** state)
{
   (void)state;
   write_take("sine.wav", SINE_RATE_HZ, 1, SINE_RATE_HZ, wave_sine);
   Rendered r = render_body(SESSION STEM_OF_A "<#a> a bm:Track ; bm:take <sine.wav> .\n");
   assert_int_equal(r.n_frames, RATE_HZ);
   /* libsamplerate's best converter claims 144 dB; -120 dBFS leaves room for float arithmetic. The ends,
      where the sine begins and stops, ring. */
   for (uint32_t n = 1000; n < RATE_HZ - 1000; ++n) {
      const double wanted = 0.5 * sin(2.0 * 3.14159265358979323846 * SINE_HZ * n / RATE_HZ);
      assert_close((double)r.after[0][0][n], wanted, 1e-6);
   }
   rendered_free(&r);
}

static void meters_are_traced_over_the_whole_session(void** state)
{
   (void)state;
   write_take("ones.wav", RATE_HZ, 1, 2 * RATE_HZ, wave_one);
   Rendered r = render_body(
      SESSION STEM_OF_A "<#a> a bm:Track ; bm:take <ones.wav> ; bm:inserts ( [ lv2:appliesTo test:mono ;\n"
                        "bm:automation [ lv2:symbol \"gain\" ; bm:points ( ( 0 0 ) ( 2 4 ) ) ] ] ) .\n");
   const BmInsertRecord* record = bm_render_insert(r.render, 0, 0);
   assert_int_equal(record->n_traces, 2);
   const BmTrace* seen = &record->traces[0];
   assert_string_equal(seen->port->symbol, "seen");
   assert_in_range(seen->n_points, 100, 151);
   for (uint32_t n = 0; n < 100; ++n) {
      assert_close((double)seen->mean[n], 2.0 * n * seen->point_s, 0.05);
   }
   rendered_free(&r);
}

/* Up for 24 s and down again; of so many blocks a point holds several. */
static void the_trace_of_a_long_session_keeps_the_lowest_and_the_highest_of_each_stretch(void** state)
{
   (void)state;
   enum { LOW_RATE_HZ = 8000, HALF_S = 24 };
   write_take("ones.wav", LOW_RATE_HZ, 1, 2 * HALF_S * LOW_RATE_HZ, wave_one);
   Rendered r =
      render_body("<> a bm:Session ; bm:sampleRate 8000 .\n" STEM_OF_A
                  "<#a> a bm:Track ; bm:take <ones.wav> ; bm:inserts ( [ lv2:appliesTo test:mono ;\n"
                  "bm:automation [ lv2:symbol \"gain\" ; bm:points ( ( 0 0 ) ( 24 6 ) ( 48 0 ) ) ] ] ) .\n");
   const BmTrace* seen = &bm_render_insert(r.render, 0, 0)->traces[0];
   const double rise = 6.0 / HALF_S * seen->point_s;
   uint32_t n_compared = 0;
   for (uint32_t n = 0; n < seen->n_points; ++n) {
      const double begins_s = n * seen->point_s;
      const double ends_s = begins_s + seen->point_s;
      if (ends_s < HALF_S || (begins_s > HALF_S && ends_s < 2 * HALF_S)) {
         const double middle = 6.0 - 6.0 / HALF_S * fabs(0.5 * (begins_s + ends_s) - HALF_S);
         /* A block's reading is that of its last cut. */
         const double block = rise / 2.0;
         assert_close((double)seen->mean[n], middle, block);
         assert_close((double)seen->min[n], middle - 0.5 * rise, block);
         assert_close((double)seen->max[n], middle + 0.5 * rise, block);
         assert_true((double)(seen->max[n] - seen->min[n]) > 0.4 * rise);
         assert_true(seen->min[n] < seen->mean[n] && seen->mean[n] < seen->max[n]);
         ++n_compared;
      }
   }
   assert_true(n_compared > 100);
   rendered_free(&r);
}

static void plugins_are_told_that_nobody_waits_for_them(void** state)
{
   (void)state;
   write_take("ones.wav", RATE_HZ, 1, N_TAKE, wave_one);
   Rendered r =
      render_body(SESSION STEM_OF_A
                  "<#a> a bm:Track ; bm:take <ones.wav> ; bm:inserts ( [ lv2:appliesTo test:mono ]\n"
                  "[ lv2:appliesTo test:mono ; lv2:port [ lv2:symbol \"off_line\" ; pset:value 0 ] ] ) .\n");
   const BmTrace* told = &bm_render_insert(r.render, 0, 0)->traces[1];
   assert_string_equal(told->port->symbol, "is_off_line");
   assert_true(told->mean[0] == 1.0f);
   assert_true(bm_render_insert(r.render, 0, 1)->traces[1].mean[0] == 0.0f);
   rendered_free(&r);
}

static void what_is_not_a_number_stops_the_render_and_names_the_culprit(void** state)
{
   (void)state;
   write_take("ones.wav", RATE_HZ, 1, N_TAKE, wave_one);
   BmError error = {0};
   BmSession* session =
      read_session(SESSION STEM_OF_A "<#a> a bm:Track ; bm:take <ones.wav> ; bm:inserts (\n"
                                     "[ lv2:appliesTo test:mono ; bm:automation [ lv2:symbol \"fault\" ;\n"
                                     "bm:points ( ( 0 0 ) ( 0.05 1 ) ) ] ] ) .\n",
                   &error);
   assert_non_null(session);
   BmRender* render = bm_render_new(host, session, &error);
   Rendered rendered = {0};
   const BmRenderSink sink = {.user = &rendered, .hear = keep_blocks};
   assert_false(bm_render_run(render, &sink, &error));
   assert_non_null(strstr(
      error.text, ":5: <urn:bookmatch:test#mono> put out a sample that is not a finite number at 0.050 s"));
   bm_render_free(render);
   bm_session_free(session);
}

static float wave_with_a_hole(uint32_t frame, uint32_t channel)
{
   return frame == 4321 ? NAN : wave_noise(frame, channel);
}

static void a_take_that_is_not_finite_stops_the_render(void** state)
{
   (void)state;
   write_take("hole.wav", RATE_HZ, 1, N_TAKE, wave_with_a_hole);
   BmError error = {0};
   BmSession* session = read_session(SESSION STEM_OF_A "<#a> a bm:Track ; bm:take <hole.wav> .\n", &error);
   assert_non_null(session);
   BmRender* render = bm_render_new(host, session, &error);
   Rendered rendered = {.session = session};
   const BmRenderSink sink = {.user = &rendered, .hear = keep_blocks};
   assert_false(bm_render_run(render, &sink, &error));
   assert_non_null(
      strstr(error.text, "hole.wav: the sample at 0.090021 s (frame 4321, channel 1) is not a finite"));
   bm_render_free(render);
   bm_session_free(session);
}

/* Twelve tracks over three levels of buses: nobody may read what another thread has not finished. */
static void the_bytes_are_the_same_on_any_number_of_threads(void** state)
{
   (void)state;
   write_take("pair.wav", RATE_HZ, 2, N_TAKE, wave_noise);
   char* body = bm_copy(SESSION BUS STEM "<#early> a bm:Bus ; bm:output <#mix> ; bm:inserts ( " STEREO_DELAY(
      "5") " ) .\n"
           "<#late> a bm:Bus ; bm:output <#early> .\n");
   for (uint32_t n = 0; n < 12; ++n) {
      char* longer = bm_print(
         "%s<#a%u> a bm:Track ; bm:take <pair.wav> ; bm:pan %.2f ; bm:offset 0.%02u ;\n"
         "   bm:gain -%u ; bm:inserts ( " STEREO_DELAY("%u") " ) ; bm:output %s ;\n"
                                                             "   bm:send [ bm:to <#late> ; bm:gain -%u ] .\n",
         body, n, n / 6.0 - 0.9, n, n, 37 * n, n % 3 ? "<#mix>" : "<#early>", n + 1);
      free(body);
      body = longer;
   }
   n_render_threads = 1;
   Rendered alone = render_body(body);
   assert_true(alone.n_frames > N_TAKE);
   for (n_render_threads = 2; n_render_threads <= 16; n_render_threads += 7) {
      Rendered r = render_body(body);
      assert_int_equal(r.n_frames, alone.n_frames);
      for (uint32_t c = 0; c < 2; ++c) {
         assert_memory_equal(r.after[0][c], alone.after[0][c], r.n_frames * sizeof(float));
         assert_memory_equal(r.before[0][c], alone.before[0][c], r.n_frames * sizeof(float));
      }
      rendered_free(&r);
   }
   n_render_threads = 0;
   rendered_free(&alone);
   free(body);
}

static const BmRenderCost* cost_of(const BmRenderCost* costs, uint32_t n_costs, const char* what)
{
   for (uint32_t n = 0; n < n_costs; ++n) {
      if (!strcmp(costs[n].what, what)) {
         return &costs[n];
      }
   }
   fail_msg("no cost of %s", what);
   return NULL;
}

/* Who wants a faster session must be told which plugin to leave out: the one that stands on every track. */
static void the_costs_name_each_plugin_once_and_the_dearest_first(void** state)
{
   (void)state;
   write_take("pair.wav", RATE_HZ, 2, 20 * N_TAKE, wave_noise);
   Rendered r = render_body(SESSION BUS STEM
                            "<#a> a bm:Track ; bm:take <pair.wav> ; bm:output <#mix> ;\n"
                            "   bm:inserts ( " STEREO_DELAY("1") STEREO_DELAY("2")
                               STEREO_DELAY("3") " ) .\n"
                                                 "<#b> a bm:Track ; bm:take <pair.wav> ; bm:output <#mix> ;\n"
                                                 "   bm:inserts ( " STEREO_DELAY("6") " ) .\n");
   uint32_t n_costs = 0;
   BmRenderCost* costs = bm_render_costs(r.render, &n_costs);
   assert_int_equal(n_costs, 4);
   assert_int_equal(cost_of(costs, n_costs, "urn:bookmatch:test#stereo")->n_inserts, 4);
   assert_true(cost_of(costs, n_costs, "urn:bookmatch:test#stereo")->seconds > 0.0);
   assert_true(cost_of(costs, n_costs, "reading takes")->seconds > 0.0);
   assert_true(cost_of(costs, n_costs, "faders and buses")->seconds > 0.0);
   assert_true(cost_of(costs, n_costs, "stems and their fingerprints")->seconds > 0.0);
   for (uint32_t n = 1; n < n_costs; ++n) {
      assert_true(costs[n - 1].seconds >= costs[n].seconds);
   }
   free(costs);
   rendered_free(&r);
}

/* Two culprits in the same block: whichever thread is faster, the user reads the same line. */
static void of_two_errors_the_first_in_the_session_is_told(void** state)
{
   (void)state;
   write_take("take.wav", RATE_HZ, 1, N_TAKE, wave_noise);
   write_take("one.wav", RATE_HZ, 1, N_TAKE, wave_with_a_hole);
   write_take("two.wav", RATE_HZ, 1, N_TAKE, wave_with_a_hole);
   for (uint32_t n = 0; n < 20; ++n) {
      BmError error = {0};
      BmSession* session =
         read_session(SESSION BUS STEM "<#a> a bm:Track ; bm:take <take.wav> ; bm:output <#mix> .\n"
                                       "<#b> a bm:Track ; bm:take <one.wav> ; bm:output <#mix> .\n"
                                       "<#c> a bm:Track ; bm:take <two.wav> ; bm:output <#mix> .\n",
                      &error);
      assert_non_null(session);
      BmRender* render = bm_render_new(host, session, &error);
      Rendered rendered = {.session = session};
      const BmRenderSink sink = {.user = &rendered, .hear = keep_blocks, .n_threads = 3};
      assert_false(bm_render_run(render, &sink, &error));
      assert_non_null(strstr(error.text, "one.wav"));
      bm_render_free(render);
      bm_session_free(session);
   }
}

typedef struct {
   const float* seen[3][2]; /* [tap][before, after] since the last block */
   uint32_t n_seen[3][2];
   uint32_t n_frames[3][2];
   uint64_t n_all;
} TapEars;

static void hear_one_side(void* user, uint32_t tap, bool is_after, const float* const* channels,
                          uint32_t n_frames)
{
   TapEars* ears = user;
   ears->seen[tap][is_after] = channels[0];
   ears->n_frames[tap][is_after] = n_frames;
   ++ears->n_seen[tap][is_after];
}

static bool hear_all(void* user, const BmTapBlock* taps, uint32_t n_frames, BmError* error)
{
   (void)error;
   TapEars* ears = user;
   for (uint32_t t = 0; t < 3; ++t) {
      for (int side = 0; side < 2; ++side) {
         assert_int_equal(ears->n_seen[t][side], 1);
         assert_int_equal(ears->n_frames[t][side], n_frames);
         assert_ptr_equal(ears->seen[t][side], side ? taps[t].after[0] : taps[t].before[0]);
         ears->n_seen[t][side] = 0;
      }
   }
   ears->n_all += n_frames;
   return true;
}

/* The report's meters run side by side; a block that one of them missed or heard twice would put its figures
 * wrong. */
static void each_side_of_each_tap_is_heard_once_a_block(void** state)
{
   (void)state;
   write_take("take.wav", RATE_HZ, 1, N_TAKE, wave_noise);
   for (uint32_t n_threads = 1; n_threads <= 3; ++n_threads) {
      BmError error = {0};
      BmSession* session =
         read_session(SESSION BUS STEM "<#a> a bm:Track ; bm:take <take.wav> ; bm:output <#mix> .\n"
                                       "<#b> a bm:Track ; bm:take <take.wav> ; bm:output <#mix> .\n",
                      &error);
      assert_non_null(session);
      BmRender* render = bm_render_new(host, session, &error);
      for (uint32_t n = 0; n < session->n_nodes; ++n) {
         if (session->nodes[n].is_track) {
            bm_render_listen(render, n);
         }
      }
      TapEars ears = {0};
      const BmRenderSink sink = {
         .user = &ears, .hear = hear_all, .hear_tap = hear_one_side, .n_threads = n_threads};
      assert_true(bm_render_run(render, &sink, &error));
      assert_true(ears.n_all >= N_TAKE);
      bm_render_free(render);
      bm_session_free(session);
   }
}

int main(void)
{
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(a_take_alone_comes_out_to_the_bit),
      cmocka_unit_test(the_pan_of_a_mono_take_keeps_its_power),
      cmocka_unit_test(the_pan_of_a_stereo_take_is_a_balance),
      cmocka_unit_test(a_mono_take_comes_to_the_middle_of_a_stereo_bus),
      cmocka_unit_test(takes_stand_where_their_offsets_say),
      cmocka_unit_test(parallel_paths_of_different_latency_meet_to_the_frame),
      cmocka_unit_test(before_is_the_session_without_inserts_and_sends_in_time_with_after),
      cmocka_unit_test(a_send_taps_before_or_after_the_fader),
      cmocka_unit_test(a_send_before_the_fader_of_a_panned_mono_track_comes_to_the_middle),
      cmocka_unit_test(a_muted_track_and_its_sends_are_not_heard),
      cmocka_unit_test(a_mono_signal_goes_through_a_stereo_plugin_and_is_stereo_from_there_on),
      cmocka_unit_test(a_pair_goes_through_a_plugin_with_one_output_and_is_mono_from_there_on),
      cmocka_unit_test(settings_of_any_host_can_be_pasted),
      cmocka_unit_test(a_jump_of_a_control_lands_on_its_frame),
      cmocka_unit_test(a_ramp_of_a_control_climbs_on_a_fine_grid_and_ends_where_it_should),
      cmocka_unit_test(a_control_of_whole_numbers_is_given_the_nearest_ones_on_its_way),
      cmocka_unit_test(a_send_and_a_fader_meet_the_sound_they_were_set_on),
      cmocka_unit_test(gain_and_pan_move_without_steps),
      cmocka_unit_test(a_tail_ends_with_its_last_sample_above_minus_100_db),
      cmocka_unit_test(a_tail_that_never_ends_is_cut_and_warned_of),
      cmocka_unit_test(a_take_of_another_rate_keeps_its_pitch_level_and_time),
      cmocka_unit_test(meters_are_traced_over_the_whole_session),
      cmocka_unit_test(the_trace_of_a_long_session_keeps_the_lowest_and_the_highest_of_each_stretch),
      cmocka_unit_test(plugins_are_told_that_nobody_waits_for_them),
      cmocka_unit_test(what_is_not_a_number_stops_the_render_and_names_the_culprit),
      cmocka_unit_test(a_take_that_is_not_finite_stops_the_render),
      cmocka_unit_test(the_bytes_are_the_same_on_any_number_of_threads),
      cmocka_unit_test(each_side_of_each_tap_is_heard_once_a_block),
      cmocka_unit_test(the_costs_name_each_plugin_once_and_the_dearest_first),
      cmocka_unit_test(of_two_errors_the_first_in_the_session_is_told),
   };
   return cmocka_run_group_tests(tests, open_folder, close_folder);
}
