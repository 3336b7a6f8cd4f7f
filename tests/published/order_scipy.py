#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Orders of `bridle ripple` against scipy.signal.periodogram (Hann window) on the same even angles
Usage: order_scipy.py BRIDLE. TAP."""
import json
import pathlib
import subprocess
import sys
import tempfile

try:
    import numpy as np
    from scipy import signal
except ImportError:
    print("1..0 # SKIP no SciPy")
    sys.exit(0)

home = pathlib.Path(tempfile.mkdtemp(prefix="bridle-orders-"))
rng = np.random.default_rng(20261126)


def orders():
    n, turns = 4096, 8
    x = np.arange(n + 1) * turns / n
    waves = {1: 0.3, 7: 0.11, 40: 0.06, 50: 0.2}
    y = 5 + sum(a * np.sin(2 * np.pi * k * x + k) for k, a in waves.items()) + 0.02 * rng.standard_normal(n + 1)
    path = home / "t.csv"
    path.write_text("angle (turn),torque (N.m)\n" + "".join(f"{a:.9f},{b:.9f}\n" for a, b in zip(x, y)))
    run = subprocess.run([sys.argv[1], "ripple", "--from", path, "--orders", "7", "--json"], capture_output=True, text=True)
    found = {round(o["order"]): o["amplitude_Nm"]["value"] for o in json.loads(run.stdout)["orders"]}
    f, p = signal.periodogram(y[:n], fs=n / turns, window="hann", detrend="constant", scaling="spectrum")
    for k in waves:
        scipy = np.sqrt(2 * p[k * turns])
        assert abs(found[k] - scipy) < 2e-3 * scipy + 1e-4, (k, found[k], scipy)
    assert set(found) - {2} == set(waves), found  # 2 is told in any case


if __name__ == "__main__":
    try:
        orders()
        print("ok 1 - orders as SciPy's")
        status = 0
    except Exception as e:  # noqa: BLE001
        print(f"not ok 1 - orders as SciPy's\n# {type(e).__name__}: {e}")
        status = 1
    print("1..1")
    sys.exit(status)
