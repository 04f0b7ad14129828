/* SPDX-License-Identifier: ISC */
#include "gallery.h"

#include "figures.h"
#include "layer.h"
#include "probe.h"
#include "response.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define PI 3.14159265358979323846
#define RATE_HZ 48000.0
#define MAX_LINES 4

typedef enum {
   PROBE,  /* a picture that reports draw too; with several lines, the last series of each */
   CURVE,  /* magnitude over frequency, first input to first output */
   SWEEP,  /* level at one output while a control goes through its range */
   LEVELS, /* a harmonic of a steady sine against the sine's level; the first as it comes out */
   METERS, /* what a meter says over time of two tones */
   LAYER,  /* the magnetic layer by itself */
} Kind;

typedef struct {
   const char* label;
   const char* settings; /* "symbol=value symbol=value" */
   BmResponseInput input;
   uint32_t output;
   double tone_hz;
   uint32_t harmonic; /* 0: all of them */
} Line;

typedef struct {
   const char* plugin; /* as bm_find_named_plugin takes it */
   const char* file;   /* without .svg */
   const char* title;
   const char* caption; /* NULL: what the picture found */
   Kind kind;
   const char* what;     /* PROBE: its title there; SWEEP: the control */
   const char* settings; /* for all lines */
   Line lines[MAX_LINES];
   double min;
   double max; /* of a level; min == max: as measured */
} Recipe;

/* Tones in the order of lines; each differs from the others in more than hue. */
static const BmPlotTone tones[MAX_LINES] = {BM_TONE_AFTER, BM_TONE_BEFORE, BM_TONE_CURVE, BM_TONE_EXTRA};

