# SPDX-License-Identifier: GPL-3.0-or-later
"""The faults of the campaign: what brings each about, and which causes are right for it, with the reason.

WENT_ON among the causes: the run may also go on, rightly. within_s: from the fault to a drive that is off or without power, where
the fault is found at once; None where it is found only when it matters (a weld when the contact should open) or grows slowly."""
import contextlib
import os
import sqlite3
import threading
import time

WENT_ON = "done"
KILLED = "killed"
REFUSED = "refused"

# What a fault takes away, so that the judge does not ask for it.
NO_BRAKE = "no brake"          # the brake cannot hold
NO_CUT = "no cut"              # the contactor cannot open
NO_DRIVE_OFF = "no drive off"  # the drive does not obey
DEAF = "nobody reads"          # what the program writes is lost: the logbook has to tell it
LIES = "lies"                  # what the program is told is not so: sensors that contradict the truth
NO_ROTOR = "no rotor"          # the drive, only witness of a torque to and fro that the cell cannot see (I4a), does not tell its rotor
OLD_ROTOR = "old rotor"        # that witness is as old as the slow samples, until they are a cause themselves
NO_WORD = "no word"            # no command gets to the node: what it does comes with the end of the lease
NO_BOOK = "no book"            # the logbook takes nothing more, so it may have no cause and no end


class Row:
    def __init__(self, word, causes, why, within_s=None, act=None, value=None, marks=(), weight=2, stops=False):
        self.word, self.causes, self.why, self.within_s = word, causes, why, within_s
        self.act, self.value, self.marks, self.weight, self.stops = act or word, value, set(marks), weight, stops
        self.kind = None


class CallRow(Row):
    """A fault of the program's own calls, by failcall.c: kind of call, what is done. It comes at its moment: at one of the first `calls`
    from that bench time on; or anywhere in the run, at its share of all calls of its kind; or at the first call of all."""

    def __init__(self, word, causes, why, kind, deed=None, after=False, only=None, calls=4, anywhere=False, first=False, **more):
        super().__init__(word, causes, why, **more)
        self.act, self.kind, self.deed, self.after, self.only = None, kind, deed, after, only
        self.calls, self.anywhere, self.first = calls, anywhere, first


def between(low, high):
    return lambda chance: f"{chance.uniform(low, high):.3f}"


def either(*rules):
    return lambda chance: chance.choice(rules)(chance)


SUPPLY = {"drive_dropout", "supply_range"}
# Whoever loads the shaft to its stop finds the torque, the heat, or what the drive makes of it first.
TOO_MUCH_BRAKE = {"overtorque", "cell_saturated", "stall", "brake_power"} | SUPPLY
NOISY_LINE = {"node_silent", "slow_stale", "contactor", "cell_stale", "node_safe"}

