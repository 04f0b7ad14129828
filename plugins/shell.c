/* SPDX-License-Identifier: ISC */
#include "shell.h"

#include "analysis/loudness_match.h"
#include "base/clones.h"
#include "base/control_clock.h"
#include "base/decibel.h"
#include "base/fade.h"
#include "base/floats.h"
#include "base/glide.h"
#include "denormals.h"
#include "remembered.h"
#include "snapshot.h"

#include <lv2/atom/atom.h>
#include <lv2/core/lv2.h>
#include <lv2/core/lv2_util.h>
#include <lv2/log/log.h>
#include <lv2/log/logger.h>
#include <lv2/state/state.h>
#include <lv2/urid/urid.h>

#include <float.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* What a processor is promised: no sample larger than 80 dB above full scale. */
#define INPUT_LIMIT 1e4
#define LEVEL_TIME_S 0.3
#define EXPONENT_BITS 0x7F800000 /* of a float; all ones if it is not finite */
#define MAX_AUDIO_PORTS 4
/* Three settings to compare, times three choices of what is heard of them. */
#define N_ALTERNATIVES 9
#define N_CHARACTER_CHOICES 3
#define COMPLAINT_BYTES 256
/* What is compared gets ready unheard for so long; where nothing is known of its loudness, until that is. */
#define READY_S 0.2
#define FIRST_READY_S 0.8

/* Room for the input behind its delay, so that this is moved seldom. */
#define LINE_FRAMES (4 * BM_SLICE_FRAMES)

typedef float Singles __attribute__((vector_size(16)));
typedef uint32_t Bits __attribute__((vector_size(16), aligned(4), may_alias));

enum { N_BITS = sizeof(Bits) / sizeof(uint32_t) };

/* A period's squares are added in lanes by frame number, whatever the slices, so that the sum has one order.
 */
typedef struct {
   double coefficient; /* of the mean, per period */
   double power;       /* mean square over the channels */
   BmFrame squares[2];
   /* Of left and right. Not across cache lines: what a run leaves the next one waits for there. */
   BmFloats single_squares[2] __attribute__((aligned(64)));
} LevelMeter;

/* Controls in a row whose values a host keeps side by side, to be looked at several at a time. */
typedef struct {
   const float* values; /* [n] */
   uint32_t first;
   uint32_t n;
} PortRow;

/* A processor with what stands around it. */
typedef struct {
   void* processor;
   BmGlide input_gain;
   BmGlide mix;
   BmLoudnessMatch match;
} Side;

/* What is compared with what sounds: heard in a cross-fade, each with its own gain, once it is ready. */
typedef struct {
   Side side;
   uint32_t alternative;
   uint32_t wait_frames;
   BmFade fade;
   bool is_on;
} Coming;

typedef struct {
   const BmForm* form;
   double sample_rate_hz;
   Side side; /* that sounds */
   Coming coming;
   float* line_memory;
   LV2_URID_Map* map;
   LV2_Log_Logger logger;

   const float** control_in; /* a host's pointers, by control index; an unconnected one's default */
   float** control_out;
   PortRow* rows;          /* [n_rows] of control_in, outputs left out */
   uint32_t n_rows;        /* 0: not known, or too many to be worth it */
   bool rows_are_new;      /* the host has other places */
   uint32_t* report_index; /* [n_reports] which controls are outputs */
   uint32_t n_reports;
   uint32_t* seen; /* bits of what control_in held, by control index */
   const float* audio_in[MAX_AUDIO_PORTS];
   float* audio_out[MAX_AUDIO_PORTS];
   float* controls;
   double* unlearned; /* [n_memories] of a plugin that was just made */
   float* settings;   /* those that sound: the controls, or what is compared with them */
   BmRemembered remembered;
   bool remembered_is_new; /* not yet in to_save */
   BmSnapshot to_save; /* the memories, then of each remembered setting whether it is one and its controls */
   uint32_t alternative; /* N_ALTERNATIVES: none has been heard */
   BmMatchFinding findings[N_ALTERNATIVES];
   bool controls_are_new;
   bool report_is_due;
   bool own_report_is_due; /* of the plugin's own outputs, which rest while it sleeps */
   float unheard;          /* what an unconnected output writes to */

   uint32_t latency_frames;
   float*
      line[2]; /* [line_frames] of the input without NaN, a channel each; the newest slice begins at now */
   uint32_t line_frames;
   uint32_t now;         /* latency_frames or more */
   BmControlClock clock; /* of the meters; slices end with its periods */
   BmFade enabled;
   BmGlide output_gain;
   uint32_t gains_wait_frames; /* for what the plugin was set to together with them */
   LevelMeter input_level;
   LevelMeter output_level;
   uint32_t
      idle_frames; /* how long nothing but time has been between in and out, up to when resting begins */
   bool resting;   /* the processor would only pass on what it is given, so it does not run */
   bool asleep;    /* bypassed and faded: the processor does not run */
   bool is_set_up;

   BmFrame wet_slice[BM_SLICE_FRAMES];
   BmFrame gained_slice[BM_SLICE_FRAMES];
} Shell;

static float control_or(const Shell* self, int index, float otherwise)
{
   return index < 0 ? otherwise : self->settings[index];
}

static bool is_on(const Shell* self, int index, bool otherwise)
{
   return control_or(self, index, otherwise ? 1.0F : 0.0F) > 0.5F;
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
      float nearest = port->points[0];
      for (uint32_t i = 1; i < port->n_points; ++i) {
         if (fabsf(port->points[i] - value) < fabsf(nearest - value)) {
            nearest = port->points[i];
         }
      }
      return nearest;
   }
   return port->kind == BM_PORT_INTEGER ? roundf(value) : value;
}

static void level_meter_reset(LevelMeter* self)
{
   const LevelMeter silent = {.coefficient = self->coefficient};
   *self = silent;
}

static void level_meter_init(LevelMeter* self, double sample_rate_hz)
{
   self->coefficient = -expm1(-BM_SLICE_FRAMES / (LEVEL_TIME_S * sample_rate_hz));
   level_meter_reset(self);
}

/* `position` is the first frame's place in the period. */
BM_CLONES static void level_meter_process(LevelMeter* self, uint32_t position, const BmFrame* frames,
                                          uint32_t n_frames)
{
   uint32_t i = 0;
   if (position % 2 && n_frames) {
      self->squares[1] += frames[i] * frames[i];
      ++i;
   }
   BmFramePair even_odd = BM_FRAME_PAIR(self->squares[0], self->squares[1]);
   for (; i + 2 <= n_frames; i += 2) {
      const BmFramePair pair = *(const BmFramePair*)(frames + i);
      even_odd += pair * pair;
   }
   self->squares[0] = BM_FIRST_OF_PAIR(even_odd);
   self->squares[1] = BM_SECOND_OF_PAIR(even_odd);
   if (i < n_frames) {
      self->squares[0] += frames[i] * frames[i];
   }
}

