/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "run/seq_rehearse.h"

#include "tests/unit/run/tiny_rig.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>

#include <cmocka.h>

/* The person: pulls 0.5 s after being asked. What the guard does then is not the sequence's: the test looks on, as
 * the loop's tick hook does. */
struct person {
	struct rehearse *rehearse;
	struct tiny_rig *rig;
	int asked_for;
	bool deaf, welded;
};

static void act(void *ctx, const struct tiny_rig *rig, const struct seq_out *out)
{
	struct person *p = ctx;

	(void)rig;
	if (out->event.kind == SEQ_EVENT_NOTE) {
		bool estop = p->rehearse->what == REHEARSE_ESTOP;

		p->asked_for = 1;
		assert_non_null(
			strstr(out->event.text, estop ? "1 of 2: press the emergency stop" : "2 of 2: open the guard"));
		assert_string_equal(out->phase, estop ? "press" : "open");
	}
	if (rig->ticks < 100) { /* a second to look before anything is closed */
		assert_string_equal(out->phase, "look");
		assert_false(out->wish.power);
	}
	if (p->asked_for > 0 && ++p->asked_for == 50 && !p->deaf) {
		p->rig->estop_ok = p->rehearse->what != REHEARSE_ESTOP;
		p->rig->cage_closed = p->rehearse->what != REHEARSE_CAGE;
	}
	if (p->welded && p->asked_for)
		p->rig->snap.contactor_closed = true;
	assert_int_equal(out->wish.mode, DRIVE_OFF);
	assert_true(fabs(out->wish.brake_A) <= 0);
	rehearse_watch(p->rehearse, &p->rig->snap);
}

static void sees_the_contactor_drop(void **state)
{
	static const enum rehearse_what whats[] = { REHEARSE_ESTOP, REHEARSE_CAGE };

	(void)state;
	for (size_t i = 0; i < 2; i++) {
		struct tiny_rig rig = tiny_rig_make(21);
		struct rehearse r;
		struct person person = { &r, &rig, 0, false, false };
		rehearse_begin(&r, whats[i], 30, LINES_ALL);
		tiny_run(&rig, rehearse_step, &r, 5, act, &person);
		assert_true(person.asked_for > 50);
		assert_true(rehearse_passed(&r));
		assert_true(rehearse_drop_s(&r) >= 0 && rehearse_drop_s(&r) <= 0.02);
	}
}

static void a_welded_contactor_does_not_pass(void **state)
{
	struct tiny_rig rig = tiny_rig_make(22);
	struct rehearse r;
	struct person person = { &r, &rig, 0, false, true };

	(void)state;
	rehearse_begin(&r, REHEARSE_ESTOP, 30, LINES_ALL);
	tiny_run(&rig, rehearse_step, &r, 5, act, &person);
	assert_true(r.line_opened);
	assert_false(rehearse_passed(&r));
	assert_true(isnan(rehearse_drop_s(&r)));
}

static void nobody_pulls(void **state)
{
	struct tiny_rig rig = tiny_rig_make(23);
	struct rehearse r;
	struct person person = { &r, &rig, 0, true, false };

	(void)state;
	rehearse_begin(&r, REHEARSE_ESTOP, 10, LINES_ALL);
	struct seq_out out = tiny_run(&rig, rehearse_step, &r, 60, act, &person);
	assert_true(out.stop);
	assert_false(rehearse_passed(&r));
}

static void does_not_begin_with_a_stop_that_is_pulled(void **state)
{
	struct tiny_rig rig = tiny_rig_make(24);
	struct rehearse r;

	(void)state;
	rig.estop_ok = false;
	rehearse_begin(&r, REHEARSE_ESTOP, 10, LINES_ALL);
	struct seq_out out = tiny_run(&rig, rehearse_step, &r, 60, NULL, NULL);
	assert_true(out.stop);
	assert_non_null(strstr(out.event.text, "emergency stop"));
	assert_false(out.wish.power);
}

