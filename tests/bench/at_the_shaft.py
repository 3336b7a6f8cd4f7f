#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""I19: a person hangs weights at a real rig (a stranger's node, the machine's clock): what the question says of drive and contactor, and
that the watching goes on while it waits."""
import re
import shutil
import subprocess
import sys
import tempfile
import pathlib

import harness
from terminal import Terminal

HERE = pathlib.Path(__file__).resolve().parent


def with_node(test, *options):
    with tempfile.TemporaryDirectory(prefix="bridle-") as home:
        folder = pathlib.Path(home) / "bench"
        shutil.copytree(harness.EXAMPLE, folder)
        node = subprocess.Popen([sys.executable, HERE / "stranger_node.py", "tcp", *options], stdin=subprocess.DEVNULL,
                                stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
        text = (folder / "rig.ini").read_text()
        text = re.sub(r"(?m)^link = .*", f"link = {node.stdout.readline().strip()}", text)
        text = re.sub(r"(?ms)^\[virtual\].*?(?=^\[)", "", text)
        text = re.sub(r"(?ms)^\[guard\].*?(?=^\[|\Z)", "", text) + "\n[guard]\nsilent = 3 s\ncell_stale = 5 s\n"
        (folder / "rig.ini").write_text(text)
        try:
            test(Terminal("hang", "--bench", folder))
        finally:
            node.kill()
            node.communicate()


def the_question_says_what_was_seen(hang):
    harness.wait_for(lambda: "q to stop:" in hang.text, 30, "the first question")
    assert "Drive off, contactor open." in hang.text.split("q to stop:")[0], hang.text
    hang.answer("q to stop:", 1, b"q\n")
    hang.answer("q to stop:", 2, b"\n")
    assert hang.end() == 1, hang.text


def a_contactor_that_closes_meanwhile_ends_the_question(hang):
    harness.wait_for(lambda: "q to stop:" in hang.text, 30, "the first question")
    assert "Drive off, contactor open." in hang.text, hang.text
    assert hang.end() == 3, hang.text  # nobody typed anything
    said = " ".join(hang.text.split())
    assert re.search("NOT SAFE: .*[Tt]he contactor was not seen open[.] KEEP AWAY", said), hang.text
    assert "Take off weights" not in said, "a person was sent to the shaft"


def so_does_it_while_a_run_that_was_given_up_is_cleared_away(hang):
    hang.answer("q to stop:", 1, b"q\n")
    harness.wait_for(lambda: hang.text.count("q to stop:") == 2, 30, "the question that sends to the shaft once more")
    assert hang.end() == 3, hang.text  # nobody typed anything
    said = " ".join(hang.text.split("q to stop:")[2].split())
    assert re.search("bridle: NOT SAFE: .*[Tt]he contactor was not seen open[.] KEEP AWAY.* the operator stopped at", said), hang.text


def a_node_that_does_not_sense_it_says_so(hang):
    harness.wait_for(lambda: "q to stop:" in hang.text, 30, "the first question")
    assert "This node does not sense the contactor." in hang.text and "contactor open" not in hang.text, hang.text
    hang.answer("q to stop:", 1, b"q\n")
    hang.answer("q to stop:", 2, b"\n")
    assert hang.end() == 1, hang.text


def case(test, *options):
    def run():
        with_node(test, *options)
    run.__name__ = test.__name__
    return run


harness.main(case(the_question_says_what_was_seen), case(a_contactor_that_closes_meanwhile_ends_the_question, "--closes-after", "5"),
             case(so_does_it_while_a_run_that_was_given_up_is_cleared_away, "--closes-after", "6"),
             case(a_node_that_does_not_sense_it_says_so, "--lines", "estop"))
