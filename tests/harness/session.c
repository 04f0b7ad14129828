/* SPDX-License-Identifier: ISC */
#include "session.h"

#include "plugin_name.h"
#include "turtle.h"
#include "turtle_text.h"

#include <lv2/core/lv2.h>
#include <lv2/presets/presets.h>
#include <lv2/state/state.h>

#include <dirent.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define BM_NS "urn:bookmatch:vocabulary#"
#define BM_LABEL BM_RDFS_NS "label"
#define BM_NOTE BM_RDFS_NS "comment"

/* Beyond these a number in a session is a slip, not a wish. */
#define BM_MIN_RATE_HZ 8000.0
#define BM_MAX_RATE_HZ 384000.0
#define BM_MIN_GAIN_DB -144.0
#define BM_MAX_GAIN_DB 48.0
#define BM_MAX_TIME_S 86400.0

/* Which words may stand where. */
typedef struct {
   const char* place;
   const char* words[12]; /* NULL-terminated */
} Place;

enum {
   IN_SESSION,
   IN_TRACK,
   IN_BUS,
   IN_SEND,
   IN_STEM,
   IN_INSERT,
   IN_CHOICE,
   IN_ALTERNATIVE,
   IN_AUTOMATION,
   N_PLACES
};

static const Place places[N_PLACES] = {
   [IN_SESSION] = {"a session", {"sampleRate", "maxTail", "choice", NULL}},
   [IN_TRACK] = {"a track",
                 {"take", "takeChannels", "offset", "inverted", "inserts", "gain", "pan", "mute", "output",
                  "send", "automation", NULL}},
   [IN_BUS] = {"a bus",
               {"channels", "inverted", "inserts", "gain", "pan", "mute", "output", "send", "automation",
                NULL}},
   [IN_SEND] = {"a send", {"to", "gain", "preFader", "automation", NULL}},
   [IN_STEM] = {"a stem", {"from", "file", "sampleFormat", NULL}},
   [IN_INSERT] = {"an insert", {"bypass", "automation", NULL}},
   [IN_CHOICE] = {"a place of alternatives", {"alternatives", NULL}},
   [IN_ALTERNATIVE] = {"an alternative", {"inserts", NULL}},
   [IN_AUTOMATION] = {"an automation", {"control", "points", NULL}},
};

/* Words that are not properties. */
static const char* const classes[] = {"Session", "Track", "Bus", "Stem"};
static const char* const formats[] = {[BM_PCM24] = "pcm24", [BM_FLOAT32] = "float32", [BM_PCM16] = "pcm16"};
static const char* const segments[] = {
   [BM_SEGMENT_LINEAR] = "linear", [BM_SEGMENT_HELD] = "held", [BM_SEGMENT_GEOMETRIC] = "geometric"};

#define BM_COUNT(array) ((uint32_t)(sizeof(array) / sizeof((array)[0])))

typedef struct {
   BmHost* host;
   const BmTurtle* turtle;
   const char* takes_folder;
   BmSession* session;
   const BmTerm** terms; /* [n_nodes] what the nodes were read from */
   BmAudioInfo* takes;   /* [n_nodes] of tracks */
   BmError* error;
} Reader;

#define fail_line(reader, line, ...) bm_fail_at((reader)->error, (reader)->session->path, line, __VA_ARGS__)

/* The part of a URI in the session's vocabulary after the namespace, or NULL. */
static const char* own_word(const char* uri)
{
   return strncmp(uri, BM_NS, strlen(BM_NS)) ? NULL : uri + strlen(BM_NS);
}

/* The part of a URI that a reader knows it by. */
static const char* fragment(const char* uri)
{
   const char* hash = strrchr(uri, '#');
   return hash && hash[1] ? hash + 1 : uri;
}

static bool contains(const char* const* words, uint32_t n_words, const char* word)
{
   for (uint32_t n = 0; n < n_words && words[n]; ++n) {
      if (!strcmp(words[n], word)) {
         return true;
      }
   }
   return false;
}

/* A mistyped word would be ignored in silence, as Turtle is open to any; those of our own are not. */
static bool check_words(Reader* reader, const BmTerm* subject, const Place* place)
{
   for (const BmStatement* s = subject->first; s; s = s->next) {
      const char* word = own_word(s->predicate);
      if (word && !contains(place->words, BM_COUNT(place->words), word)) {
         const char* nearest = bm_nearest(word, place->words, BM_COUNT(place->words));
         return nearest ? fail_line(reader, s->line, "%s has no bm:%s; did you mean bm:%s?", place->place,
                                    word, nearest)
                        : fail_line(reader, s->line, "%s has no bm:%s", place->place, word);
      }
   }
   return true;
}

/* The one statement with this predicate; *statement is NULL if there is none. */
static bool get_one(Reader* reader, const BmTerm* subject, const char* predicate,
                    const BmStatement** statement)
{
   *statement = bm_turtle_get(subject, predicate);
   const BmStatement* second = *statement ? bm_turtle_next(*statement) : NULL;
   if (second) {
      return fail_line(reader, second->line, "\"%s\" is given twice, first in line %u", fragment(predicate),
                       (*statement)->line);
   }
   return true;
}

static bool get_number(Reader* reader, const BmTerm* subject, const char* word, double min, double max,
                       const char* unit, double* value)
{
   char* predicate = bm_print("%s%s", BM_NS, word);
   const BmStatement* s = NULL;
   bool ok = get_one(reader, subject, predicate, &s);
   free(predicate);
   double number = 0.0;
   if (!ok || !s) {
      return ok;
   }
   if (!bm_term_number(s->object, &number)) {
      return fail_line(reader, s->line, "bm:%s must be a number, not \"%s\"", word, s->object->text);
   }
   if (!(number >= min && number <= max)) {
      return fail_line(reader, s->line, "bm:%s is %s, but its range is %g to %g%s", word, s->object->text,
                       min, max, unit);
   }
   *value = number;
   return true;
}

static bool get_bool(Reader* reader, const BmTerm* subject, const char* word, bool* value)
{
   char* predicate = bm_print("%s%s", BM_NS, word);
   const BmStatement* s = NULL;
   bool ok = get_one(reader, subject, predicate, &s);
   free(predicate);
   if (!ok || !s) {
      return ok;
   }
   double number = 0.0;
   if (strcmp(s->object->datatype, BM_XSD_NS "boolean") || !bm_term_number(s->object, &number)) {
      return fail_line(reader, s->line, "bm:%s must be true or false, not \"%s\"", word, s->object->text);
   }
   *value = number != 0.0;
   return true;
}

/* A text, or a copy of `otherwise`. */
static bool get_text(Reader* reader, const BmTerm* subject, const char* predicate, const char* otherwise,
                     char** text)
{
   const BmStatement* s = NULL;
   if (!get_one(reader, subject, predicate, &s)) {
      return false;
   }
   if (s && s->object->kind != BM_TERM_LITERAL) {
      return fail_line(reader, s->line, "\"%s\" must be a text in quotation marks", fragment(predicate));
   }
   free(*text);
   *text = bm_copy(s ? s->object->text : otherwise);
   return true;
}

/* Names stand in tables, fingerprints and progress lines. */
static bool check_name(Reader* reader, const BmStatement* name)
{
   return bm_is_one_line(name->object->text) ||
          fail_line(reader, name->line,
                    "the name \"%s\" has a line end or another control character in it; a name is one line",
                    name->object->text);
}

/* A name, or a copy of `otherwise`. */
static bool get_name(Reader* reader, const BmTerm* subject, const char* otherwise, char** name)
{
   const BmStatement* s = NULL;
   return get_text(reader, subject, BM_LABEL, otherwise, name) && get_one(reader, subject, BM_LABEL, &s) &&
          (!s || check_name(reader, s));
}

