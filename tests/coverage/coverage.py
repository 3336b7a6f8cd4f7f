#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Which lines and branches the tests reach, by gcov, in a tree of its own (BUILD/coverage); on demand:

    coverage.py BUILD [ROOM ...]      # unit tests of these rooms, and what stands in BESIDE; without names: those of LISTED
    coverage.py BUILD run --whole     # and the tests of devices and faults with the whole program
    coverage.py BUILD ... --read      # only read what the last run left
    coverage.py BUILD ... --branches  # and the branches that no test takes, of the lines that one reaches

In the rooms of LISTED a line that no test reaches has its reason in uncovered.txt: a block begins with the file, has one or more
lines "- text of the line" and ends with the reason, indented. Exit 1: a line without a reason, or a reason for a line that is
reached or gone, unless the reason begins with "On some machines". Of other rooms the lines are only told."""
import collections
import json
import os
import pathlib
import re
import subprocess
import sys

TOP = pathlib.Path(__file__).resolve().parents[2]
KNOWN = pathlib.Path(__file__).with_name("uncovered.txt")
LISTED = ("guard", "link", "node", "profile")
BESIDE = {
    "link": {"serial_port"},
    "node": {"fuzz_tether", "replay_tether"},
    "channel": {"replay_pattern", "replay_can", "replay_modbus"},
    "profile": {"torquecal", "fuzz_profile", "replay_profile", "replay_csv"},
    "instrument": {"fuzz_node", "replay_scpi"},
}
WHOLE = {"device_faults", "take_over", "settable_supply", "coil_source", "two_lines", "gpio_lines", "can_drive_bench",
         "text_drive_bench", "indicator_bench", "modbus_bench", "warden_bench", "busy", "sequences", "doors"}


def must(command):
    done = subprocess.run([str(c) for c in command], capture_output=True, text=True, check=False)
    if done.returncode:
        sys.exit(f"coverage: {' '.join(map(str, command))[:300]}\n{(done.stdout + done.stderr)[-3000:]}")
    return done.stdout


def chosen(tree, rooms, whole):
    names = {p.stem.removeprefix("test_") for room in rooms for p in (TOP / "tests/unit" / room).glob("test_*.c")}
    names |= {name for room in rooms for name in BESIDE.get(room, ())} | (WHOLE if whole else set())
    return [t for t in json.loads((tree / "meson-info/intro-tests.json").read_text()) if t["name"] in names]


def build_and_run(tree, rooms, whole):
    if not (tree / "build.ninja").exists():
        must(["meson", "setup", "-Db_coverage=true", "-Doptimization=0", "-Dwarning_level=0", "-Dc_args=-w", tree, TOP])
    must(["ninja", "-C", tree, "build.ninja"])  # configured anew where the sources' list has changed
    tests = chosen(tree, rooms, whole)
    programs = {os.path.relpath(t["cmd"][0], tree) for t in tests if t["cmd"][0].startswith(str(tree))}
    must(["nice", "-n", "5", "ninja", "-C", tree, *(["all"] if whole else [*sorted(programs), "tests/bench/libptyshim.so"])])
    for old in tree.rglob("*.gcda"):
        old.unlink()
    run = subprocess.run(["meson", "test", "-C", tree, "--no-rebuild", "-t", "10", *[t["name"] for t in tests]],
                         capture_output=True, text=True, check=False)
    if run.returncode:  # slow programs; whether they pass is for the ordinary build to say
        print("\n".join(line for line in run.stdout.splitlines() if re.search(r"FAIL|ERROR|TIMEOUT", line)))


def reached(tree, rooms):
    """{file: {line: (count, [branch counts])}}, added up over the objects that hold the file."""
    ret = collections.defaultdict(dict)
    for data in sorted(data for room in rooms for data in (tree / "rig" / room).rglob("*.gcno")):
        out = must(["gcov", "--json-format", "--stdout", "--branch-probabilities", data])
        for file in [f for text in out.splitlines() if text for f in json.loads(text)["files"]]:
            path = os.path.normpath(tree / file["file"])
            name = os.path.relpath(path, TOP)
            if not name.endswith(".c"):
                continue
            for line in file["lines"]:
                count, branches = ret[name].get(line["line_number"], (0, []))
                mine = [b["count"] for b in line["branches"] if not b.get("throw")]
                both = [a + b for a, b in zip(branches, mine)] if len(branches) == len(mine) else branches or mine
                ret[name][line["line_number"]] = (count + line["count"], both)
    return ret


def known():
    """{(file, text of the line): reason}"""
    ret = {}
    for part in re.split(r"\n\s*\n", KNOWN.read_text(encoding="utf-8")):
        lines = part.splitlines()
        if lines and re.fullmatch(r"rig/\S+\.c", lines[0]):
            texts = [line[2:].strip() for line in lines if line.startswith("- ")]
            reason = " ".join(line.strip() for line in lines if line.startswith("  "))
            assert reason and texts, f"{KNOWN.name}: a block without lines or reason:\n{part}"
            ret |= {(lines[0], text): reason for text in texts}
    return ret


def share(lines):
    branches = [b for _, of in lines for b in of]
    return (f"lines {100 * sum(c > 0 for c, _ in lines) / len(lines):.1f} % of {len(lines)}, "
            f"branches {100 * sum(b > 0 for b in branches) / max(1, len(branches)):.1f} % of {len(branches)}")


def tell_branches(file, text, lines):
    for number, (count, branches) in sorted(lines.items()):
        never = [i for i, b in enumerate(branches, 1) if b == 0]
        if count > 0 and never:
            print(f"{file}:{number}: never branch {never} of {len(branches)}: {text[number - 1].strip()}")


def main():
    tree = pathlib.Path(sys.argv[1]).resolve() / "coverage"
    rooms = [word for word in sys.argv[2:] if not word.startswith("--")] or LISTED
    if "--read" not in sys.argv:
        build_and_run(tree, rooms, "--whole" in sys.argv)
    counts = reached(tree, rooms)
    missed, there, bad = {}, set(), 0
    reasons = {line: why for line, why in known().items() if line[0].split("/")[1] in rooms}
    for room in rooms:
        of_room = [c for f, of in counts.items() if f.startswith(f"rig/{room}/") for c in of.values()]
        print(f"rig/{room}: {share(of_room)}")
    for file, lines in sorted(counts.items()):
        text = (TOP / file).read_text(encoding="utf-8").splitlines()
        print(f"  {file}: {share(list(lines.values()))}")
        there |= {(file, text[number - 1].strip()) for number in lines}
        missed |= {(file, text[number - 1].strip()): number for number, (count, _) in lines.items() if count == 0}
        if "--branches" in sys.argv:
            tell_branches(file, text, lines)
    for (file, text), number in sorted(missed.items(), key=lambda m: (m[0][0], m[1])):
        if (file, text) not in reasons:
            print(f"{file}:{number}: no test reaches it, and {KNOWN.name} has no reason\n- {text}")
            bad += file.split("/")[1] in LISTED
    for file, text in sorted(reasons.keys() - missed.keys()):
        if (file, text) in there and reasons[file, text].startswith("On some machines"):
            continue
        print(f"{file}: {KNOWN.name} has a reason for a line that {'is reached' if (file, text) in there else 'is gone'}\n- {text}")
        bad += 1
    print(f"{len(missed)} lines not reached, {bad} of {', '.join(LISTED)} without a reason or with one too many")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
