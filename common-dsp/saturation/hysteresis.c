/* SPDX-License-Identifier: ISC */
#include "saturation/hysteresis.h"

#include "base/clones.h"
#include "saturation/langevin.h"

#include <math.h>
#include <stdbool.h>
#include <string.h>

/* A lag that decays this much in a step is gone. */
#define LARGEST_RATE 16.0

/* Square of a lag that is nothing, A^2/m^2. */
#define SMALLEST 1e-20

static const double reversibility = BM_HYSTERESIS_REVERSIBILITY;

/* Over a step the lag z obeys dz = dMan - z dR with R what bias and movement relax. With u the time back from
   the step's end, Man and the field are cubics of u through their last four values, R = r u + u (1 - u)
   (...), and what a step adds is made of the moments of exp(-r u): m_j = integral of u^j exp(-r u) over 0 <=
   u <= 1. Wherever the small bend u (1 - u) (...) stands, the other factors are taken at its middle. */
#define MIDDLE_OF_BEND 0.45

typedef struct {
   BmFramePair kept; /* exp(-r) */
   BmFramePair moment[3];
} Decay;

/* For r >= 0, as fractions: all over `*whole`. The moments hang together, r m_j = j m_(j-1) - exp(-r), so two
   polynomials make them all, consistent for every r. Relative error of exp(-r) and the first moment below
   7e-6 up to r = 2, 3e-5 up to 4, 3e-4 up to 16; of the second 4e-5, 2e-4, 5e-3 (least squares, reweighted
   towards the least error). */
BM_INLINE void decay(const BmFramePair* r, Decay* over, BmFramePair* whole)
{
   const BmFramePair kept = 1.0 + *r * (*r * 0.012607889192591952 - 0.21932222551355346);
   const BmFramePair third = 0.3333633363235938 + *r * (0.009917459714016263 + *r * 0.00305343563761615);
   const BmFramePair second = 0.5 * (*r * third + kept);
   const BmFramePair first = *r * second + kept;
   over->kept = kept;
   over->moment[0] = first;
   over->moment[1] = second;
   over->moment[2] = third;
   *whole = *r * first + kept;
}

void bm_hysteresis_init(BmHysteresis* self, double step_rate_hz)
{
   memset(self, 0, sizeof *self);
   self->cfg.step_s = 1.0 / step_rate_hz;
   bm_hysteresis_set_bias(self, 0.0);
}

/* How fast the bias relaxes the lag. This and the spread below: fits to the model integrated with a carrier
   of 400 swings a cycle of the signal, bias 5 to 60 kA/m. */
static double relaxation_per_s(double bias_a_m)
{
   const double swing = bias_a_m / BM_HYSTERESIS_PINNING_A_M;
   return swing * (1.85 + 1.87 * swing) * BM_HYSTERESIS_BIAS_HZ;
}

void bm_hysteresis_set_bias(BmHysteresis* self, double bias_a_m)
{
   const double spread = bias_a_m / BM_HYSTERESIS_SHAPE_A_M;
   self->coef.inverse_shape_m_a = 1.0 / (BM_HYSTERESIS_SHAPE_A_M * (1.0 + 0.0665 * spread * spread));
   self->coef.relaxation = fmin(relaxation_per_s(bias_a_m) * self->cfg.step_s, LARGEST_RATE);
   const BmFrame both = bm_frame_both(self->coef.relaxation);
   const BmFramePair rate = BM_FRAME_PAIR(both, both);
   Decay over;
   BmFramePair whole;
   decay(&rate, &over, &whole);
   self->coef.kept = over.kept[0] / whole[0];
   for (int j = 0; j < 3; ++j) {
      self->coef.moment[j] = over.moment[j][0] / whole[0];
   }
}

void bm_hysteresis_reset(BmHysteresis* self)
{
   memset(&self->mem, 0, sizeof self->mem);
}

BmFrame bm_hysteresis_anhysteretic_a_m(const BmHysteresis* self, BmFrame field_a_m)
{
   const BmFramePair field = BM_FRAME_PAIR(field_a_m, field_a_m);
   const double coupling =
      BM_HYSTERESIS_SATURATION_A_M * BM_HYSTERESIS_COUPLING * self->coef.inverse_shape_m_a;
   BmFramePair m = {0.0, 0.0, 0.0, 0.0};
   for (int i = 0; i < 4; ++i) { /* Newton's method, nearly: a ten-thousandth of the error stays, and less */
      const BmFramePair x = (field + BM_HYSTERESIS_COUPLING * m) * self->coef.inverse_shape_m_a;
      BmFramePair langevin;
      BmFramePair slope;
      bm_langevin_pair(&x, &langevin, &slope);
      const BmFramePair miss = BM_HYSTERESIS_SATURATION_A_M * langevin - m;
      m += miss + miss * (coupling * slope);
   }
   return BM_FIRST_OF_PAIR(m);
}

