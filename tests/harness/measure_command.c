/* SPDX-License-Identifier: ISC */
#include "command.h"

#include "format.h"
#include "measure.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define COLUMN_WIDTH 12

typedef struct {
   const char** paths; /* [n_paths] */
   uint32_t n_paths;
   double note_hz;
   bool as_json;
} Options;

/* Columns that a UTF-8 string takes on a terminal, for the letters that are used here. */
static int width_of(const char* text)
{
   int width = 0;
   for (const char* c = text; *c; ++c) {
      width += (*c & 0xC0) != 0x80;
   }
   return width;
}

static void add_cell(BmText* text, const char* words, int width)
{
   const int room = width - width_of(words);
   bm_text_addf(text, "%*s%s", room > 1 ? room : 1, "", words);
}

static const char* file_name(const char* path)
{
   const char* slash = strrchr(path, '/');
   return slash ? slash + 1 : path;
}

static int column_width(const char* path)
{
   const int width = width_of(file_name(path)) + 2;
   return width > COLUMN_WIDTH ? width : COLUMN_WIDTH;
}

static void add_columns(BmText* text, const char* const* paths, const BmMeasurement* figures,
                        uint32_t n_files, int label_width)
{
   uint32_t n_descriptors;
   const BmDescriptor* all = bm_descriptors(&n_descriptors);
   bm_text_addf(text, "%*s", label_width, "");
   for (uint32_t n = 0; n < n_files; ++n) {
      add_cell(text, file_name(paths[n]), column_width(paths[n]));
   }
   bm_text_add(text, "\n");
   for (uint32_t d = 0; d < n_descriptors; ++d) {
      const int room = label_width - width_of(all[d].label);
      bm_text_addf(text, "%s%*s", all[d].label, room, all[d].unit);
      for (uint32_t n = 0; n < n_files; ++n) {
         char number[BM_NUMBER_BYTES];
         const double value = bm_measurement_value(&figures[n], &all[d]);
         bm_format_value(number, value, all[d].decimals, false);
         char cell[2 * BM_NUMBER_BYTES];
         char note[BM_NUMBER_BYTES] = "";
         if (!strcmp(all[d].unit, "Hz") && isfinite(value)) {
            bm_format_note(note, value);
         }
         snprintf(cell, sizeof cell, "%s%s%s", note, *note ? " " : "", number);
         add_cell(text, cell, column_width(paths[n]));
      }
      bm_text_add(text, "\n");
   }
}

void bm_measure_add_table(BmText* text, const char* const* paths, const BmMeasurement* figures,
                          uint32_t n_files, uint32_t max_columns)
{
   uint32_t n_descriptors;
   const BmDescriptor* all = bm_descriptors(&n_descriptors);
   int label_width = 0;
   for (uint32_t d = 0; d < n_descriptors; ++d) {
      const int width = width_of(all[d].label) + 1 + width_of(all[d].unit);
      label_width = width > label_width ? width : label_width;
   }
   for (uint32_t from = 0; from < n_files;) {
      uint32_t n = 1;
      uint32_t columns = (uint32_t)(label_width + column_width(paths[from]));
      while (from + n < n_files &&
             (!max_columns || columns + (uint32_t)column_width(paths[from + n]) <= max_columns)) {
         columns += (uint32_t)column_width(paths[from + n++]);
      }
      bm_text_add(text, from ? "\n" : "");
      add_columns(text, paths + from, figures + from, n, label_width);
      from += n;
   }
   bool has_mono = false;
   bool has_stereo = false;
   for (uint32_t n = 0; n < n_files; ++n) {
      has_mono = has_mono || figures[n].n_channels == 1;
      has_stereo = has_stereo || figures[n].n_channels == 2;
   }
   if (has_mono && has_stereo) {
      bm_text_add(text,
                  "One channel is weighed as one loudspeaker (ITU-R BS.1770): on two it is 3 LU louder.\n");
   }
}

