#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""A small host by a stranger, written from docs/tether.md alone (its lines are those of stranger_node.py), against the
program's virtual bench: every rule of the page that a host can see, in lock-step."""
import socket

import harness
from stranger_node import Lines, line

LARGEST_MA = 1200  # docs/examples/heron-lock


class Line:
    def __init__(self, path):
        self.socket = socket.socket(socket.AF_UNIX)
        harness.wait_for(lambda: self.socket.connect_ex(str(path)) == 0, 10, path)
        self.socket.settimeout(10)
        self.lines, self.written, self.read = Lines(), 0, 0

    def send(self, data):
        self.socket.sendall(data)
        self.written += len(data)

    def take(self):
        data = self.socket.recv(65536)
        assert data, "hung up"
        self.read += len(data)
        return list(self.lines.feed(data))


class Host:
    def __init__(self, bench):
        self.bench = bench
        self.control = Line(bench.folder / "run" / "control.sock")
        self.control_seq = 0
        assert self.ask_bench("hello 1").startswith("ok 1 bench ")
        self.now = int(self.ask_bench("now").split()[1])
        self.tether = Line(bench.folder / "run" / "tether.sock")
        self.seq = 0
        self.heard = []
        self.tether.send(b"\n")

    def close(self):
        self.tether.socket.close()
        self.control.socket.close()

    def ask_bench(self, words):
        self.control_seq = (self.control_seq + 1) % 256
        self.control.send(line(f"?{self.control_seq} {words}"))
        while True:
            for body in self.control.take():
                head, rest = body.split(" ", 1)
                if head == f"!{self.control_seq}":
                    return rest

    def hand(self, words):
        answer = self.ask_bench(f"hand {words}")
        assert answer == "ok", (words, answer)

    def go(self, ms):
        """That much bench time; what came by then."""
        end, new = self.now + round(ms * 1000), []
        while self.now < end:
            self.now = min(end, self.now + 250000)
            answer = self.ask_bench(f"advance {self.now} {self.tether.written}").split()
            assert answer[:2] == ["ok", str(self.now)], answer
            while self.tether.read < int(answer[2]):
                new += self.tether.take()
            assert self.tether.read == int(answer[2]), (self.tether.read, answer)
        self.heard += new
        return new

    def tell(self, words):
        self.seq = (self.seq + 1) % 256
        self.tether.send(line(f"?{self.seq} {words}"))
        return self.seq

    def ask(self, words, ms=20):
        seq = self.tell(words)
        return next((b.split(" ", 1)[1] for b in self.go(ms) if b.startswith(f"!{seq} ")), None)


def with_bench(test):
    def run():
        with harness.Bench(seed=11, options=["--no-truth"]) as bench:
            host = Host(bench)
            test(host)
            host.close()
    run.__name__ = test.__name__
    return run


def is_(found, wanted):
    assert found == wanted, f"found {found!r}, wanted {wanted!r}"


def slow(bodies):
    return [b.split() for b in bodies if b.startswith("S ")]


def fast(bodies):
    return [b.split() for b in bodies if b.startswith("F ")]


@with_bench
def control_line_answers_as_the_page_says(h):
    is_(h.ask_bench("hello 3"), "no version 2")
    assert h.ask_bench("hello 2").startswith("ok 2 bench ")
    is_(h.ask_bench("lines"), "ok tether")
    assert h.ask_bench("hello 1").startswith("ok 1 bench ")
    is_(h.ask_bench("fly"), "no verb")
    is_(h.ask_bench("now"), f"ok {h.now}")
    h.go(10)
    is_(h.ask_bench(f"advance {h.now - 1} {h.tether.written}"), "no past")
    is_(h.ask_bench(f"advance {h.now} {h.tether.written}"), f"ok {h.now} {h.tether.read}")
    assert h.ask_bench("hand juggle").startswith("no ")
    assert h.ask_bench("hand hang no-such-piece").startswith("no ")
    is_(h.ask_bench(f"advance {h.now + 1000} {h.tether.written + 1}"), "no bytes")


@with_bench
def greeting_and_channels(h):
    ok, version, name, boot, t = h.ask("hello 1").split()
    is_((ok, version, len(boot), len(t)), ("ok", "1", 4, 8))
    assert 1 <= len(name) <= 16 and name.replace("-", "").isalnum(), name
    is_(h.ask("hello 2"), "no version 1")
    is_(h.ask("hello x"), "no args")
    channels = h.ask("caps").split()
    is_(channels[0], "ok")
    assert "clock" in channels and set(channels[1:]) <= {"cell", "pick", "brake", "meter", "drive", "temp", "lines", "clock"}
    for channel in channels[1:]:
        assert h.ask(f"info {channel}").startswith("ok"), channel
    is_(h.ask("info brake"), f"ok {LARGEST_MA}")
    is_(h.ask("info ears"), "no args")
    is_(h.ask("fly"), "no verb")
    is_(h.ask("power up"), "no args")
    is_(h.ask("rate 100"), "no args")
    is_(h.ask("rate 100000 20"), "no range")
    is_(h.ask("rate 100 0"), "no range")


