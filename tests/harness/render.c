/* SPDX-License-Identifier: ISC */
#include "render.h"

#include "audio_file.h"
#include "automation.h"
#include "workers.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

/* Blocks a second of audio; each gives the traces one point. */
#define BM_BLOCKS_PER_S 50.0

/* Gain and pan are worked out this often, counted from the session's start, with straight lines between. */
#define BM_FADER_GRID_FRAMES 16

/* Half the power to each side (cos of 45 degrees). */
#define BM_CENTRE 0.70710678118654752440

#define BM_PI 3.14159265358979323846

/* One channel held back by a fixed number of frames. */
typedef struct {
   float* ring; /* [n_frames] */
   uint32_t n_frames;
   uint32_t at;
} DelayLine;

typedef struct {
   const BmInsert* insert;
   BmInstance* instance;
   int64_t arrives_late; /* frames that the sound at its input lags behind the session */
   BmLane* lanes;        /* [insert->n_settings]; without breakpoints where not automated */
   float* values;        /* [n_ports] */
   BmTrace* traces;      /* [n_traces] */
   uint32_t n_traces;
   double* trace_sums; /* [n_traces] of the point being gathered */
   uint32_t n_gathered;
   uint32_t per_point; /* blocks to a point */
   double seconds;
   char* warning; /* the first; later ones would say no more */
   BmInsertRecord record;
} InsertState;

/* From a node into a bus. */
typedef struct {
   uint32_t from;
   const BmRoute* route;
   BmLane gain;
   DelayLine delay[BM_MAX_CHANNELS]; /* until the latest path arrives */
} Edge;

/* What a thread works in while it runs a node. */
typedef struct {
   double* sum[BM_MAX_CHANNELS];
   double* gains[BM_MAX_CHANNELS];
   float* late;
} Scratch;

typedef struct {
   const BmNode* node;
   uint32_t level; /* 0 for tracks; a bus stands above all that feed it */
   BmError error;
   double take_seconds;
   double listener_seconds; /* of who hears inside */
   double seconds;          /* the take and the inserts included */
   BmTake* take;
   uint64_t n_take_read;
   InsertState* inserts; /* [node->n_inserts] */
   BmLane gain;
   BmLane pan;
   Edge* edges; /* [n_edges] into this bus, in the order of their sources */
   uint32_t n_edges;
   uint32_t n_wet;                  /* channels after the inserts */
   int64_t arrives_late;            /* at the inserts */
   int64_t leaves_late;             /* after them */
   float* wet[BM_MAX_CHANNELS];     /* before and after the inserts */
   float* scratch[BM_MAX_CHANNELS]; /* the insert's other side */
   float* post[BM_MAX_CHANNELS];    /* after fader and pan */
   float* dry[BM_MAX_CHANNELS];     /* as wet, without inserts and sends */
   float* dry_post[BM_MAX_CHANNELS];
} NodeState;

/* Where somebody listens: at a node's output. */
typedef struct {
   uint32_t node;
   uint32_t n_channels;
   DelayLine after[BM_MAX_CHANNELS];
   DelayLine before[BM_MAX_CHANNELS];
   float* after_block[BM_MAX_CHANNELS];
   float* before_block[BM_MAX_CHANNELS];
   float* held[BM_MAX_CHANNELS]; /* frames of the tail that may turn out to be its end */
   double seconds[2];            /* of who hears it before, after */
} Tap;

struct BmRender {
   BmHost* host;
   const BmSession* session;
   uint32_t block_frames;
   NodeState* nodes; /* [n_nodes]; unused ones stay empty */
   Tap* taps;        /* [n_taps], the stems first */
   uint32_t n_taps;
   int64_t all_late; /* of the latest tap; the others wait for it */
   uint32_t* order;  /* [n_order] of the nodes, by level */
   uint32_t n_order;
   Scratch* scratch; /* [n_workers], while it runs */
   float* silence;
   BmTapBlock* given; /* [n_taps] */
   uint32_t n_held;
   char** warnings;
   uint32_t n_warnings;
   uint32_t n_threads;
   double listener_seconds;
   BmWorkers* workers; /* while it runs */
};

static void warn(BmRender* render, char* text)
{
   render->warnings = bm_realloc(render->warnings, render->n_warnings + 1u, sizeof(char*));
   render->warnings[render->n_warnings++] = text;
}

/* Scratch of a thread; freed by free_scratch(). */
static Scratch new_scratch(uint32_t block_frames)
{
   Scratch scratch = {.late = bm_calloc(block_frames, sizeof(float))};
   for (uint32_t c = 0; c < BM_MAX_CHANNELS; ++c) {
      scratch.sum[c] = bm_calloc(block_frames, sizeof(double));
      scratch.gains[c] = bm_calloc(block_frames, sizeof(double));
   }
   return scratch;
}

static void free_scratch(Scratch* scratch)
{
   for (uint32_t c = 0; c < BM_MAX_CHANNELS; ++c) {
      free(scratch->sum[c]);
      free(scratch->gains[c]);
   }
   free(scratch->late);
}

/* What this thread has had of its processor. */
static double seconds_now(void)
{
   struct timespec now = {0};
   clock_gettime(CLOCK_THREAD_CPUTIME_ID, &now);
   return (double)now.tv_sec + 1e-9 * (double)now.tv_nsec;
}

static void delay_init(DelayLine* delay, int64_t n_frames)
{
   delay->n_frames = (uint32_t)n_frames;
   delay->ring = n_frames ? bm_calloc(delay->n_frames, sizeof(float)) : NULL;
}

/* Put a block in, get one out; `in` may be `out`. */
static void delay_run(DelayLine* delay, const float* in, float* out, uint32_t n_frames)
{
   if (!delay->n_frames) {
      memmove(out, in, n_frames * sizeof(float));
      return;
   }
   for (uint32_t n = 0; n < n_frames; ++n) {
      const float x = in[n];
      out[n] = delay->ring[delay->at];
      delay->ring[delay->at] = x;
      delay->at = delay->at + 1 == delay->n_frames ? 0 : delay->at + 1;
   }
}

