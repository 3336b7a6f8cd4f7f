#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Small mutants of what keeps a person safe, each against the unit tests that link its file. A mutant that every test lets pass
is a hole in the tests, or it changes nothing: survivors.txt has those that change nothing, with the reason.

    python3 tests/mutants/mutants.py BUILD               # 240 mutants: the full size
    python3 tests/mutants/mutants.py BUILD --count 40    # a small sample: what the suite runs
    python3 tests/mutants/mutants.py BUILD --files rig/run/loop.c --count 1000

A mutant changes one line: a relational or logical operator, a sign, a number, a condition, a deleted statement, two arguments,
a returned value. Which ones are taken depends on the seed and on the text of the line alone: an edit elsewhere changes
nothing, and the first 40 are among the first 240. At most one of a line. What gives the same object code is no mutant.

Only the mutated file is compiled; its object goes before the archives on the link line of each test, so the archive's own copy
is not drawn. Tests run in the order of their time until one fails. Exit status 1: a survivor that survivors.txt does not
explain, or a reason for a mutant that is none any more. The last line counts."""
import argparse
import concurrent.futures
import dataclasses
import hashlib
import json
import os
import pathlib
import re
import resource
import shlex
import subprocess
import sys
import tempfile

TOP = pathlib.Path(__file__).resolve().parents[2]
KNOWN = pathlib.Path(__file__).with_name("survivors.txt")
FILES = ("rig/guard/guard.c", "rig/guard/watch.c", "rig/guard/modes.c", "rig/guard/oscillation.c", "rig/guard/slope.c",
         "rig/run/loop.c", "rig/run/session_limits.c", "rig/run/seq_hang.c", "rig/run/seq_map.c", "rig/run/seq_probe.c",
         "rig/run/seq_rehearse.c", "rig/run/seq_signs.c", "rig/run/seq_sweep.c", "rig/run/seq_zero.c", "rig/run/pole_clear.c",
         "rig/bench/node_side.c", "rig/warden/warden.c")
OTHER = {"<": ("<=", ">="), ">": (">=", "<="), "<=": ("<", ">"), ">=": (">", "<"), "==": ("!=",), "!=": ("==",),
         "&&": ("||",), "||": ("&&",), "+": ("-",), "-": ("+",), "*": ("/",), "/": ("*",), "|=": ("&=",), "+=": ("-=",),
         "-=": ("+=",)}
# Words, strings and characters are one token each, so that no operator is found in them.
TOKEN = re.compile(r'"(?:\\.|[^"\\])*"|\'(?:\\.|[^\'\\])*\'|\w[\w.]*(?:(?<=\d[eE])[+-]\d+)?|->|\+\+|--|<<|>>|<=|>=|==|!=|&&|\|\||'
                   r'\|=|&=|\+=|-=|\*=|/=|\S')
STATEMENT = re.compile(r"\t+(?!return|break|continue|goto|case|default|else|struct|enum|static|const|double|bool|int|char|"
                       r"unsigned|size_t|u?int\d+_t|do\b)[a-z*(][^{}]*;\s*(/\*.*\*/)?$")
# A name that ends in a unit is a real number: the very value of a limit other than 0 is never met, so < and <= are the same.
REAL = re.compile(r"\w_(?:s|rpm|Nm|A|W|J|V|degC|kg|frac|Hz|rev|revs|per_s)\b|[A-Z]_S\b|fabs|\w_FRAC\b")
CALL = re.compile(r"\b(\w+)\(((?:[\w.>&*\[\]-]+), ([\w.>&*\[\]-]+))(?=[,)])")


@dataclasses.dataclass(frozen=True)
class Mutant:
    file: str
    line: int  # from 1
    old: str
    new: str
    rank: str  # hash of seed, file, text and place

    def key(self):
        return self.file, self.old.strip(), self.new.strip()


def code_lines(text):
    """(number from 1, line) of what is code: no comment, no directive but a #define of a number."""
    comment = False
    for no, line in enumerate(text.splitlines(), 1):
        start = comment or line.lstrip().startswith("/*")
        comment = (comment or "/*" in line) and "*/" not in line.rsplit("/*", 1)[-1]
        if not start and (not line.startswith("#") or re.match(r"#define \w+ \(?-?[\d.]", line)):
            yield no, line


