#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""bridle log as a user sees it, on a logbook that tests/faults/make_logbook writes. What it must show is read from the
file by Python's sqlite3."""
import csv
import io
import json
import os
import pathlib
import sqlite3
import subprocess
import tempfile

import harness
from harness import run

HOME = tempfile.TemporaryDirectory(prefix="bridle-log-")
BENCH = pathlib.Path(HOME.name) / "bench"
LOGBOOK = BENCH / "logbook"


def log(*args, **kwargs):
    return run("log", *args, "--bench", BENCH, **kwargs)


def fresh():
    BENCH.mkdir(exist_ok=True)
    (BENCH / "rig.ini").touch()
    for path in BENCH.glob("logbook*"):
        path.unlink()
    subprocess.run([os.environ["MAKE_LOGBOOK"], LOGBOOK], check=True, capture_output=True)


def query(sql):
    db = sqlite3.connect(f"file:{LOGBOOK}?mode=ro", uri=True)
    rows = db.execute(sql).fetchall()
    db.close()
    return rows


def lists_runs_and_records():
    fresh()
    listed = log("list", "--json").json
    assert [r["run"] for r in listed["runs"]] == [1, 2], listed
    assert [r["samples"] for r in listed["runs"]] == [500, 500], listed
    assert [r["cause"] for r in listed["runs"]] == ["estop", "estop"], listed
    assert listed["runs"][1]["resumes"] == 1 and listed["runs"][0]["resumes"] is None
    assert [r["contents"] for r in listed["records"]] == [json.loads(j) for (j,) in query("SELECT json FROM record")]
    text = log("list")
    assert text.status == 0 and all(len(line) <= 80 for line in text.out.splitlines()), text


def lists_when_nothing_is_asked():
    fresh()
    assert log().out == log("list").out != ""
    assert log("--json").json == log("list", "--json").json


def shows_a_run():
    fresh()
    shown = log("show", "last", "--json").json
    assert shown["run"] == 2 and shown["outcome"] == "stopped" and shown["ended"] is True
    points = query("SELECT run_id, step + 1, mean_torque_Nm FROM point ORDER BY run_id, no")  # run 2 takes up run 1
    assert [(p["run"], p["step"], p["indicated_torque_Nm"]) for p in shown["points"]] == points
    assert len(shown["events"]) == query("SELECT count(*) FROM event WHERE run_id = 2")[0][0]
    text = log("show", 2)
    assert text.status == 0 and shown["digest"] in text.out and "emergency stop" in text.out
    assert all(len(line) <= 80 for line in text.out.splitlines()), text


def exports_every_sample_with_all_digits():
    fresh()
    result = log("export", 2)
    rows = list(csv.DictReader(io.StringIO(result.out)))
    stored = query("SELECT mono_ns, cell_count, torque_Nm, temp_case_degC, late_ns, (SELECT mono_ns FROM run WHERE id = 2) "
                   "FROM samples WHERE run_id = 2 ORDER BY no")
    assert result.status == 0 and len(rows) == len(stored) == 500
    for row, (mono, count, torque, temp, late, begin) in zip(rows, stored):
        assert abs(float(row["time (s)"]) - (mono - begin) / 1e9) < 6e-10
        assert int(row["cell count"]) == count and float(row["torque (N m)"]) == torque
        assert (row["case temperature (degC)"] == "") == (temp is None)
        assert abs(float(row["late (s)"]) - late / 1e9) < 6e-10
    out = BENCH / "run.csv"
    said = log("export", 2, "--out", out, "--json").json
    assert said["samples"] == 500 and out.read_text() == result.out


def verifies_and_finds_what_was_altered():
    fresh()
    whole = log("verify", "--json")
    assert whole.status == 0 and whole.json["whole"] is True and len(whole.json["runs"]) == 2
    assert "whole" in log("verify").out
    db = sqlite3.connect(LOGBOOK)
    (trigger,), = db.execute("SELECT sql FROM sqlite_schema WHERE name = 'point_no_update'")
    db.executescript("DROP TRIGGER point_no_update; UPDATE point SET mean_torque_Nm = 1 WHERE run_id = 2 AND no = 3;" + trigger)
    db.close()
    result = log("verify", "--json")
    assert result.status == 1 and result.json["cause"] == "logbook_altered", result
    assert "point 3 of run 2 was altered" in result.json["message"], result


def takes_notes():
    fresh()
    assert log("note", "new", "coupling", "screws").status == 0
    assert log("note", "--json", "Sp\u00e4ne im Getriebe").json == {"record": 4}
    assert [json.loads(j)["text"] for (j,) in query("SELECT json FROM record WHERE id > 2")] == \
        ["new coupling screws", "Sp\u00e4ne im Getriebe"]
    assert log("verify").status == 0


def says_what_is_wrong():
    fresh()
    before = LOGBOOK.read_bytes()
    for args, status, says in [
            (["show", "7"], 2, "no run 7"), (["show", "x"], 2, "expected a run's number"), (["show", "-1"], 2, "no option"),
            (["show", "0"], 2, "expected a run's number"), (["show", "99999999999999999999"], 2, "expected a run's number"),
            (["show"], 2, "usage"), (["list", "3"], 2, "usage"), (["frob"], 2, "expected list"),
            (["note", "  "], 2, "empty"), (["list", "--out", "x"], 2, "--out"), (["export", "2", "--json"], 2, "--out"),
            (["export", "2", "--out", "/nowhere/x.csv"], 3, "/nowhere/x.csv")]:
        for extra in ([], ["--json"]):
            result = log(*args, *extra)
            assert result.status == status, (args, result)
            if extra and "--json" in args:
                continue  # given twice: another mistake
            said = result.json["message"] if extra or "--json" in args else result.err
            assert says in said, (args, result)
    assert LOGBOOK.read_bytes() == before
    empty = pathlib.Path(HOME.name) / "empty"
    empty.mkdir()
    for args in (["list"], ["note", "hello"]):
        result = run("log", *args, "--bench", empty)
        assert result.status == 2 and "not a bench folder" in result.err, result
    (empty / "rig.ini").touch()
    result = run("log", "list", "--bench", empty)
    assert result.status == 2 and "no logbook yet" in result.err, result
    assert not (empty / "logbook").exists()
    (empty / "logbook").write_text("no logbook at all\n" * 20)
    result = run("log", "list", "--bench", empty)
    assert result.status == 3 and "not a logbook" in result.err, result


def reports_a_full_standard_output():
    fresh()
    with open("/dev/full", "w") as full:
        done = subprocess.run([harness.BRIDLE, "log", "export", "2", "--bench", BENCH], stdout=full, stderr=subprocess.PIPE,
                              text=True)
    assert done.returncode == 3 and "cannot write" in done.stderr, done


harness.main(lists_runs_and_records, lists_when_nothing_is_asked, shows_a_run, exports_every_sample_with_all_digits, verifies_and_finds_what_was_altered,
             takes_notes, says_what_is_wrong, reports_a_full_standard_output)
