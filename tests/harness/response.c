/* SPDX-License-Identifier: ISC */
#include "response.h"

#include "spectrum.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define LOWEST_HZ 20.0
#define HIGHEST_HZ 20000.0
#define HIGHEST_OF_RATE 0.45
#define USUAL_POINTS 241
#define USUAL_LENGTH_S 1.0

/* Time for glides and control signals to come to rest. */
#define SETTLE_S 0.5
#define CHUNK_FRAMES 1024u

/* One transform for all sines: 0.68 s at 48 kHz. */
#define SINE_S 0.68
#define SINES_PER_OCTAVE 3.0

static const double harmonic_hz[] = {100.0, 1000.0};
static const double harmonic_dbfs[] = {-30.0, -24.0, -18.0, -12.0, -6.0, 0.0};

void bm_response_free(BmResponse* self)
{
   free(self->frequency_hz);
   free(self->magnitude_db);
   free(self->phase_rad);
   free(self->sines);
   free(self->harmonics);
   *self = (BmResponse){0};
}

BmResponseOptions bm_response_curve_options(double sample_rate_hz)
{
   return (BmResponseOptions){.sample_rate_hz = sample_rate_hz, .impulse_dbfs = -40.0, .sine_dbfs = -40.0};
}

static double gain_of(double db)
{
   return pow(10.0, 0.05 * db);
}

/* One bin of a Fourier transform, in double: sum of x e^(-j w n). */
static void transform_at(const float* x, uint32_t n_frames, double omega_rad, double* re, double* im)
{
   /* The rotation is set anew now and then, so that rounding does not pile up. */
   const double step_re = cos(omega_rad);
   const double step_im = sin(omega_rad);
   *re = 0.0;
   *im = 0.0;
   for (uint32_t first = 0; first < n_frames; first += 256) {
      double turn_re = cos(omega_rad * first);
      double turn_im = sin(omega_rad * first);
      for (uint32_t n = first; n < n_frames && n < first + 256; ++n) {
         *re += (double)x[n] * turn_re;
         *im -= (double)x[n] * turn_im;
         const double next_re = turn_re * step_re - turn_im * step_im;
         turn_im = turn_re * step_im + turn_im * step_re;
         turn_re = next_re;
      }
   }
}

static void run_silence(BmResponseRun run, void* handle, double time_s, double rate_hz)
{
   const float silence[CHUNK_FRAMES] = {0.0f};
   float ignored[CHUNK_FRAMES];
   for (uint64_t left = (uint64_t)(time_s * rate_hz); left;) {
      const uint32_t n = left < CHUNK_FRAMES ? (uint32_t)left : CHUNK_FRAMES;
      run(handle, silence, ignored, n);
      left -= n;
   }
}

static void measure_impulse(const BmResponseOptions* options, BmResponseRun run, void* handle,
                            BmResponse* response)
{
   const double rate_hz = options->sample_rate_hz;
   const double length_s = options->length_s > 0.0 ? options->length_s : USUAL_LENGTH_S;
   const uint32_t n_frames = (uint32_t)(length_s * rate_hz) + options->latency_frames;
   float* in = bm_calloc(n_frames, sizeof *in);
   float* out = bm_calloc(n_frames, sizeof *out);
   run_silence(run, handle, SETTLE_S, rate_hz);
   in[0] = (float)gain_of(options->impulse_dbfs);
   run(handle, in, out, n_frames);
   uint32_t n_heard = n_frames;
   while (n_heard && out[n_heard - 1] == 0.0f) {
      --n_heard;
   }
   for (uint32_t n = 0; n < n_heard; ++n) {
      if (fabsf(out[n]) > fabsf(out[response->peak_frames])) {
         response->peak_frames = n;
      }
   }
   double last_rad = 0.0;
   for (uint32_t point = 0; point < response->n_points; ++point) {
      const double omega_rad = 2.0 * M_PI * response->frequency_hz[point] / rate_hz;
      double re;
      double im;
      transform_at(out, n_heard, omega_rad, &re, &im);
      response->magnitude_db[point] = 20.0 * log10(hypot(re, im) / (double)in[0]);
      const double wrapped_rad = atan2(im, re) + omega_rad * options->latency_frames;
      const double turns = round((last_rad - wrapped_rad) / (2.0 * M_PI));
      response->phase_rad[point] = wrapped_rad + 2.0 * M_PI * turns;
      last_rad = response->phase_rad[point];
   }
   /* A whole turn has no meaning of its own: the loudest point keeps within half of one. */
   uint32_t loudest = 0;
   for (uint32_t point = 0; point < response->n_points; ++point) {
      loudest = response->magnitude_db[point] > response->magnitude_db[loudest] ? point : loudest;
   }
   const double whole_rad = 2.0 * M_PI * round(response->phase_rad[loudest] / (2.0 * M_PI));
   for (uint32_t point = 0; point < response->n_points; ++point) {
      response->phase_rad[point] -= whole_rad;
   }
   for (uint32_t n = 0; n < response->n_sines; ++n) {
      double re;
      double im;
      transform_at(out, n_heard, 2.0 * M_PI * response->sines[n].frequency_hz / rate_hz, &re, &im);
      response->sines[n].impulse_db = 20.0 * log10(hypot(re, im) / (double)in[0]);
   }
   free(in);
   free(out);
}

