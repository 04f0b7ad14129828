#!/usr/bin/env python3
# SPDX-License-Identifier: ISC
"""Derive from the Turtle in ttl/ what hosts and the C code read.

  generate.py header SHARED.ttl PLUGIN.ttl -o PLUGIN_ports.h     the C description of the ports
  generate.py plugin SHARED.ttl PLUGIN.ttl -o PLUGIN.ttl         the plugin's forms and presets, as hosts read them
  generate.py manifest SHARED.ttl PLUGIN.ttl... -o manifest.ttl  the bundle's manifest

The source says each thing once: a plugin is a bm:Processor with bm:form, bm:with (sets of shared ports) and bm:ports.
A port is a control input unless it says otherwise. A control has the same index in every form; audio ports follow.
A port with bm:onlyIn (a list of forms) stands behind those that all forms have.

A processor may hold others as bm:stages: their own ports become its own, prefixed and grouped, in a stage's words
except where bm:port says otherwise; those that bm:main names come first on a panel.
"""

import argparse
import os
import re
import sys

from rdflib import BNode, Graph, Literal, Namespace, URIRef
from rdflib.collection import Collection
from rdflib.namespace import RDF, RDFS, XSD

BM = Namespace("urn:bookmatch:vocabulary#")
DOAP = Namespace("http://usefulinc.com/ns/doap#")
LV2 = Namespace("http://lv2plug.in/ns/lv2core#")
PG = Namespace("http://lv2plug.in/ns/ext/port-groups#")
PPROPS = Namespace("http://lv2plug.in/ns/ext/port-props#")
PSET = Namespace("http://lv2plug.in/ns/ext/presets#")
STATE = Namespace("http://lv2plug.in/ns/ext/state#")
UNITS = Namespace("http://lv2plug.in/ns/extensions/units#")
PREFIXES = {
    "atom": "http://lv2plug.in/ns/ext/atom#",
    "bm": str(BM),
    "doap": str(DOAP),
    "lv2": str(LV2),
    "opts": "http://lv2plug.in/ns/ext/options#",
    "patch": "http://lv2plug.in/ns/ext/patch#",
    "pg": str(PG),
    "pprops": str(PPROPS),
    "pset": str(PSET),
    "rdf": str(RDF),
    "rdfs": str(RDFS),
    "rsz": "http://lv2plug.in/ns/ext/resize-port#",
    "state": str(STATE),
    "units": str(UNITS),
    "urid": "http://lv2plug.in/ns/ext/urid#",
    "work": "http://lv2plug.in/ns/ext/worker#",
    "xsd": "http://www.w3.org/2001/XMLSchema#",
}
UNIT_SUFFIX = {
    UNITS.db: "db",
    UNITS.hz: "hz",
    UNITS.khz: "khz",
    UNITS.ms: "ms",
    UNITS.s: "s",
    UNITS.m: "m",
    UNITS.cm: "cm",
    UNITS.pc: "percent",
    UNITS.degree: "degrees",
    UNITS.frame: "frames",
    UNITS.cent: "cents",
    UNITS.coef: "",
}
# Ports the shell itself serves, by symbol; a plugin without one has -1 in its description.
SHELL_PORTS = (
    "enabled input_gain output_gain input_level output_level latency match mix quality rendering"
    " compare remember_a remember_b characters".split()
)

# From where down a panel shows what bm:main of a stage does not name.
BEHIND_PRIORITY = 600

GROUP_OF_CHANNELS = {1: PG.MonoGroup, 2: PG.StereoGroup}


class SourceError(Exception):
    """A fault in the Turtle source: what, where, and what would be right."""


