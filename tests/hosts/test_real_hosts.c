/* SPDX-License-Identifier: ISC */
/*
   If one of these fails, a plugin loads or sounds different in a host that people use than it does on the
   bench.

   Every plugin of the bundle runs in hosts from Debian's packages (lv2apply and lv2bench of lilv-utils,
   ffmpeg's lv2 filter, GStreamer's lv2 elements), all controls at their defaults and in lv2apply all turned
   too, and must give the bench's samples, all of them, to the bit.
*/
#include "unit_test.h"

#include "cases.h"
#include "host.h"
#include "turned.h"

#include <sndfile.h>

#include <ctype.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

enum { RATE_HZ = 48000, N_FRAMES = 48000, MAX_CHANNELS = 2, BLOCK = 512 };

static BmHost* host;
static char folder[] = "/tmp/bookmatch-hosts-XXXXXX";

static void path_of(char* path, size_t size, const char* name, uint32_t n_channels)
{
   snprintf(path, size, "%s/%s-%u.wav", folder, name, n_channels);
}

static void write_wav(const char* path, const float* samples, uint32_t n_frames, uint32_t n_channels)
{
   SF_INFO info = {
      .samplerate = RATE_HZ, .channels = (int)n_channels, .format = SF_FORMAT_WAV | SF_FORMAT_FLOAT};
   SNDFILE* file = sf_open(path, SFM_WRITE, &info);
   assert_non_null(file);
   sf_command(file, SFC_SET_ADD_PEAK_CHUNK, NULL, SF_FALSE);
   assert_int_equal(sf_writef_float(file, samples, n_frames), n_frames);
   sf_close(file);
}

/* Interleaved samples of a file; the caller frees. */
static float* read_wav(const char* path, uint32_t* n_frames, uint32_t* n_channels)
{
   SF_INFO info = {0};
   SNDFILE* file = sf_open(path, SFM_READ, &info);
   if (!file) {
      return NULL;
   }
   float* samples = calloc((size_t)(info.frames * info.channels), sizeof *samples);
   assert_non_null(samples);
   *n_frames = (uint32_t)sf_readf_float(file, samples, info.frames);
   *n_channels = (uint32_t)info.channels;
   sf_close(file);
   return samples;
}

static void make_inputs(void)
{
   for (uint32_t n_channels = 1; n_channels <= MAX_CHANNELS; ++n_channels) {
      float* samples = calloc((size_t)N_FRAMES * n_channels, sizeof *samples);
      assert_non_null(samples);
      uint64_t seed = 1;
      for (uint32_t i = 0; i < N_FRAMES; ++i) {
         const double t = (double)(i % 16000) / RATE_HZ;
         for (uint32_t c = 0; c < n_channels; ++c) {
            samples[i * n_channels + c] =
               (float)(0.3 * exp(-4.0 * t) * sin(2.0 * 3.14159265358979 * (110.0 + c) * t) +
                       0.01 * bm_test_random(&seed));
         }
      }
      char path[128];
      path_of(path, sizeof path, "in", n_channels);
      write_wav(path, samples, N_FRAMES, n_channels);
      free(samples);
   }
}

/* What the bench's host makes of the input; interleaved, the caller frees. */
static float* bench_output(const BmPlugin* plugin, bool with_controls_turned)
{
   char path[128];
   path_of(path, sizeof path, "in", plugin->n_audio_in);
   uint32_t n_frames = 0;
   uint32_t n_in = 0;
   float* in = read_wav(path, &n_frames, &n_in);
   assert_non_null(in);
   const uint32_t n_out = plugin->n_audio_out;
   float* out = calloc((size_t)n_frames * n_out, sizeof *out);
   assert_non_null(out);
   BmError error = {0};
   BmInstance* instance = bm_instance_new(host, plugin, RATE_HZ, BLOCK, &error);
   if (!instance) {
      fail_msg("%s: %s", plugin->uri, error.text);
   }
   for (uint32_t p = 0; p < plugin->n_ports && with_controls_turned; ++p) {
      if (is_turned(&plugin->ports[p])) {
         bm_instance_set(instance, p, other_value(&plugin->ports[p], p));
      }
   }
   float in_channels[MAX_CHANNELS][BLOCK];
   float out_channels[MAX_CHANNELS][BLOCK];
   const float* in_pointers[] = {in_channels[0], in_channels[1]};
   float* out_pointers[] = {out_channels[0], out_channels[1]};
   for (uint32_t start = 0; start < n_frames; start += BLOCK) {
      const uint32_t n = n_frames - start < BLOCK ? n_frames - start : BLOCK;
      for (uint32_t i = 0; i < n; ++i) {
         for (uint32_t c = 0; c < n_in; ++c) {
            in_channels[c][i] = in[(start + i) * n_in + c];
         }
      }
      bm_instance_run(instance, in_pointers, out_pointers, n);
      for (uint32_t i = 0; i < n; ++i) {
         for (uint32_t c = 0; c < n_out; ++c) {
            out[(start + i) * n_out + c] = out_channels[c][i];
         }
      }
   }
   bm_instance_free(instance);
   free(in);
   return out;
}

