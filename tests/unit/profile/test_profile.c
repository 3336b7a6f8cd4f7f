/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "profile/profile.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

#include "profile_scene.h"

static void reads_a_rig(void **state)
{
	struct rig_profile rig;
	struct mistakes m = { 0 };
	struct err err = { 0 };

	(void)state;
	if (profile_parse_rig(rig_text, "rig.ini", &rig, &m, &err) != RC_OK)
		fail_msg("%s", err.what);
	assert_int_equal(m.n, 0);
	assert_string_equal(rig.name, "bench two");
	assert_near(rig.latitude_deg.value, 45);
	assert_near(rig.latitude_deg.u, 0.1 / sqrt(3)); /* limits are rectangular: GUM 4.3.7 */
	assert_near(rig.cell_full_scale_Nm, 60);
	assert_int_equal(rig.mounting, MOUNT_SHAFT);
	assert_int_equal(rig.brake_kind, BRAKE_HYSTERESIS);
	assert_int_equal(rig.plane, PLANE_SUPPLY);
	assert_near(rig.zero_drift_Nm_per_K.u, 0.004);
	assert_near(rig.gain_drift_per_K.u, 20e-6 / sqrt(3));
	assert_near(rig.creep_frac.value, 0);
	assert_near(rig.creep_frac.u, 0.0002 / sqrt(3));
	assert_near(rig.arm_m.value, 0.5);
	assert_near(rig.arm_m.u, 0.0002);
	assert_near(rig.brake_max_A, 1.2);
	assert_near(rig.slip_power_short_W, 1200);
	assert_near(rig.slip_energy_J, 120e3);
	assert_near(rig.brake_hot_degC, 110);
	assert_near(rig.volt_gain.u, 0.001);
	assert_near(rig.volt_offset_V.u, 0.02 / sqrt(3));
	assert_near(rig.limit_speed_rpm, 150);
	assert_false(rig.is_virtual);
}

static void fills_the_defaults(void **state)
{
	struct rig_profile rig;
	struct plan_profile plan;
	struct actuator_profile actuator;

	(void)state;
	assert_int_equal(profile_parse_rig(rig_text, "rig.ini", &rig, NULL, NULL), RC_OK);
	assert_int_equal(rig.baud, 115200);
	assert_near(rig.rate_Hz, 100);
	assert_near(rig.lease_s, 0.3);
	assert_near(rig.node_clock_ppm_u, 50e-6 / sqrt(3));
	assert_near(rig.air_density_kg_per_m3.value, 1.2);
	assert_near(rig.air_density_kg_per_m3.u, 0.06 / sqrt(3));
	assert_near(rig.cell_saturation_count, 8388607);
	assert_int_equal(rig.cell_sign, 1);
	assert_near(rig.stall_s, 2);
	assert_string_equal(rig.check_piece, "");
	assert_near(rig.check_limit_frac, 0.003);
	assert_int_equal(profile_parse_plan(plan_text, "p.ini", &plan, NULL, NULL), RC_OK);
	assert_int_equal(plan.load, LOAD_TORQUE);
	assert_int_equal(plan.drive, PLAN_SPEED);
	assert_true(plan.down && plan.repeat_first && !plan.shuffle);
	assert_near(plan.confidence, 0.95);
	assert_int_equal(profile_parse_actuator(actuator_text, "a.ini", &actuator, NULL, NULL), RC_OK);
	assert_near(actuator.expect_efficiency, 0.5);
	assert_true(actuator.rated_torque_Nm.given && !actuator.rated_power_W.given);
	assert_near(actuator.rated_torque_Nm.speed_rpm, 80);
	assert_near(actuator.peak_efficiency.value, 0.72);
	assert_true(isnan(actuator.peak_efficiency.speed_rpm));
}

static void reads_weights(void **state)
{
	struct weights_profile w;

	(void)state;
	assert_int_equal(profile_parse_weights(weights_text, "w.ini", &w, NULL, NULL), RC_OK);
	assert_int_equal(w.n, 2);
	assert_int_equal(w.hanger, 0);
	assert_int_equal(profile_piece(&w, "2kg-a"), 1);
	assert_int_equal(profile_piece(&w, "3kg"), -1);
	assert_false(w.piece[0].has_class);
	assert_near(w.piece[0].mass_kg.value, 0.512);
	assert_string_equal(w.piece[1].class_name, "M1");
	/* OIML R 111-1:2004 table 1: 2 kg, M1: 100 mg */
	assert_near(w.piece[1].mass_kg.u, 100e-6 / sqrt(3));
	assert_near(w.piece[1].density_kg_per_m3, 7900);
}