static double from_db(double db)
{
   return pow(10.0, db / 20.0);
}

static double lane_or(const BmLane* lane, double otherwise, int64_t frame)
{
   return lane->automation->n_points ? bm_lane_value(lane, frame) : otherwise;
}

/* The factors of the channels that leave a fader, `frame` in the session's time. */
static void fader_gains(const NodeState* state, uint32_t n_channels, int64_t frame,
                        double gains[BM_MAX_CHANNELS])
{
   const BmNode* node = state->node;
   const double gain = node->is_muted ? 0.0 : from_db(lane_or(&state->gain, node->gain_db, frame));
   gains[0] = gain;
   gains[1] = gain;
   if (!node->has_pan) {
      return;
   }
   const double pan = lane_or(&state->pan, node->pan, frame);
   const double side = fabs(pan) >= 1.0 ? 0.0 : 1.0;
   if (n_channels == 1) {
      /* Exact at the sides, where the cosine of half a turn is not quite 0. */
      const double angle = BM_PI / 4.0 * (pan + 1.0);
      gains[0] *= pan >= 1.0 ? 0.0 : cos(angle);
      gains[1] *= pan <= -1.0 ? 0.0 : sin(angle);
   } else if (pan > 0.0) {
      gains[0] *= side * cos(BM_PI / 2.0 * pan);
   } else if (pan < 0.0) {
      gains[1] *= side * cos(BM_PI / 2.0 * pan);
   }
}

static int64_t grid_before(int64_t frame)
{
   const int64_t cell = frame / BM_FADER_GRID_FRAMES - (frame % BM_FADER_GRID_FRAMES < 0);
   return cell * BM_FADER_GRID_FRAMES;
}

/* Fill scratch->gains with the fader's factors for `n_frames` from `frame` on. */
static void fill_fader(Scratch* scratch, const NodeState* state, uint32_t n_channels, int64_t frame,
                       uint32_t n_frames)
{
   double from[BM_MAX_CHANNELS];
   double to[BM_MAX_CHANNELS];
   int64_t cell = INT64_MIN;
   for (uint32_t n = 0; n < n_frames; ++n) {
      const int64_t at = frame + n;
      if (grid_before(at) != cell) {
         cell = grid_before(at);
         fader_gains(state, n_channels, cell, from);
         fader_gains(state, n_channels, cell + BM_FADER_GRID_FRAMES, to);
      }
      const double share = (double)(at - cell) / BM_FADER_GRID_FRAMES;
      for (uint32_t c = 0; c < BM_MAX_CHANNELS; ++c) {
         scratch->gains[c][n] = from[c] + share * (to[c] - from[c]);
      }
   }
}

static void fill_send(Scratch* scratch, const Edge* edge, int64_t frame, uint32_t n_frames)
{
   double from = 0.0;
   double to = 0.0;
   int64_t cell = INT64_MIN;
   for (uint32_t n = 0; n < n_frames; ++n) {
      const int64_t at = frame + n;
      if (grid_before(at) != cell) {
         cell = grid_before(at);
         from = from_db(bm_lane_value(&edge->gain, cell));
         to = from_db(bm_lane_value(&edge->gain, cell + BM_FADER_GRID_FRAMES));
      }
      const double share = (double)(at - cell) / BM_FADER_GRID_FRAMES;
      scratch->gains[0][n] = from + share * (to - from);
   }
}

/* Fader and pan: `n_in` channels to the node's output. */
static void apply_fader(Scratch* scratch, const NodeState* state, float* const* in, uint32_t n_in,
                        float* const* out, int64_t frame, uint32_t n_frames)
{
   const bool moves = state->gain.automation->n_points || state->pan.automation->n_points;
   double still[BM_MAX_CHANNELS];
   if (moves) {
      fill_fader(scratch, state, n_in, frame, n_frames);
   } else {
      fader_gains(state, n_in, frame, still);
   }
   for (uint32_t c = 0; c < state->node->n_out; ++c) {
      const float* from = in[n_in == 1 ? 0 : c];
      for (uint32_t n = 0; n < n_frames && moves; ++n) {
         out[c][n] = (float)((double)from[n] * scratch->gains[c][n]);
      }
      for (uint32_t n = 0; n < n_frames && !moves; ++n) {
         out[c][n] = (float)((double)from[n] * still[c]);
      }
   }
}

/* Bring `n_from` channels to `n_to`, in place, as if nothing was done to them. */
static void match_channels(float* const* channels, uint32_t n_from, uint32_t n_to, uint32_t n_frames)
{
   if (n_from == 1 && n_to == 2) {
      memcpy(channels[1], channels[0], n_frames * sizeof(float));
   } else if (n_from == 2 && n_to == 1) {
      for (uint32_t n = 0; n < n_frames; ++n) {
         channels[0][n] = (float)(0.5 * ((double)channels[0][n] + (double)channels[1][n]));
      }
   }
}

static bool read_take(NodeState* state, int64_t frame, uint32_t n_frames, BmError* error)
{
   const BmNode* node = state->node;
   const int64_t begins = node->offset_frames;
   /* The head that is cut off is read and thrown away, so that a converter is where it would have been. */
   while (begins < 0 && state->n_take_read < (uint64_t)-begins && state->n_take_read < node->take_frames) {
      const uint64_t left = (uint64_t)-begins - state->n_take_read;
      const uint32_t n = left < n_frames ? (uint32_t)left : n_frames;
      if (!bm_take_read(state->take, state->wet, n, error)) {
         return false;
      }
      state->n_take_read += n;
   }
   const int64_t n_wait = begins > frame ? begins - frame : 0;
   const uint32_t n_silent = n_wait < n_frames ? (uint32_t)n_wait : n_frames;
   float* rest[BM_MAX_CHANNELS];
   for (uint32_t c = 0; c < node->n_in; ++c) {
      memset(state->wet[c], 0, n_silent * sizeof(float));
      rest[c] = state->wet[c] + n_silent;
   }
   state->n_take_read += n_frames - n_silent;
   return bm_take_read(state->take, rest, n_frames - n_silent, error);
}

