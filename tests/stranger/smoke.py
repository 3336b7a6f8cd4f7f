#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Three rigs of the stranger's bench, from the first weight to a sweep: the program speaks with a bench that shares nothing
with it, and its figures are the bench's truth within what a rough rig would show. The third rig lies about its arm."""
import concurrent.futures

from study import Rig, Truth, harness


def swept(task):
    """Points with their truth, of one sweep."""
    kind, seed, effects = task
    with Rig(kind, seed, effects) as rig:
        rig.must("hang", "--hands")
        rig.must("map", "--actuator", "turner")
        ready = rig.run("ready", "twelve", "--hands", "--answers", "yes")
        sweep = rig.must("sweep", "twelve", *([] if ready.status == 0 else ["--forced", "an arm that lies"]))
        rig.stop()
        truth = Truth(rig.folder / "truth.bin")
        return [(point, truth.point(point["begin_s"], point["end_s"])) for point in sweep["points"]]


def three_rigs():
    tasks = [("powder", 1001, ()), ("hysteresis", 1002, ()), ("powder", 1003, ("arm=0", "arm-slip=0.01"))]
    with concurrent.futures.ThreadPoolExecutor(3) as pool:
        return list(pool.map(swept, tasks))


FOUND = []


def the_program_measures_what_is_there():
    FOUND.extend(three_rigs())
    for points in FOUND[:2]:
        assert len(points) == 12, len(points)
        for point, true in points:
            # One per cent of the heaviest step, and far less of speed and power: wider than any honest interval here.
            assert abs(point["torque_Nm"] - true["torque_brake"]) < 0.38, (point, true)
            assert abs(point["speed_rpm"] / true["speed"] - 1) < 5e-4, (point, true)
            assert abs(point["input_power_W"] / true["input"] - 1) < 0.02, (point, true)
            assert abs(point["efficiency"] / true["efficiency"] - 1) < 0.25, (point, true)


def an_arm_that_is_longer_than_stated_is_seen():
    for point, true in FOUND[2]:
        if true["torque_flange"] > 15:
            low = 1 - point["torque_Nm"] / true["torque_flange"]
            assert 0.005 < low < 0.015, (point, true)  # the arm is 1 % longer: each torque comes out 1 % too small


if __name__ == "__main__":
    harness.main(the_program_measures_what_is_there, an_arm_that_is_longer_than_stated_is_seen)
