/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/reduce/verdict.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define V_CLAIM 48.0

struct at {
	double torque_Nm, u_Nm, speed_rpm, input_W;
	bool free;
	enum limit limit;
};

static struct curve *curve_with(const struct at *at, size_t n, enum limit end, double volt)
{
	struct curve *c = calloc(1, sizeof *c);

	c->ctx = unc_ctx_new();
	c->points = calloc(n, sizeof *c->points);
	c->n = n;
	c->coverage = 0.95;
	c->end_limit = end;
	for (size_t i = 0; i < n; i++) {
		struct curve_point *p = &c->points[i];
		p->direction = 1;
		p->settled = true;
		p->limit = at[i].limit;
		p->free_running = at[i].free;
		p->setpoint_rpm = 85;
		p->voltage_V = unc_exact(volt);
		p->winding_degC = 40;
		p->torque_Nm =
			unc_from(c->ctx, at[i].torque_Nm, unc_source(c->ctx, "t", DIST_NORMAL, INFINITY), at[i].u_Nm);
		p->speed_rpm = unc_from(c->ctx, at[i].speed_rpm, unc_source(c->ctx, "n", DIST_NORMAL, INFINITY), 1e-4);
		p->shaft_power_W = unc_scale(c->ctx, unc_mul(c->ctx, p->torque_Nm, p->speed_rpm), 3.14159265 / 30);
		p->input_power_W = unc_exact(at[i].input_W);
		p->efficiency_valid = at[i].input_W > 0;
		if (p->efficiency_valid)
			p->efficiency = unc_div(c->ctx, p->shaft_power_W, p->input_power_W);
	}
	return c;
}

static struct claim_check only(struct curve *c, const struct actuator_profile *a, enum plan_drive drive)
{
	const struct claims_setting setting = { drive, V_CLAIM, 0.95 };
	struct claim_check k[CLAIMS_MAX];

	assert_int_equal(claims_check(c, a, &setting, k), 1);
	struct claim_check ret = k[0];
	curve_free(c);
	return ret;
}

static struct claim_check judged(const struct at *at, size_t n, enum plan_drive drive, struct actuator_profile a)
{
	return only(curve_with(at, n, LIMIT_NONE, V_CLAIM), &a, drive);
}

/* JCGM 106:2012, 7.2: one-sided, P = Phi((y - claim)/u). Phi(1) = 0.84134, Phi(2) = 0.97725 (tables of the normal
 * distribution). A heaviest point is the least that it can do, so nothing is refuted by it, whatever stopped the run.
 */
static void peak_torque_is_a_lower_bound(void **state)
{
	static const struct {
		const char *name;
		double claim;
		enum limit last, end;
		enum verdict expect;
		double p;
		const char *why;
	} rows[] = {
		{ "two u above", 29.6, LIMIT_NONE, LIMIT_NONE, VERDICT_CONFIRMED, 0.97725, "reached it" },
		{ "one u above is not enough at 95 %", 29.8, LIMIT_NONE, LIMIT_NONE, VERDICT_UNDECIDED, 0.84134,
		  "at least 30" },
		{ "far below, the plan ended", 35, LIMIT_NONE, LIMIT_NONE, VERDICT_NOT_TESTED, NAN,
		  "A step at 35.7 N·m" },
		{ "far below, only speed was lost there", 35, LIMIT_ACTUATOR, LIMIT_NONE, VERDICT_NOT_TESTED, NAN,
		  "A step at" },
		{ "far below, then the drive's limit", 35, LIMIT_ACTUATOR, LIMIT_DRIVE, VERDICT_UNDECIDED, NAN,
		  "at least 30" },
		{ "far below, supply was the limit", 35, LIMIT_SUPPLY, LIMIT_NONE, VERDICT_UNDECIDED, NAN,
		  "supply-limited" },
		{ "far below, the plan's own current", 35, LIMIT_PLAN, LIMIT_ACTUATOR, VERDICT_UNDECIDED, NAN,
		  "plan-limited" },
		{ "far below, nobody knows", 35, LIMIT_NONE, LIMIT_NOT_KNOWN, VERDICT_UNDECIDED, NAN, "at least 30" },
		{ "far below, the actuator", 35, LIMIT_ACTUATOR, LIMIT_ACTUATOR, VERDICT_UNDECIDED, NAN,
		  "at least 30" },
		{ "above although the supply was the limit", 29.6, LIMIT_SUPPLY, LIMIT_NONE, VERDICT_CONFIRMED, 0.97725,
		  "reached it" },
	};
	(void)state;

	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		const struct at at[] = { { 10, 0.1, 85, 0, false, LIMIT_NONE },
					 { 30, 0.2, 85, 0, false, rows[i].last } };
		const struct actuator_profile a = { .peak_torque_Nm = { true, rows[i].claim, NAN } };
		struct claim_check k = only(curve_with(at, 2, rows[i].end, V_CLAIM), &a, PLAN_SPEED);
		bool same_p = isnan(rows[i].p) ? isnan(k.probability) : fabs(k.probability - rows[i].p) < 1e-5;
		if (k.verdict != rows[i].expect || !same_p || !strstr(k.why, rows[i].why))
			fail_msg("%s: %s, p = %.5f: %s", rows[i].name, verdict_name(k.verdict), k.probability, k.why);
	}
}

