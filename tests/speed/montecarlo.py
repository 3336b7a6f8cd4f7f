#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""A million draws of the whole torque and efficiency model: bridle calc montecarlo (process start, reading of the
model and printing included) beside the same model vectorised in NumPy (import not counted), in one run, in turns, medians of
several. Both end with mean, standard deviation, symmetric and shortest 95 % interval of each output.
A benchmark, not a test that can pass by luck: run it by hand on a quiet machine.

    BRIDLE=build/rig/command/bridle /usr/bin/python3 tests/speed/montecarlo.py [TRIALS [ROUNDS]]

Exit status 1 when the program takes more than a third of NumPy's time or the two disagree."""
import json
import os
import resource
import statistics
import subprocess
import sys
import tempfile
import time

import numpy as np

BRIDLE = os.environ.get("BRIDLE", "build/rig/command/bridle")
TRIALS = int(float(sys.argv[1])) if len(sys.argv) > 1 else 1000000
ROUNDS = int(sys.argv[2]) if len(sys.argv) > 2 else 5

# name, value, half-width or standard uncertainty, shape; coherent SI
INPUTS = [
    ("mass", 10.0, 500e-6, "rect"), ("hanger", 0.512, 0.5e-3, "normal"), ("gravity", 9.8123, 4.9e-4, "normal"),
    ("air", 1.19, 0.06, "rect"), ("steel", 7850.0, 150.0, "rect"), ("arm", 0.250, 0.2e-3, "rect"),
    ("level", 0.002, 0.004, "normal"), ("calibrated", 412345.0, 60.0, "normal"), ("zero", 0.0, 25.0, "normal"),
    ("reading", 318400.0, 120.0, "normal"), ("creep", 0.0, 2e-4, "rect"), ("drift", 0.0, 1.5e-4, "tri"),
    ("speed", 8.3776, 2.5e-3, "normal"), ("volt", 24.02, 4e-3, "normal"), ("ampere", 11.31, 6e-3, "normal"),
    ("volt_gain", 1.0, 0.002, "rect"), ("ampere_gain", 1.0, 0.003, "rect"), ("cable", 0.018, 0.002, "rect"),
]
OUTPUTS = [
    ("torque", "(mass + hanger) * gravity * (1 - 1.2/8000) * (1 - air/steel) / (1 - 1.2/steel) * arm * cos(level)"
               " * (reading - zero) / calibrated * (1 + creep + drift)"),
    ("shaft", "torque * speed"),
    ("electric", "volt * volt_gain * current - cable * current^2"),
    ("efficiency", "shaft / electric"),
]


def with_numpy(seed):
    rng = np.random.default_rng(seed)
    x = {}
    for name, value, width, shape in INPUTS:
        if shape == "normal":
            x[name] = rng.normal(value, width, TRIALS)
        elif shape == "rect":
            x[name] = rng.uniform(value - width, value + width, TRIALS)
        else:
            x[name] = rng.triangular(value - width, value, value + width, TRIALS)
    force = ((x["mass"] + x["hanger"]) * x["gravity"] * (1 - 1.2 / 8000) * (1 - x["air"] / x["steel"])
             / (1 - 1.2 / x["steel"]))
    torque = (force * x["arm"] * np.cos(x["level"]) * (x["reading"] - x["zero"]) / x["calibrated"]
              * (1 + x["creep"] + x["drift"]))
    shaft = torque * x["speed"]
    current = x["ampere"] * x["ampere_gain"]
    electric = x["volt"] * x["volt_gain"] * current - x["cable"] * current**2
    answers = []
    for y in (torque, shaft, electric, shaft / electric):
        y = np.sort(y)
        q = int(0.95 * TRIALS + 0.5)
        r = (TRIALS - q + 1) // 2
        best = np.argmin(y[q:] - y[:TRIALS - q])
        answers.append((y.mean(), y.std(ddof=1), y[r - 1], y[r - 1 + q], y[best], y[best + q]))
    return answers


def with_bridle(path, seed):
    run = subprocess.run([BRIDLE, "calc", "montecarlo", path, "--trials", str(TRIALS), "--seed", str(seed), "--json"],
                         capture_output=True, text=True, check=True)
    return [(o["value"], o["u"], *o["interval_symmetric"], *o["interval_shortest"]) for o in json.loads(run.stdout)["outputs"]]


def cpu():
    """Of this process and its finished children."""
    return sum(getattr(resource.getrusage(who), f) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
               for f in ("ru_utime", "ru_stime"))


def timed(call):
    start, spent = time.perf_counter(), cpu()
    answer = call()
    return time.perf_counter() - start, answer, cpu() - spent


with tempfile.TemporaryDirectory() as home:
    path = os.path.join(home, "model.ini")
    with open(path, "w", encoding="utf-8") as out:
        out.write("[inputs]\n" + "".join(f"{n} = {v!r} ± {w!r} {s}\n" for n, v, w, s in INPUTS))
        out.write("[let]\ncurrent = ampere * ampere_gain\n")
        out.write("[outputs]\n" + "".join(f"{n} = {e}\n" for n, e in OUTPUTS))
    ours, theirs = [], []
    for k in range(ROUNDS):
        ours.append(timed(lambda: with_bridle(path, k + 1)))
        theirs.append(timed(lambda: with_numpy(k + 1)))

agree = True
for (name, _), a, b in zip(OUTPUTS, ours[0][1], theirs[0][1]):
    # Ends of a 95 % interval scatter by about 0.0027 u a million draws; two runs, five sigma; the shortest one's more.
    slack = a[1] * 0.02 * (1e6 / TRIALS) ** 0.5
    worst = max(abs(p - q) for p, q in zip(a[:4], b[:4]))
    agree = agree and worst < slack
    print(f"{name}: {a[0]:.6g}, u {a[1]:.4g}; the two differ by {worst / a[1]:.4f} u at most")
own, other = (statistics.median(t[0] for t in times) for times in (ours, theirs))
ratios = [a[0] / b[0] for a, b in zip(ours, theirs)]
ratio = statistics.median(ratios)
print(f"{TRIALS} draws, {len(INPUTS)} inputs, {len(OUTPUTS)} outputs, medians of {ROUNDS}, {os.cpu_count()} cores")
print(f"bridle {own:.3f} s, NumPy {np.__version__} {other:.3f} s, ratio {ratio:.3f} ({min(ratios):.3f} to {max(ratios):.3f}; "
      "wanted: below 0.333)")
print(f"processor time {statistics.median(t[2] for t in ours):.3f} s and {statistics.median(t[2] for t in theirs):.3f} s: "
      "on a busy machine this tells more")
sys.exit(0 if agree and ratio < 1 / 3 else 1)
