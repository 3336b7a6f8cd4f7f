#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Fills the pages: @COMMANDS@ from what the program's --help prints, @KEYS@ from the tables of keys.
Usage: pages.py TEMPLATE OUT VERSION PROGRAM KEYS"""
import re
import subprocess
import sys

template, out, version, program, keys = sys.argv[1:]


def output(*command):
    return subprocess.run(command, capture_output=True, text=True, check=True).stdout


def plain(text):
    return re.sub(r"([_*\\#\[\]<>~+])", r"\\\1", text)


def options(block):
    """The lines of the option table, each with the lines that go on below it."""
    found = []
    for line in block.splitlines():
        start = re.match(r"  (--\S+)(?: (\S+))?  +(.*)", line) or re.match(r"  (--\S+)(?: (\S+))?$", line)
        if start:
            found.append([start[1], start[2], start[3] if start.lastindex and start.lastindex > 2 else ""])
        elif found and line.startswith("   "):
            found[-1][2] += " " + line.strip()
    return found


def topics(text):
    return re.findall(r"^  ([a-z]+) +(.*)$", text.split("\nTopics:\n", 1)[1].split("\n\n")[0], re.M)


def command_page(name, summary):
    words = name.split()
    try:
        text = output(program, *words, "--help")
    except subprocess.CalledProcessError:  # the test of the pages tells it; the build goes on
        return f"## {name}: {summary}\n"
    if "\nTopics:\n" in text:
        about = text.split("\nTopics:\n", 1)[0].split("\n\n", 1)[1]
        return "\n".join([f"## {name}: {summary}", "", plain(" ".join(about.split())), ""] +
                         [command_page(f"{name} {topic}", what) for topic, what in topics(text)])
    usage = re.search(r"Usage: (.*)", text)[1]
    about = " ".join(re.search(r"\n\n(.*?)\n\nOptions:", text, re.S)[1].split())
    table = text.split("\nOptions:\n", 1)[1]
    examples = ""
    if "\nExamples:\n" in table:
        table, examples = table.split("\nExamples:\n", 1)
    lines = [f"## {name}: {summary}", "", f"*{plain(usage)}*", "", plain(about), ""]
    for option, arg, help_text in options(table):
        if option in ("--bench", "--json", "--quiet", "--help"):
            continue
        lines += [f"*{plain(option)}*" + (f" _{plain(arg)}_" if arg else ""), "\t" + plain(help_text.strip()), ""]
    examples, *more = examples.strip().split("\n\n")
    if examples:
        lines += ["Examples:", "", "```"] + ["\t" + e.strip() for e in examples.splitlines()] + ["```", ""]
    for block in more:  # a paragraph, and below it a list that keeps its lines
        text = [line for line in block.splitlines() if not line.startswith("  ")]
        kept = [line for line in block.splitlines() if line.startswith("  ")]
        lines += [plain(" ".join(text)), ""]
        if kept:
            lines += ["```"] + ["\t" + line.strip() for line in kept] + ["```", ""]
    return "\n".join(lines)


with open(template, encoding="utf-8") as f:
    page = f.read()
page = page.replace("@VERSION@", version)
if "@KEYS@" in page:
    page = page.replace("@KEYS@", output(keys).rstrip())
if "@COMMANDS@" in page:
    commands = re.findall(r"^  ([a-z]+) +(.*)$", output(program, "--help"), re.M)
    page = page.replace("@COMMANDS@", "\n".join(command_page(*c) for c in commands).rstrip())
with open(out, "w", encoding="utf-8") as f:
    f.write(page)
