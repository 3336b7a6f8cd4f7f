/* SPDX-License-Identifier: GPL-3.0-or-later */
/* C3 */
#include "profile/plausible.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>

#define PI 3.14159265358979323846

static const struct actuator_profile winder = { .gear_ratio = 36,
						.limit_torque_Nm = 45,
						.k_t_Nm_per_A = 3.5,
						.expect_efficiency = 0.68,
						.expect_no_load_W = 15,
						.rated_torque_Nm = { true, 20, 80 },
						.rated_power_W = { true, 165, NAN } };

/* 20 N·m at 80 rpm, 5.7 A, 167.6 W from 250 W. */
static struct plausible_point fair(double torque_Nm)
{
	double shaft_W = torque_Nm * 80 * 2 * PI / 60;

	return (struct plausible_point){
		torque_Nm, 80, 80 * 36, torque_Nm / 3.5, shaft_W / 0.68 + 15, shaft_W / (shaft_W / 0.68 + 15)
	};
}

static void two_figures(void **state)
{
	static const struct {
		double found, expected;
		bool known, refused;
		const char *slip;
	} rows[] = {
		{ 50, 50, true, false, "" },
		{ 50, 34, true, false, "" },
		{ 50, 33, true, true, "" },
		{ 33, 50, true, true, "" },
		{ 5, 50, true, true, "near 10" },
		{ 490, 50, true, true, "9.81" },
		{ 1, 60, true, true, "minutes" },
		{ 1, 6.28, true, true, "radians" },
		{ 1, 35, true, true, "gear ratio" },
		{ 1000, 1.05, true, true, "milli" },
		{ 3, 1, true, true, "" },
		{ NAN, 1, false, false, "" },
		{ 1, NAN, false, false, "" },
		{ 0, 1, false, false, "" },
		{ -5, 5, false, false, "" },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct plausible p = plausible_compare(PLAUSIBLE_BRAKE, rows[i].found, rows[i].expected,
						       PLAUSIBLE_FACTOR, 36, "N\u00b7m");
		if (p.known != rows[i].known || p.refused != rows[i].refused ||
		    (*rows[i].slip ? !strstr(p.slip, rows[i].slip) : *p.slip))
			fail_msg("%g for %g: known %d, refused %d, \"%s\"", rows[i].found, rows[i].expected, p.known,
				 p.refused, p.slip);
	}
}

static void a_brake_that_is_ten_times_too_weak(void **state)
{
	const struct rig_profile rig = { .brake_rated_Nm = 50, .brake_max_A = 1.2 };
	struct brakemap map = { .max_A = 1.2, .max_Nm = 5.1 };
	char text[400];

	(void)state;
	struct plausible p = plausible_brake(&rig, &map, &winder);
	assert_true(p.refused);
	plausible_sentence(&p, text, sizeof text);
	if (!strstr(text, "5.1 N\u00b7m") || !strstr(text, "50 N\u00b7m") || !strstr(text, "9.8 times less") ||
	    !strstr(text, "[arm] length"))
		fail_msg("%s", text);
	map.max_Nm = 43;
	assert_false(plausible_brake(&rig, &map, &winder).refused);
	/* a third of the current: between 50/3/2.5 and 50/3 * 2.5 */
	map.max_A = 0.4;
	map.max_Nm = 8;
	assert_false(plausible_brake(&rig, &map, NULL).refused);
	map.max_Nm = 6;
	assert_true(plausible_brake(&rig, &map, NULL).refused);
}

static const struct plausible *of(const struct plausible *list, size_t n, enum plausible_check check)
{
	static const struct plausible none;

	for (size_t i = 0; i < n; i++)
		if (list[i].check == check)
			return &list[i];
	fail_msg("%s was not compared", plausible_word(check));
	return &none;
}

