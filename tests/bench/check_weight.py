#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""The check weight: judged by E_n, every result kept, and the control chart of bridle log check."""
import json
import sqlite3

import harness


def checks(bench):
    db = sqlite3.connect(f"file:{bench.folder / 'logbook'}?mode=ro", uri=True, timeout=5)
    return [json.loads(text) for text, in db.execute("SELECT json FROM record WHERE kind = 'check' ORDER BY id")]


def ready(bench):
    return bench.run("ready", "gentle", "--hands", "--answers", "yes", "--json")


def a_cell_that_changed_is_found_and_the_result_kept():
    with harness.Bench(4) as bench:
        bench.must("hang", "--hands", "--series", "2")
        bench.must("map", "--actuator", "paddle-winder", "--currents", "5")
        nothing = bench.run("log", "check", "--json")
        assert nothing.status == 2 and "no check" in nothing.json["message"], nothing
        for _ in range(2):
            done = ready(bench)
            mass = done.json["check_mass"]
            assert done.status == 0 and mass["ok"] and abs(mass["E_n"]) <= 1, done
            assert abs(mass["E_n"] - mass["off_Nm"] / mass["off"]["U"]) < 1e-9, mass
            # the arm, 0.4 mm of 500 mm, is in the expected torque and not in the difference
            assert mass["same_arm"] and mass["u_parts_Nm"]["weights_and_arm"] < 0.2 * mass["u_expected_Nm"], mass
        bench.stop()
        bench.replace("virtual.ini", "gain = 7.0e6 ", "gain = 7.2e6 ")  # 2.9 % more
        bench.start()
        done = ready(bench)
        assert done.status == 1 and done.json["cause"] == "check_mass" and not done.json["check_mass"]["ok"], done
        assert "E_n" in done.json["message"] and "does not hold" in done.json["message"], done.json["message"]
        kept = checks(bench)
        assert [one["ok"] for one in kept] == [True, True, False], kept
        chart = bench.must("log", "check")
        assert len(chart["checks"]) == 3 and chart["limits_from_checks"] == 2, chart
        first, second, third = (one["sensitivity_count_per_Nm"] for one in chart["checks"])
        assert abs(chart["centre"] - (first + second) / 2) < 1e-6 * first, chart
        assert abs(chart["sigma"] - abs(first - second) / 1.128) < 1e-6 * first, chart
        assert abs(third / first - 7.2 / 7) < 0.01, chart
        assert {"check": 3, "test": 1, "words": "above the 3 sigma line"} in chart["rules_met"], chart
        out = bench.folder / "chart"
        told = bench.must("log", "check", "--out", out)
        page = (out / "check-weight.html").read_text()
        assert told["page"] == str(out / "check-weight.html") and "does not hold: E_n is" in page.replace("\u00a0", " "), page[:3000]
        assert "<svg" in page and (out / "check-weight.pdf").stat().st_size > 2000 and "a value beyond 3 sigma" in page
        assert len((out / "checks.csv").read_text().splitlines()) == 2 + 3
        wrong = bench.run("log", "list", "--out", out)
        assert wrong.status == 2 and "log check" in wrong.err, wrong
        drawn = bench.run("log", "check")
        assert drawn.status == 0 and max(map(len, drawn.out.splitlines())) <= 80, drawn
        rows = drawn.out.splitlines()
        assert rows[0].split()[-5:] == ["-3s", "-2s", "centre", "+2s", "+3s"] and rows[3].endswith(">"), drawn.out


def another_arm_does_not_cancel():
    with harness.Bench(4) as bench:
        bench.must("hang", "--hands", "--series", "1")
        bench.must("map", "--actuator", "paddle-winder", "--currents", "5")
        bench.replace("rig.ini", "length = 500.0 mm", "length = 530.0 mm")
        done = ready(bench)
        mass = done.json["check_mass"]
        assert not mass["same_arm"] and mass["u_parts_Nm"]["weights_and_arm"] > mass["u_expected_Nm"], mass
        assert done.status == 1 and abs(mass["off_Nm"] / mass["expected_Nm"] + 0.057) < 0.01, mass  # 500/530 - 1


if __name__ == "__main__":
    harness.main(a_cell_that_changed_is_found_and_the_result_kept, another_arm_does_not_cancel)
