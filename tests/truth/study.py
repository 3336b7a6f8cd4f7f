#!/usr/bin/env python3
"""The truth study: many virtual rigs whose errors are drawn within their stated uncertainties and beside them (strays that no
profile states), each calibrated, mapped, made ready and swept twice for real. How often do the stated 95 % intervals cover the truth?

Rigs of all kinds take turns: powder and hysteresis brake, quadrature pick-up and one tooth sensor. Every other round of them states what
the bearing outside the cradle drags: torque is then judged at the output flange, else at the brake, which is all that a cell on its
cradle can know.

Points of one rig share its errors, so how sure the coverage itself is comes from the rigs: the standard error is
that of the mean of the rigs' own shares (a cluster of points counts once).

"needed" is the factor on all U of a group at which they would hold just 95 % of the truths: below 1 they are too wide, above 1 too
narrow. Its ± is from drawing the rigs anew (bootstrap of clusters: Davison and Hinkley, 1997, 3.8). Width over need is its inverse.

The control states an arm uncertainty that is smaller than the truth: the study must see such a lie."""
import argparse
import bisect
import collections
import concurrent.futures
import csv
import math
import pathlib
import random
import re
import statistics
import sys

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parents[1] / "bench"))
import harness  # noqa: E402
import kinds  # noqa: E402

# What is judged: the point's figure, and the truth about it where the profile states the drag outside the cradle (the figure is then
# that of the output flange) and where it does not (the brake's).
QUANTITIES = {
    "torque": ("torque_Nm", "flange_Nm", "brake_Nm"),
    "speed": ("speed_rpm", "speed_rpm", "speed_rpm"),
    "input power": ("input_power_W", "input_W", "input_W"),
    "shaft power": ("shaft_power_W", "flange_W", "brake_W"),
    "efficiency": ("efficiency", "flange_efficiency", "brake_efficiency"),
}
OUTSIDE_DRAG = "0.02 N.m ± 0.004 N.m normal"  # as [coupling] bearing of virtual.ini is drawn
KINDS = [f"{brake}/{pickup}" for brake in kinds.BRAKES for pickup in kinds.PICKUPS]


class Truth:
    """Means over a window from the cumulative integrals that the bench wrote."""

    def __init__(self, folder):
        rows = harness.truth_rows(folder)
        self.columns = {name: [float(row[name]) for row in rows] for name in rows[0] if name == "t_s" or name.startswith("int_")}
        self.t = self.columns["t_s"]

    def at(self, name, t):
        i = min(max(bisect.bisect_right(self.t, t), 1), len(self.t) - 1)
        share = (t - self.t[i - 1]) / (self.t[i] - self.t[i - 1])
        column = self.columns[name]
        return column[i - 1] + share * (column[i] - column[i - 1])

    def mean(self, name, begin, end):
        return (self.at(name, end) - self.at(name, begin)) / (end - begin)

    def point(self, begin, end):
        mean = {name: self.mean(name, begin, end) for name in self.columns if name != "t_s"}
        electric = mean["int_electric_J"] or math.nan
        return {"brake_Nm": mean["int_brake_Nms"], "flange_Nm": mean["int_torque_Nms"],
                "speed_rpm": mean["int_speed_rad"] * 30 / math.pi, "input_W": electric,
                "brake_W": mean["int_brake_work_J"], "flange_W": mean["int_work_J"],
                "brake_efficiency": mean["int_brake_work_J"] / electric, "flange_efficiency": mean["int_work_J"] / electric}


class Row:
    """One figure of one point."""

    def __init__(self, rig, sweep, point, name, true):
        figure = QUANTITIES[name][0]
        self.seed, self.kind, self.plane = rig.seed, rig.kind, "at the flange" if rig.flange else "at the brake"
        self.sweep, self.name, self.true = sweep, name, true
        self.step, self.branch = point["step"], "repeat" if point["repeat"] else point["direction"]
        self.value, self.u, self.expanded = point[figure], point["u_" + figure], point["U_" + figure]
        self.settled = point["settled"]

    @property
    def miss(self):
        """Error over U: covered within 1."""
        return abs(self.value - self.true) / self.expanded


def short_plan(folder):
    """A rig in seconds."""
    (folder / "plans" / "truth.ini").write_text(
        re.sub(r"(?m)^torque *=.*$", "torque = 5, 15, 25, 35 N.m",
               re.sub(r"(?m)^(dwell|window) *=.*$", r"\1 = 3 s",
                      (folder / "plans" / "lock-sweep.ini").read_text().replace("claims = yes\n", ""))))


