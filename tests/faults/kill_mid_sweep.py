#!/usr/bin/env python3
"""L2, I10, I5: kill -9 in mid-sweep: the logbook stays whole, no finished point is lost, the lease runs out at the node and the
bench stops in order: the drive's torque away first, the brake kept until the shaft stands, then released. Nothing is energised again before a person answers."""
import pathlib
import signal
import sqlite3
import sys

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parents[1] / "bench"))
import harness  # noqa: E402


def points_in(logbook):
    try:
        db = sqlite3.connect(f"file:{logbook}?mode=ro", uri=True, timeout=5)
        return db.execute("SELECT count(*) FROM point WHERE run_id = (SELECT max(id) FROM run)").fetchone()[0]
    except sqlite3.OperationalError:
        return 0


def runs_in(logbook):
    db = sqlite3.connect(f"file:{logbook}?mode=ro", uri=True, timeout=5)
    return db.execute("SELECT count(*) FROM run").fetchone()[0]


def last_rows(folder, n=400):
    return harness.truth_rows(folder)[-n:]


def kill_mid_sweep():
    with harness.Bench(5) as bench:
        bench.must("hang", "--hands")
        bench.must("map", "--actuator", "paddle-winder")
        bench.must("ready", "lock-sweep", "--hands", "--answers", "yes")
        logbook = bench.folder / "logbook"
        before = runs_in(logbook)
        sweep = bench.popen("sweep", "lock-sweep")
        harness.wait_for(lambda: runs_in(logbook) > before and points_in(logbook) >= 5, 60, "five finished points")
        sweep.send_signal(signal.SIGKILL)
        sweep.wait()
        seen, run = points_in(logbook), runs_in(logbook)
        assert sweep.returncode == -signal.SIGKILL, "the sweep ended before it was killed"

        # Bench time follows the machine's clock now: the lease (0.3 s) runs out, the shaft comes to rest.
        harness.wait_for(lambda: [row["node"] for row in last_rows(bench.folder, 1)] == ["safe"], 30, "the node to go safe")
        rows = last_rows(bench.folder)
        lives = [i for i, row in enumerate(rows) if row["node"] == "live"]
        stop = rows[lives[-1]:]
        assert float(stop[0]["brake_A"]) > 0.05, "the kill came in a step without brake current"
        turning = [row for row in stop[1:] if row["node"] == "stopping"]
        assert turning, "no row of the stop in the truth"
        for row in turning:
            opening = float(row["t_s"]) - float(turning[0]["t_s"]) < 0.05  # drive and contactor take their time
            assert opening or row["drive_on"] == "0" and row["contactor"] == "0", f"driven while stopping: {row}"
        # Released (current falling away) only once the shaft stands.
        for row in turning:
            if abs(float(row["speed_rad_per_s"])) > 0.1:
                assert float(row["brake_A"]) > 0.05, f"brake let go of a turning shaft: {row}"
        assert stop[-1]["node"] == "safe" and abs(float(stop[-1]["speed_rad_per_s"])) < 0.02, stop[-1]
        looked = bench.must("probe", "--seconds", "1")
        brake, = [channel for channel in looked["channels"] if channel["channel"] == "brake_A"]
        assert abs(brake["min"]) < 0.005, f"the brake was not let go: {brake}"
        return_to_work(bench, logbook, run, seen)


def return_to_work(bench, logbook, run, seen):
    verified = bench.run("log", "verify")
    assert verified.status == 0, verified
    db = sqlite3.connect(f"file:{logbook}?mode=ro", uri=True)
    assert db.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
    assert db.execute("SELECT count(*) FROM point WHERE run_id = ?", (run,)).fetchone()[0] >= seen
    first, last = db.execute("SELECT min(mono_ns), max(mono_ns) FROM samples WHERE run_id = ?", (run,)).fetchone()
    end, = db.execute("SELECT max(end_ns) FROM point WHERE run_id = ?", (run,)).fetchone()
    assert last >= end, "samples of a finished point are missing"
    listed = bench.must("log", "list")
    mine = [entry for entry in listed["runs"] if entry["run"] == run]
    assert mine and mine[0]["ended"] is False, mine
    for command in (["sweep", "lock-sweep"], ["sweep", "lock-sweep", "--resume"], ["map", "--actuator", "paddle-winder"]):
        refused = bench.run(*command, "--json")
        why = refused.json["message"]
        assert refused.status == 1 and why.startswith(f"not started: run {run}, 20"), refused
        assert "may have energised the rig and has no end. The program was killed, or its disk was full." in why, refused
        assert why.endswith("give --clear. To continue that run: bridle sweep lock-sweep --resume --clear"), refused
    assert runs_in(logbook) == run + 1, "a run was begun without an answer"  # the probe's
    resumed = bench.must("sweep", "lock-sweep", "--resume", "--clear")
    directions = [(point["step"], point["direction"]) for point in resumed["points"]]
    assert len(directions) >= 17 and len(set(directions)) >= 17, directions
    bench.must("map", "--actuator", "paddle-winder", "--currents", "5")  # answered


harness.main(kill_mid_sweep)
