/* SPDX-License-Identifier: ISC */
/* If these fail, a slip in a session is met with silence, with a crash, or with a line that does not help. */
#include "session_test.h"

#include <sys/stat.h>

#define SESSION "<> a bm:Session .\n"
#define TRACK "<#a> a bm:Track ; bm:take <take.wav> ; bm:output <#mix> .\n"
#define BUS "<#mix> a bm:Bus .\n"
#define STEM "<#out> a bm:Stem ; bm:from <#mix> ; bm:file \"out.wav\" .\n"
#define INSERT(words)                                                                                        \
   SESSION BUS STEM "<#a> a bm:Track ; bm:take <take.wav> ; bm:output <#mix> ; bm:inserts (\n"               \
                    "[ lv2:appliesTo test:mono ;\n" words " ] ) .\n"

#define GAIN(value) "[ lv2:appliesTo test:mono ; lv2:port [ lv2:symbol \"gain\" ; pset:value " #value " ] ]"
#define VARIED(words)                                                                                        \
   SESSION BUS STEM "<#a> a bm:Track ; bm:take <take.wav> ; bm:output <#mix> ; bm:inserts (\n" words " ) "   \
                    ".\n"
#define TWO                                                                                                  \
   "[ bm:alternatives ( [ rdfs:label \"One\" ; bm:inserts () ] [ rdfs:label \"Two\" ; bm:inserts () ] ) ]\n"

typedef struct {
   const char* body;
   const char* message; /* after the path of the session */
} Case;

