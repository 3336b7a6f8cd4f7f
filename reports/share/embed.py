#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Writes a text file as a C string. Usage: embed.py OUT NAME FILE"""
import json
import sys

with open(sys.argv[3], encoding="ascii") as f:
    lines = [json.dumps(line) for line in f]
with open(sys.argv[1], "w", encoding="ascii") as f:
    f.write("/* Made by embed.py. */\nextern const char " + sys.argv[2] + "[];\nconst char " + sys.argv[2] + "[] =\n\t" + "\n\t".join(lines) + ";\n")
