/* SPDX-License-Identifier: ISC */
/* The words of the command `bookmatch`; what each takes is said in main.c, which prints it. Each returns the
 * exit code: 0, 1 where something failed, 2 for wrong usage. */
#ifndef BM_HARNESS_COMMAND_H
#define BM_HARNESS_COMMAND_H

#include <stdint.h>

/** A session's alternatives at equal loudness, and a page to choose by ear. */
int bm_audition_command(int n_arguments, char** arguments);

/** A session to start from, written around takes. */
int bm_begin_command(int n_arguments, char** arguments);

/** Whether sessions sound as recorded; 1 if not, 2 if that cannot be told. */
int bm_check_command(int n_arguments, char** arguments);

/** A page that leads to many sessions. */
int bm_index_command(int n_arguments, char** arguments);

/** The plugins that are installed, or the ports and presets of one. */
int bm_list_command(int n_arguments, char** arguments);

/** Figures of audio files. */
int bm_measure_command(int n_arguments, char** arguments);

/** A session's stems and report. */
int bm_render_command(int n_arguments, char** arguments);

/** Curves of a plugin as hosted. */
int bm_response_command(int n_arguments, char** arguments);

/**
   Step from the option `arguments[*n]` to its value.

   @param wanted  what the value would be, "a folder".
   @return NULL, with a line on standard error, if there is none: the end, "" or another option.
*/
const char* bm_option_value(int n_arguments, char** arguments, int* n, const char* wanted);

/** Say in a line that a command has no use for an argument. */
void bm_tell_unknown(const char* command, const char* argument);

/** How many columns standard output has; 0 where it is no terminal. */
uint32_t bm_terminal_columns(void);

/** How much of a session's path its name is: all but the ending. */
int bm_stem_size(const char* path);

#endif
