# SPDX-License-Identifier: GPL-3.0-or-later
"""Every kind of page that the program publishes, made on virtual benches: {name: path of the page}."""
import pathlib
import re
import shutil
import sys

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parents[1] / "bench"))
import harness  # noqa: E402

PLAN = "[plan]\nactuator = paddle-winder\nload = torque\ndrive = speed\nspeed = {}\n\n[steps]\ntorque = {}\n{}\n" \
       "[steady]\ndwell = {} s\nwindow = 2 s\ntimeout = 15 s\n"
ACTUATOR = ("--actuator", "paddle-winder", "--hands", "--answers", "yes")
HAND = harness.ROOT / "docs" / "examples" / "heron-by-hand"


SOAK = "[plan]\nactuator = paddle-winder\nspeed = 60 rpm\n\n[steps]\ntorque = 5, 15 N.m\ndown = no\n\n" \
       "[endurance]\ncycles = 12\nhold = 1 s\nno_load = 1 s\npause = 1 s\nreference = 2\n"
LOOP = "arm_inertia = 0.5 kg.m2 ± 5 %\nspeed_gain = 0.3 A.s/rad\nspeed_integral = 6 A/rad\ntorque_constant = 0.1175 N.m/A ± 1 %\n" \
       "position_gain = 8 s-1\ntorque_bandwidth = 265 Hz\ndelay = 3 ms ± 0.2 ms\ntorque_limit = 40 N.m\n"
ARM = "mass = 4 kg\ncentre = 0.25 m\npayload = 2 kg\nreach = 0.5 m\nfriction = 0.7 N.m\nfrom = -30 deg\nto = 60 deg\nspeed = 12 rpm\n" \
      "acceleration = 6 rad/s2\njerk = 60 rad/s3\npause = 2 s\n"
CURVES = {"paddle": ((0, 42), (20, 40), (60, 28), (80, 20), (100, 0)), "fast": ((0, 18), (120, 12), (200, 0))}


def typed(path, text):
    path.write_text(text)
    return path


def small_heat(folder):
    """A winder of little heat capacity: a hold ends within minutes."""
    path = folder / "virtual.ini"
    text = path.read_text()
    for old, new in (("winding = 210 J/K", "winding = 20 J/K"), ("case = 1500 J/K", "case = 100 J/K")):
        assert old in text
        text = text.replace(old, new)
    path.write_text(text)


def published(bench, name, *args):
    """In reports/RUN, so that links between pages lead somewhere; the scene's folder holds a copy of all."""
    return {name: pathlib.Path(bench.must("report", *args)["page"]).relative_to(bench.folder)}


def swept(bench, plan, text, forced=False):
    (bench.folder / "plans" / f"{plan}.ini").write_text(text)
    ready = bench.run("ready", plan, "--hands", "--answers", "yes", "--json")
    assert forced or ready.status == 0, ready
    done = bench.run("sweep", plan, *(("--forced", "to look at its page") if forced else ()), "--json")
    assert forced or done.status == 0, done


def demo(bench):
    bench.must("hang", "--hands")
    bench.must("map", "--actuator", "paddle-winder")
    for plan in ("lock-sweep", "gentle", "gentle", "gentle"):
        bench.must("ready", plan, "--hands", "--answers", "yes")
        bench.must("sweep", plan)
    bench.stop()
    small_heat(bench.folder)
    bench.start()
    for kind, words in {"hold": ("--torque", "20 N.m", "--time", "100 s", "--cool", "30 s", "--torques", "30,25"),
                        "obey": ("--torque", "20 N.m", "--steps", "3", "--speeds", "10,30"),
                        "play": ("--torque", "20 N.m", "--loops", "1", "--rig-stiffness", "3000 N.m/rad ± 1 %"),
                        "ripple": ("--turns", "2", "--speed", "8 rpm", "--torque", "5 N.m", "--orders", "7"),
                        "tame": ("--loop", typed(bench.folder / "joint.ini", "ratio = 36\n" + LOOP), "--time", "20 s", "--draws", "100")}.items():
        run = bench.must(kind, *ACTUATOR, *words)["run_id"]
        yield from published(bench, kind, run).items()
    typed(bench.folder / "plans" / "soak.ini", SOAK)
    bench.must("ready", "soak", "--hands", "--answers", "yes")
    yield from published(bench, "endure", bench.must("endure", "soak")["run_id"]).items()
    sweeps = [r["run"] for r in bench.must("log", "list")["runs"] if r["kind"] == "sweep"]
    yield from published(bench, "demo", sweeps[0]).items()
    bench.must("compare", *sweeps[1:], "--out", bench.folder / "reports" / "compare")
    yield "compare", pathlib.Path("reports/compare/compare.html")
    for name, record in (("certificate", "calibration"), ("map", "map")):
        no = next(r["record"] for r in bench.must("log", "list")["records"] if r["kind"] == record)
        bench.must("certificate", no, "--out", bench.folder / "reports" / name)
        yield name, pathlib.Path(f"reports/{name}/certificate.html")
    bench.stop()
    bench.replace("virtual.ini", "gain = 7.0e6 ", "gain = 7.05e6 ")
    bench.start()
    bench.run("ready", "gentle", "--hands", "--answers", "yes")
    bench.must("log", "check", "--out", bench.folder / "reports" / "checks")
    yield "check-weight", pathlib.Path("reports/checks/check-weight.html")
    bench.must("log", "history", "--out", bench.folder / "reports" / "history")
    yield "history", pathlib.Path("reports/history/history.html")


