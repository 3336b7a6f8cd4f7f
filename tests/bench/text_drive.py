#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""A drive on a line of text of its own: side, unit and sign other than the rig's. Its curve agrees with the node's alone; its cable out
in mid-load, and a program that is killed, end with the drive off; what rig.ini cannot mean is refused before anything moves."""
import pathlib
import shutil
import signal
import tempfile

import harness
import play_live
import warden
from prepared import Prepared

# As docs/drive.md shows it.
DRIVE = "\n" + "".join(line[4:] + "\n" for line in
                       (harness.ROOT / "docs" / "drive.md").read_text(encoding="utf-8").split("## Setting it up")[1].split("\n\n")[1].splitlines())
SEED = 5


def add(folder, text=DRIVE):
    with open(folder / "rig.ini", "a", encoding="utf-8") as file:
        file.write(text)


def short_lease(folder):
    path = folder / "rig.ini"
    text = path.read_text(encoding="utf-8")
    assert "lease = 0.3 s\nside" in text
    path.write_text(text.replace("lease = 0.3 s\nside", "lease = 0.1 s\nside"), encoding="utf-8")


PREPARED = Prepared(SEED, add)


def rows(folder):
    return harness.truth_rows(folder)


def mean(rows_, key, begin_s, end_s):
    inside = [row for row in rows_ if begin_s <= float(row["t_s"]) <= end_s]
    return (float(inside[-1][key]) - float(inside[0][key])) / (float(inside[-1]["t_s"]) - float(inside[0]["t_s"]))


def agree(points, truth):
    """Speed and torque of the points with the bench's own."""
    for p in points:
        torque = mean(truth, "int_torque_Nms", p["begin_s"], p["end_s"])
        turned = mean(truth, "int_speed_rad", p["begin_s"], p["end_s"]) * 60 / (2 * 3.141592653589793)
        assert abs(turned - 60) < 0.3, (turned, p)  # rpm of the output, as the plan commands
        assert abs(torque - p["torque_Nm"]) < 1.6 * p["U_torque_Nm"], (torque, p)


def ended_under_load(truth, at_s):
    """The shaft turned under load at that time, and the drive is off at the end."""
    before = [row for row in truth if float(row["t_s"]) < at_s][-1]
    assert float(before["speed_rad_per_s"]) > 1 and float(before["brake_A"]) > 0.01, before
    assert truth[-1]["drive_on"] == "0" and truth[-1]["contactor"] == "0", truth[-1]


def a_sweep_agrees_with_the_truth():
    """Speeds as commanded and torques within their U, as with any drive."""
    with harness.Bench(SEED, example=PREPARED.get()) as bench:
        points = bench.must("sweep", "gentle", "--forced", "a drive of its own")["points"]
        assert len(points) == 5, points
        assert bench.run("log", "verify").status == 0
        bench.stop()
        truth = rows(bench.folder)
        agree(points, truth)


def with_torque(folder):
    path = folder / "rig.ini"
    text = path.read_text(encoding="utf-8")
    assert "send_off = OFF\n" in text
    path.write_text(text.replace("send_off = OFF\n", "send_off = OFF\nsend_torque = M {torque.0} {limit.2}\ntorque_unit = 1 mN.m\nangle_unit = 0.01 deg\n"
                                 "tell_3 = A {angle.2}\ntell_3_example = A 35.00\n"), encoding="utf-8")


def a_gear_is_wound_up_by_its_torque_and_its_angle():
    """`play`, judged by the bench's own figures, which play_live.py has written down."""
    with harness.Bench(SEED, example=PREPARED.get(), edit=with_torque) as bench:
        found = bench.must(*play_live.ASK, "--rig-stiffness", f"{play_live.RIG} N.m/rad ± 1 %")
        for key, miss in play_live.misses(found).items():
            assert abs(miss) < 1.5, (key, miss, found[key])


def its_cable_out_in_mid_load_is_named_and_stopped_in_order():
    with harness.Bench(SEED, options=["--at", "42 fault drive-silent"], example=PREPARED.get()) as bench:
        result = bench.run("sweep", "gentle", "--forced", "a cable", "--json")
        out = result.json
        assert out["cause"] == "drive_fault" and "text-drive motor: it has not told all its values for 0.5" in out["message"], out
        bench.stop()
        truth = rows(bench.folder)
        ended_under_load(truth, 42)
        assert abs(float(truth[-1]["speed_rad_per_s"])) < 0.01, truth[-1]
        assert "contactor open, shaft standing, brake released" in out["message"] + str(out), out


def a_program_that_is_killed_leaves_a_drive_without_its_lease():
    """Its own lease of 0.1 s ends before that of the node, which opens the contactor."""
    with harness.Bench(SEED, example=PREPARED.get(), edit=short_lease) as bench:
        sweep = warden.sweep_until_loaded(bench)
        sweep.send_signal(signal.SIGKILL)
        sweep.communicate()
        harness.wait_for(lambda: rows(bench.folder)[-1]["contactor"] == "0", 30, "the contactor to open")
        seen = rows(bench.folder)
        on = [i for i, row in enumerate(seen) if row["drive_on"] == "1"][-1]
        assert seen[on + 1]["contactor"] == "1", seen[on + 1]