static const Case cases[] = {
   /* not Turtle, or not a session */
   {SESSION "<#a> bm:gain 3 3 .\n", ":3: not Turtle: missing ';' or '.'"},
   {SESSION "<#a> a bm:Track ;\n bm:take <take.wav> ; bx:gain 3 .\n",
    ":4: the prefix of bx:gain is not declared"},
   {SESSION "@prefix x: <ht&tp://example.org/> .\n",
    ":3: <ht&tp://example.org/> is no URI: a scheme has only letters, digits, + - and . before its colon"},
   {SESSION "<#a> <1:b> 2 .\n",
    ":3: <1:b> is no URI: a scheme has only letters, digits, + - and . before its colon"},
   {SESSION "<#a> bm:gain \"3 .\n", ":3: not Turtle: line end in short string"},
   {"<#a> rdfs:label \"nothing\" .\n", ": holds no session: nothing in it is a bm:Session"},
   {SESSION "<#s> a bm:Session .\n", ":3: a second bm:Session; a file holds one"},
   {SESSION TRACK BUS, ":2: the session has no bm:Stem, so nothing would come out"},
   {SESSION TRACK BUS STEM "<#b> a bm:Trak .\n", ":6: there is no bm:Trak; did you mean bm:Track?"},
   {SESSION BUS STEM, ":4: no take reaches a stem; there is nothing to render"},
   /* words and numbers */
   {SESSION BUS STEM "<#a> a bm:Track ; bm:take <take.wav> ;\n bm:gian -3 ; bm:output <#mix> .\n",
    ":6: a track has no bm:gian; did you mean bm:gain?"},
   {SESSION TRACK BUS "<#out> a bm:Stem ; bm:from <#mix> ; bm:file \"o.wav\" ;\n bm:pan 0.5 .\n",
    ":6: a stem has no bm:pan"},
   {SESSION TRACK BUS STEM "<#mix>\n bm:gain 60.0 .\n",
    ":7: bm:gain is 60.0, but its range is -144 to 48 dB"},
   {SESSION TRACK BUS STEM "<#mix> bm:gain \"loud\" .\n", ":6: bm:gain must be a number, not \"loud\""},
   {SESSION TRACK BUS STEM "<#mix> bm:mute 1 .\n", ":6: bm:mute must be true or false, not \"1\""},
   {SESSION TRACK BUS STEM "<#mix> bm:gain 1 ;\n bm:gain 2 .\n",
    ":7: \"gain\" is given twice, first in line 6"},
   {"<> a bm:Session ; bm:sampleRate 4000 .\n" TRACK BUS STEM,
    ":2: bm:sampleRate is 4000, but its range is 8000 to 384000 Hz"},
   /* names */
   {SESSION TRACK BUS STEM "<#mix> rdfs:label \"\\u001b[31mRed\" .\n",
    ":6: the name \"?[31mRed\" has a line end or another control character in it; a name is one line"},
   {SESSION TRACK BUS "<#out> a bm:Stem ; bm:from <#mix> ; bm:file \"o\\n.wav\" .\n",
    ":5: the name \"o?.wav\" has a line end or another control character in it; a name is one line"},
   /* takes */
   {SESSION BUS STEM "<#a> a bm:Track ; bm:output <#mix> .\n", ":5: a track needs bm:take <file>"},
   {SESSION BUS STEM "<#a> a bm:Track ; bm:take <50%.wav> ; bm:output <#mix> .\n",
    ":5: <50%.wav> is no URI: % needs two hexadecimal digits behind it, and the sign itself is %25"},
   {SESSION BUS STEM "<#a> a bm:Track ; bm:take <take.w%v> ; bm:output <#mix> .\n",
    ":5: <take.w%v> is no URI: % needs two hexadecimal digits behind it, and the sign itself is %25"},
   {SESSION BUS STEM "<#a> a bm:Track ; bm:take <urn:take> ; bm:output <#mix> .\n",
    ":5: a track needs bm:take <file>"},
   {SESSION BUS STEM "<#a> a bm:Track ;\n bm:take <taek.wav> ; bm:output <#mix> .\n",
    ":6: taek.wav: No such file or directory; did you mean \"take.wav\"?"},
   {SESSION BUS STEM "<#a> a bm:Track ;\n bm:take <nothing-like-it.aiff> ; bm:output <#mix> .\n",
    ":6: nothing-like-it.aiff: No such file or directory"},
   {SESSION BUS STEM "<#a> a bm:Track ;\n bm:take <take 1.wav> ; bm:output <#mix> .\n",
    ":6: not Turtle: invalid IRI character (escape %20); a file name with spaces goes into quotes: \"my "
    "take.wav\""},
   {SESSION BUS STEM "<#a> a bm:Track ; bm:take \"empty.wav\" ; bm:output <#mix> .\n",
    ":5: empty.wav: holds no audio"},
   {SESSION BUS STEM "<#a> a bm:Track ; bm:take <cut.wav> ; bm:output <#mix> .\n",
    ":5: cut.wav: the audio is cut off: its header tells of more than there is"},
   {SESSION BUS STEM "<#a> a bm:Track ; bm:take <session.ttl> ; bm:output <#mix> .\n",
    ":5: session.ttl: is no audio file of a format that libsndfile reads (WAV, AIFF, FLAC, Ogg ...)"},
   {SESSION BUS STEM "<#a> a bm:Track ; bm:take <four.wav> ; bm:output <#mix> .\n",
    ":5: the take has 4 channels; name one or two of them, as in bm:takeChannels ( 1 2 )"},
   {SESSION BUS STEM "<#a> a bm:Track ; bm:take <four.wav> ; bm:takeChannels ( 4 5 ) ; bm:output <#mix> .\n",
    ":5: the take has no channel 5; it has 4"},
   {SESSION BUS STEM "<#a> a bm:Track ; bm:take <.> ; bm:output <#mix> .\n",
    ":5: .: is a folder, not an audio file"},
   {SESSION BUS STEM TRACK "<#b>\n bm:take <take.wav> ; bm:output <#mix> .\n",
    ":7: <#b> has a bm:take, but nothing says what it is; write `a bm:Track`, `a bm:Bus` or `a bm:Stem`, or "
    "the name of one"},
   {SESSION BUS STEM TRACK "<#aa> bm:pan 0.5 .\n",
    ":6: <#aa> has a bm:pan, but nothing says what it is; write `a bm:Track`, `a bm:Bus` or `a bm:Stem`, or "
    "the name of one"},
   /* ways through the session */
   {SESSION BUS STEM "<#a> a bm:Track ; bm:take <take.wav> ; bm:output <#mxi> .\n",
    ":5: there is no bus <#mxi>; did you mean <#mix>?"},
   {SESSION BUS STEM TRACK "<#b> a bm:Track ; bm:take <take.wav> ; bm:output <#a> .\n",
    ":6: <#a> is a track; sound can only go into a bus"},
   {SESSION TRACK STEM "<#mix> a bm:Bus ; bm:output <#mix> .\n",
    ":5: the buses feed each other in a circle: <#mix> -> <#mix>"},
   {SESSION TRACK STEM "<#mix> a bm:Bus ; bm:output <#c> .\n<#c> a bm:Bus ; bm:send [ bm:to <#d> ] .\n"
                       "<#d> a bm:Bus ;\n bm:output <#mix> .\n<#e> a bm:Bus ; bm:output <#c> .\n",
    ":6: the buses feed each other in a circle: <#c> -> <#d> -> <#mix> -> <#c>"},
   {SESSION TRACK BUS "<#out> a bm:Stem ; bm:from <#mixx> ; bm:file \"out.wav\" .\n",
    ":5: there is no track or bus <#mixx>; did you mean <#mix>?"},
   {SESSION TRACK BUS "<#out> a bm:Stem ; bm:from <#mix> ; bm:file \"../out.wav\" .\n",
    ":5: bm:file is \"../out.wav\", but it must be a plain file name that ends in .wav; the folder is chosen "
    "by -o"},
   {SESSION TRACK BUS STEM "<#more> a bm:Stem ; bm:from <#a> ; bm:file \"out.wav\" .\n",
    ":6: two stems are called \"out.wav\""},
   {SESSION TRACK BUS STEM "<#mix> bm:channels 1 .\n<#a> bm:pan 0.5 .\n",
    ":3: <#mix> is mono, but two channels come from <#a>; without bm:pan it would be one"},
   /* inserts */
   {SESSION BUS STEM TRACK "<#a> bm:inserts test:mono .\n",
    ":6: \"inserts\" must be a list in round brackets"},
   {SESSION BUS STEM TRACK "<#a> bm:inserts ( [ rdfs:label \"x\" ] ) .\n",
    ":6: an insert needs lv2:appliesTo <plugin>"},
   {SESSION BUS STEM TRACK "<#a> bm:inserts (\n [ lv2:appliesTo test:momo ] ) .\n",
    ":7: no plugin <urn:bookmatch:test#momo> is installed; did you mean <urn:bookmatch:test#mono>?"},
   {SESSION TRACK BUS STEM "<#mix> bm:inserts (\n [ lv2:appliesTo test:mono ] ) .\n",
    ":7: <urn:bookmatch:test#mono> is mono, but two channels arrive here; use <urn:bookmatch:test#stereo>"},
   {INSERT("lv2:port [ lv2:symbol \"gian\" ; pset:value 1.0 ]"),
    ":7: <urn:bookmatch:test#mono> has no port \"gian\"; did you mean \"gain\"?"},
   {INSERT("lv2:port [ lv2:symbol \"seen\" ; pset:value 1.0 ]"),
    ":7: \"seen\" of <urn:bookmatch:test#mono> cannot be set: it is not a control input"},
   {INSERT("lv2:port [ lv2:symbol \"gain\" ;\n pset:value 9.5 ]"),
    ":8: \"gain\" is 9.5, but its range is -8 to 8"},
   {INSERT("lv2:port [ lv2:symbol \"gain\" ]"), ":7: \"gain\" needs a pset:value that is a number"},
   {INSERT("lv2:port [ lv2:symbol \"gain\" ; pset:value 1 ] ,\n [ lv2:symbol \"gain\" ; pset:value 2 ]"),
    ":8: \"gain\" is set twice"},
   {INSERT("lv2:port [ lv2:symbol \"kind\" ; pset:value \"Cold\" ]"),
    ":7: \"kind\" needs a pset:value that is a number: 0 (Warm), 2 (Cold)"},
   {INSERT("lv2:port [ lv2:symbol \"delay\" ; pset:value 1.5 ]"),
    ":7: \"delay\" is 1.5, but it must be a whole number"},
   {INSERT("lv2:port [ lv2:symbol \"kind\" ; pset:value 1 ]"),
    ":7: \"kind\" is 1, but it must be one of 0 (Warm), 2 (Cold)"},
   {INSERT("pset:preset test:hafl"),
    ":7: <urn:bookmatch:test#mono> has no preset <urn:bookmatch:test#hafl>; did you mean "
    "<urn:bookmatch:test#half>?"},
   /* automation */
   {INSERT("bm:automation [ lv2:symbol \"gain\" ; bm:points ( ( 0 1 )\n ( 2 9 ) ) ]"),
    ":8: \"gain\" is 9, but its range is -8 to 8"},
   {INSERT("bm:automation [ lv2:symbol \"gain\" ; bm:points ( ( 3 1 )\n ( 2 1 ) ) ]"),
    ":8: breakpoints must follow in time: 2 s comes after 3 s"},
   {INSERT("bm:automation [ lv2:symbol \"gain\" ; bm:points ( 3 1 ) ]"),
    ":7: \"breakpoint\" must be a list in round brackets"},
   {INSERT("bm:automation [ lv2:symbol \"kind\" ; bm:points ( ( 0 0 bm:linear ) ( 1 2 ) ) ]"),
    ":7: \"kind\" goes in steps: its segments can only be bm:held"},
   {INSERT("bm:automation [ lv2:symbol \"gain\" ; bm:points ( ( 0 0 bm:geometric ) ( 1 2 ) ) ]"),
    ":7: a bm:geometric segment needs values above 0 at both ends"},
   {INSERT("bm:automation [ lv2:symbol \"gain\" ]"), ":7: this automation has no bm:points"},
   {SESSION BUS STEM TRACK "<#a> bm:automation [ bm:control bm:mute ; bm:points ( ( 0 0 ) ) ] .\n",
    ":6: an automation here needs bm:control bm:gain or bm:pan"},
   /* alternatives */
   {VARIED("[ bm:alternatives ( [ rdfs:label \"One\" ; bm:inserts () ] ) ]"),
    ":6: bm:alternatives holds 2 to 9, not 1"},
   {VARIED("[ bm:alternatives \"One\" ]"), ":6: \"alternatives\" must be a list in round brackets"},
   {VARIED("[ bm:alternatives ( [ rdfs:label \"One\" ; bm:inserts () ]\n[ bm:inserts () ] ) ]"),
    ":7: an alternative needs a name: rdfs:label \"...\""},
   {VARIED("[ bm:alternatives ( [ rdfs:label \"One\" ; bm:inserts () ]\n"
           "[ rdfs:label \"T\\nwo\" ; bm:inserts () ] ) ]"),
    ":7: the name \"T?wo\" has a line end or another control character in it; a name is one line"},
   {VARIED("[ bm:alternatives ( [ rdfs:label \"One\" ; bm:inserts () ]\n[ rdfs:label \"Two\" ] ) ]"),
    ":7: an alternative needs bm:inserts; bm:inserts () leaves the place empty"},
   {VARIED("[ bm:alternatives ( [ rdfs:label \"One\" ; bm:inserts () ]\n[ rdfs:label \"One\" ; bm:inserts () "
           "] ) ]"),
    ":7: two alternatives are called \"One\""},
   {VARIED("[ bm:alternatives ( [ rdfs:label \"One\" ; bm:inserts () ]\n[ rdfs:label \"Two\" ; bm:insert () "
           "] ) ]"),
    ":7: an alternative has no bm:insert; did you mean bm:inserts?"},
   {VARIED("[ lv2:appliesTo test:mono ;\n bm:alternatives ( ) ]"),
    ":6: bm:alternatives stands in square brackets of its own, beside the inserts"},
   {VARIED("[ bm:alternatives ( ) ;\n bm:bypass true ]"), ":7: a place of alternatives has no bm:bypass"},
   {VARIED(TWO "[ bm:alternatives ( [ rdfs:label \"One\" ; bm:inserts () ]\n[ rdfs:label \"Twoo\" ; "
               "bm:inserts () ] ) ]"),
    ":8: there is no alternative \"Twoo\" in line 6; did you mean \"Two\"?"},
   {VARIED(TWO "[ bm:alternatives ( [ rdfs:label \"One\" ; bm:inserts () ]\n[ rdfs:label \"Other\" ; "
               "bm:inserts () ] ) ]"),
    ":8: there is no alternative \"Other\" in line 6; all places offer the same alternatives"},
   {SESSION STEM
    "<#a> a bm:Track ; bm:take <take.wav> ; bm:output <#mix> ; bm:inserts (\n[ bm:alternatives (\n"
    "[ rdfs:label \"One\" ; bm:inserts () ] [ rdfs:label \"Two\" ; bm:inserts () ] [ rdfs:label \"Three\" ; "
    "bm:inserts () ] ) ] ) .\n<#mix> a bm:Bus ; bm:inserts (\n" TWO ") .\n",
    ":8: the alternative \"Three\" of line 6 is missing here"},
   {VARIED(
       "[ bm:alternatives ( [ rdfs:label \"One\" ; bm:inserts () ] [ rdfs:label \"Two\" ; bm:inserts (\n" TWO
       ") ] ) ]"),
    ":7: an alternative cannot hold alternatives"},
   {"<> a bm:Session ;\n bm:choice \"Twoo\" .\n" BUS STEM
    "<#a> a bm:Track ; bm:take <take.wav> ; bm:output <#mix> ; bm:inserts (\n" TWO " ) .\n",
    ":3: there is no alternative \"Twoo\" in line 7; did you mean \"Two\"?"},
   {"<> a bm:Session ;\n bm:choice <#Two> .\n" BUS STEM
    "<#a> a bm:Track ; bm:take <take.wav> ; bm:output <#mix> ; bm:inserts (\n" TWO " ) .\n",
    ":3: bm:choice names an alternative: bm:choice \"its rdfs:label\""},
   {"<> a bm:Session ;\n bm:choice \"Two\" .\n" TRACK BUS STEM,
    ":3: bm:choice chooses between bm:alternatives, and the session offers none"},
   /* what only the second alternative holds is checked all the same */
   {VARIED("[ bm:alternatives ( [ rdfs:label \"One\" ; bm:inserts () ] [ rdfs:label \"Two\" ; bm:inserts "
           "(\n" GAIN(9) ") ] ) ]"),
    ":7: \"gain\" is 9, but its range is -8 to 8"},
   {SESSION STEM TRACK
    "<#mix> a bm:Bus ; bm:inserts (\n[ bm:alternatives ( [ rdfs:label \"One\" ; bm:inserts () ]\n"
    "[ rdfs:label \"Two\" ; bm:inserts ( " GAIN(2) " ) ] ) ] ) .\n",
    ":7: <urn:bookmatch:test#mono> is mono, but two channels arrive here; use <urn:bookmatch:test#stereo>"},
};

