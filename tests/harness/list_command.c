/* SPDX-License-Identifier: ISC */
#include "command.h"

#include "host.h"
#include "plugin_name.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* Lines are no longer, nor than the terminal is wide. */
#define MAX_COLUMNS 96u

static void print_help(const char* help, const char* indent)
{
   const uint32_t columns = bm_terminal_columns();
   const uint32_t room =
      (columns && columns < MAX_COLUMNS ? columns : MAX_COLUMNS) - (uint32_t)strlen(indent);
   /* A sentence from Turtle may have been wrapped there. */
   char* text = bm_copy(help);
   char* rest = NULL;
   uint32_t column = 0;
   for (char* word = strtok_r(text, " \n\t", &rest); word; word = strtok_r(NULL, " \n\t", &rest)) {
      const uint32_t size = (uint32_t)strlen(word);
      if (column && column + 1 + size > room) {
         printf("\n");
         column = 0;
      }
      printf("%s%s", column ? " " : indent, word);
      column += size + (column ? 1 : 0);
   }
   printf(column ? "\n" : "");
   free(text);
}

static void print_port(const BmPort* port)
{
   static const char* const kinds[] = {
      [BM_PORT_AUDIO] = "audio", [BM_PORT_CV] = "CV", [BM_PORT_ATOM] = "events", [BM_PORT_OTHER] = "other"};
   printf("  %-20s ", port->symbol);
   if (port->kind != BM_PORT_CONTROL) {
      printf("%s %s", kinds[port->kind], port->is_input ? "in" : "out");
   } else if (port->is_toggled) {
      printf("%s, 0 or 1", port->is_input ? "switch" : "shows");
   } else if (port->has_min && port->has_max) {
      printf("%g to %g%s%s", (double)port->min, (double)port->max, port->unit[0] ? " " : "", port->unit);
   } else {
      printf("any%s%s", port->unit[0] ? " " : "", port->unit);
   }
   if (port->kind == BM_PORT_CONTROL && port->is_input) {
      printf(", default %g", (double)port->def);
   }
   printf("  [%s%s%s]\n", port->group, port->group[0] ? ": " : "", port->name);
   print_help(port->help, "      ");
   for (uint32_t n = 0; n < port->n_points; ++n) {
      printf("      %g = %s\n", (double)port->points[n].value, port->points[n].label);
   }
}

static void print_plugin(const BmPlugin* plugin)
{
   printf("%s\n%s (%s), %u in, %u out\n", plugin->uri, plugin->name, plugin->class_name, plugin->n_audio_in,
          plugin->n_audio_out);
   print_help(plugin->help, "");
   printf("\nControls:\n");
   for (uint32_t n = 0; n < plugin->n_ports; ++n) {
      if (plugin->ports[n].kind == BM_PORT_CONTROL && plugin->ports[n].is_input) {
         print_port(&plugin->ports[n]);
      }
   }
   printf("\nTold by the plugin, and audio:\n");
   for (uint32_t n = 0; n < plugin->n_ports; ++n) {
      if (plugin->ports[n].kind != BM_PORT_CONTROL || !plugin->ports[n].is_input) {
         print_port(&plugin->ports[n]);
      }
   }
   if (plugin->n_presets) {
      printf("\nPresets:\n");
   }
   for (uint32_t n = 0; n < plugin->n_presets; ++n) {
      printf("  <%s>  %s\n", plugin->presets[n].uri, plugin->presets[n].label);
      print_help(plugin->presets[n].help, "      ");
   }
}

int bm_list_command(int n_arguments, char** arguments)
{
   if (n_arguments > 1) {
      fprintf(stderr, "bookmatch: list takes one plugin; \"%s\" is one more\n", arguments[1]);
      return 2;
   }
   BmError error = {0};
   BmHost* host = bm_host_new(&error);
   if (host && n_arguments) {
      const BmPlugin* plugin = bm_find_named_plugin(host, arguments[0], &error);
      if (plugin) {
         print_plugin(plugin);
      }
   } else if (host && bm_host_n_plugins(host) == 0) {
      bm_fail(&error, "%s", bm_host_hint(host));
   } else if (host) {
      for (uint32_t n = 0; n < bm_host_n_plugins(host); ++n) {
         const BmPlugin* plugin = bm_host_plugin(host, n);
         printf("%-48s %s (%s)\n", plugin->uri, plugin->name, plugin->class_name);
      }
   }
   bm_host_free(host);
   if (error.is_set) {
      fprintf(stderr, "bookmatch: %s\n", error.text);
      return 1;
   }
   return 0;
}
