/* SPDX-License-Identifier: ISC */
/* An audio file of any bytes, as the bench opens a take: finite samples, or an error in one line. */
#include "audio_file.h"
#include "fuzz.h"

#include <math.h>

enum { BLOCK = 512, MAX_BLOCKS = 20 };

int LLVMFuzzerInitialize(int* argc, char*** argv)
{
   (void)argc;
   (void)argv;
   fuzz_open_folder();
   return 0;
}

static void read_take(BmTake* take, uint32_t n_channels)
{
   float samples[BM_MAX_CHANNELS][BLOCK];
   float* channels[BM_MAX_CHANNELS] = {samples[0], samples[1]};
   BmError error = {0};
   for (int block = 0; block < MAX_BLOCKS; ++block) {
      if (!bm_take_read(take, channels, BLOCK, &error)) {
         fuzz_check_error(&error);
         return;
      }
      for (uint32_t c = 0; c < n_channels; ++c) {
         for (uint32_t i = 0; i < BLOCK; ++i) {
            if (!isfinite((double)samples[c][i])) {
               fuzz_fail("sample %u is %g", i, (double)samples[c][i]);
            }
         }
      }
   }
}

int LLVMFuzzerTestOneInput(const uint8_t* data, size_t size)
{
   const char* path = fuzz_file(data, size);
   BmAudioInfo info = {0};
   BmError error = {0};
   if (!bm_audio_probe(path, &info, &error)) {
      fuzz_check_error(&error);
      return 0;
   }
   if (!(info.rate_hz > 0.0) || info.n_channels == 0 || info.n_frames == 0) {
      fuzz_fail("a file of %g Hz, %u channels, %llu frames is not refused", info.rate_hz, info.n_channels,
                (unsigned long long)info.n_frames);
   }
   static const uint32_t first[] = {1};
   const uint32_t n_channels = info.n_channels <= BM_MAX_CHANNELS ? info.n_channels : 1;
   const BmTakeOptions options = {.rate_hz = size % 2 ? 48000.0 : info.rate_hz,
                                  .channels = n_channels == info.n_channels ? NULL : first,
                                  .n_channels = n_channels == info.n_channels ? 0 : 1};
   BmTake* take = bm_take_open(path, &options, &error);
   if (!take) {
      fuzz_check_error(&error);
      return 0;
   }
   read_take(take, n_channels);
   bm_take_close(take);
   return 0;
}
