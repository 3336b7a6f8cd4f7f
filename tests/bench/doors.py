#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Every door by which somebody else's bytes, names or hands come in: sockets, files that are made, names that reach other
programs, logbooks and tables from others. A stranger is refused in a sentence, and nothing runs, follows a link or eats the memory."""
import html.parser
import os
import pathlib
import re
import resource
import shutil
import socket
import sqlite3
import stat
import subprocess
import tempfile
import time

import harness
import pack  # its archives by a stranger

ROOM = tempfile.TemporaryDirectory(prefix="bridle-doors-")
HOME = pathlib.Path(ROOM.name)
READINGS = "tight (kg),slack (kg),speed (rpm),voltage (V),current (A)\n9.1,0.8,1320,110,10\n8.0,0.7,1350,110,9\n6.1,0.6,1380,110,7\n"


def one_sentence(result, *words, status=(1, 2, 3)):
    """Refused: a message of one line or two that says what and where."""
    assert result.status in status, result
    assert all(word in result.err for word in words), result
    assert 10 < len(result.err) < 900 and "Sanitizer" not in result.err, result


# Sockets (C6)

def free_port():
    with socket.create_server(("127.0.0.1", 0)) as s:
        return s.getsockname()[1]


def over_tcp(host):
    port = free_port()
    return port, lambda folder: (folder / "rig.ini").write_text(
        (folder / "rig.ini").read_text().replace("link = unix:run/tether.sock", f"link = tcp:{host}:{port}"))


def connected(address, bench):
    def attempt():
        try:
            return socket.create_connection(address, 5)
        except OSError:
            assert bench.process.poll() is None, bench.bench_log()
            return None
    return harness.wait_for(attempt, 20, f"the bench at {address}")


def a_line_that_others_reach_is_told():
    for host, warned in (("127.0.0.1", False), ("0.0.0.0", True)):
        port, edit = over_tcp(host)
        with harness.Bench(3, edit=edit) as bench:
            connected(("127.0.0.1", port), bench).close()
            harness.wait_for(lambda: "ready" in bench.bench_log(), 20, "the bench's word")
            assert ("other machines can reach this line" in bench.bench_log()) == warned, bench.bench_log()


def no_host_in_an_address_is_refused():
    """An address without its host must not mean every interface."""
    for link in ("tcp::7000", "tcp:7000", "tcp:[]:7000"):
        with harness.Bench(3, edit=lambda folder, link=link: (folder / "rig.ini").write_text(
                (folder / "rig.ini").read_text().replace("unix:run/tether.sock", link))) as bench:
            assert bench.process.wait(20) in (2, 3), bench.bench_log()


def a_stranger_at_the_line_changes_nothing():
    """Noise at the tether and more hosts than one: the one who is there goes on."""
    port, edit = over_tcp("127.0.0.1")
    with harness.Bench(3, edit=edit) as bench:
        first = connected(("127.0.0.1", port), bench)
        first.sendall(b"\n?1 hello 1 =512D\n")
        first.settimeout(10)
        heard = b""
        while b"!1 ok 1 " not in heard:
            heard += first.recv(4096)
        for _ in range(20):
            with socket.create_connection(("127.0.0.1", port), 5) as stranger:
                try:
                    stranger.sendall(os.urandom(20000))
                except OSError:
                    pass
        first.sendall(b"\n?1 hello 1 =512D\n")
        heard = b""
        while b"!1 ok 1 " not in heard:
            heard += first.recv(4096)


def a_host_that_does_not_read_keeps_nobody_from_ending_the_bench():
    with harness.Bench(3) as bench:
        path = bench.folder / "run" / "control.sock"
        harness.wait_for(path.exists, 20, "the control line")
        with socket.socket(socket.AF_UNIX) as line:
            line.connect(str(path))
            line.setblocking(False)
            end = time.monotonic() + 1.5
            while time.monotonic() < end:
                try:
                    line.send(b"?0 hello 1 =BA0E\n" * 200)
                except BlockingIOError:
                    time.sleep(0.01)
                except OSError:
                    break
            bench.process.terminate()
            assert bench.process.wait(12) == 0, bench.bench_log()


# Files that are made (C7)

def mode(path):
    return stat.S_IMODE(os.lstat(path).st_mode)


def nothing_that_is_made_is_others_to_read():
    with harness.Bench(3) as bench:
        bench.must("hang", "--hands")
        bench.must("certificate")
        bench.must("log", "export", "last", "--out", bench.folder / "samples.csv")
        made = [p for p in bench.folder.rglob("*") if p.name in ("logbook", "truth.json", "truth.csv", "bench.lock", "samples.csv", "run",
                                                                 "certificate.html", "control.sock", "tether.sock")]
        assert len(made) == 9, made
        open_to_others = [f"{p} {mode(p):o}" for p in made if mode(p) & 0o007 or (p.is_file() and mode(p) & 0o110)]
        assert not open_to_others, open_to_others


def nothing_is_written_through_a_link():
    victim = HOME / "victim"
    victim.write_text("mine")
    for name in ("truth.json", "truth.csv", "bench.lock"):
        def edit(folder, name=name):
            (folder / "run").mkdir()
            (folder / "run" / name).symlink_to(victim)
        with harness.Bench(3, edit=edit) as bench:
            assert bench.process.wait(20) == 3, (name, bench.bench_log())
            assert name in bench.bench_log()
    with harness.Bench(3) as bench:
        (bench.folder / "logbook").symlink_to(HOME / "elsewhere")
        one_sentence(bench.run("probe", "--seconds", "1"), "logbook", "a link")
        assert not (HOME / "elsewhere").exists()
        (bench.folder / "logbook").unlink()
        bench.must("probe", "--seconds", "1")
        (bench.folder / "out.csv").symlink_to(victim)
        one_sentence(bench.run("log", "export", "last", "--out", bench.folder / "out.csv"), "out.csv", "a link")
    assert victim.read_text() == "mine"


# Names that reach other programs

HOSTILE = ("x'; system('touch PWNED') `touch PWNED` %s%n \\0", "$(touch PWNED) <script>alert(1)</script> \" | touch PWNED",
           "'); DROP TABLE run; -- <img src=x onerror=alert(1)>")


# As the name of a pack, which comparisons show: each line end would begin a command of gnuplot.
ARCHIVE = "p'\nsystem 'touch PWNED'\n#`touch PWNED`.tar.zst"
SWEPT = {}  # of names_run_nothing: its folder, the numbers of two sweeps


class Tags(html.parser.HTMLParser):
    def __init__(self, text):
        super().__init__()
        self.found, self.handlers = [], []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.found.append(tag)
        self.handlers += [name for name, value in attrs if name == "onerror"]


def names_run_nothing():
    """Names of rig, cell, weights and of the folder itself, on the way into a page, a figure's script and a logbook."""
    with harness.Bench(3) as bench:
        bench.stop()
        for file, old, name in (("rig.ini", "name = Heron Lock bench", HOSTILE[0]),
                                ("rig.ini", "name = bending beam on the brake's cradle, 24 bits", HOSTILE[1]),
                                ("actuators/paddle-winder.ini", "name = paddle winder", HOSTILE[2])):
            bench.replace(file, old, f"name = {name}")
        folder = HOME / "it's \"$(touch PWNED)\" `touch PWNED` <b>"
        shutil.copytree(bench.folder, folder, ignore=shutil.ignore_patterns("*.sock", "run"))
        bench.folder = folder
        bench.start()
        checked = bench.run("check")
        assert checked.status == 0, checked
        bench.must("hang", "--hands", cwd=folder)
        page = pathlib.Path(bench.must("certificate", cwd=folder)["page"])
        (folder / "readings.csv").write_text(READINGS)
        reduced = harness.run("reduce", "readings.csv", "--drum-diameter", "0.6 m", "--out", "r'`touch PWNED`$(touch PWNED)", cwd=folder)
        assert reduced.status == 0, reduced
        bench.must("map", "--actuator", "paddle-winder", "--currents", "5")
        first, second = (bench.must("sweep", "gentle", "--forced", "a test")["run_id"] for _ in range(2))
        bench.must("pack", second, "--out", folder / ARCHIVE, cwd=folder)
        compared = bench.must("compare", first, folder / ARCHIVE, "--out", folder / "compared", cwd=folder)
        assert all(run["label"].isprintable() for run in compared["runs"]), compared["runs"]
        bench.must("report", first, cwd=folder)
        bench.must("log", "history", "--out", folder / "history", cwd=folder)
        for place in ("compared", f"reports/{first}", "history"):
            assert len(list((folder / place).glob("*.svg"))) > 0, place
        SWEPT.update(folder=folder, first=first, second=second)
        pages = [page, *folder.glob("r'*/*.html"), *folder.glob("reports/*/report.html"), *folder.glob("history/*.html")]
        assert len(pages) == 4, pages
        for one in pages:
            text = one.read_text()
            tags = Tags(text)
            assert "alert(1)</script>" not in text and not tags.handlers, one
        assert "touch PWNED" in page.read_text(), "the name stands on the page, as text"
        db = sqlite3.connect(f"file:{folder.as_posix().replace('?', '%3f').replace('%', '%25')}/logbook?mode=ro", uri=True)
        assert HOSTILE[0] in db.execute("SELECT rig_text FROM run").fetchone()[0]
        db.close()
        assert not [p for p in (*HOME.rglob("PWNED"), pathlib.Path("PWNED")) if p.exists()]


