/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Curves made by formulas: speed = a - b T, efficiency e; the arm's error is one source of all torques. */
#include "reports/reduce/compare.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "tests/unit/near.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define U_ARM 0.01   /* relative */
#define U_NOISE 0.03 /* rpm */

struct made {
	double at[6], offset, slope, bent; /* speed = offset - slope T - bent T^2 */
	size_t n;
	double rpm, efficiency, scatter_rpm;
	int64_t cal_ns;
	double volt;
};

static struct report *make(const struct made *m)
{
	struct report *r = calloc(1, sizeof *r);
	struct curve *c = r->curve = calloc(1, sizeof *c);

	c->ctx = unc_ctx_new();
	c->points = calloc(m->n, sizeof *c->points);
	c->n = m->n;
	c->coverage = 0.95;
	r->cal_wall_ns = m->cal_ns;
	r->cal.n_sources = 2;
	snprintf(r->cal.source[0].name, sizeof r->cal.source[0].name, "calibration arm");
	snprintf(r->cal.source[1].name, sizeof r->cal.source[1].name, "mounting of the cell");
	uint32_t arm = unc_source(c->ctx, "calibration arm", DIST_NORMAL, INFINITY);
	for (size_t i = 0; i < m->n; i++) {
		double t = m->at[i];
		char name[40];
		snprintf(name, sizeof name, "speed noise, step %zu", i + 1);
		struct curve_point *p = &c->points[i];
		*p = (struct curve_point){
			.step = (int)i, .direction = 1, .efficiency_valid = true, .setpoint_rpm = m->rpm
		};
		p->torque_Nm = unc_from(c->ctx, t, arm, t * U_ARM);
		p->speed_rpm = unc_from(c->ctx, m->offset - m->slope * t - m->bent * t * t,
					unc_source(c->ctx, name, DIST_NORMAL, INFINITY), U_NOISE);
		p->efficiency = unc_from(c->ctx, m->efficiency, arm, m->efficiency * U_ARM);
		p->input_power_W = p->current_A = (struct unc){ .value = NAN };
		p->voltage_V = unc_exact(m->volt);
		p->scatter_rpm = m->scatter_rpm;
		p->scatter_efficiency = p->scatter_input_W = NAN;
		p->case_degC = p->winding_degC = NAN;
	}
	return r;
}

static struct comparison out;
static struct err err;

static enum rc compare(const struct made *a, const char *origin_a, const struct made *b, const char *origin_b)
{
	struct report *x = make(a), *y = make(b);
	enum rc rc = compare_runs(&(struct compare_side){ x, origin_a }, &(struct compare_side){ y, origin_b }, 0.95,
				  &out, &err);

	report_free(x);
	report_free(y);
	return rc;
}

static const struct difference nothing = { .value = NAN, .u = NAN };

static const struct difference *find(enum compare_quantity q, double torque_Nm)
{
	for (size_t i = 0; i < out.n; i++)
		if (out.list[i].quantity == q && fabs(out.list[i].torque_Nm - torque_Nm) < 1e-9)
			return &out.list[i];
	return &nothing;
}

static const struct made plain = { { 0, 10, 20, 30 }, 90, 0.5, 0, 4, 85, 0.7, 0, 7, 48 };

/* Same calibration, same slope: the arm's error moves both alike and only the noise of both is left. */
static void the_arm_cancels_on_one_rig(void **state)
{
	(void)state;
	struct made b = plain;

	b.offset = 89;
	b.efficiency = 0.69;
	assert_int_equal(compare(&plain, "a", &b, "b.tar.zst"), RC_OK);
	assert_true(out.same_calibration);
	const struct difference *d = find(COMPARE_SPEED, 20);
	assert_near(d->value, -1, 1e-12);
	assert_near(d->u, sqrt(2) * U_NOISE, 1e-12);
	assert_true(d->real);
	const struct difference *e = find(COMPARE_EFFICIENCY, 20);
	assert_near(e->value, -0.01, 1e-12);
	assert_near(e->u, 0.01 * U_ARM, 1e-12); /* of 0.70 and 0.69 the arm leaves its share of the difference */
	assert_int_equal(e->n_common, 1);
	assert_string_equal(e->common[0].name, "calibration arm");
	assert_near(e->common[0].u, 0.69 * U_ARM, 1e-12);
	assert_true(e->real);
	assert_int_equal(out.n_warnings, 0);
}

