#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""`bridle tame` against textbook loops with printed margins, a frequency sweep and closed-loop roots of its own (NumPy, SciPy), and the
joint simulated in time: play, dry friction, delay and torque limit as they are, no describing function in it.
Usage: tame_control.py BRIDLE. TAP."""
import json
import math
import pathlib
import subprocess
import sys
import tempfile

try:
    import numpy as np
    from scipy import linalg
except ImportError:
    print("1..0 # SKIP no SciPy")
    sys.exit(0)

BRIDLE = sys.argv[1]
home = pathlib.Path(tempfile.mkdtemp(prefix="bridle-tame-"))
UNITS = {"ratio": "", "rotor_inertia": "kg.m2", "arm_inertia": "kg.m2", "stiffness": "N.m/rad", "damping": "N.m.s/rad", "play": "rad",
         "rotor_viscous": "N.m.s/rad", "arm_viscous": "N.m.s/rad", "rotor_friction": "N.m", "arm_friction": "N.m",
         "speed_gain": "N.m.s/rad", "speed_integral": "N.m/rad", "position_gain": "s-1", "torque_gain": "", "torque_bandwidth": "Hz",
         "delay": "s", "torque_limit": "N.m", "speed_sensor": None, "position_sensor": None, "torque_constant": "N.m/A"}


def write(name="joint.ini", **keys):
    text = "".join(f"{k} = {v if isinstance(v, str) else f'{v!r} {UNITS[k]}'}\n" for k, v in keys.items())
    (home / name).write_text(text, encoding="utf-8")
    return home / name


def bridle(*args, status=0):
    run = subprocess.run([BRIDLE, "tame", *map(str, args), "--json"], capture_output=True, text=True, timeout=60)
    assert run.returncode == status, f"{args}: {run.stdout}{run.stderr}"
    return json.loads(run.stdout)


def tame(**keys):
    return bridle("--loop", write(**keys))


def near(found, expected, tolerance, what=""):
    assert abs(found - expected) <= tolerance, f"{what} found {found!r}, expected {expected!r}"


def textbook_loops():
    """An integral alone over a rotor with friction and a torque loop of 1 s is K/(s (s + 1)(J s + b))."""
    lag = 1 / (2 * math.pi)
    # G. F. Franklin, J. D. Powell, A. Emami-Naeini, Feedback Control of Dynamic Systems: K = 1, J = b = 1, from memory; the 2 is Routh's
    for k, b in ((1, 1), (1, 5), (40, 5), (100, 5)):
        d = tame(rotor_inertia=1.0, rotor_viscous=float(b), speed_gain=0.0, speed_integral=float(k), torque_bandwidth=lag)
        if b == 1:
            near(d["phase_margin_deg"]["value"], 21.4, 0.05, "phase")
        near(d["gain_margin_dB"]["value"], 20 * math.log10(b * (1 + b) / k), 1e-6, "Routh")
        stable = k < b * (1 + b)
        assert d["stable"] == stable == (d["phase_margin_deg"]["value"] > 0) and d["oscillates"] == (not stable), d


def a_delay():
    """L = e^(-theta s)/(2 theta s): gain margin 3.14, phase margin 61.4 degrees, peak sensitivity 1.59 (S. Skogestad, J. Process Control
    13 (2003) 291, table 1, from memory)."""
    d = tame(rotor_inertia=2.0, speed_gain=1.0, delay=1.0)
    near(10 ** (d["gain_margin_dB"]["value"] / 20), 3.14, 0.005)
    near(d["phase_margin_deg"]["value"], 61.4, 0.05)
    near(d["peak_sensitivity"], 1.59, 0.005)


def symmetrical_optimum():
    """Integral time four times the lag, K_p = J/(2 lag): phase margin 36.9 degrees = atan 2 - atan 1/2 (C. Kessler 1958; W. Leonhard,
    Control of Electrical Drives, from memory)."""
    d = tame(rotor_inertia=3.0, speed_gain=3 / 0.02, speed_integral=3 / 0.02 / 0.04, torque_bandwidth=1 / (2 * math.pi * 0.01))
    near(d["phase_margin_deg"]["value"], 36.87, 0.005)


# ---- a loop of one's own ----

def system(p):
    """Rotor and arm as a state space (rotor angle, rotor speed, arm angle, arm speed), by torque."""
    jr, ja, k, c = p["rotor_inertia"], p["arm_inertia"], p["stiffness"], p["damping"]
    br, ba = p.get("rotor_viscous", 0), p.get("arm_viscous", 0)
    a = np.array([[0, 1, 0, 0], [-k / jr, -(br + c) / jr, k / jr, c / jr], [0, 0, 0, 1], [k / ja, c / ja, -k / ja, -(ba + c) / ja]])
    return a, np.array([0, 1 / jr, 0, 0.0])


def opened(p, omega):
    a, b = system(p)
    x = np.linalg.solve(1j * omega[:, None, None] * np.eye(4) - a, np.broadcast_to(b, (len(omega), 4))[:, :, None])[:, :, 0]
    speed = x[:, 3 if p.get("speed_sensor") == "arm" else 1]
    angle = x[:, 2 if p.get("position_sensor") == "arm" else 0]
    command = (p["speed_gain"] + p["speed_integral"] / (1j * omega)) * (speed + p["position_gain"] * angle)
    return command * np.exp(-1j * omega * p["delay"]) / (1 + 1j * omega / (2 * math.pi * p["torque_bandwidth"]))


def margins(p):
    """(phases, gains) at all crossings of a dense sweep."""
    ja, jr, k = p["arm_inertia"], p["rotor_inertia"], p["stiffness"]
    own = [math.sqrt(k / ja), math.sqrt(k * (ja + jr) / (ja * jr))]
    w = np.unique(np.concatenate([np.logspace(-3, 4.5, 16000)] + [o * (1 + s * np.logspace(-7, -0.5, 500)) for o in own for s in (-1, 1)]))
    w = w[w * p["delay"] < 60]
    v = opened(p, w)
    phases, gains = [], []
    for i in range(len(w) - 1):
        if (abs(v[i]) > 1) != (abs(v[i + 1]) > 1):
            t = (1 - abs(v[i])) / (abs(v[i + 1]) - abs(v[i]))
            phases.append(math.degrees(np.angle(-(v[i] + t * (v[i + 1] - v[i])))))
        if (v[i].imag > 0) != (v[i + 1].imag > 0):
            t = v[i].imag / (v[i].imag - v[i + 1].imag)
            x = (v[i] + t * (v[i + 1] - v[i])).real
            if x < 0:
                gains.append(-20 * math.log10(-x))
    return phases, gains


def is_stable(p):
    """Largest eigenvalue modulus of the loop sampled finely: the delay is a row of past torques, exact but for the step."""
    h = p["delay"] / 40 if p["delay"] > 0 else 1e-3 / max(p["torque_bandwidth"], 1)
    steps = 40 if p["delay"] > 0 else 1
    a, b = system(p)
    lag = 2 * math.pi * p["torque_bandwidth"]
    full = np.zeros((6, 6))  # mechanics, torque, integral of (speed + K_x angle)
    full[:4, :4], full[:4, 4], full[4, 4] = a, b, -lag
    pick_v, pick_x = np.zeros(6), np.zeros(6)
    pick_v[3 if p.get("speed_sensor") == "arm" else 1] = 1
    pick_x[2 if p.get("position_sensor") == "arm" else 0] = 1
    error = -(pick_v + p["position_gain"] * pick_x)
    full[5] = error
    whole = np.zeros((7, 7))
    whole[:6, :6], whole[4, 6] = full, lag
    e = linalg.expm(whole * h)
    n = 6 + steps
    m = np.zeros((n, n))
    m[:6, :6], m[:6, n - 1] = e[:6, :6], e[:6, 6]
    m[6, :6] = p["speed_gain"] * error
    m[6, 5] += p["speed_integral"]
    for i in range(steps - 1):
        m[7 + i, 6 + i] = 1
    return max(abs(np.linalg.eigvals(m))) < 1 + 1e-9, max(abs(np.linalg.eigvals(m)))


def drawn(rng):
    jr, ja = rng.uniform(0.02, 0.2), rng.uniform(0.05, 2)
    k = rng.uniform(300, 8000)
    omega = math.sqrt(k * (ja + jr) / (ja * jr))
    wc = omega * 10 ** rng.uniform(-1.2, 0.5)
    kp = wc * (jr + ja)
    return dict(rotor_inertia=jr, arm_inertia=ja, stiffness=k, damping=2 * rng.uniform(0.005, 0.05) * math.sqrt(k * ja * jr / (ja + jr)),
                rotor_viscous=rng.uniform(0, 0.2), arm_viscous=rng.uniform(0.01, 0.2), speed_gain=kp,
                speed_integral=kp * wc / rng.uniform(3, 12), position_gain=wc / rng.uniform(4, 12),
                torque_bandwidth=omega / 2 / math.pi * rng.uniform(1, 8), delay=rng.uniform(0.02, 0.6) / omega,
                speed_sensor=rng.choice(["rotor", "rotor", "arm"]).item(), position_sensor=rng.choice(["rotor", "arm"]).item())


def random_loops():
    rng = np.random.default_rng(20261126)
    kinds = {True: 0, False: 0}
    for i in range(12):
        p = drawn(rng)
        d = tame(**p)
        stable, largest = is_stable(p)
        assert d["stable"] == stable, (i, p, d["stable"], largest)
        kinds[stable] += 1
        phases, gains = margins(p)
        phase = min(map(abs, phases)) if stable else min(phases)
        near(d["phase_margin_deg"]["value"], phase, 0.05, f"{i} phase of {phases}")
        above, below = [g for g in gains if g >= 0], [g for g in gains if g < 0]
        if stable:
            near(d["gain_margin_dB"]["value"], min(above), 0.01, f"{i} gain of {gains}")
            if below:
                near(d["gain_reduction_dB"], max(below), 0.01, f"{i} of {gains}")
        elif below:
            near(d["gain_margin_dB"]["value"], min(below), 0.01, f"{i} gain of {gains}")
    assert kinds[True] >= 3 and kinds[False] >= 3, kinds


def uncertain_numbers():
    """u of the margins against SciPy-side draws of the same inputs through the formula of an integrator with delay:
    phase = 90 degrees - omega_c delay, omega_c = K/J; gain = pi J/(2 K delay)."""
    d = tame(rotor_inertia="2 kg.m2 ± 5 % normal", speed_gain="1 N.m.s/rad", delay="1 s ± 0.2 s")
    rng = np.random.default_rng(7)
    j, t = rng.normal(2, 0.1, 200000), rng.uniform(0.8, 1.2, 200000)
    near(d["phase_margin_deg"]["u"], np.std(np.degrees(t / j)), 0.1 * np.std(np.degrees(t / j)))  # 400 draws: 3.5 % each
    near(d["gain_margin_dB"]["u"], np.std(20 * np.log10(np.pi * j / 2 / t)), 0.1 * np.std(20 * np.log10(t / j)))
    sure = tame(rotor_inertia=2.0, speed_gain=1.0, delay=1.0)
    assert sure["phase_margin_deg"]["u"] == 0 and sure["oscillates"] is False
    edge = tame(rotor_inertia="2 kg.m2", speed_gain="3.14159 N.m.s/rad ± 5 % normal", delay="1 s")
    assert edge["oscillates"] is None and 0.4 < edge["probability"] < 0.6, edge


def the_ratio_s_uncertainty():
    """All that is of the rotor goes by the ratio squared. One mass: it cancels in K/J. A heavy arm on a stiff gear: the loop's gain goes by
    it, phase = 90 degrees - K n^2 delay/(J n^2 + J_a)."""
    alone = tame(ratio="10 ± 0.2 normal", rotor_inertia=0.02, speed_gain=0.01, delay=1.0)
    near(alone["phase_margin_deg"]["u"], 0, 1e-6)
    n, u, j, ja, delay = 10, 0.2, 1e-4, 1.0, 0.5
    d = tame(ratio=f"{n} ± {u} normal", rotor_inertia=j, arm_inertia=ja, stiffness=1e7, speed_gain=0.01, delay=delay)
    inertia = j * n**2 + ja
    near(d["phase_margin_deg"]["value"], 90 - math.degrees(0.01 * n**2 / inertia * delay), 0.05)
    expected = math.degrees(0.01 * n**2 / inertia * delay) * 2 * u / n * ja / inertia
    near(d["phase_margin_deg"]["u"], expected, 0.12 * expected)  # 400 draws: 3.5 %


# ---- in time ----

def simulated(p, seconds, knock):
    """(frequency, arm amplitude in degrees, largest torque of the gear) of the last third; (0, 0, 0) where it died out. The flanks push and
    never pull; friction can bring a mass to rest and never past it; semi-implicit Euler at a small step."""
    jr, ja, k, c, half = p["rotor_inertia"], p["arm_inertia"], p["stiffness"], p["damping"], p["play"] / 2
    omega = math.sqrt(k * (ja + jr) / (ja * jr))
    h = min(0.04 / omega, 0.04 / (2 * math.pi * p["torque_bandwidth"]), p["delay"] / 4 if p["delay"] > 0 else 1)
    late = [0.0] * max(1, round(p["delay"] / h))
    keep = math.exp(-h * 2 * math.pi * p["torque_bandwidth"])
    limit, fr, fa = p.get("torque_limit", math.inf), p.get("rotor_friction", 0) * h / jr, p.get("arm_friction", 0) * h / ja
    br, ba = p.get("rotor_viscous", 0), p.get("arm_viscous", 0)
    at_arm_v, at_arm_x = p.get("speed_sensor") == "arm", p.get("position_sensor") == "arm"
    kp, ki, kx = p["speed_gain"], p["speed_integral"], p["position_gain"]
    xr = xa = torque = integral = 0.0
    vr, va = knock, knock
    n = int(seconds / h)
    arm, gear = np.empty(n), np.empty(n)
    for i in range(n):
        error = kx * -(xa if at_arm_x else xr) - (va if at_arm_v else vr)
        integral += ki * error * h
        integral = max(-limit, min(limit, integral))
        wish = max(-limit, min(limit, kp * error + integral))
        late.append(wish)
        now = late.pop(0)
        torque = now + (torque - now) * keep
        x = xr - xa
        s = 0.0
        if x > half:
            s = max(0.0, k * (x - half) + c * (vr - va))
        elif x < -half:
            s = min(0.0, k * (x + half) + c * (vr - va))
        v = vr + h * (torque - s - br * vr) / jr
        vr = 0.0 if abs(v) <= fr else v - math.copysign(fr, v)
        v = va + h * (s - ba * va) / ja
        va = 0.0 if abs(v) <= fa else v - math.copysign(fa, v)
        xr += h * vr
        xa += h * va
        arm[i], gear[i] = xa, s
    return measured(arm[n // 2:], gear[n // 2:], h)


def measured(a, g, h):
    """(frequency, arm amplitude in degrees, gear's amplitude): the largest line of the gear's torque, and the arm's at that line."""
    window = np.hanning(len(g))
    lines = np.abs(np.fft.rfft((g - g.mean()) * window))
    k = lines.argmax()
    if np.ptp(g) < 1e-6 or k < 4:
        return 0, 0, 0
    f = np.sum(np.arange(k - 2, k + 3) * lines[k - 2:k + 3]) / np.sum(lines[k - 2:k + 3]) / (len(g) * h)
    turn = np.exp(-2j * np.pi * f * h * np.arange(len(a))) * window
    arm = 2 * abs(np.sum((a - a.mean()) * turn)) / window.sum()
    return f, math.degrees(arm), np.ptp(g) / 2


SLOW = dict(rotor_inertia=0.05, arm_inertia=0.5, stiffness=50.0, damping=0.05, play=0.02, rotor_friction=0.0, arm_friction=0.0,
            speed_gain=1.0, speed_integral=2.0, position_gain=1.0, torque_bandwidth=20.0, delay=0.005, torque_limit=5.0,
            speed_sensor="rotor", position_sensor="rotor")


def limit_cycles():
    """A describing function leaves the harmonics out, so no agreement is exact. A motion that the torque limit bounds: 5 %. One that hunts
    across the play: frequency within 20 %, amplitude within 40 % (the method page states both)."""
    rows = ((dict(speed_gain=6.0, speed_integral=9.0, delay=0.02), 0.05, 0.05),
            (dict(speed_gain=2.0, delay=0.03), 0.05, 0.05),
            (dict(speed_gain=2.0, delay=0.03, rotor_friction=0.1), 0.05, 0.05),
            (dict(position_sensor="arm", position_gain=4.0), 0.05, 0.15),
            (dict(position_sensor="arm", position_gain=4.0, rotor_friction=0.05), 0.2, 0.4))
    for change, of_f, of_amplitude in rows:
        p = {**SLOW, **change}
        d = tame(**p)
        assert d["oscillates"] is True, (change, d)
        f = d["frequency_Hz"]["value"]
        found = simulated(p, min(40, max(6, 20 / f)), 1.0)
        near(f / found[0], 1, of_f, f"{change} frequency, in time {found}")
        near(d["amplitude_deg"]["value"] / found[1], 1, of_amplitude, f"{change} amplitude {d['amplitude_deg']}, in time {found}")
        assert d["amplitude"] == d["amplitude_deg"]
        if of_amplitude < 0.1:
            near(d["amplitude_Nm"]["value"] / found[2], 1, 0.1, f"{change} gear {d['amplitude_Nm']}, in time {found}")


def what_does_not_oscillate():
    """The same joint with lesser gains, and with the advised ones: dies out in time too."""
    for change in (dict(), dict(speed_gain=3.0, speed_integral=9.0)):
        p = {**SLOW, **change}
        d = tame(**p)
        assert d["oscillates"] is False and d["amplitude"] is None, d
        assert simulated(p, 12, 1.0)[2] < 1e-3, change
    p = {**SLOW, "speed_gain": 6.0, "speed_integral": 9.0, "delay": 0.02}
    a = tame(**p)["advised"]
    assert a["gain_margin_dB"]["value"] >= 6 and a["phase_margin_deg"]["value"] >= 45 and not a["keep"]
    p.update(speed_gain=a["speed_gain_Nms_per_rad"], speed_integral=a["speed_integral_Nm_per_rad"], position_gain=a["position_gain_per_s"])
    assert simulated(p, 20, 0.2)[2] < 1e-3, a
    again = tame(**p)
    assert again["advised"]["keep"] and again["gain_margin_dB"] == a["gain_margin_dB"], again


def refuses():
    for change, words in ((dict(stiffness=None), "stiffness"), (dict(rotor_inertia=0.0), "more than 0"), (dict(delay=-1.0), "0 or more"),
                          (dict(speed_sensor="tip"), "rotor or arm"), (dict(speed_gain="1 A.s/rad"), "torque_constant"),
                          (dict(speed_gain="1 N.m"), "speed_gain"), (dict(rotor_inertia=None), "rotor_inertia"), (dict(wobble="1"), "--keys")):
        d = bridle("--loop", write(**{k: v for k, v in {**SLOW, **change}.items() if v is not None}), status=2)
        assert words in d["message"] and "joint.ini" in d["message"], (change, d)
    assert "--loop is missing" in bridle(status=2)["message"]
    assert "there is no file" in bridle("--loop", home / "none.ini", status=2)["message"]


def from_play():
    """Figures of `play --json` fill what was not typed: lost motion less the twist at 3 % both ways is the play."""
    (home / "play.json").write_text(json.dumps({
        "lost_motion_arcmin": {"value": 4.48, "u": 0.05}, "stiffness_Nm_per_arcmin": {"value": 5, "u": 0.1}, "rated_Nm": 40,
        "stiffness_near_zero_Nm_per_arcmin": None, "lever_play_arcmin": None, "coulomb_Nm": {"value": 0.8, "u": 0.02},
        "viscous_Nm_per_rpm": {"value": 0.01, "u": 0.001}}))
    arcmin = math.pi / 180 / 60
    bare = dict(rotor_inertia=0.05, arm_inertia=0.5, speed_gain=9.0, speed_integral=20.0, position_gain=8.0, torque_bandwidth=200.0,
                delay=0.003, torque_limit=40.0, position_sensor="arm")
    with_play = bridle("--loop", write(**bare), "--play", home / "play.json")
    typed = tame(**bare, stiffness=5 / arcmin, play=(4.48 - 2 * 1.2 / 5) * arcmin, rotor_friction=0.8, rotor_viscous=0.01 * 30 / math.pi)
    for key in ("gain_margin_dB", "phase_margin_deg"):
        near(with_play[key]["value"], typed[key]["value"], 1e-9)
        assert with_play[key]["u"] > 0 == typed[key]["u"], key
    assert with_play["oscillates"] == typed["oscillates"]
    # margins do not know the play: the amplitude of the hunting does
    assert typed["oscillates"] is True, typed
    near(with_play["amplitude_deg"]["value"] / typed["amplitude_deg"]["value"], 1, 1e-6)


def units_of_the_rotor():
    """Rotor, ratio and ampere against the same joint typed at the output."""
    at_output = tame(**{**SLOW, "speed_gain": 2.0, "speed_integral": 4.0})
    n, kt = 10, 0.1
    d = tame(**{**SLOW, "ratio": n, "rotor_inertia": 0.05 / n**2, "torque_constant": kt, "speed_gain": f"{2 / n**2 / kt} A.s/rad",
                "speed_integral": f"{4 / n**2 / kt} A/rad"})
    near(d["gain_margin_dB"]["value"], at_output["gain_margin_dB"]["value"], 1e-6)
    near(d["phase_margin_deg"]["value"], at_output["phase_margin_deg"]["value"], 1e-6)
    a, b = d["advised"], at_output["advised"]
    near(a["speed_gain_As_per_rad"] * kt * n**2 / b["speed_gain_Nms_per_rad"], 1, 1e-9)


if __name__ == "__main__":
    tests = [textbook_loops, a_delay, symmetrical_optimum, random_loops, uncertain_numbers, the_ratio_s_uncertainty, limit_cycles, what_does_not_oscillate,
             from_play, units_of_the_rotor, refuses]
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
