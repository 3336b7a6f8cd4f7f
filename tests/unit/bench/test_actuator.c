/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/actuator.h"
#include "tests/unit/bench/world_kit.h"

#define H 50e-6

/* A gearless, frictionless, unsaturated motor against a wall or free: textbook relations. */
static struct world_config ideal(void)
{
	struct world_config k = kit_config(1);
	struct physics *p = &k.physics;

	p->motor.saturation_A = 1e9;
	p->motor.kt_Nm_per_A = 0.1;
	p->motor.iron_Nm = p->motor.iron_Nms = 0;
	p->gear.coulomb_Nm = p->gear.viscous_Nms = p->gear.load_loss_frac = p->gear.backlash_rad = 0;
	p->gear.ratio = 1;
	p->drive.modulation_frac = 1;
	p->drive.standby_W = p->drive.switch_V = p->drive.switch_ohm = 0;
	return k;
}

static const struct actuator_demand full = { .enabled = true, .wanted_A = 1e6, .reach_factor = 1, .standby = true };

/* Without load the speed ends where the counter-voltage meets the voltage: w = V / k_t. */
static void free_motor_reaches_no_load_speed(void **state)
{
	struct world_config k = ideal();
	struct actuator a;

	(void)state;
	actuator_init(&a, &k.physics, H);
	for (int i = 0; i < 200000; i++)
		actuator_step(&a, &full, 24, 0, false);
	assert_near(a.rotor_rad_per_s, 240, 0.01);
	assert_near(a.current_A, 0, 0.01);
}

/* Held still by a wall: I = V / R, T = k_t I, all power is copper loss. */
static void stalled_motor_makes_heat_only(void **state)
{
	struct world_config k = ideal();
	struct actuator a;
	double before;

	(void)state;
	actuator_init(&a, &k.physics, H);
	for (int i = 0; i < 40000; i++) {
		actuator_step(&a, &full, 5, 0, true);
		actuator_turn(&a, 0);
	}
	before = a.lost.copper_J;
	for (int i = 0; i < 20000; i++) {
		actuator_step(&a, &full, 5, 0, true);
		actuator_turn(&a, 0);
	}
	assert_near(a.current_A, 5 / a.ohm, 1e-6);
	assert_near(a.output_Nm, 0.1 * 5 / a.ohm, 1e-4);
	assert_near(a.lost.copper_J - before, 25 / a.ohm, 1e-4); /* V^2/R for 1 s */
	assert_near(a.bus_A, 5 / a.ohm, 1e-5);
}

/* At rest a rise below the voltage's reach follows the current loop's own lag. */
static void current_loop_is_a_first_order_lag(void **state)
{
	struct world_config k = ideal();
	struct actuator_demand demand = { .enabled = true, .wanted_A = 2, .reach_factor = 1, .standby = true };
	struct actuator a;

	(void)state;
	actuator_init(&a, &k.physics, H);
	for (int i = 1; i <= 100; i++) {
		actuator_step(&a, &demand, 48, 0, true);
		a.rotor_rad_per_s = 0;
		assert_near(a.current_A, 2 * (1 - exp(-i * H / k.physics.drive.lag_s)), 1e-9);
	}
}

/* 12 slots and 14 poles cog 84 times a turn (the least common multiple: common practice, no source). Of a rotor that
 * is let go at an angle the first step is theirs alone. */
static void cogs_and_teeth_are_felt_at_a_wall(void **state)
{
	struct world_config k = ideal();
	struct actuator a;

	(void)state;
	k.physics.motor.cogging_Nm = 0.02;
	k.physics.gear.ratio = 9;
	k.physics.gear.mesh_Nm = 0.3;
	k.physics.gear.teeth = 50;
	k.physics.gear.coulomb_Nm = 0;
	assert_near(actuator_cogging_order(&k.physics), 84 * 9, 1e-9);
	for (int i = 0; i < 40; i++) {
		double at = 0.01 * i, expected = -0.02 * sin(84 * at) - 0.3 / 9 * sin(50 * at / 9);
		actuator_init(&a, &k.physics, H);
		a.rotor_rad = at;
		actuator_step(&a, &(struct actuator_demand){ .reach_factor = 1 }, 48, 0, true);
		assert_near(a.rotor_rad_per_s * k.physics.motor.inertia_kgm2 / H, expected, 1e-12);
	}
}

/* They take and give back: a rotor left alone keeps its energy over a thousand teeth, and swings about the place where
 * it is drawn to with the angular frequency sqrt(A N / J) of small swings. */