typedef void (*Command)(char* command, size_t size, const BmPlugin* plugin, const char* in, const char* out);

/* lv2apply 0.24.14 reads a channel count from its output before it is set when a plugin has fewer inputs than
   outputs, so plugins of unequal width are left to the other hosts. */
static void lv2apply_command(char* command, size_t size, const BmPlugin* plugin, const char* in,
                             const char* out)
{
   snprintf(command, size, "lv2apply -i %s -o %s '%s'", in, out, plugin->uri);
}

static void lv2apply_command_turned(char* command, size_t size, const BmPlugin* plugin, const char* in,
                                    const char* out)
{
   size_t length = (size_t)snprintf(command, size, "lv2apply -i %s -o %s", in, out);
   for (uint32_t p = 0; p < plugin->n_ports; ++p) {
      const BmPort* port = &plugin->ports[p];
      if (is_turned(port)) {
         length += (size_t)snprintf(command + length, size - length, " -c %s %.9g", port->symbol,
                                    (double)other_value(port, p));
         assert_true(length < size);
      }
   }
   length += (size_t)snprintf(command + length, size - length, " '%s'", plugin->uri);
   assert_true(length < size);
}

/* The filter graph and the option each take a level of escaping off a colon. */
static void ffmpeg_command(char* command, size_t size, const BmPlugin* plugin, const char* in,
                           const char* out)
{
   char escaped[256];
   size_t length = 0;
   for (const char* c = plugin->uri; *c && length + 4 < sizeof escaped; ++c) {
      if (*c == ':') {
         memcpy(escaped + length, "\\\\", 2);
         length += 2;
      }
      escaped[length++] = *c;
   }
   escaped[length] = '\0';
   snprintf(command, size, "ffmpeg -nostdin -loglevel error -y -i %s -af 'lv2=p=%s' -c:a pcm_f32le -f wav %s",
            in, escaped, out);
}

/* GStreamer 1.22 takes every port with a port group for an audio channel, controls too; so it is given the
   bundle with the groups of the controls left out. */
static void make_bundle_for_gstreamer(void)
{
   const char* bundle = NULL;
   for (uint32_t p = 0; p < bm_host_n_plugins(host) && !bundle; ++p) {
      const BmPlugin* plugin = bm_host_plugin(host, p);
      bundle = strncmp(plugin->uri, "urn:bookmatch:", 14) == 0 ? plugin->bundle : NULL;
   }
   assert_non_null(bundle);
   char command[1024];
   snprintf(command, sizeof command,
            "mkdir -p %s/lv2 && cp -r '%s' %s/lv2/ && sed -i '/pg:group .*_group>/d' %s/lv2/*/*.ttl", folder,
            bundle, folder, folder);
   assert_int_equal(system(command), 0);
}

static void gstreamer_command(char* command, size_t size, const BmPlugin* plugin, const char* in,
                              const char* out)
{
   char element[512];
   size_t i = 0;
   for (; plugin->uri[i] && i + 1 < sizeof element; ++i) {
      element[i] = isalnum((unsigned char)plugin->uri[i]) ? plugin->uri[i] : '-';
   }
   element[i] = '\0';
   /* It starts every switch off, whatever its default. */
   size_t length = i;
   for (uint32_t p = 0; p < plugin->n_ports; ++p) {
      const BmPort* port = &plugin->ports[p];
      if (port->kind == BM_PORT_CONTROL && port->is_input && port->is_toggled && port->def > 0.5F) {
         const size_t start = length;
         length += (size_t)snprintf(element + length, sizeof element - length, " %s=true", port->symbol);
         assert_true(length < sizeof element);
         for (size_t c = start; c < length; ++c) {
            element[c] = element[c] == '_' ? '-' : element[c];
         }
      }
   }
   snprintf(
      command, size,
      "LV2_PATH=%s/lv2 gst-launch-1.0 -q filesrc location=%s ! wavparse ! audioconvert ! %s ! audioconvert ! "
      "audio/x-raw,format=F32LE ! wavenc ! filesink location=%s",
      folder, in, element, out);
}

