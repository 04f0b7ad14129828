/* SPDX-License-Identifier: ISC */
#include "part.h"

#include <errno.h>
#include <math.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define LINE_MAX_BYTES 1024
#define WORDS_MAX 80
#define SPACE " \t\r\n"

typedef struct {
   BmPart* part;
   const char* path;
   uint32_t line;
   char* message;
   double section_db;
   uint32_t n_words;
   char* words[WORDS_MAX];
} Reader;

__attribute__((format(printf, 2, 3))) static bool wrong(const Reader* reader, const char* format, ...)
{
   const int n = snprintf(reader->message, BM_PART_MESSAGE_MAX, "%s:%u: ", reader->path, reader->line);
   if (n >= 0 && n < BM_PART_MESSAGE_MAX) {
      va_list arguments;
      va_start(arguments, format);
      vsnprintf(reader->message + n, (size_t)(BM_PART_MESSAGE_MAX - n), format, arguments);
      va_end(arguments);
   }
   return false;
}

static bool read_number(const char* word, double low, double high, double* value)
{
   char* end;
   *value = strtod(word, &end);
   return end != word && *end == '\0' && *value >= low && *value <= high;
}

static bool read_name(const Reader* reader, const char* word, char name[BM_NAME_MAX])
{
   if (strlen(word) >= BM_NAME_MAX) {
      return wrong(reader, "name '%.60s...' is longer than %d bytes", word, BM_NAME_MAX - 1);
   }
   memcpy(name, word, strlen(word) + 1);
   return true;
}

static bool read_instrument(Reader* reader)
{
   reader->part->instrument = bm_instrument_find(reader->words[1]);
   if (reader->part->instrument) {
      return true;
   }
   char known[256] = "";
   const BmInstrument* instrument;
   for (uint32_t i = 0; (instrument = bm_instrument_at(i)); ++i) {
      const size_t used = strlen(known);
      snprintf(known + used, sizeof(known) - used, "%s%s", i ? ", " : "", instrument->name);
   }
   return wrong(reader, "no instrument '%.60s'; there are %s", reader->words[1], known);
}

static bool read_hand(Reader* reader)
{
   static const char* const names[] = {"pick", "fingers", "thumb"};
   for (uint32_t i = 0; i < 3; ++i) {
      if (strcmp(reader->words[1], names[i]) == 0) {
         reader->part->hand = (BmHand)i;
         return true;
      }
   }
   return wrong(reader, "no hand '%.60s'; there are pick, fingers, thumb", reader->words[1]);
}

static bool read_take(Reader* reader)
{
   BmPart* part = reader->part;
   if (part->n_takes == BM_TAKES_MAX) {
      return wrong(reader, "more than %d takes", BM_TAKES_MAX);
   }
   BmTake* take = &part->takes[part->n_takes++];
   double performance;
   if (!read_name(reader, reader->words[1], take->name)) {
      return false;
   }
   if (strchr(take->name, '/') || take->name[0] == '.') {
      return wrong(reader, "take '%s' is to be a file's name: no '/', no '.' in front", take->name);
   }
   for (uint32_t i = 0; i + 1 < part->n_takes; ++i) {
      if (strcmp(part->takes[i].name, take->name) == 0) {
         return wrong(reader, "a second take '%s'", take->name);
      }
   }
   if (!read_number(reader->words[2], 1.0, 99.0, &performance) || performance != floor(performance)) {
      return wrong(reader, "performance '%.60s': a whole number from 1 to 99 would be right",
                   reader->words[2]);
   }
   take->performance = (uint32_t)performance;
   for (uint32_t i = 3; i < reader->n_words; ++i) {
      const char* word = reader->words[i];
      take->reversed[i - 3] = word[0] == '-';
      take->microphones[i - 3] = bm_microphone_find(word + take->reversed[i - 3]);
      if (!take->microphones[i - 3]) {
         return wrong(reader, "no microphone '%.60s'; there are close, body, neck, far", word);
      }
      ++take->n_microphones;
   }
   return true;
}

