#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Worked examples with printed answers through the commands that tell what an actuator can carry, each with its source, and bad
input to them. TAP on standard output."""
import json
import math
import os
import pathlib
import subprocess
import sys
import tempfile

BRIDLE = os.environ["BRIDLE"]
done = failed = 0
home = pathlib.Path(tempfile.mkdtemp(prefix="bridle-carry-"))


def bridle(*args, status=0):
    run = subprocess.run([BRIDLE, *args, "--json"], capture_output=True, text=True, timeout=60, stdin=subprocess.DEVNULL)
    assert run.returncode == status, f"{args}: status {run.returncode}, {run.stdout}{run.stderr}"
    return json.loads(run.stdout)


def table(text, name="t.csv"):
    (home / name).write_text(text, encoding="utf-8")
    return str(home / name)


def near(found, expected, tolerance):
    assert abs(found - expected) <= tolerance, f"found {found!r}, expected {expected!r}"


def refused(words, *args):
    message = bridle(*args, status=2)["message"]
    assert words in message, message
    assert len(message.split()) < 45, message


def test(name, function, *args):
    global done, failed
    done += 1
    try:
        function(*args)
        print(f"ok {done} - {name}")
    except Exception as e:  # noqa: BLE001
        failed += 1
        print(f"not ok {done} - {name}\n# {type(e).__name__}: {e}")


def heating_curves():
    """Solved examples 4.1 to 4.3 of a chapter "Selection of Motor Power Rating", pp. 49-51, of an electric drives textbook
    (read in a collection of solved examples that does not name the book): 30 K after 40 min and 45 K after 80 min: 57.71 min, 60 K;
    20 K after 30 min and 30 K after 60 min: 43.28 min, 40 K; 54 and 67 degC after 1 h and 2 h at 30 degC: 82.36 degC, 1.63 h."""
    for text, minutes, steady in (("0,0\n40,30\n80,45\n", 57.71, 60), ("0,0\n30,20\n60,30\n", 43.28, 40),
                                  ("0,30\n60,54\n120,67\n", 97.86, 82.36)):
        d = bridle("hold", "--from", table("time (min),winding (degC)\n" + text))
        near(d["model"]["winding"]["tau_s"]["value"] / 60, minutes, 0.006)
        near(d["steady_degC"]["value"], steady, 0.005)
        assert d["model"]["winding"]["tau_s"]["u"] is None and not d["equilibrium"]


def time_to_a_limit():
    """A solved example on a public page (that it is Fuchs and Masoum, Power Conversion of Renewable Energy Systems, ch. 6, is from memory): 3 h, 40 to 120 degC; 114 degC (95 % of the
    final temperature) after 7.77 h. The readings are that curve's."""
    rows = "".join(f"{h},{120 - 80 * 2.718281828459045 ** (-h / 3):.6f},40\n" for h in range(0, 12))
    d = bridle("hold", "--from", table("time (h),case (degC),ambient (degC)\n" + rows), "--limit", "114 degC")
    near(d["time_s"]["value"] / 3600, 7.77, 0.005)
    near(d["model"]["case"]["tau_s"]["value"], 3 * 3600, 1)


def holds_refuse():
    refused("--from is missing", "hold")
    refused("cannot be opened", "hold", "--from", str(home / "nothing.csv"))
    refused('no column "time"', "hold", "--from", table("winding (degC)\n20\n"))
    refused("no temperature", "hold", "--from", table("time (s),torque (N.m)\n0,1\n1,1\n"))
    refused("expected rising times", "hold", "--from", table("time (s),case (degC)\n0,20\n9,21\n5,22\n7,23\n"))
    refused("bends", "hold", "--from", table("time (s),case (degC)\n0,20\n10,22\n20,24\n30,26\n40,28\n"))
    refused("0.5 K", "hold", "--from", table("time (s),case (degC)\n0,20\n10,20\n20,20\n30,20\n"))
    refused("has no unit", "hold", "--from", table("time,case (degC)\n0,20\n10,25\n"))
    refused("--cold-resistance", "hold", "--from", table("time (s),voltage (V),current (A)\n0,1,2\n10,1,2\n"))
    warm = table("time (min),winding (degC),torque (N.m)\n" + "".join(f"{k},{20 + 50 * (1 - math.exp(-k / 10)):.2f},5\n" for k in range(40)), "warm.csv")
    refused("--rated-ambient: found 90 degC", "hold", "--from", warm, "--limit", "90 degC", "--rated-ambient", "90 degC")
    refused("expected positive numbers", "hold", "--from", warm, "--limit", "90 degC", "--torques=5,-6")
    refused("below the ambient", "hold", "--from", table("time (min),winding (degC)\n0,20\n40,50\n80,65\n"), "--limit", "10 degC")


def winding_by_resistance():
    """(cold + 235)(R/R cold) - 235 for copper (IEC 60034-1, 8.6.2, from memory): 0.5 ohm at 20 degC, 0.6 ohm are 255 x 1.2 - 235 = 71 degC, and by 225 for
    aluminium 245 x 1.2 - 225 = 69. Readings of a rise with 20 min to 80 degC; the resistance of each by that line turned round."""
    for k, words in ((235, ()), (225, ("--copper", "225"))):
        rows = ""
        for minute in range(0, 121, 2):
            warm = 80 - 60 * math.exp(-minute / 20)
            rows += f"{minute},{10 * 0.5 * (warm + k) / (20 + k):.9f},10\n"
        d = bridle("hold", "--from", table("time (min),voltage (V),current (A)\n" + rows), "--cold-resistance", "0.5 ohm", "--cold-temperature", "20 degC",
                   "--limit", f"{(20 + k) * 1.2 - k} degC", *words)
        near(d["model"]["winding"]["tau_s"]["value"], 1200, 0.1)
        near(d["steady_degC"]["value"], 80, 0.001)
        near(d["time_s"]["value"], 1200 * math.log(60 / (80 - ((20 + k) * 1.2 - k))), 0.5)  # 0.6 ohm


def duty_types():
    """S1, S2 and S3 of IEC 60034-1: a constant load to thermal equilibrium; a load of 10, 30, 60 or 90 min from cold; cycles of 10 min with 15, 25, 40
    or 60 % of load, the rest stood still (definitions as a public course page on the choice of a machine quotes them; times and shares from memory).
    One store of 900 s and 2 K/W from 22 to 80 degC: 29 W for ever; 29/(1 - e^(-t/tau)) for a time t; 29 (1 - e^(-c/tau))/(1 - e^(-d c/tau)) for a share
    d of cycles c: the geometric series of a curve that repeats. The loss is 1 W and 0.1 W for each N2m2 under load."""
    rows, warm = "", 22.0
    for k in range(900):
        torque = 8 if k < 300 else 12 if k < 600 else 0
        loss = 1 + 0.1 * torque * torque if torque else 0
        rows += f"{10 * k},{warm + 0.02 * math.sin(1.7 * k * k):.6f},22,{torque},{loss}\n"
        warm = 22 + 2 * loss + (warm - 22 - 2 * loss) * math.exp(-10 / 900)
    d = bridle("hold", "--from", table("time (s),winding (degC),ambient (degC),torque (N.m),loss (W)\n" + rows), "--limit", "80 degC")
    near(d["continuous_torque_Nm"]["value"], math.sqrt((29 - 1) / 0.1), 0.01)
    assert [s["time_s"] for s in d["s2"]] == [600, 1800, 3600, 5400] and [(s["cycle_s"], s["duty"]) for s in d["s3"]] == [(600, x) for x in (0.15, 0.25, 0.4, 0.6)]
    for s in d["s2"]:
        near(s["torque_Nm"]["value"], math.sqrt((29 / (1 - math.exp(-s["time_s"] / 900)) - 1) / 0.1), 0.02)
    for s in d["s3"]:
        near(s["torque_Nm"]["value"], math.sqrt((29 * (1 - math.exp(-600 / 900)) / (1 - math.exp(-s["duty"] * 600 / 900)) - 1) / 0.1), 0.02)


