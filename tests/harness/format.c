/* SPDX-License-Identifier: ISC */
#include "format.h"

#include <math.h>
#include <stdio.h>

#define EN_DASH "\xE2\x80\x93"
#define INFINITY_SIGN "\xE2\x88\x9E"

void bm_format_value(char* text, double value, int decimals, bool with_plus)
{
   if (isnan(value)) {
      snprintf(text, BM_NUMBER_BYTES, EN_DASH);
      return;
   }
   const double scale = pow(10.0, decimals);
   const double rounded = isfinite(value) ? round(value * scale) / scale : value;
   const char* const sign = rounded < 0.0 ? BM_MINUS : with_plus && rounded > 0.0 ? "+" : "";
   if (isinf(value)) {
      snprintf(text, BM_NUMBER_BYTES, "%s" INFINITY_SIGN, sign);
   } else {
      snprintf(text, BM_NUMBER_BYTES, "%s%.*f", sign, decimals, fabs(rounded));
   }
}

void bm_format_control(char* text, double value)
{
   const double size = fabs(value);
   int decimals = size >= 100.0 ? 0 : size >= 10.0 ? 1 : size >= 1.0 ? 2 : 3;
   while (decimals > 0 &&
          fabs(value * pow(10.0, decimals - 1) - round(value * pow(10.0, decimals - 1))) < 1e-4) {
      --decimals;
   }
   bm_format_value(text, value, decimals, false);
}

void bm_format_note(char* text, double frequency_hz)
{
   static const char* const names[] = {"C", "C\xE2\x99\xAF", "D", "E\xE2\x99\xAD", "E", "F", "F\xE2\x99\xAF",
                                       "G", "A\xE2\x99\xAD", "A", "B\xE2\x99\xAD", "B"};
   /* Equal temperament, A4 = 440 Hz (ISO 16). */
   const long key = lround(69.0 + 12.0 * log2(frequency_hz / 440.0));
   if (frequency_hz > 0.0 && key >= 0) {
      snprintf(text, BM_NUMBER_BYTES, "%s%ld", names[key % 12], key / 12 - 1);
   } else {
      text[0] = '\0';
   }
}

double bm_named_note_hz(const char* name)
{
   static const int keys[] = {9, 11, 0, 2, 4, 5, 7}; /* of A to G, above C */
   const char letter = (char)(*name & ~0x20);
   if (letter < 'A' || letter > 'G') {
      return (double)NAN;
   }
   int key = keys[letter - 'A'];
   ++name;
   if (*name == '#' || *name == 'b') {
      key += *name++ == '#' ? 1 : -1;
   }
   if (*name < '0' || *name > '9' || name[1]) {
      return (double)NAN;
   }
   return 440.0 * pow(2.0, (12 * (*name - '0' + 1) + key - 69) / 12.0);
}
