#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Claims drawn beside the truth of the stranger's rigs, judged by the program after eight kinds of plan: how many of the
verdicts given are wrong?

The truth is the actuator's curve at the edge of what it can do (curve.c) at the rated voltage, for every winding temperature between
the run's least and greatest: an interval. A claim lies 1.5, 3 or 6 U outside it, on either side; below it the claim is true and
`refuted` is wrong, above it the claim is false and `confirmed` is wrong. A claim that the run's own temperatures bring inside the
interval is not counted."""
import argparse
import concurrent.futures
import json
import os
import random
import re
import signal
import statistics
import subprocess
import time

from study import KINDS, STRANGER, Rig, Truth

# U of the program's own intervals on these rigs (study.py), roughly: what the distance of a claim is counted in.
U = {"powder": {"rated_torque": 0.08, "peak_torque": 0.1, "no_load_speed": 0.3, "peak_efficiency": 0.4, "rated_power": 0.8},
     "hysteresis": {"rated_torque": 0.06, "peak_torque": 0.08, "no_load_speed": 0.2, "peak_efficiency": 0.5, "rated_power": 0.5}}
UNITS = {"rated_torque": "N.m", "peak_torque": "N.m", "no_load_speed": "rpm", "peak_efficiency": "%", "rated_power": "W"}
LIMIT = {"powder": 0.8, "hysteresis": 0.62}  # of the drive: its peak torque is then within the brake's
EDGE = {"powder": 117, "hysteresis": 86}     # rpm: just below no load, so that most of the run follows the edge
HELD = {"powder": 95, "hysteresis": 78}      # rpm: held up to the kink where the voltage ends


def steps(kind, name):
    top = 44 if kind == "powder" else 25
    if name == "coarse":
        return [top * x for x in (0.06, 0.28, 0.50, 0.72, 0.94, 1)]
    if name == "odd":
        return [top * x for x in (0.05, 0.11, 0.37, 0.41, 0.66, 0.95, 1)]
    if name == "fine":
        return [top * x / 16 for x in range(1, 17)]
    return [top * x / 9 for x in (0.5, 1, 2, 3, 4, 5, 6, 7, 8, 9)]


PLANS = ("coarse", "fine", "odd", "held", "current", "weak", "sag", "resumed")


def curve(kind, seed, folder, volts, winding, effects):
    done = subprocess.run([STRANGER, "--folder", folder, "--kind", kind, "--seed", str(seed), "--curve", f"{volts},{winding}",
                           *(f"--effect={e}" for e in effects)], capture_output=True, text=True, check=True)
    return json.loads(done.stdout)


def truth_at(kind, seed, folder, winding, effects, at_rpm):
    """What each claim is held against at one winding temperature: a list of values, whose range is the truth."""
    rated = 48 if kind == "powder" else 24
    edge = curve(kind, seed, folder, rated, winding, effects)
    lower = [curve(kind, seed, folder, rated * share, winding, effects) for share in (0.45, 0.6, 0.8)]
    power = [t * n * 3.14159265 / 30 for t, n, _ in edge]

    def between(x, y, at):
        for a, b in zip(edge, edge[1:]):
            if min(a[x], b[x]) <= at <= max(a[x], b[x]):
                return a[y] + (at - a[x]) / (b[x] - a[x]) * (b[y] - a[y])
        return edge[-1][y]

    def best(lines):
        return max(100 * t * n * 3.14159265 / 30 / p for line in lines for t, n, p in line)
    return {"rated_torque": [between(1, 0, at_rpm)], "peak_torque": [max(t for line in [edge, *lower] for t, _, _ in line), edge[-1][0]],
            "no_load_speed": [between(0, 1, 0)], "peak_efficiency": [best([edge]), best([edge, *lower])], "rated_power": [max(power)]}


def interval(kind, seed, folder, low, high, effects, at_rpm):
    several = [truth_at(kind, seed, folder, w, effects, at_rpm) for w in (low, (low + high) / 2, high)]
    return {claim: (min(v for s in several for v in s[claim]), max(v for s in several for v in s[claim])) for claim in UNITS}


def write_plan(folder, kind, name, claims, at_rpm, extra):
    text = (folder / "actuators" / "turner.ini").read_text()
    lines = [f"{claim} = {value:.5g} {UNITS[claim]}" + (f" @ {at_rpm:g} rpm" if claim == "rated_torque" else "") for claim, value in claims.items()]
    (folder / "actuators" / f"{name}.ini").write_text(text + "\n[claims]\n" + "\n".join(lines) + "\n")
    speed = HELD[kind] if name == "held" else EDGE[kind] * (0.955 if name == "sag" else 1)
    drive = f"drive = speed\nspeed = {speed:.4g} rpm"
    if name in ("current", "weak"):
        full = (13.5 if kind == "powder" else 10.8) * (1.05 if name == "current" else 0.7)
        drive = f"drive = current\ncurrent = {full:.3g} A"
    torque = ", ".join(f"{x:.4g}" for x in steps(kind, name))
    (folder / "plans" / f"{name}.ini").write_text(
        f"[plan]\nactuator = {name}\nload = torque\n{drive}\n\n[steps]\ntorque = {torque} N.m\n{extra}down = yes\nrepeat_first = yes\n\n"
        "[steady]\ndwell = 3 s\nwindow = 3 s\ntimeout = 12 s\n")


def draw(dice, truth, kind):
    """Claims, and by claim how many U outside the truth each lies."""
    far = {claim: dice.choice((-6, -3, -1.5, 1.5, 3, 6)) for claim in UNITS}
    claims = {claim: truth[claim][far[claim] > 0] + far[claim] * U[kind][claim] for claim in UNITS}
    if claims["rated_torque"] > claims["peak_torque"]:
        del claims["peak_torque"]  # no data sheet says so
    return claims, far


def stop_at(rig, percent, *args):
    """Ctrl-C as soon as the progress tells so much."""
    process = subprocess.Popen([str(a) for a in rig.command(*args) if a != "--json"], stdin=subprocess.DEVNULL, stdout=subprocess.PIPE,
                               stderr=subprocess.STDOUT, text=True, bufsize=1)
    for line in process.stdout:
        shown = re.search(r"(\d+) %", line)
        if shown and int(shown[1]) >= percent:
            process.send_signal(signal.SIGINT)
    process.wait()


def sweep(rig, name):
    """The last report's JSON, or why there is none."""
    ready = rig.run("ready", name, "--hands", "--answers", "yes", "--clear")
    forced = [] if ready.status == 0 else ["--forced", "study of claims"]
    if name == "resumed":
        stop_at(rig, 45, "sweep", name, "--clear", *forced)
        done = rig.run("sweep", name, "--resume", "--clear", *forced)
    else:
        done = rig.run("sweep", name, "--clear", *forced)
    report = rig.run("report", "--no-figures")
    if report.status:
        return None, (done.out[-300:] + report.out).strip()[-600:]
    return json.loads(report.out), done.err.strip()[-200:]


