#!/usr/bin/env python3
"""How many verdicts on claims are wrong? Many virtual rigs are calibrated, mapped and swept for real by plans of many kinds, and
on each curve claims are judged that were drawn at -6 to +6 of the expanded uncertainty about the truth.

The truth is this file's own: the steady state of a permanent-magnet motor behind a gear, by the drawn figures of
run/truth.json, at the claims' voltage and at the winding's true temperature near the place, with what the bench's true means
(run/truth.csv) differ from that model at the free points carried over. A verdict is wrong when it confirms a claim above the truth
or refutes one below; where heat leaves a range of truths (rising and falling way), when it contradicts all of them.

How sure the shares are comes from the rigs: standard errors of the mean of the rigs' own shares."""
import argparse
import bisect
import concurrent.futures
import functools
import json
import math
import pathlib
import random
import re
import signal
import sqlite3
import statistics
import sys
import time

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parents[1] / "bench"))
import harness  # noqa: E402

VOLT = 48.0
SETS = 4  # of five claims on each curve

SPEED, FAST = "drive = speed\nspeed = 90 rpm", "drive = speed\nspeed = {fast} rpm"
CURRENT, LITTLE = "drive = current\ncurrent = 11 A", "drive = current\ncurrent = 5 A"
# kind: drive, steps in N.m, down, claims, width of a step in N.m
PLANS = {
    "held, fine": (SPEED, "0, 4, 8, 12, 16, 20, 24, 28, 32, 36", "no", "no", 4),
    "held, coarse": (SPEED, "0, 10, 20, 30, 40", "no", "no", 10),
    "held, serves claims": (SPEED, "0, 10, 20, 30, 36", "no", "yes", 10),
    "free, fine": (CURRENT, "2, 6, 10, 14, 18, 22, 26, 30, 34, 38", "no", "no", 4),
    "free, coarse": (CURRENT, "2, 10, 20, 30, 38", "no", "no", 10),
    "free, odd places": (CURRENT, "3, 7, 16, 19, 31", "no", "no", 8),
    "free, up and down": (CURRENT, "2, 9, 16, 23, 30", "yes", "no", 7),
    "fast, 5 N.m": (FAST, "0, 5, 10, 15, 20, 25, 30, 35", "no", "no", 5),
    "too little current": (LITTLE, "2, 6, 10, 14, 18, 22", "no", "no", 4),
    "stopped, resumed": (FAST, "0, 5, 10, 15, 20, 25, 30, 35", "no", "no", 5),
    "supply sags": (FAST, "0, 5, 10, 15, 20, 25, 30, 35", "no", "no", 5),
    "supply dialled low": (CURRENT, "2, 8, 14, 20, 26, 32", "no", "no", 6),
}
KINDS = ("rated_torque", "peak_torque", "no_load_speed", "peak_efficiency", "rated_power")


def plan_text(kind, fast):
    drive, steps, down, claims, _ = PLANS[kind]
    text = (f"[plan]\nactuator = paddle-winder\nload = torque\n{drive.format(fast=fast)}\n[steps]\ntorque = {steps} N.m\ndown = {down}\n"
            f"repeat_first = no\n[steady]\ndwell = 3 s\nwindow = 2 s\ntimeout = 15 s\n")
    return text.replace("[steady]", "claims = yes\n[steady]") if claims == "yes" else text


class Truth:
    """The bench's cumulative integrals and its winding's temperature, by time."""
    NAMES = ("t_s", "int_torque_Nms", "int_speed_rad", "int_work_J", "int_voltage_Vs", "int_electric_J", "winding_degC")

    def __init__(self, path):
        with open(path) as file:
            header = file.readline().strip().split(",")
            self.column = {name: [] for name in self.NAMES}
            at = [(header.index(name), self.column[name]) for name in self.NAMES]
            for line in file:
                words = line.split(",")
                if len(words) == len(header):
                    for i, column in at:
                        column.append(float(words[i]))

    def at(self, name, t):
        times, column = self.column["t_s"], self.column[name]
        i = min(max(bisect.bisect_right(times, t), 1), len(times) - 1)
        return column[i - 1] + (t - times[i - 1]) / (times[i] - times[i - 1]) * (column[i] - column[i - 1])

    def mean(self, name, begin, end):
        return (self.at(name, end) - self.at(name, begin)) / (end - begin)


