/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "run/torque_control.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#define DT 0.01
#define LAG_S 0.1

/* A straight map of 40 N·m/A with 0.5 N·m of drag, the falling branch 1 N·m above the rising one. */
static struct brakemap straight_map(void)
{
	struct brakemap_reading r[18];
	struct brakemap map;
	size_t n = 0;

	for (int i = 0; i <= 8; i++)
		for (int b = 0; b < 2; b++)
			r[n++] = (struct brakemap_reading){ .current_A = i / 8.0,
							    .torque_Nm = 0.5 + 40 * i / 8.0 + b * (i < 8 ? 1 : 0),
							    .u_torque_Nm = 0.01,
							    .slip_rpm = 50,
							    .branch = b ? BRAKEMAP_FALLING : BRAKEMAP_RISING };
	assert_int_equal(brakemap_fit(r, n, &map, NULL), RC_OK);
	map.lag_s = LAG_S;
	return map;
}

/* A brake that is gain times the map, with the same lag; limit_Nm: what turns the shaft gives no more. */
struct plant {
	double gain, limit_Nm, torque_Nm;
};

static double plant_step(struct plant *p, double current_A, double dt_s)
{
	double steady = fmin(0.5 + 40 * current_A * p->gain, p->limit_Nm);

	p->torque_Nm += (steady - p->torque_Nm) * (1 - exp(-dt_s / LAG_S));
	return p->torque_Nm;
}

static const struct torque_control_config *config_with(const struct brakemap *map)
{
	static struct torque_control_config c;

	c = (struct torque_control_config){
		.map = map, .max_A = 1, .rated_Nm = 40, .lag_s = LAG_S, .ramp_Nm_per_s = 10, .slew_A_per_s = 1
	};
	return &c;
}

struct run {
	double most_Nm, least_Nm, end_Nm, fastest_A_per_s, most_A;
};

static struct run run(struct torque_control *c, const struct torque_control_config *config, struct plant *p,
		      double set_Nm, double s)
{
	struct run r = { .most_Nm = -INFINITY, .least_Nm = INFINITY };

	for (int i = 0; i < (int)(s / DT); i++) {
		double before = c->out_A, out = torque_control_step(c, config, set_Nm, p->torque_Nm, DT, false);
		r.fastest_A_per_s = fmax(r.fastest_A_per_s, fabs(out - before) / DT);
		r.most_A = fmax(r.most_A, out);
		plant_step(p, out, DT);
		r.most_Nm = fmax(r.most_Nm, p->torque_Nm);
		r.least_Nm = fmin(r.least_Nm, p->torque_Nm);
	}
	r.end_Nm = p->torque_Nm;
	return r;
}

static void reaches_a_set_point_without_passing_it(void **state)
{
	static const double gains[] = { 1.0, 0.9, 1.02 };
	struct brakemap map = straight_map();
	const struct torque_control_config *config = config_with(&map);

	(void)state;
	for (size_t i = 0; i < sizeof gains / sizeof gains[0]; i++) {
		struct torque_control c = { 0 };
		struct plant p = { gains[i], INFINITY, 0.5 };
		struct run r = run(&c, config, &p, 20, 8);
		assert_true(fabs(r.end_Nm - 20) < 0.02);
		assert_true(r.most_Nm < 20.1);
		assert_true(r.fastest_A_per_s <= 1 + 1e-9);
	}
}

/* A map 8 % too low overshoots by its own error and no more, and ends where it should. */
static void a_wrong_map_is_put_right(void **state)
{
	struct brakemap map = straight_map();
	const struct torque_control_config *config = config_with(&map);
	struct torque_control c = { 0 };
	struct plant p = { 1.08, INFINITY, 0.5 };
	struct run r = run(&c, config, &p, 20, 10);

	(void)state;
	assert_true(fabs(r.end_Nm - 20) < 0.02);
	assert_true(r.most_Nm < 20 * 1.08);
}

static void falling_set_points_are_met_from_above(void **state)
{
	struct brakemap map = straight_map();
	const struct torque_control_config *config = config_with(&map);
	struct torque_control c = { 0 };
	struct plant p = { 1, INFINITY, 0.5 };

	(void)state;
	run(&c, config, &p, 30, 8);
	assert_int_equal(c.branch, BRAKEMAP_RISING);
	struct run r = run(&c, config, &p, 20, 8);
	assert_int_equal(c.branch, BRAKEMAP_FALLING);
	assert_true(fabs(r.end_Nm - 20) < 0.02);
	/* the plant has no second branch, so the map errs by its 1 N·m: that bounds how far below it may go */
	assert_true(r.least_Nm > 20 - 1.0);
}

