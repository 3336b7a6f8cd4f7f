#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""bridle pack and bridle verify as a user types them, on a run of the virtual bench; packs that somebody changed."""
import hashlib
import io
import json
import os
import pathlib
import random
import re
import shutil
import signal
import subprocess
import tarfile
import tempfile

import harness
from harness import run

HOME = tempfile.TemporaryDirectory(prefix="bridle-packs-")
PACK = pathlib.Path(HOME.name) / "run.tar.zst"
BENCH = harness.Bench(seed=5)


def zstd(*args, data):
    return subprocess.run(["zstd", "-q", "-c", *args], input=data, capture_output=True, check=True).stdout


def unpacked(path=PACK):
    """[(name, bytes)] in order."""
    with tarfile.open(fileobj=io.BytesIO(zstd("-d", data=path.read_bytes()))) as tar:
        return [(m.name, tar.extractfile(m).read()) for m in tar]


def packed(files, name):
    """An archive of these files as a stranger makes it, with a manifest that fits them."""
    files = dict(files)
    manifest = json.loads(files.pop("manifest.json"))
    manifest["files"] = [{"name": n, "bytes": len(b), "sha256": hashlib.sha256(b).hexdigest()} for n, b in files.items()]
    out = io.BytesIO()
    with tarfile.open(fileobj=out, mode="w", format=tarfile.USTAR_FORMAT) as tar:
        for n, b in [("manifest.json", json.dumps(manifest).encode()), *files.items()]:
            info = tarfile.TarInfo(n)
            info.size = len(b)
            tar.addfile(info, io.BytesIO(b))
    path = PACK.with_name(name)
    path.write_bytes(zstd(data=out.getvalue()))
    return path


def a_run_is_packed_twice_alike():
    if not shutil.which("zstd"):
        raise harness.Skipped("no zstd")
    actuator, sheet = (BENCH.folder / "actuators" / name for name in ("paddle-winder.ini", "sheet.csv"))
    actuator.write_text(actuator.read_text().replace("[claims]", "[claims]\ncurve = sheet.csv"))
    sheet.write_text("torque (N.m),speed (rpm),current (mA)\n0,105,400\n20,80,4900\n60,0,14000\n")
    BENCH.start()
    BENCH.must("hang", "--hands")
    BENCH.must("map", "--actuator", "paddle-winder")
    BENCH.must("ready", "gentle", "--hands", "--answers", "yes")
    BENCH.must("sweep", "gentle")
    BENCH.stop()
    sheet.unlink()  # the run keeps it
    said = BENCH.must("pack", "--out", PACK)
    again = BENCH.must("pack", "--out", PACK.with_name("again.tar.zst"))
    assert PACK.read_bytes() == PACK.with_name("again.tar.zst").read_bytes()
    assert said["files"] == again["files"] and said["run"]["digest"] == BENCH.must("log", "show", "last")["digest"]
    files = unpacked()
    assert files[0][0] == "manifest.json"
    for entry, (name, content) in zip(json.loads(files[0][1])["files"], files[1:], strict=True):
        assert (entry["name"], entry["bytes"], entry["sha256"]) == (name, len(content), hashlib.sha256(content).hexdigest())
    names = {n for n, _ in files}
    assert {"report.html", "report.json", "points.csv", "figures.gp", "profiles/rig.ini", "profiles/actuator.ini",
            "profiles/plan.ini", "windows.csv", "samples.csv", "run.sqlite", "README.txt"} <= names, names
    published = dict(files)
    curve = json.loads(published["report.json"])["claims_curve"]
    assert [(p["torque_Nm"], p["speed_rpm"], p["current_A"], p["efficiency"]) for p in curve] == [(0, 105, 0.4, None), (20, 80, 4.9, None),
                                                                                                (60, 0, 14, None)], curve
    chords = [line for line in published["figures.gp"].decode().splitlines() if line.startswith("set arrow from 0,105 to 20,80 ")]
    assert len(chords) == 1 and b"'data sheet'" in published["figures.gp"], chords
    assert {"calibration", "map", "check", "ready", "claimed"} <= {n.split("/")[1].split("-")[0] for n in names if n.startswith("records/")}


