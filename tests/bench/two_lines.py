#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Two instruments on two lines, in lock-step: the node without its meter, and a supply that tells volts and amperes five times a
second. Its curve agrees with the node's alone, its readings are counted as they are, and each line cut in mid-load is
named and stopped in order."""
import bisect
import math
import pathlib
import re
import shutil
import sqlite3
import tempfile

import harness

PSU = "\n[instrument psu]\nkind = supply\nlink = unix:run/psu.sock\nroles = meter\n"
SHARED = "".join(f"\n[instrument {name}]\nkind = supply\nlink = unix:run/psu.sock\nroles = {role}\naddress = {address}\n"
                 for name, role, address in (("volts", "voltage", 1), ("amps", "current", 2)))
SEED = 5


def add(folder, text=PSU):
    with open(folder / "rig.ini", "a", encoding="utf-8") as file:
        file.write(text)


def ready(bench):
    bench.must("hang", "--hands", "--series", "1", "--steps", "4")
    bench.must("map", "--actuator", "paddle-winder", "--currents", "5")


class Prepared:
    """Calibrated and mapped once; each case sweeps on a copy."""

    def __init__(self):
        self.home = tempfile.TemporaryDirectory(prefix="bridle-")
        with harness.Bench(SEED, edit=add) as bench:
            ready(bench)
            bench.stop()
            self.folder = pathlib.Path(self.home.name) / "prepared"
            shutil.copytree(bench.folder, self.folder, ignore=shutil.ignore_patterns("run", "*.sock"))


PREPARED = None


def prepared():
    global PREPARED
    PREPARED = PREPARED or Prepared()
    return PREPARED.folder


def readings(book, run):
    """Rows of a run, and of them those with a fresh reading of the meter."""
    rows = sqlite3.connect(book).execute("SELECT repeats FROM samples WHERE run_id = ?", (run,)).fetchall()
    return len(rows), sum(1 for (repeats,) in rows if not repeats & 1 << 3)  # CHANNEL_VOLTAGE


def truth_at(folder):
    rows = harness.truth_rows(folder)
    times = [float(row["t_s"]) for row in rows]

    def mean(key, begin_s, end_s):
        i, j = bisect.bisect_left(times, begin_s), bisect.bisect_left(times, end_s)
        return (float(rows[j][key]) - float(rows[i][key])) / (times[j] - times[i])
    return mean


def off_the_truth(bench, points):
    """For each point: how far voltage, current and input power are off, in their expanded uncertainties."""
    bench.stop()
    mean = truth_at(bench.folder)
    ret = []
    for p in points:
        for key, of in (("voltage_V", "int_voltage_Vs"), ("current_A", "int_current_As"), ("input_power_W", "int_electric_J")):
            ret.append((p[key] - mean(of, p["begin_s"], p["end_s"])) / p["U_" + key])
    return ret


def the_curve_agrees_with_the_node_s_alone():
    """Both with the bench's own truth, over the same windows; and their efficiencies with each other, where the torque is the same."""
    with harness.Bench(SEED) as alone:
        ready(alone)
        one = alone.must("sweep", "gentle", "--forced", "the node alone")["points"]
        off_one = off_the_truth(alone, one)
    with harness.Bench(SEED, example=prepared()) as bench:
        out = bench.must("sweep", "gentle", "--forced", "two lines")
        two = out["points"]
        rows, fresh = readings(bench.folder / "logbook", out["run"])
        assert 18 < rows / fresh < 25, (rows, fresh)  # 100 rows a second, five readings
        assert bench.run("log", "verify").status == 0
        off_two = off_the_truth(bench, two)
    assert len(one) == len(two) and max(map(abs, off_one)) < 1.5 and max(map(abs, off_two)) < 1.5, (off_one, off_two)
    for a, b in zip(one, two):
        # what a slightly other torque makes of it, by the idle power alone, is less than the relative difference of the torques
        room = abs(a["torque_Nm"] / b["torque_Nm"] - 1) * a["efficiency"]
        assert abs(a["efficiency"] - b["efficiency"]) <= math.hypot(a["U_efficiency"], b["U_efficiency"]) + room, (a, b)