def arm_times(folder, factor):
    """Multiply the uncertainty of the calibration arm that rig.ini states."""
    path = folder / "rig.ini"
    text, n = re.subn(r"(?m)^(length *= *[0-9.]+ mm ± )([0-9.]+)( mm.*)$",
                      lambda m: f"{m[1]}{float(m[2]) * factor:g}{m[3]}", path.read_text())
    assert n == 1, "no arm length in rig.ini"
    path.write_text(text)


Rig = collections.namedtuple("Rig", "seed kind flange arm_lie supply")
SUPPLY = "\n[instrument psu]\nkind = supply\nlink = unix:run/psu.sock\nroles = meter\n"


def one_rig(rig):
    """Rows of a rig, or the words of what failed on it."""
    try:
        return rows_of_rig(rig)
    except Exception as failure:  # a study of hours goes on without one rig, and tells it
        return f"seed {rig.seed}, {rig.kind}: {failure!r}"


def rows_of_rig(rig):

    def edit(folder):
        short_plan(folder)
        kinds.edit(*rig.kind.split("/"))(folder)
        if rig.flange:
            kinds.set_key(folder / "rig.ini", "brake", "outside_drag", OUTSIDE_DRAG)
        arm_times(folder, 1 / rig.arm_lie)
        if rig.supply:
            with open(folder / "rig.ini", "a", encoding="utf-8") as file:
                file.write(SUPPLY)

    with harness.Bench(rig.seed, edit=edit) as bench:
        harness.wait_for(lambda: (bench.folder / "run" / "truth.json").exists(), 60, "the bench to draw its truth")
        arm_times(bench.folder, rig.arm_lie)  # the bench has drawn: only the controller believes it
        swept = []
        for command in (("hang", "--hands"), ("map", "--actuator", "paddle-winder"), ("ready", "truth", "--hands", "--answers", "yes"),
                        ("sweep", "truth"), ("sweep", "truth")):
            result = bench.run(*command, "--json", timeout=1200)
            if result.status != 0:
                return f"seed {rig.seed}, {rig.kind}: {command[0]}: {(result.out + result.err)[-300:]}"
            if command[0] == "sweep":
                swept.append(result.json)
        bench.stop()
        truth = Truth(bench.folder)
    rows = []
    for sweep, run in enumerate(swept, 1):
        for point in run["points"]:
            true = truth.point(point["begin_s"], point["end_s"])
            for name, (figure, flange, brake) in QUANTITIES.items():
                if figure == "efficiency" and point[figure] is None:
                    continue  # left out where a power is lost in its uncertainty
                assert point[figure] is not None and point["u_" + figure] is not None, (rig, figure, point)
                rows.append(Row(rig, sweep, point, name, true[flange if rig.flange else brake]))
    return rows


def quantile(values, share):
    """Type 8 of Hyndman and Fan, Am. Stat. 50 (1996) 361: median-unbiased."""
    values = sorted(values)
    h = (len(values) + 1 / 3) * share + 1 / 3
    i = min(max(int(h), 1), len(values) - 1)
    return values[i - 1] + min(h - i, 1) * (values[i] - values[i - 1])


def needed(rows, draws=100):
    """Factor on U that would hold just 95 %, and its standard error by rigs."""
    by_rig = {}
    for row in rows:
        by_rig.setdefault(row.seed, []).append(row.miss)
    rigs, dice = list(by_rig.values()), random.Random(1)
    sample = [quantile([miss for rig in dice.choices(rigs, k=len(rigs)) for miss in rig], 0.95) for _ in range(draws)]
    return quantile([row.miss for row in rows], 0.95), statistics.stdev(sample)


def line(label, rows):
    """Print one group; its coverage in %."""
    shares = {}
    for row in rows:
        shares.setdefault(row.seed, []).append(row.miss <= 1)
    per_rig = [100 * sum(s) / len(s) for s in shares.values()]
    covered = statistics.fmean(per_rig)
    sure = statistics.stdev(per_rig) / math.sqrt(len(per_rig)) if len(per_rig) > 1 else math.nan
    width = statistics.fmean(2 * row.expanded / abs(row.true) for row in rows)
    pull = math.sqrt(statistics.fmean(((row.value - row.true) / row.u) ** 2 for row in rows))
    bias = statistics.fmean((row.value - row.true) / row.u for row in rows)
    need, need_u = needed(rows) if len(rows) > 10 else (math.nan, math.nan)
    print(f"{label:<40} {len(per_rig):>4} {len(rows):>6} {covered:>7.2f} ±{sure:>5.2f} % {100 * width:>8.3f} % {pull:>7.2f} "
          f"{bias:>+7.2f} {need:>7.2f} ±{need_u:>5.2f}")
    return covered