static void every_slip_is_answered_with_its_line_and_what_would_be_right(void** state)
{
   (void)state;
   write_take("take.wav", RATE_HZ, 1, 100, wave_noise);
   write_take("four.wav", RATE_HZ, 4, 100, wave_noise);
   write_take("empty.wav", RATE_HZ, 1, 0, wave_noise);
   write_take("cut.wav", RATE_HZ, 1, 100, wave_noise);
   assert_int_equal(truncate(in_folder("cut.wav"), 300), 0);
   uint32_t n_wrong = 0;
   for (size_t n = 0; n < sizeof(cases) / sizeof(cases[0]); ++n) {
      BmError error = {0};
      BmSession* session = read_session(cases[n].body, &error);
      const char* said = session ? "(nothing)" : error.text + strlen(in_folder("session.ttl"));
      if (strcmp(said, cases[n].message) != 0) {
         print_error("case %zu\n  said   %s\n  wanted %s\n", n, said, cases[n].message);
         ++n_wrong;
      }
      bm_session_free(session);
   }
   assert_int_equal(n_wrong, 0);
}

static void a_file_of_nothing_is_said_to_hold_no_session(void** state)
{
   (void)state;
   static const char* const texts[] = {"", "\n", "# a note to myself\n"};
   for (size_t n = 0; n < sizeof(texts) / sizeof(texts[0]); ++n) {
      write_text("nothing.ttl", texts[n]);
      BmError error = {0};
      assert_null(bm_session_read(host, in_folder("nothing.ttl"), NULL, &error));
      assert_non_null(strstr(error.text, "nothing.ttl: holds no session"));
   }
}