static void closed_by_itself(void *ctx, const struct tiny_rig *rig, const struct seq_out *out)
{
	(void)rig;
	(void)out;
	((struct tiny_rig *)ctx)->snap.contactor_closed = true;
}

static void released_finishes_only_with_the_contactor_open(void **state)
{
	struct tiny_rig rig = tiny_rig_make(25);
	struct rehearse r;

	(void)state;
	rehearse_begin(&r, REHEARSE_RELEASED, 10, LINES_ALL);
	assert_true(tiny_run(&rig, rehearse_step, &r, 60, NULL, NULL).done);
	rehearse_begin(&r, REHEARSE_RELEASED, 10, LINES_ALL);
	rig = tiny_rig_make(26);
	/* something closes it though nothing asked */
	struct seq_out out = { 0 };
	struct wish off = { 0 };
	tiny_look(&rig, &off);
	closed_by_itself(&rig, &rig, &out);
	rehearse_step(&r, &rig.snap, &out);
	assert_true(out.stop);
	assert_false(out.done);
}

/* A node that senses the emergency stop alone: its line is enough, and nothing is said of a contactor that nobody
 * saw. / */
static void passes_without_a_sensed_contactor(void **state)
{
	struct tiny_rig rig = tiny_rig_make(25);
	struct rehearse r;
	struct person person = { &r, &rig, 0, false, true }; /* what was told stands: closed */

	(void)state;
	rehearse_begin(&r, REHEARSE_ESTOP, 30, LINE_ESTOP);
	tiny_run(&rig, rehearse_step, &r, 5, act, &person);
	assert_true(rehearse_passed(&r));
	assert_true(isnan(rehearse_drop_s(&r)));

	rig = tiny_rig_make(26);
	rig.cage_closed = false; /* not sensed: false for ever */
	rehearse_begin(&r, REHEARSE_RELEASED, 10, LINE_ESTOP);
	struct seq_out out = tiny_run(&rig, rehearse_step, &r, 5, NULL, NULL);
	assert_true(out.done && !out.stop);
}

/* The time that is told is that from the line to the contactor: 50 ms here. */
static void tells_how_long_the_contactor_took(void **state)
{
	struct rehearse r;
	struct snapshot snap = { .estop_ok = true, .cage_closed = true, .contactor_closed = true };

	(void)state;
	rehearse_begin(&r, REHEARSE_ESTOP, 30, LINES_ALL);
	r.phase = REHEARSE_ASK;
	for (int tick = 0; tick < 20; tick++) {
		snap.now.ns = 1000000000 + tick * 10000000LL;
		snap.estop_ok = tick < 5;
		snap.contactor_closed = tick < 10;
		rehearse_watch(&r, &snap);
		assert_int_equal(rehearse_passed(&r), tick >= 10);
	}
	assert_true(fabs(rehearse_drop_s(&r) - 0.05) < 1e-9);
}

static void without_the_guard_line(void *state, const struct snapshot *snap, struct seq_out *ret)
{
	struct snapshot seen = *snap;

	seen.channel[CHANNEL_CAGE].fresh = 0;
	seen.cage_closed = false;
	rehearse_step(state, &seen, ret);
}

/* A node that tells the emergency stop alone has told what it can (I22). */
static void one_line_that_is_told_is_enough_to_begin(void **state)
{
	struct tiny_rig rig = tiny_rig_make(27);
	struct rehearse r;

	(void)state;
	rehearse_begin(&r, REHEARSE_RELEASED, 10, LINE_ESTOP);
	assert_true(tiny_run(&rig, without_the_guard_line, &r, 5, NULL, NULL).done);
}