/* What cannot be reached must not be remembered. */
static void does_not_wind_up(void **state)
{
	struct brakemap map = straight_map();
	const struct torque_control_config *config = config_with(&map);
	struct torque_control c = { 0 };
	struct plant p = { 1, 25, 0.5 };

	(void)state;
	struct run r = run(&c, config, &p, 60, 30);
	assert_true(r.most_A <= 1.0);
	assert_int_equal(c.saturated, 1);
	assert_true(c.saturated_s > 5);
	p.limit_Nm = INFINITY;
	r = run(&c, config, &p, 10, 9);
	assert_true(fabs(r.end_Nm - 10) < 0.05);
	assert_int_equal(c.saturated, 0);
	/* a brake as mapped that is asked for more than its all: 40.5 N·m follow the ramp, then nothing is added up */
	run(&c, config, &p, 60, 30);
	assert_int_equal(c.saturated, 1);
	assert_true(fabs(c.integral_A) < 0.05);
}

/* The brake fades by a tenth at once: the loop brings the torque back without passing it by more than a twentieth of
 * the loss (critically damped: none at all in theory). */
static void a_sudden_fade_is_made_good_without_overshoot(void **state)
{
	struct brakemap map = straight_map();
	const struct torque_control_config *config = config_with(&map);
	struct torque_control c = { 0 };
	struct plant p = { 1, INFINITY, 0.5 };

	(void)state;
	run(&c, config, &p, 20, 8);
	p.gain = 0.9;
	struct run r = run(&c, config, &p, 20, 5);
	assert_true(r.least_Nm < 19.2);
	assert_true(fabs(r.end_Nm - 20) < 0.02);
	assert_true(r.most_Nm < 20 + 0.05 * 2);
}

static void zero_means_no_current(void **state)
{
	struct brakemap map = straight_map();
	const struct torque_control_config *config = config_with(&map);
	struct torque_control c = { 0 };
	struct plant p = { 1, INFINITY, 0.5 };

	(void)state;
	run(&c, config, &p, 15, 5);
	run(&c, config, &p, 0, 5);
	assert_true(fabs(c.out_A) < 1e-12);
	run(&c, config, &p, NAN, 1);
	assert_true(fabs(c.out_A) < 1e-12);
}

static void a_torque_that_is_no_number_freezes_the_integral(void **state)
{
	struct brakemap map = straight_map();
	const struct torque_control_config *config = config_with(&map);
	struct torque_control c = { 0 };
	struct plant p = { 0.9, INFINITY, 0.5 };

	(void)state;
	run(&c, config, &p, 20, 8);
	double before = c.out_A;
	for (int i = 0; i < 300; i++)
		torque_control_step(&c, config, 20, NAN, DT, false);
	assert_true(fabs(c.out_A - before) < 1e-9);
	for (int i = 0; i < 300; i++)
		torque_control_step(&c, config, 20, 0, DT, true);
	assert_true(fabs(c.out_A - before) < 1e-9);
}

static void works_without_a_map(void **state)
{
	const struct torque_control_config *config = config_with(NULL);
	struct torque_control c = { 0 };
	struct plant p = { 1, INFINITY, 0.5 };
	struct run r = run(&c, config, &p, 20, 12);

	(void)state;
	assert_true(fabs(r.end_Nm - 20) < 0.05);
	assert_true(r.most_Nm < 20.5);
}

static void starts_without_a_bump_from_a_brake_that_holds(void **state)
{
	struct brakemap map = straight_map();
	const struct torque_control_config *config = config_with(&map);
	struct torque_control c = { 0 };

	(void)state;
	torque_control_prime(&c, 0.3, 12.5);
	double out = torque_control_step(&c, config, 12.5, 12.5, DT, false);
	assert_true(fabs(out - 0.3) <= 0.01 + 1e-9);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(reaches_a_set_point_without_passing_it),
		cmocka_unit_test(a_wrong_map_is_put_right),
		cmocka_unit_test(falling_set_points_are_met_from_above),
		cmocka_unit_test(does_not_wind_up),
		cmocka_unit_test(a_sudden_fade_is_made_good_without_overshoot),
		cmocka_unit_test(zero_means_no_current),
		cmocka_unit_test(a_torque_that_is_no_number_freezes_the_integral),
		cmocka_unit_test(works_without_a_map),
		cmocka_unit_test(starts_without_a_bump_from_a_brake_that_holds),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