class Source:
    """The shared Turtle and one plugin's, read and checked."""

    def __init__(self, shared_path, plugin_path):
        self.path = plugin_path
        self.folder = os.path.dirname(shared_path)
        self.files = [shared_path, plugin_path]
        self.graph = Graph()
        self.own = Graph()
        for path, graphs in ((shared_path, (self.graph,)), (plugin_path, (self.graph, self.own))):
            self.parse(path, graphs)
        subjects = list(self.own.subjects(RDF.type, BM.Processor))
        if len(subjects) != 1:
            raise SourceError(f"{plugin_path}: {len(subjects)} bm:Processor; one file describes one")
        self.plugin = subjects[0]
        self.stem = str(self.plugin).rsplit(":", 1)[1]
        self.name = str(self.one(self.plugin, DOAP.name))
        self.forms = [self.form(node) for node in sorted(self.graph.objects(self.plugin, BM.form))]
        if not self.forms:
            self.fail("no bm:form")
        self.n_behind = 0
        self.stages = [self.stage(node) for node in self.items(self.plugin, BM.stages)]
        self.controls = self.read_controls()
        self.presets = sorted(self.own.subjects(RDF.type, PSET.Preset))
        self.check_presets()
        self.complete_presets()

    def form_presets(self):
        """Each preset once for each form it applies to: a preset of two plugins is more than some hosts take."""
        return [
            (URIRef(f"{preset}:{form['fragment']}"), preset, form)
            for preset in self.presets
            for form in self.forms
            if (preset, LV2.appliesTo, form["uri"]) in self.graph
        ]

    @staticmethod
    def parse(path, graphs):
        with open(path, encoding="utf-8") as file:
            text = file.read()
        try:
            for graph in graphs:
                graph.parse(data=text, format="turtle")
        except Exception as error:  # rdflib raises its own kinds for each way of being wrong
            raise SourceError(f"{path}: not Turtle: {' '.join(str(error).split())}") from error

    def fail(self, what):
        raise SourceError(f"{self.path}: {self.stem}: {what}")

    def one(self, subject, predicate, default=None):
        values = list(self.graph.objects(subject, predicate))
        if len(values) > 1:
            self.fail(f"{predicate} is given {len(values)} times, once is right")
        if not values and default is None:
            self.fail(f"{predicate} is missing")
        return values[0] if values else default

    def number(self, subject, predicate):
        value = self.one(subject, predicate)
        try:
            return float(value)
        except ValueError:
            self.fail(f"{predicate} is {str(value)!r}, not a number")

    def items(self, subject, predicate):
        head = self.graph.value(subject, predicate)
        return list(Collection(self.graph, head)) if head else []

    def form(self, node):
        fragment = str(self.one(node, RDFS.label))
        return {
            "node": node,
            "fragment": fragment,
            "uri": URIRef(f"{self.plugin}#{fragment}"),
            "inputs": self.items(node, BM.input),
            "outputs": self.items(node, BM.output),
        }

    def port_nodes(self, plugin):
        """The controls that a plugin's own file describes, in the order of its index."""
        nodes = []
        for port_set in self.items(plugin, BM["with"]):
            nodes += self.items(port_set, BM.ports)
        own = self.items(plugin, BM.ports)
        own_symbols = {str(self.one(n, LV2.symbol)): n for n in own}
        # A plugin that describes a shared port again gives it another range; it keeps its place.
        nodes = [own_symbols.pop(str(self.one(n, LV2.symbol)), n) for n in nodes]
        nodes += [n for n in own if str(self.one(n, LV2.symbol)) in own_symbols]
        return self.in_order(nodes)

    def forms_of(self, node):
        return self.items(node, BM.onlyIn)

    def in_order(self, nodes):
        """Those of fewer forms last, so that each form's are the first so many."""
        return sorted(nodes, key=lambda n: -len(self.forms_of(n)) if self.forms_of(n) else -1000)

    def read_controls(self):
        nodes = self.port_nodes(self.plugin)
        for stage in self.stages:
            nodes += stage["ports"]
        nodes = self.in_order(nodes)
        controls = [self.control(node) for node in nodes]
        symbols = [c["symbol"] for c in controls]
        for symbol in symbols:
            if symbols.count(symbol) > 1:
                self.fail(f"port {symbol} is described twice")
        for form in self.forms:
            has = [not c["forms"] or form["node"] in c["forms"] for c in controls]
            form["n_controls"] = sum(has)
            if not all(has[: form["n_controls"]]):
                self.fail(f"bm:onlyIn: the forms of one port must be among those of another, or all ({form['fragment']})")
        return controls

    def stage(self, node):
        """Another plugin as a part of this one."""
        processor = self.one(node, BM.processor)
        prefix = str(self.one(node, BM.prefix))
        label = str(self.one(node, RDFS.label))
        stem = str(processor).rsplit(":", 1)[1]
        path = os.path.join(self.folder, f"{stem}.ttl")
        if not os.path.exists(path):
            self.fail(f"stage {prefix}: no {stem}.ttl for <{processor}>")
        if path not in self.files:
            self.files.append(path)
            self.parse(path, (self.graph,))
        group = URIRef(f"{self.plugin}#{prefix}_group")
        for graph in (self.graph, self.own):
            graph.add((group, RDF.type, PG.Group))
            graph.add((group, LV2.symbol, Literal(f"{prefix}_group")))
            graph.add((group, LV2.name, Literal(label)))
        main = [str(s) for s in self.items(node, BM.main)]
        changes = {str(self.one(n, LV2.symbol)): n for n in self.graph.objects(node, BM.port)}
        described = {str(self.one(n, LV2.symbol)): n for n in self.items(processor, BM.ports)}
        own = {s: n for s, n in described.items() if s == "mix" or s not in SHELL_PORTS}
        for symbol in main + sorted(changes):
            if symbol not in own:
                self.fail(f"stage {prefix}: {stem} has no port {symbol} of its own")
        priority = self.number(node, PPROPS.displayPriority)
        ports = []
        for symbol, source in own.items():
            port = self.copy_port(source, leave_out=(LV2.symbol, LV2.name, PG.group, PPROPS.displayPriority))
            self.graph.add((port, LV2.symbol, Literal(f"{prefix}_{symbol}")))
            self.graph.add((port, LV2.name, Literal(self.stage_name(label, str(self.one(source, LV2.name))))))
            self.graph.add((port, PG.group, group))
            if symbol in main:
                rank = priority - main.index(symbol)
            else:
                rank = BEHIND_PRIORITY - self.n_behind
                self.n_behind += 1
            self.graph.add((port, PPROPS.displayPriority, Literal(int(rank))))
            if (node, BM.onlyIn, None) in self.graph:
                self.graph.add((port, BM.onlyIn, self.graph.value(node, BM.onlyIn)))
            if symbol in changes:
                for predicate in set(self.graph.predicates(changes[symbol])) - {LV2.symbol}:
                    self.graph.remove((port, predicate, None))
                    for value in self.graph.objects(changes[symbol], predicate):
                        self.graph.add((port, predicate, value))
            ports.append(port)
        return {"prefix": prefix, "stem": stem, "processor": processor, "ports": ports, "own": set(own)}

    @staticmethod
    def stage_name(label, name):
        is_acronym = len(name) > 1 and name[1].isupper()
        return f"{label} {name if is_acronym else name[0].lower() + name[1:]}"

    def copy_port(self, node, leave_out):
        copy = BNode()
        for predicate, value in self.graph.predicate_objects(node):
            if predicate not in leave_out:
                self.graph.add((copy, predicate, value))
        return copy

    def stage_indices(self, stage):
        """For each control of the stage's own plugin the index here; -1 where it has none."""
        index = {c["symbol"]: i for i, c in enumerate(self.controls)}
        symbols = [str(self.one(n, LV2.symbol)) for n in self.port_nodes(stage["processor"])]
        here = [f"{stage['prefix']}_{s}" if s in stage["own"] else s if s == "quality" else "" for s in symbols]
        return [index.get(symbol, -1) for symbol in here]

    def control(self, node):
        symbol = str(self.one(node, LV2.symbol))
        if not re.fullmatch(r"[a-z][a-z0-9_]*", symbol):
            self.fail(f"port symbol {symbol!r} is not lower-case letters, digits and _")
        properties = set(self.graph.objects(node, LV2.portProperty))
        output = (node, RDF.type, LV2.OutputPort) in self.graph
        try:
            low, default, high = (
                self.number(node, p) for p in (LV2.minimum, LV2.default, LV2.maximum)
            )
        except SourceError as error:
            raise SourceError(f"{error} (port {symbol})") from None
        if not low <= default <= high or low == high:
            self.fail(f"port {symbol}: default {default:g} is not within {low:g} to {high:g}")
        if not str(self.graph.value(node, RDFS.comment) or "").endswith("."):
            self.fail(f"port {symbol}: rdfs:comment must be a sentence of help")
        unit = self.graph.value(node, UNITS.unit)
        kind = "toggled" if LV2.toggled in properties else "continuous"
        if LV2.enumeration in properties or LV2.integer in properties:
            kind = "integer"
        if unit is None and kind == "continuous":
            self.fail(f"port {symbol}: no units:unit (units:coef for a plain ratio), not toggled, no enumeration")
        if LV2.enumeration in properties:
            points = [self.number(p, RDF.value) for p in self.graph.objects(node, LV2.scalePoint)]
            if not points or min(points) != low or max(points) != high or default not in points:
                self.fail(f"port {symbol}: scale points must span the range and hold the default")
        if PPROPS.logarithmic in properties and low <= 0:
            self.fail(f"port {symbol}: logarithmic, but its minimum {low:g} is not above 0")
        return {
            "node": node,
            "symbol": symbol,
            "output": output,
            "forms": self.forms_of(node),
            "kind": kind,
            "trigger": PPROPS.trigger in properties,
            "low": low,
            "default": default,
            "high": high,
            "points": sorted(points) if LV2.enumeration in properties else [],
            "suffix": self.suffix(symbol, unit),
        }

    def suffix(self, symbol, unit):
        if unit is None:
            return ""
        if unit in UNIT_SUFFIX:
            return UNIT_SUFFIX[unit]
        suffix = self.graph.value(unit, BM.suffix)
        if suffix is None:
            self.fail(f"port {symbol}: unit {unit} has no suffix for C; give it bm:suffix")
        return str(suffix)

    def check_presets(self):
        controls = {c["symbol"]: c for c in self.controls}
        uris = {form["uri"] for form in self.forms}
        for preset in self.presets:
            label = self.graph.value(preset, RDFS.label)
            if label is None:
                self.fail(f"preset {preset} has no rdfs:label")
            applies = set(self.graph.objects(preset, LV2.appliesTo))
            if not applies or not applies <= uris:
                self.fail(f"preset {label!s}: lv2:appliesTo must name forms of this plugin")
            for port in self.graph.objects(preset, LV2.port):
                symbol = str(self.one(port, LV2.symbol))
                value = self.number(port, PSET.value)
                control = controls.get(symbol)
                if control is None or control["output"]:
                    self.fail(f"preset {label!s}: no control input {symbol}")
                if not any(f["uri"] in applies for f in self.forms if not control["forms"] or f["node"] in control["forms"]):
                    self.fail(f"preset {label!s}: {symbol} is not in the forms it applies to")
                if not control["low"] <= value <= control["high"]:
                    self.fail(
                        f"preset {label!s}: {symbol} {value:g} is not within {control['low']:g} to {control['high']:g}"
                    )
                if control["points"] and value not in control["points"]:
                    self.fail(f"preset {label!s}: {symbol} {value:g} is not one of its scale points")

    def complete_presets(self):
        """Have every preset set all that makes the sound: after "Side alone", "Mid alone" must not be silence.

        What belongs to the take or the session stays the user's: gains, bypass and match, and what bm:presetsLeave marks.
        """

        def symbols(preset):
            return {str(self.one(port, LV2.symbol)) for port in self.graph.objects(preset, LV2.port)}

        left = set(SHELL_PORTS) - {"mix"} - set().union(*map(symbols, self.presets))
        for preset in self.presets:
            given = symbols(preset)
            for control in self.controls:
                symbol = control["symbol"]
                marked = (control["node"], BM.presetsLeave, Literal(True)) in self.graph
                if control["output"] or symbol in given | left or marked:
                    continue
                port = BNode()
                self.graph.add((preset, LV2.port, port))
                self.graph.add((port, LV2.symbol, Literal(symbol)))
                self.graph.add((port, PSET.value, self.one(control["node"], LV2.default)))