typedef struct {
   const BmTerm** items;
   uint32_t* lines;
   uint32_t n_items;
} List;

static void list_free(List* list)
{
   free(list->items);
   free(list->lines);
   *list = (List){0};
}

/* The members of a Turtle list ( a b c ). */
static bool get_list(Reader* reader, const BmStatement* s, List* list)
{
   *list = (List){0};
   const BmTerm* at = s->object;
   while (strcmp(at->text, BM_RDF_NS "nil") != 0) {
      const BmStatement* first = bm_turtle_get(at, BM_RDF_NS "first");
      const BmStatement* rest = bm_turtle_get(at, BM_RDF_NS "rest");
      /* A list written by hand could bite its own tail. */
      if (!first || !rest || list->n_items > 1000000u) {
         list_free(list);
         return fail_line(reader, s->line, "\"%s\" must be a list in round brackets", fragment(s->predicate));
      }
      list->items = bm_realloc(list->items, list->n_items + 1u, sizeof(*list->items));
      list->lines = bm_realloc(list->lines, list->n_items + 1u, sizeof(*list->lines));
      list->items[list->n_items] = first->object;
      list->lines[list->n_items++] = first->line;
      at = rest->object;
   }
   return true;
}

/* What a value of automation has to keep to. */
typedef struct {
   const BmPort* port; /* NULL for gain and pan */
   const char* name;
   double min;
   double max;
} Limits;

/* The values that a port has names for, as a sentence lists them. */
static char* points_of(const BmPort* port)
{
   char* known = bm_copy("");
   for (uint32_t n = 0; n < port->n_points && strlen(known) < 400; ++n) {
      char* longer =
         bm_print("%s%s%g (%s)", known, n ? ", " : "", (double)port->points[n].value, port->points[n].label);
      free(known);
      known = longer;
   }
   return known;
}

static bool check_value(Reader* reader, uint32_t line, const Limits* limits, double value)
{
   if (!limits->port) {
      return (value >= limits->min && value <= limits->max) ||
             fail_line(reader, line, "bm:%s is %g, but its range is %g to %g", limits->name, value,
                       limits->min, limits->max);
   }
   BmError problem = {0};
   const BmPort* port = limits->port;
   if (!bm_port_check(port, value, reader->session->rate_hz, &problem)) {
      return fail_line(reader, line, "%s", problem.text);
   }
   if (port->is_integer && value != rint(value)) {
      return fail_line(reader, line, "\"%s\" is %g, but it must be a whole number", port->symbol, value);
   }
   bool is_point = !port->is_enumeration || !port->n_points;
   for (uint32_t n = 0; n < port->n_points && !is_point; ++n) {
      is_point = port->points[n].value == (float)value;
   }
   if (!is_point) {
      char* known = points_of(port);
      fail_line(reader, line, "\"%s\" is %g, but it must be one of %s", port->symbol, value, known);
      free(known);
      return false;
   }
   return true;
}

/* One breakpoint: ( time value ) or ( time value bm:held ). */
static bool read_point(Reader* reader, const BmTerm* term, uint32_t line, const Limits* limits,
                       BmBreakpoint* point)
{
   const bool is_stepped = limits->port && (limits->port->is_toggled || limits->port->is_enumeration);
   const BmStatement as_object = {.predicate = "breakpoint", .object = term, .line = line};
   List parts;
   if (!get_list(reader, &as_object, &parts)) {
      return false;
   }
   bool ok = false;
   if (parts.n_items < 2 || parts.n_items > 3 || !bm_term_number(parts.items[0], &point->time_s) ||
       !bm_term_number(parts.items[1], &point->value)) {
      fail_line(reader, line, "a breakpoint is ( seconds value ) or ( seconds value bm:held )");
   } else if (!(point->time_s >= 0.0 && point->time_s <= BM_MAX_TIME_S)) {
      fail_line(reader, line, "a breakpoint stands at %g s, but its range is 0 to %g s", point->time_s,
                BM_MAX_TIME_S);
   } else {
      ok = check_value(reader, line, limits, point->value);
   }
   point->to_next = is_stepped ? BM_SEGMENT_HELD : BM_SEGMENT_LINEAR;
   if (ok && parts.n_items == 3) {
      const char* word = own_word(parts.items[2]->text);
      ok = false;
      for (uint32_t n = 0; word && n < BM_COUNT(segments) && !ok; ++n) {
         ok = !strcmp(word, segments[n]);
         point->to_next = (BmSegment)n;
      }
      if (!ok) {
         fail_line(reader, line, "a segment is bm:linear, bm:held or bm:geometric");
      } else if (is_stepped && point->to_next != BM_SEGMENT_HELD) {
         ok = fail_line(reader, line, "\"%s\" goes in steps: its segments can only be bm:held",
                        limits->port->symbol);
      }
   }
   list_free(&parts);
   return ok;
}

static bool read_points(Reader* reader, const BmTerm* subject, const Limits* limits, BmAutomation* automation)
{
   const BmStatement* s = NULL;
   List points;
   if (!get_one(reader, subject, BM_NS "points", &s)) {
      return false;
   }
   if (!s) {
      return fail_line(reader, subject->line, "this automation has no bm:points");
   }
   if (!get_list(reader, s, &points)) {
      return false;
   }
   bool ok = points.n_items > 0 || fail_line(reader, s->line, "this automation has no breakpoints");
   automation->points = bm_calloc(points.n_items, sizeof(BmBreakpoint));
   automation->n_points = points.n_items;
   for (uint32_t n = 0; n < points.n_items && ok; ++n) {
      BmBreakpoint* point = &automation->points[n];
      ok = read_point(reader, points.items[n], points.lines[n], limits, point);
      if (ok && n && point->time_s < point[-1].time_s) {
         ok = fail_line(reader, points.lines[n], "breakpoints must follow in time: %g s comes after %g s",
                        point->time_s, point[-1].time_s);
      }
      if (ok && n && point[-1].to_next == BM_SEGMENT_GEOMETRIC &&
          !(point->value > 0.0 && point[-1].value > 0.0)) {
         ok = fail_line(reader, points.lines[n], "a bm:geometric segment needs values above 0 at both ends");
      }
   }
   list_free(&points);
   return ok;
}

/* The automations of gain and pan on a track, bus or send. `pan` may be NULL. */
static bool read_fader_automation(Reader* reader, const BmTerm* subject, BmAutomation* gain,
                                  BmAutomation* pan)
{
   const Limits gain_limits = {NULL, "gain", BM_MIN_GAIN_DB, BM_MAX_GAIN_DB};
   const Limits pan_limits = {NULL, "pan", -1.0, 1.0};
   for (const BmStatement* s = bm_turtle_get(subject, BM_NS "automation"); s; s = bm_turtle_next(s)) {
      const BmStatement* control = NULL;
      if (!check_words(reader, s->object, &places[IN_AUTOMATION]) ||
          !get_one(reader, s->object, BM_NS "control", &control)) {
         return false;
      }
      const char* word = control ? own_word(control->object->text) : NULL;
      const bool is_gain = word && !strcmp(word, "gain");
      const bool is_pan = word && pan && !strcmp(word, "pan");
      if (!is_gain && !is_pan) {
         return fail_line(reader, control ? control->line : s->line,
                          pan ? "an automation here needs bm:control bm:gain or bm:pan"
                              : "an automation here needs bm:control bm:gain");
      }
      BmAutomation* automation = is_gain ? gain : pan;
      if (automation->n_points) {
         return fail_line(reader, s->line, "bm:%s is automated twice", word);
      }
      if (!read_points(reader, s->object, is_gain ? &gain_limits : &pan_limits, automation)) {
         return false;
      }
   }
   return true;
}

