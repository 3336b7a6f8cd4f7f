/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/unit/bench/world_kit.h"

#include "calib/number/units.h"

/* A run with everything in it: power, ramp, load, overload, stop. */
static void story(struct world *w)
{
	kit_power(w);
	kit_drive(w, 2, "speed 28800 0");
	kit_drive(w, 2, "speed 28800 400");
	kit_drive(w, 2, "speed 20000 700");
	kit_drive(w, 1, "current 3000 100");
	kit_send(w, "safe");
	kit_go(w, 2);
}

static void energy_balances(void **state)
{
	(void)state;
	for (uint64_t seed = 1; seed <= 4; seed++) {
		struct world_config k = kit_config(seed);
		struct world *w = kit_world(&k);
		struct world_energy e;

		print_message("# seed %d\n", (int)seed);
		story(w);
		e = world_energy(w);
		assert_true(e.source_J > 1000);
		assert_near((e.lost_J + e.slip_J + e.stored_J) / e.source_J, 1, 2e-4);
		world_free(w);
	}
}

/* Efficiency chain of a steady point: input = shaft + losses, each by its own account. */
static void steady_power_balances_at_the_terminals(void **state)
{
	struct world_config k = kit_config(2);
	struct world *w = kit_world(&k);
	struct truth_sums from;
	struct actuator_energy lost;
	double stored, input, shaft, losses, flange;

	(void)state;
	kit_power(w);
	kit_drive(w, 4, "speed 28800 400");
	from = w->sums;
	lost = w->actuator.lost;
	stored = actuator_stored_J(&w->actuator);
	kit_drive(w, 4, "speed 28800 400");
	input = w->sums.electric_J - from.electric_J;
	shaft = w->sums.work_J - from.work_J;
	losses = w->actuator.lost.copper_J - lost.copper_J + w->actuator.lost.inverter_J - lost.inverter_J +
		 w->actuator.lost.iron_J - lost.iron_J + w->actuator.lost.gear_J - lost.gear_J +
		 actuator_stored_J(&w->actuator) - stored;
	assert_near((shaft + losses) / input, 1, 5e-4);
	/* What the flange brings goes into the brake and the bearing before it, but for shaft and cradle's own small
	 * motion. */
	flange = w->sums.torque_Nms - from.torque_Nms;
	assert_near((w->sums.brake_Nms - from.brake_Nms + 4 * k.physics.coupling.bearing_Nm) / flange, 1, 2e-4);
	assert_near((w->sums.brake_work_J - from.brake_work_J) / (w->sums.brake_Nms - from.brake_Nms), shaft / flange,
		    1e-3);
	world_free(w);
}

/* T = m g L (1 - rho_air/rho) cos(level), summed over what hangs, read as counts against the cell's own gain. */
static void weights_pull_as_they_should(void **state)
{
	struct world_config k = kit_config(11);
	struct world *w;
	double zero, want, got;
	const struct true_rig *t;

	(void)state;
	kit_without_strays(&k.physics);
	k.physics.cell.bend_frac = k.physics.cell.memory_frac = k.physics.cell.wander_Nm = k.physics.cell.noise_Nm = 0;
	strcpy(k.stated.text[STATED_CREEP], "0");
	strcpy(k.stated.text[STATED_GAIN_DRIFT], "0 1/K");
	strcpy(k.stated.text[STATED_ZERO_DRIFT], "0 N.m/K");
	w = kit_world(&k);
	t = &w->truth;
	assert_null(kit_hand(w, "uncouple"));
	assert_null(kit_hand(w, "arm on"));
	kit_go(w, 20);
	zero = w->cell.count;
	assert_null(kit_hand(w, "hang hanger"));
	assert_null(kit_hand(w, "hang w2"));
	kit_go(w, 30);
	want = 0;
	for (size_t i = 0; i < t->n_pieces; i++)
		if (i != 1) /* w1 does not hang */
			want += t->mass_kg[i] * t->gravity_m_per_s2 * t->arm_m *
				(1 - t->air_density_kg_per_m3 / t->density_kg_per_m3[i]) *
				cos(t->arm_level_deg * UNITS_PI / 180);
	got = (w->cell.count - zero) / k.physics.cell.gain_count * 60;
	assert_near(got, want, 5e-4); /* buoyancy alone is 1.9e-3 */
	assert_near(t->mass_kg[0], 0.512, 1e-3);
	assert_near(t->mass_kg[2], 2, 2 * 50e-6 * 2); /* M1 2 kg: 100 mg, OIML R 111-1 table 1 */
	world_free(w);
}

