#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Runs the sh blocks of a how-to page as they stand, in order, in one shell, in a fresh folder.
Each block must succeed; what the page promises must be there afterwards. Usage: pages.py PAGE"""
import os
import pathlib
import re
import signal
import subprocess
import sys
import tempfile

import harness

PROMISED = {
    "calc": [],
    "how-to-calibrate": [("mybench/logbook", 10000)],
    "how-to-sweep": [("mybench/logbook", 10000), ("mybench/plans/first.ini", 100)],
    "how-to-publish": [("mybench/publish/report.html", 20000), ("mybench/publish/curves.svg", 2000),
                       ("mybench/publish/curves.png", 2000), ("mybench/publish/calibration/certificate.html", 5000), ("mybench/publish/logbook", 10000),
                       ("mybench/drum/report.html", 5000)],
}
SAID = {  # words that the commands of a page must have printed
    "calc": ["k = 2.92", "9.80311", "1.199314", "250 mg", "127.73", "0.071", "DO NOT TRUST THE LINEAR LAW", "undecided", "0.9192", "91.229",
             "115.808", "788.88"],
    "how-to-calibrate": ["Kept as calibration 1", "Kept as map 2", "Fit: line"],
    "how-to-sweep": ["refused with status", "stopped with status", "Ready for plan first"],
    "how-to-publish": ["report.html", "certificate.html", "rpm   "],
}

# What an actuator can carry: pages that need no rig.
PROMISED |= {"how-to-hold": [("model.json", 1000), ("held.csv", 10000), ("second.json", 1000), ("again.json", 1000)], "how-to-play": [("back.json", 200), ("rig-loop.csv", 10000)],
             "how-to-suit": [("figure/cycle.svg", 2000), ("figure/suit.html", 20000), ("side-by-side/suit.html", 20000)], "how-to-tame": [("tame.json", 500)], "how-to-ripple": [("orders.json", 300)],
             "how-to-endure": [("drift/endure.svg", 2000), ("page/report.html", 5000), ("soak.tar.zst", 5000)],
             "how-to-obey": [("response.json", 200)]}
SAID |= {"how-to-hold": ["ended by equilibrium", "Kept: run", "winding, time constant", "S1, continuous", "from its resistance", "N·m"],
         "how-to-play": ["at a locked shaft", "Kept: run", "9.99 arcmin", "lost motion", "Coulomb friction", "ratio"],
         "how-to-tame": ["It oscillates.", "Set these gains", "Keep the gains.", "inertia, arm"],
         "how-to-suit": ["What decides", "winding temperature", "confirmed"],
         "how-to-endure": ["Kept: 6 cycles", "Change of the current without load", "Equal: ", "stopped in order"],
         "how-to-ripple": ["cogging of poles and slots", "rotor, once a turn", "or slower", "friction"],
         "how-to-obey": ["locked shaft", "Kept: run", "dead band", "bandwidth", "Hz"]}


def blocks_of(text):
    """The sh blocks with the line that each begins in."""
    return [(text.count("\n", 0, m.start()) + 1, m[1]) for m in re.finditer(r"^```sh\n(.*?)^```$", text, re.M | re.S)]


def run_page(page):
    blocks = blocks_of(page.read_text(encoding="utf-8"))
    assert len(blocks) > 3, "the page has hardly any sh blocks"
    script = "set -euo pipefail\n" + "".join(
        f"{block}printf '@@ %s ok\\n' {line}\n" for line, block in blocks)
    folder = pathlib.Path(harness.BRIDLE).parent
    # into a file: a virtual bench that the page leaves running would keep a pipe open
    with tempfile.TemporaryDirectory(prefix="bridle-page-") as home, tempfile.TemporaryFile("w+", encoding="utf-8") as said:
        shell = subprocess.Popen(["bash", "-c", script], cwd=home, stdin=subprocess.DEVNULL, stdout=said,
                                 stderr=subprocess.STDOUT, text=True, start_new_session=True,
                                 env={**os.environ, "PATH": f"{folder}:{os.environ['PATH']}"})
        timed_out = ""
        try:
            shell.wait(timeout=240)
        except subprocess.TimeoutExpired:
            timed_out = "\n(timed out)"
        finally:
            try:
                os.killpg(shell.pid, signal.SIGKILL)  # a virtual bench that a failed page left behind
            except ProcessLookupError:
                pass
            shell.wait()
        said.seek(0)
        out = said.read() + timed_out
        done = {int(n) for n in re.findall(r"^@@ (\d+) ok$", out, re.M)}
        for line, _ in blocks:
            assert line in done, f"{page.name}:{line}: this block failed:\n{out[-3000:]}"
        assert shell.returncode == 0, out[-3000:]
        for name, size in PROMISED[page.stem]:
            path = pathlib.Path(home) / name
            assert path.is_file() and path.stat().st_size >= size, f"{name} is missing or small\n{out[-2000:]}"
        for words in SAID[page.stem]:
            assert words in out, f"\"{words}\" was not said:\n{out[-6000:]}"


if __name__ == "__main__":
    page = harness.ROOT / "docs" / f"{sys.argv[1]}.md"

    def page_runs():
        run_page(page)

    page_runs.__name__ = f"{page.name} runs as it stands"
    harness.main(page_runs)
