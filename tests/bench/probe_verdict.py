#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""probe names a wiring fault by its signature, whatever the virtual bench does to a channel, and stays within 80 columns."""
import harness


def looks(*options):
    """The channels' verdicts as (word, reason) and the text of a second look."""
    with harness.Bench(3, options=options) as bench:
        told = bench.must("probe", "--seconds", "2")
        text = bench.run("probe", "--seconds", "1")
        assert text.status == 0, text
        wide = [line for line in text.out.splitlines() if len(line) > 80]
        assert not wide, wide
        return {channel["channel"]: (channel["verdict"], channel["why"]) for channel in told["channels"]}, text.out


def a_sound_rig_has_no_fault():
    verdicts, text = looks()
    assert verdicts["cell_count"] == ("good", ""), verdicts
    assert verdicts["speed_rpm"][0] == "look" and "Turn the shaft by hand" in verdicts["speed_rpm"][1], verdicts
    assert all(word != "fault" for word, _ in verdicts.values()) and "FAULT" not in text, (verdicts, text)


def a_broken_cell_is_named():
    for fault, words in (("cell-saturated", "A wire of the bridge is open"), ("cell-frozen", "are all equal"),
                         ("cell-stale", "No conversion came")):
        verdicts, text = looks("--at", f"0 fault {fault}")
        word, why = verdicts["cell_count"]
        assert word == "fault" and words in why, (fault, verdicts)
        assert "cell, indicated: FAULT" in text, (fault, text)


def hum_of_the_mains_is_named():
    """80 conversions a second fold 50 Hz to 30 Hz."""
    verdicts, text = looks("--at", "0 fault cell-hum")
    word, why = verdicts["cell_count"]
    assert word == "look" and "50 Hz of the mains" in why, verdicts
    at_Hz = float(why.split(" Hz:")[0].split()[-1])
    assert 28 < at_Hz < 32, why  # the converter's own clock is some per cent off
    assert "cell, indicated: look" in text, text


if __name__ == "__main__":
    harness.main(a_sound_rig_has_no_fault, hum_of_the_mains_is_named, a_broken_cell_is_named)
