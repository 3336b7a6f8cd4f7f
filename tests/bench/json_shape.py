#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Every command's document under --json: numbers as docs/json.md says, and its table held to the documents. A command that is
in the program's list and gives no document here is a failure, and so is a topic of calc."""
import json
import os
import pathlib
import re
import subprocess
import tempfile

import harness
import pack as packs
import pages

PAGES = ("calc", "how-to-play", "how-to-ripple", "how-to-suit", "how-to-tame", "how-to-obey", "how-to-hold", "how-to-publish")
DOCS = []  # (words of the command, document)

# Stands before the program: asks it for its document as well, and keeps that.
ALSO = """#!/bin/sh
case " $* " in *" --json "*) set -- "$@" ;; *) set -- "$@" --json ;; esac
kept=$(mktemp "$KEPT/XXXXXX")
"$REAL" "$@" > "$kept.json"; status=$?
printf '%s\\n' "$@" > "$kept.words"
cat "$kept.json"
exit $status
"""


def listed(*args):
    """The words that a help lists."""
    return re.findall(r"(?m)^  ([a-z]+) {2,}\S", harness.run(*args, "--help").out)


def parse(text):
    doc = json.loads(text, parse_constant=harness.no_number)
    harness.check_numbers(doc)
    return doc


def keep(words, result):
    """A command of the bench job, whatever its status."""
    doc = parse(result.out)
    assert isinstance(doc, dict), f"{words}: {type(doc)}"
    DOCS.append((tuple(words), doc))
    return doc


def altered(pack):
    """The same with one number of its report changed, and a manifest that fits."""
    files = packs.unpacked(pack)
    report = json.loads(dict(files)["report.json"])
    report["points"][1]["torque_Nm"] *= 1.001
    content = [(name, json.dumps(report).encode() if name == "report.json" else held) for name, held in files]
    return packs.packed(content, "altered.tar.zst")


def rig_commands():
    with harness.Bench(4) as bench:
        def do(*words, status=0):
            result = bench.run(*words, "--json")
            assert result.status == status, f"{words}: {result!r}"
            return keep(words, result)

        harness.wait_for((bench.folder / "run" / "control.sock").exists, 20, "the bench")
        do("check")
        do("probe", "--seconds", "1")
        do("hang", "--hands", "--series", "1", "--steps", "4")
        do("map", "--actuator", "paddle-winder", "--currents", "5")
        do("ready", "gentle", "--hands", "--answers", "yes")
        do("sweep", "gentle")
        do("certificate", "--out", bench.folder / "certificate")
        run = do("report", "--no-figures")["run"]
        pack = bench.folder / "winder.tar.zst"
        do("pack", "--out", pack)
        do("verify", pack)
        do("verify", altered(pack), status=1)
        do("compare", run, run, "--no-figures")
        again = [do("sweep", "gentle")["run_id"] for _ in range(2)]
        do("study", f"{run}=A", f"{again[0]}=A", f"{again[1]}=B")
        for words in (["list"], ["show", "last"], ["verify"], ["check"], ["history"], ["note", "new", "screws"]):
            do("log", *words)
        (bench.folder / "plans" / "week.ini").write_text("[plan]\nactuator = paddle-winder\nspeed = 60 rpm\n[steps]\ntorque = 5, 15 N.m\ndown = no\n"
                                                         "[endurance]\ncycles = 2\nhold = 1 s\nno_load = 1 s\npause = 1 s\nreference = 1\n")
        do("ready", "week", "--hands", "--answers", "yes", "--no-check")
        do("endure", "week")
        do("endure", "week", "--cycles")
        do("share", "host=/nonexistent", status=3)
        do("bench", status=2)  # it is served already
    with tempfile.TemporaryDirectory(prefix="bridle-") as home:
        keep(["new"], harness.run("new", pathlib.Path(home) / "mybench", "--json"))


def desk_commands():
    """Those lines of the pages that need no rig."""
    with tempfile.TemporaryDirectory(prefix="bridle-json-") as home:
        home = pathlib.Path(home)
        (home / "bin").mkdir()
        (home / "kept").mkdir()
        (home / "bin" / "bridle").write_text(ALSO)
        (home / "bin" / "bridle").chmod(0o755)
        env = {**os.environ, "PATH": f"{home / 'bin'}:{os.environ['PATH']}", "REAL": harness.BRIDLE, "KEPT": str(home / "kept")}
        for page in PAGES:
            text = (harness.ROOT / "docs" / f"{page}.md").read_text(encoding="utf-8")
            for line, block in pages.blocks_of(text):
                if "mybench" in block or page == "how-to-publish" and "reduce" not in block:
                    continue
                done = subprocess.run(["bash", "-euo", "pipefail", "-c", block], cwd=home, env=env, capture_output=True, text=True,
                                      timeout=120, stdin=subprocess.DEVNULL)
                assert done.returncode == 0, f"{page}.md:{line}: {done.stderr[-1000:]}"
        for words in sorted((home / "kept").glob("*.words")):
            DOCS.append((tuple(words.read_text().split("\n")), parse(words.with_suffix(".json").read_text())))


