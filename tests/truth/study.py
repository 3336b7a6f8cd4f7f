#!/usr/bin/env python3
"""The truth study: many virtual rigs whose errors are drawn within their stated uncertainties, each calibrated,
mapped and swept for real. How often do the stated 95 % intervals cover the truth?

Points of one rig share its errors, so how sure the coverage itself is comes from the rigs: the standard error is
that of the mean of the rigs' own shares (a cluster of points counts once).

The control states an arm uncertainty that is smaller than the truth: the study must see such a lie."""
import argparse
import bisect
import concurrent.futures
import csv
import math
import pathlib
import re
import statistics
import sys

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parents[1] / "bench"))
import harness  # noqa: E402

QUANTITIES = ("torque_Nm", "speed_rpm", "shaft_power_W", "efficiency")


class Truth:
    """Means over a window from the cumulative integrals that the bench wrote."""

    def __init__(self, path):
        with open(path) as file:
            rows = csv.DictReader(line for line in file if not line.startswith("#"))
            self.columns = {name: [] for name in rows.fieldnames}
            for row in rows:
                for name, value in row.items():
                    try:
                        self.columns[name].append(float(value))
                    except (TypeError, ValueError):
                        self.columns[name].append(math.nan)
        self.t = self.columns["t_s"]

    def at(self, name, t):
        i = min(max(bisect.bisect_right(self.t, t), 1), len(self.t) - 1)
        share = (t - self.t[i - 1]) / (self.t[i] - self.t[i - 1])
        column = self.columns[name]
        return column[i - 1] + share * (column[i] - column[i - 1])

    def mean(self, name, begin, end):
        return (self.at(name, end) - self.at(name, begin)) / (end - begin)

    def point(self, begin, end):
        torque = self.mean("int_torque_Nms", begin, end)
        speed = self.mean("int_speed_rad", begin, end) * 30 / math.pi
        shaft = self.mean("int_work_J", begin, end)
        electric = self.mean("int_electric_J", begin, end)
        return {"torque_Nm": torque, "speed_rpm": speed, "shaft_power_W": shaft,
                "efficiency": shaft / electric if electric else math.nan}


def short_plan(folder):
    """A rig in seconds."""
    (folder / "plans" / "truth.ini").write_text(
        re.sub(r"(?m)^torque *=.*$", "torque = 5, 15, 25, 35 N.m",
               re.sub(r"(?m)^(dwell|window) *=.*$", r"\1 = 3 s",
                      (folder / "plans" / "lock-sweep.ini").read_text())))


def arm_times(folder, factor):
    """Multiply the uncertainty of the calibration arm that rig.ini states."""
    path = folder / "rig.ini"
    text, n = re.subn(r"(?m)^(length *= *[0-9.]+ mm ± )([0-9.]+)( mm.*)$",
                      lambda m: f"{m[1]}{float(m[2]) * factor:g}{m[3]}", path.read_text())
    assert n == 1, "no arm length in rig.ini"
    path.write_text(text)


def one_rig(args):
    seed, arm_lie = args

    def edit(folder):
        short_plan(folder)
        arm_times(folder, 1 / arm_lie)

    with harness.Bench(seed, edit=edit) as bench:
        harness.wait_for(lambda: (bench.folder / "run" / "truth.json").exists(), 10, "the bench to draw its truth")
        arm_times(bench.folder, arm_lie)  # the bench has drawn: only the controller believes it
        bench.must("hang", "--hands")
        bench.must("map", "--actuator", "paddle-winder")
        bench.must("ready", "truth", "--hands", "--answers", "yes")
        swept = bench.must("sweep", "truth")
        bench.stop()
        truth = Truth(bench.folder / "run" / "truth.csv")
        rows = []
        for point in swept["points"]:
            true = truth.point(point["begin_s"], point["end_s"])
            for quantity in QUANTITIES:
                value, u, expanded = point[quantity], point["u_" + quantity], point["U_" + quantity]
                if quantity == "efficiency" and value is None:
                    continue  # left out where a power is lost in its uncertainty
                assert value is not None and u is not None, (seed, quantity, point)
                rows.append((seed, point["step"], point["direction"], quantity, value, u, expanded / u, true[quantity]))
        return rows


def judge(rows):
    """Prints coverage per quantity; gives it in %."""
    covered = {}
    print(f"{'quantity':<15} {'rigs':>5} {'points':>7} {'covered':>9} {'± (rigs)':>9} {'mean width':>11} {'rms error / u':>14}")
    for quantity in QUANTITIES:
        mine = [row for row in rows if row[3] == quantity]
        shares = {}
        for seed, _, _, _, value, u, k, true in mine:
            shares.setdefault(seed, []).append(abs(value - true) <= k * u)
        per_rig = [100 * sum(s) / len(s) for s in shares.values()]
        covered[quantity] = statistics.fmean(per_rig)
        sure = statistics.stdev(per_rig) / math.sqrt(len(per_rig)) if len(per_rig) > 1 else math.nan
        width = statistics.fmean(2 * k * u / abs(true) for _, _, _, _, _, u, k, true in mine if true)
        pull = math.sqrt(statistics.fmean(((value - true) / u) ** 2 for _, _, _, _, value, u, _, true in mine))
        print(f"{quantity:<15} {len(per_rig):>5} {len(mine):>7} {covered[quantity]:>8.2f}% {sure:>8.2f}% {100 * width:>10.3f}% {pull:>14.2f}")
    return covered


def study(options, arm_lie):
    """All rigs; their rows."""
    rows = []
    seeds = range(options.first, options.first + options.rigs)
    with concurrent.futures.ThreadPoolExecutor(options.jobs) as pool:
        for done, result in enumerate(pool.map(one_rig, ((seed, arm_lie) for seed in seeds)), 1):
            rows += result
            print(f"# {done} of {options.rigs} rigs", file=sys.stderr, flush=True)
    print(f"seeds {seeds[0]} to {seeds[-1]}, arm uncertainty stated {arm_lie:g} times as large as it is")
    return rows


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    parser.add_argument("--rigs", type=int, default=400)
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--band", type=float, nargs=2, default=(93, 97), help="coverage in %% that is right, for each quantity")
    parser.add_argument("--control", type=float, metavar="FACTOR",
                        help="a second time, on rigs whose arm is 1/FACTOR times as uncertain as their profile states: coverage must fall")
    parser.add_argument("--points", help="write all points to this CSV file")
    options = parser.parse_args()
    rows = study(options, 1)
    if options.points:
        with open(options.points, "w", newline="") as file:
            writer = csv.writer(file)
            writer.writerow(("seed", "step", "direction", "quantity", "value", "u", "k", "truth"))
            writer.writerows(rows)
    covered = judge(rows)
    good = all(options.band[0] <= share <= options.band[1] for share in covered.values())
    print("coverage inside" if good else "coverage OUTSIDE", f"the band {options.band[0]:g} to {options.band[1]:g} %")
    if options.control:
        fell = judge(study(options, options.control))
        falls = all(fell[quantity] < covered[quantity] - 3 for quantity in ("torque_Nm", "shaft_power_W"))
        print("the lie is seen" if falls else "the lie is NOT seen: coverage of torque and power fell by less than 3 points")
        good = good and falls
    sys.exit(0 if good else 1)


if __name__ == "__main__":
    main()
