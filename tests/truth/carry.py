#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""How often the intervals of `hold`, `play`, `obey`, `ripple` and `suit`, and of `suit` with what `hold` found, hold the truth: records of virtual actuators whose figures
are drawn anew for each, made here by models of their own (explicit steps of time, nothing of the program), read with --from.

    python3 tests/truth/carry.py --rigs 24           # the size of the suite, about 20 s of processor time
    python3 tests/truth/carry.py --rigs 1000         # the size that counts; hold play obey ripple suit chain: some kinds only

A kind fails outside three standard errors of a count about 95 % (never narrower than 93 to 97 %), and where its intervals are slack: the
errors' root mean square is too small beside their half-widths."""
import argparse
import json
import math
import pathlib
import random
import sys
import tempfile

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parents[1] / "bench"))
import harness  # noqa: E402

T95 = {1: 12.71, 2: 4.303, 3: 3.182, 4: 2.776, 5: 2.571, 6: 2.447, 8: 2.306, 10: 2.228, 15: 2.131, 20: 2.086, 30: 2.042, 60: 2.0}


def factor(dof):
    """Student's t for 95 %, from a printed table, the next smaller number of degrees of freedom."""
    return 1.96 if not dof or dof > 120 else T95[max(d for d in T95 if d <= max(1, dof))]


def holds(number, truth):
    """Is the truth in the interval, and error over half of its width."""
    if number is None or not number["u"]:
        return False, math.nan
    part = (number["value"] - truth) / (factor(number.get("dof")) * number["u"])
    return abs(part) <= 1, part


def write(folder, name, heading, rows):
    path = pathlib.Path(folder) / name
    path.write_text(heading + "\n" + "\n".join(",".join(f"{x:.6g}" for x in row) for row in rows) + "\n")
    return path


def asked(*words):
    done = harness.run(*words, "--json")
    assert done.status in (0, 1), done  # suit: 1 is a requirement that is refuted
    return done.json


class Stores:
    """Winding and case, in explicit steps."""

    def __init__(self, r, ambient):
        self.Rw, self.Rc = r.uniform(0.4, 2), r.uniform(0.8, 4)
        self.Cw, self.Cc = r.uniform(30, 80) / self.Rw, r.uniform(800, 2500) / self.Rc
        self.fixed, self.square, self.ambient = r.uniform(0.5, 3), r.uniform(0.02, 0.06), ambient
        self.w = self.c = ambient

    def loss(self, torque):
        return self.fixed + self.square * torque * torque if torque else 0

    def step(self, torque, dt):
        q = (self.w - self.c) / self.Rw
        self.w, self.c = self.w + dt * (self.loss(torque) - q) / self.Cw, self.c + dt * (q - (self.c - self.ambient) / self.Rc) / self.Cc

    def steady(self, torque):
        return self.ambient + (self.Rw + self.Rc) * self.loss(torque)


def hold(r, folder):
    """Time from cold to a limit at a torque that was not held."""
    body, rows, dt = Stores(r, 22), [], 0.5
    low, high = r.uniform(8, 12), r.uniform(14, 18)
    for i in range(18000):
        t = i * dt
        torque = low if t < 3000 else high if t < 6000 else 0
        if i % 40 == 0:
            rows.append((t, body.w + r.gauss(0, 0.3), body.c + r.gauss(0, 0.3), 22, torque, body.loss(torque)))
        body.step(torque, dt)
    table = write(folder, "hold.csv", "time (s),winding (degC),case (degC),ambient (degC),torque (N.m),loss (W)", rows)
    ask = 1.3 * high
    limit = 22 + 0.7 * (body.steady(ask) - 22)
    told = asked("hold", "--from", table, "--limit", f"{limit:.6f} degC", "--torques", f"{ask:.6f}")
    found = told["holding"][0]
    for_ever = math.sqrt(((limit - 22) / (body.Rw + body.Rc) - body.fixed) / body.square)
    body.w = body.c = 22
    time = 0
    while body.w < limit:
        body.step(ask, 0.1)
        time += 0.1
    low, high = found["low_s"], found["high_s"] or math.inf
    return {"hold: time to limit": (low - 0.1 <= time <= high + 0.1, (found["time_s"] - time) / ((high - low) / 2)),
            "hold: continuous torque": holds(told["continuous_torque_Nm"], for_ever)}


