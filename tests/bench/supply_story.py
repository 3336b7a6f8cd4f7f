#!/usr/bin/env python3
"""The supply story: a plan past the supply's rating is refused; forced through, its points come out supply-limited
and the drive's drop-out is named: the actuator is not to blame."""
import pathlib
import re
import sqlite3
import sys

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parent))
import harness  # noqa: E402


def with_small_supply(bench):
    """Calibrated and mapped on the 12 A supply; then a smaller one stands on the table."""
    bench.must("hang", "--hands")
    bench.must("map", "--actuator", "paddle-winder")
    bench.stop()
    bench.replace("rig.ini", "current_limit = 12 A", "current_limit = 6 A")
    bench.start()


def a_plan_past_the_supply_is_refused_and_says_which_number_decides():
    with harness.Bench(3) as bench:
        with_small_supply(bench)
        result = bench.run("ready", "lock-sweep", "--hands", "--answers", "yes", "--json")
        assert result.status == 1, result
        answer = result.json
        assert "supply" in answer["message"], answer
        found, = re.findall(r"supply current ([\d.]+) A, limit 6 A", answer["message"])
        assert float(found) > 6, answer
        result = bench.run("sweep", "lock-sweep", "--json")
        assert result.status != 0, "a sweep that was not cleared ran"


def forced_through_the_points_are_supply_limited_and_the_drop_out_is_named():
    with harness.Bench(3) as bench:
        with_small_supply(bench)
        bench.run("ready", "lock-sweep", "--hands", "--answers", "yes", "--json")
        result = bench.run("sweep", "lock-sweep", "--forced", "the supply story", "--json")
        answer = result.json
        limits = [point["limit"] for point in answer["points"]]
        assert "supply-limited" in limits, limits
        # what bridle ready refused is not gone past in silence
        past = [doubt for doubt in answer["gone_past"] if doubt["refuses"]]
        assert [re.search(r"supply current [\d.]+ A, limit 6 A", doubt["message"]) is not None for doubt in past] == [True], answer["gone_past"]
        kept = sqlite3.connect(bench.folder / "logbook").execute("SELECT text FROM event WHERE kind = 'doubt'").fetchall()
        assert (past[0]["message"],) in kept, kept
        assert result.status == 1 and answer["cause"] == "drive_dropout", (result.status, answer.get("cause"), limits)
        assert "supply" in answer["message"], answer["message"]
        shown = bench.run("log", "verify")
        assert shown.status == 0, shown


harness.main(a_plan_past_the_supply_is_refused_and_says_which_number_decides,
             forced_through_the_points_are_supply_limited_and_the_drop_out_is_named)
