#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Devices that are somebody else's, under a whole program in mid-load: what they send comes late, as rubbish, as an error of their own, or
never. The stop names the instrument, goes in order, and keeps the samples. The same over the kinds alone, and answers in pieces, are
tests/unit/instrument/test_foreign.c."""

import canopen_drive
import gpio_lines
import harness
import modbus_supply
import pulled
import text_drive

# kind: its prepared folder, what is done to its rig.ini, its name in a message, causes, the fault of its own, that cause
KINDS = {
    "canopen-drive": (text_drive.PREPARED, canopen_drive.onto(), "canopen-drive motor", {"drive_fault"}, "drive-silent", "drive-fault"),
    "gpio": (gpio_lines.PREPARED, None, "gpio pins", {"slow_stale", "instrument_silent"}, "lines-silent", None),
    "modbus": (modbus_supply.PREPARED, None, "modbus psu", {"instrument_silent"}, "modbus-silent", None),
}
SEED = 5
AT = 42


def bench_of(kind, acts):
    prepared, edit = KINDS[kind][:2]
    return harness.Bench(SEED, options=["--at", acts], example=prepared.get(), edit=edit)


def stopped(kind, fault, causes, words):
    with bench_of(kind, f"{AT} fault {fault}") as bench:
        result = bench.run("sweep", "gentle", "--forced", "a device", "--json", timeout=600)
        out = result.json
        assert out["cause"] in causes and words in out["message"], (kind, fault, out)
        bench.stop()
        assert bench.run("log", "verify").status == 0
        pulled.samples_are_kept(bench.folder, AT)
        truth = harness.truth_rows(bench.folder)
        before = [row for row in truth if float(row["t_s"]) < AT][-1]
        assert float(before["speed_rad_per_s"]) > 1 and float(before["brake_A"]) > 0.01, (kind, before)
        after = [row for row in truth if float(row["t_s"]) > AT]
        off = next(i for i, row in enumerate(after) if row["drive_on"] == "0")
        assert float(after[off]["t_s"]) - AT < 4, (kind, fault, after[off])
        turning = [row for row in after[off:] if abs(float(row["speed_rad_per_s"])) > 0.2]
        assert all(float(row["brake_A"]) > 0.05 for row in turning), (kind, fault, turning)
        assert truth[-1]["drive_on"] == "0" and abs(float(truth[-1]["speed_rad_per_s"])) < 0.01, (kind, fault, truth[-1])


def late_it_is_named():
    for kind, (_, _, name, causes, _, _) in KINDS.items():
        stopped(kind, "line-late 3", causes, name)


def rubbish_is_named():
    for kind, (_, _, name, causes, _, _) in KINDS.items():
        stopped(kind, "line-rubbish 100", causes, name)


def never_it_is_named():
    for kind, (_, _, name, causes, silent, _) in KINDS.items():
        stopped(kind, silent, causes, name)


def an_error_of_its_own_is_named():
    for kind, (_, _, name, causes, _, error) in KINDS.items():
        if error:
            stopped(kind, error, causes, name)


if __name__ == "__main__":
    harness.main(late_it_is_named, rubbish_is_named, never_it_is_named, an_error_of_its_own_is_named)