/* The control input that a port or automation names by lv2:symbol. */
static bool get_port(Reader* reader, const BmTerm* subject, uint32_t line, const BmPlugin* plugin,
                     const BmPort** port)
{
   const BmStatement* s = NULL;
   if (!get_one(reader, subject, LV2_CORE__symbol, &s)) {
      return false;
   }
   if (!s || s->object->kind != BM_TERM_LITERAL) {
      return fail_line(reader, s ? s->line : line, "a port needs its lv2:symbol");
   }
   BmError problem = {0};
   *port = bm_plugin_port(plugin, s->object->text, &problem);
   if (!*port) {
      return fail_line(reader, s->line, "%s", problem.text);
   }
   if ((*port)->kind != BM_PORT_CONTROL || !(*port)->is_input) {
      return fail_line(reader, s->line, "\"%s\" of <%s> cannot be set: it is not a control input",
                       (*port)->symbol, plugin->uri);
   }
   return true;
}

static BmSetting* setting_of(BmInsert* insert, const BmPort* port)
{
   for (uint32_t n = 0; n < insert->n_settings; ++n) {
      if (insert->settings[n].port == port) {
         return &insert->settings[n];
      }
   }
   insert->settings = bm_realloc(insert->settings, insert->n_settings + 1u, sizeof(BmSetting));
   BmSetting* setting = &insert->settings[insert->n_settings++];
   *setting = (BmSetting){.port = port};
   return setting;
}

static bool read_settings(Reader* reader, const BmTerm* subject, BmInsert* insert)
{
   for (const BmStatement* s = bm_turtle_get(subject, LV2_CORE__port); s; s = bm_turtle_next(s)) {
      const BmPort* port = NULL;
      const BmStatement* value = NULL;
      double number = 0.0;
      if (!get_port(reader, s->object, s->line, insert->plugin, &port) ||
          !get_one(reader, s->object, LV2_PRESETS__value, &value)) {
         return false;
      }
      if (!value || !bm_term_number(value->object, &number)) {
         char* known = points_of(port);
         fail_line(reader, value ? value->line : s->line, "\"%s\" needs a pset:value that is a number%s%s",
                   port->symbol, port->n_points ? ": " : "", known);
         free(known);
         return false;
      }
      const Limits limits = {.port = port};
      if (!check_value(reader, value->line, &limits, number)) {
         return false;
      }
      BmSetting* setting = setting_of(insert, port);
      if (setting->is_set) {
         return fail_line(reader, value->line, "\"%s\" is set twice", port->symbol);
      }
      setting->is_set = true;
      setting->value = (float)number;
   }
   for (const BmStatement* s = bm_turtle_get(subject, BM_NS "automation"); s; s = bm_turtle_next(s)) {
      const BmPort* port = NULL;
      if (!check_words(reader, s->object, &places[IN_AUTOMATION]) ||
          !get_port(reader, s->object, s->line, insert->plugin, &port)) {
         return false;
      }
      const Limits limits = {.port = port};
      BmAutomation* automation = &setting_of(insert, port)->automation;
      if (automation->n_points) {
         return fail_line(reader, s->line, "\"%s\" is automated twice", port->symbol);
      }
      if (!read_points(reader, s->object, &limits, automation)) {
         return false;
      }
   }
   return true;
}

static bool read_preset(Reader* reader, const BmTerm* subject, BmInsert* insert)
{
   const BmStatement* s = NULL;
   if (!get_one(reader, subject, LV2_PRESETS__preset, &s) || !s) {
      return !reader->error->is_set;
   }
   if (s->object->kind != BM_TERM_URI) {
      return fail_line(reader, s->line,
                       "pset:preset must be the URI of a preset or of a file that holds one");
   }
   insert->preset_file = bm_turtle_file(reader->turtle, s->object);
   if (insert->preset_file) {
      return true;
   }
   insert->preset = bm_copy(s->object->text);
   const char** uris = bm_calloc(insert->plugin->n_presets, sizeof(char*));
   bool found = false;
   for (uint32_t n = 0; n < insert->plugin->n_presets; ++n) {
      uris[n] = insert->plugin->presets[n].uri;
      found = found || !strcmp(uris[n], insert->preset);
   }
   const char* nearest = bm_nearest(insert->preset, uris, insert->plugin->n_presets);
   free(uris);
   if (!found && nearest) {
      fail_line(reader, s->line, "<%s> has no preset <%s>; did you mean <%s>?", insert->plugin->uri,
                insert->preset, nearest);
   } else if (!found) {
      fail_line(reader, s->line, "<%s> has no preset <%s>", insert->plugin->uri, insert->preset);
   }
   return found;
}

static bool read_state(Reader* reader, const BmTerm* subject, BmInsert* insert)
{
   const BmStatement* s = NULL;
   if (!get_one(reader, subject, LV2_STATE__state, &s) || !s) {
      return !reader->error->is_set;
   }
   if (s->object->kind != BM_TERM_BLANK) {
      return fail_line(reader, s->line, "state:state must be written in square brackets");
   }
   char* properties = bm_turtle_write(reader->turtle, s->object);
   insert->state = bm_print("<urn:bookmatch:pasted> a <" LV2_PRESETS__Preset "> ; <" LV2_CORE__appliesTo
                            "> <%s> ; <" LV2_STATE__state "> _:%s .\n%s",
                            insert->plugin->uri, s->object->text, properties);
   free(properties);
   return true;
}

/* How a plugin fits where `n_channels` arrive; says which form would. */
static bool fit_channels(Reader* reader, BmInsert* insert, uint32_t n_channels)
{
   const BmPlugin* plugin = insert->plugin;
   insert->n_in = n_channels;
   insert->n_out = plugin->n_audio_out;
   if (insert->is_bypassed) {
      insert->n_out = n_channels;
      return true;
   }
   if (!plugin->n_audio_in || !plugin->n_audio_out) {
      return fail_line(reader, insert->line, "<%s> cannot be an insert: it has no audio %s", plugin->uri,
                       plugin->n_audio_in ? "output" : "input");
   }
   if (plugin->n_audio_in > BM_MAX_CHANNELS || plugin->n_audio_out > BM_MAX_CHANNELS) {
      return fail_line(reader, insert->line, "<%s> has %u inputs and %u outputs, but an insert has 1 or 2",
                       plugin->uri, plugin->n_audio_in, plugin->n_audio_out);
   }
   if (n_channels <= plugin->n_audio_in) {
      return true;
   }
   const char* hash = strrchr(plugin->uri, '#');
   char* stereo = hash ? bm_print("%.*s#stereo", (int)(hash - plugin->uri), plugin->uri) : NULL;
   BmError none = {0};
   if (stereo && bm_host_find(reader->host, stereo, &none)) {
      fail_line(reader, insert->line, "<%s> is mono, but two channels arrive here; use <%s>", plugin->uri,
                stereo);
   } else {
      fail_line(reader, insert->line, "<%s> is mono, but two channels arrive here", plugin->uri);
   }
   free(stereo);
   return false;
}

