#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Curves and groups through the door: bridle calc nonlinear on the NIST nonlinear sets from both of their starts, calc anova on
SiRstvt and on the two groups of the e-Handbook. Certified values from the files in data/. TAP on standard output."""
import csv
import json
import os
import pathlib
import subprocess
import sys

BRIDLE = os.environ["BRIDLE"]
DATA = pathlib.Path(__file__).parent / "data"
CURVES = {  # as the files write them, in the expressions of muParser
    "Misra1a": "b1*(1-exp(-b2*x))",
    "BoxBOD": "b1*(1-exp(-b2*x))",
    "DanWood": "b1*x^b2",
    "Thurber": "(b1+b2*x+b3*x^2+b4*x^3)/(1+b5*x+b6*x^2+b7*x^3)",
    "MGH09": "b1*(x^2+x*b2)/(x^2+x*b3+b4)",
    "MGH10": "b1*exp(b2/(x+b3))",
    "MGH17": "b1+b2*exp(-x*b4)+b3*exp(-x*b5)",
    "Rat43": "b1/((1+exp(b2-b3*x))^(1/b4))",
    "Eckerle4": "(b1/b2)*exp(-0.5*((x-b3)/b2)^2)",
}
done = failed = 0


def rows_of(name):
    with open(DATA / name, encoding="utf-8") as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))


def calc(*args, status=0):
    run = subprocess.run([BRIDLE, "calc", *args, "--json"], capture_output=True, text=True, timeout=60, stdin=subprocess.DEVNULL)
    assert run.returncode == status, f"{args}: status {run.returncode}, {run.stdout}{run.stderr}"
    return json.loads(run.stdout)


def near(found, certified, digits):
    assert abs(found - certified) <= abs(certified) * 10.0**-digits, f"found {found!r}, certified {certified!r}"


def test(name, function, *args):
    global done, failed
    done += 1
    try:
        function(*args)
        print(f"ok {done} - {name}")
    except Exception as e:  # noqa: BLE001
        failed += 1
        print(f"not ok {done} - {name}\n# {type(e).__name__}: {e}")


def curve(name, start):
    certified = {r["quantity"]: r for r in rows_of("strd_nls_certified.csv") if r["dataset"] == name}
    b = [q for q in certified if q.startswith("b")]
    fit = calc("nonlinear", str(DATA / f"strd_nls_{name}.csv"), "--x", "x", "--y", "y", "--model", CURVES[name],
               "--start", ",".join(f"{q}={certified[q][start]}" for q in b))
    for q, p in zip(b, fit["parameters"]):
        near(p["value"], float(certified[q]["certified"]), 9)
        near(p["u"], float(certified[q]["certified_sd"]), 9)
        assert p["name"] == q and p["dof"] == int(certified["dof"]["certified"])
    near(fit["residual_ss"], float(certified["RSS"]["certified"]), 9)
    near(fit["residual_sd"], float(certified["residual_sd"]["certified"]), 9)


def no_curve_from_here():
    """From b2 = -50 the curve of BoxBOD overflows or is flat: that is said, and no numbers are printed."""
    answer = calc("nonlinear", str(DATA / "strd_nls_BoxBOD.csv"), "--x", "x", "--y", "y", "--model", CURVES["BoxBOD"], "--start",
                  "b1=0,b2=1000", status=2)
    assert "parameters" not in answer and "start" in answer["message"], answer


def groups():
    a = calc("anova", str(DATA / "strd_anova_SiRstvt.csv"))
    for key, certified in (("ss_between", 5.11462616e-02), ("ss_within", 2.16636560e-01), ("F", 1.18046237440255),
                           ("r_squared", 1.90999039051129e-01), ("sd_within", 1.04076068334656e-01)):
        near(a[key], certified, 11)
    assert (a["dof_between"], a["dof_within"]) == (4, 20)
    # JCGM 100:2008, H.5.2.5: s_B^2 = (MS_between - MS_within)/K
    near(a["sd_between"] ** 2, (5.11462616e-02 / 4 - 2.16636560e-01 / 20) / 5, 9)


def two_groups(home):
    """NIST/SEMATECH e-Handbook 1.3.5.3: t -12.62059 pooled with 326, -12.94627 with 136.875 without equal scatter."""
    path = home / "cars.csv"
    lines = (DATA / "ehandbook_auto83b.csv").read_text().splitlines()
    path.write_text("\n".join(line.replace("-999", "") if not line.startswith(("#", "group")) else line for line in lines) + "\n")
    t = calc("anova", str(path))["two_groups"]
    assert abs(t["pooled"]["t"] + 12.62059) < 6e-6 and t["pooled"]["dof"] == 326, t
    assert abs(t["welch"]["t"] + 12.94627) < 6e-6 and abs(t["welch"]["dof"] - 136.875) < 6e-4, t
    long = home / "long.csv"
    long.write_text("car,mpg\n" + "\n".join(f"{'us' if k == 0 else 'jp'},{v}" for line in lines if line[:1].isdigit()
                                           for k, v in enumerate(line.split(",")) if v != "-999") + "\n")
    again = calc("anova", str(long), "--group", "car", "--y", "mpg")["two_groups"]
    assert abs(again["welch"]["t"] + 12.94627) < 6e-6, again


if __name__ == "__main__":
    import tempfile

    for each in CURVES:
        for start in ("start1", "start2"):
            test(f"{each} from {start}", curve, each, start)
    test("no curve from a hopeless start", no_curve_from_here)
    test("groups of SiRstvt", groups)
    with tempfile.TemporaryDirectory() as home:
        test("two groups", two_groups, pathlib.Path(home))
    print(f"1..{done}")
    sys.exit(1 if failed else 0)
