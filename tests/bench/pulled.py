#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""On each example rig, each instrument's cable pulled in mid-load: the stop goes in order, names the instrument, and keeps the samples up to
that moment. Judged by the bench's truth."""
import pathlib
import shutil
import sqlite3
import tempfile

import harness

SEED = 11
# rig: fault, cause, words of the message, whether the stop can be seen to be safe. Where nothing tells the contactor any more it cannot.
RIGS = {
    "heron-lock": [("node-silent", "node_silent", "no data from the node", False),
                   ("link-cut", "node_silent", "no data from the node", False)],
    "heron-supply": [("supply-silent", "instrument_silent", "supply psu: no data from the instrument", False),
                     ("node-silent", "node_silent", "no data from the node", False)],
    "heron-pins": [("lines-silent", "slow_stale", "gpio pins: no data on lines", False),
                   ("drive-silent", "drive_fault", "can-drive motor: it has not told all its values", True),
                   ("modbus-silent", "instrument_silent", "modbus psu: no data from the instrument", False),
                   ("node-silent", "node_silent", "no data from the node", False)],
    "heron-knob": [("node-silent", "node_silent", "no data from the node", False)],
}


class Rig:
    """Calibrated and mapped once; when a plain sweep of it is under load, by its own clock."""

    def __init__(self, name):
        self.home = tempfile.TemporaryDirectory(prefix="bridle-")
        self.folder = pathlib.Path(self.home.name) / "prepared"
        with harness.Bench(SEED, example=harness.EXAMPLE.parent / name) as bench:
            bench.must("hang", "--hands", "--series", "1", "--steps", "4")
            bench.must("map", "--actuator", "paddle-winder", "--currents", "5")
            bench.stop()
            shutil.copytree(bench.folder, self.folder, ignore=shutil.ignore_patterns("run", "*.sock"))
        with harness.Bench(SEED, example=self.folder) as bench:
            points = bench.must("sweep", "gentle", "--forced", "undisturbed")["points"]
            self.at = [p for p in points if p["torque_Nm"] > 8][0]["begin_s"] + 1


def samples_are_kept(folder, at):
    """A row a tick up to the fault, of the run that it ended."""
    book = sqlite3.connect(f"file:{folder / 'logbook'}?mode=ro", uri=True)
    (run,), = book.execute("SELECT max(run_id) FROM samples").fetchall()
    times = [ns * 1e-9 for (ns,) in book.execute("SELECT mono_ns FROM samples WHERE run_id = ? ORDER BY mono_ns", (run,))]
    near = [t for t in times if at - 5 < t < at]
    assert len(near) >= 490 and max(b - a for a, b in zip(near, near[1:])) < 0.03, (run, len(near), times[:1], times[-1:], at)
    assert times[-1] > at, (times[-1], at)


def pulled(rig, fault, cause, words, safe):
    with harness.Bench(SEED, options=["--at", f"{rig.at:.2f} fault {fault}"], example=rig.folder) as bench:
        result = bench.run("sweep", "gentle", "--forced", "a cable", "--json", timeout=600)
        out = result.json
        assert out["cause"] == cause and words in out["message"], (fault, out)
        assert out["safe"] is safe and result.status == (1 if safe else 3), (fault, result.status, out)
        assert out["message"].startswith("NOT SAFE") is not safe, (fault, out)
        bench.stop()
        assert bench.run("log", "verify").status == 0
        samples_are_kept(bench.folder, rig.at)
        truth = harness.truth_rows(bench.folder)
        before = [row for row in truth if float(row["t_s"]) < rig.at][-1]
        assert float(before["speed_rad_per_s"]) > 1 and float(before["brake_A"]) > 0.01, before
        after = [row for row in truth if float(row["t_s"]) > rig.at]
        off = next(i for i, row in enumerate(after) if row["drive_on"] == "0")
        assert float(after[off]["t_s"]) - rig.at < 2.5, (fault, after[off])
        turning = [row for row in after[off:] if abs(float(row["speed_rad_per_s"])) > 0.2]
        assert all(float(row["brake_A"]) > 0.05 for row in turning), (fault, turning)
        assert truth[-1]["drive_on"] == "0" and abs(float(truth[-1]["speed_rad_per_s"])) < 0.01, (fault, truth[-1])


def each_of(name):
    def test():
        rig = Rig(name)
        for row in RIGS[name]:
            pulled(rig, *row)
    test.__name__ = "each_instrument_of_" + name.replace("-", "_")
    return test


def every_instrument_of_every_virtual_example_has_a_row():
    """A new example, or a new instrument in one, has to be added above."""
    for example in sorted(harness.EXAMPLE.parent.iterdir()):
        text = (example / "rig.ini").read_text(encoding="utf-8")
        if "[virtual]" not in text:
            continue
        kinds = [line.split("=")[1].strip() for line in text.splitlines() if line.startswith("kind = ")]
        with_a_line = [kind for kind in kinds if kind not in ("powder", "hand-drive")]
        rows = [row for row in RIGS[example.name] if not row[0].startswith(("node", "link"))]
        assert len(rows) == len(with_a_line) and any(row[0] == "node-silent" for row in RIGS[example.name]), (example.name, with_a_line)


if __name__ == "__main__":
    harness.main(every_instrument_of_every_virtual_example_has_a_row, *[each_of(name) for name in RIGS])
