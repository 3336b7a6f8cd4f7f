#!/usr/bin/env python3
"""The published load-cell calibration through bridle hang --from: NIST/SEMATECH e-Handbook of Statistical Methods, section
2.3.6.5, data set LOADCELL (data/ehandbook_loadcell_mpc365.csv, 11 loads, three readings each). The handbook fits a
quadratic of the response in the load; its printed figures are a = -1.8398e-05, b = 0.10010, c = 7.0319e-06 with
residual standard deviation 3.764e-05 (30 degrees of freedom). The digits beyond print were worked out from the same data
with another tool (SciPy, QR), not with this program. Lack of fit from the three readings a load: straight line F(9, 22) = 112.24,
quadratic F(8, 22) = 0.348."""
import math
import pathlib
import sys
import tempfile

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parents[1] / "bench"))
import harness  # noqa: E402

DATA = pathlib.Path(__file__).resolve().parent / "data" / "ehandbook_loadcell_mpc365.csv"
QUADRATIC = [(-1.83980467e-05, 2.45072e-05), (0.100102485, 4.83870e-06), (7.03186511e-06, 2.01361e-07)]


def table(folder, scale=1.0, heading="torque (N.m),indication (mV)"):
    rows = [line.split(",") for line in DATA.read_text().splitlines() if line[:1].isdigit()]
    assert len(rows) == 33, len(rows)
    path = pathlib.Path(folder) / "readings.csv"
    path.write_text(heading + "\n" + "".join(f"{float(load) * scale!r},{response}\n" for load, response in rows))
    return path


def hang(path, *options):
    result = harness.run("hang", "--from", path, "--json", *options, cwd=path.parent)
    assert result.status == 0, result
    return result.json


def near(found, expected, relative):
    assert math.isclose(found, expected, rel_tol=relative), f"found {found!r}, expected {expected!r}"


def the_quadratic_is_the_published_one():
    with tempfile.TemporaryDirectory() as folder:
        fit = hang(table(folder), "--model", "quadratic")["fit"]
    assert fit["model"] == "quadratic" and fit["dof"] == 30
    for found, (value, u) in zip(fit["coefficients"], QUADRATIC, strict=True):
        near(found["value"], value, 1e-7)
        near(found["u"], u, 1e-4)
    near(fit["residual_sd"], 3.76403e-05, 1e-4)
    near(math.sqrt(fit["covariance"][1][1]), QUADRATIC[1][1], 1e-4)


def lack_of_fit_tells_line_from_quadratic():
    with tempfile.TemporaryDirectory() as folder:
        path = table(folder)
        line = hang(path, "--model", "line")["fit"]
        quadratic = hang(path, "--model", "quadratic")["fit"]
        chosen = hang(path)["fit"]
    near(line["coefficients"][0]["value"], -7.1556e-04, 1e-4)
    near(line["coefficients"][1]["value"], 0.10026736, 1e-7)
    near(line["residual_sd"], 2.38970e-04, 1e-4)
    near(line["lack_of_fit"]["F"], 112.240, 1e-4)
    near(quadratic["lack_of_fit"]["F"], 0.34767, 1e-4)
    assert (line["lack_of_fit"]["dof1"], line["lack_of_fit"]["dof2"]) == (9, 22)
    assert chosen["model"] != "line" and chosen["model"] != "origin", chosen["model"]


def units_are_those_of_the_heading():
    """The same loads in pound-force inches: 1 lbf.in = 0.112984829... N.m (exact by definition of pound and inch)."""
    factor = 0.45359237 * 9.80665 * 0.0254
    with tempfile.TemporaryDirectory() as folder:
        fit = hang(table(folder, 1 / factor, "torque (lbf.in),indication (mV)"), "--model", "quadratic")["fit"]
    near(fit["coefficients"][1]["value"], QUADRATIC[1][0], 1e-7)


def masses_on_an_arm_are_torques():
    """m g L with the buoyancy of conventional mass: (1 - 1.2/8000) in air of 1.2 kg/m3 (OIML D 28)."""
    arm, gravity = 0.5, 9.81
    factor = gravity * arm * (1 - 1.2 / 8000)
    with tempfile.TemporaryDirectory() as folder:
        path = table(folder, 1 / factor, "mass (kg),indication (mV)")
        fit = hang(path, "--model", "quadratic", "--arm", "500 mm", "--gravity", "9.81 m/s2")["fit"]
    near(fit["coefficients"][1]["value"], QUADRATIC[1][0], 1e-6)


harness.main(the_quadratic_is_the_published_one, lack_of_fit_tells_line_from_quadratic, units_are_those_of_the_heading,
             masses_on_an_arm_are_torques)
