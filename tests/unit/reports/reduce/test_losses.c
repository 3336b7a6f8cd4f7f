/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Losses and constants of made curves: coefficients are recovered, a common error goes through as calculus says, the
 * intervals hold, and what the points cannot tell is not told. */
#include "reports/reduce/losses.h"

#include "calib/number/units.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>

#include <cmocka.h>

#define N 12

struct made {
	struct unc_ctx *ctx;
	struct curve_point point[N];
	struct curve curve;
};

/* A motor at that speed: fixed + in step + square + by speed; noise_W on each input power, which no source tells,
 * meter_frac common to all. */
static void make(struct made *m, size_t n, double rpm_low, double rpm_high, double noise_W, double meter_frac,
		 double (*dice)(void))
{
	*m = (struct made){ .ctx = unc_ctx_new() };
	uint32_t meter = unc_source(m->ctx, "meter's gain", DIST_NORMAL, INFINITY);
	double meter_off = meter_frac * (dice ? dice() : 0);
	for (size_t i = 0; i < n; i++) {
		double T = 3.0 * (double)(i + 1), rpm = i % 2 ? rpm_high : rpm_low, shaft = T * rad_per_s_from_rpm(rpm),
		       in = shaft + 6 + 0.4 * T + 0.05 * T * T + 0.02 * rpm;
		struct unc read = unc_from(m->ctx, (in + (dice ? noise_W * dice() : 0)) * (1 + meter_off), meter,
					   in * meter_frac);
		m->point[i] = (struct curve_point){
			.step = (int)i,
			.direction = 1,
			.settled = true,
			.free_running = true,
			.torque_Nm = unc_exact(T),
			.speed_rpm = unc_exact(rpm),
			.shaft_power_W = unc_exact(shaft),
			.input_power_W = read,
			.drive_A = NAN,
		};
	}
	m->curve = (struct curve){ .ctx = m->ctx, .n = n, .points = m->point };
}

static void the_coefficients_come_back(void **state)
{
	struct made m;
	(void)state;

	make(&m, N, 60, 60, 0, 0, NULL);
	struct losses one = losses_of(&m.curve);
	assert_true(one.known && !one.several_speeds);
	/* at one speed its part stands in the fixed loss */
	assert_true(fabs(one.fixed_W.value - (6 + 0.02 * 60)) < 1e-9);
	assert_true(fabs(one.in_step_W_per_Nm.value - 0.4) < 1e-10);
	assert_true(fabs(one.square_W_per_Nm2.value - 0.05) < 1e-11);
	unc_ctx_free(m.ctx);
	make(&m, N, 40, 80, 0, 0, NULL);
	struct losses two = losses_of(&m.curve);
	assert_true(two.known && two.several_speeds);
	assert_true(fabs(two.fixed_W.value - 6) < 1e-8);
	assert_true(fabs(two.by_speed_W_per_rpm.value - 0.02) < 1e-9);
	unc_ctx_free(m.ctx);
}

/* A meter that reads 1 % high adds 1 % of the input power: of P_shaft too, which goes with T. So the coefficient of T
 * moves by 1 % of (0.4 + omega), that of the square by 1 % of itself. */
static void a_common_error_goes_through(void **state)
{
	struct made m;
	(void)state;

	make(&m, N, 60, 60, 0, 0.01, NULL);
	struct losses l = losses_of(&m.curve);
	assert_true(fabs(unc_u(l.in_step_W_per_Nm) - 0.01 * (0.4 + rad_per_s_from_rpm(60))) < 1e-9);
	assert_true(fabs(unc_u(l.square_W_per_Nm2) - 0.01 * 0.05) < 1e-10);
	unc_ctx_free(m.ctx);
}

static double normal(void)
{
	double u = (rand() + 1.0) / (RAND_MAX + 2.0), v = rand() / (RAND_MAX + 1.0);

	return sqrt(-2 * log(u)) * cos(2 * M_PI * v);
}

static bool holds(const struct made *m, struct unc x, double truth)
{
	return fabs(x.value - truth) < unc_coverage_factor(unc_dof(m->ctx, x), 0.95) * unc_u(x);
}

