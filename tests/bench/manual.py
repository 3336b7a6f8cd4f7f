#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""The manual pages hold every command with every option, and every key of every template.
Usage: manual.py COMMANDS.scd FOLDER.scd [PAGE...]   (PAGE: pages made by scdoc, looked at with groff when it is there)"""
import pathlib
import re
import shutil
import subprocess
import sys
import tempfile

import harness

COMMANDS = re.findall(r"^  ([a-z]+) ", harness.run("--help").out, re.M)
COMMON = {"--bench", "--json", "--quiet", "--help"}
commands_page, folder_page = (pathlib.Path(p).read_text(encoding="utf-8").replace("\\", "") for p in sys.argv[1:3])

def sections():
    parts = re.split(r"^## (.*?): .*$", commands_page, flags=re.M)
    return dict(zip(parts[1::2], parts[2::2]))


def every_command_has_its_options():
    found = sections()
    assert len(COMMANDS) > 10 and {"new", "sweep", "bench"} <= set(COMMANDS), COMMANDS
    for name in COMMANDS:
        assert name in found, name
        text = harness.run(name, "--help").out
        # Wherever an option begins a line, not as the page's maker reads it.
        options = set(re.findall(r"^ +(--[a-z0-9-]+)", text, re.M)) - COMMON
        missing = {o for o in options if f"*{o}*" not in found[name]}
        assert not missing, (name, missing)
        assert len(found[name].split()) > (10 if name == "calc" else 20), f"{name}: hardly a word"


def help_fits_a_terminal():
    topics = re.findall(r"^  ([a-z]+) ", harness.run("calc", "--help").out, re.M)
    assert "regress" in topics
    for words in [[]] + [[c] for c in COMMANDS] + [["calc", t] for t in topics]:
        wide = [line for line in harness.run(*words, "--help").out.splitlines() if len(line) > 80]
        assert not wide, (words, wide)


def topics_of_calc_are_there():
    found = sections()
    for topic in ("regress", "mean", "allan", "gravity", "air", "weight", "t", "budget", "montecarlo"):
        assert f"calc {topic}" in found and len(found[f"calc {topic}"].split()) > 15, topic


def every_key_is_explained():
    with tempfile.TemporaryDirectory(prefix="bridle-manual-") as home:
        assert harness.run("new", f"{home}/a").status == 0
        keys = set()
        for path in pathlib.Path(home).rglob("*.ini"):
            keys |= set(re.findall(r"^#?([a-z_]+) =", path.read_text(encoding="utf-8"), re.M))
    assert len(keys) > 60, len(keys)
    missing = {k for k in keys if not re.search(rf"^\*{k}\* = _.+_\n\t\S.*\.$", folder_page, re.M)}
    assert not missing, missing


def nothing_is_left_to_fill_in():
    assert "@" not in commands_page
    assert not re.search(r"@[A-Z]+@", folder_page)


def groff_has_nothing_to_say():
    if not shutil.which("groff") or not sys.argv[3:]:
        raise harness.Skipped("no groff, or no scdoc to make the pages")
    for page in sys.argv[3:]:
        done = subprocess.run(["groff", "-man", "-Tutf8", "-k", "-ww", page], capture_output=True, text=True)
        assert done.returncode == 0 and not done.stderr and len(done.stdout) > 3000, (page, done.stderr[:500])


if __name__ == "__main__":
    harness.main(every_command_has_its_options, help_fits_a_terminal, topics_of_calc_are_there, every_key_is_explained,
                 nothing_is_left_to_fill_in, groff_has_nothing_to_say)
