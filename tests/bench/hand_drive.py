#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""A drive that a person sets on its own panel: asked for, checked against the pick-up, and then left alone while the brake loads it. The
bench's hands are the person; a fault makes them set it wrong, too fast, backward, or not at all. The page docs/drive.md says what it promises."""
import os
import re
import sqlite3
import time

import harness
import host
import text_drive
from prepared import Prepared
from terminal import Terminal

# As docs/drive.md shows it, but that it turns back.
HAND = "\n" + "".join(line[4:] + "\n" for line in (harness.ROOT / "docs" / "drive.md").read_text(encoding="utf-8")
                      .split("## A drive that a person sets")[1].split("\n\n")[1].splitlines())
SEED = 5


def add(folder, text=HAND.replace("reverse = no", "reverse = yes")):
    with open(folder / "rig.ini", "a", encoding="utf-8") as file:
        file.write(text)


PREPARED = Prepared(SEED, add)


def rows(folder):
    return harness.truth_rows(folder)


def a_day(bench):
    checked = bench.must("ready", "gentle", "--hands", "--answers", "yes")
    assert checked["ready"] is True and checked["signs"]["rotor_checked"] is False, checked
    assert {"knob", "contactor_alone"} <= {item["item"] for item in checked["checklist"]}, checked["checklist"]
    return bench.must("sweep", "gentle")


def a_day_with_a_knob():
    """Ready, sweep, report: speeds and torques as the bench has them, the contactor open at the end, the report says who set it."""
    with harness.Bench(SEED, example=PREPARED.get()) as bench:
        swept = a_day(bench)
        report = bench.must("report")
        page = (bench.folder / report["page"] if "page" in report else next(bench.folder.rglob("*.html"))).read_text(encoding="utf-8")
        assert len(swept["points"]) == len(report["points"]) == 5, swept
        assert report["speed_set_by_hand"] is True, report
        assert "set by hand on the drive's own panel, each time to within 3 % of what was asked for" in page, page[:400]
        assert "drive set by a person to 60 rpm" in page
        assert all(p["limit"] in ("none", "not known") for p in report["points"]), report["points"]
        claims = {c["claim"].split(" 1")[0]: c["verdict"] for c in report["claims"]}
        assert all(v in ("undecided", "not tested", "not_tested", "confirmed", "refuted") for v in claims.values()), claims
        assert bench.run("log", "verify").status == 0
        bench.stop()
        truth = rows(bench.folder)
        for p in swept["points"]:
            turned = text_drive.mean(truth, "int_speed_rad", p["begin_s"], p["end_s"]) * 60 / (2 * 3.141592653589793)
            torque = text_drive.mean(truth, "int_torque_Nms", p["begin_s"], p["end_s"])
            assert abs(turned - p["speed_rpm"]) < 0.02 and abs(turned - 60) < 1.8, (turned, p)
            assert abs(torque - p["torque_Nm"]) < 1.5 * p["U_torque_Nm"] + 0.04, (torque, p)  # drag outside the cradle: 0.02 ± 0.01
        assert truth[-1]["contactor"] == "0" and abs(float(truth[-1]["speed_rad_per_s"])) < 0.01, truth[-1]


def each_question_is_asked_and_kept():
    with harness.Bench(SEED, example=PREPARED.get()) as bench:
        result = bench.run("sweep", "gentle", "--forced", "words")
        text = " ".join(result.err.split())
        assert result.status == 0, result
        assert "set the drive to 0: its power comes next. Then press Enter" in text, text
        assert "set the drive to 60 rpm forward, then press Enter" in text, text
        notes = sqlite3.connect(bench.folder / "logbook").execute("SELECT text FROM event WHERE kind = 'note'").fetchall()
        assert any(text.startswith("drive set by hand: 60 rpm asked for, the pick-up reads") for (text,) in notes), notes


def sweep_at(acts, options=("--forced", "a fault")):
    with harness.Bench(SEED, options=["--at", acts] if acts else [], example=PREPARED.get()) as bench:
        result = bench.run("sweep", "gentle", *options, "--json")
        bench.stop()
        return result, rows(bench.folder)


