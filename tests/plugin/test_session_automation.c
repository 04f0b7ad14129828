/* SPDX-License-Identifier: ISC */
/* If this fails, there is a control that a session cannot automate, or one that moves before its breakpoint.
 */
#include "unit_test.h"

#include "hosted.h"

#include "render.h"
#include "session.h"

#include <sndfile.h>

#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define N_FRAMES 24000  /* past the longest that a strip waits for a stage to get ready */
#define JUMP_FRAME 4801 /* on no grid */

#define PREFIXES "@prefix bm: <urn:bookmatch:vocabulary#> . @prefix lv2: <http://lv2plug.in/ns/lv2core#> .\n"

static char take_path[] = "/tmp/bookmatch-automation-take-XXXXXX";
static char session_path[] = "/tmp/bookmatch-automation-XXXXXX";

typedef struct {
   float* samples; /* [N_FRAMES] of the left */
   uint32_t n_samples;
} Heard;

static bool keep(void* user, const BmTapBlock* taps, uint32_t n_frames, BmError* error)
{
   (void)error;
   Heard* heard = user;
   for (uint32_t n = 0; n < n_frames && heard->n_samples < N_FRAMES; ++n) {
      heard->samples[heard->n_samples++] = taps[0].after[0][n];
   }
   return true;
}

/* Render the plugin with these automations; its latency in frames. */
static uint32_t render(const BmPlugin* plugin, const char* automation, float* samples)
{
   FILE* file = fopen(session_path, "wb");
   assert_non_null(file);
   fprintf(file,
           PREFIXES "<> a bm:Session ; bm:maxTail 0 .\n"
                    "<#a> a bm:Track ; bm:take <%s> ; bm:takeChannels ( 1%s ) ;\n"
                    "   bm:inserts ( [ lv2:appliesTo <%s> %s ] ) .\n"
                    "<#s> a bm:Stem ; bm:from <#a> ; bm:file \"a.wav\" .\n",
           take_path, plugin->n_audio_in == 2 ? " 2" : "", plugin->uri, automation);
   assert_int_equal(fclose(file), 0);
   BmError error = {0};
   BmSession* session = bm_session_read(hosted_host, session_path, NULL, &error);
   BmRender* run = session ? bm_render_new(hosted_host, session, &error) : NULL;
   Heard heard = {.samples = samples};
   const BmRenderSink sink = {.user = &heard, .hear = keep, .without_before = true};
   if (!run || !bm_render_run(run, &sink, &error)) {
      fail_msg("%s", error.text);
   }
   assert_int_equal(heard.n_samples, N_FRAMES);
   const uint32_t latency = bm_render_insert(run, 0, 0)->latency_frames;
   bm_render_free(run);
   bm_session_free(session);
   return latency;
}

/* Every control from its default to the end of its range that is farther off, at once. */
static char* jump_all(const BmPlugin* plugin)
{
   char* all = bm_copy("");
   for (uint32_t n = 0; n < plugin->n_ports; ++n) {
      const BmPort* port = &plugin->ports[n];
      if (port->kind != BM_PORT_CONTROL || !port->is_input || port->is_enabled || port->is_free_wheeling) {
         continue;
      }
      const float end = port->max - port->def > port->def - port->min ? port->max : port->min;
      char* longer = bm_print(
         "%s ; bm:automation [ lv2:symbol \"%s\" ; bm:points ( ( 0 %.9g bm:held ) ( %.9f %.9g ) ) ]\n", all,
         port->symbol, (double)port->def, (double)JUMP_FRAME / HOSTED_RATE_HZ, (double)end);
      free(all);
      all = longer;
   }
   return all;
}

static void check_plugin(const BmPlugin* plugin)
{
   static float still[N_FRAMES];
   static float moved[N_FRAMES];
   char* stay = jump_all(plugin);
   const uint32_t latency = render(plugin, stay, moved);
   free(stay);
   /* Set as a session's first breakpoints set them, and never moved. */
   render(plugin, "", still);
   const uint32_t until = JUMP_FRAME - latency;
   for (uint32_t n = 0; n < until; ++n) {
      if (moved[n] != still[n]) {
         fail_msg("<%s> moved at frame %u, before the breakpoint at %u", plugin->uri, n, until);
      }
   }
   assert_true(latency < JUMP_FRAME);
   if (!memcmp(still + until, moved + until, (N_FRAMES - until) * sizeof(float))) {
      fail_msg("<%s> did not move at its breakpoints", plugin->uri);
   }
}

static void every_control_of_every_plugin_stays_until_its_breakpoint_and_then_moves(void** state)
{
   (void)state;
   hosted_for_every_plugin(check_plugin);
}

static int set_up(void** state)
{
   (void)state;
   BmError error = {0};
   hosted_host = bm_host_new(&error);
   const int session = mkstemp(session_path);
   const int take = mkstemp(take_path);
   close(session);
   close(take);
   SF_INFO info = {.samplerate = HOSTED_RATE_HZ, .channels = 2, .format = SF_FORMAT_WAV | SF_FORMAT_FLOAT};
   SNDFILE* file = sf_open(take_path, SFM_WRITE, &info);
   uint64_t seed = 1;
   for (uint32_t n = 0; file && n < N_FRAMES; ++n) {
      const float frame[2] = {0.2f * (float)bm_test_random(&seed), 0.2f * (float)bm_test_random(&seed)};
      sf_writef_float(file, frame, 1);
   }
   return file && !sf_close(file) && hosted_host ? 0 : -1;
}

static int tear_down(void** state)
{
   (void)state;
   unlink(session_path);
   unlink(take_path);
   bm_host_free(hosted_host);
   return 0;
}

int main(void)
{
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(every_control_of_every_plugin_stays_until_its_breakpoint_and_then_moves),
   };
   return cmocka_run_group_tests(tests, set_up, tear_down);
}
