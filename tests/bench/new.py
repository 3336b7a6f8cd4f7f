#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""bridle new as a user sees it: whole folders or none, mistakes of files shown by the next command."""
import json
import os
import pathlib
import re
import shutil
import subprocess
import tempfile

import harness
from harness import run

HOME = tempfile.TemporaryDirectory(prefix="bridle-new-")
PLACE = pathlib.Path(HOME.name)
TEMPLATES = {"rig.ini", "weights.ini", "actuators/example.ini", "plans/example.ini"}


def files(folder):
    return {str(p.relative_to(folder)) for p in folder.rglob("*") if p.is_file()}


EXAMPLE = files(harness.EXAMPLE)


def leftovers():
    return [p for p in PLACE.rglob("*") if "making" in p.name]


def makes_a_folder_of_templates():
    result = run("new", PLACE / "a")
    assert result.status == 0, result
    assert files(PLACE / "a") == TEMPLATES, files(PLACE / "a")
    assert (PLACE / "a" / "reports").is_dir()
    assert result.err == "" and "Fill in every key" in result.out, result
    mode = (PLACE / "a").stat().st_mode & 0o777
    mask = os.umask(0)
    os.umask(mask)
    assert mode == 0o750 & ~mask, oct(mode)  # no stranger's to read


def templates_explain_every_key():
    for name in TEMPLATES:
        keys = comments = 0
        previous = ""
        for line in (PLACE / "a" / name).read_text().splitlines():
            if re.match(r"#?[a-z_]+ =", line):
                keys += 1
                comments += previous.startswith("# ")
            previous = line
        assert keys > 3, (name, keys)
        if name != "weights.ini":  # its pieces repeat keys that were explained above
            assert keys == comments, (name, keys, comments)


def filled_in(folder):
    """Every empty key gets what its comment shows, as a first owner might."""
    for path in folder.rglob("*.ini"):
        lines, such = [], ""
        for line in path.read_text().splitlines():
            if line.startswith("#"):
                such = (such + " " if such and not line.startswith("#[") else "") + line.lstrip("# ")
            elif line.endswith(" ="):
                assert "Such as: " in such, (path, line, such)
                line, such = f"{line} {such.rsplit('Such as: ', 1)[1].removesuffix('.')}", ""
            else:
                such = ""
            lines.append(line)
        path.write_text("\n".join(lines).replace("weight = 1kg", "weight = weight-1") + "\n")


def what_is_the_owners_is_asked_for():
    result = run("check", "--bench", PLACE / "a", "--json")
    lines = "\n".join(result.json["mistakes"])
    assert result.status == 2 and "rig.ini" in lines and "[arm] length: is empty; expected a length" in lines, result
    assert len(result.json["mistakes"]) >= 20, result
    filled_in(PLACE / "a")
    result = run("check", "--bench", PLACE / "a", "--json")
    assert result.status in (0, 1) and "findings" in result.json, result


def makes_a_virtual_bench_that_is_the_example():
    result = run("new", PLACE / "v", "--virtual", "--json")
    assert result.status == 0, result
    assert set(result.json["files"]) == files(PLACE / "v") == EXAMPLE, result
    for name in EXAMPLE:
        assert (PLACE / "v" / name).read_bytes() == (harness.EXAMPLE / name).read_bytes(), name


def each_example_is_written_as_it_stands():
    told = set()
    for example in sorted(p for p in harness.EXAMPLE.parent.iterdir() if p.is_dir()):
        place = PLACE / example.name
        result = run("new", place, "--like", example.name, "--json")
        assert result.status == 0 and set(result.json["files"]) == files(place) == files(example), result
        assert result.json["virtual"] == (example / "virtual.ini").exists(), result
        for name in files(example):
            assert (place / name).read_bytes() == (example / name).read_bytes(), name
        told.add(example.name)
    assert told == {"heron-lock", "heron-supply", "heron-pins", "heron-knob", "heron-by-hand"}, told
    refused = run("new", PLACE / "w", "--like", "heron-lok")
    assert refused.status == 2 and not (PLACE / "w").exists(), refused
    assert "found no example \"heron-lok\"; expected one of heron-lock, heron-supply, heron-pins, heron-knob, heron-by-hand" in " ".join(refused.err.split())
    assert "are two examples" in " ".join(run("new", PLACE / "w", "--virtual", "--like", "heron-pins").err.split())
    assert not leftovers(), leftovers()


