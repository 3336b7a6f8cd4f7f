#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""The campaign's judge has nothing to say of a stop in order, and names each thing that is planted in one."""
import pathlib
import sqlite3
import tempfile
import types

import fault_table
import judge
from short_sweep import harness

ROWS = {row.word: row for row in fault_table.TABLE}
PRESSED_S, OFF_S, STOOD_S, TOLD_S = 10.0, 10.02, 10.5, 10.6
TOLD = "Drive off, contactor open, shaft standing, brake released"
ERR = "step 1 rising: commanded 0 N.m, ...\nbridle: the emergency stop is pressed. " + TOLD


def row(t_s):
    """A shaft that is held as soon as the drive is off, and released when it stands."""
    driven, turns = t_s < OFF_S, t_s < STOOD_S
    return {"t_s": t_s, "int_torque_Nms": 6 * min(t_s, OFF_S), "node": "live" if t_s < TOLD_S else "idle", "drive_on": float(driven),
            "contactor": float(driven), "brake_A": 0.3 if turns else 0.0,
            "speed_rad_per_s": 6.0 if driven else 6 * (STOOD_S - t_s) / (STOOD_S - OFF_S) if turns else 0.0, "peak_torque_Nm": 6.0, "drive_flags": 1}


def book(folder):
    """A run with the one point that was announced."""
    db = sqlite3.connect(folder / "logbook")
    db.executescript("CREATE TABLE run (id INTEGER PRIMARY KEY); INSERT INTO run VALUES (1);"
                     "CREATE TABLE point (run_id INTEGER REFERENCES run (id), step INTEGER, direction INTEGER, flags INTEGER, end_ns INTEGER);"
                     "INSERT INTO point VALUES (1, 0, 1, 0, 1);")
    db.close()


def seen(folder, word="estop", **changes):
    book(folder)
    fault = types.SimpleNamespace(word=word, causes=ROWS[word].causes, marks=ROWS[word].marks, within_s=ROWS[word].within_s, is_of_the_program=False)
    s = types.SimpleNamespace(case=types.SimpleNamespace(rig="light powder", phase="loaded"), folder=folder, faults=[fault], times=[PRESSED_S],
                              result=types.SimpleNamespace(status=1, err=ERR, out=""), before=0, run=1, came=True, rattled=None,
                              rows=[row(9 + 0.01 * i) for i in range(200)], outcome="stopped", cause="estop", told_at_s=TOLD_S, told=TOLD,
                              stop_s=PRESSED_S + 0.01, text=" ".join(ERR.split()))
    for key, value in changes.items():
        setattr(s, key, value(s) if callable(value) else value)
    return s


def shifted(rows, key, value, since_s, until_s=99.0):
    return [{**r, key: value} if since_s <= r["t_s"] < until_s else r for r in rows]


def all_rows(*changes):
    def do(s):
        rows = s.rows
        for change in changes:
            rows = shifted(rows, *change)
        return rows
    return do


def with_result(**changes):
    return lambda s: types.SimpleNamespace(**{**vars(s.result), **changes})


PLANTED = [
    ("false word: told as safe at 10.6 s, and the contactor", {"rows": all_rows(("contactor", 1.0, OFF_S))}),
    ("false word: told as safe at 10.6 s, and the drive", {"rows": all_rows(("drive_on", 1.0, 10.7))}),
    ("false word: told as safe at 10.6 s, and the shaft", {"rows": all_rows(("speed_rad_per_s", 3.0, 10.7))}),
    ("false word: NOT SAFE with status 1", {"told": "NOT SAFE: the contactor was not seen open"}),
    ("false word: \"Drive off", {"told_at_s": None, "told": "", "rows": all_rows(("contactor", 1.0, OFF_S))}),
    ("false word: \"nothing loaded", {"told": "Drive off. Nothing loaded the shaft; it was not seen to stand."}),
    ("false alarm", {"told": "NOT SAFE: the shaft still turns", "result": with_result(status=3), "rows": all_rows(("speed_rad_per_s", 0.0, 10.55))}),
    ("lost point", {"result": with_result(err=ERR + "\nstep 2 rising: commanded 6 N.m, ...")}),
    ("late: the drive was on for", {"rows": all_rows(("drive_on", 1.0, 9.0, 10.35), ("contactor", 1.0, 9.0, 10.35))}),
    ("late: the shaft turned for", {"rows": lambda s: [row(9 + 0.01 * i) | ({"speed_rad_per_s": 6.0, "brake_A": 0.3} if i > 100 else {}) for i in range(500)]}),
    ("let go", {"rows": all_rows(("brake_A", 0.0, 10.0))}),
    ("not down: the shaft", {"rows": all_rows(("speed_rad_per_s", 2.0, 10.4))}),
    ("not down: the contactor", {"rows": all_rows(("contactor", 1.0, 9.0))}),
    ("not down: the drive", {"rows": all_rows(("contactor", 1.0, 9.0), ("drive_on", 1.0, 9.0))}),
    ("limit", {"rows": lambda s: [{**r, "peak_torque_Nm": 60.0, "int_torque_Nms": 60 * r["t_s"]} if 9.9 < r["t_s"] < 10.4 else r for r in s.rows[::10]]}),
    ("cause: drive_fault", {"cause": "drive_fault"}),
    ("unnoticed", {"result": with_result(status=0)}),
    ("no sentence", {"text": "so long"}),
    ("no sentence", {"text": "bridle: nan rpm"}),
    ("died: by signal 11", {"result": with_result(status=-11)}),
]


def a_stop_in_order_is_one():
    with tempfile.TemporaryDirectory() as home:
        said = judge.verdicts(seen(pathlib.Path(home)))
        assert all(sentence.startswith("logbook: ") for sentence in said), said  # verify_logbook wants a whole one


def what_is_planted_is_named():
    for kind, changes in PLANTED:
        with tempfile.TemporaryDirectory() as home:
            said = judge.verdicts(seen(pathlib.Path(home), **changes))
            assert any(sentence.startswith(kind) for sentence in said), (kind, said)


def a_logbook_with_a_broken_page_is_not_whole():
    """By SQLite's own check: the program's is not asked any more."""
    with tempfile.TemporaryDirectory() as home:
        folder = pathlib.Path(home)
        db = sqlite3.connect(folder / "logbook")
        db.execute("CREATE TABLE t (x)")
        db.executemany("INSERT INTO t VALUES (?)", [("x" * 100,)] * 500)
        db.execute("CREATE INDEX i ON t (x)")
        db.commit()
        db.close()
        whole = (folder / "logbook").read_bytes()
        at = len(whole) - 4096 + 5  # two bytes of the last page's head: where its cells begin
        (folder / "logbook").write_bytes(whole[:at] + b"\x0f\x00" + whole[at + 2:])
        try:
            judge.book_is_whole(folder)
        except (AssertionError, sqlite3.DatabaseError) as found:
            assert "SQLite" in str(found) or "malformed" in str(found), found
        else:
            raise AssertionError("nothing was found")


harness.main(a_stop_in_order_is_one, what_is_planted_is_named, a_logbook_with_a_broken_page_is_not_whole)
