/* SPDX-License-Identifier: ISC */
/* If these fail, the tube is no tube: its currents are not a triode's, or the quick solution of its circuit
   is not the circuit's. */
#include "unit_test.h"

#include "saturation/transformer.h"
#include "saturation/triode.h"
#include "spectrum.h"

#include <stdbool.h>
#include <stdlib.h>

static const BmTriodeCircuit circuit = {
   .supply_v = 250.0,
   .plate_ohm = 47e3,
   .cathode_ohm = 1500.0,
   .cathode_farad = 22e-6,
   .source_ohm = 2e3,
   .coupling_farad = 2.2e-6,
   .grid_ohm = 22e3,
};

/* N. Koren, "Improved vacuum tube models for SPICE simulations", Glass Audio 8 (1996), with his constants for
   the same kind of tube (from memory): another model, fitted by another author to the same family of curves.
 */
static double koren_a(double grid_v, double plate_v)
{
   const double e1 = plate_v / 600.0 * log1p(exp(600.0 * (0.01 + grid_v / sqrt(300.0 + plate_v * plate_v))));
   return 2.0 * pow(e1, 1.4) / 1060.0;
}

static void the_currents_are_those_of_the_papers_equations(void** state)
{
   (void)state;
   /* Its equations with set RSD-1, computed elsewhere. Grid V, plate V, cathode A. */
   const double cathode[][3] = {{-2.0, 250.0, 9.01402e-4},
                                {-1.5, 200.0, 9.30967e-4},
                                {-1.0, 100.0, 2.74356e-4},
                                {0.0, 150.0, 3.598e-3},
                                {0.5, 100.0, 3.64602e-3}};
   for (int i = 0; i < 5; ++i) {
      assert_close(bm_triode_cathode_a(cathode[i][0], cathode[i][1]), cathode[i][2], 1e-5 * cathode[i][2]);
   }
   const double grid[][2] = {{-1.0, 8.0318e-8}, {0.0, 1.88432e-5}, {0.25, 1.04312e-4},
                             {0.5, 2.48987e-4}, {1.0, 6.17784e-4}, {2.0, 1.53587e-3}};
   for (int i = 0; i < 6; ++i) {
      assert_close(bm_triode_grid_a(grid[i][0]), grid[i][1], 1e-5 * grid[i][1]);
   }
}

static void the_tube_conducts_as_its_data_sheet_and_another_model_say(void** state)
{
   (void)state;
   /* High-mu twin triode at 250 V plate, -2 V grid: 1.2 mA, 1.6 mA/V, mu 100 (handbook, from memory).
      Specimens scatter, and models with them: 30 %. */
   const double step = 1e-4;
   const double current = bm_triode_cathode_a(-2.0, 250.0);
   const double transconductance =
      (bm_triode_cathode_a(-2.0 + step, 250.0) - bm_triode_cathode_a(-2.0 - step, 250.0)) / (2.0 * step);
   const double conductance =
      (bm_triode_cathode_a(-2.0, 250.0 + step) - bm_triode_cathode_a(-2.0, 250.0 - step)) / (2.0 * step);
   assert_close(current, 1.2e-3, 0.3 * 1.2e-3);
   assert_close(transconductance, 1.6e-3, 0.3 * 1.6e-3);
   assert_close(transconductance / conductance, 100.0, 5.0);
   for (double plate_v = 150.0; plate_v <= 300.0; plate_v += 50.0) {
      for (double grid_v = -1.2; grid_v <= -0.2; grid_v += 0.2) {
         assert_close(bm_triode_cathode_a(grid_v, plate_v) / koren_a(grid_v, plate_v), 1.0, 0.3);
      }
   }
   /* No grid current to speak of while the grid is negative, a thousandfold when it is not. */
   assert_true(bm_triode_grid_a(-1.0) < 1e-6);
   assert_true(bm_triode_grid_a(0.5) > 1e-4);
}

/* The circuit itself: every equation at every step, by bisection, trapezoidal capacitors, no curves. */
typedef struct {
   double cathode_v;
   double coupling_v;
   double plate_v;
} Circuit;