/* Two rigs: two arms, each with its own error. */
static void nothing_cancels_across_rigs(void **state)
{
	(void)state;
	struct made b = plain;

	b.efficiency = 0.69;
	b.cal_ns = 8;
	assert_int_equal(compare(&plain, "a", &b, "b"), RC_OK);
	const struct difference *e = find(COMPARE_EFFICIENCY, 20);
	assert_near(e->u, hypot(0.7, 0.69) * U_ARM, 1e-12);
	assert_int_equal(e->n_common, 0);
	assert_false(e->real);
	/* And the torque's error goes along with the slope of the speed. */
	assert_near(find(COMPARE_SPEED, 20)->u, sqrt(2) * hypot(U_NOISE, 0.5 * 20 * U_ARM), 1e-12);
	assert_non_null(strstr(out.warning[0], "rigs differ"));
}

/* Another calibration in one logbook: the arm as far as rig.ini states it alike. */
static void a_new_calibration_keeps_the_arm(void **state)
{
	(void)state;
	struct made b = plain;

	b.cal_ns = 8;
	assert_int_equal(compare(&plain, "a", &b, "a"), RC_OK);
	assert_near(find(COMPARE_EFFICIENCY, 20)->u, 0, 1e-12);
	assert_non_null(strstr(out.warning[0], "calibrations differ"));
}

/* speed = 90 - 0.02 T^2 between 10 and 20 N·m: chord less parabola is 0.02 (15 - 10)(20 - 15) = 0.5 rpm. */
static void between_points_the_bend_is_a_limit(void **state)
{
	(void)state;
	struct made a = { { 0, 15, 30 }, 90, 0, 0.02, 3, 85, 0.7, 0, 7, 48 },
		    b = { { 0, 10, 20, 30 }, 90, 0, 0.02, 4, 85, 0.7, 0, 7, 48 };

	assert_int_equal(compare(&a, "a", &b, "a"), RC_OK);
	const struct difference *d = find(COMPARE_SPEED, 15);
	assert_near(d->value, -0.5, 1e-9);
	assert_true(d->u > 0.5 / sqrt(3));
	assert_false(d->real);
}

static void only_inside_what_both_measured(void **state)
{
	(void)state;
	struct made b = plain;

	b.n = 3; /* up to 20 N·m */
	assert_int_equal(compare(&plain, "a", &b, "a"), RC_OK);
	assert_true(isfinite(find(COMPARE_SPEED, 20)->value));
	assert_true(isnan(find(COMPARE_SPEED, 30)->value));
	b.rpm = 60;
	assert_int_equal(compare(&plain, "a", &b, "a"), RC_ARG);
	b = plain;
	for (size_t i = 0; i < b.n; i++)
		b.at[i] += 100;
	assert_int_equal(compare(&plain, "a", &b, "a"), RC_ARG);
}

/* What another window would give is part of a difference between runs. */
static void scatter_of_both_counts(void **state)
{
	(void)state;
	struct made b = plain;

	b.scatter_rpm = 0.4;
	assert_int_equal(compare(&plain, "a", &b, "a"), RC_OK);
	assert_near(find(COMPARE_SPEED, 10)->u, sqrt(2 * U_NOISE * U_NOISE + 0.16), 1e-9);
}

static void another_supply_is_told(void **state)
{
	(void)state;
	struct made b = plain;

	b.volt = 46;
	assert_int_equal(compare(&plain, "a", &b, "a"), RC_OK);
	assert_int_equal(out.n_warnings, 1);
	assert_non_null(strstr(out.warning[0], "supply differs"));
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(the_arm_cancels_on_one_rig),      cmocka_unit_test(nothing_cancels_across_rigs),
		cmocka_unit_test(a_new_calibration_keeps_the_arm), cmocka_unit_test(between_points_the_bend_is_a_limit),
		cmocka_unit_test(only_inside_what_both_measured),  cmocka_unit_test(scatter_of_both_counts),
		cmocka_unit_test(another_supply_is_told),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
