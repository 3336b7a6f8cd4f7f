#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Each rule of the exploration seen red: a line of the guard is broken, and the walk must name that rule. On demand.

    python3 tests/explore/red.py [RULE ...]

Exit status 1: a broken line that its rule did not see, or one that is no longer there."""
import pathlib
import subprocess
import sys
import tempfile

TOP = pathlib.Path(__file__).resolve().parents[2]
SOURCES = ("tests/explore/explore.c", "tests/explore/rules.c", "rig/guard/guard.c", "rig/guard/modes.c", "rig/guard/watch.c", "rig/guard/oscillation.c", "rig/guard/slope.c",
           "rig/channel/cause.c")
HELD = "\t\tret->allowed.brake_A = g->held_brake_A;"
# rule, its words, file, the line as it is, the line broken, rig
BROKEN = (
    ("I1", "after a cause nothing drives", "guard", HELD, HELD.replace(";", ", ret->allowed.power = true;"), "usual"),
    ("I2", "a stop holds no more than it may", "guard", "return clamp(present_A, 0, most_A);", "return present_A;", "usual"),
    ("I2", "the brake stays at what it is held with", "guard", HELD, HELD.replace("= g", "= 0.5 * g"), "usual"),
    ("I2", "a shaft that turns is held", "guard", "present_A = fmax(present_A, 0.5 * most_A);", ";", "usual"),
    ("I3", "the brake is kept until", "guard", "if (held_s < longest_hold_s(l))", "if (held_s < 0.4 * longest_hold_s(l))", "usual"),
    ("I3", "a stop holds until it is over", "guard", "\tif (g->release != GUARD_HOLDS)\n", "\tif (false)\n", "usual"),
    ("I4", "a danger stops on its tick", "watch", "return k->snap->log_failed;", "return false;", "usual"),
    ("I5", "a cause latches", "guard", "ret->cause = g.cause;", "ret->cause = g.phase == GUARD_STOPPED ? CAUSE_NONE : g.cause;",
     "usual"),
    ("I5", "a stopped guard lets nothing out", "guard", "\t\tg->held_brake_A = 0;", "\t\tret->allowed.brake_A = 0.4;", "usual"),
    ("I6", "what energises nothing", "watch", "(k->live && is_bad(k, LINE_ESTOP", "(true && is_bad(k, LINE_ESTOP", "usual"),
    ("I7", "no power that was not wanted", "guard", "off.power = want->power;", "off.power = true;", "usual"),
    ("I7", "no drive without power", "guard", "if (ret.power && is_closed(l, snap))", "if (true)", "usual"),
    ("I7", "set-points within their limits", "modes", "value * expect_direction < 0", "false", "usual"),
    ("I7", "no more brake than wanted", "guard", ".brake_A = clamp(want->brake_A, 0, l->brake_A)", ".brake_A = l->brake_A",
     "usual"),
    ("I8", "not a number is nothing", "guard", ".brake_A = clamp(want->brake_A, 0, l->brake_A)", ".brake_A = want->brake_A",
     "usual"),
    ("I7", "an angle within the travel", "modes", "-l->travel_deg - offset_deg, l->travel_deg - offset_deg", "-999, 999", "either way"),
    ("I15a", "no load on an instrument", "watch", "expected && !(c->age_s <= f->limit)", "false && !(c->age_s <= f->limit)", "usual"),
    ("W7", "nothing goes out without the warden", "watch", "return k->armed && !(f->value <= f->limit);", "return false;", "usual"),
    ("I22", "what is not sensed", "watch", "return k->limits->expect_lines & line && is_told", "return is_told", "no lines"),
    ("I23", "a sleep is named", "watch", "return !(f->value <= SLEPT_S);", "return false;", "usual"),
    ("I19", "what is active with a person", "watch", "return held_for(&g->unrest_s,", "return false & held_for(&g->unrest_s,",
     "person at the shaft"),
    ("D1", "one mode becomes another", "modes", "return g->last.mode == mode;", "return true;", "usual"),
    ("D3", "torque and position have a speed limit", "modes", "case DRIVE_TORQUE: return limited;", "case DRIVE_TORQUE: return true;",
     "usual"),
    ("D3", "a drive that runs away", "watch", "return too_fast;", "return false;", "usual"),
    ("D6", "the shaft goes no farther", "watch", "return modes_too_far(g, k);", "return false;", "usual"),
    ("I8", "no load without torque and speed", "watch", "k->limits->expect_cell && k->loaded);", "false);", "usual"),
    ("I15", "no output on old or missing data", "watch", "return k->armed || is_told(k->snap, CHANNEL_STATE);", "return false;",
     "usual"),
    ("I24", "no permit with an interlock open", "watch", "(k->live && is_bad(k, LINE_CAGE", "(false && is_bad(k, LINE_CAGE",
     "usual"),
    ("I16", "a stop is safe only by what was seen", "guard", "bool driven = active || !drive_is_off(g, l, snap);", "bool driven = false;",
     "no lines"),
    ("I17", "what turns or may be driven", "guard", "if (!(g->missing & (GUARD_TURNS | GUARD_DRIVE)))", "if (true)", "usual"),
    ("I17", "no hold is endless", "guard", "held_s < GUARD_HOLD_MOST_S ? heat_allows(g, l, snap) : GUARD_TOO_LONG",
     "heat_allows(g, l, snap)", "usual"),
    ("I17", "a hot brake is let go", "guard", "if (temp_known && !(hot_degC <= l->brake_hot_degC))", "if (false)", "usual"),
    ("I18", "a sudden standstill", "guard", "return quiet_since_s >= quiet_s(g, l, snap) ||", "return quiet_since_s >= 0.3 ||", "usual"),
    ("I18", "pulses are no standstill", "guard", "snap->pulses != g->pulses || snap->edge_time_s > g->edge_time_s", "snap->pulses != g->pulses",
     "usual"),
    ("I18", "a rotor that is said to turn", "guard", "&& held && !says_turns", "&& held", "usual"),
    ("I19", "with a person at the shaft", "guard", "if (!look->armed || look->limits->at_rest)", "if (!look->armed)",
     "person at the shaft"),
    ("I25", "a stop that was asked for", "watch", "return k->snap->operator_stop;", "return false;", "usual"),
)


def judge(rule, words, file, old, new, rig, folder):
    source = TOP / f"rig/guard/{file}.c"
    text = source.read_text(encoding="utf-8")
    if old not in text:
        return f"{rule} {words}: rig/guard/{file}.c has no line {old.strip()!r} any more; name the one that keeps this rule"
    broken, program = pathlib.Path(folder) / f"{file}.c", pathlib.Path(folder) / "explore"
    broken.write_text(text.replace(old, new, 1), encoding="utf-8")
    files = [broken if s == f"rig/guard/{file}.c" else TOP / s for s in SOURCES]
    subprocess.run(["cc", "-std=gnu17", "-O1", "-w", "-D_GNU_SOURCE", f"-I{TOP}", f"-I{TOP}/rig", *files, "-lm", "-o", program],
                   check=True,
                   capture_output=True)
    with subprocess.Popen([program, rig], stdout=subprocess.PIPE, text=True) as walk:
        seen = any(line.startswith(f"not ok {rule}: {words}") for line in walk.stdout)
        walk.kill()
    return None if seen else f"{rule} {words}: not seen with {new.strip()!r} for {old.strip()!r}"


def main():
    wrong, chosen = 0, [b for b in BROKEN if len(sys.argv) < 2 or b[0] in sys.argv[1:]]
    with tempfile.TemporaryDirectory() as folder:
        for row in chosen:
            problem = judge(*row, folder)
            print(problem or f"{row[0]} {row[1]}: red", flush=True)
            wrong += problem is not None
    print(f"{len(chosen) - wrong} of {len(chosen)} rules seen red")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
