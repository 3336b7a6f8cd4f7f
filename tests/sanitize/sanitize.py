#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""The tests under what finds undefined behaviour, in a tree beside the ordinary one: BUILD/sanitize/KIND.

    sanitize.py address BUILD         # AddressSanitizer and UBSan: unit and fuzz tests of what reads or acts, one job on the bench
    sanitize.py thread BUILD          # ThreadSanitizer: what has threads or a second process, one job on the bench
    sanitize.py memcheck BUILD        # valgrind over the ordinary programs: the same job
    sanitize.py address BUILD --all   # the whole suite in that tree, on demand (thread the same; allow an hour)

Before anything else each tool has to find what planted.c hides."""
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

# Unit tests that stay for --all: they compute, and the job below computes the same; a table of very many rows and
# very many quantities (replay_csv and replay_quantity read the rest).
LATER = ("calib/**/test_*.c", "calc/test_*.c", "reports/**/test_*.c", "bench/test_stated.c", "profile/test_csv.c")
# Without kill and warden_process: they are judged by machine time, and what two processes share ThreadSanitizer does not see.
THREADED = {"ring", "aside", "box", "warden", "warden_account", "scpi_supply", "text_drive", "gpio", "control", "link", "cli", "modbus_meter"}
# Left out of --all: judged by the machine's time, which a sanitizer stretches; bench/warden runs the same process there.
TIMED = {"kill", "warden_process"}
OPTIONS = {
    "ASAN_OPTIONS": "detect_stack_use_after_return=1:detect_leaks=1:verify_asan_link_order=0",
    "UBSAN_OPTIONS": "halt_on_error=1:print_stacktrace=1",
    "TSAN_OPTIONS": "halt_on_error=1:second_deadlock_stack=1",
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

    def chosen(self):
        tests = {name: t for name, t in self.tests().items() if t["cmd"][0].startswith(str(self.folder))}  # programs of this tree
        if self.kind == "thread":
            return [t for name, t in tests.items() if name in THREADED]
        later = {"fuzz_quantity"} | {path.stem.removeprefix("test_") for files in LATER for path in (TOP / "tests/unit").glob(files)}
        return [t for name, t in tests.items() if {"unit", "fuzz"} & {s.split(":")[-1] for s in t["suite"]} and name not in later]

    def build(self, tests):
        programs = {t["cmd"][0] for t in tests} | {str(self.folder / "rig/command" / p) for p in ("bridle", "bridle-abroad", "bridle-warden")}
        programs |= {str(self.folder / "tests/sanitize/planted")}
        targets = [os.path.relpath(p, self.folder) for p in sorted(programs) if p.startswith(str(self.folder))]
        must(["ninja", "-C", self.folder, *targets], env=self.env)

    def run_tests(self, names):
        must(["meson", "test", "-C", self.folder, "--no-rebuild", "-t", "6", "--print-errorlogs", *names], env=self.env)

    def planted(self):
        tool = VALGRIND if self.kind == "memcheck" else []
        for defect, word in PLANTED[self.kind].items():
            done = subprocess.run([*tool, self.folder / "tests/sanitize/planted", defect], capture_output=True, text=True, env=self.env,
                                  check=False)
            assert done.returncode != 0 and word in done.stderr, f"{defect} was not found: status {done.returncode}\n{done.stderr[-2000:]}"


def job(tree, folder):
    """Calibration, map, readiness, sweep and report on the virtual bench, draws on two threads; a word of a tool in any output fails."""
    program = tree.folder / "rig/command/bridle"
    wrapped = [*VALGRIND, program] if tree.kind == "memcheck" else [program]
    shutil.copytree(TOP / "docs/examples/heron-lock", folder)
    (folder / "plans/short.ini").write_text(short_sweep.PLAN_TEXT.format(torque="6", down="no", drive="speed"))
    model = folder / "model.ini"
    model.write_text("[inputs]\nm = 5 kg ± 250 mg\nL = 250 mm ± 0.2 mm\n[outputs]\nT (N.m) = m * 9.81 * L\n", encoding="utf-8")
    log = open(folder / "bench.log", "wb")
    bench = subprocess.Popen([program, "bench", "--bench", folder], stdin=subprocess.DEVNULL, stdout=log, stderr=log, env=tree.env)
    try:
        for words in (["hang", "--hands", "--series", "2"], ["map", "--actuator", "paddle-winder", "--currents", "7"],
                      ["ready", "short", "--hands", "--answers", "yes"], ["sweep", "short"], ["report"],
                      ["calc", "montecarlo", model, "--trials", "20000", "--threads", "2"]):
            text = must([*wrapped, *words, "--bench", folder], env=tree.env, stdin=subprocess.DEVNULL)
            assert "Sanitizer" not in text and "==ERROR" not in text, text[-4000:]
    finally:
        bench.terminate()
        status = bench.wait(60)
        log.close()
    text = (folder / "bench.log").read_text(errors="replace")
    assert status == 0 and "Sanitizer" not in text and "runtime error" not in text, f"bench: status {status}\n{text[-4000:]}"


def main():
    kind, build = sys.argv[1], pathlib.Path(sys.argv[2]).resolve()
    tree = Tree(kind, build)
    if "--all" in sys.argv[3:]:
        tree.set_up()
        must(["ninja", "-C", tree.folder], env=tree.env)
        names = [name for name, t in tree.tests().items()
                 if name not in TIMED and not {"sanitize", "style"} & {s.split(":")[-1] for s in t["suite"]}]
        raise SystemExit(subprocess.run(["meson", "test", "-C", tree.folder, "--no-rebuild", "-t", "20", "--print-errorlogs", *names],
                                        env=tree.env, check=False).returncode)

    def builds():
        if kind != "memcheck":
            tree.set_up()
            tree.build(tree.chosen())

    def planted_defects_are_found():
        tree.planted()

    def tests_pass():
        tree.run_tests([t["name"] for t in tree.chosen()])

    def a_whole_job_on_the_bench():
        with tempfile.TemporaryDirectory(prefix="bridle-sanitize-") as home:
            job(tree, pathlib.Path(home) / "bench")

    tests = [builds, planted_defects_are_found, tests_pass, a_whole_job_on_the_bench]
    harness.main(*(tests if kind != "memcheck" else [tests[1], tests[3]]))


if __name__ == "__main__":
    main()
