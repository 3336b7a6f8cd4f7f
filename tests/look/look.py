#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Every kind of page, opened in a real browser (the distribution's Chromium): nothing on its console, its numbers those of report.json,
readable by access.js, every key stroke leads somewhere, figures' type at least 8 pt on paper, no nearly empty sheet; and pictures
of all of it to be looked at.

    python3 tests/look/look.py            # the test; pictures and PDFs in $LOOK_OUT (default build/look)
    python3 tests/look/look.py --keep     # the same over the pages that are there already
    python3 tests/look/look.py --axe FILE # axe-core's findings too, from a file axe.min.js that was fetched by hand"""
import json
import os
import pathlib
import re
import subprocess
import sys

HERE = pathlib.Path(__file__).resolve().parent
sys.path.insert(0, str(HERE))
sys.path.insert(0, str(HERE.parents[0] / "bench"))
import chromium  # noqa: E402
import harness  # noqa: E402
import scenes  # noqa: E402

OUT = pathlib.Path(os.environ.get("LOOK_OUT", harness.ROOT / "build" / "look")).resolve()
WIDTHS = (390, 768, 1280, 1920)
PAPER_px = 688             # 182 mm of an A4 sheet with these margins, at 96 px an inch
LEAST_pt = 8
EMPTY = 0.12               # of a sheet's height with ink: less is nearly empty
FIRST = 0.42               # the same of the first sheet: more than a heading
PAGE_KB = 600
PAGES, FAILED = {}, []


def wanted():
    if not chromium.path():
        raise harness.Skipped("no Chromium on this machine (package chromium)")


def pages():
    if FAILED:
        raise RuntimeError("the pages were not made")
    if not PAGES:
        FAILED.append("yes")
        found = OUT / "pages.json"
        if "--keep" in sys.argv and found.exists():
            PAGES.update({name: pathlib.Path(path) for name, path in json.loads(found.read_text()).items()})
        else:
            PAGES.update(scenes.make(OUT / "pages"))
            found.write_text(json.dumps({name: str(path) for name, path in PAGES.items()}))
        FAILED.clear()
    return PAGES


def each(look):
    """look(browser, name, path) at each page; all that it finds, told at once."""
    wanted()
    found = []
    with chromium.Chromium() as browser:
        for name, path in pages().items():
            found += [f"{name}: {what}" for what in look(browser, name, path)]
    assert not found, "\n".join(found)


def pictures_are_taken_and_nothing_is_on_the_console():
    def look(browser, name, path):
        shots = OUT / "shots"
        shots.mkdir(exist_ok=True)
        said = []
        for width in WIDTHS:
            for scheme in ("light", "dark"):
                browser.show(width, scheme)
                browser.open(path)
                browser.shoot(shots / f"{name}-{width}-{scheme}.png")
                said += browser.complaints()
        browser.show(1280, "light", "achromatopsia")
        browser.open(path)
        browser.shoot(shots / f"{name}-1280-grey.png")
        browser.show(1280, media="print")
        browser.print(shots / f"{name}.pdf")
        return said
    each(look)


def a_page_is_readable():
    script = (HERE / "access.js").read_text()

    def look(browser, name, path):
        said = set()
        for width in WIDTHS:
            for scheme in ("light", "dark"):
                browser.show(width, scheme)
                browser.open(path)
                said |= {f"{width} px {scheme}: {what}" for what in browser.ask(script)}
        return sorted(said)
    each(look)


def type_is_read_on_paper():
    """In points, at the width of the sheet: of every figure, where an SVG in a box of another shape is drawn in the lesser scale, and of
    every word beside them. A page that is wider than its sheet would be printed smaller, all of it."""
    figures = """Array.from(document.querySelectorAll('figure svg text')).map(function(t){
      var s=t.closest('svg'),b=s.getBoundingClientRect(),v=s.viewBox.baseVal,k=Math.min(b.width/v.width,b.height/v.height),f=Math.min.apply(null,
        [t].concat(Array.from(t.querySelectorAll('tspan'))).filter(function(e){return e.textContent.trim();})
        .map(function(e){return parseFloat(getComputedStyle(e).fontSize);}));
      return [t.closest('figure').id,0.75*k*f,t.textContent.trim()];}).filter(function(x){return x[2];})"""
    words = """(function(){var least=1e9,what='',w=document.createTreeWalker(document.body,NodeFilter.SHOW_TEXT),n;
      while((n=w.nextNode())){var e=n.parentElement;if(!n.data.trim()||e.closest('svg,script,style,.spoken')||!e.getClientRects().length)continue;
        var f=0.75*parseFloat(getComputedStyle(e).fontSize);if(f<least){least=f;what=n.data.trim();}}
      return [document.documentElement.scrollWidth,least,what];})()"""

    def look(browser, name, path):
        browser.show(PAPER_px, media="print")
        browser.open(path)
        width, least, what = browser.ask(words)
        return [f"{figure}: {size:.1f} pt, \"{text}\"" for figure, size, text in browser.ask(figures) if size < LEAST_pt - 0.05] + (
            [f"{width} px wide on a sheet of {PAPER_px} px"] if width > PAPER_px else []) + (
            [f"{least:.1f} pt, \"{what}\""] if least < LEAST_pt - 0.05 else [])
    each(look)


