/* SPDX-License-Identifier: ISC */
#include "ports.h"

#include <math.h>

static float nearest_point(const BmPort* port, float value)
{
   float nearest = port->points[0];
   for (uint32_t i = 1; i < port->n_points; ++i) {
      if (fabsf(port->points[i] - value) < fabsf(nearest - value)) {
         nearest = port->points[i];
      }
   }
   return nearest;
}

float bm_port_clamp(const BmPort* port, float value)
{
   if (isnan(value)) {
      return port->initial;
   }
   value = fminf(fmaxf(value, port->minimum), port->maximum);
   if (port->kind == BM_PORT_TOGGLED) {
      return value > 0.5F ? 1.0F : 0.0F;
   }
   if (port->n_points) {
      return nearest_point(port, value);
   }
   return port->kind == BM_PORT_INTEGER ? roundf(value) : value;
}
