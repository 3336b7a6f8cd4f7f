# SPDX-License-Identifier: GPL-3.0-or-later
"""What must be true after any fault, judged from the bench's own truth and from the disk, never from the program's words alone."""
import csv
import sqlite3
import subprocess

from short_sweep import harness, newest_run, points_of

TURNS = 0.5  # rad/s, some 5 rpm: below it a shaft has no energy worth a word
HELD_A = 0.02
COIL_S = 0.15  # a brake that had no current needs this long to have one (coil 0.7 H, 14 ohm; one tick to command it)
OPENS_S = 0.1  # drive and contactor after the word for them
TEXTS = ("node",)


def truth(folder):
    with open(folder / "run" / "truth.csv") as file:
        return [{key: value if key in TEXTS else float(value) for key, value in row.items()} for row in csv.DictReader(file)]


def stands(row):
    return abs(row["speed_rad_per_s"]) < 0.05


def is_down(row):
    """Drive off, contactor open, shaft standing, the brake told to let go (bench time stands still before its current is gone)."""
    return row["drive_on"] == 0 and row["contactor"] == 0 and stands(row) and row["node"] in ("safe", "idle")


def await_rest(folder, seconds=20):
    """A program that died leaves it to the node's lease, in machine time. The rows, at the end."""
    def at_rest():
        rows = truth(folder)
        return rows if rows and is_down(rows[-1]) else None
    harness.wait_for((folder / "run" / "truth.csv").exists, 20, "the bench")
    return harness.wait_for(at_rest, seconds, "the shaft to stand")


def last_stop(rows):
    """Rows from the moment on that drive or contactor went off for good; empty where nothing was ever on."""
    on = [i for i, row in enumerate(rows) if row["drive_on"] or row["contactor"]]
    return rows[on[-1]:] if on else []


def let_go(rows, since_s=0.0):
    """The first row in which a shaft that nothing drives turns without being held, long enough after the drive went off for
    the brake's coil to have its current; None where there is none."""
    off_s = None
    for row in rows:
        if row["drive_on"]:
            off_s = None
            continue
        off_s = row["t_s"] if off_s is None else off_s
        late = row["t_s"] - max(off_s, since_s) > COIL_S
        if row["t_s"] >= since_s and late and abs(row["speed_rad_per_s"]) > TURNS and row["brake_A"] < HELD_A:
            return row
    return None


def book_is_whole(folder):
    if not (folder / "logbook").exists():
        return
    db = sqlite3.connect(f"file:{folder / 'logbook'}?mode=ro", uri=True, timeout=10)
    assert db.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
    db.close()
    verified = harness.run("log", "verify", "--bench", folder)
    assert verified.status == 0, verified


def announced(text):
    """Load points that a person was told of, in order: (step, direction)."""
    way = {"rising": 1, "falling": -1}
    words = [line.split() for line in text.splitlines() if line.startswith("step ") and ": commanded " in line]
    return [(int(word[1]), way[word[2].rstrip(":")]) for word in words]


def told_is_kept(folder, text, run_before):
    told, run = announced(text), newest_run(folder)
    kept = points_of(folder, run) if run > run_before else []
    assert told == kept[:len(told)], f"announced {told}, on the disk {kept}"


def kill_quietly(process):
    if process.poll() is None:
        process.kill()
    try:
        process.wait(10)
    except subprocess.TimeoutExpired:
        pass