def play(r, folder):
    gap, K, rated, noise = r.uniform(1, 10), r.uniform(2, 10), r.uniform(15, 60), r.uniform(0.02, 0.15)
    H, s, rows, n = r.uniform(0, 0.025) * rated, 0.0, [], 400
    for i in range(4 * n + 1):
        x = i / n
        T = rated * (x if x <= 1 else 1 - (x - 1) / 0.75 if x <= 2.5 else -1 + (x - 2.5) / 0.75)
        s = min(max(s, T - H), T + H)
        rows.append((T, s / K + (gap / 2 if s > 0 else -gap / 2 if s < 0 else 0) + r.gauss(0, noise)))
    found = asked("play", "--from", write(folder, "loop.csv", "torque (N.m),angle (arcmin)", rows), "--rated", f"{rated:.9f}")
    return {"play: lost motion": holds(found["lost_motion_arcmin"], gap + 2 * 0.03 * rated / K),
            "play: stiffness": holds(found["stiffness_Nm_per_arcmin"], K)}


def obey(r, folder):
    """Dry friction that grows with the load: after a turn the torque stays until the other branch is reached."""
    gain, offset, dead = r.uniform(0.85, 1.1), r.uniform(-0.3, 0.3), r.uniform(0, 0.8)
    most, noise, steps, rows = r.uniform(10, 40), r.uniform(0.02, 0.1), r.choice((8, 25, 100)), []
    width, growth = r.uniform(0, 0.4), r.uniform(0, 0.25)
    out = offset
    for i in range(1, 4 * steps + 1):
        x = i / steps
        c = most * (x if x < 1 else 2 - x if x < 3 else x - 4)
        middle = gain * math.copysign(max(abs(c) - dead / 2, 0), c) + offset
        half = (width + growth * abs(c)) / 2
        out = min(max(out, middle - half), middle + half)
        rows.append((c, out + r.gauss(0, noise)))
    found = asked("obey", "--from", write(folder, "slow.csv", "commanded (N.m),measured (N.m)", rows))
    return {"obey: gain": holds(found["gain"], gain), "obey: offset": holds(found["offset_Nm"], offset),
            "obey: dead band": holds(found["dead_band_Nm"], dead),
            "obey: hysteresis": holds(found["hysteresis_Nm"], width + growth * most / 2)}


def ripple(r, folder):
    waves = {2: r.uniform(0.05, 0.5), 9: r.uniform(0.02, 0.2), 36: r.uniform(0.02, 0.2)}
    phase, noise = {k: r.uniform(0, 6.28) for k in waves}, r.uniform(0.01, 0.1)
    rows = []
    for i in range(12000):
        turn = i / 2000
        rows.append((360 * turn, 12 + sum(a * math.sin(2 * math.pi * k * turn + phase[k]) for k, a in waves.items()) + r.gauss(0, noise)))
    found = asked("ripple", "--from", write(folder, "turn.csv", "angle (deg),torque (N.m)", rows), "--ratio", "9", "--orders", "2,36")
    known = {o["order"]: o["amplitude_Nm"] for o in found["orders"]}
    steps = [sum(a * math.sin(2 * math.pi * k * i / 5000 + phase[k]) for k, a in waves.items()) for i in range(5000)]
    return {f"ripple: order {k}": holds(known.get(k), a) for k, a in waves.items()} | {
        "ripple: RMS": holds(found["rms_Nm"], math.sqrt(sum(a * a for a in waves.values()) / 2)),
        "ripple: peak to peak": holds(found["peak_to_peak_Nm"], max(steps) - min(steps))}


def suit(r, folder):
    """The model's figures are given with errors of their stated u; the truth is without."""
    body, u = Stores(r, 22), 0.03

    def told(value):
        return {"value": value * (1 + r.gauss(0, u)), "u": value * u}

    model = {"winding": {"tau_s": told(body.Rw * body.Cw), "resistance_K_per_W": told(body.Rw)},
             "case": {"tau_s": told(body.Rc * body.Cc), "resistance_K_per_W": told(body.Rc)}}
    doc = {"model": model, "loss": {"unit": "W", "fixed": body.fixed, "per_Nm2": body.square, "per_K": 0, "at_degC": 22}, "limit": 150,
           "ambient_degC": 22, "continuous_torque_Nm": {"value": 15, "u": 0.3}, "case_share": body.Rc / body.Rw}
    pathlib.Path(folder, "model.json").write_text(json.dumps(doc))
    on, off, torque, dt = r.uniform(20, 120), r.uniform(20, 120), r.uniform(8, 20), 0.25
    rows = [(0, torque, 10), (on, torque, 10), (on + 0.01, 0, 10), (on + off, 0, 10)]
    table = write(folder, "duty.csv", "time (s),torque (N.m),speed (rpm)", rows)
    found = asked("suit", "--from", table, "--thermal", pathlib.Path(folder, "model.json"))
    # begun at the steady state of the mean loss, so that few cycles reach the one that repeats
    mean = (on * body.loss(torque)) / (on + off)
    body.c = 22 + body.Rc * mean
    body.w = body.c + body.Rw * mean
    peak = 0
    for cycle in range(60):
        peak = 0
        for i in range(round((on + off) / dt)):
            body.step(torque if i * dt < on else 0, dt)
            peak = max(peak, body.w)
    return {"suit: peak temperature": holds(found["peak_winding_degC"], peak)}


