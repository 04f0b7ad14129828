/* SPDX-License-Identifier: ISC */
/*
   What no run() may do, once each: DEED(what the trap must name, statement). A plugin for nobody
   (forbidden.c) does the deed whose number its control says; test_real_time.c holds that each is caught.
   KERNEL_DEED: only the kernel's refusal of system calls shows it.
*/
#define DEEDS(DEED, KERNEL_DEED)                                                                             \
   DEED(malloc, block = malloc(100))                                                                         \
   DEED(realloc, block = realloc(block, 200))                                                                \
   DEED(free, free(block))                                                                                   \
   DEED(calloc, block = calloc(3, 4))                                                                        \
   DEED(free, free(block))                                                                                   \
   DEED(aligned_alloc, block = aligned_alloc(64, 64))                                                        \
   DEED(free, free(block))                                                                                   \
   DEED(posix_memalign, result = posix_memalign(&block, 64, 64))                                             \
   DEED(free, free(block))                                                                                   \
   DEED(malloc, block = strdup("text"))                                                                      \
   DEED(free, free(block))                                                                                   \
   DEED(pthread_mutex_lock, pthread_mutex_lock(&mutex))                                                      \
   DEED(pthread_cond_timedwait, pthread_cond_timedwait(&condition, &mutex, &long_ago))                       \
   DEED(pthread_mutex_unlock, pthread_mutex_unlock(&mutex))                                                  \
   DEED(pthread_mutex_trylock, pthread_mutex_trylock(&mutex))                                                \
   DEED(pthread_cond_signal, pthread_cond_signal(&condition))                                                \
   DEED(pthread_cond_broadcast, pthread_cond_broadcast(&condition))                                          \
   DEED(pthread_mutex_unlock, pthread_mutex_unlock(&mutex))                                                  \
   DEED(pthread_mutex_timedlock, pthread_mutex_timedlock(&mutex, &long_ago))                                 \
   DEED(pthread_mutex_unlock, pthread_mutex_unlock(&mutex))                                                  \
   DEED(pthread_rwlock_rdlock, pthread_rwlock_rdlock(&rwlock))                                               \
   DEED(pthread_rwlock_unlock, pthread_rwlock_unlock(&rwlock))                                               \
   DEED(pthread_rwlock_wrlock, pthread_rwlock_wrlock(&rwlock))                                               \
   DEED(pthread_rwlock_unlock, pthread_rwlock_unlock(&rwlock))                                               \
   DEED(pthread_rwlock_tryrdlock, pthread_rwlock_tryrdlock(&rwlock))                                         \
   DEED(pthread_rwlock_unlock, pthread_rwlock_unlock(&rwlock))                                               \
   DEED(pthread_rwlock_trywrlock, pthread_rwlock_trywrlock(&rwlock))                                         \
   DEED(pthread_rwlock_unlock, pthread_rwlock_unlock(&rwlock))                                               \
   DEED(pthread_spin_lock, pthread_spin_lock(&spinlock))                                                     \
   DEED(pthread_spin_unlock, pthread_spin_unlock(&spinlock))                                                 \
   DEED(pthread_once, pthread_once(&once, nothing))                                                          \
   DEED(mtx_lock, mtx_lock(&mtx))                                                                            \
   DEED(mtx_unlock, mtx_unlock(&mtx))                                                                        \
   DEED(mtx_trylock, mtx_trylock(&mtx))                                                                      \
   DEED(mtx_unlock, mtx_unlock(&mtx))                                                                        \
   DEED(cnd_signal, cnd_signal(&cnd))                                                                        \
   DEED(cnd_broadcast, cnd_broadcast(&cnd))                                                                  \
   DEED(call_once, call_once(&flag, nothing))                                                                \
   DEED(sem_post, sem_post(&semaphore))                                                                      \
   DEED(sem_wait, sem_wait(&semaphore))                                                                      \
   DEED(sem_post, sem_post(&semaphore))                                                                      \
   DEED(sem_trywait, sem_trywait(&semaphore))                                                                \
   DEED(sem_post, sem_post(&semaphore))                                                                      \
   DEED(sem_timedwait, sem_timedwait(&semaphore, &long_ago))                                                 \
   DEED(printf, printf("%s", ""))                                                                            \
   DEED(puts, puts(""))                                                                                      \
   DEED(putchar, putchar('\n'))                                                                              \
   DEED(fprintf, fprintf(sink, "%d", 2))                                                                     \
   DEED(fputs, fputs("4", sink))                                                                             \
   DEED(fputc, fputc('5', sink))                                                                             \
   DEED(putc, putc('6', sink))                                                                               \
   DEED(fwrite, result = (int)fwrite("7", 1, 1, sink))                                                       \
   DEED(fflush, fflush(sink))                                                                                \
   DEED(snprintf, snprintf(text, sizeof text, "%d", 8))                                                      \
   DEED(sprintf, sprintf(text, "%d", 9))                                                                     \
   DEED(fread, result = (int)fread(text, 1, 1, file))                                                        \
   DEED(fgetc, result = fgetc(file))                                                                         \
   DEED(getc, result = getc(file))                                                                           \
   DEED(fgets, block = fgets(text, 2, file))                                                                 \
   DEED(fopen, opened = fopen("/dev/null", "rb"))                                                            \
   DEED(fclose, fclose(opened))                                                                              \
   DEED(time, result = (int)time(NULL))                                                                      \
   DEED(clock, result = (int)clock())                                                                        \
   DEED(clock_gettime, clock_gettime(CLOCK_MONOTONIC, &now))                                                 \
   DEED(gettimeofday, gettimeofday(&today, NULL))                                                            \
   DEED(rand, result = rand())                                                                               \
   DEED(random, result = (int)random())                                                                      \
   DEED(getenv, block = getenv("HOME"))                                                                      \
   DEED(qsort, qsort(text, 2, 1, compare))                                                                   \
   KERNEL_DEED(open, result = open("/dev/null", O_WRONLY))                                                   \
   KERNEL_DEED(write, result = (int)write(1, "", 0))                                                         \
   KERNEL_DEED(sched_yield, sched_yield())                                                                   \
   KERNEL_DEED(nanosleep, nanosleep(&no_time, NULL))                                                         \
   KERNEL_DEED(getppid, result = getppid())
