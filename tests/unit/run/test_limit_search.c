/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The search for the limit alone: whatever limit, step and ceiling are drawn, it ends, brackets the limit and stays
 * below the ceiling. Expected figures follow from what the header says. */
#include "run/limit_search.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#define DRAWS 20000

static struct limit_search fresh(double step, double ceiling)
{
	return (struct limit_search){ .rpm = 60,
				      .step = step,
				      .fine = step / 8,
				      .ceiling = ceiling,
				      .ceiling_why = "90 % of the brake torque",
				      .held = NAN,
				      .failed = NAN };
}

struct search_run {
	int tries, repeats;
	double heaviest, last;
	bool last_held;
};

/* An actuator that holds less than limit. */
static struct search_run run(struct limit_search *s, double limit)
{
	struct search_run r = { .last = NAN };

	for (;;) {
		struct limit_try t = limit_search_next(s);
		if (isnan(t.set))
			return r;
		r.repeats += t.set <= s->held;
		r.tries++;
		r.heaviest = fmax(r.heaviest, t.set);
		r.last = t.set;
		r.last_held = t.set < limit;
		limit_search_tell(s, t.set, r.last_held, "the speed fell");
		if (r.last_held && t.is_limit)
			limit_search_found(s);
	}
}

/* Plan 0, 10, 20, 30, limit 36: 35 holds, 40 does not, 37.5 does not, 36.25 does not and is near enough: 35 again. */
static void goes_up_in_half_steps_then_halves(void **state)
{
	struct limit_search s = fresh(10, 100);

	(void)state;
	for (int i = 0; i < 4; i++)
		limit_search_tell(&s, 10 * i, true, "");
	struct search_run r = run(&s, 36);
	assert_true(s.over && s.found);
	assert_true(fabs(s.held - 35) < 1e-9 && fabs(s.failed - 36.25) < 1e-9);
	assert_int_equal(r.tries, 5);
	assert_int_equal(r.repeats, 1);
	assert_string_equal(s.why, "the speed fell");
}

/* The plan's 30 did not hold: 25, 27.5, 26.25 hold or not by the limit of 27. */
static void halves_where_the_plan_has_failed(void **state)
{
	struct limit_search s = fresh(10, 100);

	(void)state;
	for (int i = 0; i < 4; i++)
		limit_search_tell(&s, 10 * i, i < 3, "the torque was not reached");
	struct search_run r = run(&s, 27);
	assert_true(fabs(s.held - 26.25) < 1e-9 && fabs(s.failed - 27.5) < 1e-9);
	assert_int_equal(r.tries, 3); /* the last one held, and is near enough: not taken again */
	assert_true(r.last_held);
}

static void ends_at_the_ceiling_without_a_limit(void **state)
{
	struct limit_search s = fresh(10, 43);

	(void)state;
	limit_search_tell(&s, 30, true, "");
	struct search_run r = run(&s, 1000);
	assert_true(s.over && !s.found);
	assert_true(fabs(s.held - 43) < 1e-9 && isnan(s.failed));
	assert_int_equal(r.tries, 3);
	assert_string_equal(s.why, "90 % of the brake torque");
}

/* 40 held and 60, which was forced, did not: 50 would be above what is allowed. */
static void no_new_load_above_the_ceiling(void **state)
{
	struct limit_search s = fresh(20, 45);

	(void)state;
	limit_search_tell(&s, 40, true, "");
	limit_search_tell(&s, 60, false, "the speed fell");
	assert_true(isnan(limit_search_next(&s).set));
	assert_true(s.over && !s.found);
	assert_string_equal(s.why, "90 % of the brake torque");
}

/* Hot, the actuator no longer holds what it held: the load below is the one that held. */
static void what_does_not_hold_again_is_no_limit_found(void **state)
{
	struct limit_search s = fresh(10, 100);

	(void)state;
	limit_search_tell(&s, 20, true, "");
	limit_search_tell(&s, 30, true, "");
	limit_search_tell(&s, 31, false, "the speed fell");
	struct limit_try t = limit_search_next(&s);
	assert_true(t.is_limit && fabs(t.set - 30) < 1e-9);
	limit_search_tell(&s, 30, false, "the speed fell");
	assert_true(fabs(s.held - 20) < 1e-9 && fabs(s.failed - 30) < 1e-9);
	assert_false(s.found);
	struct search_run r = run(&s, 26);
	assert_true(s.found && r.tries > 0 && s.held < 26 && s.failed >= 26);
}

