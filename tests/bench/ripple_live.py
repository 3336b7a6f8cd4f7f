#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""`ripple` at the rig: the shaft turned slowly there and back. Shafts out of line push the cradle once a turn by what virtual.ini says,
the brake's drag is in the bench's truth.json: both have to lie within the stated intervals.

    python3 tests/bench/ripple_live.py [RIGS]      # 1 rig; more on demand"""
import cmath
import csv
import itertools
import json
import math
import sys

import harness

RIGS = int(sys.argv[1]) if len(sys.argv) > 1 else 1
ONCE_Nm = 0.3
ASK = ("ripple", "--actuator", "paddle-winder", "--turns", "4", "--hands", "--answers", "yes")


def bent(folder):
    path = folder / "virtual.ini"
    text = path.read_text(encoding="utf-8")
    if "once = 0.03 N.m" in text:
        path.write_text(text.replace("once = 0.03 N.m", f"once = {ONCE_Nm} N.m"), encoding="utf-8")
    else:
        path.write_text(text + f"\n[coupling]\nonce = {ONCE_Nm} N.m\n", encoding="utf-8")


def calibrated(seed, options=()):
    bench = harness.Bench(seed, options, edit=bent)
    bench.start()
    bench.must("hang", "--hands", "--series", "1")
    return bench


def wave(found, order):
    return next(o for o in found["orders"] if abs(o["order"] - order) < 1e-6)


def misses(seed):
    """{figure: error over U}"""
    bench = calibrated(seed)
    try:
        found = bench.must(*ASK, "--pole-pairs", "7", "--out", bench.folder / "turns.csv")
        late = f"{found['lag_s']['value']:.12f} s ± {3**0.5 * found['lag_s']['u']:.12f} s"  # limits are rectangular
        again = bench.must("ripple", "--from", bench.folder / "turns.csv", "--ratio", "36", "--pole-pairs", "7", "--lag", late, "--means")
        # half of a conversion of 80 a second, and nothing to twice that
        assert abs(found["lag_s"]["value"] - 0.5 / 80) < 2e-4 and abs(3**0.5 * found["lag_s"]["u"] - found["lag_s"]["value"]) < 1e-9, found["lag_s"]
        run = bench.must("log", "show", found["run_id"])
        assert run["kind"] == "ripple" and run["outcome"] == "done" and sum(not p["tare"] for p in run["points"]) == 2, run
        assert any(event["text"] == "free_turn: yes" for event in run["events"]), run["events"]
        assert abs(wave(again, 1)["amplitude_Nm"]["value"] - wave(found, 1)["amplitude_Nm"]["value"]) < 1e-9
        assert wave(again, 1)["amplitude_Nm"]["u"] < wave(found, 1)["amplitude_Nm"]["u"], "the cell's own part is missing"
        assert found["turns"] == 4 and abs(found["speed_rpm"] - 5) < 0.05, (found["turns"], found["speed_rpm"])
        assert wave(found, 1)["stands_out"] and not wave(found, 2)["stands_out"] and wave(found, 1)["name"] == "output, once a turn"
        # 80 conversions a second at 5 rpm are 960 a turn: four to a wave of order 240
        assert abs(found["highest_order"] - 240) < 5, found["highest_order"]
        for key in ("rms_Nm", "peak_to_peak_Nm"):
            whole = found[key]
            assert abs(sum(part["u"]**2 for part in whole["budget"]) / whole["u"]**2 - 1) < 1e-9, whole
        assert abs(found["rms_Nm"]["value"] - ONCE_Nm / 2**0.5) < 1.96 * found["rms_Nm"]["u"] + 0.02, found["rms_Nm"]
        hidden = wave(found, 36 * 7 * 6)
        assert not hidden["visible"] and hidden["amplitude_Nm"] is None and 0.5 < hidden["speed_at_most_rpm"] < 2, hidden
        with open(bench.folder / "turns.csv", newline="") as file:
            angles = [float(row["angle (deg)"]) for row in csv.DictReader(file)]
        assert len(angles) == found["rows"] and max(angles) - min(angles) > 4 * 360
        brake = json.loads((bench.folder / "run" / "truth.json").read_text())["virtual"]["brake"]
        drag = brake["drag_Nm"] + brake["drag_speed_Nms_per_rad"] * 5 * math.pi / 30
        amplitude, friction = wave(found, 1)["amplitude_Nm"], found["friction_Nm"]
        return {"amplitude": (amplitude["value"] - ONCE_Nm) / (1.96 * amplitude["u"]), "friction": (friction["value"] - drag) / (1.96 * friction["u"])}
    finally:
        bench.stop()
        bench.home.cleanup()


