/* SPDX-License-Identifier: ISC */
#include "recall.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* So many signals are listed, and so many roots named. */
#define ROWS_MAX 40u
#define ROOTS_MAX 8u

/* How one signal compares; levels in dB. */
typedef struct {
   BmRecallVerdict verdict;
   double difference_db;
   bool has_figures; /* the three that follow */
   double loudness_lu;
   double peak_db;
   double octave_db; /* the greatest change of an octave that counts */
   double octave_hz;
   double from_s; /* it is identical until then */
} Change;

/* Zero where both are silent. */
static double change_of(double recorded, double now)
{
   return recorded == now ? 0.0 : now - recorded;
}

static Change compare_signal(const BmFingerprintSignal* recorded, const BmFingerprintSignal* now,
                             double rate_hz)
{
   Change change = {.verdict = BM_RECALL_IDENTICAL, .difference_db = -(double)INFINITY};
   if (recorded->bits == now->bits && recorded->n_frames == now->n_frames &&
       recorded->n_channels == now->n_channels) {
      return change;
   }
   uint32_t part = 0;
   while (part < BM_FINGERPRINT_PARTS - 1u && recorded->parts[part] == now->parts[part]) {
      ++part;
   }
   change.from_s = part * (double)recorded->n_frames / BM_FINGERPRINT_PARTS / rate_hz;
   change.difference_db = bm_fingerprint_difference_db(recorded, now);
   change.verdict = change.difference_db <= BM_RECALL_DIFFERENCE_DB ? BM_RECALL_WITHIN : BM_RECALL_DIFFERENT;
   if (!recorded->is_measured || !now->is_measured) {
      return change;
   }
   change.has_figures = true;
   change.loudness_lu = change_of(recorded->loudness_lufs, now->loudness_lufs);
   change.peak_db = change_of(recorded->peak_db, now->peak_db);
   for (uint32_t n = 0; n < BM_FINGERPRINT_OCTAVES; ++n) {
      const double level = fmax(recorded->octave_dbfs[n], now->octave_dbfs[n]);
      const double moved = change_of(recorded->octave_dbfs[n], now->octave_dbfs[n]);
      if (level > recorded->rms_dbfs + BM_RECALL_OCTAVE_FLOOR_DB && fabs(moved) > fabs(change.octave_db)) {
         change.octave_db = moved;
         change.octave_hz = bm_fingerprint_octave_hz(n);
      }
   }
   const bool is_within = fabs(change.loudness_lu) <= BM_RECALL_LOUDNESS_LU &&
                          fabs(change.peak_db) <= BM_RECALL_PEAK_DB &&
                          fabs(change.octave_db) <= BM_RECALL_OCTAVE_DB;
   change.verdict = is_within ? change.verdict : BM_RECALL_DIFFERENT;
   return change;
}

/* A signal that was not recorded is different. */
static Change change_of_signal(const BmFingerprint* recorded, const BmFingerprint* now, uint32_t n)
{
   const BmFingerprintSignal* before = bm_fingerprint_find(recorded, now->signals[n].name);
   const Change missing = {.verdict = BM_RECALL_DIFFERENT, .difference_db = (double)INFINITY};
   return before ? compare_signal(before, &now->signals[n], now->rate_hz) : missing;
}

BmRecallVerdict bm_recall_compare(const BmFingerprint* recorded, const BmFingerprint* now)
{
   BmRecallVerdict verdict = BM_RECALL_IDENTICAL;
   if (recorded->n_signals != now->n_signals || recorded->rate_hz != now->rate_hz) {
      return BM_RECALL_DIFFERENT;
   }
   for (uint32_t n = 0; n < now->n_signals; ++n) {
      const BmRecallVerdict own = change_of_signal(recorded, now, n).verdict;
      verdict = own > verdict ? own : verdict;
   }
   return verdict;
}

/* ---- words ---- */

static const BmNode* node_of(const BmSession* session, const BmFingerprintSignal* signal)
{
   return &session->nodes[signal->node];
}

/* Whether `from` is what comes into `into`. */
static bool feeds(const BmSession* session, const BmFingerprintSignal* from, const BmFingerprintSignal* into)
{
   const BmNode* node = node_of(session, from);
   if (from->node == into->node) {
      /* Places of inserts that are bypassed do not sound: whatever lies before in the same node counts. */
      return from->place < into->place && from->place <= node->n_inserts + 1u;
   }
   for (uint32_t r = 0; r < node->n_routes && into->place == 0; ++r) {
      if (node->routes[r].to == into->node) {
         return true;
      }
   }
   return false;
}

/* Whether a signal is the first on its way that is as far off as `verdict`. */
static bool is_root(const BmSession* session, const BmFingerprint* now, const Change* changes, uint32_t index,
                    BmRecallVerdict verdict)
{
   for (uint32_t n = 0; n < now->n_signals; ++n) {
      if (changes[n].verdict >= verdict && n != index &&
          feeds(session, &now->signals[n], &now->signals[index])) {
         return false;
      }
   }
   return changes[index].verdict >= verdict;
}

static void add_root(BmText* text, const BmSession* session, const BmFingerprintSignal* signal,
                     const Change* change)
{
   const BmNode* node = node_of(session, signal);
   bm_text_addf(text, "  %s <#%s> \"%s\", ", node->is_track ? "track" : "bus", node->id, node->label);
   if (signal->place == 0) {
      bm_text_addf(text, "%s itself", node->is_track ? "the take" : "the sum of what it is sent");
   } else if (signal->place <= node->n_inserts) {
      const BmInsert* insert = &node->inserts[signal->place - 1u];
      bm_text_addf(text, "insert %u \"%s\" <%s>", signal->place, insert->label, insert->plugin->uri);
   } else {
      bm_text_add(text, signal->place == node->n_inserts + 1u ? "fader and pan" : "the tail after the takes");
   }
   if (change->from_s > 0.0) {
      bm_text_addf(text, ", from %.1f s on", change->from_s);
   }
   bm_text_add(text, "\n");
}

