/* SPDX-License-Identifier: ISC */
#include "costs.h"

#include "error.h"
#include "plot.h"
#include "workload.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define TARGET_RATE_HZ 48000.0
#define TARGET_BLOCK 64
#define FAST_RATE_HZ 192000.0

double bm_cost_units(const BmCost* cost, BmState state, uint32_t block_frames)
{
   for (uint32_t b = 0; b < cost->n_blocks && cost->is_measured[state]; ++b) {
      if (cost->block_frames[b] == block_frames) {
         return cost->units[state][b];
      }
   }
   return (double)NAN;
}

double bm_cost_unevenness(const BmCost* cost, BmState state)
{
   double least = (double)INFINITY;
   double most = 0.0;
   for (uint32_t b = 0; b < cost->n_blocks && cost->is_measured[state]; ++b) {
      if (cost->block_frames[b] >= TARGET_BLOCK) {
         least = fmin(least, cost->units[state][b]);
         most = fmax(most, cost->units[state][b]);
      }
   }
   return most > 0.0 ? most / least - 1.0 : (double)NAN;
}

static void add_bytes(BmText* text, size_t bytes)
{
   const double kib = (double)bytes / 1024.0;
   bm_text_addf(text, kib < 1024.0 ? "%.1f KiB" : "%.0f KiB", kib);
}

void bm_costs_add_table(BmText* text, const BmCost* cost)
{
   bm_text_addf(text, "\n%s%s%s, %g kHz", cost->name, *cost->form ? " " : "", cost->form,
                cost->rate_hz / 1000.0);
   if (cost->is_plugin) {
      bm_text_addf(text, ", starts in %.3f ms of processor time", cost->instantiate_ms);
   }
   bm_text_add(text, ", ");
   add_bytes(text, cost->bytes);
   bm_text_addf(text, "\n  %-9s", "frames");
   for (uint32_t b = 0; b < cost->n_blocks; ++b) {
      bm_text_addf(text, "%9u      ", cost->block_frames[b]);
   }
   bm_text_add(text, "worst block\n");
   for (uint32_t state = 0; state < BM_N_STATES; ++state) {
      if (!cost->is_measured[state]) {
         continue;
      }
      bm_text_addf(text, "  %-9s", bm_state_name((BmState)state));
      for (uint32_t b = 0; b < cost->n_blocks; ++b) {
         bm_text_addf(text, "%7.2f%6.2f U", cost->ns[state][b], cost->units[state][b]);
      }
      if (cost->worst_block[state] > 0.0) {
         bm_text_addf(text, "%9.2f x", cost->worst_block[state]);
      }
      bm_text_add(text, "\n");
   }
}

static const BmTarget* target_for(const char* plugin, BmState state)
{
   for (uint32_t i = 0; i < bm_n_targets; ++i) {
      const BmTarget* target = &bm_targets[i];
      if (target->state == state && (!target->plugin || !strcmp(target->plugin, plugin))) {
         return target;
      }
   }
   return NULL;
}

static bool has_target(const BmCost* cost)
{
   return cost->is_plugin && cost->rate_hz == TARGET_RATE_HZ && strcmp(cost->form, "mono");
}

static void add_verdict(BmText* text, int decimals, const char* unit, double value, double limit)
{
   if (isnan(value)) {
      bm_text_addf(text, "%16s", "-");
      return;
   }
   const char* verdict = isnan(limit) ? "" : value <= limit ? "met" : "MISSED";
   bm_text_addf(text, "%6.*f%-3s %-6s", decimals, value, unit, verdict);
}

/* Cost per frame at four times the rate; a processor that is not oversampled stays at 1. */
static double growth_with_rate(const BmCost* costs, uint32_t n_costs, const BmCost* at_48k)
{
   for (uint32_t i = 0; i < n_costs; ++i) {
      const BmCost* cost = &costs[i];
      if (cost->is_plugin && cost->rate_hz == FAST_RATE_HZ && !strcmp(cost->name, at_48k->name) &&
          !strcmp(cost->form, at_48k->form)) {
         return bm_cost_units(cost, BM_STATE_ACTIVE, TARGET_BLOCK) /
                bm_cost_units(at_48k, BM_STATE_ACTIVE, TARGET_BLOCK);
      }
   }
   return (double)NAN;
}

