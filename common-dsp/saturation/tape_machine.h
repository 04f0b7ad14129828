/* SPDX-License-Identifier: ISC */
#ifndef BM_SATURATION_TAPE_MACHINE_H
#define BM_SATURATION_TAPE_MACHINE_H

#include <stdint.h>

/** Tape speeds, named by whole cm/s: 19.05, 38.1 and 76.2. */
typedef enum { BM_TAPE_SPEED_19 = 0, BM_TAPE_SPEED_38 = 1, BM_TAPE_SPEED_76 = 2 } BmTapeSpeed;

/** What of a machine and its tape decides the frequency response. Lengths in metres; 0 takes a loss away. */
typedef struct {
   double speed_m_s;
   double flux_time_s;    /* the high-frequency time constant of the recorded flux */
   double spacing_m;      /* tape to replay head */
   double gap_m;          /* replay head */
   double thickness_m;    /* magnetic layer */
   double bias_spacing_m; /* what the bias erases of short waves, as a spacing, at nominal bias */
   double lift_hz;        /* where the record amplifier's treble lift makes up for the losses */
   double lifted_lin;     /* what it leaves there, below 1: the highs are to be soft */
   double head_length_m;  /* replay head's face along the tape: low-frequency contour */
} BmTapeMachine;

/** The machine at a speed. */
BmTapeMachine bm_tape_machine(BmTapeSpeed speed);

/**
   Spacing loss, exp(-2 pi spacing / wavelength): 54.6 dB per wavelength of spacing. All three losses: R. L.
   Wallace, "The reproduction of magnetically recorded signals", Bell Syst. Tech. J. 30 (1951); linear gain.
*/
double bm_tape_spacing_loss(double frequency_hz, double speed_m_s, double spacing_m);

/** Thickness loss, (1 - exp(-x)) / x with x = 2 pi thickness / wavelength. */
double bm_tape_thickness_loss(double frequency_hz, double speed_m_s, double thickness_m);

/** Gap loss, |sin x / x| with x = pi gap / wavelength. */
double bm_tape_gap_loss(double frequency_hz, double speed_m_s, double gap_m);

/** Tape flux for a constant input, 1 / sqrt(1 + (2 pi f t)^2): IEC 60094-1, clause 15; linear. */
double bm_tape_flux(double frequency_hz, double flux_time_s);

/** All losses of a machine together, for a bias of `bias_lin` times the nominal one; linear. */
double bm_tape_losses(const BmTapeMachine* machine, double bias_lin, double frequency_hz);

/** The time constant of the record amplifier's treble lift, set as on the bench: with it and
   the losses at nominal bias, lifted_lin is left at lift_hz. 0 without losses. */
double bm_tape_lift_time_s(const BmTapeMachine* machine);

#endif
