# SPDX-License-Identifier: GPL-3.0-or-later
"""The brake map's fit by docs/method.md, section 3, from the readings that `bridle map --json` tells: what the record holds."""
import math

import numpy as np
from scipy import stats

from fits import cubic_slopes

KNOTS, SAME = 48, 0.01


def groups(readings, most):
    """In order of current; those within one width of the first are one current."""
    readings, width = sorted(readings, key=lambda r: r["current_A"]), SAME * most
    while True:
        ret = []
        for r in readings:
            if ret and r["current_A"] - ret[-1][0]["current_A"] <= width:
                ret[-1].append(r)
            else:
                ret.append([r])
        if len(ret) <= KNOTS:
            return ret
        width *= 1.3


def slip_slope(branches):
    """Within one current alone: the slope and its u."""
    sss = sst = stt = dof = 0
    for group in (g for b in branches for g in b):
        s = np.array([abs(r["slip_rpm"]) for r in group])
        t = np.array([r["torque_Nm"] for r in group])
        sss += math.fsum((s - s.mean()) ** 2)
        sst += math.fsum((s - s.mean()) * (t - t.mean()))
        stt += math.fsum((t - t.mean()) ** 2)
        dof += len(group) - 1
    slope = sst / sss
    return slope, math.sqrt((stt - slope * sst) / (dof - 1) / sss)


class Knot:
    def __init__(self, group, slope, middle):
        t = [r["torque_Nm"] - slope * (abs(r["slip_rpm"]) - middle) for r in group]
        self.n, self.current = len(group), math.fsum(r["current_A"] for r in group) / len(group)
        self.torque = math.fsum(t) / self.n
        self.ss = math.fsum((x - self.torque) ** 2 for x in t)
        self.random = math.sqrt(self.ss / (self.n - 1) / self.n) if self.n > 1 else 0
        self.common = math.sqrt(math.fsum(r["u_torque_Nm"] ** 2 for r in group) / self.n)
        self.u = math.hypot(self.random, self.common)

    def scale(self):
        return self.common / self.torque


def pooled(knots):
    """Neighbours that fall become their mean."""
    blocks = []
    for k in knots:
        blocks.append([k.torque, k.n, 1])
        while len(blocks) > 1 and blocks[-2][0] > blocks[-1][0]:
            b, a = blocks.pop(), blocks.pop()
            blocks.append([(a[0] * a[1] + b[0] * b[1]) / (a[1] + b[1]), a[1] + b[1], a[2] + b[2]])
    return [value for value, _, n in blocks for _ in range(n)]


def line(knots, degree):
    """Coefficients over 0 to 1, weighted by the readings of a knot; residual sum of squares, largest departure, root of the last variance."""
    x = np.array([(k.current - knots[0].current) / (knots[-1].current - knots[0].current) for k in knots])
    w = np.sqrt([k.n for k in knots])
    t = np.array([k.torque for k in knots])
    a = np.vander(x, degree + 1, increasing=True)
    coef = np.linalg.lstsq(a * w[:, None], t * w, rcond=None)[0]
    rest = t - a @ coef
    return coef, float(np.sum((w * rest) ** 2)), float(np.max(np.abs(rest))), math.sqrt(np.linalg.inv((a * w[:, None]).T @ (a * w[:, None]))[-1, -1])


def straight(knots, variance, dof):
    coef, rss, worst, _ = line(knots, 1)
    if coef[1] <= 0:
        return False
    if worst <= 0.01 * coef[1]:
        return True
    if not dof:
        return False
    (_, _, bend), _, _, u = line(knots, 2)
    free = len(knots) - 2
    return abs(bend) / (math.sqrt(variance) * u) < stats.t.isf(0.025, dof) and rss / variance / free < stats.f.isf(0.05, free, dof)


def linear(knots):
    """The widest straight stretch: (slope, its u, from, to)."""
    dof = sum(k.n - 1 for k in knots)
    variance = math.fsum(k.ss for k in knots) / dof if dof else math.nan
    best = (0, None)
    for i in range(len(knots) - 3):
        for j in range(i + 3, len(knots)):
            part = knots[i:j + 1]
            width = part[-1].current - part[0].current
            if width > best[0] and straight(part, variance, dof):
                best = (width, part)
    part = best[1]
    coef, rss, _, root = line(part, 1)
    slope, u_line = coef[1] / best[0], math.sqrt(rss / (len(part) - 2)) * root / best[0]
    return slope, math.hypot(u_line, slope * part[-1].scale()), part[0].current, part[-1].current


def fit(told, record):
    """[(name, published, recomputed)]: told is the answer of the command, record what the logbook keeps."""
    most = max(p["current_A"] for p in told["points"])
    readings = [p | {"current_A": 0 if abs(p["current_A"]) < SAME * most else p["current_A"]} for p in told["points"]]
    branches = [groups([r for r in readings if r["branch"] == b], most) for b in ("rising", "falling")]
    slips = [abs(r["slip_rpm"]) for r in readings]
    middle = (min(slips) + max(slips)) / 2
    slope, u_slope = slip_slope(branches) if max(slips) - min(slips) > 0.1 * max(slips) else (math.nan, math.nan)
    rising, falling = ([Knot(g, slope if math.isfinite(slope) else 0, middle) for g in b] for b in branches)
    if rising[-1].current > falling[-1].current + SAME * most:
        falling.append(rising[-1])
    ret = [("map: slip slope", record["slip_slope_Nm_per_rpm"], slope),
           ("map: u of it", record["u_slip_slope_Nm_per_rpm"], math.hypot(u_slope, slope * rising[-1].scale()))] if math.isfinite(slope) else []
    at_zero = []
    for name, knots in (("rising", rising), ("falling", falling)):
        kept, torque = record[name], pooled(knots)
        assert kept["n"] == len(knots), (name, kept["n"], len(knots))
        u = [math.hypot(k.u, t - k.torque) for k, t in zip(knots, torque)]
        made = {"current_A": [k.current for k in knots], "torque_Nm": torque, "u_torque_Nm": u,
                "slope_Nm_per_A": cubic_slopes([k.current for k in knots], torque)}
        ret += [(f"map: {name} {key} {i}", a, b) for key, values in made.items()
                for i, (a, b) in enumerate(zip(kept[key], values, strict=True), 1)]
        at_zero.append((torque[0], u[0]))
    (drag, u_drag), (left, u_left) = at_zero
    per, u_per, low, high = linear(rising)
    return ret + [("map: drag", record["drag_Nm"], drag), ("map: u of it", record["u_drag_Nm"], u_drag),
                  ("map: remanence", record["remanence_Nm"], left - drag), ("map: u of it", record["u_remanence_Nm"], math.hypot(u_drag, u_left)),
                  ("map: slope", record["slope_Nm_per_A"], per), ("map: u of it", record["u_slope_Nm_per_A"], u_per),
                  ("map: linear from", record["linear_from_A"], low),
                  ("map: linear to", record["linear_to_A"], high)]