def sensors_that_are_off():
    """One store under a constant loss P, its start fitted: T + b follows tau dT/dt = R P + b - (T - Ta), so a sensor that tells b too much makes R too
    large by b/P and no time constant longer; the true temperature is b lower than told, and a limit comes so much later. An ambient that is told b too
    much makes R too small by b/P. 300 s, 2 K/W, 20 W from 20 degC: 60 degC at the end; 50 degC after 300 ln 4, with readings 1 K too high after 300 ln(40/9)."""
    rows = "".join(f"{5 * k},{60 - 40 * math.exp(-5 * k / 300) + 0.05 * math.sin(1.7 * k * k):.6f},20,20\n" for k in range(500))
    words = ("hold", "--from", table("time (s),winding (degC),ambient (degC),loss (W)\n" + rows), "--limit", "50 degC")
    plain, warm, air = bridle(*words), bridle(*words, "--u-winding", "1 K"), bridle(*words, "--u-ambient", "1 K")
    for off, source, sign, steady in ((warm, "sensor of the winding", -1, 1), (air, "sensor of the ambient", 1, 0)):
        a, b = (d["model"]["winding"] for d in (plain, off))
        part = {p["source"]: p["u"] for p in b["resistance_K_per_W"]["budget"]}
        near(part[source], sign * 1 / 20, 1e-5)
        near(b["resistance_K_per_W"]["u"], math.hypot(a["resistance_K_per_W"]["u"], 1 / 20), 1e-5)
        near(b["tau_s"]["u"], a["tau_s"]["u"], 1e-3)
        near(off["steady_degC"]["u"], math.hypot(plain["steady_degC"]["u"], steady), 1e-4)
    near(plain["time_s"]["value"], 300 * math.log(4), 1)
    near(warm["time_s"]["u"], math.hypot(plain["time_s"]["u"], 300 * (math.log(40 / 9) - math.log(4))), 0.5)
    near(air["time_s"]["u"], plain["time_s"]["u"], 0.01)
    assert "budget" not in plain["model"]["winding"]["tau_s"]


def watts_and_torques_that_are_off_together():
    """Watts with u 3 % make the resistance uncertain by 3 % more, in quadrature (JCGM 100:2008, 5.1), and no time or temperature; torques with u 2 %
    the ratings by 2 %. One store, 600 s, 2 K/W, 1 W and 0.1 W for each N2m2."""
    rows, warm = "", 22.0
    for k in range(900):
        torque = 8 if k < 300 else 12 if k < 600 else 0
        loss = 1 + 0.1 * torque * torque if torque else 0
        rows += f"{10 * k},{warm + 0.2 * math.sin(1.7 * k * k):.6f},22,{torque},{loss}\n"
        warm = 22 + 2 * loss + (warm - 22 - 2 * loss) * math.exp(-10 / 600)
    words = ("hold", "--from", table("time (s),winding (degC),ambient (degC),torque (N.m),loss (W)\n" + rows), "--limit", "80 degC", "--torques", "18")
    plain, wide = bridle(*words), bridle(*words, "--u-loss", "3 %", "--u-torque", "2 %")
    a, b = (d["model"]["winding"]["resistance_K_per_W"] for d in (plain, wide))
    near(a["value"], 2, 0.02)
    near(b["u"], math.hypot(a["u"], 0.03 * b["value"]), 1e-9)
    near(sum(part["u"] ** 2 for part in b["budget"]), b["u"] ** 2, 1e-12)
    assert "budget" not in a and plain["loss"]["u_relative"] == 0 and wide["loss"]["u_relative"] == 0.03
    near(wide["model"]["winding"]["tau_s"]["u"], plain["model"]["winding"]["tau_s"]["u"], 1e-9)
    near(wide["steady_degC"]["u"], plain["steady_degC"]["u"], 1e-9)
    near(wide["continuous_torque_Nm"]["u"], math.hypot(plain["continuous_torque_Nm"]["u"], 0.02 * plain["continuous_torque_Nm"]["value"]), 1e-9)
    # 18 N.m: 33.4 W lead to 88.8 degC, so 80 degC come after 600 ln(66.8/8.8) = 1216 s; 1.96 x 2 % more torque: 600 ln(T/(T - 58))
    ends = [600 * math.log(2 * w / (2 * w - 58)) for w in (1 + 0.1 * (18 * (1 + s * 1.96 * 0.02)) ** 2 for s in (1, -1))]
    point, before = wide["holding"][0], plain["holding"][0]
    near(point["time_s"], 600 * math.log(66.8 / 8.8), 15)
    near(point["time_s"] - point["low_s"], math.hypot(before["time_s"] - before["low_s"], 1216 - ends[0]), 15)
    assert point["high_s"] is None or point["high_s"] - point["time_s"] > ends[1] - 1216 - 20, (point, ends)
    duty = table("time (s),speed (rpm),torque (N.m)\n" + "".join(f"{k},10,{10 if k < 40 else 0}\n" for k in range(100)), "duty-u.csv")
    heat = [bridle("suit", "--from", duty, "--thermal", table(json.dumps(d), "model-u.json"), "--supply-power", "30 W") for d in (plain, wide)]
    # the watts' 3 % change no temperature; 2 % of torque are 4 % of the heat that goes by its square, 0.1 W/N2m2 x 10^2 for 40 of 100 s:
    # 8 K of 2 K/W in the mean, less than 0.7 K more at the end of the load
    warmer = math.sqrt(heat[1]["peak_winding_degC"]["u"] ** 2 - heat[0]["peak_winding_degC"]["u"] ** 2)
    assert 0.04 * 8 < warmer < 0.04 * 8.7, warmer
    power = next(v for v in heat[1]["verdicts"] if v["requirement"] == "supply power")
    loss = power["needed"] - 10 * 10 * math.pi / 30
    near(power["margin"]["u"], math.hypot(0.03 * loss, 2 * 0.02 * 10), 0.01)
    assert wide["loss"]["torque_u_relative"] == 0.02 and wide["loss"]["to_Nm"] == 12, wide["loss"]
    assert [d["extrapolated"] for d in wide["s2"]] == [d["torque_Nm"]["value"] > 1.02 * 12 for d in wide["s2"]]


def lever_play():
    """2.5 mm at 860 mm is 9.99 arcmin (common practice, no source); in other units and with a dial gauge's 0.05 mm: 0.2 arcmin."""
    d = bridle("play", "--from", table("radius (cm),travel (um)\n86,2500\n"), "--u-travel", "0.05 mm")["lever_play_arcmin"]
    near(d["value"], 9.99, 0.005)
    near(d["u"], 0.2, 0.001)


def stiffness_of_a_gear():
    """By hand: 10 N.m/arcmin behind a gap of 1 arcmin, no friction, angles told in degrees; lost motion 1 + 2 * 3 % * 100 / 10."""
    up = [k for k in range(0, 101, 1)]
    loop = up + [100 - k for k in range(1, 201)] + [-100 + k for k in range(1, 201)]
    rows = "".join(f"{t},{(t / 10 + (0.5 if t > 0 else -0.5 if t < 0 else 0)) / 60:.9f}\n" for t in loop)
    d = bridle("play", "--from", table("torque (N.m),angle (deg)\n" + rows), "--rated", "100 N.m")
    near(d["stiffness_Nm_per_arcmin"]["value"], 10, 1e-5)
    near(d["lost_motion_arcmin"]["value"], 1.6, 1e-5)
    assert d["coulomb_Nm"] is None and d["lever_play_arcmin"] is None and d["back_drive_Nm"]["forward"]["running"] is None


