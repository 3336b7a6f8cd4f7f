#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""I10a: every point that was announced is on the disk, whenever the program is killed and however slow the disk is. On a bench
clock seconds of the run pass in milliseconds, so points come faster than a slow disk takes them."""
import os
import re
import signal
import tempfile

from short_sweep import PLAN, harness, newest_run, points_of, prepare, query

SHIM = os.environ["SLOWDISK"]
DIRECTION = {"rising": 1, "falling": -1}


def told_in(text):
    """As in "step 2 rising: commanded ..."; a line that the kill cut in two says nothing."""
    found = re.findall(r"step (\d+) (rising|falling): commanded .*", text)
    return [(int(step), DIRECTION[way]) for step, way in found]


def killed_after(prepared, told_before, slow_ms):
    env = {**os.environ, "LD_PRELOAD": SHIM, "SLOW_DISK_MS": str(slow_ms), "ASAN_OPTIONS": "verify_asan_link_order=0"}
    with harness.Bench(9, example=prepared) as bench:
        sweep = harness.subprocess.Popen([harness.BRIDLE, "sweep", PLAN, "--bench", str(bench.folder)], env=env, text=True,
                                         stdin=harness.subprocess.DEVNULL, stdout=harness.subprocess.DEVNULL,
                                         stderr=harness.subprocess.PIPE)
        text = ""
        for line in sweep.stderr:
            text += line
            if len(told_in(text)) >= told_before:
                break
        sweep.send_signal(signal.SIGKILL)
        text += sweep.stderr.read()
        assert sweep.wait() == -signal.SIGKILL, f"ended before it was killed: {text}"
        told, kept = told_in(text), points_of(bench.folder, newest_run(bench.folder))
        assert len(told) >= told_before and told == kept[:len(told)], f"told {told}, on the disk {kept}"


def answered(prepared, slow_ms):
    """The JSON of a sweep tells points too: killed at its first byte, all of them and the run's end are on the disk."""
    def test():
        env = {**os.environ, "LD_PRELOAD": SHIM, "SLOW_DISK_MS": str(slow_ms), "ASAN_OPTIONS": "verify_asan_link_order=0"}
        with harness.Bench(9, example=prepared) as bench:
            sweep = harness.subprocess.Popen([harness.BRIDLE, "sweep", PLAN, "--json", "--bench", str(bench.folder)], env=env,
                                             stdin=harness.subprocess.DEVNULL, stdout=harness.subprocess.PIPE,
                                             stderr=harness.subprocess.DEVNULL)
            begun = sweep.stdout.read(1)
            sweep.send_signal(signal.SIGKILL)
            text = begun + sweep.stdout.read()
            sweep.wait()
            run = newest_run(bench.folder)
            told = len(re.findall(rb'"begin_s"', text))
            assert begun == b"{" and told <= len(points_of(bench.folder, run)) == 7, (told, points_of(bench.folder, run))
            assert query(bench.folder, "SELECT outcome FROM run_end WHERE run_id = ?", run) == [("done",)]
    test.__name__ = f"the answer as JSON with a disk of {slow_ms} ms"
    return test


def case(prepared, told_before, slow_ms):
    def test():
        killed_after(prepared, told_before, slow_ms)
    test.__name__ = f"killed after point {told_before} with a disk of {slow_ms} ms"
    return test


with tempfile.TemporaryDirectory(prefix="bridle-") as home:
    folder = prepare(home, torque="0, 5, 10, 15", down="yes")
    harness.main(*[case(folder, *row) for row in ((1, 0), (1, 200), (4, 200), (2, 1000))], answered(folder, 200))
