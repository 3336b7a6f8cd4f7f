#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Public functions that no other file of the house calls: only tests, or only their own file. By hand, after a build.

    python3 tests/style/public.py [BUILD]

Each of them wants a door, "static", or the bin. Looks at the object files (nm), so calls through a pointer count as calls."""
import pathlib
import subprocess
import sys

BUILD = pathlib.Path(sys.argv[1] if len(sys.argv) > 1 else "build")


def main():
    defined, wanted = {}, {}
    for path in BUILD.rglob("*.o"):
        ours = "tests" not in path.relative_to(BUILD).parts
        for line in subprocess.run(["nm", path], capture_output=True, text=True, check=True).stdout.splitlines():
            *_, kind, name = line.split()
            if kind == "T" and ours and name != "main":
                defined[name] = path
            elif kind == "U":
                wanted.setdefault(name, set()).add((path, ours))
    if not defined:
        sys.exit(f"public.py: no object files in {BUILD}; build first")
    for name, path in sorted(defined.items(), key=lambda item: (str(item[1]), item[0])):
        users = wanted.get(name, set())
        if not any(ours for _, ours in users):
            tests = sorted(p.name.removesuffix(".c.o") for p, _ in users)
            print(f"{path.parent.name.removesuffix('.p')}/{path.name.removesuffix('.o')}: {name}: "
                  + (", ".join(tests) if tests else "its own file, or nobody"))


if __name__ == "__main__":
    main()