/* Add what comes over one edge to scratch->sum. */
static void add_edge(const BmRender* render, Scratch* scratch, Edge* edge, uint32_t n_in, bool is_dry,
                     int64_t frame, uint32_t n_frames)
{
   const NodeState* from = &render->nodes[edge->from];
   const bool is_pre = edge->route->is_pre_fader;
   const uint32_t n_from = is_pre ? from->n_wet : from->node->n_out;
   float* const* source = is_dry ? from->dry_post : is_pre ? from->wet : from->post;
   const double spread = n_from == 1 && n_in == 2 ? BM_CENTRE : 1.0;
   const bool moves = edge->route->gain.n_points;
   const double still = spread * from_db(edge->route->gain_db);
   if (moves) {
      fill_send(scratch, edge, frame - (is_dry ? 0 : from->leaves_late), n_frames);
   }
   for (uint32_t c = 0; c < n_in; ++c) {
      const float* x = source[n_from == 1 ? 0 : c];
      double* sum = scratch->sum[c];
      if (!is_dry && edge->delay[c].n_frames) {
         delay_run(&edge->delay[c], x, scratch->late, n_frames);
         x = scratch->late;
      }
      for (uint32_t n = 0; n < n_frames && moves; ++n) {
         sum[n] += spread * scratch->gains[0][n] * (double)x[n];
      }
      for (uint32_t n = 0; n < n_frames && !moves; ++n) {
         sum[n] += still * (double)x[n];
      }
   }
}

/* Sum a bus's sources, in the order of the session, into `into`. */
static void gather_bus(const BmRender* render, Scratch* scratch, NodeState* state, bool is_dry,
                       float* const* into, int64_t frame, uint32_t n_frames)
{
   const uint32_t n_in = state->node->n_in;
   for (uint32_t c = 0; c < n_in; ++c) {
      memset(scratch->sum[c], 0, n_frames * sizeof(double));
   }
   for (uint32_t e = 0; e < state->n_edges; ++e) {
      if (!(is_dry && state->edges[e].route->is_send)) {
         add_edge(render, scratch, &state->edges[e], n_in, is_dry, frame, n_frames);
      }
   }
   for (uint32_t c = 0; c < n_in; ++c) {
      for (uint32_t n = 0; n < n_frames; ++n) {
         into[c][n] = (float)scratch->sum[c][n];
      }
   }
}

static void gather_traces(InsertState* state)
{
   const bool is_first = state->n_gathered == 0;
   ++state->n_gathered;
   const bool is_whole = state->n_gathered == state->per_point;
   for (uint32_t n = 0; n < state->n_traces; ++n) {
      BmTrace* trace = &state->traces[n];
      const float value = bm_instance_get(state->instance, trace->port->index);
      const uint32_t at = trace->n_points;
      trace->min[at] = is_first || value < trace->min[at] ? value : trace->min[at];
      trace->max[at] = is_first || value > trace->max[at] ? value : trace->max[at];
      state->trace_sums[n] = (is_first ? 0.0 : state->trace_sums[n]) + (double)value;
      trace->mean[at] = (float)(state->trace_sums[n] / state->n_gathered);
      if (is_whole && ++trace->n_points == BM_TRACE_MAX_POINTS) {
         trace->n_points /= 2;
         trace->point_s *= 2.0;
         for (uint32_t p = 0; p < trace->n_points; ++p) {
            const uint32_t a = 2 * p;
            trace->min[p] = fminf(trace->min[a], trace->min[a + 1]);
            trace->max[p] = fmaxf(trace->max[a], trace->max[a + 1]);
            trace->mean[p] = 0.5f * (trace->mean[a] + trace->mean[a + 1]);
         }
         state->per_point *= n + 1 == state->n_traces ? 2 : 1;
      }
   }
   state->n_gathered = is_whole ? 0 : state->n_gathered;
}

static void set_automated(InsertState* state, int64_t frame)
{
   for (uint32_t n = 0; n < state->insert->n_settings; ++n) {
      const BmSetting* setting = &state->insert->settings[n];
      if (setting->automation.n_points) {
         const double value = bm_lane_value(&state->lanes[n], frame);
         bm_instance_set(state->instance, setting->port->index,
                         (float)(setting->port->is_integer ? rint(value) : value));
      }
   }
}

static int64_t next_cut(const InsertState* state, int64_t frame)
{
   int64_t cut = INT64_MAX;
   for (uint32_t n = 0; n < state->insert->n_settings; ++n) {
      if (state->insert->settings[n].automation.n_points) {
         const int64_t own = bm_lane_next_cut(&state->lanes[n], frame);
         cut = own < cut ? own : cut;
      }
   }
   return cut;
}