def what_is_drawn_and_packed_goes_through_no_link():
    """C7: gnuplot opens its drawings itself. One file of each kind is a link to somebody's file."""
    folder, victim = SWEPT["folder"], HOME / "victim"
    victim.write_text("mine")
    jobs = {"report": ("report", SWEPT["first"]), "compare": ("compare", SWEPT["first"], SWEPT["second"]), "history": ("log", "history"),
            "certificate": ("certificate",)}
    for job, words in jobs.items():
        plain = HOME / f"plain-{job}"
        done = harness.run(*words, "--out", plain, "--bench", folder)
        assert done.status == 0, done
        open_to_others = [f"{p} {mode(p):o}" for p in (plain, *plain.iterdir()) if mode(p) & 0o007 or (p.is_file() and mode(p) & 0o110)]
        assert not open_to_others, open_to_others
        kinds = {p.suffix: p.name for p in sorted(plain.iterdir())}
        assert ".svg" in kinds or job == "certificate", (job, kinds)
        for name in kinds.values():
            linked = HOME / f"{job} {name}"
            linked.mkdir()
            (linked / name).symlink_to(victim)
            refused = harness.run(*words, "--out", linked, "--bench", folder)
            assert victim.read_bytes() == b"mine", f"{job} wrote through {name}"
            if (linked / name).is_symlink():  # else it was taken away and a file of its own made
                one_sentence(refused, name, "a link", status=(3,))
    archive = HOME / "linked.tar.zst"
    archive.symlink_to(victim)
    done = harness.run("pack", SWEPT["second"], "--out", archive, "--bench", folder)
    assert victim.read_bytes() == b"mine" and (done.status == 3 or not archive.is_symlink() and not mode(archive) & 0o117), done


