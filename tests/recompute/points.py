# SPDX-License-Identifier: GPL-3.0-or-later
"""The points of a sweep by docs/method.md, sections 2, 5 and 6: torque through the calibration's branch, speed, powers, efficiency."""
import itertools
import math

import numpy as np

from numbers_of_method import INF, Number, Source, mean_of

LOOPS, FRICTION = 3, 6
RAD = 2 * math.pi / 60


class Calibration:
    def __init__(self, record):
        b = record["branches"]
        self.rise, self.loop, self.f, self.full = b["rise"], b["loop"], b["friction"], b["full_Nm"]
        self.max, self.min, self.return_Nm = record["max_Nm"], record["min_Nm"], record["zero_return_Nm"]
        self.repeat, self.dof = b["repeat_sd"], b["dof"]
        self.ambient = record["ambient_degC"] if record["ambient_degC"] is not None else math.nan
        self.cell = record["cell_degC"] if record["cell_degC"] is not None else math.nan
        self.shifts = [(Source(s["name"], s["dist"], INF if s["dof"] == "inf" else s["dof"]), shift)
                       for s, shift in zip(record["sources"], b["rise_shifts"])]
        cov = np.array(b["covariance"])
        self.variance_f = cov[FRICTION][FRICTION]
        used = [i for i in range(7) if cov[i][i] > 0]
        scale = np.array([max(abs(self.max), abs(self.min)) ** (i + 1) if i < 3 else 1 for i in used])
        root = np.linalg.cholesky(cov[np.ix_(used, used)] * np.outer(scale, scale)) / scale[:, None]
        self.root = np.zeros((7, 7))
        self.root[np.ix_(used, used)] = root

    def slope(self, torque):
        return 1 / (self.rise[1] + 2 * self.rise[2] * torque + 3 * self.rise[3] * torque ** 2)

    def on_rise(self, x):
        torque = x / self.rise[1]
        for _ in range(30):
            torque -= (np.polyval(self.rise[::-1], torque) - x) * self.slope(torque)
        return torque

    def opened(self, torque, start, turn):
        """The loop's shapes above the rising branch between two places: middle of the two limits, and half of what they differ by."""
        length, x = (turn - start) / self.full, (torque - start) / (turn - start) if turn != start else -1
        if not (length > 0 and 0 < x < 1):
            return np.zeros(LOOPS), np.zeros(LOOPS)
        near = min(x * length, 0.5) if x < 0.5 else max(1 - (1 - x) * length, 0.5)
        far, short = length ** 2 * loop_shapes(x), loop_shapes(near)
        return (far + short) / 2, (short - far) / 2

    def torque(self, x, turn, low, ripple, name):
        """The torque that an indication x over the zero gives, with what the cell carried since the zero."""
        f = math.sqrt(max(self.f ** 2 - self.variance_f, 0))
        sense = math.copysign(1, self.rise[1])
        fallen, risen = sense * (turn - x), sense * (x - low)
        rising = not fallen > 2 * f or risen > max(2 * f, ripple)
        way = math.copysign(1, self.f) * (-1 if rising else 1)
        left = max(f - ripple / 3, 0)
        turn_Nm, low_Nm = self.on_rise(turn), max(self.on_rise(low), 0)
        torque = self.on_rise(x)
        for _ in range(12):
            down, down_doubt = self.opened(torque, 0, turn_Nm)
            up, up_doubt = self.opened(torque, low_Nm, turn_Nm)
            torque = self.on_rise(x - np.dot(self.loop, down - up) - way * left / 2)
        per = self.slope(torque)
        ret = Number(torque)
        for source, shift in self.shifts:
            ret = ret.plus(source, -np.polyval(shift[::-1], torque) * per)
        by = np.array([torque, torque ** 2, torque ** 3, *(down - up), math.copysign(1, self.f) * way / 2 if left > 0 else 0])
        for k in range(7):
            ret = ret.plus(Source(f"curve of the calibration ({k})", dof=self.dof, pool="curve"), -self.root[:, k] @ by * per)
        ret = ret.plus(Source("loop of the cell at this turn", "two"), -np.dot(self.loop, down_doubt - up_doubt) * per)
        ret = ret.plus(Source("friction of the cradle", "two"), -left / 2 * per)
        return ret.plus(Source(name, dof=self.dof, pool="curve"), self.repeat * abs(per))


def loop_shapes(x):
    both = x * (1 - x)
    return np.array([both, both ** 2, both * (2 * x - 1)])