def a_gear_that_grows_stiffer():
    """A solved example of a gear maker's engineering data (document 1019659 of 11/2014, 4.2, p. 23, a strain wave gear): 6.7e4 N.m/rad up to 29 N.m, 1.1e5 N.m/rad up
    to 108 N.m; 60 N.m turn it by 7.15e-4 rad, which is printed as 2.5 arcmin. The loop is that curve's, both signs, so wind-up is twice that. What is read where: lost motion at the middles of the loop at + and - 3 % of
    the rated torque, stiffness from 50 to 100 % of it (an article on the accuracy of gearboxes, Design World, 2024-02-27; the former also on a page of a seller of gears)."""
    def rad(t):
        return math.copysign(min(abs(t), 29) / 6.7e4 + max(abs(t) - 29, 0) / 1.1e5, t)

    near(rad(60), 7.15e-4, 0.005e-4)
    near(rad(60) * 10800 / math.pi, 2.5, 0.05)
    up = [k / 2 for k in range(0, 121)]
    loop = up + [60 - k / 2 for k in range(1, 241)] + [-60 + k / 2 for k in range(1, 241)]
    d = bridle("play", "--from", table("torque (N.m),angle (rad)\n" + "".join(f"{t},{rad(t):.12f}\n" for t in loop)), "--rated", "60 N.m")
    arcmin = 10800 / math.pi
    near(d["wind_up_arcmin"]["value"], 2 * 7.15e-4 * arcmin, 2 * 0.005e-4 * arcmin)
    near(d["stiffness_Nm_per_arcmin"]["value"], 1.1e5 / arcmin, 1e-3)
    near(d["stiffness_near_zero_Nm_per_arcmin"]["value"], 6.7e4 / arcmin, 1e-3)
    near(d["lost_motion_arcmin"]["value"], 2 * 0.03 * 60 / 6.7e4 * arcmin, 1e-4)


def all_of_a_gear_in_one_table():
    """Every kind of reading below the other, the cells of the others empty. By hand: 2.5 mm at 860 mm; the gap of 4 arcmin and 5 N.m/arcmin of the loop, lost motion
    4 + 2 * 3 % * 40 / 5, whose speed is no friction; 0.8 N.m and 0.01 N.m/rpm give or take 0.002 both ways; a breakaway of 3.0 and 3.2, runs of 2.0, 2.1 and 2.2 N.m, and 3.5 and 2.4
    backward; a ratio of 7, its angles off by 0.1 deg where the line lets them."""
    heading = ("radius (mm)", "travel (mm)", "torque (N.m)", "angle (arcmin)", "speed (rpm)", "back-drive (N.m)", "output angle (deg)", "rotor angle (deg)")
    up = [k for k in range(0, 41)]
    loop = up + [40 - k for k in range(1, 81)] + [-40 + k for k in range(1, 81)]
    rows = [{"radius (mm)": 860, "travel (mm)": 2.5 + x} for x in (0, -0.1, 0.1)]
    rows += [{"torque (N.m)": t, "angle (arcmin)": t / 5 + (2 if t > 0 else -2 if t < 0 else 0), "speed (rpm)": 0.1} for t in loop]
    rows += [{"speed (rpm)": way * n, "torque (N.m)": way * (0.8 + 0.01 * n + x)} for n in (10, 20, 40) for way, x in ((1, 0.002), (-1, -0.002))]
    hand = ((1, 0), (3, 0), (2, 5), (2.1, 5), (0, 0), (3.2, 0), (2.2, 5), (0, 0), (-2, 0), (-3.5, 0), (-2.4, -5), (0, 0))
    rows += [{"back-drive (N.m)": t, "speed (rpm)": n} for t, n in hand]
    rows += [{"output angle (deg)": a, "rotor angle (deg)": 3 + 7 * a + x} for a, x in ((0, 0.1), (90, -0.1), (180, -0.1), (270, 0.1))]
    text = ",".join(heading) + "\n" + "".join(",".join(f"{row[key]:.6f}" if key in row else "" for key in heading) + "\n" for row in rows)
    d = bridle("play", "--from", table(text), "--figure", str(home / "gear"))
    near(d["lever_play_arcmin"]["value"], 9.99, 0.005)
    near(d["stiffness_Nm_per_arcmin"]["value"], 5, 1e-4)
    near(d["lost_motion_arcmin"]["value"], 4.48, 1e-4)
    near(d["coulomb_Nm"]["value"], 0.8, 1e-9)
    near(d["viscous_Nm_per_rpm"]["value"], 0.01, 1e-9)
    # six residuals of 0.002 and two parameters; the speeds' mean 70/3 and sum of squares about it 2 * 1400/3
    near(d["coulomb_Nm"]["u"], math.sqrt(6 * 0.002**2 / 4 * (1 / 6 + (70 / 3)**2 / (2 * 1400 / 3))), 1e-9)
    ways = d["back_drive_Nm"]
    near(ways["forward"]["breakaway"]["value"], 3.1, 1e-9)
    near(ways["forward"]["running"]["value"], 2.1, 1e-9)
    near(ways["forward"]["running"]["u"], 0.1 / math.sqrt(3), 1e-9)
    near(ways["backward"]["breakaway"]["value"], 3.5, 1e-9)
    near(ways["backward"]["running"]["value"], 2.4, 1e-9)
    near(d["ratio"]["value"], 7, 1e-9)  # 0.1, -0.1, -0.1, 0.1 has no slope: all of it is off the line
    for name, says, n in (("lever", ("reading", "free travel over radius / arcmin"), 3), ("play", ("torque / N·m",), len(loop)),
                          ("friction", ("speed / rpm", "friction without load / N·m", "forward", "backward"), 6),
                          ("back-drive", ("it stood", "it turned", "breakaway, forward", "running, backward"), len(hand)),
                          ("ratio", ("angle of the output / deg", "rotor off the straight line / deg"), 4)):
        svg = (home / "gear" / (name + ".svg")).read_text(encoding="utf-8")
        assert svg.rstrip().endswith("</svg>") and all(word in svg for word in says), (name, [word for word in says if word not in svg])
        kept = (home / "gear" / (name + ".csv")).read_text().splitlines()
        assert len(kept) == n + 1 and "nan" not in "".join(kept), (name, kept)
    off = [float(row.split(",")[1]) for row in (home / "gear" / "ratio.csv").read_text().splitlines()[1:]]
    assert all(abs(a - b) < 1e-6 for a, b in zip(off, (0.1, -0.1, -0.1, 0.1))), off
    refused("no number", "play", "--from", table("torque (N.m),angle (arcmin)\nx,1\n"))
    refused("no pair of columns", "play", "--from", table("torque (N.m),angle (arcmin)\n1,\n,1\n"))
    refused("is empty, expected a number", "obey", "--from", table("commanded (N.m),measured (N.m)\n1,\n2,2\n"))


def play_refuses():
    refused("no pair of columns", "play", "--from", table("torque (N.m)\n1\n"))
    refused("both signs", "play", "--from", table("torque (N.m),angle (arcmin)\n" + "".join(f"{k},{k}\n" for k in range(9))))
    refused("expected positive", "play", "--from", table("radius (mm),travel (mm)\n0,2.5\n"))
    refused("--rated", "play", "--from", table("radius (mm),travel (mm)\n1,2.5\n"), "--rated", "40 mm")


