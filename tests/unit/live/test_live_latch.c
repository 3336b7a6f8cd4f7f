/* SPDX-License-Identifier: GPL-3.0-or-later */
/* C5, I5 */
#include "live/live_latch.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <time.h>

#include <cmocka.h>

#include "tests/unit/logbook/session_scene.h"

static enum rc check(struct session *s, bool clear, bool still, struct live_latch *ret, struct err *err)
{
	*err = (struct err){ 0 };
	return live_latch_check(s, clear, still, ret, err);
}

/* Held back with this in the sentence, unless a person answers; and a command that energises nothing? */
static void held(struct session *s, const char *says, bool also_still, bool stop, bool fault)
{
	struct live_latch latch;
	struct err err;

	assert_int_equal(check(s, false, false, &latch, &err), RC_SAYS_NO);
	scene_says(&err, "not started: ");
	scene_says(&err, says);
	scene_says(&err, "give --clear");
	assert_int_equal(check(s, false, true, &latch, &err), also_still ? RC_SAYS_NO : RC_OK);
	assert_int_equal(check(s, true, false, &latch, &err), RC_OK);
	assert_int_equal(latch.stop, stop);
	assert_int_equal(latch.fault, fault);
}

static void free_again(struct session *s)
{
	struct live_latch latch;
	struct err err;

	assert_int_equal(check(s, false, false, &latch, &err), RC_OK);
	assert_false(latch.stop || latch.fault);
}

static void answer(struct session *s)
{
	struct live_latch latch;
	struct err err;

	scene_run(s, "sweep");
	assert_int_equal(check(s, true, false, &latch, &err), RC_OK);
	assert_int_equal(live_latch_answer(s, &latch, &err), RC_OK);
	scene_end(s, "done");
}

static void nothing_kept_holds_nothing_back(void **state)
{
	struct session s;

	scene_open(*state, &s);
	free_again(&s);
	scene_run(&s, "sweep");
	scene_event(&s, LOOP_SHAFT, "drive off, contactor open, shaft standing, brake released");
	scene_end(&s, "stopped");
	free_again(&s);
	s.logbook = NULL;
	free_again(&s);
}

/* It began at 12:00 and ended 90 s later. */
static void a_stop_that_was_not_safe_holds_every_command_back(void **state)
{
	struct session s;

	scene_open(*state, &s);
	scene_run(&s, "sweep");
	scene_s = 90;
	scene_event(&s, LOOP_SHAFT, "NOT SAFE: the contactor was not seen open.");
	scene_end(&s, "stopped");
	held(&s, "(run 1, 2026-03-01 12:01) did not end safe. NOT SAFE: the contactor was not seen open.", true, true,
	     false);
	answer(&s);
	free_again(&s);
}

static void a_fault_holds_back_what_energises(void **state)
{
	const struct loop_result result = { .cause = CAUSE_ESTOP, .energised = true };
	struct session s;
	struct err err = { 0 };

	scene_open(*state, &s);
	scene_run(&s, "map");
	scene_s = 3600;
	assert_int_equal(live_latch_keep(&s, &result, "the emergency stop was pressed", &err), RC_OK);
	scene_end(&s, "stopped");
	held(&s, "a fault stopped run 1, 2026-03-01 13:00. Cause estop: the emergency stop was pressed.", false, false,
	     true);
	answer(&s);
	free_again(&s);
	scene_run(&s, "map"); /* the next fault asks anew */
	assert_int_equal(live_latch_keep(&s, &result, "the emergency stop was pressed", &err), RC_OK);
	scene_end(&s, "stopped");
	held(&s, "stopped run 3", false, false, true);
}

/* Killed between its stop and its end. */
static void a_stop_without_an_end_asks_like_a_fault(void **state)
{
	struct session s;

	scene_open(*state, &s);
	scene_run(&s, "sweep");
	scene_event(&s, "stop", "estop");
	held(&s,
	     "run 1, 2026-03-01 12:00, was stopped (estop) and has no end. The program was killed, or its disk was "
	     "full.",
	     false, false, true);
	answer(&s);
	free_again(&s);
	scene_run(&s, "sweep");
	scene_event(&s, "stop", "stall");
	scene_end(&s, "stopped");
	free_again(&s);
}

static void energise(struct session *s)
{
	struct err err = { 0 };

	assert_int_equal(live_latch_energises(s, &err), RC_OK);
}

/* Killed while the rig was energised, or with a disk that was full in its stop. */
static void an_energised_run_without_an_end_asks_like_a_fault(void **state)
{
	struct session s;

	scene_open(*state, &s);
	scene_run(&s, "map");
	energise(&s);
	held(&s,
	     "run 1, 2026-03-01 12:00, may have energised the rig and has no end. The program was killed, or its disk "
	     "was full.",
	     false, false, true);
	scene_run(&s, "probe"); /* answers nothing, whether it ends or not */
	scene_end(&s, "done");
	scene_run(&s, "hang");
	held(&s, "run 1, 2026-03-01 12:00, may have energised", false, false, true);
	answer(&s);
	free_again(&s);
	scene_run(&s, "sweep"); /* the next one asks anew, and can be continued */
	energise(&s);
	held(&s, "give --clear. To continue that run: bridle sweep ", false, false, true);
	answer(&s);
	scene_run(&s, "sweep");
	energise(&s);
	scene_end(&s, "done");
	free_again(&s);
}

