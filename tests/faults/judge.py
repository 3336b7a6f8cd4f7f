# SPDX-License-Identifier: GPL-3.0-or-later
"""What must be true after any fault, judged from the bench's own truth and from the disk, never from the program's words alone."""
import contextlib
import os
import sqlite3
import subprocess
import time

from short_sweep import harness, newest_run, points_of, query

TURNS = 0.5  # rad/s, some 5 rpm: below it a shaft has no energy worth a word
SWEEPS = 6.2  # rad/s, some 60 rpm: the sweep's own speed
HELD_A = 0.02
COIL_S = 0.15  # a brake that had no current needs this long to have one (coil 0.7 H, 14 ohm; one tick to command it)
OPENS_S = 0.1  # drive and contactor after the word for them
COLUMNS = {"t_s": float, "int_torque_Nms": float, "node": str, "drive_on": float, "contactor": float, "brake_A": float, "speed_rad_per_s": float,
           "peak_torque_Nm": float, "drive_flags": int}
UNDERVOLTAGE = 8  # of them
VERIFY = os.environ.get("VERIFY_LOGBOOK", str(harness.ROOT / "build" / "tests" / "faults" / "verify_logbook"))


def read(rows, head):
    columns = [(key, head.index(key), of) for key, of in COLUMNS.items()]
    return [{key: of(row[at]) for key, at, of in columns} for row in (line.split(",") for line in rows)]


def truth(folder):
    """What is judged of the bench's truth. The bench may be writing at this moment: what does not end with a line end is not a row."""
    path = folder / "run" / "truth.csv"
    lines = path.read_text(encoding="utf-8").split("\n")[:-1] if path.exists() else []
    return read(lines[1:], lines[0].split(",")) if lines else []


def last_row(folder):
    """None before there is one."""
    path = folder / "run" / "truth.csv"
    if not path.exists():
        return None
    with open(path, "rb") as file:
        head = file.readline().decode().strip().split(",")
        file.seek(max(os.path.getsize(path) - 1000, file.tell()))
        lines = file.read().decode().split("\n")[:-1]
    whole = lines[-1:] if lines and len(lines[-1].split(",")) == len(head) else []
    return next(iter(read(whole, head)), None)


def stands(row):
    return abs(row["speed_rad_per_s"]) < 0.05


def is_down(row, welded=False):
    """Drive off, contactor open, shaft standing, the brake told to let go (bench time stands still before its current is gone)."""
    return row["drive_on"] == 0 and (welded or row["contactor"] == 0) and stands(row) and row["node"] in ("safe", "idle")


def await_rest(folder, seconds=20, welded=False):
    """A program that died leaves it to the node's lease, in machine time. The rows, at the end."""
    def at_rest():
        last = last_row(folder)
        return last and is_down(last, welded)
    harness.wait_for(at_rest, seconds, "the shaft to stand")
    return truth(folder)


def last_stop(rows):
    """Rows from the moment on that drive or contactor went off for good; empty where nothing was ever on."""
    on = [i for i, row in enumerate(rows) if row["drive_on"] or row["contactor"]]
    return rows[on[-1]:] if on else []


def let_go(rows, since_s=0.0):
    """The first row in which a shaft that nothing drives turns without being held, long enough after the drive went off for
    the brake's coil to have its current; None where there is none."""
    off_s = None
    for row in rows:
        if row["drive_on"]:
            off_s = None
            continue
        off_s = row["t_s"] if off_s is None else off_s
        late = row["t_s"] - max(off_s, since_s) > COIL_S
        if row["t_s"] >= since_s and late and abs(row["speed_rad_per_s"]) > TURNS and row["brake_A"] < HELD_A:
            return row
    return None


def book_is_whole(folder):
    """By SQLite's own checks, and by what `bridle log verify` asks, without the start of a whole program."""
    if not (folder / "logbook").exists():
        return
    with contextlib.closing(sqlite3.connect(f"file:{folder / 'logbook'}?mode=ro", uri=True, timeout=5)) as db:
        for check, whole in (("integrity_check", [("ok",)]), ("foreign_key_check", [])):
            found = db.execute(f"PRAGMA {check}").fetchall()
            assert found == whole, f"SQLite's {check}: {found[:3]}"
    asked = subprocess.run([VERIFY, str(folder / "logbook")], capture_output=True, text=True)
    assert asked.returncode == 0, asked.stderr


