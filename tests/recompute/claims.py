# SPDX-License-Identifier: GPL-3.0-or-later
"""What docs/method.md, sections 8 and 9, says of claims and of the droop. Which points settled, which are free and what limited them is
taken as published: that is told from samples outside the windows."""
import dataclasses
import math

from scipy import optimize

from fits import cubic_slopes, least_squares, rising
from numbers_of_method import Number, Source

SETTLED_NOT, REPEAT = 1, 4      # flags of a window
CONFIRMED, REFUTED, UNDECIDED, NOT_TESTED = "confirmed", "refuted", "undecided", "not tested"
RAD = 2 * math.pi / 60
OTHER, MODEL, BETWEEN = Source("another window"), Source("model of the speed with voltage", "rect"), Source("between the points", "rect")
TOO_FAR = 0.1


def probability_above(number, limit):
    """By the distribution of the printed U: the coverage at which it reaches from the value to the limit."""
    away = number.value - limit
    if number.k(1 - 1e-9) * number.u <= abs(away):
        return 1 - 0.5e-9 if away > 0 else 0.5e-9
    inside = optimize.brentq(lambda c: number.k(c) * number.u - abs(away), 1e-12, 1 - 1e-9, xtol=1e-14)
    return 0.5 + math.copysign(inside / 2, away)


@dataclasses.dataclass
class Place:
    """A point of one way, its speed brought to the claims' voltage."""
    torque: Number
    scatter: float
    measured: Number    # speed
    efficiency: Number  # None: lost in its uncertainty
    power: Number
    volt: Number
    row: dict
    speed: Number = None

    @property
    def free(self):
        return self.row["free_running"]


@dataclasses.dataclass
class Answer:
    least: bool             # only a lower bound
    value: Number
    below: float = 0
    above: float = 0
    at: Place = None
    lost: Place = None      # where a limit came first


class Way:
    """Rising or falling, in the order of torque."""

    def __init__(self, points, told, falling, volt):
        speeds = [w.rpm_set for w, _ in points if not math.isnan(w.rpm_set)]
        self.places = sorted((Place(*p["torque_Nm"], p["speed_rpm"][0], p.get("efficiency", (None,))[0], p["input_power_W"][0],
                                    p["voltage_V"][0], row) for (w, p), row in zip(points, told, strict=True)
                              if (w.direction < 0) == falling and not w.flags & (SETTLED_NOT | REPEAT) and not row["outlier"]
                              and not row["impossible"] and (math.isnan(w.rpm_set) or w.rpm_set == max(speeds))),
                             key=lambda p: p.torque.value)
        free = [p for p in self.places if p.free]
        no_load = free[0].measured.value if free else None
        if len(free) > 1:
            a, b = free[:2]
            no_load += max((a.measured.value - b.measured.value) / (b.torque.value - a.torque.value), 0) * a.torque.value
        self.off = max((abs(p.volt.value / volt - 1) for p in self.places), default=0)
        for p in self.places:
            off = Number(volt) / p.volt - 1
            p.speed = p.measured
            if not p.free and off.value > 2 * off.u:
                continue
            if not p.free:
                off.value = min(off.value, 0)
            change = off * (no_load if free else 1.25 * abs(p.measured.value))
            p.speed = p.measured + change.plus(MODEL, 0.1 * change.value / math.sqrt(3))

    def run(self, first):
        """Free places from there on, each slower than the one before."""
        ret = []
        for p in self.places[first:]:
            if not p.free or (ret and not p.speed.value < ret[-1].speed.value):
                break
            ret.append(p)
        return ret


# --- between points ---
def parabola(x, y, at):
    return sum(y[i] * math.prod((at - x[j]) / (x[i] - x[j]) for j in range(3) if j != i) for i in range(3))


def cubic(x, y, i, at):
    """Fritsch and Carlson's between x[i] and x[i + 1]."""
    slope, h = cubic_slopes(x, y), x[i + 1] - x[i]
    t = (at - x[i]) / h
    s = 1 - t
    return y[i] * s * s * (1 + 2 * t) + y[i + 1] * t * t * (3 - 2 * t) + h * t * s * (slope[i] * s - slope[i + 1] * t)


def spread(value, others, more):
    low, high = min(value, *others), max(value, *others)
    return value, low - more * (high - low), high + more * (high - low)


def between(x, y, i, at):
    share = (at - x[i]) / (x[i + 1] - x[i])
    chord = y[i] + share * (y[i + 1] - y[i])
    if len(x) < 3:
        bend = 0.05 * abs(y[i + 1] - y[i]) * 4 * share * (1 - share)
        return chord, chord - bend, chord + bend
    bent = [parabola(x[k:k + 3], y[k:k + 3], at) for k in (i - 1, i) if 0 <= k and k + 3 <= len(x)]
    return spread(cubic(x, y, i, at), [chord, *bent], 0.25)