/* A coupled gearbox keeps the shaft still, and the brake's drag then holds back part of the load: hysteresis. */
static void coupled_gearbox_shows_as_hysteresis(void **state)
{
	double loop[2];

	(void)state;
	for (int coupled = 0; coupled < 2; coupled++) {
		struct world_config k = kit_config(12);
		struct world *w;
		double up;

		k.physics.cell.memory_frac = k.physics.gear.backlash_rad =
			0; /* with play the shaft may follow the cradle */
		w = kit_world(&k);
		kit_hand(w, coupled ? "couple" : "uncouple");
		kit_hand(w, "arm on");
		kit_hand(w, "hang hanger");
		kit_go(w, 20);
		kit_hand(w, "hang w2");
		kit_go(w, 30);
		up = w->cell.count;
		kit_hand(w, "hang w1");
		kit_go(w, 30);
		kit_hand(w, "unhang w1");
		kit_go(w, 30);
		loop[coupled] = (w->cell.count - up) / k.physics.cell.gain_count * 60;
		world_free(w);
	}
	print_message("# loop uncoupled %.4f, coupled %.4f N.m\n", loop[0], loop[1]);
	assert_near(loop[0], 0, 0.03);
	assert_true(loop[1] > 0.2);
}

/* Torque of one loading after the other: the same weights with a load line that is seated anew, and a weight that pulls
 * on one side. Standard deviation of 40 within 4.5 of its own errors. */
static void a_loading_never_comes_to_lie_twice_alike(void **state)
{
	struct world_config k = kit_config(17);
	double sum = 0, squares = 0, plain, lengths;
	const int n = 40;
	struct world *w;

	(void)state;
	kit_without_strays(&k.physics);
	k.physics.lever.seat_m = 0.2e-3;
	k.physics.lever.one_sided_frac = 0.01;
	k.physics.lever.arm_Nm = 0;
	w = kit_world(&k);
	kit_hand(w, "arm on");
	plain = w->truth.mass_kg[0] * w->truth.gravity_m_per_s2 *
		(1 - w->truth.air_density_kg_per_m3 / w->truth.density_kg_per_m3[0]) *
		cos(w->truth.arm_level_deg * UNITS_PI / 180);
	for (int i = 0; i < n; i++) {
		assert_null(kit_hand(w, "hang hanger"));
		lengths = w->hands.weight_Nm / plain / 1.01 - w->truth.arm_m;
		sum += lengths;
		squares += lengths * lengths;
		assert_null(kit_hand(w, "unhang hanger"));
	}
	assert_near(sum / n, 0, 4.5 * 0.2e-3 / sqrt(n));
	assert_near(sqrt(squares / n), 0.2e-3, 4.5 * 0.2e-3 / sqrt(2.0 * n));
	world_free(w);
}

/* Up by the amplitude a quarter of the period on, down by it three quarters on. */
static void the_supply_breathes(void **state)
{
	struct world_config k = kit_config(18);
	struct world *w;
	double middle, up, down;

	(void)state;
	kit_without_strays(&k.physics);
	k.physics.supply.breath_frac = 0.01;
	k.physics.supply.breath_s = 8;
	w = kit_world(&k);
	middle = k.rig.supply_V * k.physics.supply.voltage_gain;
	kit_send(w, "power on");
	for (int i = 0; i < 4; i++)
		kit_drive(w, 0.5, "off 0 10");
	up = w->supply.bus_V;
	for (int i = 0; i < 8; i++)
		kit_drive(w, 0.5, "off 0 10");
	down = w->supply.bus_V;
	/* 48 V are far above what the standby current lets fall in cable and supply. */
	assert_near(up / middle, 1.01, 2e-4);
	assert_near(down / middle, 0.99, 2e-4);
	world_free(w);
}

/* The fault lasts, breathing or not, until it is mended. */
static void a_supply_that_sags_stays_so(void **state)
{
	struct world_config k = kit_config(18);
	struct world *w;
	char name[] = "supply-sag", volts[] = "20", *fault[] = { name, volts };

	(void)state;
	kit_without_strays(&k.physics);
	w = kit_world(&k);
	kit_send(w, "power on");
	kit_drive(w, 0.5, "off 0 10");
	assert_true(w->supply.bus_V > 40);
	assert_null(faults_begin(w, fault, 2));
	for (int i = 0; i < 8; i++) /* the drive's own capacitors empty slowly */
		kit_drive(w, 0.5, "off 0 10");
	assert_near(w->supply.bus_V, 20, 0.1);
	faults_mend(w);
	kit_drive(w, 0.5, "off 0 10");
	assert_true(w->supply.bus_V > 40);
	world_free(w);
}

