# SPDX-License-Identifier: GPL-3.0-or-later
"""The rigs of the campaign: a bench folder each, calibrated, mapped and made ready, and when a sweep of it is where."""
import concurrent.futures
import os
import shutil
import sys

import judge
from short_sweep import PLAN, SPEED, harness, newest_run, prepare, query

sys.path.insert(0, str(harness.ROOT / "tests" / "bench"))
import kinds  # noqa: E402
import indicator  # noqa: E402
import settable_supply  # noqa: E402
import text_drive  # noqa: E402

SHIM = os.environ.get("FAILCALL", str(harness.ROOT / "build" / "tests" / "faults" / "libfailcall.so"))
assert os.path.exists(SHIM), f"no {SHIM}: ninja -C build makes it"
PHASES = ["zero", "no load", "loaded", "falling", "stop"]
RIGS = {"light powder": ("0.02", "powder"), "heavy powder": ("1.2", "powder"), "light hysteresis": ("0.02", "hysteresis"),
        "heavy hysteresis": ("1.2", "hysteresis")}
WEIGHTS = [3, 3, 1, 1]  # the zero of a hysteresis brake takes three times as long
# One case in eight a drive and a supply with lines of their own, under the warden; one in sixteen a weight indicator for the cell, on a line
# of its own; one in sixteen a drive in current mode, which runs away where the brake lets go.
TURNS = {"light own lines": ("0.02", "own lines", 8, 5), "light gauge": ("0.02", "gauge", 16, 3), "light current": ("0.02", "current", 16, 11)}
TORQUES = {"current": "2, 6, 12"}  # without load it would turn as fast as it can; others: "0, 6, 12"
DRIVES = {"current": "current\ncurrent = 4 A"}
SEED = 9  # of the bench: one, so that each phase of the sweep has its time
COARSE = ("--step", "100")  # microseconds of its physics: half the work; the stiffest spring swings in 9 ms


def parts_of(name):
    """(inertia of the rotor in kg.m2, what is prepared for it) of a rig."""
    return TURNS[name][:2] if name in TURNS else RIGS[name]


def of_seed(chance, seed):
    """The rig of a case: drawn, but for those that have their turn."""
    drawn = chance.choices(list(RIGS), WEIGHTS)[0]
    turns = [name for name, (_, _, of, rest) in TURNS.items() if seed % of == rest]
    return turns[-1] if turns else drawn


class Rig:
    """A folder to copy, and when a sweep of it is where: bench times in s, calls of each kind in one sweep."""

    def __init__(self, home, name, brakes):
        inertia, brake = parts_of(name)
        self.folder = home / name.replace(" ", "-")
        shutil.copytree(brakes[brake], self.folder)
        kinds.set_key(self.folder / "virtual.ini", "brake", "inertia", f"{inertia} kg.m2")
        # or a heavy rotor that is slowed down lifts the bus beyond the supply's range, which is a cause of its own
        kinds.set_key(self.folder / "virtual.ini", "drive", "chopper", "52 V")
        with harness.Bench(SEED, example=self.folder, options=COARSE) as bench:
            file = bench.folder / "calls"
            done = bench.run("sweep", PLAN, env={"LD_PRELOAD": SHIM, "FAIL_COUNT": str(file), "ASAN_OPTIONS": "verify_asan_link_order=0"})
            assert done.status == 0, (name, done)
            self.calls = {kind: int(n) for kind, n in (line.split() for line in file.read_text().splitlines())}
            run = newest_run(bench.folder)
            events = query(bench.folder, "SELECT mono_ns * 1e-9, kind, text FROM event WHERE run_id = ? ORDER BY mono_ns", run)
            self.end_s = judge.truth(bench.folder)[-1]["t_s"]
            zeros = query(bench.folder, "SELECT begin_ns * 1e-9, end_ns * 1e-9 FROM point WHERE run_id = ? AND flags & 8 ORDER BY end_ns", run)
        idle = [t for t, kind, text in events if kind == "node" and text.startswith("idle")]
        steps = [(t, text) for t, kind, text in events if kind == "step"]
        at = {way: [t for t, text in steps if way in text] for way in ("step 1 rising", "step 2 rising", "step 3 rising", "falling")}
        assert all(at.values()), f"{name}: a step was left out: {done}"
        loops_end = next(t for t in idle if t > steps[-1][0])
        self.window = {"zero": (zeros[0][0] - 1, max(end for _, end in zeros if end < steps[0][0]) - 0.1),
                       "no load": (at["step 1 rising"][0] + 0.3, at["step 2 rising"][0]),
                       "loaded": (at["step 3 rising"][0] + 0.7, at["falling"][0]),
                       "falling": (at["falling"][0] + 0.1, loops_end - 0.2)}
        self.window["stop"] = (at["step 2 rising"][0] + 0.7, loops_end - 1)


def even(folder):
    """A hysteresis brake without frozen poles, for which a zero waits for minutes."""
    kinds.BRAKES["hysteresis"](folder)
    kinds.set_key(folder / "virtual.ini", "brake", "cogging", "0")


def patient(folder):
    """Or the load of a heavy rotor stands at 94.9 % when its time is over, and heavier steps are left out."""
    kinds.set_key(folder / "plans" / f"{PLAN}.ini", "steady", "timeout", "1.5 s")


def gauge(folder):
    """Its filter of 0.15 s makes the loop slow."""
    indicator.add(folder)
    kinds.set_key(folder / "plans" / f"{PLAN}.ini", "steady", "timeout", "2 s")


def own_lines(folder):
    text_drive.add(folder)
    settable_supply.add(folder)


def make(home, names, jobs):
    """By name. Each brake is calibrated and mapped once, with the light rotor: its map does not know what it turns."""
    brakes = sorted({parts_of(name)[1] for name in names})
    edits = {"hysteresis": even, "powder": patient, "own lines": own_lines, "gauge": gauge}

    def prepared(brake):
        return prepare(home, brake.replace(" ", "-"), torque=TORQUES.get(brake, "0, 6, 12"), drive=DRIVES.get(brake, SPEED), down="yes",
                       edit=edits.get(brake), options=COARSE)
    with concurrent.futures.ThreadPoolExecutor(jobs) as pool:
        made = dict(zip(brakes, pool.map(prepared, brakes)))
        return dict(zip(names, pool.map(lambda name: Rig(home, name, made), names)))
