#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""The virtual bench as a process, seen through its two lines by a host that shares no code with it."""
import json
import os
import re
import signal
import socket
import subprocess
import time

from harness import BRIDLE, EXAMPLE, Bench, main, run, truth_rows, wait_for
from host import Gone, Host, Line, frame


def truth(bench):
    return truth_rows(bench.folder)


def ready(bench, starts=1):
    """Wait until the bench listens; the lines that it printed."""
    wait_for(lambda: bench.bench_log().count("\ncontrol ") == starts, 5, "the bench to be ready")
    return bench.bench_log()


def serves_a_stranger():
    with Bench(seed=7) as bench:
        ready(bench)
        with Host(bench.folder) as host:
            assert host.ask("hello 1") == "ok 1 bench 7"
            assert host.must("caps") == "ok cell pick brake meter drive temp lines clock"
            host.start()
            assert abs(host.speed_rpm() - 80) < 0.2, host.speed_rpm()
            assert [s.number for s in host.samples[-50:]] == [(host.samples[-50].number + i) % 256 for i in range(50)]
            assert host.tether.bad == 0 and host.slow[-1].state == "live" and host.slow[-1].contactor
            assert abs(host.samples[-1].brake_mA - 300) <= 2


def same_seed_same_bytes_another_seed_others():
    bodies = []
    for seed in (3, 3, 4):
        with Bench(seed=seed) as bench:
            ready(bench)
            for pause in (0, 0.3):  # the second host comes later in machine time: bench time stood still
                time.sleep(pause if len(bodies) % 2 else 0)
                with Host(bench.folder) as host:
                    host.start(seconds=1)
                    host.go(1, "off 0 300")
                    host.go(0.1, "off 0 0")
                    host.must("power off")
                    got = host.bodies
            bodies.append(got)
    assert bodies[0] == bodies[1]
    assert bodies[0] != bodies[2]


def tcp_gives_the_same_bytes_as_unix():
    with socket.socket() as a, socket.socket() as b:
        a.bind(("127.0.0.1", 0))
        b.bind(("127.0.0.1", 0))
        ports = [s.getsockname()[1] for s in (a, b)]
    bodies = []
    for places in (("unix:run/tether.sock", "unix:run/control.sock"), tuple(f"tcp:127.0.0.1:{p}" for p in ports)):
        def edit(folder):
            text = (folder / "rig.ini").read_text()
            for old, new in zip(("unix:run/tether.sock", "unix:run/control.sock"), places):
                text = text.replace(old, new)
            (folder / "rig.ini").write_text(text)
        with Bench(seed=5, edit=edit) as bench:
            ready(bench)
            with Host(bench.folder, *places) as host:
                host.start(seconds=1)
                bodies.append(host.bodies)
    assert bodies[0] == bodies[1]


def a_pseudo_terminal_gives_the_same_bytes_too():
    bodies = []
    for options in ((), ("--pty",)):
        with Bench(seed=5, options=options) as bench:
            log = ready(bench)
            tether = log.split("\ntether")[1].split()[0]
            for _ in range(2):  # twice: a second host on the same pseudo-terminal
                with Host(bench.folder, tether) as host:
                    host.start(seconds=0.5)
                    host.go(0.5, "off 0 300")
                    host.go(0.1, "off 0 0")
                    host.must("power off")
                time.sleep(0.1)
            bodies.append(host.bodies)
    assert bodies[0] == bodies[1]


def a_dead_host_leaves_a_bench_that_goes_safe_in_order():
    with Bench(seed=2) as bench:
        ready(bench)
        code = ("import sys, os, signal; sys.path.insert(0, sys.argv[2]); from host import Host\n"
                "host = Host(sys.argv[1]); host.start(); os.kill(os.getpid(), signal.SIGKILL)")
        dead = subprocess.run(["python3", "-c", code, str(bench.folder), os.path.dirname(os.path.abspath(__file__))])
        assert dead.returncode == -signal.SIGKILL
        rows = wait_for(lambda: (lambda r: r if r and r[-1]["node"] == "safe" else None)(truth(bench)), 5, "the safe state")
        stopping = [r for r in rows if r["node"] == "stopping"]
        live = [r for r in rows if r["node"] == "live"]
        assert float(live[-1]["speed_rad_per_s"]) > 8 and stopping
        began = float(stopping[0]["t_s"])
        for row in [r for r in stopping if float(r["t_s"]) > began + 0.08]:  # contact and coil take their time
            assert row["contactor"] == "0" and row["drive_on"] == "0"
            assert float(row["brake_A"]) > 0.5  # half of the largest, from 0.3 A upwards
        assert abs(float(stopping[-1]["speed_rad_per_s"])) < 0.05  # it stood, but for the cradle's sway, before the brake was let go
        t = float(rows[-1]["t_s"])
        time.sleep(0.3)
        assert float(truth(bench)[-1]["t_s"]) - t < 0.2  # safe and nobody there: bench time stands still
        with Host(bench.folder) as host:  # the bench is there for the next host
            assert host.must("status") == "ok safe lease 0"
            assert host.request("set 300 off 0 100") == "no safe"
            host.must("clear")
            host.start(seconds=1)
            assert host.slow[-1].state == "live"