def the_page_goes_in_as_a_pdf():
    """The same bytes twice, each sheet with its number, the run's own moment; verified, with its link."""
    if not any(map(shutil.which, ("chromium", "chromium-browser"))) or not shutil.which("pdftotext"):
        raise harness.Skipped("no Chromium or no pdftotext")
    packs = [PACK.with_name(f"pdf-{i}.tar.zst") for i in range(2)]
    for path in packs:
        BENCH.must("pack", "--pdf", "--out", path)
    assert packs[0].read_bytes() == packs[1].read_bytes()
    files = dict(unpacked(packs[0]))
    assert b'href="report.pdf"' in files["report.html"] and b"report.pdf" not in dict(unpacked())["report.html"]
    pdf = PACK.with_name("report.pdf")
    pdf.write_bytes(files["report.pdf"])
    text = subprocess.run(["pdftotext", "-layout", pdf, "-"], capture_output=True, text=True, check=True).stdout
    sheets = text.count("\f")
    report = json.loads(files["report.json"])
    assert sheets > 2 and len(re.findall(rf"page \d+ of {sheets}\b", text)) == text.count(report["report_id"] + " (virtual bench)") == sheets, text[:3000]
    assert report["result"].split(" N")[0].replace("Highest torque ", "") in text
    told = subprocess.run(["pdfinfo", "-isodates", pdf], capture_output=True, text=True, check=True).stdout
    assert all(line.split()[1].startswith(report["started"][:10]) for line in told.splitlines() if "Date" in line) and told.count("Date") == 2, told
    assert BENCH.must("verify", packs[0])["equal"] is True
    said = run("verify", packs[0]).out
    assert said.endswith("and report.pdf, the page as it was printed.\n") and "report.pdf" not in run("verify", PACK).out, said


def the_path_of_the_pdf_is_told():
    """By a browser that prints a page that is none."""
    here = PACK.with_name("told")
    here.mkdir()
    (here / "chromium").write_text("#!/bin/sh\nfor word; do case $word in --print-to-pdf=*) echo %PDF-1.4 > ${word#*=};; esac; done\n")
    (here / "chromium").chmod(0o755)
    words = ("report", "--no-figures", "--bench", BENCH.folder, "--out", here / "out")
    done = run(*words, "--pdf", env={"PATH": str(here)})
    assert done.status == 0 and done.out.endswith(f"Report: {here}/out/report.html\nPDF: {here}/out/report.pdf\n"), done
    assert run(*words, "--pdf", "--json", env={"PATH": str(here)}).json["pdf"] == f"{here}/out/report.pdf"
    assert "PDF" not in run(*words).out.split("Report: ")[1] and "pdf" not in run(*words, "--json").json


def without_chromium_all_but_the_pdf_is_there():
    """Not installed, and one that prints nothing: one sentence, a page that names no PDF, and no PDF of an earlier page."""
    empty, out = PACK.with_name("nothing"), PACK.with_name("pages")
    empty.mkdir()
    out.mkdir()
    browser = empty / "chromium"
    for words in ("install the package chromium", "Chromium made no PDF", "Chromium failed"):
        (out / "report.pdf").write_text("of before")
        done = run("report", "--pdf", "--no-figures", "--bench", BENCH.folder, "--out", out, "--json", env={"PATH": str(empty)})
        assert done.status == 3 and words in done.json["message"], done
        assert "report.pdf" not in (out / "report.html").read_text() and not (out / "report.pdf").exists()
        assert (out / "chromium.log").exists() == ("install" not in words), "its words, where it had any"
        browser.write_text(f"#!/bin/sh\nexit {'0' if 'install' in words else '1'}\n")
        browser.chmod(0o755)
    (out / "report.pdf").write_text("of before")
    BENCH.must("report", "--no-figures", "--out", out)
    assert not (out / "report.pdf").exists()


