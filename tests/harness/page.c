/* SPDX-License-Identifier: ISC */
#include "page.h"

#include "sheets.h"

#include <string.h>

const char bm_hearing_caution[] =
   "Start with the volume low. Loud or long listening can damage hearing for good; your local rules on noise "
   "exposure and the advice of a licensed hearing professional come first.";

void bm_page_begin(BmText* page, const char* title, const char* more_style)
{
   bm_text_add(page, "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n"
                     "<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n"
                     "<meta name=\"color-scheme\" content=\"light dark\">\n<title>");
   bm_text_add_html(page, title);
   bm_text_add(page, "</title>\n<style>\n");
   bm_text_add(page, bm_sheet_plot_css);
   bm_text_add(page, bm_sheet_report_css);
   bm_text_add(page, more_style ? more_style : "");
   bm_text_add(page, "</style>\n</head>\n<body>\n<header>\n<div class=\"spine\"></div>\n<h1>");
   bm_text_add_html(page, title);
   bm_text_add(page, "</h1>\n");
}

void bm_page_add_paragraph(BmText* page, const char* class_name, const char* words)
{
   if (words && *words) {
      bm_text_addf(page, "<p class=\"%s\">", class_name);
      bm_text_add_html(page, words);
      bm_text_add(page, "</p>\n");
   }
}

void bm_page_end(BmText* page, const char* script)
{
   bm_text_add(page, "<footer>\n");
   if (page->chars && strstr(page->chars, "<audio")) {
      bm_page_add_paragraph(page, "", bm_hearing_caution);
   }
   bm_text_add(page, "</footer>\n<script>\n");
   bm_text_add(page, script);
   bm_text_add(page, "</script>\n</body>\n</html>\n");
}