static double cathode_current(double grid_v, double cathode_v, double grid_a)
{
   double low = 0.0;
   double high = 0.02;
   for (int i = 0; i < 60; ++i) {
      const double a = 0.5 * (low + high);
      const double plate_v = circuit.supply_v - circuit.plate_ohm * (a - grid_a);
      *(bm_triode_cathode_a(grid_v, plate_v - cathode_v) > a ? &low : &high) = a;
   }
   return 0.5 * (low + high);
}

static void circuit_step(Circuit* self, double source_v, double step_s)
{
   /* Grid node: (source - coupling - v - cathode) / R = Ig(v) + (v + cathode) / leak, v over the cathode. */
   double low = -60.0;
   double high = 5.0;
   for (int i = 0; i < 60; ++i) {
      const double v = 0.5 * (low + high);
      const double in_a = (source_v - self->coupling_v - v - self->cathode_v) / circuit.source_ohm;
      const double out_a = bm_triode_grid_a(v) + (v + self->cathode_v) / circuit.grid_ohm;
      *(in_a > out_a ? &low : &high) = v;
   }
   const double v = 0.5 * (low + high);
   const double grid_a = bm_triode_grid_a(v);
   const double cathode_a = cathode_current(v, self->cathode_v, grid_a);
   self->plate_v = circuit.supply_v - circuit.plate_ohm * (cathode_a - grid_a);
   const double source_a = (source_v - self->coupling_v - v - self->cathode_v) / circuit.source_ohm;
   self->coupling_v += step_s / circuit.coupling_farad * source_a;
   self->cathode_v += step_s / circuit.cathode_farad * (cathode_a - self->cathode_v / circuit.cathode_ohm);
}

static void the_stage_agrees_with_its_circuit_solved_step_by_step(void** state)
{
   (void)state;
   enum { FACTOR = 4, N_FRAMES = 9600 };
   const double step_s = 1.0 / (48000.0 * FACTOR);
   BmTriode* stage = malloc(sizeof *stage);
   assert_non_null(stage);
   bm_triode_init(stage, &circuit);
   const double bias_v = bm_triode_self_bias_v(stage);
   const BmTriodeRest rest = bm_triode_rest(stage, bias_v);
   const double peaks_v[] = {0.2, 1.5, 4.0}; /* quiet, into grid current, far beyond it and cut-off */
   for (int p = 0; p < 3; ++p) {
      Circuit reference = {.cathode_v = -bias_v};
      for (int n = 0; n < 100000; ++n) { /* to rest */
         circuit_step(&reference, 0.0, 20.0 * step_s);
      }
      const double rest_plate_v = reference.plate_v;
      assert_close(rest_plate_v, rest.plate_v, 0.3);
      assert_close(reference.cathode_v, -bias_v, 0.01);
      BmTriodeMemory memory;
      bm_triode_settle(stage, &rest, &memory);
      double error = 0.0;
      double power = 0.0;
      double before = 0.0;
      for (int n = 0; n < N_FRAMES; ++n) {
         BmFrame volts[FACTOR];
         double expected[FACTOR];
         for (int i = 0; i < FACTOR; ++i) {
            /* A plucked tone of 110 Hz. */
            const double t = (n * FACTOR + i) * step_s;
            const double x =
               peaks_v[p] * (sin(691.2 * t) + 0.4 * sin(2073.5 * t)) * exp(-6.0 * t) * fmin(t / 1e-3, 1.0);
            volts[i] = bm_frame_both(x);
            circuit_step(&reference, x, step_s);
            const double now = reference.plate_v - rest_plate_v;
            expected[i] = 0.5 * (now + before); /* the antialiased curve is half a step late */
            before = now;
         }
         bm_triode_process(stage, &rest, &memory, volts, 1, FACTOR, step_s);
         for (int i = 0; i < FACTOR; ++i) {
            const double y = volts[i][0] / rest.inverse_gain;
            error += (y - expected[i]) * (y - expected[i]);
            power += expected[i] * expected[i];
         }
      }
      print_message("triode stage at %g V against its circuit: %.1f dB\n", peaks_v[p],
                    10.0 * log10(error / power));
      assert_true(10.0 * log10(error / power) < -59.0);
   }
   free(stage);
}