class Writer:
    """Turtle text in a stable order, so that a rebuild gives the same bytes."""

    def __init__(self, graph):
        self.graph = graph
        self.lines = [f"@prefix {name}: <{uri}> ." for name, uri in sorted(PREFIXES.items())]

    def node(self, node, depth=1):
        is_shared_point = (node, RDF.value, None) in self.graph
        if isinstance(node, URIRef) and not is_shared_point:
            for name, uri in PREFIXES.items():
                local = str(node)[len(uri):]
                if str(node).startswith(uri) and re.fullmatch(r"[A-Za-z_][A-Za-z0-9_]*", local):
                    return f"{name}:{local}"
            return f"<{node}>"
        if isinstance(node, BNode) or is_shared_point:
            if (node, RDF.first, None) in self.graph:
                return "( " + " ".join(self.node(n, depth) for n in Collection(self.graph, node)) + " )"
            pairs = self.pairs(node)
            pad = "\t" * (depth + 1)
            body = " ;\n".join(f"{pad}{self.verb(p)} {self.objects(o, depth + 1)}" for p, o in pairs)
            return "[\n" + body + "\n" + "\t" * depth + "]"
        if isinstance(node, Literal) and node.datatype in (XSD.integer, XSD.decimal, XSD.double):
            return str(node)
        return node.n3() if isinstance(node, Literal) else str(node)

    def verb(self, predicate):
        return "a" if predicate == RDF.type else self.node(predicate)

    def objects(self, nodes, depth):
        return " , ".join(self.node(n, depth) for n in nodes)

    def pairs(self, subject, leave_out=()):
        """Predicates in a fixed order, each with its objects in a fixed order."""
        def object_key(node):
            value = self.graph.value(node, RDF.value)
            symbol = self.graph.value(node, LV2.symbol)
            return (float(value) if value is not None else 0.0, str(symbol or ""), "" if isinstance(node, BNode) else str(node))

        predicates = sorted({p for p in self.graph.predicates(subject) if p not in leave_out and not str(p).startswith(str(BM))},
                            key=lambda p: (p != RDF.type, str(p)))
        return [(p, sorted(self.graph.objects(subject, p), key=object_key)) for p in predicates]

    def subject(self, subject, pairs):
        text = f"\n{self.node(subject)}\n\t"
        text += " ;\n\t".join(f"{self.verb(p)} {objects}" for p, objects in pairs) + " ."
        self.lines.append(text)

    def copy(self, subject, leave_out=()):
        self.subject(subject, [(p, self.objects(o, 1)) for p, o in self.pairs(subject, leave_out)])

    def text(self):
        return "\n".join(self.lines) + "\n"


