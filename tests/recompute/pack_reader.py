# SPDX-License-Identifier: GPL-3.0-or-later
"""What a pack holds (docs/logbook.md, docs/method.md section 6): profiles, calibration, windows and the samples in them."""
import configparser
import csv
import dataclasses
import json
import math
import re
import sqlite3

import numpy as np

from numbers_of_method import Mean, Number, Source, mean_of

UNITS = {"": 1, "%": 0.01, "ppm": 1e-6, "mV": 1e-3, "V": 1, "mA": 1e-3, "A": 1, "N.m": 1, "N.m/K": 1, "1/K": 1, "ppm/K": 1e-6,
         "mohm": 1e-3, "ohm": 1}


def in_si(text):
    value, unit = re.fullmatch(r"\s*([-+0-9.eE]+)\s*(\S*)\s*", text).groups()
    return float(value) * UNITS[unit]


def quantity(text):
    """VALUE ± LIMIT [rect|tri|normal|k=K] as (value, u, shape); limits alone are rectangular."""
    value, _, rest = text.partition("±")
    word = re.search(r"(rect|tri|normal|k=\S+)\s*$", rest)
    limit = in_si(rest[:word.start()] if word else rest) if rest else 0
    shape = word[1] if word else "rect"
    by = {"rect": math.sqrt(3), "tri": math.sqrt(6), "normal": 1}.get(shape) or float(shape[2:])
    return (in_si(value) if value.strip() else 0), limit / by, shape if shape in ("rect", "tri") else "normal"


class Rig:
    def __init__(self, path):
        self.ini = configparser.ConfigParser(interpolation=None, comment_prefixes=("#",), strict=False)
        self.ini.read(path)

    def text(self, section, key, otherwise):
        return self.ini.get(section, key, fallback=otherwise)

    def value(self, section, key, otherwise="0"):
        return quantity(self.text(section, key, otherwise))[0]

    def number(self, section, key, otherwise, name):
        value, u, shape = quantity(self.text(section, key, otherwise))
        return Number(value, {Source(name, shape): u})


@dataclasses.dataclass
class Window:
    load: bool
    step: int
    direction: int
    flags: int
    begin_ns: int
    end_ns: int
    rpm_set: float
    count: Mean = None
    volt: Mean = None
    amp: Mean = None
    power: Mean = None
    counts: list = None
    powers: list = None
    edges: np.ndarray = None      # rows of (s, pulses)
    product: bool = True
    amp2: float = math.nan
    temp: dict = None
    drive_A: float = math.nan
    turning: float = 1            # sign of the speed
    turn: float = math.nan        # most counts since the zero
    low: float = math.nan         # least since that

    @property
    def at_s(self):
        return 0.5 * (self.begin_ns * 1e-9 + self.end_ns * 1e-9)


VOLTAGE, CURRENT, DRIVE, TEMP = 3, 4, 5, 10     # bits of `repeats`
PLACES = ("brake", "case", "winding", "ambient", "cell")


def windows(folder):
    for row in csv.DictReader(open(folder / "windows.csv")):
        yield Window(row["kind"] == "load", int(row["step"]), int(row["direction"]), int(row["flags"]), int(row["begin (ns)"]),
                     int(row["end (ns)"]), float(row["commanded speed (rpm)"] or "nan"))


def samples(folder):
    base = sqlite3.connect(f"file:{folder / 'run.sqlite'}?mode=ro", uri=True)
    base.row_factory = sqlite3.Row
    return base.execute("SELECT * FROM sample ORDER BY mono_ns").fetchall()


def fill(window, rows, conversions, sample_no):
    """The means of a window from its rows; conversions and sample number as the row before it had them."""
    counts, volts, amps, powers, edges, speeds, drive, temps = [], [], [], [], [], [], [], {p: [] for p in PLACES}
    last = None
    for r in rows:
        new = r["sample_no"] != sample_no
        sample_no = r["sample_no"]
        if new or r["repeats"]:
            volt = r["voltage_V"] is not None and not r["repeats"] >> VOLTAGE & 1
            amp = r["current_A"] is not None and not r["repeats"] >> CURRENT & 1
            volts += [r["voltage_V"]] if volt else []
            amps += [r["current_A"]] if amp else []
            if amp and r["voltage_V"] is not None:
                powers.append(r["voltage_V"] * r["current_A"] + (r["ripple_W"] or 0))
                window.product &= r["ripple_W"] is not None
        if not new:
            continue
        if r["cell_conversions"] != conversions:
            counts.append(r["cell_count"])
        conversions = r["cell_conversions"]
        edge = r["edge_time_s"]
        if edge is not None and r["node_us"] * 1e-6 - edge < 0.99 and not (edges and edge <= edges[-1][0]):
            edges.append((edge, r["pulses"]))
        speeds += [r["speed_rpm"]] if r["speed_rpm"] is not None else []
        if r["drive_A"] is not None and r["drive_rotor_rpm"] is not None and not r["repeats"] >> DRIVE & 1:
            drive.append(r["drive_A"])
        for i, place in enumerate(PLACES):
            t = r[f"temp_{place}_degC"]
            temps[place] += [t] if t is not None and not r["repeats"] >> TEMP + i & 1 else []
        last = r
    window.counts, window.powers, window.edges = counts, powers, np.array(edges)
    window.count = mean_of(counts)
    window.volt, window.amp, window.power = mean_of(volts), mean_of(amps), mean_of(powers)
    window.amp2 = math.fsum(a * a for a in amps) / len(amps)
    window.turning = -1 if math.fsum(speeds) < 0 else 1
    window.drive_A = math.fsum(drive) / len(drive) if drive else math.nan
    window.temp = {p: math.fsum(t) / len(t) if t else (last[f"temp_{p}_degC"] if last[f"temp_{p}_degC"] is not None else math.nan)
                   for p, t in temps.items()}


def read(folder):
    """Rig, calibration, windows in order of time with their means and what the cell carried before them."""
    rig = Rig(folder / "profiles" / "rig.ini")
    (record,) = (folder / "records").glob("calibration-*.json")
    rows, found = samples(folder), list(windows(folder))
    times = np.array([r["mono_ns"] for r in rows])
    sign = -1 if rig.text("cell", "sign", "+").strip() == "-" else 1
    most = low = last = conversions = None
    since_zero, at = False, 0
    for i, w in enumerate(found):
        begin, end = np.searchsorted(times, [w.begin_ns, w.end_ns])
        before = rows[begin - 1] if begin else None
        fill(w, rows[begin:end], before["cell_conversions"] if before else None, before["sample_no"] if before else None)
        way = next((-1 if v.rpm_set < 0 else 1 for v in found[i:] if v.load), 1)
        for r in rows[at:end]:
            if r["cell_conversions"] == conversions:
                continue
            count = sign * way * r["cell_count"]
            conversions = r["cell_conversions"]
            above, under = (count, count) if last is None else (min(count, last), max(count, last))
            last = count
            if most is None or above > most:
                most, low = above, under
            low = min(low, under)
        at = end
        if not w.load:
            since_zero, most, low, last = True, None, None, None
        elif since_zero:
            w.turn, w.low = most, low
    return rig, json.loads(record.read_text()), found, sign
