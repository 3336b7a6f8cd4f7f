/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/brake.h"
#include "bench/draw.h"
#include "calib/number/units.h"
#include "tests/unit/bench/world_kit.h"

#include <math.h>

#define MAX_A 1.2
#define RATED_NM 50.0

static void start(struct brake *b, struct world_config *k, gsl_rng **rng)
{
	*k = kit_config(3);
	k->physics.brake.uneven_frac = k->physics.brake.uneven_turn_frac = 0;
	*rng = draw_new(3, "test.brake");
	brake_init(b, &k->physics, MAX_A, RATED_NM, *rng);
}

/* Turning at 8 rad/s and cold, for so many milliseconds. */
static void turn(struct brake *b, double ampere, int ms)
{
	static double angle;

	b->wanted_A = ampere;
	for (int i = 0; i < ms; i++)
		brake_tick(b, angle += 8e-3, 8, 20, 20);
}

static void only_ever_takes_energy_out(void **state)
{
	struct world_config k;
	struct brake b;
	gsl_rng *rng;
	bool stuck = false;

	(void)state;
	start(&b, &k, &rng);
	k.physics.brake.uneven_frac = 0.5; /* far worse than any brake */
	print_message("# seed 3\n");
	for (int i = 0; i < 20000; i++) {
		double free = 20 * draw_normal(rng), reduced = 0.02, impulse, after;

		b.wanted_A = MAX_A * gsl_rng_uniform(rng);
		brake_tick(&b, i * 0.01, free, 20 + 200 * gsl_rng_uniform(rng), 20);
		assert_true(b.friction_Nm >= 0);
		free *= gsl_rng_uniform(rng) < 0.5 ? 1e-3 : 1;
		impulse = brake_impulse(&b, free, reduced, 50e-6, &stuck);
		after = free - impulse / reduced;
		assert_true(impulse * free >= 0);
		assert_true(fabs(after) <= fabs(free));
		assert_true(after * free >= 0 || fabs(after) < 1e-12);
	}
	gsl_rng_free(rng);
}

static void sticks_at_rest_until_the_breakaway_torque(void **state)
{
	struct world_config k;
	struct brake b;
	gsl_rng *rng;
	double most, h = 50e-6;
	bool stuck = true;

	(void)state;
	start(&b, &k, &rng);
	turn(&b, 0.5, 2000);
	most = b.friction_Nm * k.physics.brake.breakaway;
	assert_near(brake_impulse(&b, 0.999 * most * h / 0.02, 0.02, h, &stuck), 0.999 * most * h, 1e-12);
	assert_true(stuck);
	assert_near(brake_impulse(&b, 1.001 * most * h / 0.02, 0.02, h, &stuck), b.friction_Nm * h, 1e-12);
	assert_false(stuck);
	/* Moving, it takes the running torque to bring it to rest, not the breakaway torque. */
	assert_near(brake_impulse(&b, 1.05 * b.friction_Nm * h / 0.02, 0.02, h, &stuck), b.friction_Nm * h, 1e-12);
	assert_false(stuck);
	gsl_rng_free(rng);
}

static void torque_rises_with_current_and_remembers(void **state)
{
	struct world_config k;
	struct brake b;
	gsl_rng *rng;
	double rising[7], last = -1;

	(void)state;
	start(&b, &k, &rng);
	for (int i = 0; i <= 6; i++) {
		turn(&b, 0.2 * i, 20000);
		rising[i] = b.torque_Nm;
		assert_true(rising[i] > last);
		last = rising[i];
	}
	/* Full torque at full current but for the current reading's gain and the fade from 20 degC. */
	assert_near(rising[6], RATED_NM * k.physics.brake.torque_gain, 0.01 * RATED_NM);
	for (int i = 5; i >= 0; i--) {
		turn(&b, 0.2 * i, 2000);
		assert_true(b.torque_Nm > rising[i]);
	}
	assert_true(b.torque_Nm > 0.05 && b.torque_Nm < 0.05 * RATED_NM); /* remanence */
	gsl_rng_free(rng);
}

