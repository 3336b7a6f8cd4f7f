#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""How near the uncertainty that `bridle ready` foretells comes to the one that the sweep reaches, over virtual rigs of all kinds (powder
and hysteresis brake, quadrature pick-up and one tooth sensor, in turn). On demand:

    python3 tests/truth/foresee.py [--rigs 10] [--first 1]

Each rig sweeps twice, up and down: before the first sweep the map tells input power and noise, before the second one the first. Prints
foretold by reached U (95 %), and the share of points within 15 %."""
import argparse
import pathlib
import statistics
import sys

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parents[1] / "bench"))
import harness  # noqa: E402
import kinds  # noqa: E402

NEAR = 0.15
PLAN = """[plan]
actuator = paddle-winder
speed = 60 rpm

[steps]
torque = 0, 5, 10, 20, 30 N.m

[steady]
dwell = 4 s
window = 2 s
timeout = 15 s
"""


def ratios(seed):
    """[{"torque_Nm": [...], "efficiency": [...]} of the first sweep and of the second]: foretold by reached, one a point."""
    def edit(folder):
        (folder / "plans" / "foresee.ini").write_text(PLAN)
        kinds.edit(list(kinds.BRAKES)[seed % 2], list(kinds.PICKUPS)[seed // 2 % 2])(folder)

    with harness.Bench(seed, edit=edit) as bench:
        bench.must("hang", "--hands", timeout=3000)
        bench.must("map", "--actuator", "paddle-winder", timeout=3000)
        return [one_sweep(bench) for _ in range(2)]


def which(point):
    return point["step"], point["direction"], point["repeat"]


def one_sweep(bench):
    told = {which(p): p for p in bench.must("ready", "foresee", "--hands", "--answers", "yes", timeout=3000)["points"]}
    bench.must("sweep", "foresee", timeout=3000)
    points = bench.must("report", "--no-figures")["points"]
    assert sorted(map(which, points)) == sorted(told), (points, told)
    return {name: [told[which(p)]["U_" + name] / p["U_" + name] for p in points if p["U_" + name] and told[which(p)]["U_" + name]]
            for name in ("torque_Nm", "efficiency")}


def main():
    parse = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parse.add_argument("--rigs", type=int, default=10)
    parse.add_argument("--first", type=int, default=1)
    args = parse.parse_args()
    every = {(n, q): [] for n in ("first", "second") for q in ("torque_Nm", "efficiency")}
    for seed in range(args.first, args.first + args.rigs):
        found = ratios(seed)
        for sweep, ratio in zip(("first", "second"), found):
            for name, list_of in ratio.items():
                print(f"rig {seed}, {sweep} sweep, {name}: " + " ".join(f"{r:.2f}" for r in list_of), flush=True)
                every[sweep, name] += list_of
    for name, all_of in every.items():
        near = sum(abs(r - 1) <= NEAR for r in all_of)
        print(f"{name[0]} sweep, {name[1]}: {near} of {len(all_of)} points within 15 % ({100 * near / len(all_of):.0f} %), median of foretold by "
              f"reached {statistics.median(all_of):.2f}")


if __name__ == "__main__":
    main()
