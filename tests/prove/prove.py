#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""guard_step by a bounded model checker: one step from any guard, any snapshot, any wish (guard_step.c says what that means), on
demand; package cbmc, which Debian 13 carries and Debian 12 does not:

    prove.py [GROUP ...]         # each group of rules that guard_step.c has, by its number; without: all
    prove.py --red [RULE ...]    # a line of the guard is broken for each rule (tests/explore/red.py), and the rule must fail

Exit 1: a rule that fails (the checker's trace: cbmc ... --trace with the command that is printed), or one that no broken line
makes fail; 77: cbmc is not installed. $CBMC: another program in its place."""
import os
import pathlib
import re
import shutil
import subprocess
import sys
import tempfile
import time

TOP = pathlib.Path(__file__).resolve().parents[2]
sys.path.insert(0, str(TOP / "tests/explore"))
from red import BROKEN  # noqa: E402

CBMC = os.environ.get("CBMC", "cbmc")
HARNESS = TOP / "tests/prove/guard_step.c"
SOURCES = ("rig/guard/guard.c", "rig/guard/watch.c", "rig/guard/modes.c", "rig/channel/cause.c")
# The longest loop is that over the watches. Products and quotients are worked out only where a rule hangs on them.
OPTIONS = ("--unwind", "40", "--unwinding-assertions", "--slice-formula", "--no-standard-checks", "--refine-arithmetic")
LONGEST_S = 1800


def groups():
    """{number: [function of rules.c]}, 0 with "kept"."""
    parts = re.split(r"#(?:el)?if GROUP == (\d+)\n", HARNESS.read_text(encoding="utf-8"))
    return {int(parts[i]): re.findall(r"^\tCHECK\((\w+)\)", parts[i + 1], re.M) for i in range(1, len(parts), 2)}


def words_of():
    """{function: (number, words)} of the table in rules.c"""
    text = (TOP / "tests/explore/rules.c").read_text(encoding="utf-8")
    return {name: (number, words) for number, words, name in re.findall(r'\{ "(\w+)", "([^"]+)", (\w+) \}', text)}


def check(group, sources):
    """{what is asserted: did it hold}, seconds; the harness's own assertions among them."""
    command = [CBMC, f"-DGROUP={group}", f"-I{TOP}", f"-I{TOP}/rig", "-D_GNU_SOURCE", HARNESS, *sources, *OPTIONS]
    began = time.monotonic()
    run = subprocess.run([str(word) for word in command], capture_output=True, text=True, timeout=LONGEST_S, check=False)
    found = re.findall(r"^\[\S+\] (?:line \d+ )?(.*): (SUCCESS|FAILURE|UNKNOWN)$", run.stdout, re.M)
    if not found:
        sys.exit(f"prove: {' '.join(map(str, command))}\n{(run.stdout + run.stderr)[-3000:]}")
    return {what: result == "SUCCESS" for what, result in found}, time.monotonic() - began


def prove(numbers):
    wrong, known = 0, words_of()
    for number in numbers:
        held, took_s = check(number, [TOP / s for s in SOURCES])
        for what, good in held.items():
            rule, words = known.get(what, ("", what[:100]))
            print(f"{'ok' if good else 'NOT PROVED'} {rule} {words}".replace("  ", " "))
            wrong += not good
        print(f"group {number}: {took_s:.0f} s", flush=True)
    return wrong


def seen_red(rule, words, file, old, new, function, group):
    text = (TOP / f"rig/guard/{file}.c").read_text(encoding="utf-8")
    with tempfile.TemporaryDirectory() as folder:
        broken = pathlib.Path(folder) / f"{file}.c"
        broken.write_text(text.replace(old, new, 1), encoding="utf-8")
        held, _ = check(group, [broken if s == f"rig/guard/{file}.c" else TOP / s for s in SOURCES])
    print(f"{'red' if not held[function] else 'NOT RED'} {rule} {words}: {new.strip()}", flush=True)
    return not held[function]


def red(chosen):
    where = {function: number for number, functions in groups().items() for function in functions}
    wrong = 0
    for rule, words, file, old, new, _rig in BROKEN:
        for function in [f for f, (n, w) in words_of().items() if n == rule and w.startswith(words) and f in where]:
            if not chosen or rule in chosen:
                wrong += not seen_red(rule, words, file, old, new, function, where[function])
    return wrong


def main():
    if not shutil.which(CBMC):
        print("skipped: cbmc is not installed")
        return 77
    if sys.argv[1:2] == ["--red"]:
        return 1 if red(sys.argv[2:]) else 0
    return 1 if prove([int(n) for n in sys.argv[1:]] or sorted(groups())) else 0


if __name__ == "__main__":
    sys.exit(main())
