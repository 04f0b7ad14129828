/* SPDX-License-Identifier: ISC */
#include "reverb/early_reflections.h"

#include "base/clones.h"

#include <math.h>
#include <string.h>

#define PI 3.14159265358979323846
#define EAR_LEAN 0.43
#define IMAGES 63 /* bm_image_count(BM_EARLY_ORDER) */

static void design_section_step(BmDecaySection* step, const BmDecaySection* next, const BmDecaySection* now,
                                double n_frames)
{
   step->b0 = (next->b0 - now->b0) / n_frames;
   step->b1 = (next->b1 - now->b1) / n_frames;
   step->b2 = (next->b2 - now->b2) / n_frames;
   step->a1 = (next->a1 - now->a1) / n_frames;
   step->a2 = (next->a2 - now->a2) / n_frames;
}

static void move_section(BmDecaySection* now, const BmDecaySection* step)
{
   now->b0 += step->b0;
   now->b1 += step->b1;
   now->b2 += step->b2;
   now->a1 += step->a1;
   now->a2 += step->a2;
}

static BmFrame filter(const BmDecaySection* section, BmFrame* s1, BmFrame* s2, BmFrame x)
{
   const BmFrame y = section->b0 * x + *s1;
   *s1 = section->b1 * x - section->a1 * y + *s2;
   *s2 = section->b2 * x - section->a2 * y;
   return y;
}

/* A quarter of a chunk; may lie over floats anywhere. */
typedef float Quarter __attribute__((vector_size(32), aligned(4), may_alias));

/* `sum` [BM_ECHO_CHUNK_FRAMES], all of it, of one ear and order. */
BM_CLONES static void sum_taps(const BmEarlyTapList* lists, const BmEchoHistory* history, float* sum)
{
   Quarter a = {0}, b = {0}, c = {0}, d = {0};
   for (uint32_t source = 0; source < 2; ++source) {
      const BmEarlyTapList* list = &lists[source];
      for (uint32_t i = 0; i < list->n_taps; ++i) {
         const float gain = list->gains[i];
         const Quarter* x = (const Quarter*)bm_echo_history_at(history, source, list->places[i]);
         a += gain * x[0];
         b += gain * x[1];
         c += gain * x[2];
         d += gain * x[3];
      }
   }
   Quarter* quarters = (Quarter*)sum;
   quarters[0] = a;
   quarters[1] = b;
   quarters[2] = c;
   quarters[3] = d;
}

/* Share of the gain that an arrival keeps: the energy fades as half a cosine does. */
static double left_beside_the_late_part(const BmEarlyTiming* timing, double arrival_s)
{
   const double share = (arrival_s - timing->fade_s) / (timing->latest_s - timing->fade_s);
   return cos(0.5 * PI * fmin(fmax(share, 0.0), 1.0));
}

double bm_early_ear_gain_lin(const BmImage* image, uint32_t ear)
{
   const double lean = EAR_LEAN * image->from_ear_m.y_m / image->distance_m;
   return ear == 0 ? 1.0 + lean : 1.0 - lean;
}

BmStatus bm_early_reflections_init(BmEarlyReflections* self, double sample_rate_hz)
{
   const BmStatus status = bm_check_rate(sample_rate_hz);
   if (status != BM_OK) {
      return status;
   }
   memset(self, 0, sizeof *self);
   self->cfg.rate_hz = sample_rate_hz;
   return BM_OK;
}

void bm_early_reflections_forget(BmEarlyReflections* self)
{
   memset(&self->mem, 0, sizeof self->mem);
}

void bm_early_reflections_reset(BmEarlyReflections* self)
{
   bm_early_reflections_forget(self);
   self->coef.is_designed = false;
   self->coef.moves = false;
}

