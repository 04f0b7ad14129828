#!/usr/bin/env python3
# SPDX-License-Identifier: ISC
"""Turn ASCII text files into C strings: embed.py OUT.c FILE... gives bm_sheet_<stem>_<suffix> for each."""
import pathlib
import sys

out, *files = map(pathlib.Path, sys.argv[1:])
parts = ['#include "sheets.h"\n']
for file in files:
    text = "".join(line.strip() + "\n" for line in file.read_text(encoding="ascii").splitlines())
    codes = [str(byte) for byte in text.encode("ascii")] + ["0"]
    rows = [", ".join(codes[n : n + 24]) for n in range(0, len(codes), 24)]
    name = f"bm_sheet_{file.stem}_{file.suffix[1:]}"
    parts.append(f"\nconst char {name}[] = {{\n   " + ",\n   ".join(rows) + "};\n")
out.write_text("".join(parts), encoding="ascii")