def duty_by_hand():
    """An hour of steps of 0.25 s: 8, 0, -6, 0 N.m at 20, 0, -20, 0 rpm. RMS sqrt((64 + 36)/4) = 5 N.m, 8 N.m at 20 rpm are 16.755 W;
    12 N.m can be had at 20 rpm; with an efficiency of 50 % the supply gives 33.51 W, at 24 V 1.396 A."""
    rows = "".join(f"{k / 4},{(20, 0, -20, 0)[k % 4]},{(8, 0, -6, 0)[k % 4]}\n" for k in range(4 * 900 + 1))
    curve = table("speed (rpm),torque (N.m)\n0,14\n40,10\n100,0\n", "curve.csv")
    d = bridle("suit", "--from", table("time (s),speed (rpm),torque (N.m)\n" + rows), "--curve", curve, "--efficiency", "50 %", "--voltage",
               "24 V", "--supply-current", "1.3 A", status=1)
    near(d["rms_torque_Nm"], 5, 1e-9)
    near(d["supply_peak_W"], 2 * 8 * 20 * 3.14159265358979 / 30, 1e-6)
    near(d["supply_peak_A"], 1.3963, 1e-4)
    found = {v["requirement"]: v for v in d["verdicts"]}
    near(found["torque at its speed"]["available"], 12, 1e-9)
    near(found["torque at its speed"]["margin"]["value"], 4, 1e-9)
    assert found["torque at its speed"]["verdict"] == "confirmed" and found["torque at its speed"]["rests_on"] == curve
    assert found["supply current"]["verdict"] == "refuted" and d["decides"] == "supply current", d
    assert d["peak_winding_degC"] is None


def suit_with_uncertain_supply_and_gear():
    """10 N.m at 100 rpm are 104.72 W, with an efficiency of 0.5 209.44 W, at 48 V 4.3633 A; play 4 arcmin and 5 N.m/arcmin at 0.5 m make
    a tip error of 500 (2 + 10/5)/3437.75 = 0.5818 mm. u by JCGM 100:2008, 5.1 (limits are rectangular, 4.3.7); the probability is the
    normal distribution's (JCGM 106:2012, 7)."""
    from statistics import NormalDist
    third = 3**-0.5
    duty = table("time (s),speed (rpm),torque (N.m)\n0,100,10\n1,100,10\n2,100,10\n")
    curve = table("speed (rpm),torque (N.m)\n0,30\n200,30\n", "wide.csv")
    words = ("suit", "--from", duty, "--curve", curve, "--efficiency", "0.5 ± 0.02", "--voltage", "48 V ± 1 V", "--supply-current",
             "4.6 A ± 0.1 A", "--supply-power", "215 W ± 4 W", "--play", "4 arcmin ± 0.5 arcmin", "--stiffness",
             "5 N.m/arcmin ± 0.3 N.m/arcmin", "--reach", "0.5 m ± 0.02 m", "--tip", "0.62 mm")
    found = {v["requirement"]: v for v in bridle(*words)["verdicts"]}
    power = 2 * 10 * 100 * 3.14159265358979 / 30
    ampere, tip = power / 48, 500 * 4 / 3437.746770784939
    expected = {
        "supply power": (215 - power, third * ((0.02 / 0.5 * power)**2 + 4**2)**0.5),
        "supply current": (4.6 - ampere, third * (((0.02 / 0.5)**2 + (1 / 48)**2) * ampere**2 + 0.1**2)**0.5),
        "tip error": (0.62 - tip, third * ((500 / 3437.746770784939)**2 * (0.25**2 + (2 * 0.3 / 5)**2) + (tip * 0.02 / 0.5)**2)**0.5),
    }
    for name, (margin, u) in expected.items():
        near(found[name]["margin"]["value"], margin, 1e-6)
        near(found[name]["margin"]["u"], u, 1e-6)
        near(found[name]["probability"], NormalDist().cdf(margin / u), 1e-6)
        assert found[name]["verdict"] == ("confirmed" if NormalDist().cdf(margin / u) >= 0.95 else "undecided"), found[name]


def side_by_side():
    """8 N.m at 20 rpm: of two curves with 12 and 6 N.m there the margins are 4 and -2 N.m. A rotor of 0.001 kg.m2 behind a ratio of 10 is 0.1 kg.m2
    at the output; 10 rpm more each second are 1.0472 rad/s2, so 8.10472 N.m are needed."""
    rows = "".join(f"{k},{speed},8\n" for k, speed in enumerate((10, 0, 10, 20)))
    duty = table("time (s),speed (rpm),torque (N.m)\n" + rows)
    strong = table("speed (rpm),torque (N.m)\n0,14\n40,10\n", "strong.csv")
    weak = table("speed (rpm),torque (N.m)\n0,7\n40,5\n", "weak.csv")
    both = f"[strong]\ncurve = {strong}\nrotor-inertia = 0.001 kg.m2\nratio = 10\n[weak]\ncurve = {weak}\n"
    d = bridle("suit", "--from", duty, "--actuators", table(both, "both.ini"))
    assert [a["name"] for a in d["actuators"]] == ["strong", "weak"] and d["carry"] == ["strong"], d
    worst = [next(v for v in a["verdicts"] if v["requirement"] == "torque at its speed") for a in d["actuators"]]
    near(worst[0]["needed"], 8.10472, 1e-5)
    near(worst[0]["available"], 12, 1e-9)
    near(worst[1]["margin"]["value"], -2, 1e-9)
    assert [v["verdict"] for v in worst] == ["confirmed", "refuted"]
    bridle("suit", "--from", duty, "--actuators", table(f"[weak]\ncurve = {weak}\n", "weak.ini"), status=1)  # none carries it
    for words, text in (("expected a section", f"curve = {weak}\n"), ("no such key", "[weak]\nreach = 1 m\n"), ("without quotes", "[we`ak]\nratio = 1\n"),
                        ("control characters", "[we\033[2Jak]\nratio = 1\n"),
                        ("given twice", f"[weak]\ncurve = {weak}\n[strong]\ncurve = {strong}\n[weak]\ncurve = {strong}\n"),
                        ("[weak] foo: no such key", f"[weak]\nfoo = 1\n[strong]\nbar = 2\n"), ("expected at most 6", "".join(f"[a{i}]\nratio = 1\n" for i in range(7))), ("no actuator", "\n"),
                        ("[weak] give what the actuator can", "[weak]\nratio = 2\n")):
        refused(words, "suit", "--from", duty, "--actuators", table(text, "bad.ini"))
    refused("stand in the sections", "suit", "--from", duty, "--actuators", table(both, "both.ini"), "--curve", weak)


def what_decides_is_what_is_least_sure():
    """At 49.5 rpm 1.0 N.m are left with u 0.1; at 50.4 rpm 1.04 with u 1.5, that of the less sure neighbour: this decides, Phi(1.04/1.5) = 0.7559
    (tables of the normal distribution). One row of 8001 is outside the curve: the figure shows it."""
    curve = table("speed (rpm),torque (N.m),u torque (N.m)\n49,11,0.1\n50,11,0.1\n51,11.1,1.5\n53,11.1,1.5\n", "curve-u.csv")
    rows = "".join(f"{k},{speed},10\n" for k, speed in enumerate((49.5,) * 5 + (50.4, 50.8, 51.2, 51.6, 52, 51.2, 50.4)))
    d = bridle("suit", "--from", table("time (s),speed (rpm),torque (N.m)\n" + rows), "--curve", curve)
    torque = next(v for v in d["verdicts"] if v["requirement"] == "torque at its speed")
    near(torque["probability"], 0.7559, 0.0002)
    assert torque["verdict"] == "undecided", torque
    rows = "".join(f"{k / 100},20,{25 if k == 4321 else 8}\n" for k in range(8001))
    plain = table("speed (rpm),torque (N.m)\n0,14\n40,10\n", "curve.csv")
    bridle("suit", "--from", table("time (s),speed (rpm),torque (N.m)\n" + rows), "--curve", plain, "--out", str(home / "cycle"), status=1)
    outside = [row for row in (home / "cycle/cycle-1.csv").read_text().splitlines() if row.endswith(",1")]
    assert outside == ["20,25,1"], outside


