#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Published examples through the door that a stranger uses: bridle calc TOPIC --json. TAP on standard output.
Sources stand beside each number; the C tests beside this file go to more digits."""
import json
import math
import os
import pathlib
import random
import subprocess
import sys
import tempfile

BRIDLE = os.environ["BRIDLE"]
done = 0
failed = 0


def calc(*args, status=0):
    run = subprocess.run([BRIDLE, "calc", *args, "--json"], capture_output=True, text=True, timeout=100, stdin=subprocess.DEVNULL)
    assert run.returncode == status, f"{args}: status {run.returncode}, {run.stdout}{run.stderr}"
    return json.loads(run.stdout)


def model(text, topic, *args, status=0):
    with tempfile.TemporaryDirectory() as home:
        path = pathlib.Path(home) / "model.ini"
        path.write_text(text, encoding="utf-8")
        return calc(topic, str(path), *args, status=status)


def close(found, expected, slack):
    assert abs(found - expected) <= slack, f"found {found!r}, expected {expected!r} within {slack}"


def test(function):
    global done, failed
    done += 1
    try:
        function()
        print(f"ok {done} - {function.__name__}")
    except Exception as e:  # noqa: BLE001
        failed += 1
        print(f"not ok {done} - {function.__name__}\n# {type(e).__name__}: {e}")


@test
def gravity():
    g = calc("gravity", "--latitude", "45", "--height", "1000 m")
    close(g["value"], 9.803113202, 1e-9)  # GRS80 closed form, linear free-air term
    g = calc("gravity", "--latitude", "-90")
    close(g["value"], 9.8321863685, 6e-11)  # GRS80, gravity at the pole


@test
def air():
    at = ["air", "--pressure", "101325 Pa", "--temperature", "20 degC", "--humidity", "50 %"]
    close(calc(*at)["value"], 1.199314, 6e-7)  # CIPM-2007
    close(calc(*at, "--short")["value"], 1.199294, 6e-7)  # OIML R 111-1, E.3-1
    assert calc(*at)["inside_range"]


def readings(values, *args):
    with tempfile.TemporaryDirectory() as home:
        path = pathlib.Path(home) / "y.csv"
        path.write_text("y\n" + "\n".join(repr(v) for v in values) + "\n")
        return calc("mean", str(path), *args)


def autoregressive(rng, n, rho):
    v, ret = rng.gauss(0, 1), []
    for _ in range(n):
        ret.append(v)
        v = rho * v + rng.gauss(0, math.sqrt(1 - rho * rho))
    return ret


@test
def a_mean_that_cannot_be_known_has_no_interval():
    """240 readings with 0.99 tell as much as 1.6 independent ones, 20 with 0.9 as 1.6 (Bayley and Hammersley 1946)."""
    rng = random.Random(11)
    print("# seed 11")
    for n, rho in ((240, 0.99), (20, 0.9)):
        for _ in range(4):
            m = readings(autoregressive(rng, n, rho))
            assert m["interval"] is None and m["no_interval"], m
    m = readings([rng.gauss(5, 1) for _ in range(400)])
    assert m["no_interval"] is None and m["interval"]["dof"] > 10, m
    close(m["interval"]["U"], m["interval"]["k"] * m["interval"]["u"], 1e-12)
    assert m["interval"]["u"] > 0.9 / 20, m


# JCGM 100:2008, table 1, from memory: twenty temperatures as they are listed there, sorted; mean and s are the printed ones.
TEMPERATURES = (96.90, 98.18, 98.25, 98.61, 99.03, 99.49, 99.56, 99.74, 99.89, 100.07, 100.33, 100.42, 100.68, 100.95, 101.11,
                101.20, 101.57, 101.84, 102.36, 102.72)


@test
def readings_known_to_be_independent():
    """JCGM 100:2008, 4.4.3: mean 100.145, s 1.489, u 0.333 (printed 100.14, 1.49, 0.33)."""
    m = readings(TEMPERATURES, "--independent")
    close(m["mean"], 100.145, 5e-4)
    close(m["sd"], 1.489, 5e-4)
    close(m["interval"]["u"], 0.333, 5e-4)
    close(m["interval"]["dof"], 19, 1e-12)
    assert readings(TEMPERATURES)["interval"] is None  # sorted: neighbours go together


@test
def weight():
    w = calc("weight", "--nominal", "5 kg", "--class", "M1")
    close(w["tolerance_mg"], 250, 1e-9)  # OIML R 111-1:2004, table 1
    close(w["u"], 250e-6 / math.sqrt(3), 1e-15)  # limits: GUM 4.3.7
    w = calc("weight", "--mass", "1 kg", "--gravity", "9.81 m/s2", "--arm", "0.5 m")
    close(w["force"]["value"], 9.8085285, 1e-10)  # 9.81 (1 - 1.2/8000)
    close(w["torque"]["value"], 4.90426425, 1e-10)


@test
def student():
    close(calc("t", "--dof", "16", "--coverage", "0.99")["k"], 2.92, 0.005)  # GUM table G.2
    close(calc("t", "--dof", "19", "--coverage", "95 %")["k"], 2.09, 0.005)
    close(calc("t", "--dof", "inf")["k"], 1.960, 0.0005)  # GUM table G.1


@test
def quantity():
    q = calc("quantity", "100.02147(35) g")  # GUM 7.2.2
    close(q["u"], 0.00035, 1e-12)
    assert q["bracket"] == "100.02147(35) g"
    q = calc("quantity", "1000.000325 g ± 240 ug k=3", "--unit", "g")  # GUM 4.3.3
    close(q["u"], 80e-6, 1e-12)


@test
def conform():
    c = calc("conform", "--value", "-5.47 V ± 0.05 V normal", "--upper", "-5.40 V")
    close(c["probability"], 0.91924, 5e-6)  # JCGM 106, 7.3
    assert c["verdict"] == "undecided"
    c = calc("conform", "--value", "13.6 ± 1.8 normal", "--lower", "12.5", "--upper", "16.3")
    close(c["probability"], 0.66263, 5e-6)  # JCGM 106, 7.4


IMPEDANCE = """[inputs]
V = 4.9990 V ± {uv} V normal
I = 19.6610 mA ± {ui} mA normal
phi = 1.04446 rad ± {up} rad normal
[correlations]
V, I = {rvi}
V, phi = {rvp}
I, phi = {rip}
[outputs]
R (ohm) = V / I * cos(phi)
X (ohm) = V / I * sin(phi)
Z (ohm) = V / I
"""


@test
def impedance():
    """JCGM 100:2008, H.2, from the standard deviations and correlations of table H.2's data to more digits."""
    here = pathlib.Path(__file__).parent / "data" / "gum_H2_impedance.csv"
    rows = [line.split(",") for line in here.read_text().splitlines() if line[:1].isdigit()]
    x = [[float(r[k]) for r in rows] for k in (1, 2, 3)]
    n = len(rows)
    mean = [sum(c) / n for c in x]
    cov = [[sum((a - ma) * (b - mb) for a, b in zip(ca, cb)) / n / (n - 1) for cb, mb in zip(x, mean)] for ca, ma in zip(x, mean)]
    u = [math.sqrt(cov[k][k]) for k in range(3)]
    text = IMPEDANCE.format(uv=u[0], ui=u[1], up=u[2], rvi=cov[0][1] / u[0] / u[1], rvp=cov[0][2] / u[0] / u[2],
                            rip=cov[1][2] / u[1] / u[2])
    b = model(text, "budget")
    for out, value, spread in zip(b["outputs"], (127.73217, 219.84651, 254.25970), (0.071071, 0.295582, 0.236336)):
        close(out["value"], value, 6e-6)
        close(out["u"], spread, 6e-7)
    close(b["correlation"][0][1], -0.58843, 6e-6)
    close(b["correlation"][0][2], -0.48526, 6e-6)
    close(b["correlation"][1][2], 0.99251, 6e-6)
    m = model(text, "montecarlo", "--trials", "400000", "--seed", "7")
    for out, value, spread in zip(m["outputs"], (127.73217, 219.84651, 254.25970), (0.071071, 0.295582, 0.236336)):
        close(out["value"], value, 5 * out["s_value"])
        close(out["u"], spread, 5 * out["s_u"])
        assert out["linear_law_valid"]


