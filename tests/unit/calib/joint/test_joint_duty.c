/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The motion against its own bounds and its distance; torques of an arm by hand; heat against many cycles in a row. */
#include "calib/joint/joint_fit.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "tests/unit/near.h"

#define ROWS 4001
static double t[ROWS], n[ROWS], T[ROWS];
static struct joint_duty duty = { ROWS, t, n, T };
#define RAD_S (3.14159265358979 / 30)

static void motion_keeps_its_bounds(void **state)
{
	/* reaches speed; reaches acceleration only; reaches neither; jerk ends the acceleration early */
	static const struct {
		double angle, rpm, a, j;
	} rows[] = { { 90, 10, 5, 50 }, { 20, 30, 5, 50 }, { 1, 30, 50, 50 }, { 90, 10, 5, 5 } };
	struct err err;

	(void)state;
	for (size_t k = 0; k < sizeof rows / sizeof rows[0]; k++) {
		struct joint_arm arm = { .mass_kg = 0,
					 .inertia_kgm2 = 1,
					 .gravity_m_s2 = 0,
					 .from_deg = 0,
					 .to_deg = rows[k].angle,
					 .speed_rpm = rows[k].rpm,
					 .acceleration_rad_s2 = rows[k].a,
					 .jerk_rad_s3 = rows[k].j,
					 .pause_s = 0.3 };
		double way = 0, fastest = 0, hardest = 0, jerk = 0, most_dt = 0;
		assert_int_equal(joint_arm_duty(&arm, &duty, &err), RC_OK);
		for (int i = 1; i < ROWS / 2; i++) {
			double dt = t[i] - t[i - 1];
			assert_true(dt > 0);
			way += (n[i] + n[i - 1]) / 2 * RAD_S * dt;
			fastest = fmax(fastest, n[i]);
			hardest = fmax(hardest, fabs(T[i]));
			jerk = fmax(jerk, fabs(T[i] - T[i - 1]) / dt);
			most_dt = fmax(most_dt, dt);
			/* inertia 1: torque is the slope of the speed */
			assert_near((n[i] - n[i - 1]) * RAD_S / dt, (T[i] + T[i - 1]) / 2, rows[k].j * dt);
		}
		assert_near(way, rows[k].angle * 6 * RAD_S / 6 * 30 / 180, 1e-3 * way);
		assert_true(fastest <= rows[k].rpm * (1 + 1e-9) && hardest <= rows[k].a * (1 + 1e-9));
		assert_true(jerk <= rows[k].j * (1 + 1e-6));
		assert_near(n[ROWS / 2], 0, 1e-9);
		assert_true(t[ROWS - 1] > 100 * most_dt);
	}
}

/* Half a second of motion in an hour, and a second of speeding up in ten minutes of even speed: by hand, the highest
 * speed is the one that was told (w^2/a + w a/j < way), the largest torque J a. */
static void a_short_motion_beside_a_long_rest_is_seen(void **state)
{
	static const struct {
		double to_deg, rpm, a, j, pause_s;
	} rows[] = { { 30, 20, 20, 2000, 3600 }, { 36000, 10, 1, 1000, 0 }, { 30, 20, 20, 2000, 1e7 } };
	struct err err;

	(void)state;
	for (size_t k = 0; k < sizeof rows / sizeof rows[0]; k++) {
		struct joint_arm arm = { .inertia_kgm2 = 2,
					 .to_deg = rows[k].to_deg,
					 .speed_rpm = rows[k].rpm,
					 .acceleration_rad_s2 = rows[k].a,
					 .jerk_rad_s3 = rows[k].j,
					 .pause_s = rows[k].pause_s };
		assert_int_equal(joint_arm_duty(&arm, &duty, &err), RC_OK);
		struct joint_sums sums = joint_sums(&duty);
		assert_near(sums.peak_rpm, rows[k].rpm, 1e-9);
		assert_near(sums.peak_Nm, 2 * rows[k].a, 1e-9);
		joint_add_inertia(&duty, 1);
		assert_near(joint_sums(&duty).peak_Nm, 3 * rows[k].a, 0.03 * rows[k].a);
	}
}

static void arm_by_hand(void **state)
{
	struct joint_arm arm = { 4, 0.25, 0.3, 2, 0.5, 0.7, 9.81, 0, -30, 60, 6, 4, 40, 1 };
	struct err err;

	(void)state;
	assert_int_equal(joint_arm_duty(&arm, &duty, &err), RC_OK);
	double weight = (4 * 0.25 + 2 * 0.5) * 9.81;
	assert_near(T[0], weight * cos(30 * RAD_S / 6), 1e-9);
	assert_near(T[ROWS / 2 - 50], weight * cos(60 * RAD_S / 6), 1e-9); /* resting at the top */
	arm.tilt_deg = 90;
	assert_int_equal(joint_arm_duty(&arm, &duty, &err), RC_OK);
	assert_near(T[0], 0, 1e-9);
	double most = 0;
	for (int i = 0; i < ROWS; i++)
		most = fmax(most, T[i]);
	assert_near(most, (0.3 + 2 * 0.25) * 4 + 0.7, 0.02); /* J a + friction */
	arm.jerk_rad_s3 = NAN;
	assert_int_equal(joint_arm_duty(&arm, &duty, &err), RC_ARG);
}