def loaded_at():
    """When the undisturbed sweep of this seed is well under load; and when its contactor closes for the steps."""
    result, truth = sweep_at("")
    points = [p for p in result.json["points"] if p["torque_Nm"] > 8]
    return points[0]["begin_s"] + 1, truth


def stopped_in_order(truth, at_s):
    """After it the contactor opened, and where the shaft still turned the brake held it. The drive itself goes off with its capacitors."""
    last_closed = [i for i, row in enumerate(truth) if row["contactor"] == "1"][-1]
    after = truth[last_closed + 1:]
    assert after and float(after[0]["t_s"]) > at_s, (after[:1], at_s)
    held = [row for row in after if abs(float(row["speed_rad_per_s"])) > 0.2]
    assert all(float(row["brake_A"]) > 0.05 for row in held[3:]), held
    assert abs(float(after[-1]["speed_rad_per_s"])) < 0.01, after[-1]


def what_a_person_does_wrong_stops_it():
    at, truth = loaded_at()
    closed = [float(row["t_s"]) for row in truth if row["contactor"] == "1"]
    for acts, cause, words in (("0.1 fault panel -1", "wrong_direction", "turns the other way than commanded"),
                               ("0.1 fault panel 1.5", "overspeed", "limit"),
                               (f"{at:.2f} panel 90", "overspeed", "limit 60 rpm"),
                               (f"{closed[0] - 0.3:.2f} panel 40", "overspeed", "limit")):
        result, truth = sweep_at(acts)
        out = result.json
        assert result.status == 1 and out["cause"] == cause and words in out["message"] and out["safe"] is True, (acts, out)
        stopped_in_order(truth, float(acts.split()[0]))


def nobody_sets_it():
    """It stands, and 180 s later the run ends in order."""
    result, truth = sweep_at("0.1 fault panel 0")
    out = result.json
    assert out["cause"] == "sequence" and "nobody set the drive to" in out["message"] and "in 180 s, the pick-up reads 0 rpm" in out["message"], out
    assert out["safe"] is True and truth[-1]["contactor"] == "0", truth[-1]
    assert max(abs(float(row["speed_rad_per_s"])) for row in truth if row["contactor"] == "1") < 0.1


def turned_down_in_mid_load():
    at, _ = loaded_at()
    result, truth = sweep_at(f"{at:.2f} panel 0")
    assert result.status == 1 and result.json["safe"] is True, result
    stopped_in_order(truth, at)


def a_welded_contactor_is_not_safe():
    """The knob goes on driving. The brake holds against it, and the end says that it is not safe and why."""
    at, _ = loaded_at()
    result, _ = sweep_at(f"{at:.2f} fault contactor-welded; {at + 0.5:.2f} fault estop")
    out = result.json
    assert result.status == 3 and out["safe"] is False and out["message"].startswith("NOT SAFE"), out
    assert "contactor" in out["message"], out


def what_cannot_be_is_refused():
    cases = (("reverse = yes", "reverse = maybe", "reverse"), ("tolerance = 3 %", "tolerance = 20 %", "tolerance"),
             ("kind = hand-drive", "kind = hand-drive\nlink = serial:/dev/ttyUSB0", "but a hand-drive has no line"),
             ("roles = drive", "roles = drive, power", "but a hand-drive cannot do that"))
    for old, new, words in cases:
        with harness.Bench(SEED, example=PREPARED.get()) as bench:
            bench.replace("rig.ini", old, new)
            result = bench.run("sweep", "gentle")
            assert result.status == 2 and words in " ".join(result.err.split()), (new, result)
    one_channel = lambda folder: (folder / "virtual.ini").write_text((folder / "virtual.ini").read_text().replace("single = 0", "single = 1"))
    with harness.Bench(SEED, example=PREPARED.get(), edit=one_channel) as bench:
        result = bench.run("sweep", "gentle", "--forced", "x")
        assert result.status == 2 and "only the pick-up tells which way the shaft turns, and it tells none" in " ".join(result.err.split()), result
        bench.stop()
        assert all(row["contactor"] == "0" for row in rows(bench.folder))
    with harness.Bench(SEED, example=PREPARED.get()) as bench:
        for command in (("ripple", "--actuator", "paddle-winder", "--torque", "5"), ("hold", "--actuator", "paddle-winder", "--torque", "5", "--speed", "30")):
            result = bench.run(*command, "--answers", "yes", "--hands")
            assert result.status == 2 and "a person sets hand-drive panel" in " ".join(result.err.split()), result


