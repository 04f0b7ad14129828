/* SPDX-License-Identifier: ISC */
#include "stereo/mid_side_eq.h"

#define LISTEN_FADE_MS 50.0

enum { LOW_CUT, LOW_SHELF = LOW_CUT + BM_LOW_CUT_BANDS, BELL, HIGH_SHELF = BELL + 2, N_BANDS };

static const BmBandKind kinds[N_BANDS] = {
   BM_BAND_LOW_CUT, BM_BAND_LOW_CUT, BM_BAND_LOW_CUT,    BM_BAND_LOW_SHELF,
   BM_BAND_BELL,    BM_BAND_BELL,    BM_BAND_HIGH_SHELF,
};

BmStatus bm_mid_side_eq_init(BmMidSideEq* self, double sample_rate_hz)
{
   const BmStatus status = bm_band_eq_init(&self->eq, sample_rate_hz, kinds, N_BANDS, 2);
   if (status != BM_OK) {
      return status;
   }
   bm_fade_init(&self->listen.mid, LISTEN_FADE_MS, sample_rate_hz);
   bm_fade_init(&self->listen.side, LISTEN_FADE_MS, sample_rate_hz);
   bm_fade_init(&self->listen.apart, LISTEN_FADE_MS, sample_rate_hz);
   bm_fade_set(&self->listen.mid, true);
   bm_fade_set(&self->listen.side, true);
   bm_fade_set(&self->listen.apart, true);
   bm_mid_side_eq_reset(self);
   return bm_correlation_init(&self->correlation, sample_rate_hz, BM_CORRELATION_WINDOW_S);
}

static void set_half(BmMidSideEq* self, uint32_t lane, const BmMidSideEqHalf* params)
{
   BmBandParams low_shelf = params->low_shelf;
   BmBandParams high_shelf = params->high_shelf;
   low_shelf.q = BM_SHELF_Q;
   high_shelf.q = BM_SHELF_Q;
   bm_band_eq_set_low_cut(&self->eq, LOW_CUT, lane, &params->low_cut);
   bm_band_eq_set(&self->eq, LOW_SHELF, lane, &low_shelf);
   bm_band_eq_set(&self->eq, BELL, lane, &params->bells[0]);
   bm_band_eq_set(&self->eq, BELL + 1, lane, &params->bells[1]);
   bm_band_eq_set(&self->eq, HIGH_SHELF, lane, &high_shelf);
}

void bm_mid_side_eq_set(BmMidSideEq* self, const BmMidSideEqParams* params)
{
   set_half(self, 0, &params->mid);
   set_half(self, 1, &params->side);
   bm_fade_set(&self->listen.mid, params->listen != BM_LISTEN_SIDE);
   bm_fade_set(&self->listen.side, params->listen != BM_LISTEN_MID);
   bm_fade_set(&self->listen.apart, params->listen == BM_LISTEN_BOTH);
}

static bool listens_to_both(const BmMidSideEq* self)
{
   return bm_fade_is_on(&self->listen.mid) && bm_fade_is_on(&self->listen.side) &&
          bm_fade_is_on(&self->listen.apart);
}

static BmFrame encode(BmFrame left_right)
{
   const BmFrame half = 0.5 * left_right;
   return bm_frame(half[0] + half[1], half[0] - half[1]);
}

static BmFrame decode(BmFrame mid_side)
{
   return bm_frame(mid_side[0] + mid_side[1], mid_side[0] - mid_side[1]);
}

/* When both are listened to, decode() to the last bit. */
static BmFrame decode_listening(BmMidSideEq* self, BmFrame mid_side)
{
   const double mid = bm_fade_step(&self->listen.mid) * mid_side[0];
   const double side = bm_fade_step(&self->listen.side) * mid_side[1];
   const double right_from_side = 1.0 - 2.0 * bm_fade_step(&self->listen.apart);
   return bm_frame(mid + side, mid + right_from_side * side);
}

static void equalise_flat(BmMidSideEq* self, const BmFrame* in, BmFrame* out, uint32_t n_frames)
{
   bm_band_eq_process(&self->eq, in, out, n_frames);
   if (listens_to_both(self)) {
      return;
   }
   for (uint32_t i = 0; i < n_frames; ++i) {
      out[i] = listens_to_both(self) ? out[i] : decode_listening(self, encode(out[i]));
   }
}

static void equalise(BmMidSideEq* self, const BmFrame* in, BmFrame* out, uint32_t n_frames)
{
   const bool is_plain = listens_to_both(self);
   for (uint32_t i = 0; i < n_frames; ++i) {
      out[i] = encode(in[i]);
   }
   bm_band_eq_process(&self->eq, out, out, n_frames);
   for (uint32_t i = 0; i < n_frames; ++i) {
      out[i] = is_plain ? decode(out[i]) : decode_listening(self, out[i]);
   }
}

void bm_mid_side_eq_process(BmMidSideEq* self, const BmFrame* in, BmFrame* out, uint32_t n_frames)
{
   while (n_frames) {
      const uint32_t n = bm_band_eq_prepare(&self->eq, n_frames);
      if (bm_band_eq_is_flat(&self->eq)) {
         equalise_flat(self, in, out, n);
      } else {
         equalise(self, in, out, n);
      }
      bm_correlation_process(&self->correlation, out, n);
      in += n;
      out += n;
      n_frames -= n;
   }
}

void bm_mid_side_eq_reset(BmMidSideEq* self)
{
   bm_band_eq_reset(&self->eq);
   bm_fade_reset(&self->listen.mid);
   bm_fade_reset(&self->listen.side);
   bm_fade_reset(&self->listen.apart);
   bm_correlation_reset(&self->correlation);
}

double bm_mid_side_eq_correlation_norm(const BmMidSideEq* self)
{
   return bm_correlation_norm(&self->correlation);
}