double bm_hysteresis_response(double bias_a_m, double frequency_hz)
{
   /* Of a lag of the first order, the step being short. */
   const double rate = relaxation_per_s(bias_a_m);
   const double w = 6.28318530717958647692 * frequency_hz;
   return hypot(rate, reversibility * w) / hypot(rate, w);
}

void bm_hysteresis_settle(BmHysteresis* self, BmFrame field_a_m)
{
   const BmFrame m = bm_hysteresis_anhysteretic_a_m(self, field_a_m);
   memset(&self->mem, 0, sizeof self->mem);
   for (int i = 0; i < 4; ++i) {
      self->mem.field_a_m[i] = field_a_m;
      self->mem.anhysteretic_a_m[i] = m;
   }
}

/* What becomes of the lag in one step. */
typedef struct {
   BmFrame moved;           /* the field */
   BmFrame kept[2];         /* of the lag before: of one against the movement, and of one with it */
   BmFrame added[2];        /* to those */
   BmFrame lost_in_passing; /* by one that passes zero, per square of what it would become */
} Step;

BM_INLINE BmFrameMask is_against(BmFrame a, BmFrame b)
{
   return ((BmFrameMask)a ^ (BmFrameMask)b) < 0;
}

BM_INLINE BmFrame next_lag(const Step* step, BmFrame lag)
{
   const BmFrame relaxed = lag * step->kept[0] + step->added[0];
   const BmFrame moving = lag * step->kept[1] + step->added[1];
   const BmFrame passed = relaxed - relaxed * relaxed * step->lost_in_passing;
   const BmFrame against = bm_frame_select(is_against(relaxed, step->moved), relaxed, passed);
   return bm_frame_select(is_against(lag, step->moved), against, moving);
}

#define BETWEEN(before, after) __builtin_shufflevector(before, after, 2, 3, 4, 5)