static bool read_chord(Reader* reader)
{
   BmPart* part = reader->part;
   if (!part->instrument) {
      return wrong(reader, "an instrument must come before its chords");
   }
   if (part->n_chords == BM_CHORDS_MAX) {
      return wrong(reader, "more than %d chords", BM_CHORDS_MAX);
   }
   BmChord* chord = &part->chords[part->n_chords++];
   if (!read_name(reader, reader->words[1], chord->name)) {
      return false;
   }
   if (reader->n_words - 2 != part->instrument->n_courses) {
      return wrong(reader, "chord '%s' has %u frets; %s has %u courses", chord->name, reader->n_words - 2,
                   part->instrument->name, part->instrument->n_courses);
   }
   bool sounds = false;
   for (uint32_t course = 0; course < part->instrument->n_courses; ++course) {
      const char* word = reader->words[2 + course];
      double fret = BM_FRET_SILENT;
      if (strcmp(word, "x") != 0) {
         if (!read_number(word, 0.0, BM_FRET_MAX, &fret) || fret != floor(fret)) {
            return wrong(reader, "fret '%.60s': x or a whole number to %d would be right", word, BM_FRET_MAX);
         }
         sounds = true;
      }
      chord->frets[course] = (int8_t)fret;
   }
   return sounds || wrong(reader, "chord '%s' has no note", chord->name);
}

/* One pluck of a step: 'b', '2' or '2:5'. Returns where it ends, or NULL. */
static const char* read_pluck(const Reader* reader, const char* text, BmStep* step)
{
   const uint32_t n_courses = reader->part->instrument->n_courses;
   if (step->n_plucks == BM_COURSES_MAX) {
      return NULL;
   }
   uint8_t* course = &step->plucks[step->n_plucks].course;
   int8_t* fret = &step->plucks[step->n_plucks].fret;
   ++step->n_plucks;
   *fret = BM_FRET_OF_CHORD;
   if (*text == 'b') {
      *course = BM_COURSE_BASS;
      return text + 1;
   }
   if (*text < '1' || *text > (char)('0' + n_courses)) {
      return NULL;
   }
   *course = (uint8_t)(n_courses - (uint32_t)(*text - '0'));
   if (text[1] != ':') {
      return text + 1;
   }
   char* end;
   const long at = strtol(text + 2, &end, 10);
   if (end == text + 2 || at < 0 || at > BM_FRET_MAX) {
      return NULL;
   }
   *fret = (int8_t)at;
   return end;
}

static bool read_step(const Reader* reader, const char* word, BmStep* step)
{
   static const char strokes[] = ".DdUux-";
   static const BmStepKind kinds[] = {BM_STEP_RING,   BM_STEP_DOWN,    BM_STEP_DOWN_BASS, BM_STEP_UP,
                                      BM_STEP_UP_TOP, BM_STEP_SCRATCH, BM_STEP_STOP};
   const char* text = word;
   const char* stroke = strchr(strokes, *text);
   if (stroke) {
      step->kind = kinds[stroke - strokes];
      ++text;
   } else {
      step->kind = BM_STEP_PLUCK;
      text = read_pluck(reader, text, step);
      while (text && *text == '+') {
         text = read_pluck(reader, text + 1, step);
      }
   }
   for (; text && (*text == '!' || *text == '~'); ++text) {
      step->accent |= *text == '!';
      step->tremolo |= *text == '~';
   }
   return (text && *text == '\0') ||
          wrong(reader,
                "step '%.60s': one of . D d U u x -, or courses such as b, 1, 2:5, b+1 would be right", word);
}

static bool read_pattern(Reader* reader)
{
   BmPart* part = reader->part;
   if (!part->instrument) {
      return wrong(reader, "an instrument must come before its patterns");
   }
   if (part->n_patterns == BM_PATTERNS_MAX || reader->n_words - 2 > BM_STEPS_MAX) {
      return wrong(reader, "more than %d patterns or %d steps", BM_PATTERNS_MAX, BM_STEPS_MAX);
   }
   BmPattern* pattern = &part->patterns[part->n_patterns++];
   if (!read_name(reader, reader->words[1], pattern->name)) {
      return false;
   }
   for (uint32_t i = 2; i < reader->n_words; ++i) {
      if (!read_step(reader, reader->words[i], &pattern->steps[pattern->n_steps++])) {
         return false;
      }
   }
   return true;
}

static bool read_play(Reader* reader)
{
   BmPart* part = reader->part;
   uint32_t pattern = 0;
   while (pattern < part->n_patterns && strcmp(part->patterns[pattern].name, reader->words[1]) != 0) {
      ++pattern;
   }
   if (pattern == part->n_patterns) {
      return wrong(reader, "no pattern '%.60s'; a line 'pattern %.60s ...' above would be right",
                   reader->words[1], reader->words[1]);
   }
   for (uint32_t i = 2; i < reader->n_words; ++i) {
      uint32_t chord = 0;
      while (chord < part->n_chords && strcmp(part->chords[chord].name, reader->words[i]) != 0) {
         ++chord;
      }
      if (chord == part->n_chords) {
         return wrong(reader, "no chord '%.60s'; a line 'chord %.60s ...' above would be right",
                      reader->words[i], reader->words[i]);
      }
      if (part->n_bars == BM_BARS_MAX) {
         return wrong(reader, "more than %d bars", BM_BARS_MAX);
      }
      part->bars[part->n_bars++] = (BmBar){pattern, chord, reader->section_db};
   }
   return true;
}

