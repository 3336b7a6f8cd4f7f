#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""bridle calc brakemap, lag and settle against laws written here: plays of several widths behind a saturating curve
(Prandtl and Ishlinskii's hysteresis operator), a first-order step, a known slope. Seeds printed."""
import math
import pathlib
import random
import sys
import tempfile

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parents[1] / "bench"))
import harness  # noqa: E402

SEED = 20
WIDTH, SHARE = (0.01, 0.03, 0.06, 0.1), (0.4, 0.3, 0.2, 0.1)
print(f"# seed {SEED}")


class Brake:
    def __init__(self):
        self.play = [0.0] * 4

    def torque(self, current, slip):
        self.play = [min(max(p, current - w), current + w) for p, w in zip(self.play, WIDTH)]
        field = sum(s * p for s, p in zip(SHARE, self.play))
        return 0.6 + max(60 * field * (1 - 0.12 * field * field), 0) + 0.002 * slip


def map_table(noise=0.02):
    rng = random.Random(SEED)
    text = "current (mA),torque (N.m),branch,slip (rpm),u_torque (N.m)\n"
    for slip in (20, 60):
        brake = Brake()
        for i in range(33):
            current = (i if i <= 16 else 32 - i) / 16
            torque = brake.torque(current, slip) + rng.gauss(0, noise)
            text += f"{1000 * current},{torque!r},{'rising' if i <= 16 else 'falling'},{slip},0.03\n"
    return text


def calc(topic, text, *options, status=0):
    with tempfile.TemporaryDirectory() as folder:
        path = pathlib.Path(folder) / "t.csv"
        path.write_text(text)
        result = harness.run("calc", topic, path, *([] if status else ["--json"]), *options)
    assert result.status == status, result
    return result.json if status == 0 else result.err


def near(found, expected, slack, what=""):
    assert abs(found - expected) <= slack, f"{what}: found {found!r}, expected {expected!r} within {slack}"


def the_map_finds_the_law():
    asked = [10, 20, 30, 40, 50]
    m = calc("brakemap", map_table(), "--torque", ",".join(map(str, asked)))
    field = sum(s * w for s, w in zip(SHARE, WIDTH))  # each play is left at its width
    near(m["remanence_Nm"], 60 * field * (1 - 0.12 * field**2), 3 * m["u_remanence_Nm"], "remanence")
    near(m["drag_Nm"], 0.6 + 0.002 * 40, 3 * m["u_drag_Nm"], "drag")
    near(m["slip_slope_Nm_per_rpm"], 0.002, 4 * m["u_slip_slope_Nm_per_rpm"], "slip")
    near(m["max_A"], 1, 1e-12)
    for branch in ("rising", "falling"):
        brake, best = Brake(), {}
        for i in range(2001):
            current = (i if i <= 1000 else 2000 - i) / 1000
            torque = brake.torque(current, 40)
            if (i <= 1000) == (branch == "rising"):
                for t in asked:
                    best[t] = min(best.get(t, (9, 0)), (abs(torque - t), current))
        for row in m["inverse"]:
            near(row[f"current_{branch}_A"], best[row["torque_Nm"]][1], 0.004 if row["torque_Nm"] < 45 else 0.012, f"{branch} {row}")


def the_branches_meet_where_the_current_turns():
    m = calc("brakemap", map_table())
    near(m["rising"][-1]["current_A"], 1, 1e-9)
    near(m["falling"][-1]["current_A"], 1, 1e-9)
    near(m["falling"][-1]["torque_Nm"], m["rising"][-1]["torque_Nm"], 1e-9)


def lag_is_the_time_constant():
    rng = random.Random(SEED)
    text = "t (ms),torque (N.m)\n" + "".join(f"{5 * i},{20 - 15 * math.exp(-5 * i / 80) + rng.gauss(0, 0.05)!r}\n" for i in range(100))
    got = calc("lag", text)
    near(got["lag_s"], 0.080, 4 * got["u_lag_s"])
    assert 0 < got["u_lag_s"] < 0.001, got


def settled_since():
    rng = random.Random(SEED)
    # 20 - 15 exp(-t/2): the mean slope of a window (t - 3, t) is 7.5 exp(-t/2) (exp(1.5) - 1)/1.5, a straight line's within 20 % of it
    text = "t,y\n" + "".join(f"{i / 100},{20 - 15 * math.exp(-i / 200) + rng.gauss(0, 0.02)!r}\n" for i in range(2000))
    got = calc("settle", text, "--window", "3", "--limit", "0.05")
    expected = 2 * math.log(7.5 * (math.exp(1.5) - 1) / 1.5 / 0.05)
    assert got["settled"] is True
    near(got["settled_at"], expected, 0.6)
    near(got["slope"], 0, 4 * got["u_slope"])
    # A slope that is known: 0.3 a unit of time, and its error as least squares has it, s sqrt(12/n)/T
    text = "t,y\n" + "".join(f"{i / 100},{0.003 * i + rng.gauss(0, 0.02)!r}\n" for i in range(1001))
    got = calc("settle", text, "--window", "8", "--limit", "0.31")
    near(got["slope"], 0.3, 4 * got["u_slope"])
    usual = 0.02 * math.sqrt(12 / 800) / 8
    assert 0.4 * usual < got["u_slope"] < 2.5 * usual, (got, usual)
    assert got["settled"] is True and calc("settle", text, "--window", "8", "--limit", "0.29")["settled"] is False
    assert calc("settle", text, "--window", "8")["settled"] is None


def wrong_input_is_one_sentence():
    rows = [("brakemap", map_table().replace("rising", "up"), [], "rising or falling"),
            ("brakemap", "current (A),torque (N.m),branch\n0,0,rising\n1,2,rising\n", [], "at least 3"),
            ("brakemap", map_table().replace("(mA)", "(mV)"), [], "same kind"),
            ("brakemap", map_table(), ["--torque", "ten"], "--torque"),
            ("brakemap", map_table().replace(",0.03", ",-0.03"), [], "u_torque"),
            ("lag", "t (s),torque (N.m)\n0,1\n1,2\n", [], "8"),
            ("lag", "t (s),y\n0,1\n1,2\n", [], "no column"),
            ("settle", "t,y\n0,1\n1,2\n", [], "--window"),
            ("settle", "t,y\n0,1\n1,2\n", ["--window", "-3"], "positive"),
            ("settle", "t,y\n0,1\n1,2\n", ["--window", "30"], "do not fill"),
            ("settle", "t,y\n0,1\n0,2\n", ["--window", "1"], "rising times"),
            ("settle", "t,y\n0,1\n1,nan\n", ["--window", "1"], "no number")]
    for topic, text, options, says in rows:
        err = calc(topic, text, *options, status=2)
        assert err.count("\n") == 1 and says in err, (topic, options, err)


harness.main(the_map_finds_the_law, the_branches_meet_where_the_current_turns, lag_is_the_time_constant, settled_since,
             wrong_input_is_one_sentence)
