/* SPDX-License-Identifier: ISC */
#include "fingerprint.h"

#include "spectrum.h"
#include "text.h"

#include <ebur128.h>

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* The number of the format; another one is not read. */
#define FORMAT 1

/* 85 ms at 48 kHz: two bins and more in the lowest octave. */
#define SPECTRUM_S 0.085

/* libebur128 oversamples 4 times below 96 kHz and less above; told this rate it does so at every rate. */
#define TRUE_PEAK_RATE 48000

#define CHUNK_FRAMES 1024u
#define LINE_BYTES 4096

#define LOWEST_OCTAVE_HZ 31.25
#define SKETCH_A_LINE 8

/* One place while it is heard. */
typedef struct {
   BmFingerprintSignal signal;
   uint64_t n_wanted; /* frames to hear; UINT64_MAX of a stem: all */
   uint64_t n_parted; /* frames that the parts divide */
   bool is_as_before; /* the fader does nothing: what leaves it is what the ear before heard */
   uint32_t n_parts;
   double square_sum;
   float sample_peak;
   bool has_failed;
   ebur128_state* loudness;
   ebur128_state* true_peak; /* of a stem */
   BmSpectrumMeter* spectrum;
} Ear;

struct BmFingerprinter {
   const BmSession* session;
   Ear* ears; /* [n_ears] in the order of the sound, the stems last */
   uint32_t n_ears;
   uint32_t* first_ear; /* [n_nodes] of a node; of one that is not used, n_ears */
   bool with_figures;
};

static const double minus_infinity = -(double)INFINITY;

/* ---- hash and sketch ---- */

/* Each step is one to one in the word and in what came before, so no single difference can be lost. */
static uint64_t hash_word(uint64_t hash, uint64_t word)
{
   hash = (hash ^ word) * 0x9E3779B97F4A7C15u;
   return hash ^ (hash >> 32);
}

/* A number drawn from a number: the finaliser of SplitMix64 (Steele, Lea and Flood, OOPSLA 2014). */
static uint64_t draw(uint64_t n)
{
   n = (n + 1u) * 0x9E3779B97F4A7C15u;
   n = (n ^ (n >> 30)) * 0xBF58476D1CE4E5B9u;
   n = (n ^ (n >> 27)) * 0x94D049BB133111EBu;
   return n ^ (n >> 31);
}

static uint64_t float_bits(float x)
{
   uint32_t bits;
   memcpy(&bits, &x, sizeof(bits));
   return bits;
}

static void sketch(double* numbers, uint64_t drawn, double x)
{
   numbers[drawn % BM_FINGERPRINT_SKETCH] += drawn & BM_FINGERPRINT_SKETCH ? x : -x;
}

static double power_db(double power)
{
   return power > 0.0 ? 10.0 * log10(power) : minus_infinity;
}

/* ---- listening ---- */

static void end_parts(Ear* ear)
{
   while (ear->n_parts < BM_FINGERPRINT_PARTS &&
          ear->signal.n_frames * BM_FINGERPRINT_PARTS >= ear->n_parted * (ear->n_parts + 1u)) {
      ear->signal.parts[ear->n_parts++] = (uint32_t)(ear->signal.bits ^ (ear->signal.bits >> 32));
   }
}

static void hear_frames(Ear* ear, const float* left, const float* right, uint32_t n_frames)
{
   BmFingerprintSignal* signal = &ear->signal;
   uint64_t hash = signal->bits;
   for (uint32_t n = 0; n < n_frames; ++n) {
      const uint64_t drawn = draw(signal->n_frames + n);
      hash = hash_word(hash, float_bits(left[n]) | (right ? float_bits(right[n]) << 32 : 0u));
      ear->square_sum += (double)left[n] * (double)left[n];
      sketch(signal->sketch, drawn, (double)left[n]);
      if (right) {
         ear->square_sum += (double)right[n] * (double)right[n];
         sketch(signal->sketch, drawn >> 32, (double)right[n]);
      }
   }
   signal->bits = hash;
   signal->n_frames += n_frames;
   end_parts(ear);
}

