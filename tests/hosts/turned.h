/* SPDX-License-Identifier: ISC */
/* Controls as a user of another host might have turned them. Include after unit_test.h. */
#ifndef BM_TURNED_H
#define BM_TURNED_H

#include "host.h"

#include <stdbool.h>
#include <string.h>

/* A value inside the range, other than the default where there is another. */
static inline float other_value(const BmPort* port, uint32_t n)
{
   if (port->is_toggled) {
      const bool silences = strstr(port->symbol, "mute");
      return silences ? port->def : port->def > 0.5f ? 0.0f : 1.0f;
   }
   if (port->n_points) {
      return port->points[(n + 1) % port->n_points].value;
   }
   const double share = 0.35 + 0.05 * (n % 7);
   const double value = port->is_logarithmic
                           ? (double)port->min * pow((double)port->max / (double)port->min, share)
                           : (double)port->min + share * (double)(port->max - port->min);
   return (float)(port->is_integer ? rint(value) : value);
}

static inline bool is_turned(const BmPort* port)
{
   return port->kind == BM_PORT_CONTROL && port->is_input && !port->is_trigger && !port->is_enabled &&
          !port->is_free_wheeling;
}

#endif