static const Recipe recipes[] = {
   {.plugin = "channel-strip#mono",
    .file = "compressors",
    .title = "Compressors in the slot",
    .caption = "What a steady 1 kHz sine comes out at, each with its threshold at -20 dBFS.",
    .kind = LEVELS,
    .settings = "fet_threshold=-20 opto_threshold=-20 mu_threshold=-20",
    .lines = {{.label = "FET", .settings = "character1=1", .tone_hz = 1000.0, .harmonic = 1},
              {.label = "Opto", .settings = "character1=2", .tone_hz = 1000.0, .harmonic = 1},
              {.label = "Variable-mu", .settings = "character1=3", .tone_hz = 1000.0, .harmonic = 1}},
    .min = -36.0,
    .max = 0.0},
   {.plugin = "channel-strip#mono",
    .file = "colours",
    .title = "Colours in the chain",
    .caption = "Distortion of a 1 kHz sine, harmonics 2 to 5 together, with every stage at its defaults.",
    .kind = LEVELS,
    .lines = {{.label = "Preamp", .settings = "preamp_in=1", .tone_hz = 1000.0},
              {.label = "Tube", .settings = "character1=4", .tone_hz = 1000.0},
              {.label = "Tape", .settings = "character1=5", .tone_hz = 1000.0},
              {.label = "All three", .settings = "preamp_in=1 character1=4 character2=5", .tone_hz = 1000.0}},
    .min = -100.0,
    .max = 0.0},
   {.plugin = "channel-strip#stereo",
    .file = "equalisers",
    .title = "Two equalisers in a row",
    .caption =
       "The Fundamental EQ acts on all, the mid-side EQ then lifts the side's top and clears its bottom.",
    .kind = CURVE,
    .settings = "eq_in=1 eq_harmonic_gain=-4 ms_in=1 ms_side_low_cut=1 ms_side_high_shelf_gain=4",
    .lines = {{.label = "Mid", .input = BM_INPUT_BOTH}, {.label = "Side", .input = BM_INPUT_SIDE}},
    .min = -24.0,
    .max = 6.0},

   {.plugin = "fet-compressor#mono",
    .file = "ratio",
    .title = "Static curve by ratio",
    .caption = "What a steady 1 kHz sine comes out at. The lower the ratio, the wider the knee.",
    .kind = PROBE,
    .what = "Static curve",
    .settings = "threshold=-30",
    .lines = {{.label = "2", .settings = "ratio=2"},
              {.label = "4", .settings = "ratio=4"},
              {.label = "8", .settings = "ratio=8"},
              {.label = "20", .settings = "ratio=20"}}},
   {.plugin = "fet-compressor#mono",
    .file = "release",
    .title = "Release",
    .caption = "Gain after a 1 kHz tone has stepped from -6 back to -40 dBFS.",
    .kind = PROBE,
    .what = "Release",
    .settings = "threshold=-30",
    .lines = {{.label = "50 ms", .settings = "release=50"},
              {.label = "200 ms", .settings = "release=200"},
              {.label = "1100 ms", .settings = "release=1100"}}},
   {.plugin = "fet-compressor#mono",
    .file = "grit",
    .title = "Distortion of a 60 Hz tone by release",
    .caption =
       "Harmonics 2 to 5 together. The faster it lets go, the more the gain rides the wave of a low note.",
    .kind = LEVELS,
    .settings = "threshold=-20",
    .lines = {{.label = "50 ms", .settings = "release=50", .tone_hz = 60.0},
              {.label = "200 ms", .settings = "release=200", .tone_hz = 60.0},
              {.label = "1100 ms", .settings = "release=1100", .tone_hz = 60.0}},
    .min = -80.0,
    .max = -20.0},

   {.plugin = "opto-compressor#mono",
    .file = "law",
    .title = "Static curve by law",
    .caption = "What a steady 1 kHz sine comes out at.",
    .kind = PROBE,
    .what = "Static curve",
    .settings = "threshold=-30",
    .lines = {{.label = "Compress", .settings = "law=0"}, {.label = "Limit", .settings = "law=1"}}},
   {.plugin = "opto-compressor#mono",
    .file = "attack",
    .title = "Attack",
    .kind = PROBE,
    .what = "Attack",
    .settings = "threshold=-30"},
   {.plugin = "opto-compressor#mono",
    .file = "release",
    .title = "Release",
    .caption =
       "Gain after a 1 kHz tone of 0.7 s has stepped from -6 back to -40 dBFS: the cell lets go of half "
       "at once and of the rest in its own time.",
    .kind = PROBE,
    .what = "Release",
    .settings = "threshold=-30",
    .lines = {{.label = "From the cell", .settings = "release_source=0"},
              {.label = "Set, 200 ms", .settings = "release_source=1 release=200"}}},

   {.plugin = "variable-mu-compressor#mono",
    .file = "curve",
    .title = "Static curve",
    .kind = PROBE,
    .what = "Static curve",
    .settings = "threshold=-30"},
   {.plugin = "variable-mu-compressor#mono",
    .file = "attack",
    .title = "Attack",
    .caption = "Gain when a 1 kHz tone steps from -40 to -6 dBFS.",
    .kind = PROBE,
    .what = "Attack",
    .settings = "threshold=-30",
    .lines = {{.label = "5 ms", .settings = "attack=5"},
              {.label = "20 ms", .settings = "attack=20"},
              {.label = "50 ms", .settings = "attack=50"}}},
   {.plugin = "variable-mu-compressor#mono",
    .file = "release",
    .title = "Release",
    .caption = "Gain after a 1 kHz tone of 0.7 s has stepped from -6 back to -40 dBFS.",
    .kind = PROBE,
    .what = "Release",
    .settings = "threshold=-30",
    .lines = {{.label = "0.3 s", .settings = "release=0.3"},
              {.label = "0.6 s", .settings = "release=0.6"},
              {.label = "2 s", .settings = "release=2"}}},

   {.plugin = "variable-mu-compressor#mono",
    .file = "balance",
    .title = "Harmonics of a pair out of balance",
    .caption = "1 kHz. In balance the second harmonic is gone.",
    .kind = LEVELS,
    .settings = "threshold=-30",
    .lines = {{.label = "H2, balance 50", .settings = "balance=50", .tone_hz = 1000.0, .harmonic = 2},
              {.label = "H2, balance 20", .settings = "balance=20", .tone_hz = 1000.0, .harmonic = 2},
              {.label = "H3, balance 50", .settings = "balance=50", .tone_hz = 1000.0, .harmonic = 3}},
    .min = -100.0,
    .max = -20.0},

   {.plugin = "transient-shaper#mono",
    .file = "attack",
    .title = "Attack",
    .caption = "Gain when a 1 kHz tone steps from -40 to -6 dBFS.",
    .kind = PROBE,
    .what = "Attack",
    .lines = {{.label = "+6 dB", .settings = "attack=6"}, {.label = "-6 dB", .settings = "attack=-6"}}},
   {.plugin = "transient-shaper#mono",
    .file = "sustain",
    .title = "Sustain",
    .caption = "Gain after the tone has stepped back: the decay is lifted or shortened.",
    .kind = PROBE,
    .what = "Release",
    .lines = {{.label = "+6 dB", .settings = "sustain=6"}, {.label = "-6 dB", .settings = "sustain=-6"}}},

   {.plugin = "fundamental-eq#mono",
    .file = "low-cut",
    .title = "Low cut under E2",
    .caption = "The low cut by slope, with the lowest note at 82.4 Hz.",
    .kind = CURVE,
    .settings = "note_source=0 note_freq=82.407 low_cut=1",
    .lines = {{.label = "12 dB/octave", .settings = "low_cut_slope=12"},
              {.label = "24 dB/octave", .settings = "low_cut_slope=24"},
              {.label = "36 dB/octave", .settings = "low_cut_slope=36"}},
    .min = -48.0,
    .max = 6.0},
   {.plugin = "fundamental-eq#mono",
    .file = "note",
    .title = "Both filters stand on the note",
    .caption = "The same settings, a cut of 5 dB on the second harmonic, for three lowest notes.",
    .kind = CURVE,
    .settings = "note_source=0 harmonic_gain=-5",
    .lines = {{.label = "B1, baritone guitar", .settings = "note_freq=61.735"},
              {.label = "E2, guitar", .settings = "note_freq=82.407"},
              {.label = "C4, ukulele", .settings = "note_freq=261.63"}},
    .min = -24.0,
    .max = 6.0},
   {.plugin = "fundamental-eq#mono",
    .file = "harmonic-bell",
    .title = "Harmonic bell by Q",
    .caption = "A boost of 4 dB on the second harmonic of 82.4 Hz; the low cut is off.",
    .kind = CURVE,
    .settings = "note_source=0 note_freq=82.407 low_cut=0 harmonic_gain=4",
    .lines = {{.label = "0.5", .settings = "harmonic_q=0.5"},
              {.label = "1.4", .settings = "harmonic_q=1.4"},
              {.label = "5", .settings = "harmonic_q=5"}},
    .min = -1.0,
    .max = 5.0},
   {.plugin = "fundamental-eq#mono",
    .file = "tone",
    .title = "Shelves and bells",
    .caption = "Each at its default frequency and Q, 6 dB up.",
    .kind = CURVE,
    .settings = "low_cut=0",
    .lines = {{.label = "Low shelf", .settings = "low_shelf_gain=6"},
              {.label = "Bell 1", .settings = "bell1_gain=6"},
              {.label = "Bell 2", .settings = "bell2_gain=6"},
              {.label = "High shelf", .settings = "high_shelf_gain=6"}},
    .min = -3.0,
    .max = 9.0},

   {.plugin = "mid-side-eq#stereo",
    .file = "mid-and-side",
    .title = "One equaliser each",
    .caption = "What the middle and the side of a pair get with less low end and more air at the edges, and "
               "presence in "
               "the middle.",
    .kind = CURVE,
    .settings =
       "side_low_shelf_freq=250 side_low_shelf_gain=-4 mid_bell2_freq=2800 mid_bell2_gain=2 mid_bell2_q=0.8 "
       "side_high_shelf_freq=7000 side_high_shelf_gain=3",
    .lines = {{.label = "Mid", .settings = "", .input = BM_INPUT_BOTH, .output = 0},
              {.label = "Side", .settings = "", .input = BM_INPUT_SIDE, .output = 0}},
    .min = -6.0,
    .max = 6.0},
   {.plugin = "mid-side-eq#stereo",
    .file = "side-low-cut",
    .title = "Mono below a corner",
    .caption = "The side's low cut at 150 Hz by slope.",
    .kind = CURVE,
    .settings = "side_low_cut=1 side_low_cut_freq=150",
    .lines =
       {{.label = "12 dB/octave", .settings = "side_low_cut_slope=12", .input = BM_INPUT_SIDE, .output = 0},
        {.label = "24 dB/octave", .settings = "side_low_cut_slope=24", .input = BM_INPUT_SIDE, .output = 0},
        {.label = "36 dB/octave", .settings = "side_low_cut_slope=36", .input = BM_INPUT_SIDE, .output = 0}},
    .min = -48.0,
    .max = 6.0},
   {.plugin = "mid-side-eq#stereo",
    .file = "bands",
    .title = "The bands of the side",
    .caption = "Each at its default frequency and Q, 6 dB up; those of the mid are alike.",
    .kind = CURVE,
    .lines =
       {{.label = "Low shelf", .settings = "side_low_shelf_gain=6", .input = BM_INPUT_SIDE, .output = 0},
        {.label = "Bell 1", .settings = "side_bell1_gain=6", .input = BM_INPUT_SIDE, .output = 0},
        {.label = "Bell 2", .settings = "side_bell2_gain=6", .input = BM_INPUT_SIDE, .output = 0},
        {.label = "High shelf", .settings = "side_high_shelf_gain=6", .input = BM_INPUT_SIDE, .output = 0}},
    .min = -3.0,
    .max = 9.0},

   {.plugin = "mid-side-matrix#stereo",
    .file = "width",
    .title = "Width",
    .caption =
       "Level of what left and right share, and of what they do not: the middle, all that mono keeps, "
       "stays.",
    .kind = SWEEP,
    .what = "width",
    .lines = {{.label = "Mid", .settings = "", .input = BM_INPUT_BOTH, .output = 0},
              {.label = "Side", .settings = "", .input = BM_INPUT_SIDE, .output = 0}},
    .min = -30.0,
    .max = 10.0},
   {.plugin = "mid-side-matrix#stereo",
    .file = "side-gain",
    .title = "Side gain",
    .caption = "Of a take that is on the left alone: what comes out left and, as the side is raised or "
               "lowered, right.",
    .kind = SWEEP,
    .what = "side_gain",
    .lines = {{.label = "Left", .settings = "", .input = BM_INPUT_LEFT, .output = 0},
              {.label = "Right", .settings = "", .input = BM_INPUT_LEFT, .output = 1}},
    .min = -30.0,
    .max = 24.0},

   {.plugin = "preamp#mono",
    .file = "transfer",
    .title = "Transfer curve by gain",
    .caption =
       "Output against input over one period of a 1 kHz sine at 0 dBFS, the output trimmed by as much as the "
       "gain adds: one half of the wave bends first.",
    .kind = PROBE,
    .what = "Transfer curve",
    .lines = {{.label = "0 dB", .settings = ""},
              {.label = "6 dB", .settings = "gain=6 output_gain=-6"},
              {.label = "12 dB", .settings = "gain=12 output_gain=-12"}}},
   {.plugin = "preamp#mono",
    .file = "drive",
    .title = "Harmonics against gain",
    .kind = PROBE,
    .what = "Harmonics against drive"},
   {.plugin = "preamp#mono",
    .file = "iron",
    .title = "The transformer against the triode",
    .caption = "The triode's second harmonic is the same at every frequency; the transformer's third belongs "
               "to what is "
               "low and loud.",
    .kind = LEVELS,
    .lines = {{.label = "H2, 1 kHz", .tone_hz = 1000.0, .harmonic = 2},
              {.label = "H3, 30 Hz", .tone_hz = 30.0, .harmonic = 3},
              {.label = "H3, 80 Hz", .tone_hz = 80.0, .harmonic = 3},
              {.label = "H3, 1 kHz", .tone_hz = 1000.0, .harmonic = 3}},
    .min = -120.0,
    .max = 0.0},
   {.plugin = "preamp#mono",
    .file = "aliases",
    .title = "A 5 kHz sine at 0 dBFS, without oversampling and with",
    .kind = PROBE,
    .what = "What a 5 kHz sine",
    .settings = "gain=6"},
   {.plugin = "preamp#mono",
    .file = "tone",
    .title = "Tone",
    .caption = "The two shelves at 6 dB up and down, and the band without them.",
    .kind = CURVE,
    .lines = {{.label = "Neither", .settings = ""},
              {.label = "Both up", .settings = "low_gain=6 high_gain=6"},
              {.label = "Both down", .settings = "low_gain=-6 high_gain=-6"}},
    .min = -9.0,
    .max = 9.0},

   {.plugin = "tube-saturation#mono",
    .file = "transfer",
    .title = "Transfer curve by drive",
    .caption = "Output against input over one period of a 1 kHz sine at 0 dBFS.",
    .kind = PROBE,
    .what = "Transfer curve",
    .lines = {{.label = "-6 dB", .settings = "drive=-6"},
              {.label = "6 dB", .settings = "drive=6"},
              {.label = "18 dB", .settings = "drive=18"}}},
   {.plugin = "tube-saturation#mono",
    .file = "drive",
    .title = "Harmonics against drive",
    .kind = PROBE,
    .what = "Harmonics against drive"},
   {.plugin = "tube-saturation#mono",
    .file = "drive-biased",
    .title = "Harmonics against drive, biased to bite",
    .caption = "The same with the bias at 100: the second harmonic goes, the third stays.",
    .kind = PROBE,
    .what = "Harmonics against drive",
    .settings = "bias=100"},
   {.plugin = "tube-saturation#mono",
    .file = "aliases",
    .title = "A 5 kHz sine at 0 dBFS, without oversampling and with",
    .kind = PROBE,
    .what = "What a 5 kHz sine",
    .settings = "drive=6"},

   {.plugin = "tape-saturation#mono",
    .file = "transfer",
    .title = "Transfer curve by drive",
    .caption =
       "Output against input over one period of a 1 kHz sine at 0 dBFS; what opens the lines is the phase of "
       "the machine's equalisation.",
    .kind = PROBE,
    .what = "Transfer curve",
    .lines = {{.label = "-6 dB", .settings = "drive=-6"},
              {.label = "6 dB", .settings = "drive=6"},
              {.label = "18 dB", .settings = "drive=18"}}},
   {.plugin = "tape-saturation#mono",
    .file = "drive",
    .title = "Harmonics against drive",
    .kind = PROBE,
    .what = "Harmonics against drive"},
   {.plugin = "tape-saturation#mono", .file = "hysteresis", .title = "The layer's hysteresis", .kind = LAYER},
   {.plugin = "tape-saturation#mono",
    .file = "magnetisation",
    .title = "Magnetisation against field, as hosted",
    .kind = PROBE,
    .what = "Magnetisation against field",
    .settings = "drive=6"},
   {.plugin = "tape-saturation#mono",
    .file = "speed",
    .title = "Quiet response by speed",
    .caption = "Head bump and soft highs of a quiet signal.",
    .kind = CURVE,
    .lines = {{.label = "19 cm/s", .settings = "speed=19"},
              {.label = "38 cm/s", .settings = "speed=38"},
              {.label = "76 cm/s", .settings = "speed=76"}},
    .min = -15.0,
    .max = 6.0},
   {.plugin = "tape-saturation#mono",
    .file = "aliases",
    .title = "A 5 kHz sine at 0 dBFS, without oversampling and with",
    .kind = PROBE,
    .what = "What a 5 kHz sine",
    .settings = "drive=6"},

   {.plugin = "room-reverb#mono-to-stereo",
    .file = "decay",
    .title = "Energy decay",
    .caption = "Backward integral of the energy (ISO 3382) by the decay that is set.",
    .kind = PROBE,
    .what = "Energy decay",
    .lines = {{.label = "2 s", .settings = "decay=2"},
              {.label = "1 s", .settings = "decay=1"},
              {.label = "0.4 s", .settings = "decay=0.4"}}},
   {.plugin = "room-reverb#mono-to-stereo",
    .file = "octaves",
    .title = "Decay time by octave",
    .caption = "T30 with a decay of 1 s.",
    .kind = PROBE,
    .what = "Decay time by octave",
    .settings = "decay=1",
    .lines = {{.label = "Bright", .settings = "damping_freq=16000"},
              {.label = "As it stands", .settings = ""},
              {.label = "Dark, long bottom", .settings = "damping_freq=4000 low_decay=140"}}},
   {.plugin = "room-reverb#mono-to-stereo",
    .file = "echogram",
    .title = "Echogram",
    .kind = PROBE,
    .what = "Echogram"},

   {.plugin = "take-placement#mono-to-stereo",
    .file = "pan",
    .title = "Pan laws",
    .caption = "Level of a take on the right as it moves from left to right.",
    .kind = SWEEP,
    .what = "pan_a",
    .lines = {{.label = "-3 dB", .settings = "law=-3", .input = BM_INPUT_BOTH, .output = 1},
              {.label = "-4.5 dB", .settings = "law=-4.5", .input = BM_INPUT_BOTH, .output = 1},
              {.label = "-6 dB", .settings = "law=-6", .input = BM_INPUT_BOTH, .output = 1}},
    .min = -36.0,
    .max = 3.0},
   {.plugin = "take-placement#mono-to-stereo",
    .file = "ears",
    .title = "An impulse at each ear",
    .kind = PROBE,
    .what = "The first take at each ear",
    .settings = "method=1 azimuth_a=60"},
   {.plugin = "take-placement#mono-to-stereo",
    .file = "head",
    .title = "Near and far ear",
    .caption = "The left ear's response with a take 60 degrees to its side, straight ahead, and 60 degrees "
               "to the other.",
    .kind = CURVE,
    .settings = "method=1",
    .lines = {{.label = "Near side", .settings = "azimuth_a=-60"},
              {.label = "Ahead", .settings = "azimuth_a=0"},
              {.label = "Far side", .settings = "azimuth_a=60"}},
    .min = -36.0,
    .max = 12.0},

   {.plugin = "take-meter#stereo",
    .file = "loudness",
    .title = "Three windows on loudness",
    .caption = "A 1 kHz tone of -23 dBFS on both sides for 6 s, then of -33: momentary looks at 0.4 s, "
               "short-term at 3 s, "
               "integrated at all of it above its gate.",
    .kind = METERS,
    .lines = {{.label = "Momentary", .settings = "momentary"},
              {.label = "Short-term", .settings = "short_term"},
              {.label = "Integrated", .settings = "integrated"}},
    .min = -42.0,
    .max = -18.0},
};

