/* SPDX-License-Identifier: ISC */
#ifndef BM_ANALYSIS_LOUDNESS_MATCH_H
#define BM_ANALYSIS_LOUDNESS_MATCH_H

#include "analysis/k_weighting.h"
#include "base/control_clock.h"
#include "base/fade.h"
#include "base/frame.h"
#include "base/glide.h"
#include "base/status.h"

#include <stdbool.h>
#include <stdint.h>

/** Loudness of one signal, gated, over the window. Powers are sums over the channels, K-weighted. */
typedef struct {
   BmKWeighting weighting;
   double period_sum;
   double momentary;
   double mean;       /**< over the absolute gate */
   double gated_mean; /**< over the relative gate too */
   double gated_s;    /**< how long that has been so */
} BmMatchLoudness;

/** What a match has found for one of several alternatives. */
typedef struct {
   bool is_found;
   double gain_db;
   double heard_s;
   double mean[2]; /**< of reference and output, and so on */
   double gated_mean[2];
   double gated_s[2];
} BmMatchFinding;

/**
   Holds the loudness of a processed signal equal to that of what went in, so that an ear compares colour, not
   level.

   Both are K-weighted and gated as integrated loudness is (ITU-R BS.1770-4: both channels' energies summed,
   the absolute gate at -70 LUFS, then for each signal the relative gate 10 LU under its own mean), over the
   same eight seconds; blocks of 400 ms are a one-pole average here. The ratio is the gain. Until the window
   is full the average runs from the start, so that the first guess comes after 0.4 s. During the first 3 s of
   programme the gain may move 12 dB/s, from then on never faster than 0.9 dB/s, which is not heard as
   pumping. It stands still in silence, and in a pause or a tail until that has become the programme: by the
   gates. It boosts no more than 12 dB over what is known to be missing, and cuts no more than 60 dB, what is
   known beforehand included. What is not of BS.1770 is our own choice.

   Switched off it costs nothing and changes no bit; switched on again it starts from its last gain and
   listens anew.
*/
typedef struct {
   struct {
      double period_s;
      uint32_t period_frames;
   } cfg;
   struct {
      double momentary; /* one-pole coefficient of a period */
      double silence_power;
   } coef;
   struct {
      BmMatchLoudness reference;
      BmMatchLoudness output;
      double heard_s; /* programme so far */
      double gain_db;
      double gain; /* at this frame; runs in a straight line to the gain of gain_db */
      double gain_increment;
      uint32_t deaf_periods; /* what is heard is not yet what was recalled */
      BmMatchFinding recalled;
   } mem;
   BmControlClock clock;
   BmFade enabled;
   BmGlide known; /* a gain that need not be found */
   double known_inverse;
   double known_next;
   uint32_t known_wait_frames;
   bool is_fresh; /* nothing heard since init or reset */
} BmLoudnessMatch;

/** Set up, off, at 0 dB. Errors: BM_BAD_RATE. */
BmStatus bm_loudness_match_init(BmLoudnessMatch* self, double sample_rate_hz);

/** Switch on or off by a cross-fade of BM_FADE_MS; the first call after init or reset takes effect at once.
 */
void bm_loudness_match_set(BmLoudnessMatch* self, bool enabled);

/**
   Take a gain out that is known beforehand, linear, above 0: what it leaves is found by listening. The first
   after init or reset at once, later ones after `wait_frames`, when they are heard, by a glide. Real-time:
   yes.
*/
void bm_loudness_match_know(BmLoudnessMatch* self, double gain_lin, uint32_t wait_frames);

/**
   Scale `io` to the loudness of `reference`.

   @param reference  [n_frames] what went into the processor, delayed by the processor's latency.
   @param io         [n_frames] what came out, before this gain; not the same buffer as `reference`.

   Real-time: yes. Latency: none.
*/
void bm_loudness_match_process(BmLoudnessMatch* self, const BmFrame* reference, BmFrame* io,
                               uint32_t n_frames);

/** What has been found, for bm_loudness_match_recall(). */
BmMatchFinding bm_loudness_match_finding(const BmLoudnessMatch* self);

/**
   Begin with the gain of `finding`, at once. Was it found, the averages go on from there after `deaf_frames`,
   once the processor is ready; else it listens anew. For an output that is not heard yet. Real-time: yes.
*/
void bm_loudness_match_recall(BmLoudnessMatch* self, const BmMatchFinding* finding, uint32_t deaf_frames);

/** Take the gain found so far, if any, at once. For an output that is not heard yet. */
void bm_loudness_match_jump(BmLoudnessMatch* self);

/** As after init; on or off is kept. */
void bm_loudness_match_reset(BmLoudnessMatch* self);

/** The gain found so far beside what is known, dB; 0 before the first guess. */
double bm_loudness_match_gain_db(const BmLoudnessMatch* self);

#endif
