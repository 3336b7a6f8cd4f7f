#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""bridle study on a virtual rig whose cell shows another gain after each mounting (1 %, drawn by the bench and told by its truth
alone): what the study finds between mountings is that spread, and as a source it makes a later interval hold."""
import math
import pathlib
import re
import statistics
import sys

sys.path[:0] = [str(pathlib.Path(__file__).resolve().parent), str(pathlib.Path(__file__).resolve().parents[1] / "truth")]
import harness  # noqa: E402
from study import Truth  # noqa: E402

PLAN = """[plan]
actuator = paddle-winder
load = torque
drive = speed
speed = 60 rpm
[steps]
torque = 6, 10, 15 N.m
down = no
repeat_first = no
[steady]
dwell = 2 s
window = 1 s
timeout = 10 s
"""


def edit(folder):
    (folder / "plans" / "short.ini").write_text(PLAN)
    virtual = folder / "virtual.ini"
    virtual.write_text(re.sub(r"(?m)^remount_gain = .*", "remount_gain = 0.01", virtual.read_text()))


BENCH = harness.Bench(5, edit=edit)
RUNS, GAIN, TRUE = {}, {}, {}


def mount(number):
    """The bench begins anew, so that each mounting finds the rig as cold; the n-th mounting is the n-th draw."""
    BENCH.stop()
    BENCH.options = ["--at", "; ".join(f"{0.1 * (i + 1):.1f} remount" for i in range(number))]
    truth = BENCH.folder / "run" / "truth.csv"
    truth.unlink()
    BENCH.start()
    harness.wait_for(truth.exists, 10, "the bench")


def sweep(name):
    told = BENCH.must("sweep", "short", "--mounting", name, "--operator", "the night watch", "--forced", "a study")
    truth = Truth(BENCH.folder)
    true = [truth.point(p["begin_s"], p["end_s"]) for p in told["points"]]
    RUNS.setdefault(name, []).append(told["run_id"])
    GAIN.setdefault(name, []).append(statistics.mean(p["torque_Nm"] / t["brake_Nm"] for p, t in zip(told["points"], true)))
    TRUE[told["run_id"]] = true
    return told


def efficiencies(doc):
    return [level for level in doc["levels"] if level["quantity"] == "efficiency"]


def what_it_finds_is_what_was_drawn():
    BENCH.start()
    BENCH.must("hang", "--hands", "--series", "1")
    BENCH.must("map", "--actuator", "paddle-winder", "--currents", "6")
    for number, name in enumerate("ABC", 1):
        mount(number)
        sweep(name)
        sweep(name)
    doc = BENCH.must("study", *sum(RUNS.values(), []), "--keep", "--out", BENCH.folder / "study")
    assert doc["by"] == "mounting" and doc["n_groups"] == 3 and doc["record"], doc
    assert [r["group"] for r in doc["runs"]] == list("AABBCC"), doc["runs"]
    levels = efficiencies(doc)
    assert len(levels) == 3, levels
    gains = {name: statistics.mean(found) for name, found in GAIN.items()}
    spread = statistics.stdev(gains.values())
    assert spread > 0.002, gains
    for level in levels:
        # A gain e shows e more torque at one input: at one shown torque the input is less by as much, and the loss's share of it.
        mean = level["mean"]["value"]
        for group in level["groups"]:
            off = group["mean"] / mean - statistics.mean(g["mean"] for g in level["groups"]) / mean
            assert abs(off - (gains[group["group"]] - statistics.mean(gains.values()))) < 0.0025, (level["at"], group, gains)
        assert abs(level["means"]["value"] / mean / spread - 1) < 0.3, (level, spread)
        s_r, s_R = level["repeatability"], level["reproducibility"]
        assert s_r["low"] < s_r["value"] < s_r["high"] and s_r["dof"] == 3 and s_R["low"] < s_R["value"] < s_R["high"]
        assert math.isclose(s_R["value"] ** 2, s_r["value"] ** 2 + level["between"]["value"] ** 2, rel_tol=1e-9)
        assert level["p"] < 0.05, level
    assert len((BENCH.folder / "study" / "study.csv").read_text().splitlines()) == 2 + 6 * len(doc["levels"])
    RUNS["record"] = doc["record"]


def as_a_source_it_makes_a_later_interval_hold():
    mount(4)
    without = sweep("D")
    BENCH.replace("rig.ini", "[rig]\n", f"[rig]\nstudy = {RUNS['record']}\n")
    told = sweep("E")
    report = BENCH.must("report", told["run_id"], "--no-figures")
    assert any(f"study of record {RUNS['record']}" in remark for remark in report["remarks"]), report["remarks"]
    levels = efficiencies(BENCH.must("study", *RUNS["A"], *RUNS["B"], *RUNS["C"]))
    for plain, point, level in zip(without["points"], told["points"], levels):
        frac = level["means"]["value"] / level["mean"]["value"]
        added = math.sqrt((point["u_efficiency"] / point["efficiency"]) ** 2 - (plain["u_efficiency"] / plain["efficiency"]) ** 2)
        assert abs(added / frac - 1) < 0.05, (added, frac)
        true = TRUE[told["run_id"]][told["points"].index(point)]["brake_efficiency"]
        assert abs(point["efficiency"] - true) < point["U_efficiency"], (point, true)
    page = BENCH.folder / "publish"
    BENCH.must("report", told["run_id"], "--out", page, "--no-figures")
    text = (page / "report.html").read_text()
    assert f"efficiency reproducibility by study {RUNS['record']}" in text and "the night watch" in text and "<dd>E</dd>" in text
    pack = BENCH.folder / "e.tar.zst"
    BENCH.must("pack", told["run_id"], "--out", pack)
    assert BENCH.must("verify", pack)["differs"] == []


def what_makes_no_study_is_said():
    a, b = RUNS["A"], RUNS["B"]
    for words, says in [([a[0], a[1], b[0], "--by", "rig"], "expected mounting, operator or pair"), ([a[0], a[0], b[0]], "given twice"),
                        ([*a, f"{b[0]}="], "expected RUN=NAME"), ([*a, 1], "only a sweep"), (a, "missing"),
                        ([f"{a[0]}=x", f"{a[1]}=y", f"{b[0]}=z"], "one of them twice"), ([*a, b[0], "--by", "operator"], "at least 2"),
                        ([*a, *b, "--by", "pair"], "two operators and two mountings"), ([f"{a[0]}=x", *b, "--by", "pair"], "OPERATOR/MOUNTING")]:
        result = BENCH.run("study", *words, "--json")
        assert result.status == 2 and says in result.json["message"], (words, result)
    BENCH.replace("rig.ini", f"study = {RUNS['record']}", "study = 1")
    assert "names study 1" in " ".join(BENCH.must("report", sweep("F")["run_id"], "--no-figures")["remarks"])
    text = BENCH.run("study", *a, *b)
    assert text.status == 0 and max(map(len, text.out.splitlines())) <= 80 and "s_R" in text.out, text
    # three torques of four quantities: Grubbs' test wants three groups, Cochran's two
    assert "Tests made: 12 " in " ".join(text.out.split()) and "About 0.6 would find a straggler" in " ".join(text.out.split()), text
    both = BENCH.run("sweep", "short", "--resume", "--mounting", "G", "--json")
    assert both.status == 2 and "has the mounting of the run that it continues" in both.json["message"], both


if __name__ == "__main__":
    try:
        harness.main(what_it_finds_is_what_was_drawn, as_a_source_it_makes_a_later_interval_hold, what_makes_no_study_is_said)
    finally:
        BENCH.stop()
