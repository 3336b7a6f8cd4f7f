#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""A rig.ini with everything wrong that its instruments can have wrong: each mistake has its sentence, all of them come at once, nothing is
energised or made, and the status is 2."""
import pathlib
import shutil
import tempfile

import harness

# A section, and the words of the sentence that it deserves.
BAD = (
    # a register map with a hole: the roles need a register that is not there
    ("[instrument meter]\nkind = modbus\nlink = unix:run/a.sock\nroles = meter\naddress = 3\nread_voltage = input 0 u16 0.01 V\n",
     "[instrument meter] read_current: is missing; the roles need that register"),
    # a register that is none
    ("[instrument log]\nkind = modbus\nlink = unix:run/b.sock\nroles = temperatures\nread_case = input 3 u24 0.1 K\n", "[instrument log] read_case:"),
    # a pattern that matches nothing that the instrument sends
    ("[instrument gauge]\nkind = indicator\nlink = unix:run/c.sock\nroles = cell\nunit = N.m\ndivision = 0.01\ntell = {reading} N.m\ntell_example = 12.3 kg\n",
     "[instrument gauge] tell: \"12.3 kg\" does not fit its form"),
    # frames that overlap
    ("[instrument motor]\nkind = can-drive\nlink = unix:run/d.sock\nroles = drive\nlease = 0.3 s\nsend_speed = 0x201 data 01 00 00 byte 1 length 16\n"
     "send_off = 0x201 data 00 00 00\ntell_speed = 0x281 byte 0 length 16\ntell_enabled = 0x281 byte 1 length 8\n", "[instrument motor] tell_enabled: overlaps"),
    # two instruments for one role
    ("[instrument other]\nkind = text-drive\nlink = unix:run/e.sock\nroles = drive\nlease = 0.3 s\nsend_speed = V {speed}\nsend_off = O\ntell = S {speed} {enabled}\n",
     "[instrument motor] has the role drive already"),
    # an output without a lease
    ("[instrument relay]\nkind = relay\nlink = unix:run/f.sock\nroles = power\nclose = 01\nopen = 00\n", "an output of a relay has no lease"),
    # no line, and a line where there is none
    ("[instrument lost]\nkind = supply\nroles = voltage\n", "[instrument lost] link: is missing"),
)


def everything_at_once():
    with tempfile.TemporaryDirectory(prefix="bridle-") as home:
        folder = pathlib.Path(home) / "bench"
        shutil.copytree(harness.EXAMPLE, folder)
        with open(folder / "rig.ini", "a", encoding="utf-8") as file:
            file.write("\n" + "\n".join(section for section, _ in BAD))
        for command in (("probe", "--seconds", "1"), ("sweep", "gentle")):
            result = harness.run(*command, "--bench", folder)
            said = " ".join(result.err.split())
            assert result.status == 2, result
            for _, words in BAD:
                assert words in said, (words, result)
        assert not (folder / "logbook").exists() and not (folder / "run").exists(), list(folder.iterdir())


def a_port_that_is_not_there_is_told():
    """Named rightly it is a cable, so the status is that of the rig: nothing was made."""
    with tempfile.TemporaryDirectory(prefix="bridle-") as home:
        folder = pathlib.Path(home) / "bench"
        shutil.copytree(harness.EXAMPLE, folder)
        rig = folder / "rig.ini"
        rig.write_text(rig.read_text(encoding="utf-8").replace("link = unix:run/tether.sock", "link = serial:/dev/ttyACM97")
                       .replace("[virtual]\ncontrol = unix:run/control.sock\n", ""), encoding="utf-8")
        result = harness.run("probe", "--seconds", "1", "--bench", folder)
        assert result.status == 3 and "link \"serial:/dev/ttyACM97\": there is no such port now" in " ".join(result.err.split()), result
        assert not (folder / "logbook").exists()


if __name__ == "__main__":
    harness.main(everything_at_once, a_port_that_is_not_there_is_told)
