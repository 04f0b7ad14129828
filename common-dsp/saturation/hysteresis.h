/* SPDX-License-Identifier: ISC */
#ifndef BM_SATURATION_HYSTERESIS_H
#define BM_SATURATION_HYSTERESIS_H

#include "base/frame.h"

#include <stdint.h>

/**
   The magnetic layer of a tape: from field to magnetisation, both in A/m.

   Model: D. C. Jiles, D. L. Atherton, "Theory of ferromagnetic hysteresis", J. Magn. Magn. Mater. 61 (1986),
   in the form and with the constants of J. Chowdhury, "Real-time physical modelling for analog tape
   machines", DAFx-19 (the values from memory):

      M = c Man + (1 - c) Mirr,  Man = Ms L((H + alpha M) / a),
      dMirr/dH = (Man - Mirr) / (+-k - alpha (Man - Mirr)) while that has the sign of the movement, else 0.

   Bias is not carried as a carrier. Its effect is: each of its swings draws Mirr towards Man, so that over
   many swings Mirr relaxes at a rate set by amplitude and frequency, and Man is smeared by the swing. Both
   laws are fits to the explicit equations integrated with a carrier; test_hysteresis.c integrates them again
   and compares. Without bias this is the plain Jiles-Atherton loop.

   Solver: what lags, Man - Mirr, decays at a known rate and is driven by the movement of Man. Over a step
   that is integrated exactly for cubics through the last four values (an exponential integrator of Adams'
   kind, as in M. Hochbruck, A. Ostermann, "Exponential integrators", Acta Numerica 19 (2010; from memory)),
   so steps may be long beside the decay. Off a fine integration by less than -80 dB below 20 kHz at 350e3
   steps a second, for 10 kHz at 240e3 A/m under nominal bias (test_hysteresis.c).

   Kept: major and minor loops, saturation, accommodation. Left out: domain-wall viscosity, temperature,
   noise, the decay of the bias field while the tape leaves the gap.
*/
typedef struct {
   struct {
      double step_s;
   } cfg;
   struct {
      double inverse_shape_m_a; /* 1 / a, a smeared by the bias */
      double relaxation;        /* what the bias relaxes in a step, 1 */
      double kept;              /* of the lag after a step of that alone */
      double moment[3];         /* the moments of that decay over a step */
   } coef;
   struct {
      BmFrame field_a_m[4];        /* oldest first, as are the others */
      BmFrame anhysteretic_a_m[4]; /* Man */
      BmFrame lag_a_m[6];          /* Man - Mirr */
   } mem;
} BmHysteresis;

#define BM_HYSTERESIS_SATURATION_A_M 3.5e5 /* Ms */
#define BM_HYSTERESIS_SHAPE_A_M 22e3       /* a */
#define BM_HYSTERESIS_COUPLING 1.6e-3      /* alpha */
#define BM_HYSTERESIS_PINNING_A_M 27e3     /* k */
#define BM_HYSTERESIS_REVERSIBILITY 0.17   /* c */

/** The bias oscillator, among those of studio machines (common practice, no source). */
#define BM_HYSTERESIS_BIAS_HZ 150e3

/** Set up for `step_rate_hz` steps a second, demagnetised, without bias. */
void bm_hysteresis_init(BmHysteresis* self, double step_rate_hz);

/** Set the amplitude of the bias field, 0 (none) to 60e3 A/m, from the next step on. Real-time: yes, cheap.
 */
void bm_hysteresis_set_bias(BmHysteresis* self, double bias_a_m);

/** Demagnetise. */
void bm_hysteresis_reset(BmHysteresis* self);

/** The magnetisation that a steady field leads to in the end, at the present bias. */
BmFrame bm_hysteresis_anhysteretic_a_m(const BmHysteresis* self, BmFrame field_a_m);

/** Magnitude of what the lag makes of small signals under a bias of `bias_a_m` > 0; 1 at zero frequency. */
double bm_hysteresis_response(double bias_a_m, double frequency_hz);

/** Start at rest in a steady field. */
void bm_hysteresis_settle(BmHysteresis* self, BmFrame field_a_m);

/** Field [n_frames] to magnetisation [n_frames]; `out_a_m` may be `field_a_m`. Real-time: yes. */
void bm_hysteresis_process(BmHysteresis* self, const BmFrame* field_a_m, BmFrame* out_a_m, uint32_t n_frames);

#endif