/* Time to 63 % of a step: the sum of the lags in a row (for the mean residence time, exactly; here within a band), and
 * the fall through the diode is slower than the rise under the driver's voltage. */
static void lags_behind_its_current(void **state)
{
	struct world_config k;
	struct brake b;
	gsl_rng *rng;
	double area = 0, final, coil_s;

	(void)state;
	start(&b, &k, &rng);
	turn(&b, 0.3, 20000);
	turn(&b, 0.29, 20000);
	final = b.current_A * 0.28 / 0.29;
	for (int i = 0; i < 1000; i++) {
		turn(&b, 0.28, 1);
		area += (b.current_A - final) * 1e-3;
	}
	/* Small step: the driver's own lag rules, or the coil's L/R when that is slower (no voltage against the fall).
	 */
	coil_s = k.physics.brake.coil_henry / k.physics.brake.coil_ohm;
	assert_true(area / (0.01 / k.physics.brake.readback_gain) >= k.physics.brake.driver_lag_s * 0.9);
	assert_true(area / (0.01 / k.physics.brake.readback_gain) <= coil_s);
	turn(&b, 0, 5000);
	for (int i = 0; i < 1 + (int)(coil_s * 1e3); i++)
		turn(&b, 1.2, 1);
	assert_true(b.current_A > 0.7 * 1.2); /* the driver's 24 V are more than the coil needs: faster than L/R */
	gsl_rng_free(rng);
}

static void falling_current_runs_down_by_the_coils_time_constant(void **state)
{
	struct world_config k;
	struct brake b;
	gsl_rng *rng;
	double from;

	(void)state;
	start(&b, &k, &rng);
	turn(&b, 1.0, 5000);
	from = b.current_A;
	turn(&b, 0, 50);
	assert_near(b.current_A, from * exp(-0.05 * k.physics.brake.coil_ohm / k.physics.brake.coil_henry), 1e-9);
	gsl_rng_free(rng);
}

static void fades_when_hot(void **state)
{
	struct world_config k;
	struct brake b;
	gsl_rng *rng;
	double cold;

	(void)state;
	start(&b, &k, &rng);
	turn(&b, 0.8, 60000);
	cold = b.torque_Nm;
	for (int i = 0; i < 2000; i++)
		brake_tick(&b, 0, 8, 150, 20);
	assert_near(b.torque_Nm / cold, 1 - k.physics.brake.fade_per_K * 130 - k.physics.brake.fade_hot_per_K * 30,
		    1e-3);
	gsl_rng_free(rng);
}

static void driver_limits_and_reads_back(void **state)
{
	struct world_config k;
	struct brake b;
	gsl_rng *rng;

	(void)state;
	start(&b, &k, &rng);
	turn(&b, 0.6, 3000);
	assert_near(brake_readback_A(&b), 0.6, 1e-6); /* it goes by its own reading */
	assert_near(b.current_A * k.physics.brake.readback_gain, 0.6, 1e-6);
	k.physics.brake.driver_V = 5; /* not enough for 1.2 A through 14 ohm and more */
	turn(&b, 1.2, 3000);
	assert_near(b.current_A, 5 / k.physics.brake.coil_ohm, 1e-6);
	b.off = true;
	turn(&b, 1.2, 10);
	assert_near(brake_readback_A(&b), 0, 1e-12);
	gsl_rng_free(rng);
}

static double frozen(struct brake *b, double ampere)
{
	turn(b, ampere, 5000);
	b->wanted_A = 0;
	for (int i = 0; i < 2000; i++)
		brake_tick(b, 0, 0, 20, 20);
	return b->cogging_Nm;
}

/* 8 rad/s are 1.273 turns a second. */
static void poles_freeze_where_the_current_falls_and_fade_with_turns(void **state)
{
	struct world_config k;
	struct brake b;
	gsl_rng *rng;
	double given_up, at_rest;

	(void)state;
	start(&b, &k, &rng);
	k.physics.brake.cogging_frac = 0.1;
	k.physics.brake.cogging_fade_rev = 5;
	turn(&b, 1.0, 20000);
	given_up = b.torque_Nm;
	at_rest = frozen(&b, 1.0);
	/* All of the torque is given up but what the remanence keeps (below 2 %): a tenth of it stays. */
	assert_near(at_rest, 0.1 * given_up, 0.003 * given_up);
	/* Without current: a factor e in 5 turns, 3.927 s. */
	turn(&b, 0, 3927);
	assert_near(b.cogging_Nm, at_rest * exp(-1), 1e-3 * at_rest);
	gsl_rng_free(rng);
}

