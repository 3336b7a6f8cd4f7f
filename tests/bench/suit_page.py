#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""The page of `bridle suit --out DIR`: its numbers are those of the JSON and of the duty by hand, names do no harm, the word virtual bench is on it,
and no page of another answer stays."""
import html.parser
import json
import math
import os
import pathlib
import tempfile

import harness

HOME = pathlib.Path(tempfile.mkdtemp(prefix="bridle-suit-"))
THIRD = 3**-0.5  # limits are rectangular (JCGM 100:2008, 4.3.7)


class Page(html.parser.HTMLParser):
    """Its words outside of style and SVG, and its tables: [{label: text}]; ids of each section's rows."""

    def __init__(self, path):
        super().__init__()
        self.words, self.rows, self.tags, self.cell, self.skip, self.name, self.under = "", [], [], None, 0, False, ""
        self.source = path.read_text(encoding="utf-8")
        self.feed(self.source)

    def handle_starttag(self, tag, attributes):
        self.tags.append(tag)
        self.skip += tag in ("style", "svg")
        self.name = tag in ("h1", "h2")
        if self.name:
            self.under = ""
        if tag == "tr":
            self.rows.append((self.under, {}))
        if tag == "td":
            self.cell = dict(attributes).get("data-label", "")
            self.rows[-1][1][self.cell] = ""

    def handle_endtag(self, tag):
        self.skip -= tag in ("style", "svg")
        self.name = self.name and tag not in ("h1", "h2")
        if tag == "td":
            self.cell = None

    def handle_data(self, data):
        if self.skip:
            return
        data = data.replace("\u00a0", " ").replace("\u2212", "-")
        self.words += data
        if self.name:
            self.under += data
        if self.cell is not None:
            self.rows[-1][1][self.cell] += data

    def table(self, heading):
        return [row for under, row in self.rows if under == heading and row]


def wrote(name, text):
    (HOME / name).write_text(text, encoding="utf-8")
    return name


def suit(*words, status=0, env=None):
    done = harness.run("suit", *words, "--json", cwd=HOME, env=env)
    assert done.status == status, done
    return done.json


def near(text, value):
    """As rounded on the page: half a digit of its last place."""
    digits = len(text.partition("e")[0].partition(".")[2])
    assert abs(float(text) - value) <= 0.5000001 * 10**-digits * (1 if abs(value) < 1e4 else 10), (text, value)


DUTY = wrote("duty.csv", "time (s),speed (rpm),torque (N.m)\n" + "".join(f"{k / 4},{(20, 0, -20, 0)[k % 4]},{(8, 0, -6, 0)[k % 4]}\n" for k in range(4 * 9 + 1)))
CURVE = wrote("curve.csv", "speed (rpm),torque (N.m),u torque (N.m)\n10,14,0.2\n40,10,0.2\n100,0,0.2\n")
WORDS = ("--from", DUTY, "--curve", CURVE, "--efficiency", "0.5 ± 0.02", "--voltage", "24 V ± 1 V", "--supply-current", "1.3 A ± 0.1 A",
         "--play", "4 arcmin ± 0.5 arcmin", "--stiffness", "5 N.m/arcmin ± 0.3 N.m/arcmin", "--reach", "0.5 m ± 0.02 m", "--tip", "0.62 mm")


