/* SPDX-License-Identifier: ISC */
#include "output.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <unistd.h>

struct BmOutput {
   char* path;
   char* folder;
   char* temporary;
   int fd;
};

BmOutput* bm_output_open(const char* path, BmError* error)
{
   BmOutput* output = bm_calloc(1, sizeof(BmOutput));
   const char* slash = strrchr(path, '/');
   const char* name = slash ? slash + 1 : path;
   output->path = bm_copy(path);
   output->folder = slash ? bm_print("%.*s", (int)(name - path), path) : bm_copy("./");
   output->temporary = bm_print("%s.%s.part", output->folder, name);
   output->fd = open(output->temporary, O_RDWR | O_CREAT | O_CLOEXEC, 0666);
   if (output->fd < 0) {
      bm_fail(error, "%s: cannot be written: %s", path, strerror(errno));
   } else if (flock(output->fd, LOCK_EX | LOCK_NB)) {
      bm_fail(error, "%s: another render is writing it", path);
      close(output->fd);
      output->fd = -1;
   } else if (ftruncate(output->fd, 0)) {
      bm_fail(error, "%s: cannot be written: %s", path, strerror(errno));
   }
   if (error->is_set) {
      bm_output_close(output);
      return NULL;
   }
   return output;
}

int bm_output_fd(const BmOutput* output)
{
   return output->fd;
}

bool bm_output_sync(BmOutput* output, BmError* error)
{
   return !fsync(output->fd) || bm_fail(error, "%s: cannot be written: %s", output->path, strerror(errno));
}

bool bm_output_publish(BmOutput* output, BmError* error)
{
   if (rename(output->temporary, output->path)) {
      return bm_fail(error, "%s: cannot be written: %s", output->path, strerror(errno));
   }
   close(output->fd);
   output->fd = -1;
   /* The name is on disk only when the folder is; where a file system cannot do that, there is nothing more
    * to do. */
   const int folder = open(output->folder, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
   if (folder >= 0) {
      (void)fsync(folder);
      close(folder);
   }
   return true;
}

void bm_output_close(BmOutput* output)
{
   if (!output) {
      return;
   }
   const int reason = errno;
   if (output->fd >= 0) {
      unlink(output->temporary);
      close(output->fd);
   }
   free(output->temporary);
   free(output->folder);
   free(output->path);
   free(output);
   errno = reason;
}

bool bm_make_folder(const char* path, BmError* error)
{
   char* part = bm_copy(path);
   for (char* slash = strchr(part + (part[0] == '/'), '/'); slash; slash = strchr(slash + 1, '/')) {
      *slash = '\0';
      (void)mkdir(part, 0777);
      *slash = '/';
   }
   free(part);
   struct stat status;
   if ((mkdir(path, 0777) && errno != EEXIST) || stat(path, &status)) {
      return bm_fail(error, "%s: cannot be made: %s", path, strerror(errno));
   }
   return S_ISDIR(status.st_mode) || bm_fail(error, "%s: is not a folder", path);
}
