# SPDX-License-Identifier: GPL-3.0-or-later
"""What docs/method.md, sections 8 and 9, says of a claim of the greatest torque and of the droop. Which points settled, which are free and
what limited them is taken as published: that is told from samples outside the windows."""
import math

from scipy import optimize

from fits import least_squares, rising
from numbers_of_method import Number, Source

SETTLED_NOT, REPEAT = 1, 4      # flags of a window
CONFIRMED, UNDECIDED, NOT_TESTED = "confirmed", "undecided", "not tested"


def judged(points, told):
    """Those at the highest forward speed that settled, once each: [(number, scatter, row of report.json)]."""
    speeds = [w.rpm_set for w, _ in points if not math.isnan(w.rpm_set)]
    return [(*p["torque_Nm"], row) for (w, p), row in zip(points, told, strict=True)
            if not w.flags & (SETTLED_NOT | REPEAT) and not row["outlier"] and not row["impossible"]
            and (math.isnan(w.rpm_set) or w.rpm_set == max(speeds))]


def probability_above(number, limit):
    """By the distribution of the printed U: the coverage at which it reaches from the value to the limit."""
    away = number.value - limit
    if number.k(1 - 1e-9) * number.u <= abs(away):
        return 1 - 0.5e-9 if away > 0 else 0.5e-9
    inside = optimize.brentq(lambda c: number.k(c) * number.u - abs(away), 1e-12, 1 - 1e-9, xtol=1e-14)
    return 0.5 + math.copysign(inside / 2, away)


def most_torque(points, report, claimed, confidence):
    """(least torque that was given, probability, verdict): the heaviest point with the scatter of another window, a lower bound. Above it
    there is no probability: NaN."""
    number, scatter, row = max(judged(points, report["points"]), key=lambda p: p[0].value)
    least = number.plus(Source("another window"), scatter or 0)
    probability = probability_above(least, claimed) if claimed <= least.value else math.nan
    if probability >= confidence:
        return least, probability, CONFIRMED
    plan_ended = report["end_limit"] == "none" and row["limit"] in ("none", "actuator")
    return least, probability, NOT_TESTED if claimed > least.value + least.U() and plan_ended else UNDECIDED


def droop(points, told, plan_A):
    """Slope of speed over torque, as rpm per N·m that it falls: the settled points on the way up of a plan of that current which stayed
    3 % below it, with no other limit."""
    own = [point for point, row in zip(points, told, strict=True) if not point[0].flags & SETTLED_NOT
           and row["limit"] in ("none", "actuator") and abs(point[0].drive_A) < 0.97 * plan_A]
    up = rising(own)
    if len(up) < 3:
        return None
    (_, slope), _ = least_squares([[1, way * p["torque_Nm"][0].value] for _, p, way in up],
                                  [p["speed_rpm"][0] * way for _, p, way in up], "scatter about the droop")
    return slope * -1
