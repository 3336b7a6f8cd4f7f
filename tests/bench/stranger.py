#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""The program against a node that was written from docs/tether.md alone, over tcp and over a serial port
(a pseudo-terminal, libserialport by the preloaded shim): machine's clock, no virtual bench."""
import os
import pathlib
import re
import shutil
import subprocess
import sys
import tempfile

import harness
from harness import run

HERE = pathlib.Path(__file__).resolve().parent
SHIM = {"LD_PRELOAD": os.environ.get("PTYSHIM", ""), "ASAN_OPTIONS": "verify_asan_link_order=0"}


class Stranger:
    """The node as a process, and a bench folder whose rig.ini names it."""

    def __init__(self, kind, *options):
        self.home = tempfile.TemporaryDirectory(prefix="bridle-stranger-")
        self.folder = pathlib.Path(self.home.name) / "bench"
        shutil.copytree(harness.EXAMPLE, self.folder)
        self.node = subprocess.Popen([sys.executable, HERE / "stranger_node.py", kind, *options], stdin=subprocess.DEVNULL,
                                     stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        self.address = self.node.stdout.readline().strip()
        text = (self.folder / "rig.ini").read_text()
        text = re.sub(r"(?m)^link = .*", f"link = {self.address}", text)
        text = re.sub(r"(?ms)^\[virtual\].*?(?=^\[)", "", text)
        # Both sides run in real time on a machine that other tests share: patience with a node in Python.
        text = re.sub(r"(?ms)^\[guard\].*?(?=^\[|\Z)", "", text) + "\n[guard]\nsilent = 3 s\ncell_stale = 5 s\n"
        (self.folder / "rig.ini").write_text(text)
        (self.folder / "virtual.ini").unlink(missing_ok=True)

    def __enter__(self):
        return self

    def __exit__(self, *_):
        if self.node.poll() is None:
            self.node.kill()
        self.node.communicate()
        self.home.cleanup()

    def probe(self, *options, **kwargs):
        return run("probe", "--bench", self.folder, "--quiet", *options, **kwargs)

    def requests(self):
        """What the node heard, once the host has hung up (tcp only)."""
        return self.node.communicate(timeout=20)[1].splitlines()


def channel(found, name):
    return next(c for c in found["channels"] if c["channel"] == name)


def looks_right(found):
    assert found["node"] == "stranger", found
    assert found["bad_lines"] == 0, found
    assert 60 < found["samples_per_s"] < 120, found
    # The node's shaft makes 123 pulses/s of the profile's 2400 a turn. Its pulses and their ages are whole microseconds.
    speed = channel(found, "speed_rpm")
    turns = 123 / 2400 * 60
    assert abs(speed["max"] - turns) < 0.002, speed
    # before the second edge there is no speed yet: 0 for a few samples
    assert turns * (1 - 5 / speed["n"]) - 0.002 < speed["mean"] < turns + 0.002, speed
    cell = channel(found, "cell_count")
    assert -1205 <= cell["mean"] <= -1204, cell
    assert abs(channel(found, "voltage_V")["mean"] - 24.012) < 1e-6, found


def on_time(test):
    """Where a busy machine made a tick late the guard was right to stop, and the test begins again."""
    def again():
        for _ in range(5):
            if test() != "late_tick":
                return
        raise AssertionError("five runs in which this machine was too busy for a tick on time")
    again.__name__ = test.__name__
    return again


def came_late(result):
    return result.status == 1 and result.json["cause"] == "late_tick"


@on_time
def a_strangers_node_is_understood_over_tcp():
    with Stranger("tcp") as s:
        result = s.probe("--seconds", "2", "--json")
        if came_late(result):
            return "late_tick"
        assert result.status == 0, result
        looks_right(result.json)
        heard = s.requests()
        assert heard[0] == "?1 hello 1", heard
        assert any(re.fullmatch(r"\?\d+ rate 100 \d+", h) for h in heard), heard
        sets = [h for h in heard if " set " in h]
        assert sets and all(re.fullmatch(r"\?\d+ set 300 off 0 0", h) for h in sets), sets
        # renewed by a third of the lease: about 20 in 2 s, not one a tick
        assert 10 <= len(sets) <= 40, len(sets)
        numbers = [int(h[1:h.index(" ")]) for h in heard]
        assert all((b - a) % 256 in (0, 1) for a, b in zip(numbers, numbers[1:])), numbers


@on_time
def a_strangers_node_is_understood_over_a_serial_port():
    with Stranger("pty") as s:
        for _ in range(2):  # and found again by the next host, samples still flowing
            result = s.probe("--seconds", "1", "--json", env=SHIM)
            if came_late(result):
                return "late_tick"
            assert result.status == 0, result
            looks_right(result.json)


def another_version_is_refused_in_one_sentence():
    with Stranger("tcp", "--version", "2") as s:
        result = s.probe()
        assert result.status == 3, result
        assert "has version 2 of the tether, this program has version 1" in result.err, result
        assert len(result.err.strip().splitlines()) == 1, result


@on_time
def a_restart_in_mid_run_is_noticed():
    with Stranger("tcp", "--restart-after", "1") as s:
        result = s.probe("--seconds", "20", "--json")
        if came_late(result):
            return "late_tick"
        assert result.status in (1, 3), result
        assert result.json["cause"] == "node_reset", result


def a_plan_that_nobody_can_serve_is_refused():
    """All that is missing in one sentence, and nothing was energised."""
    with Stranger("tcp", "--without", "drive pick") as rig:
        refused = run("sweep", "gentle", "--forced", "a try", "--bench", rig.folder, "--quiet")
        assert refused.status == 2, refused
        assert "plans/gentle.ini needs the pick-up, the drive, and no instrument of this rig serves it" in refused.err, refused
        assert "name an instrument with that role in rig.ini" in refused.err, refused
        heard = rig.requests()
        assert heard and not [said for said in heard if said.split()[1] in ("set", "power", "clear")], heard


def a_node_that_is_not_there_is_named():
    with Stranger("tcp") as s:
        s.node.kill()
        s.node.wait()
        result = s.probe()
        assert result.status == 3 and s.address in result.err and "is the node or bench running?" in result.err, result


if __name__ == "__main__":
    harness.main(a_strangers_node_is_understood_over_tcp, a_strangers_node_is_understood_over_a_serial_port,
                 another_version_is_refused_in_one_sentence, a_restart_in_mid_run_is_noticed,
                 a_plan_that_nobody_can_serve_is_refused, a_node_that_is_not_there_is_named)
