/* SPDX-License-Identifier: ISC */
#include "head_file.h"
#include "shell.h"
#include "stereo/take_placement.h"
#include "take_placement_ports.h"

#include <stdio.h>

#define PATH_BYTES 4096

/* The placement, the head it hears through, and then its history. */
typedef struct {
   BmTakePlacement placement;
   double rate_hz;
   const BmHeadFile* head; /* what is heard through; NULL: the sphere */
   char path[PATH_BYTES];  /* "": the file of libmysofa's package */
   char memory[] __attribute__((aligned(64)));
} Placement;

static size_t bytes(double sample_rate_hz)
{
   return sizeof(Placement) + bm_take_placement_bytes(sample_rate_hz);
}

static BmStatus init(void* self, double sample_rate_hz, const BmForm* form)
{
   Placement* placement = self;
   placement->rate_hz = sample_rate_hz;
   return bm_take_placement_init(&placement->placement, placement->memory, sample_rate_hz, form->n_inputs);
}

static void release(void* self)
{
   bm_head_file_close(((Placement*)self)->head);
}

static bool load(void* self, const char* path, char* complaint)
{
   Placement* placement = self;
   snprintf(placement->path, PATH_BYTES, "%s", path ? path : "");
   const char* file = path ? path : BM_HEAD_RESPONSE_FILE;
   const char* fault = NULL;
   const BmHeadFile* head = bm_head_file_open(file, placement->rate_hz, &fault);
   if (head) {
      bm_take_placement_set_head(&placement->placement, bm_head_file_responses(head));
   } else {
      BmHeadResponses sphere;
      bm_head_responses_init_sphere(&sphere, placement->rate_hz);
      bm_take_placement_set_head(&placement->placement, &sphere);
      snprintf(complaint, BM_COMPLAINT_BYTES,
               "head responses %s: %s; a sphere stands in (AES69 SimpleFreeFieldHRIR would be right)", file,
               fault);
   }
   bm_head_file_close(placement->head);
   placement->head = head;
   return head != NULL;
}

static const char* path(const void* self)
{
   return ((const Placement*)self)->path;
}

static BmPanLaw law(float port)
{
   return port > -3.75F ? BM_PAN_LAW_3_DB : port > -5.25F ? BM_PAN_LAW_4_5_DB : BM_PAN_LAW_6_DB;
}

/* A take's ports follow each other in the same order; `first` is its first. */
static BmTakePlace place(const float* port, uint32_t first)
{
   const float* p = port + first - TAKE_PLACEMENT_PAN_A_PERCENT;
   return (BmTakePlace){
      .pan = (double)p[TAKE_PLACEMENT_PAN_A_PERCENT] / 100.0,
      .azimuth_deg = (double)p[TAKE_PLACEMENT_AZIMUTH_A_DEGREES],
      .elevation_deg = (double)p[TAKE_PLACEMENT_ELEVATION_A_DEGREES],
      .distance_m = (double)p[TAKE_PLACEMENT_DISTANCE_A_M],
      .delay_ms = (double)p[TAKE_PLACEMENT_DELAY_A_MS],
      .gain_db = p[TAKE_PLACEMENT_GAIN_A_DB] > -60.0F ? (double)p[TAKE_PLACEMENT_GAIN_A_DB] : -120.0,
      .polarity = p[TAKE_PLACEMENT_POLARITY_A] > 0.5F,
   };
}

_Static_assert(TAKE_PLACEMENT_POLARITY_B - TAKE_PLACEMENT_PAN_B_PERCENT ==
                  TAKE_PLACEMENT_POLARITY_A - TAKE_PLACEMENT_PAN_A_PERCENT,
               "both takes have the same ports in the same order");

static void set(void* self, const float* port)
{
   const BmTakePlacementParams params = {
      .method = port[TAKE_PLACEMENT_METHOD] > 0.5F ? BM_PLACEMENT_BINAURAL : BM_PLACEMENT_LEVEL,
      .law = law(port[TAKE_PLACEMENT_LAW_DB]),
      .align = port[TAKE_PLACEMENT_ALIGN] > 0.5F,
      .takes = {place(port, TAKE_PLACEMENT_PAN_A_PERCENT), place(port, TAKE_PLACEMENT_PAN_B_PERCENT)},
   };
   bm_take_placement_set(&((Placement*)self)->placement, &params);
}

