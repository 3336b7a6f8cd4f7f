#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""The program's numerics against R, SciPy and exact rational arithmetic on random data.

Usage: cross_check.py BRIDLE [SEED]. Prints TAP and the seed; skips what is not installed."""
import json
import math
import random
import shutil
import subprocess
import sys
import tempfile
import time
from fractions import Fraction
from pathlib import Path

bridle = sys.argv[1]
seed = int(sys.argv[2]) if len(sys.argv) > 2 else int(time.time()) % 1000000
rng = random.Random(seed)
folder = Path(tempfile.mkdtemp(prefix="bridle-cross-"))
count = failed = 0


def report(good, what):
    global count, failed
    count += 1
    failed += 0 if good else 1
    print(f"{'ok' if good else 'not ok'} {count} - {what}", flush=True)


def skip(what, why):
    global count
    count += 1
    print(f"ok {count} - {what} # SKIP {why}", flush=True)


def calc(*args):
    done = subprocess.run([bridle, "calc", *map(str, args), "--json"], capture_output=True, text=True)
    if done.returncode != 0:
        raise SystemExit(f"Bail out! bridle calc {' '.join(map(str, args))}: {done.stdout}{done.stderr}")
    return json.loads(done.stdout)


def digits(got, want):
    if got == want:
        return 16.0
    if math.isnan(got) or math.isnan(want):
        return 0.0  # min() would pass over it
    return -math.log10(abs(got - want) / abs(want)) if want != 0 else -math.log10(abs(got))


def table(name, heads, rows):
    path = folder / name
    with open(path, "w") as f:
        f.write(",".join(heads) + "\n")
        for row in rows:
            f.write(",".join(repr(v) for v in row) + "\n")
    return path


def R(script):
    done = subprocess.run(["Rscript", "--vanilla", "-e", script], capture_output=True, text=True, timeout=120)
    if done.returncode != 0:
        raise SystemExit(f"Bail out! R: {done.stderr}")
    return [float(v) for v in done.stdout.split()]


def weighted_data(n):
    rows = []
    for _ in range(n):
        x, u = rng.uniform(5, 60), rng.uniform(0.02, 0.5)
        rows.append((x, 3.7 - 1.3 * x + 0.01 * x * x + rng.gauss(0, u), u))
    return rows


def against_r():
    rows = weighted_data(40)
    path = table("weighted.csv", ("x", "y", "u"), rows)
    for degree in (1, 2, 4):
        ours = calc("regress", path, "--degree", degree, "--weights", "u")
        r = R(f"options(digits=17); d <- read.csv('{path}'); m <- lm(y ~ poly(x, {degree}, raw=TRUE), d, weights=1/u^2); "
              f"s <- summary(m); cat(coef(s)[,1], coef(s)[,2], s$sigma, s$r.squared)")
        mine = ([c["value"] for c in ours["coefficients"]] + [c["u"] for c in ours["coefficients"]] +
                [ours["residual_sd"], ours["r_squared"]])
        worst = min(digits(a, b) for a, b in zip(mine, r))
        report(len(mine) == len(r) and worst > 8, f"R lm, weights, degree {degree}: {worst:.1f} digits")
    ours = calc("regress", path, "--degree", 2, "--weights", "u", "--points", "--predict", 33.3)
    r = R(f"options(digits=17); d <- read.csv('{path}'); m <- lm(y ~ x + I(x^2), d, weights=1/u^2); cat(hatvalues(m), "
          f"rstandard(m), rstudent(m), predict(m, data.frame(x=33.3), interval='confidence'))")
    p = ours["points"]
    mine = [q["leverage"] for q in p] + [q["studentised"] for q in p] + [q["deleted"] for q in p]
    mine += [ours["predict"][0]["value"], *ours["predict"][0]["confidence"]]
    worst = min(digits(a, b) for a, b in zip(mine, r))
    report(len(mine) == len(r) and worst > 7, f"R leverage, studentised residuals, confidence band: {worst:.1f} digits")
    rows = [(x, x2, 2 + 0.3 * x - 7 * x2 + rng.gauss(0, 1)) for x, x2 in
            ((rng.uniform(0, 9), rng.uniform(-1, 1)) for _ in range(30))]
    path = table("several.csv", ("a", "b", "y"), rows)
    ours = calc("regress", path, "--x", "a,b", "--y", "y")
    r = R(f"options(digits=17); d <- read.csv('{path}'); s <- summary(lm(y ~ a + b, d)); cat(coef(s)[,1], coef(s)[,2])")
    mine = [c["value"] for c in ours["coefficients"]] + [c["u"] for c in ours["coefficients"]]
    report(len(r) == 6 and min(map(digits, mine, r)) > 10, "R lm, two variables")
    repeats = [(float(x), 1 + x + 0.02 * x * x + rng.gauss(0, 0.2)) for x in range(1, 9) for _ in range(3)]
    path = table("repeats.csv", ("x", "y"), repeats)
    ours = calc("regress", path)["lack_of_fit"]
    r = R(f"options(digits=17); d <- read.csv('{path}'); a <- anova(lm(y ~ x, d), lm(y ~ factor(x), d)); cat(a[2,'F'], "
          f"a[2,'Df'], a[2,'Res.Df'], a[2,'Pr(>F)'])")
    report(len(r) == 4 and min(map(digits, (ours["F"], ours["dof1"], ours["dof2"], ours["p"]), r)) > 8, "R anova: lack of fit")
    for dof, p in ((3, 0.95), (16.7, 0.9545), (250, 0.99)):
        ours = calc("t", "--dof", dof, "--coverage", p)
        (r,) = R(f"options(digits=17); cat(qt({0.5 + 0.5 * p!r}, {dof}))")
        report(digits(ours["k"], r) > 9, f"R qt, {dof} degrees of freedom, {p}")


def ar1(n, rho):
    x, out = 0.0, []
    for _ in range(n):
        x = rho * x + rng.gauss(0, 1)
        out.append(20 + x)
    return out


def against_scipy():
    import numpy as np
    import scipy.odr
    import scipy.stats

    y = ar1(500, 0.7)
    ours = calc("mean", table("ar1.csv", ("y",), [(v,) for v in y]))
    d = np.array(y) - np.mean(y)
    lag1 = float(np.dot(d[:-1], d[1:]) / np.dot(d, d))
    report(digits(ours["lag1"], lag1) > 9 and digits(ours["mean"], float(np.mean(y))) > 12 and
           digits(ours["sd"], float(np.std(y, ddof=1))) > 11, "NumPy: mean, sd, lag-1 autocorrelation")
    report(digits(ours["n_effective"], 500 * (1 - lag1) / (1 + lag1)) > 8, "effective number of readings")
    y = np.cumsum(np.array(ar1(400, 0.2)) - 20) * 0.1 + np.array(ar1(400, 0.0))
    ours = calc("allan", table("walk.csv", ("y",), [(float(v),) for v in y]), "--tau0", 0.5)
    worst = 16.0
    for tau, adev, oadev in zip(ours["tau"], ours["adev"], ours["oadev"]):
        m = round(tau / 0.5)
        means = y[:len(y) // m * m].reshape(-1, m).mean(axis=1)
        sliding = np.convolve(y, np.ones(m) / m, "valid")
        worst = min(worst, digits(adev, float(np.sqrt(np.mean(np.diff(means) ** 2) / 2))),
                    digits(oadev, float(np.sqrt(np.mean((sliding[m:] - sliding[:-m]) ** 2) / 2))))
    report(len(ours["tau"]) > 8 and worst > 9, f"NumPy: Allan deviation, plain and overlapping: {worst:.1f} digits")
    for dof, p in ((2.5, 0.95), (40, 0.6827)):
        k = calc("t", "--dof", dof, "--coverage", p)["k"]
        report(digits(k, float(scipy.stats.t.ppf(0.5 + 0.5 * p, dof))) > 9, f"SciPy t quantile, {dof}, {p}")
    n = 25
    ux, uy = [rng.uniform(0.05, 0.3) for _ in range(n)], [rng.uniform(0.1, 0.6) for _ in range(n)]
    t = [rng.uniform(0, 10) for _ in range(n)]
    x = [a + rng.gauss(0, u) for a, u in zip(t, ux)]
    y = [1.5 - 0.8 * a + rng.gauss(0, u) for a, u in zip(t, uy)]
    ours = calc("regress", table("both.csv", ("x", "y", "ux", "uy"), list(zip(x, y, ux, uy))), "--errors-in-both")
    # The line at 5 is the constant of the same line with x counted from 5.
    at = calc("regress", folder / "both.csv", "--errors-in-both", "--predict", 5, "--invert", 0, "--points")
    moved = calc("regress", table("moved.csv", ("x", "y", "ux", "uy"), [(a - 5, b, c, d) for a, b, c, d in zip(x, y, ux, uy)]),
                 "--errors-in-both")["coefficients"][0]
    p, inv, slope = at["predict"][0], at["invert"][0], at["coefficients"][1]["value"]
    report(digits(p["value"], moved["value"]) > 9 and digits(p["u_fit"], moved["u"]) > 9, "errors in both: band by a moved origin")
    report(digits(inv["x"], -at["coefficients"][0]["value"] / slope) > 12 and inv["u_x"] > 0, "errors in both: inverse")
    chi2 = sum(q["studentised"] ** 2 for q in at["points"])
    report(digits(chi2, ours["chi_squared"]) > 9, "errors in both: squares of the residuals add to chi-squared")
    fit = scipy.odr.ODR(scipy.odr.RealData(x, y, ux, uy), scipy.odr.Model(lambda b, v: b[0] + b[1] * v),
                        beta0=[0.0, -1.0], sstol=1e-15, partol=1e-15, maxit=500).run()
    worst = min(digits(ours["coefficients"][j]["value"], float(fit.beta[j])) for j in (0, 1))
    report(worst > 5, f"SciPy orthogonal distance regression: {worst:.1f} digits")


def exact(xs, ys, degree):
    """Least squares in rational numbers: the doubles as they are, no rounding anywhere."""
    p = degree + 1
    X, Y = [Fraction(x) for x in xs], [Fraction(y) for y in ys]
    moments = [sum(x ** k for x in X) for k in range(2 * p - 1)]
    A = [[moments[i + j] for j in range(p)] + [sum(y * x ** i for x, y in zip(X, Y))] for i in range(p)]
    for i in range(p):
        pivot = next(r for r in range(i, p) if A[r][i] != 0)
        A[i], A[pivot] = A[pivot], A[i]
        A[i] = [v / A[i][i] for v in A[i]]
        for r in range(p):
            if r != i:
                A[r] = [a - A[r][i] * b for a, b in zip(A[r], A[i])]
    b = [row[p] for row in A]
    rss = sum((y - sum(c * x ** k for k, c in enumerate(b))) ** 2 for x, y in zip(X, Y))
    return b, rss


def against_exact():
    """Tenth degrees far from zero: harder than the certified sets."""
    for low, high, name in ((-9, -3, "as Filip"), (100, 110, "a hundred from zero"), (1000, 1003, "a thousand from zero")):
        xs = [round(rng.uniform(low, high), 6) for _ in range(60)]
        ys = [round(math.sin(x) + rng.gauss(0, 0.01), 6) for x in xs]
        ours = calc("regress", table("hard.csv", ("x", "y"), list(zip(xs, ys))), "--degree", 10)
        b, rss = exact(xs, ys, 10)
        worst = min(digits(c["value"], float(v)) for c, v in zip(ours["coefficients"], b))
        worst_rss = digits(ours["residual_ss"], float(rss))
        report(len(ours["coefficients"]) == len(b) and worst > 13 and worst_rss > 13,
               f"exact rational arithmetic, tenth degree, {name}: coefficients {worst:.1f}, residuals {worst_rss:.1f} digits")


print(f"# seed {seed}")
against_exact()
if shutil.which("Rscript"):
    against_r()
else:
    skip("R", "Rscript is not installed")
try:
    import scipy  # noqa: F401
    have_scipy = True
except ImportError:
    have_scipy = False
if have_scipy:
    against_scipy()
else:
    skip("SciPy", "python3-scipy is not installed")
shutil.rmtree(folder)
print(f"1..{count}")
sys.exit(1 if failed else 0)