@test
def what_the_covariance_does():
    """JCGM 100:2008, H.3.4: the correction at 30 degC, b = y1 + y2 (30 - 20), from the fit's published y1 = -0.1712 (0.0029), y2 =
    0.00218 (0.00067), r = -0.930: u = 0.0041 degC with the covariance, u^2 = 17.1e-6, and 0.0073 without. More digits from the fit's data."""
    text = "[inputs]\ny1 = -0.171204 ± 0.0028776 normal\ny2 = 0.0021827 ± 0.00066794 normal\n{}[outputs]\nb = y1 + 10 * y2\n"
    b = model(text.format("[correlations]\ny1, y2 = -0.930430\n"), "budget")["outputs"][0]
    close(b["value"], -0.1494, 5e-5)
    close(b["u"], 0.0041, 5e-5)
    close(b["u"] ** 2, 17.1e-6, 0.05e-6)
    close(b["u"], 0.0041386, 5e-7)
    close(model(text.format(""), "budget")["outputs"][0]["u"], 0.0073, 5e-5)


@test
def correlated_inputs_count_as_one():
    """a + b with r = 1: one reading twice, so its own five degrees of freedom; the formula for independent ones says 40.
    JCGM 100:2008, H.2: five readings of each taken together, so four (Willink, Metrologia 44 (2007) 340, 4.1)."""
    both = "[inputs]\na = 1 ± 0.1 normal dof=5\nb = 2 ± 0.1 normal dof=5\n[correlations]\na, b = {}\n[outputs]\ns = a + b\nd = a - b\n"
    for r in (1, 0.3, -0.6):
        out = model(both.format(r), "budget")["outputs"]
        close(out[0]["dof_effective"], 5, 1e-9)
        close(out[0]["k"], 2.57, 0.005)  # JCGM 100:2008, table G.2
    apart = model(both.replace("[correlations]\na, b = {}\n", ""), "budget")["outputs"][0]
    close(apart["dof_effective"], 10, 1e-9)
    text = IMPEDANCE.format(uv="0.0032094", ui="0.0094710", up="0.00075206", rvi=-0.355311, rvp=0.857624, rip=-0.645111)
    for out in model(text.replace(" normal", " normal dof=4"), "budget")["outputs"]:
        close(out["dof_effective"], 4, 1e-9)
        close(out["k"], 2.78, 0.005)  # table G.2
    # by hand: B = 1.5 for each, V = 3, V^2/(1.5/sqrt(5))^2
    mixed = both.replace("b = 2 ± 0.1 normal dof=5", "b = 2 ± 0.1 normal").format(0.5)
    close(model(mixed, "budget")["outputs"][0]["dof_effective"], 20, 1e-9)
    # a third, independent one joins by G.2b: (3 + 1)^2/(3^2/5 + 1/2)
    third = both.format(0.5).replace("[corr", "c = 0 ± 0.1 normal dof=2\n[corr").replace("s = a + b", "s = a + b + c")
    close(model(third, "budget")["outputs"][0]["dof_effective"], 16 / (9 / 5 + 1 / 2), 1e-9)