static void level_meter_conclude(LevelMeter* self)
{
   const BmFrame squares = self->squares[0] + self->squares[1];
   double sum = squares[0] + squares[1];
   for (uint32_t k = 0; k < BM_FLOATS_STEP; ++k) {
      sum += (double)self->single_squares[0][k] + (double)self->single_squares[1][k];
   }
   memset(self->single_squares, 0, sizeof self->single_squares);
   self->squares[0] = bm_frame_both(0.0);
   self->squares[1] = bm_frame_both(0.0);
   const double power = fmin(sum / (2.0 * BM_SLICE_FRAMES), INPUT_LIMIT * INPUT_LIMIT);
   self->power += self->coefficient * (power - self->power);
}

static void shell_free(Shell* self)
{
   if (self) {
      if (self->is_set_up && bm_plugin.release) {
         bm_plugin.release(self->side.processor);
      }
      free(self->side.processor);
      free(self->coming.side.processor);
      free(self->line_memory);
      free(self->control_in);
      free(self->control_out);
      free(self->rows);
      free(self->report_index);
      free(self->seen);
      if (self->settings != self->controls) {
         free(self->settings);
      }
      bm_remembered_free(&self->remembered);
      bm_snapshot_free(&self->to_save);
      free(self->controls);
      free(self->unlearned);
      free(self);
   }
}

/* Zeroed memory whose start suits any vector. */
static void* allocate(size_t bytes)
{
   const size_t alignment = 64;
   const size_t rounded = (bytes + alignment - 1) / alignment * alignment;
   void* memory = aligned_alloc(alignment, rounded ? rounded : alignment);
   if (memory) {
      memset(memory, 0, rounded ? rounded : alignment);
   }
   return memory;
}

static uint32_t bits_of(float value)
{
   uint32_t bits;
   memcpy(&bits, &value, sizeof bits);
   return bits;
}

