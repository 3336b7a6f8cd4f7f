#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""A stranger recomputes a pack: from its tables, samples, calibration record and docs/method.md alone, with NumPy and SciPy and no
line of the program. Every point, u, k, U, scatter, the fit of the
calibration, its residuals, the zero, the losses, the droop, and the probability of a claimed greatest torque agree with the published
ones to nine digits, and its verdict is the same.

    python3 tests/recompute/recompute.py            # packs of the virtual bench, as a test
    python3 tests/recompute/recompute.py FOLDER     # a pack that was unpacked there: the greatest departures"""
import io
import json
import math
import pathlib
import subprocess
import sys
import tarfile
import tempfile

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parents[1] / "bench"))
import harness  # noqa: E402

try:
    import brake
    import claims
    import fits
    import pack_reader
    import points
except ImportError as missing:
    brake = claims = fits = None
    WHY = str(missing)

NINE_DIGITS = 1e-9
HOME = tempfile.TemporaryDirectory(prefix="bridle-recompute-")
MAPPED = {}
OWN = """[plan]
actuator = paddle-winder
load = torque
drive = current
current = 6 A
[steps]
torque = 2, 5, 8, 11, 14 N.m
down = no
[steady]
dwell = 3 s
window = 2 s
timeout = 12 s
"""
PLAN = """[plan]
actuator = paddle-winder
load = torque
drive = speed
speed = 60, 30, -40 rpm
[steps]
torque = 0, 4, 9, 14 N.m
down = yes
[steady]
dwell = 4 s
window = 2 s
timeout = 15 s
"""


def compared(folder):
    """[(name, published, recomputed)] of a pack."""
    report = json.loads((folder / "report.json").read_text())
    rig, record, windows, sign = pack_reader.read(folder)
    found = points.points(rig, record, windows, sign)
    ret = fits.calibration(record)
    drift, explained = points.furthest(rig, record, windows, sign)
    ret += [("zero: moved_Nm", report["zero"]["moved_Nm"]["value"], drift), ("zero: u of it", report["zero"]["moved_Nm"]["u"], explained)]
    for (window, point), told in zip(found, report["points"], strict=True):
        at = f"step {told['step']} {told['direction']} {told['speed_set_rpm']} rpm"
        assert told["step"] == window.step and told["efficiency_valid"] == ("efficiency" in point), at
        for name, (number, scatter) in point.items():
            ret += [(f"{at}: {prefix}{name}", told[prefix + name], value) for prefix, value in
                    [("", number.value), ("u_", number.u), ("k_", number.k()), ("U_", number.U())]]
            if scatter is not None:
                key = "scatter_" + name
                ret.append((f"{at}: {key}", told[key], scatter))
    told = report["losses"]
    made = fits.drive(found) if told["drive_k_t_Nm_per_A"] else {}
    if told["drive_k_t_rotor_Nm_per_A"]:
        ratio = pack_reader.Rig(folder / "profiles" / "actuator.ini").value("actuator", "ratio")
        made["drive_k_t_rotor_Nm_per_A"] = made["drive_k_t_Nm_per_A"] * (1 / ratio)
    if told["fixed_W"]:
        more, sd = fits.losses(found)
        made |= more
        ret.append(("losses: residual_W", told["residual_W"], sd))
    plan = pack_reader.Rig(folder / "profiles" / "plan.ini")
    fall = claims.droop(found, report["points"])
    assert (fall is None) == (told["droop_rpm_per_Nm"] is None), told
    if fall is not None:
        made["droop_rpm_per_Nm"] = fall
    ret += judged(report, plan, found)
    ret += [(f"losses: {name} {what}", told[name][what], getattr(number, what)) for name, number in made.items()
            for what in ("value", "u", "dof")]
    return ret


def judged(report, plan, found):
    """What every claim comes to; its verdict has to be the same."""
    rows = []
    for told, key, numbers, verdict in claims.judged(found, report, plan.text("plan", "drive", "speed"),
                                                    plan.value("verdict", "confidence", "95 %")):
        name = told["claim"]
        assert told["verdict"] == verdict, (told, numbers, verdict)
        for what, published in (("value", key), ("u", f"u_{key}"), ("U", f"U_{key}"), ("low", "low"), ("high", "high"),
                                ("probability", "probability")):
            mine = numbers.get(what)
            assert (told[published] is None) == (mine is None), (told, what, mine)
            if mine is not None:
                zero = 1 if what == "probability" else 0  # of a probability near 0 nine places count, not nine digits
                rows.append((f"claim {name}: {what}", zero + told[published], zero + mine))
    return rows


def away(published, recomputed):
    return abs(recomputed - published) / max(abs(published), 1e-300) if math.isfinite(recomputed) else math.inf


def agrees(folder, least):
    rows = compared(folder)
    far = [(name, a, b) for name, a, b in rows if not away(a, b) < NINE_DIGITS]
    assert not far, f"{len(far)} of {len(rows)} differ: {far[:5]}"
    assert len(rows) >= least, len(rows)
    print(f"# {len(rows)} numbers, greatest departure {max(away(a, b) for _, a, b in rows):.1e}")
    return rows