static bool read_insert(Reader* reader, const BmTerm* term, uint32_t line, BmInsert* insert)
{
   insert->line = line;
   const BmStatement* applies_to = NULL;
   if (!check_words(reader, term, &places[IN_INSERT]) ||
       !get_one(reader, term, LV2_CORE__appliesTo, &applies_to)) {
      return false;
   }
   if (!applies_to || applies_to->object->kind != BM_TERM_URI) {
      return fail_line(reader, applies_to ? applies_to->line : line,
                       "an insert needs lv2:appliesTo <plugin>");
   }
   insert->line = applies_to->line;
   BmError problem = {0};
   insert->plugin = bm_host_find(reader->host, applies_to->object->text, &problem);
   if (!insert->plugin) {
      return fail_line(reader, applies_to->line, "%s", problem.text);
   }
   char* name = bm_short_plugin_name(insert->plugin->name);
   const bool is_named = get_name(reader, term, name, &insert->label);
   free(name);
   return is_named && get_bool(reader, term, "bypass", &insert->is_bypassed) &&
          read_preset(reader, term, insert) && read_state(reader, term, insert) &&
          read_settings(reader, term, insert);
}

static BmAlternative* find_alternative(const BmSession* session, const char* label)
{
   for (uint32_t n = 0; n < session->n_alternatives; ++n) {
      if (!strcmp(session->alternatives[n].label, label)) {
         return &session->alternatives[n];
      }
   }
   return NULL;
}

/* The label of an alternative, or NULL with the error set. */
static const char* alternative_label(Reader* reader, const BmTerm* term, uint32_t line)
{
   const BmStatement* label = NULL;
   if (!get_one(reader, term, BM_LABEL, &label)) {
      return NULL;
   }
   if (!label || label->object->kind != BM_TERM_LITERAL || !label->object->text[0]) {
      fail_line(reader, label ? label->line : line, "an alternative needs a name: rdfs:label \"...\"");
      return NULL;
   }
   return check_name(reader, label) ? label->object->text : NULL;
}

/* The first place says which alternatives there are. */
static bool add_alternative(Reader* reader, const BmTerm* term, uint32_t line, const char* label)
{
   BmSession* session = reader->session;
   session->alternatives =
      bm_realloc(session->alternatives, session->n_alternatives + 1u, sizeof(BmAlternative));
   BmAlternative* alternative = &session->alternatives[session->n_alternatives++];
   *alternative = (BmAlternative){.label = bm_copy(label), .is_empty = true, .line = line};
   return get_text(reader, term, BM_NOTE, "", &alternative->note);
}

/* Each later place offers the same ones, by their labels. */
static bool fail_unknown_alternative(Reader* reader, uint32_t line, const char* label)
{
   const BmSession* session = reader->session;
   const char* labels[BM_MAX_ALTERNATIVES];
   for (uint32_t n = 0; n < session->n_alternatives; ++n) {
      labels[n] = session->alternatives[n].label;
   }
   const char* nearest = bm_nearest(label, labels, session->n_alternatives);
   return nearest
             ? fail_line(reader, line, "there is no alternative \"%s\" in line %u; did you mean \"%s\"?",
                         label, session->alternatives[0].line, nearest)
             : fail_line(reader, line,
                         "there is no alternative \"%s\" in line %u; all places offer the same alternatives",
                         label, session->alternatives[0].line);
}

/* A place where alternatives stand. */
static bool read_choice(Reader* reader, const BmTerm* term, const BmStatement* s)
{
   BmSession* session = reader->session;
   const bool is_first = !session->n_alternatives;
   bool is_here[BM_MAX_ALTERNATIVES] = {false};
   const BmStatement* own = bm_turtle_get(term, LV2_CORE__appliesTo);
   List list;
   if (own) {
      return fail_line(reader, own->line,
                       "bm:alternatives stands in square brackets of its own, beside the inserts");
   }
   if (!check_words(reader, term, &places[IN_CHOICE]) || !get_one(reader, term, BM_NS "alternatives", &s) ||
       !get_list(reader, s, &list)) {
      return false;
   }
   bool ok =
      (list.n_items >= 2 && list.n_items <= BM_MAX_ALTERNATIVES) ||
      fail_line(reader, s->line, "bm:alternatives holds 2 to %u, not %u", BM_MAX_ALTERNATIVES, list.n_items);
   for (uint32_t n = 0; n < list.n_items && ok; ++n) {
      const uint32_t line = list.lines[n];
      const char* label = alternative_label(reader, list.items[n], line);
      const BmAlternative* known = label ? find_alternative(session, label) : NULL;
      if (!label || !check_words(reader, list.items[n], &places[IN_ALTERNATIVE])) {
         ok = false;
      } else if (!bm_turtle_get(list.items[n], BM_NS "inserts")) {
         ok =
            fail_line(reader, line, "an alternative needs bm:inserts; bm:inserts () leaves the place empty");
      } else if (known && (is_first || is_here[known - session->alternatives])) {
         ok = fail_line(reader, line, "two alternatives are called \"%s\"", label);
      } else if (!known && !is_first) {
         ok = fail_unknown_alternative(reader, line, label);
      } else if (is_first) {
         ok = add_alternative(reader, list.items[n], line, label);
      } else {
         is_here[known - session->alternatives] = true;
      }
   }
   for (uint32_t n = 0; n < session->n_alternatives && ok && !is_first; ++n) {
      ok = is_here[n] || fail_line(reader, s->line, "the alternative \"%s\" of line %u is missing here",
                                   session->alternatives[n].label, session->alternatives[n].line);
   }
   list_free(&list);
   return ok;
}

/* Learn which alternatives there are, before any chain is read. */
static bool read_choices(Reader* reader)
{
   bool ok = true;
   for (uint32_t i = 0; i < reader->session->n_nodes && ok; ++i) {
      const BmStatement* s = bm_turtle_get(reader->terms[i], BM_NS "inserts");
      List list = {0};
      ok = !s || get_list(reader, s, &list);
      for (uint32_t n = 0; n < list.n_items && ok; ++n) {
         const BmStatement* choice = bm_turtle_get(list.items[n], BM_NS "alternatives");
         if (choice) {
            reader->session->nodes[i].n_chains = BM_MAX_ALTERNATIVES;
            ok = read_choice(reader, list.items[n], choice);
         }
      }
      list_free(&list);
   }
   for (uint32_t i = 0; i < reader->session->n_nodes; ++i) {
      BmNode* node = &reader->session->nodes[i];
      node->n_chains = node->n_chains ? reader->session->n_alternatives : 1;
   }
   return ok;
}

static void list_add(List* list, const BmTerm* item, uint32_t line)
{
   list->items = bm_realloc(list->items, list->n_items + 1u, sizeof(*list->items));
   list->lines = bm_realloc(list->lines, list->n_items + 1u, sizeof(*list->lines));
   list->items[list->n_items] = item;
   list->lines[list->n_items++] = line;
}

/* Which alternative the session has settled on; the first where it says nothing. */
static bool read_decision(Reader* reader, const BmTerm* session_term)
{
   BmSession* session = reader->session;
   const BmStatement* s = NULL;
   if (!get_one(reader, session_term, BM_NS "choice", &s) || !s) {
      return !reader->error->is_set;
   }
   if (s->object->kind != BM_TERM_LITERAL) {
      return fail_line(reader, s->line, "bm:choice names an alternative: bm:choice \"its rdfs:label\"");
   }
   if (!session->n_alternatives) {
      return fail_line(reader, s->line,
                       "bm:choice chooses between bm:alternatives, and the session offers none");
   }
   const BmAlternative* chosen = find_alternative(session, s->object->text);
   session->choice = chosen ? (uint32_t)(chosen - session->alternatives) : 0;
   return chosen || fail_unknown_alternative(reader, s->line, s->object->text);
}

