/* SPDX-License-Identifier: ISC */
#include "plugin_name.h"

#include <stdlib.h>
#include <string.h>

#define BM_OWN "urn:bookmatch:"

const BmPlugin* bm_find_named_plugin(BmHost* host, const char* name, BmError* error)
{
   if (strchr(name, ':')) {
      return bm_host_find(host, name, error);
   }
   BmError first = {0};
   char* uri = bm_print(BM_OWN "%s%s", name, strchr(name, '#') ? "" : "#mono");
   const BmPlugin* plugin = bm_host_find(host, uri, &first);
   free(uri);
   if (!plugin && !strchr(name, '#')) {
      BmError second = {0};
      uri = bm_print(BM_OWN "%s#stereo", name);
      plugin = bm_host_find(host, uri, &second);
      free(uri);
   }
   if (!plugin) {
      bm_fail(error, "\"%s\": %s", name, first.text);
   }
   return plugin;
}
