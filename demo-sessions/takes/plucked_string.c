/* SPDX-License-Identifier: ISC */
#include "plucked_string.h"

#include "dispersion.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define TWO_PI 6.283185307179586
#define HIGH_HZ 5000.0
#define LINE_FRAMES 4096 /* the lowest string at the highest rate: 61.7 Hz at 192 kHz is 3112 */
#define PUSH_FRAMES 16384
#define FRETTED_T60 0.7 /* a fingertip takes more than a nut does */
#define HOLD_SLEW_S 0.002

static double t60_db(double frames, double sample_rate_hz, double t60_s)
{
   return -60.0 * frames / (sample_rate_hz * t60_s);
}

static double gain_of(double db)
{
   return pow(10.0, db / 20.0);
}

double bm_string_t60_s(const BmInstrument* instrument, const BmStringMake* make, double frequency_hz)
{
   const double high_t60_s = make->wound ? instrument->wound_high_t60_s : instrument->plain_high_t60_s;
   const double octaves = frequency_hz / HIGH_HZ;
   return 1.0 / (1.0 / instrument->low_t60_s +
                 (1.0 / high_t60_s - 1.0 / instrument->low_t60_s) * octaves * octaves);
}

/* The one-pole (1 + a) g / (1 + a z^-1) that has the decay asked for at the first partial and at 5 kHz
   (Valimaki et al. 1996). */
static void design_loss(BmStringLoop* loop, const BmPluckedString* self, double hz, double t60_share)
{
   const double rate = self->cfg.sample_rate_hz;
   const double low_t60 = t60_share * bm_string_t60_s(self->cfg.instrument, self->cfg.make, hz);
   const double high_t60 = t60_share * bm_string_t60_s(self->cfg.instrument, self->cfg.make, HIGH_HZ);
   const double low = pow(gain_of(t60_db(loop->period_frames, rate, low_t60)), 2.0);
   const double high = pow(gain_of(t60_db(loop->period_frames, rate, high_t60)), 2.0);
   const double low_cos = cos(TWO_PI * hz / rate);
   const double q = (low * low_cos - high * cos(TWO_PI * HIGH_HZ / rate)) / (low - high);
   const double a = sqrt(q * q - 1.0) - q;
   loop->loss_pole = a;
   loop->loss_gain = sqrt(low * (1.0 + 2.0 * a * low_cos + a * a));
}

static void design_loop(BmPluckedString* self, uint32_t fret)
{
   BmStringLoop* loop = &self->coef.loops[fret];
   const double rate = self->cfg.sample_rate_hz;
   const double hz = bm_string_hz(self->cfg.make, fret);
   BmDispersionSpec spec = {
      .sample_rate_hz = rate,
      .inharmonicity = bm_string_inharmonicity(self->cfg.make, self->cfg.instrument->scale_m, fret),
   };
   /* A player tunes the sounding first partial, not the flexible string. */
   spec.f0_hz = hz / sqrt(1.0 + spec.inharmonicity);
   loop->period_frames = rate / hz;
   loop->omega = TWO_PI * hz / rate;
   design_loss(loop, self, hz, fret == 0 ? 1.0 : FRETTED_T60);
   spec.loss_pole = loop->loss_pole;
   BmDispersion dispersion;
   bm_dispersion_fit(&dispersion, &spec);
   loop->delay_frames = dispersion.delay_frames;
   loop->n_sections = dispersion.n_sections;
   memcpy(loop->a1, dispersion.a1, sizeof(loop->a1));
   memcpy(loop->a2, dispersion.a2, sizeof(loop->a2));
   loop->is_ready = true;
}

bool bm_string_init(BmPluckedString* self, const BmInstrument* instrument, uint32_t index,
                    double sample_rate_hz)
{
   memset(self, 0, sizeof(*self));
   self->cfg.instrument = instrument;
   self->cfg.make = &instrument->strings[index];
   self->cfg.sample_rate_hz = sample_rate_hz;
   self->cfg.impedance = bm_string_impedance(self->cfg.make, instrument->scale_m);
   /* A real string beats with itself somewhere under once a second; which, is its own affair. */
   BmRandom own = bm_random(bm_random_seed_of(instrument->name), index);
   self->cfg.split_cents = 0.3 + 0.6 * bm_random_unit(&own);
   self->coef.hold_slew = -expm1(-BM_STRING_BLOCK / (HOLD_SLEW_S * sample_rate_hz));
   self->coef.hold = 1.0;
   self->mem.hold = 1.0;
   self->mem.line = calloc(LINE_FRAMES, sizeof(BmPlanes));
   self->mem.pushes = calloc(PUSH_FRAMES, sizeof(BmPlanes));
   if (!self->mem.line || !self->mem.pushes) {
      bm_string_free(self);
      return false;
   }
   bm_string_stop(self, 0, 0.0);
   return true;
}

void bm_string_free(BmPluckedString* self)
{
   free(self->mem.line);
   free(self->mem.pushes);
   self->mem.line = NULL;
   self->mem.pushes = NULL;
}

void bm_string_stop(BmPluckedString* self, uint32_t fret, double cents)
{
   if (!self->coef.loops[fret].is_ready) {
      design_loop(self, fret);
   }
   const BmStringLoop* loop = &self->coef.loops[fret];
   double delay[2];
   for (int plane = 0; plane < 2; ++plane) {
      const double off = cents + (plane == 0 ? 0.5 : -0.5) * self->cfg.split_cents;
      delay[plane] = loop->delay_frames + loop->period_frames * expm1(-off / 1731.2340490667559);
   }
   self->coef.loop = loop;
   /* Fractions near 1 and 0 bend the phase of high partials least. */
   self->coef.delay_frames = (uint32_t)(fmin(delay[0], delay[1]) - 0.15);
   for (int plane = 0; plane < 2; ++plane) {
      /* The all-pass that has this phase delay exactly at the first partial. */
      const double fraction = delay[plane] - self->coef.delay_frames;
      self->coef.fraction[plane] =
         sin(0.5 * (1.0 - fraction) * loop->omega) / sin(0.5 * (1.0 + fraction) * loop->omega);
   }
}