/* Current up and down while turning, each in so many milliseconds. */
static void ramp(struct brake *b, double ampere, int ms)
{
	for (int i = 0; i < ms; i++)
		turn(b, ampere * i / ms, 1);
	for (int i = ms; i > 0; i--)
		turn(b, ampere * i / ms, 1);
}

static void poles_are_cleared_by_a_ramp_while_turning(void **state)
{
	struct world_config k;
	struct brake b;
	gsl_rng *rng;
	double at_rest;

	(void)state;
	start(&b, &k, &rng);
	k.physics.brake.cogging_frac = 0.1;
	at_rest = frozen(&b, 1.0);
	assert_true(at_rest > 1);
	ramp(&b, 0.6, 8000); /* ten turns up, ten turns down: of the torque given up on the way some 0.3/10 is left */
	turn(&b, 0, 500);
	assert_true(b.cogging_Nm < 0.05 * at_rest);
	/* A current that falls faster than the rotor turns leaves poles although it turns. */
	turn(&b, 1.0, 5000);
	turn(&b, 0, 500);
	assert_true(b.cogging_Nm > 0.3 * at_rest);
	gsl_rng_free(rng);
}

/* Their drag is friction: uneven in the turn, as much as is stated in the mean over a turn. */
static void poles_drag_cog_by_cog(void **state)
{
	struct world_config k;
	struct brake b;
	gsl_rng *rng;
	double sum = 0, most = 0, plain;

	(void)state;
	start(&b, &k, &rng);
	k.physics.brake.cogging_frac = 0.1;
	k.physics.brake.cogging_fade_rev = 1e9;
	k.physics.brake.cogging_ripple = 0.4;
	frozen(&b, 1.0);
	plain = k.physics.brake.drag_Nm + k.physics.brake.drag_Nms * 1;
	for (int i = 0; i < 2400; i++) { /* a turn at 1 rad/s, as seen from 2400 angles */
		brake_tick(&b, i * 2 * UNITS_PI / 2400, 1, 20, 20);
		sum += b.friction_Nm - b.torque_Nm;
		most = fmax(most, b.friction_Nm - b.torque_Nm);
	}
	assert_near(sum / 2400, plain + b.cogging_Nm, 2e-3 * b.cogging_Nm);
	assert_near(most, plain + 1.4 * b.cogging_Nm, 2e-3 * b.cogging_Nm);
	gsl_rng_free(rng);
}

/* Back over forward is the ratio that rig.ini's drag_ratio bounds. */
static void is_not_quite_alike_both_ways(void **state)
{
	struct world_config k;
	struct brake b;
	gsl_rng *rng;
	double forward;

	(void)state;
	start(&b, &k, &rng);
	b.drag_ratio = 0.97;
	turn(&b, 0.5, 3000);
	forward = b.friction_Nm;
	brake_tick(&b, 0, -8, 20, 20);
	assert_near(forward / b.friction_Nm, 1 / 0.97, 1e-4);
	gsl_rng_free(rng);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(only_ever_takes_energy_out),
		cmocka_unit_test(sticks_at_rest_until_the_breakaway_torque),
		cmocka_unit_test(torque_rises_with_current_and_remembers),
		cmocka_unit_test(lags_behind_its_current),
		cmocka_unit_test(falling_current_runs_down_by_the_coils_time_constant),
		cmocka_unit_test(fades_when_hot),
		cmocka_unit_test(driver_limits_and_reads_back),
		cmocka_unit_test(poles_freeze_where_the_current_falls_and_fade_with_turns),
		cmocka_unit_test(poles_are_cleared_by_a_ramp_while_turning),
		cmocka_unit_test(poles_drag_cog_by_cog),
		cmocka_unit_test(is_not_quite_alike_both_ways),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