#define N_RECIPES (sizeof recipes / sizeof *recipes)

/* ---- settings ---- */

/* Write "symbol=value symbol=value" into `values` [n_ports]. */
static bool apply(const BmPlugin* plugin, const char* settings, float* values, BmError* error)
{
   char* text = bm_copy(settings ? settings : "");
   char* rest = NULL;
   for (char* word = strtok_r(text, " ", &rest); word && !error->is_set; word = strtok_r(NULL, " ", &rest)) {
      char* value = strchr(word, '=');
      if (!value) {
         bm_fail(error, "the manual's picture of %s: \"%s\" is not symbol=value", plugin->uri, word);
         break;
      }
      *value++ = '\0';
      const BmPort* port = bm_plugin_port(plugin, word, error);
      if (port && bm_port_check(port, strtod(value, NULL), RATE_HZ, error)) {
         values[port->index] = strtof(value, NULL);
      }
   }
   free(text);
   return !error->is_set;
}

/* [n_ports] values for one line of a picture; the caller frees them. NULL with the error set. */
static float* settle(const BmPlugin* plugin, const Recipe* recipe, const Line* line, BmError* error)
{
   float* values = bm_calloc(plugin->n_ports, sizeof(float));
   for (uint32_t n = 0; n < plugin->n_ports; ++n) {
      values[n] = plugin->ports[n].def;
   }
   const bool has_settings = recipe->kind != METERS;
   if (has_settings && (!apply(plugin, recipe->settings, values, error) ||
                        (line && !apply(plugin, line->settings, values, error)))) {
      free(values);
      return NULL;
   }
   return values;
}

