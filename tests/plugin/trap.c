/* SPDX-License-Identifier: ISC */
#include "trap.h"

#include <dlfcn.h>
#include <pthread.h>
#include <semaphore.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/time.h>
#include <threads.h>
#include <time.h>
#include <wchar.h>

static volatile bool is_watching;
static volatile long n_hits;
static const char* volatile first_hit;

void trap_start(void)
{
   is_watching = true;
}

void trap_stop(void)
{
   is_watching = false;
}

void trap_hit(const char* what)
{
   if (is_watching) {
      ++n_hits;
      first_hit = first_hit ? first_hit : what;
   }
}

long trap_n_hits(void)
{
   return n_hits;
}

const char* trap_first_hit(void)
{
   return first_hit;
}

void trap_clear(void)
{
   n_hits = 0;
   first_hit = NULL;
}

/* What looks a function up may not be counted with it. */
static void find(void* next, const char* name)
{
   const bool was_watching = is_watching;
   is_watching = false;
   *(void**)next = dlsym(RTLD_NEXT, name);
   is_watching = was_watching;
   if (!*(void**)next) {
      abort();
   }
}

/* The definitions below take the place of glibc's for every library in the process, and call them. */
#define TRAP(Type, name, parameters, arguments)                                                              \
   Type name parameters                                                                                      \
   {                                                                                                         \
      static Type(*next) parameters;                                                                         \
      trap_hit(#name);                                                                                       \
      if (!next) {                                                                                           \
         find(&next, #name);                                                                                 \
      }                                                                                                      \
      return next arguments;                                                                                 \
   }
#define TRAP_VOID(name, parameters, arguments)                                                               \
   void name parameters                                                                                      \
   {                                                                                                         \
      static void(*next) parameters;                                                                         \
      trap_hit(#name);                                                                                       \
      if (!next) {                                                                                           \
         find(&next, #name);                                                                                 \
      }                                                                                                      \
      next arguments;                                                                                        \
   }
/* One with `...`, by its sister that takes a va_list. */
#define TRAP_PRINT(name, sister, parameters, arguments)                                                      \
   int name parameters                                                                                       \
   {                                                                                                         \
      trap_hit(#name);                                                                                       \
      va_list list;                                                                                          \
      va_start(list, format);                                                                                \
      const int n = sister arguments;                                                                        \
      va_end(list);                                                                                          \
      return n;                                                                                              \
   }

/* The allocator: dlsym itself allocates, so these go by glibc's other names for it. */
void* __libc_malloc(size_t size);
void* __libc_calloc(size_t n, size_t size);
void* __libc_realloc(void* block, size_t size);
void* __libc_memalign(size_t alignment, size_t size);
void __libc_free(void* block);

void* malloc(size_t size)
{
   trap_hit("malloc");
   return __libc_malloc(size);
}

void* calloc(size_t n, size_t size)
{
   trap_hit("calloc");
   return __libc_calloc(n, size);
}

void* realloc(void* block, size_t size)
{
   trap_hit("realloc");
   return __libc_realloc(block, size);
}

void* aligned_alloc(size_t alignment, size_t size)
{
   trap_hit("aligned_alloc");
   return __libc_memalign(alignment, size);
}

int posix_memalign(void** block, size_t alignment, size_t size)
{
   trap_hit("posix_memalign");
   *block = __libc_memalign(alignment, size);
   return *block ? 0 : 12;
}

void free(void* block)
{
   trap_hit("free");
   __libc_free(block);
}

/* Locks, and what wakes or waits. */
TRAP(int, pthread_mutex_lock, (pthread_mutex_t * mutex), (mutex))
TRAP(int, pthread_mutex_trylock, (pthread_mutex_t * mutex), (mutex))
TRAP(int, pthread_mutex_timedlock, (pthread_mutex_t * mutex, const struct timespec* until), (mutex, until))
TRAP(int, pthread_mutex_unlock, (pthread_mutex_t * mutex), (mutex))
TRAP(int, pthread_rwlock_rdlock, (pthread_rwlock_t * lock), (lock))
TRAP(int, pthread_rwlock_wrlock, (pthread_rwlock_t * lock), (lock))
TRAP(int, pthread_rwlock_tryrdlock, (pthread_rwlock_t * lock), (lock))
TRAP(int, pthread_rwlock_trywrlock, (pthread_rwlock_t * lock), (lock))
TRAP(int, pthread_rwlock_unlock, (pthread_rwlock_t * lock), (lock))
TRAP(int, pthread_spin_lock, (pthread_spinlock_t * lock), (lock))
TRAP(int, pthread_spin_unlock, (pthread_spinlock_t * lock), (lock))
TRAP(int, pthread_cond_wait, (pthread_cond_t * condition, pthread_mutex_t* mutex), (condition, mutex))
TRAP(int, pthread_cond_timedwait,
     (pthread_cond_t * condition, pthread_mutex_t* mutex, const struct timespec* until),
     (condition, mutex, until))
TRAP(int, pthread_cond_signal, (pthread_cond_t * condition), (condition))
TRAP(int, pthread_cond_broadcast, (pthread_cond_t * condition), (condition))
TRAP(int, pthread_once, (pthread_once_t * once, void (*routine)(void)), (once, routine))
TRAP(int, mtx_lock, (mtx_t * mutex), (mutex))
TRAP(int, mtx_trylock, (mtx_t * mutex), (mutex))
TRAP(int, mtx_timedlock, (mtx_t* restrict mutex, const struct timespec* restrict until), (mutex, until))
TRAP(int, mtx_unlock, (mtx_t * mutex), (mutex))
TRAP(int, cnd_signal, (cnd_t * condition), (condition))
TRAP(int, cnd_broadcast, (cnd_t * condition), (condition))
TRAP(int, cnd_wait, (cnd_t * condition, mtx_t* mutex), (condition, mutex))
TRAP_VOID(call_once, (once_flag * once, void (*routine)(void)), (once, routine))
TRAP(int, sem_wait, (sem_t * semaphore), (semaphore))
TRAP(int, sem_trywait, (sem_t * semaphore), (semaphore))
TRAP(int, sem_timedwait, (sem_t* restrict semaphore, const struct timespec* restrict until),
     (semaphore, until))
TRAP(int, sem_post, (sem_t * semaphore), (semaphore))

/* Streams lock and may write; what prints into memory may allocate and reads the locale. */
TRAP(int, vprintf, (const char* format, va_list list), (format, list))
TRAP(int, vfprintf, (FILE * file, const char* format, va_list list), (file, format, list))
TRAP(int, vsprintf, (char* text, const char* format, va_list list), (text, format, list))
TRAP(int, vsnprintf, (char* text, size_t size, const char* format, va_list list), (text, size, format, list))
TRAP_PRINT(printf, vprintf, (const char* format, ...), (format, list))
TRAP_PRINT(fprintf, vfprintf, (FILE * file, const char* format, ...), (file, format, list))
TRAP_PRINT(sprintf, vsprintf, (char* text, const char* format, ...), (text, format, list))
TRAP_PRINT(snprintf, vsnprintf, (char* text, size_t size, const char* format, ...),
           (text, size, format, list))
TRAP(int, puts, (const char* text), (text))
TRAP(int, fputs, (const char* restrict text, FILE* restrict file), (text, file))
TRAP(int, putchar, (int character), (character))
TRAP(int, putc, (int character, FILE* file), (character, file))
TRAP(int, fputc, (int character, FILE* file), (character, file))
TRAP_VOID(perror, (const char* text), (text))
TRAP(size_t, fwrite, (const void* restrict data, size_t size, size_t n, FILE* restrict file),
     (data, size, n, file))
TRAP(size_t, fread, (void* restrict data, size_t size, size_t n, FILE* restrict file), (data, size, n, file))
TRAP(int, fgetc, (FILE * file), (file))
TRAP(int, getc, (FILE * file), (file))
TRAP(char*, fgets, (char* restrict text, int size, FILE* restrict file), (text, size, file))
TRAP(int, fflush, (FILE * file), (file))
TRAP(int, fseek, (FILE * file, long offset, int whence), (file, offset, whence))
TRAP(FILE*, fopen, (const char* restrict path, const char* restrict mode), (path, mode))
TRAP(int, fclose, (FILE * file), (file))

/* Clocks: most need no system call, some machines' do. */
TRAP(time_t, time, (time_t * now), (now))
TRAP(clock_t, clock, (void), ())
TRAP(int, clock_gettime, (clockid_t clock_id, struct timespec* now), (clock_id, now))
TRAP(int, gettimeofday, (struct timeval* restrict now, void* restrict zone), (now, zone))
TRAP(struct tm*, localtime, (const time_t* when), (when))
TRAP(size_t, strftime,
     (char* restrict text, size_t size, const char* restrict format, const struct tm* restrict when),
     (text, size, format, when))

/* Share a lock with the whole process. */
TRAP(int, rand, (void), ())
TRAP_VOID(srand, (unsigned seed), (seed))
TRAP(long, random, (void), ())
TRAP(char*, getenv, (const char* name), (name))
TRAP_VOID(qsort, (void* items, size_t n, size_t size, int (*compare)(const void*, const void*)),
          (items, n, size, compare))
