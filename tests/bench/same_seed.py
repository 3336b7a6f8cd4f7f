#!/usr/bin/env python3
"""Two runs with the same seed give the same logbook, times of day apart; another seed gives another."""
import pathlib
import sqlite3
import sys

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parent))
import harness  # noqa: E402

# What depends on the time of day: the columns themselves and the digests of rows that hold them.
TIME_OF_DAY = {("run", "wall_ns"), ("run", "digest"), ("record", "wall_ns"), ("record", "digest")}


def without_times(value):
    """A record's JSON may tell its date: lines of text are compared without what looks like one."""
    import re
    return re.sub(r"\d{4}-\d\d-\d\d([T ]\d\d:\d\d(:\d\d)?Z?)?", "DATE", value) if isinstance(value, str) else value


def contents(logbook):
    db = sqlite3.connect(f"file:{logbook}?mode=ro", uri=True)
    tables = {}
    for (table,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite_%' ORDER BY name"):
        columns = [row[1] for row in db.execute(f"PRAGMA table_info({table})")]
        kept = [column for column in columns if (table, column) not in TIME_OF_DAY]
        rows = db.execute(f"SELECT {', '.join(kept)} FROM {table} ORDER BY 1, 2")
        tables[table] = [tuple(without_times(value) for value in row) for row in rows]
    return tables


def chain(seed):
    with harness.Bench(seed) as bench:
        bench.must("hang", "--hands")
        bench.must("map", "--actuator", "paddle-winder")
        bench.must("ready", "gentle", "--hands", "--answers", "yes")
        bench.must("sweep", "gentle")
        return contents(bench.folder / "logbook")


def same_seed_same_logbook_other_seed_another():
    first, again, other = chain(11), chain(11), chain(12)
    assert first.keys() == again.keys()
    assert len(first["sample"]) > 10000, f"only {len(first['sample'])} samples"
    for table in first:
        assert len(first[table]) == len(again[table]), f"{table}: {len(first[table])} and {len(again[table])} rows"
        for number, (a, b) in enumerate(zip(first[table], again[table])):
            assert a == b, f"{table}, row {number}:\n{a}\n{b}"
    assert first["sample"] != other["sample"]


harness.main(same_seed_same_logbook_other_seed_another)
