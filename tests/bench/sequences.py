#!/usr/bin/env python3
"""hang, map, ready and sweep as a user types them: what they refuse, what they keep, how they stop and go on."""
import pathlib
import signal
import sqlite3
import sys

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parent))
import harness  # noqa: E402

PLAN = """[plan]
actuator = paddle-winder
load = torque
drive = speed
speed = 60 rpm
[steps]
torque = 0, 8, 16, 24 N.m
down = yes
repeat_first = yes
[steady]
dwell = 3 s
window = 2 s
timeout = 15 s
"""


def rows(bench, query):
    db = sqlite3.connect(f"file:{bench.folder / 'logbook'}?mode=ro", uri=True, timeout=5)
    return db.execute(query).fetchall()


def refusal(result, status, cause):
    assert result.status == status, result
    assert result.json["cause"] == cause, result.json
    assert len(result.json["message"]) > 20 and "\n" not in result.json["message"], result.json
    return result.json["message"]


def calibrated(bench):
    (bench.folder / "plans" / "short.ini").write_text(PLAN)
    bench.must("hang", "--hands", "--series", "1")
    bench.must("map", "--actuator", "paddle-winder", "--currents", "5")


def nothing_runs_out_of_order():
    with harness.Bench(4) as bench:
        (bench.folder / "plans" / "short.ini").write_text(PLAN)
        assert "hang" in refusal(bench.run("map", "--actuator", "paddle-winder", "--json"), 1, "not_calibrated")
        refusal(bench.run("sweep", "short", "--json"), 1, "not_calibrated")
        bench.must("hang", "--hands", "--series", "1")
        refusal(bench.run("sweep", "short", "--json"), 1, "not_mapped")
        refusal(bench.run("map", "--json"), 2, "bad_input")
        bench.must("map", "--actuator", "paddle-winder", "--currents", "5")
        assert "ready" in refusal(bench.run("sweep", "short", "--json"), 1, "not_ready")
        refusal(bench.run("sweep", "nosuch", "--json"), 2, "bad_input")
        assert rows(bench, "SELECT kind FROM run ORDER BY id") == [("hang",), ("map",)], "a refused command began a run"


def ready_is_for_one_plan_as_it_stands():
    """C2"""
    with harness.Bench(4) as bench:
        calibrated(bench)
        done = bench.must("ready", "short", "--hands", "--answers", "yes")
        assert done["ready"] and done["steps_allowed"] == 4
        assert done["stop_rehearsal"]["contactor_dropped"] and done["guard_rehearsal"]["contactor_dropped"]
        assert done["stop_rehearsal"]["drop_s"] <= 0.1 and len(done["checklist"]) >= 10
        assert all(item["answer"] == "yes" for item in done["checklist"])
        assert done["check_mass"]["ok"] and abs(done["check_mass"]["off_Nm"]) < done["check_mass"]["allowed_Nm"]
        refusal(bench.run("sweep", "gentle", "--json"), 1, "not_ready")
        bench.replace("plans/short.ini", "24 N.m", "22 N.m")
        assert "changed" in refusal(bench.run("sweep", "short", "--json"), 1, "not_ready")
        forced = bench.must("sweep", "short", "--forced", "the test wants it")
        assert len(forced["points"]) == 8 and forced["forced"] and forced["gone_past"] == [], forced
        # 2 is POINT_FORCED, 8 POINT_TARE (rig/channel/event.h)
        assert rows(bench, f"SELECT count(*) FROM point WHERE run_id = {forced['run_id']} AND flags & 2 AND NOT flags & 8") == [(8,)]
        assert ("the test wants it",) in rows(bench, "SELECT text FROM event WHERE kind = 'forced'")


