/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/cell.h"
#include "bench/draw.h"
#include "tests/unit/bench/world_kit.h"

#include <math.h>

static const struct cell_truth plain = { .full_scale_Nm = 60, .sign = 1 };

/* A cell without noise, drift and bends but what a test puts in. */
static void start(struct cell *c, struct world_config *k, const struct cell_truth *truth, gsl_rng **rng)
{
	*k = kit_config(5);
	k->physics.cell.rate_Hz = 80;
	k->physics.cell.gain_count = 6e6;
	k->physics.cell.zero_count = 1000;
	kit_without_strays(&k->physics);
	k->physics.cell.bend_frac = k->physics.cell.memory_frac = k->physics.cell.noise_Nm = k->physics.cell.wander_Nm =
		0;
	*rng = draw_new(5, "test.cell");
	cell_init(c, &k->physics, truth, *rng);
}

static void load(struct cell *c, double torque_Nm, double seconds, double degC)
{
	double from = c->next_s - c->period_s;

	for (int i = 1; i <= lrint(seconds / 0.00125); i++)
		cell_add(c, torque_Nm, from + i * 0.00125 + 1e-9, degC, degC); /* just past the end of a conversion */
}

static void counts_are_torque_over_full_scale(void **state)
{
	struct world_config k;
	struct cell c;
	gsl_rng *rng;

	(void)state;
	start(&c, &k, &plain, &rng);
	for (double torque = -60; torque < 61; torque += 15) {
		load(&c, torque, 0.05, 20);
		assert_int_equal(c.count, lrint(1000 + torque * 1e5));
	}
	c.truth.sign = -1;
	load(&c, 30, 0.05, 20);
	assert_int_equal(c.count, -(1000 + 3000000));
	gsl_rng_free(rng);
}

static void creeps_by_its_time_constant(void **state)
{
	struct cell_truth truth = plain;
	struct world_config k;
	struct cell c;
	gsl_rng *rng;

	(void)state;
	truth.creep_frac = 0.001;
	start(&c, &k, &truth, &rng);
	for (double t = 100; t < 1001; t += 100) {
		load(&c, 50, 100, 20);
		assert_near((c.count - 1000 - 5e6) / 5e6, 0.001 * (1 - exp(-t / k.physics.cell.creep_s)), 2e-6);
	}
	load(&c, 0, k.physics.cell.creep_s * 30, 20); /* and comes back */
	assert_int_equal(c.count, 1000);
	gsl_rng_free(rng);
}

static void drifts_with_temperature(void **state)
{
	struct cell_truth truth = plain;
	struct world_config k;
	struct cell c;
	gsl_rng *rng;

	(void)state;
	truth.zero_drift_Nm_per_K = 0.01;
	truth.gain_drift_per_K = 1e-4;
	start(&c, &k, &truth, &rng);
	load(&c, 40, 0.05, 30);
	assert_int_equal(c.count, lrint(1000 + (40 * (1 + 1e-4 * 10) + 0.01 * 10) * 1e5));
	gsl_rng_free(rng);
}

/* While the cell lags behind the brake's heat its two ends differ by what is still to come. */
static void thermal_voltage_comes_and_goes_with_the_warming(void **state)
{
	struct world_config k;
	struct cell c;
	gsl_rng *rng;

	(void)state;
	start(&c, &k, &plain, &rng);
	k.physics.cell.emf_Nm_per_K = 0.01;
	k.physics.cell.warm_frac = 0.05;
	for (int i = 1; i <= 4; i++)
		cell_add(&c, 0, i * 0.0125 + 1e-9, 20, 60); /* 40 K over the room: 2 K to come */
	assert_near(c.count, 1000 + 0.01 * 2 * 1e5, 2);
	for (int i = 5; i <= 80 * 6000; i++)
		cell_add(&c, 0, i * 0.0125 + 1e-9, 20, 60); /* ten time constants */
	assert_near(c.count, 1000, 2);
	gsl_rng_free(rng);
}