static void compare(const char* name, Command write_command, bool equal_widths_only,
                    bool with_controls_turned)
{
   uint32_t n_compared = 0;
   for (uint32_t p = 0; p < bm_host_n_plugins(host); ++p) {
      const BmPlugin* plugin = bm_host_plugin(host, p);
      if (strncmp(plugin->uri, "urn:bookmatch:", 14) != 0 ||
          (equal_widths_only && plugin->n_audio_in != plugin->n_audio_out)) {
         continue;
      }
      char in[128];
      char out[128];
      path_of(in, sizeof in, "in", plugin->n_audio_in);
      path_of(out, sizeof out, name, plugin->n_audio_out);
      char command[16384];
      write_command(command, sizeof command, plugin, in, out);
      unlink(out);
      if (system(command) != 0) {
         fail_msg("%s could not run %s: %s", name, plugin->uri, command);
      }
      uint32_t n_frames = 0;
      uint32_t n_channels = 0;
      float* hosted = read_wav(out, &n_frames, &n_channels);
      float* bench = bench_output(plugin, with_controls_turned);
      if (!hosted || n_channels != plugin->n_audio_out || n_frames != N_FRAMES) {
         fail_msg("%s: %s gave %u frames of %u channels", plugin->uri, name, n_frames, n_channels);
      }
      for (uint32_t i = 0; i < n_frames * n_channels && i < N_FRAMES * n_channels; ++i) {
         if (hosted[i] != bench[i]) {
            fail_msg("%s: frame %u is %.9g in %s, %.9g on the bench", plugin->uri, i / n_channels,
                     (double)hosted[i], name, (double)bench[i]);
         }
      }
      free(hosted);
      free(bench);
      cases_add(plugin->uri, "other hosts", 1);
      ++n_compared;
   }
   printf("%s: %u plugins equal to the bench to the bit%s\n", name, n_compared,
          with_controls_turned ? " with all controls turned" : "");
   assert_true(n_compared > 0);
}

static void lv2apply_gives_the_bench_s_samples(void** state)
{
   (void)state;
   bm_test_want(bm_test_has("lv2apply"), "lv2apply", "install lilv-utils");
   compare("lv2apply", lv2apply_command, true, false);
   compare("lv2apply", lv2apply_command_turned, true, true);
}

static void ffmpeg_gives_the_bench_s_samples(void** state)
{
   (void)state;
   bm_test_want(bm_test_has("ffmpeg"), "ffmpeg", "install ffmpeg");
   compare("ffmpeg", ffmpeg_command, false, false);
}

static void gstreamer_gives_the_bench_s_samples(void** state)
{
   (void)state;
   bm_test_want(bm_test_has("gst-launch-1.0"), "gst-launch-1.0", "install gstreamer1.0-tools");
   bm_test_want(system("gst-inspect-1.0 lv2 >/dev/null 2>&1") == 0, "GStreamer's lv2",
                "install gstreamer1.0-plugins-bad");
   make_bundle_for_gstreamer();
   /* Its audio filters have as many channels out as in. */
   compare("gstreamer", gstreamer_command, true, false);
}

static void lv2bench_runs_every_plugin(void** state)
{
   (void)state;
   bm_test_want(bm_test_has("lv2bench"), "lv2bench", "install lilv-utils");
   char command[256];
   snprintf(command, sizeof command, "lv2bench >%s/lv2bench.txt 2>/dev/null", folder);
   assert_int_equal(system(command), 0);
   for (uint32_t p = 0; p < bm_host_n_plugins(host); ++p) {
      const BmPlugin* plugin = bm_host_plugin(host, p);
      if (!strncmp(plugin->uri, "urn:bookmatch:", 14)) {
         snprintf(command, sizeof command, "grep -qF '%s' %s/lv2bench.txt", plugin->uri, folder);
         if (system(command) != 0) {
            fail_msg("lv2bench does not list %s", plugin->uri);
         }
         cases_add(plugin->uri, "other hosts", 1);
      }
   }
}

int main(void)
{
   BmError error = {0};
   host = bm_host_new(&error);
   if (!host || !mkdtemp(folder)) {
      fprintf(stderr, "%s\n", error.text);
      return 1;
   }
   char registry[64];
   snprintf(registry, sizeof registry, "%s/gst-registry", folder); /* replaced, not written: never a device */
   setenv("GST_REGISTRY", registry, 1);
   make_inputs();
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(lv2apply_gives_the_bench_s_samples),
      cmocka_unit_test(ffmpeg_gives_the_bench_s_samples),
      cmocka_unit_test(gstreamer_gives_the_bench_s_samples),
      cmocka_unit_test(lv2bench_runs_every_plugin),
   };
   const int n_failed = cmocka_run_group_tests(tests, NULL, NULL);
   bm_host_free(host);
   char command[64];
   snprintf(command, sizeof command, "rm -rf %s", folder);
   return system(command) == 0 ? n_failed : 1;
}