# --- the zero ---
class Zero:
    """Forward, backward, forward."""

    def __init__(self, no, halves, rig, sign):
        a, b, c = halves
        r = rig.value("brake", "drag_ratio", "1 ± 2 %")
        w = (b.at_s - a.at_s) / (c.at_s - a.at_s)
        forward = a.count.value + w * (c.count.value - a.count.value)
        self.count = sign * (r * forward + b.count.value) / (1 + r)
        drag = sign * (forward - b.count.value) / (1 + r)
        u_forward = math.hypot((1 - w) * a.count.scatter, w * c.count.scatter)
        self.u = math.hypot(r * u_forward, b.count.scatter) / (1 + r)
        self.at_s, self.temp, self.no = b.at_s, b.temp, no
        self.unlike = next(iter(rig.number("brake", "drag_ratio", "1 ± 2 %", "r").parts.values()), 0) * abs(drag) / (1 + r)
        self.fade = r / (1 + r) * max(w, 1 - w) * abs(c.count.value - a.count.value) / math.sqrt(3)
        self.noise = Source(f"zero reading {no}", dof=b.count.scatter_dof)
        self.fading = Source(f"drag fading {no}", "rect")


def zeros_of(windows, rig, sign):
    groups = [list(g) for load, g in itertools.groupby(windows, key=lambda w: w.load) if not load]
    return [Zero(i + 1, g[-3:], rig, sign) for i, g in enumerate(groups)]


def warmed(a, b):
    """From one moment to another: of the cell where both know it, else of the surroundings."""
    for place in ("cell", "ambient"):
        if math.isfinite(a[place]) and math.isfinite(b[place]):
            return b[place] - a[place]
    first = a["cell"] if math.isfinite(a["cell"]) else a["ambient"]
    return (b["cell"] if math.isfinite(b["cell"]) else b["ambient"]) - first


def u_of(rig, section, key, otherwise="0"):
    return rig.number(section, key, otherwise, "x").u


def moved(a, b, rig, cal):
    """N·m that the zero moved, and the standard uncertainty of what explains it."""
    slope, kelvin = cal.slope(0), warmed(a.temp, b.temp)
    kelvin = kelvin if math.isfinite(kelvin) else 0
    parts = [slope * a.u, slope * b.u, slope * a.fade, slope * b.fade, slope * (b.unlike - a.unlike),
             u_of(rig, "cell", "zero_drift") * kelvin, u_of(rig, "cell", "creep") * cal.max, cal.return_Nm / math.sqrt(3),
             0.0005 * rig.value("cell", "full_scale") / math.sqrt(3)]
    return slope * (b.count - a.count), math.sqrt(sum(p * p for p in parts)), kelvin


def torque_of(w, no, zeros, rig, cal, sign):
    a = [z for z in zeros if z.at_s <= w.at_s][-1]
    b = next(z for z in zeros if z.at_s > w.at_s)
    s = (w.at_s - a.at_s) / (b.at_s - a.at_s)
    zero = a.count + s * (b.count - a.count)
    way = -1 if w.rpm_set < 0 else 1
    T = cal.torque(way * (sign * w.count.value - zero), w.turn - way * zero, w.low - way * zero,
                   math.sqrt(2) * w.count.fluctuation, f"cell repeatability {no}")
    if way < 0:
        T = T / (Number(1) + rig.number("cell", "backward", "0 % ± 0.1 %", "cell turned backward")) * -1
    slope = cal.slope(way * T.value)
    T = T.plus(Source(f"torque noise {no}", dof=w.count.dof), slope * w.count.u)
    drift_Nm, explained, kelvin = moved(a, b, rig, cal)
    half = abs(b.count - a.count) / 2
    doubted = abs(drift_Nm - rig.value("cell", "zero_drift") * kelvin) > 2 * explained
    T = T.plus(a.noise, -(1 - s) * slope * a.u).plus(b.noise, -s * slope * b.u)
    T = T.plus(a.fading, -(1 - s) * slope * a.fade).plus(b.fading, -s * slope * b.fade)
    T = T.plus(Source(f"zero drift {a.no}", "normal" if doubted else "rect"),
               slope * (half if doubted else 2 * math.sqrt(s * (1 - s)) * half / math.sqrt(3)))
    T = T.plus(Source("drag unlike both ways", "rect"), -slope * ((1 - s) * a.unlike + s * b.unlike))
    load = T.value
    at_zero = {p: a.temp[p] + s * (b.temp[p] - a.temp[p]) for p in ("cell", "ambient")}
    T = T - rig.number("cell", "creep", "0", "cell creep") * load
    for key, name, kelvin, by in [("zero_drift", "cell zero with temperature", warmed(at_zero, w.temp), 1),
                                  ("gain_drift", "cell gain with temperature",
                                   warmed({"cell": cal.cell, "ambient": cal.ambient}, w.temp), load)]:
        if math.isfinite(kelvin):
            T = T - rig.number("cell", key, "0", name) * (kelvin * by)
    return T, abs(slope) * w.count.scatter


