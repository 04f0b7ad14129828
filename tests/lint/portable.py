#!/usr/bin/env python3
# SPDX-License-Identifier: ISC
"""If this fails, some machine cannot build Bookmatch: a file asks for one processor's own instructions without saying
what the others do. portable.py ROOT

Such words may stand only under an #if that names the processor, and that #if needs an #else: the portable twin.
(An #include needs the #if only.) Compiler vector types and __builtin_shufflevector need neither.
"""
import re
import sys
from pathlib import Path

OWN = re.compile(
    r'\w*intrin\.h\b|\barm_(?:neon|sve|acle)\.h\b|\b__builtin_(?:ia32|cpu|aarch64|neon|arm)_?\w*|\b_mm\d*_\w+'
    r'|\bv\w+q?_[fsu](?:8|16|32|64)\b|\b(?:__)?asm(?:__)?\b|\btarget(?:_clones)?\s*\(')
PROCESSOR = re.compile(r'__(?:SSE|AVX|x86_64|i386|aarch64|arm|ARM)\w*')
SOURCES = ('common-dsp', 'plugins', 'tests', 'demo-sessions', 'ttl')
COMMENT_OR_TEXT = re.compile(r'//[^\n]*|/\*.*?\*/|"(?:\\.|[^"\\\n])*"', re.S)


def blank(match):
    return re.sub(r'[^\n]', ' ', match[0])


def slips(text):
    """Yield (line number, word, what is missing)."""
    lines = COMMENT_OR_TEXT.sub(blank, re.sub(r'(#\s*include\s*)"(.*)"', r'\1<\2>', text)).replace('\\\n', ' \n').split('\n')
    # One entry for each open #if: whether it names a processor, whether it has an #else, and what stands under it.
    open_ifs = []
    for number, line in enumerate(lines, 1):
        directive = re.match(r'\s*#\s*(if|ifdef|ifndef|elif|else|endif)\b', line)
        kind = directive[1] if directive else None
        if kind in ('if', 'ifdef', 'ifndef'):
            open_ifs.append([bool(PROCESSOR.search(line)), False, []])
        elif kind == 'elif' and open_ifs:
            open_ifs[-1][0] |= bool(PROCESSOR.search(line))
        elif kind == 'else' and open_ifs:
            open_ifs[-1][1] = True
        elif kind == 'endif' and open_ifs:
            names_it, has_else, pending = open_ifs.pop()
            if not (names_it and has_else):
                yield from ((n, word, 'no #else for other processors') for n, word in pending)
        else:
            for word in OWN.findall(line):
                guards = [g for g in open_ifs if g[0]]
                if not guards:
                    yield number, word, 'no #if that names the processor'
                elif not re.match(r'\s*#\s*include', line):
                    guards[-1][2].append((number, word))


def main():
    root = Path(sys.argv[1])
    files = sorted(f for folder in SOURCES for f in (root / folder).rglob('*.[ch]'))
    found = [f'{f.relative_to(root)}:{n}: {word}: {what}' for f in files for n, word, what in slips(f.read_text())]
    print('\n'.join(found) or f'{len(files)} files', file=sys.stderr if found else sys.stdout)
    return bool(found) or not files


if __name__ == '__main__':
    sys.exit(main())
