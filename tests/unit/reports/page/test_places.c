/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Words of figures: beside their mark, inside the frame, on nothing that is drawn while there is room. */
#include "reports/page/places.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>

#include <cmocka.h>

#define W 600.0
#define H 200.0

static bool meet(const struct label_box *a, const struct label_box *b)
{
	return a->x0 < b->x1 && b->x0 < a->x1 && a->y0 < b->y1 && b->y0 < a->y1;
}

static bool inside(const struct label_box *b)
{
	return b->x0 >= 0 && b->y0 >= 0 && b->x1 <= W && b->y1 <= H;
}

static void a_word_stands_right_of_a_lone_mark(void **state)
{
	struct places p;
	(void)state;

	places_begin(&p, W, H);
	places_take_mark(&p, 100, 100, 6);
	struct label_box b = places_word(&p, 100, 100, 80, 16);
	assert_true(b.x0 > 106 && b.x0 < 125);
	assert_true(fabs(b.y0 + b.y1 - 200) < 1e-9);
}

/* Two lines that end one above the other, a level line close above both: the word of the upper one would have most room
 * below, where it names the lower one. */
static void a_word_is_nearest_to_its_own_mark(void **state)
{
	struct places p;
	(void)state;

	for (int named = 0; named < 2; named++) {
		places_begin(&p, W, H);
		places_take_line(&p, 0, 112, W, 112);
		places_take_line(&p, 0, 60, 300, 100);
		places_take_line(&p, 0, 60, 300, 90);
		if (named) {
			places_take_named(&p, 300, 100);
			places_take_named(&p, 300, 90);
		}
		struct label_box b = places_word(&p, 300, 100, 60, 16);
		double middle = (b.y0 + b.y1) / 2;
		assert_int_equal(fabs(middle - 100) < fabs(middle - 90), named);
	}
}

static void at_the_edge_it_stands_left(void **state)
{
	struct places p;
	(void)state;

	places_begin(&p, W, H);
	places_take_mark(&p, 590, 100, 6);
	struct label_box b = places_word(&p, 590, 100, 80, 16);
	assert_true(b.x1 < 584);
	assert_true(inside(&b));
}

static void in_a_corner_it_stays_inside(void **state)
{
	struct places p;
	(void)state;

	for (int corner = 0; corner < 4; corner++) {
		double x = corner & 1 ? W - 1 : 1, y = corner & 2 ? H - 1 : 1;
		places_begin(&p, W, H);
		places_take_mark(&p, x, y, 6);
		struct label_box b = places_word(&p, x, y, 80, 16);
		assert_true(inside(&b));
	}
}

/* A curve that rises through the mark: neither word may lie on it. */
static void it_keeps_off_the_curve(void **state)
{
	struct places p;
	(void)state;

	places_begin(&p, W, H);
	places_take_line(&p, 0, 0, W, H);
	places_take_mark(&p, 300, 100, 6);
	struct label_box b = places_word(&p, 300, 100, 80, 16);
	for (double t = 0; t <= 1; t += 0.001) {
		struct label_box dot = { t * W - 0.5, t * H - 0.5, t * W + 0.5, t * H + 0.5 };
		assert_false(meet(&b, &dot));
	}
	assert_true(inside(&b));
}

static void words_do_not_meet(void **state)
{
	struct places p;
	(void)state;

	srand(20261126);
	for (int round = 0; round < 500; round++) {
		struct label_box word[3];
		places_begin(&p, W, H);
		for (int i = 0; i < 3; i++) {
			double x = 40 + 200 * i + rand() % 60, y = 20 + rand() % 160;
			places_take_mark(&p, x, y, 6);
			word[i] = places_word(&p, x, y, 70, 16);
			assert_true(inside(&word[i]));
		}
		for (int i = 0; i < 3; i++)
			for (int k = i + 1; k < 3; k++)
				if (meet(&word[i], &word[k]))
					fail_msg("round %d: words %d and %d meet", round, i, k);
	}
}