TABLE = [
    # the line
    Row("link-cut", {"node_silent"}, "no byte comes any more", 0.8, marks=[NO_WORD]),
    Row("node-silent", {"node_silent"}, "no byte comes any more", 0.8, marks=[NO_WORD]),
    Row("node-blink", {WENT_ON}, "its cable is out and in again: borne for less than [guard] silent, 0.15 s, and a set-point that it did not hear",
        act="node-silent", value=between(0.01, 0.08)),
    Row("node-away", {"node_silent"}, "out for longer", 0.8, act="node-silent", value=either(between(0.3, 1), between(1, 60)), marks=[NO_WORD]),
    Row("half-lines", {WENT_ON} | NOISY_LINE, "some are borne; then samples are missing, or the word of the contactor is",
        value=between(2, 100)),
    Row("doubled-samples", {WENT_ON}, "the number of a sample tells", value=between(1, 100)),
    Row("lost-samples", {WENT_ON} | NOISY_LINE, "one of ten is borne, all are silence", value=between(1, 100)),
    Row("swapped-samples", {WENT_ON} | NOISY_LINE, "an older sample is passed over", value=between(1, 100)),
    Row("delayed-lines", {WENT_ON, "brake_not_following"} | NOISY_LINE,
        "late by less than the limit is borne; the answer of the brake or of the contactor comes too late otherwise",
        value=between(0.01, 0.6)),
    Row("garbage", {WENT_ON} | NOISY_LINE, "the checksum tells; a word for the contactor may be lost", value=between(0.2, 60), marks=[NO_WORD]),
    Row("nonsense", {WENT_ON, "estop", "guard_open", "node_reset", "contactor", "cell_saturated", "pickup", "overspeed", "wrong_sign",
                     "overtorque", "drive_dropout", "drive_fault", "supply_range", "brake_not_following", "brake_power", "brake_hot",
                     "actuator_hot", "wrong_direction", "stall", "oscillation"} | NOISY_LINE,
        "any number within its range may be any cause", value=between(0.1, 20), marks=[LIES]),
    # the node and the host
    Row("node-reset", {"node_reset"}, "it says so itself", 0.3),
    Row("host-held", {WENT_ON, "late_tick"}, "late by less than five periods is borne; SIGSTOP and suspend look like this from the rig",
        value=either(between(0.01, 0.4), between(0.4, 5)), weight=3, marks=[NO_WORD]),
    Row("slow-lost", {"slow_stale"}, "lines, drive and temperatures are believed for ten slow samples; the drive's word of its rotor is among them", 2.6,
        marks=[OLD_ROTOR]),
    # the cell
    Row("cell-frozen", {"cell_frozen"}, "a turning cell is never so steady", 1.2, marks=[LIES]),
    Row("cell-stale", {"cell_stale"}, "no conversion is fresh", 1.0, marks=[LIES]),
    Row("cell-saturated", {"cell_saturated", "overtorque", "wrong_sign"}, "both ends of the converter; its limit in N.m or its sign may be seen "
        "in the same tick", 0.5, value=lambda chance: chance.choice(["1", "-1"]), marks=[LIES]),
    Row("cell-swapped", {"wrong_sign", "sequence", WENT_ON},
        "found with current in the brake; without load the sign of a zero is nothing, or the zero itself sees the drag's sign and says so",
        marks=[LIES]),
    Row("cell-drift", {WENT_ON, "overtorque", "cell_saturated", "wrong_sign", "stall", "brake_power", "sequence"} | SUPPLY,
        "a loop that follows a lying cell; what is found depends on its way", value=either(between(-20, -0.5), between(0.5, 20)), marks=[LIES]),
    # the pick-up
    Row("pickup-dead", {"pickup"}, "the drive says that its rotor turns", 2.2, marks=[LIES]),
    Row("pickup-half", {"pickup"}, "its count goes to and fro, the drive says that its rotor turns", 2.2, marks=[LIES]),
    Row("pickup-slip", {"pickup"}, "a wrong ratio: the drive's rotor and the gear ratio say another speed", 3.2,
        value=either(between(0.3, 0.95), between(-1, -0.3)), marks=[LIES]),
    # the brake
    Row("brake-off", {"brake_not_following"} , "no current though some is commanded; nothing to see while none is", marks=[NO_BRAKE]),
    Row("brake-stuck", {"brake_not_following"}, "stuck off: as an open coil", value=lambda chance: "0", marks=[NO_BRAKE]),
    Row("brake-stuck-on", {"brake_not_following"} | TOO_MUCH_BRAKE, "current that nobody commanded; its torque may be seen before",
        2.5, act="brake-stuck", value=between(0.25, 1.2)),
    # the supply and the drive
    Row("supply-sag", SUPPLY, "below the drop-out", 1.2),
    Row("supply-sagging", {WENT_ON, "stall", "sequence"} | SUPPLY, "it may still be enough for this load", act="supply-sag",
        value=between(30, 47)),
    Row("drive-fault", {"drive_fault"}, "it says so itself", 0.6),
    Row("drive-deaf", {WENT_ON, "wrong_direction", "sequence", "contactor", "drive_fault"}, "found where it should turn round or stop, or by the undervoltage that it keeps of the open contactor",
        marks=[NO_DRIVE_OFF]),
    Row("drive-mute", {WENT_ON, "pickup", "sequence"}, "a rotor speed that stays is nothing while the speed is held", marks=[LIES, NO_ROTOR]),
    Row("contactor-welded", {"contactor"}, "found when the contact should open", marks=[NO_CUT]),
    Row("contactor-drop", {"contactor"}, "seen open unasked; the node says so too", 0.8),
    Row("overspeed", {"overspeed", "wrong_direction"}, "a runaway, in torque mode as in speed mode; a heavy rotor takes a second to get to "
        "the limit; in the zero, where the shaft should turn round, it goes on the wrong way", 1.5),
    Row("wrong-direction", {"wrong_direction"}, "turns against the command", None),
    Row("oscillation", {WENT_ON, "oscillation", "overtorque", "overspeed", "pickup"},
        "some rigs damp it; in step with the drive's words, five a second, its rotor seems to turn at a speed that does not fit (I4a)", value=between(5, 60)),
    Row("hot-brake", {"brake_hot"}, "its sensor says so", 0.6),
    Row("hot-actuator", {"actuator_hot"}, "its sensors say so", 0.6),
    Row("torque-spike", {"overtorque", "cell_saturated"}, "beyond the limit, or at the end of the converter", 0.5),
    # people
    Row("estop", {"estop"}, "pressed", 0.3, stops=True, weight=4),
    Row("guard", {"guard_open"}, "opened", 0.3, stops=True),
    CallRow("SIGTERM", {"operator"}, "a controlled stop", "read", "signal:15", stops=True, within_s=0.5),
    CallRow("SIGHUP", {"operator"}, "a controlled stop", "read", "signal:1", stops=True, within_s=0.5),
    CallRow("SIGINT", {"operator"}, "pressed on and on: a controlled stop all the same", "read", "signal:2", after=True, stops=True, within_s=0.5),
    # the program and its machine
    CallRow("SIGKILL", {KILLED}, "nothing more is said; the node's lease ends", "read", "signal:9", within_s=1.5, weight=3, marks=[NO_WORD]),
    CallRow("SIGPIPE", {WENT_ON}, "what nobody reads is lost", "read", "signal:13"),
    CallRow("reader-gone", {WENT_ON}, "nobody reads what is written, and SIGPIPE says so", "read", "unread", marks=[DEAF]),
    CallRow("terminal-gone", {"operator"}, "SIGHUP, and what is written is refused", "read", "hangup", within_s=0.5, marks=[DEAF]),
    CallRow("disk-full", {"logbook"}, "nothing is written from there on", "disk-write", after=True, anywhere=True, marks=[NO_BOOK]),
    CallRow("disk-full-now", {"logbook"}, "nothing is written from there on", "disk-write", after=True, marks=[NO_BOOK]),
    CallRow("disk-write-fails", {"logbook", WENT_ON, REFUSED}, "once: SQLite may try again by itself", "disk-write", anywhere=True, marks=[NO_BOOK]),
    CallRow("sync-fails", {"logbook", WENT_ON, REFUSED}, "once, at any commit, the last included", "sync", anywhere=True, marks=[NO_BOOK]),
    CallRow("read-only", {REFUSED}, "nothing begins", "open", after=True, only="logbook", first=True, marks=[NO_BOOK]),
    CallRow("step-fails", {"logbook", WENT_ON, REFUSED}, "once", "step", anywhere=True, marks=[NO_BOOK]),
    CallRow("memory-fails", {"logbook", WENT_ON}, "once, where the logbook is written: a tick asks for none", "memory", calls=20, marks=[NO_BOOK]),
    CallRow("clock-jumps", {WENT_ON}, "the wall clock paces nothing", "clock",
            lambda chance: f"jump:{chance.choice([-1, 1]) * chance.choice([1, 7200, 1000000000])}"),
    CallRow("slow-sync", {WENT_ON}, "the disk is waited for by nobody", "sync", lambda chance: f"sleep:{round(100 * 50 ** chance.random())}", anywhere=True),
    CallRow("slow-disk", {WENT_ON}, "nor one that is slow for good", "sync", lambda chance: f"sleep:{chance.randint(100, 400)}", after=True, calls=1),
    CallRow("locked", {WENT_ON, "logbook", REFUSED}, "another process has the write lock for a while: borne up to 5 s", None,
            marks=[NO_BOOK]),
]

