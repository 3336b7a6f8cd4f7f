#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""A drive on a CAN bus behind a line adapter, its map as docs/drive.md shows it: a sweep agrees with the truth; its cable out in mid-load
ends in order with what the bus says; what rig.ini cannot mean is refused, all at once, before anything moves."""
import pathlib
import shutil
import signal
import tempfile

import harness
import warden
from text_drive import PREPARED, agree, ended_under_load, rows

DRIVE = "\n" + "".join(line[4:] + "\n" for line in
                       (harness.ROOT / "docs" / "drive.md").read_text(encoding="utf-8").split("## A drive on a CAN bus")[1].split("\n\n")[1].splitlines())


def changed(*pairs):
    text = DRIVE
    for old, new in pairs:
        assert old in text, old
        text = text.replace(old, new)
    return text


def onto(folder):
    """The other drive's section gives way to this one's."""
    path = folder / "rig.ini"
    text = path.read_text(encoding="utf-8")
    path.write_text(text[:text.index("[instrument motor]")] + DRIVE, encoding="utf-8")


def a_sweep_agrees_and_its_cable_out_is_named():
    with harness.Bench(5, options=["--at", "60 fault drive-silent"], example=PREPARED.get(), edit=onto) as bench:
        result = bench.run("sweep", "gentle", "--forced", "a drive on a bus", "--json")
        out = result.json
        points = [p for p in out["points"] if p["settled"]]  # not the one in which its cable came out
        assert len(points) == 3, out
        assert out["cause"] == "drive_fault", out
        for words in ("can-drive motor: it has not told all its values for 0.5", "error-passive", "60 ohm"):
            assert words in out["message"], (words, out)
        bench.stop()
        truth = rows(bench.folder)
        agree(points, truth)
        ended_under_load(truth, 60)


def a_map_that_fits_nothing_is_told_with_what_came():
    with harness.Bench(5, example=PREPARED.get(), edit=onto) as bench:
        harness.wait_for((bench.folder / "run" / "motor.sock").exists, 10, "the bench")
        bench.replace("rig.ini", "tell_enabled = 0x281", "tell_enabled = 0x283")
        result = bench.run("sweep", "gentle", "--forced", "x")
        assert result.status in (2, 3) and "frame 0x283 is missing or too short, newest 0x28" in " ".join(result.err.split()), result
        bench.stop()
        assert all(row["contactor"] == "0" for row in rows(bench.folder))


def a_drive_without_a_lease_is_ended_by_the_warden_alone():
    """Killed in mid-load: the drive is off before the node's lease opens the contactor, which the warden does not switch here."""
    def without_a_lease(folder):
        onto(folder)
        path = folder / "rig.ini"
        text = path.read_text(encoding="utf-8")
        path.write_text(text[:text.index("[instrument motor]")] + changed(("lease = 0.3 s\n", "")) + warden.WARDEN, encoding="utf-8")
    with harness.Bench(5, example=PREPARED.get(), edit=without_a_lease) as bench:
        sweep = warden.sweep_until_loaded(bench)
        sweep.send_signal(signal.SIGKILL)
        sweep.communicate()
        harness.wait_for(lambda: rows(bench.folder)[-1]["contactor"] == "0", 30, "the contactor to open")
        seen = rows(bench.folder)
        on = [i for i, row in enumerate(seen) if row["drive_on"] == "1"][-1]
        assert seen[on + 1]["contactor"] == "1" and seen[on + 1]["node"] == "live", seen[on + 1]
        said = (bench.folder / "warden-account").read_text()
        assert "Drive commanded off." in said and "NOT SAFE" not in said, said


def probe(text):
    with tempfile.TemporaryDirectory(prefix="bridle-") as home:
        folder = pathlib.Path(home) / "bench"
        shutil.copytree(harness.EXAMPLE, folder)
        with open(folder / "rig.ini", "a", encoding="utf-8") as file:
            file.write(text)
        result = harness.run("probe", "--seconds", "1", "--bench", folder)
        assert result.status == 2, result
        return " ".join(result.err.split())


def what_cannot_be_is_refused_all_at_once():
    for pairs, words in (((("byte 3 length 16", "byte 2 length 16"), ("tell_fault = 0x282 bit 0 length 1", "tell_fault = 0x201 bit 0 length 1"),
                           ("byte 1 length 8 offset", "byte 7 length 16 offset"), ("byte 4 length 32", "byte 6 length 32"),
                           ("bit_rate = 500000", "bit_rate = 400000"), ("period = 0.05", "period = 1"), ("lease = 0.3 s", "lease = 0 s")),
                          ("tell_current: overlaps tell_speed in frame 0x281", "tell_fault: has the identifier 0x201, which send_off sends",
                           "tell_temperature: \"0x282 byte 7 length 16 offset -40\": a value of 16 bits does not fit there: the frame has 8 bytes",
                           "a value of 32 bits does not fit there", "bit_rate: found 400000", "period: found 1 s, expected at most 0.2 s",
                           "an output of a can-drive has no lease")),
                         ((("send_off = 0x201 data 00", "send_off = 0x201 data 01"), ("tell_enabled = 0x281 byte 7 length 8 is 4\n", ""),
                           ("tell_current = 0x281", "tell_current = 0x281 data 00"), ("undervoltage = 0x282 bit 1 length 1", "undervoltage = 0x282")),
                          ("send_off: is the frame of send_speed with a value of 0", "tell_enabled: is missing", "tell_current: ",
                           "tell_undervoltage: does not say where its value is"))):
        said = probe(changed(*pairs))
        for one in words:
            assert one in said, (one, said)


if __name__ == "__main__":
    harness.main(a_sweep_agrees_and_its_cable_out_is_named, a_drive_without_a_lease_is_ended_by_the_warden_alone,
                 a_map_that_fits_nothing_is_told_with_what_came, what_cannot_be_is_refused_all_at_once)