/* Hosts seldom write anything new, so look for that before anything is clamped. */
static bool host_has_written(const Shell* self)
{
   uint32_t difference = 0;
   if (self->n_rows == 0) {
      for (uint32_t i = 0; i < self->form->n_controls; ++i) {
         difference |= bits_of(*self->control_in[i]) ^ self->seen[i];
      }
      return difference != 0;
   }
   Bits differences = {0};
   for (uint32_t r = 0; r < self->n_rows; ++r) {
      const PortRow* row = &self->rows[r];
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
   return difference != 0;
}

static void find_rows(Shell* self)
{
   const BmPorts* ports = bm_plugin.ports;
   PortRow* row = NULL;
   self->n_rows = 0;
   for (uint32_t i = 0; i < self->form->n_controls; ++i) {
      const bool is_next = row && row->first + row->n == i && row->values + row->n == self->control_in[i];
      if (!ports->controls[i].is_output && is_next) {
         ++row->n;
      } else if (!ports->controls[i].is_output) {
         row = &self->rows[self->n_rows++];
         *row = (PortRow){.values = self->control_in[i], .first = i, .n = 1};
      }
   }
   if (self->n_rows * N_BITS > self->form->n_controls) {
      self->n_rows = 0;
   }
   self->rows_are_new = false;
}

static void take_controls(Shell* self)
{
   const BmPorts* ports = bm_plugin.ports;
   for (uint32_t i = 0; i < ports->n_controls; ++i) {
      const BmPort* port = &ports->controls[i];
      const uint32_t bits = bits_of(*self->control_in[i]);
      /* What `rendering` puts in its place may go again. */
      if (bits != self->seen[i] || (int)i == ports->quality) {
         self->seen[i] = bits;
         const float value = bm_port_clamp(port, *self->control_in[i]);
         self->controls_are_new = self->controls_are_new || value != self->controls[i];
         self->controls[i] = value;
      }
   }
   if (ports->rendering >= 0 && ports->quality >= 0 && self->controls[ports->rendering] > 0.5F) {
      self->controls[ports->quality] = ports->controls[ports->quality].maximum;
   }
}

static void take_gains(Shell* self, Side* side)
{
   const BmPorts* ports = bm_plugin.ports;
   bm_glide_set(&side->input_gain, bm_gain_from_db((double)control_or(self, ports->input_gain, 0.0F)));
   bm_glide_set(&side->mix, (double)control_or(self, ports->mix, 100.0F) / 100.0);
   bm_glide_set(&self->output_gain, bm_gain_from_db((double)control_or(self, ports->output_gain, 0.0F)));
}

static uint32_t wanted_alternative(const Shell* self)
{
   const BmPorts* ports = bm_plugin.ports;
   const uint32_t parts = ports->characters < 0 ? 0 : (uint32_t)self->controls[ports->characters];
   return ports->compare < 0 ? 0 : (uint32_t)self->controls[ports->compare] * N_CHARACTER_CHOICES + parts;
}

/* Of what is mixed, with the input gain left out: it is for reaching nominal level. */
static double known_gain_lin(const Shell* self)
{
   const double mix = (double)control_or(self, bm_plugin.ports->mix, 100.0F) / 100.0;
   return bm_plugin.nominal_gain_lin ? 1.0 - mix + mix * bm_plugin.nominal_gain_lin(self->settings) : 1.0;
}

static void set_match(const Shell* self, Side* side)
{
   const BmPorts* ports = bm_plugin.ports;
   const bool compares = control_or(self, ports->compare, 0.0F) > 0.5F;
   bm_loudness_match_know(&side->match, known_gain_lin(self), self->latency_frames);
   bm_loudness_match_set(&side->match, compares || is_on(self, ports->match, false));
}

static void set_sounding(Shell* self)
{
   set_match(self, &self->side);
   bm_plugin.set(self->side.processor, self->settings);
   self->gains_wait_frames = bm_plugin.settling_frames ? bm_plugin.settling_frames(self->side.processor) : 0;
   if (self->gains_wait_frames == 0) {
      take_gains(self, &self->side);
   }
}

static void set_coming(Shell* self)
{
   Side* side = &self->coming.side;
   set_match(self, side);
   bm_plugin.set(side->processor, self->settings);
   take_gains(self, side);
}

/* With every alternative goes what the match has found for it. Nothing yet: as loud as what sounds now is. */
static BmMatchFinding finding_for(const Shell* self, uint32_t alternative)
{
   const BmMatchFinding present = {.gain_db = bm_loudness_match_gain_db(&self->side.match)};
   return self->findings[alternative].is_found ? self->findings[alternative] : present;
}

static void begin_change(Shell* self, uint32_t alternative)
{
   Coming* coming = &self->coming;
   Side* side = &coming->side;
   const BmMatchFinding finding = finding_for(self, alternative);
   bm_plugin.reset(side->processor);
   for (uint32_t i = 0; i < bm_plugin.n_memories; ++i) {
      const BmMemory* memory = &bm_plugin.memories[i];
      memory->set(side->processor, memory->get(self->side.processor));
   }
   bm_glide_reset(&side->input_gain);
   bm_glide_reset(&side->mix);
   bm_loudness_match_reset(&side->match);
   coming->is_on = true;
   coming->alternative = alternative;
   set_coming(self);
   const bool is_known = finding.is_found || bm_fade_is_off(&side->match.enabled);
   coming->wait_frames = (uint32_t)((is_known ? READY_S : FIRST_READY_S) * self->sample_rate_hz);
   bm_loudness_match_recall(&side->match, &finding, coming->wait_frames);
   bm_fade_init(&coming->fade, BM_FADE_MS, self->sample_rate_hz);
   bm_fade_set(&coming->fade, false);
   bm_fade_set(&coming->fade, true);
}

static void end_change(Shell* self)
{
   Coming* coming = &self->coming;
   const Side side = self->side;
   self->findings[self->alternative] = bm_loudness_match_finding(&side.match);
   self->side = coming->side;
   coming->side = side;
   self->alternative = coming->alternative;
   self->gains_wait_frames = 0;
   coming->is_on = false;
   self->controls_are_new = true;
}

/* What the host wants goes to the side that it wants to hear. A change that is heard already is brought to
   its end first. */
static void follow_comparison(Shell* self)
{
   Coming* coming = &self->coming;
   const uint32_t wanted = wanted_alternative(self);
   const bool is_new = self->alternative == N_ALTERNATIVES;
   if (coming->is_on && coming->alternative == wanted) {
      set_coming(self);
   } else if (coming->is_on && coming->wait_frames == 0) {
      return;
   } else if (self->alternative == wanted || is_new) {
      coming->is_on = false;
      self->alternative = wanted;
      set_sounding(self);
   } else if (self->asleep) {
      const BmMatchFinding finding = finding_for(self, wanted);
      self->findings[self->alternative] = bm_loudness_match_finding(&self->side.match);
      self->alternative = wanted;
      bm_loudness_match_recall(&self->side.match, &finding, 0);
      set_sounding(self);
   } else {
      begin_change(self, wanted);
   }
}

static void choose_settings(Shell* self)
{
   if (bm_plugin.ports->compare < 0) {
      return;
   }
   const unsigned remembered = bm_remembered_look(&self->remembered, self->controls);
   self->remembered_is_new = self->remembered_is_new || remembered;
   for (uint32_t k = 0; k < N_ALTERNATIVES; ++k) {
      const uint32_t which = k / N_CHARACTER_CHOICES;
      if (which && (remembered >> (which - 1) & 1)) {
         self->findings[k].is_found = false;
      }
   }
   bm_remembered_choose(&self->remembered, self->controls, self->settings);
}

static uint32_t n_to_save(void)
{
   const uint32_t n_settings = bm_plugin.ports->compare < 0 ? 0 : BM_N_REMEMBERED;
   return bm_plugin.n_memories + n_settings * (1 + bm_plugin.ports->n_controls);
}

/* save() may be called while run() is. */
static void update_to_save(Shell* self)
{
   bool is_new = self->remembered_is_new;
   for (uint32_t i = 0; i < bm_plugin.n_memories; ++i) {
      is_new =
         is_new || bm_plugin.memories[i].get(self->side.processor) != bm_snapshot_last(&self->to_save, i);
   }
   if (!is_new) {
      return;
   }
   bm_snapshot_begin(&self->to_save);
   uint32_t at = 0;
   for (uint32_t i = 0; i < bm_plugin.n_memories; ++i) {
      bm_snapshot_put(&self->to_save, at++, bm_plugin.memories[i].get(self->side.processor));
   }
   for (uint32_t k = 0; k < BM_N_REMEMBERED && self->remembered_is_new; ++k) {
      bm_snapshot_put(&self->to_save, at++, self->remembered.is_set[k] ? 1.0 : 0.0);
      for (uint32_t i = 0; i < bm_plugin.ports->n_controls; ++i) {
         bm_snapshot_put(&self->to_save, at++, (double)self->remembered.settings[k][i]);
      }
   }
   bm_snapshot_end(&self->to_save);
   self->remembered_is_new = false;
}

static void report_one(Shell* self, int index, double value)
{
   self->controls[index] = bm_port_clamp(&bm_plugin.ports->controls[index], (float)value);
}

static void report_levels(Shell* self)
{
   const BmPorts* ports = bm_plugin.ports;
   const double in_power = self->input_level.power;
   const double out_power = self->output_level.power;
   const double in_db = bm_db_from_power(in_power);
   report_one(self, ports->input_level, in_db);
   report_one(self, ports->output_level, out_power == in_power ? in_db : bm_db_from_power(out_power));
   report_one(self, ports->latency, self->latency_frames);
}

static void report(Shell* self)
{
   self->report_is_due = false;
   report_levels(self);
   if (bm_plugin.report && self->own_report_is_due) {
      bm_plugin.report(self->side.processor, self->controls);
      for (uint32_t i = 0; i < self->n_reports; ++i) {
         const uint32_t index = self->report_index[i];
         report_one(self, (int)index, (double)self->controls[index]);
      }
   }
   self->own_report_is_due = false;
}

static void write_controls(Shell* self)
{
   if (self->report_is_due) {
      report(self);
   }
   for (uint32_t i = 0; i < self->n_reports; ++i) {
      const uint32_t index = self->report_index[i];
      *self->control_out[index] = self->controls[index];
   }
}

static float cleaned(float x)
{
   return fabsf(x) <= FLT_MAX ? x : 0.0F;
}

/* Silence what is not a number. */
BM_CLONES static void clean(const float* restrict in, float* restrict out, uint32_t n_frames)
{
   for (uint32_t i = 0; i < n_frames; ++i) {
      out[i] = cleaned(in[i]);
   }
}

BM_INLINE void clean_and_measure_few(const float* const in[2], float* const out[2], uint32_t begin,
                                     uint32_t end, LevelMeter* meter, uint32_t position)
{
   for (uint32_t i = begin; i < end; ++i) {
      for (uint32_t lane = 0; lane < 2; ++lane) {
         out[lane][i] = cleaned(in[lane][i]);
         meter->single_squares[lane][(position + i) % BM_FLOATS_STEP] += out[lane][i] * out[lane][i];
      }
   }
}

/* clean() both lanes and measure them; `position` is the first frame's place in the meter's period. Its own
   pointers, because those of the caller would be read again after every store. */
BM_CLONES static void clean_and_measure(const float* const in[2], float* const out[2], uint32_t n_frames,
                                        LevelMeter* meter, uint32_t position)
{
   const uint32_t to_step = (BM_FLOATS_STEP - position % BM_FLOATS_STEP) % BM_FLOATS_STEP;
   const uint32_t begin = to_step < n_frames ? to_step : n_frames;
   clean_and_measure_few(in, out, 0, begin, meter, position);
   BmFloats sums[2] = {meter->single_squares[0], meter->single_squares[1]};
   const float* left = in[0];
   const float* right = in[1];
   float* left_out = out[0];
   float* right_out = out[1];
   uint32_t i = begin;
   for (; i + BM_FLOATS_STEP <= n_frames; i += BM_FLOATS_STEP) {
      const BmFloatsBits l = *(const BmFloatsBits*)(const void*)(left + i);
      const BmFloatsBits r = *(const BmFloatsBits*)(const void*)(right + i);
      const BmFloats clean_l = (BmFloats)(l & ((l & EXPONENT_BITS) < EXPONENT_BITS));
      const BmFloats clean_r = (BmFloats)(r & ((r & EXPONENT_BITS) < EXPONENT_BITS));
      *(BmFloats*)(left_out + i) = clean_l;
      *(BmFloats*)(right_out + i) = clean_r;
      sums[0] += clean_l * clean_l;
      sums[1] += clean_r * clean_r;
   }
   meter->single_squares[0] = sums[0];
   meter->single_squares[1] = sums[1];
   clean_and_measure_few(in, out, i, n_frames, meter, position);
}

BM_CLONES static void join(const float* restrict left, const float* restrict right, BmFrame* restrict frames,
                           uint32_t n_frames)
{
   for (uint32_t i = 0; i < n_frames; ++i) {
      frames[i] = bm_frame((double)left[i], (double)right[i]);
   }
}

/* Bound by magnitude, which for the bits of floats is an integer comparison; a NaN becomes the limit. */
BM_INLINE void limit_singles(float* x, float limit, uint32_t n)
{
   const uint32_t sign = 0x80000000U;
   int32_t most;
   memcpy(&most, &limit, sizeof most);
   for (uint32_t i = 0; i < n; ++i) {
      uint32_t bits;
      memcpy(&bits, x + i, sizeof bits);
      const int32_t magnitude = (int32_t)(bits & ~sign);
      bits = (uint32_t)(magnitude < most ? magnitude : most) | (bits & sign);
      memcpy(x + i, &bits, sizeof bits);
   }
}

/* What join() and then apply_input_gain() make of a gain of 1. */
BM_CLONES static void join_limited(const float* left, const float* right, BmFrame* restrict frames,
                                   uint32_t n_frames)
{
   float l[BM_SLICE_FRAMES] __attribute__((aligned(16)));
   float r[BM_SLICE_FRAMES] __attribute__((aligned(16)));
   memcpy(l, left, n_frames * sizeof *l);
   memcpy(r, right, n_frames * sizeof *r);
   limit_singles(l, (float)INPUT_LIMIT, n_frames);
   limit_singles(r, (float)INPUT_LIMIT, n_frames);
   uint32_t i = 0;
   for (; i + 4 <= n_frames; i += 4) {
      const Singles* l4 = (const Singles*)(l + i);
      const Singles* r4 = (const Singles*)(r + i);
      const Singles first = __builtin_shufflevector(*l4, *r4, 0, 4, 1, 5);
      const Singles second = __builtin_shufflevector(*l4, *r4, 2, 6, 3, 7);
      *(BmFramePair*)(frames + i) = __builtin_convertvector(first, BmFramePair);
      *(BmFramePair*)(frames + i + 2) = __builtin_convertvector(second, BmFramePair);
   }
   for (; i < n_frames; ++i) {
      frames[i] = bm_frame((double)l[i], (double)r[i]);
   }
}

/* Bounded to what a float can hold. */
BM_CLONES static void part(const BmFrame* restrict frames, float* restrict left, float* restrict right,
                           uint32_t n_frames)
{
   uint32_t i = 0;
   for (; i + 4 <= n_frames; i += 4) {
      const Singles first = __builtin_convertvector(*(const BmFramePair*)(frames + i), Singles);
      const Singles second = __builtin_convertvector(*(const BmFramePair*)(frames + i + 2), Singles);
      const Singles l = __builtin_shufflevector(first, second, 0, 2, 4, 6);
      const Singles r = __builtin_shufflevector(first, second, 1, 3, 5, 7);
      memcpy(left + i, &l, sizeof l);
      memcpy(right + i, &r, sizeof r);
   }
   for (; i < n_frames; ++i) {
      left[i] = (float)frames[i][0];
      right[i] = (float)frames[i][1];
   }
   limit_singles(left, FLT_MAX, n_frames);
   limit_singles(right, FLT_MAX, n_frames);
}

static void store(const Shell* self, uint32_t start, uint32_t n_frames, const BmFrame* frames)
{
   float unheard[BM_SLICE_FRAMES];
   const bool is_stereo = self->form->n_outputs > 1;
   part(frames, self->audio_out[0] + start, is_stereo ? self->audio_out[1] + start : unheard, n_frames);
}

/* The inputs' lines reach back as far as the processor is late; make room for the next frames. */
static void make_room(Shell* self, uint32_t n_frames)
{
   if (self->now + n_frames > self->line_frames) {
      for (uint32_t c = 0; c < self->form->n_inputs; ++c) {
         memmove(self->line[c], self->line[c] + self->now - self->latency_frames,
                 self->latency_frames * sizeof *self->line[c]);
      }
      self->now = self->latency_frames;
   }
}

static void load(Shell* self, uint32_t start, uint32_t n_frames)
{
   make_room(self, n_frames);
   for (uint32_t c = 0; c < self->form->n_inputs; ++c) {
      clean(self->audio_in[c] + start, self->line[c] + self->now, n_frames);
   }
}

/* A lane of the slice, as it came or delayed; a mono input stands in both. */
static const float* channel(const Shell* self, bool delayed, uint32_t lane)
{
   const uint32_t c = lane && self->form->n_inputs > 1 ? 1 : 0;
   return self->line[c] + self->now - (delayed ? self->latency_frames : 0);
}

/* Not the loudness match: what it has found must outlast a bypass, or switching compares levels after all. */
static void reset_processing(Shell* self)
{
   bm_glide_reset(&self->side.input_gain);
   bm_glide_reset(&self->side.mix);
   bm_glide_reset(&self->output_gain);
   bm_plugin.reset(self->side.processor);
   self->controls_are_new = true;
}

static bool stands_at_one(const BmGlide* glide)
{
   return bm_glide_is_still(glide) && glide->value == 1.0;
}

static bool needs_dry(const Shell* self)
{
   return !bm_fade_is_on(&self->enabled) || !stands_at_one(&self->side.mix) ||
          !bm_fade_is_off(&self->side.match.enabled) || self->coming.is_on;
}

static void apply_input_gain(Side* side, BmFrame* frames, double* gains, uint32_t n_frames)
{
   const BmFrame limit = bm_frame_both(INPUT_LIMIT);
   if (bm_glide_is_still(&side->input_gain)) {
      const double gain = side->input_gain.value;
      for (uint32_t i = 0; i < n_frames; ++i) {
         frames[i] = bm_frame_max(-limit, bm_frame_min(frames[i] * gain, limit));
      }
      for (uint32_t i = 0; gains && i < n_frames; ++i) {
         gains[i] = gain;
      }
      return;
   }
   for (uint32_t i = 0; i < n_frames; ++i) {
      const double gain = bm_glide_step(&side->input_gain);
      frames[i] = bm_frame_max(-limit, bm_frame_min(frames[i] * gain, limit));
      if (gains) {
         gains[i] = gain;
      }
   }
}

static void run_side(const Shell* self, Side* side, const BmFrame* dry, BmFrame* gained, BmFrame* wet,
                     uint32_t n_frames)
{
   double gains[BM_SLICE_FRAMES];
   const bool mixes = !stands_at_one(&side->mix);
   const float* left = channel(self, false, 0);
   const float* right = channel(self, false, 1);
   if (stands_at_one(&side->input_gain) && !mixes) {
      join_limited(left, right, gained, n_frames);
   } else {
      join(left, right, gained, n_frames);
      apply_input_gain(side, gained, mixes ? gains : NULL, n_frames);
   }
   bm_plugin.process(side->processor, gained, wet, n_frames);
   if (mixes) {
      for (uint32_t i = 0; i < n_frames; ++i) {
         const double mix = bm_glide_step(&side->mix);
         if (mix < 1.0) {
            wet[i] = wet[i] * mix + dry[i] * (gains[i] * (1.0 - mix));
         }
      }
   }
   bm_loudness_match_process(&side->match, dry, wet, n_frames);
}

static void run_coming(Shell* self, const BmFrame* dry, uint32_t n_frames)
{
   Coming* coming = &self->coming;
   BmFrame gained[BM_SLICE_FRAMES];
   BmFrame wet[BM_SLICE_FRAMES];
   run_side(self, &coming->side, dry, gained, wet, n_frames);
   for (uint32_t i = 0; i < n_frames && coming->wait_frames == 0; ++i) {
      self->wet_slice[i] += (wet[i] - self->wet_slice[i]) * bm_fade_step(&coming->fade);
   }
}

static void process_wet(Shell* self, const BmFrame* dry, uint32_t n_frames)
{
   run_side(self, &self->side, dry, self->gained_slice, self->wet_slice, n_frames);
   level_meter_process(&self->input_level, self->clock.position_frames, self->gained_slice, n_frames);
   if (self->coming.is_on) {
      run_coming(self, dry, n_frames);
   }
   if (!stands_at_one(&self->output_gain)) {
      for (uint32_t i = 0; i < n_frames; ++i) {
         self->wet_slice[i] *= bm_glide_step(&self->output_gain);
      }
   }
}

static void fade_to_dry(Shell* self, const BmFrame* dry, uint32_t n_frames)
{
   for (uint32_t i = 0; i < n_frames; ++i) {
      const double share = bm_fade_step(&self->enabled);
      self->wet_slice[i] = share < 1.0 ? dry[i] + (self->wet_slice[i] - dry[i]) * share : self->wet_slice[i];
   }
}

static void pass_on(Shell* self, uint32_t start, uint32_t n_frames)
{
   make_room(self, n_frames);
   const float* const in[2] = {self->audio_in[0] + start,
                               self->audio_in[self->form->n_inputs > 1 ? 1 : 0] + start};
   float* const line[2] = {self->line[0] + self->now, self->line[1] + self->now};
   clean_and_measure(in, line, n_frames, &self->input_level, self->clock.position_frames);
   for (uint32_t lane = 0; lane < self->form->n_outputs; ++lane) {
      memcpy(self->audio_out[lane] + start, channel(self, true, lane), n_frames * sizeof(float));
   }
}

static void rest(Shell* self, uint32_t start, uint32_t n_frames)
{
   pass_on(self, start, n_frames);
   const float* const delayed[2] = {channel(self, true, 0), channel(self, true, 1)};
   float unheard[2][BM_SLICE_FRAMES];
   float* const out[2] = {unheard[0], unheard[1]};
   clean_and_measure(delayed, out, n_frames, &self->output_level, self->clock.position_frames);
}

/* Let the processor have what it has missed, before anything is changed. */
static void end_rest(Shell* self)
{
   const uint32_t latency = self->latency_frames;
   for (uint32_t back = latency, n = 0; self->resting && back > 0; back -= n) {
      n = back < BM_SLICE_FRAMES ? back : BM_SLICE_FRAMES;
      join_limited(channel(self, false, 0) - back, channel(self, false, 1) - back, self->gained_slice, n);
      bm_plugin.process(self->side.processor, self->gained_slice, self->wet_slice, n);
   }
   self->resting = false;
   self->idle_frames = 0;
}

static void read_controls(Shell* self)
{
   const BmPorts* ports = bm_plugin.ports;
   if (host_has_written(self)) {
      take_controls(self);
   }
   if (!self->controls_are_new) {
      return;
   }
   end_rest(self);
   self->controls_are_new = false;
   self->report_is_due = true;
   self->own_report_is_due = true;
   choose_settings(self);
   bm_fade_set(&self->enabled, is_on(self, ports->enabled, true));
   follow_comparison(self);
}

/* Looked at when a period of the meters begins, so that it is the same frame for every block size. */
static bool may_rest(const Shell* self)
{
   const Side* side = &self->side;
   return bm_plugin.is_through && bm_fade_is_on(&self->enabled) && bm_fade_is_off(&side->match.enabled) &&
          !self->coming.is_on && self->gains_wait_frames == 0 && stands_at_one(&side->input_gain) &&
          stands_at_one(&side->mix) && stands_at_one(&self->output_gain) &&
          bm_plugin.is_through(side->processor);
}

static void run_slice(Shell* self, uint32_t start, uint32_t n_frames)
{
   if (bm_fade_is_off(&self->enabled)) {
      pass_on(self, start, n_frames);
      self->asleep = true;
      self->coming.is_on = false;
      return;
   }
   if (bm_control_clock_is_due(&self->clock)) {
      self->idle_frames = !may_rest(self) ? 0
                          : self->resting ? self->idle_frames
                                          : self->idle_frames + BM_SLICE_FRAMES;
      self->resting = self->idle_frames > self->latency_frames + BM_SLICE_FRAMES;
   }
   if (self->resting) {
      rest(self, start, n_frames);
      return;
   }
   load(self, start, n_frames);
   if (self->asleep) {
      self->output_level = self->input_level;
      reset_processing(self);
      read_controls(self);
      self->asleep = false;
   }
   BmFrame dry[BM_SLICE_FRAMES];
   if (needs_dry(self)) {
      join(channel(self, true, 0), channel(self, true, 1), dry, n_frames);
   }
   process_wet(self, dry, n_frames);
   if (!bm_fade_is_on(&self->enabled)) {
      fade_to_dry(self, dry, n_frames);
   }
   level_meter_process(&self->output_level, self->clock.position_frames, self->wet_slice, n_frames);
   store(self, start, n_frames, self->wet_slice);
}

static void advance_change(Shell* self, uint32_t n_frames)
{
   Coming* coming = &self->coming;
   if (coming->wait_frames) {
      coming->wait_frames -= n_frames;
      if (coming->wait_frames == 0 && !self->findings[coming->alternative].is_found) {
         bm_loudness_match_jump(&coming->side.match);
      }
   } else if (bm_fade_is_on(&coming->fade)) {
      end_change(self);
      read_controls(self);
   }
}

static void advance(Shell* self, uint32_t n_frames)
{
   self->now += n_frames;
   bm_control_clock_advance(&self->clock, n_frames);
   if (self->gains_wait_frames) {
      self->gains_wait_frames -= n_frames;
      if (self->gains_wait_frames == 0) {
         take_gains(self, &self->side);
      }
   }
   if (self->coming.is_on) {
      advance_change(self, n_frames);
   }
   if (bm_control_clock_is_due(&self->clock)) {
      level_meter_conclude(&self->input_level);
      if (self->asleep) {
         self->output_level = self->input_level;
      } else {
         level_meter_conclude(&self->output_level);
      }
      if (self->rows_are_new) {
         find_rows(self);
      }
      self->report_is_due = true;
      self->own_report_is_due = self->own_report_is_due || !(self->asleep || self->resting);
   }
}

/* How far this slice may go: no further than the meters' period, and a fade's end is a border of its own, so
   that the processor starts and stops in the same frame for every block size. */
static uint32_t slice_frames(const Shell* self, uint32_t n_frames)
{
   uint32_t n = bm_control_clock_next(&self->clock, n_frames);
   if (!self->enabled.on && self->enabled.position_steps > 0 && n > self->enabled.position_steps) {
      n = self->enabled.position_steps;
   }
   if (self->gains_wait_frames && n > self->gains_wait_frames) {
      n = self->gains_wait_frames;
   }
   if (self->coming.is_on) {
      const Coming* coming = &self->coming;
      const uint32_t fades = coming->fade.length_steps - coming->fade.position_steps;
      const uint32_t left = coming->wait_frames ? coming->wait_frames : fades;
      n = n < left ? n : left;
   }
   return n;
}

static void load_file(Shell* self, const char* path)
{
   char complaint[BM_COMPLAINT_BYTES] = "";
   if (!bm_plugin.file->load(self->side.processor, path, complaint)) {
      lv2_log_error(&self->logger, "%s: %s\n", self->form->uri, complaint);
   }
}

static LV2_Handle instantiate(const LV2_Descriptor* descriptor, double sample_rate_hz,
                              const char* bundle_path, const LV2_Feature* const* features)
{
   (void)bundle_path;
   const BmPorts* ports = bm_plugin.ports;
   LV2_URID_Map* map = (LV2_URID_Map*)lv2_features_data(features, LV2_URID__map);
   LV2_Log_Logger logger;
   lv2_log_logger_init(&logger, map, (LV2_Log_Log*)lv2_features_data(features, LV2_LOG__log));

   if (bm_check_rate(sample_rate_hz) != BM_OK) {
      lv2_log_error(&logger, "%s: sample rate %g Hz; %g to %g Hz would be right\n", descriptor->URI,
                    sample_rate_hz, BM_RATE_MIN_HZ, BM_RATE_MAX_HZ);
      return NULL;
   }
   Shell* self = allocate(sizeof *self);
   if (!self) {
      lv2_log_error(&logger, "%s: no memory\n", descriptor->URI);
      return NULL;
   }
   self->map = map;
   self->logger = logger;
   self->sample_rate_hz = sample_rate_hz;
   for (uint32_t i = 0; i < ports->n_forms; ++i) {
      if (!strcmp(ports->forms[i].uri, descriptor->URI)) {
         self->form = &ports->forms[i];
      }
   }
   Side* sides[2] = {&self->side, ports->compare < 0 ? NULL : &self->coming.side};
   bool has_processors = true;
   for (int k = 0; k < 2 && sides[k]; ++k) {
      sides[k]->processor = allocate(bm_plugin.bytes(sample_rate_hz));
      has_processors = has_processors && sides[k]->processor &&
                       bm_plugin.init(sides[k]->processor, sample_rate_hz, self->form) == BM_OK;
   }
   self->control_in = calloc(ports->n_controls, sizeof *self->control_in);
   self->control_out = calloc(ports->n_controls, sizeof *self->control_out);
   self->report_index = calloc(ports->n_controls, sizeof *self->report_index);
   self->rows = calloc(ports->n_controls, sizeof *self->rows);
   self->seen = calloc(ports->n_controls, sizeof *self->seen);
   self->controls = calloc(ports->n_controls, sizeof *self->controls);
   self->unlearned = calloc(bm_plugin.n_memories + 1, sizeof *self->unlearned);
   self->settings = ports->compare < 0 ? self->controls : calloc(ports->n_controls, sizeof *self->settings);
   if (!bm_remembered_init(&self->remembered, ports) || !self->settings || !has_processors ||
       !self->control_in || !self->control_out || !self->report_index || !self->rows || !self->seen ||
       !self->controls || !self->unlearned || !bm_snapshot_init(&self->to_save, n_to_save())) {
      lv2_log_error(&logger, "%s: could not be set up at %g Hz\n", descriptor->URI, sample_rate_hz);
      shell_free(self);
      return NULL;
   }
   self->is_set_up = true;
   if (bm_plugin.file) {
      load_file(self, NULL);
   }
   for (uint32_t i = 0; i < bm_plugin.n_memories; ++i) {
      self->unlearned[i] = bm_plugin.memories[i].get(self->side.processor);
   }
   update_to_save(self);
   for (uint32_t i = 0; i < ports->n_controls; ++i) {
      self->controls[i] = ports->controls[i].initial;
      self->control_in[i] = &ports->controls[i].initial;
      self->control_out[i] = &self->unheard;
      self->seen[i] = bits_of(ports->controls[i].initial);
      if (ports->controls[i].is_output) {
         self->report_index[self->n_reports++] = i;
      }
   }
   self->controls_are_new = true;
   self->latency_frames = bm_plugin.latency_frames ? bm_plugin.latency_frames(self->side.processor) : 0;
   self->line_frames = self->latency_frames + LINE_FRAMES;
   self->line_memory = allocate(2 * self->line_frames * sizeof *self->line_memory);
   if (!self->line_memory) {
      lv2_log_error(&logger, "%s: no memory\n", descriptor->URI);
      shell_free(self);
      return NULL;
   }
   self->line[0] = self->line_memory;
   self->line[1] = self->line_memory + self->line_frames;
   bm_control_clock_init(&self->clock, BM_SLICE_FRAMES);
   bm_fade_init(&self->enabled, BM_FADE_MS, sample_rate_hz);
   bm_glide_init(&self->output_gain, BM_GLIDE_MS, sample_rate_hz);
   for (int k = 0; k < 2 && sides[k]; ++k) {
      bm_glide_init(&sides[k]->input_gain, BM_GLIDE_MS, sample_rate_hz);
      bm_glide_init(&sides[k]->mix, BM_GLIDE_MS, sample_rate_hz);
      bm_loudness_match_init(&sides[k]->match, sample_rate_hz);
   }
   level_meter_init(&self->input_level, sample_rate_hz);
   level_meter_init(&self->output_level, sample_rate_hz);
   return self;
}

static void connect_port(LV2_Handle instance, uint32_t index, void* data)
{
   Shell* self = (Shell*)instance;
   const BmPorts* ports = bm_plugin.ports;
   if (index < self->form->n_controls) {
      if (ports->controls[index].is_output) {
         self->control_out[index] = data ? (float*)data : &self->unheard;
      } else {
         const float* place = data ? (const float*)data : &ports->controls[index].initial;
         if (place != self->control_in[index]) {
            self->control_in[index] = place;
            self->rows_are_new = true;
            self->n_rows = 0;
         }
      }
      return;
   }
   index -= self->form->n_controls;
   if (index < self->form->n_inputs) {
      self->audio_in[index] = (const float*)data;
   } else if (index - self->form->n_inputs < self->form->n_outputs) {
      self->audio_out[index - self->form->n_inputs] = (float*)data;
   }
}

static void activate(LV2_Handle instance)
{
   Shell* self = (Shell*)instance;
   reset_processing(self);
   bm_loudness_match_reset(&self->side.match);
   self->coming.is_on = false;
   memset(self->findings, 0, sizeof self->findings);
   self->alternative = N_ALTERNATIVES;
   memset(self->line_memory, 0, 2 * self->line_frames * sizeof *self->line_memory);
   self->now = self->latency_frames;
   bm_fade_reset(&self->enabled);
   bm_control_clock_reset(&self->clock);
   level_meter_reset(&self->input_level);
   level_meter_reset(&self->output_level);
   self->report_is_due = true;
   self->own_report_is_due = true;
   self->idle_frames = 0;
   self->resting = false;
   self->asleep = false;
}

static void run(LV2_Handle instance, uint32_t n_frames)
{
   Shell* self = (Shell*)instance;
   const BmDenormalMode mode = bm_denormals_off();
   read_controls(self);
   for (uint32_t start = 0; start < n_frames;) {
      const uint32_t n = slice_frames(self, n_frames - start);
      run_slice(self, start, n);
      advance(self, n);
      start += n;
   }
   write_controls(self);
   update_to_save(self);
   bm_denormals_restore(mode);
}

static void cleanup(LV2_Handle instance)
{
   shell_free((Shell*)instance);
}

/* A path as the session keeps it, abstract, or as it is on this machine; with who frees it. */
typedef struct {
   char* text;
   const LV2_State_Free_Path* owner;
} MappedPath;

static MappedPath map_path(const LV2_Feature* const* features, const char* path, bool abstract)
{
   const LV2_State_Map_Path* map = (const LV2_State_Map_Path*)lv2_features_data(features, LV2_STATE__mapPath);
   MappedPath mapped = {NULL, (const LV2_State_Free_Path*)lv2_features_data(features, LV2_STATE__freePath)};
   if (map) {
      mapped.text = abstract ? map->abstract_path(map->handle, path) : map->absolute_path(map->handle, path);
   }
   return mapped;
}

static void free_path(MappedPath path)
{
   if (path.text && path.owner) {
      path.owner->free_path(path.owner->handle, path.text);
   } else {
      free(path.text); /* as the specification has it without that feature */
   }
}

static LV2_State_Status save_file(const Shell* self, LV2_State_Store_Function store_value,
                                  LV2_State_Handle handle, const LV2_Feature* const* features)
{
   const char* path = bm_plugin.file->path(self->side.processor);
   if (!path[0]) {
      return LV2_STATE_SUCCESS;
   }
   const MappedPath mapped = map_path(features, path, true);
   const char* kept = mapped.text ? mapped.text : path;
   const LV2_State_Status status = store_value(
      handle, self->map->map(self->map->handle, bm_plugin.file->uri), kept, strlen(kept) + 1,
      self->map->map(self->map->handle, LV2_ATOM__Path), LV2_STATE_IS_POD | LV2_STATE_IS_PORTABLE);
   free_path(mapped);
   return status;
}

enum { KEY_BYTES = 128 };

static const char* remembered_key(int which, char* uri)
{
   snprintf(uri, KEY_BYTES, "%s#remembered_%c", bm_plugin.ports->uri, 'a' + which);
   return uri;
}

/* `values` are those of to_save behind the memories. */
static LV2_State_Status save_remembered(const Shell* self, const double* values,
                                        LV2_State_Store_Function store_value, LV2_State_Handle handle)
{
   const BmPorts* ports = bm_plugin.ports;
   LV2_State_Status status = LV2_STATE_SUCCESS;
   for (int k = 0; k < BM_N_REMEMBERED && ports->compare >= 0 && status == LV2_STATE_SUCCESS; ++k) {
      const double* setting = values + (uint32_t)k * (1 + ports->n_controls);
      char* text = setting[0] > 0.5 ? bm_remembered_text(ports, setting + 1) : NULL;
      char key[KEY_BYTES];
      if (text) {
         status = store_value(handle, self->map->map(self->map->handle, remembered_key(k, key)), text,
                              strlen(text) + 1, self->map->map(self->map->handle, LV2_ATOM__String),
                              LV2_STATE_IS_POD | LV2_STATE_IS_PORTABLE);
         free(text);
      }
   }
   return status;
}

static LV2_State_Status save_values(const Shell* self, const double* values,
                                    LV2_State_Store_Function store_value, LV2_State_Handle handle)
{
   for (uint32_t i = 0; i < bm_plugin.n_memories; ++i) {
      const LV2_State_Status status = store_value(
         handle, self->map->map(self->map->handle, bm_plugin.memories[i].uri), &values[i], sizeof values[i],
         self->map->map(self->map->handle, LV2_ATOM__Double), LV2_STATE_IS_POD | LV2_STATE_IS_PORTABLE);
      if (status != LV2_STATE_SUCCESS) {
         return status;
      }
   }
   return save_remembered(self, values + bm_plugin.n_memories, store_value, handle);
}

static LV2_State_Status save(LV2_Handle instance, LV2_State_Store_Function store_value,
                             LV2_State_Handle handle, uint32_t flags, const LV2_Feature* const* features)
{
   (void)flags;
   Shell* self = (Shell*)instance;
   if (!self->map) {
      return LV2_STATE_ERR_NO_FEATURE;
   }
   double* values = calloc(n_to_save() + 1, sizeof *values);
   if (!values) {
      return LV2_STATE_ERR_UNKNOWN;
   }
   bm_snapshot_read(&self->to_save, values);
   const LV2_State_Status status = save_values(self, values, store_value, handle);
   free(values);
   return status == LV2_STATE_SUCCESS && bm_plugin.file ? save_file(self, store_value, handle, features)
                                                        : status;
}

/* A value that a host brings back; data is NULL where it has none. */
typedef struct {
   const void* data;
   size_t size;
   uint32_t type;
} Stored;

static Stored fetch(const Shell* self, const char* uri, LV2_State_Retrieve_Function retrieve,
                    LV2_State_Handle handle)
{
   Stored stored = {0};
   uint32_t flags = 0;
   stored.data = retrieve(handle, self->map->map(self->map->handle, uri), &stored.size, &stored.type, &flags);
   return stored;
}

static bool is_of_type(const Shell* self, const Stored* stored, const char* type_uri)
{
   return stored->type == self->map->map(self->map->handle, type_uri);
}

/* NaN for what is no number. */
static double number_of(const Shell* self, const Stored* stored)
{
   double value = (double)NAN;
   if (is_of_type(self, stored, LV2_ATOM__Double) && stored->size == sizeof value) {
      memcpy(&value, stored->data, sizeof value);
   } else if (is_of_type(self, stored, LV2_ATOM__Float) && stored->size == sizeof(float)) {
      float single;
      memcpy(&single, stored->data, sizeof single);
      value = (double)single;
   }
   return value;
}

static bool is_path(const Shell* self, const Stored* stored)
{
   const char* text = (const char*)stored->data;
   return is_of_type(self, stored, LV2_ATOM__Path) && stored->size > 1 && text[0] && !text[stored->size - 1];
}

/* Read both before either is taken. False: one is wrong, with a line. */
static bool fetch_remembered(Shell* self, LV2_State_Retrieve_Function retrieve, LV2_State_Handle handle,
                             float* settings[BM_N_REMEMBERED])
{
   const BmPorts* ports = bm_plugin.ports;
   for (int k = 0; k < BM_N_REMEMBERED && ports->compare >= 0; ++k) {
      char key[KEY_BYTES];
      const Stored stored = fetch(self, remembered_key(k, key), retrieve, handle);
      if (!stored.data) {
         continue;
      }
      char complaint[COMPLAINT_BYTES] = "it is not a text";
      const bool is_text =
         is_of_type(self, &stored, LV2_ATOM__String) && memchr(stored.data, '\0', stored.size);
      settings[k] = calloc(ports->n_controls, sizeof(float));
      if (!is_text || !settings[k] ||
          !bm_remembered_read(ports, (const char*)stored.data, settings[k], complaint, sizeof complaint)) {
         lv2_log_error(&self->logger, "%s: stored %s: %s; the state is refused\n", self->form->uri, key,
                       complaint);
         return false;
      }
   }
   return true;
}

static void take_remembered(Shell* self, float* const settings[BM_N_REMEMBERED])
{
   for (int k = 0; k < BM_N_REMEMBERED && bm_plugin.ports->compare >= 0; ++k) {
      self->remembered.is_set[k] = settings[k] != NULL;
      if (settings[k]) {
         memcpy(self->remembered.settings[k], settings[k], bm_plugin.ports->n_controls * sizeof *settings[k]);
      }
   }
   self->coming.is_on = false;
   memset(self->findings, 0, sizeof self->findings);
   self->controls_are_new = true;
   self->remembered_is_new = bm_plugin.ports->compare >= 0;
}

/*
   All or nothing: every value is looked at before the first is taken. Of a state that holds some of the
   values, as one of another version may, the rest are as in a new plugin; one that holds none, as a preset,
   changes nothing.
*/
static LV2_State_Status restore_all(Shell* self, LV2_State_Retrieve_Function retrieve,
                                    LV2_State_Handle handle, const LV2_Feature* const* features,
                                    float* const settings[BM_N_REMEMBERED])
{
   bool is_empty = !settings[0] && !settings[1];
   for (uint32_t i = 0; i < bm_plugin.n_memories; ++i) {
      const BmMemory* memory = &bm_plugin.memories[i];
      const Stored stored = fetch(self, memory->uri, retrieve, handle);
      const double value = stored.data ? number_of(self, &stored) : memory->minimum;
      if (!(value >= memory->minimum && value <= memory->maximum)) {
         lv2_log_error(&self->logger, "%s: stored %s is not a number from %g to %g; the state is refused\n",
                       self->form->uri, memory->uri, memory->minimum, memory->maximum);
         return LV2_STATE_ERR_BAD_TYPE;
      }
      is_empty = is_empty && !stored.data;
   }
   Stored path = {0};
   if (bm_plugin.file) {
      path = fetch(self, bm_plugin.file->uri, retrieve, handle);
      if (path.data && !is_path(self, &path)) {
         lv2_log_error(&self->logger, "%s: stored %s is not a path; the state is refused\n", self->form->uri,
                       bm_plugin.file->uri);
         return LV2_STATE_ERR_BAD_TYPE;
      }
      is_empty = is_empty && !path.data;
   }
   if (is_empty) {
      return LV2_STATE_SUCCESS;
   }
   take_remembered(self, settings);
   for (uint32_t i = 0; i < bm_plugin.n_memories; ++i) {
      const Stored stored = fetch(self, bm_plugin.memories[i].uri, retrieve, handle);
      bm_plugin.memories[i].set(self->side.processor,
                                stored.data ? number_of(self, &stored) : self->unlearned[i]);
   }
   update_to_save(self);
   if (path.data) {
      const MappedPath mapped = map_path(features, (const char*)path.data, false);
      load_file(self, mapped.text ? mapped.text : (const char*)path.data);
      free_path(mapped);
   } else if (bm_plugin.file && bm_plugin.file->path(self->side.processor)[0]) {
      load_file(self, NULL);
   }
   return LV2_STATE_SUCCESS;
}

static LV2_State_Status restore(LV2_Handle instance, LV2_State_Retrieve_Function retrieve,
                                LV2_State_Handle handle, uint32_t flags, const LV2_Feature* const* features)
{
   (void)flags;
   Shell* self = (Shell*)instance;
   if (!self->map) {
      return LV2_STATE_ERR_NO_FEATURE;
   }
   float* settings[BM_N_REMEMBERED] = {NULL, NULL};
   const LV2_State_Status status = fetch_remembered(self, retrieve, handle, settings)
                                      ? restore_all(self, retrieve, handle, features, settings)
                                      : LV2_STATE_ERR_BAD_TYPE;
   free(settings[0]);
   free(settings[1]);
   return status;
}

static const void* extension_data(const char* uri)
{
   static const LV2_State_Interface state = {save, restore};
   const bool has_state = bm_plugin.n_memories || bm_plugin.file || bm_plugin.ports->compare >= 0;
   if (has_state && !strcmp(uri, LV2_STATE__interface)) {
      return &state;
   }
   return bm_plugin.extension_data ? bm_plugin.extension_data(uri) : NULL;
}

enum { MAX_FORMS = 4 };
static LV2_Descriptor descriptors[MAX_FORMS];

/* The URIs are the plugin's, known only when it is linked; filled once, before a host can call from two
 * threads. */
__attribute__((constructor)) static void fill_descriptors(void)
{
   for (uint32_t i = 0; i < bm_plugin.ports->n_forms && i < MAX_FORMS; ++i) {
      descriptors[i] = (LV2_Descriptor){bm_plugin.ports->forms[i].uri,
                                        instantiate,
                                        connect_port,
                                        activate,
                                        run,
                                        NULL,
                                        cleanup,
                                        extension_data};
   }
}

LV2_SYMBOL_EXPORT const LV2_Descriptor* lv2_descriptor(uint32_t index)
{
   return index < bm_plugin.ports->n_forms && index < MAX_FORMS ? &descriptors[index] : NULL;
}
