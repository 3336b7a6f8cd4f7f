#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""What a person meets at a terminal of 80 columns: questions that fit, and Ctrl-C as the answer q."""
import fcntl
import os
import pty
import re
import struct
import subprocess
import termios
import threading

import harness


class Terminal:
    """A command on a terminal of its own; answers go in when so many questions have been asked."""

    def __init__(self, *args):
        self.far, near = pty.openpty()
        fcntl.ioctl(near, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
        self.process = subprocess.Popen([harness.BRIDLE, *map(str, args)], stdin=near, stdout=near, stderr=near,
                                        start_new_session=True, preexec_fn=lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0))
        os.close(near)
        self.text = ""
        threading.Thread(target=self.read, daemon=True).start()

    def read(self):
        try:
            while part := os.read(self.far, 4096):
                self.text += part.decode(errors="replace")
        except OSError:
            pass  # the terminal ends with its program

    def answer(self, question, count, keys):
        harness.wait_for(lambda: self.text.count(question) >= count, 30, f"{count} times \"{question}\"")
        os.write(self.far, keys)

    def end(self):
        return self.process.wait(30)


def widest(text):
    return max(len(line) for line in re.split(r"[\r\n]+", text.replace("\033[K", "")))


def outcomes(bench):
    return [run["outcome"] for run in bench.must("log", "list")["runs"]]


def ctrl_c_at_a_weight_ends_the_run_with_its_words():
    with harness.Bench(seed=3) as bench:
        bench.must("probe", "--seconds", 1)  # the bench is up
        hang = Terminal("hang", "--bench", bench.folder)
        hang.answer("q to stop:", 1, b"\n")
        hang.answer("q to stop:", 2, b"\x03")
        hang.answer("q to stop:", 3, b"\n")  # weights and arm come off, whatever happened
        assert hang.end() == 1, hang.text
        assert "stopped by the operator at: Preload" in hang.text, hang.text
        assert "Take off weights" in hang.text and widest(hang.text) <= 80, hang.text
        assert outcomes(bench)[-1] == "refused", outcomes(bench)


if __name__ == "__main__":
    harness.main(ctrl_c_at_a_weight_ends_the_run_with_its_words)