/* OIML R 111-1:2004, table 1, 50 kg: E2 80 mg, F1 250, F2 800, M1 2500, M1-2 5000, M2 8000, M2-3 16000, M3 25000. */
static void every_class_of_weights_is_read(void **state)
{
	static const struct {
		const char *class;
		double tolerance_mg;
	} rows[] = {
		{ "E2", 80 },     { "F1", 250 },  { "F2", 800 },     { "M1", 2500 },
		{ "M1-2", 5000 }, { "M2", 8000 }, { "M2-3", 16000 }, { "M3", 25000 },
	};
	struct weights_profile w;
	struct err err;
	char text[80];

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		snprintf(text, sizeof text, "[big]\nnominal = 50 kg\nclass = %s\n", rows[i].class);
		if (profile_parse_weights(text, "w.ini", &w, NULL, &err) != RC_OK)
			fail_msg("%s: %s", rows[i].class, err.what);
		assert_string_equal(w.piece[0].class_name, rows[i].class);
		assert_near(w.piece[0].mass_kg.u, rows[i].tolerance_mg * 1e-6 / sqrt(3));
	}
}

static void gravity_by_place_or_by_value(void **state)
{
	struct rig_profile rig;
	char *text = replaced(rig_text, "latitude = 45 deg ± 0.1 deg\nheight = 100 m ± 30 m",
			      "gravity = 9.81 m/s2 ± 0.001 m/s2 normal");

	(void)state;
	assert_int_equal(profile_parse_rig(rig_text, "rig.ini", &rig, NULL, NULL), RC_OK);
	/* GRS80 at 45 deg: 9.806199203 m/s2 (Moritz 1980); free air -3.086e-6 /s2 times 100 m */
	assert_true(fabs(profile_gravity(&rig).value - (9.806199203 - 3.086e-4)) < 2e-6);
	assert_int_equal(profile_parse_rig(text, "rig.ini", &rig, NULL, NULL), RC_OK);
	assert_near(profile_gravity(&rig).value, 9.81);
	assert_near(profile_gravity(&rig).u, 0.001);
	rig.gravity_m_per_s2.value = 0; /* neither: an unknown, and no figure of its own making */
	rig.latitude_deg.value = 100;
	assert_true(isnan(profile_gravity(&rig).value) && isnan(profile_gravity(&rig).u));
	free(text);
}

static void reads_steps_in_every_form(void **state)
{
	static const struct {
		const char *written;
		size_t n;
		double first, last;
	} rows[] = {
		{ "0, 5, 10, 20, 30 N.m", 5, 0, 30 },
		{ "7 N.m", 1, 7, 7 },
		{ "7 N.m , 9 N.m", 2, 7, 9 },
		{ "0 N.m, 500 N.cm, 0.01 kN.m", 3, 0, 10 },
		{ "0, 5, 10 N m", 3, 0, 10 },
		{ "from 0 to 40 step 5 N.m", 9, 0, 40 },
		{ "from 0 N.m to 1 N.m step 0.1 N.m", 11, 0, 1 },
		{ "from 2 to 11 step 3 N.m", 4, 2, 11 },
		{ "from 0 to 42 step 5 N.m", 9, 0, 40 },
		{ "1e0, 2.5e1 N.m", 2, 1, 25 },
	};
	struct plan_profile plan;
	struct err err;

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		char *text = replaced(plan_text, "0, 5, 10 N.m", rows[i].written);
		if (profile_parse_plan(text, "p.ini", &plan, NULL, &err) != RC_OK)
			fail_msg("%s: %s", rows[i].written, err.what);
		if (plan.n != rows[i].n)
			fail_msg("%s: %zu steps", rows[i].written, plan.n);
		assert_near(plan.step[0], rows[i].first);
		assert_near(plan.step[plan.n - 1], rows[i].last);
		free(text);
	}
}

/* 20 N·m at 80 rpm, 40 N·m, 165 W at 90 rpm: 20.4, 40.8 and 1.02 x 165 x 30/(90 pi) = 17.857 N·m join the steps in
 * order; the peak is left out where a limit of 40 N·m forbids it, and a step that is there already is not put in twice.
 */
static void a_plan_serves_its_claims(void **state)
{
	struct plan_profile plan = { .serve_claims = true,
				     .load = LOAD_TORQUE,
				     .drive = PLAN_SPEED,
				     .n_speeds = 1,
				     .speed_rpm = { 90 },
				     .n = 4,
				     .step = { 0, 10, 20, 30 } };
	const struct rig_profile rig = { .cell_full_scale_Nm = 60, .limit_torque_Nm = 52, .coupling_Nm = 60 };
	struct actuator_profile a = { .limit_torque_Nm = 45,
				      .rated_torque_Nm = { true, 20, 80 },
				      .peak_torque_Nm = { true, 40, NAN },
				      .rated_power_W = { true, 165, NAN } };
	static const double expect[] = { 0, 10, 17.857, 20, 20.4, 30, 40.8 };
	(void)state;

	struct plan_profile same = plan;
	plan_serve_claims(&plan, &a, &rig);
	assert_int_equal(plan.n, 7);
	for (size_t i = 0; i < 7; i++)
		assert_true(fabs(plan.step[i] - expect[i]) < 1e-3);
	assert_true(plan.for_claim[2] && plan.for_claim[4] && plan.for_claim[6] && !plan.for_claim[3]);
	size_t n = plan.n;
	plan_serve_claims(&plan, &a, &rig);
	assert_int_equal(plan.n, n);
	a.limit_torque_Nm = 40;
	same.drive = PLAN_DRIVE_CURRENT;
	plan_serve_claims(&same, &a, &rig);
	assert_int_equal(same.n, 5);
}

