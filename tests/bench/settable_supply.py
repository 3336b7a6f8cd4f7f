#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""W10: a bench supply that the program sets: limits before the run, output on and off in it, errors by number and text, its current
limit told by its own latched status. It has no lease: killed in mid-load, the warden switches it off. A foreign client
speaks to the virtual supply as well."""
import pathlib
import shutil
import signal
import sqlite3
import tempfile

import harness
import warden
from prepared import Prepared

PSU = ("\n[instrument psu]\nkind = supply\nlink = unix:run/psu.sock\nroles = meter, power\n"
       "ask_limited = STAT:QUES:EVEN?\nask_limiting = STAT:QUES:COND?\n" + warden.WARDEN)


def add(folder, text=PSU):
    warden.add(folder, text)


PREPARED = Prepared(warden.SEED, add)


def a_sweep_switches_it_on_and_off():
    with harness.Bench(warden.SEED, example=PREPARED.get()) as bench:
        out = bench.must("sweep", "gentle", "--forced", "the supply")
        assert len(out["points"]) > 3 and all(point["limit"] == "none" for point in out["points"]), out["points"]
        bench.stop()
        seen = warden.rows(bench.folder)
        on = [row for row in seen if row["contactor"] == "1"]
        assert on and max(float(row["bus_V"]) for row in on) > 45 and seen[-1]["contactor"] == "0", seen[-1]
        assert bench.run("log", "verify").status == 0


def killed_in_mid_load_it_is_switched_off():
    with harness.Bench(warden.SEED, example=PREPARED.get()) as bench:
        sweep = warden.sweep_until_loaded(bench)
        sweep.send_signal(signal.SIGKILL)
        sweep.wait()
        harness.wait_for(lambda: warden.rows(bench.folder)[-1]["node"] == "safe", 30, "the node to go safe")
        seen = warden.rows(bench.folder)
        last_on = [i for i, row in enumerate(seen) if row["contactor"] == "1"][-1]
        assert seen[last_on + 1]["node"] == "live", seen[last_on + 1]  # before its lease ended
        result = bench.run("probe", "--seconds", "1")
        assert result.status == 0, result
        (text,), = sqlite3.connect(bench.folder / "logbook").execute("SELECT text FROM event WHERE kind = 'warden'").fetchall()
        assert "Drive commanded off." in text, text


def beside_a_contactor(prepared):
    """The role cut: welded contactor, deaf drive, and the cell stands still: the supply takes the drive's power, so that the shaft stops
    at once; the stop is not safe all the same, since the contactor was not seen open."""
    with harness.Bench(warden.SEED, example=prepared.get()) as bench:
        assert len(bench.must("sweep", "gentle", "--forced", "both")["points"]) > 3
        seen = warden.rows(bench.folder)
        assert max(float(row["bus_V"]) for row in seen if row["contactor"] == "1") > 45 and seen[-1]["contactor"] == "0", seen[-1]
    with harness.Bench(warden.SEED, options=["--at", "45 fault contactor-welded; 45.5 fault drive-deaf; 46 fault cell-frozen"],
                       example=prepared.get()) as bench:
        result = bench.run("sweep", "gentle", "--forced", "both", "--json")
        assert result.status == 3 and result.json["message"].startswith("NOT SAFE: the contactor was not seen open. KEEP AWAY"), result
        bench.stop()
        seen = warden.rows(bench.folder)
        before = [row for row in seen if float(row["t_s"]) < 46][-1]
        assert float(before["speed_rad_per_s"]) > 1 and float(before["bus_V"]) > 45, before
        after = [row for row in seen if float(row["t_s"]) > 47.5]
        assert after and all(row["contactor"] == "1" and float(row["bus_V"]) < 5 and abs(float(row["speed_rad_per_s"])) < 0.01 for row in after), after[0]


def it_is_a_second_means_beside_a_contactor():
    beside_a_contactor(Prepared(warden.SEED, lambda folder: add(folder, PSU.replace("meter, power", "meter, cut"))))


def its_own_status_tells_that_it_limits():
    """Its limit lies below what rig.ini would call full, so that volts and amperes alone would not say it."""
    def smaller(folder):
        rig = folder / "rig.ini"
        rig.write_text(rig.read_text().replace("current_limit = 12 A", "current_limit = 6 A"))
    with harness.Bench(3, example=PREPARED.get(), edit=smaller) as bench:
        result = bench.run("sweep", "lock-sweep", "--forced", "a small supply", "--json")
        limits = [point["limit"] for point in result.json["points"]]
        assert "supply-limited" in limits, (limits, result)
        told = sqlite3.connect(bench.folder / "logbook").execute(
            "SELECT count(*) FROM samples WHERE run_id = 3 AND lines & 8").fetchone()[0]
        assert told > 20, told


def what_it_answers_is_told_by_number_and_text():
    with harness.Bench(warden.SEED, options=["--at", "1 fault supply-refuses"], example=PREPARED.get()) as bench:
        result = bench.run("sweep", "gentle", "--forced", "it refuses", "--json")
        assert result.status != 0 and "supply psu: it answered error -222 (Data out of range) to OUTP ON" in result.json["message"], result
        bench.stop()
        assert all(row["contactor"] == "0" for row in warden.rows(bench.folder))


def words_that_it_does_not_know_start_nothing():
    for old, new, words in (("ask_limited", "set_voltage = VOLTS\nask_limited", "it answered error -113 (Undefined header)"),
                            ("ask_limited", "ask_error = ERR?\nask_limited", "no answer within 2 s")):
        with harness.Bench(warden.SEED, example=PREPARED.get()) as bench:
            bench.replace("rig.ini", old, new)
            result = bench.run("sweep", "gentle", "--forced", "words")
            assert result.status in (2, 3) and words in " ".join(result.err.split()), (words, result)
            assert "stopped" not in result.err, result
            bench.stop()
            assert all(row["contactor"] == "0" for row in warden.rows(bench.folder))


def what_cannot_be_is_refused():
    for change, words in ((("meter, power", "power"), "power without meter"),
                          (("meter, power", "cut"), "found cut without meter"),
                          (("meter, power", "meter, power, cut"), "found power and cut"),
                          (("ask_limited = STAT:QUES:EVEN?", "ask_limited = STAT:QUES:EVEN"), "that ends in ?"),
                          (("ask_limited", "set_output = OUTP ON\nask_limited"), "without blanks"),
                          (("ask_limited = STAT:QUES:EVEN?\n", ""), "needs ask_limited as well"),
                          (("[warden]\nsilence = 0.1 s", ""), "an output of a supply has no lease")):
        with tempfile.TemporaryDirectory(prefix="bridle-") as home:
            folder = pathlib.Path(home) / "bench"
            shutil.copytree(harness.EXAMPLE, folder)
            add(folder, PSU.replace(*change))
            result = harness.run("probe", "--seconds", "1", "--bench", folder)
            assert result.status == 2 and words in " ".join(result.err.split()), (words, result)


def a_foreign_client_sets_the_virtual_supply():
    """PyVISA with its own backend, a general-purpose library of the distribution, as a user of any SCPI supply would type it."""
    try:
        import pyvisa
        manager = pyvisa.ResourceManager("@py")
    except (ImportError, ValueError, OSError) as missing:
        raise harness.Skipped(f"python3-pyvisa and python3-pyvisa-py: {missing}") from None
    with harness.Bench(warden.SEED, edit=lambda folder: add(folder, PSU.replace("unix:run/psu.sock", "tcp:127.0.0.1:50251"))) as bench:
        harness.wait_for(lambda: "ready" in bench.bench_log(), 10, "the bench")
        psu = manager.open_resource("TCPIP::127.0.0.1::50251::SOCKET", read_termination="\n", write_termination="\n", timeout=3000)
        try:
            assert psu.query("*IDN?").count(",") == 3
            psu.write("VOLT 24.5")
            psu.write("CURR 3")
            assert float(psu.query("VOLT?")) == 24.5 and float(psu.query("CURR?")) == 3
            assert psu.query("OUTP?") == "0" and psu.query("SYST:ERR?").startswith("0,")
            psu.write("OUTP ON")
            assert psu.query("OUTP?") == "1"
            volts = psu.query_ascii_values("MEAS:VOLT?;CURR?", separator=";")
            assert len(volts) == 2 and volts[0] < 26, volts
            psu.write("VOLT 9999")
            assert psu.query("SYST:ERR?").startswith("-222,") and psu.query("SYST:ERR?").startswith("0,")
            assert float(psu.query("VOLT?")) == 24.5
            psu.write("OUTP OFF")
            assert psu.query("OUTP?") == "0"
        finally:
            psu.close()


if __name__ == "__main__":
    harness.main(a_sweep_switches_it_on_and_off, killed_in_mid_load_it_is_switched_off, it_is_a_second_means_beside_a_contactor, its_own_status_tells_that_it_limits,
                 what_it_answers_is_told_by_number_and_text, words_that_it_does_not_know_start_nothing, what_cannot_be_is_refused,
                 a_foreign_client_sets_the_virtual_supply)
