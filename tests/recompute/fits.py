# SPDX-License-Identifier: GPL-3.0-or-later
"""The printed fit of a calibration by docs/method.md, section 2; losses and the drive's constant by section 9: least squares over the
points on the way up."""
import math

import numpy as np

from numbers_of_method import Number, Source


def least_squares(x, y, name):
    """Coefficients of uncertain y over exact x: what the points share by source, and the scatter about the model."""
    x = np.array(x, float)
    n, p = x.shape
    weight = np.linalg.pinv(x)
    coef = [Number(0)] * p
    for j in range(p):
        for w, one in zip(weight[j], y):
            coef[j] = coef[j] + one * w
    rest = np.array([one.value for one in y]) - x @ [c.value for c in coef]
    sd = math.sqrt(math.fsum(rest ** 2) / (n - p))
    root = np.linalg.inv(np.linalg.qr(x)[1])
    for i in range(p):
        source = Source(f"{name} {i}", dof=n - p, pool=name)
        coef = [c.plus(source, sd * root[j, i]) for j, c in enumerate(coef)]
    return coef, sd


def cubic_slopes(x, y):
    """Of the shape-keeping cubic of Fritsch and Carlson at its knots, by the three-point formula at the ends."""
    d, h = np.diff(y) / np.diff(x), np.diff(x)

    def end(h0, h1, d0, d1):
        s = ((2 * h0 + h1) * d0 - h0 * d1) / (h0 + h1)
        return 0 if s * d0 <= 0 else math.copysign(min(abs(s), 3 * abs(d0)), d0)
    inner = [0 if a * b <= 0 else math.copysign(min(abs((a * h1 + b * h0) / (h0 + h1)), 3 * min(abs(a), abs(b))), a)
             for a, b, h0, h1 in zip(d, d[1:], h, h[1:])]
    return [end(h[0], h[1], d[0], d[1]), *inner, end(h[-1], h[-2], d[-1], d[-2])]


def rising(points):
    return [(w, p, -1 if w.rpm_set < 0 else 1) for w, p in points if w.direction >= 0 and not w.flags & 4]


def losses(points):
    """{name of report.json: Number}; the last is the standard deviation about the model, without an uncertainty."""
    up = rising(points)
    T, n = ([way * p[name][0].value for _, p, way in up] for name in ("torque_Nm", "speed_rpm"))
    x = [[1, t, t * t] for t in T]
    names = ["fixed_W", "in_step_W_per_Nm", "square_W_per_Nm2"]
    if max(n) - min(n) > 0.2 * max(n):
        x, names = [row + [rpm] for row, rpm in zip(x, n)], names + ["by_speed_W_per_rpm"]
    coef, sd = least_squares(x, [p["input_power_W"][0] - p["shaft_power_W"][0] for _, p, _ in up], "scatter about the losses")
    return dict(zip(names, coef)), sd


def drive(points):
    """Torque over the current that the drive indicates: N·m/A at the output, and the current without load."""
    up = rising(points)
    (zero, slope), _ = least_squares([[1, way * w.drive_A] for w, _, way in up], [p["torque_Nm"][0] * way for _, p, way in up],
                                     "scatter about the drive's constant")
    return {"drive_k_t_Nm_per_A": slope, "drive_no_load_A": zero / slope * -1}


def calibration(record):
    """[(name, published, recomputed)]: coefficients of the printed fit, its standard deviation, and the residual of each reading."""
    used = [p for p in record["points"] if p["torque_Nm"] != 0]
    T, x = (np.array([p[key] for p in used]) for key in ("torque_Nm", "indication"))
    first = 1 if record["model"] == "origin" else 0
    powers, top = range(first, record["degree"] + 1), max(T)
    coef, *_ = np.linalg.lstsq(np.column_stack([(T / top) ** k for k in powers]), x, rcond=None)
    coef = {k: c / top ** k for k, c in zip(powers, coef)}
    rest = {id(p): p["indication"] - math.fsum(c * p["torque_Nm"] ** k for k, c in coef.items()) for p in record["points"]}
    sd = math.sqrt(math.fsum(rest[id(p)] ** 2 for p in used) / (len(used) - len(coef)))
    ret = [(f"calibration: coefficient {k}", record["coefficients"][k], c) for k, c in coef.items()]
    ret.append(("calibration: residual_sd", record["residual_sd"], sd))
    # a residual is a small difference of large readings: nine digits of the reading are what it can have, so it stands over the fit's scatter
    ret += [(f"calibration: reading {i}", 1 + p["residual"] / sd, 1 + rest[id(p)] / sd) for i, p in enumerate(record["points"], 1)]
    return ret
