# SPDX-License-Identifier: GPL-3.0-or-later
"""What the tests of single calls and the campaign share: a bench folder with calibration, map and readiness for a plan of two
short steps, made once and copied, and the logbook read beside the program."""
import contextlib
import pathlib
import shutil
import sqlite3
import sys

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parents[1] / "bench"))
import digest  # noqa: E402
import harness  # noqa: E402

ACTUATOR, PLAN = "paddle-winder", "short"
SPEED = "speed\nspeed = 60 rpm"
PLAN_TEXT = """[plan]
actuator = paddle-winder
load = torque
drive = {drive}

[steps]
torque = {torque} N.m
down = {down}
repeat_first = no

[steady]
dwell = 0.5 s
window = 0.5 s
timeout = 1 s
"""


def forget_samples(logbook):
    """So that a folder is copied and its logbook verified in a fifth of the time, and is whole still: the ends of the runs say 0 samples,
    and their chain is made anew."""
    with contextlib.closing(sqlite3.connect(logbook, isolation_level=None)) as db:
        guards = db.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger' AND tbl_name IN ('sample', 'run_end') ORDER BY rowid").fetchall()
        for name, _ in guards:
            db.execute(f"DROP TRIGGER {name}")
        db.execute("DELETE FROM sample")
        db.execute("UPDATE run_end SET samples = 0, sample_digest = ?", (bytes(32),))
        chain = bytes(32)
        for row in db.execute("SELECT * FROM run_end ORDER BY id").fetchall():
            chain = digest.step(chain, "run_end", b"".join(digest.typed(value) for value in row[:-1]))
            db.execute("UPDATE run_end SET digest = ? WHERE id = ?", (chain, row[0]))
        for _, sql in guards:
            db.execute(sql)
        db.execute("VACUUM")


def prepare(home, name="prepared", torque="0, 10", down="no", drive=SPEED, edit=None, seed=9, options=()):
    """home/name: the folder that harness.Bench(example=...) copies."""
    def both(folder):
        (folder / "plans" / f"{PLAN}.ini").write_text(PLAN_TEXT.format(torque=torque, down=down, drive=drive))
        if edit:
            edit(folder)
    with harness.Bench(seed, edit=both, options=options) as bench:
        bench.must("hang", "--hands", "--series", "2")
        bench.must("map", "--actuator", ACTUATOR, "--currents", "7")
        bench.must("ready", PLAN, "--hands", "--answers", "yes")
        bench.stop()
        prepared = pathlib.Path(home) / name
        shutil.copytree(bench.folder, prepared)
        shutil.rmtree(prepared / "run")
    forget_samples(prepared / "logbook")
    verified = harness.run("log", "verify", "--bench", prepared)
    assert verified.status == 0, verified
    return prepared


def query(folder, sql, *args):
    """Rows; none where the file is not there or not a logbook yet."""
    try:
        db = sqlite3.connect(f"file:{folder / 'logbook'}?mode=ro", uri=True, timeout=5)
        try:
            return db.execute(sql, args).fetchall()
        finally:
            db.close()
    except sqlite3.OperationalError:
        return []


def newest_run(folder):
    rows = query(folder, "SELECT coalesce(max(id), 0) FROM run")
    return rows[0][0] if rows else 0


def points_of(folder, run):
    """(step, direction) of the load points of a run, as people count them; a step that was cut short is none."""
    return query(folder, "SELECT step + 1, direction FROM point WHERE run_id = ? AND NOT flags & 24 ORDER BY end_ns", run)
