#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""W10: a bench supply feeds the brake's coil over SCPI. It has no lease and holds its last value when its host vanishes: the warden brings it
down, last in the stop order. The whole chain with it; the program killed in mid-load; what it answers; what rig.ini cannot mean."""
import pathlib
import shutil
import signal
import tempfile

import harness
import warden
from prepared import Prepared

COIL = "\n[instrument coil]\nkind = supply\nlink = unix:run/coil.sock\nbaud = 115200\nroles = brake\ncoil_voltage = 24 V\n"
HOLD_S = 4


def add(folder, text=COIL):
    warden.add(folder, text + warden.RELAY + warden.WARDEN + f"\n[guard]\nstop_hold = {HOLD_S} s\n")


PREPARED = Prepared(warden.SEED, add)


def mean(rows, key, begin_s, end_s):
    inside = [row for row in rows if begin_s <= float(row["t_s"]) <= end_s]
    return (float(inside[-1][key]) - float(inside[0][key])) / (float(inside[-1]["t_s"]) - float(inside[0]["t_s"]))


def a_sweep_agrees_with_the_truth():
    with harness.Bench(warden.SEED, example=PREPARED.get()) as bench:
        points = bench.must("sweep", "gentle", "--forced", "a coil source")["points"]
        assert len(points) == 5 and all(p["settled"] for p in points), points
        assert bench.run("log", "verify").status == 0
        bench.stop()
        truth = warden.rows(bench.folder)
        for p in points[1:]:  # the first one has no current in the coil
            torque = mean(truth, "int_torque_Nms", p["begin_s"], p["end_s"])
            assert abs(torque - p["torque_Nm"]) < 1.6 * p["U_torque_Nm"], (torque, p)
        assert max(float(row["brake_A"]) for row in truth) > 0.1 and float(truth[-1]["brake_A"]) < 0.01, truth[-1]


def killed_in_mid_load_the_drive_goes_first_and_the_brake_last():
    with harness.Bench(warden.SEED, example=PREPARED.get()) as bench:
        sweep = warden.sweep_until_loaded(bench)
        sweep.send_signal(signal.SIGKILL)
        sweep.wait()
        account = bench.folder / "warden-account"
        harness.wait_for(lambda: "Brake released" in account.read_text(), 40, "the brake to be released")
        result = bench.run("probe", "--seconds", "1")  # bench time stood still with nobody connected
        assert result.status == 0, result
        seen = warden.rows(bench.folder)
        opened = [i for i, row in enumerate(seen) if row["contactor"] == "1"][-1] + 1
        released = [i for i, row in enumerate(seen) if float(row["brake_A"]) > 0.05][-1] + 1
        held = [float(row["brake_A"]) for row in seen[opened:released]]
        hold_s = float(seen[released]["t_s"]) - float(seen[opened]["t_s"])
        assert min(held) > 0.05, min(held)  # kept all the time, also at the moment in which the drive lost its power
        assert HOLD_S - 0.5 < hold_s < HOLD_S + 1.5, hold_s
        assert abs(float(seen[released - 1]["speed_rad_per_s"])) < 0.01, seen[released - 1]
        assert float(seen[-1]["brake_A"]) < 0.001, seen[-1]
        (text,), = warden.ask(bench.folder / "logbook", "SELECT text FROM event WHERE kind = 'warden'")
        assert "Brake held." in text and f"Brake released after {HOLD_S} s, by time alone" in text and "NOT SAFE" not in text, text


def what_it_answers_is_told_by_number_and_text():
    with harness.Bench(warden.SEED, options=["--at", "1 fault supply-refuses"], example=PREPARED.get()) as bench:
        result = bench.run("sweep", "gentle", "--forced", "it refuses", "--json")
        assert result.status != 0 and "supply coil: it answered error -222 (Data out of range) to CURR" in result.json["message"], result


def what_cannot_be_is_refused():
    for change, words in ((("roles = brake", "roles = brake, meter"), "has the role brake alone"),
                          (("coil_voltage = 24 V\n", ""), "coil_voltage: is missing"),
                          (("coil_voltage", "set_current = CURR A\ncoil_voltage"), "without blanks"),
                          (("kind = supply", "kind = relay"), "but a relay cannot do that")):
        with tempfile.TemporaryDirectory(prefix="bridle-") as home:
            folder = pathlib.Path(home) / "bench"
            shutil.copytree(harness.EXAMPLE, folder)
            add(folder, COIL.replace(*change))
            result = harness.run("probe", "--seconds", "1", "--bench", folder)
            assert result.status == 2 and words in " ".join(result.err.split()), (words, result)


if __name__ == "__main__":
    harness.main(a_sweep_agrees_with_the_truth, killed_in_mid_load_the_drive_goes_first_and_the_brake_last,
                 what_it_answers_is_told_by_number_and_text, what_cannot_be_is_refused)