/* Put what the alternative holds in the place of a choice. */
static bool expand_choice(Reader* reader, const BmStatement* choice, BmAlternative* alternative, List* chain)
{
   List all;
   List inserts = {0};
   bool ok = get_list(reader, choice, &all);
   for (uint32_t n = 0; n < all.n_items && ok; ++n) {
      const char* name = alternative_label(reader, all.items[n], all.lines[n]);
      const BmStatement* s = NULL;
      if (!name || strcmp(name, alternative->label)) {
         continue;
      }
      ok = get_one(reader, all.items[n], BM_NS "inserts", &s) && get_list(reader, s, &inserts);
      alternative->is_empty = alternative->is_empty && !inserts.n_items;
      for (uint32_t i = 0; i < inserts.n_items && ok; ++i) {
         const BmStatement* inner = bm_turtle_get(inserts.items[i], BM_NS "alternatives");
         list_add(chain, inserts.items[i], inserts.lines[i]);
         ok = !inner || fail_line(reader, inner->line, "an alternative cannot hold alternatives");
      }
      list_free(&inserts);
   }
   list_free(&all);
   return ok;
}

/* The inserts of a node with one alternative chosen. */
static bool read_chain(Reader* reader, const BmNode* node, const List* list, uint32_t alternative,
                       BmChain* chain)
{
   const bool varies = node->n_chains > 1;
   List items = {0};
   bool ok = true;
   for (uint32_t n = 0; n < list->n_items && ok; ++n) {
      const BmStatement* choice = bm_turtle_get(list->items[n], BM_NS "alternatives");
      if (choice) {
         ok = expand_choice(reader, choice, &reader->session->alternatives[alternative], &items);
      } else {
         list_add(&items, list->items[n], list->lines[n]);
      }
   }
   chain->inserts = bm_calloc(items.n_items, sizeof(BmInsert));
   for (uint32_t n = 0; n < items.n_items && ok; ++n) {
      ++chain->n_inserts;
      ok = read_insert(reader, items.items[n], items.lines[n], &chain->inserts[n]);
   }
   if (ok && varies) {
      chain->turtle = bm_turtle_text(reader->turtle, items.items, items.n_items);
   }
   list_free(&items);
   return ok;
}

/* The bus that a statement points to, as an index. */
static bool find_bus(Reader* reader, const BmStatement* s, uint32_t* index)
{
   const char** ids = bm_calloc(reader->session->n_nodes, sizeof(char*));
   bool found = false;
   bool is_track = false;
   for (uint32_t n = 0; n < reader->session->n_nodes && !found; ++n) {
      const BmNode* node = &reader->session->nodes[n];
      const bool is_it = reader->terms[n] == s->object;
      ids[n] = node->is_track ? NULL : node->id;
      is_track = is_track || (is_it && node->is_track);
      found = is_it && !node->is_track;
      *index = n;
   }
   if (!found) {
      const char* id = fragment(s->object->text);
      const char* nearest = bm_nearest(id, ids, reader->session->n_nodes);
      if (is_track) {
         fail_line(reader, s->line, "<#%s> is a track; sound can only go into a bus", id);
      } else if (nearest) {
         fail_line(reader, s->line, "there is no bus <#%s>; did you mean <#%s>?", id, nearest);
      } else {
         fail_line(reader, s->line, "there is no bus <#%s>", id);
      }
   }
   free(ids);
   return found;
}

static BmRoute* add_route(BmNode* node)
{
   node->routes = bm_realloc(node->routes, node->n_routes + 1u, sizeof(BmRoute));
   BmRoute* route = &node->routes[node->n_routes++];
   memset(route, 0, sizeof(*route));
   return route;
}

static bool read_routes(Reader* reader, const BmTerm* subject, BmNode* node)
{
   for (const BmStatement* s = bm_turtle_get(subject, BM_NS "output"); s; s = bm_turtle_next(s)) {
      BmRoute* route = add_route(node);
      route->line = s->line;
      if (!find_bus(reader, s, &route->to)) {
         return false;
      }
   }
   for (const BmStatement* s = bm_turtle_get(subject, BM_NS "send"); s; s = bm_turtle_next(s)) {
      BmRoute* route = add_route(node);
      route->is_send = true;
      route->line = s->line;
      const BmStatement* to = NULL;
      if (!check_words(reader, s->object, &places[IN_SEND]) || !get_one(reader, s->object, BM_NS "to", &to)) {
         return false;
      }
      if (!to) {
         return fail_line(reader, s->line, "a send needs bm:to <#bus>");
      }
      if (!find_bus(reader, to, &route->to) ||
          !get_number(reader, s->object, "gain", BM_MIN_GAIN_DB, BM_MAX_GAIN_DB, " dB", &route->gain_db) ||
          !get_bool(reader, s->object, "preFader", &route->is_pre_fader) ||
          !read_fader_automation(reader, s->object, &route->gain, NULL)) {
         return false;
      }
   }
   return true;
}

/* What the user would recognise of a path: as it was written, counted from the session's folder. */
static char* short_path(const Reader* reader, const char* path)
{
   char nothing[] = "";
   const BmTerm here = {.kind = BM_TERM_LITERAL, .text = nothing};
   char* folder = bm_turtle_file(reader->turtle, &here);
   const size_t size = strlen(folder);
   const char* rest = strncmp(path, folder, size) ? path : path + size;
   char* shown = bm_copy(rest[0] ? rest : ".");
   free(folder);
   return shown;
}

/* The file beside `path` whose name is nearest to its own, or NULL; to be freed. */
static char* near_file(const char* path)
{
   const char* slash = strrchr(path, '/');
   char* folder = slash ? bm_print("%.*s/", (int)(slash - path), path) : bm_copy(".");
   DIR* files = opendir(folder);
   free(folder);
   char** names = NULL;
   uint32_t n_names = 0;
   for (const struct dirent* file = files ? readdir(files) : NULL; file; file = readdir(files)) {
      names = bm_realloc(names, n_names + 1u, sizeof(char*));
      names[n_names++] = bm_copy(file->d_name);
   }
   if (files) {
      closedir(files);
   }
   const char* nearest = bm_nearest(slash ? slash + 1 : path, (const char* const*)names, n_names);
   char* near = nearest ? bm_copy(nearest) : NULL;
   for (uint32_t n = 0; n < n_names; ++n) {
      free(names[n]);
   }
   free(names);
   return near;
}

static bool read_take(Reader* reader, const BmTerm* subject, BmNode* node, BmAudioInfo* info)
{
   const BmStatement* s = NULL;
   const BmStatement* picked = NULL;
   if (!get_one(reader, subject, BM_NS "take", &s) ||
       !get_one(reader, subject, BM_NS "takeChannels", &picked)) {
      return false;
   }
   node->take = s ? bm_turtle_file(reader->turtle, s->object) : NULL;
   if (!node->take) {
      return fail_line(reader, s ? s->line : subject->line, "a track needs bm:take <file>");
   }
   char* given = short_path(reader, node->take);
   if (reader->takes_folder && given[0] != '/') {
      free(node->take);
      node->take = bm_print("%s/%s", reader->takes_folder, given);
   }
   free(given);
   BmError problem = {0};
   if (!bm_audio_probe(node->take, info, &problem)) {
      /* The same file by the name that the session uses. */
      char* shown = short_path(reader, node->take);
      const size_t size = strlen(node->take);
      const char* reason = strncmp(problem.text, node->take, size) ? problem.text : problem.text + size;
      char* near = access(node->take, F_OK) ? near_file(node->take) : NULL;
      fail_line(reader, s->line, near ? "%s%s; did you mean \"%s\"?" : "%s%s", shown, reason, near);
      free(near);
      free(shown);
      return false;
   }
   node->n_take_channels = info->n_channels;
   for (uint32_t c = 0; c < BM_MAX_CHANNELS; ++c) {
      node->take_channels[c] = c + 1;
   }
   List list = {0};
   if (picked && !get_list(reader, picked, &list)) {
      return false;
   }
   bool ok = true;
   if (picked) {
      node->n_take_channels = list.n_items;
   }
   if (node->n_take_channels < 1 || node->n_take_channels > BM_MAX_CHANNELS) {
      ok = fail_line(reader, picked ? picked->line : s->line,
                     "the take has %u channels; name one or two of them, as in bm:takeChannels ( 1 2 )",
                     info->n_channels);
   }
   for (uint32_t c = 0; c < list.n_items && ok; ++c) {
      double number = 0.0;
      ok = bm_term_number(list.items[c], &number) && number >= 1.0 && number <= (double)info->n_channels &&
           number == rint(number);
      node->take_channels[c] = (uint32_t)number;
      if (!ok) {
         fail_line(reader, list.lines[c], "the take has no channel %s; it has %u", list.items[c]->text,
                   info->n_channels);
      }
   }
   list_free(&list);
   return ok;
}

