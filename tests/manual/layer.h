/* SPDX-License-Identifier: ISC */
#ifndef BM_MANUAL_LAYER_H
#define BM_MANUAL_LAYER_H

#include "figures.h"

/**
   Add the tape layer's own loops: magnetisation against field in kA/m, of the model in
   common-dsp/saturation/hysteresis.h, without bias at three amplitudes, and under its nominal bias.
*/
void bm_manual_add_layer(BmFigures* figures);

#endif