static void measure_frames(Ear* ear, const float* const* channels, uint32_t n_frames)
{
   float interleaved[CHUNK_FRAMES * BM_MAX_CHANNELS];
   const uint32_t n_channels = ear->signal.n_channels;
   for (uint32_t n = 0; n < n_frames; ++n) {
      for (uint32_t c = 0; c < n_channels; ++c) {
         interleaved[n * n_channels + c] = channels[c][n];
         ear->sample_peak = fmaxf(ear->sample_peak, fabsf(channels[c][n]));
      }
   }
   ear->has_failed = ear->has_failed || ebur128_add_frames_float(ear->loudness, interleaved, n_frames) ||
                     (ear->true_peak && ebur128_add_frames_float(ear->true_peak, interleaved, n_frames));
   bm_spectrum_meter_add(ear->spectrum, interleaved, n_frames);
}

static void hear(BmFingerprinter* self, Ear* ear, const float* const* channels, uint32_t n_frames)
{
   const uint64_t n_left = ear->n_wanted - ear->signal.n_frames;
   const uint32_t n_end = n_left < n_frames ? (uint32_t)n_left : n_frames;
   for (uint32_t done = 0; done < n_end;) {
      /* Chunks end where parts do. */
      const uint64_t part_end =
         (ear->n_parted * (ear->n_parts + 1u) + BM_FINGERPRINT_PARTS - 1u) / BM_FINGERPRINT_PARTS;
      const uint64_t to_part =
         ear->n_parts < BM_FINGERPRINT_PARTS ? part_end - ear->signal.n_frames : UINT64_MAX;
      uint32_t n = n_end - done;
      n = n > CHUNK_FRAMES ? CHUNK_FRAMES : n;
      n = n > to_part ? (uint32_t)to_part : n;
      const float* at[BM_MAX_CHANNELS] = {NULL, NULL};
      for (uint32_t c = 0; c < ear->signal.n_channels; ++c) {
         at[c] = channels[c] + done;
      }
      hear_frames(ear, at[0], at[1], n);
      if (self->with_figures && !ear->has_failed) {
         measure_frames(ear, at, n);
      }
      done += n;
   }
}

void bm_fingerprinter_hear(BmFingerprinter* self, const BmTapBlock* taps, uint32_t n_frames)
{
   const uint32_t n_stems = self->session->n_stems;
   for (uint32_t n = 0; n < n_stems; ++n) {
      hear(self, &self->ears[self->n_ears - n_stems + n], taps[n].after, n_frames);
   }
}

void bm_fingerprinter_hear_inside(BmFingerprinter* self, const BmInsideBlock* block)
{
   Ear* ear = &self->ears[self->first_ear[block->node]];
   while (ear->signal.place != block->place) {
      ++ear;
   }
   if (!ear->is_as_before) {
      hear(self, ear, block->channels, block->n_frames);
   }
}

/* ---- beginning and end ---- */

static bool fader_does_nothing(const BmNode* node)
{
   return node->gain_db == 0.0 && !node->gain.n_points && !node->has_pan && !node->is_muted;
}

static void add_ear(BmFingerprinter* self, uint32_t node, uint32_t place, uint32_t n_channels,
                    uint64_t n_late, char* name)
{
   self->ears = bm_realloc(self->ears, self->n_ears + 1u, sizeof(Ear));
   Ear* ear = &self->ears[self->n_ears++];
   const uint64_t content = self->session->content_frames;
   const bool is_stem = place > self->session->nodes[node].n_inserts + 1u;
   *ear = (Ear){.signal = {.name = name, .n_channels = n_channels, .node = node, .place = place},
                .n_wanted = is_stem ? UINT64_MAX : content + n_late,
                .n_parted = content + n_late};
   bm_make_one_line(name);
   const BmNode* of = &self->session->nodes[node];
   ear->is_as_before = place == of->n_inserts + 1u && fader_does_nothing(of);
   if (self->with_figures && !ear->is_as_before) {
      const double rate_hz = self->session->rate_hz;
      ear->loudness =
         ebur128_init(n_channels, (unsigned long)rate_hz, EBUR128_MODE_I | EBUR128_MODE_HISTOGRAM);
      ear->true_peak = is_stem ? ebur128_init(n_channels, TRUE_PEAK_RATE, EBUR128_MODE_TRUE_PEAK) : NULL;
      ear->spectrum =
         bm_spectrum_meter_new(bm_transform_size(SPECTRUM_S, rate_hz), rate_hz, n_channels, NULL, NULL);
      ear->has_failed = ear->has_failed || !ear->loudness || (is_stem && !ear->true_peak) || !ear->spectrum;
   }
}

