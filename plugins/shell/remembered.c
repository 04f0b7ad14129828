/* SPDX-License-Identifier: ISC */
#define _GNU_SOURCE
#include "shell/remembered.h"

#include <locale.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define SYMBOL_BYTES 64
#define VALUE_BYTES 32

/* Whether a setting holds it. Not what makes the matched sound louder: the comparison would be of levels. */
static bool belongs(const BmPorts* ports, uint32_t index)
{
   const int kept[] = {ports->enabled, ports->output_gain, ports->match,
                       ports->quality, ports->rendering,   ports->characters,
                       ports->compare, ports->remember_a,  ports->remember_b};
   bool is_kept = ports->controls[index].is_output || ports->controls[index].is_trigger;
   for (size_t i = 0; i < sizeof kept / sizeof *kept; ++i) {
      is_kept = is_kept || kept[i] == (int)index;
   }
   return !is_kept;
}

bool bm_remembered_init(BmRemembered* self, const BmPorts* ports)
{
   *self = (BmRemembered){.ports = ports, .was_on = {true, true}};
   bool has_memory = true;
   for (int k = 0; k < BM_N_REMEMBERED && ports->compare >= 0; ++k) {
      self->settings[k] = calloc(ports->n_controls, sizeof(float));
      has_memory = has_memory && self->settings[k];
   }
   return has_memory;
}

void bm_remembered_free(BmRemembered* self)
{
   for (int k = 0; k < BM_N_REMEMBERED; ++k) {
      free(self->settings[k]);
   }
}

unsigned bm_remembered_look(BmRemembered* self, const float* controls)
{
   const int switches[BM_N_REMEMBERED] = {self->ports->remember_a, self->ports->remember_b};
   unsigned remembered = 0;
   for (int k = 0; k < BM_N_REMEMBERED; ++k) {
      const bool is_on = controls[switches[k]] > 0.5F;
      if (is_on && !self->was_on[k]) {
         memcpy(self->settings[k], controls, self->ports->n_controls * sizeof(float));
         self->is_set[k] = true;
         remembered |= 1U << k;
      }
      self->was_on[k] = is_on;
   }
   return remembered;
}

void bm_remembered_choose(const BmRemembered* self, const float* controls, float* settings)
{
   const int which = (int)controls[self->ports->compare] - 1;
   memcpy(settings, controls, self->ports->n_controls * sizeof *settings);
   for (uint32_t i = 0; which >= 0 && self->is_set[which] && i < self->ports->n_controls; ++i) {
      settings[i] = belongs(self->ports, i) ? self->settings[which][i] : controls[i];
   }
}

/* Numbers with a point, whatever the host's language; give what it returns to locale_end(). */
static locale_t locale_begin(locale_t* plain)
{
   *plain = newlocale(LC_NUMERIC_MASK, "C", (locale_t)0);
   return *plain ? uselocale(*plain) : (locale_t)0;
}

static void locale_end(locale_t plain, locale_t before)
{
   if (plain) {
      uselocale(before);
      freelocale(plain);
   }
}

char* bm_remembered_text(const BmPorts* ports, const double* settings)
{
   const size_t room = ports->n_controls * (size_t)(SYMBOL_BYTES + VALUE_BYTES) + 1;
   char* text = calloc(room, 1);
   locale_t plain;
   const locale_t before = locale_begin(&plain);
   size_t length = 0;
   for (uint32_t i = 0; text && i < ports->n_controls; ++i) {
      if (belongs(ports, i)) {
         length += (size_t)snprintf(text + length, room - length, "%s%s %.9g", length ? " " : "",
                                    ports->controls[i].symbol, settings[i]);
      }
   }
   locale_end(plain, before);
   return text;
}

static int index_of(const BmPorts* ports, const char* symbol)
{
   for (uint32_t i = 0; i < ports->n_controls; ++i) {
      if (!strcmp(ports->controls[i].symbol, symbol)) {
         return belongs(ports, i) ? (int)i : -1;
      }
   }
   return -1;
}

/* The next word; false at the end of the text. A word too long is cut and matches nothing. */
static bool next_word(const char** text, char* word, size_t bytes)
{
   *text += strspn(*text, " ");
   const size_t length = strcspn(*text, " ");
   const size_t kept = length < bytes - 1 ? length : bytes - 1;
   memcpy(word, *text, kept);
   word[kept] = '\0';
   *text += length;
   return length > 0;
}

bool bm_remembered_read(const BmPorts* ports, const char* text, float* settings, char* complaint,
                        size_t complaint_bytes)
{
   for (uint32_t i = 0; i < ports->n_controls; ++i) {
      settings[i] = ports->controls[i].initial;
   }
   locale_t plain;
   const locale_t before = locale_begin(&plain);
   bool is_right = true;
   uint32_t n_read = 0;
   char symbol[SYMBOL_BYTES];
   while (is_right && next_word(&text, symbol, sizeof symbol)) {
      char word[VALUE_BYTES] = "";
      char* end = word;
      next_word(&text, word, sizeof word);
      const float value = strtof(word, &end);
      const int i = index_of(ports, symbol);
      if (i < 0) {
         snprintf(complaint, complaint_bytes, "no setting has a control %s", symbol);
         is_right = false;
      } else if (end == word || *end || bm_port_clamp(&ports->controls[i], value) != value) {
         snprintf(complaint, complaint_bytes, "%s %s is not a value from %g to %g that it has", symbol, word,
                  (double)ports->controls[i].minimum, (double)ports->controls[i].maximum);
         is_right = false;
      } else {
         settings[i] = value;
         ++n_read;
      }
   }
   if (is_right && n_read == 0) {
      snprintf(complaint, complaint_bytes, "it is empty; \"symbol value symbol value\" would be right");
      is_right = false;
   }
   locale_end(plain, before);
   return is_right;
}
