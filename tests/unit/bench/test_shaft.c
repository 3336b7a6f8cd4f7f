/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/shaft.h"
#include "bench/draw.h"
#include "tests/unit/bench/world_kit.h"

#include "calib/number/units.h"

#define H 50e-6

struct bodies {
	struct world_config k;
	struct shaft shaft;
	struct brake brake;
	gsl_rng *rng;
};

static void start(struct bodies *b, enum cell_mounting mounting, double brake_Nm)
{
	memset(b, 0, sizeof *b);
	b->k = kit_config(1);
	kit_without_strays(&b->k.physics);
	b->rng = draw_new(1, "test.shaft");
	shaft_init(&b->shaft, &b->k.physics, mounting, H);
	brake_init(&b->brake, &b->k.physics, 1.2, 50, b->rng);
	b->brake.friction_Nm = brake_Nm;
}

static void go(struct bodies *b, double s, double gear_Nm, double weight_Nm)
{
	for (int i = 0; i < (int)(s / H + 0.5); i++)
		shaft_step(&b->shaft, &b->brake, gear_Nm, weight_Nm, 0);
}

/* Free cradle: frequency and decay of a damped oscillator, f = sqrt(k/J - (c/2J)^2) / 2 pi, by its zero crossings. */
static void cradle_rings_as_a_second_order_system(void **state)
{
	struct bodies b;
	double k, c, j, first = 0, last = 0, before;
	int crossings = 0;

	(void)state;
	start(&b, MOUNT_CRADLE, 0);
	b.shaft.hung_kgm2 = 1.5;
	b.shaft.cradle_rad = 0.001;
	k = b.k.physics.lever.stiffness_Nm_per_rad;
	c = b.k.physics.lever.damping_Nms;
	j = b.k.physics.lever.inertia_kgm2 + 1.5;
	for (int i = 1; i < 20000; i++) {
		before = b.shaft.cradle_rad;
		go(&b, H, 0, 0);
		if (before > 0 && b.shaft.cradle_rad <= 0) {
			last = i * H;
			first = crossings++ == 0 ? last : first;
		}
	}
	assert_true(crossings > 4);
	assert_near((crossings - 1) / (last - first), sqrt(k / j - c * c / (4 * j * j)) / (2 * UNITS_PI), 0.01);
	gsl_rng_free(b.rng);
}

/* The reaction of the housing is what the brake takes from the shaft: T = F in slip, whatever drives it. */
static void cell_sees_the_brakes_torque(void **state)
{
	struct bodies b;

	(void)state;
	start(&b, MOUNT_CRADLE, 20);
	go(&b, 2, 15, 0); /* from rest: held */
	assert_near(b.shaft.cell_Nm, 15, 1e-3);
	assert_true(b.shaft.stuck);
	b.shaft.rad_per_s = 8;
	b.shaft.stuck = false;
	go(&b, 1, 20.0, 0); /* driven just as hard as it brakes: the speed stays */
	assert_near(b.shaft.cell_Nm, 20, 1e-3);
	assert_near(b.shaft.brake_Nm, 20, 1e-9);
	gsl_rng_free(b.rng);
}

/* Weights on the cradle: uncoupled the free shaft follows and all of the weight reaches the cell. */
static void weights_on_the_cradle_load_the_cell(void **state)
{
	struct bodies b;

	(void)state;
	start(&b, MOUNT_CRADLE, 0.5);
	b.shaft.hung_kgm2 = 0.5;
	go(&b, 20, 0, 12.3);
	assert_near(b.shaft.cell_Nm, 12.3, 0.01);
	gsl_rng_free(b.rng);
}

/* A cell in the shaft: the brake must hold the weight; when it cannot, it slips and the cell shows the brake instead.
 */
static void weights_on_the_shaft_need_the_brake(void **state)
{
	struct bodies b;

	(void)state;
	start(&b, MOUNT_SHAFT, 30);
	b.shaft.hung_kgm2 = 0.5;
	go(&b, 5, 0, 25);
	assert_true(b.shaft.stuck);
	assert_near(b.shaft.cell_Nm, 25, 1e-3);
	assert_near(b.shaft.rad_per_s, 0, 1e-12);
	go(&b, 2, 0, 40); /* more than 30 N.m times the breakaway factor */
	assert_false(b.shaft.stuck);
	assert_near(b.shaft.cell_Nm, 30, 0.01);
	assert_near(b.shaft.rad_per_s, 2 * 10 / (0.5 + b.k.physics.brake.inertia_kgm2), 0.01); /* (40 - 30) t / J */
	gsl_rng_free(b.rng);
}

