#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""The example rigs with instruments beside the node (docs/examples): a calibration, a map, the check, a sweep and a report on each, as a
user types them. Speeds and torques agree with the bench's truth. And the one that is read by hand: its tables alone."""
import csv
import pathlib
import shlex
import shutil
import subprocess
import tempfile

import harness
import text_drive

SEED = 11  # as the how-to pages


def a_day_at(name):
    with tempfile.TemporaryDirectory(prefix="bridle-") as home:
        example = pathlib.Path(home) / name
        made = harness.run("new", example, "--like", name, "--quiet")
        assert made.status == 0, made
        with harness.Bench(SEED, example=example) as bench:
            bench.must("hang", "--hands")
            bench.must("map", "--actuator", "paddle-winder", "--currents", "5")
            told = bench.must("probe", "--seconds", "3")
            assert told["channels"], told
            checked = bench.must("ready", "gentle", "--hands", "--answers", "yes")
            assert checked["ready"] is True, checked
            swept = bench.must("sweep", "gentle")
            report = bench.must("report")
            assert len(swept["points"]) == len(report["points"]) == 5, swept
            assert bench.run("log", "verify").status == 0
            bench.stop()
            truth = text_drive.rows(bench.folder)
            # a drive with a knob goes off with its capacitors, some moments after the contactor
            assert truth[-1]["contactor"] == "0" and (truth[-1]["drive_on"] == "0" or name == "heron-knob"), truth[-1]
            for p in swept["points"]:
                torque = text_drive.mean(truth, "int_torque_Nms", p["begin_s"], p["end_s"])
                turned = text_drive.mean(truth, "int_speed_rad", p["begin_s"], p["end_s"]) * 60 / (2 * 3.141592653589793)
                assert abs(turned - p["speed_rpm"]) < 0.01, (turned, p)
                assert abs(turned - 60) < 1.8, (turned, p)
                assert abs(torque - p["torque_Nm"]) < 1.5 * p["U_torque_Nm"] + 0.04, (torque, p)  # drag outside the cradle: 0.02 ± 0.01


def a_node_and_a_bench_supply():
    a_day_at("heron-supply")


def a_small_computer_with_pins_and_a_can_drive():
    a_day_at("heron-pins")


def a_node_alone():
    a_day_at("heron-lock")


def a_drive_that_a_person_sets():
    a_day_at("heron-knob")


def read_by_hand():
    """The commands of its rig.ini, word for word. A torque on the drum is the force between both balances on its radius."""
    with tempfile.TemporaryDirectory(prefix="bridle-") as home:
        folder = pathlib.Path(home) / "bench"
        shutil.copytree(harness.EXAMPLE.parent / "heron-by-hand", folder)
        told = [line[2:].strip() for line in (folder / "rig.ini").read_text().splitlines() if line.startswith("#   bridle ")]
        assert len(told) == 2, told
        for command in told:
            done = harness.run(*shlex.split(command)[1:], "--json", cwd=folder)
            assert done.status == 0, done
        with open(folder / "drum.csv", encoding="utf-8") as file:
            rows = list(csv.DictReader(file))
        points = done.json["points"]
        assert len(points) == len(rows) == 5, done
        for row, p in zip(rows, points):
            expected = (float(row["tight (kg)"]) - float(row["slack (kg)"])) * 9.81 * 0.150
            assert abs(p["torque_Nm"] - expected) < 0.001 * expected + 0.001, (p, expected)


def typed(folder, lines, *command):
    return harness.Result(subprocess.run([harness.BRIDLE, *command], input="\n".join(lines) + "\n", capture_output=True, text=True, cwd=folder, timeout=120))


def read_aloud_and_typed():
    """The same readings typed give the same points; a word where a number belongs is asked again; what was typed before the input ended is kept."""
    with tempfile.TemporaryDirectory(prefix="bridle-") as home:
        folder = pathlib.Path(home) / "bench"
        shutil.copytree(harness.EXAMPLE.parent / "heron-by-hand", folder)
        with open(folder / "drum.csv", encoding="utf-8") as file:
            heading, *rows = [line.strip() for line in file]
        cells = [cell for row in rows for cell in row.split(",")]
        ask = ("reduce", "typed.csv", "--type", heading, "--drum-radius", "150 mm ± 0.5 mm", "--u-force", "50 g", "--json")
        first = typed(folder, [*cells[:7], "12 rpm", *cells[7:12]], *ask)  # the last row is not whole: the input ends
        assert first.status == 0 and '"12 rpm" is not a reading here. Type a number such as 12.5, without its unit' in first.err, first
        assert len(first.json["points"]) == 2 and (folder / "typed.csv").read_text().splitlines() == [heading, *rows[:2]]
        last = typed(folder, [*cells[10:], ""], *ask)
        assert last.status == 0 and "row 3  speed (rpm):" in last.err, last
        assert (folder / "typed.csv").read_text().splitlines() == [heading, *rows]
        written = harness.run("reduce", "drum.csv", *ask[4:], cwd=folder)
        assert last.json["points"] == written.json["points"], (last, written)
        other = typed(folder, [""], "reduce", "typed.csv", "--type", "speed (rpm), torque (N m)")
        assert other.status == 2 and "is there already with other headings" in other.err, other
        calibration = typed(folder, ["1", "up", "0", "0.012", "1", "up", "10,5", "1,2", "10", "0.3455", ""], "hang", "--from", "t.csv", "--type",
                            "series, direction, torque (N m), indication (mV/V)", "--dry-run")
        assert '"10,5" is not a reading here' in calibration.err, calibration
        assert (folder / "t.csv").read_text().splitlines()[1:] == ["1,up,0,0.012", "1,up,10,0.3455"], calibration
        assert typed(folder, [], "hang", "--type", "x").status == 2


if __name__ == "__main__":
    harness.main(a_node_alone, a_node_and_a_bench_supply, a_small_computer_with_pins_and_a_can_drive, a_drive_that_a_person_sets, read_by_hand,
                 read_aloud_and_typed)
