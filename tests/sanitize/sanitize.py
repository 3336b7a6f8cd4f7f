#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""The suite under what finds undefined behaviour, in a tree beside the ordinary one: BUILD/sanitize/KIND.

    sanitize.py address BUILD         # AddressSanitizer and UBSan: the suites unit, fuzz, published, bench and faults
    sanitize.py thread BUILD          # ThreadSanitizer: every program that can have a second thread, bridle's threads one by one
    sanitize.py thread BUILD --all    # ... and each other test that runs bridle, on demand: an hour and more
    sanitize.py memcheck BUILD        # valgrind over the ordinary programs: a job from calibration to report

Before anything else each tool has to find what planted.c hides. A process in which one speaks ends with status 99, which no
test takes for an answer of the program's; of AddressSanitizer and ThreadSanitizer the report is a file as well, whatever pipe
the process has."""
import json
import os
import pathlib
import shutil
import subprocess
import sys
import tempfile

TOP = pathlib.Path(__file__).resolve().parents[2]
sys.path[:0] = [str(TOP / "tests/bench"), str(TOP / "tests/faults")]
import harness  # noqa: E402
import short_sweep  # noqa: E402

SUITES = {"unit", "fuzz", "published", "bench", "faults"}  # the others repeat a command for a statistic, or run no code of the program's
# Judged by the machine's time, which a sanitizer stretches; bench/warden runs the same process.
TIMED = {"kill", "warden_process"}
# What takes its time in a browser or in Python: the same commands run in the other tests.
BESIDE = {"look", "cross-check"}
# ThreadSanitizer slows a tick 25 times. Of the tests that run the program the suite has one for each use of a thread: the logbook's
# writer, an instrument's line, the page's reader, the broker, beside a second process and a slow disk.
THREADS = {"how-to-calibrate", "how-to-publish", "indicator_bench", "gpio_lines", "two_lines", "text_drive_bench", "settable_supply",
           "warden_bench", "endure", "told"}
STARTS = ("pthread_create", "thrd_create")
OPTIONS = {
    "ASAN_OPTIONS": "detect_stack_use_after_return=1:detect_leaks=1:verify_asan_link_order=0:exitcode=99",
    "UBSAN_OPTIONS": "halt_on_error=1:print_stacktrace=1:exitcode=99",
    "TSAN_OPTIONS": "halt_on_error=1:second_deadlock_stack=1:exitcode=99",
    "LSAN_OPTIONS": "print_suppressions=0",
}
VALGRIND = ["valgrind", "--quiet", "--error-exitcode=99", "--leak-check=full",
            "--show-leak-kinds=definite", "--errors-for-leak-kinds=definite"]
# What planted.c hides and the words by which each tool names it.
PLANTED = {
    "address": {"beyond": "heap-buffer-overflow", "lost": "LeakSanitizer", "overflow": "signed integer overflow"},
    "thread": {"race": "data race"},
    "memcheck": {"beyond": "Invalid read", "lost": "definitely lost", "unset": "uninitialised"},
}


def must(command, **kwargs):
    done = subprocess.run([str(word) for word in command], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, errors="replace",
                          check=False, **kwargs)
    assert done.returncode == 0, f"{' '.join(map(str, command))[:200]}: status {done.returncode}\n{done.stdout[-6000:]}"
    return done.stdout


class Tree:
    def __init__(self, kind, build):
        self.kind = kind
        self.folder = build if kind == "memcheck" else build / "sanitize" / kind
        self.env = {**os.environ, **OPTIONS}
        self.env.pop("MALLOC_PERTURB_", None)
        self.env.pop("LD_PRELOAD", None)

    def set_up(self):
        if not (self.folder / "build.ninja").exists():
            sanitize = {"address": "address,undefined", "thread": "thread"}[self.kind]
            must(["meson", "setup", f"-Db_sanitize={sanitize}", "-Db_lundef=false", "-Doptimization=1", "-Ddebug=false",
                  "-Dwarning_level=0", "-Dc_args=-g1 -w -fno-sanitize-recover=all", self.folder, TOP], env=self.env)
        must(["ninja", "-C", self.folder, "build.ninja"], env=self.env)  # configured anew where the sources' list has changed

    def tests(self):
        """{name: test} of meson's own list."""
        return {t["name"]: t for t in json.loads((self.folder / "meson-info/intro-tests.json").read_text())}

    def has_threads(self, test, every):
        """A test program that imports nothing to start a thread with has none but its own; scripts run bridle, which has."""
        program = pathlib.Path(test["cmd"][0])
        if not program.is_relative_to(self.folder):
            return every or test["name"] in THREADS
        imports = must(["nm", "--dynamic", "--undefined-only", program])
        return any(line.split()[-1].partition("@")[0] in STARTS for line in imports.splitlines())

    def chosen(self, every):
        def wanted(name, test):
            suites = {suite.split(":")[-1] for suite in test["suite"]}
            return SUITES & suites and "style" not in suites and name not in TIMED | BESIDE

        tests = [t for name, t in self.tests().items() if wanted(name, t)]
        return [t for t in tests if self.kind != "thread" or self.has_threads(t, every)]

    def build(self):
        must(["ninja", "-C", self.folder], env=self.env)

    def run_tests(self, names):
        """What fails beside other work and without a report has to pass alone."""
        with tempfile.TemporaryDirectory(prefix="bridle-sanitize-") as home:
            env = {**self.env, **{key: f"{value}:log_path={home}/report" for key, value in OPTIONS.items()}}
            for again in (False, True):
                (self.folder / "meson-logs/testlog.json").unlink(missing_ok=True)  # of a run before
                done = subprocess.run(["meson", "test", "-C", str(self.folder), "--no-rebuild", "-t", "10", "--print-errorlogs",
                                       *(["--num-processes", "1"] if again else []), *names], capture_output=True, text=True,
                                      errors="replace", env=env, check=False)
                reports = [path.read_text(errors="replace")[-6000:] for path in sorted(pathlib.Path(home).iterdir())]
                assert not reports, f"{len(reports)} reports, the first:\n{reports[0]}"
                log = (self.folder / "meson-logs/testlog.json").read_text()
                ended = {e["name"].split(" / ")[-1]: e["result"] for e in map(json.loads, log.splitlines())}
                assert set(names) <= set(ended), f"not run: {sorted(set(names) - set(ended))}\n{done.stdout[-3000:]}"
                skipped = [name for name, result in ended.items() if result == "SKIP"]
                print(f"# skipped: {' '.join(skipped) or 'none'}", flush=True)
                names = [name for name, result in ended.items() if result not in ("OK", "SKIP")]
                if not names:
                    return
                print(f"# failed {'alone' if again else 'beside other work'}: {' '.join(names)}", flush=True)
            raise AssertionError(f"{names}\n{done.stdout[-6000:]}")

    def planted(self):
        tool = VALGRIND if self.kind == "memcheck" else []
        for defect, word in PLANTED[self.kind].items():
            done = subprocess.run([*tool, self.folder / "tests/sanitize/planted", defect], capture_output=True, text=True, env=self.env,
                                  check=False)
            assert done.returncode == 99 and word in done.stderr, f"{defect} was not found: status {done.returncode}\n{done.stderr[-2000:]}"


