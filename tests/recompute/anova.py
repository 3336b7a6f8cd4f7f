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
    harness.main(groups_of_one_size, groups_unlike_in_size, groups_that_do_not_differ, by_r)