def heat_that_is_hardly_known():
    """A constant 13.48 N.m where 13.6 +- 3.1 N.m would reach 80 degC from 20: rise 60 (13.48/13.6)^2 = 58.9 K, which goes by the square of the
    torque, so its u is 2 x 3.1/13.6 x 58.9 = 26.9 K: 1.1 K of room are no certainty. A heat without end when a figure moves by its u is undecided."""
    def duty_of(torque):
        return table("time (s),speed (rpm),torque (N.m)\n" + "".join(f"{k},10,{torque}\n" for k in range(100)))
    duty = duty_of(13.48)
    hot = '"continuous_torque_Nm": {"value": 13.6, "u": 3.1, "dof": 1000}, "limit": 80, "ambient_degC": 20}'
    loss = '"loss": {"unit": "K", "fixed": 0, "per_Nm2": %.9f, "per_K": 0, "at_degC": 0}, ' % (60 / 13.6 ** 2)
    model = '{"model": {"winding": {"tau_s": {"value": 60, "u": 0}, "resistance_K_per_W": null}}, '
    d = bridle("suit", "--from", duty, "--thermal", table(model + loss + hot, "model.json"))
    near(d["peak_winding_degC"]["value"], 20 + 60 * (13.48 / 13.6) ** 2, 0.01)
    near(d["peak_winding_degC"]["u"], 26.87, 0.05)
    warm = next(v for v in d["verdicts"] if v["requirement"] == "winding temperature")
    assert warm["verdict"] == "undecided" and 0.5 < warm["probability"] < 0.55, warm
    model = ('{"model": {"winding": {"tau_s": {"value": 60, "u": 5}, "resistance_K_per_W": {"value": 1.6, "u": 1.1}}}, "loss": {"unit": "W", '
             '"fixed": 0, "per_Nm2": 0.3, "per_K": 0.0039, "at_degC": 20}, "continuous_torque_Nm": {"value": 30, "u": 0.2, "dof": 100}, "limit": 900, "ambient_degC": 22}')
    duty = duty_of(18.5)
    d = bridle("suit", "--from", duty, "--thermal", table(model, "endless.json"))
    warm = next(v for v in d["verdicts"] if v["requirement"] == "winding temperature")
    assert warm["probability"] == 0.5 and warm["verdict"] == "undecided" and d["decides"] == "winding temperature", d


def ripple_needs_each_angle():
    """Both ways: angles that stand, go back or leave a gap are named by their row, as they are one way."""
    there = [(0.5 * k, 1 + 0.2 * math.sin(math.radians(0.5 * k))) for k in range(2000)]
    back = [(999.5 - 0.5 * k, -1 + 0.2 * math.sin(math.radians(999.5 - 0.5 * k))) for k in range(2000)]
    stood = there + [back[0]] * 3 + back[1:]
    step_back = there[:1000] + [(there[999][0] - 0.8, 1)] + there[1001:] + back
    gap = there + back[:1000] + back[1086:]
    for words, rows in (("row 2002: the angle does not go on", stood), ("row 1001: the angle does not go on", step_back),
                        ("row 3000: a gap of 0.121 turns", gap)):
        refused(words, "ripple", "--from", table("angle (deg),torque (N.m)\n" + "".join("%.6f,%.9f\n" % row for row in rows), "ripple-bad.csv"))
    good = bridle("ripple", "--from", table("angle (deg),torque (N.m)\n" + "".join("%.6f,%.9f\n" % row for row in there + back), "ripple-good.csv"))
    near(good["friction_Nm"]["value"], 1, 1e-3)


def ripple_behind_a_lag():
    """A cell that gives means over its conversions, each when it is over: 240 readings a turn at 10 rpm, 40 a second, order 20. Uncorrected both ways
    leave cos(pi 20/240) of it and the mean sin(x)/x, x = pi 20/240: 0.965926 and 0.988616, so 0.0955 of 0.1; the program is told half a conversion."""
    rate, turns, order, part = 40, 4, 20, 1 / 240
    def mean_of(at, way):  # of 5 + 0.1 sin(2 pi order x) over the conversion that ends at `at`
        back = at - way * part
        return (math.cos(2 * math.pi * order * back) - math.cos(2 * math.pi * order * at)) * 0.1 / (2 * math.pi * order * (at - back))
    noise = lambda i: 1e-4 * math.sin(1.3 * i * i)
    there = [(i / rate, 360 * i * part, 5.4 + mean_of(i * part, 1) + noise(i)) for i in range(240 * turns + 2)]
    back = [(30 + i / rate, 360 * (240 * turns + 1 - i) * part, 4.6 + mean_of((240 * turns + 1 - i) * part, -1) + noise(3 * i)) for i in range(240 * turns + 2)]
    path = table("time (s),angle (deg),torque (N.m)\n" + "".join("%.9f,%.9f,%.9f\n" % row for row in there + back), "late.csv")
    def wave(*words):
        d = bridle("ripple", "--from", path, "--orders", "20", *words)
        return next(o for o in d["orders"] if o["order"] == 20), d
    plain, whole = wave()
    near(plain["amplitude_Nm"]["value"], 0.0954930, 1e-4)
    assert whole["lag_s"] is None and whole["speed_rpm"] is not None
    told, whole = wave("--lag", "12.5 ms ± 12.5 ms", "--means")
    near(whole["speed_rpm"], 10, 0.01)
    near(told["amplitude_Nm"]["value"], 0.1, 1e-4)
    share = (1 - 0.965926) + (1 / 0.988616 - 1)  # what the limits leave open, rectangular
    near(told["amplitude_Nm"]["u"], 0.1 * share / math.sqrt(3), 2e-5)
    near(whole["highest_order"], 60, 0.5)  # a quarter of the readings a turn: at most 29 % short there
    near(whole["rms_Nm"]["value"], 0.1 / math.sqrt(2), 1e-4)
    near(whole["peak_to_peak_Nm"]["value"], 0.2, 4e-4)
    near(whole["friction_Nm"]["value"], 0.4, 1e-3)
    refused("--lag: no time tells", "ripple", "--from", table("angle (deg),torque (N.m)\n" + "".join("%.9f,%.9f\n" % row[1:] for row in there + back), "late-a.csv"), "--lag", "1 ms")
    refused("--means needs --lag", "ripple", "--from", path, "--means")


def orders_are_named():
    """Ratio 9, 4 pole pairs, 6 slots, 54 teeth, belt 0.25: rotor 9; periods 36, 72; six a period 216, which is also the least common multiple of 8
    poles and 6 slots, 24, nine times; slots 54 (as the teeth); belt 0.25; coupling twice a turn 2."""
    rows = "".join(f"{360 * i / 1000:.6f},{5 + 0.01 * (i * 7919 % 13)}\n" for i in range(8001))
    d = bridle("ripple", "--from", table("angle (deg),torque (N.m)\n" + rows), "--ratio", "9", "--pole-pairs", "4", "--slots", "6", "--teeth", "50", "--belt", "0.25")
    names = {o["order"]: o["name"] for o in d["orders"] if o["name"]}
    assert names == {9: "rotor, once a turn", 36: "electrical, once a period", 72: "electrical, twice a period", 216: "commutation, and cogging of poles and slots",
                     54: "slots", 50: "gear mesh at the output", 0.25: "belt", 1: "output, once a turn", 2: "output, twice a turn (coupling)"}, names


