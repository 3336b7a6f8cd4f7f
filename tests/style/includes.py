#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Who includes whom, against the table of DEVELOPERS.md ("Rooms, and who may call whom"), which is the only list of what is allowed.

Refused: a room or library that the room's row does not name; a private header (NAME_private.h) outside its room; two files of a
room that lean on each other (a.h or a.c includes b.h and b.h or b.c includes a.h), however long the way round; an include that
does not name its room; a folder without a row and a row without a folder.

    python3 tests/style/includes.py [TOP]      # exits with 1 and one line for each mistake"""
import pathlib
import re
import sys

TOP = pathlib.Path(sys.argv[1] if len(sys.argv) > 1 else pathlib.Path(__file__).parents[2])
ROOTS = ("calib", "rig", "reports")
LIBRARIES = {"GSL": "gsl/", "UDUNITS-2": "udunits2.h", "SQLite": "sqlite3.h", "Jansson": "jansson.h", "libinih": "ini.h",
             "libserialport": "libserialport.h", "libgpiod": "gpiod.h", "libmosquitto": "mosquitto.h", "nettle": "nettle/", "libarchive": "archive", "muParser": "muParser",
             "libpq": "libpq-fe.h"}


def table():
    """{room: set of what it may use} of the page, with group names ("calib") resolved."""
    page = (TOP / "DEVELOPERS.md").read_text(encoding="utf-8")
    part = page.split("## Rooms, and who may call whom")[1].split("\n## ")[0]
    rows = re.findall(r"^\| `([\w/]+)` \|[^|]*\|([^|]*)\|$", part, re.M)
    rooms = [room for room, _ in rows]
    ret = {}
    for room, cell in rows:
        ret[room] = set()
        for word in re.split(r",\s*", re.sub(r"\([^)]*\)", "", cell).strip()):
            word = word.strip()
            named = [r for r in rooms if r == word or r.startswith(word + "/") or r.split("/")[-1] == word]
            if word == "everything":
                ret[room] |= set(rooms) | set(LIBRARIES)
            elif word in LIBRARIES:
                ret[room].add(word)
            elif named:
                ret[room] |= set(named)
            elif word != "nothing":
                sys.exit(f'DEVELOPERS.md: the row of {room} allows "{word}"; expected the name of a room or of a library ('
                         + ", ".join(LIBRARIES) + ")")
    return ret


def room_of(path):
    """The folder, as the table calls it; the files of rig/ itself are the program, which is rig/command's."""
    folder = str(path.parent)
    return "rig/command" if folder == "rig" else folder


def unit_of(path):
    """a.c, a.h and a_private.h are one file in two or three parts."""
    return str(path.with_suffix("")).removesuffix("_private")


def circles(graph):
    """Strongly connected components of more than one (Tarjan)."""
    found, stack, number, low = [], [], {}, {}

    def visit(v):
        number[v] = low[v] = len(number)
        stack.append(v)
        for w in sorted(graph.get(v, ())):
            if w not in number:
                visit(w)
                low[v] = min(low[v], low[w])
            elif w in stack:
                low[v] = min(low[v], number[w])
        if low[v] == number[v]:
            at = stack.index(v)
            if len(stack) - at > 1:
                found.append(sorted(stack[at:]))
            del stack[at:]

    for v in sorted(graph):
        if v not in number:
            visit(v)
    return found


def main():
    allowed = table()
    files = sorted(p.relative_to(TOP) for root in ROOTS for p in (TOP / root).rglob("*.[ch]"))
    known, wrong, graph = set(files), [], {}
    for path in files:
        room = room_of(path)
        if room not in allowed:
            wrong.append(f"{path}: its folder {room} has no row in the table of DEVELOPERS.md")
            continue
        for no, line in enumerate((TOP / path).read_text(encoding="utf-8").splitlines(), 1):
            own = re.match(r'\s*#\s*include\s*"([^"]+)"', line)
            other = re.match(r"\s*#\s*include\s*<([^>]+)>", line)
            where = f"{path}:{no}"
            if own:
                target = next((t for t in (pathlib.Path(own[1]), pathlib.Path("rig") / own[1]) if t in known), None)
                if target is None:
                    wrong.append(f'{where}: "{own[1]}" is no file of the house; expected ROOM/NAME.h')
                    continue
                if room_of(target) != room and room_of(target) not in allowed[room]:
                    wrong.append(f"{where}: {room} may not use {room_of(target)} ({own[1]}); the table of DEVELOPERS.md "
                                 "does not allow it")
                if target.stem.endswith("_private") and room_of(target) != room:
                    wrong.append(f"{where}: {own[1]} is private to {room_of(target)}")
                if unit_of(target) != unit_of(path):
                    graph.setdefault(unit_of(path), set()).add(unit_of(target))
            elif other:
                for library, begin in LIBRARIES.items():
                    if other[1].startswith(begin) and library not in allowed[room]:
                        wrong.append(f"{where}: {room} may not use {library} (<{other[1]}>); the table of DEVELOPERS.md "
                                     "does not allow it")
    for room in sorted(set(allowed) - {room_of(p) for p in files}):
        wrong.append(f"DEVELOPERS.md: the table has a row for {room}, which holds no source")
    for circle in circles(graph):
        wrong.append("a circle of includes: " + ", ".join(circle) + "; move what both need into one of them or a third")
    print("\n".join(wrong) if wrong else f"{len(files)} files, {len(allowed)} rooms: every include is allowed")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