static void sums_by_hand(void **state)
{
	double time[] = { 0, 1, 3, 4 }, speed[] = { 30, -30, 0, 0 }, torque[] = { 2, 4, -1, 9 };
	struct joint_duty d = { 4, time, speed, torque };

	(void)state;
	struct joint_sums s = joint_sums(&d);
	assert_near(s.rms_Nm, sqrt((4 + 2 * 16 + 1) / 4.0), 1e-12);
	assert_near(s.peak_W, 2 * 3.14159265, 1e-6);
	assert_near(s.peak_braking_W, 4 * 3.14159265, 1e-6);
}

static void refuses_gaps_and_jumps(void **state)
{
	struct err err;

	(void)state;
	for (int i = 0; i < ROWS; i++) {
		t[i] = 0.001 * i;
		n[i] = 30 * sin(0.01 * i);
		T[i] = 1;
	}
	assert_int_equal(joint_duty_check(&duty, &err), RC_OK);
	n[700] += 100;
	assert_int_equal(joint_duty_check(&duty, &err), RC_ARG);
	assert_non_null(strstr(err.what, "row 701"));
	n[700] -= 100;
	for (int i = 900; i < ROWS; i++)
		t[i] += 0.5;
	assert_int_equal(joint_duty_check(&duty, &err), RC_ARG);
	assert_non_null(strstr(err.what, "row 901: a gap of 0.501 s"));
	for (int i = 0; i < ROWS; i++) {
		t[i] = 0.001 * i;
		n[i] = 60 + 1.5 * (i % 2); /* noise of a reading at an even speed, and at standstill, is no jump */
	}
	assert_int_equal(joint_duty_check(&duty, &err), RC_OK);
	for (int i = 0; i < ROWS; i++)
		n[i] = (n[i] - 60.75) / 2;
	assert_int_equal(joint_duty_check(&duty, &err), RC_OK);
	t[5] = t[4];
	assert_int_equal(joint_duty_check(&duty, &err), RC_ARG);
}

/* A sine of the speed over a whole period, then with each thing that does not meet its beginning. 30 rpm are 180 deg/s:
 * 30 sin t is the angle 180 (1 - cos t). */
static void refuses_a_cycle_that_does_not_close(void **state)
{
	double a[ROWS], period = 2 * 3.14159265358979;
	struct err err;

	(void)state;
	for (int i = 0; i < ROWS; i++) {
		t[i] = period * i / (ROWS - 1);
		n[i] = 30 * sin(t[i]);
		a[i] = 180 * (1 - cos(t[i]));
		T[i] = 1;
	}
	assert_int_equal(joint_duty_closes(&duty, NULL, false, &err), RC_OK);
	assert_int_equal(joint_duty_closes(&duty, a, false, &err), RC_OK);
	for (int i = 0; i < ROWS; i++)
		a[i] += 90 * t[i] / period;
	assert_int_equal(joint_duty_closes(&duty, a, false, &err), RC_ARG);
	assert_non_null(strstr(err.what, "ends at 90 deg and begins at 0 deg, 90 deg apart"));
	assert_int_equal(joint_duty_closes(&duty, a, true, &err), RC_OK);
	for (int i = 0; i < ROWS; i++)
		a[i] += 270 * t[i] / period; /* a whole turn on */
	assert_int_equal(joint_duty_closes(&duty, a, false, &err), RC_OK);
	for (int i = 0; i < ROWS; i++)
		n[i] = 30 * sin(t[i] * 0.75); /* three quarters of a period */
	assert_int_equal(joint_duty_closes(&duty, NULL, true, &err), RC_ARG);
	assert_non_null(strstr(err.what, "ends at -30 rpm and begins at 0 rpm"));
	for (int i = 0; i < ROWS; i++)
		n[i] = 30 * (sin(t[i]) + 0.3);
	assert_int_equal(joint_duty_closes(&duty, NULL, false, &err), RC_ARG);
	assert_non_null(strstr(err.what, "339.3 deg apart")); /* 0.3 x 30 rpm x 6 x 2 pi s */
	assert_int_equal(joint_duty_closes(&duty, NULL, true, &err), RC_OK);
	for (int i = 0; i < ROWS; i++)
		n[i] = 30; /* turns on: says so by itself */
	assert_int_equal(joint_duty_closes(&duty, NULL, false, &err), RC_OK);
}

