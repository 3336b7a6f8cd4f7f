/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "run/brake_heat.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "tests/unit/logbook/logbook_scene.h"

#define RPM_OF_10_RAD_PER_S 95.49296585513721 /* 300 / pi */
#define SECOND 1000000000LL

/* 100 samples a second of 10 rad/s and this torque: power_W / 10 N.m. */
static void run_keeping(struct book *b, int64_t begin_s, double seconds, double power_W, bool on_bench, bool ends,
			double kept_J)
{
	struct run_head head = { .kind = "sweep",
				 .mono_ns = begin_s * SECOND,
				 .wall_ns = (1000000 + begin_s) * SECOND,
				 .on_bench = on_bench };

	assert_int_equal(logbook_run_begin(b->lb, &head, &b->err), RC_OK);
	assert_int_equal(logbook_begin(b->lb, &b->err), RC_OK);
	for (int64_t i = 0; i <= lround(seconds * 100); i++) {
		struct sample s = sample_number(i);
		s.mono_ns = begin_s * SECOND + i * SECOND / 100;
		s.torque_Nm = power_W / 10;
		s.speed_rpm = RPM_OF_10_RAD_PER_S;
		assert_int_equal(logbook_samples(b->lb, head.id, &s, 1, &b->err), RC_OK);
	}
	assert_int_equal(logbook_commit(b->lb, &b->err), RC_OK);
	if (!isnan(kept_J))
		assert_int_equal(
			brake_heat_keep(b->lb, head.id, kept_J, begin_s * SECOND + llround(seconds * 1e9), &b->err),
			RC_OK);
	if (ends)
		assert_int_equal(logbook_run_end(b->lb, head.id, begin_s * SECOND + llround(seconds * 1e9), "done", "",
						 "", &b->err),
				 RC_OK);
}

static void run(struct book *b, int64_t begin_s, double seconds, double power_W, bool on_bench, bool ends)
{
	run_keeping(b, begin_s, seconds, power_W, on_bench, ends, NAN);
}

/* A command that looked at nothing. */
static void empty_run(struct book *b)
{
	struct run_head head = { .kind = "hang", .on_bench = true };

	assert_int_equal(logbook_run_begin(b->lb, &head, &b->err), RC_OK);
	assert_int_equal(logbook_run_end(b->lb, head.id, 0, "done", "", "", &b->err), RC_OK);
}

/* A brake of 100 W and 2000 J. */
static double left(struct book *b, double mono_s, double wall_s, bool on_bench)
{
	const struct brake_heat_now now = { .mono_ns = llround(mono_s * 1e9),
					    .wall_ns = llround((1000000 + wall_s) * 1e9),
					    .on_bench = on_bench };
	double heat_J = -1;

	assert_int_equal(brake_heat_left(b->lb, 100, 2000, &now, &heat_J, &b->err), RC_OK);
	return heat_J;
}

static void expect(double found_J, double expected_J)
{
	if (!(fabs(found_J - expected_J) <= 1))
		fail_msg("heat %g J, expected %g J", found_J, expected_J);
}

/* All by hand: heat = (power - 100 W) * time, less 100 W over the rest. */
static void runs_in_a_row_add_up(void **state)
{
	struct book *b = *state;

	assert_int_equal(logbook_open(b->path, &b->lb, &b->err), RC_OK);
	expect(left(b, 0, 0, true), 0);
	run(b, 10, 5, 200, true, true); /* 10..15 s: 500 J */
	expect(left(b, 15, 0, true), 500);
	expect(left(b, 18, 0, true), 200);
	expect(left(b, 21, 0, true), 0);
	run(b, 17, 4, 350, true, false); /* 300 J left at 17 s, and 1000 J more; killed: its last sample ends it */
	expect(left(b, 21, 0, true), 1300);
	expect(left(b, 24, 0, true), 1000);
	expect(left(b, 24, 0, false), 0); /* another rig than the bench */
	expect(left(b, 3, 0, true), 0);   /* the bench was started anew */
	assert_true(left(b, 21 + 25, 0, true) <= 0);
}

/* The heat that a run kept is taken at its word, so it differs here from what its samples would give; only what came
 * after is replayed. */
static void what_a_run_kept_is_not_replayed(void **state)
{
	struct book *b = *state;

	assert_int_equal(logbook_open(b->path, &b->lb, &b->err), RC_OK);
	run(b, 10, 5, 300, true, true); /* an older program: 1000 J by its samples, at 15 s */
	expect(left(b, 15, 0, true), 1000);
	run_keeping(b, 16, 4, 100, true, true, 700); /* 700 J at 20 s */
	expect(left(b, 20, 0, true), 700);
	expect(left(b, 23, 0, true), 400);
	empty_run(b);
	expect(left(b, 23, 0, true), 400);
	run(b, 22, 4, 350, true, false); /* killed: 500 J at 22 s and 1000 J more */
	expect(left(b, 26, 0, true), 1500);
	run_keeping(b, 27, 1, 100, true, false, 5); /* killed after it kept: not at its end, so its samples tell */
	expect(left(b, 28, 0, true), 1400);
}

