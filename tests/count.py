#!/usr/bin/env python3
"""Counts the test cases of meson's logs; exit 1 when one failed or none ran. Usage: count.py FOLDER (meson-logs)

The JUnit log alone is not enough: a program that crashed or ran out of time after some good cases has no bad case there,
and a program of one case that ran out of time stands there like a good one. The JSON log tells how each program ended."""
import json
import pathlib
import re
import sys
import xml.etree.ElementTree as ET


def broken_programs(path):
    """Names of the programs that did not end well, each with how it ended."""
    ended = (json.loads(line) for line in path.read_text(encoding="utf-8").splitlines())
    return {e["name"]: e["result"] for e in ended if e["result"] not in ("OK", "SKIP", "EXPECTEDFAIL")}


def count(folder):
    broken = broken_programs(folder / "testlog.json")
    passed = failed = skipped = 0
    told = set()
    # A failed program's output may hold terminal controls, which XML has no room for.
    text = re.sub(r"[\x00-\x08\x0b\x0c\x0e-\x1f]", "?", (folder / "testlog.junit.xml").read_text(encoding="utf-8", errors="replace"))
    for suite in ET.fromstring(text.encode("utf-8")).iter("testsuite"):
        program = suite.get("name").partition(".")[2]  # empty: the programs of one case stand together
        for case in suite.iter("testcase"):
            whole = "" if program else case.get("name")
            if case.find("failure") is not None or case.find("error") is not None or whole in broken:
                failed += 1
                told.add(program or whole)
                print(f"failed: {suite.get('name')}: {case.get('name')}")
            elif case.find("skipped") is not None:
                skipped += 1
                print(f"skipped: {suite.get('name')}: {case.get('name')}: {(case.findtext('system-out') or 'no reason given').strip()}")
            else:
                passed += 1
    for program in sorted(broken.keys() - told):
        failed += 1
        print(f"failed: {program}: {broken[program]}, none of its cases says why")
    print(f"{passed} passed, {failed} failed, {skipped} skipped")
    return 1 if failed or not passed else 0


sys.exit(count(pathlib.Path(sys.argv[1])))