def changed_tokens(line):
    body = line.split("/*")[0]
    tokens = list(TOKEN.finditer(body))
    for i, t in enumerate(tokens):
        before = tokens[i - 1].group() if i else "("
        unary = not re.match(r"[\w)\]\"']", before) or before in ("return", "case")
        if t.group() in "+-*/" and (unary or before in ("double", "struct", "char", "bool", "void", "const", "err", "int")):
            continue
        if t.group() == "*" and (re.search(r"struct \w+ $|\w \*$", body[:t.start() + 1]) and body[t.end():t.end() + 1] != " "):
            continue
        after = tokens[i + 1].group() if i + 1 < len(tokens) else ""
        for other in OTHER.get(t.group(), ()):
            if {t.group(), other} in ({"<", "<="}, {">", ">="}) and "0" not in (before, after) and REAL.search(line):
                continue
            yield body[:t.start()] + other + line[t.end():]
        number = re.fullmatch(r"(\d+\.?\d*(?:e[+-]?\d+)?)([uf]?)", t.group())
        if number and before != "[":
            value = float(number[1])
            whole = number[1].isdigit()
            for other in ((value + 1, 0) if whole and value else (1,) if whole else (value * 2, value / 2)):
                yield body[:t.start()] + (f"{int(other)}" if whole else f"{other:g}") + number[2] + line[t.end():]


def changed_lines(line):
    """Every mutant of one line of code."""
    yield from changed_tokens(line)
    if line.startswith("#"):
        return
    condition = re.match(r"(\t+(?:\} )?(?:else )?(?:if|while) )\((.*)\)( \{)?$", line)
    if condition and condition[2].count("(") == condition[2].count(")"):
        yield f"{condition[1]}(!({condition[2]})){condition[3] or ''}"
    if STATEMENT.fullmatch(line) and line.count("(") == line.count(")") and not line.lstrip().startswith("(void)"):
        yield re.match(r"\t+", line)[0] + ";"
    returned = re.fullmatch(r"(\t+return )([^;]+);", line)
    if returned:
        for value in ("0", "1", "true", "false"):
            if returned[2] != value:
                yield f"{returned[1]}{value};"
    for call in CALL.finditer(line):
        first, second = call[2].split(", ")
        if first != second:
            yield f"{line[:call.start(2)]}{second}, {first}{line[call.end(2):]}"


def mutants_of(file, seed):
    seen = {}
    for no, line in code_lines((TOP / file).read_text(encoding="utf-8")):
        nth = seen[line] = seen.get(line, 0) + 1
        ranked = [Mutant(file, no, line, new, hashlib.sha256(f"{seed}|{file}|{line}|{nth}|{new}".encode()).hexdigest())
                  for new in dict.fromkeys(changed_lines(line)) if new != line]
        yield from sorted(ranked, key=lambda m: m.rank)


