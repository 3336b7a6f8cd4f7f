/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Expected numbers are worked out by hand in the comments; no source but the formulae of run/forecast.h. */
#include "run/forecast.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>

static struct rig_profile rig;
static struct actuator_profile actuator;
static struct plan_profile plan;
static struct forecast f;

static struct forecast_input in = { .rig = &rig, .actuator = &actuator, .plan = &plan, .calibrated_Nm = 50 };

static int make(void **state)
{
	(void)state;
	memset(&rig, 0, sizeof rig);
	memset(&actuator, 0, sizeof actuator);
	memset(&plan, 0, sizeof plan);
	rig.limit_torque_Nm = 60;
	rig.limit_speed_rpm = 200;
	rig.coupling_Nm = 80;
	rig.cell_full_scale_Nm = 60;
	rig.brake_max_A = 1;
	rig.brake_rated_Nm = 50;
	rig.slip_power_W = 300;
	rig.slip_power_short_W = 1000;
	rig.slip_energy_J = 5000;
	rig.supply_V = 48;
	rig.supply_limit_A = 10;
	actuator.limit_torque_Nm = 45;
	actuator.limit_speed_rpm = 150;
	actuator.expect_efficiency = 0.5;
	actuator.expect_no_load_W = 20;
	actuator.voltage_min_V = 36;
	plan = (struct plan_profile){ .load = LOAD_TORQUE,
				      .drive = PLAN_SPEED,
				      .n_speeds = 1,
				      .speed_rpm = { 60 },
				      .n = 5,
				      .step = { 0, 10, 20, 30, 40 },
				      .dwell_s = 4,
				      .window_s = 2,
				      .timeout_s = 20 };
	in.map = NULL;
	in.calibrated_Nm = 50;
	return 0;
}

static void near(double found, double expected)
{
	if (!(fabs(found - expected) <= 1e-9 * (1 + fabs(expected))))
		fail_msg("found %.12g, expected %.12g", found, expected);
}

/* 60 rpm = 2 pi rad/s. 40 N·m: 251.327 W of heat, P_in = 502.655 + 20 W, 10.88865 A at 48 V: above 10 A.
 * 30 N·m: 188.496 W, P_in 396.991 W, 8.27065 A. */
static void works_out_power_and_current(void **state)
{
	(void)state;
	forecast_plan(&in, &f);
	near(f.step[4].slip_power_W, 80 * 3.14159265358979323846);
	near(f.step[4].input_W, 160 * 3.14159265358979323846 + 20);
	near(f.step[4].supply_A, (160 * 3.14159265358979323846 + 20) / 48);
	near(f.step[3].supply_A, (120 * 3.14159265358979323846 + 20) / 48);
	near(f.step[0].input_W, 20);
	near(f.step[4].brake_A, 0.8); /* in proportion to the rating when there is no map */
	assert_false(f.ok);
	assert_int_equal(f.n_ok, 4);
	assert_int_equal(f.deciding_step, 4);
	assert_int_equal(f.decides, FORECAST_SUPPLY_CURRENT);
}

static void names_the_nearest_limit_when_all_is_fine(void **state)
{
	(void)state;
	plan.n = 4;
	forecast_plan(&in, &f);
	assert_true(f.ok);
	assert_int_equal(f.n_ok, 4);
	/* 30 N·m: supply 0.827 of its limit, torque 30/45 = 0.667, drop-out 36/48 = 0.75 */
	assert_int_equal(f.decides, FORECAST_SUPPLY_CURRENT);
	assert_int_equal(f.deciding_step, 3);
	near(f.step[3].load_frac, (120 * 3.14159265358979323846 + 20) / 480);
}

/* (V - I R) I = P with V 48, R 0.5: for P = 400 the small root is I = (48 - sqrt(2304 - 800))/1 = 9.218566 A, the
 * actuator sees 43.390717 V. P = 1152 = V^2/(4 R) is the most that the cable carries; 1153 is not carried. */
static void counts_the_cable(void **state)
{
	(void)state;
	near(forecast_supply_A(400, 48, 0.5), 48 - sqrt(1504));
	near(forecast_supply_A(1152, 48, 0.5), 48);
	assert_true(isnan(forecast_supply_A(1153, 48, 0.5)));
	near(forecast_supply_A(96, 48, 0), 2);
	rig.cable_ohm.value = 0.5;
	forecast_plan(&in, &f);
	near(f.step[4].actuator_V, 48 - 0.5 * f.step[4].supply_A);
	near(f.step[4].actuator_V * f.step[4].supply_A, f.step[4].input_W);
}