def one_rig(task):
    kind, seed, names, extra = task
    out = []
    sag = [name for name in names if name == "sag"]
    for group in [[n for n in names if n != "sag"], sag]:
        if not group:
            continue
        effects = [f"drive-limit={LIMIT[kind]}"] + (["volts=0.965", "amps=0.55"] if group == sag else [])
        with Rig(kind, seed, effects) as rig:
            dice = random.Random(seed * 7 + (group == sag))
            plans = {}
            for name in group:
                at_rpm = HELD[kind] if name == "held" else round(dice.uniform(*((92, 114) if kind == "powder" else (76.5, 84.5))), 1)
                expected = interval(kind, seed, rig.folder, 28, 45, effects, at_rpm)
                claims, far = draw(dice, expected, kind)
                write_plan(rig.folder, kind, name, claims, at_rpm, extra)
                plans[name] = (claims, far, at_rpm)
            try:
                rig.must("hang", "--hands")
                rig.must("map", "--actuator", "turner")
            except AssertionError as wrong:
                out.append({"kind": kind, "seed": seed, "plan": "-", "claim": "-", "words": str(wrong)[-400:]})
                continue
            reports = {name: sweep(rig, name) for name in group}
            rig.stop()
            truth = Truth(rig.folder / "truth.bin")
            for name, (report, words) in reports.items():
                if not report:
                    out.append({"kind": kind, "seed": seed, "plan": name, "claim": "-", "words": words})
                    continue
                times = [t for p in report["points"] for t in (p["begin_s"], p["end_s"])] or [0, 0]
                hot = [truth.at("winding", t) for t in times]
                real = interval(kind, seed, rig.folder, min(hot), max(hot), effects, plans[name][2])
                for verdict in report["claims"]:
                    claim = verdict["claim"]
                    if claim not in UNITS:
                        continue
                    claimed, far = plans[name][0][claim], plans[name][1][claim]
                    low, high = real[claim]
                    side = "true" if claimed < low else "false" if claimed > high else "inside"
                    said = verdict["verdict"]
                    wrong = (side == "true" and said == "refuted") or (side == "false" and said == "confirmed")
                    out.append({"kind": kind, "seed": seed, "plan": name, "claim": claim, "far": far, "claimed": claimed, "truth": [low, high],
                                "side": side, "said": said, "wrong": wrong, "verdict": verdict, "end": report.get("end_limit"),
                                "end_note": report.get("end_note")})
    return out


