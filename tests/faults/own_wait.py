#!/usr/bin/env python3
"""L8: what this program waits for itself (a slow disk, a long logbook, a machine that stops it) is never told as the node's fault.
In machine time: without a [virtual] section the controller takes the bench's socket for a real rig's."""
import concurrent.futures
import json
import os
import pathlib
import re
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parents[1] / "bench"))
import harness  # noqa: E402

SHIM, LONG_RUN = os.environ["SLOWDISK"], os.environ["MAKE_LONG_RUN"]


def drop_section(text, name):
    return re.sub(rf"\[{name}\]\n[^\[]*", "", text)


class RealTime(harness.Bench):
    """The bench reads its files, then the folder becomes a real rig's."""

    def __enter__(self):
        super().__enter__()
        harness.wait_for((self.folder / "run" / "tether.sock").exists, 20, "the bench")
        rig = self.folder / "rig.ini"
        # room for a busy machine: it holds up the bench's process too, and ticks are late by less than five periods
        text = drop_section(rig.read_text(), "virtual").replace("rate = 100 Hz", "rate = 50 Hz")
        rig.write_text(text + "\n[guard]\nsilent = 1 s\n")
        if (self.folder / "logbook").exists():
            harness.count_as_real(self.folder)
        return self


def slow(ms):
    return {"LD_PRELOAD": SHIM, "SLOW_DISK_MS": str(ms), "ASAN_OPTIONS": "verify_asan_link_order=0"}


def looked(result):
    """A probe that saw the node all the time: nothing lost, nothing said against the node."""
    assert result.status == 0, result
    assert result.json["lost_frac"] == 0, result
    assert result.json["samples_per_s"] > 25, result


def at_once(case, rows):
    """The cases mostly sleep, so three stand side by side; the first that fails is raised."""
    with concurrent.futures.ThreadPoolExecutor(3) as side_by_side:
        for done in [side_by_side.submit(case, *row) for row in rows]:
            done.result()


def a_slow_disk_is_not_a_lost_sample():
    def case(ms):
        with RealTime(1) as b:
            looked(b.run("probe", "--seconds", "1", "--json", env=slow(ms)))  # makes the logbook
            if ms <= 400:
                looked(b.run("probe", "--seconds", "1", "--json", env=slow(ms)))
    at_once(case, [(ms,) for ms in (1000, 400, 250, 150, 100)])


def a_long_run_before_is_not_a_node_that_restarted():
    with RealTime(1) as b:
        subprocess.run([LONG_RUN, b.folder / "logbook", "1000000"], check=True)
        looked(b.run("probe", "--seconds", "1", "--json"))
        looked(b.run("probe", "--seconds", "1", "--json"))


def prepare(home):
    """A folder with calibration and map, made in bench time once."""
    with harness.Bench(9) as b:
        b.must("hang", "--hands", "--series", "1")
        b.must("map", "--actuator", "paddle-winder", "--currents", "5")
        b.stop()
        prepared = pathlib.Path(home) / "prepared"
        shutil.copytree(b.folder, prepared)
        shutil.rmtree(prepared / "run")
    return prepared


def query(b, sql):
    try:
        return sqlite3.connect(f"file:{b.folder / 'logbook'}?mode=ro", uri=True, timeout=5).execute(sql).fetchall()
    except sqlite3.OperationalError:
        return []


def stopped(b, process, seconds):
    """The machine holds the program for so long; then what it says at its end."""
    process.send_signal(signal.SIGSTOP)
    time.sleep(seconds)
    process.send_signal(signal.SIGCONT)
    out, err = process.communicate(timeout=120)
    b.must("probe", "--seconds", "1")  # and the node answers the next command
    return process.returncode, json.loads(out), err


def a_program_that_stood_still_looks_on():
    """Nothing is energised: no lease, no limit. Every phase of a probe, from its start to its end."""
    def case(seconds, at):
        with RealTime(1) as b:
            process = b.popen("probe", "--seconds", "2", "--json")
            time.sleep(at)
            status, doc, err = stopped(b, process, seconds)
            assert status == 0, (seconds, at, doc, err)
            assert doc["lost_frac"] == 0, (seconds, at, doc)
    at_once(case, ((10, 0.7), (0.3, 0.0), (1.5, 0.05), (0.3, 0.3), (2.5, 0.7), (0.6, 2.2)))


def a_sweep_that_stood_still_says_so(prepared):
    """Driven, so its lease ends at the node, as it must: the words are about this program, never about the node."""
    def case(seconds):
        with RealTime(9, example=prepared) as b:
            known, = query(b, "SELECT max(id) FROM run")[0]
            process = b.popen("sweep", "gentle", "--forced", "to see", "--json")
            harness.wait_for(lambda: query(b, f"SELECT 1 FROM event WHERE run_id > {known} AND text LIKE 'live%'"), 60, "a driven shaft")
            if process.poll() is not None and "was held up" in process.communicate()[0]:
                raise harness.Skipped("the machine is too busy to tell its own stop from this test's")
            status, doc, err = stopped(b, process, seconds)
            assert status == 1 and doc["cause"] == "late_tick", (seconds, doc, err)
            said = re.match(r"this program was held up for ([0-9.]+) s", doc["message"])
            assert said and seconds - 0.05 < float(said[1]) < seconds + 2, doc["message"]
            assert ("lease" in doc["message"]) == (float(said[1]) > 0.3), doc["message"]
    at_once(case, ((10,), (0.2,), (0.5,)))


with tempfile.TemporaryDirectory(prefix="bridle-") as home:
    prepared = prepare(home)

    def a_sweep_that_stood_still():
        a_sweep_that_stood_still_says_so(prepared)

    harness.main(a_slow_disk_is_not_a_lost_sample, a_long_run_before_is_not_a_node_that_restarted,
                 a_program_that_stood_still_looks_on, a_sweep_that_stood_still)
