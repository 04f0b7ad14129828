/* SPDX-License-Identifier: ISC */
#include "bundle.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define PREFIX "urn:bookmatch:"
#define NAME_PREFIX "Bookmatch "

/* "Bookmatch Room Reverb (stereo)" without what every plugin of the bundle says. */
static void settle_title(BmManualPlugin* plugin, const char* name)
{
   const char* start = strncmp(name, NAME_PREFIX, strlen(NAME_PREFIX)) ? name : name + strlen(NAME_PREFIX);
   const char* end = strstr(start, " (");
   snprintf(plugin->title, sizeof plugin->title, "%.*s", (int)(end ? end - start : (long)strlen(start)),
            start);
}

bool bm_manual_bundle_read(BmHost* host, BmManualBundle* bundle, BmError* error)
{
   *bundle = (BmManualBundle){NULL, 0};
   for (uint32_t n = 0; n < bm_host_n_plugins(host); ++n) {
      const BmPlugin* form = bm_host_plugin(host, n);
      const char* mark = strncmp(form->uri, PREFIX, strlen(PREFIX)) ? NULL : strchr(form->uri, '#');
      if (!mark) {
         continue;
      }
      const char* name = form->uri + strlen(PREFIX);
      const size_t length = (size_t)(mark - name);
      BmManualPlugin* last = bundle->n_plugins ? &bundle->plugins[bundle->n_plugins - 1] : NULL;
      if (!last || strlen(last->name) != length || strncmp(last->name, name, length)) {
         bundle->plugins = bm_realloc(bundle->plugins, bundle->n_plugins + 1u, sizeof *bundle->plugins);
         last = &bundle->plugins[bundle->n_plugins++];
         *last = (BmManualPlugin){.n_forms = 0};
         snprintf(last->name, sizeof last->name, "%.*s", (int)length, name);
         settle_title(last, form->name);
      }
      if (last->n_forms < BM_MANUAL_MAX_FORMS) {
         last->form_names[last->n_forms] = mark + 1;
         last->forms[last->n_forms++] = form;
      }
   }
   return bundle->n_plugins || bm_fail(error, "no plugin of the bundle is where LV2_PATH points");
}

void bm_manual_bundle_free(BmManualBundle* bundle)
{
   free(bundle->plugins);
   *bundle = (BmManualBundle){NULL, 0};
}

const BmPort* bm_manual_port(const BmPlugin* plugin, const char* symbol)
{
   for (uint32_t n = 0; n < plugin->n_ports; ++n) {
      if (!strcmp(plugin->ports[n].symbol, symbol)) {
         return &plugin->ports[n];
      }
   }
   return NULL;
}
