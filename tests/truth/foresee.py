#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""How near the uncertainty that `bridle ready` foretells comes to the one that the sweep reaches, over virtual rigs. On demand:

    python3 tests/truth/foresee.py [--rigs 10] [--first 1]

Each rig sweeps twice: before the second sweep the first one tells the input power. Prints foretold by reached, and the share of
points within 15 %."""
import argparse
import pathlib
import statistics
import sys

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parents[1] / "bench"))
import harness  # noqa: E402


def ratios(seed):
    """[{"torque_Nm": [...], "efficiency": [...]} of the first sweep and of the second]: foretold by reached, one a point."""
    with harness.Bench(seed) as bench:
        bench.must("hang", "--hands")
        bench.must("map", "--actuator", "paddle-winder")
        return [one_sweep(bench) for _ in range(2)]


def one_sweep(bench):
    told = {p["step"]: p for p in bench.must("ready", "gentle", "--hands", "--answers", "yes")["points"]}
    bench.must("sweep", "gentle")
    points = bench.must("report", "--no-figures")["points"]
    return {name: [told[p["step"]]["u_" + name] / p["u_" + name] for p in points
                   if p["u_" + name] and told[p["step"]]["u_" + name]] for name in ("torque_Nm", "efficiency")}


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
        near = sum(abs(r - 1) <= 0.15 for r in all_of)
        print(f"{name[0]} sweep, {name[1]}: {near} of {len(all_of)} points within 15 % ({100 * near / len(all_of):.0f} %), median of foretold by "
              f"reached {statistics.median(all_of):.2f}")


if __name__ == "__main__":
    main()
