/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/verdict.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include <math.h>
#include <stdlib.h>
#include <string.h>

struct at { double torque_Nm, u_Nm, speed_rpm, efficiency; enum limit limit; };

static struct curve *curve_with(const struct at *at, size_t n, enum limit end)
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
		p->setpoint_rpm = 85;
		p->torque_Nm = unc_from(c->ctx, at[i].torque_Nm, unc_source(c->ctx, "t", DIST_NORMAL, INFINITY), at[i].u_Nm);
		p->speed_rpm = unc_from(c->ctx, at[i].speed_rpm, unc_source(c->ctx, "n", DIST_NORMAL, INFINITY), 0.01);
		p->shaft_power_W = unc_scale(c->ctx, unc_mul(c->ctx, p->torque_Nm, p->speed_rpm), 3.14159265 / 30);
		p->efficiency = unc_from(c->ctx, at[i].efficiency, unc_source(c->ctx, "e", DIST_NORMAL, INFINITY), 0.005);
		p->efficiency_valid = at[i].efficiency > 0;
	}
	return c;
}

static struct claim_check only(struct curve *c, const struct actuator_profile *a, enum plan_drive drive)
{
	struct claim_check k[CLAIMS_MAX];

	assert_int_equal(claims_check(c, a, drive, 0.95, k), 1);
	struct claim_check ret = k[0];
	curve_free(c);
	return ret;
}

/* JCGM 106:2012, 7.2: one-sided, P = Phi((y - claim)/u). Phi(1) = 0.84134, Phi(2) = 0.97725, Phi(-2) = 0.02275
 * (tables of the normal distribution). */
static void peak_torque_by_what_stopped_it(void **state)
{
	static const struct { const char *name; double claim; enum limit last, end; enum verdict expect; double p; const char *why; } rows[] = {
		{ "two u above", 29.6, LIMIT_NONE, LIMIT_NONE, VERDICT_CONFIRMED, 0.97725, "Shown" },
		{ "one u above is not enough at 95 %", 29.8, LIMIT_NONE, LIMIT_NONE, VERDICT_UNDECIDED, 0.84134, "not far enough" },
		{ "two u below, actuator stopped it", 30.4, LIMIT_ACTUATOR, LIMIT_ACTUATOR, VERDICT_REFUTED, 0.02275, "actuator itself" },
		{ "two u below, only speed was lost there", 30.4, LIMIT_ACTUATOR, LIMIT_NONE, VERDICT_UNDECIDED, 0.02275, "no further" },
		{ "two u below, then the drive's limit", 30.4, LIMIT_ACTUATOR, LIMIT_DRIVE, VERDICT_UNDECIDED, 0.02275, "drive-limited" },
		{ "two u below, supply was the limit", 30.4, LIMIT_SUPPLY, LIMIT_NONE, VERDICT_UNDECIDED, 0.02275, "supply-limited" },
		{ "two u below, the run ended by a drop-out", 30.4, LIMIT_NONE, LIMIT_SUPPLY, VERDICT_UNDECIDED, 0.02275, "supply-limited" },
		{ "two u below, the plan ended", 30.4, LIMIT_NONE, LIMIT_NONE, VERDICT_UNDECIDED, 0.02275, "goes no further" },
		{ "above although the supply was the limit", 29.6, LIMIT_SUPPLY, LIMIT_NONE, VERDICT_CONFIRMED, 0.97725, "Shown" },
		{ "one u below, actuator was the limit", 30.2, LIMIT_ACTUATOR, LIMIT_ACTUATOR, VERDICT_UNDECIDED, 0.15866, "within the uncertainty" },
	};
	(void)state;

	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		const struct at at[] = { { 10, 0.1, 85, 0.5, LIMIT_NONE }, { 30, 0.2, 85, 0.6, rows[i].last } };
		const struct actuator_profile a = { .peak_torque_Nm = { true, rows[i].claim, NAN } };
		struct claim_check k = only(curve_with(at, 2, rows[i].end), &a, PLAN_SPEED);
		if (k.verdict != rows[i].expect || fabs(k.probability - rows[i].p) > 1e-5 || !strstr(k.why, rows[i].why))
			fail_msg("%s: %s, p = %.5f: %s", rows[i].name, verdict_name(k.verdict), k.probability, k.why);
	}
}

