/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/meter.h"
#include "bench/contactor.h"
#include "bench/draw.h"
#include "tests/unit/bench/world_kit.h"

static void averages_with_gain_and_offset(void **state)
{
	const struct meter_truth truth = {
		.volt_gain = 1.01, .amp_gain = 0.98, .volt_offset_V = 0.1, .amp_offset_A = -0.02
	};
	gsl_rng *rng = draw_new(1, "test.meter");
	struct meter m;
	double volt, ampere, ripple;

	(void)state;
	meter_init(&m, &truth, rng);
	for (int i = 0; i < 200; i++)
		meter_add(&m, i < 100 ? 40 : 48, i < 50 ? 8 : 0);
	meter_read(&m, &volt, &ampere, &ripple);
	assert_near(volt, 44 * 1.01 + 0.1, 1e-9);
	assert_near(ampere, 2 * 0.98 - 0.02, 1e-9);
	/* 44 V and 2 A in the mean; v i: 40 x 8 in the first 50 of 200, else 0. Offsets add nothing, gains do. */
	assert_near(ripple, (80 - 88) * 1.01 * 0.98, 1e-9);
	meter_add(&m, 10, 1); /* a new average begins */
	meter_read(&m, &volt, &ampere, &ripple);
	assert_near(volt, 10.2, 1e-9);
	meter_read(&m, &volt, &ampere, &ripple); /* nothing since: the last one again */
	assert_near(volt, 10.2, 1e-9);
	gsl_rng_free(rng);
}

static void noise_has_its_standard_deviation(void **state)
{
	const struct meter_truth truth = { .volt_gain = 1, .amp_gain = 1, .noise_V = 0.004, .noise_A = 0.002 };
	gsl_rng *rng = draw_new(1, "test.meter");
	struct meter m;
	double volt, ampere, ripple, vv = 0, aa = 0, va = 0;
	const int n = 5000;

	(void)state;
	meter_init(&m, &truth, rng);
	for (int i = 0; i < n; i++) {
		meter_add(&m, 0, 0);
		meter_read(&m, &volt, &ampere, &ripple);
		vv += volt * volt;
		aa += ampere * ampere;
		va += volt * ampere;
	}
	assert_near(sqrt(vv / n), 0.004, 4.5 * 0.004 / sqrt(2.0 * n));
	assert_near(sqrt(aa / n), 0.002, 4.5 * 0.002 / sqrt(2.0 * n));
	assert_near(va / sqrt(vv * aa), 0, 4.5 / sqrt(n)); /* independent */
	gsl_rng_free(rng);
}

/* A ripple that makes the voltage fall as the current rises: the product of the means is more than the mean of the
 * product. */
static void ripple_makes_the_product_of_means_too_large(void **state)
{
	const struct meter_truth truth = { .volt_gain = 1, .amp_gain = 1, .ripple_frac = 0.001 };
	gsl_rng *rng = draw_new(1, "test.meter");
	struct meter m;
	double volt, ampere, ripple;

	(void)state;
	meter_init(&m, &truth, rng);
	for (int i = 0; i < 200; i++)
		meter_add(&m, 48, 5); /* 240 W */
	meter_read(&m, &volt, &ampere, &ripple);
	assert_near(volt * ampere, 240 * 1.001, 1e-9);
	assert_near(volt * ampere + ripple, 240, 1e-9); /* what the node tells makes it whole */
	gsl_rng_free(rng);
}

static void run(struct contactor *c, int ms)
{
	for (int i = 0; i < ms; i++)
		contactor_tick(c, 1e-3, 0.030, 0.015);
}

/* The stop chain is wired: no command closes the contactor against it. */
static void contactor_obeys_the_chain(void **state)
{
	struct contactor c = { .estop_ok = true, .cage_closed = true };

	(void)state;
	c.command = true;
	run(&c, 29);
	assert_false(c.closed);
	run(&c, 2);
	assert_true(c.closed);
	c.estop_ok = false; /* pulled, the command still on */
	run(&c, 14);
	assert_true(c.closed);
	run(&c, 2);
	assert_false(c.closed);
	run(&c, 1000);
	assert_false(c.closed);
	c.estop_ok = true;
	c.cage_closed = false;
	run(&c, 1000);
	assert_false(c.closed);
	c.cage_closed = true;
	run(&c, 31);
	assert_true(c.closed);
	c.welded = true;
	c.command = false;
	run(&c, 1000);
	assert_true(c.closed);
	c.welded = false;
	run(&c, 16);
	assert_false(c.closed);
	c.command = c.dropping = true;
	run(&c, 1000);
	assert_false(c.closed);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(averages_with_gain_and_offset),
		cmocka_unit_test(noise_has_its_standard_deviation),
		cmocka_unit_test(ripple_makes_the_product_of_means_too_large),
		cmocka_unit_test(contactor_obeys_the_chain),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