def rows(data, name, *statements, refusals=True):
    """run.sqlite of a pack as somebody else left it; refusals: its triggers put back."""
    path = HOME / name
    path.write_bytes(data)
    db = sqlite3.connect(path)
    triggers = db.execute("SELECT name, sql FROM sqlite_schema WHERE type = 'trigger'").fetchall()
    for statement in (*[f"DROP TRIGGER {one}" for one, _ in triggers], *statements, *[sql for _, sql in triggers if refusals]):
        db.execute(statement)
    db.commit()
    db.close()
    return path.read_bytes()


def a_pack_of_a_stranger_runs_nothing_and_eats_no_memory():
    """C8, in an archive whose digests all fit: a schema of somebody else, values of any size, JSON without end."""
    if not shutil.which("zstd"):
        raise harness.Skipped("no zstd")
    folder = SWEPT["folder"]
    files = dict(pack.unpacked(folder / ARCHIVE))
    whole = pack.packed(list(files.items()), "whole.tar.zst")
    assert harness.run("verify", whole).status == 0 and harness.run("compare", SWEPT["first"], whole, "--bench", folder).status == 0
    schemas = {
        "view": ("ALTER TABLE point RENAME TO kept", f"CREATE VIEW point AS SELECT *, ({ENDLESS}) AS endless FROM kept"),
        "trigger": ("CREATE TRIGGER t AFTER INSERT ON run BEGIN INSERT INTO record SELECT * FROM record; END",),
    }
    values = {
        "huge": ("UPDATE run SET rig_text = CAST(zeroblob(70000000) AS TEXT)",),
        "deep": ("UPDATE record SET json = replace(hex(zeroblob(1000000)), '00', '[') WHERE kind = 'calibration'",),
        "round": ("PRAGMA foreign_keys = OFF", "UPDATE run SET resumes_run_id = id"),
    }
    for name, statements in {**schemas, **values}.items():
        other = rows(files["run.sqlite"], f"{name}.sqlite", *statements, refusals=name in values)
        forged = pack.packed(list({**files, "run.sqlite": other}.items()), f"{name}.tar.zst")
        for words in (("verify", forged), ("compare", SWEPT["first"], forged, "--bench", folder)):
            refused = harness.run(*words, timeout=60, **LIMITS)
            if name == "round":  # a run that continues itself: it ends, and verify tells it
                assert refused.status in ((1,) if words[0] == "verify" else (0, 2)) and len(refused.err) < 900, refused
            else:
                one_sentence(refused, *(["that this program did not make"] if name in schemas else []), status=(2, 3))
        forged.unlink()
    deep = pack.packed([(n, b"[" * 2_000_000 if n == "report.json" else b) for n, b in files.items()], "nested.tar.zst")
    said = harness.run("verify", deep, "--json", timeout=60, **LIMITS)
    assert said.status == 1 and said.json["differs"][0]["name"] == "report.json", said
    for name in ("../points.csv", "/tmp/points.csv", ".hidden", "figures/../../points.svg"):
        said = harness.run("verify", pack.packed([*files.items(), (name, b"x")], "names.tar.zst"), timeout=60)
        one_sentence(said, "names a file that no pack holds", status=(2,))


