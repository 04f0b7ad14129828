/* SPDX-License-Identifier: ISC */
/* What each plugin and each processor costs, as a library for the program `bench` and for `bookmatch bench`.
 */
#ifndef BM_BENCH_BENCH_H
#define BM_BENCH_BENCH_H

/**
   Run the benchmark; the arguments are those after the program's name, `--help` tells them.

   @return the exit code: 0, 1 where something could not be measured, 2 for wrong usage. No figure, however
   bad, changes it.
*/
int bm_bench_main(int n_arguments, char** arguments);

#endif
