#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""The rooms that read or act through gcc's analyzer and clang-tidy, on demand (packages gcc and clang-tidy):

    analyze.py BUILD [SOURCE ...]   # BUILD: a folder with compile_commands.json; SOURCE: the end of a path. Without: ROOMS

Findings of QUIET are left out, each with its reason. Exit 1: a finding that is not in it, 77: a tool is not installed."""
import collections
import json
import os
import pathlib
import re
import shlex
import shutil
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor

TOP = pathlib.Path(__file__).resolve().parents[2]
ROOMS = ("rig/channel", "rig/node", "rig/link", "rig/instrument", "rig/guard", "rig/warden", "rig/run", "rig/profile", "rig/logbook")
KEPT = ("-I", "-D", "-std=", "-isystem", "-pthread", "-ffp-contract=")
CHECKS = {
    "bugprone-*": True,
    "cert-*": True,
    "clang-analyzer-*": True,
    # Numbers of one type side by side are the trade's arithmetic; their units stand in their names.
    "bugprone-easily-swappable-parameters": False,
    # gcc's -Wconversion warns in every build; what is left are characters in a ?: of constants.
    "bugprone-narrowing-conversions": False,
    # Sizes of arrays and products of small constants.
    "bugprone-implicit-widening-of-multiplication-result": False,
    # Two reasons for the same act stand in two branches, so that each can be read.
    "bugprone-branch-clone": False,
    # They ask for the functions of the language's Annex K, which no C library of the distributions has. strcpy and strcat stand
    # where the length was compared before, or between fields of one size.
    "clang-analyzer-security.insecureAPI.DeprecatedOrUnsafeBufferHandling": False,
    "clang-analyzer-security.insecureAPI.strcpy": False,
    # The order of fields is that of their meaning.
    "clang-analyzer-optin.performance.Padding": False,
    # Texts are cut to their room on purpose (snprintf), and what is printed to a terminal that is gone has no reader.
    "cert-err33-c": False,
    # sscanf and atoi read only what this program wrote, or what was seen to be few digits.
    "cert-err34-c": False,
    # A double that is halved, or counts few steps.
    "cert-flp30-c": False,
}
WRITES = "what is read was written where RC_OK came back; the tool does not follow the callee"
# (file, what stands in the finding): why it is none.
QUIET = {
    ("rig/channel/can_signal.c", "left shift"): "a place was checked when the map was read: bits from 0 to 63",
    ("rig/channel/can_signal.c", "right shift"): "a map with a value has a length of 1 at least",
    ("rig/instrument/node_talk.c", "right operand of '<'"): WRITES,
    ("rig/link/link.c", "ineffective"): "uint64_t is unsigned long on one machine and unsigned long long on another",
    ("rig/logbook/extract.c", "'lb'"): WRITES,
    ("rig/logbook/extract.c", "‘lb’"): WRITES,
    ("rig/logbook/extract.c", "'to'"): WRITES,
    ("rig/logbook/extract.c", "1st function call argument"): WRITES,
    ("rig/logbook/logbook_read.c", "leak of ‘strdup(text)’"): "it is handed out by ret and freed by the caller",
    ("rig/logbook/schema.c", "left operand of '=='"): WRITES,
    ("rig/profile/keys_plan.c", "macro argument"): "the name of a member cannot stand in parentheses",
    ("rig/profile/profile_template.c", "narrower type"): "from 'a' to 'e'",
    ("rig/profile/profile_value.c", "garbage value"): WRITES,
    ("rig/profile/textfile.c", "ull"): "with RC_OK there is a text",
    ("rig/run/forecast.c", "Division by zero"): "where there is a step there is a load",
}


def words(entry):
    return [w for w in shlex.split(entry["command"]) if w.startswith(KEPT)]


def by_gcc(entry):
    run = subprocess.run(["gcc", "-fanalyzer", "-O1", "-c", "-o", os.devnull, *words(entry), entry["file"]], cwd=entry["directory"],
                         capture_output=True, text=True, check=False)
    return re.findall(r"^(?:\.\./)*(\S+?:\d+):\d+: (?:warning|error): (.*)$", run.stderr, re.M)


def by_tidy(entry):
    checks = ",".join(["-*", *(name if used else f"-{name}" for name, used in CHECKS.items())])
    run = subprocess.run(["clang-tidy", "--quiet", f"--checks={checks}", entry["file"], "--", *words(entry)], cwd=entry["directory"],
                         capture_output=True, text=True, check=False)
    found = re.findall(r"^(\S+?:\d+):\d+: (?:warning|error): (.*)$", run.stdout, re.M)
    return [(os.path.relpath(os.path.join(entry["directory"], place), TOP), what) for place, what in found]


def main():
    if not (shutil.which("gcc") and shutil.which("clang-tidy")):
        print("skipped: gcc or clang-tidy is not installed")
        return 77
    entries = json.loads((pathlib.Path(sys.argv[1]) / "compile_commands.json").read_text(encoding="utf-8"))
    ends = tuple(sys.argv[2:])
    paths = {os.path.relpath(os.path.join(e["directory"], e["file"]), TOP): e for e in entries}
    chosen = {p: e for p, e in sorted(paths.items()) if (p.endswith(ends) if ends else os.path.dirname(p) in ROOMS)}
    jobs = [(tool, path) for path in chosen for tool in (by_gcc, by_tidy)]
    with ThreadPoolExecutor(os.cpu_count()) as pool:
        results = list(pool.map(lambda job: job[0](chosen[job[1]]), jobs))
    found, quiet = collections.Counter(), set()
    for (_, path), findings in zip(jobs, results):
        for place, what in findings:
            known = [key for key in QUIET if path == key[0] and key[1] in what]
            quiet |= set(known)
            found[(place, what)] += not known
    told = sorted(key for key, n in found.items() if n)
    for place, what in told:
        print(f"{place}: {what}")
    gone = [key for key in QUIET if key not in quiet and key[0] in chosen]
    for file, what in gone:
        print(f"{file}: \"{what}\" is found no more; take it out of QUIET")
    print(f"{len(chosen)} files, {len(told)} findings, {len(quiet)} left out with a reason")
    return 1 if told or gone or not chosen else 0


if __name__ == "__main__":
    sys.exit(main())