def announced(text):
    """Load points that a person was told of, in order: (step, direction)."""
    way = {"rising": 1, "falling": -1}
    words = [line.split() for line in text.splitlines() if line.startswith("step ") and ": commanded " in line]
    return [(int(word[1]), way[word[2].rstrip(":")]) for word in words]


def told_is_kept(folder, text, run_before):
    told, run = announced(text), newest_run(folder)
    kept = points_of(folder, run) if run > run_before else []
    assert told == kept[:len(told)], f"announced {told}, on the disk {kept}"


def kill_quietly(process):
    if process.poll() is None:
        process.kill()
    try:
        process.wait(10)
    except subprocess.TimeoutExpired:
        pass


def rest_of(folder, patient, welded):
    """The rows to the end. A program that died leaves the stop to the node, in machine time."""
    if patient:
        return await_rest(folder, welded=welded)
    end = time.monotonic() + 3
    while (last := last_row(folder)) and last["node"] in ("live", "stopping") and not is_down(last) and time.monotonic() < end:
        time.sleep(0.02)
    return truth(folder)


# --- the campaign's verdicts: each takes what was seen and yields sentences "kind: what is wrong" ---

TORQUE_MARGIN = 1.1  # of the smallest stated limit
LEASE_S = 0.31       # rig.ini [tether] lease, and a tick: until then nobody commands a node that hears nothing
IN_STEP_S = 1.4      # where it goes to and fro in step with the drive's words, so that none jumps: a rotor that does not fit the shaft (I4a)
LIMIT_NM, LIMIT_RPM = 45, 150
OLD_ROTOR_S = 2.6    # where the drive's word is lost with the slow samples: until those are a cause themselves
LOSES_LINES = {"node-blink", "lost-samples", "half-lines", "garbage", "swapped-samples", "delayed-lines"}
RATTLE_S = 1.1       # five words of the drive's rotor, 0.2 s each, and a row of the truth: three jumps among them (I4a)
SWING_NM = 8         # of the 10 N.m of rig.ini [guard] swing: of means over a row of the truth
FOLLOW_A, FOLLOW_S = 0.1, 0.5  # rig.ini [guard]: an open coil is nothing to see where hardly any current is commanded
STOP_S = 3.0         # from a drive that is off to a shaft that stands, with a brake
STOP_ALONE_S = 20.0  # without: by friction alone


def has(seen, mark):
    return any(mark in fault.marks for fault in seen.faults)


def was_driven(seen):
    return any(row["drive_on"] or row["contactor"] for row in seen.rows)


def ended_by_a_stop(seen):
    return seen.result.status != 0 and was_driven(seen)


def ended(seen):
    status = seen.result.status
    if status < 0 and -status != 9:
        yield f"died: by signal {-status}"
    elif status < 0 and not any(fault.word == "SIGKILL" for fault in seen.faults):
        yield "died: killed by nobody of this case"
    elif status > 3:
        yield f"died: status {status}"
    elif status > 0 and "bridle: " not in seen.text and not (has(seen, "nobody reads") and seen.told):
        yield "no sentence: " + seen.text[-200:]
    for bad in ("nan ", "(null)", "Sanitizer", "Assertion"):
        if bad in seen.text:
            yield f"no sentence: \"{bad}\" in {seen.text[-300:]}"


def brought_down(seen):
    if not seen.rows or not was_driven(seen):
        return
    last = seen.rows[-1]
    stuck = has(seen, "no cut") and has(seen, "no drive off")
    if last["drive_on"] and last["contactor"] and not stuck:
        yield f"not down: the drive is still on at {last['t_s']} s"
    if last["contactor"] and not has(seen, "no cut"):
        yield f"not down: the contactor is still closed at {last['t_s']} s"
    if abs(last["speed_rad_per_s"]) > TURNS and not stuck and not has(seen, "no brake"):
        yield f"not down: the shaft turns at {last['speed_rad_per_s']:.2f} rad/s at the end"


