/* SPDX-License-Identifier: ISC */
#include "unit_test.h"

#include "promises.h"

#define FET "fet-compressor"
#define OPTO "opto-compressor"
#define MU "variable-mu-compressor"
#define SHAPER "transient-shaper"
#define TUBE "tube-saturation"
#define TAPE "tape-saturation"
#define ALL 0.0, INFINITY

const Case preset_cases[] = {
   {FET, "catch-the-pick", "picked notes", {DOWN(CREST), DOWN(ATTACK)}},
   {FET, "snap-for-strumming", "strummed notes", {UP(ATTACK), DOWN(SPREAD)}},
   {FET, "dense-rhythm", "strummed notes", {DOWN(SPREAD), DOWN(CREST)}},
   {FET, "crushed-underneath", "strummed notes", {DOWN(SPREAD), KEPT(ATTACK)}},
   {FET, "slow-and-clean", "strummed notes", {DOWN(SPREAD), AT_MOST(DISTORTION, COLOUR_DB)}},

   {OPTO, "smooth-fingerstyle", "picked notes", {DOWN(SPREAD), AT_MOST(DISTORTION, COLOUR_DB), AS_BRIGHT}},
   {OPTO, "soften-the-pick", "phrase", {DARKER, DOWN(CREST)}},
   {OPTO, "long-sustain", "held chords", {UP(RING), DOWN(SPREAD)}},
   {OPTO, "hold-the-loud-strums", "strummed notes", {DOWN(CREST), DOWN(SPREAD), KEPT(ATTACK)}},
   {OPTO, "release-by-hand", "strummed notes", {DOWN(SPREAD), AT_MOST(DISTORTION, COLOUR_DB)}},

   {MU, "steady-strums", "strummed notes", {DOWN(SPREAD), AS_BRIGHT}},
   {MU, "warm-and-full", "strummed notes", {DOWN(SPREAD), {SECOND, -46.0, -43.0, 0.0, 0.0}}},
   {MU, "barely-there", "strummed notes", {{REDUCTION, 1.0, 3.0, 0.0, 0.0}, KEPT(ATTACK), AS_BRIGHT}},
   {MU, "one-level-for-the-verse", "strummed notes", {DOWN(SPREAD), KEPT(ATTACK)}},
   {MU, "lift-the-decay", "held chords", {UP(RING)}},

   {SHAPER, "more-pick", "picked notes", {UP(ATTACK)}},
   {SHAPER, "less-pick", "picked notes", {DOWN(ATTACK)}},
   {SHAPER, "longer-ring", "held chords", {UP(RING)}},
   {SHAPER, "tight-and-dry", "held chords", {DOWN(RING)}},
   {SHAPER, "livelier-sides", "doubled chords", {UP(SIDE_ATTACK), {MID_BAND, -STEP_DB, STEP_DB, ALL}}},
   {SHAPER, "ringing-sides", "doubled chords", {UP(SIDE_RING), {MID_BAND, -STEP_DB, STEP_DB, ALL}}},

   {TUBE, "warm-and-untouched", "picked notes", {AT_LEAST(SECOND, COLOUR_DB), KEPT(CREST), KEPT(ATTACK)}},
   {TUBE, "body-for-a-thin-take", "picked notes", {AT_LEAST(SECOND, -30.5), KEPT(ATTACK)}},
   {TUBE, "lean-in", "picked notes", {DOWN(CREST), KEPT(ATTACK)}},
   {TUBE, "edge-for-a-resonator", "picked notes", {AT_LEAST(THIRD, COLOUR_DB), AT_MOST(EVENNESS, -6.0)}},
   {TUBE, "torn-underneath", "picked notes", {AT_LEAST(DISTORTION, -20.0), KEPT(ATTACK)}},

   {TAPE, "round-the-pick", "picked notes", {DOWN(CREST)}},
   {TAPE, "kind-to-a-bright-pick", "picked notes", {DARKER}},
   {TAPE, "open-and-firm", "picked notes", {DOWN(CREST), AS_BRIGHT, MORE(60.0, 130.0)}},
   {TAPE, "old-reel", "picked notes", {AT_LEAST(THIRD, COLOUR_DB), {HISS, -60.0, INFINITY, 0.0, 0.0}}},
   {TAPE, "glue-a-strum", "strummed notes", {DOWN(CREST), DOWN(SPREAD), DARKER}},

   {"preamp",
    "a-little-iron",
    "picked notes",
    {{SECOND, -43.0, -37.0, 0.0, 0.0}, {THIRD, COLOUR_DB, INFINITY, 40.0, 0.0}, KEPT(CREST)}},
   {"preamp", "lean-on-the-core", "picked notes", {{THIRD, COLOUR_DB, INFINITY, 80.0, 0.0}}},
   {"preamp", "forward", "picked notes", {BRIGHTER, AT_LEAST(SECOND, COLOUR_DB)}},
   {"preamp", "dark-and-near", "picked notes", {DARKER, MORE(0.0, 150.0), AT_LEAST(SECOND, COLOUR_DB)}},
   {"preamp", "too-much-on-purpose", "picked notes", {AT_LEAST(DISTORTION, -20.0), DOWN(CREST)}},
};
const uint32_t n_preset_cases = sizeof preset_cases / sizeof *preset_cases;