def no_word_of_a_figure_is_cut():
    """Each word within its drawing, with 1 px for the rounding of its box."""
    ask = """Array.from(document.querySelectorAll('figure svg text')).filter(function(t){
      var s=t.closest('svg').getBoundingClientRect(),b=t.getBoundingClientRect();
      return b.width>0&&(b.left<s.left-1||b.right>s.right+1||b.top<s.top-1||b.bottom>s.bottom+1);})
      .map(function(t){return [t.closest('figure').id,t.textContent.trim()];})"""

    def look(browser, name, path):
        browser.show(1280)
        browser.open(path)
        return [f"{figure}: \"{text}\"" for figure, text in browser.ask(ask)]
    each(look)


def values_of_the_map_keep_off_its_dots():
    ask = """(function(){var m=document.querySelector('#efficiency-map svg');if(!m)return null;
      var dots=Array.from(m.querySelectorAll('use')).map(function(u){return u.getBoundingClientRect();}).filter(function(r){return r.width>0;}),
        words=Array.from(m.querySelectorAll('text')).filter(function(t){return /%$/.test(t.textContent.trim());});
      return [dots.length,words.length,words.filter(function(w){var a=w.getBoundingClientRect();return dots.some(function(d){
        return a.left<d.right&&d.left<a.right&&a.top<d.bottom&&d.top<a.bottom;});}).map(function(w){return w.textContent.trim();})];})()"""
    maps = []

    def look(browser, name, path):
        if 'id="efficiency-map"' not in path.read_text():
            return []
        browser.show(1280)
        browser.open(path)
        found = browser.ask(ask)
        maps.append(name)
        return [f"\"{word}\" lies on a measured point" for word in found[2]] + ([] if found[0] > 9 and found[1] > 2 else [f"{found[:2]} dots and values"])
    each(look)
    assert maps, "no page has a map"


def sheets(path):
    """Of each printed sheet: the share of its height with ink, the feet left out, and its words."""
    made = subprocess.run(["pdftoppm", "-r", "40", "-gray", path], capture_output=True, check=True).stdout
    text = subprocess.run(["pdftotext", "-layout", path, "-"], capture_output=True, text=True, check=True).stdout.split("\f")
    ret = []
    while made:
        head = re.match(rb"P5\s+(\d+)\s+(\d+)\s+255\s", made)
        width, height = int(head[1]), int(head[2])
        rows = [made[head.end() + y * width:head.end() + (y + 1) * width] for y in range(int(0.94 * height))]
        made = made[head.end() + width * height:]
        ink = [y for y, row in enumerate(rows) if min(row) < 160]
        ret.append(((ink[-1] - ink[0]) / height if ink else 0, text[len(ret)]))
    return ret


def every_sheet_says_what_it_is_and_none_is_nearly_empty():
    wanted()
    found = []
    for name in (n for n, page in pages().items() if "@page" in page.read_text()):  # a drawing by itself has no sheets
        all_of_it = sheets(OUT / "shots" / f"{name}.pdf")
        if not all_of_it:
            found.append(f"{name}: no sheet was seen")
        for no, (share, text) in enumerate(all_of_it, 1):
            if f"page {no} of {len(all_of_it)}" not in text:
                found.append(f"{name}, sheet {no}: no \"page {no} of {len(all_of_it)}\"")
            if share < (FIRST if no == 1 else EMPTY):
                found.append(f"{name}, sheet {no} of {len(all_of_it)}: {100 * share:.0f} % of its height")
            report = pages()[name].parent / "report.json"
            told = json.loads(report.read_text()).get("report_id") if report.exists() else None
            if told and told not in text:
                found.append(f"{name}, sheet {no}: no \"{told}\"")
    assert not found, "\n".join(found)