def without_a_reverse_the_zero_is_read_at_rest():
    with harness.Bench(SEED, example=PREPARED.get(), edit=lambda folder: no_reverse(folder)) as bench:
        result = bench.run("sweep", "gentle", "--forced", "no reverse")
        assert result.status == 0 and "backward" not in result.err, result


def no_reverse(folder):
    path = folder / "rig.ini"
    path.write_text(path.read_text(encoding="utf-8").replace("reverse = yes", "reverse = no"), encoding="utf-8")


def control(folder, act):
    """One act of the hands while the program, which knows no virtual bench, has the tether. Bench time stands still for so long."""
    line = host.Line("unix:run/control.sock", str(folder))
    for number, body in enumerate(("hello 2", f"hand {act}"), 1):
        line.write(host.frame(f"?{number} {body}"))
        answer = line.take()
        assert any(body.startswith(f"!{number} ok") for body in answer), (act, answer)
    line.socket.close()


def on_the_machines_clock(folder):
    """A rig as a real one, slow enough for a machine that is busy; one load step."""
    rig, plan = folder / "rig.ini", folder / "plans" / "gentle.ini"
    text = re.sub(r"(?ms)^\[virtual\].*?(?=^\[)", "", rig.read_text(encoding="utf-8"))
    text = text.replace("rate = 100 Hz", "rate = 20 Hz").replace("lease = 0.3 s\n", "lease = 3 s\n", 1) + "\n[guard]\nsilent = 3 s\ncell_stale = 5 s\n"
    rig.write_text(text, encoding="utf-8")
    text = plan.read_text(encoding="utf-8").replace("torque = 0, 5, 10, 15 N.m", "torque = 5 N.m").replace("repeat_first = yes", "repeat_first = no")
    plan.write_text(text.replace("dwell = 4 s\nwindow = 2 s", "dwell = 2 s\nwindow = 1 s"), encoding="utf-8")


def a_person_at_a_terminal():
    """Enter too soon is answered with what the pick-up reads, Enter at the speed goes on; q at a question ends it in order."""
    for quits in (False, True):
        with harness.Bench(SEED, example=PREPARED.get(), edit=no_reverse) as bench:
            harness.wait_for((bench.folder / "run" / "control.sock").exists, 10, "the bench")
            on_the_machines_clock(bench.folder)
            harness.count_as_real(bench.folder)
            sweep = Terminal("sweep", "gentle", "--forced", "a person", "--bench", bench.folder)
            said = lambda: " ".join(sweep.text.split())
            harness.wait_for(lambda: "set the drive to 0: its power comes next" in said(), 60, "the first question")
            os.write(sweep.far, b"\n")
            harness.wait_for(lambda: "set the drive to 60 rpm forward, then press Enter" in said(), 60, "the second question")
            os.write(sweep.far, b"q" if quits else b"\n")
            if not quits:
                harness.wait_for(lambda: "the pick-up reads 0.0 rpm: set the drive to 60 rpm forward, within 1.8 rpm" in said(), 60, "the third question")
                control(bench.folder, "panel 60")
                time.sleep(5)
                os.write(sweep.far, b"\n")
            status = sweep.process.wait(120)
            assert status == (1 if quits else 0), said()
            assert ("the operator stopped the run" if quits else "drive set by hand: 60 rpm asked for") in said(), said()


if __name__ == "__main__":
    harness.main(a_day_with_a_knob, each_question_is_asked_and_kept, what_a_person_does_wrong_stops_it, nobody_sets_it, turned_down_in_mid_load,
                 a_welded_contactor_is_not_safe, what_cannot_be_is_refused, a_person_at_a_terminal, without_a_reverse_the_zero_is_read_at_rest)
