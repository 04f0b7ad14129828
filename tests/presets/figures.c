/* SPDX-License-Identifier: ISC */
#include "unit_test.h"

#include "figures.h"

#define RATE_HZ ((double)HOSTED_RATE_HZ)
#define SINE_HZ 220.0
#define SINE_DBFS (-15.0) /* of the peak */
#define SINE_SETTLE_S 1.0
#define SINE_S 0.1 /* whole periods of every tone that is a multiple of 10 Hz */
#define N_HARMONICS 5

static double db(double ratio)
{
   return 10.0 * log10(ratio);
}

/* What both channels share, or what they do not; the caller frees it. */
static float* lane_of(const HostedTake* take, double sign)
{
   float* lane = calloc(take->n_frames, sizeof *lane);
   assert_non_null(lane);
   for (uint32_t i = 0; i < take->n_frames; ++i) {
      lane[i] = (float)(0.5 * ((double)take->channel[0][i] + sign * (double)take->channel[1][i]));
   }
   return lane;
}

static BmSpectrum spectrum_of(const float* lane, uint32_t n_frames)
{
   BmSpectrum spectrum;
   BmSpectrumMeter* meter = bm_spectrum_meter_new(bm_transform_size(0.2, RATE_HZ), RATE_HZ, 1, NULL, NULL);
   assert_non_null(meter);
   bm_spectrum_meter_add(meter, lane, n_frames);
   assert_true(bm_spectrum_meter_finish(meter, &spectrum));
   bm_spectrum_meter_free(meter);
   return spectrum;
}

static BmAnalysis analyse(const HostedTake* take, uint32_t n_channels)
{
   const BmMeterOptions options = {.sample_rate_hz = RATE_HZ, .n_channels = n_channels};
   BmMeter* meter = bm_meter_new(&options);
   BmAnalysis analysis;
   assert_non_null(meter);
   if (n_channels == 2) {
      float* frames = takes_interleave(take);
      bm_meter_add(meter, frames, take->n_frames);
      free(frames);
   } else {
      bm_meter_add(meter, take->channel[0], take->n_frames);
   }
   assert_true(bm_meter_finish(meter, &analysis));
   bm_meter_free(meter);
   return analysis;
}

Heard heard_new(const HostedTake* take, uint32_t n_channels, double lowest_hz, bool with_sides)
{
   const HostedTake heard = {{take->channel[0], take->channel[n_channels - 1]}, take->n_frames};
   Heard self = {.take = heard, .n_channels = n_channels, .lowest_hz = lowest_hz};
   self.analysis = analyse(&heard, n_channels);
   self.energy = takes_energy(&heard, NULL);
   if (!with_sides) {
      return self;
   }
   float* mid = lane_of(&heard, 1.0);
   float* side = lane_of(&heard, -1.0);
   const HostedTake sides = {{side, side}, heard.n_frames};
   self.mid = spectrum_of(mid, heard.n_frames);
   self.side = spectrum_of(side, heard.n_frames);
   self.side_energy = takes_energy(&sides, NULL);
   free(mid);
   free(side);
   return self;
}

void heard_free(Heard* self)
{
   bm_analysis_free(&self->analysis);
   bm_spectrum_free(&self->mid);
   bm_spectrum_free(&self->side);
   free(self->energy);
   free(self->side_energy);
}

/* Mean over onsets of the level of one window after it against another; only those that no other follows
   before the windows end, or all of them. */
typedef struct {
   double from_s;
   double to_s;
   bool is_lonely;
} Window;

static const Window first_instant = {0.0, 0.01, false};
static const Window late = {0.4, 0.6, true};

static double after_onsets(const Heard* self, const double* energy, const TakesOnsets* onsets, Window what)
{
   const uint32_t n_frames = self->take.n_frames;
   double sum = 0.0;
   uint32_t n = 0;
   for (uint32_t i = 0; i < onsets->n; ++i) {
      const double t = onsets->time_s[i];
      const double end = what.is_lonely && i + 1 < onsets->n ? onsets->time_s[i + 1] : n_frames / RATE_HZ;
      if (t + fmax(what.to_s, 0.25) < end) {
         sum += db(takes_between(energy, n_frames, t + what.from_s, t + what.to_s) /
                   takes_between(energy, n_frames, t + 0.05, t + 0.25));
         ++n;
      }
   }
   return sum / n;
}

/* takes.h: bright onset. */
static double pick(const Heard* self, const TakesOnsets* onsets)
{
   const TakesFilter bright = takes_filter(2000.0, true);
   const uint32_t n_frames = self->take.n_frames;
   double* energy = takes_energy(&self->take, &bright);
   double sum = 0.0;
   uint32_t n = 0;
   for (uint32_t i = 0; i < onsets->n; ++i) {
      const double t = onsets->time_s[i];
      if (t + 0.25 < n_frames / RATE_HZ) {
         sum += db(takes_between(energy, n_frames, t, t + 0.02) /
                   takes_between(self->energy, n_frames, t + 0.05, t + 0.25));
         ++n;
      }
   }
   free(energy);
   return sum / n;
}

static double share(const BmSpectrum* part, const Heard* whole, double low_hz, double high_hz)
{
   return db(bm_spectrum_band_power(part, low_hz, fmin(high_hz, 0.5 * RATE_HZ)) /
             bm_spectrum_band_power(&whole->analysis.spectrum, 0.0, 0.5 * RATE_HZ));
}

