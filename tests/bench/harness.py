"""What the tests of the whole program share: a bench folder in a temporary place, the virtual bench
as a process, commands as a user types them, and TAP output."""
import csv
import json
import os
import pathlib
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
import traceback

ROOT = pathlib.Path(__file__).resolve().parents[2]
# A day's work begins with bridle ready: midnight must not fall into a test, so that for the programs it is noon now.
os.environ["TZ"] = f"NOON{time.gmtime().tm_hour - 12:+d}"
BRIDLE = os.environ.get("BRIDLE", str(ROOT / "build" / "rig" / "command" / "bridle"))
SANITIZER_SPOKE = 99  # tests/sanitize; no status of the program's
EXAMPLE = ROOT / "docs" / "examples" / "heron-lock"


class Skipped(Exception):
    """What a test needs is not on this machine; the words say what."""


class Result:
    def __init__(self, done):
        self.status, self.out, self.err = done.returncode, done.stdout, done.stderr

    @property
    def json(self):
        doc = json.loads(self.out, parse_constant=no_number)
        check_numbers(doc)
        return doc

    def __repr__(self):
        return f"status {self.status}\n--- out\n{self.out[-2000:]}\n--- err\n{self.err[-2000:]}"


def no_number(word):
    raise AssertionError(f"{word} in a JSON document")


def check_numbers(doc, at=""):
    """The shape of docs/json.md in a whole document: what has u has value and, where known, dof; or it is a part of a budget, with a
    name, and has no value."""
    if isinstance(doc, list):
        for i, item in enumerate(doc):
            check_numbers(item, f"{at}[{i}]")
    if not isinstance(doc, dict):
        return
    if "u" in doc:
        assert "value" in doc or {"source", "name"} & doc.keys(), f"{at}: u without value or source: {sorted(doc)}"
        for key in ("value", "u"):
            found = doc.get(key)
            assert found is None or isinstance(found, (int, float)) and not isinstance(found, bool), f"{at}.{key}: {found!r}"
        assert doc.get("dof") is None or doc["dof"] > 0, f"{at}.dof: {doc['dof']!r}"
        assert "value" not in doc or doc["u"] is None or doc["u"] >= 0, f"{at}.u: {doc['u']!r}"
    for key, item in doc.items():
        check_numbers(item, f"{at}.{key}")


def run(*args, timeout=300, env=None, **kwargs):
    """One command of the program, as typed; never raises on its status."""
    done = subprocess.run([BRIDLE, *map(str, args)], capture_output=True, text=True, timeout=timeout,
                          stdin=subprocess.DEVNULL, env={**os.environ, **(env or {})}, **kwargs)
    assert done.returncode != SANITIZER_SPOKE, done.stderr[-6000:]
    return Result(done)


class Bench:
    """A copy of the example's folder with a virtual bench that serves it."""

    def __init__(self, seed=1, options=(), example=EXAMPLE, edit=None):
        self.home = tempfile.TemporaryDirectory(prefix="bridle-")
        self.folder = pathlib.Path(self.home.name) / "bench"
        shutil.copytree(example, self.folder)
        if edit:
            edit(self.folder)
        self.seed, self.options, self.process = seed, list(options), None

    def __enter__(self):
        self.start()
        return self

    def start(self):
        self.log = open(self.folder / "bench.log", "ab")
        self.process = subprocess.Popen([BRIDLE, "bench", "--bench", str(self.folder), "--seed", str(self.seed), *self.options],
                                        stdin=subprocess.DEVNULL, stdout=self.log, stderr=self.log)

    def stop(self):
        if self.process and self.process.poll() is None:
            self.process.send_signal(signal.SIGTERM)
            try:
                self.process.wait(10)
            except subprocess.TimeoutExpired:
                self.process.kill()
                self.process.wait()
        self.log.close()
        assert not self.process or self.process.returncode != SANITIZER_SPOKE, (self.folder / "bench.log").read_text(errors="replace")[-6000:]

    def __exit__(self, *_):
        self.stop()
        self.home.cleanup()

    def run(self, *args, **kwargs):
        return run(*args, "--bench", self.folder, **kwargs)

    def must(self, *args, **kwargs):
        """A command that has to succeed; its JSON."""
        result = self.run(*args, "--json", **kwargs)
        assert result.status == 0, f"bridle {' '.join(map(str, args))}: {result!r}\n--- bench\n{self.bench_log()}"
        return result.json

    def popen(self, *args):
        return subprocess.Popen([BRIDLE, *map(str, args), "--bench", str(self.folder)], stdin=subprocess.DEVNULL,
                                stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)

    def bench_log(self):
        return (self.folder / "bench.log").read_text(errors="replace")[-2000:]

    def replace(self, file, old, new):
        path = self.folder / file
        text = path.read_text()
        assert old in text, f"{file} has no \"{old}\""
        path.write_text(text.replace(old, new))


def truth_rows(folder):
    """Rows of the virtual bench's truth in a bench folder, as text by column; none before it writes. The bench may be writing at this
    moment: what does not end with a line end is not a row."""
    path = pathlib.Path(folder) / "run" / "truth.csv"
    text = path.read_text(encoding="utf-8") if path.exists() else ""
    whole = text[:text.rfind("\n") + 1].splitlines()
    return list(csv.DictReader(line for line in whole if not line.startswith("#")))


def count_as_real(folder):
    """What the logbook has of the virtual bench counts as a real rig's, where a test makes one of its folder. (Digests do not fit any more.)"""
    with sqlite3.connect(folder / "logbook", isolation_level=None) as db:
        kept = db.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger' AND tbl_name = 'run'").fetchall()
        for name, _ in kept:
            db.execute(f"DROP TRIGGER {name}")
        db.execute("UPDATE run SET on_bench = 0")
        for _, sql in kept:
            db.execute(sql)
    db.close()


def wait_for(condition, seconds, what):
    """Wait in machine time for something that another process does."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        value = condition()
        if value:
            return value
        time.sleep(0.02)
    raise AssertionError(f"waited {seconds} s for {what}")


def main(*tests):
    """Run the functions as TAP. Only for the file that was started: an imported one's tests would run in place of its importer's."""
    caller = sys._getframe(1).f_globals["__name__"]
    if caller != "__main__":
        raise RuntimeError(f"{caller} runs its tests when it is imported; put harness.main under if __name__ == \"__main__\"")
    print(f"1..{len(tests)}", flush=True)
    failed = 0
    for number, test in enumerate(tests, 1):
        try:
            test()
            print(f"ok {number} - {test.__name__}", flush=True)
        except Skipped as missing:
            print(f"ok {number} - {test.__name__} # SKIP {missing}", flush=True)
        except Exception:
            failed += 1
            print(f"not ok {number} - {test.__name__}", flush=True)
            why = traceback.format_exc()
            print("".join(f"# {line}\n" for line in why.splitlines()), flush=True)
            print(why, file=sys.stderr, flush=True)  # the only one that the log of a whole run shows
    raise SystemExit(1 if failed else 0)
