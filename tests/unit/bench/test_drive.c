/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/drive.h"
#include "tests/unit/bench/world_kit.h"

static struct drive_inputs inputs(enum bench_mode mode, double value)
{
	return (struct drive_inputs){
		.mode = mode, .value = value, .bus_V = 48, .kt_Nm_per_A = 0.1, .ohm = 1, .winding_degC = 30
	};
}

static void go(struct drive *d, const struct world_config *k, const struct drive_inputs *in, int ms)
{
	static const struct drive_tampering none;

	for (int i = 0; i < ms; i++)
		drive_step(d, &k->physics, in, &none);
}

static void current_mode_clamps_and_says_so(void **state)
{
	struct world_config k = kit_config(1);
	struct drive_inputs in = inputs(BENCH_CURRENT, 5);
	struct drive d = { 0 };

	(void)state;
	go(&d, &k, &in, 40);
	assert_false(d.enabled); /* it takes its time to start */
	go(&d, &k, &in, 40);
	assert_true(d.enabled);
	assert_near(d.wanted_A, 5, 1e-12);
	assert_int_equal(d.flags, BENCH_DRIVE_ENABLED);
	in.value = -50;
	go(&d, &k, &in, 1);
	assert_near(d.wanted_A, -k.physics.drive.limit_A, 1e-12);
	assert_int_equal(d.flags, BENCH_DRIVE_ENABLED | BENCH_DRIVE_LIMITED);
	in.mode = BENCH_OFF;
	go(&d, &k, &in, 1);
	assert_false(d.enabled);
	assert_near(d.wanted_A, 0, 0);
}

static void heat_lowers_the_limit(void **state)
{
	struct world_config k = kit_config(1);
	double from = k.physics.drive.derate_from_degC, to = k.physics.drive.derate_to_degC,
	       least = k.physics.drive.derate_least_frac;
	const double degC[] = { from - 1, (from + to) / 2, to, to + 50 };
	const double frac[] = { 1, (1 + least) / 2, least, least };
	struct drive_inputs in = inputs(BENCH_CURRENT, 100);
	struct drive d = { 0 };

	(void)state;
	for (int i = 0; i < 4; i++) {
		in.winding_degC = degC[i];
		go(&d, &k, &in, 100);
		assert_near(d.wanted_A, frac[i] * k.physics.drive.limit_A, 1e-9);
		assert_int_equal((d.flags & BENCH_DRIVE_DERATING) != 0, i > 0);
	}
}

static void drop_out_latches(void **state)
{
	struct world_config k = kit_config(1);
	struct drive_inputs in = inputs(BENCH_CURRENT, 3);
	struct drive d = { 0 };

	(void)state;
	go(&d, &k, &in, 100);
	in.bus_V = 35.9;
	go(&d, &k, &in, 1);
	assert_int_equal(d.flags, BENCH_DRIVE_UNDERVOLTAGE);
	in.bus_V = 48;
	go(&d, &k, &in, 10000);
	assert_false(d.enabled);
	drive_restart(&d);
	go(&d, &k, &in, 100);
	assert_true(d.enabled);
}

static void a_low_bus_is_no_fault_while_the_drive_is_off(void **state)
{
	struct world_config k = kit_config(1);
	struct drive_inputs in = inputs(BENCH_OFF, 0);
	struct drive d = { 0 };

	(void)state;
	in.bus_V = 0;
	go(&d, &k, &in, 1000);
	assert_int_equal(d.flags, 0);
	in.mode = BENCH_CURRENT;
	in.bus_V = k.physics.drive.ready_V - 1; /* above the drop-out, not good enough to start */
	go(&d, &k, &in, 1000);
	assert_false(d.enabled);
	assert_int_equal(d.flags, 0);
}

static void overspeed_trips(void **state)
{
	struct world_config k = kit_config(1);
	struct drive_inputs in = inputs(BENCH_CURRENT, 3);
	struct drive d = { 0 };

	(void)state;
	go(&d, &k, &in, 100);
	in.rotor_rad_per_s = -1.01 * k.physics.drive.overspeed_rad_per_s;
	go(&d, &k, &in, 1);
	assert_int_equal(d.flags, BENCH_DRIVE_OVERSPEED);
}

