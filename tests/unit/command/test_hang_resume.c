/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/hang_guided.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "near.h"
#include "tests/unit/logbook/session_scene.h"

/* Two loads of 10 and 25 N·m, two series: eleven readings (six of them preloads), then five. */
#define FIRST 11
#define ALL (FIRST + 5)

static void open_hang(struct book *b, struct hanging *h)
{
	static const double torque_Nm[] = { 0, 10, 25 };
	struct session s;

	if (!b->lb)
		scene_open(b, &s);
	*h = (struct hanging){ .s = { .logbook = b->lb, .clock = { .now = scene_now, .wall = scene_wall } } };
	h->loads.n = 2;
	for (size_t k = 0; k <= 2; k++) {
		h->loads.upto[k] = k;
		h->loads.mass_kg[k] = torque_Nm[k] / 10;
		h->loads.load[k].torque_Nm = torque_Nm[k];
	}
	assert_int_equal(hang_book_begin(&h->book, 2, 2, torque_Nm), ALL);
}

static double count_of(size_t i)
{
	return 5000 + (double)i / 3; /* no short decimal: every digit has to come back */
}

static void keep(struct hanging *h, size_t from, size_t upto)
{
	for (size_t i = from; i < upto; i++) {
		h->book.taken[i] = (struct hang_taken){ .there = true,
							.indication = count_of(i),
							.u = 4.5,
							.ambient_degC = i % 2 ? 21.25 : NAN,
							.cell_degC = i % 3 ? 22.125 : NAN };
		assert_int_equal(hang_keep_reading(h, i, NULL), RC_OK);
	}
}

/* A run that took its readings up to there and was left. */
static int64_t hang_until(struct book *b, struct hanging *h, size_t upto)
{
	open_hang(b, h);
	scene_run(&h->s, "hang");
	assert_int_equal(hang_keep_plan(h, NULL), RC_OK);
	keep(h, 0, upto);
	return h->s.run_id;
}

static enum rc take_up(struct book *b, struct hanging *h, struct err *err)
{
	*err = (struct err){ 0 };
	open_hang(b, h);
	return hang_take_up(h, err);
}

/* The second series was under way: the arm was taken off, so it begins again. */
static void whole_series_come_back_to_the_last_digit(void **state)
{
	static struct hanging h;
	struct err err;
	int64_t run = hang_until(*state, &h, FIRST + 3);

	assert_int_equal(take_up(*state, &h, &err), RC_OK);
	assert_int_equal(h.resumes, run);
	assert_int_equal(hang_book_next(&h.book), FIRST);
	for (size_t i = 0; i < FIRST; i++) {
		assert_near(h.book.taken[i].indication, count_of(i), 0);
		assert_near(h.book.taken[i].u, 4.5, 0);
		assert_int_equal(isnan(h.book.taken[i].ambient_degC), i % 2 == 0);
		assert_int_equal(isnan(h.book.taken[i].cell_degC), i % 3 == 0);
		if (i % 2)
			assert_near(h.book.taken[i].ambient_degC, 21.25, 0);
	}
}

static void what_was_taken_back_stays_so(void **state)
{
	static struct hanging h;
	struct err err;

	hang_until(*state, &h, ALL);
	assert_int_equal(hang_keep_back(&h, 8, NULL), RC_OK);
	assert_int_equal(take_up(*state, &h, &err), RC_OK);
	assert_false(h.book.taken[8].there);
	assert_int_equal(hang_book_next(&h.book), 0); /* the first series is not whole any more */
	assert_true(h.book.taken[FIRST].there);       /* the second one is */
}

static void a_chain_of_runs_is_read_from_its_first(void **state)
{
	static struct hanging h;
	struct err err;
	int64_t first = hang_until(*state, &h, FIRST);

	assert_int_equal(session_run_begin(&h.s, "hang", first, NULL), RC_OK);
	assert_int_equal(hang_keep_plan(&h, NULL), RC_OK);
	assert_int_equal(hang_keep_back(&h, 2, NULL), RC_OK);
	h.book.taken[2].indication = 7;
	assert_int_equal(hang_keep_reading(&h, 2, NULL), RC_OK); /* read again in the second run */
	keep(&h, FIRST, ALL);
	assert_int_equal(take_up(*state, &h, &err), RC_OK);
	assert_int_equal(h.resumes, first + 1);
	assert_int_equal(hang_book_next(&h.book), ALL);
	assert_near(h.book.taken[2].indication, 7, 0);
	assert_near(h.book.taken[3].indication, count_of(3), 0);
}

static void another_plan_is_not_taken_up(void **state)
{
	static struct hanging h;
	struct book *b = *state;
	struct err err = { 0 };
	static const double torque_Nm[] = { 0, 10, 25 };

	hang_until(b, &h, FIRST);
	for (int other = 0; other < 5; other++) {
		open_hang(b, &h);
		if (other == 0)
			h.loads.load[2].torque_Nm *= 1.001; /* another arm */
		if (other == 1)
			h.loads.mass_kg[1] += 0.001;
		if (other == 2)
			h.loads.upto[2] = 3;
		if (other == 3)
			hang_book_begin(&h.book, 2, 3, torque_Nm);
		if (other == 4)
			h.loads.n = 1;
		assert_int_equal(hang_take_up(&h, &err), RC_ARG);
		scene_says(&err, "run 1 had other weights, arm, --series or --steps");
		assert_int_equal(h.resumes, 0);
	}
}

static void nothing_to_take_up(void **state)
{
	static struct hanging h;
	struct err err;

	assert_int_equal(take_up(*state, &h, &err), RC_ARG);
	scene_says(&err, "holds no bridle hang to take up");
	hang_until(*state, &h, ALL);
	scene_end(&h.s, "done");
	assert_int_equal(take_up(*state, &h, &err), RC_ARG);
	scene_says(&err, "run 1) ended normally; run bridle hang for a new calibration");
}

static void a_reading_that_cannot_be_read_is_told(void **state)
{
	static const char *const texts[] = {
		"item 99 series 1 load 1 count 5000 u 4",  "item 0 series 1 load 1 count 5000 u 4",
		"item nan series 1 load 1 count 5000 u 4", "item 2 series 1 load 1 count many u 4",
		"item 2 series 1 load 1 count 5000",       "",
	};
	struct book *b = *state;

	for (size_t i = 0; i < sizeof texts / sizeof texts[0]; i++) {
		static struct hanging h;
		struct err err;

		hang_until(b, &h, FIRST);
		scene_event(&h.s, "reading", texts[i]);
		assert_int_equal(take_up(b, &h, &err), RC_DB);
		scene_says(&err, "holds a reading that cannot be read");
		logbook_close(b->lb);
		book_remove(b);
		b->lb = NULL;
	}
}

#define ON_A_LOGBOOK(name) cmocka_unit_test_setup_teardown(name, book_set_up, book_tear_down)

int main(void)
{
	const struct CMUnitTest tests[] = {
		ON_A_LOGBOOK(whole_series_come_back_to_the_last_digit),
		ON_A_LOGBOOK(what_was_taken_back_stays_so),
		ON_A_LOGBOOK(a_chain_of_runs_is_read_from_its_first),
		ON_A_LOGBOOK(another_plan_is_not_taken_up),
		ON_A_LOGBOOK(nothing_to_take_up),
		ON_A_LOGBOOK(a_reading_that_cannot_be_read_is_told),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