static void a_cable_that_cannot_carry_refuses(void **state)
{
	(void)state;
	rig.cable_ohm.value = 2; /* carries 288 W at most: 20 N·m needs 271.3 W, 30 N·m 397 W */
	rig.supply_limit_A = 100;
	actuator.voltage_min_V = 10;
	forecast_plan(&in, &f);
	assert_int_equal(f.n_ok, 3);
	char text[400];
	forecast_sentence(&f, &plan, text, sizeof text);
	assert_non_null(strstr(text, "step 4 of 5"));
	assert_non_null(strstr(text, "supply current"));
}

static void foresees_the_drop_out(void **state)
{
	(void)state;
	rig.cable_ohm.value = 1.2;
	rig.supply_limit_A = 100;
	/* 30 N·m: P 396.99 W, I = (48 - sqrt(2304 - 4.8*396.99))/2.4 = 11.684 A, V = 33.98 < 36. 20 N·m: 271.3 W, 6.81
	 * A, 39.8 V */
	forecast_plan(&in, &f);
	assert_int_equal(f.n_ok, 3);
	assert_int_equal(f.decides, FORECAST_SUPPLY_VOLTAGE);
}

/* One row a limit: what is lowered, and which number must decide at which step. */
static void each_limit_can_decide(void **state)
{
	static const struct {
		double *limit, value;
		enum forecast_check check;
		size_t n_ok;
	} rows[] = {
		{ &rig.limit_torque_Nm, 25, FORECAST_TORQUE, 3 },
		{ &actuator.limit_torque_Nm, 15, FORECAST_TORQUE, 2 },
		{ &rig.coupling_Nm, 9, FORECAST_COUPLING, 1 },
		{ &rig.cell_full_scale_Nm, 35, FORECAST_CELL, 4 },
		{ &rig.limit_speed_rpm, 50, FORECAST_SPEED, 0 },
		{ &rig.slip_power_short_W, 100, FORECAST_SLIP_POWER, 2 }, /* 20 N·m: 125.7 W */
		{ &rig.brake_rated_Nm, 22, FORECAST_BRAKE_TORQUE, 3 },
	};

	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		make(state);
		rig.supply_limit_A = 1000;
		*rows[i].limit = rows[i].value;
		forecast_plan(&in, &f);
		if (f.n_ok != rows[i].n_ok || f.decides != rows[i].check)
			fail_msg("row %zu: %zu steps, decided by %s", i, f.n_ok, forecast_check_word(f.decides));
		assert_false(f.ok);
	}
}

/* Continuous 100 W: 40 N·m gives 251.327 W for 1.5*2 + 4 = 7 s: 1059.3 J; 30 N·m 188.496 W: 619.5 J; 20 N·m 125.664 W:
 * 179.6 J. Rising: 0, 0 (62.8 W is below), 179.6, 799.1, 1858.4. */
static void piles_up_heat(void **state)
{
	const double pi = 3.14159265358979323846;

	(void)state;
	rig.slip_power_W = 100;
	rig.supply_limit_A = 1000;
	forecast_plan(&in, &f);
	near(f.step[1].energy_J, 0);
	near(f.step[2].energy_J, (40 * pi - 100) * 7);
	near(f.step[3].energy_J, (40 * pi - 100 + 60 * pi - 100) * 7);
	near(f.step[4].energy_J, (40 * pi - 100 + 60 * pi - 100 + 80 * pi - 100) * 7);
	assert_true(f.ok);
	rig.slip_energy_J = 1000;
	forecast_plan(&in, &f);
	assert_int_equal(f.n_ok, 4);
	assert_int_equal(f.decides, FORECAST_SLIP_ENERGY);
	plan.cool_s = 10; /* a rest of 10 s at 100 W leaks 1000 J: all of what the steps before left */
	forecast_plan(&in, &f);
	near(f.step[4].energy_J, (80 * pi - 100) * 7);
}

static void the_way_down_heats_too(void **state)
{
	(void)state;
	rig.slip_power_W = 100;
	rig.supply_limit_A = 1000;
	plan.down = true;
	forecast_plan(&in, &f);
	/* 30 N·m is met again after 40: 1858.4 + 619.5 J = 2477.9 J */
	near(f.step[3].energy_J, (60 * 3.14159265358979323846 - 100) * 7 + f.step[4].energy_J);
	/* times: up 5, down 4, 7 s each */
	near(f.time_s, 9 * 7);
	near(f.time_most_s, 9 * 24);
	plan.timeout_s = 2; /* shorter than the settling that is expected: the most is what there is */
	forecast_plan(&in, &f);
	near(f.time_s, f.time_most_s);
	near(f.time_s, 9 * 6);
}