# Logbooks and tables from others

LIMITS = {"preexec_fn": lambda: resource.setrlimit(resource.RLIMIT_AS, (3 << 30, 3 << 30))}
if os.environ.get("SANITIZED", "none") != "none":
    LIMITS = {}  # a sanitizer reserves terabytes of addresses


def logbook(name, *statements, refusals=True):
    """A logbook as the program makes it, then as somebody else left it; refusals=False: its triggers taken off and put back."""
    folder = HOME / name
    folder.mkdir()
    (folder / "rig.ini").touch()
    subprocess.run([os.environ["MAKE_LOGBOOK"], folder / "logbook"], check=True, capture_output=True)
    db = sqlite3.connect(folder / "logbook")
    triggers = [] if refusals else db.execute("SELECT name, sql FROM sqlite_schema WHERE type = 'trigger'").fetchall()
    for statement in (*[f"DROP TRIGGER {one}" for one, _ in triggers], *statements, *[sql for _, sql in triggers]):
        db.execute(statement)
    db.commit()
    db.close()
    return folder


ENDLESS = "WITH RECURSIVE c(x) AS (SELECT 1 UNION ALL SELECT x + 1 FROM c) SELECT count(*) FROM c"
COMMANDS = (("log", "list"), ("log", "show", "last"), ("log", "verify"), ("log", "check"), ("report",), ("pack",), ("certificate",))


def a_schema_of_somebody_else_is_not_read():
    """C8: a view where a table was, without end; a trigger that fires for whoever writes; a table that computes."""
    cases = {
        "view": ("ALTER TABLE run RENAME TO kept", f"CREATE VIEW run AS SELECT 1 AS id, 'sweep' AS kind, ({ENDLESS}) AS program"),
        "trigger": ("CREATE TRIGGER t AFTER INSERT ON run BEGIN INSERT INTO record SELECT * FROM record; END",),
        "table": ("CREATE TABLE strange (x, y AS (zeroblob(1000000000)))",),
        "index": ("CREATE INDEX heavy ON event (hex(zeroblob(8)))",),
    }
    for kind, statements in cases.items():
        folder = logbook(kind, *statements)
        for command in COMMANDS:
            one_sentence(harness.run(*command, "--bench", folder, timeout=60, **LIMITS), "logbook", "that this program did not make")
        before = (folder / "logbook").read_bytes()
        harness.run("log", "note", "words", "--bench", folder, timeout=60)
        assert (folder / "logbook").read_bytes() == before, f"{kind}: written to"


def what_sqlite_adds_itself_is_read():
    folder = logbook("analyzed", "ANALYZE")
    assert harness.run("log", "list", "--bench", folder).status == 0
    assert harness.run("log", "verify", "--bench", folder).status == 0