def the_numbers_are_those_of_the_document_and_by_hand():
    """RMS of 8, 0, -6, 0 N.m: 5 N.m; 8 N.m at 20 rpm are 16.755 W, with 50 % 33.51 W, at 24 V 1.396 A; between 14 N.m at 10 and 10 at 40 rpm
    stand 12.67 N.m. Tip error 500 (2 + 8/5)/3437.75 = 0.5236 mm, its u by its three sources (JCGM 100:2008, 5.1)."""
    doc = suit(*WORDS, "--out", "out")
    assert doc["page"] == "out/suit.html", doc["page"]
    assert (HOME / doc["page"]).stat().st_mode & 0o777 == 0o640 & ~current_umask()
    page = Page(HOME / doc["page"])
    rows = page.table("Requirements")
    assert len(rows) == len(doc["verdicts"]) == 4, rows
    for row, v in zip(rows, doc["verdicts"]):
        assert (row["requirement"], row["verdict"], row["rests on"]) == (v["requirement"], v["verdict"], v["rests_on"]), row
        near(row["needed"], v["needed"])
        near(row["available"], v["available"])
        near(row["probability"], v["probability"])
        margin, _, U = row["margin"].partition(" ± ")
        near(margin, v["margin"]["value"])
        assert bool(U) == (v["margin"]["u"] > 0), row
        if U:
            near(U, 1.96 * v["margin"]["u"])
    numbers = {row["quantity"]: row["value"].partition(" ± ") for row in page.table("Numbers of the cycle")}
    power, tip = 2 * 8 * 20 * math.pi / 30, 500 * (2 + 8 / 5) / 3437.746770784939
    for quantity, value in (("RMS torque", 5), ("Peak torque", 8), ("Peak speed", 20), ("Cycle", 9), ("Peak power of the supply", power),
                            ("Peak current of the supply", power / 24), ("Tip error", tip)):
        near(numbers[quantity][0], value)
    near(numbers["Peak power of the supply"][2], 1.96 * THIRD * 0.02 / 0.5 * power)
    parts = {"play": 500 / 3437.746770784939 * 0.25, "stiffness": 500 / 3437.746770784939 * 8 / 5 * 0.3 / 5, "reach": tip * 0.02 / 0.5}
    whole = sum(u**2 for u in parts.values())
    near(numbers["Tip error"][2], 1.96 * THIRD * whole**0.5)
    shares = {}
    of = ""
    for row in page.table("Where the uncertainty comes from"):
        of = row["requirement"] or of
        shares.setdefault(of, {})[row["source"]] = (row["u"], float(row["share of the variance"].removesuffix(" %")))
    assert list(shares) == ["torque at its speed", "supply current", "tip error"] and shares["tip error"].keys() == parts.keys(), shares
    for source, u in parts.items():
        near(shares["tip error"][source][0], THIRD * u)
        assert abs(shares["tip error"][source][1] - 100 * u**2 / whole) <= 0.51, shares
    assert all(abs(sum(share for _, share in one.values()) - 100) <= 1.5 for one in shares.values()), shares
    assert shares["supply current"].keys() == {"current that the supply gives", "voltage", "efficiency"}, shares
    for sentence in doc["assumed"]:
        assert sentence in page.words, sentence
    assert "Undecided at 95 %: supply current." in page.words, page.words[:600]
    for one in doc["would_do"]:
        assert f"{one['what']} {one['value']:.3g}" in page.words, one
    bands = page.table("Cycle and curve")  # 6 and 8 N.m come at 20 rpm, and 0 at rest, below the slowest point
    assert [(row["speed, rpm"], row["most of the cycle, N·m"], row["cycle"]) for row in bands] == [
        ("below 10", "0", "inside"), ("10 to 40", "8", "inside"), ("40 to 100", "–", "never there")], bands
    assert "svg" in page.tags and "script" not in page.tags and "page ' counter(page) ' of '" in page.source
    said = harness.run("suit", *WORDS, "--out", "out", cwd=HOME)
    assert said.status == 0 and "Page: out/suit.html" in said.out, said


def current_umask():
    mask = os.umask(0o22)
    os.umask(mask)
    return mask


def several_have_a_table_and_a_part_each():
    weak = wrote("weak.csv", "speed (rpm),torque (N.m)\n0,7\n40,5\n")
    both = wrote("both.ini", f"[<b>strong</b> & co]\ncurve = {CURVE}\nratio = 10\n[weak]\ncurve = {weak}\n")
    doc = suit("--from", DUTY, "--actuators", both, "--out", "several")
    page = Page(HOME / doc["page"])
    assert doc["carry"] == ["<b>strong</b> & co"] and "b" not in page.tags
    assert "1 of 2 actuators carries the duty, each requirement confirmed at 95 %: <b>strong</b> & co." in page.words, page.words[:600]
    for row, one in zip(page.table("What decides"), doc["actuators"], strict=True):
        worst = next(v for v in one["verdicts"] if v["requirement"] == one["decides"])
        assert (row["actuator"], row["what decides"], row["verdict"]) == (one["name"], one["decides"], worst["verdict"]), row
        near(row["needed"], worst["needed"])
        near(row["margin"].partition(" ± ")[0], worst["margin"]["value"])
        assert len(page.table(f"{one['name']}: requirements")) == len(one["verdicts"])
    assert page.table("weak: cycle and curve")[0]["cycle"] == "outside"
    assert (HOME / "several/cycle-2.csv").exists()
    three = wrote("three.ini", "".join(f"[number {k}]\ncurve = {CURVE}\n" for k in range(3)))
    wrote("long.csv", "speed (rpm),torque (N.m)\n" + "".join(f"{k},{90 - k / 2}\n" for k in range(60)))
    suit("--from", DUTY, "--actuators", three, "--out", "several")
    assert "The curve has 60 points" in Page(HOME / suit("--from", DUTY, "--curve", "long.csv", "--out", "long")["page"]).words
    turns = wrote("turns.csv", "time (s),torque (N.m),speed (rpm)\n" + "".join(
        f"{k / 50},{9 * math.sin(k / 25 * math.pi + k * 1e-5):.5f},{30 * math.sin(k / 50 * math.pi):.5f}\n" for k in range(30001)))
    suit("--from", turns, "--curve", CURVE, "--out", "turns")  # 300 times round nearly the same way: it is drawn once
    assert (HOME / "turns/suit.html").stat().st_size < 600_000 and (HOME / "turns/cycle-1.csv").read_text().count("\n") > 20
    page = Page(HOME / suit(*WORDS, "--out", "several")["page"])
    assert len(list((HOME / "several").glob("*.csv"))) == 2 and "weak" not in page.words


