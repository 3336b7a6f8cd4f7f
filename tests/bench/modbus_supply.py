#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""A supply that is set over Modbus, as docs/modbus.md shows it: a sweep switches it on and off and agrees with the truth; killed in mid-load the warden
switches it off; what it refuses, and its silence in mid-load, is named and stopped in order; what rig.ini cannot mean is refused."""
import pathlib
import shutil
import signal
import sqlite3
import tempfile

import harness
import settable_supply
import text_drive
import warden
from prepared import Prepared

PSU = "\n" + "".join(line[4:] + "\n" for line in (harness.ROOT / "docs" / "modbus.md").read_text(encoding="utf-8")
                     .split("## A supply that is set")[1].split("| key |")[0].splitlines() if line.startswith("    ") or not line)


def add(folder, text=PSU):
    warden.add(folder, text)


PREPARED = Prepared(warden.SEED, add)


def a_sweep_switches_it_on_and_off():
    with harness.Bench(warden.SEED, example=PREPARED.get()) as bench:
        points = bench.must("sweep", "gentle", "--forced", "the supply")["points"]
        assert len(points) > 3, points
        bench.stop()
        seen = warden.rows(bench.folder)
        on = [row for row in seen if row["contactor"] == "1"]
        assert on and max(float(row["bus_V"]) for row in on) > 45 and seen[-1]["contactor"] == "0", seen[-1]
        for p in points:
            power = text_drive.mean(seen, "int_electric_J", p["begin_s"], p["end_s"])
            assert abs(power - p["input_power_W"]) < 1.6 * p["U_input_power_W"], (power, p)


def killed_in_mid_load_it_is_switched_off():
    with harness.Bench(warden.SEED, example=PREPARED.get()) as bench:
        sweep = warden.sweep_until_loaded(bench)
        sweep.send_signal(signal.SIGKILL)
        sweep.communicate()
        harness.wait_for(lambda: warden.rows(bench.folder)[-1]["node"] == "safe", 30, "the node to go safe")
        seen = warden.rows(bench.folder)
        last_on = [i for i, row in enumerate(seen) if row["contactor"] == "1"][-1]
        assert seen[last_on + 1]["node"] == "live", seen[last_on + 1]  # before its lease ended
        assert bench.run("probe", "--seconds", "1").status == 0
        (text,), = sqlite3.connect(bench.folder / "logbook").execute("SELECT text FROM event WHERE kind = 'warden'").fetchall()
        assert "Drive commanded off." in text, text


def it_is_a_second_means_beside_a_contactor():
    settable_supply.beside_a_contactor(Prepared(warden.SEED, lambda folder: add(folder, PSU.replace("meter, power", "meter, cut"))))


def its_silence_and_its_refusal_are_named_and_stopped_in_order():
    """Silent, it cannot be switched off: its output stays on, which the stop says and a person has to end."""
    with harness.Bench(warden.SEED, options=["--at", "1 fault supply-refuses"], example=PREPARED.get()) as bench:
        result = bench.run("sweep", "gentle", "--forced", "it refuses", "--json")
        assert result.status != 0 and "modbus psu: write_output 1: it failed (exception 4)" in result.json["message"], result
        bench.stop()
        assert all(row["contactor"] == "0" for row in warden.rows(bench.folder))
    with harness.Bench(warden.SEED, options=["--at", "42 fault modbus-silent 3"], example=PREPARED.get()) as bench:
        result = bench.run("sweep", "gentle", "--forced", "its cable", "--json")
        out = result.json
        assert result.status == 3 and "Stopped because: modbus psu: no data" in out["message"] and out["safe"] is False, out
        assert len(out["points"]) > 0, out
        bench.stop()
        assert warden.rows(bench.folder)[-1]["drive_on"] == "0", warden.rows(bench.folder)[-1]


def what_cannot_be_is_refused():
    for change, words in ((("meter, power", "power"), "power without meter"),
                          (("write_output = holding 18 u16 1\n", ""), "write_output: is missing"),
                          (("holding 16 u16 0.01 V", "input 16 u16 0.01 V"), "write_voltage: found an input register, which is only read"),
                          (("holding 17 u16 1 mA", "holding 16 u16 1 mA"), "lies on registers of write_voltage"),
                          (("roles = meter, power", "roles = meter"), "write_voltage: is given, but the roles have neither power nor cut"),
                          (("[warden]\nsilence = 0.1 s", ""), "an output of a modbus has no lease"),
                          (("u16 0.01 V", "u16 1 mV"), None)):
        with tempfile.TemporaryDirectory(prefix="bridle-") as home:
            folder = pathlib.Path(home) / "bench"
            shutil.copytree(harness.EXAMPLE, folder)
            assert change[0] in PSU, change
            add(folder, PSU.replace(*change))
            result = harness.run("check", "--bench", folder)
            said = " ".join((result.err + result.out).split())
            assert (words is None and "write_" not in said) or (result.status == 2 and words in said), (words, result)


if __name__ == "__main__":
    harness.main(a_sweep_switches_it_on_and_off, killed_in_mid_load_it_is_switched_off, it_is_a_second_means_beside_a_contactor,
                 its_silence_and_its_refusal_are_named_and_stopped_in_order, what_cannot_be_is_refused)