static void brake_holds_at_standstill(void **state)
{
	struct world_config k = kit_config(4);
	struct world *w = kit_world(&k);
	double angle;

	(void)state;
	kit_power(w);
	kit_drive(w, 1, "current 0 600");
	kit_drive(w, 1, "current 3000 600"); /* some 10 N.m against 29 and more */
	angle = w->shaft.angle_rad - w->shaft.cradle_rad;
	kit_drive(w, 5, "current 3000 600");
	assert_near(w->shaft.angle_rad - w->shaft.cradle_rad, angle, 1e-12);
	assert_true(w->actuator.output_Nm > 5);
	world_free(w);
}

static void undervoltage_stops_the_drive_until_restarted(void **state)
{
	struct world_config k = kit_config(6);
	struct world *w;

	(void)state;
	k.rig.supply_limit_A = 3; /* a supply that is too small: the classic false verdict */
	w = kit_world(&k);
	kit_power(w);
	kit_drive(w, 3, "speed 28800 500");
	assert_true(w->drive.flags & BENCH_DRIVE_UNDERVOLTAGE);
	assert_false(w->drive.enabled);
	kit_drive(w, 5, "speed 28800 0");
	assert_true(w->supply.bus_V > 45); /* the voltage is back, the drive is not */
	assert_near(w->shaft.rad_per_s - w->shaft.cradle_rad_per_s, 0, 1e-9);
	kit_send(w, "restart");
	assert_true(w->drive.flags & BENCH_DRIVE_UNDERVOLTAGE); /* not while a mode is set */
	kit_drive(w, 0.5, "off 0 0");
	kit_send(w, "restart");
	kit_drive(w, 3, "speed 10000 0");
	assert_near(w->shaft.rad_per_s, rad_per_s_from_rpm(1000 / k.physics.gear.ratio), 0.05);
	world_free(w);
}

/* A crank in place of the actuator: the shaft turns at its speed as long as it is strong enough. */
static void hands_can_turn_the_shaft(void **state)
{
	struct world_config k = kit_config(14);
	struct world *w = kit_world(&k);
	struct world_energy e;

	(void)state;
	assert_null(kit_hand(w, "uncouple"));
	assert_null(kit_hand(w, "turn 30"));
	kit_drive(w, 5, "off 0 250");
	assert_near(w->shaft.rad_per_s, rad_per_s_from_rpm(30), 0.6); /* it lags by 13 N.m / 30 N.m.s */
	assert_true(w->sums.work_J > 100);
	kit_drive(w, 5, "off 0 900"); /* more than an arm can do */
	assert_near(w->shaft.rad_per_s - w->shaft.cradle_rad_per_s, 0, 1e-9);
	assert_null(kit_hand(w, "turn 0"));
	kit_drive(w, 0.5, "off 0 0");
	kit_go(w, 3);
	e = world_energy(w);
	assert_near((e.lost_J + e.slip_J + e.stored_J) / e.source_J, 1, 1e-3);
	world_free(w);
}

/* The meter's plane: at the supply it shows the cable's drop more than at the actuator, by the true cable. */
static void meter_plane_differs_by_the_cable(void **state)
{
	double volt[2], ampere = 0, ohm = 0;

	(void)state;
	for (int i = 0; i < 2; i++) {
		struct world_config k = kit_config(15);
		struct truth_sums from;
		struct world *w;

		k.rig.plane = i == 0 ? PLANE_ACTUATOR : PLANE_SUPPLY;
		w = kit_world(&k);
		kit_power(w);
		kit_drive(w, 4, "speed 28800 500");
		from = w->sums;
		kit_drive(w, 2, "speed 28800 500");
		volt[i] = (w->sums.volt_Vs - from.volt_Vs) / 2;
		ampere = (w->sums.ampere_As - from.ampere_As) / 2;
		ohm = w->truth.cable_ohm;
		world_free(w);
	}
	assert_true(ampere > 5);
	assert_near(volt[1] - volt[0], ampere * ohm, 1e-3);
}

/* The lease: torque off and contactor open at once, the brake kept until the shaft stands, then released. */
static void dead_host_ends_in_the_right_order(void **state)
{
	struct world_config k = kit_config(8);
	struct world *w = kit_world(&k);
	int64_t off_us = 0, open_us = 0, still_us = 0, release_us = 0, begin;

	(void)state;
	kit_power(w);
	kit_drive(w, 3, "speed 28800 200");
	begin = w->now_us;
	for (int i = 0; i < 5000 && release_us == 0; i++) {
		kit_go(w, 0.001);
		if (off_us == 0 && w->node.orders.mode == BENCH_OFF)
			off_us = w->now_us;
		if (open_us == 0 && !w->contactor.closed)
			open_us = w->now_us;
		if (still_us == 0 && fabs(w->shaft.rad_per_s - w->shaft.cradle_rad_per_s) < 1e-9)
			still_us = w->now_us;
		if (off_us != 0 && w->node.orders.brake_mA == 0)
			release_us = w->now_us;
		else if (off_us != 0)
			assert_true(w->node.orders.brake_mA == 600); /* half of the largest: more than what was set */
	}
	/* kit_drive renews every half second with a lease of 1 s: it has half a second to run. */
	assert_near((double)(off_us - begin), 500000, 1100);
	assert_near((double)(open_us - off_us), k.physics.contactor.open_s * 1e6, 1100);
	assert_true(still_us > off_us && still_us < release_us);
	assert_true(release_us - still_us >= 250000 && release_us - still_us < 400000);
	assert_int_equal(w->node.state, NODE_SIDE_SAFE);
	world_free(w);
}