@with_bench
def bad_lines_are_dropped_counted_and_not_answered(h):
    bad = int(h.ask("status").split()[3])
    for garbage in (b"?1 hello 1 =0000\n", b"?1 hello 1\n", line("?1 hello 1").lower(), b"x" * 119 + b"\n", b"y" * 500 + b"\n",
                    b"\xff\x00\x80\n", line("?1 hel")[:9] + line("?1 hello 1")):
        h.tether.send(garbage)
    h.tether.send(b"\n\r\n")  # empty lines are skipped
    is_([b for b in h.go(50) if b.startswith("!")], [])
    is_(int(h.ask("status").split()[3]), bad + 7)
    h.tether.send(line("?200 status")[:-1] + b"\r\n")
    assert any(b.startswith("!200 ok") for b in h.go(20))


@with_bench
def the_same_twice_in_a_row_is_obeyed_once(h):
    seq = h.tell("set 300 off 0 200")
    h.go(200)
    h.tether.send(line(f"?{seq} set 300 off 0 200"))
    is_([b for b in h.go(20) if b.startswith("!")], [f"!{seq} ok"])  # answered again ...
    h.go(85)
    assert h.ask("status").startswith("ok stopping lease"), h.heard  # ... but the lease ran on
    # with a greeting between them they are two
    h.go(1000)
    is_(h.ask("clear"), "ok")
    h.tether.send(line("?77 set 300 off 0 200"))
    h.go(10)
    h.ask("hello 1", 10)
    h.go(260)
    h.tether.send(line("?77 set 300 off 0 200"))
    h.go(100)
    assert h.ask("status").startswith("ok live"), h.heard


@with_bench
def samples_come_at_their_rate_with_their_fields(h):
    is_(h.ask("rate 100 20", 9.9), "ok")
    h.go(2000)
    f, s = fast(h.heard), slow(h.heard)
    assert 199 <= len(f) <= 201 and 9 <= len(s) <= 10, (len(f), len(s))
    is_({len(x) for x in f}, {11})
    is_({len(x) for x in s}, {14 if " angle" in h.ask("info drive") else 13 if h.ask("info meter").endswith(" product") else 12})
    numbers = [int(x[1], 16) for x in f]
    assert all((b - a) % 256 == 1 for a, b in zip(numbers, numbers[1:]))
    times = [int(x[2], 16) for x in f]
    # A clock within 100 ppm; a sample is taken at the end of the bench's step of 50 us in which it falls due.
    assert all(abs((b - a) % 2**32 - 10000) <= 53 for a, b in zip(times, times[1:])), times
    assert abs((times[-1] - times[0]) % 2**32 / (len(times) - 1) - 10000) <= 1.3, times
    assert all(int(x[6]) == 999999 for x in f)  # the shaft stands, and never turned
    is_({x[10] for x in f}, {"00"})
    is_({(x[3], x[4]) for x in s}, {("idle", "none")})
    is_({x[2] for x in s}, {"3"})
    seq = h.tell("set 300 off 0 500")
    is_([b for b in h.go(60) if b.startswith("!")], [])  # acknowledged by a sample, not a line
    assert fast(h.heard)[-1][10] == f"{seq:02x}"
    h.ask("rate 0 1")
    h.go(20)
    is_(fast(h.go(500)), [])


@with_bench
def the_line_is_no_faster_than_its_baud_rate(h):
    for _ in range(20):
        h.tell("caps")
    h.go(0.1)
    begin = h.tether.read
    h.go(50)
    # 11520 bytes a second, give or take the byte that is on its way
    assert abs(h.tether.read - begin - 0.05 * 11520) <= 1.5, h.tether.read - begin
    h.go(1000)
    is_(len([b for b in h.heard if b.startswith("!")]), 20)


@with_bench
def set_points_are_refused_with_a_reason(h):
    for words, reason in (("set 300 off 0", "no args"), ("set 300 fast 0 0", "no args"), ("set 300 off 0 x", "no args"),
                          ("set 9 off 0 0", "no range"), ("set 5001 off 0 0", "no range"), ("set 300 off 1 0", "no range"),
                          (f"set 300 off 0 {LARGEST_MA + 1}", "no range"), ("set 300 off 0 -1", "no range"),
                          ("set 300 speed 1000000 0", "no range"), ("set 300 speed 100 0", "no power"),
                          ("set 10 off 0 0", "ok"), (f"set 5000 off 0 {LARGEST_MA}", "ok"), ("set 5000 off 0 0", "ok")):
        found = h.ask(words)
        assert found == reason, f"{words}: {found}, wanted {reason}"
    assert h.ask("status").startswith("ok idle none")


