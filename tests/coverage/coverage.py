#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Which lines and branches the tests reach, by gcov, in a tree of its own (BUILD/coverage); on demand:

    coverage.py BUILD [PLACE ...]     # unit, fuzz, fault and bench tests together; PLACE: a room or a file of one. Without: LISTED
    coverage.py BUILD ... --unit      # the unit and fuzz tests alone
    coverage.py BUILD ... --test NAME,NAME   # these tests on top of what an earlier run left
    coverage.py BUILD ... --read      # only read what the last run left
    coverage.py BUILD ... --branches  # and the branches that no test takes, of the lines that one reaches

Branches are gcc's edges at -O0: each outcome of each condition, and each case of a switch. One kind of edge has no source and is
left out: the way past a switch without "default" whose cases are all the names of an enum (-Wswitch-enum refuses one that is
missing). Code of a room's headers counts once, over all objects that hold it; what is in ELSEWHERE is left out.

Each place has to reach ENOUGH of its branches, and each line that no test reaches has its reason in uncovered.txt: a block begins
with the file, has one or more lines "- text of the line" and ends with the reason, indented. Exit 1: a place below ENOUGH, a line
without a reason, or a reason for a line that is reached or gone, unless the reason begins with "On some machines". With --unit
only the shares are told; of places that are not listed, the lines as well."""
import collections
import json
import os
import pathlib
import re
import subprocess
import sys

TOP = pathlib.Path(__file__).resolve().parents[2]
KNOWN = pathlib.Path(__file__).with_name("uncovered.txt")
ENOUGH = 95.0  # % of branches
LISTED = ("guard", "run", "link", "node", "profile", "channel", "instrument", "logbook/record.c", "logbook/accepted.c")
ELSEWHERE = {"rig/instrument/gpio_lines_v1.c": "lines of a real kernel: tests/kernel drives them in an emulated machine",
             "rig/instrument/gpio_lines_v2.c": "lines of a real kernel: tests/kernel drives them in an emulated machine"}
UNIT = ("unit", "fuzz")
# What drives the loop with the whole program. Left out of "bench": what only prints, reports or packs.
WHOLE = ("kill", "full", "kill_mid_sweep", "device_faults", "take_over", "nth_call", "told", "warden_process",
         "at_the_shaft", "busy", "can_drive_bench", "canopen_drive_bench", "check", "check_weight", "coil_source", "doors",
         "dwell_until_live", "endure", "example_rigs", "gate", "gpio_lines", "hold_live", "indicator_bench", "limit_found",
         "modbus_bench", "modbus_supply", "obey_live", "play_live", "probe_verdict", "questions", "ripple_live", "same_rig",
         "sequences", "serial_port", "settable_supply", "speeds", "stranger", "supply_story", "text_drive_bench", "transcript",
         "two_lines", "warden_bench", "warm_cell", "zero")
CASES = 40  # of the fault campaign


def must(command, **kwargs):
    done = subprocess.run([str(c) for c in command], capture_output=True, text=True, check=False, **kwargs)
    if done.returncode:
        sys.exit(f"coverage: {' '.join(map(str, command))[:300]}\n{(done.stdout + done.stderr)[-3000:]}")
    return done.stdout


def room_of(place):
    return place.split("/")[0]


def chosen(tree, unit, named):
    tests = json.loads((tree / "meson-info/intro-tests.json").read_text())
    if named:
        return [t for t in tests if t["name"] in named]
    below = {t["name"] for t in tests if set(UNIT) & (suites := {s.split(":")[-1] for s in t["suite"]}) and "style" not in suites}
    rooms = {p.stem.removeprefix("test_") for part in ("calib", "reports", "bench", "calc") for p in (TOP / "tests/unit" / part).rglob("test_*.c")}
    return [t for t in tests if t["name"] in (below - rooms) | (set() if unit else set(WHOLE))]


def build_and_run(tree, unit, named):
    if not (tree / "build.ninja").exists():
        must(["meson", "setup", "-Dc_link_args=--coverage", tree, TOP], env={**os.environ, "CC": str(TOP / "tests/coverage/cc")})
    must(["ninja", "-C", tree, "build.ninja"])  # configured anew where the sources' list has changed
    tests = chosen(tree, unit, named)
    targets = {t["id"]: t["filename"] for t in json.loads((tree / "meson-info/intro-targets.json").read_text())}
    needed = {file for t in tests for target in t["depends"] for file in targets[target]}
    needed |= {t["cmd"][0] for t in tests if t["cmd"][0].startswith(str(tree))}
    must(["nice", "-n", "5", "ninja", "-C", tree, *sorted(os.path.relpath(file, tree) for file in needed)])
    for old in [] if named else tree.rglob("*.gcda"):
        old.unlink()
    run = subprocess.run(["nice", "-n", "5", "meson", "test", "-C", tree, "--no-rebuild", "-t", "10", *[t["name"] for t in tests]],
                         capture_output=True, text=True, check=False)
    if run.returncode:  # slow programs; whether they pass is for the ordinary build to say
        print("\n".join(line for line in run.stdout.splitlines() if re.search(r"FAIL|ERROR|TIMEOUT", line)))
    if not unit and not named:
        env = {**os.environ, "BRIDLE": str(tree / "rig/command/bridle"), "FAILCALL": str(tree / "tests/faults/libfailcall.so"),
               "VERIFY_LOGBOOK": str(tree / "tests/faults/verify_logbook")}
        subprocess.run(["nice", "-n", "5", TOP / "tests/faults/campaign.py", "--cases", str(CASES)], env=env, stdout=subprocess.DEVNULL,
                       check=False)


def without_default(text):
    """{number of a line "switch (...) {": True} where the cases are names of an enum and there is no default."""
    ret = set()
    for number, line in enumerate(text, 1):
        begins = re.fullmatch(r"(\t*)switch \(.*\) \{", line)
        if not begins:
            continue
        labels = []
        for inner in text[number:]:
            if inner.startswith(begins[1] + "}"):
                break
            labels += [label for label in re.findall(r"^(case [^:]+|default):", inner.removeprefix(begins[1]))
                       if inner.startswith(begins[1]) and not inner.startswith(begins[1] + "\t")]
        if labels and all(re.fullmatch(r"case [A-Z][A-Z0-9_]+", label) for label in labels):
            ret.add(number)
    return ret


def reached(tree, rooms):
    """{file: {line: (count, [branch counts])}}, added up over the objects that hold the file."""
    ret = collections.defaultdict(dict)
    for data in sorted(data for room in rooms for data in (tree / "rig" / room).rglob("*.gcno")):
        out = must(["gcov", "--json-format", "--stdout", "--branch-probabilities", data])
        for file in [f for text in out.splitlines() if text for f in json.loads(text)["files"]]:
            path = os.path.normpath(tree / file["file"])
            name = os.path.relpath(path, TOP)
            if not name.startswith("rig/") or name in ELSEWHERE:
                continue
            for line in file["lines"]:
                count, branches = ret[name].get(line["line_number"], (0, []))
                mine = [b["count"] for b in line["branches"] if not b.get("throw")]
                both = [a + b for a, b in zip(branches, mine)] if len(branches) == len(mine) else branches or mine
                ret[name][line["line_number"]] = (count + line["count"], both)
    for name, lines in ret.items():  # the last edge of a switch is the way past it
        for number in without_default((TOP / name).read_text(encoding="utf-8").splitlines()) & lines.keys():
            lines[number] = (lines[number][0], lines[number][1][:-1])
    return ret


def known():
    """{(file, text of the line): reason}"""
    ret = {}
    for part in re.split(r"\n\s*\n", KNOWN.read_text(encoding="utf-8")):
        lines = part.splitlines()
        if lines and re.fullmatch(r"rig/\S+\.[ch]", lines[0]):
            texts = [line[2:].strip() for line in lines if line.startswith("- ")]
            reason = " ".join(line.strip() for line in lines if line.startswith("  "))
            assert reason and texts, f"{KNOWN.name}: a block without lines or reason:\n{part}"
            ret |= {(lines[0], text): reason for text in texts}
    return ret


def of_branches(lines):
    branches = [b for _, of in lines for b in of]
    return 100 * sum(b > 0 for b in branches) / max(1, len(branches))


def share(lines):
    return (f"lines {100 * sum(c > 0 for c, _ in lines) / max(1, len(lines)):.1f} % of {len(lines)}, "
            f"branches {of_branches(lines):.1f} % of {sum(len(of) for _, of in lines)}")


def tell_branches(file, text, lines):
    for number, (count, branches) in sorted(lines.items()):
        never = [i for i, b in enumerate(branches, 1) if b == 0]
        if count > 0 and never:
            print(f"{file}:{number}: never branch {never} of {len(branches)}: {text[number - 1].strip()}")


def belongs(file, places):
    return any(file == f"rig/{place}" or file.startswith(f"rig/{place}/") for place in places)


def main():
    tree = pathlib.Path(sys.argv[1]).resolve() / "coverage"
    words = sys.argv[2:]
    named = set(words.pop(words.index("--test") + 1).split(",")) if "--test" in words else set()
    places = [word for word in words if not word.startswith("--")] or LISTED
    unit = "--unit" in words
    if "--read" not in words:
        build_and_run(tree, unit, named)
    counts = {f: of for f, of in reached(tree, sorted({room_of(p) for p in places})).items() if belongs(f, places)}
    missed, there, bad = {}, set(), 0
    reasons = {line: why for line, why in known().items() if belongs(line[0], places)}
    for place in places:
        of_place = [c for f, of in counts.items() if belongs(f, [place]) for c in of.values()]
        low = place in LISTED and of_branches(of_place) < ENOUGH
        bad += low
        print(f"rig/{place}: {share(of_place)}{f': BELOW {ENOUGH:g} %' if low else ''}")
    for file, lines in sorted(counts.items()):
        text = (TOP / file).read_text(encoding="utf-8").splitlines()
        print(f"  {file}: {share(list(lines.values()))}")
        there |= {(file, text[number - 1].strip()) for number in lines}
        missed |= {(file, text[number - 1].strip()): number for number, (count, _) in lines.items() if count == 0}
        if "--branches" in words:
            tell_branches(file, text, lines)
    if unit:
        return 0
    for (file, text), number in sorted(missed.items(), key=lambda m: (m[0][0], m[1])):
        if (file, text) not in reasons:
            print(f"{file}:{number}: no test reaches it, and {KNOWN.name} has no reason\n- {text}")
            bad += belongs(file, LISTED)
    for file, text in sorted(reasons.keys() - missed.keys()):
        if (file, text) in there and reasons[file, text].startswith("On some machines"):
            continue
        print(f"{file}: {KNOWN.name} has a reason for a line that {'is reached' if (file, text) in there else 'is gone'}\n- {text}")
        bad += 1
    print(f"{len(missed)} lines not reached; {bad} faults: places below {ENOUGH:g} %, lines without a reason or with one too many")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
