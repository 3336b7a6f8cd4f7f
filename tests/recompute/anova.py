#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""bridle study against others: values by the chord from the points of report.json, the analysis of variance, its intervals and the
consistency tests by NumPy and SciPy from the formulae of docs/method.md, 8f, and the mean squares, F and p by R. Runs are made
(tests/bench/made_runs.c): three groups whose ammeter differs by drawn gains, equal and unequal in size, and groups that do not differ."""
import math
import os
import pathlib
import subprocess
import sys
import tempfile

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parents[1] / "bench"))
import harness  # noqa: E402

try:
    import numpy as np
    from scipy import stats
except ImportError as missing:
    np, WHY = None, str(missing)

NINE_DIGITS = 1e-9
HOME = tempfile.TemporaryDirectory(prefix="bridle-anova-")


def made(name, runs, groups):
    folder = pathlib.Path(HOME.name) / name
    folder.mkdir()
    subprocess.run([os.environ["MADE_RUNS"], str(folder / "logbook"), str(runs), "2", str(groups)], check=True)
    return folder


def studied(folder, labels):
    """labels[i] of run i + 1; None leaves the run out."""
    words = [f"{i}={label}" for i, label in enumerate(labels, 1) if label]
    doc = harness.run("study", *words, "--bench", folder, "--json").json
    assert doc.get("levels"), doc
    reports = {r["run"]: harness.run("report", r["run"], "--no-figures", "--bench", folder, "--json").json["points"] for r in doc["runs"]}
    return doc, reports


def near(found, wanted, what, digits=NINE_DIGITS):
    assert found is not None and math.isclose(found, wanted, rel_tol=digits, abs_tol=1e-300), f"{what}: {found!r}, by others {wanted!r}"


def furthest(p, tail):
    t = stats.t.isf(tail, p - 2)
    return (p - 1) * t / math.sqrt(p * (t * t + p - 2))


def share(p, n, tail):
    return 1 / (1 + (p - 1) / stats.f.isf(tail, n - 1, (p - 1) * (n - 1)))


def check_values(level, doc, reports):
    for value, run in zip(level["values"], doc["runs"], strict=True):
        points = sorted((p["torque_Nm"], p[level["quantity"]]) for p in reports[run["run"]] if p["direction"] == "up")
        near(value, float(np.interp(level["at"], *zip(*points))), f"{level['quantity']} at {level['at']} of run {run['run']}")


def check_level(level, doc):
    names = [r["group"] for r in doc["runs"]]
    cells = [np.array([v for v, name in zip(level["values"], names) if name == g]) for g in dict.fromkeys(names)]
    p, N, size = len(cells), sum(map(len, cells)), np.array([len(c) for c in cells])
    means, grand = np.array([c.mean() for c in cells]), np.concatenate(cells).mean()
    within = sum(((c - c.mean()) ** 2).sum() for c in cells) / (N - p)
    between = (size * (means - grand) ** 2).sum() / (p - 1)
    n_bar = (N - (size ** 2).sum() / N) / (p - 1)
    s_r, s_L = math.sqrt(within), math.sqrt(max(between - within, 0) / n_bar)
    s_R = math.hypot(s_L, s_r)
    F, p_value = stats.f_oneway(*cells)
    # a scatter is a small difference of large values: so many digits of theirs are left in it
    left = max(NINE_DIGITS, 1e-13 * abs(grand) / min(s_r, means.std(ddof=1)))

    def same(found, wanted, what):
        near(found, wanted, what, left)

    assert left < 1e-5, left
    same(level["F"], F, "F")
    same(level["p"], p_value, "p")
    chi, dof = stats.chi2.ppf, N - p
    same(level["repeatability"]["value"], s_r, "s_r")
    same(level["repeatability"]["low"], s_r * math.sqrt(dof / chi(0.975, dof)), "s_r low")
    same(level["repeatability"]["high"], s_r * math.sqrt(dof / chi(0.025, dof)), "s_r high")
    assert abs(level["between"]["value"] - s_L) < left * s_r + math.sqrt(left) * s_r * (s_L == 0), (level["between"], s_L)
    same(level["reproducibility"]["value"], s_R, "s_R")
    a, b = between / n_bar, (1 - 1 / n_bar) * within
    low = a + b - math.hypot((1 - (p - 1) / chi(0.975, p - 1)) * a, (1 - dof / chi(0.975, dof)) * b)
    high = a + b + math.hypot(((p - 1) / chi(0.025, p - 1) - 1) * a, (dof / chi(0.025, dof) - 1) * b)
    same(level["reproducibility"]["low"], math.sqrt(max(low, 0)), "s_R low")
    same(level["reproducibility"]["high"], max(math.sqrt(high), s_R), "s_R high")
    same(level["means"]["value"], means.std(ddof=1), "means")
    same(level["grubbs"]["value"], np.abs(means - means.mean()).max() / means.std(ddof=1), "Grubbs")
    same(level["cochran"]["value"], max(c.var(ddof=1) for c in cells) / sum(c.var(ddof=1) for c in cells), "Cochran")
    for at, alpha in (("at_5", 0.05), ("at_1", 0.01)):
        near(level["grubbs"][at], furthest(p, alpha / 2 / p), "Grubbs' limit")
        near(level[f"h_{at}"], furthest(p, alpha / 2), "limit of h")
        if len(set(size)) == 1:
            near(level["cochran"][at], share(p, size[0], alpha / p), "Cochran's limit")
            near(level[f"k_{at}"], math.sqrt(p * share(p, size[0], alpha)), "limit of k")
    for group, cell in zip(level["groups"], cells, strict=True):
        assert abs(group["h"] - (cell.mean() - means.mean()) / means.std(ddof=1)) < 10 * left, group
        same(group["k"], cell.std(ddof=1) / s_r, "k")


def two_ways(level, doc):
    """Mean squares of operators, mountings, both together and the rest, with their degrees of freedom, and the values by [a, b, n]."""
    names = [tuple(r["group"].split("/")) for r in doc["runs"]]
    first, second = (list(dict.fromkeys(name[i] for name in names)) for i in (0, 1))
    y = np.array([[[v for v, name in zip(level["values"], names) if name == (g, h)] for h in second] for g in first])
    a, b, n = y.shape
    cells, grand = y.mean(2), y.mean()
    rows, columns = cells.mean(1), cells.mean(0)
    squares = np.array([b * n * ((rows - grand) ** 2).sum(), a * n * ((columns - grand) ** 2).sum(),
                        n * ((cells - rows[:, None] - columns + grand) ** 2).sum(), ((y - cells[:, :, None]) ** 2).sum()])
    dof = np.array([a - 1, b - 1, (a - 1) * (b - 1), a * b * (n - 1)])
    return squares / dof, dof, y


def operators_by_mountings():
    """Twelve runs, two by each of two operators in each of three mountings, by NumPy and SciPy and, where it is, by R."""
    if np is None:
        raise harness.Skipped(WHY)
    folder = made("crossed", 12, 3)
    words = [f"{i}={'anna' if (i - 1) // 3 % 2 else 'ben'}/{'ABC'[(i - 1) % 3]}" for i in range(1, 13)]
    doc = harness.run("study", *words, "--by", "pair", "--bench", folder, "--json").json
    assert doc.get("levels") and doc["n_groups"] == 6, doc
    script = []
    for level in doc["levels"]:
        ms, dof, y = two_ways(level, doc)
        a, b, n = y.shape
        # a scatter is a small difference of large values: so many digits of theirs are left in it
        left = max(NINE_DIGITS, 1e-12 * abs(y.mean()) / math.sqrt(ms.min()))
        s2 = [max(ms[0] - ms[2], 0) / (b * n), max(ms[1] - ms[2], 0) / (a * n), max(ms[2] - ms[3], 0) / n]
        p = [stats.f.sf(ms[0] / ms[2], dof[0], dof[2]), stats.f.sf(ms[1] / ms[2], dof[1], dof[2]), stats.f.sf(ms[2] / ms[3], dof[2], dof[3])]
        for key, square, told, free in zip(("operators", "mountings", "together"), s2, p, dof):
            assert abs(level[key]["value"] ** 2 - square) < left * (square + ms[3]), (key, level[key], math.sqrt(square))
            assert math.isclose(level[key]["p"], told, rel_tol=100 * left) and level[key]["dof"] == free, (key, level[key], told)
        parts = np.array([ms[0] / (b * n), ms[1] / (a * n), (1 - 1 / a - 1 / b) * ms[2] / n, (1 - 1 / n) * ms[3]])
        low, high = parts * (1 - dof / stats.chi2.ppf(0.975, dof)), parts * (dof / stats.chi2.ppf(0.025, dof) - 1)
        s_R = math.sqrt(sum(s2) + ms[3])
        near(level["repeatability"]["value"], math.sqrt(ms[3]), "s_r", left)
        near(level["reproducibility"]["value"], s_R, "s_R", left)
        near(level["reproducibility"]["low"], math.sqrt(max(parts.sum() - math.hypot(*low), 0)), "s_R low", left)
        near(level["reproducibility"]["high"], max(math.sqrt(parts.sum() + math.hypot(*high)), s_R), "s_R high", left)
        near(level["means"]["value"], math.sqrt(parts[:3].sum()), "a later pair", left)
        near(level["means"]["dof"], parts[:3].sum() ** 2 / (parts[:3] ** 2 / dof[:3]).sum(), "its degrees of freedom", left)
        near(level["mean"]["u"], math.sqrt((ms[0] + ms[1]) / y.size), "u of the mean", left)
        script.append(f"a <- anova(lm(y ~ g * h, data.frame(y = c({','.join(map(repr, level['values']))}), g = g, h = h))); "
                      "cat(format(a$`Mean Sq`, digits = 17), '\\n')")
    power = [level for level in doc["levels"] if level["quantity"] == "input_power_W"]
    assert all(level["mountings"]["p"] < 0.05 < level["operators"]["p"] for level in power[1:]), power
    if not any((pathlib.Path(d) / "Rscript").exists() for d in os.environ["PATH"].split(":")):
        print("# no Rscript: by NumPy and SciPy alone")
        return
    names = [r["group"].split("/") for r in doc["runs"]]
    factors = "; ".join(f"{f} <- factor(c({','.join(repr(name[i]) for name in names)}))" for i, f in enumerate("gh"))
    done = subprocess.run(["Rscript", "--vanilla", "-e", "; ".join([factors, *script])], capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stderr
    for level, line in zip(doc["levels"], done.stdout.splitlines(), strict=True):
        ms = two_ways(level, doc)[0]
        for mine, by_r_ in zip(ms, map(float, line.split()), strict=True):
            assert math.isclose(mine, by_r_, rel_tol=1e-6, abs_tol=1e-9 * ms[3]), (level["quantity"], ms, line)


def check(labels, groups, runs):
    if np is None:
        raise harness.Skipped(WHY)
    folder = made(f"{len(os.listdir(HOME.name))}", runs, groups)
    doc, reports = studied(folder, labels)
    assert len(doc["levels"]) >= 12, len(doc["levels"])
    for level in doc["levels"]:
        check_values(level, doc, reports)
        check_level(level, doc)
    return doc


def groups_of_one_size():
    doc = check("ABC" * 3, 3, 9)
    power = [level for level in doc["levels"] if level["quantity"] == "input_power_W"]
    assert all(level["p"] < 0.01 for level in power[1:]), [level["p"] for level in power]  # the lightest load has little power beside its noise


def groups_unlike_in_size():
    labels = list("ABC" * 4)
    labels[11] = labels[10] = labels[8] = None
    check(labels, 3, 12)


def groups_that_do_not_differ():
    doc = check("AABBCCDD", 1, 8)
    assert any(level["between"]["value"] == 0 for level in doc["levels"]), "s_L^2 was below zero at no level"


def by_r():
    if not any((pathlib.Path(d) / "Rscript").exists() for d in os.environ["PATH"].split(":")):
        raise harness.Skipped("no Rscript")
    folder = made("r", 9, 3)
    doc, _ = studied(folder, "ABC" * 3)
    for level in doc["levels"]:
        y = ",".join(repr(v) for v in level["values"])
        g = ",".join(f'"{r["group"]}"' for r in doc["runs"])
        script = f"a <- anova(lm(y ~ g, data.frame(y = c({y}), g = factor(c({g}))))); " \
                 "cat(format(c(a$`Mean Sq`, a$`F value`[1], a$`Pr(>F)`[1]), digits = 17))"
        done = subprocess.run(["Rscript", "--vanilla", "-e", script], capture_output=True, text=True, timeout=120)
        assert done.returncode == 0, done.stderr
        between, within, F, p = map(float, done.stdout.split())
        # R centres by its own way: about half of the digits of the values are left in a scatter of 1e-4 of them
        for found, wanted in ((level["repeatability"]["value"] ** 2, within), (level["F"], F), (level["p"], p),
                              (level["between"]["value"] ** 2, max(between - within, 0) / 3)):
            assert math.isclose(found, wanted, rel_tol=1e-6, abs_tol=1e-9 * within), (level["quantity"], found, wanted)


if __name__ == "__main__":
    harness.main(groups_of_one_size, groups_unlike_in_size, groups_that_do_not_differ, operators_by_mountings, by_r)
