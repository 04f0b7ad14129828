/* SPDX-License-Identifier: ISC */
#include "command.h"

#include <stdbool.h>
#include <stdio.h>
#include <string.h>
#include <sys/ioctl.h>
#include <unistd.h>

const char* bm_option_value(int n_arguments, char** arguments, int* n, const char* wanted)
{
   const char* option = arguments[*n];
   const char* value = *n + 1 < n_arguments ? arguments[*n + 1] : "";
   if (!*value || !strncmp(value, "--", 2)) {
      fprintf(stderr, "bookmatch: %s wants %s after it\n", option, wanted);
      return NULL;
   }
   ++*n;
   return value;
}

void bm_tell_unknown(const char* command, const char* argument)
{
   fprintf(stderr,
           "bookmatch: %s does not know what to do with \"%s\"; `bookmatch %s --help` says what it takes\n",
           command, argument, command);
}

uint32_t bm_terminal_columns(void)
{
   struct winsize size = {0};
   return ioctl(STDOUT_FILENO, TIOCGWINSZ, &size) ? 0u : size.ws_col;
}

int bm_stem_size(const char* path)
{
   const char* ending = strrchr(path, '.');
   const bool has_ending = ending && !strchr(ending, '/') && ending != path;
   return (int)(has_ending ? (size_t)(ending - path) : strlen(path));
}
