#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""`endure`: cycles unattended on the virtual bench; a rule that stops, its message at a broker; killed and taken up again; memory.
The broker is the distribution's (mosquitto) on loopback; what it got is read by the bytes of MQTT 3.1.1 here.

    python3 tests/bench/endure.py [CYCLES]      # for the memory: 24; more on demand"""
import json
import math
import os
import pathlib
import shutil
import signal
import socket
import sqlite3
import ssl
import statistics
import subprocess
import sys
import tempfile
import threading
import time

import harness

CYCLES = int(sys.argv[1]) if len(sys.argv) > 1 else 24
SANITIZED = os.environ.get("SANITIZED", "none") != "none"  # whose allocator keeps what was freed
BROKER = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin")
NAME = 'Heron "}, \\ {" bench'  # of the rig: it must not end its place in a message
TOPIC, USER, PASSWORD = "workshop/heron", "bridle", "reed-bed"
PLAN = """[plan]
actuator = paddle-winder
speed = {speed}

[steps]
torque = 5, 15 N.m
down = no

[endurance]
cycles = {cycles}
hold = {hold}
no_load = 1 s
pause = 1 s
reference = 1
{more}"""


def plan(bench, name, cycles, more="", speed="60 rpm", hold="1 s"):
    (bench.folder / "plans" / f"{name}.ini").write_text(PLAN.format(cycles=cycles, more=more, speed=speed, hold=hold))


def small(folder):
    """An actuator that warms up within cycles."""
    path = folder / "virtual.ini"
    text = path.read_text()
    for old, new in (("winding = 210 J/K", "winding = 30 J/K"), ("case = 1500 J/K", "case = 100 J/K")):
        assert old in text
        text = text.replace(old, new)
    path.write_text(text)


def prepared():
    bench = harness.Bench(5, edit=small)
    bench.start()
    bench.must("hang", "--hands", "--series", "1", "--steps", "4")
    bench.must("map", "--actuator", "paddle-winder", "--currents", "5")
    return bench


def ready(bench, name):
    return bench.must("ready", name, "--hands", "--answers", "yes", "--no-check")


def free_port():
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return s.getsockname()[1]