static void add_node(BmFingerprinter* self, const BmRender* render, uint32_t index)
{
   const BmNode* node = &self->session->nodes[index];
   uint64_t n_late = bm_render_lateness(render, index);
   self->first_ear[index] = self->n_ears;
   add_ear(self, index, 0, node->n_in, n_late, bm_print("%s: %s", node->id, node->is_track ? "take" : "sum"));
   for (uint32_t n = 0; n < node->n_inserts; ++n) {
      const BmInsertRecord* record = bm_render_insert(render, index, n);
      if (record) {
         n_late += record->latency_frames;
         add_ear(self, index, n + 1, node->inserts[n].n_out, n_late,
                 bm_print("%s: insert %u <%s>", node->id, n + 1, node->inserts[n].plugin->uri));
      }
   }
   add_ear(self, index, node->n_inserts + 1, node->n_out, n_late, bm_print("%s: out", node->id));
}

BmFingerprinter* bm_fingerprinter_new(const BmSession* session, const BmRender* render, bool with_figures)
{
   BmFingerprinter* self = bm_calloc(1, sizeof(BmFingerprinter));
   self->session = session;
   self->with_figures = with_figures;
   self->first_ear = bm_calloc(session->n_nodes, sizeof(uint32_t));
   for (uint32_t n = 0; n < session->n_nodes; ++n) {
      if (session->nodes[n].is_used) {
         add_node(self, render, n);
      }
   }
   for (uint32_t n = 0; n < session->n_stems; ++n) {
      const uint32_t from = session->stems[n].from;
      const BmNode* node = &session->nodes[from];
      add_ear(self, from, node->n_inserts + 2, node->n_out, 0, bm_print("stem %s", session->stems[n].file));
   }
   return self;
}

void bm_fingerprinter_free(BmFingerprinter* self)
{
   if (!self) {
      return;
   }
   for (uint32_t n = 0; n < self->n_ears; ++n) {
      Ear* ear = &self->ears[n];
      free(ear->signal.name);
      if (ear->loudness) {
         ebur128_destroy(&ear->loudness);
      }
      if (ear->true_peak) {
         ebur128_destroy(&ear->true_peak);
      }
      bm_spectrum_meter_free(ear->spectrum);
   }
   free(self->ears);
   free(self->first_ear);
   free(self);
}

static bool finish_figures(Ear* ear)
{
   BmFingerprintSignal* signal = &ear->signal;
   double peak = (double)ear->sample_peak;
   for (uint32_t c = 0; c < signal->n_channels && ear->true_peak; ++c) {
      double own = 0.0;
      ebur128_true_peak(ear->true_peak, c, &own);
      peak = fmax(peak, own);
   }
   BmSpectrum spectrum;
   if (ebur128_loudness_global(ear->loudness, &signal->loudness_lufs) ||
       !bm_spectrum_meter_finish(ear->spectrum, &spectrum)) {
      return false;
   }
   signal->peak_db = power_db(peak * peak);
   for (uint32_t n = 0; n < BM_FINGERPRINT_OCTAVES; ++n) {
      const double centre_hz = bm_fingerprint_octave_hz(n);
      const double power = bm_spectrum_band_power(&spectrum, centre_hz * sqrt(0.5), centre_hz * sqrt(2.0));
      signal->octave_dbfs[n] = power_db(2.0 * power);
   }
   bm_spectrum_free(&spectrum);
   signal->is_measured = true;
   return true;
}

