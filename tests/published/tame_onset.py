#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""How often does `bridle tame` foretell an oscillation that is not there in time, and how often does it miss one? Joints with play, dry friction,
delay and torque limit, drawn without regard to the verdict, are simulated in time all at once, each after a small and a large knock.
Usage: tame_onset.py BRIDLE [JOINTS [FIRST]]     # 240 joints, on demand: one minute"""
import json
import math
import pathlib
import subprocess
import sys
import tempfile

import numpy as np

BRIDLE = sys.argv[1]
JOINTS, FIRST = int(sys.argv[2]) if len(sys.argv) > 2 else 240, int(sys.argv[3]) if len(sys.argv) > 3 else 1
STEPS = 240000
UNITS = {"rotor_inertia": "kg.m2", "arm_inertia": "kg.m2", "stiffness": "N.m/rad", "damping": "N.m.s/rad", "play": "rad", "rotor_friction": "N.m",
         "arm_friction": "N.m", "speed_gain": "N.m.s/rad", "speed_integral": "N.m/rad", "position_gain": "s-1", "torque_bandwidth": "Hz",
         "delay": "s", "torque_limit": "N.m"}
home = pathlib.Path(tempfile.mkdtemp(prefix="bridle-onset-"))


def joint(seed):
    rng = np.random.default_rng([20261127, seed])
    jr, ja, k = rng.uniform(0.02, 0.2), rng.uniform(0.05, 1), rng.uniform(300, 8000)
    reduced = jr * ja / (jr + ja)
    omega = math.sqrt(k / reduced)
    wc = omega * 10 ** rng.uniform(-1.0, 0.1)
    kp, limit = wc * (jr + ja), rng.uniform(10, 60)
    return dict(rotor_inertia=jr, arm_inertia=ja, stiffness=k, damping=2 * rng.uniform(0.01, 0.05) * math.sqrt(k * reduced),
                play=limit / k * 10 ** rng.uniform(-1, 0.5), rotor_friction=limit * 10 ** rng.uniform(-3, -1.3), arm_friction=limit * 10 ** rng.uniform(-4, -2),
                speed_gain=kp, speed_integral=kp * wc / rng.uniform(4, 12), position_gain=wc / rng.uniform(4, 12),
                torque_bandwidth=omega / 2 / math.pi * rng.uniform(1, 8), delay=rng.uniform(0.02, 0.3) / omega, torque_limit=limit), rng.random() < 0.5


def tame(p, at_arm):
    text = "".join(f"{key} = {value!r} {UNITS[key]}\n" for key, value in p.items()) + f"position_sensor = {'arm' if at_arm else 'rotor'}\n"
    (home / "joint.ini").write_text(text)
    run = subprocess.run([BRIDLE, "tame", "--loop", home / "joint.ini", "--json"], capture_output=True, text=True, timeout=60)
    assert run.returncode == 0, run.stderr
    return json.loads(run.stdout)


def in_time(ps, at_arm, knock):
    """Swing of the gear's torque over the last eighth, against the eighth before the middle; semi-implicit Euler as in tame_control.py."""
    g = {key: np.array([p[key] for p in ps]) for key in UNITS}
    jr, ja, k, c, half = g["rotor_inertia"], g["arm_inertia"], g["stiffness"], g["damping"], g["play"] / 2
    omega = np.sqrt(k * (ja + jr) / (ja * jr))
    h = np.minimum(0.04 / omega, np.minimum(0.04 / (2 * math.pi * g["torque_bandwidth"]), g["delay"] / 4))
    late = np.maximum(1, np.rint(g["delay"] / h)).astype(int)
    ring, lanes = np.zeros((late.max() + 1, len(ps))), np.arange(len(ps))
    keep, limit = np.exp(-h * 2 * math.pi * g["torque_bandwidth"]), g["torque_limit"]
    fr, fa = g["rotor_friction"] * h / jr, g["arm_friction"] * h / ja
    v0 = knock * np.maximum(half, 0.1 * limit / k) * omega
    xr = np.zeros(len(ps)); xa, torque, integral = xr.copy(), xr.copy(), xr.copy()
    vr, va = v0.copy(), v0.copy()
    least, most = np.full((2, len(ps)), np.inf), np.full((2, len(ps)), -np.inf)  # twist in the first and last window
    for i in range(STEPS):
        error = -g["position_gain"] * np.where(at_arm, xa, xr) - vr
        integral = np.clip(integral + g["speed_integral"] * error * h, -limit, limit)
        ring[i % len(ring)] = np.clip(g["speed_gain"] * error + integral, -limit, limit)
        now = ring[(i - late) % len(ring), lanes]
        torque = now + (torque - now) * keep
        x, dv = xr - xa, vr - va
        s = np.where(x > half, np.maximum(0, k * (x - half) + c * dv), np.where(x < -half, np.minimum(0, k * (x + half) + c * dv), 0))
        v = vr + h * (torque - s) / jr
        vr = np.sign(v) * np.maximum(0, abs(v) - fr)
        v = va + h * s / ja
        va = np.sign(v) * np.maximum(0, abs(v) - fa)
        xr, xa = xr + h * vr, xa + h * va
        window = 0 if 3 * STEPS <= 8 * i < 4 * STEPS else 1 if 8 * i >= 7 * STEPS else None
        if window is not None:
            least[window], most[window] = np.minimum(least[window], x), np.maximum(most[window], x)
    first, last = most - least
    return (last > 0.7 * first) & (last > 0.5 * g["play"] + 1e-3 * limit / k)


if __name__ == "__main__":
    seeds = range(FIRST, FIRST + JOINTS)
    joints = [joint(s) for s in seeds]
    ps, at_arm = [p for p, _ in joints], np.array([a for _, a in joints])
    told = [tame(*j) for j in joints]
    small, large = in_time(ps, at_arm, 0.3), in_time(ps, at_arm, 10)
    truth = small | large
    for name, which in (("stable without play, sensor at the rotor", lambda i: told[i]["stable"] and not at_arm[i]),
                        ("stable without play, sensor at the arm", lambda i: told[i]["stable"] and at_arm[i]),
                        ("unstable without play", lambda i: not told[i]["stable"])):
        rows = [i for i in range(JOINTS) if which(i)]
        yes = [i for i in rows if told[i]["oscillates"]]
        false_yes, false_no = [i for i in yes if not truth[i]], [i for i in rows if truth[i] and not told[i]["oscillates"]]
        print(f"{name}: {len(rows)} joints; oscillates told {len(yes)}, in time {sum(truth[i] for i in rows)}; "
              f"false yes {len(false_yes)}, false no {len(false_no)}")
        print("  seeds of false yes", [seeds[i] for i in false_yes], "of false no", [seeds[i] for i in false_no])
