/* SPDX-License-Identifier: ISC */
/* If this fails, reflections come at the wrong time or dull: the room is not where its walls are. */
#include "unit_test.h"

#include "reverb/echo_history.h"

#include <complex.h>
#include <stdlib.h>
#include <string.h>

static const double pi = 3.14159265358979323846;

#define LONGEST 300

static BmEchoHistory* open_history(void)
{
   BmEchoHistory* history = malloc(sizeof *history + bm_echo_history_bytes(LONGEST));
   assert_non_null(history);
   bm_echo_history_init(history, history + 1, LONGEST);
   return history;
}

/* What is read at a place while `in` is heard in chunks that never fit the ring. */
static void read_at(BmEchoPlace place, uint32_t channel, const BmFrame* in, float* out, uint32_t n_frames)
{
   BmEchoHistory* history = open_history();
   for (uint32_t start = 0, n = 0, k = 0; start < n_frames; start += n, ++k) {
      n = 1 + (k * 7) % BM_ECHO_CHUNK_FRAMES;
      n = n < n_frames - start ? n : n_frames - start;
      bm_echo_history_push(history, in + start, n);
      memcpy(out + start, bm_echo_history_at(history, channel, place), n * sizeof *out);
   }
   free(history);
}

/* A path is a gain and a delay: e^(-i w D), which a place must be at every frequency that counts. */
static void a_path_is_met_within_a_quarter_of_a_frame_and_keeps_its_highs(void** state)
{
   (void)state;
   enum { N = 2000, SETTLED = 400 };
   BmFrame* in = malloc(N * sizeof *in);
   float* out = malloc(N * sizeof *out);
   const double delays[] = {0.0, 3.4, 7.5, 8.24, 8.26, 20.6, 99.9, 123.45, 299.0};
   for (uint32_t d = 0; d < sizeof delays / sizeof delays[0]; ++d) {
      const BmEchoPlace place = bm_echo_place(delays[d]);
      for (double w = 0.05; w <= 2.0 * pi * 0.29; w += 0.1) {
         for (uint32_t n = 0; n < N; ++n) {
            in[n] = bm_frame(0.0, cos(w * n));
         }
         read_at(place, 1, in, out, N);
         double complex sum = 0.0;
         double weight = 0.0;
         for (uint32_t n = SETTLED; n < N; ++n) {
            const double window = 0.5 - 0.5 * cos(2.0 * pi * (n - SETTLED) / (double)(N - SETTLED));
            sum += window * (double)out[n] * cexp(-I * w * n);
            weight += 0.5 * window;
         }
         const double complex response = sum / weight;
         assert_close(20.0 * log10(cabs(response)), 0.0, 0.1);
         const double late = -carg(response * cexp(I * w * delays[d])) / w;
         /* before the half frames have come in, half a frame is what there is */
         assert_close(late, 0.0, delays[d] < 7.25 ? 0.505 : 0.255);
      }
   }
   free(in);
   free(out);
}

static void each_channel_has_its_own_past_in_every_block_size(void** state)
{
   (void)state;
   enum { N = 3000 };
   BmFrame* in = malloc(N * sizeof *in);
   float* out = malloc(N * sizeof *out);
   for (uint32_t n = 0; n < N; ++n) {
      in[n] = bm_frame(n + 1.0, -(n + 1.0));
   }
   for (uint32_t delay = 0; delay <= LONGEST; delay += 50) {
      for (uint32_t channel = 0; channel < 2; ++channel) {
         read_at(bm_echo_place(delay), channel, in, out, N);
         for (uint32_t n = 0; n < N; ++n) {
            const double past = n >= delay ? n + 1.0 - delay : 0.0;
            assert_true((double)out[n] == (channel ? -past : past));
         }
      }
   }
   free(in);
   free(out);
}

int main(void)
{
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(a_path_is_met_within_a_quarter_of_a_frame_and_keeps_its_highs),
      cmocka_unit_test(each_channel_has_its_own_past_in_every_block_size),
   };
   return cmocka_run_group_tests(tests, NULL, NULL);
}
