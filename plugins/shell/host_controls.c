/* SPDX-License-Identifier: ISC */
#include "shell/host_controls.h"

#include <stdlib.h>

typedef uint32_t Bits __attribute__((vector_size(16), aligned(4), may_alias));

enum { N_BITS = sizeof(Bits) / sizeof(uint32_t) };

static uint32_t bits_of(float value)
{
   uint32_t bits;
   memcpy(&bits, &value, sizeof bits);
   return bits;
}

bool bm_host_controls_init(BmHostControls* self, const BmPorts* ports, const BmForm* form)
{
   self->ports = ports;
   self->n_controls = form->n_controls;
   self->values = calloc(ports->n_controls, sizeof *self->values);
   self->in = calloc(ports->n_controls, sizeof *self->in);
   self->out = calloc(ports->n_controls, sizeof *self->out);
   self->seen = calloc(ports->n_controls, sizeof *self->seen);
   self->rows = calloc(ports->n_controls, sizeof *self->rows);
   self->report_index = calloc(ports->n_controls, sizeof *self->report_index);
   if (!self->values || !self->in || !self->out || !self->seen || !self->rows || !self->report_index) {
      return false;
   }
   for (uint32_t i = 0; i < ports->n_controls; ++i) {
      self->values[i] = ports->controls[i].initial;
      self->in[i] = &ports->controls[i].initial;
      self->out[i] = &self->unheard;
      self->seen[i] = bits_of(ports->controls[i].initial);
      if (ports->controls[i].is_output) {
         self->report_index[self->n_reports++] = i;
      }
   }
   return true;
}

void bm_host_controls_free(BmHostControls* self)
{
   free(self->values);
   free(self->in);
   free(self->out);
   free(self->seen);
   free(self->rows);
   free(self->report_index);
}

void bm_host_controls_connect(BmHostControls* self, uint32_t index, void* place)
{
   const BmPort* port = &self->ports->controls[index];
   const float* in = place ? (const float*)place : &port->initial;
   if (port->is_output) {
      self->out[index] = place ? (float*)place : &self->unheard;
   } else if (in != self->in[index]) {
      self->in[index] = in;
      self->rows_are_new = true;
      self->n_rows = 0;
   }
}

void bm_host_controls_find_rows(BmHostControls* self)
{
   BmPortRow* row = NULL;
   self->n_rows = 0;
   for (uint32_t i = 0; i < self->n_controls; ++i) {
      const bool is_next = row && row->first + row->n == i && row->values + row->n == self->in[i];
      if (!self->ports->controls[i].is_output && is_next) {
         ++row->n;
      } else if (!self->ports->controls[i].is_output) {
         row = &self->rows[self->n_rows++];
         *row = (BmPortRow){.values = self->in[i], .first = i, .n = 1};
      }
   }
   if (self->n_rows * N_BITS > self->n_controls) {
      self->n_rows = 0;
   }
   self->rows_are_new = false;
}

static uint32_t difference_apart(const BmHostControls* self)
{
   uint32_t difference = 0;
   for (uint32_t i = 0; i < self->n_controls; ++i) {
      difference |= bits_of(*self->in[i]) ^ self->seen[i];
   }
   return difference;
}

static uint32_t difference_in_rows(const BmHostControls* self)
{
   Bits differences = {0};
   uint32_t difference = 0;
   for (uint32_t r = 0; r < self->n_rows; ++r) {
      const BmPortRow* row = &self->rows[r];
      const uint32_t* seen = self->seen + row->first;
      uint32_t i = 0;
      for (; i + N_BITS <= row->n; i += N_BITS) {
         differences |= *(const Bits*)(const void*)(row->values + i) ^ *(const Bits*)(seen + i);
      }
      for (; i < row->n; ++i) {
         difference |= bits_of(row->values[i]) ^ seen[i];
      }
   }
   for (uint32_t k = 0; k < N_BITS; ++k) {
      difference |= differences[k];
   }
   return difference;
}

bool bm_host_controls_are_written(const BmHostControls* self)
{
   return self->n_rows ? difference_in_rows(self) : difference_apart(self);
}

bool bm_host_controls_take(BmHostControls* self)
{
   const BmPorts* ports = self->ports;
   bool are_new = false;
   for (uint32_t i = 0; i < ports->n_controls; ++i) {
      const uint32_t bits = bits_of(*self->in[i]);
      /* What `rendering` puts in its place may go again. */
      if (bits != self->seen[i] || (int)i == ports->quality) {
         self->seen[i] = bits;
         const float value = bm_port_clamp(&ports->controls[i], *self->in[i]);
         are_new = are_new || value != self->values[i];
         self->values[i] = value;
      }
   }
   if (ports->rendering >= 0 && ports->quality >= 0 && self->values[ports->rendering] > 0.5F) {
      self->values[ports->quality] = ports->controls[ports->quality].maximum;
   }
   return are_new;
}