void bm_costs_add_targets(BmText* text, const BmCost* costs, uint32_t n_costs)
{
   bm_text_addf(text, "\nTargets: %g kHz, %d frames a block, not mono. Flat: 64 to 8192 frames.\n%-37s%-9s",
                TARGET_RATE_HZ / 1000.0, TARGET_BLOCK, "", "");
   bm_text_addf(text, "%8s%16s%16s%16s%16s%16s%16s%12s\n", "active", "bypassed", "idle/active", "flat active",
                "flat bypass", "start", "memory", "192/48 kHz");
   for (uint32_t i = 0; i < n_costs; ++i) {
      const BmCost* cost = &costs[i];
      if (!has_target(cost)) {
         continue;
      }
      const double active = bm_cost_units(cost, BM_STATE_ACTIVE, TARGET_BLOCK);
      const BmTarget* target = target_for(cost->name, BM_STATE_ACTIVE);
      const bool is_room = !strcmp(cost->name, "room-reverb");
      bm_text_addf(text, "%-22s %-14s", cost->name, cost->form);
      if (target) {
         bm_text_addf(text, "%6.1f U ", target->units);
      } else {
         bm_text_add(text, "         ");
      }
      add_verdict(text, 2, " U", active, target ? target->units : (double)NAN);
      add_verdict(text, 2, " U", bm_cost_units(cost, BM_STATE_BYPASSED, TARGET_BLOCK),
                  target_for(cost->name, BM_STATE_BYPASSED)->units);
      add_verdict(text, 2, "", bm_cost_units(cost, BM_STATE_IDLE, TARGET_BLOCK) / active, 1.05);
      add_verdict(text, 0, " %", 100.0 * bm_cost_unevenness(cost, BM_STATE_ACTIVE), 100.0 * BM_TARGET_FLAT);
      add_verdict(text, 0, " %", 100.0 * bm_cost_unevenness(cost, BM_STATE_BYPASSED), 100.0 * BM_TARGET_FLAT);
      add_verdict(text, 2, " ms", cost->instantiate_ms, BM_TARGET_INSTANTIATE_MS);
      add_verdict(text, 2, " M", (double)cost->bytes / 1048576.0,
                  is_room ? BM_TARGET_ROOM_MEMORY_MIB : BM_TARGET_MEMORY_MIB);
      add_verdict(text, 2, "", growth_with_rate(costs, n_costs, cost), (double)NAN);
      bm_text_add(text, "\n");
   }
}

/* As many plugins as have room for their names side by side. */
enum { PANEL_PLUGINS = 5, N_BARS = 2, N_SERIES = N_BARS + 1 };

typedef struct {
   uint32_t n;
   double x[PANEL_PLUGINS];
   double y[N_BARS][PANEL_PLUGINS];
   double target_x[3 * PANEL_PLUGINS]; /* a stroke over each pair of bars, then a gap */
   double target_y[3 * PANEL_PLUGINS];
   BmPlotTick ticks[PANEL_PLUGINS];
   BmPlotSeries series[N_SERIES];
} Panel;

static void add_to_panel(Panel* panel, const BmCost* cost)
{
   const BmTarget* target = target_for(cost->name, BM_STATE_ACTIVE);
   const uint32_t n = panel->n++;
   panel->x[n] = n;
   panel->y[0][n] = bm_cost_units(cost, BM_STATE_ACTIVE, TARGET_BLOCK);
   panel->y[1][n] = bm_cost_units(cost, BM_STATE_BYPASSED, TARGET_BLOCK);
   for (uint32_t k = 0; k < 3; ++k) {
      panel->target_x[3 * n + k] = k == 0 ? n - 0.45 : n + 0.45;
      panel->target_y[3 * n + k] = target && k < 2 ? target->units : (double)NAN;
   }
   panel->ticks[n] = (BmPlotTick){.value = n, .label = cost->name};
}