static bool read_node(Reader* reader, uint32_t index)
{
   BmNode* node = &reader->session->nodes[index];
   const BmTerm* subject = reader->terms[index];
   const BmStatement* inserts = NULL;
   const BmStatement* pan = NULL;
   double n_channels = 2.0;
   double offset_s = 0.0;
   if (!check_words(reader, subject, &places[node->is_track ? IN_TRACK : IN_BUS]) ||
       !get_name(reader, subject, node->id, &node->label) ||
       !get_text(reader, subject, BM_NOTE, "", &node->note) ||
       !get_number(reader, subject, "channels", 1.0, 2.0, "", &n_channels) ||
       !get_number(reader, subject, "offset", -BM_MAX_TIME_S, BM_MAX_TIME_S, " s", &offset_s) ||
       !get_bool(reader, subject, "inverted", &node->is_inverted) ||
       !get_number(reader, subject, "gain", BM_MIN_GAIN_DB, BM_MAX_GAIN_DB, " dB", &node->gain_db) ||
       !get_number(reader, subject, "pan", -1.0, 1.0, "", &node->pan) ||
       !get_bool(reader, subject, "mute", &node->is_muted) ||
       !get_one(reader, subject, BM_NS "inserts", &inserts) || !get_one(reader, subject, BM_NS "pan", &pan) ||
       !read_fader_automation(reader, subject, &node->gain, &node->pan_automation) ||
       !read_routes(reader, subject, node)) {
      return false;
   }
   node->has_pan = pan || node->pan_automation.n_points;
   node->n_in = n_channels == 1.0 ? 1 : 2;
   if (node->is_track) {
      const double rate_hz = reader->session->rate_hz;
      node->n_in = node->n_take_channels;
      node->take_frames =
         bm_frames_at_rate(reader->takes[index].n_frames, reader->takes[index].rate_hz, rate_hz);
      node->offset_frames = llrint(offset_s * rate_hz);
   }
   List list = {0};
   if (inserts && !get_list(reader, inserts, &list)) {
      return false;
   }
   bool ok = true;
   node->chains = bm_calloc(node->n_chains, sizeof(BmChain));
   for (uint32_t n = 0; n < node->n_chains && ok; ++n) {
      ok = read_chain(reader, node, &list, n, &node->chains[n]);
   }
   list_free(&list);
   return ok;
}

static bool read_stem(Reader* reader, const BmTerm* subject)
{
   BmSession* session = reader->session;
   session->stems = bm_realloc(session->stems, session->n_stems + 1u, sizeof(BmStem));
   BmStem* stem = &session->stems[session->n_stems++];
   *stem = (BmStem){.line = subject->line};
   const BmStatement* from = NULL;
   const BmStatement* file = NULL;
   const BmStatement* format = NULL;
   if (!check_words(reader, subject, &places[IN_STEM]) || !get_one(reader, subject, BM_NS "from", &from) ||
       !get_one(reader, subject, BM_NS "file", &file) ||
       !get_one(reader, subject, BM_NS "sampleFormat", &format)) {
      return false;
   }
   if (!from) {
      return fail_line(reader, subject->line, "a stem needs bm:from <#track> or <#bus>");
   }
   if (!file || file->object->kind != BM_TERM_LITERAL) {
      return fail_line(reader, file ? file->line : subject->line, "a stem needs bm:file \"name.wav\"");
   }
   const char* name = file->object->text;
   const char* ending = strrchr(name, '.');
   if (strchr(name, '/') || name[0] == '.' || !ending || strcmp(ending, ".wav") != 0 || strlen(name) > 200) {
      return fail_line(
         reader, file->line,
         "bm:file is \"%s\", but it must be a plain file name that ends in .wav; the folder is chosen by "
         "-o",
         name);
   }
   if (!check_name(reader, file)) {
      return false;
   }
   stem->file = bm_copy(name);
   for (uint32_t n = 0; n + 1 < session->n_stems; ++n) {
      if (!strcmp(session->stems[n].file, name)) {
         return fail_line(reader, file->line, "two stems are called \"%s\"", name);
      }
   }
   const char** ids = bm_calloc(session->n_nodes, sizeof(char*));
   bool found = false;
   for (uint32_t n = 0; n < session->n_nodes; ++n) {
      ids[n] = session->nodes[n].id;
      if (reader->terms[n] == from->object) {
         stem->from = n;
         found = true;
      }
   }
   const char* id = fragment(from->object->text);
   const char* nearest = bm_nearest(id, ids, session->n_nodes);
   free(ids);
   if (!found) {
      return nearest ? fail_line(reader, from->line, "there is no track or bus <#%s>; did you mean <#%s>?",
                                 id, nearest)
                     : fail_line(reader, from->line, "there is no track or bus <#%s>", id);
   }
   const char* word = format ? own_word(format->object->text) : formats[BM_PCM24];
   bool is_known = false;
   for (uint32_t n = 0; word && n < BM_COUNT(formats); ++n) {
      if (!strcmp(word, formats[n])) {
         stem->format = (BmSampleFormat)n;
         is_known = true;
      }
   }
   if (!is_known) {
      return fail_line(reader, format->line, "bm:sampleFormat is bm:pcm24, bm:float32 or bm:pcm16");
   }
   return get_name(reader, subject, session->nodes[stem->from].label, &stem->label);
}

/* Find what the file speaks of, so that a name may be used before it is described. */
static bool collect(Reader* reader, const BmTerm** session_term)
{
   BmSession* session = reader->session;
   const BmTerm* subject = NULL;
   for (uint32_t n = 0; (subject = bm_turtle_subject(reader->turtle, n)); ++n) {
      for (const BmStatement* s = bm_turtle_get(subject, BM_RDF_NS "type"); s; s = bm_turtle_next(s)) {
         const char* word = own_word(s->object->text);
         if (word && !contains(classes, BM_COUNT(classes), word)) {
            const char* nearest = bm_nearest(word, classes, BM_COUNT(classes));
            return nearest
                      ? fail_line(reader, s->line, "there is no bm:%s; did you mean bm:%s?", word, nearest)
                      : fail_line(reader, s->line, "there is no bm:%s", word);
         }
         if (word && !strcmp(word, "Session")) {
            if (*session_term) {
               return fail_line(reader, s->line, "a second bm:Session; a file holds one");
            }
            *session_term = subject;
         }
      }
      const bool is_track = bm_turtle_is_a(subject, BM_NS "Track");
      const bool is_bus = bm_turtle_is_a(subject, BM_NS "Bus");
      if (is_track && is_bus) {
         return fail_line(reader, subject->line, "this is a bm:Track and a bm:Bus at once");
      }
      if (!is_track && !is_bus) {
         continue;
      }
      const uint32_t index = session->n_nodes++;
      session->nodes = bm_realloc(session->nodes, session->n_nodes, sizeof(BmNode));
      reader->terms = bm_realloc(reader->terms, session->n_nodes, sizeof(BmTerm*));
      reader->takes = bm_realloc(reader->takes, session->n_nodes, sizeof(BmAudioInfo));
      BmNode* node = &session->nodes[index];
      *node = (BmNode){.id = bm_copy(fragment(subject->text)), .is_track = is_track, .line = subject->line};
      reader->terms[index] = subject;
      reader->takes[index] = (BmAudioInfo){0};
      if (is_track && !read_take(reader, subject, node, &reader->takes[index])) {
         return false;
      }
      if (is_track && session->rate_hz == 0.0) {
         session->rate_hz = reader->takes[index].rate_hz;
      }
   }
   return true;
}