def obey_at_several_speeds():
    """Made here: gain 0.95, offset 0.2 N.m, 0.5 N.m of friction that goes with the turning (an offset) or, standing, with the way (a hysteresis of
    1 N.m); the gain falls by 0.001 a kelvin. A constant of 1.6 N.m/A has to be 1.6 x 0.95."""
    rows = []
    for loop, n in enumerate((-20, 0, 20) * 2):
        before = 0
        for i in range(1, 41):
            x = i / 10
            command = 20 * (x if x < 1 else 2 - x if x < 3 else x - 4)
            way = 1 if command > before else -1
            friction = 0.5 * (1 if n > 0 else -1 if n < 0 else way)
            warm = 10 * math.sin(len(rows))
            rows.append((command, n, 40 + warm, (0.95 - 0.001 * warm) * command + 0.2 - friction))
            before = command
    path = table("commanded (N.m),speed (rpm),temperature (degC),measured (N.m)\n" + "".join("%.9f,%g,%.9f,%.9f\n" % row for row in rows), "speeds.csv")
    d = bridle("obey", "--from", path, "--constant", "1.6 N.m/A ± 0.03 N.m/A")
    assert [v["speed_rpm"] for v in d["speeds"]] == [-20, 0, 20], d["speeds"]
    for v, offset, hysteresis in zip(d["speeds"], (0.7, 0.2, -0.3), (0, 1, 0)):
        near(v["offset_Nm"]["value"], offset, 1e-3)
        near(v["hysteresis_Nm"]["value"], hysteresis, 1e-3)
        near(v["gain"]["value"], 0.95 - 0.001 * (d["drift"]["at_degC"] - 40), 2e-3)
    near(d["hysteresis_Nm"]["value"], 1, 1e-3)  # the slowest: it stands
    near(d["drift"]["gain_per_K"]["value"], -0.001, 1e-6)
    near(d["torque_constant_Nm_per_A"]["value"], 1.6 * d["gain"]["value"], 1e-9)
    near(d["torque_constant_Nm_per_A"]["u"], 0.03 / 3**0.5 * d["gain"]["value"], 1e-5)  # limits are rectangular (JCGM 100, 4.3.7)


def obey_after_a_step():
    """A lag of first order of 30 ms: half of the way after 30 ln 2 ms, from 10 to 90 % in 30 ln 9 ms."""
    rows, out = [], 0.0
    for i in range(3000):
        command = 4 if i // 500 % 2 else -4
        rows.append((i / 1000, command, out))
        out += (command - out) * (1 - math.exp(-1 / 30))
    d = bridle("obey", "--step", "--from", table("time (s),commanded (N.m),measured (N.m)\n" + "".join("%.3f,%g,%.9f\n" % row for row in rows), "steps.csv"))["step"]
    near(d["delay_s"]["value"], 0.03 * math.log(2), 2e-4)
    near(d["rise_s"]["value"], 0.03 * math.log(9), 2e-4)
    assert d["steps"] == 5 and d["overshoot"]["value"] < 1e-6, d
    refused("no step", "obey", "--step", "--from", table("time (s),commanded (N.m),measured (N.m)\n" + "".join(f"{i},1,1\n" for i in range(40))))


def what_nothing_tells_is_not_tested():
    """A torque that stands takes no shaft power, so an efficiency tells nothing of its supply: neither 0 W nor a verdict. Two rows outside a curve
    of 100 N.m at 0 and 10 N.m at 50 rpm: 105 N.m need 100/105, 12 N.m need 10/12 of the torque, so 10/12 is enough. A report's points at 40 rpm, of
    which the heaviest was held with 20 N.m and no limit found: 25 N.m are not refuted."""
    stand = table("time (s),speed (rpm),torque (N.m)\n0,0,20\n5,0,20\n10,0,20\n", "stand.csv")
    strong = table("speed (rpm),torque (N.m)\n0,42\n100,0\n", "strong.csv")
    words = ("suit", "--from", stand, "--curve", strong, "--efficiency", "70 %", "--voltage", "48 V", "--supply-power", "100 W", "--supply-current", "1 A")
    d = bridle(*words)
    assert d["supply_peak_W"] is None and d["supply_peak_A"] is None, d
    assert [(v["verdict"], v["probability"]) for v in d["verdicts"][2:]] == [("not tested", None)] * 2 and "standstill" in d["assumed"][0], d
    d = bridle("suit", "--from", stand, "--curve", strong, "--supply-power", "100 W")
    assert d["verdicts"][2]["verdict"] == "not tested", d["verdicts"]
    edge = table("speed (rpm),torque (N.m)\n0,100\n50,10\n", "edge.csv")
    d = bridle("suit", "--from", table("time (s),torque (N.m),speed (rpm)\n0,105,0\n1,12,50\n2,105,0\n"), "--curve", edge, status=1)
    near(next(c["value"] for c in d["would_do"] if c["what"].startswith("torques")), 10 / 12, 1e-9)
    held = table("step,limit,torque (N m),u torque (N m),speed (rpm),speed set (rpm),at limit\n1,none,1,0.01,39.999,40,no\n"
                 "2,none,20,0.02,39.99,40,no\n3,none,-20.5,0.02,-39.99,-40,no\n", "held.csv")
    (home / "report.json").write_text('{"report_id": "run 8, 0123456789ab", "virtual_bench": true}')
    for torque, verdict in ((15, "confirmed"), (20, "undecided"), (25, "not tested")):
        duty = table("time (s),torque (N.m),speed (rpm)\n" + "".join(f"{k},{torque},40\n" for k in range(4)))
        d = bridle("suit", "--from", duty, "--curve", held)
        assert [v["verdict"] for v in d["verdicts"]] == [verdict, "confirmed"], d["verdicts"]
        near(d["verdicts"][0]["available"], 20, 1e-9)
        assert all(v["rests_on"] == held + " (run 8, 0123456789ab)" for v in d["verdicts"]) and "virtual bench" in d["assumed"][0], d
    duty = table("time (s),torque (N.m),speed (rpm)\n" + "".join(f"{k},5,50\n" for k in range(4)))
    assert [v["verdict"] for v in bridle("suit", "--from", duty, "--curve", held)["verdicts"]] == ["not tested"] * 2
    for words, more in (("--supply-current needs --voltage", ("--supply-current", "1 A")), ("--ratio", ("--ratio", "0")), ("--limit needs", ("--limit", "90 degC")),
                        ("must not be negative", ("--rotor-inertia=-1 kg.m2",)), ("taken as exact", ("--ratio", "9 ± 1"))):
        refused(words, "suit", "--from", stand, "--curve", strong, *more)
    # all that can be taken is said, also of several, and what a file of somebody else holds is no order to a terminal
    (home / "report.json").write_text('{"report_id": "run 8\\u001b[31m\\u0007", "virtual_bench": true}')
    model = ('{"model": {"case": {"tau_s": {"value": 5000, "u": 0}, "resistance_K_per_W": null}}, "loss": {"unit": "K", "fixed": 0, "per_Nm2": 0.1, "per_K": %s, '
             '"at_degC": 0, "to_Nm": 2}, "ambient_degC": 20}')
    duty = table("time (s),speed (rpm),torque (N.m)\n0,0,10\n5,40,10\n10,40,-5\n15,0,10\n")
    thermal = ("--thermal", table(model % 0, "case.json"), "--efficiency", "70 %", "--takes-back")
    d = bridle("suit", "--from", duty, "--curve", held, *thermal)
    for word in ("virtual bench", "Below 40 rpm", "load drives", "No limit", "case alone", "extrapolated", "standstill"):
        assert sum(word in text for text in d["assumed"]) == 1, (word, d["assumed"])
    assert d["verdicts"][0]["rests_on"].endswith(" (run 8?[31m?)"), d["verdicts"][0]
    several = table(f"[one]\ncurve = {held}\n", "one.ini")
    text = subprocess.run([BRIDLE, "suit", "--from", duty, "--actuators", several], capture_output=True, text=True, timeout=60).stdout
    assert "one: The curve was measured on a virtual bench.\n" in text, text
    # copper of 0.3 K for each kelvin has no steady temperature: that needs no limit
    d = bridle("suit", "--from", duty, "--curve", held, "--thermal", table(model % 3, "runs-away.json"), status=1)
    v = next(v for v in d["verdicts"] if v["requirement"] == "case temperature")
    assert v["verdict"] == "refuted" and v["needed"] is None and not any("No limit" in text for text in d["assumed"]), d
    (home / "report.json").unlink()
    refused("mass: the duty is taken as exact", "suit", "--curve", strong, "--arm", table("mass = 1 kg ± 1 g\n", "u.ini"))