def truth_is_whole_after_a_kill():
    with Bench(seed=2) as bench:
        ready(bench)
        with Host(bench.folder) as host:
            host.start(seconds=2)
            bench.process.kill()
            bench.process.wait()
        text = (bench.folder / "run" / "truth.csv").read_text()
        assert text.endswith("\n")
        rows = truth(bench)
        assert len(rows) >= 20 and all(len(r) == len(rows[0]) and None not in r.values() for r in rows)
        assert abs(float(rows[-1]["t_s"]) - host.now * 1e-6) <= 0.1
        told = json.loads((bench.folder / "run" / "truth.json").read_text())
        assert told["seed"] == 2 and abs(told["rig"]["arm_m"] - 0.5) < 0.002
        assert abs(told["weights"]["2kg-a"]["mass_kg"] - 2) < 2e-4
        assert told["virtual"]["gear"]["ratio"] == 36
        bench.start()  # stale sockets are cleared away
        ready(bench, starts=2)
        Host(bench.folder).close()


def truth_agrees_with_the_samples():
    with Bench(seed=9) as bench:
        ready(bench)
        with Host(bench.folder) as host:
            host.start(seconds=3)
            host.go(4, "speed 28800 300")
            rows = truth(bench)
            told = json.loads((bench.folder / "run" / "truth.json").read_text())["rig"]
        a, b = rows[-21], rows[-1]
        dt = float(b["t_s"]) - float(a["t_s"])
        speed = (float(b["int_speed_rad"]) - float(a["int_speed_rad"])) / dt
        volt = (float(b["int_voltage_Vs"]) - float(a["int_voltage_Vs"])) / dt
        amp = (float(b["int_current_As"]) - float(a["int_current_As"])) / dt
        last = host.samples[-200:]
        shown_V = sum(s.volt_mV for s in last) / len(last) / 1000
        shown_A = sum(s.amp_mA for s in last) / len(last) / 1000
        assert abs((shown_V - told["volt_offset_V"]) * told["volt_gain"] - volt) < 2e-3
        assert abs((shown_A - told["amp_offset_A"]) * told["amp_gain"] - amp) < 8e-3
        assert abs(host.speed_rpm(200) / (speed * 9.549296586) - 1) < 1e-3


def no_truth_when_not_wanted():
    with Bench(options=["--no-truth"]) as bench:
        ready(bench)
        with Host(bench.folder) as host:
            host.go(0.5)
        assert not (bench.folder / "run" / "truth.csv").exists()


def follows_the_machines_clock_without_a_control_line():
    with Bench(seed=1) as bench:
        ready(bench)
        tether = Line("unix:run/tether.sock", str(bench.folder))
        tether.write(frame("?1 rate 50 10"))
        begin, samples = time.monotonic(), []
        while time.monotonic() - begin < 1:
            samples += [b for b in tether.take() if b[0] == "F"]
        tether.close()
        assert 25 <= len(samples) <= 55, len(samples)


def time_stands_still_while_nobody_is_there():
    with Bench(seed=1) as bench:
        ready(bench)
        with Host(bench.folder) as host:
            host.go(0.25)
            then = host.now
        time.sleep(0.3)
        with Host(bench.folder) as host:
            assert host.now == then


def once_ends_when_the_host_has_gone_and_the_shaft_stands():
    with Bench(seed=1, options=["--once"]) as bench:
        ready(bench)
        with Host(bench.folder) as host:
            host.start()
        assert bench.process.wait(5) == 0
        assert truth(bench)[-1]["node"] in ("safe", "stopping")


def ends_cleanly_by_a_signal():
    for number in (signal.SIGTERM, signal.SIGINT):
        with Bench() as bench:
            ready(bench)
            host = Host(bench.folder)
            bench.process.send_signal(number)
            assert bench.process.wait(5) == 0
            assert not (bench.folder / "run" / "tether.sock").exists()
            host.close()