/* 35 N·m were reached, not settled: a claim of 33 N·m rests on the 20 N·m that were, and says so. */
static void points_that_did_not_settle_are_told(void **state)
{
	static const struct at at[] = { { 20, 0.05, 85, 0, false, LIMIT_NONE },
					{ 35, 0.05, 85, 0, false, LIMIT_NONE } };
	const struct actuator_profile a = { .peak_torque_Nm = { true, 33, NAN } };
	struct curve *c = curve_with(at, 2, LIMIT_OPERATOR, V_CLAIM);
	(void)state;

	c->points[1].settled = false;
	struct claim_check k = only(c, &a, PLAN_SPEED);
	assert_int_equal(k.verdict, VERDICT_UNDECIDED);
	assert_non_null(strstr(k.why, "at least 20 N·m"));
	assert_non_null(strstr(k.why, "1 point did not settle and is not counted."));
}

/* 19.999 N·m are not 20 N·m: digits that show what is missing. */
static void what_falls_short_by_little_is_not_rounded_up_to_the_claim(void **state)
{
	static const struct at at[] = { { 10, 0.05, 85, 0, false, LIMIT_NONE },
					{ 19.999, 0.05, 85, 0, false, LIMIT_NONE } };
	const struct actuator_profile a = { .peak_torque_Nm = { true, 20, NAN } };
	struct curve *c = curve_with(at, 2, LIMIT_NONE, V_CLAIM);
	(void)state;

	struct claim_check k = only(c, &a, PLAN_SPEED);
	assert_int_equal(k.verdict, VERDICT_UNDECIDED);
	assert_non_null(strstr(k.why, "at least 19.999 N·m"));
}

/* A heavy point that did not settle says nothing of the speed without load, and a long end is told once, elsewhere. */
static void a_claim_says_only_what_bears_on_it(void **state)
{
	static const struct at at[] = { { 1, 0.05, 85, 40, false, LIMIT_NONE },
					{ 20, 0.05, 85, 260, false, LIMIT_NONE },
					{ 35, 0.05, 81, 480, false, LIMIT_NONE } };
	const struct actuator_profile speed = { .no_load_rpm = { true, 105, NAN } },
				      share = { .peak_efficiency = { true, 0.72, NAN } },
				      torque = { .peak_torque_Nm = { true, 40, NAN } };
	const struct actuator_profile *const claims[] = { &speed, &share, &torque };
	(void)state;

	for (size_t i = 0; i < 3; i++) {
		struct curve *c = curve_with(at, 3, LIMIT_SUPPLY, V_CLAIM);
		c->points[2].settled = false;
		strcpy(c->end_note, "The run ended early: a long tale.");
		struct claim_check k = only(c, claims[i], PLAN_SPEED);
		bool told = strstr(k.why, "did not settle") != NULL;
		if (told != (i == 2) || strstr(k.why, "long tale") || strstr(k.why, "held it"))
			fail_msg("%s: %s", k.claim, k.why);
	}
}

static enum verdict torque_at(const struct at *at, size_t n, enum plan_drive drive, double claim_Nm, double rpm)
{
	return judged(at, n, drive, (struct actuator_profile){ .rated_torque_Nm = { true, claim_Nm, rpm } }).verdict;
}

