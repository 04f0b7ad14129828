# SPDX-License-Identifier: ISC
# Describes the plugins of test_plugin.c: the same controls, a plugin for each channel count.
import sys

PREFIXES = """\
@prefix doap: <http://usefulinc.com/ns/doap#> .
@prefix lv2: <http://lv2plug.in/ns/lv2core#> .
@prefix pset: <http://lv2plug.in/ns/ext/presets#> .
@prefix rdf: <http://www.w3.org/1999/02/22-rdf-syntax-ns#> .
@prefix rdfs: <http://www.w3.org/2000/01/rdf-schema#> .
@prefix state: <http://lv2plug.in/ns/ext/state#> .
@prefix test: <urn:bookmatch:test#> .
@prefix units: <http://lv2plug.in/ns/extensions/units#> .
@prefix urid: <http://lv2plug.in/ns/ext/urid#> .
@prefix work: <http://lv2plug.in/ns/ext/worker#> .
"""

CONTROLS = [
    ('gain', 'lv2:default 1.0 ; lv2:minimum -8.0 ; lv2:maximum 8.0 ; units:unit units:coef'),
    ('delay', 'lv2:default 0 ; lv2:minimum 0 ; lv2:maximum 4000 ; lv2:portProperty lv2:integer ; '
              'units:unit units:frame'),
    ('echo', 'lv2:default 0.0 ; lv2:minimum 0.0 ; lv2:maximum 1.0'),
    ('fault', 'lv2:default 0 ; lv2:minimum 0 ; lv2:maximum 1 ; lv2:portProperty lv2:toggled'),
    ('kind', 'lv2:default 0 ; lv2:minimum 0 ; lv2:maximum 2 ; lv2:portProperty lv2:integer , lv2:enumeration ; '
             'lv2:scalePoint [ rdfs:label "Cold" ; rdf:value 2 ] , [ rdfs:label "Warm" ; rdf:value 0 ]'),
    ('off_line', 'lv2:default 0 ; lv2:minimum 0 ; lv2:maximum 1 ; lv2:portProperty lv2:toggled ; '
                 'lv2:designation lv2:freeWheeling'),
]


def plugin(name, n_in, n_out, requires):
    ports = [f'a lv2:AudioPort , lv2:InputPort ; lv2:symbol "in_{n}"' for n in range(n_in)]
    ports += [f'a lv2:AudioPort , lv2:OutputPort ; lv2:symbol "out_{n}"' for n in range(n_out)]
    ports += [f'a lv2:ControlPort , lv2:InputPort ; lv2:symbol "{symbol}" ; {words}' for symbol, words in CONTROLS]
    ports += ['a lv2:ControlPort , lv2:OutputPort ; lv2:symbol "latency" ; lv2:designation lv2:latency ; '
              'lv2:portProperty lv2:reportsLatency',
              'a lv2:ControlPort , lv2:OutputPort ; lv2:symbol "seen"',
              'a lv2:ControlPort , lv2:OutputPort ; lv2:symbol "is_off_line"']
    listed = ' ,\n'.join(f'      [ lv2:index {n} ; lv2:name "Port {n}" ; {port} ]' for n, port in enumerate(ports))
    return f"""
test:{name} a lv2:Plugin , lv2:UtilityPlugin ;
   doap:name "Test {name}" ;
   rdfs:comment "For the tests of the bench." ;
   lv2:requiredFeature {requires} ;
   lv2:optionalFeature work:schedule ;
   lv2:extensionData state:interface , work:interface ;
   lv2:port
{listed} .
"""


PRESET = """
test:half a pset:Preset ; lv2:appliesTo test:mono ; rdfs:label "Half" ;
   lv2:port [ lv2:symbol "gain" ; pset:value 0.5 ] ; state:state [ test:scale "0.25" ] .
"""

with open(sys.argv[1], 'w', encoding='utf-8') as file:
    file.write(PREFIXES)
    file.write(plugin('mono', 1, 1, 'urid:map'))
    file.write(plugin('stereo', 2, 2, 'urid:map'))
    file.write(plugin('widen', 1, 2, 'urid:map'))
    file.write(plugin('narrow', 2, 1, 'urid:map'))
    file.write(plugin('needy', 1, 1, 'test:impossible'))
    file.write(PRESET)