static void add_plugin(BmFingerprint* print, const BmPlugin* plugin)
{
   for (uint32_t n = 0; n < print->n_plugins; ++n) {
      if (!strcmp(print->plugins[n].uri, plugin->uri)) {
         return;
      }
   }
   print->plugins = bm_realloc(print->plugins, print->n_plugins + 1u, sizeof(BmFingerprintPlugin));
   print->plugins[print->n_plugins++] =
      (BmFingerprintPlugin){bm_copy(plugin->uri), plugin->minor_version, plugin->micro_version};
}

static bool hash_file(const char* path, uint64_t* hash, BmError* error)
{
   FILE* file = fopen(path, "rb");
   *hash = 0;
   for (int byte = file ? fgetc(file) : EOF; byte != EOF; byte = fgetc(file)) {
      *hash = hash_word(*hash, (uint64_t)byte + 1u);
   }
   const bool ok = file && !ferror(file);
   if (!ok) {
      bm_fail(error, "%s: cannot be read: %s", path, strerror(errno));
   }
   if (file) {
      fclose(file);
   }
   return ok;
}

BmFingerprint* bm_fingerprinter_finish(BmFingerprinter* self, BmError* error)
{
   BmFingerprint* print = bm_calloc(1, sizeof(BmFingerprint));
   print->rate_hz = self->session->rate_hz;
   if (self->session->n_alternatives) {
      print->alternative = bm_copy(self->session->alternatives[self->session->alternative].label);
   }
   for (uint32_t n = 0; n < self->session->n_nodes; ++n) {
      const BmNode* node = &self->session->nodes[n];
      for (uint32_t i = 0; i < node->n_inserts && node->is_used; ++i) {
         if (!node->inserts[i].is_bypassed) {
            add_plugin(print, node->inserts[i].plugin);
         }
      }
   }
   print->signals = bm_calloc(self->n_ears, sizeof(BmFingerprintSignal));
   bool ok = hash_file(self->session->path, &print->session, error);
   for (uint32_t n = 0; n < self->n_ears && ok; ++n) {
      Ear* ear = &self->ears[n];
      BmFingerprintSignal* signal = &print->signals[print->n_signals++];
      if (ear->is_as_before) {
         *signal = print->signals[n - 1u];
         signal->name = bm_copy(ear->signal.name);
         signal->place = ear->signal.place;
         continue;
      }
      const double n_samples = (double)ear->signal.n_frames * ear->signal.n_channels;
      ear->signal.rms_dbfs = power_db(n_samples > 0.0 ? ear->square_sum / n_samples : 0.0);
      if (ear->has_failed || (self->with_figures && !finish_figures(ear))) {
         ok = bm_fail(error, "%s: no figures can be taken at %g Hz", self->session->path,
                      self->session->rate_hz);
      }
      *signal = ear->signal;
      signal->name = bm_copy(ear->signal.name);
   }
   if (!ok) {
      bm_fingerprint_free(print);
      return NULL;
   }
   return print;
}

void bm_fingerprint_free(BmFingerprint* self)
{
   while (self) {
      BmFingerprint* next = self->next;
      for (uint32_t n = 0; n < self->n_plugins; ++n) {
         free(self->plugins[n].uri);
      }
      for (uint32_t n = 0; n < self->n_signals; ++n) {
         free(self->signals[n].name);
      }
      free(self->alternative);
      free(self->plugins);
      free(self->signals);
      free(self);
      self = next;
   }
}

/* ---- names ---- */

char* bm_fingerprint_path(const char* session_path)
{
   const char* slash = strrchr(session_path, '/');
   const char* name = slash ? slash + 1 : session_path;
   const char* ending = strrchr(name, '.');
   const size_t size = ending && ending != name ? (size_t)(ending - session_path) : strlen(session_path);
   return bm_print("%.*s.fingerprint", (int)size, session_path);
}