static double level(const Promise* promise, const Heard* self, const TakesOnsets* onsets)
{
   const BmSpectrum* all = &self->analysis.spectrum;
   const double third = pow(2.0, 1.0 / 6.0);
   switch (promise->figure) {
   case CREST:
      return self->analysis.figures.crest_db;
   case ATTACK:
      return after_onsets(self, self->energy, onsets, first_instant);
   case PICK:
      return pick(self, onsets);
   case RING:
      return after_onsets(self, self->energy, onsets, late);
   case SIDE_ATTACK:
      return after_onsets(self, self->side_energy, onsets, first_instant);
   case SIDE_RING:
      return after_onsets(self, self->side_energy, onsets, late);
   case SPREAD:
      return takes_spread_lu(&self->analysis.series);
   case BAND:
      return share(all, self, promise->low_hz, promise->high_hz);
   case BOOM:
      return share(all, self, 2.0 * self->lowest_hz / third, 2.0 * self->lowest_hz * third);
   case UNDER:
      return bm_under_note_db(all, self->lowest_hz);
   case SIDE:
      return db(bm_spectrum_band_power(&self->side, 0.0, 0.5 * RATE_HZ) /
                bm_spectrum_band_power(&self->mid, 0.0, 0.5 * RATE_HZ));
   case SIDE_BAND:
      return share(&self->side, self, promise->low_hz, promise->high_hz);
   case MID_BAND:
      return share(&self->mid, self, promise->low_hz, promise->high_hz);
   default:
      return (double)NAN;
   }
}

static double of_a_sine(const Promise* promise, BmInstance* instance)
{
   const double hz = promise->low_hz > 0.0 ? promise->low_hz : SINE_HZ;
   const uint32_t n = (uint32_t)(SINE_S * RATE_HZ);
   const uint32_t from = (uint32_t)(SINE_SETTLE_S * RATE_HZ);
   HostedTake tone = hosted_take_new(from + n);
   for (uint32_t i = 0; i < tone.n_frames; ++i) {
      tone.channel[0][i] = (float)(pow(10.0, 0.05 * SINE_DBFS) * sin(2.0 * TAKES_PI * hz * i / RATE_HZ));
      tone.channel[1][i] = tone.channel[0][i];
   }
   bm_instance_restart(instance);
   HostedTake out = hosted_run(instance, &tone, NULL, NULL);
   double power[N_HARMONICS + 1] = {0.0};
   for (int k = 1; k <= N_HARMONICS; ++k) {
      double re = 0.0;
      double im = 0.0;
      for (uint32_t i = from; i < out.n_frames; ++i) {
         re += (double)out.channel[0][i] * cos(2.0 * TAKES_PI * k * hz * i / RATE_HZ);
         im += (double)out.channel[0][i] * sin(2.0 * TAKES_PI * k * hz * i / RATE_HZ);
      }
      power[k] = re * re + im * im;
   }
   hosted_take_free(&tone);
   hosted_take_free(&out);
   switch (promise->figure) {
   case SECOND:
      return db(power[2] / power[1]);
   case THIRD:
      return db(power[3] / power[1]);
   case EVENNESS:
      return db(power[2] / power[3]);
   default:
      return db((power[2] + power[3] + power[4] + power[5]) / power[1]);
   }
}

bool figure_is_of_sides(Figure figure)
{
   return figure >= SIDE && figure <= SIDE_RING;
}

bool figure_is_of(Figure figure, uint32_t n_inputs, uint32_t n_outputs)
{
   return (!figure_is_of_sides(figure) || n_inputs == 2) && (figure != TAIL || n_outputs == 2);
}

double figure_of(const Promise* promise, const Heard* before, const Heard* after, const TakesOnsets* onsets,
                 BmInstance* sine)
{
   switch (promise->figure) {
   case TAIL:
   case HISS:
      return after->tail_db;
   case REDUCTION:
      return after->reduction_db;
   case SECOND:
   case THIRD:
   case DISTORTION:
   case EVENNESS:
      return of_a_sine(promise, sine);
   default:
      return level(promise, after, onsets) - level(promise, before, onsets);
   }
}

static void frequency(double hz, char text[24])
{
   snprintf(text, 24, hz >= 1000.0 ? "%g kHz" : "%g Hz", hz >= 1000.0 ? hz / 1000.0 : hz);
}

void figure_name(const Promise* promise, char* name, size_t size)
{
   static const char* const names[] = {[CREST] = "crest",
                                       [ATTACK] = "attack",
                                       [RING] = "ring",
                                       [PICK] = "pick",
                                       [SPREAD] = "spread",
                                       [BAND] = "",
                                       [BOOM] = "boom",
                                       [UNDER] = "under the note",
                                       [SIDE] = "side",
                                       [SIDE_BAND] = "side ",
                                       [MID_BAND] = "mid ",
                                       [SIDE_ATTACK] = "side attack",
                                       [SIDE_RING] = "side ring",
                                       [TAIL] = "tail",
                                       [HISS] = "hiss",
                                       [REDUCTION] = "most reduction",
                                       [SECOND] = "2nd harmonic",
                                       [THIRD] = "3rd harmonic",
                                       [DISTORTION] = "distortion",
                                       [EVENNESS] = "2nd to 3rd harmonic"};
   const char* of = names[promise->figure];
   char low[24];
   char high[24];
   frequency(promise->low_hz, low);
   frequency(promise->high_hz, high);
   const bool is_band =
      promise->figure == BAND || promise->figure == SIDE_BAND || promise->figure == MID_BAND;
   if (!is_band) {
      snprintf(name, size, promise->low_hz > 0.0 ? "%s of %s" : "%s", of, low);
   } else if (promise->low_hz > 0.0 && promise->high_hz < INFINITY) {
      snprintf(name, size, "%s%s to %s", of, low, high);
   } else if (promise->low_hz > 0.0) {
      snprintf(name, size, "%sover %s", of, low);
   } else if (promise->high_hz < INFINITY) {
      snprintf(name, size, "%sunder %s", of, high);
   } else {
      snprintf(name, size, "%sall", of);
   }
}