def the_numbers_are_those_of_the_document():
    """Torques and efficiencies of the table, and the sentence of the result, against report.json."""
    best = """Array.from(document.querySelectorAll('#curves text')).map(function(t){return t.textContent.trim();}).filter(function(t){return /^best /.test(t);})"""
    ask = """[document.querySelector('.result').textContent,Array.from(document.querySelectorAll('#points tbody tr:not(.note)')).map(
      function(r){return Array.from(r.cells).map(function(c){return [c.dataset.label,c.textContent];});})]"""

    def plain(text):
        return text.replace("\u00a0", " ").replace("\u2212", "-")

    def number(text):
        value, _, rest = plain(text).partition(" ")
        return float(value), value

    def look(browser, name, path):
        document = path.parent / "report.json"
        if not document.exists():
            return []
        report = json.loads(document.read_text())
        browser.show(1280)
        browser.open(path)
        result, rows = browser.ask(ask)
        said = [] if plain(result) == report["result"] else [f"result \"{result}\""]
        said += [f"the sheet says \"{word}\", the result \"{result}\"" for word in browser.ask(best)
                 if word[len("best "):] not in plain(result)]
        points = report["points"] if browser.ask("!!document.getElementById('points')") else []  # of a procedure: no table of them
        if len(rows) != len(points):
            return said + [f"{len(rows)} rows for {len(points)} points"]
        for row, point in zip(rows, points):
            cells = dict(row)
            for label, key, scale in (("torque, N·m", "torque_Nm", 1), ("speed, rpm", "speed_rpm", 1), ("efficiency, %", "efficiency", 100)):
                if label not in cells or cells[label] == "–":
                    continue
                value, text = number(cells[label])
                digits = len(text.partition(".")[2])
                if not abs(value - scale * point[key]) <= 0.5000001 * 10 ** -digits:
                    said.append(f"step {point['step']}: {label} {text}, report.json {scale * point[key]}")
        return said
    each(look)


def the_keyboard_reaches_everything():
    ask = """(function(){var e=document.activeElement,s=getComputedStyle(e);return e===document.body?null:
      [e.tagName+'#'+(e.id||e.getAttribute('href')||e.getAttribute('aria-label')),s.outlineStyle!=='none'&&parseFloat(s.outlineWidth)>0];})()"""

    def look(browser, name, path):
        browser.show(1280)
        browser.open(path)
        goals = browser.ask("Array.from(document.querySelectorAll('a[href],[tabindex=\"0\"],button')).map(function(e){"
                            "return e.tagName+'#'+(e.id||e.getAttribute('href')||e.getAttribute('aria-label'));})")
        said, reached = [], []
        for _ in goals:
            browser.press("Tab")
            at = browser.ask(ask)
            if at is None:
                break
            reached.append(at[0])
            if not at[1]:
                said.append(f"{at[0]} shows no focus")
        said += [f"{goal} is not reached" for goal in goals if goal not in reached]
        if browser.ask("!!document.getElementById('curves-points')"):
            browser.ask("document.querySelector('#curves .scroll').focus()")
            read = []
            for key in ("ArrowRight", "ArrowRight", "ArrowLeft"):
                browser.press(key)
                read.append(browser.ask("document.querySelector('.reading').textContent"))
            steps = browser.ask("JSON.parse(document.getElementById('curves-points').textContent).points.length")
            if "step 1" not in read[0] or read[0] != read[2] or (steps > 2 and read[0] == read[1]):
                said.append(f"arrow keys read {read}")
        return said
    each(look)


def pages_are_small_and_valid():
    found = []
    for name, path in pages().items():
        size = path.stat().st_size / 1024
        if str(harness.ROOT) in path.read_text():
            found.append(f"{name}: names a folder of the machine on which it was made")
        if size > PAGE_KB:
            found.append(f"{name}: {size:.0f} KB")
        done = subprocess.run(["tidy", "-quiet", "-errors", "--drop-empty-elements", "no", path], capture_output=True, text=True)
        found += [f"{name}: {line}" for line in done.stderr.splitlines() if line.strip()]
    assert not found, "\n".join(found)


def axe(file):
    script = pathlib.Path(file).read_text()

    def look(browser, name, path):
        said = set()
        for width, scheme in ((390, "light"), (1280, "light"), (1280, "dark")):
            browser.show(width, scheme)
            browser.open(path)
            browser.ask(script + ";0")
            for rule in browser.ask("axe.run().then(function(r){return r.violations.map(function(v){return [v.id,v.help,v.nodes.length,"
                                    "v.nodes[0].html.slice(0,100)];});})"):
                said.add(f"{width} {scheme} {rule}")
        return sorted(said)
    each(look)


if __name__ == "__main__":
    tests = [pictures_are_taken_and_nothing_is_on_the_console, the_numbers_are_those_of_the_document, a_page_is_readable,
             type_is_read_on_paper, no_word_of_a_figure_is_cut, values_of_the_map_keep_off_its_dots, every_sheet_says_what_it_is_and_none_is_nearly_empty, the_keyboard_reaches_everything,
             pages_are_small_and_valid]
    OUT.mkdir(parents=True, exist_ok=True)
    if "--axe" in sys.argv:
        axe(sys.argv[sys.argv.index("--axe") + 1])
    else:
        harness.main(*tests)