void bm_string_touch(BmPluckedString* self, double t60_s)
{
   self->coef.hold =
      t60_s > 0.0 ? gain_of(t60_db(self->coef.loop->period_frames, self->cfg.sample_rate_hz, t60_s)) : 1.0;
}

/* The hand's force as a share of its greatest: drawn aside slowly, let slip quickly. */
static double force_at(const BmPluck* pluck, double t_s)
{
   if (t_s <= 0.0 || t_s >= pluck->contact_s + pluck->release_s) {
      return 0.0;
   }
   if (t_s < pluck->contact_s) {
      return 0.5 - 0.5 * cos(0.5 * TWO_PI * t_s / pluck->contact_s);
   }
   return 0.5 + 0.5 * cos(0.5 * TWO_PI * (t_s - pluck->contact_s) / pluck->release_s);
}

void bm_string_pluck(BmPluckedString* self, const BmPluck* pluck, double ahead_frames, BmRandom* random)
{
   const BmStringLoop* loop = self->coef.loop;
   const double rate = self->cfg.sample_rate_hz;
   const double length_m =
      self->cfg.instrument->scale_m * loop->period_frames * bm_string_hz(self->cfg.make, 0.0) / rate;
   const double from_nut = loop->period_frames * (1.0 - fmin(pluck->from_bridge_m / length_m, 0.5));
   const double push = pluck->force_n / (2.0 * self->cfg.impedance);
   const BmPlanes direction = {cos(pluck->angle_rad), sin(pluck->angle_rad)};
   const uint64_t start = self->mem.frame + (uint64_t)ahead_frames;
   const double late = ahead_frames - floor(ahead_frames);
   const double total_s = pluck->contact_s + pluck->release_s;
   const uint32_t n_force = (uint32_t)ceil(total_s * rate) + 2;
   const uint32_t n_total = n_force + (uint32_t)ceil(from_nut) + 1;

   /* The scrape: noise that swells as the string slides over the edge, loudest as it slips off. Smoothed as
      the release is, so that a fingertip rustles where a pick clicks. */
   const double smooth = exp(-1.0 / (rate * fmax(0.15 * pluck->release_s, 2e-5)));
   double noise = 0.0;
   for (uint32_t i = 0; i < n_total; ++i) {
      const double t_s = (i - late) / rate;
      double u = force_at(pluck, t_s) - force_at(pluck, t_s - from_nut / rate);
      noise = smooth * noise + (1.0 - smooth) * bm_random_signed(random);
      const double before_slip_s = pluck->contact_s + 0.5 * pluck->release_s - t_s;
      u += pluck->scrape * noise * exp(-fabs(before_slip_s) / 0.0012);
      self->mem.pushes[(start + i) % PUSH_FRAMES] += direction * (push * u);
   }
   if (start + n_total > self->mem.pushed_until) {
      self->mem.pushed_until = start + n_total;
   }
}

void bm_string_arrive(BmPluckedString* self, BmPlanes arriving[BM_STRING_BLOCK])
{
   const BmStringLoop* loop = self->coef.loop;
   const uint64_t first = self->mem.frame - self->coef.delay_frames;
   self->mem.hold += self->coef.hold_slew * (self->coef.hold - self->mem.hold);
   /* The nut turns the wave over. */
   const double gain = -loop->loss_gain * self->mem.hold;
   const double pole = loop->loss_pole;
   const BmPlanes fraction = self->coef.fraction;
   BmPlanes in = self->mem.fraction_in;
   BmPlanes out = self->mem.fraction_out;
   BmPlanes lost = self->mem.loss_out;
   for (uint32_t i = 0; i < BM_STRING_BLOCK; ++i) {
      const BmPlanes x = self->mem.line[(first + i) % LINE_FRAMES];
      out = fraction * (x - out) + in;
      in = x;
      lost = gain * out - pole * lost;
      arriving[i] = lost;
   }
   self->mem.fraction_in = in;
   self->mem.fraction_out = out;
   self->mem.loss_out = lost;

   for (uint32_t k = 0; k < loop->n_sections; ++k) {
      const double a1 = loop->a1[k];
      const double a2 = loop->a2[k];
      BmPlanes s1 = self->mem.s1[k];
      BmPlanes s2 = self->mem.s2[k];
      for (uint32_t i = 0; i < BM_STRING_BLOCK; ++i) {
         const BmPlanes x = arriving[i];
         const BmPlanes y = a2 * x + s1;
         s1 = a1 * (x - y) + s2;
         s2 = x - a2 * y;
         arriving[i] = y;
      }
      self->mem.s1[k] = s1;
      self->mem.s2[k] = s2;
   }

   if (self->mem.frame < self->mem.pushed_until) {
      for (uint32_t i = 0; i < BM_STRING_BLOCK; ++i) {
         BmPlanes* push = &self->mem.pushes[(self->mem.frame + i) % PUSH_FRAMES];
         arriving[i] += *push;
         *push = (BmPlanes){0.0, 0.0};
      }
   }
}

void bm_string_depart(BmPluckedString* self, const BmPlanes departing[BM_STRING_BLOCK])
{
   for (uint32_t i = 0; i < BM_STRING_BLOCK; ++i) {
      self->mem.line[(self->mem.frame + i) % LINE_FRAMES] = departing[i];
   }
   self->mem.frame += BM_STRING_BLOCK;
}