/* A claim of power with its own speed: 1.02 x 165 x 30/(60 pi) = 26.786 N·m, whatever drives the plan. */
static void a_claimed_power_has_its_own_speed(void **state)
{
	struct plan_profile plan = { .serve_claims = true,
				     .load = LOAD_TORQUE,
				     .drive = PLAN_DRIVE_CURRENT,
				     .n_speeds = 1,
				     .n = 2,
				     .step = { 10, 30 } };
	const struct rig_profile rig = { .cell_full_scale_Nm = 60,
					 .limit_torque_Nm = 52,
					 .coupling_Nm = 60,
					 .brake_max_A = 2,
					 .brake_rated_Nm = 50 };
	const struct actuator_profile a = { .limit_torque_Nm = 45,
					    .rated_power_W = { true, 165, 60 },
					    .speed_mode_rpm = 77 };
	struct plan_profile none = plan;

	(void)state;
	plan_serve_claims(&plan, &a, &rig);
	assert_int_equal(plan.n, 3);
	assert_true(fabs(plan.step[1] - 26.786) < 1e-3 && plan.for_claim[1]);
	none.serve_claims = false;
	plan_serve_claims(&none, &a, &rig);
	assert_int_equal(none.n, 2);
	assert_near(plan_target_floor_Nm(&none, &rig), 3); /* a tenth of the heaviest */
	none.load = LOAD_CURRENT;
	none.step[1] = 1;
	assert_near(plan_target_floor_Nm(&none, &rig), 2.5); /* 1 A of 2 A and 50 N·m */
}

static void a_speed_that_is_left_out_is_the_actuator_s(void **state)
{
	const struct actuator_profile a = { .speed_mode_rpm = 77 };
	struct plan_profile plan = { .drive = PLAN_SPEED },
			    stated = { .drive = PLAN_SPEED, .n_speeds = 1, .speed_rpm = { -40 } },
			    current = { .drive = PLAN_DRIVE_CURRENT };

	(void)state;
	plan_take_speed(&plan, &a);
	assert_true(plan.n_speeds == 1 && fabs(plan.speed_rpm[0] - 77) < 1e-12);
	plan_take_speed(&stated, &a);
	assert_near(stated.speed_rpm[0], -40);
	plan_take_speed(&current, &a);
	assert_int_equal(current.n_speeds, 0);
}

/* The pilot is a twentieth of the longest dwell, and a window at least. */
static void a_dwell_until_a_target_begins_with_a_pilot(void **state)
{
	static const struct {
		const char *longest;
		double dwell_s;
	} rows[] = { { "200 s", 10 }, { "40 s", 3 } };

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct plan_profile plan;
		struct err err;
		char steady[100];

		snprintf(steady, sizeof steady, "[steady]\nwindow = 3 s\ndwell = until 0.2 %%\nlongest = %s\n[steps]",
			 rows[i].longest);
		char *text = replaced(plan_text, "[steps]", steady);
		if (profile_parse_plan(text, "p.ini", &plan, NULL, &err) != RC_OK)
			fail_msg("%s", err.what);
		assert_near(plan.until_frac, 0.002);
		assert_near(plan.dwell_s, rows[i].dwell_s);
		free(text);
	}
}

static void the_example_reads_without_mistakes(void **state)
{
	static const char dir[] = SOURCE_ROOT "/docs/examples/heron-lock/";
	struct rig_profile rig;
	struct actuator_profile actuator;
	struct plan_profile plan;
	struct weights_profile weights;
	char path[500], *text = NULL;
	struct err err = { 0 };

	(void)state;
	snprintf(path, sizeof path, "%srig.ini", dir);
	if (profile_read_rig(path, &rig, &text, NULL, &err) != RC_OK)
		fail_msg("%s", err.what);
	assert_non_null(strstr(text, "Heron Lock bench"));
	assert_true(rig.is_virtual);
	free(text);
	snprintf(path, sizeof path, "%sactuators/paddle-winder.ini", dir);
	if (profile_read_actuator(path, &actuator, NULL, NULL, &err) != RC_OK)
		fail_msg("%s", err.what);
	snprintf(path, sizeof path, "%sweights.ini", dir);
	if (profile_read_weights(path, &weights, NULL, NULL, &err) != RC_OK)
		fail_msg("%s", err.what);
	assert_true(profile_piece(&weights, rig.check_piece) >= 0);
	for (int i = 0; i < 2; i++) {
		snprintf(path, sizeof path, "%splans/%s.ini", dir, i ? "gentle" : "lock-sweep");
		if (profile_read_plan(path, &plan, NULL, NULL, &err) != RC_OK)
			fail_msg("%s", err.what);
		assert_string_equal(plan.actuator, "paddle-winder");
		assert_true(plan.step[plan.n - 1] <= actuator.limit_torque_Nm);
	}
}

