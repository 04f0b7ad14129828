/* SPDX-License-Identifier: ISC */
/* The `bookmatch` command as a user starts it: arguments in, exit code, words and files out. */
#ifndef BM_COMMAND_TEST_H
#define BM_COMMAND_TEST_H

#include "page_check.h"
#include "session_test.h"

#include <fcntl.h>
#include <signal.h>
#include <sys/mount.h>
#include <sys/resource.h>
#include <sys/stat.h>
#include <sys/wait.h>

#define STEM "<#out> a bm:Stem ; bm:from <#a> ; bm:file \"out.wav\" "
#define TRACK "<#a> a bm:Track ; bm:take <take.wav> "

typedef struct {
   int status;        /* exit code; 128 + n for a signal */
   char text[8192];   /* what it said, on both streams */
   long resident_kib; /* the most memory it held */
} Result;

static inline const char* command_path(void)
{
   return getenv("BM_COMMAND");
}

/* Start `bookmatch` with `arguments`; what it says goes to the file "said". */
static inline pid_t start(const char* const* arguments)
{
   const char* argv[12] = {command_path()};
   for (int n = 0; arguments[n]; ++n) {
      argv[n + 1] = arguments[n];
   }
   const pid_t child = fork();
   if (child == 0) {
      const int file = open(in_folder("said"), O_CREAT | O_TRUNC | O_WRONLY, 0666);
      dup2(file, STDOUT_FILENO);
      dup2(file, STDERR_FILENO);
      execv(argv[0], (char* const*)argv);
      _exit(127);
   }
   return child;
}

/* Leave out the lines of progress, which only a slow or busy machine is told. */
static inline void drop_progress(char* text)
{
   char* to = text;
   for (const char* line = text; *line;) {
      const char* newline = strchr(line, '\n');
      const size_t length = newline ? (size_t)(newline - line) + 1 : strlen(line);
      static const char rate[] = " times real time\n";
      const bool tells_rate =
         length > sizeof rate && !strncmp(line + length - (sizeof rate - 1), rate, sizeof rate - 1);
      const bool is_progress =
         !strncmp(line, "bookmatch: measuring ", 21) || !strncmp(line, "bookmatch: writing ", 19);
      if (!(tells_rate && !strncmp(line, "bookmatch: ", 11)) && !is_progress) {
         memmove(to, line, length);
         to += length;
      }
      line += length;
   }
   *to = '\0';
}

static inline Result finish(pid_t child)
{
   Result result = {0};
   int status = 0;
   struct rusage usage;
   assert_int_equal(wait4(child, &status, 0, &usage), child);
   result.status = WIFEXITED(status) ? WEXITSTATUS(status) : 128 + WTERMSIG(status);
   result.resident_kib = usage.ru_maxrss;
   FILE* file = fopen(in_folder("said"), "rb");
   assert_non_null(file);
   result.text[fread(result.text, 1, sizeof(result.text) - 1, file)] = '\0';
   fclose(file);
   drop_progress(result.text);
   return result;
}

#define run(...) finish(start((const char* const[]){__VA_ARGS__, NULL}))

static inline void write_session(const char* name, const char* body)
{
   char* text = bm_print("%s%s", PREFIXES, body);
   write_text(name, text);
   free(text);
}

static inline bool are_equal(const char* one, const char* other)
{
   size_t sizes[2];
   char* a = read_bytes(one, &sizes[0]);
   char* b = read_bytes(other, &sizes[1]);
   const bool equal = a && b && sizes[0] == sizes[1] && !memcmp(a, b, sizes[0]);
   free(a);
   free(b);
   return equal;
}

/* Whether anything lies in `path` that a render in the making would leave. */
static inline bool has_leftovers(const char* path)
{
   bool found = false;
   DIR* directory = opendir(path);
   for (struct dirent* entry; directory && (entry = readdir(directory));) {
      found = found || strstr(entry->d_name, ".part");
   }
   closedir(directory);
   return found;
}

static inline void assert_said(const Result* result, int status, const char* words)
{
   if (result->status != status || !strstr(result->text, words)) {
      fail_msg("exit code %d, said: %s", result->status, result->text);
   }
   if (status && !strstr(result->text, "usage: ")) {
      assert_ptr_equal(strchr(result->text, '\n'), result->text + strlen(result->text) - 1);
   }
}

/* Render a first stem, and keep a copy to see that it stays. */
static inline void make_earlier_output(void)
{
   write_take("take.wav", RATE_HZ, 1, 48000, wave_noise);
   write_session("short.ttl", "<> a bm:Session .\n" TRACK ".\n" STEM ".\n");
   assert_int_equal(run("render", in_folder("short.ttl"), "-o", folder, "--no-report").status, 0);
   size_t size = 0;
   char* bytes = read_bytes(in_folder("out.wav"), &size);
   FILE* file = fopen(in_folder("earlier"), "wb");
   assert_int_equal(fwrite(bytes, 1, size, file), size);
   fclose(file);
   free(bytes);
}

static inline void assert_earlier_output_stands_alone(void)
{
   assert_true(are_equal(in_folder("out.wav"), in_folder("earlier")));
   assert_false(has_leftovers(folder));
}

/* A day of session: long enough to be stopped. */
static inline pid_t start_long_render(void)
{
   write_session("long.ttl", "<> a bm:Session .\n" TRACK "; bm:offset 80000 .\n" STEM ".\n");
   const pid_t child =
      start((const char* const[]){"render", in_folder("long.ttl"), "-o", folder, "--no-report", NULL});
   for (int n = 0; n < 500 && !has_leftovers(folder); ++n) {
      usleep(10000);
   }
   usleep(50000);
   return child;
}

#endif
