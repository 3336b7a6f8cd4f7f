#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Makes every digest of a logbook anew from what docs/logbook.md says, with Python's sqlite3 and hashlib and nothing of
the program. Usage: digest.py MAKE_LOGBOOK (which writes one) or digest.py --check LOGBOOK."""
import hashlib
import math
import os
import sqlite3
import struct
import subprocess
import sys
import tempfile


def whole(value):
    return struct.pack("<q", value)


def text(value):
    if value is None:
        return whole(-1)
    return whole(len(value.encode())) + value.encode()


def real(value):
    if value is None or math.isnan(value):
        return struct.pack("<Q", 0x7FF8000000000000)
    return struct.pack("<d", value + 0.0 if value else 0.0)


def typed(value):
    if value is None:
        return whole(0)
    if isinstance(value, int):
        return whole(1) + whole(value)
    if isinstance(value, str):
        return whole(2) + text(value)
    return whole(3) + whole(len(value)) + value


def step(before, table, body):
    return hashlib.sha256(before + text(table) + body).digest()


def short(digest):
    return struct.unpack("<q", digest[:8])[0]


def field(kind, value):
    return {"INTEGER": whole, "REAL": real, "TEXT": text}[kind](value)


def columns(db, table):
    return [(row[1], row[2]) for row in db.execute(f"PRAGMA table_info({table})")]


def run_chain(db, table, run):
    """The chain of a run in one of the tables sample, point, event: digests after each row, compared with what is stored."""
    names = columns(db, table)
    where = {"sample": "key >> 32 = ? ORDER BY key"}.get(table, "run_id = ? ORDER BY no")
    first = 1 if table == "sample" else 2
    chain, n = bytes(32), 0
    for row in db.execute(f"SELECT * FROM {table} WHERE {where}", (run,)):
        n += 1
        number = row[0] & 0xFFFFFFFF if table == "sample" else row[1]
        assert number == n, f"{table} {n} of run {run} is missing"
        body = b"".join(field(kind, value) for (_, kind), value in list(zip(names, row))[first:-1])
        chain = step(chain, table, body)
        assert short(chain) == row[-1], f"{table} {n} of run {run}: the digest does not fit"
    return chain, n


def small_chain(db, table):
    chain = bytes(32)
    for n, row in enumerate(db.execute(f"SELECT * FROM {table} ORDER BY id"), 1):
        assert row[0] == n, f"row {n} of {table} is missing"
        chain = step(chain, table, b"".join(typed(value) for value in row[:-1]))
        assert chain == row[-1], f"row {n} of {table}: the digest does not fit"


def check(path):
    db = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
    contents = []
    for table in ("run", "run_end", "record"):
        small_chain(db, table)
    for (run,) in db.execute("SELECT id FROM run ORDER BY id").fetchall():
        chains = [run_chain(db, table, run) for table in ("sample", "point", "event")]
        end = db.execute("SELECT samples, points, events, sample_digest, point_digest, event_digest FROM run_end "
                         "WHERE run_id = ?", (run,)).fetchone()
        if end:
            assert [n for _, n in chains] == list(end[:3]), f"run {run}: rows are missing"
            assert [c for c, _ in chains] == list(end[3:]), f"run {run}: the digests at its end do not fit"
        contents.append(step(bytes(32), "run contents", b"".join(c for c, _ in chains)).hex())
    return contents


def main():
    if sys.argv[1] == "--check":
        print("\n".join(check(sys.argv[2])))
        return
    with tempfile.TemporaryDirectory(prefix="bridle-") as folder:
        path = os.path.join(folder, "logbook")
        said = subprocess.run([sys.argv[1], path], capture_output=True, text=True, check=True).stdout.split()
        found = check(path)
        good = said == found and len(found) == 2
        print("1..1\n" + ("ok" if good else "not ok") + " 1 - every digest follows from the manual alone")
        if not good:
            print(f"# program {said}\n# manual {found}")
        sys.exit(not good)


if __name__ == "__main__":
    main()
