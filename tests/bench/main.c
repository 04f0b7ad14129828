/* SPDX-License-Identifier: ISC */
#include "bench.h"

int main(int argc, char** argv)
{
   return bm_bench_main(argc - 1, argv + 1);
}
