/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "run/endure_watch.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>

#include "tests/unit/near.h"

static const struct endure_limits all = {
	.limit = { [ENDURE_CURRENT] = 0.2, [ENDURE_DROOP] = 0.1, [ENDURE_RISE] = 30, [ENDURE_CASE] = 70 },
	.tell_frac = 0.5,
	.reference = 2,
};

static struct endure_cycle usual(long number)
{
	return (struct endure_cycle){ number, 0.5, 60, 15, 59.5, 30, 20 };
}

static struct endure_watch begun(const struct endure_limits *limits)
{
	struct endure_watch w = endure_watch_begin(limits);

	for (long i = 1; i <= limits->reference; i++) {
		struct endure_cycle c = usual(i);
		struct endure_found f = endure_watch_add(&w, &c);
		assert_int_equal(f.stop, ENDURE_NONE);
		assert_int_equal(f.tell, ENDURE_NONE);
	}
	return w;
}

/* Each rule just inside and just outside of its limit, told at half of it, once. */
static void each_rule_stops_at_its_limit(void **state)
{
	(void)state;
	static const struct {
		enum endure_rule rule;
		double tells, inside, outside;
	} rows[] = {
		{ ENDURE_CURRENT, 0.5 * 1.11, 0.5 * 1.19, 0.5 * 1.21 },
		{ ENDURE_CURRENT, 0.5 * 0.89, 0.5 * 0.81, 0.5 * 0.79 },
		{ ENDURE_DROOP, 60 * 0.94, 60 * 0.91, 60 * 0.89 },
		{ ENDURE_RISE, 36, 49, 51 },
	};

	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct endure_watch w = begun(&all);
		double value[3] = { rows[i].tells, rows[i].inside, rows[i].outside };
		for (int k = 0; k < 3; k++) {
			struct endure_cycle c = usual(3 + k);
			*(rows[i].rule == ENDURE_CURRENT ? &c.no_load_A
			  : rows[i].rule == ENDURE_DROOP ? &c.load_rpm
							 : &c.case_degC) = value[k];
			struct endure_found f = endure_watch_add(&w, &c);
			assert_int_equal(f.tell, k == 0                  ? rows[i].rule
						 : ENDURE_NONE == f.tell ? ENDURE_NONE
									 : ENDURE_CASE);
			assert_int_equal(f.stop, k == 2 ? rows[i].rule : ENDURE_NONE);
		}
	}
}

static void what_was_not_measured_stops_where_a_rule_needs_it(void **state)
{
	(void)state;
	struct endure_limits none = { .tell_frac = 0.5, .reference = 2 };

	for (int i = 0; i < 4; i++) {
		struct endure_watch w = begun(&all), without = begun(&none);
		struct endure_cycle c = usual(3);
		*(i == 0 ? &c.no_load_A : i == 1 ? &c.load_rpm : i == 2 ? &c.case_degC : &c.ambient_degC) = NAN;
		struct endure_found f = endure_watch_add(&w, &c);
		assert_true(f.stop != ENDURE_NONE && isnan(f.value));
		char text[200];
		endure_rule_text(&f, f.stop, text, sizeof text);
		assert_non_null(strstr(text, "could not be measured"));
		assert_null(strstr(text, "nan"));
		assert_int_equal(endure_watch_add(&without, &c).stop, ENDURE_NONE);
	}
	/* a reference that was not measured is none */
	struct endure_watch w = endure_watch_begin(&all);
	struct endure_cycle c = usual(1);
	c.no_load_A = NAN;
	assert_int_equal(endure_watch_add(&w, &c).stop, ENDURE_CURRENT);
	for (long i = 2; i <= 5; i++) { /* its sensor was mended, and the run continued: two others are the reference */
		c = usual(i);
		assert_int_equal(endure_watch_add(&w, &c).stop, ENDURE_NONE);
	}
}

/* The first one counts; either way; told at half of the limit, once; what was not measured stops. */
static void a_play_that_drifts_stops_at_its_limit(void **state)
{
	(void)state;
	static const struct endure_limits limits = { .limit = { [ENDURE_PLAY] = 2 }, .tell_frac = 0.5, .reference = 2 };
	static const struct {
		double lost_arcmin;
		enum endure_rule tell, stop;
	} rows[] = {
		{ 10, ENDURE_NONE, ENDURE_NONE },   { 10.9, ENDURE_NONE, ENDURE_NONE },
		{ 11.1, ENDURE_PLAY, ENDURE_NONE }, { 11.9, ENDURE_NONE, ENDURE_NONE },
		{ 8.1, ENDURE_NONE, ENDURE_NONE },  { 7.9, ENDURE_NONE, ENDURE_PLAY },
		{ 12.1, ENDURE_NONE, ENDURE_PLAY }, { NAN, ENDURE_NONE, ENDURE_PLAY },
	};
	struct endure_watch w = endure_watch_begin(&limits), without = endure_watch_begin(&all);

	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct endure_play p = { (long)i, rows[i].lost_arcmin, 0.3, 1.5, 0.1 };
		struct endure_found f = endure_watch_play(&w, &p);
		assert_int_equal(f.stop, rows[i].stop);
		assert_int_equal(f.tell, rows[i].tell);
		assert_int_equal(endure_watch_play(&without, &p).stop, ENDURE_NONE);
	}
	struct endure_found f = { ENDURE_PLAY, ENDURE_NONE, 2.34, 2 };
	char text[200];
	endure_rule_text(&f, f.stop, text, sizeof text);
	assert_string_equal(text, "the lost motion changed by 2.34 arcmin, limit 2 arcmin");
	/* one that never was measured has no first */
	w = endure_watch_begin(&limits);
	assert_int_equal(endure_watch_play(&w, &(struct endure_play){ 0, NAN, NAN, NAN, NAN }).stop, ENDURE_PLAY);
	assert_int_equal(endure_watch_play(&w, &(struct endure_play){ 9, 50, 1, 1, 1 }).stop, ENDURE_NONE);
}