static bool run_insert(const BmRender* render, NodeState* node, InsertState* state, int64_t frame,
                       uint32_t n_frames, BmError* error)
{
   const BmInsert* insert = state->insert;
   const BmPlugin* plugin = insert->plugin;
   const int64_t own_frame = frame - state->arrives_late;
   uint32_t done = 0;
   while (done < n_frames) {
      const int64_t at = own_frame + done;
      const int64_t end = own_frame + n_frames;
      const int64_t cut = next_cut(state, at);
      const uint32_t n = (uint32_t)((cut < end ? cut : end) - at);
      const float* in[BM_MAX_CHANNELS];
      float* out[BM_MAX_CHANNELS];
      for (uint32_t c = 0; c < plugin->n_audio_in; ++c) {
         in[c] = node->wet[insert->n_in == 1 ? 0 : c] + done;
      }
      for (uint32_t c = 0; c < plugin->n_audio_out; ++c) {
         out[c] = node->scratch[c] + done;
      }
      set_automated(state, at);
      bm_instance_run(state->instance, in, out, n);
      done += n;
   }
   for (uint32_t c = 0; c < plugin->n_audio_out; ++c) {
      for (uint32_t n = 0; n < n_frames; ++n) {
         if (!isfinite(node->scratch[c][n])) {
            return bm_fail_at(error, render->session->path, insert->line,
                              "<%s> put out a sample that is not a finite number at %.3f s", plugin->uri,
                              (double)(own_frame + n) / render->session->rate_hz);
         }
      }
      float* swapped = node->wet[c];
      node->wet[c] = node->scratch[c];
      node->scratch[c] = swapped;
   }
   gather_traces(state);
   const float latency = plugin->latency ? bm_instance_get(state->instance, plugin->latency->index) : 0.0f;
   if (!state->warning && latency != (float)state->record.latency_frames) {
      state->warning =
         bm_print("%s:%u: <%s> changed its latency from %u to %g frames at %.3f s; from there on it does not "
                  "line up",
                  render->session->path, insert->line, plugin->uri, state->record.latency_frames,
                  (double)latency, (double)own_frame / render->session->rate_hz);
   }
   return true;
}

static void turn_over(float* const* channels, uint32_t n_channels, uint32_t n_frames)
{
   for (uint32_t c = 0; c < n_channels; ++c) {
      for (uint32_t n = 0; n < n_frames; ++n) {
         channels[c][n] = -channels[c][n];
      }
   }
}

/* Let who listens inside hear the channels of one place. */
static void tell_inside(const BmRender* render, NodeState* state, const BmRenderSink* sink, uint32_t place,
                        float* const* channels, uint32_t n_channels, int64_t late, uint32_t n_frames)
{
   if (!sink->hear_inside) {
      return;
   }
   BmInsideBlock block = {.node = (uint32_t)(state - render->nodes),
                          .place = place,
                          .n_channels = n_channels,
                          .n_frames = n_frames,
                          .late_frames = (uint32_t)late};
   for (uint32_t c = 0; c < n_channels; ++c) {
      block.channels[c] = channels[c];
   }
   const double begun = seconds_now();
   sink->hear_inside(sink->user, &block);
   state->listener_seconds += seconds_now() - begun;
}

/* One block of one node. It writes to nothing but the node and the thread's scratch, so nodes that do not
   feed each other can run side by side and give the same bits. */
static bool run_node(const BmRender* render, Scratch* scratch, NodeState* state, int64_t frame,
                     uint32_t n_frames, const BmRenderSink* sink, BmError* error)
{
   const BmNode* node = state->node;
   if (node->is_track) {
      const double begun = seconds_now();
      if (!read_take(state, frame, n_frames, error)) {
         return false;
      }
      state->take_seconds += seconds_now() - begun;
   } else {
      gather_bus(render, scratch, state, false, state->wet, frame, n_frames);
   }
   if (node->is_inverted) {
      turn_over(state->wet, node->n_in, n_frames);
   }
   tell_inside(render, state, sink, 0, state->wet, node->n_in, state->arrives_late, n_frames);
   if (!sink->without_before) {
      if (node->is_track) {
         for (uint32_t c = 0; c < node->n_in; ++c) {
            memcpy(state->dry[c], state->wet[c], n_frames * sizeof(float));
         }
      } else {
         gather_bus(render, scratch, state, true, state->dry, frame, n_frames);
         if (node->is_inverted) {
            turn_over(state->dry, node->n_in, n_frames);
         }
      }
      match_channels(state->dry, node->n_in, state->n_wet, n_frames);
      apply_fader(scratch, state, state->dry, state->n_wet, state->dry_post, frame, n_frames);
   }
   for (uint32_t n = 0; n < node->n_inserts; ++n) {
      InsertState* insert = &state->inserts[n];
      if (!insert->instance) {
         continue;
      }
      const double begun = seconds_now();
      if (!run_insert(render, state, insert, frame, n_frames, error)) {
         return false;
      }
      insert->seconds += seconds_now() - begun;
      tell_inside(render, state, sink, n + 1, state->wet, insert->insert->n_out,
                  insert->arrives_late + insert->record.latency_frames, n_frames);
   }
   apply_fader(scratch, state, state->wet, state->n_wet, state->post, frame - state->leaves_late, n_frames);
   tell_inside(render, state, sink, node->n_inserts + 1, state->post, node->n_out, state->leaves_late,
               n_frames);
   return true;
}

BmInstance* bm_insert_start(BmHost* host, const BmInsert* insert, double rate_hz, uint32_t max_frames,
                            BmError* error)
{
   BmInstance* instance = bm_instance_new(host, insert->plugin, rate_hz, max_frames, error);
   if (!instance || (insert->preset && !bm_instance_load_preset(instance, insert->preset, error)) ||
       (insert->preset_file && !bm_instance_load_file(instance, insert->preset_file, error)) ||
       (insert->state && !bm_instance_load_text(instance, insert->state, error))) {
      bm_instance_free(instance);
      return NULL;
   }
   for (uint32_t n = 0; n < insert->plugin->n_ports; ++n) {
      const BmPort* port = &insert->plugin->ports[n];
      if (port->is_free_wheeling && port->kind == BM_PORT_CONTROL && port->is_input) {
         bm_instance_set(instance, n, 1.0f);
      }
   }
   for (uint32_t n = 0; n < insert->n_settings; ++n) {
      const BmSetting* setting = &insert->settings[n];
      if (setting->is_set) {
         bm_instance_set(instance, setting->port->index, setting->value);
      }
      if (setting->automation.n_points) {
         bm_instance_set(instance, setting->port->index, (float)setting->automation.points[0].value);
      }
   }
   if (insert->preset || insert->preset_file || insert->state) {
      /* Settings may reach a plugin through its worker; no frames give it the time. */
      const float* in[BM_MAX_CHANNELS] = {NULL, NULL};
      float* out[BM_MAX_CHANNELS] = {NULL, NULL};
      bm_instance_run(instance, in, out, 0);
   }
   return instance;
}

