#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Rigs of the stranger's bench, each calibrated, mapped, made ready and swept twice for real. How often do the stated
95 % intervals hold the truth, and where do they not?

The bench (stranger.h) shares nothing with the program. What it knows of the truth it writes as integrals over bench time,
so the mean over each point's own window is exact. ± is the standard error over rigs: points of one rig share its errors."""
import argparse
import array
import bisect
import concurrent.futures
import json
import math
import os
import pathlib
import statistics
import subprocess
import sys
import tempfile
import time

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parents[1] / "bench"))
import harness  # noqa: E402

STRANGER = os.environ.get("STRANGER_BENCH", str(harness.ROOT / "build" / "tests" / "stranger" / "stranger_bench"))
COLUMNS = ("t", "brake", "flange", "angle", "work_brake", "work", "terminals", "supply", "winding", "cell")
KINDS = {"powder": ("powder", "quad"), "hysteresis": ("hysteresis", "quad"),
         "powder-single": ("powder", "single"), "hysteresis-single": ("hysteresis", "single")}
# name in the program's output, and the truth that it is held against
QUANTITIES = {"torque (brake)": ("torque_Nm", "torque_brake"), "torque (flange)": ("torque_Nm", "torque_flange"),
              "speed": ("speed_rpm", "speed"), "input power": ("input_power_W", "input"),
              "efficiency (flange)": ("efficiency", "efficiency")}


class Truth:
    """Means over a window, from the integrals in truth.bin."""

    def __init__(self, path):
        data = array.array("d")
        data.frombytes(path.read_bytes())
        self.column = {name: data[i::len(COLUMNS)] for i, name in enumerate(COLUMNS)}

    def at(self, name, t):
        times, column = self.column["t"], self.column[name]
        i = min(max(bisect.bisect_right(times, t), 1), len(times) - 1)
        share = (t - times[i - 1]) / (times[i] - times[i - 1])
        return column[i - 1] + share * (column[i] - column[i - 1])

    def mean(self, name, begin, end):
        return (self.at(name, end) - self.at(name, begin)) / (end - begin)

    def point(self, begin, end):
        power = self.mean("terminals", begin, end)
        return {"torque_brake": self.mean("brake", begin, end), "torque_flange": self.mean("flange", begin, end),
                "speed": self.mean("angle", begin, end) * 30 / math.pi, "input": power,
                "efficiency": self.mean("work", begin, end) / power, "supply": self.mean("supply", begin, end)}


class Rig:
    """A bench folder that the stranger serves."""

    def __init__(self, kind, seed, effects=(), edit=None):
        self.home = tempfile.TemporaryDirectory(prefix="stranger-")
        self.folder = pathlib.Path(self.home.name)
        brake, pick = KINDS[kind]
        base = [STRANGER, "--folder", self.folder, "--kind", brake, "--pick", pick, "--seed", str(seed)]
        subprocess.run([*base, "--papers"], check=True)
        if edit:
            edit(self.folder)
        self.process = subprocess.Popen([*base, *(f"--effect={e}" for e in effects)], stdin=subprocess.DEVNULL,
                                        stdout=subprocess.DEVNULL)
        harness.wait_for((self.folder / "control.sock").exists, 10, "the stranger's bench")

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.stop()
        self.home.cleanup()

    def stop(self):
        if self.process.poll() is None:
            self.process.terminate()
            self.process.wait(20)

    def command(self, *args):
        return [harness.BRIDLE, *args, "--bench", self.folder, "--json"]

    def run(self, *args):
        return harness.run(*args, "--bench", self.folder, "--json", timeout=600)

    def must(self, *args):
        result = self.run(*args)
        if result.status != 0:
            raise AssertionError(f"bridle {' '.join(args)}: {result!r}")
        return json.loads(result.out)


def write_lines(path, lines):
    """Each "SECTION KEY = VALUE" into its section of a profile."""
    text = path.read_text()
    for line in lines:
        section, key = line.split(" ", 1)
        assert f"[{section}]\n" in text, line
        text = text.replace(f"[{section}]\n", f"[{section}]\n{key}\n")
    path.write_text(text)


def one_rig(task):
    """Rows (dicts) of all points of both sweeps, or the words of a refusal."""
    kind, seed, effects, lines = task
    with Rig(kind, seed, effects, lambda folder: write_lines(folder / "rig.ini", lines)) as rig:
        try:
            rig.must("hang", "--hands")
            rig.must("map", "--actuator", "turner")
            ready = rig.run("ready", "twelve", "--hands", "--answers", "yes")
            forced = [] if ready.status == 0 else ["--forced", "study"]
            sweeps = [rig.must("sweep", "twelve", *forced) for _ in range(2)]
        except AssertionError as wrong:
            return kind, seed, str(wrong), []
        rig.stop()
        truth = Truth(rig.folder / "truth.bin")
        rows = []
        for n, sweep in enumerate(sweeps, 1):
            for i, point in enumerate(sweep["points"]):
                true = truth.point(point["begin_s"], point["end_s"])
                rows.append({"kind": kind, "seed": seed, "sweep": n, "index": i, "way": point["direction"], "limit": point["limit"],
                             "settled": point["settled"], "true": true,
                             "point": {k: v for k, v in point.items() if isinstance(v, (int, float))}})
        return kind, seed, "" if not forced else "not ready: " + json.loads(ready.out).get("message", ready.out[-300:]), rows


