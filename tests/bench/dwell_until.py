#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""A plan with a target instead of a time ([steady] dwell = until 0.3 %): what ready says before it, and how long the windows become."""
import json

import harness

PLAN = """[plan]
actuator = paddle-winder
speed = 60 rpm

[steps]
torque = 5, 10, 20 N.m
down = no
repeat_first = no

[steady]
dwell = until {}
longest = 20 s
window = 2 s
timeout = 15 s
"""


def plan(bench, target):
    (bench.folder / "plans" / "until.ini").write_text(PLAN.format(target))


def bad_arm(folder):
    file = folder / "rig.ini"
    text = file.read_text()
    assert "500.0 mm ± 0.4 mm k=2" in text
    file.write_text(text.replace("500.0 mm ± 0.4 mm k=2", "500.0 mm ± 3 mm k=2"))


def what_the_arm_forbids_is_told_and_the_windows_follow_the_scatter():
    with harness.Bench(5, edit=bad_arm) as bench:
        bench.must("hang", "--hands", "--series", "2")
        bench.must("map", "--actuator", "paddle-winder", "--currents", "5")
        plan(bench, "0.2 %")
        said = bench.run("ready", "until", "--hands", "--answers", "yes")
        assert said.status == 0 and "0.2 % cannot be reached" in " ".join(said.out.split()), said
        told = bench.must("ready", "until", "--hands", "--answers", "yes")
        bench.replace("plans/until.ini", "speed = 60 rpm", "speed = 60, 40 rpm")
        said = bench.run("ready", "until", "--hands", "--answers", "yes", "--no-check")
        assert "10 N·m at 40 rpm: 0.2 % cannot be reached" in " ".join(said.out.split()), said
        # 3 mm of 500 mm at k = 2 is 0.6 %: the arm alone
        assert all("arm" in p["cannot_reach"] and "alone is 0." in p["cannot_reach"] for p in told["points"][1:]), told["points"]
        assert all(2 - 1e-9 <= p["dwell_s"] <= 20 for p in told["points"]), told["points"]
        bench.must("sweep", "until")
        for p in bench.must("report", "--no-figures")["points"]:
            window_s = p["end_s"] - p["begin_s"]
            assert 2 - 0.05 <= window_s <= 20 * 1.5 + 0.1, p
            assert "target of 0.2 % was not reached" in p["note"], p
        plan(bench, "2 %")  # nothing forbids it, and the shortest window is enough
        easy = bench.must("ready", "until", "--hands", "--answers", "yes")
        assert all(p["cannot_reach"] is None for p in easy["points"]), easy["points"]
        assert easy["forecast"]["time_s"] <= told["forecast"]["time_s"], (easy["forecast"]["time_s"], told["forecast"]["time_s"])
        bench.must("sweep", "until")
        for p in bench.must("report", "--no-figures")["points"]:
            assert p["end_s"] - p["begin_s"] <= 2 * 1.5 + 0.1 and "target" not in p["note"], p


def a_wrong_target_gets_one_sentence():
    with harness.Bench(6) as bench:
        for target, word in (("soon", "until 0.2 %"), ("until 50 %", "at most 0.1"), ("until 0.2 s", "until 0.2 %")):
            plan(bench, target if "until" not in target else target.removeprefix("until "))
            if "until" not in target:
                (bench.folder / "plans" / "until.ini").write_text(PLAN.format("x").replace("until x", target))
            answer = bench.run("ready", "until", "--json")
            assert answer.status != 0 and word in json.dumps(answer.json, ensure_ascii=False), answer


harness.main(what_the_arm_forbids_is_told_and_the_windows_follow_the_scatter, a_wrong_target_gets_one_sentence)