def count(rows, **where):
    mine = [r for r in rows if r["claim"] != "-" and r["side"] != "inside" and all(r[k] == v for k, v in where.items())]
    given = [r for r in mine if r["said"] in ("confirmed", "refuted")]
    far = [r for r in mine if abs(r["far"]) > 2]
    return len(mine), len(given), sum(r["wrong"] for r in given), len(far), sum(r["said"] in ("confirmed", "refuted") for r in far)


def print_table(rows):
    def line(label, **where):
        mine, given, wrong, far, decided = count(rows, **where)
        if mine:
            print(f"{label:<28} {mine:>6} {given:>6} {wrong:>6} {100 * wrong / max(given, 1):>8.1f} % {100 * decided / max(far, 1):>10.0f} %")
    print(f"{'':<28} {'claims':>6} {'given':>6} {'wrong':>6} {'of given':>10} {'decided from 3 U':>12}")
    line("all")
    shares = []
    for rig in {(r["kind"], r["seed"]) for r in rows}:
        _, given, wrong, _, _ = count(rows, kind=rig[0], seed=rig[1])
        if given:
            shares.append(100 * wrong / given)
    if len(shares) > 1:
        print(f"{'  mean of the rigs':<28} {statistics.fmean(shares):.1f} ± {statistics.stdev(shares) / len(shares) ** 0.5:.1f} %")
    for key in ("kind", "plan", "claim"):
        for value in sorted({r[key] for r in rows if r["claim"] != "-"}):
            line(f"{key} {value}", **{key: value})


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    parser.add_argument("--rigs", type=int, default=8, help="of each kind")
    parser.add_argument("--first", type=int, default=5001)
    parser.add_argument("--plans", nargs="+", default=list(PLANS), choices=PLANS)
    parser.add_argument("--kinds", nargs="+", default=["powder", "hysteresis"], choices=[k for k in KINDS if "single" not in k])
    parser.add_argument("--extra", default="", help="a further line for [steps] of each plan")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--out", default=os.devnull, help="write each verdict to this file, a JSON document a line")
    parser.add_argument("--table", metavar="FILE", help="run nothing: the table of a file that --out wrote")
    options = parser.parse_args()
    if options.table:
        print_table([json.loads(line) for line in open(options.table)])
        return
    extra = re.sub(r"$", "\n", options.extra) if options.extra else ""
    tasks = [(kind, seed, options.plans, extra) for seed in range(options.first, options.first + options.rigs) for kind in options.kinds]
    begun, rows = time.monotonic(), []
    with concurrent.futures.ThreadPoolExecutor(options.jobs) as pool, open(options.out, "w") as file:
        for found in pool.map(one_rig, tasks):
            rows += found
            file.writelines(json.dumps(row) + "\n" for row in found)
            file.flush()
            for r in found:
                if r["claim"] == "-":
                    print(f"# {r['kind']} {r['seed']} {r['plan']}: {r['words']}", flush=True)
    print(f"# {len(tasks)} rigs, {time.monotonic() - begun:.0f} s")
    print_table(rows)


if __name__ == "__main__":
    main()