def a_drive_that_nobody_hears_is_told_before_anything_is_energised():
    for edit, words in ((("tell_2 = E {", "tell_2 = X {"), "newest line that fits no pattern: \"E off F 0 U 0\""),):
        with harness.Bench(SEED, example=PREPARED.get()) as bench:
            harness.wait_for((bench.folder / "run" / "motor.sock").exists, 10, "the bench")
            bench.replace("rig.ini", *edit)
            bench.replace("rig.ini", "tell_2_example = E", "tell_2_example = X")
            result = bench.run("sweep", "gentle", "--forced", "x")
            assert result.status in (2, 3) and words in " ".join(result.err.split()), result
            bench.stop()
            assert all(row["contactor"] == "0" for row in rows(bench.folder))


def what_rig_ini_has_wrong_of_it_makes_no_rig_ready():
    """The drive is as before and rig.ini is not: refused by name, and no plan is allowed after it."""
    for old, new, cause, words in (("sign = -", "sign = +", "wrong_direction", "turns the other way than commanded"),
                                   ("side = output", "side = rotor", "pickup", "do not agree with the rotor's speed"),
                                   ("speed_unit = 6 deg/s", "speed_unit = 1 deg/s", "pickup", "do not agree with the rotor's speed")):
        with harness.Bench(SEED, example=PREPARED.get()) as bench:
            harness.wait_for((bench.folder / "run" / "motor.sock").exists, 10, "the bench")
            bench.replace("rig.ini", old, new)
            result = bench.run("ready", "gentle", "--hands", "--answers", "yes", "--json")
            out = result.json
            assert result.status == 1 and out["ready"] is False and out["cause"] == cause and words in out["message"], (new, out)
            assert bench.run("sweep", "gentle").status == 1
            bench.stop()
            truth = rows(bench.folder)
            assert truth[-1]["drive_on"] == "0" and truth[-1]["contactor"] == "0" and abs(float(truth[-1]["speed_rad_per_s"])) < 0.01, truth[-1]


def what_cannot_be_is_refused():
    for old, new, words in (("lease = 0.3 s", "lease = 0 s", "an output of a text-drive has no lease"),
                            ("lease = 0.3 s", "lease = 0.05 s", "lease: found 0.05 s, expected at least six ticks"),
                            ("period = 0.05 s", "period = 1 s", "period: found 1 s, expected at most 0.2 s for a drive"),
                            ("V {speed.3}", "V {rpm}", "send_speed: found \"V {rpm}\", expected a line with the one value {speed}"),
                            ("= OFF", "= OFF {speed}", "send_off: found {speed}, expected a line without values"),
                            ("{enabled=off|on} F", "{run=off|on} F", "tell_2: found {run}, expected speed, current"),
                            ("{enabled=off|on} F", "{limited=off|on} F", "tell: nothing tells {enabled}"),
                            ("E on F 0", "E of F 0", "does not fit its example"),
                            ("S {speed.2} I", "S {speed.2}{current} I", "side by side"),
                            ("send_off = OFF\n", "", "send_off: is missing"),
                            ("roles = drive", "roles = drive, meter", "but a text-drive cannot do that"),
                            ("speed_unit = 6 deg/s", "speed_unit = 6 V", "speed_unit")):
        with tempfile.TemporaryDirectory(prefix="bridle-") as home:
            folder = pathlib.Path(home) / "bench"
            shutil.copytree(harness.EXAMPLE, folder)
            assert old in DRIVE, old
            add(folder, DRIVE.replace(old, new))
            result = harness.run("probe", "--seconds", "1", "--bench", folder)
            assert result.status == 2 and words in " ".join(result.err.split()), (words, result)


def a_plan_by_current_is_refused_where_the_drive_has_none():
    with harness.Bench(SEED, example=PREPARED.get()) as bench:
        bench.replace("plans/gentle.ini", "drive = speed\nspeed = 60 rpm", "drive = current\ncurrent = 2 A")
        bench.replace("plans/gentle.ini", "torque = 0, 5", "torque = 5")
        result = bench.run("sweep", "gentle", "--forced", "x")
        assert result.status == 2 and "needs the drive mode current; the drive of this rig has speed" in " ".join(result.err.split()), result


if __name__ == "__main__":
    harness.main(a_sweep_agrees_with_the_truth, a_gear_is_wound_up_by_its_torque_and_its_angle, its_cable_out_in_mid_load_is_named_and_stopped_in_order,
                 a_program_that_is_killed_leaves_a_drive_without_its_lease, a_drive_that_nobody_hears_is_told_before_anything_is_energised,
                 what_rig_ini_has_wrong_of_it_makes_no_rig_ready, what_cannot_be_is_refused, a_plan_by_current_is_refused_where_the_drive_has_none)
