/* SPDX-License-Identifier: ISC */
#ifndef BM_TAKES_PLUCKED_STRING_H
#define BM_TAKES_PLUCKED_STRING_H

#include "instrument.h"
#include "random.h"

#include <stdbool.h>
#include <stdint.h>

/** Frames between two decisions about a string; no loop is shorter. */
#define BM_STRING_BLOCK 16

/** Motion across the top (out of it) and along it: two polarisations side by side. */
typedef double BmPlanes __attribute__((vector_size(16)));

/** A string's loop at one fret. */
typedef struct {
   bool is_ready;
   double period_frames;
   double delay_frames; /* of the line and its fraction, before a player's error */
   double omega;        /* of the first partial */
   double loss_gain;
   double loss_pole;
   uint32_t n_sections;
   double a1[4];
   double a2[4];
} BmStringLoop;

/** How a string is let go. */
typedef struct {
   double force_n;
   double from_bridge_m;
   double contact_s; /* finger or pick draws the string aside */
   double release_s; /* and lets it slip: short is a pick, long a fingertip */
   double angle_rad; /* 0 out of the top, pi/2 along it */
   double scrape;    /* noise of the contact, as a share of the force */
} BmPluck;

/**
   One string as a digital waveguide: a loop of delay, loss and dispersion for each polarisation.

   Karplus & Strong, Computer Music Journal 7(2) 1983; Jaffe & Smith, ibid.; Smith, Physical Audio Signal
   Processing (waveguides, terminations, wave impedance); Valimaki, Huopaniemi, Karjalainen & Janosy, JAES
   44(5) 1996 (the loss filter, two polarisations). The waves are of velocity, in m/s. A pluck is the force of
   the hand over time, which enters the wave to the bridge at once and, turned over, the one from the nut: so
   the place of the pluck makes its comb.
*/
typedef struct {
   struct {
      const BmInstrument* instrument;
      const BmStringMake* make;
      double sample_rate_hz;
      double impedance;   /* kg/s */
      double split_cents; /* between the polarisations */
   } cfg;
   struct {
      BmStringLoop loops[BM_FRET_MAX + 1];
      const BmStringLoop* loop;
      uint32_t delay_frames;
      BmPlanes fraction; /* coefficient of a first-order all-pass */
      double hold;       /* factor a round, aimed at */
      double hold_slew;
   } coef;
   struct {
      BmPlanes* line;   /* waves that left the bridge */
      BmPlanes* pushes; /* waves that the hand sends to the bridge */
      uint64_t frame;
      uint64_t pushed_until;
      double hold;
      BmPlanes fraction_in;
      BmPlanes fraction_out;
      BmPlanes loss_out;
      BmPlanes s1[4];
      BmPlanes s2[4];
   } mem;
} BmPluckedString;

/** Set up a string at rest, open; false if memory runs out. Rates of 44.1 kHz to 192 kHz. */
bool bm_string_init(BmPluckedString* self, const BmInstrument* instrument, uint32_t index,
                    double sample_rate_hz);
void bm_string_free(BmPluckedString* self);

/** Stop the string at `fret`, off its place by `cents`. */
void bm_string_stop(BmPluckedString* self, uint32_t fret, double cents);

/** Lay a hand on the string, so that it dies away within `t60_s`; 0 lifts the hand. */
void bm_string_touch(BmPluckedString* self, double t60_s);

/** Pluck: the contact begins `ahead_frames` (with fraction) from now. */
void bm_string_pluck(BmPluckedString* self, const BmPluck* pluck, double ahead_frames, BmRandom* random);

/** The next block of waves that reach the bridge. */
void bm_string_arrive(BmPluckedString* self, BmPlanes arriving[BM_STRING_BLOCK]);

/** Send the block of waves that leave the bridge. */
void bm_string_depart(BmPluckedString* self, const BmPlanes departing[BM_STRING_BLOCK]);

/** Decay time, in s, of the string by itself at a frequency: 1/T = 1/low + (1/high - 1/low) (f / 5 kHz)^2. */
double bm_string_t60_s(const BmInstrument* instrument, const BmStringMake* make, double frequency_hz);

#endif
