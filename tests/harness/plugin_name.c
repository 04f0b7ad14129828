/* SPDX-License-Identifier: ISC */
#include "plugin_name.h"

#include <stdlib.h>
#include <string.h>

#define BM_FAMILY "Bookmatch "

char* bm_short_plugin_name(const char* name)
{
   if (strncmp(name, BM_FAMILY, strlen(BM_FAMILY))) {
      return bm_copy(name);
   }
   name += strlen(BM_FAMILY);
   const char* form = strstr(name, " (");
   return bm_print("%.*s", (int)(form ? (size_t)(form - name) : strlen(name)), name);
}

/* Say that none of ours has the short name, and which is near. */
static void fail_name(BmHost* host, const char* name, BmError* error)
{
   const uint32_t n_plugins = bm_host_n_plugins(host);
   char** names = bm_calloc((uint64_t)n_plugins + 1, sizeof *names);
   for (uint32_t n = 0; n < n_plugins; ++n) {
      const char* uri = bm_host_plugin(host, n)->uri;
      if (!strncmp(uri, BM_OWN_URI, strlen(BM_OWN_URI))) {
         names[n] = bm_copy(uri + strlen(BM_OWN_URI));
         if (!strchr(name, '#')) {
            names[n][strcspn(names[n], "#")] = '\0';
         }
      }
   }
   const char* nearest = bm_nearest(name, (const char* const*)names, n_plugins);
   for (uint32_t n = 0; n < n_plugins && !nearest; ++n) {
      nearest = *name && names[n] && strstr(names[n], name) ? names[n] : NULL;
   }
   if (nearest) {
      bm_fail(error, "no plugin \"%s\" is installed; did you mean \"%s\"?", name, nearest);
   } else {
      bm_fail(error, "no plugin \"%s\" is installed; %s", name, bm_host_hint(host));
   }
   for (uint32_t n = 0; n < n_plugins; ++n) {
      free(names[n]);
   }
   free(names);
}

/* Say which forms there are of one that is neither mono nor stereo; false if there is none. */
static bool fail_form(BmHost* host, const char* name, BmError* error)
{
   char* stem = bm_print(BM_OWN_URI "%s#", name);
   char* forms = bm_copy("");
   for (uint32_t n = 0; n < bm_host_n_plugins(host); ++n) {
      const char* uri = bm_host_plugin(host, n)->uri;
      if (!strncmp(uri, stem, strlen(stem))) {
         char* more = bm_print("%s%s\"%s\"", forms, forms[0] ? " or " : "", uri + strlen(BM_OWN_URI));
         free(forms);
         forms = more;
      }
   }
   const bool has_forms = forms[0];
   if (has_forms) {
      bm_fail(error, "\"%s\" has no mono or stereo form: say %s", name, forms);
   }
   free(forms);
   free(stem);
   return has_forms;
}

const BmPlugin* bm_find_named_plugin(BmHost* host, const char* name, BmError* error)
{
   if (strchr(name, ':')) {
      return bm_host_find(host, name, error);
   }
   const char* const forms[] = {strchr(name, '#') ? "" : "#mono", "#stereo"};
   const BmPlugin* plugin = NULL;
   for (int n = 0; n < 2 && !plugin; ++n) {
      BmError ignored = {0};
      char* uri = bm_print(BM_OWN_URI "%s%s", name, forms[n]);
      plugin = bm_host_find(host, uri, &ignored);
      free(uri);
   }
   if (!plugin && !fail_form(host, name, error)) {
      fail_name(host, name, error);
   }
   return plugin;
}