def names_do_no_harm_and_a_virtual_bench_is_named():
    (HOME / "run").mkdir()
    odd = wrote('run/cu"r<script>ve&\'.csv', (HOME / CURVE).read_text())
    (HOME / "run/report.json").write_text(json.dumps({"report_id": '<script>alert("1")</script> & run 7', "digest": "0a1b<i>", "actuator": "</style><u>winder",
                                                      "virtual_bench": True}))
    doc = suit("--from", DUTY, "--curve", HOME / odd, "--out", "odd")
    page = Page(HOME / doc["page"])
    assert not {"script", "i", "u"} & set(page.tags), page.tags
    for words in ('cu"r<script>ve&\'.csv', '<script>alert("1")</script> & run 7', "digest of the run 0a1b<i>", "Does </style><u>winder carry",
                  "Virtual bench: a curve or a model here was computed"):
        assert words in page.words, (words, page.words)
    assert str(HOME) not in page.source  # an absolute path is the file's name on the page
    assert "(virtual bench)" in (HOME / "odd/cycle.svg").read_text() and "(virtual bench)" in page.source[page.source.index("<svg"):]
    assert "irtual bench" not in (HOME / "out/suit.html").read_text()


def no_page_of_another_answer_stays():
    """Without gnuplot, and with one that draws nothing, the page is that of this answer, without a figure."""
    (HOME / "empty").mkdir()
    (HOME / "bare").mkdir()
    for says in ("install gnuplot-nox; without it there are no figures", "cannot be read or is no SVG"):
        (HOME / "bare/suit.html").write_text("of before")
        (HOME / "bare/cycle.svg").write_text("<svg>of before</svg>")
        done = harness.run("suit", *WORDS, "--out", "bare", "--json", cwd=HOME, env={"PATH": str(HOME / "empty")})
        assert done.status == 3 and done.json["message"].endswith(says), done
        page = Page(HOME / "bare/suit.html")
        assert "Undecided at 95 %" in page.words and "svg" not in page.tags and "It is cycle.svg" not in page.words
        assert not (HOME / "bare/cycle.svg").exists()
        (HOME / "empty/gnuplot").write_text("#!/bin/sh\n")
        (HOME / "empty/gnuplot").chmod(0o755)


def what_is_no_folder_is_refused():
    wrote("a-file", "kept")
    told = suit(*WORDS, "--out", "a-file", status=3)["message"]
    assert "a-file is there but is not a folder" in told and (HOME / "a-file").read_text() == "kept", told
    told = suit(*WORDS, "--out", "a-file/in", status=3)["message"]
    assert "a-file" in told, told
    (HOME / "linked").mkdir()
    (HOME / "linked/suit.html").symlink_to(HOME / "a-file")
    told = suit(*WORDS, "--out", "linked", status=3)["message"]
    assert "suit.html cannot be written" in told and (HOME / "a-file").read_text() == "kept", told


if __name__ == "__main__":
    harness.main(the_numbers_are_those_of_the_document_and_by_hand, several_have_a_table_and_a_part_each, names_do_no_harm_and_a_virtual_bench_is_named,
                 no_page_of_another_answer_stays, what_is_no_folder_is_refused)