def what_ends_it_takes_the_browser_and_its_folder_along():
    """Ctrl-C and TERM at the program alone while a browser works: it ends by that signal, the browser with it, and leaves nothing in TMPDIR."""
    here = PACK.with_name("ended")
    tmp, out = here / "tmp", here / "out"
    for folder in (here, tmp, out):
        folder.mkdir()
    (here / "chromium").write_text(f"#!/bin/sh\necho $$ > {here}/pid\nexec /bin/sleep 60\n")
    (here / "chromium").chmod(0o755)
    for number in (signal.SIGINT, signal.SIGTERM):
        process = subprocess.Popen([harness.BRIDLE, "report", "--pdf", "--no-figures", "--bench", BENCH.folder, "--out", out],
                                   env={**os.environ, "PATH": str(here), "TMPDIR": str(tmp)}, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL,
                                   preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL))  # ignored in the background of a shell
        pid = int(harness.wait_for(lambda: (here / "pid").exists() and (here / "pid").read_text().strip(), 30, "the browser"))
        assert list(tmp.glob("bridle-*")), "no folder of the browser's"
        process.send_signal(number)
        assert process.wait(10) == -number, process.returncode
        assert not list(tmp.iterdir()) and not (out / "chromium.log").exists() and not (out / "report.pdf").exists(), list(tmp.iterdir())
        assert not pathlib.Path(f"/proc/{pid}").exists(), "the browser goes on"
        (here / "pid").unlink()


def without_gnuplot_no_page_of_another_run_stays():
    """Tables and page are those of one run, the page without figures; a pack is not made. It advises nothing that the command does not have."""
    empty = PACK.with_name("no-gnuplot")
    empty.mkdir()
    out, path = PACK.with_name("mixed"), {"PATH": str(empty)}
    out.mkdir()
    (out / "report.html").write_text("of before")
    for args, made in ((("report", "--out", out), "report.html"), (("certificate", "--out", out), "certificate.html"),
                       (("compare", "4", "4", "--out", out), "compare.html"), (("pack", "--out", PACK.with_name("bare.tar.zst")), None)):
        done = run(*args, "--bench", BENCH.folder, "--json", env=path)
        assert done.status == 3 and done.json["message"].endswith("install gnuplot-nox; without it there are no figures"), done
        assert not made or "</html>" in (out / made).read_text() and "<svg" not in (out / made).read_text(), made
        assert not (out / "gnuplot.log").exists()
    assert not list(PACK.parent.glob("bare*"))
    (empty / "gnuplot").write_text("#!/bin/sh\n")  # draws nothing, and says that it did
    (empty / "gnuplot").chmod(0o755)
    for made in ("report.html", "certificate.html", "compare.html"):
        (out / made).write_text("of before")
        done = run(made[:-5], *(("4", "4") if made == "compare.html" else ()), "--out", out, "--bench", BENCH.folder, "--json", env=path)
        assert done.status == 3 and "cannot be read or is no SVG" in done.json["message"], done
        assert "</html>" in (out / made).read_text() and "<svg" not in (out / made).read_text(), made


def it_is_verified_without_a_bench_folder():
    result = run("verify", PACK, "--json", cwd=HOME.name)
    assert result.status == 0, result
    assert result.json["equal"] is True and result.json["differs"] == [] and result.json["verdict"] == "equal"
    assert result.json["numbers"] > 1000
    text = run("verify", PACK, cwd=HOME.name)
    assert text.status == 0 and "Equal:" in text.out


