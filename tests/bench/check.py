#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""bridle check at the desk, and a lever ten times too short in rig.ini: where it is said, what refuses, what goes past it."""
import pathlib
import shutil
import tempfile

import harness
from harness import run

SHORT = """[plan]
actuator = paddle-winder
load = torque
drive = speed
speed = 60 rpm
[steps]
torque = 0, 1, 2, 3 N.m
down = no
[steady]
dwell = 3 s
window = 2 s
timeout = 15 s
"""


class Folder:
    """A copy of the example; edits are (file, old, new)."""

    def __init__(self, *edits):
        self.home = tempfile.TemporaryDirectory(prefix="bridle-check-")
        self.path = pathlib.Path(self.home.name) / "b"
        shutil.copytree(harness.EXAMPLE, self.path)
        for file, old, new in edits:
            text = (self.path / file).read_text()
            assert old in text, (file, old)
            (self.path / file).write_text(text.replace(old, new))

    def check(self, *args):
        before = sorted(self.path.rglob("*"))
        result = run("check", *args, "--bench", self.path, "--json")
        assert sorted(self.path.rglob("*")) == before, "check wrote something"
        return result

    def finding(self, word, status, *args):
        result = self.check(*args)
        assert result.status == status, result
        found = [f for f in result.json["findings"] if f["check"] == word]
        assert found, result
        return found[0]


def the_example_is_sound():
    result = Folder().check("gentle")
    assert result.status == 0 and result.json["ok"] and result.json["wrong"] == 0, result
    assert {f["check"] for f in result.json["findings"]} == {"not_calibrated", "not_mapped"}, result
    assert result.json["plans"] == ["gentle", "lock-sweep"] and result.json["actuators"] == ["paddle-winder"], result
    text = run("check", "gentle", "--bench", harness.EXAMPLE)
    assert text.status == 0 and "Nothing is wrong" in text.out and max(map(len, text.out.splitlines())) <= 80, text


def mistakes_of_all_files_come_at_once():
    folder = Folder(("rig.ini", "pulses = 2400", "pulses = 2400.5"), ("rig.ini", "500.0 mm ± 0.4 mm k=2", "500 mm ± 700 mm"),
                    ("actuators/paddle-winder.ini", "ratio = 36", "ratio = many"), ("weights.ini", "class = M1", "class = M9"),
                    ("plans/gentle.ini", "0, 5, 10, 15 N.m", "0 5 10 15 N.m"),
                    ("plans/lock-sweep.ini", "actuator = paddle-winder", "actuator = nobody"))
    result = folder.check()
    assert result.status == 2 and result.json["cause"] == "bad_input", result
    lines = "\n".join(result.json["mistakes"])
    for part in ("pulses: found \"2400.5\"", "length: found \"500 mm ± 700 mm\"", "ratio: found \"many\"", "class: found \"M9\"",
                 "put commas between the steps", "actuator: found \"nobody\""):
        assert part in lines, (part, lines)
    assert run("check", "--bench", folder.home.name).status == 2


def figures_that_do_not_agree():
    found = Folder(("rig.ini", "weight = 1kg", "weight = 9kg")).finding("check_weight", 1)
    assert found["refuses"] and "9kg" in found["message"] and "2kg-a" in found["message"], found
    found = Folder(("rig.ini", "length = 500.0 mm", "length = 50.0 mm")).finding("weights", 0, "gentle")
    assert not found["refuses"] and "factor near 10" in found["message"] and "[arm] length" in found["message"], found
    found = Folder(("actuators/paddle-winder.ini", "rated_power = 165 W", "rated_power = 1600 W")).finding("claimed_power", 0, "gentle")
    assert abs(found["expected"] - 167.55) < 0.01 and found["found"] == 1600, found  # 20 N·m at 80 rpm
    found = Folder(("plans/gentle.ini", "0, 5, 10, 15 N.m", "0, 5, 60 N.m")).finding("torque", 1, "gentle")
    assert "60" in found["message"], found