static void beyond_the_weights_only_warns(void **state)
{
	(void)state;
	rig.supply_limit_A = 1000;
	in.calibrated_Nm = 25;
	forecast_plan(&in, &f);
	assert_true(f.ok);
	assert_true(f.warns);
	assert_int_equal(f.warning, FORECAST_CALIBRATED);
	assert_int_equal(f.warning_step, 3);
}

static void what_is_not_known_is_not_checked_but_not_a_number_refuses(void **state)
{
	(void)state;
	rig.supply_limit_A = 0;
	rig.coupling_Nm = 0;
	actuator.voltage_min_V = 0;
	forecast_plan(&in, &f);
	assert_true(f.ok);
	assert_true(isnan(f.step[4].check[FORECAST_COUPLING].limit));
	plan.step[4] = NAN;
	forecast_plan(&in, &f);
	assert_false(f.ok);
	assert_int_equal(f.n_ok, 4);
}

static void a_shaft_turned_by_hand_asks_nothing_of_the_supply(void **state)
{
	(void)state;
	plan.drive = PLAN_HAND;
	rig.supply_limit_A = 0.1;
	rig.min_slip_rpm = 5;
	actuator.voltage_min_V = 100;
	forecast_plan(&in, &f);
	assert_true(f.ok);
	/* four times the least slip: 20 rpm, 2.0944 rad/s; 40 N·m make 83.776 W */
	near(f.step[4].slip_power_W, 80 * 3.14159265358979323846 / 3);
}

/* Mapped straight at 50 N·m/A up to 0.5 A: 30 N·m are 5 N·m beyond, at 0.9 of the slope 0.5 + 5/45 A. */
static void says_which_current_lies_beyond_the_map(void **state)
{
	struct brakemap map = { .slope_Nm_per_A = 50,
				.max_A = 0.5,
				.max_Nm = 25,
				.branch = { { .n = 3,
					      .current_A = { 0, 0.25, 0.5 },
					      .torque_Nm = { 0, 12.5, 25 },
					      .slope_Nm_per_A = { 50, 50, 50 } } } };
	(void)state;

	in.map = &map;
	forecast_plan(&in, &f);
	near(f.step[2].brake_A, 0.4);
	near(f.step[3].brake_A, 0.5 + 5.0 / 45);
	for (size_t i = 0; i < 5; i++)
		assert_int_equal(f.step[i].extrapolated, i > 2);
	plan.load = LOAD_CURRENT;
	plan.step[3] = 0.5;
	plan.step[4] = 0.6;
	forecast_plan(&in, &f);
	assert_false(f.step[3].extrapolated);
	assert_true(f.step[4].extrapolated);
	in.map = NULL;
	forecast_plan(&in, &f);
	assert_false(f.step[4].extrapolated); /* the rating is a guess altogether */
}

/* 50 % at the actuator's own 120 rpm: 40 N·m lose 40 · 4 pi W there, and as much at 60 rpm and at 6 rpm. Beyond 120 rpm
 * more. */
static void losses_do_not_shrink_with_the_speed(void **state)
{
	static const struct {
		double rpm, loss_W_by_pi;
	} rows[] = { { 6, 160 }, { 60, 160 }, { 120, 160 }, { 240, 320 } };

	(void)state;
	actuator.speed_mode_rpm = 120;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		plan.speed_rpm[0] = rows[i].rpm;
		forecast_plan(&in, &f);
		near(f.step[4].input_W, (40 * rows[i].rpm / 30 + rows[i].loss_W_by_pi) * 3.14159265358979323846 + 20);
	}
	actuator.speed_mode_rpm = 0;
	actuator.no_load_rpm = (struct claim){ true, 120, NAN };
	near(forecast_loss_rpm(&actuator, 60), 120);
	actuator.no_load_rpm.given = false;
	near(forecast_loss_rpm(&actuator, -60), 60);
}

/* 90 % of 10 A at 48 V are 432 W, which 60 rpm have at (432 - 20) / (4 pi) = 32.786 N·m: the least of what bounds a
 * search. From 30 N·m by halves of a half step of 5. Each of 4 tries takes 3 + 4 s. */
