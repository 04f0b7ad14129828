#!/usr/bin/env python3
# SPDX-License-Identifier: ISC
"""If this fails, who adds a plugin and slips in its Turtle is left without the line that says what and where.

  broken_turtle.py GENERATE.py SHARED.ttl PLUGIN.ttl     PLUGIN.ttl is the mid-side matrix's, broken in many ways
"""

import os
import sys
import tempfile

sys.dont_write_bytecode = True

FORM = "bm:form bm:stereo ;"
STAGE = ' bm:stages ( [ bm:processor <urn:bookmatch:preamp> ; bm:prefix "pre" ; rdfs:label "Pre" ; pprops:displayPriority 1 ; %s ] ) ;'

# What is broken: text of the source, what stands there instead, what must be said of it.
SLIPS = (
    ("a bm:Processor ,", "a", "0 bm:Processor; one file describes one"),
    ("lv2:maximum 200 ;", "lv2:maximum 200", "not Turtle"),
    ("bm:form bm:stereo ;", "", "no bm:form"),
    ('doap:name "Mid-Side Matrix" ;', "", "name is missing"),
    ('doap:name "Mid-Side Matrix" ;', 'doap:name "Matrix" , "Mid-Side" ;', "name is given 2 times, once is right"),
    ('"width"', '"Width"', "port symbol 'Width' is not lower-case letters, digits and _"),
    ('"mid_mute"', '"side_mute"', "port side_mute is described twice"),
    ("lv2:default 100 ;", "", "default is missing (port width)"),
    ("lv2:default 100 ;", 'lv2:default "all" ;', "default is 'all', not a number (port width)"),
    ("lv2:default 100 ;", "lv2:default 201 ;", "port width: default 201 is not within 0 to 200"),
    ('"Level of what both sides share."', '"Level of the mid"', "port mid_gain: rdfs:comment must be a sentence of help"),
    ("units:unit units:pc ;", "", "port width: no units:unit"),
    ("units:unit units:pc ;", "units:unit units:oct ;", "has no suffix for C; give it bm:suffix"),
    ("rdf:value 2 ;", "rdf:value 3 ;", "port direction: scale points must span the range and hold the default"),
    ("units:unit units:pc ;", "units:unit units:pc ; lv2:portProperty pprops:logarithmic ;", "port width: logarithmic"),
    ("lv2:appliesTo matrix:stereo", "lv2:appliesTo matrix:mono", "lv2:appliesTo must name forms of this plugin"),
    ('"mid_mute" ; pset', '"mute_mid" ; pset', "no control input mute_mid"),
    ('"side_gain" ; pset:value 3.0', '"side_gain" ; pset:value 30', "side_gain 30 is not within -24 to 24"),
    ('"side_gain" ; pset:value 3.0', '"direction" ; pset:value 0.5', "direction 0.5 is not one of its scale points"),
    ('rdfs:label "Side alone" ;', "", "has no rdfs:label"),
    (FORM, FORM + STAGE.replace("preamp", "lute") % "", "stage pre: no lute.ttl for <urn:bookmatch:lute>"),
    (FORM, FORM + STAGE % 'bm:main ( "pluck" )', "stage pre: preamp has no port pluck of its own"),
    (FORM, FORM + STAGE % 'bm:prefix "in"', "prefix is given 2 times, once is right"),
    (FORM, FORM + STAGE % 'bm:port [ lv2:symbol "gain" ; lv2:default 90 ]', "port pre_gain: default 90 is not within 0 to 40"),
    ('lv2:symbol "side_gain" ;', 'lv2:symbol "side_gain" ; bm:onlyIn ( bm:mono ) ;', "side_gain is not in the forms it applies to"),
)


def main():
    generate_path, shared, plugin = sys.argv[1:]
    sys.path.insert(0, os.path.dirname(os.path.abspath(generate_path)))
    import generate

    with open(plugin, encoding="utf-8") as file:
        text = file.read()
    failures = []
    with tempfile.TemporaryDirectory() as folder:
        broken = os.path.join(folder, "broken.ttl")
        output = os.path.join(folder, "output")

        def complaint_about(old, new):
            if old not in text:
                return f"the test is out of date: {plugin} has no {old!r}"
            with open(broken, "w", encoding="utf-8") as file:
                file.write(text.replace(old, new, 1))
            sys.argv = ["generate.py", "header", shared, broken, "-o", output]
            try:
                generate.main()
            except SystemExit as stop:
                return str(stop.code)
            return "nothing"

        for old, new, expected in SLIPS:
            said = complaint_about(old, new)
            is_one_line = "\n" not in said and said.startswith(f"generate.py: {broken}: ")
            if not is_one_line or expected not in said or os.listdir(folder) != ["broken.ttl"]:
                failures.append(f"{old!r} made {new!r}: wanted {expected!r}, was told: {said}")
    print("\n".join(failures))
    return bool(failures)


if __name__ == "__main__":
    sys.exit(main())
