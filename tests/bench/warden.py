#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""W6, W7, W8: a serial relay switches the contactor, and nothing at the relay ends when the program does: the warden opens it. Killed in
mid-load, the program leaves an open contactor and a sentence for the next command; a warden that is killed stops the run."""
import os
import pathlib
import re
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile

import harness
from prepared import Prepared

RELAY = "\n[instrument relay]\nkind = relay\nlink = unix:run/relay.sock\nroles = power\nclose = A0 01 01 A2\nopen = A0 01 00 A1\n"
WARDEN = "\n[warden]\nsilence = 0.1 s\n"
SEED = 5
RUN = 3  # after hang and map


def add(folder, text=RELAY + WARDEN):
    with open(folder / "rig.ini", "a", encoding="utf-8") as file:
        file.write(text)


PREPARED = Prepared(SEED, add)


def rows(folder):
    return harness.truth_rows(folder)


def ask(book, question, *values):
    try:
        return sqlite3.connect(f"file:{book}?mode=ro", uri=True, timeout=5).execute(question, values).fetchall()
    except sqlite3.OperationalError:
        return []


def children(pid):
    ret = []
    for stat in pathlib.Path("/proc").glob("[0-9]*/stat"):
        try:
            if stat.read_text().rsplit(")", 1)[1].split()[1] == str(pid):
                ret.append(int(stat.parent.name))
        except OSError:
            pass
    return ret


def sweep_until_loaded(bench):
    book = bench.folder / "logbook"
    sweep = bench.popen("sweep", "lock-sweep", "--forced", "the warden's test", "--json")
    harness.wait_for(lambda: len(ask(book, "SELECT 1 FROM point WHERE run_id = ?", RUN)) >= 6, 60, "points of the zero and of three steps")
    return sweep


def a_run_closes_and_opens_the_relay():
    points = []
    for _ in range(2):  # the same seed gives the same points: the warden is in lock-step with the bench
        with harness.Bench(SEED, example=PREPARED.get()) as bench:
            points.append(bench.must("sweep", "gentle", "--forced", "the relay")["points"])
            bench.stop()
            check_relay(bench)
    assert len(points[0]) > 3 and points[0] == points[1], points


def check_relay(bench):
    seen = rows(bench.folder)
    assert any(row["contactor"] == "1" for row in seen) and seen[-1]["contactor"] == "0", seen[-1]
    assert (bench.folder / "warden-account").stat().st_mode & 0o777 in (0o640, 0o600)


def killed_in_mid_load_the_contactor_opens():
    with harness.Bench(SEED, example=PREPARED.get()) as bench:
        sweep = sweep_until_loaded(bench)
        sweep.send_signal(signal.SIGKILL)
        sweep.wait()
        assert sweep.returncode == -signal.SIGKILL, "the sweep ended before it was killed"
        harness.wait_for(lambda: rows(bench.folder)[-1]["contactor"] == "0", 30, "the contactor to open")
        harness.wait_for(lambda: rows(bench.folder)[-1]["node"] == "safe", 30, "the node to go safe")
        seen = rows(bench.folder)
        closed = [i for i, row in enumerate(seen) if row["contactor"] == "1"][-1]
        assert seen[closed + 1]["node"] == "live", seen[closed + 1]  # before its lease ended, which has no part in it
        result = bench.run("sweep", "gentle", "--forced", "the next command", "--clear")
        assert result.status == 0 and "Since the last command: The warden stopped the rig" in " ".join(result.err.split()), result
        told = ask(bench.folder / "logbook", "SELECT text FROM event WHERE kind = 'warden'")
        assert len(told) == 1 and "Contactor commanded open." in told[0][0], told
        assert bench.run("sweep", "gentle", "--forced", "and the one after it").err.find("Since the last command") < 0
        assert bench.run("log", "verify").status == 0


def a_warden_that_is_killed_stops_the_run():
    with harness.Bench(SEED, example=PREPARED.get()) as bench:
        sweep = sweep_until_loaded(bench)
        mine = children(sweep.pid)
        assert len(mine) == 1, mine
        os.kill(mine[0], signal.SIGKILL)
        out, err = sweep.communicate(timeout=60)
        assert sweep.returncode == 1 and '"warden"' in out and "the warden has ended" in out, (sweep.returncode, out[-500:], err)
        bench.stop()
        seen = rows(bench.folder)
        assert seen[-1]["contactor"] == "0" and abs(float(seen[-1]["speed_rad_per_s"])) < 0.02, seen[-1]


def what_was_not_safe_asks_for_a_person():
    with harness.Bench(SEED, example=PREPARED.get()) as bench:
        (bench.folder / "warden-account").write_text("NOT SAFE: the warden could not open it.\n")
        refused = bench.run("sweep", "gentle", "--forced", "after it")
        assert refused.status == 1 and "not started: NOT SAFE" in refused.err and "--clear" in refused.err, refused
        looked = bench.run("probe", "--seconds", "1")
        assert "Since the last command: NOT SAFE: the warden could not open it." in looked.err, looked
        assert looked.status == 0, looked
        refused = bench.run("sweep", "gentle", "--forced", "after it")  # the probe has kept it, and has not answered it
        assert refused.status == 1 and "NOT SAFE" in refused.err, refused
        assert bench.run("sweep", "gentle", "--forced", "answered", "--clear").status == 0
        assert bench.run("sweep", "gentle", "--forced", "answered").status == 0


def what_cannot_be_is_refused():
    cases = ((RELAY, 2, "an output of a relay has no lease"),
             (RELAY.replace("A0 01 00 A1", "A0 01 01 A2") + WARDEN, 2, "is the same as close"),
             (RELAY.replace("A0 01 00 A1", "A0 1") + WARDEN, 2, "expected 1 to 48 bytes such as A0 01 01 A2"),
             (RELAY.replace("open = A0 01 00 A1\n", "") + WARDEN, 2, "open: found \"\", expected 1 to 48 bytes"),
             (RELAY.replace("power", "brake") + WARDEN, 2, "a relay cannot do that"),
             (RELAY + WARDEN.replace("0.1", "0.3"), 2, "silence"))
    for text, status, words in cases:
        with tempfile.TemporaryDirectory(prefix="bridle-") as home:
            folder = pathlib.Path(home) / "bench"
            shutil.copytree(harness.EXAMPLE, folder)
            add(folder, text)
            result = harness.run("probe", "--seconds", "1", "--bench", folder)
            assert result.status == status and words in result.err, (words, result)
            assert not (folder / "logbook").exists()


def slow_ticks_are_refused():
    with tempfile.TemporaryDirectory(prefix="bridle-") as home:
        folder = pathlib.Path(home) / "bench"
        shutil.copytree(harness.EXAMPLE, folder)
        add(folder)
        rig = folder / "rig.ini"
        rig.write_text(rig.read_text().replace("[tether]\n", "[tether]\nrate = 20 Hz\n"))
        result = harness.run("probe", "--seconds", "1", "--bench", folder)
        assert result.status == 2 and "expected at least five ticks" in result.err, result


def without_the_warden_nothing_starts():
    with harness.Bench(SEED, example=PREPARED.get()) as bench, tempfile.TemporaryDirectory(prefix="bridle-") as home:
        alone = pathlib.Path(home) / "bridle"
        shutil.copy(harness.BRIDLE, alone)
        done = subprocess.run([alone, "sweep", "gentle", "--forced", "no warden", "--bench", bench.folder], capture_output=True,
                              text=True, stdin=subprocess.DEVNULL, timeout=60)
        assert done.returncode == 3 and "/bridle-warden: it is not there" in done.stderr, done
        (bench.folder / "warden-account").unlink(missing_ok=True)
        (bench.folder / "warden-account").symlink_to(pathlib.Path(home) / "elsewhere")
        result = bench.run("sweep", "gentle", "--forced", "a link")
        assert result.status == 3 and "expected a plain file" in result.err, result
        assert not (pathlib.Path(home) / "elsewhere").exists()
        bench.stop()
        assert all(row["contactor"] == "0" for row in rows(bench.folder))


def by_hand_it_does_nothing():
    warden = pathlib.Path(harness.BRIDLE).with_name("bridle-warden")
    done = subprocess.run([warden], capture_output=True, text=True, stdin=subprocess.DEVNULL, timeout=10)
    assert done.returncode == 2 and "not run by hand" in done.stderr, done


def on_the_machine_s_clock_a_stopped_program_is_ended():
    """python3 tests/bench/warden.py real: a rig without [virtual], the bench at its other end in real time, the program stopped
    (SIGSTOP) under power. By hand, on a machine that is otherwise idle: the bench must keep up with the clock."""
    with harness.Bench(SEED, example=PREPARED.get()) as bench, tempfile.TemporaryDirectory(prefix="bridle-") as home:
        folder = pathlib.Path(home) / "real"
        shutil.copytree(PREPARED.get(), folder)
        text = re.sub(r"\[virtual\]\ncontrol = .*\n", "", (folder / "rig.ini").read_text())
        (folder / "rig.ini").write_text(text.replace("unix:run/", f"unix:{bench.folder}/run/"))
        truth = bench.folder / "run" / "truth.csv"
        harness.wait_for(lambda: truth.exists() and rows(bench.folder), 10, "the bench")
        sweep = subprocess.Popen([harness.BRIDLE, "sweep", "gentle", "--forced", "in real time", "--bench", folder],
                                 stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        harness.wait_for(lambda: sweep.poll() is not None or abs(float(rows(bench.folder)[-1]["speed_rad_per_s"])) > 1, 60, "a turn")
        sweep.send_signal(signal.SIGSTOP)
        harness.wait_for(lambda: rows(bench.folder)[-1]["node"] == "safe", 10, "the node to go safe")
        seen = rows(bench.folder)
        closed = [i for i, row in enumerate(seen) if row["contactor"] == "1"][-1]
        assert seen[closed + 1]["node"] == "live", seen[closed + 1]  # before its lease ended
        sweep.send_signal(signal.SIGCONT)
        _, err = sweep.communicate(timeout=60)
        assert sweep.returncode == 1 and "held up for" in err, err
        assert "no proof of life for 0.1" in (folder / "warden-account").read_text(), err


if __name__ == "__main__":
    if sys.argv[1:] == ["real"]:
        harness.main(on_the_machine_s_clock_a_stopped_program_is_ended)
    harness.main(a_run_closes_and_opens_the_relay, killed_in_mid_load_the_contactor_opens,
                 a_warden_that_is_killed_stops_the_run, what_was_not_safe_asks_for_a_person, what_cannot_be_is_refused,
                 slow_ticks_are_refused, without_the_warden_nothing_starts, by_hand_it_does_nothing)