double bm_fingerprint_octave_hz(uint32_t n)
{
   return ldexp(LOWEST_OCTAVE_HZ, (int)n);
}

const BmFingerprint* bm_fingerprint_of_choice(const BmFingerprint* first, const BmSession* session)
{
   const uint32_t number = session->alternative;
   const char* label = session->n_alternatives ? session->alternatives[number].label : NULL;
   for (const BmFingerprint* print = first; print; print = print->next) {
      /* One that names none is of the first, whatever this is called. */
      if (label && print->alternative ? !strcmp(label, print->alternative) : number == 0) {
         return print;
      }
   }
   return NULL;
}

const BmFingerprintSignal* bm_fingerprint_find(const BmFingerprint* self, const char* name)
{
   for (uint32_t n = 0; n < self->n_signals; ++n) {
      if (!strcmp(self->signals[n].name, name)) {
         return &self->signals[n];
      }
   }
   return NULL;
}

/* ---- comparing ---- */

double bm_fingerprint_difference_db(const BmFingerprintSignal* one, const BmFingerprintSignal* other)
{
   if (one->n_channels != other->n_channels) {
      return (double)INFINITY;
   }
   double energy = 0.0;
   for (uint32_t n = 0; n < BM_FINGERPRINT_SKETCH; ++n) {
      const double difference = other->sketch[n] - one->sketch[n];
      energy += difference * difference;
   }
   const double own = pow(10.0, 0.1 * one->rms_dbfs) * (double)one->n_frames * one->n_channels;
   return energy == 0.0 ? minus_infinity : own > 0.0 ? power_db(energy / own) : (double)INFINITY;
}

/* ---- writing and reading ---- */

static void add_figures(BmText* text, const BmFingerprintSignal* signal)
{
   const bool is_stem = !strncmp(signal->name, "stem ", 5);
   bm_text_addf(text, "loudness %.3f LUFS\npeak %.3f %s\n", signal->loudness_lufs, signal->peak_db,
                is_stem ? "dBTP" : "dBFS");
   for (uint32_t n = 0; n < BM_FINGERPRINT_OCTAVES; ++n) {
      bm_text_addf(text, "octave %g %.3f dBFS\n", bm_fingerprint_octave_hz(n), signal->octave_dbfs[n]);
   }
}

/* The lines of a signal, in their order. */
static void add_signal(BmText* text, const BmFingerprintSignal* signal)
{
   bm_text_addf(text, "\nsignal %s\nchannels %u\nframes %llu\nbits %016llx\nparts", signal->name,
                signal->n_channels, (unsigned long long)signal->n_frames, (unsigned long long)signal->bits);
   for (uint32_t n = 0; n < BM_FINGERPRINT_PARTS; ++n) {
      bm_text_addf(text, " %08x", signal->parts[n]);
   }
   bm_text_addf(text, "\nlevel %.3f dBFS\n", signal->rms_dbfs);
   if (signal->is_measured) {
      add_figures(text, signal);
   }
   for (uint32_t n = 0; n < BM_FINGERPRINT_SKETCH; ++n) {
      bm_text_addf(text, "%s%.9g%s", n % SKETCH_A_LINE ? " " : "sketch ", signal->sketch[n],
                   n % SKETCH_A_LINE == SKETCH_A_LINE - 1 ? "\n" : "");
   }
}

bool bm_fingerprint_write(const BmFingerprint* self, const char* path, BmError* error)
{
   BmText text = {0};
   bm_text_addf(
      &text,
      "# What this session sounded like; `bookmatch check` compares, and records anew with --accept.\n"
      "bookmatch-fingerprint %d\nsession %016llx\nrate %.17g Hz\n",
      FORMAT, (unsigned long long)self->session, self->rate_hz);
   for (const BmFingerprint* print = self; print; print = print->next) {
      if (print->alternative) {
         bm_text_addf(&text, "\nalternative %s\n", print->alternative);
      }
      for (uint32_t n = 0; n < print->n_plugins; ++n) {
         const BmFingerprintPlugin* plugin = &print->plugins[n];
         bm_text_addf(&text, "plugin %s %u.%u\n", plugin->uri, plugin->minor_version, plugin->micro_version);
      }
      for (uint32_t n = 0; n < print->n_signals; ++n) {
         add_signal(&text, &print->signals[n]);
      }
   }
   const bool ok = bm_text_save(&text, path);
   bm_text_free(&text);
   return ok || bm_fail(error, "%s: cannot be written: %s", path, strerror(errno));
}