def port_text(writer, index, types, node, group=None):
    pairs = [f"a {' , '.join(types)}", f"lv2:index {index}"]
    if group is not None:
        pairs.append(f"pg:group {writer.node(group)}")
    for predicate, objects in writer.pairs(node, leave_out=(RDF.type,)):
        pairs.append(f"{writer.verb(predicate)} {writer.objects(objects, 2)}")
    return "[\n\t\t" + " ;\n\t\t".join(pairs) + "\n\t]"


def write_plugin(source, with_control_groups=True):
    if not with_control_groups:
        source.graph.remove((None, PG.group, None))
        source.own.remove((None, RDF.type, PG.Group))
    writer = Writer(source.graph)
    classes = sorted(c for c in source.graph.objects(source.plugin, RDF.type) if c != BM.Processor)
    project = URIRef("urn:bookmatch")
    writer.copy(project)
    groups = sorted(s for s in set(source.own.subjects(RDF.type, None)) if (s, RDF.type, PG.Group) in source.own)
    for form in source.forms:
        ports = []
        for control in source.controls[: form["n_controls"]]:
            kind = "lv2:OutputPort" if control["output"] else "lv2:InputPort"
            ports.append(port_text(writer, len(ports), [kind, "lv2:ControlPort"], control["node"]))
        audio_groups = []
        for direction, nodes in (("Input", form["inputs"]), ("Output", form["outputs"])):
            group = URIRef(f"{form['uri']}_{direction.lower()}")
            audio_groups.append((direction, group, GROUP_OF_CHANNELS[len(nodes)]))
            for node in nodes:
                ports.append(port_text(writer, len(ports), [f"lv2:{direction}Port", "lv2:AudioPort"], node, group))
        extra = [
            (p, writer.objects(o, 1))
            for p, o in writer.pairs(source.plugin, leave_out=(RDF.type, DOAP.name, RDFS.comment))
        ]
        writer.subject(
            form["uri"],
            [
                (RDF.type, " , ".join(["lv2:Plugin"] + [writer.node(c) for c in classes])),
                (DOAP.name, f'"Bookmatch {source.name} ({form["fragment"].replace("-", " ")})"'),
                (RDFS.comment, source.one(source.plugin, RDFS.comment).n3()),
                (DOAP.license, writer.node(source.one(project, DOAP.license))),
                (LV2.project, writer.node(project)),
                (LV2.minorVersion, str(source.one(project, LV2.minorVersion))),
                (LV2.microVersion, str(source.one(project, LV2.microVersion))),
                (LV2.optionalFeature, "lv2:hardRTCapable , urid:map , <http://lv2plug.in/ns/ext/log#log>"),
            ]
            + [(PG[f"main{direction}"], writer.node(group)) for direction, group, _ in audio_groups]
            + [(p, o) for p, o in extra]
            + [(LV2.port, " , ".join(ports))],
        )
        for direction, group, kind in audio_groups:
            writer.subject(
                group,
                [
                    (RDF.type, f"{writer.node(kind)} , pg:{direction}Group"),
                    (LV2.symbol, f'"{direction.lower()}"'),
                    (LV2.name, f'"{direction}"'),
                ],
            )
    for subject in groups:
        writer.copy(subject)
    for uri, preset, form in source.form_presets():
        symbols = {c["symbol"] for c in source.controls[: form["n_controls"]]}
        pairs = []
        for predicate, objects in writer.pairs(preset, leave_out=(LV2.appliesTo,)):
            if predicate == LV2.port:
                objects = [o for o in objects if str(source.one(o, LV2.symbol)) in symbols]
            pairs.append((predicate, writer.objects(objects, 1)))
        writer.subject(uri, pairs + [(LV2.appliesTo, writer.node(form["uri"]))])
    for subject in sorted(set(source.own.subjects(RDF.type, RDF.Property)) | set(source.own.subjects(RDF.type, LV2.Parameter))):
        writer.copy(subject)
    return writer.text()