class Build:
    """How a file is compiled and which unit tests hold it."""

    def __init__(self, folder):
        self.folder = pathlib.Path(folder).resolve()
        entries = json.loads((self.folder / "compile_commands.json").read_text())
        self.compile = {os.path.relpath(os.path.join(e["directory"], e["file"]), TOP): e for e in entries}
        known = json.loads((self.folder / "meson-info/intro-tests.json").read_text())
        self.env = {pathlib.Path(t["cmd"][0]).name: {**os.environ, **t["env"]} for t in known}
        self.tests, self.symbols, self.seconds, self.link = {}, {}, {}, {}

    def compile_to(self, file, source, ret):
        """False: no C. The same flags, but -O1 and no debug information, so that equal code gives equal objects."""
        entry = self.compile[file]
        words = [w for w in shlex.split(entry["command"]) if not w.startswith(("-M", "-O", "-g", "-W"))]
        words = [w for w in words if w not in ("ccache", "-c") and not w.endswith((".c", ".o", ".d"))]
        words = [w for w in words if w != "-o"]
        include = ["-iquote", str((TOP / file).parent)]
        no_mutant = ["-Werror=incompatible-pointer-types", "-Werror=int-conversion"]  # every build of the project refuses them
        run = subprocess.run([*words, "-O1", "-g0", *no_mutant, *include, "-c", source, "-o", ret], cwd=self.folder,
                             capture_output=True, check=False)
        return run.returncode == 0

    def public_names(self, path, kinds="T"):
        out = subprocess.run(["nm", path], capture_output=True, text=True, check=True).stdout
        return {line.split()[-1] for line in out.splitlines() if line.split()[-2] in kinds} - {"main"}

    def find_tests(self, file, original, scratch):
        """Unit tests of the file's room which hold its functions, the quickest first; each passes with the original."""
        room = pathlib.Path(file).parent.name
        names, found = self.public_names(original), []
        for source in sorted((TOP / "tests/unit" / room).glob("test_*.c")):
            test = self.folder / "tests/unit" / source.stem
            if test.exists() and names & self.symbols.setdefault(test, self.public_names(test, "Tt")):
                if test not in self.seconds and not self.run(test, test, scratch):
                    sys.exit(f"mutants: {source.stem} fails without any mutant; mend it first")
                found.append((self.seconds[test], test))
        self.tests[file] = [test for _, test in sorted(found)]

    def link_and_run(self, test, object_file, scratch):
        if test not in self.link:
            self.link[test] = subprocess.run(["ninja", "-t", "commands", "-s", str(test.relative_to(self.folder))],
                                             cwd=self.folder, capture_output=True, text=True, check=True).stdout
        program = scratch / test.name
        words = self.link[test].split()
        words[words.index("-o") + 1] = str(program)
        words.insert(words.index("-Wl,--as-needed"), str(object_file))
        subprocess.run(words, cwd=self.folder, check=True, capture_output=True)
        passed = self.run(test, program, scratch)
        program.unlink()
        return passed

    def run(self, test, program, scratch):
        limit = self.seconds.get(test)
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        try:
            passed = subprocess.run([program], cwd=scratch, env=self.env[test.name], capture_output=True, timeout=600, check=False,
                                    preexec_fn=lambda: limit_time(limit)).returncode == 0
        except subprocess.TimeoutExpired:
            passed = False
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        self.seconds.setdefault(test, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
        return passed


def limit_time(seconds):
    """A mutant that never ends is killed by its processor time."""
    if seconds is not None:
        most = int(5 * seconds) + 3
        resource.setrlimit(resource.RLIMIT_CPU, (most, most))


def judge(build, mutant, folder):
    """"killed by NAME", "survived", "same code" or "no C"."""
    with tempfile.TemporaryDirectory(dir=folder) as name:
        scratch = pathlib.Path(name)
        lines = (TOP / mutant.file).read_text(encoding="utf-8").splitlines()
        if lines[mutant.line - 1] != mutant.old:
            sys.exit(f"mutants: {mutant.file} was changed meanwhile; begin again")
        lines[mutant.line - 1] = mutant.new
        source, obj = scratch / pathlib.Path(mutant.file).name, scratch / "mutant.o"
        source.write_text("\n".join(lines) + "\n", encoding="utf-8")
        if not build.compile_to(mutant.file, source, obj):
            return "no C"
        if obj.read_bytes() == original_of(folder, mutant.file).read_bytes():
            return "same code"
        for test in build.tests[mutant.file]:
            if not build.link_and_run(test, obj, scratch):
                return f"killed by {test.name}"
    return "survived"


def original_of(folder, file):
    return pathlib.Path(folder) / (file.replace("/", "_") + ".o")


def known_survivors():
    """{(file, old, new): reason}; the form of survivors.txt stands on its top."""
    ret, text = {}, KNOWN.read_text(encoding="utf-8")
    for part in re.findall(r"^(rig/\S+?):\d+\n- (.*)\n\+ ?(.*)\n((?:  .*\n)+)", text, re.M):
        ret[part[0], part[1].strip(), part[2].strip()] = " ".join(part[3].split())
    return ret


def take(build, wanted, seed, files, folder, workers, tell):
    """(mutant, outcome) of the first `wanted` real mutants by rank, one a line; tell each as it comes."""
    ranked = sorted((m for f in files for m in mutants_of(f, seed)), key=lambda m: m.rank)
    taken, busy = [], set()
    todo = iter(ranked)
    with concurrent.futures.ThreadPoolExecutor(workers) as pool:
        while len(taken) < wanted:
            batch = []
            for m in todo:
                if (m.file, m.line) not in busy and (m.file, m.line) not in {(b.file, b.line) for b in batch}:
                    batch.append(m)
                if len(batch) == min(4 * workers, max(workers, wanted - len(taken))):
                    break
            if not batch:
                break
            for m, outcome in zip(batch, pool.map(lambda m: judge(build, m, folder), batch)):
                if outcome in ("no C", "same code") or len(taken) == wanted:
                    continue
                busy.add((m.file, m.line))
                taken.append((m, outcome))
                tell(m, outcome)
    return taken


def tell(m, outcome):
    print(f"{m.file}:{m.line}: {outcome}\n- {m.old.strip()}\n+ {m.new.strip()}", flush=True)


def main():
    words = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    words.add_argument("build")
    words.add_argument("--count", type=int, default=240)
    words.add_argument("--seed", type=int, default=1)
    words.add_argument("--files", nargs="+", default=FILES)
    words.add_argument("--jobs", type=int, default=2)
    words.add_argument("--list", action="store_true", help="each mutant with its outcome")
    a = words.parse_args()
    os.nice(5)
    build, known = Build(a.build), known_survivors()
    with tempfile.TemporaryDirectory() as folder:
        for file in a.files:
            original = original_of(folder, file)
            if not build.compile_to(file, TOP / file, original):
                sys.exit(f"mutants: {file} does not compile by the command of {a.build}/compile_commands.json")
            build.find_tests(file, original, pathlib.Path(folder))
        taken = take(build, a.count, a.seed, a.files, folder, a.jobs, tell if a.list else lambda m, outcome: None)
    alive = [m for m, outcome in taken if outcome == "survived"]
    new = [m for m in alive if m.key() not in known]
    possible = {m.key() for file in a.files for m in mutants_of(file, a.seed)}
    gone = [key for key in known if key[0] in a.files and key not in possible]
    for m in sorted(new, key=lambda m: (m.file, m.line)):
        print(f"{m.file}:{m.line}\n- {m.old.strip()}\n+ {m.new.strip()}\n  SURVIVED, and survivors.txt has no reason")
    for file, old, _ in gone:
        print(f"{file}: survivors.txt has a reason for a line that is gone\n- {old}")
    for file in a.files:
        here = [(m, outcome) for m, outcome in taken if m.file == file]
        lives = sum(outcome == "survived" for _, outcome in here)
        print(f"{file}: {len(here)} mutants, {len(here) - lives} killed, {lives} alive; tests: "
              + (", ".join(t.name for t in build.tests[file]) or "none"))
    print(f"{len(taken)} mutants (seed {a.seed}): {len(taken) - len(alive)} killed, {len(alive) - len(new)} alive with a reason, "
          f"{len(new)} alive without one")
    return 1 if new or gone else 0


if __name__ == "__main__":
    sys.exit(main())
