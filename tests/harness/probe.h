/* SPDX-License-Identifier: ISC */
/*
   What an insert does, measured on a second instance of its plugin with the insert's own settings: pictures
   that fit its kind. The kind is told by the plugin's LV2 class and its ports, never by its name.

     has a gain_reduction output   static curve; attack and release of the reduction
     has a gain_change output      what a burst does to the gain
     distortion or amplifier       transfer curve, harmonics against drive and level, what a 5 kHz sine leaves
                                   besides itself
     that with a bias and a speed  the magnetisation of the tape against the field
     reverb                        energy decay and octave decay times (ISO 3382), echogram
     spatial, with azimuth         the pair of head responses
*/
#ifndef BM_HARNESS_PROBE_H
#define BM_HARNESS_PROBE_H

#include "figures.h"
#include "host.h"

/**
   Add the pictures of a plugin with `values` [n_ports] of its controls, at `rate_hz`.

   Loudness match is switched off for it, and a reverb is heard wet only. A plugin that no kind fits, or that
   cannot be hosted, adds none.
*/
void bm_probe_insert(BmHost* host, const BmPlugin* plugin, const float* values, double rate_hz,
                     BmFigures* figures);

/**
   Add mid and side spectra and a goniometer of a stereo file, with the same of `before_path` beside it.

   A file that is mono or cannot be read adds none.
*/
void bm_probe_stereo_file(const char* before_path, const char* after_path, BmFigures* figures);

/** Decay time in seconds to -60 dB from the slope between -5 and -35 dB of the backward integral (Schroeder;
   ISO 3382-1 T30) of `response` [n_frames]; NaN if it does not fall that far. */
double bm_measured_decay_s(const float* response, uint32_t n_frames, double rate_hz);

#endif