def write_manifest(sources):
    writer = Writer(Graph())
    for source in sources:
        for form in source.forms:
            writer.subject(
                form["uri"],
                [
                    (RDF.type, "lv2:Plugin"),
                    (LV2.binary, f"<{source.stem}.so>"),
                    (RDFS.seeAlso, f"<{source.stem}.ttl>"),
                ],
            )
        for uri, preset, form in source.form_presets():
            writer.subject(
                uri,
                [
                    (RDF.type, "pset:Preset"),
                    (LV2.appliesTo, writer.node(form["uri"])),
                    (RDFS.label, source.graph.value(preset, RDFS.label).n3()),
                    (RDFS.seeAlso, f"<{source.stem}.ttl>"),
                ],
            )
    return writer.text()


def c_number(value):
    return f"{value:.9g}" + ("F" if "." in f"{value:.9g}" or "e" in f"{value:.9g}" else ".0F")


def write_header(source):
    prefix = re.sub(r"[^A-Z0-9]", "_", source.stem.upper())
    lower = prefix.lower()
    guard = f"BM_{prefix}_PORTS_H"
    out = [f"/* Generated from ttl/{source.stem}.ttl. */", f"#ifndef {guard}", f"#define {guard}", "", '#include "ports.h"', ""]
    headers = sorted({f'#include "{stage["stem"].replace("-", "_")}_ports.h"' for stage in source.stages})
    out += headers + [""] if headers else []
    out.append("/* Control ports: the same index in every form, which has the first so many; the names carry the units. */")
    out.append("enum {")
    for control in source.controls:
        suffix = f"_{control['suffix'].upper()}" if control["suffix"] else ""
        name = f"{prefix}_{control['symbol'].upper()}{suffix}"
        if control["suffix"] and control["symbol"].endswith("_" + control["suffix"]):
            name = f"{prefix}_{control['symbol'].upper()}"
        out.append(f"   {name},")
    out += [f"   {prefix}_N_CONTROLS", "};", ""]
    for control in source.controls:
        if control["points"]:
            points = ", ".join(c_number(p) for p in control["points"])
            out.append(f"static const float {lower}_{control['symbol']}_points[] = {{{points}}};")
    out.append("")
    out.append(f"static const BmPort {lower}_ports[{prefix}_N_CONTROLS] = {{")
    for control in source.controls:
        kind = {"toggled": "BM_PORT_TOGGLED", "integer": "BM_PORT_INTEGER", "continuous": "BM_PORT_CONTINUOUS"}[control["kind"]]
        values = ", ".join(c_number(control[k]) for k in ("low", "default", "high"))
        points = f"{lower}_{control['symbol']}_points" if control["points"] else "NULL"
        output = "true" if control["output"] else "false"
        trigger = "true" if control["trigger"] else "false"
        out.append(f'   {{"{control["symbol"]}", {kind}, {output}, {trigger}, {values}, {points}, {len(control["points"])}}},')
    out += ["};", ""]
    out.append(f"static const BmForm {lower}_forms[{len(source.forms)}] = {{")
    for form in source.forms:
        out.append(f'   {{"{form["uri"]}", {len(form["inputs"])}, {len(form["outputs"])}, {form["n_controls"]}}},')
    out += ["};", ""]
    for stage in source.stages:
        indices = source.stage_indices(stage)
        out.append(f"/* By control of {stage['stem']}: the control here, -1 where there is none. */")
        out.append(f"static const int {lower}_{stage['prefix']}_controls[{len(indices)}] = {{")
        out += [f"   {', '.join(map(str, indices[i : i + 16]))}," for i in range(0, len(indices), 16)]
        out += ["};", ""]
    index = {c["symbol"]: i for i, c in enumerate(source.controls)}
    out.append(f"static const BmPorts {lower} = {{")
    out.append(f'   .uri = "{source.plugin}",')
    out.append(f"   .controls = {lower}_ports,")
    out.append(f"   .n_controls = {prefix}_N_CONTROLS,")
    out.append(f"   .forms = {lower}_forms,")
    out.append(f"   .n_forms = {len(source.forms)},")
    for symbol in SHELL_PORTS:
        out.append(f"   .{symbol} = {index.get(symbol, -1)},")
    out += ["};", "", "#endif", ""]
    return "\n".join(out)


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("kind", choices=("header", "plugin", "manifest"))
    parser.add_argument("shared")
    parser.add_argument("plugins", nargs="+")
    parser.add_argument("-o", "--output", required=True)
    parser.add_argument("--no-control-groups", action="store_true", help="leave out which controls stand together")
    parser.add_argument("--depfile", help="write here, as a make rule, which files were read")
    arguments = parser.parse_args()
    try:
        sources = [Source(arguments.shared, path) for path in arguments.plugins]
        if arguments.kind == "manifest":
            text = write_manifest(sources)
        elif arguments.kind == "plugin":
            text = write_plugin(sources[0], not arguments.no_control_groups)
        else:
            text = write_header(sources[0])
    except (SourceError, OSError) as error:
        sys.exit(f"generate.py: {error}")
    temporary = arguments.output + ".part"
    with open(temporary, "w", encoding="utf-8") as file:
        file.write(text)
    os.replace(temporary, arguments.output)
    if arguments.depfile:
        files = dict.fromkeys(path for source in sources for path in source.files)
        with open(arguments.depfile, "w", encoding="utf-8") as file:
            file.write(f"{arguments.output}: {' '.join(path.replace(' ', chr(92) + ' ') for path in files)}\n")


if __name__ == "__main__":
    main()