static uint32_t count_lines(const Recipe* recipe)
{
   uint32_t n_lines = 0;
   while (n_lines < MAX_LINES && recipe->lines[n_lines].label) {
      ++n_lines;
   }
   return n_lines;
}

/* ---- pictures ---- */

static const BmPlot* find_figure(const BmFigures* figures, const char* title)
{
   for (uint32_t n = 0; n < figures->n_plots; ++n) {
      if (!strncmp(figures->plots[n].title, title, strlen(title))) {
         return &figures->plots[n];
      }
   }
   return NULL;
}

static void widen(BmPlotAxis* axis, const BmPlotAxis* other)
{
   axis->min = fmin(axis->min, other->min);
   axis->max = fmax(axis->max, other->max);
}

/* The probe's picture; with lines, what each of them measured in one. `figures` [MAX_LINES] hold what the
   plot borrows. */
static bool probe(BmHost* host, const BmPlugin* plugin, const Recipe* recipe, BmFigures* figures,
                  BmPlotSeries* series, BmPlot* plot, BmError* error)
{
   const uint32_t n_lines = count_lines(recipe);
   for (uint32_t n = 0; n < (n_lines ? n_lines : 1); ++n) {
      float* values = settle(plugin, recipe, n_lines ? &recipe->lines[n] : NULL, error);
      if (!values) {
         return false;
      }
      bm_probe_insert(host, plugin, values, RATE_HZ, &figures[n]);
      free(values);
      const BmPlot* found = find_figure(&figures[n], recipe->what);
      if (!found || !found->n_series) {
         return bm_fail(error, "%s: the probe has no picture \"%s\"", plugin->uri, recipe->what);
      }
      if (!n_lines) {
         *plot = *found;
         return true;
      }
      if (n == 0) {
         *plot = *found;
         plot->n_series = 0;
         plot->series = series;
         for (uint32_t s = 0; s + 1 < found->n_series; ++s) {
            series[plot->n_series++] = found->series[s];
         }
      }
      widen(&plot->x, &found->x);
      widen(&plot->y, &found->y);
      BmPlotSeries* line = &series[plot->n_series++];
      *line = found->series[found->n_series - 1];
      line->label = recipe->lines[n].label;
      line->tone = tones[n];
   }
   return true;
}