/* n = 105 - T/2 - T^2/200 rpm, so 80 rpm stands at T = 36.6025 N·m (the root of T^2 + 100 T = 5000). The chord from 30
 * to 50 passes 80 rpm at 36.111: half a newton metre short. */
static void a_smooth_curve_is_not_its_chord(void **state)
{
	struct at at[4];
	static const double torque[] = { 10, 30, 50, 70 };
	(void)state;

	for (size_t i = 0; i < 4; i++)
		at[i] = (struct at){ torque[i], 0.01, 105 - torque[i] / 2 - torque[i] * torque[i] / 200,
				     0,         true, LIMIT_NONE };
	struct claim_check k =
		judged(at, 4, PLAN_DRIVE_CURRENT, (struct actuator_profile){ .rated_torque_Nm = { true, 36.3, 80 } });
	assert_true(k.low <= 36.6025 && k.high >= 36.6025);
	assert_int_not_equal(k.verdict, VERDICT_REFUTED);
	assert_int_equal(torque_at(at, 4, PLAN_DRIVE_CURRENT, 35, 80), VERDICT_CONFIRMED);
	assert_int_equal(torque_at(at, 4, PLAN_DRIVE_CURRENT, 38, 80), VERDICT_REFUTED);
}

/* 85 rpm are held to 15 N·m, 25 N·m run at 74 rpm, free: the curve n = 101.5 - 1.1 T leaves 85 rpm at exactly 15, or,
 * with a kink, anywhere up to 25. A claim between is not known by two points, and known by the line of the free ones.
 */
static void across_a_kink_the_bracket_is_all(void **state)
{
	static const struct at two[] = { { 15, 0.05, 85, 0, false, LIMIT_NONE },
					 { 25, 0.05, 74, 0, true, LIMIT_ACTUATOR } };
	static const struct at more[] = { { 15, 0.05, 85, 0, false, LIMIT_NONE },
					  { 25, 0.05, 74, 0, true, LIMIT_ACTUATOR },
					  { 30, 0.05, 68.5, 0, true, LIMIT_ACTUATOR },
					  { 35, 0.05, 63, 0, true, LIMIT_ACTUATOR } };
	struct claim_check k =
		judged(two, 2, PLAN_SPEED, (struct actuator_profile){ .rated_torque_Nm = { true, 21, 80 } });
	(void)state;

	assert_int_equal(k.verdict, VERDICT_UNDECIDED);
	assert_true(isnan(k.probability));
	assert_non_null(strstr(k.why, "21.4 N·m")); /* 2 % above the claim */
	assert_int_equal(torque_at(two, 2, PLAN_SPEED, 14.5, 80), VERDICT_CONFIRMED);
	assert_int_equal(torque_at(two, 2, PLAN_SPEED, 25.5, 80), VERDICT_REFUTED);
	/* the line through 25, 30 and 35 passes 80 rpm at 19.545 */
	assert_int_equal(torque_at(more, 4, PLAN_SPEED, 21, 80), VERDICT_REFUTED);
	assert_int_equal(torque_at(more, 4, PLAN_SPEED, 18, 80), VERDICT_CONFIRMED);
}

/* 34.99 N·m at 82.69 rpm are no 34.5 N·m at 83.5 rpm: 99 % of a speed is not the speed. */
static void a_speed_is_not_reached_at_99_per_cent(void **state)
{
	static const struct at at[] = { { 30, 0.03, 88, 0, true, LIMIT_ACTUATOR },
					{ 33.75, 0.03, 83.5, 0, true, LIMIT_ACTUATOR },
					{ 34.99, 0.03, 82.69, 0, true, LIMIT_ACTUATOR } };
	(void)state;

	assert_int_equal(torque_at(at, 3, PLAN_SPEED, 34.5, 83.5), VERDICT_REFUTED);
	assert_int_equal(torque_at(at, 3, PLAN_SPEED, 33.2, 83.5), VERDICT_CONFIRMED);
}

