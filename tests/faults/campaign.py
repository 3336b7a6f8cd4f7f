#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""The fault campaign: a seeded case is a rig (light or heavy rotor, powder or hysteresis brake; a drive and a supply, or a weight indicator, with lines of their own), a moment of a short sweep
(zero, no load, loaded, falling, or a stop that has just begun) and one or two faults (fault_table.py). After each, judged from the
bench's own truth and from the disk: the shaft was brought down in the right order and in time, no limit was passed by more than
its margin, the cause is one of those that are right, what a person was told of the shaft is true, the logbook is whole, and every
point that was announced is in it.

    campaign.py --cases 500 [--first SEED] [--jobs 2]    seeds FIRST, FIRST + 1, ...; TAP, fifty cases to a test
    campaign.py --case SEED                              one, with all that was seen"""
import argparse
import concurrent.futures
import os
import pathlib
import random
import resource
import shutil
import sys
import tempfile
import time
import traceback

import fault_table
import judge
from short_sweep import PLAN, harness, newest_run, prepare, query

sys.path.insert(0, str(harness.ROOT / "tests" / "bench"))
import kinds  # noqa: E402
import indicator  # noqa: E402
import settable_supply  # noqa: E402
import text_drive  # noqa: E402

SHIM = os.environ.get("FAILCALL", str(harness.ROOT / "build" / "tests" / "faults" / "libfailcall.so"))
assert pathlib.Path(SHIM).exists(), f"no {SHIM}: ninja -C build makes it"
PHASES = ["zero", "no load", "loaded", "falling", "stop"]
RIGS = {"light powder": ("0.02", "powder"), "heavy powder": ("1.2", "powder"), "light hysteresis": ("0.02", "hysteresis"),
        "heavy hysteresis": ("1.2", "hysteresis")}
WEIGHTS = [3, 3, 1, 1]  # the zero of a hysteresis brake takes three times as long
# Instruments that have lines of their own: one case in eight a drive and a supply under the warden, one in sixteen a weight indicator for the cell.
OWN_LINES = {"light own lines": ("0.02", "own lines", 8, 5), "light gauge": ("0.02", "gauge", 16, 3)}
TORQUES = "6, 12"
SEED = 9  # of the bench: one, so that each phase of the sweep has its time
BLOCK = 50


def parts_of(name):
    """(inertia of the rotor in kg.m2, what is prepared for it) of a rig."""
    return OWN_LINES[name][:2] if name in OWN_LINES else RIGS[name]


class Rig:
    """A folder to copy, and when a sweep of it is where: bench times in s, calls of each kind in one sweep."""

    def __init__(self, home, name, brakes):
        inertia, brake = parts_of(name)
        self.folder = home / name.replace(" ", "-")
        shutil.copytree(brakes[brake], self.folder)
        kinds.set_key(self.folder / "virtual.ini", "brake", "inertia", f"{inertia} kg.m2")
        # or a heavy rotor that is slowed down lifts the bus beyond the supply's range, which is a cause of its own
        kinds.set_key(self.folder / "virtual.ini", "drive", "chopper", "52 V")
        with harness.Bench(SEED, example=self.folder) as bench:
            file = bench.folder / "calls"
            done = bench.run("sweep", PLAN, env={"LD_PRELOAD": SHIM, "FAIL_COUNT": str(file)})
            assert done.status == 0, (name, done)
            self.calls = {kind: int(n) for kind, n in (line.split() for line in file.read_text().splitlines())}
            run = newest_run(bench.folder)
            events = query(bench.folder, "SELECT mono_ns * 1e-9, kind, text FROM event WHERE run_id = ? ORDER BY mono_ns", run)
            self.end_s = judge.truth(bench.folder)[-1]["t_s"]
            zeros = query(bench.folder, "SELECT begin_ns * 1e-9, end_ns * 1e-9 FROM point WHERE run_id = ? AND flags & 8 ORDER BY end_ns", run)
        idle = [t for t, kind, text in events if kind == "node" and text.startswith("idle")]
        steps = [(t, text) for t, kind, text in events if kind == "step"]
        at = {way: [t for t, text in steps if way in text] for way in ("step 1 rising", "step 2 rising", "step 3 rising", "falling")}
        loops_end = next(t for t in idle if t > steps[-1][0])
        self.window = {"zero": (zeros[0][0] - 1, max(end for _, end in zeros if end < steps[0][0]) - 0.1),
                       "no load": (at["step 1 rising"][0] + 0.3, at["step 2 rising"][0]),
                       "loaded": (at["step 3 rising"][0] + 0.7, at["falling"][0]),
                       "falling": (at["falling"][0] + 0.1, loops_end - 0.2)}
        self.window["stop"] = (at["step 2 rising"][0] + 0.7, loops_end - 1)
        self.anchors = [self.when(round(self.calls["read"] * t / self.end_s))
                        for t in (sum(self.window["zero"]) / 2, *self.window["stop"])]

    def when(self, n):
        """(the n-th read, the bench time at which it comes): by a stop there."""
        with harness.Bench(SEED, example=self.folder) as bench:
            done = bench.run("sweep", PLAN, env={"LD_PRELOAD": SHIM, "FAIL_CALL": f"read:{n}", "FAIL_DO": "signal:15"})
            stop = query(bench.folder, "SELECT mono_ns * 1e-9 FROM event WHERE kind = 'stop' AND run_id = ?", newest_run(bench.folder))
            assert done.status == 1 and stop, (n, done)
            return n, stop[0][0]

    def read_at(self, t_s):
        """The read that comes at a bench time: within a loop there are as many in each tick."""
        (_, _), (n1, t1), (n2, t2) = self.anchors
        n, t = min(self.anchors, key=lambda anchor: abs(anchor[1] - t_s))
        return round(n + (t_s - t) * (n2 - n1) / (t2 - t1))


def even(folder):
    """A hysteresis brake without frozen poles, for which a zero waits for minutes."""
    kinds.BRAKES["hysteresis"](folder)
    kinds.set_key(folder / "virtual.ini", "brake", "cogging", "0")


def patient(folder):
    """Or the load of a heavy rotor stands at 94.9 % when its time is over, and heavier steps are left out."""
    kinds.set_key(folder / "plans" / f"{PLAN}.ini", "steady", "timeout", "1.5 s")


def own_lines(folder):
    text_drive.add(folder)
    settable_supply.add(folder)


def make_rigs(home, names, jobs):
    """Each brake is calibrated and mapped once, with the light rotor: its map does not know what it turns."""
    brakes = sorted({parts_of(name)[1] for name in names})
    edits = {"hysteresis": even, "powder": patient, "own lines": own_lines, "gauge": indicator.add}
    with concurrent.futures.ThreadPoolExecutor(jobs) as pool:
        made = dict(zip(brakes, pool.map(lambda brake: prepare(home, brake.replace(" ", "-"), torque=TORQUES, down="yes", edit=edits.get(brake)),
                                         brakes)))
        return dict(zip(names, pool.map(lambda name: Rig(home, name, made), names)))


class Case:
    """Everything about a case, from its seed alone."""

    def __init__(self, seed):
        chance = random.Random(seed)
        self.seed = seed
        self.rig = chance.choices(list(RIGS), WEIGHTS)[0]
        for name, (_, _, of, rest) in OWN_LINES.items():
            self.rig = name if seed % of == rest else self.rig
        self.phase = chance.choice(PHASES)
        self.place = chance.random()
        double = self.phase == "stop" or chance.random() < 0.5
        self.faults = [fault_table.draw(chance, self.rig, stops=self.phase == "stop")]
        if double:
            self.faults.append(fault_table.draw(chance, self.rig, bench_only=self.faults[0].is_of_the_program, but=self.faults[0].word))
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
        self.text = " ".join((result.err + " " + result.out).split())
        self.rows = judge.rest_of(bench.folder, patient=result.status < 0)
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
    acts += [f"{t + fault.mends_s:.3f} mend" for t, fault in zip(case.times(rig), case.faults) if fault.mends_s]
    options = ("--at", "; ".join(acts)) if acts else ()
    env = {"LD_PRELOAD": SHIM, "ASAN_OPTIONS": "verify_asan_link_order=0"}
    for t, fault in zip(case.times(rig), case.faults):
        env.update(fault.environment(rig, t))
    with harness.Bench(SEED, example=rig.folder, options=options) as bench:
        before = newest_run(bench.folder)
        with fault_table.around(case.faults, bench.folder):
            result = bench.run("sweep", PLAN, env=env, timeout=300)
        seen = Seen(case, rig, bench, result, before)
        return seen, judge.verdicts(seen)


def has_its_moment(seed):
    """A fault at the n-th read comes when it should only where a tick has always as many reads: a line of its own has more or fewer as
    the machine is busy. On a busy machine such a case came up to 7 s late, and the judge judged another phase."""
    case = Case(seed)
    return case.rig not in OWN_LINES or not any(getattr(fault.row, "kind", None) == "read" for fault in case.faults)


def one(rigs, seed):
    """What is wrong with a case: a list of sentences, and what was seen."""
    case = Case(seed)
    try:
        return case, *sweep(case, rigs[case.rig])
    except Exception:
        return case, None, ["the test itself: " + traceback.format_exc()]


def block(rigs, seeds, jobs, tally):
    with concurrent.futures.ThreadPoolExecutor(jobs) as pool:
        for case, seen, wrong in pool.map(lambda seed: one(rigs, seed), seeds):
            tally.note(case, seen, wrong)
            for sentence in wrong:
                for stream in (sys.stdout, sys.stderr):  # the second is what the log of a whole run shows
                    print(f"# case {case.seed} ({case}): {sentence}\n# again: tests/faults/campaign.py --case {case.seed}", file=stream, flush=True)
    return tally


class Tally:
    def __init__(self):
        self.cases, self.bad, self.words, self.causes, self.rattled = 0, 0, {}, {}, 0

    def note(self, case, seen, wrong):
        self.cases += 1
        self.bad += bool(wrong)
        self.rattled += bool(seen and seen.rattled and not wrong)
        for sentence in wrong:
            kind = sentence.split(":")[0]
            self.words[kind] = self.words.get(kind, 0) + 1
        if seen and len(case.faults) == 1:
            key = (case.faults[0].word, seen.cause or ("done" if seen.result.status == 0 else "refused or killed"))
            self.causes[key] = self.causes.get(key, 0) + 1


def processor_s():
    """Of the programs that were run."""
    spent = resource.getrusage(resource.RUSAGE_CHILDREN)
    return spent.ru_utime + spent.ru_stime


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--cases", type=int, default=500)
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--case", type=int)
    parser.add_argument("--causes", action="store_true", help="what each single fault was called, counted")
    parser.add_argument("--only", metavar="WORD", help="of the seeds those whose faults or phase are called so")
    o = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="bridle-") as home:
        seeds = [o.case] if o.case is not None else list(range(o.first, o.first + o.cases))
        if o.only:
            seeds = [seed for seed in seeds if o.only in [Case(seed).phase, *(fault.word for fault in Case(seed).faults)]]
        drawn = len(seeds)
        seeds = seeds if o.case is not None else [seed for seed in seeds if has_its_moment(seed)]
        rigs = make_rigs(pathlib.Path(home), sorted({Case(seed).rig for seed in seeds}), o.jobs)
        if o.case is not None:
            case, seen, wrong = one(rigs, o.case)
            print(case, "at", case.times(rigs[case.rig]), "s", [fault.environment(rigs[case.rig], t) for t, fault in zip(case.times(rigs[case.rig]), case.faults)], rigs[case.rig].anchors, rigs[case.rig].window)
            if seen:
                print(seen.result, "\ncause", seen.cause, "told", seen.told_at_s, seen.told, "\nlast row", seen.rows[-1:] if seen.rows else None)
            print("\n".join(wrong) or "nothing wrong")
            raise SystemExit(1 if wrong else 0)
        begin, tally, failed, before = time.monotonic(), Tally(), 0, processor_s()
        blocks = [seeds[i:i + BLOCK] for i in range(0, len(seeds), BLOCK)]
        print(f"1..{len(blocks)}", flush=True)
        for number, part in enumerate(blocks, 1):
            bad = tally.bad
            block(rigs, part, o.jobs, tally)
            good = tally.bad == bad
            failed += not good
            print(f"{'ok' if good else 'not ok'} {number} - seeds {part[0]} to {part[-1]}", flush=True)
        print(f"# {drawn - len(seeds)} of {drawn} seeds are left out: a fault at the n-th read, on lines of their own", flush=True)
        print(f"# {tally.cases} cases in {time.monotonic() - begin:.0f} s of wall and {processor_s() - before:.0f} s of processor, "
              f"{tally.bad} with something wrong: {tally.words}, {tally.rattled} with a torque to and fro that the cell cannot see", flush=True)
        for (word, cause), n in sorted(tally.causes.items()) if o.causes else ():
            print(f"# {word}: {cause} {n}")
        raise SystemExit(1 if failed else 0)


if __name__ == "__main__":
    main()