typedef struct {
   BmFingerprint* first;
   BmFingerprint* print; /* the last */
   uint32_t n_octaves;
   uint32_t n_sketched;
   bool has_format;
} Reader;

/* Step over `word` and a space. */
static bool take_word(const char** at, const char* word)
{
   const size_t size = strlen(word);
   if (strncmp(*at, word, size) || (*at)[size] != ' ') {
      return false;
   }
   *at += size + 1;
   return true;
}

static bool take_number(const char** at, double* number)
{
   char* end;
   *number = strtod(*at, &end);
   const bool ok = end != *at && !isnan(*number) && (*end == ' ' || !*end);
   *at = *end ? end + 1 : end;
   return ok;
}

static bool take_count(const char** at, int base, uint64_t* number)
{
   char* end;
   *number = strtoull(*at, &end, base);
   const bool ok = end != *at && **at != '-' && (*end == ' ' || !*end);
   *at = *end ? end + 1 : end;
   return ok;
}

static bool read_plugin(Reader* reader, const char* at)
{
   BmFingerprint* print = reader->print;
   const char* space = strchr(at, ' ');
   BmFingerprintPlugin plugin = {0};
   if (!space || sscanf(space, " %9u.%9u", &plugin.minor_version, &plugin.micro_version) != 2) {
      return false;
   }
   plugin.uri = bm_print("%.*s", (int)(space - at), at);
   print->plugins = bm_realloc(print->plugins, print->n_plugins + 1u, sizeof(BmFingerprintPlugin));
   print->plugins[print->n_plugins++] = plugin;
   return true;
}

static BmFingerprintSignal* last_of(const Reader* reader)
{
   return &reader->print->signals[reader->print->n_signals - 1u];
}

static bool is_whole(const Reader* reader)
{
   return !reader->print->n_signals ||
          (reader->n_octaves == (last_of(reader)->is_measured ? BM_FINGERPRINT_OCTAVES : 0u) &&
           reader->n_sketched == BM_FINGERPRINT_SKETCH);
}

static bool begin_signal(Reader* reader, const char* name)
{
   BmFingerprint* print = reader->print;
   if (!is_whole(reader) || bm_fingerprint_find(print, name)) {
      return false;
   }
   print->signals = bm_realloc(print->signals, print->n_signals + 1u, sizeof(BmFingerprintSignal));
   print->signals[print->n_signals++] = (BmFingerprintSignal){.name = bm_copy(name)};
   reader->n_octaves = 0;
   reader->n_sketched = 0;
   return true;
}

