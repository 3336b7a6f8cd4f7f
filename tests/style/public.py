#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Every public function of the house has a caller in the house besides its own file; one that only tests call is a door to nowhere.

Public is what an object file exports. What a file shows to its tests alone stands in NAME_private.h beside it, and the file
itself calls it. Looks at the object files of a build (nm), so a function in a table counts as called.

    python3 tests/style/public.py [BUILD]      # exits with 1 and one line for each function; wants a door, "static", or the bin"""
import pathlib
import re
import subprocess
import sys

TOP = pathlib.Path(__file__).parents[2]
BUILD = pathlib.Path(sys.argv[1] if len(sys.argv) > 1 else TOP / "build")
ROOTS = ("calib", "rig", "reports")
# Called by tests alone, and why that is right.
ALLOWED = {
    "tether_crc": "for firmware that frames its lines by itself; the check value is published",
    "warden_host_pid": "the tests of its process stop and kill it",
    "world_energy": "the sum of the bench's energies, which physics as a property needs",
}


def symbols():
    """{function: object file that exports it}, {function: its users outside of the tests, its own file not among them}."""
    defined, wanted = {}, {}
    objects = sorted(str(p) for p in BUILD.rglob("*.o") if p.relative_to(BUILD).parts[0] in ROOTS + ("docs",))
    if not objects:
        sys.exit(f"public.py: no object files in {BUILD}; build first")
    told = subprocess.run(["nm", "-gA", *objects], capture_output=True, text=True, check=True).stdout
    for path, kind, name in re.findall(r"^(.*?):\s*(?:[0-9a-f]+)? (\w) (\S+)$", told, re.M):
        path = pathlib.Path(path)
        if kind == "T" and path.relative_to(BUILD).parts[0] in ROOTS and name != "main":
            defined[name] = path
        elif kind == "U":
            wanted.setdefault(name, set()).add(path)
    return defined, wanted


def own_uses(name, source):
    """How often the file that defines it has its name, less the definition."""
    return len(re.findall(rf"\b{name}\b", re.sub(r"/\*.*?\*/|//[^\n]*", "", source.read_text(encoding="utf-8"), flags=re.S))) - 1


def main():
    defined, wanted = symbols()
    private = "\n".join(p.read_text(encoding="utf-8") for root in ROOTS for p in (TOP / root).rglob("*_private.h"))
    sources = {p.name: p for root in ROOTS for p in (TOP / root).rglob("*.c")}
    bad = []
    for name, path in sorted(defined.items(), key=lambda item: (str(item[1]), item[0])):
        source = sources.get(re.sub(r"^.*_(?=\w+_main\.c)|^\.\._", "", path.name.removesuffix(".o")))
        if wanted.get(name) or name in ALLOWED:
            continue
        shown = re.search(rf"\b{name}\(", private)
        if source and shown and own_uses(name, source) > 0:
            continue
        alone = source and own_uses(name, source) > 0
        bad.append(f"{source or path}: {name}: " + ("only its own file calls it: make it static, or show it to its tests in "
                                                    "NAME_private.h" if alone else "nobody but tests calls it"))
    bad += [f'ALLOWED has {name}, which ' + ("is called now" if name in defined else "is not there") for name in ALLOWED
            if name not in defined or wanted.get(name)]
    print("\n".join(bad) if bad else f"{len(defined)} functions, each with a caller")
    return 1 if bad else 0


sys.exit(main())
