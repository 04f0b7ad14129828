/* SPDX-License-Identifier: ISC */
/*
   If this fails, a session of many tracks sounds different, or crashes, on a host that spreads plugins over
   cores.

   Threads make, run, save, restore and free every plugin of the bundle at once, each as a host of its own,
   and each must hear what a thread alone hears. Under ThreadSanitizer (build-thread) a shared variable
   without a lock is found even where nothing can be heard of it.
*/
#include "unit_test.h"

#include "every.h"

#include <pthread.h>

enum { N_THREADS = 3, N_ROUNDS = 2, N_HEARD = 6000, MAX_PLUGINS = 256 };

typedef struct {
   uint64_t hashes[N_ROUNDS][MAX_PLUGINS]; /* of what each plugin gave, by its place in the host */
   int number;
   BmHost* host; /* made, and its plugins read, before the threads: lilv has static buffers for that */
   pthread_barrier_t* start; /* NULL: alone */
} Ears;

static const Audio* in;

/* FNV-1a. */
static uint64_t hash_of(uint64_t hash, const float* samples, uint32_t n)
{
   const unsigned char* bytes = (const unsigned char*)samples;
   for (size_t i = 0; i < n * sizeof *samples; ++i) {
      hash = (hash ^ bytes[i]) * 0x100000001B3ULL;
   }
   return hash;
}

static uint64_t hear(BmHost* host, const BmPlugin* plugin, int round)
{
   BmError error = {0};
   BmInstance* instance = bm_instance_new(host, plugin, round % 2 ? 44100.0 : RATE_HZ, MAX_BLOCK, &error);
   uint64_t hash = 0xCBF29CE484222325ULL;
   if (!instance) {
      return 0;
   }
   uint64_t seed = 71;
   Audio out = audio_new(N_HEARD);
   for (uint32_t start = 0; start < N_HEARD; start += 1500) {
      set_all(instance, &seed);
      run(instance, in, &out, start, 1500);
      char* settings = bm_instance_save(instance);
      bm_instance_load_text(instance, settings, &error);
      free(settings);
   }
   for (uint32_t c = 0; c < plugin->n_audio_out; ++c) {
      hash = hash_of(hash, out.channels[c], N_HEARD);
   }
   audio_free(&out);
   bm_instance_free(instance);
   return hash;
}

static void* listen(void* data)
{
   Ears* ears = data;
   BmHost* host = ears->host;
   if (ears->start) {
      pthread_barrier_wait(ears->start);
   }
   const uint32_t n_plugins = bm_host_n_plugins(host);
   for (int round = 0; round < N_ROUNDS; ++round) {
      for (uint32_t i = 0; i < n_plugins; ++i) {
         /* Now the same plugin at once, now another. */
         const uint32_t n = round % 2 ? (i + (uint32_t)ears->number) % n_plugins : i;
         const BmPlugin* plugin = bm_host_plugin(host, n);
         if (!strncmp(plugin->uri, "urn:bookmatch:", 14)) {
            ears->hashes[round][n] = hear(host, plugin, round);
         }
      }
   }
   return NULL;
}

static void every_plugin_sounds_in_many_threads_as_it_does_alone(void** state)
{
   (void)state;
   static Ears alone;
   static Ears ears[N_THREADS];
   const Audio input = plucks(N_HEARD);
   in = &input;
   assert_in_range(bm_host_n_plugins(hosted_host), 1, MAX_PLUGINS);
   pthread_barrier_t start;
   pthread_barrier_init(&start, NULL, N_THREADS);
   pthread_t threads[N_THREADS];
   BmError error = {0};
   for (int t = 0; t < N_THREADS; ++t) {
      ears[t].host = bm_host_new(&error);
      assert_non_null(ears[t].host);
      for (uint32_t i = 0; i < bm_host_n_plugins(ears[t].host); ++i) {
         bm_host_plugin(ears[t].host, i);
      }
   }
   for (int t = 0; t < N_THREADS; ++t) {
      ears[t].number = t;
      ears[t].start = &start;
      assert_int_equal(pthread_create(&threads[t], NULL, listen, &ears[t]), 0);
   }
   for (int t = 0; t < N_THREADS; ++t) {
      pthread_join(threads[t], NULL);
      bm_host_free(ears[t].host);
   }
   pthread_barrier_destroy(&start);
   alone.host = hosted_host;
   listen(&alone);
   for (uint32_t i = 0; i < bm_host_n_plugins(hosted_host); ++i) {
      const BmPlugin* plugin = bm_host_plugin(hosted_host, i);
      for (int t = 0; t < N_THREADS * N_ROUNDS; ++t) {
         const uint64_t heard = ears[t / N_ROUNDS].hashes[t % N_ROUNDS][i];
         if (heard != alone.hashes[t % N_ROUNDS][i]) {
            fail_msg("%s: in thread %d, round %d, it is not what it is alone", plugin->uri, t / N_ROUNDS,
                     t % N_ROUNDS);
         }
         if (heard) {
            cases_add(plugin->uri, "threads", 1);
         }
      }
   }
   Audio done = input;
   audio_free(&done);
}

int main(void)
{
   BmError error = {0};
   hosted_host = bm_host_new(&error);
   if (!hosted_host) {
      fprintf(stderr, "%s\n", error.text);
      return 1;
   }
   Keepers kept =
      keepers_new(RATE_HZ); /* no library is unloaded: the sanitizer does not see the loader's locks */
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(every_plugin_sounds_in_many_threads_as_it_does_alone),
   };
   const int n_failed = cmocka_run_group_tests(tests, NULL, NULL);
   keepers_free(&kept);
   bm_host_free(hosted_host);
   return n_failed;
}