class Winder:
    """The actuator's steady state. Speeds in rad/s at the output."""

    def __init__(self, truth):
        v = truth["virtual"]
        self.motor, self.gear, self.drive = v["motor"], v["gear"], v["drive"]

        def get(section, word):
            return next(value for key, value in section.items() if key == word or key.startswith(word + "_"))
        self.kt0, self.saturation, self.ohm20 = get(self.motor, "k_t"), get(self.motor, "saturation"), get(self.motor, "resistance")
        self.iron, self.iron_speed = self.motor["iron_Nm"], next(x for k, x in self.motor.items() if k.startswith("iron_speed"))
        self.n, self.coulomb = get(self.gear, "ratio"), get(self.gear, "coulomb")
        self.viscous, self.load = get(self.gear, "viscous"), get(self.gear, "load_loss")
        self.limit, self.modulation = get(self.drive, "current_limit"), get(self.drive, "modulation")
        self.standby, self.switch_V = get(self.drive, "standby"), get(self.drive, "switch_voltage")
        self.switch_ohm = get(self.drive, "switch_resistance")

    def ohm(self, degC):
        return self.ohm20 * (234.5 + degC) / 254.5

    def kt(self, amp):
        return self.kt0 / (1 + (amp / self.saturation) ** 2)

    def torque_of(self, amp, w):
        rotor = self.kt(amp) * amp - self.iron - self.iron_speed * w * self.n
        return (self.n * rotor - self.coulomb - self.viscous * w) / (1 + self.load)

    def amp_of(self, torque, w):
        rotor = (torque * (1 + self.load) + self.coulomb + self.viscous * w) / self.n + self.iron + self.iron_speed * w * self.n
        amp = 0.0
        for _ in range(12):
            amp = rotor / self.kt(amp)
        return amp

    def speed_free(self, torque, volt, degC):
        """Where the whole voltage is used up."""
        low, high = 0.0, 30.0
        for _ in range(36):
            w = (low + high) / 2
            amp = self.amp_of(torque, w)
            need = self.ohm(degC) * amp + self.kt(amp) * w * self.n
            low, high = (w, high) if need < self.modulation * volt else (low, w)
        return low

    def torque_free(self, w, volt, degC):
        low, high = -5.0, 60.0
        for _ in range(36):
            torque = (low + high) / 2
            low, high = (torque, high) if self.speed_free(torque, volt, degC) > w else (low, torque)
        return low

    def efficiency(self, torque, w, degC):
        amp = self.amp_of(torque, w)
        power = (self.ohm(degC) * amp ** 2 + self.kt(amp) * amp * w * self.n + self.standby + self.switch_V * amp +
                 self.switch_ohm * amp ** 2)
        return torque * w / power


def rpm(w):
    return w * 30 / math.pi


def rad(n):
    return n * math.pi / 30


class Place:
    """The truth of one window."""

    def __init__(self, winder, truth, point):
        begin, end = point["begin_s"], point["end_s"]
        self.torque, self.w = truth.mean("int_torque_Nms", begin, end), truth.mean("int_speed_rad", begin, end)
        self.eta = truth.mean("int_work_J", begin, end) / truth.mean("int_electric_J", begin, end)
        self.degC = truth.at("winding_degC", (begin + end) / 2)
        self.volt = truth.mean("int_voltage_Vs", begin, end)
        self.point = point
        # in rad/s: what the bench does beyond the model
        self.beyond = self.w - winder.speed_free(self.torque, self.volt, self.degC)
        self.free = abs(self.beyond) < 0.01 * self.w  # otherwise something held it
        self.eta_beyond = self.eta - winder.efficiency(self.torque, self.w, self.degC)


def weights_about(places, torque):
    """The two places about a torque and how far between them."""
    places = sorted(places, key=lambda p: p.torque)
    after = next((i for i, p in enumerate(places) if p.torque > torque), len(places) - 1)
    a, b = places[max(after - 1, 0)], places[after]
    share = min(max((torque - a.torque) / (b.torque - a.torque), 0), 1) if b is not a else 0
    return a, b, share


class True_:
    """The actuator's own curve at VOLT over one way of the sweep."""

    def __init__(self, winder, places):
        self.winder, self.places, self.free = winder, places, [p for p in places if p.free]

    def between(self, torque, what, among=None):
        a, b, share = weights_about(among or self.free or self.places, torque)
        return what(a) * (1 - share) + what(b) * share

    def speed(self, torque):
        degC = self.between(torque, lambda p: p.degC)
        beyond = self.between(torque, lambda p: p.beyond) if self.free else 0
        return self.winder.speed_free(torque, VOLT, degC) + beyond

    def torque(self, w):
        low, high = 0.0, 45.0
        for _ in range(30):
            torque = (low + high) / 2
            low, high = (torque, high) if self.speed(torque) > w else (low, torque)
        return low

    def most(self):
        """The drive's own limit at a crawl."""
        return self.winder.torque_of(self.winder.limit, 0.1)

    @functools.lru_cache(maxsize=None)
    def peak_efficiency(self, w=None):
        best = 0
        for i in range(4, 70):
            torque = i / 2
            speed = w or self.speed(torque)
            degC = self.between(torque, lambda p: p.degC, self.places)
            best = max(best, self.winder.efficiency(torque, speed, degC) + self.between(torque, lambda p: p.eta_beyond, self.places))
        return best

    @functools.lru_cache(maxsize=None)
    def peak_power(self):
        best = 0
        for i in range(1, 90):
            torque = i / 2
            w = self.speed(torque)
            if self.winder.amp_of(torque, w) < self.winder.limit:
                best = max(best, torque * w)
        return best