static void a_name_may_be_used_before_it_is_described_and_nodes_are_sorted(void** state)
{
   (void)state;
   write_take("take.wav", RATE_HZ, 1, 100, wave_noise);
   BmError error = {0};
   BmSession* session =
      read_session(SESSION STEM "<#mix> a bm:Bus .\n<#room> a bm:Bus ; bm:output <#mix> .\n"
                                "<#a> a bm:Track ; bm:take <take.wav> ; bm:send [ bm:to <#room> ] .\n",
                   &error);
   assert_non_null(session);
   assert_string_equal(session->nodes[0].id, "a");
   assert_string_equal(session->nodes[1].id, "room");
   assert_string_equal(session->nodes[2].id, "mix");
   assert_int_equal(session->stems[0].from, 2);
   assert_string_equal(session->stems[0].label, "mix");
   assert_true(session->rate_hz == RATE_HZ);
   bm_session_free(session);
}

static void takes_can_lie_in_another_folder(void** state)
{
   (void)state;
   write_take("elsewhere.wav", RATE_HZ, 1, 100, wave_noise);
   BmError error = {0};
   BmSession* session = read_session(
      SESSION BUS STEM "<#a> a bm:Track ; bm:take <x/elsewhere.wav> ; bm:output <#mix> .\n", &error);
   assert_null(session);
   assert_int_equal(mkdir(in_folder("there"), 0777), 0);
   assert_int_equal(mkdir(in_folder("there/x"), 0777), 0);
   assert_int_equal(rename(in_folder("elsewhere.wav"), in_folder("there/x/elsewhere.wav")), 0);
   error = (BmError){0};
   session = bm_session_read(host, in_folder("session.ttl"), in_folder("there"), &error);
   assert_non_null(session);
   bm_session_free(session);
   unlink(in_folder("there/x/elsewhere.wav"));
   rmdir(in_folder("there/x"));
   rmdir(in_folder("there"));
}