def what_it_finds_holds_against_the_truth():
    found = [misses(seed) for seed in range(1, RIGS + 1)]
    for figure in ("amplitude", "friction"):
        worst = max(abs(m[figure]) for m in found)
        inside = sum(abs(m[figure]) <= 1 for m in found)
        print(f"# {figure}: {inside} of {RIGS} within U, the worst at {worst:.2f} U")
        assert inside >= (RIGS if RIGS < 20 else 0.9 * RIGS), found


def cogged(folder):
    """A mesh of 0.5 N.m with 24 teeth, and 2 slots with 2 poles that cog by 5 mN.m at the rotor, 0.18 N.m at the output."""
    path = folder / "virtual.ini"
    text = path.read_text(encoding="utf-8")
    for old, new in (("cogging = 0 N.m", "cogging = 5 mN.m"), ("slots = 12", "slots = 2"), ("poles = 14", "poles = 2"), ("mesh = 0 N.m", "mesh = 0.5 N.m"),
                     ("teeth = 72", "teeth = 24")):
        assert text.count("\n" + old + "\n") == 1, old
        text = text.replace("\n" + old + "\n", "\n" + new + "\n")
    path.write_text(text, encoding="utf-8")


def wave_of_speed(path, order):
    """Amplitude over the mean, from three turns of the bench's truth at 5 rpm (ten rows a second): each row's part of the angle is its weight."""
    with open(path, newline="") as file:
        rows = [(float(row["int_speed_rad"]), float(row["speed_rad_per_s"])) for row in csv.DictReader(file)]
    rows = max((list(rows) for turns, rows in itertools.groupby(rows, lambda row: 0.3 < row[1] < 0.8) if turns), key=len)  # the zero is read faster
    rows = [(a, w) for a, w in rows if rows[0][0] + math.pi <= a < rows[0][0] + 7 * math.pi]
    mean = sum(w for _, w in rows) / len(rows)
    parts = [((b - a) * (w - mean), order * a) for (a, w), (b, _) in zip(rows, rows[1:])]
    return math.hypot(sum(part * math.cos(x) for part, x in parts), sum(part * math.sin(x) for part, x in parts)) / (3 * math.pi) / mean


def the_actuators_own_waves_go_into_the_speed():
    """What docs/how-to-ripple.md says of a friction brake: its torque does not follow the speed. So the mesh is in the speed, by more than a
    twentieth of it, and a wave of its name in the cell's torque is within its U of nothing."""
    bench = harness.Bench(5, edit=cogged)
    bench.start()
    try:
        bench.must("hang", "--hands", "--series", "1")
        found = bench.must(*ASK, "--slots", "2", "--teeth", "24")
        orders = json.loads((bench.folder / "run" / "truth.json").read_text())["orders"]
        assert orders == {"cogging": 2 * 36, "mesh": 24}, orders
        mesh = wave_of_speed(bench.folder / "run" / "truth.csv", 24)
        print(f"# order 24: {100 * mesh:.2f} % of the speed; order 25: {100 * wave_of_speed(bench.folder / 'run' / 'truth.csv', 25):.2f} %")
        assert mesh > 0.05 and wave_of_speed(bench.folder / "run" / "truth.csv", 25) < mesh / 10
        for order in orders.values():
            seen = wave(found, order)["amplitude_Nm"]
            assert seen["value"] < 1.96 * seen["u"] and seen["value"] < 0.005, (order, seen)
        assert "gear mesh" in wave(found, 24)["name"] and "slots" in wave(found, 72)["name"], found["orders"]
    finally:
        bench.stop()
        bench.home.cleanup()


DRAG_Nms = 5


def creeping(folder):
    """A brake whose drag follows the speed, 5 N.m.s/rad, and a drive that keeps its speed softly: so the cell sees what the actuator's angle makes. 2 slots and 2
    poles cog by 10 mN.m at the rotor, 0.36 N.m at the output, 72 times in its turn."""
    path = folder / "virtual.ini"
    text = path.read_text(encoding="utf-8")
    for old, new in (("cogging = 0 N.m", "cogging = 10 mN.m"), ("slots = 12", "slots = 2"), ("poles = 14", "poles = 2"), ("speed_gain = 0.06 A.s/rad", "speed_gain = 0.01 A.s/rad"),
                     ("speed_integral = 0.6 A/rad", "speed_integral = 0.03 A/rad"), ("drag_speed = 0.01 N.m.s/rad", f"drag_speed = {DRAG_Nms} N.m.s/rad")):
        assert text.count("\n" + old + "\n") == 1, old
        text = text.replace("\n" + old + "\n", "\n" + new + "\n")
    path.write_text(text, encoding="utf-8")