def no_command_without_a_document():
    have = {words[0] for words, _ in DOCS}
    missing = [name for name in listed() if name not in have]
    assert len(listed()) > 15 and not missing, f"no document of {missing}"
    topics = {words[1] for words, _ in DOCS if words[0] == "calc"}
    missing = [name for name in listed("calc") if name not in topics]
    assert len(listed("calc")) > 10 and not missing, f"no document of calc {missing}"


def a_mistake_is_a_document_too():
    for name in listed():
        topic = ["mean"] if name == "calc" else []
        doc = parse(harness.run(name, *topic, "--no-such-option", "--json").out)
        assert doc["cause"] == "bad_input" and "no-such-option" in doc["message"], doc


def shapes(doc, top=None, found=None):
    """Keys at the top of a document below which numbers stand as objects, and as flat pairs."""
    found = (set(), set()) if found is None else found
    if isinstance(doc, list):
        for item in doc:
            shapes(item, top, found)
    if isinstance(doc, dict):
        if {"value", "u"} <= doc.keys():
            found[0].add(top or ".")
        for key, item in doc.items():
            if f"u_{key}" in doc:
                found[1].add(top or ".")
            shapes(item, top or key, found)
    return found


def name_of(words):
    return " ".join(words[:2]) if words[0] in ("calc", "log") else words[0]


def table():
    """Of docs/json.md: document -> its two sets of keys."""
    text = (harness.ROOT / "docs" / "json.md").read_text(encoding="utf-8")
    rows = {}
    for line in re.findall(r"(?m)^\| (`.*?) \|$", text[text.index("| document |"):text.index("| document of |")]):
        names, objects, pairs = re.split(r" *\| *", line)
        for name in re.findall(r"`([^`]+)`", names):
            rows[name] = tuple(set(re.findall(r"`([^`]+)`", cell)) for cell in (objects, pairs))
    return rows


def the_table_is_that_of_the_documents():
    seen = {}
    for words, doc in DOCS:
        objects, pairs = shapes(doc)
        have = seen.setdefault(name_of(words), (set(), set()))
        have[0].update(objects)
        have[1].update(pairs)
    told = table()
    wrong = [f"{name}: documents {tuple(map(sorted, seen.get(name, ((), ()))))}, table {tuple(map(sorted, told.get(name, ((), ()))))}"
             for name in sorted(seen.keys() | told.keys()) if seen.get(name, (set(), set())) != told.get(name, (set(), set()))]
    assert not wrong, "\n".join(wrong)


def read_keys():
    """Of docs/json.md: document -> [(path of keys, is it a number with its uncertainty)]."""
    text = (harness.ROOT / "docs" / "json.md").read_text(encoding="utf-8")
    rows = re.findall(r"(?m)^\| `([a-z]+)` \| (`.*?) \|$", text[text.index("| document of |"):])
    return {name: [(path, bool(mark)) for path, mark in re.findall(r"`([^`]+)`( \*u\*)?", keys)] for name, keys in rows}


def values_at(doc, path):
    """What stands there; an empty list has none. Raises KeyError where a key is missing."""
    found = [doc]
    for key in path.split("."):
        name, each = key.removesuffix("[]"), key.endswith("[]")
        found = [item[name] for item in found if item is not None]
        found = [item for inner in found for item in inner] if each else found
    return found


def plain(value):
    return value is None or isinstance(value, (bool, int, float, str))


def the_keys_that_others_read_are_there():
    told, wrong = read_keys(), []
    assert set(told) == {"report", "ready", "compare", "verify", "hold", "play", "obey", "ripple", "tame", "suit"} and sum(map(len, told.values())) > 70, told
    for name, keys in told.items():
        docs = [doc for words, doc in DOCS if words[0] == name and (name == "report" or "cause" not in doc) and "actuators" not in doc
                and "--keys" not in words]
        assert docs, f"{name}: {len(docs)} documents"
        for path, uncertain in keys:
            filled = False
            for doc in docs:
                stores = path.split(".")[1] if path.startswith("model.") else None
                if stores and stores not in doc["model"]:
                    continue
                try:
                    values = values_at(doc, path)
                except (KeyError, TypeError) as e:
                    wrong.append(f"{name}: {path} is missing ({e})")
                    continue
                filled = filled or any(v is not None for v in values)
                for v in values:
                    right = v is None or isinstance(v, dict) and {"value", "u"} <= v.keys() <= {"value", "u", "dof", "budget"} if uncertain else plain(v)
                    if not right:
                        wrong.append(f"{name}: {path} has another shape: {v!r}")
            if not filled:
                wrong.append(f"{name}: no document fills {path}")
    assert not wrong, "\n".join(sorted(set(wrong)))


if __name__ == "__main__":
    harness.main(rig_commands, desk_commands, no_command_without_a_document, a_mistake_is_a_document_too, the_table_is_that_of_the_documents,
                 the_keys_that_others_read_are_there)
