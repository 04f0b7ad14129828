/* SPDX-License-Identifier: ISC */
#include "workload.h"

#include <stddef.h>
#include <string.h>

#define WORKLOAD(name, list) WORKLOAD_OF_FORMS(name, list, 0)
#define WORKLOAD_OF_FORMS(name, list, n_only_stereo)                                                         \
   {                                                                                                         \
      name, list, sizeof(list) / sizeof((list)[0]), sizeof(list) / sizeof((list)[0]) - (n_only_stereo)       \
   }

static const BmSetting fundamental_eq[] = {
   {"note_source", 2.0F},    {"low_cut", 1.0F},     {"low_cut_slope", 36.0F}, {"harmonic_gain", -4.0F},
   {"low_shelf_gain", 2.0F}, {"bell1_gain", -3.0F}, {"bell2_gain", 3.0F},     {"high_shelf_gain", 3.0F},
};

static const BmSetting mid_side_eq[] = {
   {"mid_low_cut", 1.0F},     {"mid_low_cut_slope", 36.0F},  {"mid_low_shelf_gain", 2.0F},
   {"mid_bell1_gain", -3.0F}, {"mid_bell2_gain", 3.0F},      {"mid_high_shelf_gain", 3.0F},
   {"side_low_cut", 1.0F},    {"side_low_cut_slope", 36.0F}, {"side_low_shelf_gain", -2.0F},
   {"side_bell1_gain", 3.0F}, {"side_bell2_gain", -3.0F},    {"side_high_shelf_gain", 2.0F},
};

static const BmSetting mid_side_matrix[] = {
   {"mid_gain", -2.0F},
   {"side_gain", 3.0F},
   {"width", 120.0F},
};

static const BmSetting fet_compressor[] = {
   {"threshold", -30.0F}, {"attack", 0.1F}, {"sidechain_low_cut", 100.0F}, {"link", 50.0F}, {"makeup", 6.0F},
};

static const BmSetting opto_compressor[] = {
   {"threshold", -30.0F}, {"emphasis", 50.0F}, {"sidechain_low_cut", 100.0F},
   {"link", 50.0F},       {"makeup", 6.0F},
};

static const BmSetting variable_mu_compressor[] = {
   {"threshold", -30.0F},
   {"sidechain_low_cut", 100.0F},
   {"link", 50.0F},
   {"makeup", 6.0F},
};

static const BmSetting transient_shaper[] = {
   {"attack", 6.0F},
   {"sustain", -6.0F},
};

static const BmSetting preamp[] = {
   {"gain", 20.0F},
   {"low_gain", 3.0F},
   {"high_gain", 3.0F},
};

static const BmSetting tube_saturation[] = {
   {"drive", 6.0F},
   {"bias", 20.0F},
};

static const BmSetting tape_saturation[] = {
   {"drive", 6.0F},
   {"wander", 0.1F},
   {"hiss", -70.0F},
};

static const BmSetting room_reverb[] = {
   {"mix", 30.0F},
   {"modulation", 50.0F},
};

static const BmSetting channel_strip[] = {
   {"eq_in", 1.0F},
   {"eq_note_source", 2.0F},
   {"eq_low_cut_slope", 36.0F},
   {"eq_harmonic_gain", -4.0F},
   {"eq_low_shelf_gain", 2.0F},
   {"eq_bell1_gain", -3.0F},
   {"eq_bell2_gain", 3.0F},
   {"eq_high_shelf_gain", 3.0F},
   {"character1", 1.0F},
   {"fet_threshold", -30.0F},
   {"character2", 4.0F},
   {"tube_drive", 6.0F},
   {"room_in", 1.0F},
   {"ms_in", 1.0F},
   {"ms_side_low_cut", 1.0F},
   {"ms_mid_bell1_gain", -3.0F},
   {"ms_side_high_shelf_gain", 2.0F},
};

static const BmWorkload workloads[] = {
   WORKLOAD_OF_FORMS("channel-strip", channel_strip, 4),
   WORKLOAD("fet-compressor", fet_compressor),
   WORKLOAD("opto-compressor", opto_compressor),
   WORKLOAD("variable-mu-compressor", variable_mu_compressor),
   WORKLOAD("transient-shaper", transient_shaper),
   WORKLOAD("preamp", preamp),
   WORKLOAD("tube-saturation", tube_saturation),
   WORKLOAD("tape-saturation", tape_saturation),
   WORKLOAD("room-reverb", room_reverb),
   WORKLOAD("fundamental-eq", fundamental_eq),
   WORKLOAD("mid-side-eq", mid_side_eq),
   WORKLOAD("mid-side-matrix", mid_side_matrix),
};

const BmWorkload* bm_workload(const char* plugin)
{
   for (size_t i = 0; i < sizeof workloads / sizeof *workloads; ++i) {
      if (!strcmp(workloads[i].plugin, plugin)) {
         return &workloads[i];
      }
   }
   return NULL;
}

const BmTarget bm_targets[] = {
   {"fundamental-eq", BM_STATE_ACTIVE, 6.0, "every band on, note tracking"},
   {"mid-side-eq", BM_STATE_ACTIVE, 5.0, "every band on"},
   {"fet-compressor", BM_STATE_ACTIVE, 12.0, "live quality"},
   {"opto-compressor", BM_STATE_ACTIVE, 12.0, "live quality"},
   {"variable-mu-compressor", BM_STATE_ACTIVE, 12.0, "live quality"},
   {"transient-shaper", BM_STATE_ACTIVE, 5.0, ""},
   {"preamp", BM_STATE_ACTIVE, 25.0, "live quality"},
   {"tube-saturation", BM_STATE_ACTIVE, 25.0, "live quality"},
   {"tape-saturation", BM_STATE_ACTIVE, 90.0, "live quality"},
   {"room-reverb", BM_STATE_ACTIVE, 25.0, ""},
   {"take-placement", BM_STATE_ACTIVE, 20.0, "binaural, two takes"},
   {"take-meter", BM_STATE_ACTIVE, 8.0, ""},
   {"channel-strip", BM_STATE_ACTIVE, 90.0, "one compressor, tube, EQs, room"},
   {NULL, BM_STATE_BYPASSED, 0.5, ""},
};
const uint32_t bm_n_targets = sizeof bm_targets / sizeof *bm_targets;