static void process(void* self, const BmFrame* in, BmFrame* out, uint32_t n_frames)
{
   bm_take_placement_process(&((Placement*)self)->placement, in, out, n_frames);
}

static void reset(void* self)
{
   bm_take_placement_reset(&((Placement*)self)->placement);
}

static uint32_t latency_frames(const void* self)
{
   return bm_take_placement_latency_frames(&((const Placement*)self)->placement);
}

static void report(const void* self, float* port)
{
   const BmTakePlacement* placement = &((const Placement*)self)->placement;
   const BmCorrelation* level = bm_take_placement_correlation(placement, BM_PLACEMENT_LEVEL);
   const BmCorrelation* binaural = bm_take_placement_correlation(placement, BM_PLACEMENT_BINAURAL);
   const BmCorrelation* heard = port[TAKE_PLACEMENT_METHOD] > 0.5F ? binaural : level;
   const BmTakeOffset suggestion = bm_take_placement_suggestion(placement);
   port[TAKE_PLACEMENT_CORRELATION] = (float)bm_correlation_norm(heard);
   port[TAKE_PLACEMENT_MONO_CHANGE_LU] = (float)bm_correlation_mono_change_lu(heard);
   port[TAKE_PLACEMENT_LEVEL_CORRELATION] = (float)bm_correlation_norm(level);
   port[TAKE_PLACEMENT_LEVEL_MONO_CHANGE_LU] = (float)bm_correlation_mono_change_lu(level);
   port[TAKE_PLACEMENT_BINAURAL_CORRELATION] = (float)bm_correlation_norm(binaural);
   port[TAKE_PLACEMENT_BINAURAL_MONO_CHANGE_LU] = (float)bm_correlation_mono_change_lu(binaural);
   port[TAKE_PLACEMENT_COMB_NOTCH_HZ] = (float)bm_take_placement_comb_notch_hz(placement);
   port[TAKE_PLACEMENT_SUGGESTED_DELAY_MS] = (float)suggestion.delay_ms;
   port[TAKE_PLACEMENT_SUGGESTED_POLARITY] = suggestion.is_opposed ? 1.0F : 0.0F;
   port[TAKE_PLACEMENT_SUGGESTION_CONFIDENCE_PERCENT] =
      (float)(100.0 * bm_take_placement_confidence_norm(placement));
}

static double aligned_delay_ms(const void* self)
{
   return bm_take_placement_learned(&((const Placement*)self)->placement).delay_ms;
}

static void set_aligned_delay_ms(void* self, double delay_ms)
{
   BmTakePlacement* placement = &((Placement*)self)->placement;
   BmTakeOffset offset = bm_take_placement_learned(placement);
   offset.delay_ms = delay_ms;
   bm_take_placement_recall(placement, offset);
}

static double aligned_polarity(const void* self)
{
   return bm_take_placement_learned(&((const Placement*)self)->placement).is_opposed ? 1.0 : 0.0;
}

static void set_aligned_polarity(void* self, double polarity)
{
   BmTakePlacement* placement = &((Placement*)self)->placement;
   BmTakeOffset offset = bm_take_placement_learned(placement);
   offset.is_opposed = polarity > 0.5;
   bm_take_placement_recall(placement, offset);
}

static const BmMemory memories[] = {
   {"urn:bookmatch:take-placement#aligned_delay", -BM_PLACEMENT_DELAY_MAX_MS, BM_PLACEMENT_DELAY_MAX_MS,
    aligned_delay_ms, set_aligned_delay_ms},
   {"urn:bookmatch:take-placement#aligned_polarity", 0.0, 1.0, aligned_polarity, set_aligned_polarity},
};

static const BmFile file = {"urn:bookmatch:take-placement#head_responses", load, path};

const BmPlugin bm_plugin = {
   .ports = &take_placement,
   .bytes = bytes,
   .init = init,
   .set = set,
   .process = process,
   .reset = reset,
   .latency_frames = latency_frames,
   .report = report,
   .memories = memories,
   .n_memories = sizeof memories / sizeof *memories,
   .file = &file,
   .release = release,
};
