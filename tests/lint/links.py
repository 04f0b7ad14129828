#!/usr/bin/env python3
# SPDX-License-Identifier: ISC
"""If this fails, a reader of the manual clicks on nothing, or sees a hole where a picture should be. links.py ROOT

Every relative link in every page must lead to a file or folder of the tree (and to a heading, where it names one),
as a plain file viewer resolves it; pictures must be whole.
"""
import os
import pathlib
import re
import sys
import xml.etree.ElementTree as xml
from urllib.parse import unquote

MAX_PICTURE_BYTES = 60_000
root = pathlib.Path(sys.argv[1]).resolve()
wrong = []


def without_code(text):
    text = re.sub(r"^(```|~~~).*?^\1", "", text, flags=re.S | re.M)
    return re.sub(r"`[^`\n]*`", "", text)


def anchors(page):
    """The names that viewers give to headings: lower case, spaces to hyphens, no punctuation."""
    headings = re.findall(r"^#{1,6} +(.+?)\s*#*$", page.read_text(encoding="utf-8"), flags=re.M)
    return {re.sub(r"[^\w\- ]", "", re.sub(r"\[(.*?)\]\(.*?\)", r"\1", h)).lower().replace(" ", "-") for h in headings}


def is_there(path):
    """As spelt: a file system that ignores case must not hide what another one will miss."""
    return path.exists() and all(p.name in os.listdir(p.parent) for p in [path, *path.parents] if root in p.parents)


def check_picture(path, where):
    if path.suffix == ".svg":
        try:
            if not xml.parse(path).getroot().tag.endswith("svg"):
                wrong.append(f"{where}: {path.name} is not an SVG picture")
        except xml.ParseError as error:
            wrong.append(f"{where}: {path.name} is not well-formed: {error}")
        if path.stat().st_size > MAX_PICTURE_BYTES:
            wrong.append(f"{where}: {path.name} has {path.stat().st_size} bytes, more than {MAX_PICTURE_BYTES}")
    elif path.suffix == ".png" and not path.read_bytes().startswith(b"\x89PNG\r\n\x1a\n"):
        wrong.append(f"{where}: {path.name} is not a PNG picture")


pages = []
for folder, folders, names in os.walk(root):
    # Not in hidden folders, nor in those that a build made.
    folders[:] = [f for f in folders if f[0] != "." and not f.startswith("build")]
    pages += [pathlib.Path(folder) / name for name in names if name.endswith(".md")]
n_links = 0
for page in sorted(pages):
    name = page.relative_to(root)
    text = without_code(page.read_text(encoding="utf-8"))
    links = re.findall(r"(!?)\[[^\]]*\]\(\s*<?([^)\s>]+)>?[^)]*\)", text)
    links += [("", target) for target in re.findall(r"^\[[^\]]+\]:\s*(\S+)", text, flags=re.M)]
    links += [("!", target) for target in re.findall(r"<img[^>]*\ssrc=[\"']([^\"']+)", text)]
    for picture, target in links:
        if re.match(r"[a-z][a-z0-9+.-]*:", target):
            continue
        n_links += 1
        path_part, _, heading = target.partition("#")
        path = pathlib.Path(os.path.normpath(page.parent / unquote(path_part))) if path_part else page
        if target.startswith("/") or (path != root and root not in path.parents):
            wrong.append(f"{name}: {target} leads out of the tree")
        elif not is_there(path):
            wrong.append(f"{name}: {target} leads nowhere")
        elif heading and (path.suffix != ".md" or heading not in anchors(path)):
            wrong.append(f"{name}: {target}: there is no such heading")
        elif picture:
            check_picture(path, name)
print(*wrong, sep="\n")
print(f"{len(pages)} pages, {n_links} links and pictures")
sys.exit(1 if wrong or not n_links else 0)
