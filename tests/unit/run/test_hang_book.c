/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "run/hang_book.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>

#include <cmocka.h>

#include "tests/unit/near.h"

/* Two loads of 10 and 25 N·m, three series: P p P p P p Z 1 2 -1 R | Z 1 2 -1 R | MP p Z 1 2 -1 R, at 1000 counts per
 * N·m. */
static const double torque_Nm[] = { 0, 10, 25 };
static struct hang_book book;

static void begin(void)
{
	assert_int_equal(hang_book_begin(&book, 2, 3, torque_Nm), 11 + 5 + 7);
}

static void take(size_t i, double torque)
{
	book.taken[i] =
		(struct hang_taken){ .there = true, .indication = 5000 + 1000 * torque, .u = 4, .ambient_degC = NAN };
}

static void take_until(size_t upto)
{
	for (size_t i = 0; i < upto; i++)
		take(i, torque_Nm[book.item[i].load]);
}

static void next_is_the_first_without_a_reading(void **state)
{
	(void)state;
	begin();
	assert_int_equal(hang_book_next(&book), 0);
	take_until(4);
	assert_int_equal(hang_book_next(&book), 4);
	take_until(book.n);
	assert_int_equal(hang_book_next(&book), book.n);
}

static void readings_are_taken_back_one_by_one(void **state)
{
	(void)state;
	begin();
	take_until(9);
	assert_int_equal(hang_book_back(&book, 1, true), 1);
	assert_int_equal(hang_book_next(&book), 8);
	assert_int_equal(hang_book_back(&book, 2, true), 2);
	assert_int_equal(hang_book_next(&book), 6);
	assert_int_equal(hang_book_back(&book, 99, true), 6);
	assert_int_equal(hang_book_back(&book, 1, true), 0);
}

static void an_earlier_mounting_does_not_come_back(void **state)
{
	(void)state;
	begin();
	take_until(16); /* series 3 begins with item 16 */
	assert_int_equal(hang_book_back(&book, 1, true), 0);
	assert_int_equal(hang_book_back(&book, 1, false), 1); /* not taken out yet */
	assert_int_equal(hang_book_next(&book), 15);
	take_until(18);
	assert_int_equal(hang_book_back(&book, 9, true), 2);
	assert_int_equal(hang_book_next(&book), 16);
}

static void a_series_is_dropped_as_a_whole(void **state)
{
	(void)state;
	begin();
	take_until(book.n);
	assert_true(hang_book_whole(&book, 2));
	assert_int_equal(hang_book_drop(&book, 2), 5);
	assert_false(hang_book_whole(&book, 2));
	assert_true(hang_book_whole(&book, 1) && hang_book_whole(&book, 3));
	assert_int_equal(hang_book_next(&book), 11);
}

static void only_whole_series_outlive_a_break(void **state)
{
	(void)state;
	begin();
	take_until(14);
	assert_int_equal(hang_book_drop_unfinished(&book), 3);
	assert_int_equal(hang_book_next(&book), 11);
	assert_int_equal(hang_book_drop_unfinished(&book), 0);
}

/* Counts per N·m by which the change to that item is judged. */
static double slope_before(size_t i)
{
	struct hang_change c = { .found_Nm = NAN };

	hang_book_doubt(&book, i, &c);
	return c.found_count / c.found_Nm;
}

static void the_slope_is_that_of_the_changes_so_far(void **state)
{
	(void)state;
	begin();
	take_until(8);
	assert_near(slope_before(7), 1000, 1e-9);
	take(7, 99); /* item 7 is not before itself */
	assert_near(slope_before(7), 1000, 1e-9);
}

/* With 1000 counts per N·m known from the preloads: the load of 10 N·m (item 7, after the zero) seen as ... */
static void a_reading_is_doubted_by_what_was_hung(void **state)
{
	static const struct {
		double seen_Nm;
		enum hang_doubt doubt;
	} rows[] = {
		{ 10, HANG_PLAUSIBLE },      { 10.49, HANG_PLAUSIBLE },  { 9.51, HANG_PLAUSIBLE }, /* 2 % of 25 N·m */
		{ 10.51, HANG_FAR_OFF },     { 9.49, HANG_FAR_OFF },     { 15, HANG_FAR_OFF },
		{ 2.1, HANG_FAR_OFF },       { 1.9, HANG_DID_NOT_MOVE }, { 0, HANG_DID_NOT_MOVE },
		{ -1.9, HANG_DID_NOT_MOVE }, { -2.1, HANG_WRONG_WAY },   { -10, HANG_WRONG_WAY },
		{ NAN, HANG_FAR_OFF },
	};
	struct hang_change change;

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		begin();
		take_until(7);
		take(7, rows[i].seen_Nm);
		enum hang_doubt doubt = hang_book_doubt(&book, 7, &change);
		if (doubt != rows[i].doubt)
			fail_msg("seen %g N·m: found doubt %d, expected %d", rows[i].seen_Nm, doubt, rows[i].doubt);
		if (doubt != HANG_PLAUSIBLE && isfinite(rows[i].seen_Nm)) {
			assert_near(change.expected_Nm, 10, 1e-9);
			assert_near(change.found_Nm, rows[i].seen_Nm, 1e-9);
		}
	}
}