def each_line_cut_is_named_and_stopped_in_order():
    for fault, cause, word in (("supply-silent", "instrument_silent", "supply psu: no data from the instrument for 1"),
                               ("node-silent", "node_silent", "no data from the node")):
        with harness.Bench(SEED, options=["--at", f"42 fault {fault}"], example=prepared()) as bench:
            result = bench.run("sweep", "gentle", "--forced", "a line is cut", "--json")
            assert result.status == (1 if cause == "instrument_silent" else 3), result
            out = result.json
            assert out["cause"] == cause and word in out["message"], out
            bench.stop()
            rows = harness.truth_rows(bench.folder)
            before = [row for row in rows if float(row["t_s"]) < 42][-1]
            after = [row for row in rows if float(row["t_s"]) > 42 and row["contactor"] == "0"]
            assert float(before["speed_rad_per_s"]) > 1 and float(before["brake_A"]) > 0.01, before  # it was under load
            assert after and all(row["drive_on"] == "0" for row in after), after
            assert all(float(row["brake_A"]) > 0.1 for row in after if abs(float(row["speed_rad_per_s"])) > 0.1), after
            assert abs(float(after[-1]["speed_rad_per_s"])) < 0.01, after[-1]
            if cause == "instrument_silent":
                assert "contactor open, shaft standing, brake released" in out["message"] + str(out), out


def a_line_that_the_bench_does_not_serve_is_told():
    with harness.Bench(SEED, edit=add) as bench:
        harness.wait_for(lambda: (bench.folder / "run" / "psu.sock").exists(), 10, "the bench")
        bench.replace("rig.ini", "[instrument psu]", "[instrument other]")  # the bench still serves "psu"
        result = bench.run("probe", "--seconds", "1")
        assert result.status == 3 and "serves no line \"other\"" in result.err, result


def share(folder):
    path = folder / "rig.ini"
    text = path.read_text(encoding="utf-8")
    assert PSU in text
    path.write_text(text.replace(PSU, SHARED), encoding="utf-8")


def two_instruments_share_a_line():
    with harness.Bench(SEED, example=prepared(), edit=share) as bench:
        out = bench.must("sweep", "gentle", "--forced", "one line, two outputs")
        rows, fresh = readings(bench.folder / "logbook", out["run"])
        assert 18 < rows / fresh < 25, (rows, fresh)
        off = off_the_truth(bench, out["points"])
        assert max(map(abs, off)) < 1.5, off


def who_is_silent_on_a_shared_line_is_told_apart():
    for fault, words in (("supply-silent", "supply volts, supply amps (one line): no data"),
                         ("supply-silent 1", "supply volts (the line itself answers): no data"),
                         ("supply-silent 2", "supply amps (the line itself answers): no data")):
        with harness.Bench(SEED, options=["--at", f"30 fault {fault}"], example=prepared(), edit=share) as bench:
            result = bench.run("sweep", "gentle", "--forced", "an output is silent", "--json")
            assert result.status == 1, result
            assert result.json["cause"] == "instrument_silent" and result.json["message"].startswith(words), result.json


def in_machine_time_a_thread_has_the_line():
    """No [virtual]: the machine's clock, and the supply on a thread of its own."""
    for sections in (PSU, SHARED):
        with harness.Bench(SEED, edit=lambda folder: add(folder, sections)) as bench:
            harness.wait_for(lambda: (bench.folder / "run" / "psu.sock").exists(), 10, "the bench")
            path = bench.folder / "rig.ini"
            path.write_text(re.sub(r"(?ms)^\[virtual\].*?(?=^\[)", "", path.read_text(encoding="utf-8")), encoding="utf-8")
            out = bench.must("probe", "--seconds", "3")
            found = {channel["channel"]: channel for channel in out["channels"]}
            for name in ("voltage_V", "current_A"):  # five readings a second, on a machine that may be busy; the contactor is open
                assert 6 <= found[name]["n"] <= 16 and abs(found[name]["mean"]) < 0.1, (sections, found[name])


def what_cannot_be_is_refused():
    with harness.Bench(SEED) as bench:
        add(bench.folder, PSU + PSU.replace("psu", "spare") + "\n[instrument oven]\nkind = toaster\nlink = unix:x\nroles = meter\n"
            + PSU.replace("psu", "main").replace("roles = meter", "roles = pickup"))
        result = bench.run("sweep", "gentle")
        assert result.status == 2, result
        for words in ("has the role meter already", "found \"toaster\", expected supply, relay", "a supply cannot do that"):
            assert words in result.err, (words, result)
        assert not (bench.folder / "logbook").exists()


if __name__ == "__main__":
    harness.main(the_curve_agrees_with_the_node_s_alone, each_line_cut_is_named_and_stopped_in_order,
                 a_line_that_the_bench_does_not_serve_is_told, two_instruments_share_a_line,
                 who_is_silent_on_a_shared_line_is_told_apart, in_machine_time_a_thread_has_the_line, what_cannot_be_is_refused)
