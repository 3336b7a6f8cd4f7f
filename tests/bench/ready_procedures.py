#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""`ready` tells of each procedure at the rig what would refuse it: in the words in which the command itself refuses, and only then."""
import os

import harness
from terminal import Terminal

WORDS = {"hold": ("hold",), "play": ("play",), "obey": ("obey",), "obey --response": ("obey", "--response"), "ripple": ("ripple",), "tame": ("tame",)}
WHO = ("--actuator", "paddle-winder", "--hands", "--answers", "no")
CYCLES = """[plan]
actuator = paddle-winder
speed = 60 rpm
[steps]
torque = 5, 15 N.m
down = no
[endurance]
cycles = 2
hold = 1 s
no_load = 1 s
pause = 1 s
reference = 1
"""
ACTUATOR = "actuators/paddle-winder.ini"


def told(bench, plan="gentle"):
    """{procedure: what refuses it}, as `ready` has it; None: nothing does."""
    ready = bench.must("ready", plan, "--hands", "--answers", "yes", "--no-check")
    told = {row["procedure"]: row["message"] for row in ready["procedures"]}
    assert set(told) == set(WORDS) and all(row["possible"] == (row["message"] is None) for row in ready["procedures"]), ready["procedures"]
    shown = bench.must("log", "list")["records"]
    assert any(record["kind"] == "ready" for record in shown)
    return told


def asked(bench):
    """The same of the commands: each with the checklist answered no, which is asked once nothing else refuses."""
    answers = {}
    for name, words in WORDS.items():
        done = bench.run(*words, *WHO, "--json")
        assert done.status in (1, 2), (name, done)
        answers[name] = None if done.json["cause"] == "checklist" else done.json["message"]
    return answers


def prepared(bench):
    bench.must("hang", "--hands", "--series", "1", "--steps", "4")
    bench.must("map", "--actuator", "paddle-winder", "--currents", "5")


def what_would_refuse_is_told_before():
    with harness.Bench(4) as bench:
        prepared(bench)
        with_and_without(bench)


def on_a_terminal_they_stand_on_lines_of_their_own(bench):
    """The live line is taken away before."""
    ready = Terminal("ready", "gentle", "--hands", "--answers", "yes", "--no-check", "--bench", bench.folder)
    assert ready.end() == 0, ready.text
    harness.wait_for(lambda: "Not tame: " in ready.text, 10, "the words of ready")
    before = ready.text.partition("Procedures that this rig can do too: ")[0]
    assert before.endswith(("\r\x1b[K", "\n")), before[-200:]


def with_and_without(bench):
    on_a_terminal_they_stand_on_lines_of_their_own(bench)
    before = told(bench)
    assert before == asked(bench), (before, asked(bench))
    assert [name for name, why in before.items() if why] == ["tame"] and "run bridle obey first" in before["tame"], before
    (bench.folder / "plans" / "slow.ini").write_text("[plan]\nactuator = paddle-winder\nspeed = 30 rpm\n[steps]\ntorque = 5 N.m\n")
    bench.replace(ACTUATOR, "speed = 150 rpm", "speed = 50 rpm")
    bench.replace(ACTUATOR, "speed = 85 rpm", "speed = 50 rpm")
    bench.must("map", "--actuator", "paddle-winder", "--currents", "5")
    slow = told(bench, "slow")
    assert slow == asked(bench), (slow, asked(bench))
    assert "half of the smallest [limits] speed" in slow["tame"], slow


def sensor_on_the_cell(folder):
    path = folder / "virtual.ini"
    text = path.read_text()
    assert "cell_sensor = 0" in text
    path.write_text(text.replace("cell_sensor = 0", "cell_sensor = 1"))


def what_nobody_tells_is_told_before():
    """A node whose fourth sensor sits on the cell tells no air: the hold itself sees that only once its contactor is closed."""
    with harness.Bench(4, edit=sensor_on_the_cell) as bench:
        prepared(bench)
        why = told(bench)["hold"]
        done = bench.run("hold", *WHO[:-1], "yes", "--json")
        assert why and "no temperature of the air is told" in why and why in done.json["message"], (why, done)


def a_drive_that_a_person_sets_can_do_none():
    with harness.Bench(4, example=harness.ROOT / "docs" / "examples" / "heron-knob") as bench:
        prepared(bench)
        none = told(bench)
        assert none == asked(bench) and all(none.values()), (none, asked(bench))


def what_ends_endure_ends_ready():
    with harness.Bench(4) as bench:
        prepared(bench)
        too_heavy_and_no_password(bench)


def too_heavy_and_no_password(bench):
    """A play that is too heavy, and a password file that is not there: before the checklist."""
    (bench.folder / "plans" / "week.ini").write_text(CYCLES + "play = 1\nplay_torque = 100 N.m\n")
    heavy = bench.run("ready", "week", "--hands", "--answers", "yes", "--no-check", "--json")
    assert heavy.status == 2 and "[endurance] play_torque: found 100 N·m" in heavy.json["message"] and not heavy.json.get("checklist"), heavy
    (bench.folder / "plans" / "week.ini").write_text(CYCLES)
    rig = bench.folder / "rig.ini"
    rig.write_text(rig.read_text() + "\n[message]\nbroker = 127.0.0.1\ntopic = t\nuser = u\npassword_file = not-there\n")
    silent = bench.run("ready", "week", "--hands", "--answers", "yes", "--no-check", "--json")
    assert silent.status == 2 and "not-there" in silent.json["message"] and not silent.json.get("checklist"), silent


def messages_that_cannot_be_sent_end_both():
    """Built without libmosquitto, and its library not to be loaded: an empty file stands in its place."""
    with harness.Bench(4) as bench:
        prepared(bench)
        (bench.folder / "plans" / "week.ini").write_text(CYCLES)
        with open(bench.folder / "rig.ini", "a", encoding="utf-8") as rig:
            rig.write("\n[message]\nbroker = 127.0.0.1\ntopic = t\n")
        (bench.folder / "lib").mkdir()
        (bench.folder / "lib" / "libmosquitto.so.1").touch()
        bench.must("ready", "week", "--hands", "--answers", "yes", "--no-check")
        absent = ((os.environ["BRIDLE_MUTE"], {}, "built without libmosquitto"),
                  (harness.BRIDLE, {"LD_LIBRARY_PATH": str(bench.folder / "lib")}, "install libmosquitto1"))
        for words in (("endure", "week"), ("ready", "week", "--answers", "yes", "--no-check")):
            for program, env, says in absent:
                done = with_program(program, bench, *words, "--hands", "--json", env=env)
                assert done.status == 2 and says in done.json["message"], (program, words, done)
                assert "[message]" in done.json["message"] and "leave the section out" in done.json["message"], done
        runs = bench.must("log")["runs"]
        assert not any(run["kind"] == "endure" for run in runs), runs


def with_program(program, bench, *words, env):
    usual, harness.BRIDLE = harness.BRIDLE, program
    try:
        return bench.run(*words, env=env)
    finally:
        harness.BRIDLE = usual


if __name__ == "__main__":
    harness.main(what_would_refuse_is_told_before, what_nobody_tells_is_told_before, a_drive_that_a_person_sets_can_do_none, what_ends_endure_ends_ready, messages_that_cannot_be_sent_end_both)