def was_struck(seen, row):
    """A shaft that stood, and was let go for that, turns by a blow to the lever that comes just then."""
    for fault, at_s in zip(seen.faults, seen.times):
        before = [r for r in seen.rows if r["t_s"] < at_s]
        if fault.word == "torque-spike" and 0 <= row["t_s"] - at_s < 0.2 and before and stands(before[-1]):
            return True
    return False


def held(seen):
    """From the first fault on, a shaft that nothing drives is held until it stands, in a stop."""
    if not ended_by_a_stop(seen) or has(seen, "no brake"):
        return
    if seen.stop_s is None and "stopping: " not in seen.text and seen.result.status > 0:
        return  # the run came to its end, and what failed was its end in the logbook
    since = max(seen.times[0], seen.stop_s or last_stop(seen.rows)[0]["t_s"])
    if has(seen, "no word"):
        since = max(since, max(seen.times) + LEASE_S)
        driven = [row for row in seen.rows if row["drive_on"]]
        if driven and driven[-1]["brake_A"] < HELD_A:
            return  # nobody is left to brake more: the node keeps what it had (L2), and that was nothing
    row = let_go([row for row in seen.rows if row["t_s"] >= since - 0.2], since)
    if row and not was_struck(seen, row):
        yield f"let go: {row['speed_rad_per_s']:.2f} rad/s with {row['brake_A']:.3f} A, undriven, at {row['t_s']:.2f} s"


def found_from(seen, off):
    """A pick-up that lies is found by what the drive says of its rotor; while the shaft turns round both are next to nothing, and the
    time begins anew. A runaway from the zero has to get to the speed of the sweep first, turning round before it perhaps."""
    if seen.faults[0].word == "overspeed":
        return next((row["t_s"] for row in seen.rows if seen.times[0] < row["t_s"] < off["t_s"] and abs(row["speed_rad_per_s"]) > SWEEPS), seen.times[0])
    slow = [row["t_s"] for row in seen.rows if seen.times[0] < row["t_s"] < off["t_s"] and abs(row["speed_rad_per_s"]) < TURNS]
    return max(slow, default=seen.times[0]) if seen.faults[0].word.startswith("pickup") else seen.times[0]


def in_time(seen):
    if not seen.rows or not was_driven(seen):
        return
    after = [row for row in seen.rows if row["t_s"] >= seen.times[0]]
    if len(seen.faults) == 1 and seen.faults[0].within_s and after and after[0]["drive_on"] and after[0]["contactor"]:
        off = next((row for row in after if not row["drive_on"] or not row["contactor"]), None)
        took = off["t_s"] - found_from(seen, off) if off else float("inf")
        if took > seen.faults[0].within_s:
            yield f"late: the drive was on for {took:.2f} s more, stated {seen.faults[0].within_s} s"
    if ended_by_a_stop(seen) and not (has(seen, "no cut") and has(seen, "no drive off")):
        rest = last_stop(seen.rows)
        stood = next((row for row in rest if abs(row["speed_rad_per_s"]) < TURNS), None)
        took = stood["t_s"] - rest[0]["t_s"] if rest and stood else float("inf") if rest else 0
        allowed = STOP_ALONE_S if has(seen, "no brake") else STOP_S
        if took > allowed:
            yield f"late: the shaft turned for {took:.2f} s after the drive was off, stated {allowed} s"


def mean_Nm(before, row):
    """At the flange over a row of the truth, some 0.1 s: what a cell could see at best of a torque that goes to and fro faster."""
    return abs(row["int_torque_Nms"] - before["int_torque_Nms"]) / max(row["t_s"] - before["t_s"], 1e-6)


def unseen_s(rows):
    """From the first peak beyond the limit to a drive that is off, where the cell cannot see it (I4a): the mean over 50 ms and more
    stays within the limit. None where it could."""
    pairs = [(before, row) for before, row in zip(rows, rows[1:]) if row["peak_torque_Nm"] > TORQUE_MARGIN * LIMIT_NM]
    if any(row["t_s"] - before["t_s"] > 0.05 and mean_Nm(before, row) > LIMIT_NM for before, row in pairs):
        return None
    off = next((row["t_s"] for row in rows if row["t_s"] >= pairs[0][0]["t_s"] and not row["drive_on"]), float("inf"))
    return off - pairs[0][0]["t_s"]


def found_within_s(seen):
    return IN_STEP_S if seen.cause == "pickup" else OLD_ROTOR_S if has(seen, "old rotor") else RATTLE_S