def one_bench_a_folder_and_one_host_a_bench():
    with Bench() as bench:
        ready(bench)
        second = run("bench", "--bench", bench.folder)
        assert second.status == 2 and "another bench" in second.err, second
        with Host(bench.folder) as host:
            other = Line("unix:run/tether.sock", str(bench.folder))
            host.go(0.1)
            assert other.take() == ["!0 no busy"]
            try:
                other.take()
                raise AssertionError("a second host was served")
            except (Gone, ConnectionError):
                pass
            host.must("status")


def bad_requests_of_the_user_are_told():
    with Bench() as bench:
        ready(bench)
    for options, word in ((["--seed", "x"], "--seed"), (["--step", "30"], "--step"), (["--step", "0"], "--step"),
                          (["--bench", "/nonexistent"], "rig.ini")):
        result = run("bench", *options)
        assert result.status == 2 and word in result.err, (options, result)
    bench = Bench(edit=lambda folder: (folder / "virtual.ini").write_text("[motor]\nk_t = 3 kg\n[moon]\na = 1\n"))
    result = run("bench", "--bench", bench.folder)
    assert result.status == 2 and "virtual.ini:2: [motor] k_t" in result.err and "virtual.ini:4: [moon]" in result.err, result
    assert not (bench.folder / "run").exists()
    text = (bench.folder / "rig.ini").read_text().replace("[virtual]\ncontrol = unix:run/control.sock\n", "")
    (bench.folder / "virtual.ini").unlink()
    (bench.folder / "rig.ini").write_text(text)
    result = run("bench", "--bench", bench.folder)
    assert result.status == 2 and "[virtual]" in result.err, result
    result = run("bench", "--bench", bench.folder, "--json")
    assert result.json["cause"] == "bad_input"
    bench.home.cleanup()


def waits_for_the_bytes_that_a_host_has_written():
    with Bench() as bench:
        ready(bench)
        with Host(bench.folder) as host:
            host.go(0.1)
            begin = time.monotonic()
            answer = host.ask(f"advance {host.now + 1000} {host.tether.written + 1}")
            assert answer == "no bytes" and 1.8 < time.monotonic() - begin < 4
            assert host.ask("advance 0 0") == "no past"
            host.go(0.1)
            assert host.must("status")


def help_lists_every_fault_and_template_reads_back():
    text = run("bench", "--help").out
    rows = re.findall(r"^  ([a-z-]+)(?: \[[A-Z_]+\])?  +\S", text, re.M)
    assert "supply-silent" in rows and len(rows) == len(set(rows)), rows
    for name in ("node-silent", "node-reset", "cell-frozen", "cell-stale", "cell-saturated", "cell-swapped", "cell-hum", "garbage", "lost-samples",
                 "doubled-samples", "half-lines", "swapped-samples", "delayed-lines", "nonsense", "link-cut", "host-held", "cell-drift",
                 "line-late", "line-pieces", "line-rubbish", "panel", "pickup-half", "pickup-slip", "drive-mute", "drive-silent", "lines-silent", "indicator-silent", "modbus-silent", "indicator-unit", "brake-stuck", "brake-off", "contactor-welded", "contactor-drop", "estop", "guard", "overspeed",
                 "wrong-direction", "oscillation", "supply-sag", "drive-fault", "hot-brake", "hot-actuator", "gear-play", "torque-spike"):
        assert f"\n  {name} " in text, name
    template = run("bench", "--template").out
    assert template.count("\nlength = 0 m\n") == 1  # the example's arm has a length of its own
    example = template.replace("\nlength = 0 m\n", "\nlength = 500 mm\n")
    assert example == (EXAMPLE / "virtual.ini").read_text(), "docs/examples/heron-lock/virtual.ini is no longer the template"
    with Bench(edit=lambda folder: (folder / "virtual.ini").write_text(template)) as bench:
        ready(bench)


if __name__ == "__main__":
    assert os.path.exists(BRIDLE), BRIDLE
    main(serves_a_stranger, same_seed_same_bytes_another_seed_others, tcp_gives_the_same_bytes_as_unix,
         a_pseudo_terminal_gives_the_same_bytes_too, a_dead_host_leaves_a_bench_that_goes_safe_in_order,
         truth_is_whole_after_a_kill, truth_agrees_with_the_samples, no_truth_when_not_wanted,
         follows_the_machines_clock_without_a_control_line, time_stands_still_while_nobody_is_there,
         once_ends_when_the_host_has_gone_and_the_shaft_stands, ends_cleanly_by_a_signal,
         one_bench_a_folder_and_one_host_a_bench, bad_requests_of_the_user_are_told,
         waits_for_the_bytes_that_a_host_has_written, help_lists_every_fault_and_template_reads_back)
