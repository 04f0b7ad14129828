/* SPDX-License-Identifier: ISC */
/* A session file of any bytes: read, or refused in one line. */
#include "fuzz.h"
#include "session.h"

#include <sndfile.h>

/* take.wav, one channel, and pair.wav, two. */
static void write_take(const char* name, int n_channels)
{
   SF_INFO info = {.samplerate = 48000, .channels = n_channels, .format = SF_FORMAT_WAV | SF_FORMAT_PCM_16};
   SNDFILE* file = sf_open(fuzz_path(name), SFM_WRITE, &info);
   const short frames[200] = {1000, -1000};
   if (!file || sf_writef_short(file, frames, 100) != 100 || sf_close(file) != 0) {
      fuzz_fail("%s: could not be written", name);
   }
}

int LLVMFuzzerInitialize(int* argc, char*** argv)
{
   (void)argc;
   (void)argv;
   fuzz_open_folder();
   write_take("take.wav", 1);
   write_take("pair.wav", 2);
   fuzz_open_host(48000.0, 256);
   return 0;
}

int LLVMFuzzerTestOneInput(const uint8_t* data, size_t size)
{
   BmError error = {0};
   BmSession* session = bm_session_read(fuzz_host, fuzz_file(data, size), fuzz_folder, &error);
   if (!session) {
      fuzz_check_error(&error);
   } else if (error.is_set) {
      fuzz_fail("a session is read, and yet: %s", error.text);
   }
   bm_session_free(session);
   return 0;
}
