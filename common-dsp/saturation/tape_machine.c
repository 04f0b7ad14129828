/* SPDX-License-Identifier: ISC */
#include "saturation/tape_machine.h"

#include <math.h>

static const double pi = 3.14159265358979323846;

BmTapeMachine bm_tape_machine(BmTapeSpeed speed)
{
   /* Time constants: IEC 60094-1 (19 and 38 cm/s: IEC 1; 76: IEC 2). Head and tape as in studio use, common
      practice, no source; the bias spacing makes 3 dB more bias cost 3 dB at 10 kHz and 38 cm/s, which is how
      such machines are biased. */
   static const double speed_m_s[] = {0.1905, 0.381, 0.762};
   static const double flux_time_s[] = {70e-6, 35e-6, 17.5e-6};
   static const double lift_hz[] = {6000.0, 10000.0, 14000.0};
   static const double lifted_lin[] = {0.72, 0.794, 0.92};
   const BmTapeMachine machine = {
      .speed_m_s = speed_m_s[speed],
      .flux_time_s = flux_time_s[speed],
      .spacing_m = 1e-6,
      .gap_m = 2e-6,
      .thickness_m = 10e-6,
      .bias_spacing_m = 2e-6,
      .lift_hz = lift_hz[speed],
      .lifted_lin = lifted_lin[speed],
      .head_length_m = 8e-3,
   };
   return machine;
}

double bm_tape_spacing_loss(double frequency_hz, double speed_m_s, double spacing_m)
{
   return exp(-2.0 * pi * spacing_m * frequency_hz / speed_m_s);
}

double bm_tape_thickness_loss(double frequency_hz, double speed_m_s, double thickness_m)
{
   const double x = 2.0 * pi * thickness_m * frequency_hz / speed_m_s;
   return x < 1e-9 ? 1.0 : -expm1(-x) / x;
}

double bm_tape_gap_loss(double frequency_hz, double speed_m_s, double gap_m)
{
   const double x = pi * gap_m * frequency_hz / speed_m_s;
   return x < 1e-9 ? 1.0 : fabs(sin(x) / x);
}

double bm_tape_flux(double frequency_hz, double flux_time_s)
{
   const double x = 2.0 * pi * frequency_hz * flux_time_s;
   return 1.0 / sqrt(1.0 + x * x);
}

double bm_tape_losses(const BmTapeMachine* machine, double bias_lin, double frequency_hz)
{
   const double spacing_m = machine->spacing_m + machine->bias_spacing_m * bias_lin * bias_lin;
   return bm_tape_spacing_loss(frequency_hz, machine->speed_m_s, spacing_m) *
          bm_tape_thickness_loss(frequency_hz, machine->speed_m_s, machine->thickness_m) *
          bm_tape_gap_loss(frequency_hz, machine->speed_m_s, machine->gap_m);
}

double bm_tape_lift_time_s(const BmTapeMachine* machine)
{
   const double gain = fmax(machine->lifted_lin / bm_tape_losses(machine, 1.0, machine->lift_hz), 1.0);
   return sqrt(gain * gain - 1.0) / (2.0 * pi * machine->lift_hz);
}