def answers_come_from_a_person_on_a_real_rig():
    with harness.Bench(4) as bench:
        calibrated(bench)
        result = bench.run("ready", "short", "--answers", "no", "--hands", "--json")
        refusal(result, 1, "checklist")
        refusal(bench.run("sweep", "short", "--json"), 1, "not_ready")
        result = bench.run("ready", "short", "--hands", "--json")
        refusal(result, 2, "bad_input")
        rig = (bench.folder / "rig.ini").read_text()
        head, _, tail = rig.partition("[virtual]")
        (bench.folder / "rig.ini").write_text(head + tail[tail.index("\n["):])
        assert "real" in refusal(bench.run("ready", "short", "--answers", "yes", "--json"), 2, "bad_input")
        assert "real" in refusal(bench.run("hang", "--hands", "--json"), 2, "bad_input")


def a_plan_too_heavy_is_refused_or_shortened():
    with harness.Bench(4) as bench:
        calibrated(bench)
        bench.replace("plans/short.ini", "24 N.m", "50 N.m")
        result = bench.run("ready", "short", "--hands", "--answers", "yes", "--json")
        message = refusal(result, 1, "torque")
        assert "step 4 of 4" in message and "45" in message, message
        assert result.json["steps_allowed"] == 3 and not result.json["ready"]
        done = bench.must("ready", "short", "--hands", "--answers", "yes", "--shorten")
        assert done["steps_allowed"] == 3
        points = bench.must("sweep", "short")["points"]
        assert [point["step"] for point in points] == [1, 2, 3, 2, 1, 1], points


def ctrl_c_is_a_controlled_stop_and_the_rest_can_be_taken_up():
    with harness.Bench(4) as bench:
        calibrated(bench)
        bench.must("ready", "short", "--hands", "--answers", "yes")
        sweep = bench.popen("sweep", "short", "--json")
        harness.wait_for(lambda: rows(bench, "SELECT count(*) FROM point WHERE run_id = (SELECT max(id) FROM run WHERE kind = 'sweep')")[0][0] >= 4,
                         30, "two finished load points")
        sweep.send_signal(signal.SIGINT)
        out, err = sweep.communicate(timeout=60)
        stopped = harness.json.loads(out)
        assert sweep.returncode == 1 and stopped["cause"] == "operator", (sweep.returncode, out, err)
        assert 1 <= len(stopped["points"]) < 8, len(stopped["points"])
        rest = bench.must("sweep", "short", "--resume")
        taken = [(point["step"], point["direction"]) for point in rest["points"]]
        assert len(taken) == 8 and len(set(taken)) == 8, taken
        page = pathlib.Path(bench.must("report", "--no-figures")["page"]).read_text()
        assert f"run {rest['run_id']} (continues run {rest['resumes_run_id']}) on " in page
        refusal(bench.run("sweep", "short", "--resume", "--json"), 2, "bad_input")
        assert bench.run("log", "verify").status == 0


def a_torque_limit_stops_with_its_points_kept():
    with harness.Bench(4) as bench:
        calibrated(bench)
        bench.must("ready", "short", "--hands", "--answers", "yes")
        # below the plan's last step: the guard stops on the way there
        bench.replace("rig.ini", "torque = 52 N.m", "torque = 20 N.m")
        result = bench.run("sweep", "short", "--forced", "to see it stop", "--json")
        assert refusal(result, 1, "overtorque")
        assert len(result.json["points"]) == 3, result.json["points"]
        assert rows(bench, "SELECT count(*) FROM event WHERE kind = 'stop'")[0][0] >= 1


