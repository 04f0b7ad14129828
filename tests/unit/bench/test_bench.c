/* SPDX-License-Identifier: ISC */
/*
   The benchmark's own arithmetic, on a clock that the test turns by hand. If one fails, a figure that decides
   what gets optimised is another program's doing, or a plugin is measured while it does nothing.
*/
#include "unit_test.h"

#include "costs.h"
#include "host.h"
#include "plugin_subject.h"
#include "processors.h"
#include "stopwatch.h"
#include "workload.h"

#include <string.h>

static double fake_ns;

static double read_fake(void* user)
{
   (void)user;
   fake_ns += 3.0; /* reading costs something */
   return fake_ns;
}

static const BmStopwatch fake_watch = {read_fake, read_fake, NULL};

typedef struct {
   BmSubject subject;
   double ns_per_frame;
   uint32_t lump_every_blocks; /* 0: none */
   double lump_ns;
   uint32_t disturbed_call; /* another program takes the core once */
   uint32_t n_calls;        /* ever */
   uint32_t n_blocks;       /* since restart */
} Fake;

static void fake_run(BmSubject* subject, uint32_t n_frames)
{
   Fake* self = (Fake*)subject;
   ++self->n_calls;
   ++self->n_blocks;
   fake_ns += self->ns_per_frame * n_frames;
   if (self->lump_every_blocks && self->n_blocks % self->lump_every_blocks == 0) {
      fake_ns += self->lump_ns;
   }
   if (self->n_calls == self->disturbed_call) {
      fake_ns += 4e6;
   }
}

static void fake_restart(BmSubject* subject)
{
   ((Fake*)subject)->n_blocks = 0;
}

static Fake fake(double ns_per_frame)
{
   return (Fake){.subject = {.run = fake_run, .restart = fake_restart}, .ns_per_frame = ns_per_frame};
}

static void the_figure_is_the_cost_of_a_frame_though_a_lap_was_disturbed(void** state)
{
   (void)state;
   Fake cheap = fake(2.0);
   Fake dear = fake(11.0);
   cheap.disturbed_call = 21;
   BmRace races[] = {
      {.subject = &cheap.subject, .block_frames = 64, .lap_frames = 1024},
      {.subject = &dear.subject, .block_frames = 16, .lap_frames = 1024},
   };
   bm_race(fake_watch, races, 2, 5);
   assert_close(races[0].ns_per_frame, 2.0, 1e-9);
   assert_close(races[1].ns_per_frame, 11.0, 1e-9);
   assert_close(bm_race_ratio(&races[1], &races[0], 5), 5.5, 1e-9);
   assert_int_equal(dear.n_calls, 5 * (1024 + 256) / 16);
}

static void work_in_lumps_shows_as_the_worst_block_and_an_interruption_does_not(void** state)
{
   (void)state;
   Fake lumpy = fake(1.0);
   lumpy.lump_every_blocks = 10;
   lumpy.lump_ns = 128.0;
   lumpy.disturbed_call = 37;
   assert_close(bm_worst_block(fake_watch, &lumpy.subject, 64, 100, 3), 3.0, 1e-9);
   Fake even = fake(1.0);
   even.disturbed_call = 150;
   assert_close(bm_worst_block(fake_watch, &even.subject, 64, 100, 3), 1.0, 1e-9);
}

static void the_middle_of_many_is_the_median(void** state)
{
   (void)state;
   assert_close(bm_median((double[]){9.0, 1.0, 2.0}, 3), 2.0, 0.0);
   assert_close(bm_median((double[]){9.0, 1.0, 2.0, 4.0}, 4), 3.0, 0.0);
}

static void a_target_that_is_missed_is_called_missed(void** state)
{
   (void)state;
   BmCost cost = {.name = "fundamental-eq",
                  .form = "stereo",
                  .is_plugin = true,
                  .rate_hz = 48000.0,
                  .n_blocks = 2,
                  .block_frames = {64, 8192},
                  .is_measured = {true, true, true, false},
                  .units = {{5.9, 5.0}, {5.9, 5.0}, {0.6, 0.4}}};
   assert_close(bm_cost_unevenness(&cost, BM_STATE_ACTIVE), 0.18, 1e-9);
   assert_true(isnan(bm_cost_units(&cost, BM_STATE_MOVING, 64)));
   BmText text = {0};
   bm_costs_add_targets(&text, &cost, 1);
   const char* row = strstr(text.chars, "fundamental-eq");
   assert_non_null(row);
   assert_non_null(strstr(row, "5.90 U  met"));
   assert_non_null(strstr(row, "0.60 U  MISSED"));
   assert_non_null(strstr(row, "50 %  MISSED")); /* bypassed, 0.6 against 0.4 */
   bm_text_free(&text);

   bm_costs_add_json(&text, &cost, 1);
   assert_non_null(strstr(text.chars, "\"state\":\"active\",\"rate_hz\":48000,\"block_frames\":8192"));
   assert_non_null(strstr(text.chars, "\"worst_block\":null"));
   bm_text_free(&text);
}

static void every_plugin_can_be_brought_into_every_state(void** state)
{
   (void)state;
   BmError error = {0};
   BmHost* host = bm_host_new(&error);
   assert_non_null(host);
   for (uint32_t i = 0; i < bm_host_n_plugins(host); ++i) {
      const BmPlugin* plugin = bm_host_plugin(host, i);
      char name[BM_PLUGIN_NAME_SIZE];
      if (!bm_plugin_name(plugin, name)) {
         continue;
      }
      for (uint32_t s = 0; s < BM_N_STATES; ++s) {
         if (s == BM_STATE_IDLE) {
            continue; /* as active, with a long silence after it */
         }
         BmSubject* subject = bm_plugin_subject_new(plugin, 8000.0, (BmState)s, &error);
         if (!subject) {
            fail_msg("%s", error.text);
         }
         subject->run(subject, 64);
         bm_subject_free(subject);
      }
   }
   bm_host_free(host);
}

static void every_processor_can_be_brought_into_every_state(void** state)
{
   (void)state;
   for (uint32_t i = 0; i < bm_n_processors; ++i) {
      for (uint32_t s = 0; s < BM_N_STATES; ++s) {
         if (s == BM_STATE_ACTIVE || (s == BM_STATE_MOVING && bm_processors[i].set)) {
            BmSubject* subject = bm_processor_subject_new(&bm_processors[i], 8000.0, (BmState)s);
            subject->run(subject, 64);
            bm_subject_free(subject);
         }
      }
   }
}

int main(void)
{
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(the_middle_of_many_is_the_median),
      cmocka_unit_test(the_figure_is_the_cost_of_a_frame_though_a_lap_was_disturbed),
      cmocka_unit_test(work_in_lumps_shows_as_the_worst_block_and_an_interruption_does_not),
      cmocka_unit_test(a_target_that_is_missed_is_called_missed),
      cmocka_unit_test(every_plugin_can_be_brought_into_every_state),
      cmocka_unit_test(every_processor_can_be_brought_into_every_state),
   };
   return cmocka_run_group_tests(tests, NULL, NULL);
}