void bm_measure_add_json(BmText* text, const char* const* paths, const BmMeasurement* figures,
                         uint32_t n_files)
{
   uint32_t n_descriptors;
   const BmDescriptor* all = bm_descriptors(&n_descriptors);
   bm_text_add(text, "[");
   for (uint32_t n = 0; n < n_files; ++n) {
      bm_text_add(text, n ? ",\n {\"file\": " : "\n {\"file\": ");
      bm_text_add_json_string(text, paths[n]);
      bm_text_add(text, ", \"sample_rate_hz\": ");
      bm_text_add_json_number(text, figures[n].sample_rate_hz, 0);
      bm_text_addf(text, ", \"channels\": %u, \"frames\": %llu", figures[n].n_channels,
                   (unsigned long long)figures[n].n_frames);
      for (uint32_t d = 0; d < n_descriptors; ++d) {
         bm_text_addf(text, ",\n  \"%s\": ", all[d].key);
         bm_text_add_json_number(text, bm_measurement_value(&figures[n], &all[d]), all[d].decimals ? 4 : 0);
      }
      bm_text_add(text, "}");
   }
   bm_text_add(text, "\n]\n");
}

static bool parse(int n_arguments, char** arguments, Options* options)
{
   *options = (Options){.paths = bm_calloc((uint64_t)n_arguments + 1, sizeof *options->paths)};
   for (int n = 0; n < n_arguments; ++n) {
      const char* argument = arguments[n];
      if (!strcmp(argument, "--json")) {
         options->as_json = true;
      } else if (!strcmp(argument, "--note")) {
         const char* value = bm_option_value(n_arguments, arguments, &n, "a frequency in Hz, or a note");
         if (!value) {
            return false;
         }
         char* end;
         options->note_hz = strtod(value, &end);
         const double named_hz = bm_named_note_hz(value);
         const bool is_note = isfinite(named_hz);
         options->note_hz = is_note ? named_hz : options->note_hz;
         if ((*end && !is_note) || !(options->note_hz >= 10.0 && options->note_hz <= 5000.0)) {
            fprintf(
               stderr,
               "bookmatch: --note takes a frequency from 10 to 5000 Hz or a note such as E2, not \"%s\"\n",
               value);
            return false;
         }
      } else if (argument[0] == '-' && argument[1]) {
         bm_tell_unknown("measure", argument);
         return false;
      } else {
         options->paths[options->n_paths++] = argument;
      }
   }
   if (!options->n_paths) {
      fputs("bookmatch: measure needs an audio file\n", stderr);
   }
   return options->n_paths > 0;
}

int bm_measure_command(int n_arguments, char** arguments)
{
   Options options;
   if (!parse(n_arguments, arguments, &options)) {
      free(options.paths);
      return 2;
   }
   BmError error = {0};
   BmHost* host = bm_host_new(&error);
   BmMeasurement* figures = bm_calloc(options.n_paths, sizeof *figures);
   for (uint32_t n = 0; n < options.n_paths && !error.is_set; ++n) {
      BmAnalysis* analysis = bm_calloc(1, sizeof *analysis);
      BmProgress progress;
      bm_progress_begin(&progress, 0.0);
      BmWatch watch = {.progress = &progress};
      if (bm_measure_file(host, options.paths[n], options.note_hz, &watch, analysis, &error)) {
         figures[n] = analysis->figures;
         bm_analysis_free(analysis);
      }
      bm_progress_end(&progress);
      free(analysis);
   }
   if (error.is_set) {
      fprintf(stderr, "bookmatch: %s\n", error.text);
   } else {
      BmText text = {0};
      if (options.as_json) {
         bm_measure_add_json(&text, options.paths, figures, options.n_paths);
      } else {
         bm_measure_add_table(&text, options.paths, figures, options.n_paths, bm_terminal_columns());
      }
      fputs(text.failed ? "" : text.chars, stdout);
      bm_text_free(&text);
   }
   free(figures);
   free(options.paths);
   bm_host_free(host);
   return error.is_set ? 1 : 0;
}