@with_bench
def a_lease_ends_in_the_order_of_stopping(h):
    h.hand("couple")
    is_(h.ask("power on"), "ok")
    h.go(300)
    h.ask("rate 100 2")  # more slow samples than this fill the line, and events fall off it
    seq = h.tell("set 400 speed 3000 100")
    is_(h.ask("restart"), "no live")
    h.go(100)
    is_(slow(h.heard)[-1][3], "live")
    is_(fast(h.heard)[-1][10], f"{seq:02x}")
    h.heard.clear()
    h.go(270)
    assert not any("stopping" in b for b in h.heard)
    h.go(35)
    assert any("state stopping" in b for b in h.heard), h.heard
    is_(slow(h.heard)[-1][3:5], ["stopping", "lease"])
    is_(h.ask("set 300 off 0 0"), "no stopping")
    is_(h.ask("power on"), "no safe")
    is_(h.ask("clear"), "no moving")
    h.go(100)
    assert any("contactor 0" in b for b in h.heard)
    assert abs(int(fast(h.heard)[-1][7]) - LARGEST_MA // 2) < 30, fast(h.heard)[-1]  # the brake is held ...
    h.go(10000)
    assert any("state safe" in b for b in h.heard)
    assert abs(int(fast(h.heard)[-1][7])) < 10, fast(h.heard)[-1]  # ... and let go when the shaft stands
    is_(h.ask("set 300 off 0 0"), "no safe")
    is_(h.ask("clear"), "ok")
    assert h.ask("status").startswith("ok idle none")


@with_bench
def estop_and_guard_act_at_the_node(h):
    for name, pull, mend in (("estop", "estop pull", "estop release"), ("guard", "guard open", "guard close")):
        h.heard.clear()
        h.hand(pull)  # with the contactor off: reported, nothing to make safe
        h.go(50)
        assert any(f"{name} 0" in b for b in h.heard), h.heard
        assert h.ask("status").startswith("ok idle")
        is_(h.ask("power on"), f"no {name}")
        h.hand(mend)
        h.go(50)
        is_(h.ask("power on"), "ok")
        h.go(300)
        h.hand(pull)
        h.go(200)
        assert any("contactor 0" in b for b in h.heard), h.heard
        assert h.ask("status").split()[1:3] in (["stopping", name], ["safe", name])
        h.go(11000)
        is_(h.ask("clear"), f"no {name}")
        h.hand(mend)
        h.go(50)
        is_(h.ask("clear"), "ok")
    is_(h.ask("safe"), "ok")
    h.go(1000)
    assert h.ask("status").startswith("ok safe host")


@with_bench
def a_restart_is_told(h):
    before = h.ask("hello 1").split()[3]
    h.ask("rate 100 20")
    h.heard.clear()  # the start of the bench's own node is in it
    h.hand("fault node-reset")
    h.go(500)
    starts = [b.split() for b in h.heard if b.startswith("B ")]
    is_(len(starts), 1)
    assert starts[0][1] != before and starts[0][2] in ("power", "watchdog", "reset", "unknown"), starts
    is_(h.ask("hello 1").split()[3], starts[0][1])
    is_(fast(h.go(500)), [])  # its rate is 0 again


def a_host_that_dies_leaves_a_bench_that_goes_safe():
    with harness.Bench(seed=11, options=["--no-truth"]) as bench:
        host = Host(bench)
        host.ask("set 300 off 0 400")
        assert host.ask("status").startswith("ok live")
        host.close()
        for _ in range(100):  # in the machine's time
            host = Host(bench)
            status = host.ask("status")
            host.close()
            if status.startswith("ok safe lease"):
                return
            harness.time.sleep(0.05)
        raise AssertionError(status)


if __name__ == "__main__":
    harness.main(control_line_answers_as_the_page_says, greeting_and_channels, bad_lines_are_dropped_counted_and_not_answered,
                 the_same_twice_in_a_row_is_obeyed_once, samples_come_at_their_rate_with_their_fields,
                 the_line_is_no_faster_than_its_baud_rate, set_points_are_refused_with_a_reason,
                 a_lease_ends_in_the_order_of_stopping, estop_and_guard_act_at_the_node, a_restart_is_told,
                 a_host_that_dies_leaves_a_bench_that_goes_safe)
