#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Writes text files as a C table, so that the program needs no source tree at run time.
Usage: embed.py OUT NAME=FILE ..."""
import sys


def literal(text):
    for line in text.encode("utf-8").splitlines(keepends=True):
        yield '"' + "".join(chr(b) if 32 <= b < 127 and b not in (34, 92, 63) else f"\\{b:03o}" for b in line) + '"'


out = ["/* Made by embed.py from docs/examples. */", '#include "command/example.h"', "",
       "const struct example_file example_files[] = {"]
for pair in sys.argv[2:]:
    name, path = pair.split("=", 1)
    with open(path, encoding="utf-8") as f:
        out.append(f'\t{{ "{name}",\n\t\t' + "\n\t\t".join(literal(f.read())) + " },")
out += ["};", "const size_t example_file_count = sizeof example_files / sizeof example_files[0];", ""]
with open(sys.argv[1], "w", encoding="ascii") as f:
    f.write("\n".join(out))
