#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""`play` at the rig: the loop of a gear against the locked brake, judged by the virtual bench's own figures (written here).

    python3 tests/bench/play_live.py [RIGS]      # 1 rig; more on demand: how often the intervals hold"""
import math
import sys

import harness

RIGS = int(sys.argv[1]) if __name__ == "__main__" and len(sys.argv) > 1 else 1
ASK = ("play", "--actuator", "paddle-winder", "--torque", "20 N.m", "--hands", "--answers", "yes")
RIG = 3000  # N.m/rad of the virtual rig: cell and lever ([lever] stiffness)
PLAY, STIFF, HYSTERESIS = 9, 7000, 0.1  # arcmin, N.m/rad, N.m
ARCMIN = 60 * 180 / math.pi


def gear(folder):
    path = folder / "virtual.ini"
    text = path.read_text()
    assert "backlash = 9 arcmin" in text and "stiffness = 7000 N.m/rad\n" in text and "\nhysteresis = 0 N.m\n" in text
    path.write_text(text.replace("\nhysteresis = 0 N.m\n", f"\nhysteresis = {HYSTERESIS} N.m\n"))


def calibrated(seed):
    bench = harness.Bench(seed, edit=gear)
    bench.start()
    bench.must("hang", "--hands", "--series", "1")
    return bench


def misses(found):
    """Error over U of what the bench's figures foretell."""
    t3 = 0.03 * found["rated_Nm"]
    true = {"lost_motion_arcmin": PLAY + 2 * t3 / STIFF * ARCMIN,  # H below t3: both middles lie on the flanks
            "stiffness_Nm_per_arcmin": STIFF / ARCMIN}
    return {key: (found[key]["value"] - true[key]) / (1.96 * found[key]["u"]) for key in true}


def the_loop_finds_the_gear():
    all_misses = []
    for seed in range(1, RIGS + 1):
        bench = calibrated(seed)
        try:
            table = bench.folder / "loop.csv"
            found = bench.must(*ASK, "--rig-stiffness", f"{RIG} N.m/rad ± 1 %", "--out", table)
            all_misses.append(misses(found))
            assert found["lost_motion_arcmin"]["u"] < 3 and found["stiffness_Nm_per_arcmin"]["u"] < 0.05, found
            again = harness.run("play", "--from", table, "--json").json
            # 20 N.m in 25 s, the middle of four conversions at 80 a second: so far apart lie the two ways at most
            apart = 2 * 1.5 / 80 * 20 / 25 / (STIFF / ARCMIN) / math.sqrt(3)
            assert abs(found["cell_lag_s"] - 1.5 / 80) < 0.001, found["cell_lag_s"]
            assert found["hysteresis_arcmin"]["u"]**2 > again["hysteresis_arcmin"]["u"]**2 + 0.95 * apart**2, (found, again)
            for key in ("lost_motion_arcmin", "stiffness_Nm_per_arcmin", "hysteresis_loss_J"):
                assert again[key]["value"] == found[key]["value"] and again[key]["u"] < found[key]["u"], key
            run = bench.must("log", "show", found["run_id"])
            assert run["kind"] == "play" and run["outcome"] == "done" and len(found["points"]) > 500, run
            assert any(event["text"] == "no_arm: yes" for event in run["events"]), run["events"]
            if seed == 1:
                assert found["obey_run"] is None and found["coulomb_Nm"] is None and found["ratio"] is None, found
                series = bench.must(*ASK, "--loops", "1")["stiffness_Nm_per_arcmin"]["value"]
                lost = bench.run(*ASK, "--loops", "1", "--out", bench.folder / "nowhere" / "loop.csv", "--json")
                assert lost.status == 3 and "cannot be written" in lost.json["message"], lost
                link = bench.folder / "link.csv"
                link.symlink_to(bench.folder / "elsewhere.csv")
                refused = bench.run(*ASK, "--loops", "1", "--out", link, "--json")
                assert refused.status == 3 and f"{link} cannot be written: it is a link; remove it, or name a plain file" in refused.json["message"], refused
                assert not (bench.folder / "elsewhere.csv").exists()
                kept = bench.must("report", bench.must("log")["runs"][-1]["run"], "--no-figures")  # a file costs no result
                assert kept["stiffness_Nm_per_arcmin"]["value"] > 0, kept
                both = 1 / (1 / STIFF + 1 / RIG) / ARCMIN  # gear and rig in series
                assert abs(series / both - 1) < 0.02, (series, both)
        finally:
            bench.stop()
            bench.home.cleanup()
    for key in all_misses[0]:
        inside = sum(abs(m[key]) <= 1 for m in all_misses)
        print(f"# {key}: {inside} of {RIGS} within U, the worst at {max(abs(m[key]) for m in all_misses):.2f} U")
        assert inside >= (RIGS if RIGS < 20 else 0.9 * RIGS), all_misses


def what_cannot_be_is_refused_before_anything_moves():
    bench = calibrated(2)
    try:
        rows = (((*ASK[:3], "--torque", "60 N.m", *ASK[5:]), 2, "[limits] torque of the actuator"),
                ((*ASK, "--loops", "21"), 2, "loops"),
                ((*ASK, "--rig-stiffness", "-1 N.m/rad"), 2, "expected more than 0"),
                ((*ASK, "--rig-stiffness", "3 kg"), 2, "--rig-stiffness"),
                ((*ASK, "--from", "x.csv"), 2, "give one of them"),
                ((*ASK[:-1], "no"), 1, "was answered no"))
        bench.replace("rig.ini", "torque = 50 N.m", "torque = 80 N.m")  # so that the actuator decides and not the brake
        for words, status, says in rows:
            done = bench.run(*words, "--json")
            assert done.status == status and says in done.json["message"], (words, done)
        assert not any(run["kind"] == "play" and run["samples"] for run in bench.must("log")["runs"])
    finally:
        bench.stop()
        bench.home.cleanup()


if __name__ == "__main__":
    if RIGS > 1:
        harness.main(the_loop_finds_the_gear)
    harness.main(the_loop_finds_the_gear, what_cannot_be_is_refused_before_anything_moves)