static bool draw_curves(BmHost* host, const BmPlugin* plugin, const Recipe* recipe, BmFigures* figures,
                        BmError* error)
{
   const BmResponseOptions options = bm_response_curve_options(RATE_HZ);
   BmPlot* plot = bm_figures_add(figures, recipe->title, NULL);
   plot->x = (BmPlotAxis){.scale = BM_AXIS_LOG, .min = 20.0, .max = 20000.0, .label = "Frequency, Hz"};
   plot->y = (BmPlotAxis){.label = "Level change, dB"};
   plot->height_px = 260.0;
   for (uint32_t n = 0; n < count_lines(recipe); ++n) {
      const Line* line = &recipe->lines[n];
      float* values = settle(plugin, recipe, line, error);
      BmResponse response = {0};
      if (values && bm_response_of_plugin(host, plugin, values, line->input, &options, &response, error)) {
         double* x = bm_figures_doubles(figures, response.n_points);
         double* y = bm_figures_doubles(figures, response.n_points);
         memcpy(x, response.frequency_hz, response.n_points * sizeof *x);
         memcpy(y, response.magnitude_db, response.n_points * sizeof *y);
         bm_figures_add_series(plot, line->label, tones[n], x, y, response.n_points);
      }
      bm_response_free(&response);
      free(values);
      if (error->is_set) {
         return false;
      }
   }
   return true;
}