/* A small piece: half of its 0.6 N·m counts, not 2 % of 25 N·m. */
static void a_small_piece_is_doubted_by_its_own_torque(void **state)
{
	static const double small_Nm[] = { 0, 0.6, 25 };

	(void)state;
	hang_book_begin(&book, 2, 1, small_Nm);
	for (size_t i = 0; i < 7; i++)
		take(i, small_Nm[book.item[i].load]);
	take(7, 0.6 + 0.29);
	assert_int_equal(hang_book_doubt(&book, 7, NULL), HANG_PLAUSIBLE);
	take(7, 0.6 + 0.31);
	assert_int_equal(hang_book_doubt(&book, 7, NULL), HANG_FAR_OFF);
}

/* Nothing hangs: the first change of all is the noise, and no slope can come of it later either. */
static void a_reading_that_did_not_move_is_seen_without_a_slope(void **state)
{
	static const double noise[] = { 0, 0.003, -0.002, 0.004, 0.001, -0.003, 0.002, 0.001 };

	(void)state;
	begin();
	for (size_t i = 0; i < 8; i++) {
		take(i, noise[i]);
		if (i > 0 && fabs(torque_Nm[book.item[i].load] - torque_Nm[book.item[i - 1].load]) > 0)
			assert_int_equal(hang_book_doubt(&book, i, NULL), HANG_DID_NOT_MOVE);
	}
}

static void the_first_change_tells_the_sign(void **state)
{
	(void)state;
	begin();
	take(0, -25);
	take(1, 0);
	assert_int_equal(hang_book_doubt(&book, 1, NULL), HANG_WRONG_WAY);
	take(0, 25);
	assert_int_equal(hang_book_doubt(&book, 1, NULL), HANG_PLAUSIBLE);
	assert_int_equal(hang_book_doubt(&book, 0, NULL), HANG_PLAUSIBLE); /* nothing before it */
}

/* A cell mounted anew may have another zero: the change from one series to the next tells nothing. */
static void another_mounting_is_not_compared(void **state)
{
	(void)state;
	begin();
	take_until(17);
	take(16, 25 + 40);
	assert_int_equal(hang_book_doubt(&book, 16, NULL), HANG_PLAUSIBLE);
	take(17, 40);
	assert_int_equal(hang_book_doubt(&book, 17, NULL), HANG_PLAUSIBLE);
}

static void the_last_reading_of_all_is_taken_back(void **state)
{
	(void)state;
	begin();
	take_until(book.n);
	assert_int_equal(hang_book_back(&book, 1, true), 1);
	assert_int_equal(hang_book_next(&book), book.n - 1);
}

/* Without loads there is no plan, as hang_plan has it, and nothing is read of them. */
static void without_loads_there_is_nothing(void **state)
{
	(void)state;
	assert_int_equal(hang_book_begin(&book, 0, 3, NULL), 0);
	assert_int_equal(hang_book_next(&book), 0);
	assert_int_equal(hang_book_back(&book, 1, true), 0);
}

/* After a reading that was taken back, or where nothing was hung or taken off, there is nothing to compare with. */
static void nothing_was_hung_in_between(void **state)
{
	(void)state;
	begin();
	take_until(8);
	book.taken[6].there = false;
	take(7, 999);
	assert_int_equal(hang_book_doubt(&book, 7, NULL), HANG_PLAUSIBLE);
	assert_near(torque_Nm[book.item[6].load] - torque_Nm[book.item[5].load], 0, 0);
	take(6, 999); /* the zero after a zero */
	assert_int_equal(hang_book_doubt(&book, 6, NULL), HANG_PLAUSIBLE);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(next_is_the_first_without_a_reading),
		cmocka_unit_test(readings_are_taken_back_one_by_one),
		cmocka_unit_test(an_earlier_mounting_does_not_come_back),
		cmocka_unit_test(a_series_is_dropped_as_a_whole),
		cmocka_unit_test(only_whole_series_outlive_a_break),
		cmocka_unit_test(the_slope_is_that_of_the_changes_so_far),
		cmocka_unit_test(a_reading_is_doubted_by_what_was_hung),
		cmocka_unit_test(a_small_piece_is_doubted_by_its_own_torque),
		cmocka_unit_test(a_reading_that_did_not_move_is_seen_without_a_slope),
		cmocka_unit_test(the_first_change_tells_the_sign),
		cmocka_unit_test(another_mounting_is_not_compared),
		cmocka_unit_test(the_last_reading_of_all_is_taken_back),
		cmocka_unit_test(without_loads_there_is_nothing),
		cmocka_unit_test(nothing_was_hung_in_between),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