def takes_an_empty_folder():
    (PLACE / "empty").mkdir()
    result = run("new", ".", "--quiet", cwd=PLACE / "empty")
    assert result.status == 0 and result.out == "", result
    assert files(PLACE / "empty") == TEMPLATES
    assert not leftovers(), leftovers()


def refuses_what_is_there():
    before = files(PLACE / "a")
    cases = [("a", "is there already and not empty"), ("a/rig.ini", "is not a folder"), ("no/such", "make it first"),
             ("", "is empty"), ("x" * 700, "too long")]
    for name, sentence in cases:
        path = str(PLACE / name) if name and len(name) < 600 else name
        result = run("new", path)
        assert result.status == 2 and sentence in result.err, (name, result)
        assert result.err.count("\n") == 1 and result.out == "", result
    assert files(PLACE / "a") == before and not leftovers()
    result = run("new", PLACE / "a", "--json")
    assert result.status == 2 and result.json["cause"] == "bad_input" and result.err == "", result


def a_dangling_link_is_not_followed():
    (PLACE / "link").symlink_to(PLACE / "elsewhere")
    result = run("new", PLACE / "link")
    assert result.status == 2 and not (PLACE / "elsewhere").exists(), result


def a_rig_that_is_not_there_leaves_no_logbook():
    rig = PLACE / "a/rig.ini"
    rig.write_text(rig.read_text().replace("serial:/dev/ttyACM0", "serial:/dev/no-such-port"))
    before = files(PLACE / "a")
    result = run("probe", "--bench", PLACE / "a")
    assert result.status == 3 and "plug the node in" in result.err and result.err.count("\n") == 1, result
    for args, sentence in [(["ready", "nix"], 'no plan "nix" (plans/nix.ini); there is example'),
                           (["map", "--actuator", "nix"], 'no actuator "nix" (actuators/nix.ini); there is example'),
                           (["report"], "no logbook yet"), (["log"], "no logbook yet")]:
        result = run(*args, "--bench", PLACE / "a")
        assert result.status == 2 and sentence in result.err and result.err.count("\n") == 1, (args, result)
    (PLACE / "a/actuators/example.ini").rename(PLACE / "example.ini")
    result = run("ready", "example", "--bench", PLACE / "a")
    assert result.status == 2 and 'plans/example.ini: there is no actuator "example"' in result.err, result
    (PLACE / "example.ini").rename(PLACE / "a/actuators/example.ini")
    assert files(PLACE / "a") == before


def an_unknown_command_is_named():
    result = run("frob")
    assert result.status == 2 and 'no command "frob"' in result.err and result.err.count("\n") == 1, result
    result = run("frob", "--json")
    assert result.status == 2 and 'no command "frob"' in result.json["message"] and result.err == "", result


def a_missing_second_program_is_named():
    with tempfile.TemporaryDirectory(prefix="bridle-") as home:
        alone = shutil.copy(harness.BRIDLE, home)
        for command in ("pack", "verify", "compare", "share"):
            done = subprocess.run([alone, command, "--json"], capture_output=True, text=True, stdin=subprocess.DEVNULL)
            why = json.loads(done.stdout)["message"]
            assert done.returncode == 3 and f"cannot start {home}/bridle-abroad: it is not there" in why, done
    done = subprocess.run([pathlib.Path(harness.BRIDLE).with_name("bridle-abroad"), "sweep"], capture_output=True, text=True)
    assert done.returncode == 2 and "bridle --help" in done.stderr and done.stdout == "", done


def leaves_nothing_half_made():
    """A file size limit stands for a full disk: 1 KiB, less than rig.ini."""
    target = PLACE / "full"
    done = subprocess.run(["bash", "-c", f'trap "" XFSZ; ulimit -f 1; exec "{harness.BRIDLE}" new "{target}"'],
                          capture_output=True, text=True, timeout=60)
    assert done.returncode == 3 and "cannot be written" in done.stderr, done
    assert not target.exists() and not leftovers(), leftovers()


if __name__ == "__main__":
    with HOME:
        harness.main(makes_a_folder_of_templates, templates_explain_every_key, what_is_the_owners_is_asked_for,
                     makes_a_virtual_bench_that_is_the_example, each_example_is_written_as_it_stands,
                     takes_an_empty_folder, refuses_what_is_there, a_dangling_link_is_not_followed,
                     a_rig_that_is_not_there_leaves_no_logbook, an_unknown_command_is_named, a_missing_second_program_is_named,
                     leaves_nothing_half_made)