def what_would_do():
    """8 N.m at 20 rpm where 6 N.m can be had: three quarters of the torque, or a ratio r with r (7 - r) = 8, which is 1.4384 and by steps of 2 % 1.457. A
    supply of 8 x 20 rpm / 0.5. 20 N.m all the time against a continuous 12 N.m (60 K): the torque times 0.6, or, with a winding far slower than the cycle, a
    pause of (20/12)^2 - 1 = 1.7778 cycles."""
    weak = table("speed (rpm),torque (N.m)\n0,7\n140,0\n", "weak2.csv")
    duty = table("time (s),speed (rpm),torque (N.m)\n" + "".join(f"{k},20,8\n" for k in range(11)))
    d = bridle("suit", "--from", duty, "--curve", weak, "--efficiency", "50 %", "--supply-power", "30 W", status=1)
    found = {(c["requirement"], c["what"]): c["value"] for c in d["would_do"]}
    near(found["torque at its speed", "torques of the duty, times"], 6 / 8, 1e-9)
    near(found["torque at its speed", "the ratio, times"], 1.4384, 0.03)
    near(found["supply power", "a supply of"], 2 * 8 * 20 * math.pi / 30, 1e-6)
    model = ('{"model": {"winding": {"tau_s": {"value": 5000, "u": 0}, "resistance_K_per_W": null}}, "loss": {"unit": "K", "fixed": 0, "per_Nm2": %.12f, "per_K": 0, '
             '"at_degC": 0}, "limit": 80, "ambient_degC": 20}' % (60 / 144))
    duty = table("time (s),speed (rpm),torque (N.m)\n" + "".join(f"{k},20,20\n" for k in range(11)))
    d = bridle("suit", "--from", duty, "--thermal", table(model, "slow.json"), status=1)
    found = {c["what"]: c["value"] for c in d["would_do"] if c["requirement"] == "winding temperature"}
    near(found["torques of the duty, times"], 0.6, 1e-5)
    # a quarter of the rise is half of the continuous torque, by whichever end of it
    rated = table(model[:-1] + ', "continuous_torque_Nm": {"value": 12, "u": 0.4}}', "rated.json")
    for more, torque in ((), 12), (("--limit", "35 degC"), 6), (("--ambient", "65 degC"), 6):
        v = next(v for v in bridle("suit", "--from", duty, "--thermal", rated, *more, status=1)["verdicts"] if v["requirement"] == "RMS torque")
        near(v["available"], torque, 1e-6)
        near(v["margin"]["u"], 0.4 * torque / 12, 1e-6)
    near(found["a pause after each cycle of"], 10 * ((20 / 12) ** 2 - 1), 0.1)


def room_of_a_temperature_counts_from_the_air():
    """12 N.m for ever warm by 30 K, here from 90 to 120 degC. Of 11 N.m the RMS torque leaves 1/12; they warm by 25.2 K, which leaves 16 % of the rise, though
    115.2 of 120 degC sound like 4 %. So the torque decides."""
    model = ('{"model": {"winding": {"tau_s": {"value": 5000, "u": 0}, "resistance_K_per_W": null}}, "loss": {"unit": "K", "fixed": 0, "per_Nm2": %.12f, "per_K": 0, '
             '"at_degC": 0}, "limit": 120, "ambient_degC": 90, "continuous_torque_Nm": {"value": 12, "u": 0}}' % (30 / 144))
    duty = table("time (s),speed (rpm),torque (N.m)\n" + "".join(f"{k},20,11\n" for k in range(11)))
    d = bridle("suit", "--from", duty, "--thermal", table(model, "warm.json"))
    near(d["peak_winding_degC"]["value"], 115.2, 0.05)
    assert d["decides"] == "RMS torque" and all(v["probability"] == 1 for v in d["verdicts"]), d


def a_figure_of_each():
    """Drawn from tables made here: each is a whole picture, has its axes in words and as many points as the table has rows."""
    steps = [20 * (i / 10 if i <= 10 else 2 - i / 10 if i <= 30 else i / 10 - 4) for i in range(1, 41)]
    loop = [20 * (i / 50 if i <= 50 else 2 - i / 50 if i <= 150 else i / 50 - 4) for i in range(201)]
    heat = [(60 * i, 22 + 60 * (1 - math.exp(-i / 20)) + 0.1 * (i % 2)) for i in range(120)]
    turn = [(360 * i / 200, 5 + 0.5 * math.sin(2 * math.pi * 3 * i / 200) + 0.01 * (i * 7919 % 13)) for i in range(800)]
    asked = (("obey", "commanded (N.m),measured (N.m)", [(c, 0.95 * c + 0.01 * (i % 3)) for i, c in enumerate(steps)], (), ("commanded / N·m", "measured / N·m"), 40),
             ("play", "torque (N.m),angle (arcmin)", [(t, t / 4 + (1 if t > 0 else -1 if t < 0 else 0) + 0.01 * (i % 3)) for i, t in enumerate(loop)], (),
              ("torque / N·m", "angle at the output / arcmin"), 201),
             ("hold", "time (s),winding (degC)", heat, ("--ambient", "22 degC", "--limit", "90 degC"), ("time / min", "temperature / °C", "limit"), 120),
             ("ripple", "angle (deg),torque (N.m)", turn, ("--orders", "3"), ("waves in one turn of the output (order)", "amplitude / N·m"), None))
    for name, heading, rows, words, says, n in asked:
        text = heading + "\n" + "".join("%.6f,%.6f\n" % row for row in rows)
        told = bridle(name, "--from", table(text, name + "-in.csv"), "--figure", str(home / "drawn"), *words)
        svg = (home / "drawn" / (name + ".svg")).read_text(encoding="utf-8")
        assert svg.rstrip().endswith("</svg>") and all(word in svg for word in says), (name, [word for word in says if word not in svg])
        kept = (home / "drawn" / (name + ".csv")).read_text().splitlines()
        n = n or sum(order["amplitude_Nm"] is not None for order in told["orders"])
        assert len(kept) == n + 1 and "nan" not in "".join(kept[1:]), (name, len(kept))
    orders = (home / "drawn" / "ripple.csv").read_text().splitlines()[1:]
    three = next(row for row in orders if row.startswith("3,")).split(",")
    near(float(three[1]), 0.5, 0.01)