static void a_track_that_reaches_no_stem_is_warned_of(void** state)
{
   (void)state;
   write_take("take.wav", RATE_HZ, 1, 100, wave_noise);
   BmError error = {0};
   BmSession* session =
      read_session(SESSION TRACK BUS STEM "<#lost> a bm:Track ; bm:take <take.wav> .\n", &error);
   assert_non_null(session);
   assert_int_equal(session->n_warnings, 1);
   assert_non_null(strstr(session->warnings[0], ":6: <#lost> leads to no stem"));
   bm_session_free(session);
}

static void places_vary_together_and_the_first_alternative_is_what_a_render_gives(void** state)
{
   (void)state;
   write_take("take.wav", RATE_HZ, 1, 100, wave_one);
   BmError error = {0};
   BmSession* session = read_session(
      SESSION STEM "<#a> a bm:Track ; bm:take <take.wav> ; bm:output <#mix> ; bm:inserts (\n" GAIN(
         2) "[ bm:alternatives ( [ rdfs:label \"More\" ; bm:inserts ( " GAIN(3)
         GAIN(4) " ) ]\n"
                 "[ rdfs:label \"Less\" ; rdfs:comment \"Half\" ; bm:inserts () ] ) ] ) .\n"
                 "<#mix> a bm:Bus ; bm:channels 1 ; bm:inserts ( [ bm:alternatives (\n"
                 "[ rdfs:label \"Less\" ; bm:inserts ( " GAIN(
                    0.5) " ) ] [ rdfs:label \"More\" ; bm:inserts () ] ) ] ) .\n",
      &error);
   if (!session) {
      fail_msg("%s", error.text);
   }
   assert_int_equal(session->n_alternatives, 2);
   assert_string_equal(session->alternatives[0].label, "More");
   assert_string_equal(session->alternatives[1].note, "Half");
   assert_int_equal(session->alternative, 0);
   assert_int_equal(session->nodes[0].n_inserts, 3);
   assert_int_equal(session->nodes[1].n_inserts, 0);
   bm_session_choose(session, 1);
   assert_int_equal(session->nodes[0].n_inserts, 1);
   assert_int_equal(session->nodes[1].n_inserts, 1);
   assert_true(session->nodes[1].inserts[0].settings[0].value == 0.5f);
   bm_session_free(session);
}