static void a_sound_curve_and_its_slips(void **state)
{
	struct plausible_point points[5];
	struct plausible list[PLAUSIBLE_CHECKS];

	(void)state;
	for (int i = 0; i < 5; i++)
		points[i] = fair(5 * i);
	size_t n = plausible_curve(&winder, points, 5, list);
	assert_int_equal(n, 5);
	for (size_t i = 0; i < n; i++)
		if (list[i].refused)
			fail_msg("%s: %g for %g", plausible_word(list[i].check), list[i].found, list[i].expected);
	/* the arm ten times too short in the file: every torque a tenth, so shaft power and efficiency too */
	for (int i = 0; i < 5; i++) {
		points[i].torque_Nm /= 10;
		points[i].efficiency /= 10;
	}
	n = plausible_curve(&winder, points, 5, list);
	assert_true(of(list, n, PLAUSIBLE_EFFICIENCY)->refused);
	assert_non_null(strstr(of(list, n, PLAUSIBLE_TORQUE_CONSTANT)->slip, "near 10"));
	assert_false(of(list, n, PLAUSIBLE_GEAR)->refused);
	/* pulses that belong to the rotor: the output seems to turn 36 times slower */
	for (int i = 0; i < 5; i++) {
		points[i] = fair(5 * i);
		points[i].speed_rpm /= 36;
	}
	n = plausible_curve(&winder, points, 5, list);
	assert_non_null(strstr(of(list, n, PLAUSIBLE_GEAR)->slip, "gear ratio"));
	/* a meter that shows a tenth of the current */
	for (int i = 0; i < 5; i++) {
		points[i] = fair(5 * i);
		points[i].input_power_W /= 10;
		points[i].efficiency *= 10;
	}
	n = plausible_curve(&winder, points, 5, list);
	assert_true(of(list, n, PLAUSIBLE_ENERGY)->refused && of(list, n, PLAUSIBLE_CURRENT_DRAWN)->refused);
}

/* At light load the drive's current is mostly friction: five light points show a third of k_t, the two heavy ones all
 * of it. */
static void light_points_decide_nothing(void **state)
{
	struct plausible_point points[7];
	struct plausible list[PLAUSIBLE_CHECKS];

	(void)state;
	for (int i = 0; i < 7; i++) {
		points[i] = fair(i < 5 ? 1 + i : 18 + i);
		points[i].drive_A *= i < 5 ? 3 : 1;
	}
	size_t n = plausible_curve(&winder, points, 7, list);
	assert_false(of(list, n, PLAUSIBLE_TORQUE_CONSTANT)->refused);
	for (int i = 5; i < 7; i++)
		points[i].drive_A *= 3;
	n = plausible_curve(&winder, points, 7, list);
	assert_true(of(list, n, PLAUSIBLE_TORQUE_CONSTANT)->refused);
}

static void what_nobody_stated_is_not_compared(void **state)
{
	const struct actuator_profile bare = { .gear_ratio = 36, .limit_torque_Nm = 45, .expect_efficiency = 0.5 };
	struct plausible_point points[2] = { fair(10), fair(20) };
	struct plausible list[PLAUSIBLE_CHECKS];

	(void)state;
	points[0].efficiency = points[1].efficiency = 0.95;
	size_t n = plausible_curve(&bare, points, 2, list);
	for (size_t i = 0; i < n; i++)
		assert_false(list[i].refused);
	assert_int_equal(plausible_curve(&bare, points, 0, list), 0);
}

/* 116000 counts per N·m: the full scale of 60 N·m makes 6.96e6. */
static void a_cell_by_its_stated_counts_or_else_by_the_converter(void **state)
{
	struct rig_profile rig = { .cell_full_scale_Nm = 60, .cell_saturation_count = 8388607 };
	struct cellcal cal = { .degree = 1, .coef = { 0, 116000 } };

	(void)state;
	assert_false(plausible_cell(&rig, &cal).refused);
	cal.coef[1] = 11600; /* so much of a wide converter may stay unused ... */
	assert_false(plausible_cell(&rig, &cal).refused);
	cal.coef[1] = 1160000;
	assert_true(plausible_cell(&rig, &cal).refused);
	rig.cell_full_scale_count = 6.96e6; /* ... unless it is stated */
	assert_true(plausible_cell(&rig, &cal).refused);
	cal.coef[1] = 11600;
	assert_true(plausible_cell(&rig, &cal).refused);
	assert_non_null(strstr(plausible_cell(&rig, &cal).slip, "near 10"));
	cal.coef[1] = 116000;
	assert_false(plausible_cell(&rig, &cal).refused);
}

static void claims_that_contradict_each_other(void **state)
{
	struct actuator_profile a = winder;

	(void)state;
	assert_false(plausible_claimed_power(&a).refused); /* 20 N·m at 80 rpm are 167.6 W */
	a.rated_power_W.value = 20 * 80;                   /* N·m times rpm */
	assert_true(plausible_claimed_power(&a).refused);
	a.rated_power_W.given = false;
	assert_false(plausible_claimed_power(&a).known);
}