static void saturates_and_says_so_by_its_ends(void **state)
{
	struct world_config k;
	struct cell c;
	gsl_rng *rng;

	(void)state;
	start(&c, &k, &plain, &rng);
	load(&c, 1000, 0.05, 20);
	assert_int_equal(c.count, 8388607);
	load(&c, -1000, 0.05, 20);
	assert_int_equal(c.count, -8388608);
	gsl_rng_free(rng);
}

static void remembers_and_bends(void **state)
{
	struct world_config k;
	struct cell c;
	gsl_rng *rng;

	(void)state;
	start(&c, &k, &plain, &rng);
	k.physics.cell.bend_frac = 0.0005;
	load(&c, 30, 0.05, 20);
	assert_int_equal(c.count, lrint(1000 + 3e6 + 0.0005 * 6e6)); /* the bow is largest at half scale */
	load(&c, 60, 0.05, 20);
	assert_int_equal(c.count, 1000 + 6000000);
	k.physics.cell.bend_frac = 0;
	play_init(&c.memory, 0.001, 0.2);
	load(&c, 60, 0.05, 20);
	load(&c, 0, 0.05, 20);
	assert_int_equal(c.count, 1000 + 6000); /* zero return: 0.001 of full scale */
	gsl_rng_free(rng);
}

static void converts_at_its_rate_and_averages(void **state)
{
	struct world_config k;
	struct cell c;
	gsl_rng *rng;

	(void)state;
	start(&c, &k, &plain, &rng);
	load(&c, 0, 1, 20);
	assert_int_equal(c.conversion, 80);
	/* Half of a conversion at 20 N.m, half at 40: the mean. */
	for (int i = 1; i <= 10; i++)
		cell_add(&c, i <= 5 ? 20 : 40, 1 + 0.00125 * i + 1e-9, 20, 20);
	assert_int_equal(c.conversion, 81);
	assert_int_equal(c.count, 1000 + 3000000);
	gsl_rng_free(rng);
}

static void noise_has_its_standard_deviation(void **state)
{
	struct world_config k;
	struct cell c;
	gsl_rng *rng;
	double sum = 0, squares = 0;
	const int n = 4000;

	(void)state;
	start(&c, &k, &plain, &rng);
	k.physics.cell.noise_Nm = 0.004;
	for (int i = 0; i < n; i++) {
		load(&c, 10, 0.0125, 20);
		sum += c.count;
		squares += (c.count - 1001000.0) * (c.count - 1001000.0);
	}
	/* Chi-square with 4000 degrees of freedom: 400 counts within 5 % at better than 1 in 1e5; mean within 4.5
	 * s/sqrt n. */
	assert_near(sqrt(squares / n), 400, 20);
	assert_near(sum / n, 1001000, 4.5 * 400 / sqrt(n));
	gsl_rng_free(rng);
}

static void faults_freeze_stall_and_saturate(void **state)
{
	struct world_config k;
	struct cell c;
	gsl_rng *rng;
	uint8_t conversion;
	int32_t count;

	(void)state;
	start(&c, &k, &plain, &rng);
	load(&c, 10, 0.05, 20);
	conversion = c.conversion;
	count = c.count;
	c.fault = CELL_FROZEN;
	load(&c, 20, 0.05, 20);
	assert_int_equal(c.count, count);
	assert_int_equal(c.conversion, conversion + 4);
	c.fault = CELL_STALE;
	load(&c, 20, 0.05, 20);
	assert_int_equal(c.conversion, conversion + 4);
	c.fault = CELL_FULL;
	load(&c, 20, 0.05, 20);
	assert_int_equal(c.count, 8388607);
	gsl_rng_free(rng);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(counts_are_torque_over_full_scale),
		cmocka_unit_test(creeps_by_its_time_constant),
		cmocka_unit_test(drifts_with_temperature),
		cmocka_unit_test(thermal_voltage_comes_and_goes_with_the_warming),
		cmocka_unit_test(saturates_and_says_so_by_its_ends),
		cmocka_unit_test(remembers_and_bends),
		cmocka_unit_test(converts_at_its_rate_and_averages),
		cmocka_unit_test(noise_has_its_standard_deviation),
		cmocka_unit_test(faults_freeze_stall_and_saturate),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