static void a_search_stays_inside_the_other_limits(void **state)
{
	(void)state;
	plan.n = 4;
	forecast_plan(&in, &f);
	double without_s = f.time_s;
	plan.find_limit = true;
	forecast_plan(&in, &f);
	assert_int_equal(f.n_search, 1);
	assert_true(f.search[0].ceiling > 32.5 && f.search[0].ceiling < 32.786);
	assert_string_equal(f.search[0].why, "90 % of the limit of supply current");
	near(f.time_s - without_s, 4 * 7);
	rig.supply_limit_A = 100;
	forecast_plan(&in, &f);
	assert_true(f.search[0].ceiling > 40 && f.search[0].ceiling <= 40.5); /* 90 % of 45 N·m */
	assert_string_equal(f.search[0].why, "90 % of the limit of torque");
	/* 30 N·m at 60 rpm: 188.5 W. 88.5 W above 100 W for 4 tries of 7 s are 2.48 kJ; the way up has left 4 times
	 * that of its own step. */
	rig.slip_power_W = 100;
	rig.slip_energy_J = 3500;
	forecast_plan(&in, &f);
	assert_string_equal(f.search[0].why, "90 % of the limit of brake heat above its continuous rating");
	assert_true(f.search[0].ceiling < 40);
	assert_true(f.ok && f.search[0].energy_J <= 0.9 * 3500);
	/* Heat is bounded by all ten tries of 7 s: 7.2 kJ are reached at 191.4 W, 30.46 N·m. */
	rig.slip_energy_J = 8000;
	forecast_plan(&in, &f);
	assert_true(f.search[0].ceiling > 30 && f.search[0].ceiling < 30.47);
	double over_W = f.search[0].top.slip_power_W - 100, up_J = f.step[3].energy_J;
	near(f.search[0].energy_J, up_J + 10 * 7 * over_W);
	/* what the plan itself may not reach is no beginning */
	rig.supply_limit_A = 8;
	rig.slip_energy_J = 1e6;
	forecast_plan(&in, &f);
	assert_false(f.ok);
	assert_true(f.search[0].ceiling < 30);
}

/* With a target each try lasts as long as the heaviest load: 3 s to settle, 1 s of pilot, 9 s. */
static void a_search_dwells_as_the_heaviest_load(void **state)
{
	static const double dwell_s[4] = { 2, 2, 5, 9 };

	(void)state;
	plan.n = 4;
	plan.until_frac = 0.002;
	plan.dwell_s = 1;
	plan.longest_s = 60;
	in.dwell_s = dwell_s;
	forecast_plan(&in, &f);
	double without_s = f.time_s;
	plan.find_limit = true;
	forecast_plan(&in, &f);
	near(f.search[0].top.dwell_s, 9);
	near(f.time_s - without_s, 4 * (3 + 1 + 9));
	in.dwell_s = NULL;
}

/* Of two limits the smaller holds; one that is 0 is not known, and where both are, nothing is checked. */
static void what_is_not_stated_does_not_bound(void **state)
{
	static const struct {
		double rig_Nm, actuator_Nm, rig_rpm, actuator_rpm, torque_Nm, rpm;
	} rows[] = {
		{ 60, 45, 200, 150, 45, 150 }, { 40, 45, 100, 150, 40, 100 }, { 0, 45, 0, 150, 45, 150 },
		{ 60, 0, 200, 0, 60, 200 },    { 0, 0, 0, 0, NAN, NAN },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		rig.limit_torque_Nm = rows[i].rig_Nm;
		actuator.limit_torque_Nm = rows[i].actuator_Nm;
		rig.limit_speed_rpm = rows[i].rig_rpm;
		actuator.limit_speed_rpm = rows[i].actuator_rpm;
		forecast_plan(&in, &f);
		double torque_Nm = f.step[0].check[FORECAST_TORQUE].limit, rpm = f.step[0].check[FORECAST_SPEED].limit;
		if (isnan(rows[i].rpm)) {
			assert_true(isnan(torque_Nm) && isnan(rpm));
			continue;
		}
		near(torque_Nm, rows[i].torque_Nm);
		near(rpm, rows[i].rpm);
	}
	near(f.step[0].check[FORECAST_SLIP_POWER].limit, 1000);
	rig.slip_power_short_W = rig.slip_power_W = 0;
	in.calibrated_Nm = NAN;
	actuator.expect_efficiency = 0; /* as 50 %: as much again is lost */
	forecast_plan(&in, &f);
	assert_true(isnan(f.step[4].check[FORECAST_SLIP_POWER].limit));
	near(f.step[4].energy_J, 0); /* without a continuous rating nothing piles up */
	near(f.step[4].input_W, 160 * 3.14159265358979323846 + 20);
	assert_false(f.warns);
	rig.slip_power_W = 300;
	forecast_plan(&in, &f);
	near(f.step[4].check[FORECAST_SLIP_POWER].limit, 300);
}

