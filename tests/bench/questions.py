#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""What a person meets at a terminal of 80 columns: questions that fit and their answers, Ctrl-C as the answer q."""
import os
import re
import signal
import time

import harness
from terminal import Terminal


def widest(text):
    return max(len(line) for line in re.split(r"[\r\n]+", text.replace("\033[K", "")))


def outcomes(bench):
    return [run["outcome"] for run in bench.must("log", "list")["runs"]]


def asked_at_a_weight(ask, asks=3):
    with harness.Bench(seed=3) as bench:
        bench.must("probe", "--seconds", 1)  # the bench is up
        hang = Terminal("hang", "--bench", bench.folder)
        hang.answer("q to stop:", 1, b"\n")
        hang.answer("q to stop:", 2, b"")
        ask(hang)
        hang.answer("q to stop:", asks, b"\n")  # weights and arm come off, whatever happened
        assert hang.end() == 1, hang.text
        assert "the operator stopped at: Preload" in hang.text, hang.text
        assert "Take off weights" in hang.text and widest(hang.text) <= 80, hang.text
        assert outcomes(bench)[-1] == "refused", outcomes(bench)


def ctrl_c_at_a_weight_ends_the_run_with_its_words():
    asked_at_a_weight(lambda hang: os.write(hang.far, b"\x03"))


def so_do_ctrl_z_and_term():
    """Held by Ctrl-Z the program would not watch over the person at the shaft; killed, it would leave no end."""
    asked_at_a_weight(lambda hang: os.write(hang.far, b"\x1a"))
    asked_at_a_weight(lambda hang: hang.process.send_signal(signal.SIGTERM))


def what_nohup_ignores_is_no_answer():
    def hung_up(hang):
        hang.process.send_signal(signal.SIGHUP)
        time.sleep(0.2)
        os.write(hang.far, b"x\n")
        hang.answer("is not an answer here", 1, b"")
        assert "Take off weights" not in hang.text, hang.text
        os.write(hang.far, b"q\n")

    old = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        asked_at_a_weight(hung_up, asks=4)
    finally:
        signal.signal(signal.SIGHUP, old)


def what_was_typed_before_a_question_is_no_answer_to_it():
    """A person in fear presses q again and again, and Enter once too often."""
    with harness.Bench(seed=3) as bench:
        bench.must("probe", "--seconds", 1)
        hang = Terminal("hang", "--bench", bench.folder)
        hang.answer(PROMPT, 1, b"h\n\n")
        hang.answer(PROMPT, 2, b"")
        time.sleep(0.3)
        assert hang.text.count(PROMPT) == 2, hang.text
        hang.answer(PROMPT, 2, b"h\n" + 12 * b"q\n")  # into the reading, with its end, and before the next question
        hang.answer(PROMPT, 3, b"")
        time.sleep(0.3)
        assert hang.process.poll() is None, hang.text
        os.write(hang.far, b"\n")
        assert hang.end() == 1, hang.text
        assert hang.text.count(PROMPT) == 3, hang.text
        assert bench.run("map", "--actuator", "paddle-winder").status == 1  # no calibration, but the arm is known to be off
        assert outcomes(bench)[-1] == "stopped", outcomes(bench)


PROMPT = "q to stop:"


YES_OR_NO = "yes or no:"


def converse(bench, answer, *args, command="hang"):
    """A command with a person whose answer(question, number) gives what is typed; returns its status and all that was said."""
    hang = Terminal(command, "--bench", bench.folder, *args)
    seen = number = 0
    while True:
        def asked():
            return [at for at in (hang.text.find(prompt, seen) + len(prompt) for prompt in (PROMPT, YES_OR_NO)
                                  if prompt in hang.text[seen:])]
        harness.wait_for(lambda: asked() or hang.process.poll() is not None, 30, "the next question")
        if not asked():
            break
        at = min(asked())
        question = " ".join(hang.text[seen:at].split())
        seen, number = at, number + 1
        os.write(hang.far, answer(question, number).encode() + b"\n")
    status = hang.end()
    time.sleep(0.1)
    assert widest(hang.text) <= 80, hang.text
    return status, " ".join(hang.text.split())


def records(bench):
    return [record["kind"] for record in bench.must("log", "list")["records"]]


def by_hands(question, _):
    return "h" if "the virtual bench does it" in question else ""


def only_enter_is_done():
    with harness.Bench(seed=3) as bench:
        bench.must("probe", "--seconds", 1)
        status, said = converse(bench, lambda question, number: [" q", "Q", "done", "quit", "", "q", ""][number - 1] if number < 8 else "")
        assert status == 1 and said.count("is not an answer here") == 4, said
        assert "the operator stopped at: Preload" in said, said