def the_time_that_a_torque_is_held_is_drawn():
    """One store, tau 1200 s, 2 K/W, loss 0.05 W/(N.m)^2: at 25, 30 and 40 N.m the winding goes from 22 to 80 degC in -tau ln(1 - 58 K / rise), the rise
    being 62.5, 90 and 160 K; 24.08 N.m are held for ever."""
    def at(t):
        return 22 + (40 * (1 - math.exp(-t / 1200)) if t <= 6000 else 40 * (1 - math.exp(-5)) * math.exp(-(t - 6000) / 1200))
    rows = [(t, at(t) + 0.02 * (t // 30 * 7919 % 13 - 6), 22, 20 if t < 6000 else 0, 20 if t < 6000 else 0) for t in range(0, 12000, 30)]
    text = "time (s),winding (degC),ambient (degC),torque (N.m),loss (W)\n" + "".join("%g,%.4f,%g,%g,%g\n" % row for row in rows)
    d = bridle("hold", "--from", table(text), "--limit", "80 degC", "--torques", "24,25,30,40", "--figure", str(home / "held"))
    assert d["holding"][0]["time_s"] is None, d["holding"]
    drawn = [[float(x) for x in line.split(",")] for line in (home / "held" / "holding.csv").read_text().splitlines()[1:]]
    assert [row[0] for row in drawn] == [25, 30, 40], drawn
    for torque, time_s, low_s, high_s in drawn:
        near(time_s, -1200 * math.log(1 - 58 / (2 * 0.05 * torque ** 2)), 0.02 * time_s)
        assert low_s < time_s < high_s, drawn
    svg = (home / "held" / "holding.svg").read_text(encoding="utf-8")
    assert all(word in svg for word in ("time to 80 °C / min", "torque / N·m", "extrapolated", "continuous (S1)")), svg[-400:]


def what_steps_hide_is_told():
    """A winding in whole degrees stands still at the end, which tells a slope of 0 with a u of 1 K / window / sqrt 3 (rectangle): no equilibrium of 2 K/h, and the
    sentence has both numbers."""
    rows = "".join(f"{15 * k},{math.floor(20 + 40 * (1 - math.exp(-15 * k / 300)))},20,10\n" for k in range(200))
    steps = table("time (s),winding (degC),ambient (degC),torque (N.m)\n" + rows, "steps.csv")
    d = bridle("hold", "--from", steps)
    u = 3600 / 735 / 3**0.5
    assert not d["equilibrium"] and d["slope_K_per_h"]["value"] == 0, d
    near(d["slope_K_per_h"]["u"], u, 1e-6)
    text = subprocess.run([BRIDLE, "hold", "--from", steps], capture_output=True, text=True, timeout=60).stdout
    assert text.startswith(f"No equilibrium yet: the temperature changes by 0 K/h (u {u:.2g} K/h)"), text


def suit_refuses():
    curve = table("speed (rpm),torque (N.m)\n0,14\n40,10\n", "curve.csv")
    rows = [(k / 1000, 10, 1) for k in range(3000)]
    gap = rows[:1000] + rows[1500:]
    jump = rows[:1000] + [(1, -30, 1)] + rows[1001:]
    for words, duty in (("row 1001: a gap of 0.501 s", gap), ("row 1001: the speed jumps by 40 rpm", jump)):
        text = "time (s),speed (rpm),torque (N.m)\n" + "".join("%g,%g,%g\n" % row for row in duty)
        refused(words, "suit", "--from", table(text), "--curve", curve)
    # 1 s of 10 rpm is 60 deg, 0.5 s of it 30 deg: an arm that is 30 deg further on after each cycle
    walk = table("time (s),speed (rpm),torque (N.m)\n0,10,1\n1,-10,1\n1.5,0,1\n2,0,1\n", "walk.csv")
    refused("60 deg forward and 30 deg backward, 30 deg apart", "suit", "--from", walk, "--curve", curve)
    bridle("suit", "--from", walk, "--curve", curve, "--one-way")
    ramp = table("time (s),angle (deg),torque (N.m)\n" + "".join(f"{i},{i},1\n" for i in range(91)), "ramp.csv")
    refused("ends at 90 deg and begins at 0 deg, 90 deg apart", "suit", "--from", ramp, "--curve", curve)
    bridle("suit", "--from", ramp, "--curve", curve, "--one-way")
    refused("give the duty once", "suit", "--curve", curve)
    refused("--curve", "suit", "--from", curve)
    refused("bridle hold --json", "suit", "--from", table("time (s),speed (rpm),torque (N.m)\n0,1,1\n1,1,1\n2,1,1\n"), "--thermal", curve)
    refused('no key "weight"', "suit", "--arm", table("weight = 1 kg\n", "a.ini"), "--curve", curve)
    refused("centre (m) is missing", "suit", "--arm", table("mass = 1 kg\n", "a.ini"), "--curve", curve)


def others_refuse():
    refused("no angle", "ripple", "--from", table("torque (N.m)\n" + "1\n" * 100))
    refused(":362: the angle jumps from 359 to 0 deg", "ripple", "--from", table("angle (deg),torque (N.m)\n" + "".join(f"{k % 360},1\n" for k in range(1000))))
    loop = [40 * (i / 50 if i <= 50 else 2 - i / 50 if i <= 150 else i / 50 - 4) for i in range(201)]
    refused("does not grow", "play", "--from", table("torque (N.m),angle (arcmin)\n" + "".join(f"{t},7\n" for t in loop)))
    refused("does not grow", "play", "--from", table("torque (N.m),angle (arcmin)\n" + "".join(f"{t},{t * 1e-4 + (k * 7919 % 13 - 6)}\n" for k, t in enumerate(loop))))
    refused("sign of their speed", "play", "--from", table("speed (rpm),torque (N.m)\n10,-0.9\n20,-1\n40,-1.2\n-10,0.9\n"))
    refused("1 row of 0 rpm", "play", "--from", table("speed (rpm),torque (N.m)\n0,0.1\n10,0.9\n20,1\n40,1.2\n"))
    near(bridle("play", "--from", table("back-drive (N.m),speed (rpm)\n3,10\n3.3,10\n"))["back_drive_Nm"]["forward"]["running"]["value"], 3.15, 1e-12)
    refused("never begins to move", "play", "--from", table("back-drive (N.m),speed (rpm)\n1,0\n3,0\n-2,0\n"))
    steps = table("time (s),commanded (N.m),measured (N.m)\n" + "".join(f"{k / 100},{10 * (k >= 300)},{9 * (k >= 300)}\n" for k in range(600)), "at-once.csv")
    told = bridle("obey", "--step", "--from", steps)["step"]  # the torque is there in the row of its command: no time is told, none below 0
    assert told["delay_s"]["value"] == 0 and told["overshoot"]["value"] == 0, told
    refused("expected a positive number", "obey", "--from", steps, "--constant=-1 N.m/A")
    refused("two whole turns", "ripple", "--from", table("angle (deg),torque (N.m)\n" + "".join(f"{k},1\n" for k in range(300))))
    refused("positive number", "ripple", "--from", table("angle (deg),torque (N.m)\n0,1\n"), "--ratio", "-3")
    large = [400 * k for k in (*range(-9, 10), *range(8, -10, -1), *range(-8, 10))]
    rough = table("commanded (N.m),measured (N.m)\n" + "".join(f"{c},{c + (k * 7919 % 13 - 6) * 60}\n" for k, c in enumerate(large)), "rough.csv")
    text = subprocess.run([BRIDLE, "obey", "--from", rough], capture_output=True, text=True, timeout=60).stdout
    assert "scatter of a reading       2" in text and "e+0" not in text, text
    refused("rising and falling", "obey", "--from", table("commanded (N.m),measured (N.m)\n1,1\n2,2\n"))
    refused('no column "time"', "obey", "--response", "--from", table("commanded (N.m),measured (N.m)\n1,1\n2,2\n"))


if __name__ == "__main__":
    test("heating curves of a textbook", heating_curves)
    test("time to a limit", time_to_a_limit)
    test("what hold refuses", holds_refuse)
    test("a winding by its resistance", winding_by_resistance)
    test("watts and torques that are off together", watts_and_torques_that_are_off_together)
    test("duty types", duty_types)
    test("sensors that are off", sensors_that_are_off)
    test("ripple behind a lag", ripple_behind_a_lag)
    test("orders are named", orders_are_named)
    test("obey at several speeds", obey_at_several_speeds)
    test("obey after a step", obey_after_a_step)
    test("what would do", what_would_do)
    test("lever play", lever_play)
    test("stiffness of a gear", stiffness_of_a_gear)
    test("a gear that grows stiffer", a_gear_that_grows_stiffer)
    test("all of a gear in one table", all_of_a_gear_in_one_table)
    test("what play refuses", play_refuses)
    test("a duty by hand", duty_by_hand)
    test("an uncertain supply and gear, by hand", suit_with_uncertain_supply_and_gear)
    test("actuators side by side, by hand", side_by_side)
    test("what decides is what is least sure", what_decides_is_what_is_least_sure)
    test("a heat that is hardly known", heat_that_is_hardly_known)
    test("ripple needs each angle", ripple_needs_each_angle)
    test("room of a temperature counts from the air", room_of_a_temperature_counts_from_the_air)
    test("a figure of each", a_figure_of_each)
    test("the time that a torque is held is drawn", the_time_that_a_torque_is_held_is_drawn)
    test("what nothing tells is not tested", what_nothing_tells_is_not_tested)
    test("what steps hide is told", what_steps_hide_is_told)
    test("what suit refuses", suit_refuses)
    test("what ripple and obey refuse", others_refuse)
    print(f"1..{done}")
    sys.exit(1 if failed else 0)