def claim_line(key, value, at=None):
    unit = {"rated_torque": "N.m", "peak_torque": "N.m", "no_load_speed": "rpm", "peak_efficiency": "%", "rated_power": "W"}[key]
    shown = 100 * value if unit == "%" else value
    return f"{key} = {shown:.6f} {unit}" + (f" @ {at:.6f} rpm" if at else "")


def expanded(point, key):
    return point["U_" + key] or 0


def draw(rng, kind, ways, points):
    """Five claims: key, value, speed, low and high truth, distance in U, whether the plan serves it."""
    up, settled = ways[0], [p for p in points if p["settled"] and p["direction"] != "down"]
    width, held = PLANS[kind][4], PLANS[kind][0] == SPEED
    heaviest = max(settled, key=lambda p: p["torque_Nm"])
    free = [p for p in up.free] or up.places
    ret = []

    def add(key, truths, U, at=None, serves=lambda value: True, about=None):
        z = rng.uniform(-6, 6)
        value = (about or (max(truths) if z > 0 else min(truths))) + z * U
        if value > 0 and not (key == "peak_efficiency" and value > 1):  # no file may state more than 100 %
            ret.append((key, value, at, min(truths), max(truths), z, serves(value)))

    def nearest(torque):
        return min(settled, key=lambda p: abs(p["torque_Nm"] - torque))

    # torque at a speed, within what the drive's own limit leaves
    T = rng.uniform(min(p.torque for p in free) + 1, min(max(p.torque for p in free), 33))
    at = rpm(up.speed(T))
    near = nearest(T)
    slope = abs(up.speed(T + 1) - up.speed(T - 1)) / 2
    U = math.hypot(expanded(near, "torque_Nm"), up.speed(0.1) / slope * expanded(near, "voltage_V") / VOLT)
    on_curve = {p.point["step"] for p in up.free}
    add("rated_torque", [w.torque(rad(at)) for w in ways], U, at,
        lambda value: any(abs(p["torque_Nm"] - value) <= width for p in settled) and
        near["step"] in on_curve and value <= heaviest["torque_Nm"] and (not held or at < 89.9))
    # One set about the truth, one about what was shown: that a claim lies beyond what was shown refutes nothing.
    shown = rng.random() < 0.5
    add("peak_torque", [up.most()], expanded(heaviest, "torque_Nm"), None, lambda value: value < heaviest["torque_Nm"],
        heaviest["torque_Nm"] if shown else None)
    light = min(settled, key=lambda p: p["torque_Nm"])
    U = math.hypot(expanded(light, "speed_rpm"), rpm(up.speed(0.1)) * expanded(light, "voltage_V") / VOLT)
    add("no_load_speed", [rpm(w.speed(0.0)) for w in ways], U, None, lambda value: light["step"] in on_curve)
    best = max(settled, key=lambda p: p["efficiency"] or 0)
    at = 90.0 if held and rng.random() < 0.7 else None
    add("peak_efficiency", [w.peak_efficiency(rad(at) if at else None) for w in ways], expanded(best, "efficiency"), at,
        lambda value: best is not heaviest and (at is not None or best["step"] in on_curve))
    strong = max(settled, key=lambda p: p["shaft_power_W"])
    U = math.hypot(expanded(strong, "shaft_power_W"), strong["shaft_power_W"] * expanded(strong, "voltage_V") / VOLT)
    truth = up.peak_power()
    add("rated_power", [truth], U, None, lambda value: value < strong["shaft_power_W"], strong["shaft_power_W"] if shown else None)
    return ret


def is_wrong(verdict, value, low, high):
    return (verdict == "confirmed" and value > high) or (verdict == "refuted" and value < low)