/* Braked from speed: w = w0 - F t / J until it stands, all of the kinetic energy in the brake, and it stays there. */
static void brakes_to_rest_and_never_turns_back(void **state)
{
	struct bodies b;
	double j, w0 = 9, least = 0;

	(void)state;
	start(&b, MOUNT_SHAFT, 5);
	j = b.k.physics.brake.inertia_kgm2;
	b.shaft.rad_per_s = w0;
	b.shaft.stuck = false;
	go(&b, 0.02, 0, 0);
	assert_near(b.shaft.rad_per_s, w0 - 5 * 0.02 / j, 1e-9);
	for (int i = 0; i < 20000; i++) {
		go(&b, H, 0, 0);
		least = fmin(least, b.shaft.rad_per_s);
	}
	assert_near(least, 0, 1e-15);
	assert_near(b.shaft.slip_J, 0.5 * j * w0 * w0, 1e-9);
	gsl_rng_free(b.rng);
}

/* Turning, the bearing outside takes its drag before the brake: the cell knows only the rest. Either way round. */
static void a_bearing_outside_is_not_felt_by_the_cell(void **state)
{
	struct bodies b;
	double heat_J;

	(void)state;
	for (int way = -1; way < 2; way += 2) {
		start(&b, MOUNT_CRADLE, 20);
		b.k.physics.coupling.bearing_Nm = 0.5;
		b.shaft.rad_per_s = 8 * way;
		b.shaft.stuck = false;
		go(&b, 1, 20.5 * way, 0);
		assert_near(b.shaft.rad_per_s, 8 * way, 1e-9);
		assert_near(b.shaft.cell_Nm, 20 * way, 1e-3);
		assert_near(b.shaft.bearing_Nm, 0.5 * way, 1e-9);
		heat_J = b.shaft.bearing_J;
		assert_near(heat_J, 0.5 * 8, 1e-6);
		gsl_rng_free(b.rng);
	}
}

/* At rest it holds up to its friction, and no torque below that reaches the cell. */
static void a_bearing_outside_holds_at_rest(void **state)
{
	struct bodies b;

	(void)state;
	start(&b, MOUNT_CRADLE, 20);
	b.k.physics.coupling.bearing_Nm = 0.5;
	go(&b, 2, 0.4, 0);
	assert_near(b.shaft.cell_Nm, 0, 1e-9);
	go(&b, 2, 3, 0);
	assert_near(b.shaft.cell_Nm, 2.5, 1e-3);
	gsl_rng_free(b.rng);
}

/* A load that changes in 5 s, gently at both ends, and rests for 1 s. */
static void glide(struct bodies *b, double from_Nm, double to_Nm)
{
	for (int i = 0; i <= 5000; i++)
		go(b, 1e-3, 0, from_Nm + (to_Nm - from_Nm) * 0.5 * (1 - cos(UNITS_PI * i / 5000)));
	go(b, 1, 0, to_Nm);
}

/* Loaded and unloaded so slowly that nothing rings, the cell lacks the friction on the way up and has it too much on
 * the way down; at the turn it changes over 2 friction + stiffness * 2 travel of load. */
static void the_cradles_bearing_locks_torque_in(void **state)
{
	const double friction = 0.02, travel = 20e-6;
	struct bodies b;
	double k;

	(void)state;
	start(&b, MOUNT_CRADLE, 0);
	b.k.physics.lever.stiction_Nm = friction;
	b.k.physics.lever.stiction_rad = travel;
	k = b.k.physics.lever.stiffness_Nm_per_rad;
	glide(&b, 0, 20);
	assert_near(b.shaft.cell_Nm, 20 - friction, 1e-3);
	glide(&b, 20, 20 - friction - k * travel); /* half of the turn: no friction at all */
	assert_near(b.shaft.cell_Nm, 20 - friction - k * travel, 1e-3);
	glide(&b, 20 - friction - k * travel, 15);
	assert_near(b.shaft.cell_Nm, 15 + friction, 1e-3);
	assert_true(b.shaft.lever_J > 0);
	gsl_rng_free(b.rng);
}

/* A brake whose torque swings by more than the friction shakes it loose: the mean is the torque. */
static void an_uneven_brake_shakes_it_loose(void **state)
{
	struct bodies b;
	double sum = 0;

	(void)state;
	start(&b, MOUNT_CRADLE, 0);
	b.k.physics.lever.stiction_Nm = 0.02;
	b.k.physics.lever.stiction_rad = 20e-6;
	glide(&b, 0, 20);
	for (int i = 0; i < 10000; i++) { /* 10 s at 5 Hz */
		go(&b, 1e-3, 0, 20 + 0.2 * sin(2 * UNITS_PI * 5 * i * 1e-3));
		sum += b.shaft.cell_Nm;
	}
	assert_near(sum / 10000, 20, 2e-3);
	gsl_rng_free(b.rng);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(cradle_rings_as_a_second_order_system),
		cmocka_unit_test(cell_sees_the_brakes_torque),
		cmocka_unit_test(weights_on_the_cradle_load_the_cell),
		cmocka_unit_test(weights_on_the_shaft_need_the_brake),
		cmocka_unit_test(brakes_to_rest_and_never_turns_back),
		cmocka_unit_test(a_bearing_outside_is_not_felt_by_the_cell),
		cmocka_unit_test(a_bearing_outside_holds_at_rest),
		cmocka_unit_test(the_cradles_bearing_locks_torque_in),
		cmocka_unit_test(an_uneven_brake_shakes_it_loose),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