static bool read_line(Reader* reader)
{
   static const struct {
      const char* word;
      uint32_t least;
      uint32_t most;
      const char* form;
   } forms[] = {
      {"instrument", 2, 2, "instrument NAME"},
      {"tempo", 2, 2, "tempo BEATS-A-MINUTE"},
      {"beats", 2, 2, "beats IN-A-BAR"},
      {"hand", 2, 2, "hand pick|fingers|thumb"},
      {"take", 4, 5, "take NAME PERFORMANCE MICROPHONE [MICROPHONE]"},
      {"chord", 3, WORDS_MAX, "chord NAME FRET..."},
      {"pattern", 3, WORDS_MAX, "pattern NAME STEP..."},
      {"section", 3, 3, "section NAME DB"},
      {"play", 3, WORDS_MAX, "play PATTERN CHORD..."},
   };
   const uint32_t n_forms = sizeof(forms) / sizeof(forms[0]);
   uint32_t form = 0;
   while (form < n_forms && strcmp(forms[form].word, reader->words[0]) != 0) {
      ++form;
   }
   if (form == n_forms) {
      return wrong(
         reader,
         "no line begins with '%.60s'; instrument, tempo, beats, hand, take, chord, pattern, section "
         "or play would be right",
         reader->words[0]);
   }
   if (reader->n_words < forms[form].least || reader->n_words > forms[form].most) {
      return wrong(reader, "'%s' would be right", forms[form].form);
   }
   double number;
   switch (form) {
   case 0:
      return read_instrument(reader);
   case 1:
      return read_number(reader->words[1], 30.0, 300.0, &reader->part->tempo) ||
             wrong(reader, "tempo '%.60s': 30 to 300 would be right", reader->words[1]);
   case 2:
      if (!read_number(reader->words[1], 1.0, 12.0, &number) || number != floor(number)) {
         return wrong(reader, "beats '%.60s': a whole number from 1 to 12 would be right", reader->words[1]);
      }
      reader->part->beats = (uint32_t)number;
      return true;
   case 3:
      return read_hand(reader);
   case 4:
      return read_take(reader);
   case 5:
      return read_chord(reader);
   case 6:
      return read_pattern(reader);
   case 7:
      return read_number(reader->words[2], -24.0, 12.0, &reader->section_db) ||
             wrong(reader, "level '%.60s': -24 to 12 dB would be right", reader->words[2]);
   default:
      return read_play(reader);
   }
}

static bool read_lines(Reader* reader, FILE* file)
{
   char line[LINE_MAX_BYTES];
   while (fgets(line, sizeof(line), file)) {
      ++reader->line;
      if (strlen(line) == sizeof(line) - 1) {
         return wrong(reader, "longer than %d bytes", LINE_MAX_BYTES - 2);
      }
      line[strcspn(line, "#")] = '\0';
      reader->n_words = 0;
      char* rest = NULL;
      for (char* word = strtok_r(line, SPACE, &rest); word; word = strtok_r(NULL, SPACE, &rest)) {
         if (reader->n_words == WORDS_MAX) {
            return wrong(reader, "more than %d words", WORDS_MAX);
         }
         reader->words[reader->n_words++] = word;
      }
      if (reader->n_words > 0 && !read_line(reader)) {
         return false;
      }
   }
   if (ferror(file)) {
      return wrong(reader, "%s", strerror(errno));
   }
   if (!reader->part->instrument || !reader->part->n_bars || !reader->part->n_takes) {
      return wrong(reader, "a part needs an instrument, a take and something to play");
   }
   return true;
}

bool bm_part_read(BmPart* self, const char* path, char message[BM_PART_MESSAGE_MAX])
{
   *self = (BmPart){.tempo = 100.0, .beats = 4};
   const char* base = strrchr(path, '/') ? strrchr(path, '/') + 1 : path;
   snprintf(self->name, sizeof(self->name), "%.*s", (int)strcspn(base, "."), base);
   FILE* file = fopen(path, "r");
   if (!file) {
      snprintf(message, BM_PART_MESSAGE_MAX, "%s: %s", path, strerror(errno));
      return false;
   }
   Reader reader = {.part = self, .path = path, .message = message};
   const bool is_read = read_lines(&reader, file);
   fclose(file);
   return is_read;
}