def claims_file(bench, name, claims):
    text = re.sub(r"(?ms)^\[claims\].*?(?=^\[)", "", (bench.folder / "actuators" / "paddle-winder.ini").read_text())
    path = bench.folder / name
    path.write_text(text + f"\n[claims]\nvoltage = {VOLT} V\n" + "\n".join(claim_line(c[0], c[1], c[2]) for c in claims) + "\n")
    return path


def agreeing(claims):
    """The claims in lists that a data sheet could hold: one that rates the torque above its peak is refused as a mistake."""
    at = {claim[0]: claim[1] for claim in claims}
    if at.get("rated_torque", 0) <= at.get("peak_torque", math.inf):
        return [claims]
    return [[claim for claim in claims if claim[0] != "peak_torque"], [claim for claim in claims if claim[0] == "peak_torque"]]


def stop_in_the_middle(bench, name):
    """Press Ctrl-C when some points are on the disk."""
    def ask(query):
        with sqlite3.connect(f"file:{bench.folder / 'logbook'}?mode=ro", uri=True, timeout=5) as db:
            return db.execute(query).fetchone()[0]

    before = ask("SELECT max(id) FROM run")
    process = bench.popen("sweep", name, "--forced", "the study")

    def enough():
        return process.poll() is not None or ask(f"SELECT count(*) FROM point WHERE run_id > {before} AND NOT flags & 8") >= 4
    harness.wait_for(enough, 300, "four points")
    if process.poll() is None:
        process.send_signal(signal.SIGINT)
    process.communicate()


def judge(bench, kind, name, run_id, winder, rng, rows, seed):
    doc = bench.must("report", run_id, "--no-figures")
    truth = Truth(bench.folder / "run" / "truth.csv")
    usable = [p for p in doc["points"] if p["settled"] and p["torque_Nm"] is not None and p["torque_Nm"] > 0]
    ways = []
    for way in ("up", "down"):
        places = [Place(winder, truth, p) for p in usable if p["direction"] == way]
        if places and (way == "up" or any(p.free for p in places)):
            ways.append(True_(winder, places))
    for number in range(SETS):
        claims = draw(rng, kind, ways, usable)
        judged = []
        for part, together in enumerate(agreeing(claims)):
            path = claims_file(bench, f"claims-{number}{part}.ini", together)
            judged += bench.must("report", run_id, "--no-figures", "--claims", path)["claims"]
        for key, value, at, low, high, z, serves in claims:
            verdict = next(c for c in judged if c["claim"] == key)
            rows.append({"seed": seed, "plan": kind, "claim": key, "z": z, "verdict": verdict["verdict"], "serves": serves, "value": value,
                         "at": at, "truth": [low, high], "low": verdict["low"], "high": verdict["high"],
                         "wrong": is_wrong(verdict["verdict"], value, low, high), "why": verdict["why"]})


def edit_for(trouble):
    def edit(folder):
        path = folder / "virtual.ini"
        text = path.read_text()
        if trouble == "supply sags":  # about 4 A where rig.ini says 12 A
            text = re.sub(r"(?m)^current_limit = 1 .*$", "current_limit = 0.35 ± 10 % normal", text, count=1)
        if trouble == "supply dialled low":
            text = re.sub(r"(?m)^voltage = 1 .*$", "voltage = 0.965 ± 0.3 % normal", text, count=1)
        path.write_text(text)
    return edit


def one_rig(job):
    """A rig that fails is told and left out: it gives no verdict."""
    rows = []
    try:
        run_rig(job, rows)
    except (AssertionError, sqlite3.Error) as wrong:
        print(f"# rig {job[0]}: {str(wrong)[:600]}", file=sys.stderr)
    return rows


def run_rig(job, rows):
    seed, kinds = job
    rng = random.Random(seed)
    trouble = kinds[0] if kinds[0].startswith("supply") else None
    with harness.Bench(seed, edit=edit_for(trouble)) as bench:
        bench.must("hang", "--hands", "--series", "1", timeout=900)
        if trouble == "supply sags":
            bench.must("map", "--actuator", "paddle-winder", "--currents", "5", "--speeds", "10, 20", timeout=900)
        else:
            bench.must("map", "--actuator", "paddle-winder", "--currents", "5", timeout=900)
        winder = Winder(json.loads((bench.folder / "run" / "truth.json").read_text()))
        fast = math.floor(rpm(winder.speed_free(0.7, 0.99 * VOLT, 25)) * 1.03)
        for number, kind in enumerate(kinds):
            name = f"plan{number}"
            (bench.folder / "plans" / f"{name}.ini").write_text(plan_text(kind, fast))
            resume = []
            if kind == "stopped, resumed":
                stop_in_the_middle(bench, name)
                resume = ["--resume"]
            done = bench.run("sweep", name, "--forced", "the study", "--json", *resume, timeout=900)
            with sqlite3.connect(f"file:{bench.folder / 'logbook'}?mode=ro", uri=True, timeout=5) as db:
                run_id = db.execute("SELECT max(id) FROM run WHERE kind = 'sweep'").fetchone()[0]
            if done.status in (0, 1, 4):
                judge(bench, kind, name, run_id, winder, rng, rows, seed)
            else:
                print(f"# rig {seed}, {kind}: {done.out[:300]}", file=sys.stderr)