/* Speed falls from 90 to 70 rev/min between 20 and 30 N.m: 79.2 (99 % of 80) is passed at 20 + 10 (90 - 79.2)/20 = 25.4. */
static void rated_torque_is_read_where_the_speed_is_the_claim_s(void **state)
{
	static const struct at at[] = { { 10, 0.01, 100, 0.5, LIMIT_NONE }, { 20, 0.01, 90, 0.6, LIMIT_NONE },
					{ 30, 0.01, 70, 0.6, LIMIT_ACTUATOR } };
	struct actuator_profile a = { .rated_torque_Nm = { true, 25, 80 } };
	(void)state;

	struct claim_check k = only(curve_with(at, 3, LIMIT_NONE), &a, PLAN_HAND);
	assert_true(fabs(k.measured.value - 25.4) < 1e-9);
	assert_int_equal(k.verdict, VERDICT_CONFIRMED);
	a.rated_torque_Nm.value = 26;
	k = only(curve_with(at, 3, LIMIT_NONE), &a, PLAN_HAND);
	assert_int_equal(k.verdict, VERDICT_REFUTED);
	a.rated_torque_Nm.speed_rpm = 120;
	k = only(curve_with(at, 3, LIMIT_NONE), &a, PLAN_HAND);
	assert_int_equal(k.verdict, VERDICT_UNDECIDED);
	assert_true(isnan(k.probability));
	assert_non_null(strstr(k.why, "No point ran"));
}

/* In speed mode the drive was told 85 rev/min: a claim of 105 cannot be judged. */
static void no_load_speed_is_undecided_when_the_drive_was_told_less(void **state)
{
	static const struct at at[] = { { 0.5, 0.05, 85, 0, LIMIT_NONE }, { 20, 0.05, 85, 0.6, LIMIT_NONE } };
	const struct actuator_profile a = { .no_load_rpm = { true, 105, NAN } };
	(void)state;

	struct claim_check k = only(curve_with(at, 2, LIMIT_NONE), &a, PLAN_SPEED);
	assert_int_equal(k.verdict, VERDICT_UNDECIDED);
	assert_non_null(strstr(k.why, "told to hold 85"));
	k = only(curve_with(at, 2, LIMIT_NONE), &a, PLAN_HAND);
	assert_int_equal(k.verdict, VERDICT_REFUTED);
}

/* A peak inside the curve refutes only where the speed was free; in speed mode another speed may do better. */
static void a_peak_of_efficiency_inside_the_curve(void **state)
{
	static const struct at at[] = { { 10, 0.1, 90, 0.55, LIMIT_NONE }, { 20, 0.1, 85, 0.65, LIMIT_NONE }, { 30, 0.1, 80, 0.60, LIMIT_NONE } };
	const struct actuator_profile a = { .peak_efficiency = { true, 0.72, NAN } };
	(void)state;

	assert_int_equal(only(curve_with(at, 3, LIMIT_NONE), &a, PLAN_HAND).verdict, VERDICT_REFUTED);
	struct claim_check k = only(curve_with(at, 3, LIMIT_NONE), &a, PLAN_SPEED);
	assert_int_equal(k.verdict, VERDICT_UNDECIDED);
	assert_non_null(strstr(k.why, "another speed"));
	assert_int_equal(only(curve_with(at, 2, LIMIT_NONE), &a, PLAN_HAND).verdict, VERDICT_UNDECIDED); /* still rising */
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(peak_torque_by_what_stopped_it),
		cmocka_unit_test(rated_torque_is_read_where_the_speed_is_the_claim_s),
		cmocka_unit_test(no_load_speed_is_undecided_when_the_drive_was_told_less),
		cmocka_unit_test(a_peak_of_efficiency_inside_the_curve),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