static bool has_class(const BmTerm* subject)
{
   for (const BmStatement* s = bm_turtle_get(subject, BM_RDF_NS "type"); s; s = bm_turtle_next(s)) {
      if (own_word(s->object->text)) {
         return true;
      }
   }
   return false;
}

/* What has our words, but neither a class nor anybody who speaks of it, would be left out in silence: a track
   whose class was forgotten, or a second mention with a slip in the name. */
static bool check_subjects(Reader* reader)
{
   const BmTerm* subject = NULL;
   uint32_t n_terms = 0;
   for (uint32_t n = 0; (subject = bm_turtle_subject(reader->turtle, n)); ++n) {
      for (const BmStatement* s = subject->first; s; s = s->next) {
         n_terms = s->object->index >= n_terms ? s->object->index + 1u : n_terms;
      }
   }
   bool* is_object = bm_calloc(n_terms, sizeof(bool));
   for (uint32_t n = 0; (subject = bm_turtle_subject(reader->turtle, n)); ++n) {
      for (const BmStatement* s = subject->first; s; s = s->next) {
         is_object[s->object->index] = true;
      }
   }
   bool ok = true;
   for (uint32_t n = 0; ok && (subject = bm_turtle_subject(reader->turtle, n)); ++n) {
      const bool is_spoken_of = subject->index < n_terms && is_object[subject->index];
      for (const BmStatement* s = subject->first; ok && s && !is_spoken_of && !has_class(subject);
           s = s->next) {
         const char* word = own_word(s->predicate);
         ok = !word ||
              fail_line(reader, s->line,
                        "<#%s> has a bm:%s, but nothing says what it is; write `a bm:Track`, `a bm:Bus` or "
                        "`a bm:Stem`, or the name of one",
                        fragment(subject->text), word);
      }
   }
   free(is_object);
   return ok;
}

/* The first route into `to` from a node that could not be sorted. */
static const BmRoute* feeding_route(const BmSession* session, const bool* is_sorted, uint32_t to,
                                    uint32_t* from)
{
   for (*from = 0; *from < session->n_nodes; ++*from) {
      const BmNode* node = &session->nodes[*from];
      for (uint32_t r = 0; r < node->n_routes && !is_sorted[*from]; ++r) {
         if (node->routes[r].to == to) {
            return &node->routes[r];
         }
      }
   }
   return NULL;
}

/* Say which buses feed each other. What cannot be sorted waits for something that cannot be sorted either, so
   a walk backwards ends up going in a circle. */
static bool fail_cycle(Reader* reader, const bool* is_sorted)
{
   const BmSession* session = reader->session;
   uint32_t at = 0;
   while (is_sorted[at]) {
      ++at;
   }
   for (uint32_t step = 0; step < session->n_nodes; ++step) {
      feeding_route(session, is_sorted, at, &at);
   }
   const uint32_t start = at;
   char* circle = bm_print("<#%s>", session->nodes[start].id);
   uint32_t line = 0;
   do {
      line = feeding_route(session, is_sorted, at, &at)->line;
      char* longer = bm_print("<#%s> -> %s", session->nodes[at].id, circle);
      free(circle);
      circle = longer;
   } while (at != start);
   fail_line(reader, line, "the buses feed each other in a circle: %s", circle);
   free(circle);
   return false;
}

/* Put each node after all that feed it; among those that could come next, the first in the file. */
static bool sort_nodes(Reader* reader)
{
   BmSession* session = reader->session;
   const uint32_t n_nodes = session->n_nodes;
   uint32_t* n_waiting = bm_calloc(n_nodes, sizeof(uint32_t));
   uint32_t* new_index = bm_calloc(n_nodes, sizeof(uint32_t));
   bool* is_sorted = bm_calloc(n_nodes, sizeof(bool));
   BmNode* sorted = bm_calloc(n_nodes, sizeof(BmNode));
   for (uint32_t n = 0; n < n_nodes; ++n) {
      for (uint32_t r = 0; r < session->nodes[n].n_routes; ++r) {
         ++n_waiting[session->nodes[n].routes[r].to];
      }
   }
   uint32_t n_sorted = 0;
   for (uint32_t n = 0; n < n_nodes; ++n) {
      if (is_sorted[n] || n_waiting[n]) {
         continue;
      }
      is_sorted[n] = true;
      new_index[n] = n_sorted;
      sorted[n_sorted++] = session->nodes[n];
      uint32_t first_ready = n;
      for (uint32_t r = 0; r < session->nodes[n].n_routes; ++r) {
         const uint32_t to = session->nodes[n].routes[r].to;
         --n_waiting[to];
         first_ready = !n_waiting[to] && to < first_ready ? to : first_ready;
      }
      n = first_ready < n ? first_ready - 1 : n;
   }
   const bool ok = n_sorted == n_nodes || fail_cycle(reader, is_sorted);
   if (ok) {
      memcpy(session->nodes, sorted, n_nodes * sizeof(BmNode));
      for (uint32_t n = 0; n < n_nodes; ++n) {
         for (uint32_t r = 0; r < session->nodes[n].n_routes; ++r) {
            session->nodes[n].routes[r].to = new_index[session->nodes[n].routes[r].to];
         }
      }
      for (uint32_t n = 0; n < session->n_stems; ++n) {
         session->stems[n].from = new_index[session->stems[n].from];
      }
   }
   free(n_waiting);
   free(new_index);
   free(is_sorted);
   free(sorted);
   return ok;
}

static bool settle_chain(Reader* reader, const BmNode* node, BmChain* chain)
{
   uint32_t n_channels = node->n_in;
   for (uint32_t i = 0; i < chain->n_inserts; ++i) {
      if (!fit_channels(reader, &chain->inserts[i], n_channels)) {
         return false;
      }
      n_channels = chain->inserts[i].n_out;
   }
   chain->n_out = node->has_pan ? 2 : n_channels;
   for (uint32_t r = 0; r < node->n_routes; ++r) {
      const BmRoute* route = &node->routes[r];
      const BmNode* to = &reader->session->nodes[route->to];
      const uint32_t n_sent = route->is_pre_fader ? n_channels : chain->n_out;
      if (n_sent > to->n_in) {
         return fail_line(reader, route->line, "<#%s> is mono, but two channels come from <#%s>%s", to->id,
                          node->id, n_channels == 1 ? "; without bm:pan it would be one" : "");
      }
   }
   return true;
}

/* Follow one or two channels from the takes to the stems. */
static bool settle_channels(Reader* reader)
{
   BmSession* session = reader->session;
   for (uint32_t n = 0; n < session->n_nodes; ++n) {
      const BmNode* node = &session->nodes[n];
      for (uint32_t c = 0; c < node->n_chains; ++c) {
         if (!settle_chain(reader, node, &node->chains[c])) {
            return false;
         }
      }
   }
   bm_session_choose(session, session->choice);
   return true;
}

