#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""`bridle tame --from`: records of known joints, made by SciPy's simulation with noise; how often the 95 % intervals hold the truth.
Usage: tame_record.py BRIDLE [JOINTS [FIRST]]     # 20 joints; more on demand. TAP."""
import json
import math
import pathlib
import subprocess
import sys
import tempfile

try:
    import numpy as np
    from scipy import signal
except ImportError:
    print("1..0 # SKIP no SciPy")
    sys.exit(0)

BRIDLE = sys.argv[1]
JOINTS, FIRST = int(sys.argv[2]) if len(sys.argv) > 2 else 20, int(sys.argv[3]) if len(sys.argv) > 3 else 1
home = pathlib.Path(tempfile.mkdtemp(prefix="bridle-record-"))
COHERENT = 0.8  # below it the program warns
FIGURES = ("rotor_inertia_kgm2", "arm_inertia_kgm2", "stiffness_Nm_per_rad", "damping_Nms_per_rad", "viscous_Nms_per_rad", "offset_Nm", "resonance_Hz")


def bridle(*args, status=0):
    run = subprocess.run([BRIDLE, "tame", *map(str, args), "--json"], capture_output=True, text=True, timeout=120)
    assert run.returncode == status, f"{args}: {run.stdout}{run.stderr}"
    return json.loads(run.stdout)