static bool start_insert(BmRender* render, const BmInsert* insert, InsertState* state, BmError* error)
{
   const BmSession* session = render->session;
   const BmPlugin* plugin = insert->plugin;
   state->insert = insert;
   state->lanes = bm_calloc(insert->n_settings, sizeof(BmLane));
   state->values = bm_calloc(plugin->n_ports, sizeof(float));
   for (uint32_t n = 0; n < insert->n_settings; ++n) {
      bm_lane_init(&state->lanes[n], &insert->settings[n].automation, session->rate_hz);
   }
   if (insert->is_bypassed) {
      return true;
   }
   BmError problem = {0};
   state->instance = bm_insert_start(render->host, insert, session->rate_hz, render->block_frames, &problem);
   if (state->instance) {
      state->record.latency_frames = bm_instance_latency(state->instance, &problem);
   }
   if (problem.is_set) {
      return bm_fail_at(error, session->path, insert->line, "%s", problem.text);
   }
   state->traces = bm_calloc(plugin->n_ports, sizeof(BmTrace));
   for (uint32_t n = 0; n < plugin->n_ports; ++n) {
      const BmPort* port = &plugin->ports[n];
      state->values[n] = port->kind == BM_PORT_CONTROL ? bm_instance_get(state->instance, n) : 0.0f;
      if (port->kind == BM_PORT_CONTROL && !port->is_input && !port->is_latency) {
         BmTrace* trace = &state->traces[state->n_traces++];
         trace->port = port;
         trace->point_s = render->block_frames / session->rate_hz;
         trace->min = bm_calloc(BM_TRACE_MAX_POINTS, sizeof(float));
         trace->max = bm_calloc(BM_TRACE_MAX_POINTS, sizeof(float));
         trace->mean = bm_calloc(BM_TRACE_MAX_POINTS, sizeof(float));
      }
   }
   state->trace_sums = bm_calloc(state->n_traces, sizeof(double));
   state->per_point = 1;
   state->record.values = state->values;
   state->record.traces = state->traces;
   state->record.n_traces = state->n_traces;
   return true;
}

/* Find who feeds a bus and let each wait for the latest. */
static void start_edges(BmRender* render, uint32_t index)
{
   NodeState* state = &render->nodes[index];
   const BmSession* session = render->session;
   for (uint32_t from = 0; from < index; ++from) {
      const BmNode* source = &session->nodes[from];
      for (uint32_t r = 0; r < source->n_routes && source->is_used && !source->is_muted; ++r) {
         if (source->routes[r].to != index) {
            continue;
         }
         const uint32_t level = render->nodes[from].level + 1;
         state->level = level > state->level ? level : state->level;
         state->edges = bm_realloc(state->edges, state->n_edges + 1u, sizeof(Edge));
         Edge* edge = &state->edges[state->n_edges++];
         memset(edge, 0, sizeof(*edge));
         edge->from = from;
         edge->route = &source->routes[r];
         bm_lane_init(&edge->gain, &edge->route->gain, session->rate_hz);
         const int64_t late = render->nodes[from].leaves_late;
         state->arrives_late = late > state->arrives_late ? late : state->arrives_late;
      }
   }
   for (uint32_t e = 0; e < state->n_edges; ++e) {
      for (uint32_t c = 0; c < BM_MAX_CHANNELS; ++c) {
         const int64_t late = render->nodes[state->edges[e].from].leaves_late;
         delay_init(&state->edges[e].delay[c], state->arrives_late - late);
      }
   }
}

static bool start_node(BmRender* render, uint32_t index, BmError* error)
{
   const BmSession* session = render->session;
   const BmNode* node = &session->nodes[index];
   NodeState* state = &render->nodes[index];
   state->node = node;
   state->n_wet = node->n_in;
   if (node->is_track) {
      const BmTakeOptions options = {session->rate_hz, node->take_channels, node->n_take_channels};
      state->take = bm_take_open(node->take, &options, error);
      if (!state->take) {
         return false;
      }
   } else {
      start_edges(render, index);
   }
   bm_lane_init(&state->gain, &node->gain, session->rate_hz);
   bm_lane_init(&state->pan, &node->pan_automation, session->rate_hz);
   for (uint32_t c = 0; c < BM_MAX_CHANNELS; ++c) {
      float** buffers[] = {&state->wet[c], &state->scratch[c], &state->post[c], &state->dry[c],
                           &state->dry_post[c]};
      for (size_t n = 0; n < sizeof(buffers) / sizeof(buffers[0]); ++n) {
         *buffers[n] = bm_calloc(render->block_frames, sizeof(float));
      }
   }
   state->inserts = bm_calloc(node->n_inserts, sizeof(InsertState));
   state->leaves_late = state->arrives_late;
   for (uint32_t n = 0; n < node->n_inserts; ++n) {
      state->inserts[n].arrives_late = state->leaves_late;
      if (!start_insert(render, &node->inserts[n], &state->inserts[n], error)) {
         return false;
      }
      state->leaves_late += state->inserts[n].record.latency_frames;
      state->n_wet = node->inserts[n].n_out;
   }
   return true;
}