def what_was_changed_is_named():
    files = unpacked()
    report = json.loads(dict(files)["report.json"])
    report["points"][2]["torque_Nm"] *= 1.001
    table = dict(files)["points.csv"].decode().splitlines()
    cells = table[2].split(",")
    cells[5] = str(1.001 * float(cells[5]))
    table[2] = ",".join(cells)
    changed = [(n, json.dumps(report).encode() if n == "report.json" else "\n".join(table).encode() + b"\n"
                if n == "points.csv" else b) for n, b in files]
    result = run("verify", packed(changed, "changed.tar.zst"), "--json")
    assert result.status == 1 and result.json["equal"] is False, result
    named = {d["name"]: d for d in result.json["differs"]}
    assert set(named) == {"points[2].torque_Nm", "points.csv line 3: torque (N m)"}, named
    d = named["points[2].torque_Nm"]
    assert abs(float(d["published"]) / float(d["recomputed"]) - 1.001) < 1e-9


def an_altered_verdict_is_named():
    """Better words for the claims, in a pack of this version and in one that says to be of another, whose wording is not compared."""
    files = unpacked()
    report = json.loads(dict(files)["report.json"])
    assert any(c["verdict"] != "confirmed" for c in report["claims"]), report["claims"]
    worse = [i for i, c in enumerate(report["claims"]) if c["verdict"] != "confirmed"]
    for i in worse:
        report["claims"][i]["verdict"] = "confirmed"
    for version in (None, "0.0.9"):
        changed = {n: json.dumps(report).encode() if n == "report.json" else b for n, b in files}
        if version:
            manifest = json.loads(changed["manifest.json"])
            manifest["program"] = version
            changed["manifest.json"] = json.dumps(manifest).encode()
        result = run("verify", packed(changed, "verdict.tar.zst"), "--json")
        assert result.status == 1, result
        assert {f"claims[{i}].verdict" for i in worse} <= {d["name"] for d in result.json["differs"]}, result.json["differs"]


def pages_and_records_are_compared_too():
    files = unpacked()
    for name, old, new in [("report.html", b"<h1>", b"<h1>Best "), ("profiles/rig.ini", b"[cell]", b"#\n[cell]"),
                           ("windows.csv", b"zero", b"load")]:
        assert old in dict(files)[name]
        changed = [(n, b.replace(old, new, 1) if n == name else b) for n, b in files]
        result = run("verify", packed(changed, "page.tar.zst"), "--json")
        assert result.status == 1 and name in result.json["differs"][0]["name"], (name, result)
    digits = [m.start() for m in re.finditer(rb"[0-9]", dict(files)["samples.csv"])]
    for at in random.Random(3).sample(digits, 5) + [digits[-1]]:
        rows = bytearray(dict(files)["samples.csv"])
        rows[at] = ord("9") if rows[at] < ord("9") else ord("1")
        line = 1 + rows.count(b"\n", 0, at)
        result = run("verify", packed([(n, bytes(rows) if n == "samples.csv" else b) for n, b in files], "rows.tar.zst"), "--json")
        assert result.status == 1 and [d["name"] for d in result.json["differs"]] == [f"samples.csv line {line}"], (at, result)
    rows = dict(files)["samples.csv"]
    for other in (rows[:-20], rows + rows.splitlines(True)[-1], rows.replace(b"window", b"wind", 1)):
        result = run("verify", packed([(n, other if n == "samples.csv" else b) for n, b in files], "rows.tar.zst"), "--json")
        assert result.status == 1 and len(result.json["differs"]) == 1 and "samples.csv line" in result.json["differs"][0]["name"], result
    twice = dict(files)["report.json"].replace(b"{", b'{"safe": true, "result": "better", ', 1)
    result = run("verify", packed([(n, twice if n == "report.json" else b) for n, b in files], "twice.tar.zst"), "--json")
    assert result.status == 1 and [d["name"] for d in result.json["differs"]] == ["report.json"], result
    ends, short = rows.count(b"\n"), b"".join(rows.splitlines(True)[:-1])
    result = run("verify", packed([(n, short if n == "samples.csv" else b) for n, b in files], "rows.tar.zst"), "--json")
    assert [(d["name"], d["published"]) for d in result.json["differs"]] == [(f"samples.csv line {ends}", "nothing more")], result
    for name in ("samples.csv", "points.csv", "windows.csv", "report.html", "report.json", "profiles/rig.ini", "README.txt"):
        result = run("verify", packed([(n, b + b"\0more" if n == name else b) for n, b in files], "hidden.tar.zst"), "--json")
        assert result.status == 1 and name in [d["name"] for d in result.json["differs"]], (name, result)
    for gone in ("samples.csv", "curves.svg", "README.txt"):
        result = run("verify", packed([(n, b) for n, b in files if n != gone], "gone.tar.zst"), "--json")
        assert result.status == 1 and [d["name"] for d in result.json["differs"]] == [gone], (gone, result)
    for more in ("more.html", "records/calibration-99.json", "more.svg", "more.png", "more.pdf"):
        result = run("verify", packed([*files, (more, b"<p>95 %</p>")], "more.tar.zst"), "--json")
        assert result.status == 1 and [d["name"] for d in result.json["differs"]] == [more], (more, result)
    lost = [(n, b) for n, b in files if n != "points.csv"]
    result = run("verify", packed(lost, "lost.tar.zst"), "--json")
    assert result.status == 1 and result.json["differs"][0]["name"] == "points.csv", result