/* The fixed point against 300 cycles of small steps of the heat balance. */
static void heat_repeats(void **state)
{
	struct thermal_model m = { true, { 30, 600 }, { 1.5, 2.5 } };
	struct thermal_loss loss = { 2, 0.05, 0.003, 25 };
	double T_w = 25, T_c = 25, warmest = 0;

	(void)state;
	for (int i = 0; i < ROWS; i++) {
		t[i] = 0.02 * i; /* 80 s */
		n[i] = 1;
		T[i] = i < 1000 ? 25 : i < 2000 ? -10 : 0;
	}
	for (int cycle = 0; cycle < 60; cycle++) {
		warmest = 0;
		for (int i = 0; i + 1 < ROWS; i++) {
			double P = fabs(T[i]) > 0 ? 2 + 0.05 * T[i] * T[i] * (1 + 0.003 * (T_w - 25)) : 0;
			double between = (T_w - T_c) / 1.5;
			T_w += 0.02 * (P - between) / 20;
			T_c += 0.02 * (between - (T_c - 25) / 2.5) / 240;
			warmest = fmax(warmest, T_w);
		}
	}
	struct joint_heat heat;
	struct err err;
	assert_int_equal(joint_heat_of(&duty, 30.0 / JOINT_HEAT_SHARE, &heat, &err), RC_OK);
	assert_true((double)heat.n > 80 / 0.6 && (double)heat.n < 1.1 * 80 / 0.6);
	assert_near(joint_peak_winding_degC(&heat, &m, &loss, 25, 1, 0), warmest, 0.1);
	/* the same in four rows, each of which is parted */
	double time[] = { 0, 20, 40, 80 }, speed[] = { 1, 1, 1, 1 }, torque[] = { 25, -10, 0, 0 };
	struct joint_duty few = { 4, time, speed, torque };
	struct joint_heat parted;
	assert_int_equal(joint_heat_of(&few, 30.0 / JOINT_HEAT_SHARE, &parted, &err), RC_OK);
	assert_true(parted.n == 34 + 34 + 50);
	assert_near(joint_peak_winding_degC(&parted, &m, &loss, 25, 1, 0), warmest, 0.1);
	loss.per_K = 0.5;
	assert_true(isinf(joint_peak_winding_degC(&heat, &m, &loss, 25, 1, 0)));
	joint_heat_free(&heat);
	joint_heat_free(&parted);
}

static void curve(void **state)
{
	double speed[] = { 100, 0, 50, 50 }, torque[] = { 0, 40, 30, 35 }, u[] = { 0.1, 0.2, 0.3, 0.4 }, got;
	struct joint_curve c = { 4, speed, torque, u, NULL };

	(void)state;
	joint_curve_sort(&c);
	assert_int_equal(c.n, 3);
	assert_near(joint_curve_at(&c, -75, &got), 17.5, 1e-12);
	assert_near(got, 0.4, 1e-12);
	assert_near(joint_curve_at(&c, 100.1, NULL), 0, 0);
	double time[] = { 0, 1, 2 }, n3[] = { 0, 75, 20 }, t3[] = { 39, -17, 20 };
	struct joint_duty d = { 3, time, n3, t3 };
	assert_int_equal(joint_worst_row(&d, &c), 1);
	assert_int_equal(joint_untested_row(&d, &c), 3);
	/* 39 of 40, 17 of 17.5, 20 of 38: the second has the least room by its u of 0.4 */
	assert_near(joint_torque_times(&d, &c, 0), 40.0 / 39, 1e-12);
	assert_near(joint_torque_times(&d, &c, 2), (17.5 - 0.8) / 17, 1e-12);
}

/* At 50 rpm nobody looked beyond 20 N.m; from 100 rpm on the limit is known. */
static void where_nobody_looked_nothing_is_refuted(void **state)
{
	double speed[] = { 10, 50, 100, 150 }, torque[] = { 40, 20, 20, 10 }, open[] = { 0, 1, 0, 0 };
	struct joint_curve c = { 4, speed, torque, NULL, open };
	double time[] = { 0, 1, 2 }, n3[] = { 50, 60, 100 }, t3[] = { 30, 25, 15 };
	struct joint_duty d = { 3, time, n3, t3 };

	(void)state;
	assert_true(!joint_curve_open(&c, 5) && !joint_curve_open(&c, 10) && joint_curve_open(&c, 11));
	assert_true(joint_curve_open(&c, -99) && !joint_curve_open(&c, 100) && !joint_curve_open(&c, 200));
	assert_int_equal(joint_worst_row(&d, &c), 2);
	assert_int_equal(joint_untested_row(&d, &c), 0);
	t3[2] = 21;
	assert_int_equal(joint_worst_row(&d, &c), 2);
	n3[2] = 50;
	assert_int_equal(joint_worst_row(&d, &c), 3);
	open[3] = 1;
	assert_true(joint_curve_open(&c, 200));
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(motion_keeps_its_bounds),
		cmocka_unit_test(a_short_motion_beside_a_long_rest_is_seen),
		cmocka_unit_test(where_nobody_looked_nothing_is_refuted),
		cmocka_unit_test(arm_by_hand),
		cmocka_unit_test(sums_by_hand),
		cmocka_unit_test(refuses_gaps_and_jumps),
		cmocka_unit_test(refuses_a_cycle_that_does_not_close),
		cmocka_unit_test(heat_repeats),
		cmocka_unit_test(curve),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
