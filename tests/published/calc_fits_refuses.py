#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Wrong input to calc regress, mean and allan: one sentence, exit 2, with --json a cause and the same sentence.

Usage: calc_fits_refuses.py BRIDLE. Prints TAP."""
import json
import subprocess
import sys
import tempfile
from pathlib import Path

bridle = sys.argv[1]
line = "x,y\n1,2\n2,3\n3,5\n4,4\n"
rows = [  # name, file's text (None: no file), arguments, what the sentence says
    ("no such file", None, ["regress"], "cannot be opened"),
    ("empty file", "", ["regress"], "empty"),
    ("headings only", "x,y\n", ["regress"], "no rows"),
    ("no headings", "1,2\n3,4\n", ["regress"], "heading"),
    ("one column", "x\n1\n2\n3\n", ["regress"], "one column only"),
    ("two points", "x,y\n1,2\n2,3\n", ["regress"], "too few"),
    ("too few for the degree", line, ["regress", "--degree", "3"], "too few"),
    ("equal abscissae", "x,y\n2,1\n2,2\n2,3\n", ["regress"], "same x"),
    ("NaN", "x,y\n1,nan\n2,3\n3,4\n", ["regress"], "no number"),
    ("not a number", "x,y\n1,two\n2,3\n3,4\n", ["regress"], ":2:"),
    ("overflow", "x,y\n1,1e999\n2,3\n3,4\n", ["regress"], "too large"),
    ("large", "x,y\n1,1e200\n2,3\n3,4\n", ["regress"], "too large"),
    ("short row", "x,y\n1,2\n2\n", ["regress"], "expected 2"),
    ("no such column", line, ["regress", "--y", "z"], "no column"),
    ("x twice", line, ["regress", "--x", "y", "--y", "y"], "taken for both"),
    ("degree of letters", line, ["regress", "--degree", "two"], "--degree"),
    ("degree 11", line, ["regress", "--degree", "11"], "1 to 10"),
    ("half a degree", line, ["regress", "--degree", "1.5"], "whole number"),
    ("negative uncertainty", "x,y,u\n1,2,1\n2,3,-1\n3,4,1\n", ["regress", "--weights", "u"], "standard uncertainty"),
    ("zero uncertainty", "x,y,u\n1,2,1\n2,3,0\n3,4,1\n", ["regress", "--weights", "u"], "above zero"),
    ("negative weight", "x,y,w\n1,2,1\n2,3,-1\n3,4,1\n", ["regress", "--weights", "w"], "weight"),
    ("columns that follow from one another", "a,b,y\n1,2,1\n2,4,2\n3,6,4\n4,8,3\n", ["regress", "--x", "a,b", "--y", "y"],
     "follows from"),
    ("no errors in x", line, ["regress", "--errors-in-both"], "no column with the uncertainties"),
    ("parts that do not go together", line, ["regress", "--errors-in-both", "--robust"], "leave out"),
    ("inverse beyond the curve", line, ["regress", "--invert", "99"], "does not take"),
    ("unknown option", line, ["regress", "--digree", "2"], "did you mean"),
    ("mean of nothing", "y\n", ["mean"], "no rows"),
    ("mean of one", "y\n1\n", ["mean"], "too few"),
    ("batches of too few", "y\n1\n2\n3\n", ["mean", "--batches", "7"], "too few"),
    ("one batch", "y\n1\n2\n3\n", ["mean", "--batches", "1"], "at least 2"),
    ("overflow in a mean", "y\n1e308\n1e308\n-1e308\n", ["mean"], "too large"),
    ("Allan of one", "y\n1\n", ["allan"], "at least 2"),
    ("negative time", "y\n1\n2\n3\n", ["allan", "--tau0", "-1"], "positive"),
    ("tau between readings", "y\n1\n2\n3\n4\n", ["allan", "--tau", "1.5"], "whole multiple"),
    ("tau beyond half", "y\n1\n2\n3\n4\n", ["allan", "--tau", "3"], "at most half"),
]

failed = 0
print(f"1..{len(rows)}")
with tempfile.TemporaryDirectory(prefix="bridle-refuse-") as folder:
    for number, (name, text, args, says) in enumerate(rows, 1):
        path = Path(folder) / f"t{number}.csv"
        if text is not None:
            path.write_text(text)
        command = [bridle, "calc", args[0], str(path), *args[1:]]
        plain = subprocess.run(command, capture_output=True, text=True)
        marked = subprocess.run([*command, "--json"], capture_output=True, text=True)
        sentence = plain.stderr.strip()
        good = plain.returncode == 2 and plain.stdout == "" and says in sentence and sentence.count("\n") == 0
        try:
            document = json.loads(marked.stdout)
            good = good and marked.returncode == 2 and says in document["message"] and bool(document["cause"])
        except (ValueError, KeyError):
            good = False
        failed += not good
        print(f"{'ok' if good else 'not ok'} {number} - {name}")
        if not good:
            print(f"# exit {plain.returncode}: {sentence!r}; {marked.stdout!r}")
sys.exit(1 if failed else 0)
