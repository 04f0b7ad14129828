/* SPDX-License-Identifier: ISC */
#ifndef BM_TAKES_RANDOM_H
#define BM_TAKES_RANDOM_H

#include <stdint.h>

/** A repeatable random sequence: SplitMix64 (Steele, Lea, Flood, OOPSLA 2014; constants from memory). */
typedef struct {
   uint64_t state;
} BmRandom;

static inline uint64_t bm_random_bits(BmRandom* self)
{
   uint64_t z = self->state += 0x9E3779B97F4A7C15ULL;
   z = (z ^ (z >> 30)) * 0xBF58476D1CE4E5B9ULL;
   z = (z ^ (z >> 27)) * 0x94D049BB133111EBULL;
   return z ^ (z >> 31);
}

/** Start the sequence number `stream` of a seed; sequences of one seed are unrelated. */
static inline BmRandom bm_random(uint64_t seed, uint64_t stream)
{
   BmRandom self = {seed * 0xD1342543DE82EF95ULL + stream};
   self.state = bm_random_bits(&self);
   return self;
}

/** Uniform in [0, 1). */
static inline double bm_random_unit(BmRandom* self)
{
   return (double)(bm_random_bits(self) >> 11) * 0x1p-53;
}

/** Uniform in [-1, 1). */
static inline double bm_random_signed(BmRandom* self)
{
   return 2.0 * bm_random_unit(self) - 1.0;
}

/** About normal, mean 0, deviation 1, never beyond 3.5: a sum of four. A hand has no long tails. */
static inline double bm_random_normal(BmRandom* self)
{
   double sum = 0.0;
   for (int i = 0; i < 4; ++i) {
      sum += bm_random_signed(self);
   }
   return sum * 0.8660254037844386;
}

/** A number for a name, to seed by: FNV-1a. */
static inline uint64_t bm_random_seed_of(const char* name)
{
   uint64_t hash = 0xCBF29CE484222325ULL;
   for (; *name; ++name) {
      hash = (hash ^ (uint8_t)*name) * 0x100000001B3ULL;
   }
   return hash;
}

#endif
