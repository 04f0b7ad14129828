/* SPDX-License-Identifier: ISC */
#include "body.h"

#include "random.h"

#include <math.h>
#include <stddef.h>
#include <string.h>

#define TWO_PI 6.283185307179586
#define PLATE_STEP 0.075 /* from one plate mode to the next, as a share of its frequency */
#define PLATE_Q_LOW 32.0
#define PLATE_Q_HIGH 22.0
#define PLATE_ROLL_OFF 0.55 /* radiation falls as f to this power */
#define REFERENCE_M 0.3
#define MONOPOLE_TOP_HZ 250.0 /* below, every microphone hears the whole box breathe */

static const BmMicrophone microphones[] = {
   {"close", 0.28, 0.55, 0.0, 0.0},
   {"body", 0.32, 0.75, -1.5, 0.0},
   {"neck", 0.50, 0.25, 1.0, 4.0},
   {"far", 0.95, 1.05, -1.0, 0.0},
};

const BmMicrophone* bm_microphone_at(uint32_t index)
{
   return index < sizeof(microphones) / sizeof(microphones[0]) ? &microphones[index] : NULL;
}

const BmMicrophone* bm_microphone_find(const char* name)
{
   const BmMicrophone* microphone;
   for (uint32_t i = 0; (microphone = bm_microphone_at(i)); ++i) {
      if (strcmp(microphone->name, name) == 0) {
         return microphone;
      }
   }
   return NULL;
}

/* Peak mobility of a resonance is Q / (m w); by the bilinear transform with the peak kept in its place. */
static void set_mode(BmBody* self, uint32_t mode, const BmBodyPeak* peak, double sample_rate_hz)
{
   const double k = tan(0.5 * TWO_PI * peak->hz / sample_rate_hz);
   const double norm = 1.0 / (1.0 + k / peak->q + k * k);
   self->coef.b0[mode / 4][mode % 4] = peak->mobility_s_per_kg * k / peak->q * norm;
   self->coef.a1[mode / 4][mode % 4] = 2.0 * (k * k - 1.0) * norm;
   self->coef.a2[mode / 4][mode % 4] = (1.0 - k / peak->q + k * k) * norm;
   self->coef.at_once += self->coef.b0[mode / 4][mode % 4];
}

/* How a microphone weighs a mode: alike for all where the wave is longer than the box, its own above. */
static double ear_for(const BmMicrophone* microphone, double hz, const char* instrument, uint32_t mode,
                      BmRandom* seat)
{
   BmRandom here = bm_random(bm_random_seed_of(microphone->name) ^ bm_random_seed_of(instrument), mode);
   const double own = fmin(1.0, fmax(0.0, log2(hz / MONOPOLE_TOP_HZ) / 3.0));
   const double shift = 0.15 * own * bm_random_normal(seat);
   const double sign = bm_random_unit(&here) < 0.5 ? -1.0 : 1.0;
   return (1.0 - 0.75 * own) + own * sign * (0.4 + 0.6 * bm_random_unit(&here)) + shift;
}

/* Neighbours on a plate cancel, the more the finer they are. */
static double plate_radiation(const BmInstrument* instrument, double hz)
{
   return instrument->plate_radiation * pow(instrument->plate_from_hz / hz, PLATE_ROLL_OFF);
}