/* Speed loop on a bare inertia: the ramp is the drive's own, no error is left, little overshoot. */
static void speed_loop_follows_its_ramp_and_settles(void **state)
{
	struct world_config k = kit_config(1);
	struct drive_inputs in = inputs(BENCH_SPEED, 200);
	struct drive d = { 0 };
	double most = 0, half_s = 0, j = k.physics.motor.inertia_kgm2;

	(void)state;
	for (int i = 1; i <= 5000; i++) {
		go(&d, &k, &in, 1);
		in.rotor_rad_per_s += 1e-3 * 0.1 * d.wanted_A / j;
		most = fmax(most, in.rotor_rad_per_s);
		if (half_s <= 0 && in.rotor_rad_per_s > 100)
			half_s = i * 1e-3;
	}
	assert_near(in.rotor_rad_per_s, 200, 0.01);
	assert_true(most < 210);
	assert_near(half_s, k.physics.drive.start_s + 100 / k.physics.drive.ramp_rad_per_s2, 0.03);
}

/* 75 rad/s allowed on a bare inertia: it gets there with its torque and no further, either way, and a load that is too
 * heavy for it gets the torque in full. */
static void torque_mode_keeps_its_speed_limit(void **state)
{
	struct world_config k = kit_config(1);
	double j = k.physics.motor.inertia_kgm2;

	(void)state;
	for (int way = -1; way <= 1; way += 2) {
		struct drive_inputs in = inputs(BENCH_TORQUE, 2 * way);
		struct drive d = { 0 };
		double most = 0, soonest_s = 75 * j / 0.2;
		int ms = 0;

		in.limit_rad_per_s = 75;
		go(&d, &k, &in, 60);
		assert_near(d.wanted_A, 2 * way, 1e-12);
		for (; ms < 3000; ms++) {
			in.rotor_rad_per_s += 1e-3 * 0.1 * d.wanted_A / j;
			most = fmax(most, fabs(in.rotor_rad_per_s));
			go(&d, &k, &in, 1);
			assert_true(fabs(d.wanted_A) <= 2 + 1e-12 || d.wanted_A * way < 0);
			if (ms * 1e-3 < 0.5 * soonest_s)
				assert_near(d.wanted_A, 2 * way, 1e-12);
		}
		assert_near(in.rotor_rad_per_s, 75 * way, 0.5);
		assert_true(most < 1.25 * 75);
		in.rotor_rad_per_s = 0; /* locked: all of it comes back */
		go(&d, &k, &in, 500);
		assert_near(d.wanted_A, 2 * way, 1e-12);
		in.value = 50 * way;
		go(&d, &k, &in, 500);
		assert_near(d.wanted_A, k.physics.drive.limit_A * way, 1e-12);
		assert_true(d.flags & BENCH_DRIVE_LIMITED);
	}
}

/* 20 rad both ways from wherever it stands, no faster than 10 rad/s. */
static void position_mode_turns_slowly_and_stays(void **state)
{
	struct world_config k = kit_config(1);
	double j = k.physics.motor.inertia_kgm2, turned = 0, fastest = 0;
	struct drive_inputs in = inputs(BENCH_POSITION, 20);
	struct drive d = { 0 };

	(void)state;
	in.limit_rad_per_s = 10;
	for (int i = 0; i < 12000; i++) {
		go(&d, &k, &in, 1);
		in.rotor_rad_per_s += 1e-3 * 0.1 * d.wanted_A / j;
		turned += 1e-3 * in.rotor_rad_per_s;
		fastest = fmax(fastest, fabs(in.rotor_rad_per_s));
		if (i == 5000) {
			assert_near(turned, 20, 0.05);
			in.value = -5;
		}
	}
	assert_near(turned, -5, 0.05);
	assert_true(fastest > 9.5 && fastest < 12);
	in.mode = BENCH_OFF;
	go(&d, &k, &in, 10);
	in = inputs(BENCH_POSITION, 1); /* begun anew, it counts from there */
	in.limit_rad_per_s = 10;
	for (int i = 0; i < 3000; i++) {
		go(&d, &k, &in, 1);
		in.rotor_rad_per_s += 1e-3 * 0.1 * d.wanted_A / j;
		turned += 1e-3 * in.rotor_rad_per_s;
	}
	assert_near(turned, -4, 0.05);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(current_mode_clamps_and_says_so),
		cmocka_unit_test(heat_lowers_the_limit),
		cmocka_unit_test(drop_out_latches),
		cmocka_unit_test(a_low_bus_is_no_fault_while_the_drive_is_off),
		cmocka_unit_test(overspeed_trips),
		cmocka_unit_test(speed_loop_follows_its_ramp_and_settles),
		cmocka_unit_test(torque_mode_keeps_its_speed_limit),
		cmocka_unit_test(position_mode_turns_slowly_and_stays),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
