/* SPDX-License-Identifier: ISC */
#include "analysis/take_meter.h"
#include "shell.h"
#include "take_meter_ports.h"

#include <string.h>

/* The meter, then its transform's memory. */
typedef struct {
   BmTakeMeter meter;
   bool was_reset; /* the switch as last seen: a passage begins when it goes on */
   char memory[] __attribute__((aligned(64)));
} Meter;

static size_t bytes(double sample_rate_hz)
{
   return sizeof(Meter) + bm_take_meter_bytes(sample_rate_hz);
}

static BmStatus init(void* self, double sample_rate_hz, const BmForm* form)
{
   Meter* meter = self;
   return bm_take_meter_init(&meter->meter, meter->memory, sample_rate_hz, form->n_inputs);
}

static void set(void* self, const float* port)
{
   Meter* meter = self;
   const bool is_reset = port[TAKE_METER_RESET] > 0.5F;
   if (is_reset && !meter->was_reset) {
      bm_take_meter_reset(&meter->meter);
   }
   meter->was_reset = is_reset;
}

static void process(void* self, const BmFrame* in, BmFrame* out, uint32_t n_frames)
{
   bm_take_meter_process(&((Meter*)self)->meter, in, n_frames);
   memcpy(out, in, n_frames * sizeof *out);
}

static void reset(void* self)
{
   bm_take_meter_reset(&((Meter*)self)->meter);
}

static void report(const void* self, float* port)
{
   const BmTakeMeter* meter = &((const Meter*)self)->meter;
   port[TAKE_METER_MOMENTARY_LUFS] = (float)bm_loudness_momentary_lufs(&meter->loudness);
   port[TAKE_METER_SHORT_TERM_LUFS] = (float)bm_loudness_short_term_lufs(&meter->loudness);
   port[TAKE_METER_INTEGRATED_LUFS] = (float)bm_loudness_integrated_lufs(&meter->loudness);
   port[TAKE_METER_RANGE_LU] = (float)bm_loudness_range_lu(&meter->loudness);
   port[TAKE_METER_TRUE_PEAK_DBTP] = (float)bm_true_peak_db(&meter->true_peak);
   port[TAKE_METER_CREST_DB] = (float)bm_take_meter_crest_db(meter);
   port[TAKE_METER_CORRELATION] = (float)bm_correlation_norm(&meter->correlation);
   port[TAKE_METER_MONO_CHANGE_LU] = (float)bm_loudness_mono_change_lu(&meter->loudness);
   port[TAKE_METER_ATTACK_TO_SUSTAIN_DB] = (float)bm_attack_to_sustain_db(&meter->attack);
   port[TAKE_METER_LOWEST_NOTE_HZ] = (float)bm_lowest_note_sounding_hz(&meter->lowest_note);
}

const BmPlugin bm_plugin = {
   .ports = &take_meter,
   .bytes = bytes,
   .init = init,
   .set = set,
   .process = process,
   .reset = reset,
   .report = report,
};
