#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Each fault of the virtual bench in the middle of a sweep: the program stops for the cause that it ought to name, takes
the drive's torque away, keeps the brake until the shaft stands, and keeps what it measured. Faults that a rig lives
with (bad, lost and doubled lines) do not stop it. The fault is slipped into the control line by a go-between, at a
moment of bench time, so that every run is the same."""
import csv
import pathlib
import shutil
import socket
import sys
import tempfile
import threading

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parents[1] / "bench"))
import harness  # noqa: E402
from host import body_of, frame  # noqa: E402

PLAN = "gentle"
AT_S = 52.0  # after the program's greeting: under 10 N m at 60 rev/min

FAULTS = [
    # fault, the causes of which one must be named (None: the run goes on to its end), is the brake able to hold?
    ("node-silent", {"node_silent"}, False), ("node-reset", {"node_reset"}, False),
    ("cell-frozen", {"cell_frozen"}, True), ("cell-stale", {"cell_stale"}, True),
    ("cell-saturated", {"cell_saturated"}, True), ("cell-saturated -1", {"cell_saturated"}, True),
    ("pickup-dead", {"pickup"}, True),
    ("brake-stuck 0.6", {"brake_not_following"}, True), ("brake-off", {"brake_not_following"}, False),
    ("contactor-welded", {"contactor"}, False),  # found when the run ends and the contact should open
    ("contactor-drop", {"contactor"}, True), ("estop", {"estop"}, True), ("guard", {"guard_open"}, True),
    ("overspeed", {"overspeed"}, True), ("wrong-direction", {"wrong_direction"}, True),
    ("oscillation", {"oscillation"}, True), ("supply-sag", {"drive_dropout"}, True),
    ("drive-fault", {"drive_fault"}, True), ("hot-brake", {"brake_hot"}, True), ("hot-actuator", {"actuator_hot"}, True),
    ("torque-spike", {"overtorque"}, True),
    # One byte in a thousand: renewals of the lease may be lost in a row, and then the node has to go safe.
    ("garbage 1", {None, "node_safe"}, True),
    ("lost-samples", {None}, True), ("doubled-samples", {None}, True),
]


class GoBetween(threading.Thread):
    """Between program and bench on the control line. Asks its own question once, right before the first step of time past
    the wanted moment; the program never sees the answer."""

    def __init__(self, folder, fault):
        super().__init__(daemon=True)
        self.path, self.real, self.fault = folder / "run" / "control.sock", folder / "run" / "real.sock", fault
        self.path.rename(self.real)  # the profile stays as it was when the rig was found ready
        self.answer, self.greeted_us = None, None
        self.listener = socket.socket(socket.AF_UNIX)
        self.listener.bind(str(self.path))
        self.listener.listen()

    def run(self):
        while True:
            try:
                program, _ = self.listener.accept()
            except OSError:
                return
            bench = socket.socket(socket.AF_UNIX)
            bench.connect(str(self.real))
            with program, bench, program.makefile("rb") as ask, bench.makefile("rb") as answers:
                for line in ask:
                    self.slip_in(body_of(line.rstrip(b"\n")), bench, answers)
                    bench.sendall(line)
                    answer = answers.readline()
                    if not answer:
                        break
                    program.sendall(answer)

    def slip_in(self, body, bench, answers):
        words = (body or "").split()
        if self.answer or len(words) < 3 or words[1] != "advance":
            return
        now_us = int(words[2])
        if self.greeted_us is None:
            self.greeted_us = now_us
        if now_us >= self.greeted_us + AT_S * 1e6:
            bench.sendall(frame(f"?255 hand fault {self.fault}"))
            self.answer = body_of(answers.readline().rstrip(b"\n"))


def calibrated(folder):
    """One bench folder with calibration, map and checklist, for all."""
    with harness.Bench(4) as bench:
        bench.must("hang", "--hands")
        bench.must("map", "--actuator", "paddle-winder")
        bench.must("ready", PLAN, "--hands", "--answers", "yes")
        bench.stop()
        shutil.copytree(bench.folder, folder, ignore=shutil.ignore_patterns("run", "bench.log"))


def assert_order(folder, fault, can_hold):
    """By the bench's own truth: current in the coil for as long as the shaft turns after the contact has opened."""
    with open(folder / "run" / "truth.csv") as file:
        rows = list(csv.DictReader(file))
    driven = [i for i, row in enumerate(rows) if row["drive_on"] == "1"]
    assert driven, "never driven"
    after = rows[driven[-1] + 1:]
    assert after and all(row["drive_on"] == "0" for row in after)
    assert any(row["contactor"] == "0" for row in after) or fault == "contactor-welded", "the contactor stayed closed"
    if can_hold:
        for before, row in zip(after, after[1:]):
            if abs(float(row["speed_rad_per_s"])) > 0.5:
                assert float(row["brake_A"]) > 0.05, f"brake let go of a turning shaft: {row}"
    assert abs(float(rows[-1]["speed_rad_per_s"])) < 0.1, rows[-1]


def try_fault(template, fault, causes, can_hold):
    with harness.Bench(4, example=template) as bench:
        harness.wait_for(lambda: (bench.folder / "run" / "control.sock").exists(), 10, "the bench")
        between = GoBetween(bench.folder, fault)
        between.start()
        result = bench.run("sweep", PLAN, "--json", timeout=60)
        between.listener.close()
        assert between.answer == "!255 ok", (fault, between.answer, result)
        verified = bench.run("log", "verify")
        assert verified.status == 0, verified
        shown = bench.must("log", "show", "last")
        assert shown["ended"], shown
        if None in causes and result.status == 0:
            assert shown["outcome"] == "done", (fault, result)
            return "went on to the end"
        assert result.json.get("cause") in causes, (fault, result, shown["events"][-8:])
        assert result.status in (1, 3) and shown["cause"] == result.json["cause"], (fault, result.status, shown["cause"])
        assert shown["samples"] > 4000 and shown["n_points"] >= 4, shown
        assert_order(bench.folder, fault, can_hold)
        return result.json["message"]


def all_faults():
    with tempfile.TemporaryDirectory(prefix="bridle-") as home:
        template = pathlib.Path(home) / "calibrated"
        calibrated(template)
        bad = []
        for fault, causes, can_hold in FAULTS:
            if len(sys.argv) > 1 and fault not in sys.argv[1:]:
                continue
            try:
                print(f"# {fault}: {try_fault(template, fault, causes, can_hold)}", flush=True)
            except AssertionError as error:
                bad.append(fault)
                print("".join(f"# {line}\n" for line in f"NOT {fault}: {error}".splitlines()), flush=True)
        assert not bad, bad


harness.main(all_faults)
