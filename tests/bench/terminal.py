# SPDX-License-Identifier: GPL-3.0-or-later
"""A command on a terminal of its own, with somebody who types."""
import fcntl
import os
import pty
import struct
import subprocess
import termios
import threading

import harness


class Terminal:
    """A command on a terminal of its own; answers go in when so many questions have been asked."""

    def __init__(self, *args, width=80):
        self.far, near = pty.openpty()
        fcntl.ioctl(near, termios.TIOCSWINSZ, struct.pack("HHHH", 24, width, 0, 0))
        self.process = subprocess.Popen([harness.BRIDLE, *map(str, args)], stdin=near, stdout=near, stderr=near,
                                        start_new_session=True, preexec_fn=lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0))
        os.close(near)
        self.text = ""
        self.reader = threading.Thread(target=self.read, daemon=True)
        self.reader.start()

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
        status = self.process.wait(30)
        self.reader.join(5)  # what it said last may still be on its way
        return status