def carried(x, y, at):
    """Before x[0]."""
    line = y[0] + (at - x[0]) * (y[1] - y[0]) / (x[1] - x[0])
    far = abs(line - y[0])
    if len(x) < 3:
        return line, line - 0.3 * far, line + 0.3 * far
    curved = parabola(x[:3], y[:3], at)
    value, low, high = spread((line + curved) / 2, [line, curved], 0.25)
    return value, low - 0.1 * far, high + 0.1 * far


def within(chord, band, at):
    return Answer(False, Number(band[0], chord.parts), max(band[0] - band[1], 0), max(band[2] - band[0], 0), at)


# --- places ---
def chord_at(a, b, rpm):
    return a.torque + (a.speed - rpm) / (a.speed - b.speed) * (b.torque - a.torque)


def torque_at(way, rpm):
    def reaches(p):
        return p.speed.value >= rpm or (not p.free and p.speed.value + 2 * p.speed.u >= rpm and p.speed.value >= 0.995 * rpm)

    places = way.places
    j = next((i for i, p in enumerate(places) if not reaches(p)), len(places))
    if j < len(places) and places[j].free:
        return torque_along(way, j, rpm)
    if j == 0:
        return None
    p = places[j - 1]
    ahead, torque = p.speed - rpm, p.torque
    if ahead.value < 2 * ahead.u:
        ahead.value = min(ahead.value, 0)
        runs = (way.run(i) for i in range(len(places) - 1) if places[i].free)
        run = next((r for r in runs if len(r) > 1), None)
        steep = 10 * torque.value / p.measured.value if run is None else \
            1.5 * (run[1].torque.value - run[0].torque.value) / (run[0].measured.value - run[1].measured.value)
        torque = torque + ahead * steep
    return Answer(True, torque.plus(OTHER, p.scatter), 0, math.inf, p, places[j] if j < len(places) else None)


def torque_along(way, j, rpm):
    """Place j, free, is slower than the speed; the one before it is faster, if there is one."""
    places, first = way.places, j
    if j > 0 and places[j - 1].free:
        first = j - 1
        while first > 0 and places[first - 1].free and places[first - 1].speed.value > places[first].speed.value:
            first -= 1
    run = way.run(first)
    x, y = [-p.speed.value for p in run], [p.torque.value for p in run]
    if first < j:
        i = j - first - 1
        ret = within(chord_at(run[i], run[i + 1], rpm), between(x, y, i, -rpm), places[j])
    else:
        low, high, chord = places[j - 1].torque.value if j > 0 else 0, places[j].torque.value, places[j].torque
        band = ((low + high) / 2, low, high)
        if len(run) > 1:
            value, under, over = carried(x, y, -rpm)
            under, over = max(under, low) if j > 0 else under, min(over, high)
            if abs(value - y[0]) <= 1.5 * (y[1] - y[0]) and under < over:
                band, chord = (min(max(value, under), over), under, over), chord_at(run[0], run[1], rpm)
        ret = within(chord, band, places[j])
    ret.value = ret.value.plus(OTHER, places[j].scatter)
    return ret


def most_torque(way, _):
    if not way.places:
        return None
    p = way.places[-1]
    return Answer(True, p.torque.plus(OTHER, p.scatter), 0, math.inf, p)


def no_load(way, _):
    if not way.places:
        return None
    p, run = way.places[0], way.run(0)
    if len(run) < 2 or run[0].torque.value > 1.5 * (run[1].torque.value - run[0].torque.value):
        return Answer(True, p.speed, 0, math.inf, p)
    a, b = run[:2]
    line = a.speed + (a.speed - b.speed) / (b.torque - a.torque) * a.torque
    return within(line, carried([q.torque.value for q in run[:3]], [q.speed.value for q in run[:3]], 0), p)


def of(place, efficiency):
    return place.efficiency if efficiency else place.torque * place.speed * RAD


def top(places, efficiency, low, high):
    """Greatest of what the parabolas of speed and input power through three places make of the torque."""
    x = [p.torque.value for p in places]
    n, power = [p.speed.value for p in places], [p.power.value for p in places]

    def made(at):
        return at * RAD * parabola(x, n, at) / (parabola(x, power, at) if efficiency else 1)
    return max(made(low + (high - low) * i / 200) for i in range(201))


def peak(way, part, efficiency):
    """part: indices of the places that count."""
    shown = [i for i in part if of(way.places[i], efficiency) is not None]
    if not shown:
        return None
    best = max(shown, key=lambda i: of(way.places[i], efficiency).value)
    ret = Answer(True, of(way.places[best], efficiency), 0, math.inf, way.places[best])

    def lower(i):
        y = of(way.places[i], efficiency)
        less = ret.value - y if y is not None else None
        return less is None or less.value > 2 * less.u
    if not (any(lower(i) for i in part if i < best) and any(lower(i) for i in part if i > best)
            and all(b == a + 1 for a, b in zip(part, part[1:]))):
        return ret
    c, about = part.index(best), [way.places[i] for i in part]
    low, mid, high = (about[k].torque.value for k in (c - 1, c, c + 1))
    floor = ret.value.value
    value = max(top(about[c - 1:c + 2], efficiency, low, high), floor)
    most = [value, *([top(about[c - 2:c + 1], efficiency, low, mid)] if c > 1 else []),
            *([top(about[c:c + 3], efficiency, mid, high)] if c + 2 < len(about) else [])]
    return within(ret.value, (value, floor, max(most) + 0.5 * (max(most) - floor)), ret.at)