BM_CLONES void bm_hysteresis_process(BmHysteresis* self, const BmFrame* field_a_m, BmFrame* out_a_m,
                                     uint32_t n_frames)
{
   const BmFramePairBits sign_bit = {INT64_MIN, INT64_MIN, INT64_MIN, INT64_MIN};
   const BmFramePair zero = {0.0, 0.0, 0.0, 0.0};
   const BmFramePair largest = zero + LARGEST_RATE;
   const BmFramePair saturated = zero + BM_HYSTERESIS_SATURATION_A_M;
   const double per_pinning = 1.0 / BM_HYSTERESIS_PINNING_A_M;
   const double inverse_shape = self->coef.inverse_shape_m_a;
   const double coupling = BM_HYSTERESIS_SATURATION_A_M * BM_HYSTERESIS_COUPLING * inverse_shape;
   const double relaxation = self->coef.relaxation;
   const double kept = self->coef.kept;
   const double moment0 = self->coef.moment[0];
   const double moment1 = self->coef.moment[1];
   const double moment2 = self->coef.moment[2];
   BmFramePair field1 = *(const BmFramePair*)(self->mem.field_a_m + 2);
   BmFramePair field2 = *(const BmFramePair*)self->mem.field_a_m;
   BmFramePair man1 = *(const BmFramePair*)(self->mem.anhysteretic_a_m + 2);
   BmFramePair man2 = *(const BmFramePair*)self->mem.anhysteretic_a_m;
   BmFramePair lag1 = *(const BmFramePair*)(self->mem.lag_a_m + 4);
   BmFramePair lag2 = *(const BmFramePair*)(self->mem.lag_a_m + 2);
   BmFramePair lag3 = *(const BmFramePair*)self->mem.lag_a_m;
   for (uint32_t n = 0; n < n_frames; n += 2) {
      const bool is_pair = n + 1 < n_frames;
      const BmFrame after = field_a_m[is_pair ? n + 1 : n];
      const BmFramePair field = BM_FRAME_PAIR(field_a_m[n], after);

      /* alpha M is 1 % of the field that M answers, so the curve may be read at a rough M, that of four steps
         back, and its slope does the rest. The lag is extrapolated from there as well, so that curves and
         rates are found long before the last one is known. */
      const BmFramePair x = (field + BM_HYSTERESIS_COUPLING * man2) * inverse_shape;
      BmFramePair langevin;
      BmFramePair slope;
      bm_langevin_pair(&x, &langevin, &slope);
      const BmFramePair back = coupling * slope;
      const BmFramePair back2 = back + back * back;
      const BmFramePair rough = BM_HYSTERESIS_SATURATION_A_M * langevin;
      const BmFramePair lag_ahead = (15.0 * lag2 - 24.0 * BETWEEN(lag3, lag2)) + 10.0 * lag3;
      const BmFramePair man = (rough + (rough - man2) * back2) - back2 * ((1.0 - reversibility) * lag_ahead);

      /* The cubic through four values of Man. */
      const BmFramePair before1 = BETWEEN(man1, man);
      const BmFramePair before3 = BETWEEN(man2, man1);
      const BmFramePair drawn = man - before1;
      const BmFramePair drawn1 = before1 - man1;
      const BmFramePair second = drawn - drawn1;
      const BmFramePair third = second - (drawn1 - (man1 - before3));
      const BmFramePair along0 = drawn + (0.5 * second + (1.0 / 3.0) * third);
      const BmFramePair along1 = second + third; /* falls with u */
      const BmFramePair along2 = 0.5 * third;

      const BmFramePair field_before = BETWEEN(field1, field);
      const BmFramePair moved = field - field_before;
      const BmFramePair moved1 = field_before - field1;
      const BmFramePair turned = moved - moved1;
      const BmFramePair turning = turned - (moved1 - (field1 - BETWEEN(field2, field1)));
      const BmFramePair curved = 0.5 * turned + ((2.0 - MIDDLE_OF_BEND) / 6.0) * turning;
      const BmFramePairBits direction = (BmFramePairBits)moved & sign_bit;
      const BmFramePair movement = (BmFramePair)((BmFramePairBits)moved ^ direction);
      BmFramePair freed =
         (movement + moved * (lag_ahead * (BM_HYSTERESIS_COUPLING * per_pinning))) * per_pinning;
      freed = BM_PAIR_SELECT(freed < largest, freed, largest);
      BmFramePair bend = (BmFramePair)((BmFramePairBits)curved ^ direction) * per_pinning;
      bend = BM_PAIR_SELECT(bend < freed, bend, freed);
      bend = BM_PAIR_SELECT(bend > -freed, bend, -freed);

      const BmFramePair rate = relaxation + freed;
      Decay over;
      BmFramePair whole;
      decay(&rate, &over, &whole);
      const BmFramePair per_whole = 1.0 / whole;
      const BmFramePair kept_moving = over.kept * per_whole;
      const BmFramePair bent = bend * (over.moment[1] - over.moment[2]);
      const BmFramePair added_moving =
         (((along0 * over.moment[0] - along1 * over.moment[1]) + along2 * over.moment[2]) -
          (along0 - MIDDLE_OF_BEND * along1) * bent) *
         per_whole;
      const BmFramePair added = (along0 * moment0 - along1 * moment1) + along2 * moment2;

      /* The movement frees only a lag that has its sign. One against it relaxes to zero first; from there on
         it is freed, by what a lag that begins at zero loses and the share of the way that is left. */
      const BmFramePair lost_in_passing = (added - added_moving) / (added * added + SMALLEST);
      const Step first = {BM_FIRST_OF_PAIR(moved),
                          {bm_frame_both(kept), BM_FIRST_OF_PAIR(kept_moving)},
                          {BM_FIRST_OF_PAIR(added), BM_FIRST_OF_PAIR(added_moving)},
                          BM_FIRST_OF_PAIR(lost_in_passing)};
      const Step then = {BM_SECOND_OF_PAIR(moved),
                         {bm_frame_both(kept), BM_SECOND_OF_PAIR(kept_moving)},
                         {BM_SECOND_OF_PAIR(added), BM_SECOND_OF_PAIR(added_moving)},
                         BM_SECOND_OF_PAIR(lost_in_passing)};
      const BmFrame lag_first = next_lag(&first, BM_SECOND_OF_PAIR(lag1));
      const BmFrame lag_then = next_lag(&then, lag_first);
      const BmFramePair lag = BM_FRAME_PAIR(lag_first, lag_then);
      BmFramePair out = man + (1.0 - reversibility) * (back2 * (lag_ahead - lag) - lag);
      /* The cubic overshoots where the field leaps, as no take's does; a layer holds no more than it can. */
      out = BM_PAIR_SELECT(out < saturated, out, saturated);
      out = BM_PAIR_SELECT(out > -saturated, out, -saturated);
      if (is_pair) {
         *(BmFramePair*)(out_a_m + n) = out;
         lag3 = lag2;
         lag2 = lag1;
         lag1 = lag;
         man2 = man1;
         man1 = man;
         field2 = field1;
         field1 = field;
      } else {
         out_a_m[n] = BM_FIRST_OF_PAIR(out);
         lag3 = BETWEEN(lag3, lag2);
         lag2 = BETWEEN(lag2, lag1);
         lag1 = BETWEEN(lag1, lag);
         man2 = BETWEEN(man2, man1);
         man1 = BETWEEN(man1, man);
         field2 = BETWEEN(field2, field1);
         field1 = BETWEEN(field1, field);
      }
   }
   *(BmFramePair*)(self->mem.field_a_m + 2) = field1;
   *(BmFramePair*)self->mem.field_a_m = field2;
   *(BmFramePair*)(self->mem.anhysteretic_a_m + 2) = man1;
   *(BmFramePair*)self->mem.anhysteretic_a_m = man2;
   *(BmFramePair*)(self->mem.lag_a_m + 4) = lag1;
   *(BmFramePair*)(self->mem.lag_a_m + 2) = lag2;
   *(BmFramePair*)self->mem.lag_a_m = lag3;
}