def judge(rows, details):
    """Prints all tables; gives the coverage of each quantity in %."""
    head = (f"{'':<40} {'rigs':>4} {'points':>6} {'covered, ± by rigs':>16} {'width':>10} {'rms/u':>7} {'mean/u':>7} "
            f"{'needed':>7}")
    print(head)
    covered = {name: line(name, [row for row in rows if row.name == name]) for name in QUANTITIES}
    if not details:
        return covered
    for title, key in (("kind and sweep", lambda row: f"{row.kind}, sweep {row.sweep}"),
                       ("plane", lambda row: row.plane),
                       ("step and branch", lambda row: f"step {row.step}, {row.branch}"),
                       ("settled", lambda row: "settled" if row.settled else "not settled")):
        for name in QUANTITIES:
            groups = {}
            for row in rows:
                if row.name == name:
                    groups.setdefault(key(row), []).append(row)
            if len(groups) > 1:
                print(f"\n{name}, by {title}")
                for group in sorted(groups):
                    line("  " + group, groups[group])
    return covered


def study(options, arm_lie, rigs):
    """All rigs: their rows, and the words of those that failed."""
    rows, failed = [], []
    n = len(options.kinds)
    work = [Rig(options.first + i, options.kinds[i % n], i // n % 2 == 1, arm_lie, options.supply) for i in range(rigs)]
    with concurrent.futures.ThreadPoolExecutor(options.jobs) as pool:
        for done, result in enumerate(pool.map(one_rig, work), 1):
            if isinstance(result, str):
                failed.append(result)
            else:
                rows += result
            print(f"# {done} of {rigs} rigs", file=sys.stderr, flush=True)
    print(f"seeds {work[0].seed} to {work[-1].seed}, arm uncertainty stated {arm_lie:g} times as large as it is")
    for words in failed:
        print(f"FAILED {words}")
    print(f"{len(failed)} of {rigs} rigs did not get through")
    return rows, failed


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    parser.add_argument("--rigs", type=int, default=400)
    parser.add_argument("--first", type=int, default=1, help="seed of the first rig")
    parser.add_argument("--kinds", type=lambda text: text.split(","), default=KINDS, help="brake/pick-up, by commas; all: " + ",".join(KINDS))
    parser.add_argument("--supply", action="store_true",
                        help="volts and amperes by a supply on a line of its own, five times a second, and not by the node")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--band", type=float, nargs=2, default=(93, 97), help="coverage in %% that is right, for each quantity")
    parser.add_argument("--brief", action="store_true", help="no tables by kind, step and branch")
    parser.add_argument("--control", type=float, metavar="FACTOR",
                        help="a second time, on rigs whose arm is 1/FACTOR times as uncertain as their profile states: coverage must fall")
    parser.add_argument("--control-rigs", type=int, help="how many of them; as many as in the study")
    parser.add_argument("--points", help="write all points to this CSV file")
    options = parser.parse_args()
    rows, failed = study(options, 1, options.rigs)
    if options.points:
        with open(options.points, "w", newline="") as file:
            writer = csv.writer(file)
            writer.writerow(("seed", "kind", "plane", "sweep", "step", "branch", "settled", "quantity", "value", "u", "U", "truth"))
            writer.writerows((r.seed, r.kind, r.plane, r.sweep, r.step, r.branch, r.settled, r.name, r.value, r.u, r.expanded, r.true) for r in rows)
    covered = judge(rows, not options.brief)
    good = not failed and all(options.band[0] <= share <= options.band[1] for share in covered.values())
    print("coverage inside" if good else "coverage OUTSIDE", f"the band {options.band[0]:g} to {options.band[1]:g} %")
    if options.control:
        fell = judge(study(options, options.control, options.control_rigs or options.rigs)[0], False)
        falls = all(fell[name] < covered[name] - 3 for name in ("torque", "shaft power"))
        print("the lie is seen" if falls else "the lie is NOT seen: coverage of torque and power fell by less than 3 points")
        good = good and falls
    sys.exit(0 if good else 1)


if __name__ == "__main__":
    main()