/* Aliases up to 20 kHz below the fundamental of a 5 kHz sine of `peak_v` through the stage's curve, with
   ideal resampling: as the reference sheet has it of tanh. */
static double alias_db(const BmTriode* stage, double rate_hz, uint32_t oversampling, bool antialiased,
                       double peak_v)
{
   const uint32_t n = BM_SPECTRUM_FRAMES * oversampling;
   const uint32_t bin = bm_test_odd_bin(5000.0 / rate_hz, BM_SPECTRUM_FRAMES);
   const double rest_v = bm_triode_self_bias_v(stage);
   const double share = circuit.grid_ohm / (circuit.grid_ohm + circuit.source_ohm);
   const BmCurve* curve = &stage->plate_v;
   BmCurveMemory memory;
   double* values = malloc(n * sizeof *values);
   assert_non_null(values);
   bm_curve_settle(curve, &memory, bm_frame_both(rest_v - share * peak_v * sin(2.0 * M_PI * bin / n)));
   for (uint32_t i = 0; i < n; ++i) {
      const double x = rest_v + share * peak_v * sin(2.0 * M_PI * (double)((uint64_t)bin * i % n) / n);
      const BmFrame at = bm_curve_position(curve, bm_frame_both(x));
      BmFramePair frames = BM_FRAME_PAIR(at, at);
      BmFramePair along;
      bm_curve_step(curve, &memory, &frames, &along, 1);
      values[i] = antialiased ? frames[0] : bm_curve_at(curve, x);
   }
   const BmTestSpectrum spectrum = bm_test_spectrum(values, n, bin);
   const double result = bm_test_alias_db(&spectrum, 20000.0 / (rate_hz * oversampling));
   free(spectrum.power);
   free(values);
   return result;
}

/* Live aims at -90 dB, render at -110. */
static void no_cheaper_arrangement_keeps_the_curves_aliases_down(void** state)
{
   (void)state;
   BmTriode* stage = malloc(sizeof *stage);
   assert_non_null(stage);
   bm_triode_init(stage, &circuit);
   const double peak_v = 1.255 * pow(10.0, (-3.2 + 12.0) / 20.0); /* 12 dB into saturation: test_tube.c */
   const double rates_hz[] = {44100.0, 48000.0};
   for (int r = 0; r < 2; ++r) {
      double table[4][2];
      for (uint32_t i = 0; i < 4; ++i) {
         for (int antialiased = 0; antialiased < 2; ++antialiased) {
            table[i][antialiased] = alias_db(stage, rates_hz[r], 1U << i, antialiased, peak_v);
         }
         print_message("tube's curve at %g Hz, %ux: %.1f dB, with its antiderivative %.1f dB\n", rates_hz[r],
                       1U << i, table[i][0], table[i][1]);
      }
      /* Live: 4x with the antiderivative, which neither 4x alone nor 2x with it reach. Render: 8x. */
      assert_true(table[2][1] < -90.0 && table[2][0] > -90.0 && table[1][1] > -90.0);
      assert_true(table[3][1] < -110.0 && table[2][1] > -110.0);
   }
   free(stage);
}