/* The text that an alternative is told by, put in the place of the choice, gives the same frames. */
static void an_alternative_can_be_pasted_back_and_sounds_the_same(void** state)
{
   (void)state;
   write_take("take.wav", RATE_HZ, 1, 4800, wave_noise);
   write_text("my half.ttl", PREFIXES "<> a pset:Preset ; lv2:appliesTo test:mono ;\n"
                                      "lv2:port [ lv2:symbol \"gain\" ; pset:value 0.25 ] .\n");
   static const char* const chains[] = {
      "",
      GAIN(-3.5e-1) GAIN(+1.25),
      "[ lv2:appliesTo test:mono ; rdfs:label \"A \\\"name\\\" \\\\\"@en ; pset:preset test:half ;\n"
      " lv2:port [ lv2:symbol \"delay\" ; pset:value 7 ] , [ lv2:symbol \"echo\" ; pset:value 0.5 ] ;\n"
      " bm:automation [ lv2:symbol \"gain\" ; bm:points ( ( 0.0 0.5 ) ( 0.05 2 bm:held ) ( 0.08 1.0e0 ) ) ] "
      "]",
      ("[ lv2:appliesTo test:mono ; pset:preset <my%20half.ttl> ; state:state [ test:scale \"0.25\" ] ] "
       "[ lv2:appliesTo test:mono ; bm:bypass true ]"),
   };
   const size_t n_chains = sizeof(chains) / sizeof(chains[0]);
   char* places = bm_copy("[ bm:alternatives (");
   for (size_t n = 0; n < n_chains; ++n) {
      char* longer = bm_print("%s [ rdfs:label \"%zu\" ; bm:inserts ( %s ) ]\n", places, n, chains[n]);
      free(places);
      places = longer;
   }
   char* body = bm_print(VARIED("%s %s ) ]"), GAIN(2), places);
   free(places);
   BmError error = {0};
   BmSession* session = read_session(body, &error);
   if (!session) {
      fail_msg("%s", error.text);
   }
   for (size_t n = 0; n < n_chains; ++n) {
      char* plain = bm_print(VARIED("%s %s"), GAIN(2), chains[n]);
      char* pasted =
         bm_print(SESSION BUS STEM "<#a> a bm:Track ; bm:take <take.wav> ; bm:output <#mix> ;\n%s .\n",
                  session->nodes[0].chains[n].turtle);
      Rendered wanted = render_body(plain);
      Rendered got = render_body(pasted);
      assert_int_equal(got.n_frames, wanted.n_frames);
      assert_memory_equal(got.after[0][0], wanted.after[0][0], wanted.n_frames * sizeof(float));
      assert_int_equal(got.session->nodes[0].n_inserts, session->nodes[0].chains[n].n_inserts);
      for (uint32_t i = 0; i < got.session->nodes[0].n_inserts; ++i) {
         assert_string_equal(got.session->nodes[0].inserts[i].label,
                             session->nodes[0].chains[n].inserts[i].label);
      }
      rendered_free(&wanted);
      rendered_free(&got);
      free(plain);
      free(pasted);
   }
   bm_session_free(session);
   free(body);
}

