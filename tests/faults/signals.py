#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""I25: a stop is asked for by a signal at each moment of a run, between its loops and while it writes too, once and again and again (whoever
is afraid presses twice; timeout(1) sends to the process and to its group). The run ends in order with its end in the logbook, nothing lets
go of a shaft that turns, and the next command needs no --clear.

    signals.py            a sample (CI)
    signals.py --all      at each call of SQLite, of the first 400 of each command, and at each 20th read"""
import os
import pathlib
import sys
import tempfile

import judge
from short_sweep import ACTUATOR, PLAN, harness, newest_run, prepare, query

SHIM = os.environ.get("FAILCALL", str(harness.ROOT / "build" / "tests" / "faults" / "libfailcall.so"))
COMMANDS = {"sweep": ["sweep", PLAN], "ready": ["ready", PLAN, "--hands", "--answers", "yes"],
            "map": ["map", "--actuator", ACTUATOR, "--currents", "7"], "probe": ["probe", "--seconds", "2"],
            "hang": ["hang", "--hands", "--series", "2"]}
SIGHUP, SIGINT, SIGTERM = 1, 2, 15


def shimmed(bench, command, **shim):
    sanitizer = os.environ.get("ASAN_OPTIONS", "verify_asan_link_order=0")  # what tests/sanitize wants of it stays
    return bench.run(*COMMANDS[command], env={"LD_PRELOAD": SHIM, "ASAN_OPTIONS": sanitizer, **shim}, timeout=120)


def clean(prepared, command):
    """How often it calls what, and when on the bench it stopped by itself, as a rehearsal does."""
    with harness.Bench(9, example=prepared) as bench:
        file = bench.folder / "calls"
        done = shimmed(bench, command, FAIL_COUNT=str(file))
        assert done.status == 0, done
        stops = query(bench.folder, "SELECT mono_ns FROM event WHERE run_id = ? AND kind = 'stop' ORDER BY mono_ns", newest_run(bench.folder))
        return {kind: int(n) for kind, n in (line.split() for line in file.read_text().splitlines())}, [ns * 1e-9 for ns, in stops]


def asked_at(prepared, command, number, case):
    """case: what FAIL_CALL orders, after @ from which bench time on; ! at its end: everything may be done by then."""
    call, _, since = case.strip("!").partition("@")
    with harness.Bench(9, example=prepared) as bench:
        before = newest_run(bench.folder)
        result = shimmed(bench, command, FAIL_CALL=call, FAIL_FROM=since or "0", FAIL_DO=f"signal:{number}")
        run = newest_run(bench.folder)
        if run == before:  # before there was a run
            assert result.status == -number or result.status in (1, 128 + number), result
            return "before"
        ends = query(bench.folder, f"SELECT outcome, cause FROM run_end WHERE run_id = {run}")
        assert len(ends) == 1, f"run {run} has no end; {result}"
        # who ends a probe early has what was seen so far. A signal that comes when the end is in the logbook ends what is left, the
        # drawing of a table
        stopped = (*ends[0], result.status) == (("done", "operator", 0) if command == "probe" else ("stopped", "operator", 1))
        assert stopped or (case.endswith("!") and ends[0] in (("done", ""), ("done", "none")) and result.status in (0, -number)), f"{ends}: {result}"
        if command == "sweep" and stopped and case.startswith("read"):  # on and on, under load
            assert "still stopping, in order" in " ".join(result.err.split()), result
        rows = judge.await_rest(bench.folder)
        assert not judge.let_go(judge.last_stop(rows)), judge.let_go(judge.last_stop(rows))
        judge.book_is_whole(bench.folder)
        after = bench.run("sweep", PLAN) if command in ("sweep", "probe") else None
        assert after is None or after.status == 0, f"the next command: {after}"
        return "stopped" if stopped else "done"


def test(prepared, command, number, cases):
    def run():
        outcomes = {}
        for case in cases:
            try:
                outcome = asked_at(prepared, command, number, case)
            except AssertionError as failed:
                raise AssertionError(f"signal {number} at {case} of {command}: {failed}") from None
            outcomes[outcome] = outcomes.get(outcome, 0) + 1
        print(f"# {command}, signal {number}: {outcomes}", flush=True)
        assert outcomes.get("stopped", 0) > len(cases) // (4 if command == "probe" else 3), f"few of them stopped anything: {outcomes}"
    run.__name__ = f"signal {number} in {command}, at {len(cases)} moments"
    return run


def moments(calls, stops, every):
    steps, reads = calls["step"], calls["read"]

    def step(n):  # rows of samples are written behind the loop, up to two seconds of them
        return f"step:{n}{'!' * (n > steps - 300)}"
    if every:
        return [step(n) for n in range(1, min(steps, 400) + 1)] + [f"read:{n}-" for n in range(1, reads, 20)]
    # about the run's beginning, in its first loops, while another stop goes on, under load, and while its end is written
    return ([step(n) for n in range(129, 300, 38)] + [f"read:1@{stop_s + after_s}" for stop_s in stops for after_s in (0, 0.1)] +
            [f"read:{reads * part // 4}-" for part in (1, 2, 3)] + [f"step:{steps - n}-!" for n in (1, 4, 9)])


with tempfile.TemporaryDirectory(prefix="bridle-") as home:
    folder = prepare(pathlib.Path(home))
    every = "--all" in sys.argv[1:]
    harness.main(*[test(folder, command, number, moments(*clean(folder, command), every)[::1 if every else nth])
                   for command, number, nth in (("sweep", SIGINT, 1), ("ready", SIGTERM, 1), ("map", SIGINT, 2), ("probe", SIGTERM, 1),
                                                ("hang", SIGHUP, 2))])