def job(folder, build, env):
    """Calibration, map, readiness, sweep and report on the virtual bench, draws on two threads, under valgrind."""
    program = build / "rig/command/bridle"
    shutil.copytree(TOP / "docs/examples/heron-lock", folder)
    (folder / "plans/short.ini").write_text(short_sweep.PLAN_TEXT.format(torque="6", down="no", drive="speed"))
    model = folder / "model.ini"
    model.write_text("[inputs]\nm = 5 kg ± 250 mg\nL = 250 mm ± 0.2 mm\n[outputs]\nT (N.m) = m * 9.81 * L\n", encoding="utf-8")
    bench = subprocess.Popen([program, "bench", "--bench", folder], stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL,
                             stderr=subprocess.DEVNULL, env=env)
    try:
        for words in (["hang", "--hands", "--series", "2"], ["map", "--actuator", "paddle-winder", "--currents", "7"],
                      ["ready", "short", "--hands", "--answers", "yes"], ["sweep", "short"], ["report"],
                      ["calc", "montecarlo", model, "--trials", "20000", "--threads", "2"]):
            must([*VALGRIND, program, *words, "--bench", folder], env=env, stdin=subprocess.DEVNULL)
    finally:
        bench.terminate()
        bench.wait(60)


def main():
    kind, build = sys.argv[1], pathlib.Path(sys.argv[2]).resolve()
    tree = Tree(kind, build)

    def builds():
        tree.set_up()
        tree.build()

    def planted_defects_are_found():
        tree.planted()

    def the_suite_without_a_report():
        names = [t["name"] for t in tree.chosen("--all" in sys.argv[3:])]
        print(f"# {len(names)} tests", flush=True)
        tree.run_tests(names)

    def a_whole_job_on_the_bench():
        with tempfile.TemporaryDirectory(prefix="bridle-sanitize-") as home:
            job(pathlib.Path(home) / "bench", build, tree.env)

    harness.main(*([builds, planted_defects_are_found, the_suite_without_a_report] if kind != "memcheck"
                   else [planted_defects_are_found, a_whole_job_on_the_bench]))


if __name__ == "__main__":
    main()
