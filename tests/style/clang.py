#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Reads every C file of a build with clang, each warning an error: clang warns of what gcc lets pass. Nothing is compiled or linked.

Usage: clang.py BUILD [SOURCE ...]   BUILD: a folder with compile_commands.json; SOURCE: the end of a path, to read only some
Exit: 0 all clean, 1 a warning, 77 clang is not installed."""
import json
import os
import pathlib
import shlex
import shutil
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor

# What both compilers understand of a command: where headers are, what is defined, the language. The warnings are the build's own.
KEPT = ("-I", "-D", "-W", "-std=", "-isystem", "-pthread", "-ffp-contract=")
# gcc alone has these.
GCC_ALONE = ("-Winvalid-pch",)


def words(entry):
    """One entry's command without its compiler, its outputs and what only gcc knows."""
    return [w for w in shlex.split(entry["command"]) if w.startswith(KEPT) and w not in GCC_ALONE]


def read(entry):
    run = subprocess.run(["clang", "-fsyntax-only", "-Werror", *words(entry), entry["file"]], cwd=entry["directory"],
                         capture_output=True, text=True, check=False)
    return run.returncode, run.stderr


def main():
    if not shutil.which("clang"):
        print("skipped: clang is not installed")
        return 77
    entries = json.loads((pathlib.Path(sys.argv[1]) / "compile_commands.json").read_text(encoding="utf-8"))
    ends = tuple(sys.argv[2:])
    # A file that several programs share is read once for each set of words.
    once = {(e["file"], *(w for w in words(e) if w.startswith(("-D", "-I.")))): e for e in entries
            if e["file"].endswith(".c") and (not ends or e["file"].endswith(ends))}
    with ThreadPoolExecutor(os.cpu_count()) as pool:
        results = list(pool.map(read, once.values()))
    for status, text in results:
        if status:
            print(text)
    bad = sum(1 for status, _ in results if status)
    print(f"{len(results)} files read, {bad} with warnings")
    return 1 if bad or not results else 0


sys.exit(main())