/* Weights that were hung, channels that were looked at, and what was killed before its first tick. */
static void a_killed_run_that_energised_nothing_asks_nothing(void **state)
{
	struct session s;

	scene_open(*state, &s);
	scene_run(&s, "hang");
	scene_event(&s, "reading", "item 1");
	scene_run(&s, "probe");
	scene_run(&s, "sweep");
	scene_event(&s, "arm", "off");
	free_again(&s);
}

/* Commands that may begin without an answer (probe, hang) end safe, or are stopped: that answers nothing. */
static void what_runs_meanwhile_answers_nothing(void **state)
{
	struct session s;

	scene_open(*state, &s);
	scene_run(&s, "sweep");
	scene_event(&s, "stop", "stall");
	scene_event(&s, LOOP_SHAFT, "NOT SAFE: the contactor was not seen open.");
	scene_end(&s, "stopped");
	scene_run(&s, "probe");
	scene_event(&s, "stop", "no data from the node");
	scene_event(&s, LOOP_SHAFT, "Nothing was energised.");
	scene_end(&s, "stopped");
	held(&s, "(run 1, 2026-03-01 12:00) did not end safe", true, true, false);
	answer(&s);
	scene_run(&s, "sweep"); /* stopped safe after the answer */
	scene_event(&s, LOOP_SHAFT, "Drive off, contactor open, shaft standing, brake released.");
	scene_end(&s, "stopped");
	free_again(&s);

	scene_run(&s, "sweep");
	scene_event(&s, "stop", "estop"); /* and killed */
	scene_run(&s, "hang");
	scene_event(&s, "stop", "operator");
	scene_end(&s, "stopped");
	held(&s, "run 5, 2026-03-01 12:00, was stopped (estop) and has no end.", false, false, true);
	answer(&s);
	free_again(&s);
}

static void what_the_warden_left_holds_every_command_back(void **state)
{
	struct session s;
	struct live_latch latch;
	struct err err;

	scene_open(*state, &s);
	snprintf(s.warden_said, sizeof s.warden_said, "NOT SAFE: the warden could not open the contactor");
	held(&s, "the warden could not open the contactor", true, true, false);
	snprintf(s.warden_said, sizeof s.warden_said, "the warden opened the contactor");
	assert_int_equal(check(&s, false, false, &latch, &err), RC_OK);
}

/* docs/causes.md says which are faults; what was never energised has nothing to latch, but for the two causes that
 * tell that something is active which nobody commanded. */
static void which_causes_latch(void **state)
{
	static const struct {
		enum cause cause;
		bool energised, keeps;
	} rows[] = {
		{ CAUSE_NONE, true, false },       { CAUSE_ESTOP, true, true },
		{ CAUSE_ESTOP, false, false },     { CAUSE_CONTACTOR, true, true },
		{ CAUSE_CONTACTOR, false, true },  { CAUSE_NOT_AT_REST, false, true },
		{ CAUSE_STALL, true, false },      { CAUSE_LATE_TICK, true, false },
		{ CAUSE_NODE_SILENT, true, true }, { CAUSE_NODE_SILENT, false, false },
		{ CAUSE_OPERATOR, true, false },
	};
	struct book *b = *state;
	struct session s;
	struct err err = { 0 };

	scene_open(b, &s);
	scene_run(&s, "sweep");
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		const struct loop_result result = { .cause = rows[i].cause, .energised = rows[i].energised };
		int64_t before = book_number(b, "SELECT count(*) FROM event WHERE kind = 'fault'");

		assert_int_equal(live_latch_keeps(&result), rows[i].keeps);
		assert_int_equal(live_latch_keep(&s, &result, "message", &err), RC_OK);
		assert_int_equal(book_number(b, "SELECT count(*) FROM event WHERE kind = 'fault'"),
				 before + rows[i].keeps);
	}
}

#define ON_A_LOGBOOK(name) cmocka_unit_test_setup_teardown(name, book_set_up, book_tear_down)

int main(void)
{
	const struct CMUnitTest tests[] = {
		ON_A_LOGBOOK(nothing_kept_holds_nothing_back),
		ON_A_LOGBOOK(a_stop_that_was_not_safe_holds_every_command_back),
		ON_A_LOGBOOK(a_fault_holds_back_what_energises),
		ON_A_LOGBOOK(a_stop_without_an_end_asks_like_a_fault),
		ON_A_LOGBOOK(an_energised_run_without_an_end_asks_like_a_fault),
		ON_A_LOGBOOK(a_killed_run_that_energised_nothing_asks_nothing),
		ON_A_LOGBOOK(what_runs_meanwhile_answers_nothing),
		ON_A_LOGBOOK(what_the_warden_left_holds_every_command_back),
		ON_A_LOGBOOK(which_causes_latch),
	};

	setenv("TZ", "UTC", 1);
	tzset();
	return cmocka_run_group_tests(tests, NULL, NULL);
}