# By rig: (rows beside the others or in the place of one, words that have nothing to act on there).
OF_A_RIG = {
    "light own lines": ([
        Row("drive-silent", {"drive_fault"}, "it does not answer; its own lease takes its torque away", 1.2, weight=16),
        Row("supply-silent", {"instrument_silent", "contactor"}, "its answers are believed for 1 s; it hears no OFF, which is found first where "
            "the sequence gives one", 2.5, marks=[NO_CUT], weight=16),
        CallRow("warden-killed", {"warden"}, "its own means to end what has no lease is gone", "read", "bereave", within_s=0.8, weight=8),
        Row("supply-refuses", {WENT_ON, "instrument_silent"}, "found where it is switched on the next time", weight=8)], set()),
    "light gauge": ([
        Row("indicator-silent", {"cell_stale"}, "the only witness of the torque", 1.5, marks=[LIES], weight=20),
        Row("indicator-unit", {"cell_stale"}, "a number of another unit is none", 1.5, marks=[LIES], weight=12),
        Row("torque-spike", {"overtorque", "cell_saturated", WENT_ON}, "60 ms are nearly lost in its filter of 0.15 s")],
        {"cell-frozen", "cell-stale", "cell-saturated", "cell-swapped", "cell-drift"}),
    "light current": ([
        Row("overspeed", {"overspeed", "wrong_direction"}, "the speed loop's ramp begins at zero: 1.6 s to the limit", 1.9),
        Row("pickup-dead", {"pickup", "oscillation"}, "the same: the rotor parts from a shaft that seems to stand", 2.2, marks=[LIES]),
        Row("pickup-slip", {"pickup", "overspeed", "oscillation"}, "105 rpm without a load: what shows too much is beyond the limit; while it gains "
            "speed the rotor parts from what is shown at each word (I4a)", 3.2,
            value=either(between(0.3, 0.95), between(-1, -0.3)), marks=[LIES])], set()),
}


