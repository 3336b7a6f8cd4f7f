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
LIES = "lies"                  # what the program is told is not so: sensors that contradict the truth
NO_ROTOR = "no rotor"          # the drive, only witness of a torque to and fro that the cell cannot see (I4a), does not tell its rotor
NO_WORD = "no word"            # no command gets to the node: what it does comes with the end of the lease
NO_BOOK = "no book"            # the logbook takes nothing more, so it may have no cause and no end


class Row:
    def __init__(self, word, causes, why, within_s=None, act=None, value=None, marks=(), weight=2, stops=False, mends=None):
        self.mends = mends  # after how long it is mended, s
        self.word, self.causes, self.why, self.within_s = word, causes, why, within_s
        self.act, self.value, self.marks, self.weight, self.stops = act or word, value, set(marks), weight, stops
        self.kind = None


class CallRow(Row):
    """A fault of the program's own calls, by failcall.c: kind of call, what is done; it comes at its share of all calls."""

    def __init__(self, word, causes, why, kind, deed=None, after=False, only=None, from_start=False, **more):
        super().__init__(word, causes, why, **more)
        self.act, self.kind, self.deed, self.after, self.only, self.from_start = None, kind, deed, after, only, from_start


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
    Row("slow-lost", {"slow_stale"}, "lines, drive and temperatures are believed for ten slow samples", 2.6),
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
    Row("drive-deaf", {WENT_ON, "wrong_direction", "sequence", "contactor"}, "found where it should turn round or stop; without power it is off",
        marks=[NO_DRIVE_OFF]),
    Row("drive-mute", {WENT_ON, "pickup", "sequence"}, "a rotor speed that stays is nothing while the speed is held", marks=[LIES, NO_ROTOR]),
    Row("contactor-welded", {"contactor"}, "found when the contact should open", marks=[NO_CUT]),
    Row("contactor-drop", {"contactor"}, "seen open unasked; the node says so too", 0.8),
    Row("overspeed", {"overspeed", "wrong_direction"}, "a runaway, in torque mode as in speed mode; a heavy rotor takes a second to get to "
        "the limit; in the zero, where the shaft should turn round, it goes on the wrong way", 1.5),
    Row("wrong-direction", {"wrong_direction"}, "turns against the command", None),
    Row("oscillation", {WENT_ON, "oscillation", "overtorque", "overspeed"}, "some rigs damp it", value=between(5, 60)),
    Row("hot-brake", {"brake_hot"}, "its sensor says so", 0.6),
    Row("hot-actuator", {"actuator_hot"}, "its sensors say so", 0.6),
    Row("torque-spike", {"overtorque", "cell_saturated"}, "beyond the limit, or at the end of the converter", 0.5),
    # people
    Row("estop", {"estop"}, "pressed", 0.3, stops=True, weight=4),
    Row("guard", {"guard_open"}, "opened", 0.3, stops=True),
    CallRow("SIGTERM", {"operator"}, "a controlled stop", "read", "signal:15", stops=True, within_s=0.5),
    CallRow("SIGHUP", {"operator"}, "a controlled stop", "read", "signal:1", stops=True, within_s=0.5),
    CallRow("SIGINT", {"operator"}, "a controlled stop", "read", "signal:2", stops=True, within_s=0.5),
    # the program and its machine
    CallRow("SIGKILL", {KILLED}, "nothing more is said; the node's lease ends", "read", "signal:9", within_s=1.5, weight=3, marks=[NO_WORD]),
    CallRow("SIGPIPE", {WENT_ON}, "what nobody reads is lost", "read", "signal:13"),
    CallRow("terminal-gone", {"operator"}, "SIGHUP, and nobody reads what is written", "read", "signal:1", within_s=0.5),
    CallRow("disk-full", {"logbook"}, "nothing is written from there on", "disk-write", after=True, marks=[NO_BOOK], weight=3),
    CallRow("disk-write-fails", {"logbook", WENT_ON, REFUSED}, "once: SQLite may try again by itself", "disk-write", marks=[NO_BOOK]),
    CallRow("sync-fails", {"logbook", WENT_ON, REFUSED}, "once, at any commit, the last included", "sync", marks=[NO_BOOK]),
    CallRow("read-only", {REFUSED}, "nothing begins", "open", after=True, only="logbook", from_start=True, marks=[NO_BOOK]),
    CallRow("step-fails", {"logbook", WENT_ON, REFUSED}, "once", "step", marks=[NO_BOOK]),
    CallRow("clock-jumps", {WENT_ON}, "the wall clock paces nothing", "clock", "jump:-7200"),
    CallRow("slow-sync", {WENT_ON}, "the disk is waited for by nobody", "sync", "sleep:"),
    CallRow("locked", {WENT_ON, "logbook", REFUSED}, "another process has the write lock for a while: borne up to 5 s", None,
            marks=[NO_BOOK]),

    Row("node-away", {WENT_ON, "node_silent"}, "its cable is out and in again: borne for less than its silence", act="node-silent",
        value=None, mends=either(between(0.02, 0.4), between(1, 60)), marks=[NO_WORD]),
]

