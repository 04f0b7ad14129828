/* SPDX-License-Identifier: ISC */
/* The words of the command `bookmatch`; each returns the exit code: 0, 1 where something failed, 2 for wrong
 * usage. */
#ifndef BM_HARNESS_COMMAND_H
#define BM_HARNESS_COMMAND_H

/** bookmatch list [PLUGIN]: the plugins that are installed, or the ports and presets of one. */
int bm_list_command(int n_arguments, char** arguments);

/** bookmatch measure [--json] [--note HZ] FILE... */
int bm_measure_command(int n_arguments, char** arguments);

/** bookmatch render SESSION.ttl [-o FOLDER] [--takes FOLDER] [--json] [--no-report]. */
int bm_render_command(int n_arguments, char** arguments);

/** bookmatch response [-o FILE] [--json] [--rate HZ] [--level DBFS] [--input WHICH] PLUGIN [port=value...] */
int bm_response_command(int n_arguments, char** arguments);

#endif