static void start_taps(BmRender* render)
{
   for (uint32_t t = 0; t < render->n_taps; ++t) {
      const int64_t late = render->nodes[render->taps[t].node].leaves_late;
      render->all_late = late > render->all_late ? late : render->all_late;
   }
   const uint32_t held_frames =
      (uint32_t)ceil(BM_TAIL_QUIET_S * render->session->rate_hz) + render->block_frames;
   for (uint32_t t = 0; t < render->n_taps; ++t) {
      Tap* tap = &render->taps[t];
      for (uint32_t c = 0; c < tap->n_channels; ++c) {
         delay_init(&tap->after[c], render->all_late - render->nodes[tap->node].leaves_late);
         delay_init(&tap->before[c], render->all_late);
         tap->after_block[c] = bm_calloc(render->block_frames, sizeof(float));
         tap->before_block[c] = bm_calloc(render->block_frames, sizeof(float));
         tap->held[c] = bm_calloc(held_frames, sizeof(float));
      }
   }
   render->given = bm_calloc(render->n_taps, sizeof(BmTapBlock));
}

BmRender* bm_render_new(BmHost* host, const BmSession* session, BmError* error)
{
   BmRender* render = bm_calloc(1, sizeof(BmRender));
   render->host = host;
   render->session = session;
   render->block_frames = (uint32_t)(session->rate_hz / BM_BLOCKS_PER_S);
   render->nodes = bm_calloc(session->n_nodes, sizeof(NodeState));
   render->silence = bm_calloc(render->block_frames, sizeof(float));
   render->order = bm_calloc(session->n_nodes, sizeof(uint32_t));
   for (uint32_t n = 0; n < session->n_nodes; ++n) {
      if (session->nodes[n].is_used && !start_node(render, n, error)) {
         bm_render_free(render);
         return NULL;
      }
   }
   for (uint32_t level = 0, last = session->n_nodes; level <= last; ++level) {
      for (uint32_t n = 0; n < session->n_nodes; ++n) {
         if (session->nodes[n].is_used && render->nodes[n].level == level) {
            render->order[render->n_order++] = n;
         }
      }
   }
   for (uint32_t n = 0; n < session->n_stems; ++n) {
      bm_render_listen(render, session->stems[n].from);
   }
   return render;
}

void bm_render_listen(BmRender* render, uint32_t node)
{
   render->taps = bm_realloc(render->taps, render->n_taps + 1u, sizeof(Tap));
   render->taps[render->n_taps++] = (Tap){.node = node, .n_channels = render->session->nodes[node].n_out};
}

static void free_node(NodeState* state)
{
   if (!state->node) {
      return;
   }
   for (uint32_t n = 0; n < state->node->n_inserts && state->inserts; ++n) {
      InsertState* insert = &state->inserts[n];
      bm_instance_free(insert->instance);
      for (uint32_t s = 0; insert->lanes && s < insert->insert->n_settings; ++s) {
         bm_lane_free(&insert->lanes[s]);
      }
      for (uint32_t t = 0; t < insert->n_traces; ++t) {
         free(insert->traces[t].min);
         free(insert->traces[t].max);
         free(insert->traces[t].mean);
      }
      free(insert->lanes);
      free(insert->values);
      free(insert->traces);
      free(insert->trace_sums);
      free(insert->warning);
   }
   for (uint32_t e = 0; e < state->n_edges; ++e) {
      bm_lane_free(&state->edges[e].gain);
      for (uint32_t c = 0; c < BM_MAX_CHANNELS; ++c) {
         free(state->edges[e].delay[c].ring);
      }
   }
   for (uint32_t c = 0; c < BM_MAX_CHANNELS; ++c) {
      free(state->wet[c]);
      free(state->scratch[c]);
      free(state->post[c]);
      free(state->dry[c]);
      free(state->dry_post[c]);
   }
   bm_lane_free(&state->gain);
   bm_lane_free(&state->pan);
   bm_take_close(state->take);
   free(state->inserts);
   free(state->edges);
}

void bm_render_free(BmRender* render)
{
   if (!render) {
      return;
   }
   for (uint32_t n = 0; n < render->session->n_nodes; ++n) {
      free_node(&render->nodes[n]);
   }
   for (uint32_t t = 0; t < render->n_taps; ++t) {
      for (uint32_t c = 0; c < BM_MAX_CHANNELS; ++c) {
         free(render->taps[t].after[c].ring);
         free(render->taps[t].before[c].ring);
         free(render->taps[t].after_block[c]);
         free(render->taps[t].before_block[c]);
         free(render->taps[t].held[c]);
      }
   }
   for (uint32_t n = 0; n < render->n_warnings; ++n) {
      free(render->warnings[n]);
   }
   free(render->warnings);
   free(render->silence);
   free(render->order);
   free(render->given);
   free(render->nodes);
   free(render->taps);
   free(render);
}

/* Line the taps up with the latest. */
static void fill_taps(BmRender* render)
{
   for (uint32_t t = 0; t < render->n_taps; ++t) {
      Tap* tap = &render->taps[t];
      const NodeState* node = &render->nodes[tap->node];
      for (uint32_t c = 0; c < tap->n_channels; ++c) {
         delay_run(&tap->after[c], node->post[c], tap->after_block[c], render->block_frames);
         delay_run(&tap->before[c], node->dry_post[c], tap->before_block[c], render->block_frames);
      }
   }
}

typedef struct {
   BmRender* render;
   const BmRenderSink* sink;
   uint32_t n_frames;
} Giving;

static void hear_tap(void* user, uint32_t job, uint32_t worker)
{
   (void)worker;
   const Giving* giving = user;
   BmRender* render = giving->render;
   const uint32_t tap = job / 2u;
   const bool is_after = job % 2u;
   const BmTapBlock* given = &render->given[tap];
   const double begun = seconds_now();
   giving->sink->hear_tap(giving->sink->user, tap, is_after, is_after ? given->after : given->before,
                          giving->n_frames);
   render->taps[tap].seconds[is_after] += seconds_now() - begun;
}