def furthest(rig, record, windows, sign):
    """Of the stretches between neighbouring zeros the one that moved most: N·m, and what of it is explained (k = 1)."""
    zeros, cal = zeros_of(windows, rig, sign), Calibration(record)
    return max((moved(a, b, rig, cal)[:2] for a, b in zip(zeros, zeros[1:])), key=lambda m: abs(m[0]))


# --- the speed ---
class Disc:
    """What the edges of a window tell of the disc of the pick-up."""

    def __init__(self, edges, per_rev, value):
        t, p = edges[:, 0], edges[:, 1].astype(float)
        n, dt = len(t) - 1, t[-1] - t[0]
        turned = p[-1] - p[0]
        step = np.diff(p) - turned / dt * np.diff(t)
        neighbours, thirds = -math.fsum(step[1:] * step[:-1]) / (n - 1), math.fsum(np.diff(step, 2) ** 2) / (n - 2) / 20
        self.edge = math.sqrt(max(neighbours, thirds, 0))
        around = 2 * math.pi / per_rev
        basis = np.column_stack([np.diff(np.cos(around * p)), np.diff(np.sin(around * p))])
        self.turn = 0.0
        self.uneven = math.nan
        if abs(turned) >= per_rev:
            self.turn = float(np.hypot(*np.linalg.lstsq(basis, step, rcond=None)[0]))
            self.uneven = math.sqrt(math.fsum(step ** 2) / n)
        self.apart = math.sqrt(1 - math.cos(around * turned))
        self.rpm_per_count = 60 / (per_rev * dt)
        off = np.abs(np.diff(p)) / per_rev / np.diff(t) * 60 - value
        by_edges = math.sqrt(2) * self.edge / per_rev / (dt / n) * 60
        ends = math.sqrt(max(math.fsum(off ** 2 * np.diff(t)) / dt - by_edges ** 2, 0)) / n * math.sqrt(2 / 3)
        self.other_u = math.hypot(value * 1e-6 / math.sqrt(6) / dt, ends)


def whole_turns(edges, per_rev):
    """Speed from a mark to itself, its u, and the share of the window left out; None where too few marks come again."""
    t, p = edges[:, 0], edges[:, 1].astype(float)
    turns, last = [], (math.nan, math.nan)
    for i in range(len(p)):
        j = int(np.searchsorted(p, p[i] + per_rev - 0.5))
        if j >= len(p):
            break
        if abs(p[j] - p[i] - per_rev) < 0.5:
            if abs(p[i] - last[1] - 1) < 0.5:
                turns.append((t[j] - t[i] - last[0]) ** 2)
            last = (t[j] - t[i], p[i])
    if len(turns) < 12:
        return None
    u_s = math.sqrt(math.fsum(turns) / len(turns)) / 2
    best = (0, 0, 0)
    for i in range(len(p)):
        for j in range(len(p) - 1, i, -1):
            if p[j] - p[i] <= best[0]:
                break
            k = round((p[j] - p[i]) / per_rev)
            if k >= 1 and abs(p[j] - p[i] - k * per_rev) < 0.5:
                best = (p[j] - p[i], i, j)
    if best[0] == 0:
        return None
    time = t[best[2]] - t[best[1]]
    rpm = best[0] / per_rev / time * 60
    return rpm, rpm * math.sqrt(2) * u_s / time, 1 - time / (t[-1] - t[0])