def as_least(answer):
    """A peak among points that were held: another speed may do better."""
    if answer is not None and not answer.least:
        answer = Answer(True, Number(answer.value.value - answer.below, answer.value.parts), 0, math.inf, answer.at)
    return answer


def peak_efficiency(way, rpm):
    def ran(p):
        n = (p.speed if p.free else p.measured).value
        return abs(n - rpm) <= 0.005 * rpm
    part = [i for i, p in enumerate(way.places) if (p.free if math.isnan(rpm) else ran(p))]
    ret = peak(way, part, True)
    if math.isnan(rpm) and (ret is None or ret.least):
        ret = as_least(peak(way, range(len(way.places)), True))
    if ret is not None:
        less = (1 - ret.value.value) * way.off
        ret.below += less
        ret.above += less
    return ret


def power(way, rpm):
    if not math.isnan(rpm):
        ret = torque_at(way, rpm)
        return ret and dataclasses.replace(ret, value=ret.value * (RAD * rpm), below=ret.below * RAD * rpm, above=ret.above * RAD * rpm)
    ret = peak(way, [i for i, p in enumerate(way.places) if p.free], False)
    if ret is None or ret.least:
        ret = as_least(peak(way, range(len(way.places)), False)) or ret
    if ret is not None:
        ret.value = ret.value.plus(OTHER, ret.at.scatter * RAD * ret.at.measured.value)
    return ret


def joined(a, b):
    if b is None or (a is not None and not a.least and b.least):
        return a
    if a is None or (a.least and not b.least):
        return b
    if a.least:
        return a if a.value.value >= b.value.value else b
    low, high = min(a.value.value - a.below, b.value.value - b.below), max(a.value.value + a.above, b.value.value + b.above)
    return dataclasses.replace(a, below=a.value.value - low, above=high - a.value.value)


# --- verdicts ---
PLACES = {"rated_torque": ("torque_Nm", lambda w, rpm: most_torque(w, rpm) if math.isnan(rpm) else torque_at(w, rpm)),
          "peak_torque": ("torque_Nm", lambda w, rpm: most_torque(w, rpm) if math.isnan(rpm) else torque_at(w, rpm)),
          "no_load_speed": ("speed_rpm", no_load), "peak_efficiency": ("efficiency", peak_efficiency), "rated_power": ("shaft_power_W", power)}


def judged(points, report, plan_drive, confidence):
    """[(claim, key, {name: number}, verdict)] of every claim in the document."""
    ways = [Way(points, report["points"], falling, report["claims_voltage_V"]) for falling in (False, True)]
    for told in report["claims"]:
        key, place = PLACES[told["claim"]]
        rpm = told["at_speed_rpm"] if told["at_speed_rpm"] is not None else math.nan
        found = joined(*(place(way, rpm) for way in ways)) if max(w.off for w in ways) <= TOO_FAR else None
        if found is None:
            yield told, key, {}, UNDECIDED if max(w.off for w in ways) > TOO_FAR else NOT_TESTED
            continue
        yield told, key, *verdict(told["claimed"], found, told["claim"], report, plan_drive, confidence)


def verdict(claimed, a, name, report, plan_drive, confidence):
    low, high = a.value.value - a.below, a.value.value + a.above
    wider = max(a.below, a.above if math.isfinite(a.above) else 0)
    shown = a.value.plus(BETWEEN, wider / math.sqrt(3)) if wider > 0 else a.value
    numbers = {"value": shown.value, "u": shown.u, "U": shown.U(), "low": low, "high": high if math.isfinite(high) else None,
               "probability": None}
    if claimed <= low or claimed >= high:
        numbers["probability"] = probability_above(Number(low if claimed <= low else high, a.value.parts), claimed)
    p = numbers["probability"]
    if p is not None and p >= confidence:
        return numbers, CONFIRMED
    if p is not None and p <= 1 - confidence:
        return numbers, REFUTED
    held = name in ("no_load_speed", "peak_efficiency") and plan_drive == "speed" and a.at.row["limit"] == "none" and not a.at.free
    plan_ended = held or (a.lost is None and report["end_limit"] == "none" and a.at.row["limit"] in ("none", "actuator"))
    return numbers, NOT_TESTED if a.least and claimed > low + a.value.U() and plan_ended else UNDECIDED


def droop(points, told):
    """Slope of speed over torque, as rpm per N·m that it falls, of the free points on the way up."""
    up = rising([point for point, row in zip(points, told, strict=True) if not point[0].flags & SETTLED_NOT and row["free_running"]])
    if len(up) < 3:
        return None
    (_, slope), _ = least_squares([[1, way * p["torque_Nm"][0].value] for _, p, way in up],
                                  [p["speed_rpm"][0] * way for _, p, way in up], "scatter about the droop")
    return slope * -1
