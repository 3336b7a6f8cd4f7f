#!/usr/bin/env python3
"""Counts the test cases of meson's JUnit log; exit 1 when one failed or none ran."""
import sys
import xml.etree.ElementTree as ET

passed = failed = skipped = 0
for suite in ET.parse(sys.argv[1]).getroot().iter("testsuite"):
    for case in suite.iter("testcase"):
        if case.find("failure") is not None or case.find("error") is not None:
            failed += 1
            print(f"failed: {suite.get('name')}: {case.get('name')}")
        elif case.find("skipped") is not None:
            skipped += 1
        else:
            passed += 1
print(f"{passed} passed, {failed} failed, {skipped} skipped")
sys.exit(1 if failed or not passed else 0)