def within_limits(seen):
    most = max((row["peak_torque_Nm"] for row in seen.rows), default=0)
    if most <= TORQUE_MARGIN * LIMIT_NM:
        return
    unseen = unseen_s(seen.rows)
    if unseen is None:
        yield f"limit: {most:.1f} N.m at the flange, limit {LIMIT_NM} N.m"
    elif unseen > (stated := found_within_s(seen)) and not has(seen, "no rotor"):
        yield f"limit: {most:.1f} N.m to and fro at the flange for {unseen:.2f} s, limit {LIMIT_NM} N.m, stated {stated} s"
    seen.rattled = most


def brake_was_asked(seen):
    """Was more current commanded, for longer than rig.ini [guard] brake_follow and brake_follow_time allow, than there was?"""
    since, rows = min(seen.times), query(seen.folder, "SELECT mono_ns * 1e-9, brake_set_A - brake_A FROM samples WHERE run_id = ? AND "
                                         "brake_set_A IS NOT NULL AND brake_A IS NOT NULL ORDER BY mono_ns", seen.run)
    bad_s = 0
    for (before_s, _), (t_s, missing_A) in zip(rows, rows[1:]):
        bad_s = bad_s + t_s - before_s if missing_A > FOLLOW_A and t_s > since else 0
        if bad_s > FOLLOW_S:
            return True
    return False


def never_came(seen, fault):
    """There are as many calls of the disk as the machine is quick: the run was over before the one that should fail, or its end was on the
    disk and what failed was the tidying up at the close (kept() reads it all back)."""
    return fault.is_of_the_program and (not seen.came or "no book" in fault.marks and seen.outcome == "done")


def untold_cut(seen):
    """What opened the contactor and was not told any more. Where the node sent nothing from then on a drive with a line of its own says
    that its power is gone, before the silence is one. Where only slow samples are missing the node says that it went safe, not why."""
    words = {fault.word for fault in seen.faults}
    if not {"estop", "guard", "contactor-drop"} & words:
        return set()
    silent = has(seen, "no word") and seen.case.rig == "light own lines"
    return ({"drive_dropout"} if silent else set()) | ({"node_safe"} if "slow-lost" in words else set())


def untold_reset(seen):
    """A node that begins anew says so once; where that is lost it is only silent, for it sends nothing unasked."""
    words = [fault.word for fault in seen.faults]
    return {"node_silent"} if "node-reset" in words and LOSES_LINES & set(words) else set()


def unspoken_slip(seen):
    """The closing zero turns more slowly than pick-up and drive are compared at (I26): there the shaft does not turn as it should."""
    late = seen.case.phase == "falling" and any(fault.word in ("pickup-slip", "pickup-half") for fault in seen.faults)
    return {"sequence"} if late else set()


def lost_spike(seen):
    """60 ms that a cable was out for as well."""
    at = {fault.word: (t_s, fault.act) for t_s, fault in zip(seen.times, seen.faults)}
    if not {"torque-spike", "node-blink"} <= set(at):
        return set()
    spike_s, (out_s, act) = at["torque-spike"][0], at["node-blink"]
    return {"done"} if out_s <= spike_s + 0.005 and out_s + float(act.split()[1]) >= spike_s + 0.055 else set()


def swung(seen):
    """What the guard calls an oscillation: did the torque at the flange go up and down by that much in the last second, or did the rotor run
    away from a shaft whose pick-up lies (I4a: three jumps in five words)?"""
    words = {fault.word for fault in seen.faults}
    if "overspeed" in words and any(word.startswith("pickup") for word in words):
        return True
    rows = [row for row in seen.rows if seen.stop_s and seen.stop_s - 1 <= row["t_s"] <= seen.stop_s]
    mean = [mean_Nm(*pair) for pair in zip(rows, rows[1:]) if pair[1]["t_s"] > pair[0]["t_s"]]
    return len(mean) > 1 and max(mean) - min(mean) > SWING_NM


def dropped_out(seen):
    """Of a drive that two faults together drive beyond what the supply gives."""
    return any(row["drive_flags"] & UNDERVOLTAGE for row in seen.rows if seen.stop_s and row["t_s"] <= seen.stop_s + 0.1)


