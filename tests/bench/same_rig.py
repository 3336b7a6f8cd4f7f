#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""The same true rig measured twice, each time from dead weights to the points: by the node alone, and by a bench supply over SCPI, a drive on CAN and a
weight indicator beside it. Both curves agree within the U of both, apart from what the rig itself did otherwise the second time, which the bench's
truth tells. On demand with more rigs, counted: same_rig.py RIGS [FIRST]."""
import math
import sys

import can_drive
import harness
import indicator
import settable_supply
from text_drive import mean

SEED = 11


def parts(folder):
    """Each section as the page of its instrument shows it."""
    with open(folder / "rig.ini", "a", encoding="utf-8") as file:
        file.write(can_drive.DRIVE + indicator.GAUGE + settable_supply.PSU)


def errors(seed, edit):
    """Of each point: what was measured less what was true, and U, by quantity."""
    with harness.Bench(seed, edit=edit) as bench:
        bench.must("hang", "--hands", "--series", "2", "--steps", "4")
        bench.must("map", "--actuator", "paddle-winder", "--currents", "5")
        points = bench.must("sweep", "gentle", "--forced", "the same rig twice")["points"]
        bench.stop()
        truth = harness.truth_rows(bench.folder)
    assert len(points) == 5 and all(p["settled"] for p in points), points
    assert truth[-1]["contactor"] == "0" and truth[-1]["drive_on"] == "0", truth[-1]
    ret = []
    for p in points:
        true = {key: mean(truth, column, p["begin_s"], p["end_s"])
                for key, column in (("torque_Nm", "int_brake_Nms"), ("speed_rpm", "int_speed_rad"), ("input_power_W", "int_electric_J"))}
        true["efficiency"] = mean(truth, "int_brake_work_J", p["begin_s"], p["end_s"]) / true["input_power_W"]
        true["speed_rpm"] *= 60 / (2 * math.pi)
        ret.append({key: (p[key] - value, p["U_" + key]) for key, value in true.items()})
    return ret


def apart(seed):
    """Differences of both over the U of both: (quantity, point from 1 on, share)."""
    alone, beside = errors(seed, None), errors(seed, parts)
    return [(key, i + 1, (beside[i][key][0] - alone[i][key][0]) / math.hypot(beside[i][key][1], alone[i][key][1]))
            for i in range(len(alone)) for key in alone[i]]


def both_curves_agree_within_their_uncertainty():
    found = apart(SEED)
    beyond = [row for row in found if not abs(row[2]) <= 1]
    assert len(found) == 20 and not beyond, beyond


def study(rigs, first):
    rows = []
    for seed in range(first, first + rigs):
        rows += apart(seed)
        print(f"rig {seed}: beyond U {[row for row in rows[-20:] if not abs(row[2]) <= 1]}", flush=True)
    for key in dict.fromkeys(row[0] for row in rows):
        shares = [row[2] for row in rows if row[0] == key]
        inside = sum(abs(x) <= 1 for x in shares)
        print(f"{key}: {inside} of {len(shares)} within U ({100 * inside / len(shares):.1f} %), largest {max(map(abs, shares)):.2f} U")


if __name__ == "__main__":
    if len(sys.argv) > 1:
        study(int(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else SEED)
    else:
        harness.main(both_curves_agree_within_their_uncertainty)