static void a_play_is_one_line_and_comes_back(void **state)
{
	(void)state;
	struct endure_play p = { 300, 9.8125, 0.25, NAN, 0.5 }, back;
	struct endure_cycle cycle;
	char text[200];

	endure_play_text(&p, text, sizeof text);
	assert_string_equal(text, "play 300; lost_arcmin 9.8125; u_lost_arcmin 0.25; u_stiffness 0.5");
	assert_true(endure_play_parse(text, &back));
	assert_int_equal(back.number, 300);
	assert_near(back.lost_arcmin, 9.8125, 1e-12);
	assert_near(back.u_lost_arcmin, 0.25, 1e-12);
	assert_true(isnan(back.stiffness_Nm_per_arcmin));
	assert_false(endure_cycle_parse(text, &cycle));
	assert_false(endure_play_parse("play", &back));
	assert_false(endure_play_parse("play x; lost_arcmin 1", &back));
	assert_false(endure_play_parse("player 3", &back));
}

static void the_case_at_any_moment(void **state)
{
	(void)state;
	assert_false(endure_case_is_hot(&all, 69.9));
	assert_true(endure_case_is_hot(&all, 70));
	assert_false(endure_case_is_hot(&all, NAN)); /* told after the cycle */
	assert_false(endure_case_is_hot(&(struct endure_limits){ .tell_frac = 1 }, 500));
}

static void a_cycle_is_one_line_and_comes_back(void **state)
{
	(void)state;
	struct endure_cycle c = { 123456, 0.41234, 60.012, 14.98, 59.5, NAN, -3.5 }, back;
	char text[200];

	endure_cycle_text(&c, text, sizeof text);
	assert_null(strstr(text, "nan"));
	assert_true(endure_cycle_parse(text, &back));
	assert_int_equal(back.number, 123456);
	assert_near(back.no_load_A, 0.41234, 1e-9);
	assert_near(back.ambient_degC, -3.5, 1e-9);
	assert_true(isnan(back.case_degC));
	static const char *const others[] = { "", "cycle", "cycle x", "cycle 0; no_load_A 1", "cycle 5x", "drift: 5" };
	for (size_t i = 0; i < sizeof others / sizeof others[0]; i++)
		assert_false(endure_cycle_parse(others[i], &back));
}

/* A text is cut to its room, and nothing is written behind it; what is no number in one is not measured. */
static void a_line_is_cut_to_its_room(void **state)
{
	(void)state;
	const struct endure_cycle c = { 12, 0.5, 60, 15, 59.5, 30, 20 };
	const struct endure_play p = { 12, 9.8125, 0.25, 1.5, 0.5 };
	char whole[200], cut[200];

	for (int play = 0; play < 2; play++) {
		play ? endure_play_text(&p, whole, sizeof whole) : endure_cycle_text(&c, whole, sizeof whole);
		for (size_t size = 1; size <= strlen(whole); size++) {
			memset(cut, 'x', sizeof cut);
			play ? endure_play_text(&p, cut, size) : endure_cycle_text(&c, cut, size);
			assert_int_equal(strlen(cut), size - 1);
			assert_memory_equal(cut, whole, size - 1);
			assert_int_equal(cut[size], 'x');
		}
	}
}

static void what_is_no_number_was_not_measured(void **state)
{
	(void)state;
	struct endure_cycle c;
	char text[200];

	assert_true(endure_cycle_parse("cycle 5", &c));
	assert_true(c.number == 5 && isnan(c.no_load_A) && isnan(c.case_degC));
	assert_true(endure_cycle_parse("cycle 6; no_load_A x; no_load_rpm inf; load_Nm 15", &c));
	assert_true(isnan(c.no_load_A) && isnan(c.no_load_rpm));
	assert_near(c.load_Nm, 15, 0);
	const struct endure_found none = { ENDURE_NONE, ENDURE_NONE, NAN, NAN };
	endure_rule_text(&none, none.stop, text, sizeof text);
	assert_string_equal(text, "");
	assert_string_equal(endure_rule_word(ENDURE_NONE), "");
	assert_string_equal(endure_rule_word(ENDURE_PLAY), "play_drift");
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(each_rule_stops_at_its_limit),
		cmocka_unit_test(what_was_not_measured_stops_where_a_rule_needs_it),
		cmocka_unit_test(a_play_that_drifts_stops_at_its_limit),
		cmocka_unit_test(a_play_is_one_line_and_comes_back),
		cmocka_unit_test(the_case_at_any_moment),
		cmocka_unit_test(a_cycle_is_one_line_and_comes_back),
		cmocka_unit_test(a_line_is_cut_to_its_room),
		cmocka_unit_test(what_is_no_number_was_not_measured),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