/* What makes no step of a plan: no claim, one beyond a limit, one that is there, one that would be one too many, or a
 * power without a speed. */
static void claims_that_make_no_step(void **state)
{
	static const struct {
		double rated_Nm, power_W, power_rpm, speed_rpm, coupling_Nm;
		size_t n; /* steps in all */
	} rows[] = {
		{ 25, 0, NAN, 90, 60, 5 },   { 0, 0, NAN, 90, 60, 4 },
		{ 50, 0, NAN, 90, 60, 4 },   /* beyond 0.98 of the actuator's 45 N·m */
		{ 25, 0, NAN, 90, 20, 4 },   /* of the coupling */
		{ 25, 0, NAN, 90, 0, 5 },    /* which is not stated */
		{ 9.85, 0, NAN, 90, 60, 4 }, /* 10.09 N·m: there is 10 */
		{ 29.2, 0, NAN, 90, 60, 4 }, /* 29.78 N·m: there is 30 */
		{ 0, 165, NAN, 90, 60, 5 },  /* 17.9 N·m */
		{ 0, 165, -60, 90, 60, 5 },  /* a speed that is none: the plan's */
		{ 0, 165, NAN, 0, 60, 4 },   /* no speed at all */
	};
	struct rig_profile rig = { .cell_full_scale_Nm = 60, .limit_torque_Nm = 52 };

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct plan_profile plan = { .serve_claims = true,
					     .load = LOAD_TORQUE,
					     .n_speeds = 1,
					     .speed_rpm = { rows[i].speed_rpm },
					     .n = 4,
					     .step = { 0, 10, 20, 30 } };
		const struct actuator_profile a = { .limit_torque_Nm = 45,
						    .rated_torque_Nm = { true, rows[i].rated_Nm, 80 },
						    .rated_power_W = { rows[i].power_W > 0, rows[i].power_W,
								       rows[i].power_rpm } };
		rig.coupling_Nm = rows[i].coupling_Nm;
		plan_serve_claims(&plan, &a, &rig);
		if (plan.n != rows[i].n)
			fail_msg("row %zu: %zu steps", i, plan.n);
	}
	struct plan_profile full = {
		.serve_claims = true, .n_speeds = 2, .speed_rpm = { 60, 90 }, .n = PROFILE_STEPS / 2
	};
	const struct actuator_profile a = { .limit_torque_Nm = 45, .rated_torque_Nm = { true, 25, 80 } };
	for (size_t i = 0; i < full.n; i++)
		full.step[i] = (double)i / 10;
	rig.coupling_Nm = 60;
	plan_serve_claims(&full, &a, &rig);
	assert_int_equal(full.n, PROFILE_STEPS / 2);
	struct plan_profile by_current = { .serve_claims = true, .load = LOAD_CURRENT, .n_speeds = 1, .n = 1 };
	plan_serve_claims(&by_current, &a, &rig);
	assert_int_equal(by_current.n, 1);
	by_current.n = 0;
	assert_near(plan_target_floor_Nm(&full, &rig), (PROFILE_STEPS / 2 - 1) / 100.0);
	rig.brake_max_A = 1;
	assert_near(plan_target_floor_Nm(&by_current, &rig), 0); /* without steps there is none */
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(a_plan_serves_its_claims),
		cmocka_unit_test(a_claimed_power_has_its_own_speed),
		cmocka_unit_test(a_speed_that_is_left_out_is_the_actuator_s),
		cmocka_unit_test(a_dwell_until_a_target_begins_with_a_pilot),
		cmocka_unit_test(reads_a_rig),
		cmocka_unit_test(fills_the_defaults),
		cmocka_unit_test(reads_weights),
		cmocka_unit_test(every_class_of_weights_is_read),
		cmocka_unit_test(gravity_by_place_or_by_value),
		cmocka_unit_test(reads_steps_in_every_form),
		cmocka_unit_test(the_example_reads_without_mistakes),
		cmocka_unit_test(claims_that_make_no_step),
	};

	return cmocka_run_group_tests(tests, NULL, drop_units);
}