def nothing_hung_is_told_at_once_and_never_kept():
    """Enter at each prompt with nothing on the arm gave -1.3(14) count/(N.m), zero return 318 %, kept, "Next: bridle map"."""
    with harness.Bench(seed=3) as bench:
        bench.must("probe", "--seconds", 1)
        first = []
        def enter(question, number):
            if "did not move" in question:
                first.append(number)
            return ""
        status, said = converse(bench, enter, "--series", "1", "--steps", "2")
        # arm, preload on, preload off: and then it is said
        assert first and first[0] == 4, (first, said)
        assert status == 1 and "not usable" in said and "Next: bridle map" not in said, said
        assert records(bench) == ["unusable_calibration"] and outcomes(bench)[-1] == "refused"


def a_load_that_was_forgotten_is_hung_again():
    with harness.Bench(seed=3) as bench:
        bench.must("probe", "--seconds", 1)
        asked = []
        def forget_load_2(question, number):
            asked.append(question)
            if "did not move" in question:
                return "r"
            if "Hang" in question and "load 2 of 3" in question and not any("did not move" in q for q in asked):
                return ""
            return by_hands(question, number)
        status, said = converse(bench, forget_load_2, "--series", "1", "--steps", "3")
        again = [q for q in asked if "Again: the arm must carry exactly hanger, 2kg-a, 2kg-b, 2kg-c, 2kg-d, 8.512 kg" in q]
        assert len(again) == 1 and "Taken back: 1 reading." in said, said
        assert status == 0 and records(bench) == ["calibration"], said


def one_can_go_back_and_drop_a_series():
    with harness.Bench(seed=3) as bench:
        bench.must("probe", "--seconds", 1)
        typed = iter(["h"] * 9 + ["b", "h", "h", "h", "d"])
        def script(question, number):
            return next(typed, None) or by_hands(question, number)
        status, said = converse(bench, script, "--series", "1", "--steps", "3")
        assert "Taken back: 2 readings." in said and "Series 1 dropped" in said, said
        assert status == 0 and records(bench) == ["calibration"], said
        points = bench.must("log", "list")["records"][0]["contents"]["points"]
        assert [round(p["torque_Nm"], 1) for p in points] == [0, 22.1, 41.8, 56.5, 41.8, 22.1, 0], points


def a_wrong_series_is_dropped_at_the_end():
    """A weight forgotten at one load and the reading kept: nothing is kept before that series is taken again."""
    with harness.Bench(seed=3) as bench:
        bench.must("probe", "--seconds", 1)
        state = {"forgot": False, "dropped": False}
        def keep_the_mistake(question, number):
            if "No calibration yet" in question:
                assert "looks wrong" in question and "d drop series 2 and take it again" in question, question
                state["dropped"] = True
                return "d"
            if "Hang" in question and "load 3 of 6" in question and state.get("second") and not state["forgot"]:
                state["forgot"] = True
                return ""
            if "Take everything off" in question and "Preload" not in question:
                state["zeros"] = state.get("zeros", 0) + 1
                state["second"] = state["zeros"] > 3
            return by_hands(question, number)
        status, said = converse(bench, keep_the_mistake, "--series", "2")
        assert state["forgot"] and state["dropped"] and status == 0 and records(bench) == ["calibration"], said


def a_hang_is_taken_up_later():
    with harness.Bench(seed=3) as bench:
        bench.must("probe", "--seconds", 1)
        nothing = bench.run("hang", "--resume", "--hands", "--json")
        assert nothing.status == 2 and "no bridle hang" in nothing.json["message"], nothing
        def leave(question, number):
            return "q" if number == 17 else by_hands(question, number)
        status, said = converse(bench, leave, "--series", "2", "--steps", "3")
        assert status == 1 and "Kept: 1 of 2 series. Next: bridle hang --resume" in said, said
        refused = bench.run("hang", "--resume", "--hands", "--json", "--series", "3")
        assert refused.status == 2 and "other weights" in refused.json["message"], refused
        done = bench.must("hang", "--resume", "--hands", "--series", "2", "--steps", "3")
        assert done["usable"] and len(done["points"]) == 14, done["points"]
        runs = [run for run in bench.must("log", "list")["runs"] if run["kind"] == "hang"]
        assert [run["outcome"] for run in runs] == ["refused", "done"] and runs[1]["resumes"] == runs[0]["run"], runs
        kept = [event["text"] for event in bench.must("log", "show", runs[0]["run"])["events"] if event["kind"] == "reading"]
        first = [float(text.split(" count ")[1].split()[0]) for text in kept if " series 1 " in text][6:]
        fresh = [event["text"] for event in bench.must("log", "show", runs[1]["run"])["events"] if event["kind"] == "reading"]
        assert len(first) == 7 and not any(" series 1 " in text for text in fresh), (first, fresh)
        zero = first[0]
        found = [point["indication"] for point in done["points"] if point["series"] == 1]
        assert all(abs(a - (b - zero)) < 1e-6 for a, b in zip(found, first)), (found, first)
        nothing = bench.run("hang", "--resume", "--hands", "--json")
        assert nothing.status == 2 and "ended normally" in nothing.json["message"], nothing