/* The scatter alone tells of it. 2000 curves: 95 % has a standard error of 0.5 %. */
static void the_intervals_hold(void **state)
{
	int held[3] = { 0 };
	const int curves = 2000;
	(void)state;

	srand(20261127);
	for (int i = 0; i < curves; i++) {
		struct made m;
		make(&m, N, 60, 60, 0.5, 0, normal);
		struct losses l = losses_of(&m.curve);
		held[0] += holds(&m, l.fixed_W, 7.2);
		held[1] += holds(&m, l.in_step_W_per_Nm, 0.4);
		held[2] += holds(&m, l.square_W_per_Nm2, 0.05);
		unc_ctx_free(m.ctx);
	}
	for (int k = 0; k < 3; k++)
		if (held[k] < 0.935 * curves || held[k] > 0.965 * curves)
			fail_msg("coefficient %d: %.1f %% of the intervals hold", k, 100.0 * held[k] / curves);
}

static void what_the_points_cannot_tell_is_not_told(void **state)
{
	struct made m;
	(void)state;

	make(&m, 4, 60, 60, 0.5, 0, normal); /* too few */
	assert_false(losses_of(&m.curve).known);
	unc_ctx_free(m.ctx);
	make(&m, N, 60, 60, 0.5, 0, normal);
	for (size_t i = 0; i < N; i++) /* two torques: no square */
		m.point[i].torque_Nm = unc_exact(i % 2 ? 10 : 20);
	assert_false(losses_of(&m.curve).known);
	unc_ctx_free(m.ctx);
	make(&m, N, 60, 60, 0.5, 0, normal);
	for (size_t i = 0; i < N; i++)
		m.point[i].settled = i < 3;
	assert_false(losses_of(&m.curve).known);
	unc_ctx_free(m.ctx);
	make(&m, N, 60, 60, 0, 0, NULL); /* held at one speed: no droop */
	assert_false(losses_of(&m.curve).droop);
	assert_false(losses_of(&m.curve).drive_constant);
	unc_ctx_free(m.ctx);
}

static void droop_and_constant_are_lines(void **state)
{
	struct made m;
	(void)state;

	make(&m, N, 60, 60, 0.5, 0, NULL);
	for (size_t i = 0; i < N; i++) {
		double T = m.point[i].torque_Nm.value;
		m.point[i].speed_rpm = unc_exact(100 - 0.5 * T);
		m.point[i].drive_A = 0.7 + T / 4.2;
	}
	struct losses l = losses_of(&m.curve);
	assert_true(l.droop && fabs(l.droop_rpm_per_Nm.value - 0.5) < 1e-10);
	assert_true(l.drive_constant && fabs(l.k_t_Nm_per_A.value - 4.2) < 1e-9);
	assert_true(fabs(l.no_load_A.value - 0.7) < 1e-9);
	losses_at_rotor(&l, &m.curve, 0);
	assert_false(l.at_rotor);
	losses_at_rotor(&l, &m.curve, 42);
	assert_true(l.at_rotor && fabs(l.k_t_rotor_Nm_per_A.value - 0.1) < 1e-9);
	assert_true(fabs(unc_u(l.k_t_rotor_Nm_per_A) * 42 - unc_u(l.k_t_Nm_per_A)) < 1e-12);
	json_t *doc = losses_to_json(&m.curve, &l);
	assert_true(json_is_number(json_object_get(json_object_get(doc, "drive_k_t_rotor_Nm_per_A"), "u")));
	assert_true(json_is_number(json_object_get(json_object_get(doc, "droop_rpm_per_Nm"), "u")));
	assert_true(json_is_null(json_object_get(doc, "by_speed_W_per_rpm")));
	json_decref(doc);
	unc_ctx_free(m.ctx);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(the_coefficients_come_back),
		cmocka_unit_test(a_common_error_goes_through),
		cmocka_unit_test(the_intervals_hold),
		cmocka_unit_test(what_the_points_cannot_tell_is_not_told),
		cmocka_unit_test(droop_and_constant_are_lines),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