static void warn(BmSession* session, char* text)
{
   session->warnings = bm_realloc(session->warnings, session->n_warnings + 1u, sizeof(char*));
   session->warnings[session->n_warnings++] = text;
}

/* Mark what leads to a stem, and find where the last take ends. */
static bool settle_use(Reader* reader)
{
   BmSession* session = reader->session;
   for (uint32_t n = 0; n < session->n_stems; ++n) {
      session->nodes[session->stems[n].from].is_used = true;
   }
   for (uint32_t n = session->n_nodes; n-- > 0;) {
      BmNode* node = &session->nodes[n];
      for (uint32_t r = 0; r < node->n_routes && !node->is_muted; ++r) {
         node->is_used = node->is_used || session->nodes[node->routes[r].to].is_used;
      }
      if (!node->is_used && !node->is_muted) {
         warn(session,
              bm_print("%s:%u: <#%s> leads to no stem and is left out", session->path, node->line, node->id));
      }
      if (node->is_track && node->is_used) {
         const int64_t end = node->offset_frames + (int64_t)node->take_frames;
         session->content_frames =
            end > (int64_t)session->content_frames ? (uint64_t)end : session->content_frames;
         if (end <= 0) {
            warn(session, bm_print("%s:%u: the take of <#%s> is over before the session begins",
                                   session->path, node->line, node->id));
         }
      }
   }
   if (!session->content_frames) {
      return fail_line(reader, session->stems[0].line, "no take reaches a stem; there is nothing to render");
   }
   return true;
}

static bool read_all(Reader* reader)
{
   BmSession* session = reader->session;
   const BmTerm* session_term = NULL;
   const BmTerm* subject = NULL;
   double rate_hz = 0.0;
   session->max_tail_s = BM_DEFAULT_TAIL_S;
   if (!collect(reader, &session_term)) {
      return false;
   }
   if (!session_term) {
      return fail_line(reader, 0, "holds no session: nothing in it is a bm:Session");
   }
   if (!check_subjects(reader) || !check_words(reader, session_term, &places[IN_SESSION]) ||
       !get_name(reader, session_term, session->name, &session->title) ||
       !get_text(reader, session_term, BM_NOTE, "", &session->note) ||
       !get_number(reader, session_term, "sampleRate", BM_MIN_RATE_HZ, BM_MAX_RATE_HZ, " Hz", &rate_hz) ||
       !get_number(reader, session_term, "maxTail", 0.0, BM_MAX_TAIL_S, " s", &session->max_tail_s)) {
      return false;
   }
   if (rate_hz != rint(rate_hz)) {
      return fail_line(reader, session_term->line, "bm:sampleRate is %g, but it must be a whole number",
                       rate_hz);
   }
   session->rate_hz = rate_hz != 0.0 ? rate_hz : session->rate_hz;
   if (session->rate_hz != 0.0 &&
       !(session->rate_hz >= BM_MIN_RATE_HZ && session->rate_hz <= BM_MAX_RATE_HZ)) {
      return fail_line(
         reader, session_term->line,
         "the first take has %g Hz, at which no session can run; give a bm:sampleRate of %g to %g Hz",
         session->rate_hz, BM_MIN_RATE_HZ, BM_MAX_RATE_HZ);
   }
   if (!read_choices(reader) || !read_decision(reader, session_term)) {
      return false;
   }
   for (uint32_t n = 0; n < session->n_nodes; ++n) {
      if (!read_node(reader, n)) {
         return false;
      }
   }
   for (uint32_t n = 0; (subject = bm_turtle_subject(reader->turtle, n)); ++n) {
      if (bm_turtle_is_a(subject, BM_NS "Stem") && !read_stem(reader, subject)) {
         return false;
      }
   }
   if (!session->n_stems) {
      return fail_line(reader, session_term->line, "the session has no bm:Stem, so nothing would come out");
   }
   return sort_nodes(reader) && settle_channels(reader) && settle_use(reader);
}

BmSession* bm_session_read(BmHost* host, const char* path, const char* takes_folder, BmError* error)
{
   BmTurtle* turtle = bm_turtle_read(path, error);
   if (!turtle) {
      return NULL;
   }
   BmSession* session = bm_calloc(1, sizeof(BmSession));
   const char* slash = strrchr(path, '/');
   session->path = bm_copy(path);
   session->name = bm_copy(slash ? slash + 1 : path);
   char* ending = strrchr(session->name, '.');
   if (ending && ending != session->name) {
      *ending = '\0';
   }
   Reader reader = {
      .host = host, .turtle = turtle, .takes_folder = takes_folder, .session = session, .error = error};
   const bool ok = read_all(&reader);
   free(reader.terms);
   free(reader.takes);
   bm_turtle_free(turtle);
   if (!ok) {
      bm_session_free(session);
      return NULL;
   }
   return session;
}

static void insert_free(BmInsert* insert)
{
   for (uint32_t n = 0; n < insert->n_settings; ++n) {
      free(insert->settings[n].automation.points);
   }
   free(insert->settings);
   free(insert->label);
   free(insert->preset);
   free(insert->preset_file);
   free(insert->state);
}

static void node_free(BmNode* node)
{
   for (uint32_t c = 0; node->chains && c < node->n_chains; ++c) {
      for (uint32_t n = 0; n < node->chains[c].n_inserts; ++n) {
         insert_free(&node->chains[c].inserts[n]);
      }
      free(node->chains[c].inserts);
      free(node->chains[c].turtle);
   }
   for (uint32_t n = 0; n < node->n_routes; ++n) {
      free(node->routes[n].gain.points);
   }
   free(node->chains);
   free(node->routes);
   free(node->gain.points);
   free(node->pan_automation.points);
   free(node->id);
   free(node->label);
   free(node->note);
   free(node->take);
}

void bm_session_free(BmSession* session)
{
   if (!session) {
      return;
   }
   for (uint32_t n = 0; n < session->n_nodes; ++n) {
      node_free(&session->nodes[n]);
   }
   for (uint32_t n = 0; n < session->n_stems; ++n) {
      free(session->stems[n].label);
      free(session->stems[n].file);
   }
   for (uint32_t n = 0; n < session->n_alternatives; ++n) {
      free(session->alternatives[n].label);
      free(session->alternatives[n].note);
   }
   for (uint32_t n = 0; n < session->n_warnings; ++n) {
      free(session->warnings[n]);
   }
   free(session->alternatives);
   free(session->warnings);
   free(session->nodes);
   free(session->stems);
   free(session->path);
   free(session->name);
   free(session->title);
   free(session->note);
   free(session);
}

void bm_session_choose(BmSession* session, uint32_t alternative)
{
   session->alternative = alternative;
   for (uint32_t n = 0; n < session->n_nodes; ++n) {
      BmNode* node = &session->nodes[n];
      const BmChain* chain = &node->chains[node->n_chains > 1 ? alternative : 0];
      node->inserts = chain->inserts;
      node->n_inserts = chain->n_inserts;
      node->n_out = chain->n_out;
   }
}

const char* bm_session_word(uint32_t n)
{
   const struct {
      const char* const* words;
      uint32_t n_words;
   } others[] = {{classes, BM_COUNT(classes)}, {formats, BM_COUNT(formats)}, {segments, BM_COUNT(segments)}};
   for (uint32_t p = 0; p < N_PLACES; ++p) {
      for (uint32_t w = 0; places[p].words[w]; ++w) {
         if (!n--) {
            return places[p].words[w];
         }
      }
   }
   for (uint32_t p = 0; p < BM_COUNT(others); ++p) {
      if (n < others[p].n_words) {
         return others[p].words[n];
      }
      n -= others[p].n_words;
   }
   return NULL;
}