static bool read_signal_line(Reader* reader, const char* at)
{
   BmFingerprintSignal* signal = last_of(reader);
   uint64_t count = 0;
   double number = 0.0;
   if (take_word(&at, "channels")) {
      const bool ok = take_count(&at, 10, &count) && count >= 1 && count <= BM_MAX_CHANNELS;
      signal->n_channels = (uint32_t)count;
      return ok;
   }
   if (take_word(&at, "frames")) {
      return take_count(&at, 10, &signal->n_frames);
   }
   if (take_word(&at, "bits")) {
      return take_count(&at, 16, &signal->bits);
   }
   if (take_word(&at, "parts")) {
      bool ok = true;
      for (uint32_t n = 0; n < BM_FINGERPRINT_PARTS && ok; ++n) {
         ok = take_count(&at, 16, &count);
         signal->parts[n] = (uint32_t)count;
      }
      return ok;
   }
   if (take_word(&at, "level")) {
      return take_number(&at, &signal->rms_dbfs);
   }
   if (take_word(&at, "loudness")) {
      signal->is_measured = true;
      return take_number(&at, &signal->loudness_lufs);
   }
   if (take_word(&at, "peak")) {
      return take_number(&at, &signal->peak_db);
   }
   if (take_word(&at, "octave")) {
      return reader->n_octaves < BM_FINGERPRINT_OCTAVES && take_number(&at, &number) &&
             number == bm_fingerprint_octave_hz(reader->n_octaves) &&
             take_number(&at, &signal->octave_dbfs[reader->n_octaves++]);
   }
   if (take_word(&at, "sketch")) {
      bool ok = true;
      for (uint32_t n = 0; n < SKETCH_A_LINE && ok; ++n) {
         ok = reader->n_sketched < BM_FINGERPRINT_SKETCH &&
              take_number(&at, &signal->sketch[reader->n_sketched++]);
      }
      return ok;
   }
   return false;
}

static bool begin_alternative(Reader* reader, const char* label)
{
   BmFingerprint* print = reader->print;
   if (!is_whole(reader) || (!print->n_signals && print->alternative)) {
      return false;
   }
   for (const BmFingerprint* known = reader->first; known; known = known->next) {
      if (known->alternative && !strcmp(known->alternative, label)) {
         return false;
      }
   }
   if (print->n_signals) {
      print->next = bm_calloc(1, sizeof(BmFingerprint));
      print->next->session = print->session;
      print->next->rate_hz = print->rate_hz;
      reader->print = print->next;
      reader->n_octaves = 0;
      reader->n_sketched = 0;
   }
   reader->print->alternative = bm_copy(label);
   return true;
}

static bool read_line(Reader* reader, const char* line)
{
   const char* at = line;
   uint64_t count = 0;
   if (!*line || *line == '#') {
      return true;
   }
   if (take_word(&at, "bookmatch-fingerprint")) {
      reader->has_format = take_count(&at, 10, &count) && count == FORMAT;
      return reader->has_format;
   }
   if (!reader->has_format) {
      return false;
   }
   if (take_word(&at, "alternative")) {
      return begin_alternative(reader, at);
   }
   if (take_word(&at, "signal")) {
      return begin_signal(reader, at);
   }
   if (reader->print->n_signals) {
      return read_signal_line(reader, at);
   }
   if (take_word(&at, "session")) {
      return take_count(&at, 16, &reader->print->session);
   }
   if (take_word(&at, "rate")) {
      return take_number(&at, &reader->print->rate_hz);
   }
   return take_word(&at, "plugin") && read_plugin(reader, at);
}

BmFingerprint* bm_fingerprint_read(const char* path, BmError* error)
{
   FILE* file = fopen(path, "rb");
   if (!file) {
      bm_fail(error,
              "%s: cannot be read: %s; a render with -o leaves it in that folder (--against FILE), "
              "`bookmatch check --accept` makes one of today's sound",
              path, strerror(errno));
      return NULL;
   }
   Reader reader = {.first = bm_calloc(1, sizeof(BmFingerprint))};
   reader.print = reader.first;
   char line[LINE_BYTES];
   uint32_t n_lines = 0;
   while (!error->is_set && fgets(line, sizeof(line), file)) {
      ++n_lines;
      line[strcspn(line, "\r\n")] = '\0';
      if (!read_line(&reader, line)) {
         bm_fail_at(error, path, n_lines,
                    "not a line of a fingerprint; `bookmatch check --accept` writes a new one");
      }
   }
   if (!error->is_set &&
       (ferror(file) || !reader.has_format || !reader.print->n_signals || !is_whole(&reader))) {
      bm_fail(error, "%s: is cut off or no fingerprint; `bookmatch check --accept` writes a new one", path);
   }
   fclose(file);
   if (error->is_set) {
      bm_fingerprint_free(reader.first);
      return NULL;
   }
   return reader.first;
}
