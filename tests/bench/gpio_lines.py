#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""GPIO lines beside the node: emergency stop, guard, contactor, pick-up, and the output that closes the contactor, which the warden owns.
A sweep's speeds and torques agree with the truth; pressed, cut off or killed in mid-load, it ends with an open contactor."""
import pathlib
import shutil
import signal
import tempfile

import harness
import text_drive
import warden
from prepared import Prepared

GPIO = """
[instrument pins]
kind = gpio
link = unix:run/pins.sock
roles = lines, pickup, power
estop = 17 low pull-up
guard = 27 low pull-up
contactor = 22 low pull-up
pulse_a = 5
pulse_b = 6
switch = 23
"""
SEED = 5


def add(folder, text=GPIO + warden.WARDEN):
    warden.add(folder, text)


PREPARED = Prepared(SEED, add)


def a_sweep_agrees_with_the_truth():
    with harness.Bench(SEED, example=PREPARED.get()) as bench:
        points = bench.must("sweep", "gentle", "--forced", "GPIO lines")["points"]
        assert len(points) == 5, points
        report = bench.must("report")
        assert report["points"], report
        bench.stop()
        truth = text_drive.rows(bench.folder)
        assert any(row["contactor"] == "1" for row in truth) and truth[-1]["contactor"] == "0", truth[-1]
        for p in points:
            torque = text_drive.mean(truth, "int_torque_Nms", p["begin_s"], p["end_s"])
            turned = text_drive.mean(truth, "int_speed_rad", p["begin_s"], p["end_s"]) * 60 / (2 * 3.141592653589793)
            assert abs(turned - p["speed_rpm"]) < 0.003, (turned, p)  # no clock of a node between them
            assert abs(torque - p["torque_Nm"]) < p["U_torque_Nm"] + 0.04, (torque, p)  # and drag outside the cradle: 0.02 ± 0.01


def stopped_in_mid_load(fault, cause, words):
    with harness.Bench(SEED, options=["--at", f"42 {fault}"], example=PREPARED.get()) as bench:
        out = bench.run("sweep", "gentle", "--forced", "x", "--json").json
        assert out["cause"] == cause and words in out["message"], out
        bench.stop()
        truth = text_drive.rows(bench.folder)
        before = [row for row in truth if float(row["t_s"]) < 42][-1]
        assert float(before["speed_rad_per_s"]) > 1 and float(before["brake_A"]) > 0.01, before  # it was under load
        assert truth[-1]["drive_on"] == "0" and truth[-1]["contactor"] == "0", truth[-1]
        assert abs(float(truth[-1]["speed_rad_per_s"])) < 0.01, truth[-1]


def pressed_in_mid_load():
    stopped_in_mid_load("fault estop", "estop", "emergency stop")


def cut_off_in_mid_load_it_is_named():
    stopped_in_mid_load("fault lines-silent", "slow_stale", "Stopped because: gpio pins: no data on lines")


def lines_that_nobody_tells_are_not_said_to_be_open():
    with harness.Bench(SEED, options=["--at", "0 fault lines-silent; 0 fault contactor-welded"], edit=add) as bench:
        said = bench.run("probe", "--seconds", "1").out
        assert "emergency stop line not told, guard not told, contactor not told" in said and "No data on lines from gpio pins" in said, said
        told = bench.must("probe", "--seconds", "1")
        assert [told[key] for key in ("estop_ok", "guard_ok", "contactor_closed")] == [None] * 3, told


def killed_in_mid_load_the_contactor_opens():
    with harness.Bench(SEED, example=PREPARED.get()) as bench:
        sweep = warden.sweep_until_loaded(bench)
        sweep.send_signal(signal.SIGKILL)
        sweep.communicate()
        harness.wait_for(lambda: warden.rows(bench.folder)[-1]["contactor"] == "0", 30, "the contactor to open")
        harness.wait_for(lambda: warden.rows(bench.folder)[-1]["node"] == "safe", 30, "the node to go safe")
        seen = warden.rows(bench.folder)
        closed = [i for i, row in enumerate(seen) if row["contactor"] == "1"][-1]
        assert seen[closed + 1]["node"] == "live", seen[closed + 1]  # before its lease ended


def the_stops_are_rehearsed():
    with harness.Bench(SEED, example=PREPARED.get()) as bench:
        told = bench.run("ready", "gentle", "--hands", "--answers", "yes").err
        assert "Seen (emergency stop): contactor opened after" in told and "Seen (guard switch)" in told, told


def what_cannot_be_is_refused():
    for old, new, words in (("17 low", "17 high", "estop: found \"17 high pull-up\", expected the name of a line or its offset"),
                            ("guard = 27", "guard = 17", "guard: found \"17 low pull-up\", which another key of this section has"),
                            ("switch = 23\n", "", "switch: is missing; the role power needs it"),
                            ("roles = lines, pickup, power", "roles = pickup, power", "estop: needs the role lines"),
                            ("switch = 23", "switch = 23 pull-up", "an output has no pull-up"),
                            ("roles = lines, ", "roles = brake, ", "but a gpio cannot do that"),
                            ("unix:run/pins.sock", "gpio:gpiochip0", "but a virtual bench has no chip"),
                            ("kind = gpio\nlink = unix:run/pins.sock", "kind = relay\nlink = gpio:x", "but a relay is not on a GPIO chip")):
        with tempfile.TemporaryDirectory(prefix="bridle-") as home:
            folder = pathlib.Path(home) / "bench"
            shutil.copytree(harness.EXAMPLE, folder)
            assert old in GPIO, old
            add(folder, GPIO.replace(old, new) + warden.WARDEN)
            result = harness.run("probe", "--seconds", "1", "--bench", folder)
            assert result.status == 2 and words in " ".join(result.err.split()), (words, result)
    with tempfile.TemporaryDirectory(prefix="bridle-") as home:
        folder = pathlib.Path(home) / "bench"
        shutil.copytree(harness.EXAMPLE, folder)
        add(folder, GPIO)
        result = harness.run("probe", "--seconds", "1", "--bench", folder)
        assert result.status == 2 and "an output of a gpio has no lease" in " ".join(result.err.split()), result
    with tempfile.TemporaryDirectory(prefix="bridle-") as home:
        folder = pathlib.Path(home) / "bench"
        shutil.copytree(harness.EXAMPLE, folder)
        add(folder)
        rig = folder / "rig.ini"
        rig.write_text(rig.read_text().replace("[virtual]\ncontrol = unix:run/control.sock\n", ""))
        result = harness.run("probe", "--seconds", "1", "--bench", folder)
        assert result.status == 2 and "expected the chip such as gpio:/dev/gpiochip0" in " ".join(result.err.split()), result


if __name__ == "__main__":
    harness.main(a_sweep_agrees_with_the_truth, pressed_in_mid_load, cut_off_in_mid_load_it_is_named,
                 lines_that_nobody_tells_are_not_said_to_be_open, killed_in_mid_load_the_contactor_opens, the_stops_are_rehearsed, what_cannot_be_is_refused)
