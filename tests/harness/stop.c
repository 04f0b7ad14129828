/* SPDX-License-Identifier: ISC */
#include "stop.h"

#include <stddef.h>

static volatile sig_atomic_t is_stopped;

static void on_signal(int signal)
{
   (void)signal;
   is_stopped = 1;
}

void bm_catch_signals(void)
{
   struct sigaction action = {.sa_handler = on_signal, .sa_flags = (int)SA_RESETHAND};
   sigaction(SIGINT, &action, NULL);
   sigaction(SIGTERM, &action, NULL);
   sigaction(SIGHUP, &action, NULL);
   /* A file that outgrows a limit is an error to report, not a reason to die. */
   signal(SIGXFSZ, SIG_IGN);
}

const volatile sig_atomic_t* bm_stop(void)
{
   return &is_stopped;
}