static void the_manual_explains_every_word(void** state)
{
   (void)state;
   FILE* file = fopen(getenv("BM_SESSION_MANUAL"), "rb");
   assert_non_null(file);
   static char manual[65536];
   manual[fread(manual, 1, sizeof(manual) - 1, file)] = '\0';
   fclose(file);
   const char* word = NULL;
   for (uint32_t n = 0; (word = bm_session_word(n)); ++n) {
      char* term = bm_print("bm:%s", word);
      if (!strstr(manual, term)) {
         fail_msg("SESSION.md does not speak of %s", term);
      }
      free(term);
   }
}

int main(void)
{
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(every_slip_is_answered_with_its_line_and_what_would_be_right),
      cmocka_unit_test(a_file_of_nothing_is_said_to_hold_no_session),
      cmocka_unit_test(a_name_may_be_used_before_it_is_described_and_nodes_are_sorted),
      cmocka_unit_test(takes_can_lie_in_another_folder),
      cmocka_unit_test(a_track_that_reaches_no_stem_is_warned_of),
      cmocka_unit_test(places_vary_together_and_the_first_alternative_is_what_a_render_gives),
      cmocka_unit_test(an_alternative_can_be_pasted_back_and_sounds_the_same),
      cmocka_unit_test(the_manual_explains_every_word),
   };
   return cmocka_run_group_tests(tests, open_folder, close_folder);
}