def the_stop_of_a_virtual_bench_is_pressed_by_a_key():
    with harness.Bench(seed=3) as bench:
        bench.must("hang", "--hands", "--series", "1", "--steps", "4")
        bench.must("map", "--actuator", "paddle-winder", "--currents", "5")
        questions = []
        def person(question, _):
            questions.append(question)
            return "yes" if YES_OR_NO in question else by_hands(question, _)
        status, said = converse(bench, person, "gentle", "--no-check", command="ready")
        assert status == 0 and said.count("contactor opened after") == 2, said
        assert sum("can press its emergency stop: type h" in question for question in questions) == 1, questions
        turning = [question for question in questions if "The shaft now turns slowly" in question]
        assert len(turning) == 1 and turning[0].endswith("Enter to start, q to stop:"), turning
        # Enter alone presses nothing, and then the rig is not ready
        status, said = converse(bench, lambda question, _: "yes" if YES_OR_NO in question else "", "gentle", "--no-check", command="ready")
        assert status == 1 and "was not seen to be pressed" in said and "contactor opened after" not in said, said


def a_narrow_terminal_cuts_no_number_and_no_word():
    def lines(*args, width):
        command = Terminal(*args, width=width)
        assert command.end() in (0, 1), command.text
        time.sleep(0.1)
        return command.text

    with harness.Bench(seed=3) as bench:
        at = ("--bench", bench.folder)
        bench.must("hang", "--hands", "--series", "1", "--steps", "4")
        bench.must("map", "--actuator", "paddle-winder", "--currents", "5")
        bench.must("ready", "gentle", "--hands", "--answers", "yes")
        bench.must("sweep", "gentle")
        for args in (("--help",), ("hang", "--help"), ("probe", "--seconds", "1", *at), ("report", "--no-figures", *at), ("log", "list", *at),
                     ("log", "show", "4", *at), ("log", "check", *at)):
            wide, narrow = lines(*args, width=120), lines(*args, width=60)
            assert widest(narrow) <= 60, (args, [line for line in narrow.splitlines() if len(line) > 60])
            # numbers that are others each time, all one line, a digest in two rows, a chart of fewer columns
            if args[0] not in ("probe", "--help") and args[1] not in ("show", "check"):
                assert narrow.split() == wide.split(), args
        chart = [line for line in lines("log", "check", *at, width=60).splitlines() if line.startswith("   1  ")]
        assert len(chart) == 1 and "|" in chart[0] or "o" in chart[0], chart  # one row a check
        shown = lines("log", "show", "4", *at, width=60)
        assert "drive     enabled" in shown and "drive     not enabled" in shown, shown
        rows = [line for line in shown.splitlines() if "rising" in line and "step" not in line]
        assert len(rows) == 4 and all(len(line.split()) == 8 for line in rows), rows  # no row is broken
        document = Terminal("log", "list", "--json", *at, width=60)
        document.end()
        time.sleep(0.1)
        assert harness.json.loads(document.text)["runs"], document.text


if __name__ == "__main__":
    harness.main(ctrl_c_at_a_weight_ends_the_run_with_its_words, so_do_ctrl_z_and_term, what_nohup_ignores_is_no_answer,
                 what_was_typed_before_a_question_is_no_answer_to_it, only_enter_is_done, nothing_hung_is_told_at_once_and_never_kept,
                 a_load_that_was_forgotten_is_hung_again, one_can_go_back_and_drop_a_series, a_wrong_series_is_dropped_at_the_end,
                 a_hang_is_taken_up_later, the_stop_of_a_virtual_bench_is_pressed_by_a_key,
                 a_narrow_terminal_cuts_no_number_and_no_word)