/* After 16 s of waiting for the lines: what was not told, or is not good, and of the lines that are sensed alone. */
static void what_keeps_it_from_beginning(void **state)
{
	static const struct {
		unsigned lines;
		bool told, estop_ok, cage_closed, closes;
		const char *says; /* "": it begins */
	} rows[] = {
		{ LINES_ALL, false, true, true, false, "the node sends no state of the emergency stop and the guard" },
		{ LINES_ALL, true, false, false, false, "the emergency stop is still pressed" },
		{ LINES_ALL, true, true, false, false, "the guard is open" },
		{ LINE_CAGE, true, false, true, false, "" },
		{ LINE_ESTOP, true, true, false, false, "" },
		{ LINES_ALL, true, true, true, true, "the contactor is closed without a command" },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct snapshot snap = snapshot_blank();
		struct rehearse r;
		struct seq_out out = { 0 };
		rehearse_begin(&r, REHEARSE_ESTOP, 10, rows[i].lines);
		for (int tick = 0; tick < 160 && !out.stop; tick++) {
			snap.now.ns = 1000000000 + tick * 100000000LL;
			snap.channel[CHANNEL_ESTOP].fresh = snap.channel[CHANNEL_CAGE].fresh = rows[i].told;
			snap.channel[CHANNEL_CONTACTOR].fresh = rows[i].closes;
			snap.estop_ok = rows[i].estop_ok;
			snap.cage_closed = rows[i].cage_closed;
			snap.contactor_closed = rows[i].closes;
			out = (struct seq_out){ 0 };
			if (r.phase == REHEARSE_LOOK)
				rehearse_step(&r, &snap, &out);
		}
		if (*rows[i].says ? !out.stop || !strstr(out.event.text, rows[i].says)
				  : out.stop || r.phase != REHEARSE_CLOSE)
			fail_msg("row %zu: %s", i, out.event.text);
	}
}

/* A contactor that stays open is given up after 2 s, which begin when the person at the drive has done his part. */
static void a_contactor_that_does_not_close(void **state)
{
	struct snapshot snap = snapshot_blank();
	struct rehearse r;
	struct seq_out out = { 0 };

	(void)state;
	rehearse_begin(&r, REHEARSE_ESTOP, 10, LINES_ALL);
	rehearse_step(&r, &snap, &out);
	r.phase = REHEARSE_CLOSE;
	r.phase_at = snap.now;
	for (int tick = 0; tick < 100 && !out.stop; tick++) {
		snap.now.ns += 100000000LL;
		snap.drive_waits = tick < 50;
		out = (struct seq_out){ 0 };
		rehearse_step(&r, &snap, &out);
		assert_true(out.wish.power);
	}
	assert_true(out.stop);
	assert_non_null(strstr(out.event.text, "the contactor does not close"));
	assert_true(fabs((double)snap.now.ns * 1e-9 - 7.1) < 0.05);
}

static void nobody_opens_the_guard(void **state)
{
	struct tiny_rig rig = tiny_rig_make(28);
	struct rehearse r;

	(void)state;
	rehearse_begin(&r, REHEARSE_CAGE, 3, LINES_ALL);
	struct seq_out out = tiny_run(&rig, rehearse_step, &r, 60, NULL, NULL);
	assert_true(out.stop);
	assert_string_equal(out.event.text, "the guard was not seen to open");
	assert_false(rehearse_passed(&r));
	/* a contactor that was never seen closed did not drop, whatever the line did */
	r.line_opened = r.contactor_dropped = true;
	r.contactor_was_closed = false;
	assert_false(rehearse_passed(&r));
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(sees_the_contactor_drop),
		cmocka_unit_test(a_welded_contactor_does_not_pass),
		cmocka_unit_test(nobody_pulls),
		cmocka_unit_test(does_not_begin_with_a_stop_that_is_pulled),
		cmocka_unit_test(released_finishes_only_with_the_contactor_open),
		cmocka_unit_test(passes_without_a_sensed_contactor),
		cmocka_unit_test(tells_how_long_the_contactor_took),
		cmocka_unit_test(one_line_that_is_told_is_enough_to_begin),
		cmocka_unit_test(what_keeps_it_from_beginning),
		cmocka_unit_test(a_contactor_that_does_not_close),
		cmocka_unit_test(nobody_opens_the_guard),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
