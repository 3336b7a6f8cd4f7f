#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""The n-th read, write, allocation, SQLite step, ... of a whole sweep fails (failcall.c). After each: the program ended in order
with a status and a sentence, or went rightly on; the shaft was brought down; the logbook is whole; what was announced is kept.

    nth_call.py                    a sample, seeded (CI)
    nth_call.py --every 50 [KIND]  each 50th call of each kind; --every 1: all, some twenty hours
    nth_call.py --case KIND:N[-]   one; a dash: that call and all after it"""
import argparse
import os
import pathlib
import random
import re
import tempfile

import judge
from short_sweep import PLAN, harness, newest_run, prepare

SHIM = os.environ.get("FAILCALL", str(harness.ROOT / "build" / "tests" / "faults" / "libfailcall.so"))
assert pathlib.Path(SHIM).exists(), f"no {SHIM}: ninja -C build makes it"
SANITIZED = os.environ.get("SANITIZED", "none") != "none"  # which brings its own allocator
KINDS = ["read", "write", "disk-read", "disk-write", "sync", *([] if SANITIZED else ["memory"]), "clock", "open", "step"]
# how many of the sample fail once, how many from there on
SAMPLE = {"read": (3, 0), "write": (3, 1), "disk-read": (2, 1), "disk-write": (3, 2), "sync": (3, 1), "memory": (7, 1),
          "clock": (2, 1), "open": (3, 1), "step": (4, 2)}


def sweep(bench, **shim):
    env = {"LD_PRELOAD": SHIM, "ASAN_OPTIONS": "verify_asan_link_order=0", **shim}
    return bench.run("sweep", PLAN, env=env, timeout=120)


def counts(prepared):
    with harness.Bench(9, example=prepared) as bench:
        file = bench.folder / "calls"
        done = sweep(bench, FAIL_COUNT=str(file))
        assert done.status == 0, done
        return {kind: int(n) for kind, n in (line.split() for line in file.read_text().splitlines())}


def sentence(result):
    """What the program said at its end, in one line."""
    said = re.sub(r"\s+", " ", result.err + result.out)
    return said[said.rfind("bridle: "):] if "bridle: " in said else ""


def one_call(prepared, case):
    with harness.Bench(9, example=prepared) as bench:
        before = newest_run(bench.folder)
        result = sweep(bench, FAIL_CALL=case)
        assert 0 <= result.status <= 3, f"ended by a signal or unknown status: {result}"
        for bad in ("nan", "(null)", "terminate called", "Assertion", "Sanitizer"):
            assert bad not in result.err + result.out, f"\"{bad}\": {result}"
        if result.status:
            assert len(sentence(result)) > len("bridle: ") + 10, f"no sentence: {result}"
        rows = judge.await_rest(bench.folder)
        assert result.status == 0 or not judge.let_go(judge.last_stop(rows)), judge.let_go(judge.last_stop(rows))
        judge.told_is_kept(bench.folder, result.err, before)
        judge.book_is_whole(bench.folder)
        return result


def sample(count, seed):
    """Even over the logarithm: beginnings are where calls differ most."""
    chance, cases = random.Random(seed), []
    for kind in KINDS:
        for mark, n in zip(("", "-"), SAMPLE[kind]):
            cases += [f"{kind}:{round(count[kind] ** chance.random())}{mark}" for _ in range(n)]
    return list(dict.fromkeys(cases))


def test(prepared, case):
    def run():
        try:
            one_call(prepared, case)
        except AssertionError as failed:
            raise AssertionError(f"{failed}\nagain: tests/faults/nth_call.py --case {case}") from None
    run.__name__ = f"{case} fails"
    return run


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--every", type=int)
    parser.add_argument("--case")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("kinds", nargs="*", default=KINDS)
    o = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="bridle-") as home:
        prepared = prepare(pathlib.Path(home))
        if o.case:
            print(one_call(prepared, o.case))
            return
        count = counts(prepared)
        print("# calls: " + ", ".join(f"{kind} {n}" for kind, n in count.items()), flush=True)
        assert all(count[kind] > 0 for kind in KINDS), "a kind is never called: the shim does not reach it"
        cases = sample(count, o.seed)
        if o.every:
            cases = [f"{kind}:{n}" for kind in o.kinds for n in range(1, count[kind] + 1, o.every)]
        harness.main(*[test(prepared, case) for case in cases])


main()
