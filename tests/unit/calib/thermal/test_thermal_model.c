/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The two stores against what must hold of them: the closed curve of one store, small steps of the heat balance (joules
 * in stores, watts between them, as the header's equations are not written), and textbook ratings. */
#include "calib/thermal/thermal_model_private.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "tests/unit/near.h"

static const struct thermal_model two = { true, { 45, 1800 }, { 1.2, 2.6 } };

/* Joules: dE_w = (P - (T_w - T_c)/R_w) dt, C = tau/R. */
static void balance(double P0, double copper_W, double per_K, double at, double ambient, double t_s, double *T)
{
	double C_w = 45 / 1.2, C_c = 1800 / 2.6, dt = 0.002;

	for (double t = 0; t < t_s - dt / 2; t += dt) {
		double P = P0 + copper_W * (1 + per_K * (T[0] - at)), between = (T[0] - T[1]) / 1.2;
		double w = T[0] + dt * (P - between) / C_w;
		T[1] += dt * (between - (T[1] - ambient) / 2.6) / C_c;
		T[0] = w;
	}
}

static void steps_keep_the_heat_balance(void **state)
{
	struct thermal_loss loss = { 3, 0.05, 0.0039, 20 };
	double fast[2] = { 25, 25 }, slow[2] = { 25, 25 };

	(void)state;
	struct thermal_step s = thermal_step_at(&two, &loss, 15, 50, 25);
	for (int i = 0; i < 6; i++)
		thermal_advance(&s, fast);
	balance(3, 0.05 * 225, 0.0039, 20, 25, 300, slow);
	assert_near(fast[0], slow[0], 0.005);
	assert_near(fast[1], slow[1], 0.005);
	for (int i = 0; i < 3000; i++)
		thermal_advance(&s, fast);
	/* steady: all of the loss goes through both resistors */
	assert_near(fast[0] - 25, 3.8 * thermal_loss_W(&loss, 15, fast[0]), 1e-9);
	assert_near(fast[0], thermal_steady_degC(&two, &loss, 15, 25), 1e-9);
}

static void time_to_the_limit(void **state)
{
	struct thermal_model one = { false, { 10800, 0 }, { 1, 0 } };
	struct thermal_loss loss = { 80, 0, 0, 0 };
	double start[2] = { 40, 40 };

	(void)state;
	/* A solved example on a public page; that it is E. F. Fuchs, M. A. S. Masoum, Power Conversion of Renewable
	 * Energy Systems (Springer 2011), ch. 6, is from memory: enclosed induction motor, 3 h, 120 degC at 40 degC
	 * ambient, 95 % of the final temperature: 2.59 tau = 7.77 h. */
	assert_near(thermal_time_to_s(&one, &loss, 1, start, 40, 0.95 * 120) / 3600, 7.77, 0.005);
	assert_true(isinf(thermal_time_to_s(&one, &loss, 1, start, 40, 120.01)));
	assert_near(thermal_time_to_s(&one, &loss, 1, start, 40, 39), 0, 0);
	/* the copper's warming brings it nearer */
	struct thermal_loss copper = { 0, 80, 0.0039, 40 }, plain = { 0, 80, 0, 0 };
	assert_true(thermal_time_to_s(&one, &copper, 1, start, 40, 100) <
		    thermal_time_to_s(&one, &plain, 1, start, 40, 100));
}

static void ratings(void **state)
{
	/* S. K. Pillai, A First Course on Electrical Drives, example 7.3, p. 155: 25 kW continuous, heating time
	 * constant 90 min, constant loss 0.9 of the copper's at rated load; rating for half an hour 60.22 kW. */
	struct thermal_model one = { false, { 90 * 60, 0 }, { 1, 0 } };
	struct thermal_loss loss = { 0.9 * 30, 30, 0, 0 };
	double limit = 20 + 1.9 * 30;

	(void)state;
	assert_near(thermal_continuous_Nm(&one, &loss, 20, limit), 1, 1e-12);
	assert_near(25 * thermal_s2_Nm(&one, &loss, 1800, 20, limit), 60.22, 0.005);
	/* V. Subrahmanyam, Electric Drives, 2nd ed., example 5.2: tau 1.5 h, 2 h, ratio of losses 0.5: 1.2397. */
	one.tau_s[0] = 1.5 * 3600;
	loss.fixed_W = 15;
	assert_near(thermal_s2_Nm(&one, &loss, 7200, 20, 20 + 1.5 * 30), 1.23972921698, 1e-9);
	/* S3 at 100 % is S1, at a short cycle the mean loss counts */
	struct thermal_loss plain = { 0, 0.05, 0, 0 };
	double s1 = thermal_continuous_Nm(&two, &plain, 25, 120);
	assert_near(thermal_s3_Nm(&two, &plain, 600, 1, 25, 120), s1, 1e-6 * s1);
	assert_near(thermal_s3_Nm(&two, &plain, 0.01, 0.25, 25, 120), 2 * s1, 1e-3 * s1);
	assert_true(thermal_s3_Nm(&two, &plain, 600, 0.25, 25, 120) < 2 * s1);
}

/* The periodic peak is where many cycles one after the other end. */
static void periodic_duty(void **state)
{
	struct thermal_loss loss = { 1, 0.05, 0.002, 25 };
	struct thermal_step on = thermal_step_at(&two, &loss, 20, 120, 25), off = thermal_step(&two, 180, 0, 0, 25);
	double T[2] = { 25, 25 };

	(void)state;
	for (int i = 0; i < 500; i++) {
		thermal_advance(&off, T);
		thermal_advance(&on, T);
	}
	assert_near(thermal_s3_peak_degC(&two, &loss, 20, 300, 0.4, 25), T[0], 1e-6);
	/* a loss that grows faster than the cooling has no period */
	struct thermal_loss wild = { 1, 5, 0.0039, 25 };
	assert_true(isinf(thermal_s3_peak_degC(&two, &wild, 20, 300, 0.9, 25)));
	assert_true(isinf(thermal_steady_degC(&two, &wild, 20, 25)));
}

static void by_resistance(void **state)
{
	(void)state;
	/* The rule in words (IEC 60034-1, winding by resistance): 10 % more resistance from 20 degC is 25.5 K. */
	assert_near(thermal_by_resistance_degC(1.1, 1, 20, 235), 45.5, 1e-9);
	assert_near(thermal_by_resistance_degC(0.5, 0.5, 21.3, 234.5), 21.3, 1e-9);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(steps_keep_the_heat_balance),
		cmocka_unit_test(time_to_the_limit),
		cmocka_unit_test(ratings),
		cmocka_unit_test(periodic_duty),
		cmocka_unit_test(by_resistance),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