def judged(rows, quantity):
    """(row, value, u, U, truth) of the rows that have this quantity."""
    name, against = QUANTITIES[quantity]
    for row in rows:
        value, u, expanded = (row["point"].get(p + name) for p in ("", "u_", "U_"))
        if value is not None and u:
            yield row, value, u, expanded, row["true"][against]


def figures(rows, quantity):
    """Share covered in %, its standard error over rigs, mean error in u, rms error in u, mean U over the U that 95 % of these errors need."""
    by_rig, errors, widths = {}, [], []
    for row, value, u, expanded, true in judged(rows, quantity):
        by_rig.setdefault((row["kind"], row["seed"]), []).append(abs(value - true) <= expanded)
        errors.append((value - true) / u)
        widths.append(expanded / u)
    if not errors:
        return None
    shares = [100 * statistics.fmean(s) for s in by_rig.values()]
    sure = statistics.stdev(shares) / math.sqrt(len(shares)) if len(shares) > 1 else math.nan
    needed = sorted(abs(e) for e in errors)[min(len(errors) - 1, math.ceil(0.95 * len(errors)) - 1)]
    return (statistics.fmean(shares), sure, statistics.fmean(errors), math.sqrt(statistics.fmean(e * e for e in errors)),
            statistics.fmean(widths) / needed, len(errors))


def print_tables(rows):
    print(f"{'kind':<18} {'sweep':>5} {'quantity':<20} {'covered':>16} {'mean/u':>7} {'rms/u':>6} {'U/needed':>8} {'points':>6}")
    for kind in KINDS:
        for sweep in (1, 2):
            mine = [r for r in rows if r["kind"] == kind and r["sweep"] == sweep]
            for quantity in QUANTITIES:
                f = figures(mine, quantity)
                if f:
                    print(f"{kind:<18} {sweep:>5} {quantity:<20} {f[0]:>6.1f} ± {f[1]:>4.1f} % {f[2]:>+7.2f} {f[3]:>6.2f} {f[4]:>8.2f} {f[5]:>6}")
    print("\nby point of the sweep, torque (brake): covered %, mean error / u, rms error / u, U/needed, mean U / N·m, mean error / N·m")
    for kind in KINDS:
        for sweep in (1, 2):
            for index in range(12):
                mine = [r for r in rows if r["kind"] == kind and r["sweep"] == sweep and r["index"] == index]
                f = figures(mine, "torque (brake)")
                if f:
                    widths = [x[3] for x in judged(mine, "torque (brake)")]
                    error = [x[1] - x[4] for x in judged(mine, "torque (brake)")]
                    print(f"{kind:<18} {sweep} {index + 1:>2} {mine[0]['way']:<8} {f[0]:>6.1f} {f[2]:>+6.2f} {f[3]:>6.2f} {f[4]:>6.2f}"
                          f" {statistics.fmean(widths):>8.4f} {statistics.fmean(error):>+8.4f}")


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    parser.add_argument("--rigs", type=int, default=48, help="of each kind")
    parser.add_argument("--first", type=int, default=1, help="first seed")
    parser.add_argument("--kinds", nargs="+", default=list(KINDS), choices=list(KINDS))
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--effect", action="append", default=[], metavar="NAME=FACTOR")
    parser.add_argument("--line", action="append", default=[], metavar='"SECTION KEY = VALUE"', help="a further line in rig.ini")
    parser.add_argument("--points", default=os.devnull, help="write all points to this file, a JSON document a line")
    parser.add_argument("--table", metavar="FILE", help="run nothing: the tables of a file that --points wrote")
    options = parser.parse_args()
    if options.table:
        print_tables([json.loads(line) for line in open(options.table)])
        return
    tasks = [(kind, seed, options.effect, options.line) for seed in range(options.first, options.first + options.rigs) for kind in options.kinds]
    rows, begun = [], time.monotonic()
    with concurrent.futures.ThreadPoolExecutor(options.jobs) as pool, open(options.points, "w") as file:
        for kind, seed, words, found in pool.map(one_rig, tasks):
            rows += found
            file.writelines(json.dumps(row) + "\n" for row in found)
            file.flush()
            if words:
                print(f"# {kind} {seed}: {words if found else words[-1500:]}", flush=True)
    print(f"# {len(tasks)} rigs, seeds {options.first} to {options.first + options.rigs - 1}, {time.monotonic() - begun:.0f} s")
    print_tables(rows)


if __name__ == "__main__":
    main()
