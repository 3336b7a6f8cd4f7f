#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Worked examples and facts of the trade as models with units through bridle calc budget and calc quantity. Each number has its
source beside it; "printed" is what the source prints, rounded there; "worked out" was computed from the source's own figures."""
import pathlib
import sys
import tempfile

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parents[1] / "bench"))
import harness  # noqa: E402


def budget(inputs, outputs):
    text = "[inputs]\n" + "".join(f"{k} = {v}\n" for k, v in inputs.items())
    text += "[outputs]\n" + "".join(f"{k} = {v}\n" for k, v in outputs.items())
    with tempfile.TemporaryDirectory() as folder:
        path = pathlib.Path(folder) / "m.ini"
        path.write_text(text)
        result = harness.run("calc", "budget", path, "--json")
    assert result.status == 0, (text, result)
    return {o["name"]: o["value"] for o in result.json["outputs"]}


def near(found, expected, slack):
    assert abs(found - expected) <= slack, f"found {found!r}, expected {expected!r} within {slack}"


def winding_by_its_resistance():
    """Kulshreshtha, Basic Electrical Engineering, ex. 2.18: 3.42 ohm at 20 degC, 4.22 ohm hot; printed 59.59 K with the coefficient 0.00426 at
    0 degC. With 235 K for copper (IEC 60034-1, resistance method; from memory) 59.649 K, with 225 K, which is aluminium, 57.310 K."""
    inputs = {"cold": "3.42 ohm", "hot": "4.22 ohm", "start": "20 K", "coefficient": "0.00426 1/K", "copper": "235 K", "aluminium": "225 K"}
    rise = "(hot/cold - 1) * ({} + start)"
    out = budget(inputs, {"book (K)": rise.format("1/coefficient"), "cu (K)": rise.format("copper"), "al (K)": rise.format("aluminium")})
    near(out["book"], 59.59, 0.005)
    near(out["cu"], 59.649, 0.0005)
    near(out["al"], 57.310, 0.0005)


def heating_curves():
    """Theraja, A Textbook of Electrical Technology, vol. III, ch. 45: ex. 45.9 (printed 75.13 kW), 45.13 (50 K, 0.93 h), 45.15 (45 K, 30 K)."""
    out = budget({"P": "40 kW", "tau": "90 min", "t": "30 min"}, {"half_hour (kW)": "P / sqrt(1 - exp(-t/tau))"})
    near(out["half_hour"], 75.13, 0.005)
    out = budget({"a": "25 K", "b": "37.5 K", "h": "1 h", "cool": "1.5 h", "left": "10 K"},
                 {"final (K)": "a^2/(2*a - b)", "tau (h)": "h/ln(1/(1 - a/final))", "down (h)": "cool/ln(final/left)"})
    near(out["final"], 50, 1e-9)
    near(out["tau"], 1.4427, 0.00005)
    near(out["down"], 0.93, 0.005)
    out = budget({"a": "15 K", "b": "25 K", "h": "1 h", "final": "90 K"},
                 {"rated (K)": "a^2/(2*a - b)", "tau (h)": "h/ln(1/(1 - a/rated))", "overload (K)": "final*(1 - exp(-h/(h/ln(1/(1 - a/rated)))))"})
    near(out["rated"], 45, 1e-9)
    near(out["tau"], 2.466, 0.0005)
    near(out["overload"], 30, 1e-9)


def load_cell_of_strain_gauges():
    """Doebelin and Manik, Measurement Systems, ch. 5, ex. 5.3: bridge of four with Poisson gauges, gauge factor 2, nu 0.3, E 200 GPa,
    5 cm2, 10 V: printed 0.13 uV/N; 120 ohm gauges of 1 W bear 21.909 V (worked out), then 0.2848 uV/N; 3.9 mV/V at 600 MPa (printed)."""
    out = budget({"S": "2", "nu": "0.3", "E": "200 GPa", "A": "5 cm2", "V": "10 V", "R": "120 ohm", "P": "1 W", "stress": "600 MPa"},
                 {"s (uV/N)": "V*S*(1 + nu)/(2*A*E)", "most (V)": "sqrt(4*R*P)", "best (uV/N)": "most*S*(1 + nu)/(2*A*E)",
                  "full (mV/V)": "S*(1 + nu)/2*stress/E"})
    near(out["s"], 0.13, 1e-9)
    near(out["most"], 21.909, 0.0005)
    near(out["best"], 0.2848, 0.00005)
    near(out["full"], 3.9, 1e-9)


def best_efficiency_of_a_permanent_magnet_motor():
    """(1 - sqrt(I0/Is))^2 at sqrt(I0 Is), from memory: 0.1 A and 10 A give 0.81 at 1 A; 0.5 A and 20 A 0.708772 at 3.16228 A (worked out)."""
    for free, stall, best, at in (("0.1 A", "10 A", 0.81, 1), ("500 mA", "20 A", 0.708772, 3.16228)):
        out = budget({"free": free, "stall": stall}, {"best": "(1 - sqrt(free/stall))^2", "at (A)": "sqrt(free*stall)"})
        near(out["best"], best, 1e-6)
        near(out["at"], at, 1e-5)


def twist_of_a_gear():
    """1 arcmin is pi/10800 rad, 2.908882e-4; stiffness from the 50 % to the 100 % part of the curve: 20 N m over 3.8 arcmin is 5.263 N m/arcmin
    (constructed); lost motion between +0.40 and -0.35 arcmin 0.75 arcmin."""
    out = budget({"T": "40 N.m", "half": "5.2 arcmin", "full": "9.0 arcmin", "up": "0.40 arcmin", "down": "-0.35 arcmin", "one": "1 arcmin"},
                 {"k (N.m/arcmin)": "T/2/(full - half)", "lost (arcmin)": "up - down", "rad (rad)": "one"})
    near(out["k"], 5.263, 0.0005)
    near(out["lost"], 0.75, 1e-12)
    near(out["rad"], 2.908882e-4, 5e-11)
    result = harness.run("calc", "quantity", "1 N.m/arcmin", "--unit", "N.m/rad", "--json")
    near(result.json["value"], 3437.747, 0.0005)


def creep_that_a_class_allows():
    """OIML R 60:2021, part 1, 5: at 2000 to 10000 v of class C 1.5 pLC v, pLC 0.7; creep 0.7 of that: 0.735 v."""
    near(budget({"v": "1", "p": "0.7"}, {"creep": "0.7*(p*1.5*v)"})["creep"], 0.735, 1e-12)


harness.main(winding_by_its_resistance, heating_curves, load_cell_of_strain_gauges, best_efficiency_of_a_permanent_magnet_motor,
             twist_of_a_gear, creep_that_a_class_allows)