def figures_of_the_actuator_that_do_not_agree():
    """One row each: what is changed, the check's word, its exit status, and the two figures that the sentence has to name."""
    actuator = "actuators/paddle-winder.ini"
    for file, old, new, word, status, said in (
            (actuator, "dropout = 36 V", "dropout = 48 V", "dropout", 1, ("48 V", "drops out")),
            (actuator, "[drive]\n", "[drive]\nk_t = 1.2 N.m/A\n", "torque_constant", 0, ("24 N·m at most", "claims 40 N·m"))):
        found = Folder((file, old, new)).finding(word, status, "gentle")
        assert found["refuses"] == (status == 1) and all(part in found["message"] for part in said), (word, found)


def short_lever(folder):
    (folder / "plans/short.ini").write_text(SHORT)
    truth = folder / "virtual.ini"
    text = truth.read_text()
    assert "gain = 7.0e6" in text
    truth.write_text(text.replace("gain = 7.0e6", "gain = 5.0e5"))  # a cell that uses little of its converter
    rig = folder / "rig.ini"  # before the bench reads it: the arm is as long as virtual.ini says
    rig.write_text(rig.read_text().replace("length = 500.0 mm", "length = 50.0 mm"))


def a_lever_ten_times_too_short_stops_at_the_map():
    with harness.Bench(5, edit=short_lever) as bench:
        bench.must("hang", "--hands", "--series", "1")
        to_map = ["map", "--actuator", "paddle-winder", "--currents", "5"]
        refused = bench.run(*to_map, "--json")
        assert refused.status == 1 and refused.json["cause"] == "implausible", refused
        assert "[brake] torque of rig.ini makes it" in refused.json["message"] and "factor near 10" in refused.json["message"], refused
        nothing = bench.run("ready", "short", "--hands", "--answers", "yes", "--no-check", "--json")
        assert nothing.status == 1 and nothing.json["cause"] == "not_mapped", nothing
        bench.must(*to_map, "--accept", "a test of the words")
        at_desk = bench.must("check", "short")
        accepted = [f for f in at_desk["findings"] if f["check"] == "brake_torque"]
        assert accepted and accepted[0]["accepted"] == "a test of the words" and not accepted[0]["refuses"], at_desk
        bench.replace("rig.ini", "weight = 1kg", "weight = 9kg")
        early = bench.run("ready", "short", "--hands", "--answers", "yes", "--json")
        assert early.status == 2 and "9kg" in early.json["message"] and not early.json.get("checklist"), early
        bench.replace("rig.ini", "weight = 9kg", "weight = 1kg")
        bench.must("ready", "short", "--hands", "--answers", "yes", "--no-check")
        swept = bench.must("sweep", "short")
        assert any(d["check"] == "efficiency" and d["refuses"] for d in swept["doubts"]), swept["doubts"]
        unpublished = bench.run("report", "--no-figures", "--json")
        assert unpublished.status == 1 and unpublished.json["cause"] == "implausible", unpublished
        assert not list((bench.folder / "reports").rglob("*.html")), "a page was written all the same"
        page = pathlib.Path(bench.must("report", "--no-figures", "--accept", "seen and meant")["page"]).read_text()
        assert "seen and meant" in page and "a test of the words" in page, "the page does not say what was accepted"
        bench.must("report", "--no-figures")  # it was accepted once
        practice_is_nothing_to_the_rig(bench)


def practice_is_nothing_to_the_rig(bench):
    """Who practised in the folder of a real rig, and then takes [virtual] out, has neither calibration nor map."""
    found = {f["check"] for f in bench.must("check", "short")["findings"]}
    bench.replace("rig.ini", "[virtual]\ncontrol = unix:run/control.sock\n", "")
    real = {f["check"] for f in bench.must("check", "short")["findings"]} - found
    assert real == {"not_calibrated", "not_mapped"}, real
    refused = bench.run("map", "--actuator", "paddle-winder", "--json")
    assert refused.status == 1 and "was made on a virtual bench" in refused.json["message"], refused


if __name__ == "__main__":
    harness.main(the_example_is_sound, mistakes_of_all_files_come_at_once, figures_that_do_not_agree,
                 figures_of_the_actuator_that_do_not_agree, a_lever_ten_times_too_short_stops_at_the_map)