def creep_of_truth(path, way, order):
    """Of a whole turn at 2 rpm that way: the wave of the speed at the angle (complex, its amplitude), and the mean of the brake's torque."""
    with open(path, newline="") as file:
        rows = [tuple(float(row[key]) for key in ("int_speed_rad", "speed_rad_per_s", "int_brake_Nms", "t_s")) for row in csv.DictReader(file)]
    rows = max((list(rows) for turns, rows in itertools.groupby(rows, lambda row: 0 < way * row[1] < 0.45) if turns), key=len)
    first = rows[0][0] + way * math.pi
    rows = [row for row in rows if 0 <= way * (row[0] - first) < 2 * math.pi]
    mean = sum(row[1] for row in rows) / len(rows)
    wave = sum(abs(b[0] - a[0]) * (a[1] - mean) * cmath.exp(-1j * order * a[0]) for a, b in zip(rows, rows[1:])) / math.pi
    return wave, (rows[-1][2] - rows[0][2]) / (rows[-1][3] - rows[0][3])


def cogging_at_creep_speed_is_told_from_friction():
    """Both ways over the same angles. What the angle makes: half the sum of the truth's waves, which is the drag's share of the cogging; what the way makes:
    half the difference of the brake's mean torques. The one is a sixth of the other, and each lies within its own U."""
    bench = harness.Bench(5, edit=creeping)
    bench.start()
    try:
        bench.must("hang", "--hands", "--series", "1")
        found = bench.must(*ASK[:3], "--turns", "2", *ASK[5:], "--speed", "2 rpm", "--slots", "2")
        (there, held), (back, held_back) = (creep_of_truth(bench.folder / "run" / "truth.csv", way, 72) for way in (1, -1))
        cogging, drag = DRAG_Nms * abs(there + back) / 2, (held - held_back) / 2
        seen, friction = wave(found, 72), found["friction_Nm"]
        amplitude = seen["amplitude_Nm"]
        print(f"# cogging {amplitude['value']:.4f} of {cogging:.4f} N.m, u {amplitude['u']:.4f}; friction {friction['value']:.4f} of {drag:.4f} N.m, u {friction['u']:.4f}")
        assert cogging > 0.2 and seen["stands_out"] and seen["name"] == "slots", (cogging, seen)
        assert abs(amplitude["value"] - cogging) < 1.96 * amplitude["u"] < 0.2 * cogging, (amplitude, cogging)
        assert abs(friction["value"] - drag) < 1.96 * friction["u"] < 0.05 * drag, (friction, drag)
    finally:
        bench.stop()
        bench.home.cleanup()


def what_cannot_be_is_refused_before_anything_moves():
    bench = calibrated(3)
    try:
        rows = (((*ASK, "--speed", "500 rpm"), 2, "of the smallest [limits] speed"),
                ((*ASK, "--speed", "0.01 rpm"), 2, "slower the pick-up takes the shaft"),
                ((*ASK[:3], "--turns", "1", *ASK[5:]), 2, "--turns"),
                ((*ASK, "--torque", "60 N.m"), 2, "which the brake holds"),
                ((*ASK, "--torque", "40 N.m", "--speed", "130 rpm"), 2, "of [brake] slip_power"),
                ((*ASK[:-1], "no"), 1, "was answered no"),
                ((*ASK, "--from", "turns.csv"), 2, "give one of them"))
        for words, status, says in rows:
            done = bench.run(*words, "--json")
            assert done.status == status and says in done.json["message"], (words, done)
        assert not any(run["kind"] == "ripple" and run["samples"] for run in bench.must("log")["runs"])
    finally:
        bench.stop()
        bench.home.cleanup()


if RIGS > 1:
    harness.main(what_it_finds_holds_against_the_truth)
harness.main(what_it_finds_holds_against_the_truth, the_actuators_own_waves_go_into_the_speed, cogging_at_creep_speed_is_told_from_friction, what_cannot_be_is_refused_before_anything_moves)