static BmPlot panel_plot(Panel* panel)
{
   static const BmPlotSeries looks[N_SERIES] = {
      {.label = "Active", .kind = BM_PLOT_BARS, .tone = BM_TONE_AFTER},
      {.label = "Bypassed", .kind = BM_PLOT_BARS, .tone = BM_TONE_BEFORE},
      {.label = "Target, active", .kind = BM_PLOT_LINE, .tone = BM_TONE_CURVE},
   };
   memcpy(panel->series, looks, sizeof looks);
   for (uint32_t i = 0; i < N_BARS; ++i) {
      panel->series[i].n_points = panel->n;
      panel->series[i].x = panel->x;
      panel->series[i].y = panel->y[i];
   }
   panel->series[N_BARS].n_points = 3 * panel->n;
   panel->series[N_BARS].x = panel->target_x;
   panel->series[N_BARS].y = panel->target_y;
   return (BmPlot){
      .title = "What a plugin costs at 48 kHz in blocks of 64 frames",
      .description = "Cost per frame of each plugin, active and bypassed, beside its target, as a multiple "
                     "of one second-order section.",
      .x = {.min = -0.6, .max = PANEL_PLUGINS - 0.4, .ticks = panel->ticks, .n_ticks = panel->n},
      .y = {.label = "Cost, second-order sections", .scale = BM_AXIS_LOG, .min = 0.1, .max = 200.0},
      .series = panel->series,
      .n_series = N_SERIES,
      .height_px = 320.0,
   };
}

void bm_costs_add_picture(BmText* text, const BmCost* costs, uint32_t n_costs)
{
   Panel* panels = bm_calloc(n_costs + 1, sizeof *panels);
   BmPlot* plots = bm_calloc(n_costs + 1, sizeof *plots);
   uint32_t n = 0;
   for (uint32_t i = 0; i < n_costs; ++i) {
      if (has_target(&costs[i]) && strcmp(costs[i].form, "mono-to-stereo")) {
         add_to_panel(&panels[n / PANEL_PLUGINS], &costs[i]);
         ++n;
      }
   }
   const uint32_t n_panels = (n + PANEL_PLUGINS - 1) / PANEL_PLUGINS;
   for (uint32_t i = 0; i < n_panels; ++i) {
      plots[i] = panel_plot(&panels[i]);
   }
   bm_plot_add_svg(text, plots, n_panels);
   free(panels);
   free(plots);
}

static void add_member(BmText* text, const char* key, double value, int decimals)
{
   bm_text_addf(text, ",\"%s\":", key);
   bm_text_add_json_number(text, value, decimals);
}

void bm_costs_add_json(BmText* text, const BmCost* costs, uint32_t n_costs)
{
   bm_text_add(text, "[");
   const char* comma = "\n";
   for (uint32_t i = 0; i < n_costs; ++i) {
      const BmCost* cost = &costs[i];
      for (uint32_t state = 0; state < BM_N_STATES; ++state) {
         for (uint32_t b = 0; b < cost->n_blocks && cost->is_measured[state]; ++b) {
            bm_text_addf(text, "%s{\"kind\":\"%s\",\"name\":", comma,
                         cost->is_plugin ? "plugin" : "processor");
            bm_text_add_json_string(text, cost->name);
            bm_text_add(text, ",\"form\":");
            bm_text_add_json_string(text, cost->form);
            bm_text_addf(text, ",\"state\":\"%s\",\"rate_hz\":%.0f,\"block_frames\":%u",
                         bm_state_name((BmState)state), cost->rate_hz, cost->block_frames[b]);
            add_member(text, "ns_per_frame", cost->ns[state][b], 3);
            add_member(text, "sections", cost->units[state][b], 4);
            add_member(text, "stereo_gains", cost->gains[state][b], 2);
            const bool has_worst = cost->worst_block[state] > 0.0 && cost->block_frames[b] == TARGET_BLOCK;
            add_member(text, "worst_block", has_worst ? cost->worst_block[state] : (double)NAN, 3);
            add_member(text, "instantiate_ms", cost->is_plugin ? cost->instantiate_ms : (double)NAN, 4);
            add_member(text, "bytes", (double)cost->bytes, 0);
            bm_text_add(text, "}");
            comma = ",\n";
         }
      }
   }
   bm_text_add(text, "\n]\n");
}