void bm_early_reflections_prepare(BmEarlyReflections* self, const BmEarlyScene* scene,
                                  const BmEarlyTiming* timing)
{
   BmEarlyTaps* taps = &self->coef.taps[1 - self->coef.current];
   BmImage images[IMAGES];
   for (uint32_t ear = 0; ear < 2; ++ear) {
      for (uint32_t source = 0; source < 2; ++source) {
         for (uint32_t order = 1; order <= BM_EARLY_ORDER; ++order) {
            taps->lists[order - 1][ear][source].n_taps = 0;
         }
         bm_image_sources(&scene->room, scene->sources[source], scene->ears[ear], BM_EARLY_ORDER, images);
         for (uint32_t i = 1; i < IMAGES; ++i) {
            const double arrival_s = images[i].distance_m / BM_SPEED_OF_SOUND_M_S + timing->start_s;
            const double delay = arrival_s * self->cfg.rate_hz;
            if (arrival_s > timing->latest_s || !(delay >= 0.0)) {
               continue;
            }
            BmEarlyTapList* list = &taps->lists[images[i].order - 1][ear][source];
            list->places[list->n_taps] = bm_echo_place(delay);
            list->gains[list->n_taps] =
               (float)(bm_early_ear_gain_lin(&images[i], ear) * left_beside_the_late_part(timing, arrival_s) *
                       timing->gain_m / images[i].distance_m);
            ++list->n_taps;
         }
      }
   }
}

void bm_early_reflections_adopt(BmEarlyReflections* self)
{
   self->coef.current = 1 - self->coef.current;
}

void bm_early_reflections_control(BmEarlyReflections* self, const BmDecay* decay, double mean_free_time_s,
                                  uint32_t n_frames)
{
   if (self->coef.moves) { /* arrive without a rounding error */
      self->coef.walls = self->coef.walls_next;
   }
   const BmDecay* last = &self->coef.decay;
   const bool is_new = decay->decay_s != last->decay_s || decay->low_ratio != last->low_ratio ||
                       decay->damping_hz != last->damping_hz ||
                       mean_free_time_s != self->coef.mean_free_time_s;
   self->coef.moves = self->coef.is_designed && is_new;
   if (is_new || !self->coef.is_designed) {
      self->coef.decay = *decay;
      self->coef.mean_free_time_s = mean_free_time_s;
      self->coef.walls_next = bm_absorption(decay, mean_free_time_s, self->cfg.rate_hz);
      design_section_step(&self->coef.walls_step.low, &self->coef.walls_next.low, &self->coef.walls.low,
                          n_frames);
      design_section_step(&self->coef.walls_step.high, &self->coef.walls_next.high, &self->coef.walls.high,
                          n_frames);
   }
   if (!self->coef.is_designed) {
      self->coef.walls = self->coef.walls_next;
      self->coef.is_designed = true;
   }
}

void bm_early_reflections_process(BmEarlyReflections* self, const BmEchoHistory* history, const float* shares,
                                  BmFrame* out, uint32_t n_frames)
{
   const BmEarlyTaps* current = &self->coef.taps[self->coef.current];
   const BmEarlyTaps* next = &self->coef.taps[1 - self->coef.current];
   float sums[BM_EARLY_ORDER][2][BM_ECHO_CHUNK_FRAMES];
   for (uint32_t order = 0; order < BM_EARLY_ORDER; ++order) {
      for (uint32_t ear = 0; ear < 2; ++ear) {
         float* sum = sums[order][ear];
         sum_taps(current->lists[order][ear], history, sum);
         if (shares) {
            float next_sum[BM_ECHO_CHUNK_FRAMES];
            sum_taps(next->lists[order][ear], history, next_sum);
            for (uint32_t n = 0; n < n_frames; ++n) {
               sum[n] += shares[n] * (next_sum[n] - sum[n]);
            }
         }
      }
   }
   for (uint32_t n = 0; n < n_frames; ++n) {
      BmFrame heard = {0.0, 0.0};
      for (uint32_t order = BM_EARLY_ORDER; order-- > 0;) { /* order 3 passes the walls three times */
         heard += bm_frame((double)sums[order][0][n], (double)sums[order][1][n]);
         heard = filter(&self->coef.walls.low, &self->mem.low_1[order], &self->mem.low_2[order], heard);
         heard = filter(&self->coef.walls.high, &self->mem.high_1[order], &self->mem.high_2[order], heard);
      }
      out[n] = heard;
      if (self->coef.moves) {
         move_section(&self->coef.walls.low, &self->coef.walls_step.low);
         move_section(&self->coef.walls.high, &self->coef.walls_step.high);
      }
   }
}
