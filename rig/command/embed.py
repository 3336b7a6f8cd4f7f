#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Writes text files as a C table, so that the program needs no source tree at run time.
Usage: embed.py OUT EXAMPLE:NAME=FILE ..."""
import sys

arrays, table = [], []
for number, pair in enumerate(sys.argv[2:]):
    name, path = pair.split("=", 1)
    with open(path, "rb") as f:
        text = f.read()
    text.decode("utf-8")
    numbers = [str(b if b < 128 else b - 256) for b in text] + ["0"]  # char may be signed or not: both take these
    lines = ["\t" + ", ".join(numbers[i:i + 20]) + "," for i in range(0, len(numbers), 20)]
    arrays += [f"static const signed char text{number}[] = {{", *lines, "};"]
    example, name = name.split(":", 1)
    table.append(f'\t{{ "{example}", "{name}", (const char *)text{number} }},')
with open(sys.argv[1], "w", encoding="ascii") as f:
    f.write("\n".join(["/* Made by embed.py from docs/examples. */", '#include "command/example.h"', "", *arrays, "",
                       "const struct example_file example_files[] = {", *table, "};",
                       "const size_t example_file_count = sizeof example_files / sizeof example_files[0];", ""]))