/* A plan without a speed turns at the actuator's own, else at the no-load speed claimed. */
static void the_speed_of_a_plan_without_one(void **state)
{
	(void)state;
	plan.speed_rpm[0] = 0;
	forecast_plan(&in, &f);
	near(f.step[4].speed_rpm, 0);
	actuator.no_load_rpm = (struct claim){ true, 100, NAN };
	forecast_plan(&in, &f);
	near(f.step[4].speed_rpm, 100);
	actuator.speed_mode_rpm = -90;
	forecast_plan(&in, &f);
	near(f.step[4].speed_rpm, 90);
	near(f.step[4].set_rpm, 0);
}

/* 2 N·m/A and 15 A are 30 N·m; in current mode the plan's own current is judged, at each step. */
static void the_current_of_the_drive(void **state)
{
	(void)state;
	rig.supply_limit_A = 1000;
	actuator.limit_current_A = 15;
	actuator.k_t_Nm_per_A = 2;
	forecast_plan(&in, &f);
	assert_int_equal(f.n_ok, 4);
	assert_int_equal(f.decides, FORECAST_DRIVE_CURRENT);
	near(f.step[4].check[FORECAST_DRIVE_CURRENT].value, 20);
	plan.drive = PLAN_DRIVE_CURRENT;
	plan.drive_A = -16;
	forecast_plan(&in, &f);
	assert_int_equal(f.n_ok, 0);
	near(f.step[0].check[FORECAST_DRIVE_CURRENT].value, 16);
	plan.drive = PLAN_HAND; /* nobody sends a current */
	forecast_plan(&in, &f);
	assert_true(f.ok && isnan(f.step[4].check[FORECAST_DRIVE_CURRENT].limit));
}

/* A map that does not rise beyond its end cannot be carried on: the torque alone says so. */
static void a_map_without_a_slope_is_not_carried_on(void **state)
{
	struct brakemap map = { .max_A = 0.5,
				.max_Nm = 25,
				.branch = { { .n = 3,
					      .current_A = { 0, 0.25, 0.5 },
					      .torque_Nm = { 0, 12.5, 25 },
					      .slope_Nm_per_A = { 50, 50, 50 } } } };

	(void)state;
	in.map = &map;
	forecast_plan(&in, &f);
	near(f.step[3].brake_A, 0.5);
	assert_true(f.step[3].extrapolated && !f.step[2].extrapolated);
	assert_int_equal(f.n_ok, 3);
	assert_int_equal(f.decides, FORECAST_BRAKE_TORQUE);
}

/* 60 and 30 rpm up and down with a search at each: all of a speed before the next, the heat of one with its own. */
static void several_speeds_are_told_apart(void **state)
{
	char text[400];

	(void)state;
	plan.n = 3;
	plan.n_speeds = 2;
	plan.speed_rpm[1] = -30;
	plan.down = true;
	plan.for_claim[1] = true;
	rig.coupling_Nm = 0;
	forecast_plan(&in, &f);
	assert_true(f.ok && f.n == 6 && f.n_points == 10);
	assert_int_equal(f.point[0].step, 0);
	assert_int_equal(f.point[5].step, 3); /* first at the second speed */
	assert_true(f.step[1].for_claim && f.step[4].for_claim && !f.step[2].for_claim);
	near(f.step[5].slip_power_W, f.step[2].slip_power_W / 2);
	near(f.step[5].set_rpm, -30);
	forecast_sentence(&f, &plan, text, sizeof text);
	assert_non_null(strstr(text, "nearest to a limit is step 1 of 3 (0 N\u00b7m at 60 rpm): drop-out voltage as a "
				     "share of the lowest supply voltage 0.75, limit 1"));
	plan.down = false;
	plan.find_limit = true;
	forecast_plan(&in, &f);
	assert_int_equal(f.n_search, 2);
	assert_string_equal(f.search[0].why, "90 % of the limit of supply current");
	assert_true(f.search[1].ceiling > f.search[0].ceiling); /* half the speed takes less of the supply */
	/* with nothing near, the tries themselves end it: ten half steps of 5 N·m */
	rig = (struct rig_profile){ .brake_max_A = 1, .brake_rated_Nm = 5000, .supply_V = 4800 };
	actuator = (struct actuator_profile){ .expect_efficiency = 0.5 };
	forecast_plan(&in, &f);
	assert_string_equal(f.search[0].why, "10 tries");
	near(f.search[0].ceiling, 20 + 10 * 5);
	plan.n = 1; /* a single load of 0 gives no step to search by */
	forecast_plan(&in, &f);
	near(f.search[0].ceiling, 0);
}