/* Run up to two channels of a tone; the first `n_out` [n_frames] are what came out. */
static void run_tone(BmInstance* instance, const float* left, const float* right, float* out[2],
                     uint32_t n_frames)
{
   const BmPlugin* plugin = bm_instance_plugin(instance);
   const float* const in[2] = {left, plugin->n_audio_in > 1 ? right : NULL};
   bm_instance_run(instance, in, out, n_frames);
}

static void set_all(BmInstance* instance, const BmPlugin* plugin, const float* values)
{
   for (uint32_t p = 0; p < plugin->n_ports; ++p) {
      if (plugin->ports[p].kind == BM_PORT_CONTROL && plugin->ports[p].is_input) {
         bm_instance_set(instance, p, values[p]);
      }
   }
}

static bool draw_sweep(BmHost* host, const BmPlugin* plugin, const Recipe* recipe, BmFigures* figures,
                       BmError* error)
{
   enum { N_POINTS = 51, N_FRAMES = 9600, N_LOOK = 4800 };
   const BmPort* port = bm_plugin_port(plugin, recipe->what, error);
   if (!port) {
      return false;
   }
   BmPlot* plot = bm_figures_add(figures, recipe->title, NULL);
   plot->x = (BmPlotAxis){
      .label = bm_figures_text(figures, "%s%s%s", port->name, port->unit[0] ? ", " : "", port->unit),
      .min = (double)port->min,
      .max = (double)port->max};
   plot->y = (BmPlotAxis){.label = "Level, dB"};
   float* buffers = bm_calloc(4u * N_FRAMES, sizeof(float));
   float* left = buffers;
   float* right = buffers + N_FRAMES;
   float* out[2] = {buffers + 2 * N_FRAMES, buffers + 3 * N_FRAMES};
   for (uint32_t l = 0; l < count_lines(recipe) && !error->is_set; ++l) {
      const Line* line = &recipe->lines[l];
      float* values = settle(plugin, recipe, line, error);
      double* x = bm_figures_doubles(figures, N_POINTS);
      double* y = bm_figures_doubles(figures, N_POINTS);
      for (uint32_t n = 0; n < N_FRAMES; ++n) {
         left[n] = (float)(0.1 * sin(2.0 * PI * 1000.0 * n / RATE_HZ));
         right[n] = line->input == BM_INPUT_LEFT ? 0.0f : line->input == BM_INPUT_SIDE ? -left[n] : left[n];
      }
      for (uint32_t point = 0; values && point < N_POINTS; ++point) {
         BmInstance* instance = bm_instance_new(host, plugin, RATE_HZ, 1024, error);
         if (!instance) {
            break;
         }
         x[point] = plot->x.min + (plot->x.max - plot->x.min) * point / (N_POINTS - 1);
         values[port->index] = (float)x[point];
         set_all(instance, plugin, values);
         run_tone(instance, left, right, out, N_FRAMES);
         double power = 0.0;
         for (uint32_t n = N_FRAMES - N_LOOK; n < N_FRAMES; ++n) {
            power += (double)out[line->output][n] * (double)out[line->output][n];
         }
         y[point] = 10.0 * log10(power / (0.005 * N_LOOK) + 1e-12);
         bm_instance_free(instance);
      }
      bm_figures_add_series(plot, line->label, tones[l], x, y, N_POINTS);
      free(values);
   }
   free(buffers);
   return !error->is_set;
}