/* By the efficiency that is claimed, and at a light load only where the no-load power is known. */
static void an_efficiency_by_the_claim(void **state)
{
	struct actuator_profile a = winder;
	struct plausible_point points[2] = { fair(1), fair(10) };
	struct plausible list[PLAUSIBLE_CHECKS];

	(void)state;
	points[0].efficiency = points[1].efficiency = 0.3; /* far below what is expected */
	size_t n = plausible_curve(&a, points, 2, list);
	assert_true(of(list, n, PLAUSIBLE_EFFICIENCY)->refused);
	a.expect_no_load_W = 0;
	a.rated_torque_Nm.given = false; /* then 10 N·m is light for the limit of 45 */
	n = plausible_curve(&a, points, 2, list);
	assert_false(of(list, n, PLAUSIBLE_EFFICIENCY)->refused);
	a.limit_torque_Nm = 20; /* and heavy for 20 */
	n = plausible_curve(&a, points, 2, list);
	assert_true(of(list, n, PLAUSIBLE_EFFICIENCY)->refused);
	a.peak_efficiency = (struct claim){ true, 0.35, NAN };
	n = plausible_curve(&a, points, 2, list);
	assert_false(of(list, n, PLAUSIBLE_EFFICIENCY)->refused);
	a.peak_efficiency.value = 0.5; /* a claim, and no default */
	n = plausible_curve(&a, points, 2, list);
	assert_true(of(list, n, PLAUSIBLE_EFFICIENCY)->refused);
	a.peak_efficiency.value = 0.35;
	a.expect_efficiency = 0.5; /* the default, where nothing is claimed: no figure of the owner's */
	n = plausible_curve(&a, points, 2, list);
	assert_false(of(list, n, PLAUSIBLE_EFFICIENCY)->refused);
}

/* Each kind of figure has its own form, and the factor its word. */
static void a_sentence_for_each_kind(void **state)
{
	static const struct {
		enum plausible_check check;
		double found, expected;
		const char *unit, *says;
	} rows[] = {
		{ PLAUSIBLE_EFFICIENCY, 0.2, 0.7, "",
		  "the best efficiency measured is 20 %, the actuator's file expects 70 %: 3.5 times less. Check" },
		{ PLAUSIBLE_ENERGY, 2, 1, "", "is 200 %, nothing exceeds 100 %: 2 times as much. Check" },
		{ PLAUSIBLE_CELL, 1e5, 1e6, "counts",
		  "would be 100000 counts, rig.ini and the converter let expect 1000000 counts: 10 times less, a "
		  "factor" },
		{ PLAUSIBLE_GEAR, 1, 36, "",
		  "rotor and output turn as 1, [actuator] ratio says 36: 36 times less, a "
		  "factor near the gear ratio 36" },
		{ PLAUSIBLE_CURRENT_DRAWN, 50, 100, "W", "the meter reads 50 W, torque, speed" },
	};
	char text[400];

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct plausible p = plausible_compare(rows[i].check, rows[i].found, rows[i].expected, PLAUSIBLE_FACTOR,
						       36, rows[i].unit);
		plausible_sentence(&p, text, sizeof text);
		if (!strstr(text, rows[i].says))
			fail_msg("row %zu: %s", i, text);
	}
	for (int i = 0; i < PLAUSIBLE_CHECKS; i++) /* each check has a word of its own, for programs */
		for (int k = 0; k < i; k++)
			assert_string_not_equal(plausible_word((enum plausible_check)i),
						plausible_word((enum plausible_check)k));
	assert_string_equal(plausible_word(PLAUSIBLE_GEAR), "gear_ratio");
}

/* Claims of power at no speed, or of a torque that is not stated, compare with nothing; more points than a median needs
 * change none. */
static void what_has_no_speed_or_too_many_points(void **state)
{
	static struct plausible_point many[900];
	struct plausible list[PLAUSIBLE_CHECKS];
	struct actuator_profile a = winder;

	(void)state;
	a.rated_torque_Nm.speed_rpm = NAN;
	assert_false(plausible_claimed_power(&a).known);
	a.rated_torque_Nm = (struct claim){ false, 20, 80 };
	assert_false(plausible_claimed_power(&a).known);
	for (size_t i = 0; i < 900; i++)
		many[i] = fair(15 + (double)(i % 5));
	size_t n = plausible_curve(&winder, many, 900, list);
	assert_true(fabs(of(list, n, PLAUSIBLE_TORQUE_CONSTANT)->found - 3.5) < 1e-9);
	assert_true(fabs(of(list, n, PLAUSIBLE_GEAR)->found - 36) < 1e-9);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(two_figures),
		cmocka_unit_test(a_brake_that_is_ten_times_too_weak),
		cmocka_unit_test(a_sound_curve_and_its_slips),
		cmocka_unit_test(light_points_decide_nothing),
		cmocka_unit_test(what_nobody_stated_is_not_compared),
		cmocka_unit_test(a_cell_by_its_stated_counts_or_else_by_the_converter),
		cmocka_unit_test(claims_that_contradict_each_other),
		cmocka_unit_test(an_efficiency_by_the_claim),
		cmocka_unit_test(a_sentence_for_each_kind),
		cmocka_unit_test(what_has_no_speed_or_too_many_points),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