def excitation(rng, n, h, f_res, size):
    """Pseudo-random steps or a chirp about an offset that keeps the shaft turning one way."""
    if rng.random() < 0.5:
        hold = max(1, round(0.25 / f_res / h))
        return size * np.repeat(rng.choice([-1.0, 1.0], n // hold + 1), hold)[:n]
    t = np.arange(n) * h
    return size * signal.chirp(t, f_res / 20, t[-1], min(2.5 * f_res, 0.4 / h))


def joint(seed):
    """(truth, table): one record of 3000 rows."""
    rng = np.random.default_rng([20261126, seed])
    jr, ja = rng.uniform(0.02, 0.2), rng.uniform(0.03, 0.6)
    k = rng.uniform(300, 8000)
    reduced = jr * ja / (jr + ja)
    omega = math.sqrt(k / reduced)
    c, b, t0 = 2 * rng.uniform(0.01, 0.06) * math.sqrt(k * reduced), rng.uniform(0.2, 1), rng.uniform(0.2, 1)
    f_res = omega / 2 / math.pi
    n, h = 3000, 1 / (f_res * rng.uniform(8, 16))
    torque = excitation(rng, n, h, f_res, rng.uniform(1, 4)) + t0 + b * rng.uniform(2, 4)
    a = np.array([[0, 1, 0, 0], [-k / jr, -(b + c) / jr, k / jr, c / jr], [0, 0, 0, 1], [k / ja, c / ja, -k / ja, -c / ja]])
    c_out = np.array([[0, 1.0, 0, 0]])
    d = signal.cont2discrete((a, np.array([[0], [1 / jr], [0], [0]]), c_out, np.zeros((1, 1))), h, "zoh")
    speed0 = (torque.mean() - t0) / b
    _, y, _ = signal.dlsim((*d[:4], h), (torque - t0)[:, None], x0=[0, speed0, 0, speed0])
    y = y[:, 0]
    # against what moves within two periods of the resonance: the mean speed drifts beside it
    span = round(2 / f_res / h)
    moves = y[span:-span] - np.convolve(y, np.ones(2 * span + 1) / (2 * span + 1), "valid")
    noisy = y + rng.normal(0, rng.uniform(0.02, 0.2) * np.std(moves), n)
    rows = noisy * 30 / math.pi
    table = "time (s),torque (N.m),speed (rpm)\n" + "".join(f"{i * h:.9f},{m:.9g},{v:.12g}\n" for i, (m, v) in enumerate(zip(torque, rows)))
    truth = dict(zip(FIGURES, (jr, ja, k, c, b, t0, f_res)))
    return truth, table


def read(table, *args, name="record.csv"):
    (home / name).write_text(table)
    return bridle("--from", home / name, *args)


def known_joints():
    inside, errors, two, coherent = {f: 0 for f in FIGURES}, {f: [] for f in FIGURES}, 0, 0
    for seed in range(FIRST, FIRST + JOINTS):
        truth, table = joint(seed)
        found = read(table)["identified"]
        if not found["coherence"] >= COHERENT:
            continue
        coherent += 1
        two += found["arm_inertia_kgm2"] is not None
        for f in FIGURES:
            if found[f] is None:
                continue
            z = (found[f]["value"] - truth[f]) / (1.96 * found[f]["u"])
            errors[f].append(z)
            inside[f] += abs(z) <= 1
    for f in FIGURES:
        n = len(errors[f])
        print(f"# {f}: {inside[f]} of {n} = {100 * inside[f] / max(n, 1):.1f} % within U, RMS {np.sqrt(np.mean(np.square(errors[f]))):.2f} U (0.51 for a normal error)")
    print(f"# {JOINTS - coherent} of {JOINTS} records have a coherence below {COHERENT}, which the program tells, and are left out")
    assert coherent >= 0.8 * JOINTS and two >= 0.98 * coherent, f"a resonance seen in {two} of {coherent} of {JOINTS}"
    whole, of = sum(inside.values()), sum(map(len, errors.values()))
    share = whole / of
    print(f"# all figures: {100 * share:.1f} %")
    # figures of one joint go together: the standard error by joints is at most that of JOINTS draws
    loose = 3 * math.sqrt(0.95 * 0.05 / JOINTS)
    assert abs(share - 0.95) <= (0.02 if JOINTS >= 200 else loose), share


def one_mass():
    """A rotor alone: no arm is made up, and the inertia is right."""
    rng = np.random.default_rng(3)
    h, n, j, b = 0.002, 3000, 0.07, 0.3
    torque = 2 + np.repeat(rng.choice([-1.0, 1.0], n // 20 + 1), 20)[:n]
    v, speed = [], 5.0
    for m in torque:
        v.append(speed)
        end = (m - 0.5) / b
        speed = end + (speed - end) * math.exp(-b * h / j)
    rows = (np.array(v) + rng.normal(0, 0.02, n)) * 30 / math.pi
    table = "time (s),torque (N.m),speed (rpm)\n" + "".join(f"{i * h:.6f},{m},{r:.8g}\n" for i, (m, r) in enumerate(zip(torque, rows)))
    d = read(table)["identified"]
    assert d["arm_inertia_kgm2"] is None and d["stiffness_Nm_per_rad"] is None, d
    assert abs(d["rotor_inertia_kgm2"]["value"] - j) < 3 * d["rotor_inertia_kgm2"]["u"] < 0.03 * j, d
    # in a loop the whole inertia is no rotor's
    (home / "one.csv").write_text(table)
    (home / "one.ini").write_text("speed_gain = 1 N.m.s/rad\ntorque_bandwidth = 300 Hz\ndelay = 1 ms\n")
    assert "rotor_inertia is missing" in bridle("--from", home / "one.csv", "--loop", home / "one.ini", status=2)["message"]


def into_the_loop():
    """What was identified stands for what was not typed; current times its constant is the torque."""
    truth, table = joint(1)
    (home / "j.ini").write_text("speed_gain = 1 N.m.s/rad\nspeed_integral = 5 N.m/rad\ntorque_bandwidth = 300 Hz\ndelay = 1 ms\n")
    found = read(table, "--loop", home / "j.ini")
    told = found["identified"]
    (home / "k.ini").write_text((home / "j.ini").read_text() + "".join(f"{key} = {told[of]['value']!r} {unit}\n" for key, of, unit in (
        ("rotor_inertia", "rotor_inertia_kgm2", "kg.m2"), ("arm_inertia", "arm_inertia_kgm2", "kg.m2"),
        ("stiffness", "stiffness_Nm_per_rad", "N.m/rad"), ("damping", "damping_Nms_per_rad", "N.m.s/rad"),
        ("rotor_viscous", "viscous_Nms_per_rad", "N.m.s/rad"))))
    typed = bridle("--loop", home / "k.ini")
    assert abs(found["phase_margin_deg"]["value"] - typed["phase_margin_deg"]["value"]) < 1e-6, (found, typed)
    assert found["phase_margin_deg"]["u"] > 0 == typed["phase_margin_deg"]["u"]
    ampere = read(table.replace("torque (N.m)", "current (A)"), "--torque-per-ampere", "1 N.m/A")
    assert ampere["identified"] == told, ampere


def together():
    """Two masses of one record: their sum and the resonance are known well, each alone less so. Where both decide, draws that take them as
    independent make the phase margin far more uncertain than draws from the covariance do."""
    truth, table = joint(3)
    (home / "j.ini").write_text("speed_gain = 10 N.m.s/rad\nspeed_integral = 50 N.m/rad\nposition_gain = 5 s-1\ntorque_bandwidth = 300 Hz\ndelay = 1 ms\n")
    found = read(table, "--loop", home / "j.ini")
    told = found["identified"]
    (home / "k.ini").write_text((home / "j.ini").read_text() + "".join(
        f"{key} = {told[of]['value']!r} {unit} ± {told[of]['u']!r} {unit} normal\n" for key, of, unit in (
            ("rotor_inertia", "rotor_inertia_kgm2", "kg.m2"), ("arm_inertia", "arm_inertia_kgm2", "kg.m2"),
            ("stiffness", "stiffness_Nm_per_rad", "N.m/rad"), ("damping", "damping_Nms_per_rad", "N.m.s/rad"),
            ("rotor_viscous", "viscous_Nms_per_rad", "N.m.s/rad"))))
    apart = bridle("--loop", home / "k.ini")
    ratio = found["phase_margin_deg"]["u"] / apart["phase_margin_deg"]["u"]
    assert ratio < 0.75, (found["phase_margin_deg"], apart["phase_margin_deg"])


def no_advice_on_sand():
    """A record whose coherence is low, or whose fit did not end, gives figures and no gains."""
    truth, table = joint(1)
    rng = np.random.default_rng(5)
    lines = [row.split(",") for row in table.splitlines()[1:]]
    spread = 2 * np.std([float(row[2]) for row in lines])
    sand = "time (s),torque (N.m),speed (rpm)\n" + "".join(f"{t},{m},{float(v) + rng.normal(0, spread)!r}\n" for t, m, v in lines)
    (home / "j.ini").write_text("rotor_inertia = 0.1 kg.m2\nspeed_gain = 1 N.m.s/rad\ntorque_bandwidth = 300 Hz\ndelay = 1 ms\n")
    d = read(sand, "--loop", home / "j.ini")
    assert d["identified"]["coherence"] < COHERENT and d["advised"] is None and d["advice_withheld"] is True, d
    text = subprocess.run([BRIDLE, "tame", "--from", home / "record.csv", "--loop", home / "j.ini"], capture_output=True, text=True, timeout=120).stdout
    assert "No advice" in text and "Set these gains" not in text and "Keep the gains" not in text, text
    good = read(table, "--loop", home / "j.ini")
    assert good["advised"] is not None and good["advice_withheld"] is False and good["identified"]["fit_ended"] is True, good


def refuses():
    truth, table = joint(2)
    lines = table.splitlines(keepends=True)
    for text, words in (("".join(lines[:100]), "expected 200"), ("".join(lines[:500] + lines[700:]), "not even at row 500"),
                        (table.replace("torque (N.m)", "load (N.m)"), "torque (N.m) or current (A)"), (table.replace("torque (N.m)", "current (A)"), "--torque-per-ampere"),
                        (table.replace("speed", "pace"), "speed"),
                        ("time (s),torque (N.m),speed (rpm)\n" + "".join(f"{i},3,{i}\n" for i in range(300)), "every row")):
        (home / "bad.csv").write_text(text)
        message = bridle("--from", home / "bad.csv", status=2)["message"]
        assert words in message and "bad.csv" in message, (words, message)


if __name__ == "__main__":
    tests = [known_joints] if JOINTS > 20 else [known_joints, one_mass, into_the_loop, together, no_advice_on_sand, refuses]
    failed = 0
    for i, t in enumerate(tests, 1):
        try:
            t()
            print(f"ok {i} - {t.__name__}", flush=True)
        except Exception as e:  # noqa: BLE001
            failed += 1
            print(f"not ok {i} - {t.__name__}\n# {type(e).__name__}: {str(e)[:1500]}", flush=True)
    print(f"1..{len(tests)}")
    sys.exit(failed > 0)