def a_crank_will_do():
    """No drive at all: a person turns the shaft for the zero, the map and the sweep; the contactor stays open."""
    with harness.Bench(4) as bench:
        (bench.folder / "plans" / "crank.ini").write_text(PLAN.replace("drive = speed\nspeed = 60 rpm\n", "drive = hand\n")
                                                          .replace("0, 8, 16, 24", "2, 6, 10")
                                                          .replace("timeout = 15 s", "timeout = 15 s\nspeed_slope = 2 rpm/s"))
        bench.must("hang", "--hands", "--series", "1")
        made = bench.must("map", "--by-hand", "--hands", "--speeds", "15, 30")
        assert {point["branch"] for point in made["points"]} == {"rising", "falling"}
        assert all(point["slip_rpm"] > 5 for point in made["points"]), made["points"]
        # arms hold 25 N.m on this bench: the map ends below and says so
        assert made["left_out"] and made["max_Nm"] < 26, (made["left_out"], made["max_Nm"])
        bench.must("ready", "crank", "--hands", "--answers", "yes")
        first, = rows(bench, "SELECT max(id) FROM run")[0]
        points = bench.must("sweep", "crank", "--hands")["points"]
        assert [point["step"] for point in points] == [1, 2, 3, 2, 1, 1]
        assert all(abs(point["torque_Nm"] - [2, 6, 10][point["step"] - 1]) < 0.1 for point in points), points
        seen, closed = rows(bench, f"SELECT count(*), sum((lines & 4) <> 0) FROM samples WHERE run_id > {first}")[0]
        assert seen > 1000 and closed == 0, f"{closed} of {seen} samples of a sweep by hand saw the contactor closed"


def bad_input_moves_nothing():
    with harness.Bench(4) as bench:
        for args in (("hang", "--series", "0"), ("hang", "--steps", "99"), ("hang", "--model", "spline"), ("hang", "--from", "no.csv"),
                     ("ready", "lock-sweep", "--answers", "perhaps"),
                     ("ready",), ("sweep", "lock-sweep", "--forced", ""), ("sweep", "lock-sweep", "--nonsense")):
            result = bench.run(*args, "--json")
            assert result.status == 2, (args, result)
        book = bench.folder / "logbook"
        assert not book.exists() or rows(bench, "SELECT count(*) FROM run")[0][0] == 0
        bench.must("hang", "--hands", "--series", "1")  # a map asks for the calibration first
        for args in (("map", "--actuator", "paddle-winder", "--speeds", "60"), ("map", "--actuator", "nobody"),
                     ("map", "--by-hand", "--actuator", "paddle-winder")):
            refusal(bench.run(*args, "--json"), 2, "bad_input")
        assert rows(bench, "SELECT kind FROM run") == [("hang",)]


def hung(one_sided):
    with harness.Bench(4) as bench:
        bench.replace("rig.ini", "one_sided = 0 % ± 0.02 % normal", f"one_sided = {one_sided}")
        return bench.must("hang", "--hands", "--series", "1", "--steps", "3")


def a_weight_that_pulls_on_one_side_is_counted():
    """The cell shows 2 % too much of a weight: each weight then stands for 1.02 of its torque as a couple, and an error of 1 % is 1 % of each."""
    plain, leaning, unsure = hung("0 % ± 0 %"), hung("2 % ± 0 %"), hung("0 % ± 1 % normal")
    assert abs(leaning["to_Nm"] / plain["to_Nm"] - 1.02) < 1e-12, (leaning["to_Nm"], plain["to_Nm"])
    ratio = leaning["sensitivity_per_Nm"] / plain["sensitivity_per_Nm"]
    assert abs(ratio * 1.02 - 1) < 1e-6, ratio
    more = (unsure["u_sensitivity_per_Nm"] ** 2 - plain["u_sensitivity_per_Nm"] ** 2) ** 0.5
    assert abs(more / plain["sensitivity_per_Nm"] - 0.01) < 1e-4, more
    assert "weights pull on one side" in [source["name"] for source in unsure["fit"]["sources"]], unsure["fit"]["sources"]


harness.main(nothing_runs_out_of_order, ready_is_for_one_plan_as_it_stands, answers_come_from_a_person_on_a_real_rig,
             a_plan_too_heavy_is_refused_or_shortened, ctrl_c_is_a_controlled_stop_and_the_rest_can_be_taken_up,
             a_torque_limit_stops_with_its_points_kept, a_crank_will_do, a_weight_that_pulls_on_one_side_is_counted, bad_input_moves_nothing)
