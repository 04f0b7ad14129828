/* SPDX-License-Identifier: ISC */
#ifndef BM_PLUGINS_HOST_CONTROLS_H
#define BM_PLUGINS_HOST_CONTROLS_H

#include "ports.h"

#include <stdbool.h>
#include <stdint.h>
#include <string.h>

/** Controls in a row whose values a host keeps side by side, to be looked at several at a time. */
typedef struct {
   const float* values; /* [n] */
   uint32_t first;
   uint32_t n;
} BmPortRow;

/** Where a host keeps the value of each control, and what it last held. By control index throughout. */
typedef struct {
   const BmPorts* ports;
   uint32_t n_controls; /**< that this form has */
   float* values;       /**< [n_controls of all forms] as plugins take them: clamped, and outputs */
   const float** in;    /* a host's places; an unconnected one's default */
   float** out;
   uint32_t* seen;  /* bits of what `in` held */
   BmPortRow* rows; /* [n_rows] of `in`, outputs left out */
   uint32_t n_rows; /* 0: not known, or too many to be worth it */
   bool rows_are_new;
   uint32_t* report_index; /**< [n_reports] which controls are outputs */
   uint32_t n_reports;
   float unheard; /* what an unconnected output writes to */
} BmHostControls;

/** Set up, every control at its default. False: no memory. */
bool bm_host_controls_init(BmHostControls* self, const BmPorts* ports, const BmForm* form);
void bm_host_controls_free(BmHostControls* self);

/** Take the host's place for a control; NULL: none. */
void bm_host_controls_connect(BmHostControls* self, uint32_t index, void* place);

/** Find the rows in which the host keeps the values, once its places are known. Real-time: yes; seldom. */
void bm_host_controls_find_rows(BmHostControls* self);

/** Whether any control holds other bits than when it was taken. Hosts seldom write anything new, so this is
    asked before anything is clamped. Real-time: yes. */
bool bm_host_controls_are_written(const BmHostControls* self);

/** Take what the host has written into `values`. True: a value is another. Real-time: yes. */
bool bm_host_controls_take(BmHostControls* self);

/** Set an output, clamped. */
static inline void bm_host_controls_report(BmHostControls* self, uint32_t index, double value)
{
   self->values[index] = bm_port_clamp(&self->ports->controls[index], (float)value);
}

/** Write the outputs to the host. Real-time: yes. */
static inline void bm_host_controls_write(const BmHostControls* self)
{
   for (uint32_t i = 0; i < self->n_reports; ++i) {
      const uint32_t index = self->report_index[i];
      *self->out[index] = self->values[index];
   }
}

#endif