def supply(bench):
    bench.must("hang", "--hands", "--series", "1")
    bench.must("map", "--actuator", "paddle-winder", "--currents", "5")
    bench.stop()
    bench.replace("rig.ini", "current_limit = 12 A", "current_limit = 6 A")
    bench.start()
    swept(bench, "small", PLAN.format("85 rpm", "0, 5, 10, 15, 20, 25 N.m", "down = yes", 3), forced=True)
    yield from published(bench, "supply-limited").items()


def plans(bench):
    bench.must("hang", "--hands", "--series", "1")
    bench.must("map", "--actuator", "paddle-winder", "--currents", "5")
    swept(bench, "sixty", PLAN.format("60 rpm", "from 0 to 29.5 step 0.5 N.m", "down = no", 2))
    yield from published(bench, "sixty-steps").items()
    swept(bench, "one", PLAN.format("60 rpm", "10 N.m", "down = no\nrepeat_first = no", 3))
    yield from published(bench, "one-point").items()
    swept(bench, "five", PLAN.format("from 20 to 80 step 15 rpm", "0, 5, 10, 15, 20, 25 N.m", "down = no\nrepeat_first = no", 2))
    yield from published(bench, "five-speeds").items()


def by_hand(folder):
    out = folder / "reports" / "drum"
    done = harness.run("reduce", HAND / "drum.csv", "--drum-radius", "150 mm ± 0.5 mm", "--u-force", "50 g", "--u-speed", "0.5 %",
                       "--u-voltage", "0.5 %", "--u-current", "1 %", "--out", out)
    assert done.status == 0, done
    return {"by-hand": pathlib.Path("reports/drum/report.html")}


def suit(folder):
    """A joint and one actuator that carries it; two others beside it, of which one does not."""
    folder.mkdir(parents=True)
    typed(folder / "arm.ini", ARM)
    for name, curve in CURVES.items():
        typed(folder / f"{name}.csv", "speed (rpm),torque (N.m),u torque (N.m)\n" + "".join(f"{n},{m},0.2\n" for n, m in curve))
    typed(folder / "both.ini", "".join(f"[{name} winder]\ncurve = {name}.csv\nefficiency = 70 %\nrotor-inertia = 2e-5 kg.m2\nratio = {ratio}\n"
                                       for name, ratio in zip(CURVES, (36, 10)))
          + "[a winder whose name is as long as a name can be]\ncurve = paddle.csv\nratio = 20\n")
    gear = ("--play", "4 arcmin ± 0.5 arcmin", "--stiffness", "5 N.m/arcmin ± 5 %", "--reach", "0.5 m", "--tip", "2 mm")
    for name, words in (("alone", ("--curve", "paddle.csv", "--rotor-inertia", "2e-5 kg.m2", "--ratio", "36", "--efficiency", "70 % ± 3 %", *gear)),
                        ("beside", ("--actuators", "both.ini"))):
        done = harness.run("suit", "--arm", "arm.ini", *words, "--voltage", "48 V", "--supply-current", "5 A", "--takes-back", "--out", name, cwd=folder)
        assert done.status == 0, done
    return {"suit": pathlib.Path("alone/suit.html"), "suit-beside": pathlib.Path("beside/suit.html")}


def make(to):
    """Into a folder, a folder a bench; what was there is taken away."""
    pages = {}
    shutil.rmtree(to, ignore_errors=True)
    for name, scene, seed in (("demo", demo, 7), ("supply", supply, 3), ("plans", plans, 5)):
        with harness.Bench(seed=seed) as bench:
            found = dict(scene(bench))
            shutil.copytree(bench.folder / "reports", to / name / "reports")
        pages |= {page: to / name / path for page, path in found.items()}
    pages |= {page: to / "hand" / path for page, path in by_hand(to / "hand").items()}
    pages |= {page: to / "suit" / path for page, path in suit(to / "suit").items()}
    return {re.sub(r"\W", "-", name): path for name, path in pages.items()}
