/* SPDX-License-Identifier: ISC */
#include "filters/fundamental_eq.h"

#define N_HARMONICS 4

/* Until told otherwise: E2, the low string of a guitar. */
#define LOWEST_NOTE_HZ 82.40688922821748
#define LOWEST_NOTE_MAX_HZ 20000.0

/* A band for each harmonic, since choosing another fades one out and one in. */
enum {
   LOW_CUT,
   HARMONIC = LOW_CUT + BM_LOW_CUT_BANDS,
   LOW_SHELF = HARMONIC + N_HARMONICS,
   BELL,
   HIGH_SHELF = BELL + 2,
   N_BANDS
};

static const BmBandKind kinds[N_BANDS] = {
   BM_BAND_LOW_CUT, BM_BAND_LOW_CUT,   BM_BAND_LOW_CUT, BM_BAND_BELL, BM_BAND_BELL,       BM_BAND_BELL,
   BM_BAND_BELL,    BM_BAND_LOW_SHELF, BM_BAND_BELL,    BM_BAND_BELL, BM_BAND_HIGH_SHELF,
};

BmStatus bm_fundamental_eq_init(BmFundamentalEq* self, double sample_rate_hz)
{
   self->cfg.lowest_note_hz = LOWEST_NOTE_HZ;
   return bm_band_eq_init(&self->eq, sample_rate_hz, kinds, N_BANDS, 1);
}

static void set_harmonics(BmFundamentalEq* self, const BmFundamentalEqParams* params)
{
   for (uint32_t i = 0; i < N_HARMONICS; ++i) {
      const BmBandParams band = {
         .frequency_hz = (i + 1) * self->cfg.lowest_note_hz,
         .gain_db = params->harmonic == i + 1 ? params->harmonic_gain_db : 0.0,
         .q = params->harmonic_q,
      };
      bm_band_eq_set(&self->eq, HARMONIC + i, 0, &band);
   }
}

static void set_shelf(BmFundamentalEq* self, uint32_t index, const BmBandParams* params)
{
   BmBandParams shelf = *params;
   shelf.q = BM_SHELF_Q;
   bm_band_eq_set(&self->eq, index, 0, &shelf);
}

void bm_fundamental_eq_set(BmFundamentalEq* self, const BmFundamentalEqParams* params)
{
   if (params->lowest_note_hz > 0.0 && params->lowest_note_hz <= LOWEST_NOTE_MAX_HZ) {
      self->cfg.lowest_note_hz = params->lowest_note_hz;
   }
   const BmLowCutParams low_cut = {
      .on = params->low_cut,
      .slope_db_oct = params->low_cut_slope_db_oct,
      .corner_hz = params->low_cut_ratio * self->cfg.lowest_note_hz,
   };
   bm_band_eq_set_low_cut(&self->eq, LOW_CUT, 0, &low_cut);
   set_harmonics(self, params);
   set_shelf(self, LOW_SHELF, &params->low_shelf);
   bm_band_eq_set(&self->eq, BELL, 0, &params->bells[0]);
   bm_band_eq_set(&self->eq, BELL + 1, 0, &params->bells[1]);
   set_shelf(self, HIGH_SHELF, &params->high_shelf);
}

void bm_fundamental_eq_process(BmFundamentalEq* self, const BmFrame* in, BmFrame* out, uint32_t n_frames)
{
   bm_band_eq_process(&self->eq, in, out, n_frames);
}

void bm_fundamental_eq_reset(BmFundamentalEq* self)
{
   bm_band_eq_reset(&self->eq);
}
