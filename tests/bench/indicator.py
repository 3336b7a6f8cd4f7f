#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""A weight indicator that sends text in the torque cell's place: its curve agrees with that of the node's own cell and with the truth;
its cable out, its overload and its unit key in mid-load are named and stopped in order; what rig.ini cannot mean is refused."""
import pathlib
import shutil
import tempfile

import harness
import kinds
import text_drive

# As docs/indicator.md shows it.
GAUGE = "\n" + "".join(line[4:] + "\n" for line in (harness.ROOT / "docs" / "indicator.md").read_text(encoding="utf-8")
                       .split("## Setting it up")[1].split("\n\n")[1].splitlines())
SEED = 21


def add(folder, text=GAUGE):
    with open(folder / "rig.ini", "a", encoding="utf-8") as file:
        file.write(text)


def asked(folder):
    add(folder, GAUGE + "ask = P\n")


class Prepared:
    """Calibrated and mapped once by the indicator; each case sweeps on a copy."""
    folder = None

    @classmethod
    def get(cls):
        if cls.folder is None:
            cls.home = tempfile.TemporaryDirectory(prefix="bridle-")
            cls.folder = pathlib.Path(cls.home.name) / "prepared"
            calibrated(add, cls.folder)
        return cls.folder


def calibrated(edit, to=None):
    """hang, map, ready, sweep, report: the points of the sweep."""
    with harness.Bench(SEED, edit=edit) as bench:
        bench.must("hang", "--hands", "--series", "2", "--steps", "4")
        bench.must("map", "--actuator", "paddle-winder", "--currents", "5")
        if to:
            bench.stop()
            shutil.copytree(bench.folder, to, ignore=shutil.ignore_patterns("run", "*.sock"))
            return None
        ready = bench.run("ready", "gentle", "--hands", "--answers", "yes", "--no-check")  # one rig of twenty fails that by chance
        assert ready.status == 0, ready
        swept = bench.must("sweep", "gentle")
        points = swept["points"]
        bench.must("report", str(swept["run"]))
        assert bench.run("log", "verify").status == 0
        bench.stop()
        truth = text_drive.rows(bench.folder)
        for p in points:
            p["true"] = text_drive.mean(truth, "int_brake_Nms", p["begin_s"], p["end_s"])
        return points


def the_curve_is_that_of_the_node_s_own_cell():
    """The same true rig by the node alone and by an indicator that is asked; the next cases have one that sends unasked."""
    alone, points = calibrated(lambda folder: None), calibrated(asked)
    assert len(points) == len(alone) == 5, points
    for p, q in zip(points, alone):
        apart = (p["torque_Nm"] - p["true"]) - (q["torque_Nm"] - q["true"])  # the brake is not twice the same
        both = (p["U_torque_Nm"] ** 2 + q["U_torque_Nm"] ** 2) ** 0.5
        assert abs(apart) < both, (apart, both, p, q)
        assert abs(p["torque_Nm"] - p["true"]) < 1.6 * p["U_torque_Nm"], p  # one rig of twenty is beyond U itself


def in_mid_load(act):
    with harness.Bench(SEED, options=["--at", f"42 fault {act}"], example=Prepared.get()) as bench:
        out = bench.run("sweep", "gentle", "--forced", "a fault", "--json").json
        bench.stop()
        truth = text_drive.rows(bench.folder)
        before = [row for row in truth if float(row["t_s"]) < 42][-1]
        assert float(before["speed_rad_per_s"]) > 1 and float(before["brake_A"]) > 0.01, before  # it was under load
        assert truth[-1]["drive_on"] == "0" and truth[-1]["contactor"] == "0", truth[-1]
        assert abs(float(truth[-1]["speed_rad_per_s"])) < 0.01, truth[-1]
        assert "contactor open, shaft standing, brake released" in out["message"] + str(out), out
        return out


def a_fault_in_mid_load_is_named_and_stopped_in_order():
    for act, cause, words in (("indicator-silent", "cell_stale", "indicator gauge: no fresh reading of the torque cell for 0.5"),
                              ("indicator-unit", "cell_stale", "indicator gauge: its newest line fits no form of tell:"),
                              ("cell-saturated", "cell_saturated", "indicator gauge: cell reading")):
        out = in_mid_load(act)
        assert out["cause"] == cause and words in out["message"], (act, out["cause"], out["message"])


def another_unit_is_told_before_anything_moves():
    with harness.Bench(SEED, options=["--at", "0 fault indicator-unit"], edit=add) as bench:
        result = bench.run("probe", "--seconds", "1")
        assert result.status in (2, 3) and "indicator gauge: no reading came within 2 s" in " ".join(result.err.split()), result


def a_lever_ten_times_too_long_is_found_by_its_own_unit():
    def shows_a_tenth(folder):
        add(folder)
        kinds.set_key(folder / "virtual.ini", "indicator", "gain", "0.1")

    with harness.Bench(SEED, edit=shows_a_tenth) as bench:
        result = bench.run("hang", "--hands", "--series", "1", "--steps", "4")
        assert result.status == 1 and "full_scale_counts" in " ".join((result.out + result.err).split()), result


def what_cannot_be_is_refused():
    for old, new, words in (("unit = kg", "unit = V", "unit: found \"V\", expected a unit of torque, force or mass"),
                            ("unit = kg", "unit = N.m", "lever: does not go with the torque unit N.m"),
                            ("lever = 0.25 m\n", "", "lever: is missing; an indicator that shows kg"),
                            ("division = 0.005\n", "", "division: is missing"),
                            ("division = 0.005", "division = 0.002", "the example's reading 12.345 is no multiple of it"),
                            ("{reading.3} kg", "{weight.3} kg", "tell: found {weight}, expected reading, sign, stable or over"),
                            ("{stable=US|ST}", "{stable}", "{stable} needs its two words"),
                            ("{reading.3} kg", "{}", "no form has {reading}"),
                            ("12.345 kg", "12.345 lb", "does not fit its form"),
                            ("period = 0.1 s", "period = 1 s", "expected at most 0.2 s for what the guard watches"),
                            ("roles = cell", "roles = cell, meter", "but an indicator cannot do that"),
                            ("roles = cell", "roles = cell\nask = {reading}", "ask: found {reading}, expected a line without values")):
        with tempfile.TemporaryDirectory(prefix="bridle-") as home:
            folder = pathlib.Path(home) / "bench"
            shutil.copytree(harness.EXAMPLE, folder)
            assert old in GAUGE, old
            add(folder, GAUGE.replace(old, new, 1))
            result = harness.run("probe", "--seconds", "1", "--bench", folder)
            assert result.status == 2 and words in " ".join(result.err.split()), (words, result)


if __name__ == "__main__":
    harness.main(the_curve_is_that_of_the_node_s_own_cell, a_fault_in_mid_load_is_named_and_stopped_in_order,
                 another_unit_is_told_before_anything_moves, a_lever_ten_times_too_long_is_found_by_its_own_unit, what_cannot_be_is_refused)