/* Power of harmonic `h` of a tone that goes `bin` times through [n_frames]. */
static double harmonic_power(const float* samples, uint32_t n_frames, uint32_t bin, uint32_t h)
{
   double in_phase = 0.0;
   double in_quadrature = 0.0;
   for (uint32_t n = 0; n < n_frames; ++n) {
      const double phase = 2.0 * PI * (double)((uint64_t)bin * h * n % n_frames) / n_frames;
      in_phase += (double)samples[n] * cos(phase);
      in_quadrature += (double)samples[n] * sin(phase);
   }
   return in_phase * in_phase + in_quadrature * in_quadrature;
}

static bool draw_levels(BmHost* host, const BmPlugin* plugin, const Recipe* recipe, BmFigures* figures,
                        BmError* error)
{
   enum { N = 16384, N_FRAMES = 4 * N, N_POINTS = 13 };
   BmPlot* plot = bm_figures_add(figures, recipe->title, NULL);
   plot->x = (BmPlotAxis){.label = "In, dBFS (peak)", .min = -36.0, .max = 0.0};
   plot->y = (BmPlotAxis){.label = recipe->lines[0].harmonic == 1 ? "Out, dBFS (peak)"
                                                                  : "Under the fundamental, dB"};
   float* in = bm_calloc(2u * N_FRAMES, sizeof(float));
   float* out[2] = {in + N_FRAMES, NULL};
   for (uint32_t l = 0; l < count_lines(recipe) && !error->is_set; ++l) {
      const Line* line = &recipe->lines[l];
      float* values = settle(plugin, recipe, line, error);
      BmInstance* instance = values ? bm_instance_new(host, plugin, RATE_HZ, 1024, error) : NULL;
      double* x = bm_figures_doubles(figures, N_POINTS);
      double* y = bm_figures_doubles(figures, N_POINTS);
      const uint32_t bin = (uint32_t)(line->tone_hz * N / RATE_HZ) | 1u;
      if (instance) {
         set_all(instance, plugin, values);
      }
      for (uint32_t point = 0; instance && point < N_POINTS; ++point) {
         x[point] = -36.0 + 3.0 * point;
         const double amplitude = pow(10.0, x[point] / 20.0);
         for (uint32_t n = 0; n < N_FRAMES; ++n) {
            in[n] = (float)(amplitude * sin(2.0 * PI * (double)((uint64_t)bin * n % N) / N));
         }
         bm_instance_restart(instance);
         run_tone(instance, in, NULL, out, N_FRAMES);
         const float* heard = out[0] + N_FRAMES - N;
         double power = line->harmonic ? harmonic_power(heard, N, bin, line->harmonic) : 0.0;
         for (uint32_t h = 2; h <= 5 && !line->harmonic; ++h) {
            power += harmonic_power(heard, N, bin, h);
         }
         /* A sine of full scale has (N / 2)^2. */
         const double whole = line->harmonic == 1 ? 0.25 * N * N : harmonic_power(heard, N, bin, 1);
         y[point] = 10.0 * log10(power / whole + 1e-16);
      }
      bm_figures_add_series(plot, line->label, tones[l], x, y, N_POINTS);
      bm_instance_free(instance);
      free(values);
   }
   free(in);
   return !error->is_set;
}