static void add_roots(BmText* text, const BmSession* session, const BmFingerprint* now, const Change* changes,
                      BmRecallVerdict verdict)
{
   uint32_t n_roots = 0;
   bm_text_add(text, "what differs first, its input unchanged:\n");
   for (uint32_t n = 0; n < now->n_signals; ++n) {
      if (is_root(session, now, changes, n, verdict) && n_roots++ < ROOTS_MAX) {
         add_root(text, session, &now->signals[n], &changes[n]);
      }
   }
   if (n_roots > ROOTS_MAX) {
      bm_text_addf(text, "  and %u more\n", n_roots - ROOTS_MAX);
   }
}

static void add_table(BmText* text, const BmFingerprint* recorded, const BmFingerprint* now,
                      const Change* changes)
{
   uint32_t width = 6;
   uint32_t n_rows = 0;
   for (uint32_t n = 0; n < now->n_signals; ++n) {
      const uint32_t size = (uint32_t)strlen(now->signals[n].name);
      width = changes[n].verdict != BM_RECALL_IDENTICAL && size > width ? size : width;
   }
   bm_text_addf(text, "%-*s  difference dB  loudness LU     peak dB  spectrum dB\n", (int)width, "signal");
   for (uint32_t n = 0; n < now->n_signals; ++n) {
      const Change* change = &changes[n];
      if (change->verdict == BM_RECALL_IDENTICAL || n_rows++ >= ROWS_MAX) {
         continue;
      }
      bm_text_addf(text, "%-*s", (int)width, now->signals[n].name);
      if (!bm_fingerprint_find(recorded, now->signals[n].name)) {
         bm_text_add(text, "  was not recorded\n");
         continue;
      }
      bm_text_addf(text, "  %13.1f", change->difference_db);
      if (change->has_figures) {
         bm_text_addf(text, "  %+11.2f  %+10.2f  %+11.2f", change->loudness_lu, change->peak_db,
                      change->octave_db);
      }
      if (change->octave_hz > 0.0) {
         bm_text_addf(text, " at %g Hz", change->octave_hz);
      }
      bm_text_add(text, "\n");
   }
   if (n_rows > ROWS_MAX) {
      bm_text_addf(text, "and %u more\n", n_rows - ROWS_MAX);
   }
}

/* What else is no longer as it was recorded. */
static void add_circumstances(BmText* text, const BmFingerprint* recorded, const BmFingerprint* now)
{
   if (recorded->session != now->session) {
      bm_text_add(text, "the session's file has changed since the fingerprint was recorded\n");
   }
   if (recorded->rate_hz != now->rate_hz) {
      bm_text_addf(text, "the sample rate was %g Hz and is %g Hz\n", recorded->rate_hz, now->rate_hz);
   }
   for (uint32_t n = 0; n < now->n_plugins; ++n) {
      const BmFingerprintPlugin* plugin = &now->plugins[n];
      for (uint32_t r = 0; r < recorded->n_plugins; ++r) {
         const BmFingerprintPlugin* was = &recorded->plugins[r];
         if (!strcmp(plugin->uri, was->uri) &&
             (plugin->minor_version != was->minor_version || plugin->micro_version != was->micro_version)) {
            bm_text_addf(text, "<%s> was version %u.%u and is %u.%u\n", plugin->uri, was->minor_version,
                         was->micro_version, plugin->minor_version, plugin->micro_version);
         }
      }
   }
   for (uint32_t n = 0; n < recorded->n_signals; ++n) {
      if (!bm_fingerprint_find(now, recorded->signals[n].name)) {
         bm_text_addf(text, "no longer there: %s\n", recorded->signals[n].name);
      }
   }
}

void bm_recall_add_words(BmText* text, const BmSession* session, const BmFingerprint* recorded,
                         const BmFingerprint* now)
{
   const BmRecallVerdict verdict = bm_recall_compare(recorded, now);
   if (now->alternative) {
      bm_text_addf(text, "%s, \"%s\": ", session->path, now->alternative);
   } else {
      bm_text_addf(text, "%s: ", session->path);
   }
   if (verdict == BM_RECALL_IDENTICAL) {
      bm_text_addf(text, "identical to the bit, %u signals\n", now->n_signals);
      add_circumstances(text, recorded, now);
      return;
   }
   Change* changes = bm_calloc(now->n_signals, sizeof(Change));
   uint32_t n_changed = 0;
   double worst_db = -(double)INFINITY;
   for (uint32_t n = 0; n < now->n_signals; ++n) {
      changes[n] = change_of_signal(recorded, now, n);
      n_changed += changes[n].verdict != BM_RECALL_IDENTICAL;
      worst_db = fmax(worst_db, changes[n].difference_db);
   }
   if (verdict == BM_RECALL_WITHIN) {
      bm_text_addf(text, "within tolerance: %u of %u signals differ in their last bits, at most %.1f dB\n",
                   n_changed, now->n_signals, worst_db);
   } else {
      bm_text_addf(text, "different: %u of %u signals\n", n_changed, now->n_signals);
   }
   add_circumstances(text, recorded, now);
   if (n_changed) {
      add_roots(text, session, now, changes, verdict);
   }
   if (verdict == BM_RECALL_DIFFERENT && n_changed) {
      add_table(text, recorded, now, changes);
   }
   free(changes);
}