/* Amplitudes of the first harmonics of a sine of `n_periods` in `n_frames`, played until all is at rest. */
static void play_sine(const BmResponseOptions* options, BmResponseRun run, BmResponseReset reset,
                      void* handle, uint32_t n_periods, uint32_t n_frames, double level_dbfs,
                      double amplitude[BM_RESPONSE_N_HARMONICS])
{
   const uint32_t n_settle = (uint32_t)(SETTLE_S * options->sample_rate_hz) + options->latency_frames;
   const uint32_t n_all = n_settle + n_frames;
   float* in = bm_calloc(n_all, sizeof *in);
   float* out = bm_calloc(n_all, sizeof *out);
   for (uint32_t n = 0; n < n_all; ++n) {
      const uint64_t turn = (uint64_t)n * n_periods % n_frames;
      in[n] = (float)(gain_of(level_dbfs) * sin(2.0 * M_PI * (double)turn / n_frames));
   }
   reset(handle);
   run(handle, in, out, n_all);
   for (uint32_t h = 0; h < BM_RESPONSE_N_HARMONICS; ++h) {
      const uint64_t bin = (uint64_t)(h + 1) * n_periods;
      double re;
      double im;
      transform_at(out + n_settle, n_frames, 2.0 * M_PI * (double)bin / n_frames, &re, &im);
      amplitude[h] = 2 * bin < n_frames ? 2.0 * hypot(re, im) / n_frames : (double)NAN;
   }
   free(in);
   free(out);
}

/* The odd number of periods nearest to `frequency_hz`: odd ones share no factor with the transform's length.
 */
static uint32_t odd_periods(double frequency_hz, double rate_hz, uint32_t n_frames)
{
   return 2 * (uint32_t)floor(0.5 * frequency_hz * n_frames / rate_hz) + 1;
}

static void measure_sines(const BmResponseOptions* options, BmResponseRun run, BmResponseReset reset,
                          void* handle, BmResponse* response)
{
   const uint32_t n_frames = bm_transform_size(SINE_S, options->sample_rate_hz);
   const double highest_hz = response->frequency_hz[response->n_points - 1];
   response->n_sines = (uint32_t)(SINES_PER_OCTAVE * log2(highest_hz / LOWEST_HZ)) + 1;
   response->sines = bm_calloc(response->n_sines, sizeof *response->sines);
   for (uint32_t n = 0; n < response->n_sines; ++n) {
      const uint32_t n_periods =
         odd_periods(LOWEST_HZ * exp2(n / SINES_PER_OCTAVE), options->sample_rate_hz, n_frames);
      double amplitude[BM_RESPONSE_N_HARMONICS];
      play_sine(options, run, reset, handle, n_periods, n_frames, options->sine_dbfs, amplitude);
      response->sines[n].frequency_hz = n_periods * options->sample_rate_hz / n_frames;
      response->sines[n].sine_db = 20.0 * log10(amplitude[0]) - options->sine_dbfs;
   }
}

static void measure_harmonics(const BmResponseOptions* options, BmResponseRun run, BmResponseReset reset,
                              void* handle, BmResponse* response)
{
   const uint32_t n_tones = sizeof harmonic_hz / sizeof *harmonic_hz;
   const uint32_t n_levels = sizeof harmonic_dbfs / sizeof *harmonic_dbfs;
   const uint32_t n_frames = bm_transform_size(SINE_S, options->sample_rate_hz);
   response->harmonics = bm_calloc(n_tones * n_levels, sizeof *response->harmonics);
   response->n_harmonics = n_tones * n_levels;
   for (uint32_t tone = 0; tone < n_tones; ++tone) {
      const uint32_t n_periods = odd_periods(harmonic_hz[tone], options->sample_rate_hz, n_frames);
      for (uint32_t level = 0; level < n_levels; ++level) {
         BmHarmonics* harmonics = &response->harmonics[tone * n_levels + level];
         double amplitude[BM_RESPONSE_N_HARMONICS];
         play_sine(options, run, reset, handle, n_periods, n_frames, harmonic_dbfs[level], amplitude);
         harmonics->frequency_hz = n_periods * options->sample_rate_hz / n_frames;
         harmonics->level_dbfs = harmonic_dbfs[level];
         harmonics->output_dbfs = 20.0 * log10(amplitude[0]);
         double square_sum = 0.0;
         for (uint32_t h = 0; h < BM_RESPONSE_N_HARMONICS; ++h) {
            harmonics->harmonic_db[h] = 20.0 * log10(amplitude[h] / amplitude[0]);
            if (h > 0 && isfinite(amplitude[h])) {
               square_sum += amplitude[h] * amplitude[h];
            }
         }
         harmonics->thd_percent = 100.0 * sqrt(square_sum) / amplitude[0];
      }
   }
}