static bool draw_meters(BmHost* host, const BmPlugin* plugin, const Recipe* recipe, BmFigures* figures,
                        BmError* error)
{
   enum { STEP = 4800, N_STEPS = 140, N_LOUD = 60 };
   BmInstance* instance = bm_instance_new(host, plugin, RATE_HZ, STEP, error);
   if (!instance) {
      return false;
   }
   BmPlot* plot = bm_figures_add(figures, recipe->title, NULL);
   plot->x = (BmPlotAxis){.label = "Time, s", .min = 0.0, .max = 0.1 * N_STEPS};
   plot->y = (BmPlotAxis){.label = "LUFS"};
   const uint32_t n_lines = count_lines(recipe);
   double* x = bm_figures_doubles(figures, N_STEPS);
   double* y[MAX_LINES];
   const BmPort* ports[MAX_LINES];
   for (uint32_t l = 0; l < n_lines; ++l) {
      y[l] = bm_figures_doubles(figures, N_STEPS);
      ports[l] = bm_plugin_port(plugin, recipe->lines[l].settings, error);
      bm_figures_add_series(plot, recipe->lines[l].label, tones[l], x, y[l], N_STEPS);
   }
   float* buffers = bm_calloc(3u * STEP, sizeof(float));
   float* out[2] = {buffers + STEP, buffers + 2 * STEP};
   for (uint32_t step = 0; step < N_STEPS && !error->is_set; ++step) {
      const double amplitude = pow(10.0, (step < N_LOUD ? -23.0 : -33.0) / 20.0);
      for (uint32_t n = 0; n < STEP; ++n) {
         buffers[n] = (float)(amplitude * sin(2.0 * PI * 1000.0 * n / RATE_HZ));
      }
      run_tone(instance, buffers, buffers, out, STEP);
      x[step] = 0.1 * (step + 1);
      for (uint32_t l = 0; l < n_lines; ++l) {
         y[l][step] = (double)bm_instance_get(instance, ports[l]->index);
      }
   }
   free(buffers);
   bm_instance_free(instance);
   return !error->is_set;
}

static bool draw(BmHost* host, const Recipe* recipe, BmFigures* figures, BmPlotSeries* series, BmPlot* plot,
                 BmError* error)
{
   const BmPlugin* plugin = NULL;
   char uri[128];
   snprintf(uri, sizeof uri, "urn:bookmatch:%s", recipe->plugin);
   plugin = bm_host_find(host, uri, error);
   bool ok = plugin != NULL;
   switch (recipe->kind) {
   case PROBE:
      return ok && probe(host, plugin, recipe, figures, series, plot, error);
   case CURVE:
      ok = ok && draw_curves(host, plugin, recipe, figures, error);
      break;
   case SWEEP:
      ok = ok && draw_sweep(host, plugin, recipe, figures, error);
      break;
   case LEVELS:
      ok = ok && draw_levels(host, plugin, recipe, figures, error);
      break;
   case METERS:
      ok = ok && draw_meters(host, plugin, recipe, figures, error);
      break;
   case LAYER:
      bm_manual_add_layer(figures);
      break;
   }
   if (ok) {
      *plot = figures->plots[0];
   }
   return ok;
}

static bool is_of(const Recipe* recipe, const BmManualPlugin* plugin)
{
   const size_t length = strlen(plugin->name);
   return !strncmp(recipe->plugin, plugin->name, length) && recipe->plugin[length] == '#';
}

/* "`drive` 12, `bias` 100". */
static void add_settings(BmText* text, const char* settings)
{
   char* copy = bm_copy(settings);
   char* rest = NULL;
   for (char* word = strtok_r(copy, " ", &rest); word; word = strtok_r(NULL, " ", &rest)) {
      char* value = strchr(word, '=');
      if (value) {
         *value++ = '\0';
         bm_text_addf(text, "%s`%s` %s", word == copy ? " Set: " : ", ", word, value);
      }
   }
   bm_text_add(text, ".");
   free(copy);
}

static bool draw_picture(BmText* text, BmHost* host, const Recipe* recipe, const char* folder, BmError* error)
{
   BmFigures figures[MAX_LINES];
   memset(figures, 0, sizeof figures);
   BmPlotSeries series[BM_FIGURE_SERIES_MAX + MAX_LINES];
   BmPlot plot;
   bool ok = draw(host, recipe, figures, series, &plot, error);
   if (ok) {
      plot.title = recipe->title;
      plot.description = recipe->caption ? recipe->caption : plot.description;
      plot.n_columns = 300;
      if (recipe->max > recipe->min) {
         plot.y.min = recipe->min;
         plot.y.max = recipe->max;
      }
      char* path = bm_print("%s/%s.svg", folder, recipe->file);
      BmText document = {0};
      bm_plot_add_plain_svg(&document, &plot);
      ok = bm_text_save(&document, path) || bm_fail(error, "%s: %s", path, strerror(errno));
      bm_text_free(&document);
      free(path);
      bm_text_addf(text, "![%s](%s.svg)\n\n%s", recipe->title, recipe->file, plot.description);
      if (recipe->settings) {
         add_settings(text, recipe->settings);
      }
      bm_text_add(text, "\n\n");
   }
   for (uint32_t n = 0; n < MAX_LINES; ++n) {
      bm_figures_free(&figures[n]);
   }
   return ok;
}

bool bm_manual_draw_pictures(BmText* text, BmHost* host, const BmManualPlugin* plugin, const char* folder,
                             BmError* error)
{
   bm_text_add(text, "Measured as hosted, at 48 kHz; what is not named stands at its default.\n\n");
   for (size_t n = 0; n < N_RECIPES; ++n) {
      if (is_of(&recipes[n], plugin) && !draw_picture(text, host, &recipes[n], folder, error)) {
         return false;
      }
   }
   return true;
}

const char* bm_manual_next_picture(const BmManualPlugin* plugin, uint32_t* position)
{
   while (*position < N_RECIPES) {
      const Recipe* recipe = &recipes[(*position)++];
      if (is_of(recipe, plugin)) {
         return recipe->file;
      }
   }
   return NULL;
}