def share(rows, test, of):
    """In percent, with its standard error over rigs."""
    per_rig = {}
    for row in rows:
        if of(row):
            per_rig.setdefault(row["seed"], []).append(bool(test(row)))
    n = sum(len(x) for x in per_rig.values())
    if n == 0:
        return math.nan, math.nan, 0
    mean = 100 * sum(sum(x) for x in per_rig.values()) / n
    # ratio estimator: rigs weigh by how many they have
    off = [(100 * sum(x) - mean * len(x)) for x in per_rig.values()]
    sure = math.sqrt(sum(x * x for x in off) * len(off) / max(len(off) - 1, 1)) / n if len(off) > 1 else math.nan
    return mean, sure, n


def given(row):
    return row["verdict"] in ("confirmed", "refuted")


def print_table(rows, by, names):
    print(f"{by:<22} {'claims':>7} {'given':>7} {'wrong of those given':>24} {'decided beyond 3 U, served':>30}")
    for name in [*names, "all"]:
        mine = [row for row in rows if name == "all" or row[by] == name]
        if not mine:
            continue
        wrong, sure, n = share(mine, lambda r: r["wrong"], given)
        decided, sure_d, far = share(mine, given, lambda r: abs(r["z"]) > 3 and r["serves"])
        print(f"{name:<22} {len(mine):>7} {n:>7} {wrong:>12.1f} ± {sure:>4.1f} %     {decided:>14.1f} ± {sure_d:>4.1f} % of {far:>5}")


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    parser.add_argument("--rigs", type=int, default=200)
    parser.add_argument("--first", type=int, default=30001)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--plans", type=int, default=3, help="plans on each rig")
    parser.add_argument("--only", help="this kind of plan alone")
    parser.add_argument("--wrong", type=float, default=5, help="most of the verdicts given that may be wrong, %%")
    parser.add_argument("--decided", type=float, default=80, help="least that must be decided of claims beyond 3 U that the plan serves, %%")
    parser.add_argument("--rows", help="write every claim to this file, one JSON document a line")
    options = parser.parse_args()
    ordinary = [kind for kind in PLANS if not kind.startswith("supply")]
    jobs = []
    for i in range(options.rigs):
        if options.only:
            kinds = [options.only]
        elif i % 6 == 4:
            kinds = ["supply dialled low"] * 2
        elif i % 6 == 5:
            kinds = ["supply sags"]
        else:
            kinds = [ordinary[(options.plans * i + j) % len(ordinary)] for j in range(options.plans)]
        jobs.append((options.first + i, kinds))
    rows, began = [], time.time()
    with concurrent.futures.ThreadPoolExecutor(options.jobs) as pool:
        for done, result in enumerate(pool.map(one_rig, jobs), 1):
            rows += result
            print(f"# {done} of {len(jobs)} rigs, {time.time() - began:.0f} s", file=sys.stderr, flush=True)
            if options.rows:
                with open(options.rows, "a") as file:
                    file.writelines(json.dumps(row) + "\n" for row in result)
    print_table(rows, "plan", PLANS)
    print()
    print_table(rows, "claim", KINDS)
    for row in rows:
        if row["wrong"]:
            print(f"# wrong: rig {row['seed']}, {row['plan']}: {row['claim']} {row['value']:.5g} at {row['at']}: {row['verdict']}, truth "
                  f"{row['truth'][0]:.5g} to {row['truth'][1]:.5g}, said {row['low']} to {row['high']}: {row['why']}")
    wrong, sure, n = share(rows, lambda r: r["wrong"], given)
    decided, _, far = share(rows, given, lambda r: abs(r["z"]) > 3 and r["serves"])
    good = n > 0 and far > 0 and wrong <= options.wrong and decided >= options.decided
    print(f"{len(jobs)} rigs: {wrong:.2f} ± {sure:.2f} % of the verdicts given are wrong (at most {options.wrong:g}), {decided:.1f} % decided (at least "
          f"{options.decided:g}): {'as it has to be' if good else 'NOT as it has to be'}")
    sys.exit(0 if good else 1)


if __name__ == "__main__":
    main()
