#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Builds the program with clang, each warning an error, and reads the tests' C files by it: clang warns of what gcc lets pass.

Usage: clang.py BUILD [SOURCE ...]   BUILD: a folder with compile_commands.json; clang's own stays in BUILD/clang, without
                                     optimisation. SOURCE: the end of a path, to read only some and build nothing
Exit: 0 all clean, 1 a warning or what does not link or start, 77 clang is not installed."""
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
# What the program is built from; everything else in a build is tests.
HOUSE = ("calib", "rig", "reports")
PROGRAMS = ("rig/command/bridle", "rig/command/bridle-warden")
LAST = 60  # lines that are shown of a build that failed
# gcc alone has these.
GCC_ALONE = ("-Winvalid-pch",)


def words(entry):
    """One entry's command without its compiler, its outputs and what only gcc knows."""
    return [w for w in shlex.split(entry["command"]) if w.startswith(KEPT) and w not in GCC_ALONE]


def read(entry):
    run = subprocess.run(["clang", "-fsyntax-only", "-Werror", *words(entry), entry["file"]], cwd=entry["directory"],
                         capture_output=True, text=True, check=False)
    return run.returncode, run.stderr


def built(build):
    """The program by clang, in its own folder; what was wrong, or "". """
    top, where = pathlib.Path(__file__).resolve().parents[2], build / "clang"
    steps = [["ninja", "--quiet", "-C", where, *PROGRAMS], [where / PROGRAMS[0], "--version"]]
    if not (where / "build.ninja").exists():
        steps.insert(0, ["meson", "setup", "--werror", "-Doptimization=0", "-Ddebug=false", where, top])
    for step in steps:
        run = subprocess.run(step, env={**os.environ, "CC": "clang"}, capture_output=True, text=True, check=False)
        if run.returncode:
            return "\n".join((run.stdout + run.stderr).splitlines()[-LAST:])
    return ""


def is_house(entry):
    top = pathlib.Path(__file__).resolve().parents[2]
    path = (pathlib.Path(entry["directory"]) / entry["file"]).resolve()
    return path.is_relative_to(top) and path.relative_to(top).parts[0] in HOUSE


def main():
    if not shutil.which("clang"):
        print("skipped: clang is not installed")
        return 77
    build = pathlib.Path(sys.argv[1]).resolve()
    entries = json.loads((build / "compile_commands.json").read_text(encoding="utf-8"))
    ends = tuple(sys.argv[2:])
    wrong = "" if ends else built(build)
    if wrong:
        print(wrong)
        return 1
    # A file that several programs share is read once for each set of words.
    once = {(e["file"], *(w for w in words(e) if w.startswith(("-D", "-I.")))): e for e in entries
            if e["file"].endswith(".c") and (e["file"].endswith(ends) if ends else not is_house(e))}
    with ThreadPoolExecutor(os.cpu_count()) as pool:
        results = list(pool.map(read, once.values()))
    for status, text in results:
        if status:
            print(text)
    bad = sum(1 for status, _ in results if status)
    print(("" if ends else "the program built; ") + f"{len(results)} files read, {bad} with warnings")
    return 1 if bad or not results else 0


sys.exit(main())