def chain(r, folder):
    """The whole way: a hold is recorded, with noise, by a meter and a cell that are off by their stated u; its model goes into the joint's cycle."""
    body, rows, dt, u_torque, u_loss = Stores(r, 22), [], 0.1, 0.01, 0.02
    low, high, torque_off, loss_off = r.uniform(8, 12), r.uniform(14, 18), 1 + r.gauss(0, u_torque), 1 + r.gauss(0, u_loss)
    for i in range(90000):
        torque = low if i < 30000 else high if i < 60000 else 0
        if i % 200 == 0:
            rows.append((i * dt, body.w + r.gauss(0, 0.3), body.c + r.gauss(0, 0.3), 22, torque * torque_off, body.loss(torque) * loss_off))
        body.step(torque, dt)
    table = write(folder, "hold.csv", "time (s),winding (degC),case (degC),ambient (degC),torque (N.m),loss (W)", rows)
    told = asked("hold", "--from", table, "--limit", "150 degC", "--u-torque", u_torque, "--u-loss", u_loss)
    pathlib.Path(folder, "model.json").write_text(json.dumps(told))
    on, off, torque = r.uniform(20, 120), r.uniform(20, 120), r.uniform(8, 20)
    duty = write(folder, "duty.csv", "time (s),torque (N.m),speed (rpm)", [(0, torque, 10), (on, torque, 10), (on + 0.01, 0, 10), (on + off, 0, 10)])
    found = asked("suit", "--from", duty, "--thermal", pathlib.Path(folder, "model.json"))
    mean = on * body.loss(torque) / (on + off)
    body.c = 22 + body.Rc * mean
    body.w = body.c + body.Rw * mean
    for cycle in range(40):
        peak = 0
        for i in range(round((on + off) / dt)):
            body.step(torque if i * dt < on else 0, dt)
            peak = max(peak, body.w)
    return {"suit after a hold: peak temperature": holds(found["peak_winding_degC"], peak)}


KINDS = {"hold": hold, "play": play, "obey": obey, "ripple": ripple, "suit": suit, "chain": chain}


def main():
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("kinds", nargs="*", default=list(KINDS), metavar="KIND")
    options.add_argument("--rigs", type=int, default=24)
    options.add_argument("--first", type=int, default=1)
    want = options.parse_args()
    failed = False
    print(f"1..{len(want.kinds)}")
    for number, kind in enumerate(want.kinds, 1):
        inside = {}
        with tempfile.TemporaryDirectory(prefix="bridle-carry-") as folder:
            for seed in range(want.first, want.first + want.rigs):
                for figure, yes in KINDS[kind](random.Random(f"{kind} {seed}"), folder).items():
                    inside.setdefault(figure, []).append(yes)
        good = True
        for figure, yes in inside.items():
            known = [part for _, part in yes if math.isfinite(part)]
            bias, rms = sum(known) / len(known), math.sqrt(sum(part * part for part in known) / len(known))
            yes = [inside for inside, _ in yes]
            share, error = sum(yes) / len(yes), math.sqrt(0.95 * 0.05 / len(yes))
            least, most = 0.95 - max(0.02, 3 * error), 0.95 + max(0.02, 3 * error)
            good = good and least <= share <= most and rms >= 0.51 * (1 - 4 / math.sqrt(2 * len(known)))
            print(f"# {figure}: {sum(yes)} of {len(yes)} ({100 * share:.1f} %, standard error {100 * error:.1f} %); "
                  f"error over half of the width: mean {bias:.2f}, RMS {rms:.2f}, 0.51 for a normal one")
        failed |= not good
        print(f"{'ok' if good else 'not ok'} {number} - {kind}", flush=True)
    raise SystemExit(1 if failed else 0)


if __name__ == "__main__":
    main()
