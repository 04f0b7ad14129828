/* SPDX-License-Identifier: ISC */
#ifndef BM_SATURATION_TRANSFORMER_H
#define BM_SATURATION_TRANSFORMER_H

#include "base/frame.h"

#include <stdint.h>

/**
   An output transformer: a core that saturates with flux, so with low and loud, driven from a resistance.

   d flux/dt = out, out = in - R i(flux), R i = 2 pi f0 flux (1 + (flux / knee)^2): the winding's inductance
   and the first term of the saturation curve, as the two-term polynomial of power-system practice has it
   (IEEE transformer models for slow transients; from memory). Above, leakage and winding capacitance as a
   gentle low-pass.

   A sine of peak A at frequency f, while the bent part is small, has the third harmonic
   2 pi f0 A^2 / (4 knee^2 (2 pi f)^3): 2 dB a dB, 18 dB an octave downwards.

   Solved by the trapezoidal rule with one Newton step at the sample rate: the core only works where the rate
   is high beside the signal. Left out: hysteresis and eddy currents of the core, ringing.
*/
typedef struct {
   struct {
      double half_step_s;
      double corner_rad_s;
   } cfg;
   struct {
      double bend;  /* 1 / knee^2 */
      double blunt; /* share of the frame before in the low-pass */
   } coef;
   struct {
      BmFrame flux_s;        /* full scale times seconds */
      BmFrame flux_before_s; /* a frame earlier */
      BmFrame in;
      BmFrame out; /* before the low-pass */
   } mem;
} BmTransformer;

#define BM_TRANSFORMER_CORNER_HZ 3.0
#define BM_TRANSFORMER_KNEE_S 7.1e-4
#define BM_TRANSFORMER_TOP_HZ 60e3

void bm_transformer_init(BmTransformer* self, double sample_rate_hz);

void bm_transformer_reset(BmTransformer* self);

/** Process [n_frames]; `out` may be `in`, which is below 100 in magnitude. Real-time: yes. */
void bm_transformer_process(BmTransformer* self, const BmFrame* in, BmFrame* out, uint32_t n_frames);

#endif