static void cogging_keeps_the_energy(void **state)
{
	struct world_config k = ideal();
	struct actuator a;
	struct actuator_demand off = { .reach_factor = 1 };
	int crossings = 0;

	(void)state;
	k.physics.motor.cogging_Nm = 0.02;
	k.physics.gear.mesh_Nm = 0.01;
	k.physics.gear.teeth = 5;
	actuator_init(&a, &k.physics, H);
	a.rotor_rad_per_s = 60;
	double before = actuator_stored_J(&a), least = before, most = before;
	for (int i = 0; i < 60000; i++) {
		actuator_step(&a, &off, 48, 0, false);
		least = fmin(least, actuator_stored_J(&a));
		most = fmax(most, actuator_stored_J(&a));
	}
	assert_near(a.rotor_rad, 180, 10); /* slower where it climbs */
	assert_near(least / before, 1, 0.01);
	assert_near(most / before, 1, 0.01);
	k.physics.gear.mesh_Nm = 0;
	actuator_init(&a, &k.physics, H);
	a.rotor_rad = 1e-3;
	for (int i = 0; i < 200000; i++) { /* 10 s */
		double was = a.rotor_rad;
		actuator_step(&a, &off, 48, 0, false);
		crossings += was * a.rotor_rad < 0;
	}
	assert_near(crossings, 2 * 10 * sqrt(0.02 * 84 / k.physics.motor.inertia_kgm2) / (2 * 3.14159265), 2);
}

static void winding_resistance_is_coppers(void **state)
{
	struct world_config k = ideal();
	struct actuator a;

	(void)state;
	actuator_init(&a, &k.physics, H);
	actuator_warm(&a, 120);
	/* 0.393 %/K at 20 degC: the usual figure for copper (IEC 60028 gives 0.00393 1/K) */
	assert_near(a.ohm / k.physics.motor.ohm, 1 + 0.00393 * 100, 1e-3);
}

static void saturates(void **state)
{
	struct world_config k = kit_config(1);
	struct actuator a;

	(void)state;
	actuator_init(&a, &k.physics, H);
	assert_near(actuator_kt(&a, k.physics.motor.saturation_A), k.physics.motor.kt_Nm_per_A / 2, 1e-12);
	assert_near(actuator_kt(&a, -10), actuator_kt(&a, 10), 1e-15);
}

/* Locked output, torque slowly to plus and minus: the rotor's angle shows play and stiffness (handbook: lost motion).
 */
static void twist_shows_play_and_stiffness(void **state)
{
	struct world_config k = kit_config(1);
	struct actuator_demand demand = { .enabled = true, .reach_factor = 1, .standby = true };
	struct actuator a;
	double twist[4];
	const double ampere[4] = { 4, 8, -4, -8 };
	double torque[4];

	(void)state;
	actuator_init(&a, &k.physics, H);
	for (int j = 0; j < 4; j++) {
		demand.wanted_A = ampere[j];
		for (int i = 0; i < 40000; i++) {
			actuator_step(&a, &demand, 48, 0, true);
			actuator_turn(&a, 0);
		}
		assert_near(a.rotor_rad_per_s, 0, 1e-9);
		twist[j] = a.twist_rad;
		torque[j] = a.output_Nm;
	}
	assert_near((torque[1] - torque[0]) / (twist[1] - twist[0]), k.physics.gear.stiffness_Nm_per_rad, 1);
	assert_near((torque[3] - torque[2]) / (twist[3] - twist[2]), k.physics.gear.stiffness_Nm_per_rad, 1);
	assert_near(twist[0] - twist[2] - (torque[0] - torque[2]) / k.physics.gear.stiffness_Nm_per_rad,
		    k.physics.gear.backlash_rad, 1e-7);
}

/* Friction at rest: an unpowered gearbox gives way only to more than its friction; then it is back-driven. */
static void holds_still_below_its_friction(void **state)
{
	struct world_config k = kit_config(1);
	struct actuator_demand off = { .reach_factor = 1 };
	struct actuator a;
	double n = k.physics.gear.ratio;
	double friction = k.physics.gear.coulomb_Nm + k.physics.motor.iron_Nm * n;

	(void)state;
	actuator_init(&a, &k.physics, H);
	a.twist_rad = k.physics.gear.backlash_rad / 2 + friction / k.physics.gear.stiffness_Nm_per_rad;
	for (int i = 0; i < 20000; i++) {
		actuator_step(&a, &off, 0, 0, true);
		actuator_turn(&a, 0);
	}
	assert_true(a.stuck);
	assert_near(a.output_Nm, friction, 1e-6);
	a.twist_rad += 2 * friction / k.physics.gear.stiffness_Nm_per_rad;
	for (int i = 0; i < 20000; i++) {
		actuator_step(&a, &off, 0, 0, true);
		actuator_turn(&a, 0);
	}
	/* It let go and came to rest somewhere below the breakaway torque. */
	assert_true(a.stuck);
	assert_true(fabs(a.output_Nm) < 2 * friction);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(free_motor_reaches_no_load_speed),
		cmocka_unit_test(stalled_motor_makes_heat_only),
		cmocka_unit_test(current_loop_is_a_first_order_lag),
		cmocka_unit_test(cogs_and_teeth_are_felt_at_a_wall),
		cmocka_unit_test(cogging_keeps_the_energy),
		cmocka_unit_test(winding_resistance_is_coppers),
		cmocka_unit_test(saturates),
		cmocka_unit_test(twist_shows_play_and_stiffness),
		cmocka_unit_test(holds_still_below_its_friction),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