void bm_body_init(BmBody* self, const BmInstrument* instrument, double sample_rate_hz,
                  const BmMicrophone* const* stands, uint32_t n_microphones, uint64_t seat)
{
   memset(self, 0, sizeof(*self));
   self->cfg.n_microphones = n_microphones;
   self->coef.to_acceleration = sample_rate_hz;
   BmRandom wood = bm_random(bm_random_seed_of(instrument->name), 1000);
   BmRandom shift = bm_random(seat, 1001);
   double hz = instrument->plate_from_hz;
   for (uint32_t mode = 0; mode < BM_BODY_MODES; ++mode) {
      BmBodyPeak peak;
      if (mode < BM_BODY_PEAKS) {
         peak = instrument->peaks[mode];
      } else {
         /* Modes a step apart with mean mobility G have masses of 1 / (4 step G), thus peaks of 2 Q step G
            / (pi f). */
         const double step_hz = PLATE_STEP * hz;
         const double height = (mode - BM_BODY_PEAKS) / (double)(BM_BODY_MODES - BM_BODY_PEAKS);
         peak.hz = hz + 0.3 * step_hz * bm_random_signed(&wood);
         peak.q =
            (PLATE_Q_LOW + (PLATE_Q_HIGH - PLATE_Q_LOW) * height) * (1.0 + 0.25 * bm_random_signed(&wood));
         peak.mobility_s_per_kg = 4.0 * peak.q * step_hz / (TWO_PI * hz) *
                                  instrument->plate_mobility_s_per_kg * exp(0.25 * bm_random_normal(&wood));
         /* The first is turned against the top, so that between them they add: no hole under the plate's
          * modes. */
         const bool is_turned = bm_random_unit(&wood) < 0.5 && mode > BM_BODY_PEAKS;
         peak.radiation = (is_turned ? -1.0 : 1.0) * plate_radiation(instrument, hz);
         hz += step_hz;
      }
      if (peak.hz < 0.45 * sample_rate_hz) {
         set_mode(self, mode, &peak, sample_rate_hz);
      }
      for (uint32_t m = 0; m < n_microphones; ++m) {
         self->coef.heard[m][mode / 4][mode % 4] =
            peak.radiation * REFERENCE_M / stands[m]->body_m *
            ear_for(stands[m], peak.hz, instrument->name, mode, &shift);
      }
   }
   const double corner = tan(0.5 * TWO_PI * 0.7 * hz / sample_rate_hz);
   self->coef.crown_b = 1.0 / (1.0 + corner);
   self->coef.crown_a = (corner - 1.0) / (1.0 + corner);
   for (uint32_t m = 0; m < n_microphones; ++m) {
      self->coef.crown[m] = TWO_PI * hz * instrument->plate_mobility_s_per_kg *
                            plate_radiation(instrument, hz) * REFERENCE_M / stands[m]->body_m;
   }
}

double bm_body_recoil(const BmBody* self)
{
   BmModeLanes sum = self->mem.s1[0];
   for (uint32_t i = 1; i < BM_MODE_LANES; ++i) {
      sum += self->mem.s1[i];
   }
   return (sum[0] + sum[1]) + (sum[2] + sum[3]);
}

void bm_body_push(BmBody* self, double force_n, double heard[BM_MICROPHONES_MAX])
{
   BmModeLanes sums[BM_MICROPHONES_MAX] = {{0.0}};
   const uint32_t n_microphones = self->cfg.n_microphones;
   for (uint32_t i = 0; i < BM_MODE_LANES; ++i) {
      const BmModeLanes driven = self->coef.b0[i] * force_n;
      const BmModeLanes velocity = driven + self->mem.s1[i];
      self->mem.s1[i] = self->mem.s2[i] - self->coef.a1[i] * velocity;
      self->mem.s2[i] = -driven - self->coef.a2[i] * velocity;
      for (uint32_t m = 0; m < n_microphones; ++m) {
         sums[m] += self->coef.heard[m][i] * velocity;
      }
   }
   double crown = force_n;
   for (uint32_t i = 0; i < 2; ++i) {
      const double in = crown;
      crown = self->coef.crown_b * (in - self->mem.crown_in[i]) - self->coef.crown_a * self->mem.crown_out[i];
      self->mem.crown_in[i] = in;
      self->mem.crown_out[i] = crown;
   }
   for (uint32_t m = 0; m < n_microphones; ++m) {
      /* A small source's pressure follows its acceleration. */
      const double velocity = (sums[m][0] + sums[m][1]) + (sums[m][2] + sums[m][3]);
      heard[m] = self->coef.to_acceleration * (velocity - self->mem.last[m]) + self->coef.crown[m] * crown;
      self->mem.last[m] = velocity;
   }
}
