#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""The numbered rules of docs/invariants.md against the tests that hold them, both ways.

Refused: a rule that no test cites by its number (unless the page says that it is held *by reading*); a number in a test that is no rule; a test that the page names and that is not
there, or has no function of that name.

    python3 tests/style/rules.py [TOP]      # exits with 1 and one line for each mistake"""
import pathlib
import re
import sys

TOP = pathlib.Path(sys.argv[1] if len(sys.argv) > 1 else pathlib.Path(__file__).parents[2])
NUMBER = re.compile(r"\b([ILCWD]\d{1,2}a?)\b")
READ = "by reading"
NO_RULES = {"C17", "I0"}  # the language; a current


def rules():
    """{number: [(file, [words])]} of the page: what stands in *…* behind each rule."""
    page = (TOP / "docs/invariants.md").read_text(encoding="utf-8")
    ret = {}
    for number, text in re.findall(r"^- \*\*([ILCWD]\d+a?)\*\* (.*?)(?=^- \*\*|^#|\Z)", page, re.M | re.S):
        named = []
        for cited in re.findall(r"(?<!\*)\*([^*]+)\*(?!\*)", text):
            if cited.startswith("by reading"):
                named.append((READ, []))
                continue
            if not re.match(r"[\w/]+(:|;|\*|$)", cited := " ".join(cited.split())) or cited == "Safe":
                continue
            for part in cited.split(";"):
                file, _, words = part.partition(":")
                named.append((file.strip().removesuffix(".py"), [w.strip() for w in words.split(",") if w.strip()]))
        if number in ret:
            sys.exit(f"docs/invariants.md: rule {number} stands there twice")
        ret[number] = named
    return ret


def test_file(name, files):
    found = [f for f in files if f.with_suffix("").as_posix().endswith("/" + name)]
    return found[0] if found else None


def wrong_names(number, named, files):
    for name, words in (n for n in named if n[0] != READ):
        path = test_file(name, files)
        if path is None:
            yield f"docs/invariants.md: {number} names the test {name}, and there is none under tests/"
            continue
        text = path.read_text(encoding="utf-8")
        for word in words:
            begin, *_ = word.split("…")[0 if not word.startswith("…") else 1].split(" (")
            if begin.replace(" ", "_") not in text and begin not in text:
                yield f"docs/invariants.md: {number} names {begin}… of {name}, and {path.relative_to(TOP)} has no such word"


def cited_numbers(files):
    """{number: first file}; of C in comments alone, where a number is no name."""
    ret = {}
    for path in files:
        text = path.read_text(encoding="utf-8")
        if path.suffix in (".c", ".h"):
            text = " ".join(re.findall(r"/\*.*?\*/|//[^\n]*|\{ \"[IL]\d+\"", text, re.S))
        else:
            text = " ".join(re.findall(r"#[^\n]*|\"\"\".*?\"\"\"", text, re.S))
        for number in NUMBER.findall(text):
            ret.setdefault(number, path)
    return ret


def main():
    files = sorted(p for p in (TOP / "tests").rglob("*") if p.suffix in (".c", ".h", ".py") and p.name != "rules.py")
    known, cited = rules(), cited_numbers(files)
    wrong = [line for number, named in known.items() for line in wrong_names(number, named, files)]
    wrong += [f"{number}: no test cites it; name it where it is held" for number, named in known.items()
              if number not in cited and (READ, []) not in named]
    wrong += [f"{path.relative_to(TOP)}: cites {number}, and docs/invariants.md has no such rule"
              for number, path in sorted(cited.items()) if number not in known and number not in NO_RULES]
    print("\n".join(wrong) if wrong else f"{len(known)} rules, each cited by a test; every citation is there")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
