#!/usr/bin/env python3
"""L6, L7, C1, C2, what one command leaves to the next: a node that is still live, a shaft that turns, an arm with weights, a check that
failed, a hot brake, a screen that takes no more."""
import fcntl
import os
import pathlib
import shutil
import signal
import sqlite3
import sys
import tempfile

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parents[1] / "bench"))
import harness  # noqa: E402

ACTUATOR, PLAN = "paddle-winder", "lock-sweep"


class Prepared:
    """A folder with calibration, map and readiness, made once."""
    folder = None


def prepare(home):
    with harness.Bench(9) as bench:
        bench.must("hang", "--hands")  # one series alone would leave the check weight to chance
        bench.must("map", "--actuator", ACTUATOR, "--currents", "5")
        bench.must("ready", PLAN, "--hands", "--answers", "yes")
        bench.stop()
        Prepared.folder = pathlib.Path(home) / "prepared"
        shutil.copytree(bench.folder, Prepared.folder)
        shutil.rmtree(Prepared.folder / "run")


def bench(edit=None):
    return harness.Bench(9, example=Prepared.folder, edit=edit)


def query(b, sql):
    try:
        db = sqlite3.connect(f"file:{b.folder / 'logbook'}?mode=ro", uri=True, timeout=5)
        return db.execute(sql).fetchall()
    except sqlite3.OperationalError:
        return [(0,)]


def truth(b):
    return harness.truth_rows(b.folder)


def refusal(result, cause):
    assert result.status == 1 and result.json["cause"] == cause, result
    return result.json["message"]


def under_load(b):
    """A sweep that has taken its fourth point."""
    before, = query(b, "SELECT max(id) FROM run")[0]
    sweep = b.popen("sweep", PLAN)
    harness.wait_for(lambda: query(b, f"SELECT count(*) FROM point WHERE run_id > {before} AND NOT flags & 8")[0][0] >= 4, 60,
                     "four points")
    return sweep


def the_next_host_waits_for_the_shaft():
    with bench() as b:
        sweep = under_load(b)
        sweep.send_signal(signal.SIGKILL)
        assert sweep.wait() == -signal.SIGKILL, "the sweep ended before it was killed"
        # at once: the lease (0.3 s) has not run out
        looked = b.run("probe", "--seconds", "1", "--json")
        assert looked.status == 0, looked
        rows = truth(b)
        rows = rows[max(i for i, row in enumerate(rows) if row["node"] == "live"):]
        assert float(rows[0]["brake_A"]) > 0.05, "the kill came in a step without brake current"
        # by its own safe action; not told off, which lets go of the brake at once
        states = [row["node"] for row in rows[1:]]
        assert "idle" not in states and states[-1] == "safe", states
        for row in rows[1:]:
            if abs(float(row["speed_rad_per_s"])) > 0.5:
                assert float(row["brake_A"]) > 0.05, f"the brake let go of a turning shaft: {row}"
        # and a map does not begin with a node that went safe
        assert b.run("map", "--actuator", ACTUATOR, "--json").status == 1


def a_check_that_fails_takes_the_readiness_back():
    with bench() as b:
        b.must("probe", "--seconds", "1")  # the bench has read its files
        b.replace("rig.ini", "length = 500.0 mm", "length = 530.0 mm")  # another arm than that of the calibration
        refusal(b.run("ready", PLAN, "--hands", "--answers", "yes", "--json"), "check_mass")
        b.replace("rig.ini", "length = 530.0 mm", "length = 500.0 mm")  # as it was when the rig was found ready
        assert "the last bridle ready refused" in refusal(b.run("sweep", PLAN, "--json"), "not_ready")


def an_arm_that_was_left_on_keeps_the_shaft_still():
    with bench() as b:
        before = query(b, "SELECT count(*) FROM run")[0][0]
        hang = b.popen("hang", "--hands")
        harness.wait_for(lambda: query(b, f"SELECT count(*) FROM point WHERE run_id > {before}")[0][0] >= 2, 60, "two readings")
        hang.send_signal(signal.SIGKILL)
        hang.wait()
        runs = query(b, "SELECT count(*) FROM run")[0][0]
        refusal(b.run("map", "--actuator", ACTUATOR, "--json"), "arm_on")
        refusal(b.run("sweep", PLAN, "--forced", "to see", "--json"), "arm_on")
        assert query(b, "SELECT count(*) FROM run")[0][0] == runs
        assert all(row["contactor"] == "0" for row in truth(b)), "something was energised with the arm on"


def an_arm_that_a_killed_check_left_on_is_told():
    """--clear answers for the run and for the arm: who is asked for it is told of both."""
    with bench() as b:
        before = query(b, "SELECT count(*) FROM run")[0][0]
        ready = b.popen("ready", PLAN, "--hands", "--answers", "yes")
        harness.wait_for(lambda: query(b, f"SELECT count(*) FROM event WHERE run_id > {before} AND kind = 'arm' AND text = 'on'")[0][0], 60, "the arm")
        assert query(b, f"SELECT count(*) FROM event WHERE run_id > {before} AND kind = 'energised'")[0][0] == 1
        ready.send_signal(signal.SIGKILL)
        ready.wait()
        refused = b.run("sweep", PLAN, "--json")
        why = refused.json["message"]
        assert refused.status == 1 and "has no end" in why and why.endswith("Arm and weights were left on: take them off and couple the actuator first"), refused


def the_brake_s_heat_is_not_forgotten():
    """L6: a brake so small that one light sweep fits into it and two in a row do not."""
    def small_brake(folder):
        text = (folder / "rig.ini").read_text()
        assert "slip_power = 500 W" in text and "slip_energy = 120 kJ" in text
        (folder / "rig.ini").write_text(text.replace("slip_power = 500 W", "slip_power = 5 W")
                                        .replace("slip_energy = 120 kJ", "slip_energy = 3 kJ"))

    with bench(small_brake) as b:
        first = b.must("sweep", "gentle", "--forced", "a small brake")
        second = b.run("sweep", "gentle", "--forced", "once more", "--json")
        refusal(second, "brake_energy")
        assert 0 < len(second.json["points"]) < len(first["points"]), second.json["points"]


with tempfile.TemporaryDirectory(prefix="bridle-") as home:
    prepare(home)
    harness.main(the_next_host_waits_for_the_shaft, a_check_that_fails_takes_the_readiness_back,
                 an_arm_that_was_left_on_keeps_the_shaft_still, an_arm_that_a_killed_check_left_on_is_told, the_brake_s_heat_is_not_forgotten)