def unpacked(pack, name):
    folder = pathlib.Path(HOME.name) / name
    data = subprocess.run(["zstd", "-qdc", pack], capture_output=True, check=True).stdout
    with tarfile.open(fileobj=io.BytesIO(data)) as tar:
        tar.extractall(folder)  # our own pack, made a moment ago
    return folder


def every_number_of_a_pack_agrees():
    if fits is None:
        raise harness.Skipped(WHY)
    with harness.Bench(seed=11) as bench:
        (bench.folder / "plans" / "two-ways.ini").write_text(PLAN)
        (bench.folder / "plans" / "own.ini").write_text(OWN)
        bench.replace("actuators/paddle-winder.ini", "rated_torque = 20 N.m", "rated_torque = 13 N.m")
        bench.replace("actuators/paddle-winder.ini", "peak_torque = 40 N.m", "peak_torque = 13.96 N.m")
        bench.must("hang", "--hands")
        MAPPED.update(bench.must("map", "--actuator", "paddle-winder"))
        bench.must("ready", "two-ways", "--hands", "--answers", "yes")
        bench.must("sweep", "two-ways")
        bench.must("pack", "--out", pathlib.Path(HOME.name) / "two-ways.tar.zst")
        bench.replace("actuators/paddle-winder.ini", "peak_torque = 13.96 N.m", "peak_torque = 13.9 N.m")
        bench.replace("actuators/paddle-winder.ini", "rated_torque = 13 N.m @ 80 rpm", "rated_torque = 8 N.m @ 97 rpm")
        bench.replace("actuators/paddle-winder.ini", "rated_power = 165 W", "rated_power = 90 W @ 97 rpm")
        bench.must("sweep", "own", "--forced", "the curve of its own")
        bench.must("pack", "--out", pathlib.Path(HOME.name) / "own.tar.zst")
    # 22 points: four loads up and three down at three speeds, and the first once more, one of them backward; seven quantities with value, u, k and U, and scatter
    rows = agrees(unpacked(pathlib.Path(HOME.name) / "two-ways.tar.zst", "two-ways"), 22 * 35 + 60)
    assert any("-40" in name for name, _, _ in rows) and any("in_step" in name for name, _, _ in rows)
    assert any(name == "claim peak_torque: probability" for name, _, _ in rows)
    rows = agrees(unpacked(pathlib.Path(HOME.name) / "own.tar.zst", "own"), 6 * 35 + 40)
    assert any(name == "losses: droop_rpm_per_Nm u" for name, _, _ in rows) and any(name == "claim rated_torque: high" for name, _, _ in rows)


def the_brake_map_s_fit_agrees():
    if brake is None:
        raise harness.Skipped(WHY)
    (record,) = (pathlib.Path(HOME.name) / "two-ways" / "records").glob("map-*.json")
    rows = brake.fit(MAPPED, json.loads(record.read_text()))
    far = [(name, a, b) for name, a, b in rows if not away(a, b) < NINE_DIGITS]
    assert not far and len(rows) > 60, (far, len(rows))
    print(f"# {len(rows)} numbers, greatest departure {max(away(a, b) for _, a, b in rows):.1e}")


def an_altered_verdict_is_seen():
    if claims is None:
        raise harness.Skipped(WHY)
    folder = pathlib.Path(HOME.name) / "own"
    text = (folder / "report.json").read_text()
    report = json.loads(text)
    (told,) = [claim for claim in report["claims"] if claim["claim"] == "peak_torque"]
    assert told["verdict"] == "confirmed", told
    told["verdict"] = "undecided"
    (folder / "report.json").write_text(json.dumps(report))
    try:
        compared(folder)
    except AssertionError:
        return
    finally:
        (folder / "report.json").write_text(text)
    raise AssertionError("a verdict that was altered agrees")


def what_was_changed_is_seen():
    """The comparison itself: a meter's gain that is a millionth off in the profile shows in every power."""
    if fits is None:
        raise harness.Skipped(WHY)
    folder = pathlib.Path(HOME.name) / "two-ways"
    ini = folder / "profiles" / "rig.ini"
    text = ini.read_text()
    assert "current_gain = 1 " in text
    ini.write_text(text.replace("current_gain = 1 ", "current_gain = 1.000001 "))
    far = {name.split(": ")[1] for name, a, b in compared(folder) if not away(a, b) < NINE_DIGITS}
    ini.write_text(text)
    assert {"current_A", "input_power_W", "efficiency"} <= far and not {"torque_Nm", "speed_rpm", "voltage_V"} & far, far


if __name__ == "__main__":
    if len(sys.argv) > 1:
        for name, a, b in sorted(compared(pathlib.Path(sys.argv[1])), key=lambda row: -away(*row[1:]))[:10]:
            print(f"{away(a, b):.1e}  {name}: published {a!r}, recomputed {b!r}")
    else:
        harness.main(every_number_of_a_pack_agrees, the_brake_map_s_fit_agrees, an_altered_verdict_is_seen, what_was_changed_is_seen)
