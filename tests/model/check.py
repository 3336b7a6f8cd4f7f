#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""rig.pml through spin: every interleaving of host and guard, node and warden over lines that lose and delay, without a broken
assertion; then each seeded mistake, which has to break one. Names choose some: check.py right RENEWED_BLIND.

What the model leaves out: values (torque, speed, heat, currents: explore and the unit tests walk those), other causes than an open
interlock, an old reading, a node in its safe state and a warden that has stopped; a second host; a contactor that is welded or a drive
that is deaf; a node that restarts; damage to a line's bytes (its checksum makes a loss of it). Time is in ticks that all of them see;
a message is late by one tick at most and lost beyond. The numbers are small on purpose: what breaks shows with small ones.
SHAFT_NOT_LOOKED_AT needs a shaft that takes 3 ticks to stop; the right model with such a one was searched once by hand: 6.2 million
states, no error."""
import pathlib
import re
import shutil
import subprocess
import sys
import tempfile

MODEL = pathlib.Path(__file__).resolve().with_name("rig.pml")
FAULTS = re.findall(r"^#ifdef FAULT_(\w+)$", MODEL.read_text(), re.M)


def search(fault=None):
    """(errors, states, first broken assertion, statements never reached)"""
    with tempfile.TemporaryDirectory(prefix="bridle-model-") as place:
        def run(*command):
            return subprocess.run(command, cwd=place, capture_output=True, text=True, timeout=300)
        made = run("spin", *([f"-DFAULT_{fault}"] if fault else []), "-a", str(MODEL))
        assert made.returncode == 0, made.stdout + made.stderr
        made = run("gcc", "-w", "-O0" if fault else "-O2", "-DSAFETY", "-DCOLLAPSE", "-DNOFAIR", "-DMEMLIM=1500", "-o", "pan", "pan.c")
        assert made.returncode == 0, made.stderr
        text = run("./pan", "-m1000000").stdout
    errors = re.search(r"errors: (\d+)", text)
    states = re.search(r"(\S+) states, stored", text)
    assert errors and states, text
    assert "max search depth too small" not in text and "out of memory" not in text, text
    broken = re.search(r"assertion violated (.*?) \(at depth (\d+)", text)
    return int(errors[1]), float(states[1]), f"{broken[1]} at depth {broken[2]}" if broken else "", re.findall(r"rig.pml:\d+, state \d+, \"(?!-end-)(.*)\"", text)


def main(chosen):
    if not shutil.which("spin"):
        print("1..0 # SKIP spin is not installed: rig/setup test")
        return 0
    names = [name for name in ("right", *FAULTS) if not chosen or name in chosen]
    failed = 0
    print(f"1..{len(names)}")
    for number, name in enumerate(names, 1):
        errors, states, broken, unreached = search(None if name == "right" else name)
        good = (errors == 0 and not unreached and states > 1e5) if name == "right" else (errors > 0 and broken != "")
        failed += not good
        print(f"{'ok' if good else 'not ok'} {number} - {name}\n# {states:.0f} states, {errors} errors {broken} {unreached or ''}", flush=True)
    return 1 if failed else 0


sys.exit(main(sys.argv[1:]))