/* Let the listeners hear what is given: tap by tap side by side, then all together. */
static bool give(BmRender* render, const BmRenderSink* sink, uint32_t n_frames, BmError* error)
{
   if (!n_frames) {
      return true;
   }
   if (sink->hear_tap) {
      Giving giving = {render, sink, n_frames};
      bm_workers_run(render->workers, hear_tap, &giving, 2u * render->n_taps);
   }
   const double begun = seconds_now();
   const bool ok = sink->hear(sink->user, render->given, n_frames, error);
   render->listener_seconds += seconds_now() - begun;
   return ok;
}

/* Hand over frames of the current block. */
static bool give_block(BmRender* render, const BmRenderSink* sink, uint32_t start, uint32_t n_frames,
                       BmError* error)
{
   for (uint32_t t = 0; t < render->n_taps; ++t) {
      for (uint32_t c = 0; c < render->taps[t].n_channels; ++c) {
         render->given[t].after[c] = render->taps[t].after_block[c] + start;
         render->given[t].before[c] = render->taps[t].before_block[c] + start;
      }
   }
   return give(render, sink, n_frames, error);
}

/* Hand over what was held back; before the inserts there is nothing left by then. */
static bool give_held(BmRender* render, const BmRenderSink* sink, BmError* error)
{
   for (uint32_t done = 0; done < render->n_held;) {
      const uint32_t left = render->n_held - done;
      const uint32_t n = left < render->block_frames ? left : render->block_frames;
      for (uint32_t t = 0; t < render->n_taps; ++t) {
         for (uint32_t c = 0; c < render->taps[t].n_channels; ++c) {
            render->given[t].after[c] = render->taps[t].held[c] + done;
            render->given[t].before[c] = render->silence;
         }
      }
      if (!give(render, sink, n, error)) {
         return false;
      }
      done += n;
   }
   render->n_held = 0;
   return true;
}

/* The highest sample of a frame of the block, over all stems. */
static float frame_peak(const BmRender* render, uint32_t at)
{
   float peak = 0.0f;
   for (uint32_t t = 0; t < render->session->n_stems; ++t) {
      for (uint32_t c = 0; c < render->taps[t].n_channels; ++c) {
         peak = fmaxf(peak, fabsf(render->taps[t].after_block[c][at]));
      }
   }
   return peak;
}

/* Take frames [start, end) of the block as tail: handed over as far as they sound, held back where they may
   be its end. */
static bool take_tail(BmRender* render, const BmRenderSink* sink, uint32_t start, uint32_t end,
                      BmError* error)
{
   uint32_t quiet_start = start;
   for (uint32_t n = start; n < end; ++n) {
      quiet_start = frame_peak(render, n) >= BM_TAIL_QUIET_LIN ? n + 1 : quiet_start;
   }
   const uint32_t n_loud = quiet_start - start;
   if (n_loud && (!give_held(render, sink, error) || !give_block(render, sink, start, n_loud, error))) {
      return false;
   }
   for (uint32_t t = 0; t < render->n_taps; ++t) {
      for (uint32_t c = 0; c < render->taps[t].n_channels; ++c) {
         memcpy(render->taps[t].held[c] + render->n_held, render->taps[t].after_block[c] + quiet_start,
                (end - quiet_start) * sizeof(float));
      }
   }
   render->n_held += end - quiet_start;
   return true;
}

uint64_t bm_render_max_frames(const BmRender* render)
{
   const BmSession* session = render->session;
   return session->content_frames + (uint64_t)ceil(session->max_tail_s * session->rate_hz);
}

static int64_t clamp(int64_t x, int64_t low, int64_t high)
{
   return x < low ? low : x > high ? high : x;
}

/* A block of the nodes of one level. */
typedef struct {
   BmRender* render;
   const uint32_t* nodes;
   int64_t frame;
   const BmRenderSink* sink;
} Level;

static void run_job(void* user, uint32_t job, uint32_t worker)
{
   const Level* level = user;
   BmRender* render = level->render;
   NodeState* state = &render->nodes[level->nodes[job]];
   const double begun = seconds_now();
   run_node(render, &render->scratch[worker], state, level->frame, render->block_frames, level->sink,
            &state->error);
   state->seconds += seconds_now() - begun;
}

/* A block of all nodes: level after level, the nodes of each side by side. The first error in the session's
   order is the one that is told. */
static bool run_block(BmRender* render, int64_t frame, const BmRenderSink* sink, BmError* error)
{
   for (uint32_t start = 0, end = 0; start < render->n_order; start = end) {
      const uint32_t level = render->nodes[render->order[start]].level;
      while (end < render->n_order && render->nodes[render->order[end]].level == level) {
         ++end;
      }
      Level now = {render, render->order + start, frame, sink};
      bm_workers_run(render->workers, run_job, &now, end - start);
      for (uint32_t n = start; n < end; ++n) {
         const BmError* own = &render->nodes[render->order[n]].error;
         if (own->is_set) {
            return bm_fail(error, "%s", own->text);
         }
      }
   }
   return true;
}

static void collect_warnings(BmRender* render)
{
   for (uint32_t n = 0; n < render->session->n_nodes; ++n) {
      const NodeState* state = &render->nodes[n];
      for (uint32_t i = 0; state->node && i < state->node->n_inserts; ++i) {
         if (state->inserts[i].warning) {
            warn(render, bm_copy(state->inserts[i].warning));
         }
      }
   }
}

