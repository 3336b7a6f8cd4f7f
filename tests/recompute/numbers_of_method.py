# SPDX-License-Identifier: GPL-3.0-or-later
"""Numbers with their uncertainty by source, means of readings, coverage: docs/method.md sections 5 and 7, written from that page."""
import dataclasses
import math

import numpy as np
from scipy import optimize, special

INF = math.inf


@dataclasses.dataclass(frozen=True)
class Source:
    name: str
    shape: str = "normal"   # normal, rect, tri, two
    dof: float = INF
    pool: str = ""          # sources that rest on one estimate of variance share its degrees of freedom


class Number:
    """A value and {source: signed standard uncertainty}."""

    def __init__(self, value, parts=None):
        self.value, self.parts = float(value), {s: u for s, u in (parts or {}).items() if u != 0}

    def plus(self, source, u):
        parts = dict(self.parts)
        parts[source] = parts.get(source, 0) + u
        return Number(self.value, parts)

    def by(self, other, value, mine, others):
        parts = {s: mine * u for s, u in self.parts.items()}
        for s, u in other.parts.items():
            parts[s] = parts.get(s, 0) + others * u
        return Number(value, parts)

    def __add__(self, other):
        other = number(other)
        return self.by(other, self.value + other.value, 1, 1)

    def __sub__(self, other):
        other = number(other)
        return self.by(other, self.value - other.value, 1, -1)

    def __mul__(self, other):
        other = number(other)
        return self.by(other, self.value * other.value, other.value, self.value)

    def __truediv__(self, other):
        other = number(other)
        return self.by(other, self.value / other.value, 1 / other.value, -self.value / other.value ** 2)

    @property
    def u(self):
        return math.sqrt(math.fsum(u * u for u in self.parts.values()))

    @property
    def dof(self):
        """Welch-Satterthwaite, GUM G.2b."""
        pools = {}
        for s, u in self.parts.items():
            key = s.pool or s.name
            pools[key] = (pools.get(key, (0, 0))[0] + u * u, s.dof)
        total = math.fsum((square / self.u ** 2) ** 2 / dof for square, dof in pools.values() if dof != INF)
        return 1 / total if total else INF

    def k(self, coverage=0.95):
        """Student's t, by what the sum of the shapes needs over what a normal distribution needs."""
        normal = special.ndtri((1 + coverage) / 2)
        t = student(max(self.dof, 1), coverage) if self.dof <= 1e9 else normal
        shapes = [(s.shape, abs(u) / self.u) for s, u in self.parts.items()
                  if s.shape != "normal" and (u / self.u) ** 2 >= 0.005]
        return t if not shapes else t * factor_of(shapes, coverage) / normal

    def U(self):
        return self.k() * self.u


def student(dof, coverage):
    """Half-width of Student's t. scipy.stats.t.ppf is off by 1e-9 where the degrees of freedom are no whole number, and the incomplete
    beta function where they are many: there the expansion of Abramowitz and Stegun 26.7.5 is good to 1e-12."""
    if dof < 300:
        return optimize.brentq(lambda t: special.betainc(0.5, dof / 2, t * t / (dof + t * t)) - coverage, 0, 700, xtol=1e-14)
    x = special.ndtri((1 + coverage) / 2)
    return (x + (x ** 3 + x) / (4 * dof) + (5 * x ** 5 + 16 * x ** 3 + 3 * x) / (96 * dof ** 2)
            + (3 * x ** 7 + 19 * x ** 5 + 17 * x ** 3 - 15 * x) / (384 * dof ** 3)
            + (79 * x ** 9 + 776 * x ** 7 + 1482 * x ** 5 - 1920 * x ** 3 - 945 * x) / (92160 * dof ** 4))


def number(x):
    return x if isinstance(x, Number) else Number(x)


def factor_of(shapes, coverage):
    """Half-width, in u, that holds the coverage of a sum of shapes and a normal rest: from the characteristic function
    (Gil-Pelaez, Biometrika 38 (1951) 481)."""
    rest = 1 - sum(f * f for _, f in shapes)
    if rest < 0.01:
        shapes = [(shape, f * math.sqrt(0.99 / (1 - rest))) for shape, f in shapes]
        rest = 0.01
    t = np.arange(0.0125, math.sqrt(80 / rest), 0.025)
    phi = np.exp(-rest * t * t / 2)
    for shape, f in shapes:
        phi *= {"rect": lambda a: np.sinc(math.sqrt(3) * a / np.pi), "two": np.cos,
                "tri": lambda a: np.sinc(math.sqrt(6) / 2 * a / np.pi) ** 2}[shape](f * t)
    return optimize.brentq(lambda k: 2 / np.pi * 0.025 * np.sum(np.sin(k * t) / t * phi) - coverage, 0, 8, xtol=1e-13)


@dataclasses.dataclass
class Mean:
    value: float
    u: float             # of the mean of the readings over this very window
    dof: float
    scatter: float       # of another window
    scatter_dof: float
    n: int
    fluctuation: float
    n_effective: float


def effective(x):
    """Of the readings, the fewer of two counts: lag-1 autocorrelation in closed form, and pairs of autocorrelations while they are
    above zero; at least 1, at most n."""
    n, d = len(x), x - math.fsum(x) / len(x)
    c0 = math.fsum(d * d)
    if n < 3 or c0 == 0:
        return n
    lag = [math.fsum(d[:n - k] * d[k:]) / c0 for k in range(n // 2 + 2)]
    r = lag[1]
    by_model = n / (1 + 2 * math.fsum((1 - k / n) * r ** k for k in range(1, n)))
    if n < 4:
        return min(max(by_model, 1), n)
    total = -1
    for k in range(0, n // 2, 2):
        if k + 1 >= n // 2 or not lag[k] + lag[k + 1] > 0:
            break
        total += 2 * (lag[k] + lag[k + 1])
    return min(max(x, 1) for x in (min(by_model, n), min(n / total, n) if total > 0 else n))


def mean_of(x):
    x = np.asarray(x, float)
    n = len(x)
    value = math.fsum(x) / n
    length = -(-n // 500)
    m = n // length
    stretch = np.array([math.fsum(x[i * length:(i + 1) * length]) / length for i in range(m)])
    variance = math.fsum((x - value) ** 2) / (n - 1)
    few = math.sqrt(math.fsum((stretch - math.fsum(stretch) / m) ** 2) / (m - 1))
    n_eff = effective(stretch)
    white = math.fsum(np.diff(x) ** 2) / (2 * (n - 1))
    scatter = few / math.sqrt(n_eff)
    return Mean(value, math.sqrt(white / n + variance / n ** 2), max(1, 2 * (n - 1) ** 2 / (3 * n - 4)), scatter,
                n_eff - 1 if n_eff > 2 else 1, n, math.sqrt(max(variance - white, 0)),
                variance / scatter ** 2 if scatter > 0 else n)
