#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""I10, I11: hold, play, obey and its response, ripple, tame and endure in the middle of their work: the node cut off, the emergency stop
pressed, the drive at fault, Ctrl-C, kill -9. The stop keeps its order, the right word is told, what was finished stays, and nothing of a
run that was cut short is published.

    procedures.py [--all] [KIND ...]      # without --all two of the faults for each kind, all five of them over the kinds"""
import pathlib
import shutil
import signal
import sqlite3
import sys
import tempfile

from judge import await_rest, is_down, let_go, truth
from short_sweep import harness, newest_run

SEED = 9
WHO = ("--actuator", "paddle-winder", "--hands", "--answers", "yes")
CYCLES = """[plan]
actuator = paddle-winder
speed = 60 rpm

[steps]
torque = 15 N.m
down = no

[endurance]
cycles = 3
hold = 6 s
no_load = 1 s
pause = 1 s
reference = 1
"""
ASK = {"hold": ("hold", *WHO, "--torque", "20 N.m", "--time", "60 s", "--cool", "10 s"),
       "play": ("play", *WHO, "--torque", "20 N.m", "--loops", "1"),
       "obey": ("obey", *WHO, "--torque", "20 N.m", "--steps", "3", "--speeds", "20"),  # the fault falls where it turns
       "response": ("obey", *WHO, "--response", "--time", "20 s"),
       "ripple": ("ripple", *WHO, "--turns", "2", "--speed", "8 rpm", "--torque", "5 N.m"),
       "tame": ("tame", *WHO, "--torque-gain", "0.95 ± 1 %", "--time", "20 s"),
       "endure": ("endure", "week")}
# What the bench does, and the cause that has to be told.
FAULTS = {"link-cut": {"node_silent"}, "estop": {"estop"}, "drive-fault": {"drive_fault"}, "Ctrl-C": {"operator"}, "kill -9": None}
KINDS = [word for word in sys.argv[1:] if word != "--all"] or list(ASK)


def faults_of(kind):
    at = list(ASK).index(kind)
    return list(FAULTS) if "--all" in sys.argv else [list(FAULTS)[(at + k) % len(FAULTS)] for k in (0, 2)]


HOME = tempfile.TemporaryDirectory(prefix="bridle-procedures-")


def prepared():
    with harness.Bench(SEED) as bench:
        (bench.folder / "plans" / "week.ini").write_text(CYCLES)
        bench.must("hang", "--hands", "--series", "1")
        if "endure" in KINDS:
            bench.must("map", "--actuator", "paddle-winder", "--currents", "5")
            bench.must("ready", "week", "--hands", "--answers", "yes", "--no-check")
        bench.stop()
        folder = pathlib.Path(HOME.name) / "prepared"
        shutil.copytree(bench.folder, folder)
        shutil.rmtree(folder / "run")
    return folder


def asked(folder, sql, *args):
    db = sqlite3.connect(f"file:{folder / 'logbook'}?mode=ro", uri=True, timeout=5)
    try:
        return db.execute(sql, args).fetchall()
    finally:
        db.close()


def points(folder, before_s):
    """Those of the newest run that ended by then."""
    return asked(folder, "SELECT step, direction, end_ns FROM point WHERE run_id = ? AND end_ns < ? ORDER BY no", newest_run(folder), int(before_s * 1e9))


def in_mid_load(folder, kind):
    """A moment in the middle of what a clean run did under load; of one that is free, of its turning."""
    rows = [row for row in truth(folder) if row["drive_on"]]
    loaded = [row["t_s"] for row in rows if abs(row["peak_torque_Nm" if kind != "tame" else "speed_rad_per_s"]) > (1.5 if kind == "tame" else 3)]
    assert len(loaded) > 20, f"{kind}: {len(loaded)} rows under load"
    return round(loaded[len(loaded) * 3 // 5], 2)


def clean(kind):
    with harness.Bench(SEED, example=Prepared.folder) as bench:
        bench.must(*ASK[kind])
        bench.stop()
        at_s = in_mid_load(bench.folder, kind)
        return at_s, points(bench.folder, at_s - 0.5)


def by_signal(bench, kind, at_s, number):
    process = bench.popen(*ASK[kind], "--json")
    harness.wait_for(lambda: (rows := harness.truth_rows(bench.folder)) and float(rows[-1]["t_s"]) >= at_s, 60, "the load")
    process.send_signal(number)
    out, err = process.communicate(timeout=60)
    return process.returncode, out, err


def what_is_left(bench, kind, at_s, kept, killed):
    rows = await_rest(bench.folder, 30) if killed else truth(bench.folder)
    assert is_down(rows[-1]), (kind, rows[-1])
    assert let_go(rows, at_s) is None, f"{kind}: the brake let go of a turning shaft: {let_go(rows, at_s)}"
    have = points(bench.folder, at_s - 0.5)
    assert have == kept, f"{kind}: points {have}, of the clean run {kept}"
    assert bench.run("log", "verify").status == 0
    run = newest_run(bench.folder)
    assert not asked(bench.folder, "SELECT id FROM record WHERE run_id = ? AND kind = ?", run, kind), f"{kind}: a record of half a run"
    last, = asked(bench.folder, "SELECT max(mono_ns) FROM samples WHERE run_id = ?", run)[0]
    # of a killed run at most a second of the machine's is missing, in which the bench does many; never of a finished point
    since_s = max((end_ns * 1e-9 for _, _, end_ns in kept), default=0) if killed else at_s - 1.1
    assert last * 1e-9 >= since_s, f"{kind}: samples end at {last * 1e-9} s, the fault came at {at_s} s"
    if kind != "endure":
        report = bench.run("report", run, "--json")
        assert report.status == 1 and ("has not ended" if killed else "cut short") in report.json["message"], report


def one(kind, fault, at_s, kept):
    by_hand = fault in ("Ctrl-C", "kill -9")
    options = () if by_hand else ("--at", f"{at_s} fault {fault}")
    with harness.Bench(SEED, options=options, example=Prepared.folder) as bench:
        if by_hand:
            status, out, err = by_signal(bench, kind, at_s, signal.SIGINT if fault == "Ctrl-C" else signal.SIGKILL)
            killed = fault == "kill -9"
            assert status == -signal.SIGKILL if killed else status == 1, (kind, fault, status, out, err)
            answer = None if killed else harness.json.loads(out)
        else:
            result = bench.run(*ASK[kind], "--json")
            assert result.status in (1, 3), (kind, fault, result)
            answer, killed = result.json, False
        if answer:
            assert answer["cause"] in FAULTS[fault] and len(answer["message"]) > 20, (kind, fault, answer)
            outcome, cause = asked(bench.folder, "SELECT outcome, cause FROM run_end WHERE run_id = ?", newest_run(bench.folder))[0]
            assert outcome in ("stopped", "failed") and cause in FAULTS[fault], (kind, fault, outcome, cause)
        else:
            assert asked(bench.folder, "SELECT outcome FROM run_end WHERE run_id = ?", newest_run(bench.folder)) == [], "a killed run has an end"
        what_is_left(bench, kind, at_s, kept, killed)


class Prepared:
    folder = None


def tests_of(kind):
    def test():
        Prepared.folder = Prepared.folder or prepared()
        at_s, kept = clean(kind)
        for fault in faults_of(kind):
            one(kind, fault, at_s, kept)
    test.__name__ = f"{kind} in mid-load: {', '.join(faults_of(kind))}"
    return test


harness.main(*map(tests_of, KINDS))