class Fault:
    """A row with its numbers drawn."""

    def __init__(self, row, chance):
        self.row, self.word, self.causes, self.marks, self.within_s = row, row.word, row.causes, row.marks, row.within_s
        value = row.value(chance) if row.value else None
        self.is_of_the_program = isinstance(row, CallRow)
        self.deed = row.deed(chance) if self.is_of_the_program and callable(row.deed) else getattr(row, "deed", None)
        self.act = None if self.is_of_the_program else " ".join(filter(None, [row.act, value]))
        self.share = chance.random()
        self.held_s = round(chance.uniform(0.1, 7), 2)
        self.text = self.act or " ".join(filter(None, [self.word, self.deed if row.kind and callable(row.deed) else None]))

    def environment(self, rig, t_s):
        row = self.row
        if not self.is_of_the_program or row.kind is None:
            return {}
        n = 1 if row.first else 1 + int(self.share * (rig.calls[row.kind] if row.anywhere else row.calls))
        orders = {"FAIL_CALL": f"{row.kind}:{n}{'-' if row.after else ''}"}
        if not row.first and not row.anywhere:
            orders["FAIL_FROM"] = str(t_s)
        if self.deed:
            orders["FAIL_DO"] = self.deed
        if row.only:
            orders["FAIL_ONLY"] = row.only
        return orders


# Of a killed program and a node that begins anew nobody is left, and bench time stands still while the shaft coasts: nothing to judge.
# Nor of one and a dead pick-up: the node alone takes no pulse for a shaft that stands (docs/tether.md; invariants L2). What a program that
# was held up sends off with its last breath is in no row of a bench whose time stands still.
NOT_BOTH = {"SIGKILL": {"node-reset", "pickup-dead", "pickup-half", "host-held"}, "node-reset": {"SIGKILL"}, "pickup-dead": {"SIGKILL"},
            "pickup-half": {"SIGKILL"}, "host-held": {"SIGKILL"},
            "node-silent": {"node-blink"}, "node-away": {"node-blink"}}  # the second would end the first before it is long enough


def in_place(table, own):
    """With rows of a rig's own: in the place of one of the same word, or at the end."""
    mine, words = {row.word: row for row in own}, {row.word for row in table}
    return [mine.get(row.word, row) for row in table] + [row for row in own if row.word not in words]


def draw(chance, rig, stops=False, bench_only=False, but=None):
    own, without = OF_A_RIG.get(rig, ([], set()))
    rows = [row for row in in_place(TABLE, own) if (not stops or row.stops) and not (bench_only and isinstance(row, CallRow))
            and row.word not in {but} | NOT_BOTH.get(but, set()) | without]
    return Fault(chance.choices(rows, [row.weight for row in rows])[0], chance)


@contextlib.contextmanager
def around(faults, folder):
    """What happens beside the program: another process that holds the logbook."""
    locked = next((fault for fault in faults if fault.word == "locked"), None)
    if not locked:
        yield
        return

    def hold():
        time.sleep(0.6 * locked.share)
        db = sqlite3.connect(folder / "logbook", timeout=10, isolation_level=None)
        try:
            db.execute("BEGIN IMMEDIATE")
            time.sleep(locked.held_s)
            db.execute("ROLLBACK")
        finally:
            db.close()
    thread = threading.Thread(target=hold)
    thread.start()
    try:
        yield
    finally:
        thread.join()
