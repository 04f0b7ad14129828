#!/usr/bin/env python3
# SPDX-License-Identifier: ISC
"""If this fails, a session can drop out: what run() reaches may allocate, lock, print or ask the kernel, on a path that
test_real_time happens not to take. real_time.py COMMON-DSP.a FORBIDDEN.so PLUGIN.so...

The sound (COMMON-DSP.a) may ask for nothing but the C library's arithmetic and memory moves. Of a plugin the same holds for
all code that run() and connect_port() lead to, by calls or addresses, and for every function that stands in a table
(the verbs of bm_plugin), but for those that OFF_RUN names. FORBIDDEN.so does all that is forbidden, to prove this.
"""
import bisect
import re
import subprocess
import sys
from pathlib import Path

ARITHMETIC = ('acos acosh asin asinh atan atan2 atanh cbrt ceil copysign cos cosh erf exp exp2 expm1 fabs floor fma fmax fmin '
              'fmod frexp hypot ldexp log log10 log1p log2 lrint lround modf nearbyint pow remainder rint round scalbn sin '
              'sincos sinh sqrt tan tanh trunc').split()
# The last three choose a clone for the processor, once, as the library is loaded.
ALLOWED = {*ARITHMETIC, *(name + 'f' for name in ARITHMETIC), 'memcpy', 'memmove', 'memset', 'memcmp',
           '__cpu_model', '__cpu_indicator_init', '_GLOBAL_OFFSET_TABLE_'}
# In a table, but called by hosts and the shell outside run() only; the last four by the loader.
OFF_RUN = {'instantiate', 'cleanup', 'bytes', 'init', 'release', 'load', 'path', 'extension_data', 'save', 'restore',
           'fill_descriptors', 'drop_all', 'frame_dummy', '__do_global_dtors_aux'}
ROOTS = ('run', 'connect_port')


def lines_of(*command):
    return subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True).stdout.splitlines()


def asked_by_archive(path):
    """{symbol: object file} of what the archive does not define itself."""
    wanted, defined, member = {}, set(), ''
    for line in lines_of('nm', str(path)):
        if line.endswith(':'):
            member = line[:-1]
            continue
        fields = line.split()
        if len(fields) == 2 and fields[0] in 'Uwv':
            wanted.setdefault(fields[1], member)
        elif len(fields) == 3:
            defined.add(fields[2])
    return {name: member for name, member in wanted.items() if name not in defined}


def asked_by_run(path):
    """({symbol of another library: function that asks for it}, names of the functions reached)."""
    names, starts, code = {}, [], {}
    for line in lines_of('objdump', '-d', '--no-show-raw-insn', str(path)):
        head = re.match(r'([0-9a-f]+) <(.+)>:$', line)
        if head:
            start = int(head[1], 16)
            names[start] = head[2]
            starts.append(start)
            code[start] = []
        elif starts:
            code[starts[-1]] += re.findall(r'\b([0-9a-f]+) <([^>]+)>', line)
    starts.sort()
    waiting = [start for start, name in names.items() if name in ROOTS]
    if len(waiting) < len(ROOTS):
        sys.exit(f'{path}: {" or ".join(ROOTS)} is not among its symbols; build it without stripping')
    for line in lines_of('readelf', '-rW', str(path)):
        pointed = re.search(r'_RELATIVE\s+([0-9a-f]+)$', line)
        if pointed and 'IRELATIVE' not in line and names.get(int(pointed[1], 16), 'init') not in OFF_RUN:
            waiting.append(int(pointed[1], 16))
    asked, reached = {}, set(waiting)
    while waiting:
        function = waiting.pop()
        for address, target in code[function]:
            clone = re.match(r'\*ABS\*\+0x([0-9a-f]+)@plt', target)
            if clone:
                address = clone[1]
            elif '@' in target:
                asked.setdefault(target.split('@')[0], names[function])
                continue
            at = bisect.bisect_right(starts, int(address, 16)) - 1
            found = starts[at] if at >= 0 else None
            # What lies behind the last function is data.
            if found is not None and names[found].split('+')[0] == target.split('+')[0] or clone:
                if found not in reached:
                    reached.add(found)
                    waiting.append(found)
    return asked, {names[f] for f in reached}


def main():
    archive, forbidden, *plugins = sys.argv[1:]
    found = [f'{member}: the sound asks for {name}; libm, memcpy, memmove, memset and memcmp would be right'
             for name, member in asked_by_archive(archive).items() if name not in ALLOWED]
    n_reached = 0
    for plugin in plugins:
        asked, reached = asked_by_run(plugin)
        n_reached += len(reached)
        if not any(re.match(r'bm_\w+_process', name) for name in reached):
            found.append(f'{plugin}: no bm_..._process is reached from its run(): look at OFF_RUN')
        found += [f'{Path(plugin).name}: run() leads to {function}, which asks for {name}'
                  for name, function in sorted(asked.items()) if name not in ALLOWED]
    missed = {'malloc', 'mtx_lock', 'printf', 'snprintf', 'clock_gettime', 'write'} - asked_by_run(forbidden)[0].keys()
    if missed:
        found.append(f'{forbidden}: {", ".join(sorted(missed))} in its run() was not seen')
    print('\n'.join(found) or f'{n_reached} functions under run() in {len(plugins)} plugins',
          file=sys.stderr if found else sys.stdout)
    return bool(found) or not plugins


if __name__ == '__main__':
    sys.exit(main())