static bool run_all(BmRender* render, const BmRenderSink* sink, BmError* error)
{
   const BmSession* session = render->session;
   const int64_t n_frames = render->block_frames;
   const int64_t content = (int64_t)session->content_frames;
   const int64_t limit = (int64_t)bm_render_max_frames(render);
   const uint32_t quiet_frames = (uint32_t)ceil(BM_TAIL_QUIET_S * session->rate_hz);
   start_taps(render);
   for (int64_t frame = 0;; frame += n_frames) {
      /* The block as the taps count it: later by the latency. */
      const int64_t tap_frame = frame - render->all_late;
      if (tap_frame >= limit || render->n_held >= quiet_frames) {
         break;
      }
      if (sink->stop && *sink->stop) {
         return bm_fail(error, "interrupted; what was there before is as it was");
      }
      if (!run_block(render, frame, sink, error)) {
         return false;
      }
      fill_taps(render);
      /* Frames [start, split) of it lie in the takes' time, [split, end) in the tail. */
      const uint32_t start = (uint32_t)clamp(-tap_frame, 0, n_frames);
      const uint32_t end = (uint32_t)clamp(limit - tap_frame, start, n_frames);
      const uint32_t split = (uint32_t)clamp(content - tap_frame, start, end);
      if (!give_block(render, sink, start, split - start, error) ||
          !take_tail(render, sink, split, end, error)) {
         return false;
      }
      const int64_t done = clamp(tap_frame + n_frames, 0, limit);
      if (sink->progress) {
         sink->progress(sink->user, (uint64_t)done, (uint64_t)(done > content ? done : content));
      }
   }
   collect_warnings(render);
   /* Sounding within the last 10 ms: it was the limit that made an end. */
   if (limit > content && render->n_held < session->rate_hz / 100.0) {
      warn(render, bm_print("%s: still sounding %g s after the last take, where bm:maxTail cuts it off",
                            session->path, session->max_tail_s));
   }
   return true;
}

bool bm_render_run(BmRender* render, const BmRenderSink* sink, BmError* error)
{
   uint32_t widest = 1;
   for (uint32_t n = 0, same = 0; n < render->n_order; ++n) {
      const bool is_same =
         n && render->nodes[render->order[n]].level == render->nodes[render->order[n - 1]].level;
      same = is_same ? same + 1 : 1;
      widest = same > widest ? same : widest;
   }
   if (sink->hear_tap && 2u * render->n_taps > widest) {
      widest = 2u * render->n_taps;
   }
   const uint32_t n_wanted = sink->n_threads ? sink->n_threads : bm_workers_of_machine();
   render->workers = bm_workers_new(n_wanted < widest ? n_wanted : widest);
   const uint32_t n_workers = bm_workers_count(render->workers);
   render->n_threads = n_workers;
   render->scratch = bm_calloc(n_workers, sizeof(Scratch));
   for (uint32_t n = 0; n < n_workers; ++n) {
      render->scratch[n] = new_scratch(render->block_frames);
   }
   const bool ok = run_all(render, sink, error);
   bm_workers_free(render->workers);
   render->workers = NULL;
   for (uint32_t n = 0; n < n_workers; ++n) {
      free_scratch(&render->scratch[n]);
   }
   free(render->scratch);
   return ok;
}

const BmInsertRecord* bm_render_insert(const BmRender* render, uint32_t node, uint32_t insert)
{
   const NodeState* state = &render->nodes[node];
   return state->node && state->inserts[insert].instance ? &state->inserts[insert].record : NULL;
}

static void add_cost(BmRenderCost* costs, uint32_t* n_costs, const BmRenderCost* cost)
{
   for (uint32_t n = 0; n < *n_costs; ++n) {
      if (!strcmp(costs[n].what, cost->what)) {
         costs[n].n_inserts += cost->n_inserts;
         costs[n].seconds += cost->seconds;
         return;
      }
   }
   costs[(*n_costs)++] = *cost;
}

static int compare_costs(const void* a, const void* b)
{
   const double left = ((const BmRenderCost*)a)->seconds;
   const double right = ((const BmRenderCost*)b)->seconds;
   return left < right ? 1 : left > right ? -1 : 0;
}

BmRenderCost* bm_render_costs(const BmRender* render, uint32_t* n_costs)
{
   uint32_t n_most = 5;
   for (uint32_t n = 0; n < render->session->n_nodes; ++n) {
      n_most += render->nodes[n].node ? render->nodes[n].node->n_inserts : 0;
   }
   BmRenderCost* costs = bm_calloc(n_most, sizeof(BmRenderCost));
   *n_costs = 0;
   double takes = 0.0;
   double mixing = 0.0;
   double inside = 0.0;
   double taps = 0.0;
   for (uint32_t n = 0; n < render->session->n_nodes; ++n) {
      const NodeState* state = &render->nodes[n];
      takes += state->take_seconds;
      mixing += state->seconds - state->take_seconds - state->listener_seconds;
      inside += state->listener_seconds;
      for (uint32_t i = 0; state->node && i < state->node->n_inserts; ++i) {
         const InsertState* insert = &state->inserts[i];
         mixing -= insert->seconds;
         if (insert->instance) {
            const BmRenderCost cost = {insert->insert->plugin->uri, 1, insert->seconds};
            add_cost(costs, n_costs, &cost);
         }
      }
   }
   for (uint32_t t = 0; t < render->n_taps; ++t) {
      taps += render->taps[t].seconds[0] + render->taps[t].seconds[1];
   }
   const BmRenderCost rest[] = {{"reading takes", 0, takes},
                                {"faders and buses", 0, mixing},
                                {"stems and their fingerprints", 0, render->listener_seconds},
                                {"figures before and after the inserts", 0, taps},
                                {"figures and fingerprints between the inserts", 0, inside}};
   for (uint32_t n = 0; n < sizeof(rest) / sizeof(rest[0]); ++n) {
      if (rest[n].seconds > 0.0) {
         add_cost(costs, n_costs, &rest[n]);
      }
   }
   qsort(costs, *n_costs, sizeof(BmRenderCost), compare_costs);
   return costs;
}

uint32_t bm_render_n_threads(const BmRender* render)
{
   return render->n_threads;
}

uint32_t bm_render_lateness(const BmRender* render, uint32_t node)
{
   return (uint32_t)render->nodes[node].arrives_late;
}

const char* bm_render_warning(const BmRender* render, uint32_t n)
{
   return n < render->n_warnings ? render->warnings[n] : NULL;
}
