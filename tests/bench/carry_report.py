#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""hold, play, obey, ripple, tame and a response of the virtual bench as reports and packs: computed anew from the logbook's samples, and against the
samples themselves by SQL."""
import csv
import json
import math
import pathlib
import sqlite3
import statistics
import tempfile

import harness
import pack  # its archives by a stranger

ACTUATOR = ("--actuator", "paddle-winder", "--hands", "--answers", "yes")
ASKED = {"play": ("--torque", "20 N.m", "--loops", "1", "--rig-stiffness", "3000 N.m/rad ± 1 %"),
         "obey": ("--torque", "20 N.m", "--steps", "3", "--constant", "1.6 N.m/A ± 0.02 N.m/A"),
         "response": ("--response", "--time", "20 s"),
         "tame": ("--time", "20 s", "--rig-inertia", "0.02 kg.m2 ± 2 %"),
         "ripple": ("--turns", "2", "--speed", "8 rpm", "--torque", "5 N.m", "--orders", "7"),
         "hold": ("--torque", "20 N.m", "--time", "100 s", "--cool", "30 s", "--torques", "30,25")}
HOME = tempfile.TemporaryDirectory(prefix="bridle-carry-")
BENCH = harness.Bench(seed=7)
FOUND = {}


def small(folder):
    path = folder / "virtual.ini"
    text = path.read_text()
    for old, new in (("winding = 210 J/K", "winding = 20 J/K"), ("case = 1500 J/K", "case = 100 J/K")):
        assert old in text
        text = text.replace(old, new)
    path.write_text(text)


def they_are_measured():
    small(BENCH.folder)
    BENCH.start()
    BENCH.must("hang", "--hands", "--series", "1")
    for kind, words in ASKED.items():
        FOUND[kind] = BENCH.must("obey" if kind == "response" else kind, *ACTUATOR, *words)
    refused = BENCH.run("play", *ACTUATOR[:-1], "no", "--json")
    assert refused.status == 1, refused
    BENCH.stop()


def differences(a, b, at=""):
    """Where b lacks what a has, or differs beyond the ninth digit."""
    if isinstance(a, dict) and isinstance(b, dict):
        return [d for key in a for d in (differences(a[key], b[key], f"{at}.{key}") if key in b else [f"{at}.{key} is missing"])]
    if isinstance(a, list) and isinstance(b, list) and len(a) == len(b):
        return [d for i, (x, y) in enumerate(zip(a, b)) for d in differences(x, y, f"{at}[{i}]")]
    if isinstance(a, float) and isinstance(b, float):
        return [] if math.isclose(a, b, rel_tol=1e-9, abs_tol=1e-12) else [f"{at}: {a} {b}"]
    return [] if a == b else [f"{at}: {a} {b}"]


def page_of_before(found, folder):
    """gnuplot that is not there: neither page nor figure of before stay beside the new tables."""
    drawn = [path for path in folder.glob("*.svg")]
    assert drawn, folder
    done = harness.run("report", found["run_id"], "--bench", BENCH.folder, "--json", env={"PATH": HOME.name})
    assert done.status == 3 and done.json["message"].endswith("without it there are no figures"), done
    assert "<svg" not in (folder / "report.html").read_text() and not any(path.exists() for path in drawn), drawn


def a_report_is_computed_again_from_the_samples():
    """I27"""
    for kind, found in FOUND.items():
        run = found["run_id"]
        report = BENCH.must("report", run)
        assert not differences(found, report), (kind, differences(found, report)[:5])
        shown = BENCH.must("log", "show", run)
        assert report["digest"] == shown["digest"] and report["report_id"].startswith(f"run {run}, {shown['digest'][:12]}")
        assert report["kind"] == kind and report["virtual_bench"] is True and report["outcome"] == "done" and report["safe"] is True
        folder = pathlib.Path(report["page"]).parent
        page = (folder / "report.html").read_text(encoding="utf-8")
        for text in ("Virtual bench: every figure here was computed", shown["digest"], report["report_id"], "Heron Lock bench",
                     "What limited it", "dead weights on the calibration arm", "<svg", "Results"):
            assert text in page, (kind, text)
        assert "nan" not in page.lower().replace("nance", ""), kind
        assert json.loads((folder / "report.json").read_text()) == {k: v for k, v in report.items() if k != "page"}
        rows = list(csv.DictReader(open(folder / "results.csv", encoding="utf-8")))
        assert rows and all(float(row["u"]) > 0 and float(row["U"]) >= 1.95 * float(row["u"]) for row in rows), rows
        page_of_before(found, folder)
        text = BENCH.run("report", run, "--no-figures")
        assert text.status == 0 and report["result"].split(" ")[0] in text.out, text


def connect():
    return sqlite3.connect(f"file:{BENCH.folder / 'logbook'}?mode=ro", uri=True)


def the_rows_are_those_of_the_samples():
    db = connect()
    # obey: a reading is the mean of the conversions that came in its window
    told, gain = FOUND["obey"]["torque_constant_Nm_per_A"], FOUND["obey"]["gain"]
    assert abs(told["value"] - 1.6 * gain["value"]) < 1e-9, told
    assert abs((told["u"] / told["value"]) ** 2 - (gain["u"] / gain["value"]) ** 2 - (0.02 / 3**0.5 / 1.6) ** 2) < 1e-12, told  # limits, JCGM 100, 4.3.7
    for point in FOUND["obey"]["points"]:
        begin, end = (round(point[key] * 1e9) for key in ("begin_s", "end_s"))
        seen, values = None, []
        for conversion, torque in db.execute("SELECT cell_conversions, torque_Nm FROM samples WHERE run_id = ? AND mono_ns BETWEEN ? AND ? "
                                             "ORDER BY mono_ns", (FOUND["obey"]["run_id"], begin - 1000, end + 1000)):
            if seen is not None and conversion != seen:
                values.append(torque)
            seen = conversion
        assert math.isclose(statistics.fmean(values), point["measured_Nm"], rel_tol=1e-9), (point, len(values))
    # hold: temperatures are those of the row's own moment
    rests = FOUND["hold"]["rests_on"]
    held = {mono: winding for mono, winding in db.execute("SELECT mono_ns, temp_winding_degC FROM samples WHERE run_id = ? AND mono_ns "
                                                          "BETWEEN ? AND ?", (FOUND["hold"]["run_id"], rests["begin_ns"], rests["end_ns"]))}
    (begin, _end), = db.execute("SELECT begin_ns, end_ns FROM point WHERE run_id = ? AND NOT flags & 8", (FOUND["hold"]["run_id"],))
    rows = list(csv.DictReader(open(BENCH.folder / "reports" / str(FOUND["hold"]["run_id"]) / "hold.csv", encoding="utf-8")))
    assert len(rows) > 100
    for row in rows:
        nearest = min(held, key=lambda mono: abs(mono - begin - 1e9 * float(row["time (s)"])))
        assert abs(nearest - begin - 1e9 * float(row["time (s)"])) < 2e6 and abs(held[nearest] - float(row["winding (degC)"])) < 1e-6, row


def a_budget_adds_up_and_what_is_common_cancels():
    """The difference of a run to itself: of each source that both share by the calibration nothing is left, of the others twice the
    variance (GUM 5.2)."""
    for kind in ("play", "obey", "ripple"):
        run = FOUND[kind]["run_id"]
        compared = BENCH.must("compare", run, run)
        numbers = {key: value for key, value in FOUND[kind].items() if isinstance(value, dict) and "budget" in value}
        for order in FOUND[kind].get("orders", []):
            if order["amplitude_Nm"]:
                numbers[f"orders.{order['order']:.5g}"] = order["amplitude_Nm"]
        assert len(numbers) >= 3 and len(compared["differences"]) == len(numbers), (kind, numbers.keys(), compared)
        for d in compared["differences"]:
            number = numbers[d["quantity"]]
            squares = {part["source"]: part["u"]**2 for part in number["budget"]}
            assert math.isclose(sum(squares.values()), number["u"]**2, rel_tol=1e-9), (kind, d)
            shared = sum(v for source, v in squares.items() if source.startswith(("curve of the calibration", "mass of ")) or source in
                         ("calibration arm", "gravity", "air density", "arm off level", "weights pull on one side", "stiffness of the rig"))
            assert math.isclose(d["u"], math.sqrt(2 * (number["u"]**2 - shared)), rel_tol=1e-6), (kind, d, squares)
            assert d["value"] == 0 and d["real"] is False and d["U"] >= 1.95 * d["u"], d
        assert {d["quantity"] for d in compared["differences"] if d["common"]}, kind
    for words in ((FOUND["play"]["run_id"], FOUND["obey"]["run_id"]), (FOUND["play"]["run_id"], 1)):
        refused = BENCH.run("compare", *words, "--json")
        assert refused.status == 2 and ("of one kind" in refused.json["message"] or "hang" in refused.json["message"]), refused


def what_was_cut_short_publishes_nothing():
    run = BENCH.must("log")["runs"][-1]
    assert run["kind"] == "play" and run["outcome"] != "done", run
    number = run["run"]
    for words in (("report", number), ("pack", number)):
        done = BENCH.run(*words, "--json")
        assert done.status == 1 and "it was cut short (refused: " in done.json["message"], done
    assert not (BENCH.folder / "reports" / str(number)).exists()
    wrong = BENCH.run("report", FOUND["play"]["run_id"], "--budget", "1", "--json")
    assert wrong.status == 2 and "for a sweep" in wrong.json["message"], wrong


def packed(kind):
    path = pathlib.Path(HOME.name) / f"{kind}.tar.zst"
    BENCH.must("pack", FOUND[kind]["run_id"], "--out", path)
    return path


def a_pack_is_verified_from_its_samples():
    for kind in FOUND:
        path = packed(kind)
        files = dict(pack.unpacked(path))
        assert {f"{kind}.csv", f"{kind}.svg", f"{kind}.gp", "results.csv", "report.html", "report.json", "run.sqlite"} <= files.keys(), files.keys()
        assert any(name.startswith(f"records/{kind}-") for name in files), files.keys()
        said = harness.run("verify", path, "--json", cwd=HOME.name)
        assert said.status == 0 and said.json["verdict"] in ("equal", "equal within rounding") and said.json["numbers"] > 50, said


def changed_samples_and_numbers_are_named():
    path = packed("obey")
    files = pack.unpacked(path)
    report = json.loads(dict(files)["report.json"])
    report["gain"]["value"] *= 1.001
    forged = [(n, json.dumps(report).encode() if n == "report.json" else b) for n, b in files]
    said = harness.run("verify", pack.packed(forged, "forged-obey.tar.zst"), "--json")
    assert said.status == 1 and [d["name"] for d in said.json["differs"]] == ["gain.value"], said
    rows = pathlib.Path(HOME.name) / "rows.sqlite"
    rows.write_bytes(dict(files)["run.sqlite"])
    db = sqlite3.connect(rows)
    (trigger,), = db.execute("SELECT sql FROM sqlite_schema WHERE name = 'sample_no_update'")
    db.executescript(f"DROP TRIGGER sample_no_update; UPDATE sample SET torque_Nm = torque_Nm * 1.01 WHERE torque_Nm > 5; {trigger}")
    db.close()
    said = harness.run("verify", pack.packed([(n, rows.read_bytes() if n == "run.sqlite" else b) for n, b in files], "rows-obey.tar.zst"),
                       "--json")
    assert said.status in (1, 2), said
    if said.status == 1:
        assert "gain.value" in {d["name"] for d in said.json["differs"]}, said
    else:
        assert "digest" in said.json["message"] or "row" in said.json["message"], said


if __name__ == "__main__":
    harness.main(they_are_measured, a_report_is_computed_again_from_the_samples, the_rows_are_those_of_the_samples,
                 a_budget_adds_up_and_what_is_common_cancels,
                 what_was_cut_short_publishes_nothing, a_pack_is_verified_from_its_samples, changed_samples_and_numbers_are_named)
