#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""A small node by a stranger: written from docs/tether.md alone, sharing no code with the program. Its rig is
a shaft that turns at a steady 123 pulses/s and a cell that counts -1204 and -1205 in turn. Serves a tcp port or a pseudo-terminal in real time.

    stranger_node.py tcp        prints tcp:127.0.0.1:PORT
    stranger_node.py pty        prints serial:/dev/pts/N
    ... --version N             speak version N instead of 1
    ... --restart-after S       lose power for a moment S seconds after the greeting
    ... --name NAME
"""
import argparse
import os
import select
import socket
import sys
import time
import tty

PULSES_PER_S = 123.0
CONVERSIONS_PER_S = 80
BRAKE_MA = 1200


def crc(body):
    c = 0xFFFF
    for byte in body.encode("ascii"):
        c ^= byte << 8
        for _ in range(8):
            c = (c << 1 ^ 0x1021 if c & 0x8000 else c << 1) & 0xFFFF
    return c


def line(body):
    return f"{body} ={crc(body):04X}\n".encode("ascii")


class Lines:
    """Bytes to bodies of good lines."""

    def __init__(self):
        self.buf, self.bad = b"", 0

    def feed(self, data):
        self.buf += data
        *whole, self.buf = self.buf.split(b"\n")
        for raw in whole:
            if raw.endswith(b"\r"):
                raw = raw[:-1]
            if not raw:
                continue
            text = raw.decode("ascii", "replace")
            body = text[:-6]
            if len(raw) < 120 and text.isprintable() and body and line(body)[:-1] == raw:
                yield body
            else:
                self.bad += 1


class Node:
    def __init__(self, write, version=1, name="stranger", clock=time.monotonic, lines="estop guard contactor", without=()):
        self.write, self.version, self.name, self.clock, self.senses = write, version, name, clock, lines
        self.without = without
        self.born = self.clock()
        self.lines = Lines()
        self.last = None
        self.heard = []
        self.boot = 0x1F00
        self.start("power")

    def start(self, cause):
        self.boot += 1
        self.state, self.reason = "idle", "none"
        self.rate = self.slow = self.sample = self.event_count = self.ack = 0
        self.brake = 0
        self.mode, self.contactor = "off", False
        self.due = self.lease_end = None
        self.say(f"B {self.boot:04x} {cause}")

    def say(self, body):
        self.write(line(body))

    def us(self):
        return int((self.clock() - self.born) * 1e6)

    def t(self):
        return f"{self.us() + 0xFFF00000 & 0xFFFFFFFF:08x}"  # wraps a second after the start

    def event(self, words):
        self.say(f"E {self.event_count:02x} {words} {self.t()}")
        self.event_count = self.event_count + 1 & 0xFF

    def enter(self, state):
        if state != self.state:
            self.state = state
            self.event(f"state {state}")

    def line_bits(self):
        good = {"estop": True, "guard": True, "contactor": self.contactor}
        return sum(good[name] << bit for bit, name in enumerate(self.senses.split()))

    def close_contactor(self, closed):
        if closed != self.contactor:
            self.contactor = closed
            self.event(f"contactor {int(closed)}")

    def go_safe(self, reason):
        if self.state in ("idle", "live"):
            self.mode, self.reason, self.lease_end = "off", reason, None
            self.brake = max(self.brake, BRAKE_MA // 2)
            self.stop_end = self.clock() + 10  # this shaft never stands
            self.close_contactor(False)
            self.enter("stopping")

    def set(self, words):
        try:
            lease, mode, value, brake = int(words[0]), words[1], int(words[2]), int(words[3])
        except (ValueError, IndexError):
            return "no args"
        if len(words) != 4 or mode not in ("off", "speed", "current"):
            return "no args"
        if not (10 <= lease <= 5000 and abs(value) <= 999999 and 0 <= brake <= BRAKE_MA) or (mode == "off" and value):
            return "no range"
        if self.state in ("safe", "stopping"):
            return f"no {self.state}"
        if mode != "off" and not self.contactor:
            return "no power"
        self.mode, self.brake = mode, brake
        live = mode != "off" or brake
        self.lease_end = self.clock() + lease / 1000 if live or self.contactor else None
        self.ack = self.seq
        self.enter("live" if live else "idle")
        return None if self.rate else "ok"

    def answer(self, verb, words):
        infos = {"cell": f"24 {CONVERSIONS_PER_S}", "pick": "quad", "brake": str(BRAKE_MA), "meter": "", "drive": "speed current",
                 "temp": "brake ambient", "lines": self.senses, "clock": "200"}
        infos = {channel: words for channel, words in infos.items() if channel not in self.without}
        if verb == "hello":
            ok = words == [str(self.version)]
            return f"ok {self.version} {self.name} {self.boot:04x} {self.t()}" if ok else f"no version {self.version}"
        if verb == "caps":
            return "ok " + " ".join(infos)
        if verb == "info":
            return f"ok {infos[words[0]]}".strip() if words and words[0] in infos else "no args"
        if verb == "rate":
            if len(words) != 2 or not all(w.isdigit() for w in words):
                return "no args"
            if int(words[0]) > 200 or not 1 <= int(words[1]) <= 1000:
                return "no range"
            self.rate, self.slow = int(words[0]), int(words[1])
            self.due = self.clock() + 1 / self.rate if self.rate else None
            return "ok"
        if verb == "set":
            return self.set(words)
        if verb == "power" and words in (["on"], ["off"]):
            if words == ["on"] and self.state in ("safe", "stopping"):
                return "no safe"
            if words == ["off"]:
                self.mode = "off"
            self.close_contactor(words == ["on"])
            if words == ["on"] and self.lease_end is None:
                self.lease_end = self.clock() + 1
            elif words == ["off"] and self.state == "idle":
                self.lease_end = None
            return "ok"
        if verb == "restart":
            return "ok" if self.mode == "off" else "no live"
        if verb == "safe":
            self.go_safe("host")
            return "ok"
        if verb == "clear":
            if self.state in ("live", "stopping"):
                return "no moving"
            self.reason = "none"
            self.enter("idle")
            return "ok"
        if verb == "status":
            return f"ok {self.state} {self.reason} {self.lines.bad % 65536}"
        return "no args" if verb == "power" else "no verb"

    def receive(self, data):
        for body in self.lines.feed(data):
            head, *words = body.split(" ")
            if not words or head[0] != "?" or not head[1:].isdigit():
                continue
            self.heard.append(body)
            self.seq = int(head[1:])
            if body != self.last:
                self.last, self.said = body, self.answer(words[0], words[1:])
            if self.said is not None:
                self.say(f"!{self.seq} {self.said}")

    def tick(self):
        now = self.clock()
        if self.lease_end is not None and now >= self.lease_end:
            self.go_safe("lease")
        if self.state == "stopping" and now >= self.stop_end:
            self.brake = 0
            self.enter("safe")
        while self.due is not None and now >= self.due:
            self.take_sample()
            self.due += 1 / self.rate

    def take_sample(self):
        us = self.us()
        pulses = int(us * 1e-6 * PULSES_PER_S)
        age = us - int(pulses / PULSES_PER_S * 1e6) if pulses else 999999
        conversion = int(us * 1e-6 * CONVERSIONS_PER_S)
        self.say(f"F {self.sample:02x} {us + 0xFFF00000 & 0xFFFFFFFF:08x} {-1204 - conversion % 2} {conversion & 0xFF:02x} "
                 f"{pulses & 0xFFFF:04x} {min(age, 999999)} {self.brake} 24012 31 {self.ack:02x}")
        if self.sample % self.slow == 0:
            self.say(f"S {self.sample:02x} {self.line_bits()} {self.state} {self.reason} 00 0 0 214 209 - -")
        self.sample = self.sample + 1 & 0xFF


def serve(node, read, fd, restart_after, closes_after=None):
    while True:
        ready = select.select([fd], [], [], 0.001)[0]
        if ready:
            try:
                data = read()
            except OSError:
                data = b""
            if not data:
                return
            node.receive(data)
        node.tick()
        if closes_after and node.us() > closes_after * 1e6 and node.rate:
            closes_after = None
            node.contactor = True  # unasked; a slow sample tells
        if restart_after and node.us() > restart_after * 1e6 and node.rate:
            restart_after = None
            node.start("power")


def main():
    p = argparse.ArgumentParser()
    p.add_argument("kind", choices=["tcp", "pty"])
    p.add_argument("--version", type=int, default=1)
    p.add_argument("--restart-after", type=float)
    p.add_argument("--closes-after", type=float)
    p.add_argument("--lines", default="estop guard contactor")
    p.add_argument("--name", default="stranger")
    p.add_argument("--without", default="", help="channels that it does not have")
    o = p.parse_args()
    if o.kind == "tcp":
        listener = socket.create_server(("127.0.0.1", 0))
        print(f"tcp:127.0.0.1:{listener.getsockname()[1]}", flush=True)
        connection = listener.accept()[0]
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        node = Node(connection.sendall, o.version, o.name, lines=o.lines, without=o.without.split())
        serve(node, lambda: connection.recv(4096), connection, o.restart_after, o.closes_after)
    else:
        master, slave = os.openpty()  # the slave stays open: the port is there before and after the host
        tty.setraw(slave)
        print(f"serial:{os.ttyname(slave)}", flush=True)
        node = Node(lambda data: os.write(master, data), o.version, o.name)
        serve(node, lambda: os.read(master, 4096), master, o.restart_after)
    print("\n".join(node.heard), file=sys.stderr)


if __name__ == "__main__":
    main()