def blocks_of(edges, per_rev):
    n = len(edges) - 1
    m = min(n // 2, 20)
    at = [b * n // m for b in range(m + 1)]
    return np.array([abs(edges[j][1] - edges[i][1]) / per_rev / (edges[j][0] - edges[i][0]) * 60 for i, j in zip(at, at[1:])])


def speeds_of(windows, per_rev):
    """[(Mean of the speed, its scatter)] of each window."""
    found, discs = [], []
    for w in windows:
        t, p = w.edges[:, 0], w.edges[:, 1].astype(float)
        value = abs(p[-1] - p[0]) / per_rev / (t[-1] - t[0]) * 60
        few, disc = mean_of(blocks_of(w.edges, per_rev)), Disc(w.edges, per_rev, value)
        turns = whole_turns(w.edges, per_rev)
        if turns and turns[2] < 0.1:
            u = math.hypot(disc.other_u, turns[1], turns[2] * few.scatter * math.sqrt(few.n_effective))
            found.append([turns[0] * w.turning, u, few.scatter, None])
        else:
            discs.append(disc)
            found.append([value * w.turning, None, few.scatter, disc])
    seen = [d for d in discs if math.isfinite(d.uneven)]
    for f in found:
        if f[1] is None:
            d, best = f[3], min(seen, key=lambda x: x.uneven) if seen else f[3]
            edges = sorted(x.edge for x in seen)
            edges = [e for e in edges if e >= 0.3 * edges[-1]]
            edge = edges[len(edges) // 2] if edges else best.edge
            f[1] = math.hypot(d.other_u, d.rpm_per_count * math.hypot(d.apart * best.turn, math.sqrt(2) * edge))
    return [tuple(f[:3]) for f in found]


# --- electrical ---
def electrical(w, no, rig):
    def noisy(name, mean):
        return Number(mean.value, {Source(f"{name} {no}", dof=mean.dof): mean.u})

    gain_V, gain_A = (rig.number("meter", k, "1", k) for k in ("voltage_gain", "current_gain"))
    zero_V, zero_A = (rig.number("meter", k, "0", k) for k in ("voltage_offset", "current_offset"))
    volt, amp, watt = noisy("voltage noise", w.volt), noisy("current noise", w.amp), noisy("power noise", w.power)
    if not w.product:
        watt = watt * (Number(1) - rig.number("meter", "ripple", "0 % ± 0.1 %", "ripple"))
    V, A = (volt - zero_V) * gain_V, (amp - zero_A) * gain_A
    P = (watt - zero_V * w.amp.value - zero_A * w.volt.value + zero_V * zero_A) * (gain_V * gain_A)
    scatter_A, scatter_V = gain_A.value * w.amp.scatter, gain_V.value * w.volt.scatter
    ohm = rig.number("meter", "cable", "0", "cable resistance")
    if rig.text("meter", "plane", "").strip() == "supply" and ohm.value > 0:
        V, P = V - A * ohm, P - (A * A + (w.amp2 - w.amp.value ** 2)) * ohm
        scatter_V += ohm.value * scatter_A
    return (V, scatter_V), (A, scatter_A), P


def points(rig, record, windows, sign):
    """[(window, {name: (Number, scatter)})] of the load points, in order of time."""
    cal, per_rev, found = Calibration(record), rig.value("pickup", "pulses"), []
    zeros, speeds = zeros_of(windows, rig, sign), speeds_of(windows, per_rev)
    for no, (w, (rpm, u_rpm, scatter_rpm)) in enumerate(zip(windows, speeds)):
        if not w.load:
            continue
        T, scatter_T = torque_of(w, no, zeros, rig, cal, sign)
        n = Number(rpm, {Source(f"speed noise {no}"): u_rpm})
        n = n.plus(Source("node clock"), rpm * u_of(rig, "tether", "clock"))
        volt, amp, P = electrical(w, no, rig)
        out = T * n * RAD
        point = {"torque_Nm": (T, scatter_T), "speed_rpm": (n, scatter_rpm), "voltage_V": volt, "current_A": amp}
        taken = P.value / w.power.value
        point["input_power_W"] = (P, abs(taken) * w.power.scatter)
        parts = [mean_of_parts(x) for x in (w.counts, w.powers)]
        shaft = (T.value + sign * cal.slope((-1 if w.rpm_set < 0 else 1) * T.value) * (parts[0] - w.count.value)) * np.copysign(
            blocks_of(w.edges, per_rev), rpm) * RAD
        point["shaft_power_W"] = (out, mean_of(shaft).scatter)
        if out.value > 5 * out.u and P.value > 5 * P.u:
            point["efficiency"] = (out / P, mean_of(shaft / (taken * parts[1])).scatter)
        found.append((w, point))
    return found


def mean_of_parts(x):
    n = len(x)
    at = [b * n // 20 for b in range(21)]
    return np.array([math.fsum(x[i:j]) / (j - i) for i, j in zip(at, at[1:])])