/* The monotonic clock of a machine that was started anew says nothing; the wall clock does, unless it was set back. */
static void on_a_real_rig_the_wall_clock_tells_the_rest(void **state)
{
	struct book *b = *state;

	assert_int_equal(logbook_open(b->path, &b->lb, &b->err), RC_OK);
	run(b, 500, 10, 250, false, true); /* 1500 J at wall 510 s */
	expect(left(b, 1, 510, false), 1500);
	expect(left(b, 1, 516, false), 900);
	expect(left(b, 1, 100, false), 1500);
	expect(left(b, 1, 531, false), 0);
}

static void unknown_torque_is_no_heat_and_a_limit_that_is_none_asks_nothing(void **state)
{
	struct book *b = *state;
	const struct brake_heat_now now = { .mono_ns = 15 * SECOND, .on_bench = true };
	double heat_J = -1;

	assert_int_equal(logbook_open(b->path, &b->lb, &b->err), RC_OK);
	run(b, 10, 5, NAN, true, true);
	expect(left(b, 15, 0, true), 0);
	run(b, 16, 5, 200, true, true);
	assert_int_equal(brake_heat_left(b->lb, 100, INFINITY, &now, &heat_J, &b->err), RC_OK);
	expect(heat_J, 0);
}

/* What is no heat in an event of that kind is passed over, and so is every other event: the samples tell then. */
static void a_heat_that_cannot_be_read_is_none(void **state)
{
	static const char *const text[] = { "words", "-5 J", "inf J", "nan J", "" };
	struct book *b = *state;
	int64_t begin_s = 1000;

	assert_int_equal(logbook_open(b->path, &b->lb, &b->err), RC_OK);
	for (size_t i = 0; i < sizeof text / sizeof text[0]; i++, begin_s += 1000) {
		run(b, begin_s, 5, 200, true, false);
		int64_t id = book_number(b, "SELECT max(id) FROM run");
		assert_int_equal(logbook_event(b->lb, id, begin_s * SECOND, "note", "700 J", &b->err), RC_OK);
		assert_int_equal(logbook_event(b->lb, id, (begin_s + 5) * SECOND, "brake_heat", text[i], &b->err),
				 RC_OK);
		assert_int_equal(logbook_run_end(b->lb, id, (begin_s + 5) * SECOND, "done", "", "", &b->err), RC_OK);
		expect(left(b, (double)begin_s + 5, 0, true), 500);
	}
}

/* 0.1 s at 2000 W are 190 J, of which 90 J go in the 0.9 s to the next run. The oldest of 101 is not looked at: the
 * first that is leaves 190 J, each of the 99 others adds 100. */
static void more_than_a_hundred_runs_in_a_row_are_not_looked_at(void **state)
{
	struct book *b = *state;

	assert_int_equal(logbook_open(b->path, &b->lb, &b->err), RC_OK);
	for (int64_t i = 0; i < 101; i++)
		run(b, 10 + i, 0.1, 2000, true, true);
	expect(left(b, 110.1, 0, true), 190 + 99 * 100);
}

/* A table that somebody took away is told, whichever it is, and no heat is made up. */
static void a_logbook_that_cannot_be_read_is_told(void **state)
{
	static const char *const drop[] = { "DROP VIEW samples; DROP TABLE sample", "DROP TABLE event",
					    "DROP TABLE point", "DROP TABLE run" };
	const struct brake_heat_now now = { .mono_ns = 15 * SECOND, .on_bench = true };
	struct book *b = *state;

	assert_int_equal(logbook_open(b->path, &b->lb, &b->err), RC_OK);
	run(b, 10, 5, 200, true, true);
	for (size_t i = 0; i < sizeof drop / sizeof drop[0]; i++) {
		double heat_J = -1;
		assert_int_equal(book_sql(b, drop[i]), SQLITE_OK);
		assert_int_equal(brake_heat_left(b->lb, 100, 2000, &now, &heat_J, &b->err), RC_DB);
		expect(heat_J, 0);
	}
	/* a brake without a continuous rating, or without heat that it may take, asks nothing */
	double heat_J = -1;
	assert_int_equal(brake_heat_left(b->lb, 0, 2000, &now, &heat_J, &b->err), RC_OK);
	assert_int_equal(brake_heat_left(b->lb, 100, 0, &now, &heat_J, &b->err), RC_OK);
	expect(heat_J, 0);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test_setup_teardown(runs_in_a_row_add_up, book_set_up, book_tear_down),
		cmocka_unit_test_setup_teardown(what_a_run_kept_is_not_replayed, book_set_up, book_tear_down),
		cmocka_unit_test_setup_teardown(on_a_real_rig_the_wall_clock_tells_the_rest, book_set_up,
						book_tear_down),
		cmocka_unit_test_setup_teardown(unknown_torque_is_no_heat_and_a_limit_that_is_none_asks_nothing,
						book_set_up, book_tear_down),
		cmocka_unit_test_setup_teardown(a_heat_that_cannot_be_read_is_none, book_set_up, book_tear_down),
		cmocka_unit_test_setup_teardown(more_than_a_hundred_runs_in_a_row_are_not_looked_at, book_set_up,
						book_tear_down),
		cmocka_unit_test_setup_teardown(a_logbook_that_cannot_be_read_is_told, book_set_up, book_tear_down),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
