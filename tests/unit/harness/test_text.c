/* SPDX-License-Identifier: ISC */
/* If these fail, a take's name breaks the page it is printed on, or runs as a script there; or a half-written
   report replaces a good one. */
#include "unit_test.h"

#include "text.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static void check_html(const char* raw, const char* expected)
{
   BmText text = {0};
   bm_text_add_html(&text, raw);
   bm_text_add(&text, "");
   assert_string_equal(text.chars, expected);
   bm_text_free(&text);
}

static void words_from_outside_stay_words_in_html(void** state)
{
   (void)state;
   check_html("<script>alert(\"x\" & 'y')</script>",
              "&lt;script&gt;alert(&quot;x&quot; &amp; &#39;y&#39;)&lt;/script&gt;");
   check_html("Gr\xC3\xBC\xC3\x9F \xE2\x80\x93 \xF0\x9F\x8E\xB8",
              "Gr\xC3\xBC\xC3\x9F \xE2\x80\x93 \xF0\x9F\x8E\xB8");
}

static void bytes_that_are_not_utf8_are_replaced(void** state)
{
   (void)state;
   /* RFC 3629 section 10: overlong, surrogate, beyond U+10FFFF, cut off, stray. */
   check_html("a\xC0\xAF z", "a\xEF\xBF\xBD\xEF\xBF\xBD z");
   check_html("\xED\xA0\x80", "\xEF\xBF\xBD\xEF\xBF\xBD\xEF\xBF\xBD");
   check_html("\xF4\x90\x80\x80", "\xEF\xBF\xBD\xEF\xBF\xBD\xEF\xBF\xBD\xEF\xBF\xBD");
   check_html("\xE2\x82", "\xEF\xBF\xBD\xEF\xBF\xBD");
   check_html("\x01\x7F\xFF", "\xEF\xBF\xBD\xEF\xBF\xBD\xEF\xBF\xBD");
}

static void a_path_becomes_a_relative_url(void** state)
{
   (void)state;
   BmText text = {0};
   bm_text_add_url(&text, "my takes/50% #1?.wav");
   assert_string_equal(text.chars, "my%20takes/50%25%20%231%3F.wav");
   bm_text_free(&text);
   bm_text_add_url(&text, "javascript:alert(1)");
   assert_string_equal(text.chars, "./javascript%3Aalert%281%29");
   bm_text_free(&text);
}

static void json_strings_and_numbers_are_strict(void** state)
{
   (void)state;
   BmText text = {0};
   bm_text_add_json_string(&text, "a\"b\\c\n\x7F\xFF\xC3\xBC");
   assert_string_equal(text.chars, "\"a\\\"b\\\\c\\u000a\\u007f\\ufffd\xC3\xBC\"");
   bm_text_free(&text);
   bm_text_add_json_string(&text, NULL);
   bm_text_add_json_number(&text, (double)NAN, 2);
   bm_text_add_json_number(&text, -(double)INFINITY, 2);
   bm_text_add_json_number(&text, -1.005, 1);
   assert_string_equal(text.chars, "nullnullnull-1.0");
   bm_text_free(&text);
}

static void a_text_of_any_length_is_saved_whole(void** state)
{
   (void)state;
   char path[] = "/tmp/bm-test-text-XXXXXX";
   close(mkstemp(path));
   BmText text = {0};
   for (int n = 0; n < 20000; ++n) {
      bm_text_addf(&text, "%d ", n);
   }
   assert_true(bm_text_save(&text, path));
   FILE* const file = fopen(path, "rb");
   char* const back = malloc(text.length + 2);
   assert_int_equal(fread(back, 1, text.length + 2, file), text.length);
   assert_memory_equal(back, text.chars, text.length);
   free(back);
   fclose(file);
   unlink(path);
   bm_text_free(&text);
}

static void a_text_that_cannot_be_saved_leaves_no_file_and_says_why(void** state)
{
   (void)state;
   BmText text = {0};
   bm_text_add(&text, "words");
   errno = 0;
   assert_false(bm_text_save(&text, "/nonexistent-folder/page.html"));
   assert_int_equal(errno, ENOENT);
   text.failed = true;
   assert_false(bm_text_save(&text, "/tmp/bm-test-text-never"));
   assert_int_not_equal(access("/tmp/bm-test-text-never", F_OK), 0);
   text.failed = false;
   bm_text_free(&text);
}

int main(void)
{
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(words_from_outside_stay_words_in_html),
      cmocka_unit_test(bytes_that_are_not_utf8_are_replaced),
      cmocka_unit_test(a_path_becomes_a_relative_url),
      cmocka_unit_test(json_strings_and_numbers_are_strict),
      cmocka_unit_test(a_text_of_any_length_is_saved_whole),
      cmocka_unit_test(a_text_that_cannot_be_saved_leaves_no_file_and_says_why),
   };
   return cmocka_run_group_tests(tests, NULL, NULL);
}
