#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""A drive after CiA 402 over CANopen, as docs/drive.md shows it: a sweep agrees with the truth and leaves no fault; its cable out in mid-load, a
program that is killed and a drive that is not as rig.ini says each end as they should; what cannot be is refused at once."""
import signal

import harness
import warden
from text_drive import PREPARED, agree, ended_under_load, mean, rows

DRIVE = "\n" + "".join(line[4:] + "\n" for line in
                       (harness.ROOT / "docs" / "drive.md").read_text(encoding="utf-8").split("## A drive after CiA 402")[1].split("\n\n")[1].splitlines())


def onto(*pairs):
    def edit(folder):
        path = folder / "rig.ini"
        text = path.read_text(encoding="utf-8")
        text = text[:text.index("[instrument motor]")] + DRIVE
        for old, new in pairs:
            assert old in text, old
            text = text.replace(old, new)
        path.write_text(text, encoding="utf-8")
    return edit


def a_sweep_agrees_and_its_cable_out_is_named():
    with harness.Bench(5, options=["--at", "62 fault drive-silent"], example=PREPARED.get(), edit=onto()) as bench:
        out = bench.run("sweep", "gentle", "--forced", "a drive on a bus", "--json").json
        points = [p for p in out["points"] if p["settled"]]
        assert len(points) == 3 and out["cause"] == "drive_fault", out
        for words in ("canopen-drive motor: it has not told all its values for 0.5", "error-passive", "60 ohm"):
            assert words in out["message"], (words, out)
        bench.stop()
        truth = rows(bench.folder)
        agree(points, truth)
        ended_under_load(truth, 62)


def a_program_that_is_killed_leaves_a_drive_without_its_lease():
    """Its heartbeat is missed after 0.1 s, before the node's lease opens the contactor. Asked by SDO, the next run finds no fault."""
    with harness.Bench(5, example=PREPARED.get(), edit=onto(("lease = 0.3 s\nsign", "lease = 0.1 s\nsign"), ("period = 0.02 s", "period = 0.1 s\ntelemetry = sdo"))) as bench:
        sweep = warden.sweep_until_loaded(bench)
        sweep.send_signal(signal.SIGKILL)
        sweep.communicate()
        harness.wait_for(lambda: rows(bench.folder)[-1]["contactor"] == "0", 30, "the contactor to open")
        seen = rows(bench.folder)
        on = [i for i, row in enumerate(seen) if row["drive_on"] == "1"][-1]
        assert seen[on + 1]["contactor"] == "1", seen[on + 1]
        points = bench.must("sweep", "gentle", "--forced", "again", "--clear")["points"]
        assert len(points) == 5, points


def a_torque_that_it_commands_is_the_one_that_the_rig_carries():
    """`obey` commands by 6071h in per mille of the rated torque. The bench's truth says what the shaft carried: the same calculation on
    it gives the gain within U of the cell's."""
    with harness.Bench(5, example=PREPARED.get(), edit=onto()) as bench:
        found = bench.must("obey", "--actuator", "paddle-winder", "--torque", "8 N.m", "--steps", "5", "--cycles", "1", "--hands", "--answers", "yes")
        points = found["points"]
        assert abs(max(p["commanded_Nm"] for p in points) - 8) < 1e-9, points
        bench.stop()
        truth = rows(bench.folder)
        for p in points:
            true = mean(truth, "int_brake_Nms", p["begin_s"], p["end_s"])
            assert abs(p["measured_Nm"] - true) < 0.05, (true, p)
            assert abs(true - p["commanded_Nm"]) < 0.35 * 8, (true, p)  # gear and constant of the invented actuator
            assert abs(mean(truth, "int_speed_rad", p["begin_s"], p["end_s"])) < 0.01, p


def a_drive_that_is_not_as_stated_is_refused_before_anything_moves():
    for old, new, words in (("rated_torque = 0.32 N.m", "rated_torque = 0.4 N.m", "its object 6076h:0 reads 320, expected 400"),
                            ("node_id = 5", "node_id = 6", "not all its values came within 2 s; no frame came from the CAN bus"),
                            ("temperature_object = 0x2031:1", "temperature_object = 0x2032:1", "2032h:1 is refused with abort code 06020000h, it has no such object")):
        with harness.Bench(5, example=PREPARED.get(), edit=onto()) as bench:
            harness.wait_for((bench.folder / "run" / "motor.sock").exists, 10, "the bench")
            bench.replace("rig.ini", old, new)
            result = bench.run("sweep", "gentle", "--forced", "x")
            assert result.status in (2, 3) and words in " ".join(result.err.split()), result
            bench.stop()
            assert all(row["contactor"] == "0" for row in rows(bench.folder))


if __name__ == "__main__":
    harness.main(a_sweep_agrees_and_its_cable_out_is_named, a_program_that_is_killed_leaves_a_drive_without_its_lease,
                 a_torque_that_it_commands_is_the_one_that_the_rig_carries, a_drive_that_is_not_as_stated_is_refused_before_anything_moves)