static void a_transformers_third_harmonic_follows_level_and_frequency_as_derived(void** state)
{
   (void)state;
   /* w0 A^2 / (4 knee^2 w^3), first order in the bent part: within 1 dB while it is small. */
   const double hz[] = {40.0, 60.0, 120.0};
   for (int f = 0; f < 3; ++f) {
      for (double peak = 0.05; peak < 0.2; peak *= 2.0) {
         const double rate_hz = 48000.0;
         BmTransformer transformer;
         bm_transformer_init(&transformer, rate_hz);
         double re[4] = {0.0};
         double im[4] = {0.0};
         for (int n = 0; n < 96000; ++n) {
            const double phase = 2.0 * M_PI * hz[f] * n / rate_hz;
            BmFrame frame = bm_frame_both(peak * sin(phase));
            bm_transformer_process(&transformer, &frame, &frame, 1);
            if (n >= 48000) {
               for (int k = 1; k <= 3; k += 2) {
                  re[k] += frame[0] * cos(k * phase);
                  im[k] += frame[0] * sin(k * phase);
               }
            }
         }
         const double w = 2.0 * M_PI * hz[f];
         const double derived = 2.0 * M_PI * BM_TRANSFORMER_CORNER_HZ * peak * peak /
                                (4.0 * BM_TRANSFORMER_KNEE_S * BM_TRANSFORMER_KNEE_S * w * w * w);
         const double third_db = 20.0 * log10(hypot(re[3], im[3]) / hypot(re[1], im[1]));
         if (derived < 0.02) {
            assert_close(third_db, 20.0 * log10(derived), 1.0);
         }
      }
   }
}

static void a_transformer_agrees_with_a_fine_integration(void** state)
{
   (void)state;
   const double rate_hz = 44100.0;
   BmTransformer transformer;
   bm_transformer_init(&transformer, rate_hz);
   transformer.coef.blunt = 0.0;
   enum { FINE = 64 };
   const double w0 = 2.0 * M_PI * BM_TRANSFORMER_CORNER_HZ;
   double flux = 0.0;
   double error = 0.0;
   double power = 0.0;
   for (int n = 1; n <= 20000; ++n) {
      double x = 0.0;
      for (int i = 1; i <= FINE; ++i) {
         x = 2.0 * sin(2.0 * M_PI * 41.2 * (n - 1 + i / (double)FINE) / rate_hz);
         const double bend = flux / BM_TRANSFORMER_KNEE_S;
         flux += (x - w0 * flux * (1.0 + bend * bend)) / (rate_hz * FINE);
      }
      const double bend = flux / BM_TRANSFORMER_KNEE_S;
      const double expected = x - w0 * flux * (1.0 + bend * bend);
      BmFrame frame = bm_frame_both(x);
      bm_transformer_process(&transformer, &frame, &frame, 1);
      error += (frame[0] - expected) * (frame[0] - expected);
      power += expected * expected;
   }
   assert_true(10.0 * log10(error / power) < -70.0);
}

/* So loud, and at the lowest rate, that rounding of the flux shows. */
static void a_transformer_does_not_mind_where_blocks_begin(void** state)
{
   (void)state;
   enum { N = 12000 };
   static BmFrame in[N], whole[N], cut[N];
   uint64_t seed = 1;
   for (uint32_t n = 0; n < N; ++n) {
      in[n] = bm_frame(30.0 * bm_test_random(&seed), 30.0 * bm_test_random(&seed));
   }
   BmTransformer transformer;
   bm_transformer_init(&transformer, 8000.0);
   bm_transformer_process(&transformer, in, whole, N);
   bm_transformer_reset(&transformer);
   for (uint32_t n = 0; n < N; ++n) {
      bm_transformer_process(&transformer, in + n, cut + n, 1);
   }
   assert_memory_equal(cut, whole, sizeof whole);
}

int main(void)
{
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(the_currents_are_those_of_the_papers_equations),
      cmocka_unit_test(the_tube_conducts_as_its_data_sheet_and_another_model_say),
      cmocka_unit_test(the_stage_agrees_with_its_circuit_solved_step_by_step),
      cmocka_unit_test(no_cheaper_arrangement_keeps_the_curves_aliases_down),
      cmocka_unit_test(a_transformers_third_harmonic_follows_level_and_frequency_as_derived),
      cmocka_unit_test(a_transformer_agrees_with_a_fine_integration),
      cmocka_unit_test(a_transformer_does_not_mind_where_blocks_begin),
   };
   return cmocka_run_group_tests(tests, NULL, NULL);
}
