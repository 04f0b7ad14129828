/* SPDX-License-Identifier: ISC */
/*
   Writes what the manual takes from the bundle into the pages beside the plugins, between a pair of marks:

     <!-- controls -->  <!-- /controls -->   plugins/NAME/README.md: ports, presets, latency, as lilv tells
     <!-- pictures -->  <!-- /pictures -->   there: pictures of the plugin as hosted, as SVG beside it
     <!-- index -->     <!-- /index -->      plugins/README.md: one line a plugin

   The rest of a page is written by hand and left alone. --check writes nothing and fails where a page does
   not say what the bundle says, lacks a section or a picture.
*/
#include "gallery.h"
#include "tables.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define REMEDY "run: meson compile -C <build> manual"

/* What every page says by hand, besides what it is for: the words under its title. */
static const char* const sections[][2] = {
   {"\n## How to set it\n", "\n## How to read it\n"},
   {"\n## What it costs\n", NULL},
   {"\n## What it is\n", NULL},
};

static char* read_text(const char* path, BmError* error)
{
   FILE* file = fopen(path, "rb");
   if (!file) {
      bm_fail(error, "%s: %s", path, strerror(errno));
      return NULL;
   }
   BmText text = {0};
   char bytes[4096];
   size_t n_bytes;
   while ((n_bytes = fread(bytes, 1, sizeof bytes - 1, file)) > 0) {
      bytes[n_bytes] = '\0';
      bm_text_add(&text, bytes);
   }
   fclose(file);
   return text.chars ? text.chars : bm_copy("");
}

/* `page` with `content` between the marks called `name`; the caller frees it. */
static char* fill(const char* page, const char* name, const char* content, const char* path, BmError* error)
{
   char opening[32];
   char closing[32];
   snprintf(opening, sizeof opening, "<!-- %s -->\n", name);
   snprintf(closing, sizeof closing, "<!-- /%s -->\n", name);
   const char* begin = strstr(page, opening);
   const char* end = begin ? strstr(begin, closing) : NULL;
   if (!end) {
      bm_fail(error,
              "%s: a line \"<!-- %s -->\" and after it one \"<!-- /%s -->\" should stand there, for what the "
              "bundle says",
              path, name, name);
      return NULL;
   }
   const int n_before = (int)(begin - page + (long)strlen(opening));
   return bm_print("%.*s\n%s\n%s", n_before, page, content, end);
}

static void trim_end(BmText* text)
{
   while (text->length && text->chars[text->length - 1] == '\n' && text->length > 1 &&
          text->chars[text->length - 2] == '\n') {
      text->chars[--text->length] = '\0';
   }
}

/* Put `content` where it belongs, or see that it is there. */
static bool settle_page(const char* path, const char* name, BmText* content, bool is_check, BmError* error)
{
   char* page = read_text(path, error);
   trim_end(content);
   char* filled = page ? fill(page, name, content->chars, path, error) : NULL;
   if (filled && strcmp(page, filled)) {
      BmText text = {0};
      bm_text_add(&text, filled);
      if (is_check) {
         bm_fail(error, "%s: between <!-- %s --> stands something else than the bundle says; " REMEDY, path,
                 name);
      } else if (!bm_text_save(&text, path)) {
         bm_fail(error, "%s: %s", path, strerror(errno));
      }
      bm_text_free(&text);
   }
   free(filled);
   free(page);
   return !error->is_set;
}

/* What is written by hand is whole, and the pictures are shown and there. */
static bool check_page(const BmManualPlugin* plugin, const char* folder, const char* path, BmError* error)
{
   char* page = read_text(path, error);
   for (size_t n = 0; page && n < sizeof sections / sizeof *sections; ++n) {
      if (!strstr(page, sections[n][0]) && !(sections[n][1] && strstr(page, sections[n][1]))) {
         bm_fail(error, "%s: there is no section \"%.*s\"", path, (int)strcspn(sections[n][0] + 4, "\n"),
                 sections[n][0] + 4);
      }
   }
   const char* picture;
   for (uint32_t position = 0; page && (picture = bm_manual_next_picture(plugin, &position));) {
      char* shown = bm_print("](%s.svg)", picture);
      char* file = bm_print("%s/%s.svg", folder, picture);
      if (!strstr(page, shown) || access(file, R_OK)) {
         bm_fail(error, "%s: the picture %s.svg is not there or not shown; " REMEDY, path, picture);
      }
      free(shown);
      free(file);
   }
   free(page);
   return !error->is_set;
}

static bool settle_plugin(BmHost* host, const BmManualBundle* bundle, const BmManualPlugin* plugin,
                          const char* folder, bool is_check, BmError* error)
{
   char* own_folder = bm_print("%s/%s", folder, plugin->name);
   char* path = bm_print("%s/README.md", own_folder);
   BmText controls = {0};
   BmText pictures = {0};
   bool ok = bm_manual_add_controls(&controls, host, bundle, plugin, error) &&
             settle_page(path, "controls", &controls, is_check, error);
   if (ok && is_check) {
      ok = check_page(plugin, own_folder, path, error);
   } else if (ok) {
      ok = bm_manual_draw_pictures(&pictures, host, plugin, own_folder, error) &&
           settle_page(path, "pictures", &pictures, false, error);
   }
   bm_text_free(&pictures);
   bm_text_free(&controls);
   free(path);
   free(own_folder);
   return ok;
}

int main(int argc, char** argv)
{
   const bool is_check = argc > 1 && !strcmp(argv[1], "--check");
   const char* only = argc == 3 + is_check ? argv[2 + is_check] : NULL;
   if (argc != 2 + is_check && !only) {
      fputs("usage: make-manual [--check] PLUGINS_FOLDER [PLUGIN]\n", stderr);
      return 2;
   }
   const char* folder = argv[1 + is_check];
   int status = 0;
   BmError error = {0};
   BmManualBundle bundle = {NULL, 0};
   BmHost* host = bm_host_new(&error);
   if (!host || !bm_manual_bundle_read(host, &bundle, &error)) {
      fprintf(stderr, "make-manual: %s\n", error.text);
      status = 1;
   }
   for (uint32_t n = 0; n < bundle.n_plugins; ++n) {
      BmError page_error = {0};
      if ((!only || !strcmp(bundle.plugins[n].name, only)) &&
          !settle_plugin(host, &bundle, &bundle.plugins[n], folder, is_check, &page_error)) {
         fprintf(stderr, "make-manual: %s\n", page_error.text);
         status = 1;
      }
   }
   if (bundle.n_plugins) {
      BmText index = {0};
      char* path = bm_print("%s/README.md", folder);
      bm_manual_add_index(&index, &bundle);
      if (!settle_page(path, "index", &index, is_check, &error)) {
         fprintf(stderr, "make-manual: %s\n", error.text);
         status = 1;
      }
      free(path);
      bm_text_free(&index);
   }
   bm_manual_bundle_free(&bundle);
   bm_host_free(host);
   return status;
}