void bm_response_measure(const BmResponseOptions* options, BmResponseRun run, BmResponseReset reset,
                         void* handle, BmResponse* response)
{
   const uint32_t n_points = options->n_points ? options->n_points : USUAL_POINTS;
   *response = (BmResponse){
      .sample_rate_hz = options->sample_rate_hz,
      .n_points = n_points,
      .frequency_hz = bm_calloc(n_points, sizeof(double)),
      .magnitude_db = bm_calloc(n_points, sizeof(double)),
      .phase_rad = bm_calloc(n_points, sizeof(double)),
      .latency_frames = options->latency_frames,
   };
   bm_log_frequencies(LOWEST_HZ, fmin(HIGHEST_HZ, HIGHEST_OF_RATE * options->sample_rate_hz),
                      response->frequency_hz, n_points);
   if (options->with_sines) {
      measure_sines(options, run, reset, handle, response);
   }
   reset(handle);
   measure_impulse(options, run, handle, response);
   if (options->with_harmonics) {
      measure_harmonics(options, run, reset, handle, response);
   }
}

/* ---- plugins ---- */

typedef struct {
   BmInstance* instance;
   BmResponseInput input;
   float turned[CHUNK_FRAMES];
   float silent[CHUNK_FRAMES];
   float ignored[CHUNK_FRAMES];
} Hosted;

static void run_hosted(void* handle, const float* in, float* out, uint32_t n_frames)
{
   Hosted* hosted = handle;
   for (uint32_t done = 0; done < n_frames;) {
      const uint32_t n = n_frames - done < CHUNK_FRAMES ? n_frames - done : CHUNK_FRAMES;
      for (uint32_t i = 0; i < n; ++i) {
         hosted->turned[i] = -in[done + i];
      }
      const float* const seconds[] = {
         [BM_INPUT_BOTH] = in + done, [BM_INPUT_LEFT] = hosted->silent, [BM_INPUT_SIDE] = hosted->turned};
      const float* const ins[] = {in + done, seconds[hosted->input]};
      float* const outs[] = {out + done, hosted->ignored};
      bm_instance_run(hosted->instance, ins, outs, n);
      done += n;
   }
}

static void reset_hosted(void* handle)
{
   bm_instance_restart(((Hosted*)handle)->instance);
}

bool bm_response_of_plugin(BmHost* host, const BmPlugin* plugin, const float* values, BmResponseInput input,
                           const BmResponseOptions* options, BmResponse* response, BmError* error)
{
   *response = (BmResponse){0};
   if (plugin->n_audio_in < 1 || plugin->n_audio_in > 2 || plugin->n_audio_out < 1 ||
       plugin->n_audio_out > 2) {
      return bm_fail(error, "%s: has %u inputs and %u outputs; one or two of each can be measured",
                     plugin->uri, plugin->n_audio_in, plugin->n_audio_out);
   }
   Hosted* hosted = bm_calloc(1, sizeof *hosted);
   hosted->input = input;
   hosted->instance = bm_instance_new(host, plugin, options->sample_rate_hz, CHUNK_FRAMES, error);
   if (hosted->instance) {
      for (uint32_t port = 0; values && port < plugin->n_ports; ++port) {
         if (plugin->ports[port].kind == BM_PORT_CONTROL && plugin->ports[port].is_input) {
            bm_instance_set(hosted->instance, port, values[port]);
         }
      }
      BmResponseOptions asked = *options;
      asked.latency_frames = bm_instance_latency(hosted->instance, error);
      if (!error->is_set) {
         bm_response_measure(&asked, run_hosted, reset_hosted, hosted, response);
      }
   }
   bm_instance_free(hosted->instance);
   free(hosted);
   return !error->is_set;
}
