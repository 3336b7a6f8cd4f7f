#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""The fault campaign: a seeded case is a rig (light or heavy rotor, powder or hysteresis brake; a drive and a supply, or a weight indicator,
with lines of their own), a moment of a short sweep (zero, no load, loaded, falling, or a stop that has just begun) and one or two faults
(fault_table.py). After each, judged from the bench's own truth and from the disk: the shaft was brought down in the right order and in
time, no limit was passed by more than its margin, the cause is one of those that are right, what a person was told of the shaft is true,
the logbook is whole, and every point that was announced is in it.

    campaign.py --cases 500 [--first SEED] [--jobs 2]    seeds FIRST, FIRST + 1, ...; TAP, fifty cases to a test
    campaign.py --cases 10000 --log FILE                 one line of JSON a case; seeds that FILE has are not run again. Ctrl-C ends it
                                                         after the cases under way
    campaign.py --case SEED                              one, with all that was seen"""
import argparse
import collections
import concurrent.futures
import ctypes
import hashlib
import json
import multiprocessing
import os
import pathlib
import random
import resource
import signal
import sys
import tempfile
import time
import traceback

import fault_table
import judge
import rigs
from short_sweep import PLAN, harness, newest_run, query

BLOCK = 50
HELD_S = 15  # a stop that is not safe holds the brake for ten minutes: so long beyond a whole sweep somebody mends it, but for one case of 32
MEMORY = pathlib.Path("/dev/shm")  # a folder there waits for no disk; what a disk does comes from the shim


class Case:
    """Everything about a case, from its seed alone."""

    def __init__(self, seed):
        chance = random.Random(seed)
        self.seed = seed
        self.rig = rigs.of_seed(chance, seed)
        self.phase = chance.choice(rigs.PHASES)
        self.place = chance.random()
        double = self.phase == "stop" or chance.random() < 0.5
        self.faults = [fault_table.draw(chance, self.rig, stops=self.phase == "stop")]
        if double:
            self.faults.append(fault_table.draw(chance, self.rig, bench_only=self.faults[0].is_of_the_program, but=self.faults[0].word))
        self.is_mended = seed % 32 != 0
        self.gap_s = chance.choice([0, chance.uniform(0, 0.15), chance.uniform(0, 0.6)]) if double else 0

    def times(self, rig):
        low, high = rig.window[self.phase]
        first = round(low + (high - low) * self.place, 3)
        return [first, round(first + self.gap_s, 3)][:len(self.faults)]

    def __str__(self):
        return f"{self.rig}, {self.phase}: " + "; then ".join(fault.text for fault in self.faults)


class Seen:
    """What there is to judge."""

    def __init__(self, case, rig, bench, result, before):
        self.case, self.times, self.folder = case, case.times(rig), bench.folder
        self.faults, self.result, self.before, self.rattled = case.faults, result, before, None
        calls = bench.folder / "calls"  # not there where the program was killed
        self.came = "came 0" not in calls.read_text() if calls.exists() else True
        self.text = " ".join((result.err + " " + result.out).split())
        self.rows = judge.rest_of(bench.folder, patient=result.status < 0, welded=judge.has(self, "no cut"))
        self.run = newest_run(bench.folder)
        ends = query(bench.folder, "SELECT outcome, cause FROM run_end WHERE run_id = ?", self.run) if self.run > before else []
        self.outcome, self.cause = ends[0] if ends else (None, None)
        shaft = query(bench.folder, "SELECT mono_ns * 1e-9, text FROM event WHERE run_id = ? AND kind = 'shaft'", self.run)
        self.told_at_s, self.told = shaft[-1] if shaft and self.run > before else (None, "")
        stop = query(bench.folder, "SELECT mono_ns * 1e-9 FROM event WHERE run_id = ? AND kind = 'stop'", self.run)
        self.stop_s = stop[0][0] if stop and self.run > before else None


def sweep(case, rig):
    """Run it; a Seen."""
    acts = [f"{t} fault {fault.act}" for t, fault in zip(case.times(rig), case.faults) if fault.act]
    if case.is_mended:
        acts.append(f"{rig.end_s + HELD_S:.3f} mend")
    options = ("--at", "; ".join(acts)) if acts else ()
    env = {"LD_PRELOAD": rigs.SHIM, "ASAN_OPTIONS": "verify_asan_link_order=0"}
    for t, fault in zip(case.times(rig), case.faults):
        env.update(fault.environment(rig, t))
    with harness.Bench(rigs.SEED, example=rig.folder, options=(*rigs.COARSE, *options)) as bench:
        before = newest_run(bench.folder)
        env["FAIL_COUNT"] = str(bench.folder / "calls")
        with fault_table.around(case.faults, bench.folder):
            result = bench.run("sweep", PLAN, env=env, timeout=300)
        seen = Seen(case, rig, bench, result, before)
        return seen, judge.verdicts(seen)


def one(made, seed):
    """A case, what was seen, and what is wrong: a list of sentences."""
    case = Case(seed)
    try:
        return case, *sweep(case, made[case.rig])
    except Exception:
        return case, None, ["the test itself: " + traceback.format_exc()]


def processor_s():
    """Of this process and of the programs that it ran."""
    return sum(t.ru_utime + t.ru_stime for t in map(resource.getrusage, (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)))


def record(made, seed):
    """A case as it goes into the log and the tally."""
    begin, before = time.monotonic(), processor_s()
    case, seen, wrong = one(made, seed)
    single = case.faults[0].word if seen and len(case.faults) == 1 else None
    return {"seed": seed, "case": str(case), "wrong": wrong, "single": single, "rattled": bool(seen and seen.rattled),
            "cause": seen and (seen.cause or ("done" if seen.result.status == 0 else "refused or killed")),
            "wall_s": round(time.monotonic() - begin, 2), "processor_s": round(processor_s() - before, 3)}


def be_a_worker(places):
    """On one processor: program and bench wait for each other, and a wake-up elsewhere costs more than both. Ctrl-C is the parent's, and
    with a parent that was killed it ends, as orderly as it can."""
    os.setsid()
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(1))
    ctypes.CDLL(None).prctl(1, signal.SIGTERM)  # PR_SET_PDEATHSIG
    os.sched_setaffinity(0, {places.get()})


class Log:
    """What was judged before and is judged now."""

    def __init__(self, path):
        self.path, self.done = path, []
        if path and path.exists():
            lines = path.read_text(encoding="utf-8").split("\n")  # the last is empty, or was cut off with whoever wrote it
            self.done = [json.loads(line) for line in lines[:-1]]
            path.write_text("".join(line + "\n" for line in lines[:-1]), encoding="utf-8")

    def add(self, entry):
        self.done.append(entry)
        if self.path:
            with open(self.path, "a", encoding="utf-8") as file:
                file.write(json.dumps(entry) + "\n")


def identity():
    """Of the program and of what judges it: results of several are not one result."""
    files = [pathlib.Path(harness.BRIDLE), *sorted(pathlib.Path(__file__).parent.glob("*.py")), pathlib.Path(rigs.SHIM)]
    return hashlib.sha256(b"".join(file.read_bytes() for file in files)).hexdigest()[:12]


def tell(entry):
    for sentence in entry["wrong"]:
        for stream in (sys.stdout, sys.stderr):  # the second is what the log of a whole run shows
            print(f"# case {entry['seed']} ({entry['case']}): {sentence}\n# again: tests/faults/campaign.py --case {entry['seed']}", file=stream, flush=True)


def tell_progress(done, of, begin_s, wrong):
    took_s = time.monotonic() - begin_s
    print(f"# {done} of {of} cases, {wrong} with something wrong, {took_s / 60:.0f} min, {took_s / done * (of - done) / 60:.0f} min left", file=sys.stderr, flush=True)


def run_all(made, seeds, jobs, log):
    """True when nothing is wrong and all of it was run."""
    stopped, begin_s, wrong, who = [], time.monotonic(), 0, identity()
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: stopped.append(True))
    places, fork = multiprocessing.SimpleQueue(), multiprocessing.get_context("fork")
    processors = sorted(os.sched_getaffinity(0))
    for i in range(jobs):
        places.put(processors[i % len(processors)])
    print(f"1..{-(-len(seeds) // BLOCK)}", flush=True)
    with concurrent.futures.ProcessPoolExecutor(jobs, mp_context=fork, initializer=be_a_worker, initargs=(places,)) as pool:
        waiting, block, done = collections.deque(), [], 0
        rest = iter(seeds)
        while True:
            while not stopped and len(waiting) < 2 * jobs and (seed := next(rest, None)) is not None:
                waiting.append(pool.submit(record, made, seed))
            if not waiting:
                break
            entry = {**waiting.popleft().result(), "program": who}
            log.add(entry)
            tell(entry)
            block.append(entry)
            done, wrong = done + 1, wrong + bool(entry["wrong"])
            if len(block) == BLOCK or done == len(seeds):
                good = not any(e["wrong"] for e in block)
                print(f"{'ok' if good else 'not ok'} {-(-done // BLOCK)} - seeds {block[0]['seed']} to {block[-1]['seed']}", flush=True)
                tell_progress(done, len(seeds), begin_s, wrong)
                block = []
    return not wrong and done == len(seeds)


def tell_all(entries, causes):
    kinds = collections.Counter(sentence.split(":")[0] for e in entries for sentence in e["wrong"])
    rattled = sum(e["rattled"] and not e["wrong"] for e in entries)
    programs = {e["program"] for e in entries}
    print(f"# {len(entries)} cases in {sum(e['wall_s'] for e in entries):.0f} s of wall one after another and {sum(e['processor_s'] for e in entries):.0f} s of "
          f"processor, {sum(bool(e['wrong']) for e in entries)} with something wrong: {dict(kinds)}, {rattled} with a torque to and fro that the cell "
          f"cannot see" + (f"; of {len(programs)} states of program and judge" if len(programs) > 1 else ""), flush=True)
    singles = collections.Counter((e["single"], e["cause"]) for e in entries if e["single"])
    for (word, cause), n in sorted(singles.items()) if causes else ():
        print(f"# {word}: {cause} {n}")


def tell_one(made, seed):
    case, seen, wrong = one(made, seed)
    rig = made[case.rig]
    print(case, "at", case.times(rig), "s", [fault.environment(rig, t) for t, fault in zip(case.times(rig), case.faults)], rig.window)
    if seen:
        print(seen.result, "\ncause", seen.cause, "told", seen.told_at_s, seen.told, "\nlast row", seen.rows[-1:] if seen.rows else None)
    print("\n".join(wrong) or "nothing wrong")
    return not wrong


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--cases", type=int, default=500)
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--case", type=int)
    parser.add_argument("--log", type=pathlib.Path)
    parser.add_argument("--causes", action="store_true", help="what each single fault was called, counted")
    parser.add_argument("--only", metavar="WORD", help="of the seeds those whose faults or phase are called so")
    o = parser.parse_args()
    log = Log(o.log)
    known = {entry["seed"] for entry in log.done}
    seeds = [o.case] if o.case is not None else [seed for seed in range(o.first, o.first + o.cases) if seed not in known]
    if o.only:
        seeds = [seed for seed in seeds if o.only in [Case(seed).phase, *(fault.word for fault in Case(seed).faults)]]
    if os.access(MEMORY, os.W_OK):
        tempfile.tempdir = str(MEMORY)
    with tempfile.TemporaryDirectory(prefix="bridle-") as home:
        made = rigs.make(pathlib.Path(home), sorted({Case(seed).rig for seed in seeds}), o.jobs)
        good = tell_one(made, o.case) if o.case is not None else run_all(made, seeds, o.jobs, log)
    if o.case is None:
        tell_all(log.done, o.causes)
    raise SystemExit(0 if good else 1)


if __name__ == "__main__":
    main()