def certified(home):
    """A certificate of its own for 127.0.0.1 and an authority that signed it, by openssl: ca.pem, server.pem, server.key."""
    def openssl(*words):
        subprocess.run(["openssl", *words], cwd=home, check=True, timeout=60, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    if not shutil.which("openssl"):
        raise harness.Skipped("no openssl")
    openssl("req", "-x509", "-newkey", "rsa:2048", "-nodes", "-keyout", "ca.key", "-out", "ca.pem", "-days", "2", "-subj", "/CN=reed-bed authority",
            "-addext", "keyUsage=critical,keyCertSign,cRLSign")
    openssl("req", "-newkey", "rsa:2048", "-nodes", "-keyout", "server.key", "-out", "server.csr", "-subj", "/CN=127.0.0.1")
    (home / "names").write_text("subjectAltName=IP:127.0.0.1,DNS:localhost\nauthorityKeyIdentifier=keyid\nsubjectKeyIdentifier=hash\n")
    openssl("x509", "-req", "-in", "server.csr", "-CA", "ca.pem", "-CAkey", "ca.key", "-CAcreateserial", "-out", "server.pem", "-days", "2", "-extfile", "names")
    for name in ("server.key", "server.pem", "ca.pem"):
        (home / name).chmod(0o644)


class Broker:
    def __init__(self, tls=False):
        if not BROKER:
            raise harness.Skipped("no mosquitto")
        self.home = pathlib.Path(tempfile.mkdtemp(prefix="bridle-broker-"))
        self.port = free_port()
        passwords = self.home / "passwords"
        subprocess.run([shutil.which("mosquitto_passwd") or "/usr/bin/mosquitto_passwd", "-b", "-c", passwords, USER, PASSWORD], check=True, timeout=20,
                       stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        passwords.chmod(0o644)
        (self.home / "conf").write_text(f"listener {self.port} 127.0.0.1\nallow_anonymous false\npassword_file {passwords}\npersistence false\n")
        self.tls = ssl.create_default_context() if tls else None
        if tls:
            certified(self.home)
            self.tls.load_verify_locations(self.home / "ca.pem")
            with open(self.home / "conf", "a") as conf:
                conf.write(f"certfile {self.home / 'server.pem'}\nkeyfile {self.home / 'server.key'}\n")
        self.home.chmod(0o755)
        self.process = subprocess.Popen([BROKER, "-c", self.home / "conf"], stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL,
                                        stderr=subprocess.DEVNULL)
        self.link = harness.wait_for(self.connected, 10, "the broker")
        self.subscribe()

    def connected(self):
        try:
            plain = socket.create_connection(("127.0.0.1", self.port), timeout=5)
            return self.tls.wrap_socket(plain, server_hostname="127.0.0.1") if self.tls else plain
        except ConnectionRefusedError:
            return None

    def packet(self, kind, body):
        assert len(body) < 128
        self.link.sendall(bytes([kind, len(body)]) + body)

    def read(self):
        head = self.link.recv(1)
        size = shift = 0
        while True:
            byte = self.link.recv(1)[0]
            size |= (byte & 127) << shift
            shift += 7
            if byte < 128:
                break
        body = b""
        while len(body) < size:
            body += self.link.recv(size - len(body))
        return head[0], body

    def subscribe(self):
        def text(s):
            return len(s).to_bytes(2, "big") + s.encode()
        self.packet(0x10, text("MQTT") + bytes([4, 0xC2, 0, 0]) + text("watcher") + text(USER) + text(PASSWORD))
        assert self.read() == (0x20, b"\0\0")
        self.packet(0x82, b"\0\1" + text(TOPIC) + b"\0")
        assert self.read()[0] == 0x90

    def message(self):
        kind, body = self.read()
        assert kind & 0xF0 == 0x30, (kind, body)
        length = int.from_bytes(body[:2], "big")
        assert body[2:2 + length].decode() == TOPIC
        return json.loads(body[2 + length:])

    def stop(self):
        self.link.close()
        self.process.terminate()
        self.process.wait(10)
        shutil.rmtree(self.home)


def with_broker(bench, port, more=""):
    text = (bench.folder / "rig.ini").read_text().split("\n[message]")[0]
    (bench.folder / "password").write_text(PASSWORD + "\n")
    (bench.folder / "rig.ini").write_text(f"{text}\n[message]\nbroker = 127.0.0.1\nport = {port}\ntopic = {TOPIC}\nuser = {USER}\n"
                                          f"password_file = password\n{more}")


def nothing_begins_unasked(bench):
    plan(bench, "short", 3)
    refused = bench.run("endure", "short", "--hands", "--json")
    assert refused.status == 1 and refused.json["cause"] == "not_ready", refused
    no = bench.run("ready", "short", "--hands", "--answers", "no", "--json")
    assert no.status == 1, no
    plain = bench.run("endure", "gentle", "--hands", "--json")
    assert plain.status == 2 and "[endurance]" in plain.json["message"], plain
    asked = {item["item"] for item in ready(bench, "short")["checklist"]}
    assert {"cover", "fire_alone", "hot_case", "reachable", "supply_alone"} <= asked, asked
    gentle = {item["item"] for item in ready(bench, "gentle")["checklist"]}
    assert "cover" not in gentle, gentle


def a_few_cycles(bench):
    plan(bench, "short", 5, "keep = 4\nzero = 3\n", "60, -60 rpm")
    ready(bench, "short")
    done = bench.must("endure", "short", "--hands", "--figure", bench.folder / "drift")
    assert [c["cycle"] for c in done["cycles"]] == [1, 2, 3, 4, 5] and done["outcome"] == "done", done
    for c in done["cycles"]:
        assert abs(c["load_Nm"] - 15) < 0.5 and abs(c["no_load_rpm"] - 60) < 1, c
        assert 0.2 < c["no_load_A"] < 0.6 and c["case_degC"] > 15, c
    assert (bench.folder / "drift" / "endure.svg").stat().st_size > 2000
    seen = bench.must("endure", "short", "--cycles")
    assert seen["cycles"] == done["cycles"] and seen["outcome"] == "done", seen


def a_rule_stops_it_and_the_broker_is_told(bench):
    broker = Broker()
    try:
        with_broker(bench, broker.port)
        bench.replace("rig.ini", "name = Heron Lock bench", f"name = {NAME}")
        plan(bench, "warm", 60, "temperature_rise = 15 K\ncase = 0 degC\n", hold="25 s")
        ready(bench, "warm")
        stopped = bench.run("endure", "warm", "--hands", "--json", timeout=150)
        assert stopped.status == 1, stopped
        doc = stopped.json
        last = doc["cycles"][-1]
        assert doc["cause"] == "temperature_rise" and doc["safe"] and doc["outcome"] == "stopped", doc
        assert last["case_degC"] - last["ambient_degC"] >= 15 > doc["cycles"][-2]["case_degC"] - doc["cycles"][-2]["ambient_degC"], doc["cycles"][-2:]
        assert doc["messages_not_delivered"] == 0, doc
        drift, stop = broker.message(), broker.message()
        assert (drift["what"], stop["what"]) == ("drift", "stopped"), (drift, stop)
        assert "warmer than the air" in drift["text"] and "warmer than the air" in stop["text"], (drift, stop)
        assert stop.keys() == {"rig", "plan", "run_id", "cycle", "what", "text"} and stop["rig"] == NAME.replace('"', "'").replace("\\", "'"), stop
        assert stop["cycle"] == last["cycle"] and stop["plan"] == "warm" and stop["run_id"] == doc["run_id"], stop
    finally:
        broker.stop()


def an_encrypted_line_to_the_broker(bench):
    """By the authority that signed the broker's certificate the messages come; by another one none goes out."""
    broker, other = Broker(tls=True), pathlib.Path(tempfile.mkdtemp(prefix="bridle-other-"))
    try:
        certified(other)
        plan(bench, "sealed", 3, "case = 0 degC\ntemperature_rise = 60 K\ncurrent_drift = 0\nspeed_droop = 0\ntell_at = 1 %\n")
        for authority, left in ((broker.home, 0), (other, 2)):
            shutil.copy(authority / "ca.pem", bench.folder / "ca.pem")
            with_broker(bench, broker.port, "ca_file = ca.pem\n")
            ready(bench, "sealed")
            result = bench.run("endure", "sealed", "--hands", "--json")
            assert result.status == 0 and result.json["messages_not_delivered"] == left, (authority, result)
            if not left:
                assert [broker.message()["what"] for _ in range(2)] == ["drift", "done"]
        broker.link.settimeout(0.5)
        try:
            raise AssertionError(f"a message by the wrong authority: {broker.message()}")
        except TimeoutError:
            pass
    finally:
        broker.stop()
        shutil.rmtree(other)


def a_report_of_its_cycles(bench):
    """Means and their u by hand from the cycles that the command told; the pack by its own events; two runs beside each other."""
    runs = []
    for name, pause in (("soak", 1), ("soak2", 1)):
        plan(bench, name, 6)
        text = (bench.folder / "plans" / f"{name}.ini").read_text().replace("reference = 1", "reference = 3")
        (bench.folder / "plans" / f"{name}.ini").write_text(text)
        ready(bench, name)
        runs.append(bench.must("endure", name, "--hands"))
    done = runs[0]
    report = bench.must("report", done["run_id"])
    assert report["kind"] == "endure" and report["cycles"] == done["cycles"] and report["cycles_done"] == 6 and report["compared"] == 3, report
    current = [c["no_load_A"] for c in done["cycles"]]
    first, last = current[:3], current[3:]
    for key, part in (("no_load_first_A", first), ("no_load_last_A", last)):
        assert math.isclose(report[key]["value"], statistics.fmean(part), rel_tol=1e-9) and report[key]["dof"] == 2, report[key]
        assert math.isclose(report[key]["u"], statistics.stdev(part) / 3**0.5, rel_tol=1e-9), report[key]
    change = report["current_change_percent"]
    assert math.isclose(change["value"], 100 * (statistics.fmean(last) / statistics.fmean(first) - 1), rel_tol=1e-9, abs_tol=1e-9), change
    rise = [c["case_degC"] - c["ambient_degC"] for c in done["cycles"]]
    assert math.isclose(report["rise_last_K"]["value"], statistics.fmean(rise[3:]), rel_tol=1e-9), report["rise_last_K"]
    page = pathlib.Path(report["page"])
    text = page.read_text(encoding="utf-8")
    for words in ("Cycles of load", "Change of the current without load", "<svg", "droop", "events of the run"):
        assert words in text, words
    assert len((page.parent / "endure.csv").read_text().splitlines()) == 7
    pack = bench.folder / "soak.tar.zst"
    bench.must("pack", done["run_id"], "--out", pack)
    said = harness.run("verify", pack, "--json")
    assert said.status == 0 and said.json["verdict"] in ("equal", "equal within rounding"), said
    both = bench.must("compare", done["run_id"], runs[1]["run_id"], "--no-figures")
    assert {"no_load_last_A", "rise_last_K", "droop_last_percent"} <= {d["quantity"] for d in both["differences"]}, both
    shown = bench.must("log", "show", done["run_id"])
    assert sum(event["text"].startswith("cycle ") for event in shown["events"]) == 6, shown["events"][:5]


def a_broker_that_is_away_is_told_once(bench):
    with_broker(bench, free_port())
    plan(bench, "away", 4, "case = 0 degC\ntemperature_rise = 60 K\ncurrent_drift = 0\nspeed_droop = 0\ntell_at = 1 %\n")
    ready(bench, "away")
    result = bench.run("endure", "away", "--hands")
    assert result.status == 0, result
    told = (result.out + result.err).count("No message")
    assert told == 1 and "2 messages not delivered: the broker" in result.out, result


def a_broker_that_answers_nonsense_costs_no_result(bench):
    """A stranger at the broker's port: each connection gets noise that begins as a packet of 256 MB."""
    server, hosts = socket.create_server(("127.0.0.1", 0)), []

    def answer():
        while True:
            try:
                host, _ = server.accept()
                hosts.append(host)
                host.sendall(b"\x30\xff\xff\xff\x7f" + os.urandom(20000))
            except OSError:
                if server.fileno() < 0:
                    return
    thread = threading.Thread(target=answer, daemon=True)
    thread.start()
    try:
        with_broker(bench, server.getsockname()[1])
        ready(bench, "away")
        result = bench.run("endure", "away", "--hands", "--json", timeout=120)
        assert result.status == 0 and hosts and result.json["messages_not_delivered"] == 2 and len(result.json["cycles"]) == 4, result
    finally:
        server.close()
        for host in hosts:
            host.close()


def killed_and_taken_up(bench):
    plan(bench, "long", 6, "zero = 2\n")
    ready(bench, "long")
    process = bench.popen("endure", "long", "--hands", "--json")
    def two_are_there():
        seen = bench.run("endure", "long", "--cycles", "--json")
        return seen.status == 0 and len(seen.json["cycles"]) >= 2
    harness.wait_for(two_are_there, 60, "two cycles")
    process.kill()
    process.communicate()
    before = bench.must("endure", "long", "--cycles")
    assert before["outcome"] == "open" and len(before["cycles"]) < 6, before
    ready_again = bench.run("ready", "long", "--hands", "--answers", "yes", "--no-check", "--clear", "--json")
    assert ready_again.status == 0, ready_again
    done = bench.must("endure", "long", "--hands", "--resume")
    assert [c["cycle"] for c in done["cycles"]] == [1, 2, 3, 4, 5, 6], done
    assert done["cycles"][:len(before["cycles"])] == before["cycles"] and done["resumes_run_id"] == before["run_id"], done
    again = bench.run("endure", "long", "--hands", "--resume", "--json")
    assert again.status == 2 and "all 6 cycles" in again.json["message"], again


def copied(bench, options):
    """Another bench of the same rig with the same logbook."""
    with tempfile.TemporaryDirectory(prefix="bridle-endure-") as home:
        shutil.copytree(bench.folder, pathlib.Path(home) / "bench", ignore=shutil.ignore_patterns("run"))
        again = harness.Bench(5, options=options, example=pathlib.Path(home) / "bench")
    again.start()
    return again


def play_between_the_cycles_and_its_drift(bench):
    """The gear of virtual.ini has 9 arcmin; a rule of 3 arcmin stops at 4 more."""
    plan(bench, "worn", 3, "play = 1\nplay_torque = 15 N.m\nplay_drift = 3 arcmin\n")
    asked = {item["item"] for item in ready(bench, "worn")["checklist"]}
    assert "wound_up" in asked, asked
    sound = copied(bench, ())
    try:
        ready(sound, "worn")
        done = sound.must("endure", "worn", "--hands", "--figure", sound.folder / "drift")
        assert done["outcome"] == "done" and [p["cycle"] for p in done["plays"]] == [0, 1, 2, 3], done["plays"]
        lost = [p["lost_motion_arcmin"] for p in done["plays"]]
        assert all(8.5 < x["value"] < 13 and 0 < x["u"] < 1 for x in lost), lost  # with the twist of gear and lever at 3 % of 15 N.m, both ways
        assert max(x["value"] for x in lost) - min(x["value"] for x in lost) < 2 * 2 * max(x["u"] for x in lost), lost
        assert [c["cycle"] for c in done["cycles"]] == [1, 2, 3], done["cycles"]
        assert sound.must("endure", "worn", "--cycles")["plays"] == done["plays"]
        head, *rows = (sound.folder / "drift" / "endure.csv").read_text().splitlines()
        assert head.endswith("lost motion (arcmin)") and all(abs(float(row.split(",")[4])) < 2 for row in rows), rows
        events = sqlite3.connect(f"file:{sound.folder / 'logbook'}?mode=ro", uri=True).execute(
            "SELECT mono_ns FROM event WHERE run_id = ? AND text LIKE 'play 1;%'", (done["run_id"],)).fetchall()
        at_s = events[0][0] * 1e-9 + 1
    finally:
        sound.stop()
        sound.home.cleanup()
    worn = copied(bench, ("--at", f"{at_s:.2f} fault gear-play 4"))
    try:
        ready(worn, "worn")
        stopped = worn.run("endure", "worn", "--hands", "--json")
        doc = stopped.json
        assert stopped.status == 1 and doc["cause"] == "play_drift" and doc["safe"], stopped
        assert [p["cycle"] for p in doc["plays"]] == [0, 1, 2] and [c["cycle"] for c in doc["cycles"]] == [1, 2], doc
        grown = doc["plays"][2]["lost_motion_arcmin"]["value"] - doc["plays"][0]["lost_motion_arcmin"]["value"]
        assert abs(grown - 4) < 2 * 2 * doc["plays"][0]["lost_motion_arcmin"]["u"], doc["plays"]
        assert "the lost motion changed by" in doc["message"], doc
        again = worn.run("endure", "worn", "--hands", "--resume", "--json")
        assert again.status == 1 and again.json["cause"] in ("not_ready", "play_drift"), again
    finally:
        worn.stop()
        worn.home.cleanup()


def a_play_that_cannot_be_is_refused_with_the_number_that_decides(bench):
    plan(bench, "heavy", 3, "play = 1\nplay_torque = 60 N.m\n")
    refused = bench.run("ready", "heavy", "--hands", "--answers", "yes", "--no-check", "--json")
    assert refused.status == 2 and "[endurance] play_torque: found 60 N·m" in refused.json["message"] and "which the brake holds" in refused.json["message"], refused


def memory_and_rows_are_bounded(bench):
    plan(bench, "many", CYCLES, "keep = 1000\nzero = 1000\ncase = 0 degC\ntemperature_rise = 0 K\ncurrent_drift = 0\n")
    ready(bench, "many")
    process = bench.popen("endure", "many", "--hands", "--quiet", "--json")
    rss, end = [], time.monotonic() + 280
    while process.poll() is None and time.monotonic() < end:
        try:
            lines = pathlib.Path(f"/proc/{process.pid}/status").read_text().splitlines()
            rss.append(next(int(line.split()[1]) for line in lines if line.startswith("VmRSS")))
        except (OSError, StopIteration):
            break
        time.sleep(0.05)
    out, err = process.communicate(timeout=60)
    assert process.returncode == 0, err
    doc = json.loads(out)
    # the last quarter has the reading of all cycles at the end in it
    grown = max(rss[len(rss) // 2:3 * len(rss) // 4]) - max(rss[len(rss) // 4:len(rss) // 2])
    run = bench.must("log", "show", doc["run_id"])
    rows = run["samples"]
    print(f"# {CYCLES} cycles: RSS {max(rss)} KiB at most, grown by {grown} KiB from the second to the third quarter; {rows} rows")
    # SQLite fills its cache of pages, 2 MB at most, by some 7 KiB a cycle; rows that were held would be 200 KiB a cycle
    assert len(doc["cycles"]) == CYCLES, doc["cycles"][-1]
    assert grown < 20 * CYCLES or SANITIZED, (len(rss), grown)
    # 100 rows a second would be some 900 a cycle; two zeros, the first cycle and 10 s before the end make some 8400
    assert rows < 9000 + 15 * CYCLES, rows


if __name__ == "__main__":
    bench = prepared()
    os.environ.pop("DISPLAY", None)
    def on(test):
        def named():
            test(bench)
        named.__name__ = test.__name__
        return named
    try:
        harness.main(*map(on, (nothing_begins_unasked, a_few_cycles, killed_and_taken_up, play_between_the_cycles_and_its_drift,
                               a_play_that_cannot_be_is_refused_with_the_number_that_decides, memory_and_rows_are_bounded,
                               a_report_of_its_cycles, an_encrypted_line_to_the_broker, a_rule_stops_it_and_the_broker_is_told,
                               a_broker_that_is_away_is_told_once, a_broker_that_answers_nonsense_costs_no_result)))
    finally:
        bench.stop()
        bench.home.cleanup()