def samples_that_were_changed_do_not_pass():
    files = unpacked()
    rows = PACK.with_name("rows.sqlite")
    rows.write_bytes(dict(files)["run.sqlite"])
    import sqlite3
    db = sqlite3.connect(rows)
    (trigger,), = db.execute("SELECT sql FROM sqlite_schema WHERE name = 'sample_no_update'")
    db.executescript(f"DROP TRIGGER sample_no_update; UPDATE sample SET current_A = current_A * 0.9 WHERE step = 1; {trigger}")
    db.close()
    result = run("verify", packed([(n, rows.read_bytes() if n == "run.sqlite" else b) for n, b in files], "rows.tar.zst"),
                 "--json")
    assert result.status == 2 and "altered" in result.json["message"], result


def what_is_no_pack_is_refused():
    raw = PACK.read_bytes()
    damaged = PACK.with_name("damaged.tar.zst")
    for data in (raw[:len(raw) // 2], raw[:1000] + b"xx" + raw[1002:], b"", b"hello"):
        damaged.write_bytes(data)
        result = run("verify", damaged, "--json")
        assert result.status == 2 and len(result.json["message"].split()) < 40, result
    assert run("verify", "nowhere.tar.zst").status == 2
    files = dict(unpacked())
    files["manifest.json"] = files["manifest.json"].replace(b'"version": 1', b'"version": 7')
    other = run("verify", packed(files, "other.tar.zst"))
    assert other.status == 2 and "version 7" in other.err and "version 1" in other.err, other


def a_run_that_is_not_there_makes_no_file():
    target = PACK.with_name("none.tar.zst")
    for args in (["pack", "99"], ["pack", "x"], ["pack", "1"]):
        result = BENCH.run(*args, "--out", target)
        assert result.status == 2 and not list(target.parent.glob("none*")), result
    assert BENCH.run("pack", "--out", target.parent / "nowhere" / "x.tar.zst").status == 3


if __name__ == "__main__":
    harness.main(a_run_is_packed_twice_alike, the_page_goes_in_as_a_pdf,
                 the_path_of_the_pdf_is_told, without_chromium_all_but_the_pdf_is_there, what_ends_it_takes_the_browser_and_its_folder_along, without_gnuplot_no_page_of_another_run_stays,
                 it_is_verified_without_a_bench_folder, what_was_changed_is_named, an_altered_verdict_is_named,
                 pages_and_records_are_compared_too, samples_that_were_changed_do_not_pass, what_is_no_pack_is_refused,
                 a_run_that_is_not_there_makes_no_file)
