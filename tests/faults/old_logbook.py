#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Logbooks of schema 3, whose samples have no temp_cell_degC, 2, which have no repeats either, and 1, no ripple_W: reported from, whole, written to, and as it was made afterwards.
It is made from a new one by docs/logbook.md alone: the table without the column, every digest anew (digest.py)."""
import hashlib
import pathlib
import sqlite3
import sys

HERE = pathlib.Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parent / "bench")]
import digest  # noqa: E402
import harness  # noqa: E402

OLD_SAMPLE = ("CREATE TABLE sample (key INTEGER PRIMARY KEY, mono_ns INTEGER NOT NULL, node_us INTEGER NOT NULL, "
              "sample_no INTEGER NOT NULL, cell_count INTEGER NOT NULL, cell_conversions INTEGER NOT NULL, "
              "pulses INTEGER NOT NULL, edge_time_s REAL, torque_Nm REAL, speed_rpm REAL, brake_set_A REAL, brake_A REAL, "
              "voltage_V REAL, current_A REAL, %sdrive_mode INTEGER NOT NULL, drive_set REAL, drive_flags INTEGER NOT NULL, "
              "drive_rotor_rpm REAL, drive_A REAL, temp_brake_degC REAL, temp_case_degC REAL, temp_winding_degC REAL, "
              "temp_ambient_degC REAL, lines INTEGER NOT NULL, phase INTEGER NOT NULL, step INTEGER NOT NULL, "
              "late_ns INTEGER NOT NULL, %sdigest INTEGER NOT NULL) STRICT")  # as schemas 1 to 3 were


def made_old(new, old, schema):
    """The same runs in a file of that schema."""
    sample = OLD_SAMPLE % ("" if schema == 1 else "ripple_W REAL, ", "repeats INTEGER NOT NULL, " if schema == 3 else "")
    source, to = sqlite3.connect(f"file:{new}?mode=ro", uri=True), sqlite3.connect(old)
    objects = source.execute("SELECT type, name, sql FROM sqlite_schema WHERE sql IS NOT NULL").fetchall()
    for kind, name, sql in objects:
        if kind == "table":
            to.execute(sample if name == "sample" else sql)
    for name in [name for kind, name, _ in objects if kind == "table"]:
        columns = [column for column, _ in digest.columns(to, name)]
        marks = ", ".join("?" * len(columns))
        to.executemany(f"INSERT INTO {name} VALUES ({marks})", source.execute(f"SELECT {', '.join(columns)} FROM {name}"))
    digest_anew(to)
    for kind, name, sql in objects:
        if kind != "table":
            sql = sql.replace("temp_cell_degC, ", "").replace("ripple_W, ", "" if schema == 1 else "ripple_W, ")
            to.execute(sql if schema == 3 else sql.replace(", repeats", ""))
    to.execute(f"PRAGMA user_version = {schema}")
    to.execute(f"PRAGMA application_id = {0x62726431}")
    to.commit()


def digest_anew(db):
    """Samples have other chains without the column, and with them the ends of the runs."""
    names = digest.columns(db, "sample")
    for (run,) in db.execute("SELECT id FROM run").fetchall():
        chain = bytes(32)
        for row in db.execute("SELECT * FROM sample WHERE key >> 32 = ? ORDER BY key", (run,)).fetchall():
            body = b"".join(digest.field(kind, value) for (_, kind), value in list(zip(names, row))[1:-1])
            chain = digest.step(chain, "sample", body)
            db.execute("UPDATE sample SET digest = ? WHERE key = ?", (digest.short(chain), row[0]))
        db.execute("UPDATE run_end SET sample_digest = ? WHERE run_id = ?", (chain, run))
    chain = bytes(32)
    for row in db.execute("SELECT * FROM run_end ORDER BY id").fetchall():
        chain = digest.step(chain, "run_end", b"".join(digest.typed(value) for value in row[:-1]))
        db.execute("UPDATE run_end SET digest = ? WHERE id = ?", (chain, row[0]))


def in_place(kept, book, schema):
    for end in ("", "-wal", "-shm"):
        pathlib.Path(f"{book}{end}").unlink(missing_ok=True)
    made_old(kept, book, schema)
    assert digest.check(book) and harness.run("log", "verify", "--bench", str(pathlib.Path(book).parent)).status == 0


def only_read(bench, book):
    """Shown and reported from in each way that there is: not a byte of it is another afterwards. Gives the report."""
    def bytes_of():
        return [(end, hashlib.sha256(path.read_bytes()).hexdigest()) for end in ("", "-wal", "-shm", "-journal")
                for path in [pathlib.Path(f"{book}{end}")] if path.exists()]
    before = bytes_of()
    for shown in (("log", "list"), ("log", "show", "3"), ("log", "export", "3"), ("log", "verify"), ("check", "gentle")):
        assert bench.run(*shown).status == 0, bench.run(*shown)
    report = bench.must("report", "--no-figures")
    assert bytes_of() == before, (bytes_of(), before)
    return report


def an_old_logbook_is_reported_from_and_written_to():
    with harness.Bench(4) as bench:
        bench.must("hang", "--hands", "--series", "1", "--steps", "4")
        bench.must("map", "--actuator", "paddle-winder", "--currents", "5")
        swept = bench.must("sweep", "gentle", "--forced", "an old book")
        book, kept = bench.folder / "logbook", bench.folder / "new"
        sqlite3.connect(book).execute("VACUUM INTO ?", (str(kept),))
        in_place(kept, book, 3)
        report = bench.must("report", "--no-figures")
        assert all(report["points"][-1][key] == swept["points"][-1][key] for key in ("torque_Nm", "u_torque_Nm", "input_power_W")), report
        in_place(kept, book, 2)
        report = bench.must("report", "--no-figures")
        assert report["points"][-1]["u_input_power_W"] == swept["points"][-1]["u_input_power_W"]  # every row was a reading
        in_place(kept, book, 1)
        assert digest.check(book) and bench.run("log", "verify").status == 0, bench.run("log", "verify")
        report = only_read(bench, book)
        new, old = swept["points"][-1], report["points"][-1]
        # the same torque and speed; of the power what the node told is gone, and the profile's 0.1 % as limits came instead
        assert all(abs(old[key] - new[key]) < 1e-9 * abs(new[key]) for key in ("torque_Nm", "speed_rpm")), (old, new)
        off = abs(old["input_power_W"] / new["input_power_W"] - 1)
        assert 1e-5 < off < 3e-3, off
        assert old["u_input_power_W"] > new["u_input_power_W"], (old, new)
        # written to, it stays what it was
        bench.must("sweep", "gentle", "--forced", "once more")
        db = sqlite3.connect(book)
        assert db.execute("PRAGMA user_version").fetchone() == (1,)
        assert "ripple_W" not in [name for name, _ in digest.columns(db, "sample")]
        assert db.execute("SELECT count(DISTINCT run_id) FROM samples").fetchone() == (4,)
        assert digest.check(book) and bench.run("log", "verify").status == 0, bench.run("log", "verify")


if __name__ == "__main__":
    harness.main(an_old_logbook_is_reported_from_and_written_to)
