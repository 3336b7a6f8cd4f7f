#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""What cannot be a calibration is not used: kept as a record that no command takes, exit 1, and told what looks wrong."""
import json
import pathlib
import random
import re
import sqlite3
import tempfile

import harness

G, ARM = 9.8125, 0.5
LOADS_KG = [0, 0.512, 2.512, 4.512, 6.512, 8.512, 10.512, 11.512]
PER_NM = 116000.0


def table(count=lambda kg, series, way, i: 12000 + PER_NM * kg * G * ARM, unit="count", loads=LOADS_KG):
    text = f"series,mounting,direction,mass (kg),indication ({unit})\n"
    for series in (1, 2, 3):
        way = [(kg, "up") for kg in loads] + [(kg, "down") for kg in loads[-2::-1]]
        for i, (kg, word) in enumerate(way):
            text += f"{series},{1 if series < 3 else 2},{word},{kg},{count(kg, series, word, i)!r}\n"
    return text


def noisy(rng, kg, wrong=0.0):
    return 12000 + PER_NM * (kg + wrong) * G * ARM + rng.gauss(0, 300)


class Folder:
    """A bench folder without a rig: hang --from needs none."""

    def __enter__(self):
        self.bench = harness.Bench()
        return self

    def __exit__(self, *_):
        self.bench.home.cleanup()

    def hang(self, text, *options):
        (self.bench.folder / "r.csv").write_text(text)
        return self.bench.run("hang", "--from", self.bench.folder / "r.csv", *options)

    def kinds(self):
        book = self.bench.folder / "logbook"
        if not book.exists():
            return []
        return [kind for kind, in sqlite3.connect(book).execute("SELECT kind FROM record ORDER BY id")]


def refused(text, check, *words, edits=()):
    with Folder() as folder:
        for old, new in edits:
            folder.bench.replace("rig.ini", old, new)
        result = folder.hang(text, "--json")
        assert result.status == 1, result
        said = result.json
        assert said["cause"] == "not_usable" and said["usable"] is False and said["calibration_id"] is None, said
        assert check in [finding["check"] for finding in said["gate"]], said["gate"]
        for word in words:
            assert word in json.dumps(said["gate"], ensure_ascii=False), (word, said["gate"])
        assert folder.kinds() == ["unusable_calibration"], folder.kinds()
        plain = folder.hang(text)
        assert plain.status == 1 and "no command uses" in plain.err and "Next: bridle hang" in plain.err, plain
        # the reason, and nothing that looks like a result
        assert plain.out == "", plain.out
        assert [said[key] for key in ("class", "class_note", "evaluation", "readings")] == [None] * 4, said
        # nothing that needs a calibration finds one, and says why
        listed = folder.bench.run("log", "list").out
        assert "NOT USABLE" in listed, listed
        return said


def a_good_table_is_kept():
    rng = random.Random(1)
    with Folder() as folder:
        result = folder.hang(table(lambda kg, *_: noisy(rng, kg)), "--json")
        assert result.status == 0 and result.json["usable"] and result.json["gate"] == [], result
        assert folder.kinds() == ["calibration"]


def one_wrong_weight_is_named():
    rng = random.Random(2)
    said = refused(table(lambda kg, series, way, i: noisy(rng, kg, -1.0 if (series, i) == (2, 4) else 0)), "wrong_load")
    found = re.search(r"Series 2, rising, load .*\(6.512 kg\) looks wrong: its reading fits .*\((.*) kg\)", said["message"])
    assert found and abs(float(found[1]) - 5.512) < 0.005, said["message"]  # the noise is 0.5 g


def random_counts_are_no_calibration():
    rng = random.Random(3)
    refused(table(lambda *_: rng.uniform(-8e6, 8e6)), "sensitivity")


def noise_alone_is_no_calibration():
    rng = random.Random(4)
    refused(table(lambda *_: 12000 + rng.gauss(0, 500)), "sensitivity")


def counts_beyond_the_converter_are_refused():
    refused(table(lambda kg, *_: 1e12 * kg / 11.512), "range", "8388607")


def an_arm_in_the_wrong_unit_is_named():
    """All loads are ten times too light alike: the line is as straight as ever. Only the counts stated for the full scale tell."""
    rng = random.Random(8)
    counts = table(lambda kg, *_: noisy(rng, kg))
    stated = [("[cell]", "[cell]\nfull_scale_counts = 6960000")]  # 60 N·m of PER_NM
    with Folder() as folder:
        folder.bench.replace("rig.ini", *stated[0])
        assert folder.hang(counts, "--json").status == 0
    said = refused(counts, "agreement", "near 10", "[arm] length", edits=[*stated, ("length = 500", "length = 50")])
    assert [finding["check"] for finding in said["gate"]] == ["span", "agreement"], said["gate"]


def a_falling_indication_is_refused():
    rng = random.Random(5)
    refused(table(lambda kg, *_: -noisy(rng, kg)), "sign", "[cell] sign")


def a_negative_mass_is_a_mistake_of_the_table():
    with Folder() as folder:
        result = folder.hang(table(loads=[0, 2, 4, -6, 8, 10]), "--json")
        assert result.status == 2 and folder.kinds() == [], result
        assert "-6" in result.json["message"] + str(result.json["mistakes"]), result.json
        assert "a mass of 0 kg or more" in str(result.json["mistakes"]), result.json


def a_dry_run_says_the_same():
    rng = random.Random(6)
    with Folder() as folder:
        result = folder.hang(table(lambda *_: 12000 + rng.gauss(0, 500)), "--dry-run")
        assert result.status == 1 and "not usable" in result.err and "Not kept" in result.err and folder.kinds() == [], result


def an_older_calibration_goes_on_and_this_is_said():
    rng = random.Random(7)
    bad = table(lambda *_: 12000 + rng.gauss(0, 500))
    with harness.Bench(4) as bench:
        (bench.folder / "r.csv").write_text(bad)
        assert bench.run("hang", "--from", bench.folder / "r.csv").status == 1
        for args in (("map", "--actuator", "paddle-winder"), ("ready", "gentle", "--hands", "--answers", "yes"), ("sweep", "gentle")):
            said = bench.run(*args, "--json")
            assert said.status == 1 and said.json["cause"] == "not_calibrated", (args, said)
            assert "record 1 is not usable" in said.json["message"].lower(), said.json
        good = bench.must("hang", "--hands", "--series", "1")
        assert good["usable"] and good["calibration_id"] == 2
        assert bench.run("hang", "--from", bench.folder / "r.csv").status == 1
        mapped = bench.run("map", "--actuator", "paddle-winder", "--currents", "5")
        assert mapped.status == 0 and "is not usable" in " ".join(mapped.err.split()), mapped
        assert "calibration 2" in " ".join(mapped.out.split()), mapped


if __name__ == "__main__":
    harness.main(a_good_table_is_kept, one_wrong_weight_is_named, random_counts_are_no_calibration, noise_alone_is_no_calibration,
                 counts_beyond_the_converter_are_refused,
                 an_arm_in_the_wrong_unit_is_named, a_falling_indication_is_refused, a_negative_mass_is_a_mistake_of_the_table,
                 a_dry_run_says_the_same, an_older_calibration_goes_on_and_this_is_said)