PRODUCT = """[inputs]
x = 2 ± 0.25 % normal dof=9
y = 3 ± 0.57 % normal dof=4
z = 5 ± 0.82 % normal dof=14
[outputs]
w = x * y * z
"""


@test
def product():
    """JCGM 100:2008, G.4.1: 1.03 %, 19.0 degrees of freedom, t 2.09, U 2.2 %."""
    out = model(PRODUCT, "budget")["outputs"][0]
    close(100 * out["u"] / out["value"], 1.02947, 1e-5)
    close(out["dof_effective"], 18.999, 1e-3)
    close(out["k"], 2.09, 0.005)
    close(100 * out["U"] / out["value"], 2.2, 0.05)
    close(sum(c["share"] for c in out["contributions"]), 1, 1e-9)


MASS = """[model]
digits = 1
[inputs]
R = 100000.000 mg ± 0.050 mg normal
d = 1.234 mg ± 0.020 mg normal
a = 1.20 kg/m3 ± 0.10 kg/m3 rect
W = 8000 kg/m3 ± 1000 kg/m3 rect
S = 8000 kg/m3 ± 50 kg/m3 rect
[outputs]
dm (mg) = (R + d) * (1 + (a - 1.2) * (1/W - 1/S)) - 0.1
"""


@test
def mass():
    """JCGM 101:2008, 9.3, table 6."""
    m = model(MASS, "montecarlo", "--trials", "1000000", "--seed", "1")
    out = m["outputs"][0]
    close(out["linear"]["value"], 1.2340, 5e-5)
    close(out["linear"]["u"], 0.0539, 5e-5)
    close(out["value"], 1.2341, 5e-5 + 5 * out["s_value"])
    close(out["u"], 0.0754, 5e-5 + 5 * out["s_u"])
    close(out["interval_shortest"][0], 1.0834, 0.003)
    close(out["interval_shortest"][1], 1.3825, 0.003)
    assert out["linear_law_valid"] is False and m["linear_law_valid"] is False


@test
def same_seed_same_digits():
    runs = [model(MASS, "montecarlo", "--seed", "4", "--threads", str(t)) for t in (1, 2, 5)]
    assert runs[0] == runs[1] == runs[2]
    assert runs[0] != model(MASS, "montecarlo", "--seed", "5")


@test
def later_outputs_use_earlier_ones():
    text = "[inputs]\nF = 100 N ± 0.1 N normal\nL = 250 mm ± 0.2 mm\nn = 60 rpm\n[let]\nM = F * L\n[outputs]\nT (N.m) = M\nP (W) = T * n\n"
    out = model(text, "budget")["outputs"]
    close(out[0]["value"], 25, 1e-12)
    close(out[1]["value"], 25 * 2 * math.pi, 1e-9)
    close(out[1]["u"] / out[1]["value"], out[0]["u"] / out[0]["value"], 1e-9)