static void same_seed_gives_the_same_bytes(void **state)
{
	char *text[2] = { 0 };
	size_t n[2] = { 0 };

	(void)state;
	for (int i = 0; i < 2; i++) {
		struct world_config k = kit_config(21);
		struct world *w = kit_world(&k);
		char buf[300];
		size_t got;

		kit_seq = 0;
		text[i] = calloc(1, 200000);
		kit_power(w);
		kit_send(w, "rate 100 20");
		for (int j = 0; j < 400; j++) {
			if (j % 10 == 0)
				kit_send(w, "set 300 speed 20000 300");
			/* The second time in other portions: what is due by a time does not depend on them. */
			world_advance(w, w->now_us + (i == 0 ? 10000 : 4000));
			while (i == 0 && (got = world_take(w, buf, sizeof buf)) > 0) {
				memcpy(text[i] + n[i], buf, got);
				n[i] += got;
			}
			if (i == 1) {
				world_advance(w, w->now_us + 6000);
				while ((got = world_take(w, buf, 7)) > 0) {
					memcpy(text[i] + n[i], buf, got);
					n[i] += got;
				}
			}
		}
		world_free(w);
	}
	assert_true(n[0] > 20000);
	assert_int_equal(n[0], n[1]);
	assert_memory_equal(text[0], text[1], n[0]);
	free(text[0]);
	free(text[1]);
}

struct means {
	double torque, speed, power, input, cell;
};

static struct means steady(int step_us, const char *set)
{
	struct world_config k = kit_config(31);
	struct truth_sums a, b;
	struct world *w;
	double count = 0;

	k.step_us = step_us;
	w = kit_world(&k);
	kit_power(w);
	kit_drive(w, 5, set);
	a = w->sums;
	for (int i = 0; i < 16; i++) {
		kit_drive(w, 0.5, set);
		count += w->cell.count;
	}
	b = w->sums;
	world_free(w);
	return (struct means){ (b.torque_Nms - a.torque_Nms) / 8, (b.angle_rad - a.angle_rad) / 8,
			       (b.work_J - a.work_J) / 8, (b.electric_J - a.electric_J) / 8, count / 16 };
}

/* Halving the step twice moves no mean by more than a tenth of what a run's noise moves it: torque noise of the brake
 * over 8 s is 0.5 % * sqrt(2 * 0.08 s / 8 s) = 0.07 %. */
static void halving_the_step_changes_nothing(void **state)
{
	static const char *const sets[] = { "speed 28800 400", "speed 30600 760", "speed 9000 100",
					    "current 5000 300" };

	(void)state;
	for (size_t i = 0; i < sizeof sets / sizeof sets[0]; i++) {
		struct means coarse = steady(50, sets[i]), fine = steady(25, sets[i]);

		assert_near(fine.torque / coarse.torque, 1, 7e-5);
		assert_near(fine.speed / coarse.speed, 1, 2e-4);
		assert_near(fine.power / coarse.power, 1, 2e-4);
		assert_near(fine.input / coarse.input, 1, 2e-4);
	}
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(energy_balances),
		cmocka_unit_test(steady_power_balances_at_the_terminals),
		cmocka_unit_test(weights_pull_as_they_should),
		cmocka_unit_test(coupled_gearbox_shows_as_hysteresis),
		cmocka_unit_test(a_loading_never_comes_to_lie_twice_alike),
		cmocka_unit_test(the_supply_breathes),
		cmocka_unit_test(a_supply_that_sags_stays_so),
		cmocka_unit_test(brake_holds_at_standstill),
		cmocka_unit_test(undervoltage_stops_the_drive_until_restarted),
		cmocka_unit_test(hands_can_turn_the_shaft),
		cmocka_unit_test(meter_plane_differs_by_the_cable),
		cmocka_unit_test(dead_host_ends_in_the_right_order),
		cmocka_unit_test(same_seed_gives_the_same_bytes),
		cmocka_unit_test(halving_the_step_changes_nothing),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