/* n = 101.8 - 0.9 T, read from 1.3 N·m on: the line to no load gives 101.8. */
static void no_load_is_the_line_to_zero(void **state)
{
	static const struct at at[] = { { 1.3, 0.02, 100.63, 0, true, LIMIT_NONE },
					{ 5, 0.02, 97.3, 0, true, LIMIT_NONE },
					{ 10, 0.02, 92.8, 0, true, LIMIT_NONE } };
	static const struct at held[] = { { 0.5, 0.05, 85, 0, false, LIMIT_NONE },
					  { 20, 0.05, 85, 0, false, LIMIT_NONE } };
	struct actuator_profile a = { .no_load_rpm = { true, 101.5, NAN } };
	(void)state;

	struct claim_check k = judged(at, 3, PLAN_DRIVE_CURRENT, a);
	assert_int_equal(k.verdict, VERDICT_CONFIRMED);
	assert_true(fabs(k.measured.value - 101.8) < 1e-6);
	a.no_load_rpm.value = 103;
	assert_int_equal(judged(at, 3, PLAN_DRIVE_CURRENT, a).verdict, VERDICT_REFUTED);
	k = judged(held, 2, PLAN_SPEED, a);
	assert_int_equal(k.verdict, VERDICT_NOT_TESTED);
	assert_true(isnan(k.probability));
	assert_non_null(strstr(k.why, "the 85 rpm of the plan"));
	a.no_load_rpm.value = 80;
	assert_int_equal(judged(held, 2, PLAN_SPEED, a).verdict, VERDICT_CONFIRMED);
}

/* Pin = 20 + 9 T + 0.03 T^2 W, n = 100 - 0.6 T rpm: the greatest efficiency lies between the points, found here in
 * steps of 0.01 N·m. */
static double input_W(double T)
{
	return 20 + 9 * T + 0.03 * T * T;
}
static double speed(double T)
{
	return 100 - 0.6 * T;
}

static void a_peak_is_the_maximum_of_a_curve(void **state)
{
	static const double torque[] = { 2, 9, 25, 40 };
	struct at at[4];
	double top = 0, best = 0;
	(void)state;

	for (double T = 1; T < 40; T += 0.01)
		top = fmax(top, T * speed(T) * 3.14159265 / 30 / input_W(T));
	for (size_t i = 0; i < 4; i++) {
		at[i] = (struct at){ torque[i], 0.001, speed(torque[i]), input_W(torque[i]), true, LIMIT_NONE };
		best = fmax(best, torque[i] * speed(torque[i]) * 3.14159265 / 30 / input_W(torque[i]));
	}
	assert_true(best < top - 0.003);
	struct actuator_profile a = { .peak_efficiency = { true, (best + top) / 2, NAN } };
	struct claim_check k = judged(at, 4, PLAN_DRIVE_CURRENT, a);
	assert_true(k.low <= top && k.high >= top);
	assert_int_not_equal(k.verdict, VERDICT_REFUTED);
	a.peak_efficiency.value = top + 0.03;
	assert_int_equal(judged(at, 4, PLAN_DRIVE_CURRENT, a).verdict, VERDICT_REFUTED);
	/* still rising: a lower bound */
	assert_int_equal(judged(at, 2, PLAN_DRIVE_CURRENT, a).verdict, VERDICT_NOT_TESTED);
	/* held at the plan's speed: another speed may do better, and a claim at another speed is not tested */
	for (size_t i = 0; i < 4; i++)
		at[i].free = false;
	assert_int_equal(judged(at, 4, PLAN_SPEED, a).verdict, VERDICT_NOT_TESTED);
	a.peak_efficiency.speed_rpm = 240;
	k = judged(at, 4, PLAN_SPEED, a);
	assert_int_equal(k.verdict, VERDICT_NOT_TESTED);
	assert_non_null(strstr(k.why, "240 rpm"));
}

/* At 46.5 V of 48 V the speed is n0 (48 - 46.5)/46.5 = 3.2 % of n0 lower: the actuator is not to blame. */
static void a_claim_has_a_voltage(void **state)
{
	static const struct at at[] = { { 1, 0.02, 97.9, 0, true, LIMIT_NONE },
					{ 5, 0.02, 94, 0, true, LIMIT_NONE },
					{ 10, 0.02, 89.2, 0, true, LIMIT_NONE } };
	struct actuator_profile a = { .no_load_rpm = { true, 101, NAN } };
	(void)state;

	assert_int_equal(only(curve_with(at, 3, LIMIT_NONE, 48), &a, PLAN_DRIVE_CURRENT).verdict, VERDICT_REFUTED);
	struct claim_check k = only(curve_with(at, 3, LIMIT_NONE, 46.5), &a, PLAN_DRIVE_CURRENT);
	assert_int_equal(k.verdict, VERDICT_CONFIRMED);
	assert_non_null(strstr(k.why, "46.5 V"));
	k = only(curve_with(at, 3, LIMIT_NONE, 40), &a, PLAN_DRIVE_CURRENT);
	assert_int_equal(k.verdict, VERDICT_UNDECIDED);
	assert_non_null(strstr(k.why, "too far"));
}