def values_of_the_wrong_kind_and_of_any_size_are_refused():
    """Rows past the refusals of the schema: blobs of 70 MB, texts where numbers were, chains of runs that go round."""
    cases = {
        "huge": ("UPDATE run SET rig_text = CAST(zeroblob(70000000) AS TEXT)",),
        "huge-json": ("INSERT INTO record VALUES (99, NULL, 0, 'p', 'calibration', CAST(zeroblob(70000000) AS TEXT), x'00')",),
        "json-deep": ("INSERT INTO record VALUES (99, NULL, 0, 'p', 'calibration', "
                      "replace(hex(zeroblob(1000000)), '00', '['), x'00')",),
        "round": ("PRAGMA foreign_keys = OFF", "UPDATE run SET resumes_run_id = 2 WHERE id = 1", "UPDATE run SET resumes_run_id = 1 WHERE id = 2"),
        "last-sample": ("UPDATE sample SET key = (1 << 32) | 4294967295 WHERE key = (SELECT max(key) FROM sample WHERE key < (2 << 32))",),
        "far-time": ("UPDATE sample SET mono_ns = 9223372036854775807 WHERE key & 7 = 3", "UPDATE run SET mono_ns = -9223372036854775808"),
    }
    for name, statements in cases.items():
        folder = logbook(name, *statements, refusals=False)
        for command in COMMANDS:
            result = harness.run(*command, "--bench", folder, timeout=60, **LIMITS)
            assert result.status in (0, 1, 2, 3) and len(result.err) < 2000, (name, command, result)
        verified = harness.run("log", "verify", "--bench", folder, timeout=60, **LIMITS)
        one_sentence(verified, "logbook", *(["too big"] if name.startswith("huge") else []), status=(1, 3))
        shutil.rmtree(folder)


def a_table_that_eats_memory_is_refused():
    """Bytes are few, cells many: 36 million of them, which would be a gigabyte of places."""
    path = HOME / "cells.csv"
    path.write_bytes(b",".join(b"c%d" % i for i in range(256)) + b"\n" + (b"," * 255 + b"\n") * 140_000)
    one_sentence(harness.run("calc", "mean", path, timeout=60, **LIMITS), "cells.csv", "million cells", status=(2,))
    path.unlink()


def a_plan_of_a_million_steps_is_refused():
    with harness.Bench(3) as bench:
        plan = (bench.folder / "plans" / "gentle.ini").read_text()
        for torques, why in ((", ".join(f"{0.001 * i:.3f}" for i in range(20_000)) + " N.m", "a line of"),
                             ("from 0 to 1 step 0.000001 N.m", "too many steps")):
            (bench.folder / "plans" / "long.ini").write_text(re.sub(r"(?m)^torque *=.*", f"torque = {torques}", plan))
            started = time.monotonic()
            result = bench.run("ready", "long", "--hands", "--answers", "yes", timeout=60, **LIMITS)
            one_sentence(result, "long.ini", why, status=(2,))
            assert time.monotonic() - started < 30


# Another user

def nobody_needs_to_be_root():
    if os.geteuid() != 0:
        return  # every other test here was the proof
    with tempfile.TemporaryDirectory(prefix="bridle-user-") as place:
        program = pathlib.Path(place) / "bridle"
        shutil.copy(harness.BRIDLE, program)
        program.chmod(0o755)
        os.chmod(place, 0o777)
        as_user = {"user": 65534, "group": 65534, "extra_groups": [], "cwd": place, "stdin": subprocess.DEVNULL}
        env = {**os.environ, "HOME": place}
        made = subprocess.run([program, "new", "mine", "--virtual"], env=env, capture_output=True, text=True, **as_user)
        assert made.returncode == 0, made
        bench = subprocess.Popen([program, "bench", "--bench", "mine"], env=env, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, **as_user)
        try:
            harness.wait_for((pathlib.Path(place) / "mine/run/control.sock").exists, 20, "the user's bench")
            done = subprocess.run([program, "hang", "--hands", "--bench", "mine"], env=env, capture_output=True, text=True, timeout=120, **as_user)
            assert done.returncode == 0, done
        finally:
            bench.terminate()
            bench.wait(10)


harness.main(a_line_that_others_reach_is_told, no_host_in_an_address_is_refused, a_stranger_at_the_line_changes_nothing,
             a_host_that_does_not_read_keeps_nobody_from_ending_the_bench, nothing_that_is_made_is_others_to_read,
             nothing_is_written_through_a_link, names_run_nothing,
             what_is_drawn_and_packed_goes_through_no_link, a_pack_of_a_stranger_runs_nothing_and_eats_no_memory, a_schema_of_somebody_else_is_not_read, what_sqlite_adds_itself_is_read,
             values_of_the_wrong_kind_and_of_any_size_are_refused, a_table_that_eats_memory_is_refused,
             a_plan_of_a_million_steps_is_refused, nobody_needs_to_be_root)