def rebounded(seen):
    """The node stopped the shaft by itself, and one of the few samples that came through shows the lever swinging back: it stands until the
    next one comes, and so may be taken for a torque of the wrong sign."""
    braked = any(row["node"] == "stopping" for row in seen.rows if seen.stop_s and row["t_s"] <= seen.stop_s)
    return braked and any(fault.word in ("garbage", "lost-samples", "half-lines") for fault in seen.faults)


def is_over_at_once(seen, fault):
    """A coil that was stuck on and is open before the current that nobody commanded was there for long enough."""
    first, last = seen.faults[0], seen.faults[-1]
    return fault is first and first.word == "brake-stuck-on" and last.word in ("brake-off", "brake-stuck") and seen.times[-1] - seen.times[0] < FOLLOW_S


def named(seen):
    each = [fault.causes | ({"done"} if "no brake" in fault.marks and not brake_was_asked(seen) or never_came(seen, fault) or is_over_at_once(seen, fault) else set())
            | (lost_spike(seen) if fault.word == "torque-spike" else set()) for fault in seen.faults]
    right = set().union(untold_cut(seen), untold_reset(seen), unspoken_slip(seen), *each)
    if rebounded(seen):
        right.add("wrong_sign")
    if len(seen.faults) == 2:
        right |= ({"oscillation"} if swung(seen) else set()) | ({"drive_dropout"} if dropped_out(seen) else set())
    status = seen.result.status
    if status < 0:
        name = "killed"
    elif status == 0:
        name = "done"
    elif not was_driven(seen):
        name = "refused"
    else:
        name = seen.cause or "rig_gone"
    if name == "rig_gone" and has(seen, "no book"):
        return
    if name == "refused" and right & {"refused", "logbook"}:
        return
    if len(seen.faults) == 2 and status == 0 and not all("done" in causes for causes in each):
        yield f"unnoticed: the run ended \"done\""
    elif name not in right:
        yield f"{'unnoticed' if name == 'done' else 'cause'}: {name}, right: {', '.join(sorted(right))}"


def told_true(seen):
    """Each thing that is said of the shaft, against the truth from that moment on."""
    if seen.told_at_s is None or not seen.rows:
        last = seen.rows[-1] if seen.rows else None
        if "Drive off, contactor open" in seen.text and last and (last["drive_on"] or last["contactor"] or
                                                                  abs(last["speed_rad_per_s"]) > TURNS):
            yield f"false word: \"Drive off, contactor open, shaft standing\", and {seen.rows[-1]}"
        return
    before = [row for row in seen.rows if row["t_s"] <= seen.told_at_s]
    after = before[-1:] + [row for row in seen.rows if row["t_s"] > seen.told_at_s]
    safe = "NOT SAFE" not in seen.told
    if safe and any(row["contactor"] for row in after):
        yield f"false word: told as safe at {seen.told_at_s} s, and the contactor is closed"
    if safe and any(row["drive_on"] for row in after):
        yield f"false word: told as safe at {seen.told_at_s} s, and the drive is on"
    if safe and any(abs(row["speed_rad_per_s"]) > TURNS for row in after):
        yield f"false word: told as safe at {seen.told_at_s} s, and the shaft turns"
    if "Nothing loaded the shaft" in seen.told and any(row["drive_on"] and 0 <= seen.stop_s - row["t_s"] < 0.5 for row in before):
        yield "false word: \"nothing loaded the shaft\", and the drive did"
    if "still turns" in seen.told and all(abs(row["speed_rad_per_s"]) < 0.02 for row in after):
        yield f"false alarm: \"the shaft still turns\", and it stands"
    if not safe and seen.result.status not in (3, -9):
        yield f"false word: NOT SAFE with status {seen.result.status}"


def kept(seen):
    try:
        told_is_kept(seen.folder, seen.result.err, seen.before)
    except AssertionError as lost:
        yield f"lost point: {lost}"
    try:
        book_is_whole(seen.folder)
    except (AssertionError, sqlite3.DatabaseError) as broken:
        yield f"logbook: {broken}"


VERDICTS = [ended, brought_down, held, in_time, within_limits, named, told_true, kept]


def verdicts(seen):
    return [sentence for rule in VERDICTS for sentence in rule(seen)]