static void the_step_of_a_search(void **state)
{
	(void)state;
	near(forecast_search_step(&plan), 10);
	plan.step[4] = 55;
	near(forecast_search_step(&plan), 25);
	plan.step[0] = 7;
	plan.n = 1;
	near(forecast_search_step(&plan), 7);
	plan.n = 0;
	near(forecast_search_step(&plan), 0);
}

static void the_sentence_of_each_end(void **state)
{
	char text[400];

	(void)state;
	plan.load = LOAD_CURRENT;
	plan.step[4] = 2;
	plan.step[3] = plan.step[2] = plan.step[1] = 0;
	forecast_plan(&in, &f);
	forecast_sentence(&f, &plan, text, sizeof text);
	assert_string_equal(text,
			    "refused at step 5 of 5 (2 A): supply current 26.6 A, limit 10 A; a stronger supply, a "
			    "lower speed, or end the plan earlier: beyond it the curve says nothing about the "
			    "actuator");
	rig.cable_ohm.value = 2;
	forecast_plan(&in, &f);
	forecast_sentence(&f, &plan, text, sizeof text);
	assert_non_null(strstr(text, "more than the cable can carry, limit 10 A"));
	plan.n = 0;
	forecast_plan(&in, &f);
	forecast_sentence(&f, &plan, text, sizeof text);
	assert_string_equal(text, "the plan has no steps");
	assert_true(f.ok && f.decides == FORECAST_TORQUE);
}

/* What programs read of a check: only a torque beyond the calibration is told and does not refuse. */
static void the_words_of_each_check(void **state)
{
	(void)state;
	for (int i = 0; i < FORECAST_CHECKS; i++) {
		enum forecast_check check = (enum forecast_check)i;

		assert_int_equal(forecast_check_refuses(check), check != FORECAST_CALIBRATED);
		for (int k = 0; k < i; k++)
			assert_string_not_equal(forecast_check_word(check),
						forecast_check_word((enum forecast_check)k));
	}
	assert_string_equal(forecast_check_unit(FORECAST_SPEED), "rpm");
	assert_string_equal(forecast_check_unit(FORECAST_SUPPLY_VOLTAGE), "");
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test_setup(losses_do_not_shrink_with_the_speed, make),
		cmocka_unit_test_setup(works_out_power_and_current, make),
		cmocka_unit_test_setup(names_the_nearest_limit_when_all_is_fine, make),
		cmocka_unit_test_setup(counts_the_cable, make),
		cmocka_unit_test_setup(a_cable_that_cannot_carry_refuses, make),
		cmocka_unit_test_setup(foresees_the_drop_out, make),
		cmocka_unit_test_setup(each_limit_can_decide, make),
		cmocka_unit_test_setup(piles_up_heat, make),
		cmocka_unit_test_setup(the_way_down_heats_too, make),
		cmocka_unit_test_setup(beyond_the_weights_only_warns, make),
		cmocka_unit_test_setup(what_is_not_known_is_not_checked_but_not_a_number_refuses, make),
		cmocka_unit_test_setup(a_shaft_turned_by_hand_asks_nothing_of_the_supply, make),
		cmocka_unit_test_setup(says_which_current_lies_beyond_the_map, make),
		cmocka_unit_test_setup(a_search_stays_inside_the_other_limits, make),
		cmocka_unit_test_setup(a_search_dwells_as_the_heaviest_load, make),
		cmocka_unit_test_setup(what_is_not_stated_does_not_bound, make),
		cmocka_unit_test_setup(the_speed_of_a_plan_without_one, make),
		cmocka_unit_test_setup(the_current_of_the_drive, make),
		cmocka_unit_test_setup(a_map_without_a_slope_is_not_carried_on, make),
		cmocka_unit_test_setup(several_speeds_are_told_apart, make),
		cmocka_unit_test_setup(the_step_of_a_search, make),
		cmocka_unit_test_setup(the_sentence_of_each_end, make),
		cmocka_unit_test(the_words_of_each_check),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