static void words_of_lines_stand_beside_them(void **state)
{
	struct places p;
	(void)state;

	places_begin(&p, W, H);
	places_take_line(&p, 0, 190, W, 190); /* no room above */
	struct label_box level = places_level(&p, 190, 120, 16);
	assert_true(level.y1 < 190 && inside(&level));
	places_take_line(&p, 2, 0, 2, H); /* no room left of it */
	struct label_box upright = places_upright(&p, 2, 16, 120);
	assert_true(upright.x0 > 2 && inside(&upright));
	assert_true(upright.x1 - upright.x0 < upright.y1 - upright.y0);
}

/* A word of the zone from 300 to the right: at its left when nothing is there, elsewhere when a point stands there. */
static void a_word_of_a_zone_stays_in_it(void **state)
{
	struct places p;
	(void)state;

	places_begin(&p, W, H);
	struct label_box alone = places_zone(&p, 300, W, 17, 80);
	assert_true(alone.x0 > 300 && alone.x0 < 320 && alone.y0 > 0 && inside(&alone));
	places_begin(&p, W, H);
	places_take_mark(&p, 320, 50, 6);
	places_take_mark(&p, 320, H - 50, 6);
	struct label_box beside = places_zone(&p, 300, W, 17, 80);
	assert_true(beside.x0 > 326 && inside(&beside));
}

/* By hand: 10, 12 and 11 want 15 between neighbours; the mean of 10, 11, 12 stays in the middle, so -4, 11, 26; 100 is
 * far and stays. In the order of the levels, whatever the order of the list. */
static void levels_keep_apart_and_in_order(void **state)
{
	double level[] = { 100, 12, 10, 11 };
	const double expected[] = { 100, 26, -4, 11 };
	(void)state;

	places_spread(level, 4, 15, -50, 200);
	for (size_t i = 0; i < 4; i++)
		assert_true(fabs(level[i] - expected[i]) < 1e-9);

	/* 26 and 27 alone would come to 19, which is too near to 10 */
	double three[] = { 10, 26, 27 };
	const double of_three[] = { 6, 21, 36 };
	places_spread(three, 3, 15, -50, 200);
	for (size_t i = 0; i < 3; i++)
		assert_true(fabs(three[i] - of_three[i]) < 1e-9);

	double low[] = { 1, 2, 3 }, high[] = { 199, 198, 197 };
	const double from_low[] = { 8, 23, 38 }, to_high[] = { 192, 177, 162 };
	places_spread(low, 3, 15, 8, 192);
	places_spread(high, 3, 15, 8, 192);
	for (size_t i = 0; i < 3; i++)
		assert_true(fabs(low[i] - from_low[i]) < 1e-9 && fabs(high[i] - to_high[i]) < 1e-9);
}

static void what_is_no_number_takes_no_place(void **state)
{
	struct places p;
	(void)state;

	places_begin(&p, W, H);
	places_take_mark(&p, NAN, 10, 6);
	places_take_line(&p, 0, 0, INFINITY, 10);
	places_take_line(&p, 0, NAN, 10, 10);
	assert_int_equal(p.n, 0);
	for (int i = 0; i < PLACES_MAX + 100; i++)
		places_take_mark(&p, 1, 1, 1);
	assert_int_equal(p.n, PLACES_MAX);
	struct label_box b = places_word(&p, 300, 100, 80, 16);
	assert_true(inside(&b));
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(a_word_stands_right_of_a_lone_mark),
		cmocka_unit_test(a_word_is_nearest_to_its_own_mark),
		cmocka_unit_test(at_the_edge_it_stands_left),
		cmocka_unit_test(in_a_corner_it_stays_inside),
		cmocka_unit_test(it_keeps_off_the_curve),
		cmocka_unit_test(words_do_not_meet),
		cmocka_unit_test(words_of_lines_stand_beside_them),
		cmocka_unit_test(a_word_of_a_zone_stays_in_it),
		cmocka_unit_test(levels_keep_apart_and_in_order),
		cmocka_unit_test(what_is_no_number_takes_no_place),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