/* It heats: each try holds a tenth less than the one before. What held below is not forgotten when two have failed that
 * had held: loads of 0, 5 and 10 never failed, so one of them is the last that held. */
static void loads_below_are_not_forgotten(void **state)
{
	struct limit_search s = fresh(5, 100);
	double limit = 20.5;

	(void)state;
	for (int i = 0; i < 5; i++)
		limit_search_tell(&s, 5 * i, true, "");
	for (struct limit_try t; t = limit_search_next(&s), !isnan(t.set);) {
		limit *= 0.9;
		limit_search_tell(&s, t.set, t.set < limit, "the speed fell");
		if (t.set < limit && t.is_limit)
			limit_search_found(&s);
	}
	assert_true(s.held >= 5 && s.held < s.failed);
	assert_true(s.found || strcmp(s.why, "the limit was not found in 10 tries") == 0);
}

static void nothing_held_finds_nothing(void **state)
{
	struct limit_search s = fresh(10, 100);

	(void)state;
	limit_search_tell(&s, 5, false, "the speed fell");
	assert_int_equal(run(&s, 1).tries, 0);
	assert_true(s.over && !s.found);
	assert_string_equal(s.why, "no load held");
	s = fresh(10, 100);
	assert_int_equal(run(&s, 1).tries, 0);
	assert_string_equal(s.why, "no load was taken at this speed");
}

static double between(double from, double to)
{
	return from + (to - from) * rand() / RAND_MAX;
}

static void whatever_is_drawn_it_brackets_the_limit(void **state)
{
	int found = 0;

	(void)state;
	srand(20261126);
	for (int i = 0; i < DRAWS; i++) {
		double step = between(0.5, 20), top = step * (1 + rand() % 8), limit = between(0.01, top + 8 * step),
		       ceiling = between(0, top + 8 * step);
		struct limit_search s = fresh(step, ceiling);
		for (double set = 0; set <= top + 1e-9; set += step)
			limit_search_tell(&s, set, set < limit, "the speed fell");
		struct search_run r = run(&s, limit);
		assert_true(s.over && r.tries <= LIMIT_SEARCH_TRIES);
		assert_true(r.heaviest <= fmax(ceiling, top) + 1e-9); /* between the plan's own loads it may go */
		assert_true(s.held < limit && !(s.failed < limit));
		if (!s.found)
			continue;
		found++;
		assert_true(s.failed - s.held <= step / 8 + 1e-6 && r.last_held);
	}
	assert_in_range(found, DRAWS / 4, DRAWS);
}

/* Above a load that failed nothing holds any more, and a heavier failure says nothing new. */
static void above_a_failure_nothing_is_news(void **state)
{
	struct limit_search s = fresh(10, 100);

	(void)state;
	limit_search_tell(&s, 20, true, "");
	limit_search_tell(&s, 30, false, "the speed fell");
	limit_search_tell(&s, 40, true, "");
	limit_search_tell(&s, 50, false, "the torque was not reached");
	assert_true(fabs(s.held - 20) < 1e-9 && fabs(s.failed - 30) < 1e-9);
	assert_string_equal(s.why, "the speed fell");
}

static void the_only_load_that_held_fails_later(void **state)
{
	struct limit_search s = fresh(10, 100);

	(void)state;
	limit_search_tell(&s, 20, true, "");
	limit_search_tell(&s, 20, false, "the speed fell");
	assert_true(isnan(s.held) && fabs(s.failed - 20) < 1e-9);
	assert_true(isnan(limit_search_next(&s).set) && s.over && !s.found);
	assert_string_equal(s.why, "no load held");
	assert_true(isnan(limit_search_next(&s).set)); /* over is over */
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(goes_up_in_half_steps_then_halves),
		cmocka_unit_test(halves_where_the_plan_has_failed),
		cmocka_unit_test(ends_at_the_ceiling_without_a_limit),
		cmocka_unit_test(no_new_load_above_the_ceiling),
		cmocka_unit_test(what_does_not_hold_again_is_no_limit_found),
		cmocka_unit_test(loads_below_are_not_forgotten),
		cmocka_unit_test(nothing_held_finds_nothing),
		cmocka_unit_test(whatever_is_drawn_it_brackets_the_limit),
		cmocka_unit_test(above_a_failure_nothing_is_news),
		cmocka_unit_test(the_only_load_that_held_fails_later),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