# Of what has a line of its own, beside the others: (rows, words that have nothing to act on there).
OWN_LINES = {
    "light own lines": ([
        Row("drive-silent", {"drive_fault"}, "it does not answer; its own lease takes its torque away", 1.2, weight=16),
        Row("supply-silent", {"instrument_silent"}, "its answers are believed for 1 s; it hears no OFF", 2.5, marks=[NO_CUT], weight=16),
        Row("supply-refuses", {WENT_ON, "instrument_silent"}, "found where it is switched on the next time", weight=8)], set()),
    "light gauge": ([
        Row("indicator-silent", {"cell_stale"}, "the only witness of the torque", 1.5, marks=[LIES], weight=20),
        Row("indicator-unit", {"cell_stale"}, "a number of another unit is none", 1.5, marks=[LIES], weight=12)],
        {"cell-frozen", "cell-stale", "cell-saturated", "cell-swapped", "cell-drift"}),
}


class Fault:
    """A row with its numbers drawn."""

    def __init__(self, row, chance):
        self.row, self.word, self.causes, self.marks, self.within_s = row, row.word, row.causes, row.marks, row.within_s
        value = row.value(chance) if row.value else None
        self.is_of_the_program = isinstance(row, CallRow)
        self.act = None if self.is_of_the_program else " ".join(filter(None, [row.act, value]))
        self.share = chance.random()
        self.held_s = round(chance.uniform(0.1, 4), 2)
        self.sleep_ms = round(100 * 50 ** chance.random())
        self.mends_s = float(row.mends(chance)) if row.mends else None
        self.text = (self.act or self.word) + (f" for {self.mends_s} s" if row.mends else "")

    def environment(self, rig, t_s):
        """Reads come with the ticks, so they have a time; what the disk does comes at any of its calls."""
        row = self.row
        if not self.is_of_the_program or row.kind is None:
            return {}
        n = 1 if row.from_start else rig.read_at(t_s) if row.kind == "read" else 1 + int(self.share * rig.calls[row.kind])
        orders = {"FAIL_CALL": f"{row.kind}:{n}{'-' if row.after else ''}"}
        if row.deed:
            orders["FAIL_DO"] = row.deed + (str(self.sleep_ms) if row.deed == "sleep:" else "")
        if row.only:
            orders["FAIL_ONLY"] = row.only
        return orders


# Of a killed program and a node that begins anew nobody is left, and bench time stands still while the shaft coasts: nothing to judge.
NOT_BOTH = {"SIGKILL": "node-reset", "node-reset": "SIGKILL"}


def draw(chance, rig, stops=False, bench_only=False, but=None):
    own, without = OWN_LINES.get(rig, ([], set()))
    rows = [row for row in TABLE + own if (not stops or row.stops) and not (bench_only and isinstance(row, CallRow))
            and row.word not in {but, NOT_BOTH.get(but)} | without]
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