@test
def limits_are_expanded_to_less_than_themselves():
    q = calc("quantity", "250.0 mm ± 0.2 mm")
    close(q["k"], 0.95 * math.sqrt(3), 1e-12)  # 95 % of a rectangle
    close(q["U"], 0.19, 1e-12)
    assert q["text"] == "250.00 mm ± 0.19 mm (k = 1.65, 95 %)", q["text"]
    w = calc("weight", "--nominal", "5 kg", "--class", "M1")  # 250 mg: OIML R 111-1:2004, table 1
    close(w["U"], 0.95 * 250e-6, 1e-12)
    assert calc("quantity", "20.34(6) N·m")["text"] == "20.34 N·m ± 0.12 N·m (k = 1.96, 95 %)"


@test
def wrong_input_gets_one_sentence_and_status_2():
    inputs = "[inputs]\na = 1 m ± 0.1 m normal\nb = 2 m ± 0.1 m rect\n"
    cases = [
        ("", "no input"),
        (inputs, "no output"),
        ("[inputs]\na = 1 m ± -0.1 m\n[outputs]\ny = a\n", "negative"),
        ("[inputs]\na = 1 m ± 0.1 kg\n[outputs]\ny = a\n", "same kind"),
        (inputs + "[outputs]\ny (kg) = a\n", "is in m, expected kg"),
        ("[inputs]\na = 1 m ± 1 cm\nb = 1 kg ± 1 g\n[outputs]\ny = a + b\n", "adds a quantity in m and one in kg"),
        ("[inputs]\na = 1 m ± 1 cm\n[outputs]\ny = exp(a)\n", "plain number"),
        ("[inputs]\na = nan\n[outputs]\ny = a\n", "no number"),
        ("[inputs]\na = 1e999\n[outputs]\ny = a\n", "too large"),
        ("[inputs]\na = 1\na = 2\n[outputs]\ny = a\n", "twice"),
        ("[inputs]\npi = 1\n[outputs]\ny = pi\n", "constant"),
        (inputs + "[outputs]\ny = a +\n", "not understood"),
        (inputs + "[outputs]\ny = q\n", "not understood"),
        (inputs + "[outputs]\ny = a = 3\n", "single ="),
        (inputs + "[outputs]\ny (blorg) = a\n", "unknown unit"),
        (inputs + "[outputs]\ny = 1/(a - a)\n", "not finite"),
        (inputs + "[correlations]\na, c = 0.1\n[outputs]\ny = a\n", "not an input"),
        (inputs + "[correlations]\na, b = 1.5\n[outputs]\ny = a\n", "not possible"),
        (inputs + "[somewhere]\na = 1\n", "not known"),
        (inputs + "[outputs]\ny\n", "expected a line"),
        (inputs + "[outputs]\ny = " + "a+" * 300 + "a\n", "longer"),
    ]
    for text, says in cases:
        answer = model(text, "budget", status=2)
        assert says in answer["message"], f"{text!r}: {answer['message']}"
        assert "\n" not in answer["message"]
    answer = model(inputs + "[correlations]\na, b = 0.5\n[outputs]\ny = a + b\n", "montecarlo", status=2)
    assert "not normal" in answer["message"]
    answer = model(inputs + "[outputs]\ny = a\n", "montecarlo", "--trials", "100", status=2)
    assert "too few" in answer["message"]
    for args, says in [
        (["weight", "--class", "M1"], "without its nominal mass"),
        (["weight", "--nominal", "7 kg", "--class", "M1"], "not a nominal mass"),
        (["weight", "--nominal", "5 kg", "--class", "M9"], "no weight class"),
        (["weight", "--nominal", "5 kg", "--class", "M1", "--gravity", "9.81 m/s2", "--arm", "0 m"], "no torque"),
        (["gravity", "--latitude", "95"], "not on this earth"),
        (["gravity"], "missing"),
        (["air", "--pressure", "1 kg", "--temperature", "20 degC", "--humidity", "50 %"], "same kind"),
        (["t", "--dof", "0"], "1 or more"),
        (["t", "--dof", "5", "--coverage", "1.5"], "between 0 and 1"),
        (["conform", "--value", "5 V", "--upper", "6 V"], "no uncertainty"),
        (["conform", "--value", "5 V ± 1 V"], "no limit"),
        (["quantity", "5 blorg"], "unknown unit"),
        (["nothing"], "no topic"),
        (["budget", "/nonexistent/model.ini"], "no file"),
    ]:
        answer = calc(*args, status=2)
        assert says in answer["message"], f"{args}: {answer['message']}"


print(f"1..{done}")
sys.exit(1 if failed else 0)
