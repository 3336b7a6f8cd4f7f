#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""A plan of several speeds and both ways of turning on the virtual bench: order, signs, the zero between the ways, a stop and what
is left of it; and its figures against the bench's truth. On demand over many rigs: speeds.py --rigs 20 --first 5001. A meter's gains and
offsets are one error for all points of a rig, so few rigs tell little of input power and efficiency: speeds.py --rigs 3 --meters 200 --first 5001
sweeps three rigs and puts to their points the meters that 200 other benches have drawn (seeds from 6001)."""
import csv
import json
import pathlib
import signal
import sqlite3
import statistics
import sys

import harness

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parents[1] / "truth"))
import study  # noqa: E402

STEADY = "[steady]\ndwell = {} s\nwindow = 2 s\ntimeout = 15 s\n"
PLAN = "[plan]\nactuator = paddle-winder\nspeed = {}\n\n[steps]\ntorque = {}\n{}\n" + STEADY


def query(bench, text, *values):
    db = sqlite3.connect(f"file:{bench.folder / 'logbook'}?mode=ro", uri=True, timeout=5)
    return db.execute(text, values).fetchall()


def prepared(bench, speeds, torques, more="", dwell=3, plain=True):
    (bench.folder / "plans" / "speeds.ini").write_text(PLAN.format(speeds, torques, more, dwell))
    bench.must("hang", "--hands", *(("--series", "1") if plain else ()))
    bench.must("map", "--actuator", "paddle-winder", *(("--currents", "5") if plain else ()))
    return bench.must("ready", "speeds", "--hands", "--answers", "yes")


def misses(bench, points, figures=("torque", "speed", "input power", "efficiency")):
    """[(figure, error by U)] of every point; torques are those of the brake (the example states no drag outside the cradle)."""
    truth = study.Truth(bench.folder)
    ret = []
    for point in points:
        true = truth.point(point["begin_s"], point["end_s"])
        for figure in figures:
            key, _, of = study.QUANTITIES[figure]
            if figure == "efficiency" and not point["efficiency_valid"]:
                continue
            ret.append((figure, (point[key] - true[of]) / point["U_" + key]))
    return ret


def both_ways_with_a_zero_between():
    with harness.Bench(4) as bench:
        ready = prepared(bench, "60 rpm, 30 rpm, -60 rpm", "0, 10, 20 N.m", "down = no\nrepeat_first = no")
        assert [(step["step"], step["speed_set_rpm"]) for step in ready["forecast"]["steps"]] == \
            [(step, rpm) for rpm in (60, 30, -60) for step in (1, 2, 3)], ready["forecast"]["steps"]
        # the cell was calibrated forward: backward it is less sure
        foretold = {(point["step"], point["speed_set_rpm"]): point["u_torque_Nm"] for point in ready["points"]}
        assert foretold[3, -60] > 1.02 * foretold[3, 60], foretold
        sweep = bench.must("sweep", "speeds")
        points = sweep["points"]
        assert [(point["step"], point["speed_set_rpm"]) for point in points] == [(step, rpm) for rpm in (60, 30, -60) for step in (1, 2, 3)]
        for point in points:
            way = -1 if point["speed_set_rpm"] < 0 else 1
            assert abs(point["speed_rpm"] - point["speed_set_rpm"]) < 0.2 and way * point["torque_Nm"] > 0, point
            assert point["shaft_power_W"] > 0 and point["limit"] == "none", point
        zeros = query(bench, "SELECT min(begin_ns), max(begin_ns) FROM point WHERE run_id = ? AND flags & 8", sweep["run_id"])
        loads = query(bench, "SELECT begin_ns, setpoint_rpm FROM point WHERE run_id = ? AND NOT flags & 8 ORDER BY begin_ns", sweep["run_id"])
        turn = [(a[0], b[0]) for a, b in zip(loads, loads[1:]) if (a[1] < 0) != (b[1] < 0)]
        between = query(bench, "SELECT count(*) FROM point WHERE run_id = ? AND flags & 8 AND begin_ns > ? AND begin_ns < ?",
                              sweep["run_id"], *turn[0])
        assert len(turn) == 1 and between[0][0] >= 3 and zeros[0][0] < loads[0][0], (turn, between)
        found = misses(bench, points)
        inside = sum(abs(miss) <= 1 for _, miss in found)
        assert inside >= 0.8 * len(found), found
        assert max(abs(miss) for _, miss in found) < 2.5, found
        rows = [line.split() for line in bench.run("report", "--no-figures").out.splitlines() if " rising " in line]
        for way in (rows[:len(points)], rows[len(points):]):  # the means, then what another window would differ by
            assert [(int(row[0]), float(row[2])) for row in way] == [(p["step"], p["speed_set_rpm"]) for p in points], rows
        report = bench.must("report", "--no-figures")
        folder = pathlib.Path(report["page"]).parent
        with open(folder / "points.csv") as file:
            rows = list(csv.DictReader(file))
        assert [float(row["speed set (rpm)"]) for row in rows] == [point["speed_set_rpm"] for point in points], rows[0].keys()
        assert "rising at −60 rpm" in pathlib.Path(report["page"]).read_text()


def what_was_stopped_between_two_speeds_goes_on():
    with harness.Bench(4) as bench:
        prepared(bench, "30, 60 rpm", "5, 10 N.m", "down = no\nrepeat_first = no\ninner = speed", dwell=6)
        sweep = bench.popen("sweep", "speeds", "--json")
        loads = "SELECT count(*) FROM point JOIN run ON run.id = run_id WHERE kind = 'sweep' AND flags & 8 = 0"
        harness.wait_for(lambda: query(bench, loads)[0][0] >= 1, 60, "a load point")
        sweep.send_signal(signal.SIGINT)
        out, err = sweep.communicate(timeout=60)
        assert out, (sweep.returncode, err)
        stopped = json.loads(out)
        assert sweep.returncode == 1 and stopped["cause"] == "operator", stopped
        rest = bench.must("sweep", "speeds", "--resume")
        taken = [(point["step"], point["speed_set_rpm"]) for point in rest["points"]]
        assert taken == [(1, 30), (1, 60), (2, 30), (2, 60)], taken


def speeds_that_cannot_be():
    with harness.Bench(4) as bench:
        for speeds, words in (("30, 30 rpm", "twice"), ("0, 30 rpm", "0 does not go with"), ("30, 60", "unit"),
                              ("from 60 to 20 step 20 rpm", "end above the start"), ("1 V", "unit")):
            (bench.folder / "plans" / "speeds.ini").write_text(PLAN.format(speeds, "0, 5 N.m", "", 3))
            result = bench.run("check", "--json")
            assert result.status == 2 and words in result.out, (speeds, result)


def many_rigs(first, n):
    found = []
    for seed in range(first, first + n):
        with harness.Bench(seed) as bench:
            prepared(bench, "20, 40, 60, 80, -50 rpm", "0, 5, 10, 20, 30 N.m",
                     "down = no\nrepeat_first = no", 6, plain=False)
            found += [(seed, *miss) for miss in misses(bench, bench.must("sweep", "speeds")["points"])]
    for figure in sorted({figure for _, figure, _ in found}):
        of = [abs(miss) <= 1 for _, name, miss in found if name == figure]
        # points of one rig share its errors (a meter's gain is one for all of them): the standard error counts rigs, not points
        by_rig = [[abs(miss) <= 1 for seed, name, miss in found if name == figure and seed == one] for one in sorted({row[0] for row in found})]
        share = [100 * sum(rig) / len(rig) for rig in by_rig]
        error = statistics.stdev(share) / len(share) ** 0.5 if len(share) > 1 else float("nan")
        print(f"{figure}: {100 * sum(of) / len(of):.1f} ± {error:.1f} % (by {len(share)} rigs) of {len(of)} points inside U")


def drawn_meter(seed):
    """What a bench of that seed has drawn; it is not swept."""
    with harness.Bench(seed) as bench:
        path = bench.folder / "run" / "truth.json"
        harness.wait_for(lambda: path.exists() and path.read_text().rstrip().endswith("}"), 60, "the bench to draw its truth")
        return json.loads(path.read_text())["rig"]


def with_meter(m, watt, volt):
    """The input power that a bench with that meter would have told."""
    return (volt / m["volt_gain"] + m["volt_offset_V"]) * (watt / volt / m["amp_gain"] + m["amp_offset_A"])


def many_meters(first, rigs, n):
    """Each rig is swept once. What its points would have been with the meters of n other benches: input power, and with it efficiency."""
    meters = [drawn_meter(seed) for seed in range(first + 1000, first + 1000 + n)]
    share = {"input power": [], "efficiency": []}  # by rig, in per cent by meter
    for seed in range(first, first + rigs):
        with harness.Bench(seed) as bench:
            prepared(bench, "20, 40, 60, 80, -50 rpm", "0, 5, 10, 20, 30 N.m", "down = no\nrepeat_first = no", 6, plain=False)
            points = bench.must("sweep", "speeds", timeout=1200)["points"]
            truth = study.Truth(bench.folder)
            rows = [(p, truth.point(p["begin_s"], p["end_s"])) for p in points]
        power, efficiency = [], []
        for m in meters:
            told = [with_meter(m, true["input_W"], p["voltage_V"]) for p, true in rows]
            power.append(100 * statistics.mean(abs(W - true["input_W"]) <= p["U_input_power_W"] for W, (p, true) in zip(told, rows)))
            # U as a share of the efficiency is the same with any meter
            efficiency.append(100 * statistics.mean(abs(p["shaft_power_W"] / W - true["brake_efficiency"]) <= p["U_efficiency"] / p["efficiency"] * p["shaft_power_W"] / W
                                                    for W, (p, true) in zip(told, rows) if p["efficiency_valid"]))
        share["input power"].append(power)
        share["efficiency"].append(efficiency)
        print(f"rig {seed}: input power {statistics.mean(power):.1f} %, efficiency {statistics.mean(efficiency):.1f} % inside U over the meters", flush=True)
    for name, by_rig in share.items():
        rig = [statistics.mean(row) for row in by_rig]
        by_meter = [statistics.mean(column) for column in zip(*by_rig)]
        error = ((statistics.stdev(rig) if rigs > 1 else 0) ** 2 / rigs + statistics.stdev(by_meter) ** 2 / n) ** 0.5
        print(f"{name}, {rigs} rigs by {n} meters: {statistics.mean(rig):.1f} ± {error:.1f} % inside U; one meter's share scatters by {statistics.stdev(by_meter):.1f} %")


def asked(name):
    return int(sys.argv[sys.argv.index(name) + 1])


if "--meters" in sys.argv:
    many_meters(asked("--first"), asked("--rigs"), asked("--meters"))
elif "--rigs" in sys.argv:
    many_rigs(asked("--first"), asked("--rigs"))
else:
    harness.main(both_ways_with_a_zero_between, what_was_stopped_between_two_speeds_goes_on, speeds_that_cannot_be)
