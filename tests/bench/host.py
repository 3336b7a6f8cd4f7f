# SPDX-License-Identifier: GPL-3.0-or-later
"""A host written from docs/tether.md alone, in another language than the program's: the control line and the
tether of a virtual bench, in lock-step."""
import os
import select
import socket
import termios

PATIENCE_S = 10  # of machine time


def crc(data):
    value = 0xFFFF
    for byte in data:
        value ^= byte << 8
        for _ in range(8):
            value = ((value << 1) ^ 0x1021 if value & 0x8000 else value << 1) & 0xFFFF
    return value


def frame(body):
    return f"{body} ={crc(body.encode()):04X}\n".encode()


def body_of(line):
    """The body of a line of bytes, or None when it is not a good one."""
    body, mark, check = line.rpartition(b" =")
    return body.decode() if mark and len(check) == 4 and check == b"%04X" % crc(body) else None


class Sample:
    def __init__(self, body):
        f = body.split()
        self.body, self.number, self.t_us = body, int(f[1], 16), int(f[2], 16)
        self.cell, self.conversion, self.pulses = int(f[3]), int(f[4], 16), int(f[5], 16)
        self.age_us, self.brake_mA, self.volt_mV, self.amp_mA, self.ack = *map(int, f[6:10]), int(f[10], 16)


class Slow:
    def __init__(self, body):
        f = body.split()
        self.body, lines, self.state, self.reason, self.drive = body, int(f[2], 16), f[3], f[4], int(f[5], 16)
        self.estop_ok, self.guard_ok, self.contactor = bool(lines & 1), bool(lines & 2), bool(lines & 4)
        self.rotor_rpm, self.drive_A = int(f[6]) / 10, int(f[7]) / 1000
        self.temps = [None if x == "-" else int(x) / 10 for x in f[8:]]


class Gone(Exception):
    pass


class Line:
    def __init__(self, address, folder):
        if address.startswith("/dev/"):
            self.fd = os.open(address, os.O_RDWR | os.O_NOCTTY)
            raw = termios.tcgetattr(self.fd)
            raw[0] = raw[1] = raw[3] = 0
            termios.tcsetattr(self.fd, termios.TCSANOW, raw)
        else:
            kind, rest = address.split(":", 1)
            if kind == "unix":
                self.socket = socket.socket(socket.AF_UNIX)
                self.socket.connect(os.path.join(folder, rest))
            else:
                host, port = rest.rsplit(":", 1)
                self.socket = socket.create_connection((host, int(port)))
                self.socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self.fd = self.socket.fileno()
        self.written = self.read = self.bad = 0
        self.rest = b""

    def write(self, data):
        while data:
            n = os.write(self.fd, data)
            self.written += n
            data = data[n:]

    def take(self):
        """Bodies of the good lines that are there; waits for at least one byte."""
        if not select.select([self.fd], [], [], PATIENCE_S)[0]:
            raise TimeoutError(f"nothing came for {PATIENCE_S} s")
        data = os.read(self.fd, 65536)
        if not data:
            raise Gone()
        self.read += len(data)
        *lines, self.rest = (self.rest + data).split(b"\n")
        bodies = [body_of(line) for line in lines if line]
        self.bad += bodies.count(None)
        return [b for b in bodies if b is not None]

    def close(self):
        if hasattr(self, "socket"):
            self.socket.close()
        else:
            os.close(self.fd)


class Host:
    """Opens the control line, then the tether, and closes them the other way round."""

    def __init__(self, folder, tether="unix:run/tether.sock", control="unix:run/control.sock"):
        folder = str(folder)
        self.control = Line(control, folder)
        self.control_seq = self.seq = 0
        assert self.ask("hello 1").startswith("ok 1 bench ")
        self.now = int(self.ask("now").split()[1])
        self.tether = Line(tether, folder)
        self.bodies, self.samples, self.slow, self.events, self.answers = [], [], [], [], {}

    def close(self):
        self.tether.close()
        self.control.close()

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.close()

    def ask(self, body):
        self.control_seq = (self.control_seq + 1) % 256
        self.control.write(frame(f"?{self.control_seq} {body}"))
        bodies = []
        while not bodies:
            bodies = self.control.take()
        head, _, words = bodies[0].partition(" ")
        assert head == f"!{self.control_seq}", (body, bodies)
        return words

    def hand(self, act):
        answer = self.ask(f"hand {act}")
        assert answer == "ok", (act, answer)

    def send(self, body):
        self.seq = (self.seq + 1) % 256
        self.tether.write(frame(f"?{self.seq} {body}"))

    def note(self, body):
        self.bodies.append(body)
        if body[0] == "F":
            self.samples.append(Sample(body))
        elif body[0] == "S":
            self.slow.append(Slow(body))
        elif body[0] == "E":
            self.events.append(tuple(body.split()[2:4]))
        elif body[0] == "!":
            head, _, words = body.partition(" ")
            self.answers[int(head[1:])] = words

    def advance(self, us):
        self.now += us
        answer = self.ask(f"advance {self.now} {self.tether.written}").split()
        assert answer[:2] == ["ok", str(self.now)], answer
        while self.tether.read < int(answer[2]):
            for body in self.tether.take():
                self.note(body)

    def request(self, body):
        """The answer, or None after 100 ms of bench time."""
        self.send(body)
        self.answers.pop(self.seq, None)
        for _ in range(50):
            self.advance(2000)
            if self.seq in self.answers:
                return self.answers[self.seq]
        return None

    def must(self, body):
        answer = self.request(body)
        assert answer is not None and answer.split()[0] == "ok", (body, answer)
        return answer

    def go(self, seconds, setting=None, until=None):
        """Go on in ticks of 10 ms; the set-point is renewed every 100 ms. True when until() came true."""
        for tick in range(round(seconds * 100)):
            if setting and tick % 10 == 0:
                self.send(f"set 300 {setting}")
            self.advance(10000)
            if until and until():
                return True
        return False

    def start(self, setting="speed 28800 300", seconds=3):
        """Telemetry, power, and a shaft that turns under load."""
        self.must("rate 100 10")
        self.must("power on")
        self.go(0.2)
        self.go(seconds, setting)

    def speed_rpm(self, n=20, pulses_per_rev=2400):
        a, b = self.samples[-n], self.samples[-1]
        moved = (b.pulses - a.pulses + 32768) % 65536 - 32768
        return moved / pulses_per_rev / ((b.t_us - b.age_us - a.t_us + a.age_us) * 1e-6) * 60