/* Falling points are slower: warm and cold are both the actuator. */
static void both_ways_count_where_the_claim_says_neither(void **state)
{
	static const struct at at[] = { { 10, 0.01, 95, 0, true, LIMIT_NONE }, { 20, 0.01, 85, 0, true, LIMIT_NONE },
					{ 30, 0.01, 75, 0, true, LIMIT_NONE }, { 10, 0.01, 94, 0, true, LIMIT_NONE },
					{ 20, 0.01, 83, 0, true, LIMIT_NONE }, { 29, 0.01, 73, 0, true, LIMIT_NONE } };
	(void)state;

	for (int i = 0; i < 3; i++) {
		static const double claim[] = { 22.5, 24, 25.5 }; /* 80 rpm: 25 rising, about 22.7 to 22.9 falling */
		static const enum verdict expect[] = { VERDICT_CONFIRMED, VERDICT_UNDECIDED, VERDICT_REFUTED };
		const struct actuator_profile a = { .rated_torque_Nm = { true, claim[i], 80 } };
		struct curve *c = curve_with(at, 6, LIMIT_NONE, V_CLAIM);
		for (size_t j = 3; j < 6; j++)
			c->points[j].direction = -1;
		struct claim_check k = only(c, &a, PLAN_DRIVE_CURRENT);
		if (k.verdict != expect[i])
			fail_msg("%g N·m: %s: %s (%g to %g)", claim[i], verdict_name(k.verdict), k.why, k.low, k.high);
	}
}

static void a_person_at_the_crank_tests_no_actuator(void **state)
{
	static const struct at at[] = { { 10, 0.1, 30, 0, false, LIMIT_NONE } };
	(void)state;

	assert_int_equal(torque_at(at, 1, PLAN_HAND, 5, 20), VERDICT_NOT_TESTED);
}

/* 30 N·m at 85 rpm; 38 N·m at 40 rpm and 40 N·m backward are no part of what a claim is judged by. */
static void the_highest_forward_speed_is_judged(void **state)
{
	static const struct at at[] = { { 10, 0.05, 85, 120, false, LIMIT_NONE },
					{ 30, 0.05, 85, 380, false, LIMIT_NONE },
					{ 38, 0.05, 40, 300, false, LIMIT_NONE },
					{ -40, 0.05, -85, 500, false, LIMIT_NONE } };
	const struct actuator_profile a = { .peak_torque_Nm = { true, 25, NAN } };
	const struct actuator_profile heavier = { .peak_torque_Nm = { true, 35, NAN } };

	(void)state;
	for (int i = 0; i < 2; i++) {
		struct curve *c = curve_with(at, 4, LIMIT_NONE, V_CLAIM);
		c->points[2].setpoint_rpm = 40;
		c->points[3].setpoint_rpm = -85;
		struct claim_check k = only(c, i ? &heavier : &a, PLAN_SPEED);
		assert_int_equal(k.verdict, i ? VERDICT_NOT_TESTED : VERDICT_CONFIRMED);
	}
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(peak_torque_is_a_lower_bound),
		cmocka_unit_test(points_that_did_not_settle_are_told),
		cmocka_unit_test(what_falls_short_by_little_is_not_rounded_up_to_the_claim),
		cmocka_unit_test(a_claim_says_only_what_bears_on_it),
		cmocka_unit_test(a_smooth_curve_is_not_its_chord),
		cmocka_unit_test(across_a_kink_the_bracket_is_all),
		cmocka_unit_test(a_speed_is_not_reached_at_99_per_cent),
		cmocka_unit_test(no_load_is_the_line_to_zero),
		cmocka_unit_test(a_peak_is_the_maximum_of_a_curve),
		cmocka_unit_test(a_claim_has_a_voltage),
		cmocka_unit_test(both_ways_count_where_the_claim_says_neither),
		cmocka_unit_test(a_person_at_the_crank_tests_no_actuator),
		cmocka_unit_test(the_highest_forward_speed_is_judged),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
