/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/stated_private.h"
#include "tests/unit/bench/world_kit.h"

#include <math.h>

/* Mean and standard deviation over many seeds, each within 4.5 of its own standard errors, and limits that are never
 * left. The standard deviations are the textbook ones of the shapes (a/sqrt 3, a/sqrt 6, a sqrt((1 + B^2)/6), a/k). */
static void draws_have_the_spread_that_is_written(void **state)
{
	static const struct {
		const char *text, *unit;
		double mean, sd, most;
	} rows[] = {
		{ "10 kg ± 1 kg", "kg", 10, 0.5773502692, 1 },
		{ "10 kg ± 1 kg rect", "kg", 10, 0.5773502692, 1 },
		{ "10 kg +- 1 kg tri", "kg", 10, 0.4082482905, 1 },
		{ "10 kg ± 1 kg trap=0.5", "kg", 10, 0.4564354646, 1 },
		{ "10 kg ± 1 kg normal", "kg", 10, 1, INFINITY },
		{ "10 kg ± 1 kg k=2", "kg", 10, 0.5, INFINITY },
		{ "10.000(50) kg", "kg", 10, 0.05, INFINITY },
		{ "10 kg ± 2 %", "kg", 10, 0.1154700538, 0.2 },
		{ "± 50 ppm", "1", 0, 2.886751346e-5, 50e-6 },
		{ "500.0 mm ± 0.4 mm k=2", "m", 0.5, 2e-4, INFINITY },
		{ "500.0 ± 0.4 mm", "m", 0.5, 2.309401077e-4, 4e-4 },
		{ "(250.0 ± 0.2) mm", "m", 0.25, 1.154700538e-4, 2e-4 },
		{ "0 % ± 0.02 %", "1", 0, 1.154700538e-4, 2e-4 },
		{ "0 1/K ± 20 ppm/K", "1/K", 0, 1.154700538e-5, 20e-6 },
		{ "5 kg ± 250 mg", "kg", 5, 1.443375673e-4, 250e-6 },
		{ "21 degC ± 1 K normal", "degC", 21, 1, INFINITY },
		{ "10 kg ± 1 kg normal dof=10", "kg", 10, 1.118033989, INFINITY }, /* t: sqrt(10/8) */
	};
	const int n = 20000;

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		double sum = 0, squares = 0, most = 0, wide = i + 1 == sizeof rows / sizeof rows[0] ? 2 : 1;

		for (int seed = 1; seed <= n; seed++) {
			double d = stated_draw((uint64_t)seed, "test", rows[i].text, rows[i].unit) - rows[i].mean;

			sum += d;
			squares += d * d;
			most = fmax(most, fabs(d));
		}
		print_message("# %s: mean %g, standard deviation %g, largest %g\n", rows[i].text, sum / n,
			      sqrt(squares / n), most);
		assert_true(most <= rows[i].most * (1 + 1e-9));
		assert_near(sum / n, 0, 4.5 * rows[i].sd / sqrt(n));
		assert_near(sqrt(squares / n), rows[i].sd, wide * 4.5 * rows[i].sd / sqrt(2.0 * n));
	}
}

static void what_is_not_understood_is_not_a_number(void **state)
{
	static const char *const texts[] = {
		"", "kg", "10 kg ± ", "10 kg ± 1 kg mostly", "10 furlongs ± 1", "10 kg ± 1 s", "(10 ± 1"
	};

	(void)state;
	for (size_t i = 0; i < sizeof texts / sizeof texts[0]; i++)
		assert_true(isnan(stated_draw(1, "test", texts[i], "kg")));
	assert_near(stated_draw(1, "test", "3 kg", "kg"), 3, 0);
	assert_near(stated_draw(1, "test", "3 kg ± 0 kg", "kg"), 3, 0);
}

/* Moritz, Geodetic Reference System 1980: normal gravity 9.780327 at the equator, 9.806199 at 45 deg, 9.832186 at the
 * poles. */
static void gravity_is_that_of_the_ellipsoid(void **state)
{
	(void)state;
	assert_near(stated_normal_gravity(0, 0), 9.780327, 1e-6);
	assert_near(stated_normal_gravity(45, 0), 9.806199, 1e-6);
	assert_near(stated_normal_gravity(-90, 0), 9.832186, 1e-6);
	/* 0.3086 mGal per metre, and less of it high up: 0.0721 mGal for the square of a kilometre. */
	assert_near(stated_normal_gravity(45, 1000) - stated_normal_gravity(45, 0), -3.0855e-3 + 0.72e-6, 1e-6);
}

/* R 111-1 table 1: 100 mg for 2 kg of class M1. True mass: that of steel of 7850 kg/m3 which balances 8000 kg/m3 in air
 * of 1.2 kg/m3: 2 (1 - 1.2/8000) / (1 - 1.2/7850) = 2.00000573. */
static void pieces_lie_inside_their_class(void **state)
{
	struct stated *s = calloc(1, sizeof *s);
	double least = 9, most = 0, density;
	struct err err = { 0 };

	(void)state;
	assert_int_equal(stated_parse("[rig]\ngravity = 9.81 m/s2\n",
				      "[a]\nnominal = 2 kg\nclass = M1\ndensity = 7850 kg/m3\n[b]\n"
				      "mass = 0.5 kg\n",
				      s, &err),
			 RC_OK);
	assert_int_equal(s->n, 2);
	for (uint64_t seed = 1; seed <= 2000; seed++) {
		double kg = stated_mass_kg(seed, s, 0, &density);

		least = fmin(least, kg);
		most = fmax(most, kg);
	}
	assert_near(density, 7850, 0);
	assert_true(least > 2.00000573 - 100e-6 && least < 2.00000573 - 99e-6);
	assert_true(most < 2.00000573 + 100e-6 + 1e-8 && most > 2.00000573 + 99e-6);
	assert_near(stated_mass_kg(1, s, 1, &density), 0.5, 1e-5);
	assert_true(density >= 7400 && density <= 8400);
	assert_near(stated_gravity(1, s, 0.001), 9.81, 0); /* given: the anomaly is in it */
	free(s);
}

static void a_key_that_is_not_there_has_the_profiles_default(void **state)
{
	struct stated *s = calloc(1, sizeof *s);
	struct err err = { 0 };

	(void)state;
	assert_int_equal(
		stated_parse("[rig]\nlatitude = 45 deg\nheight = 0 m\n[brake]\ndrag_ratio = 0.9\n", NULL, s, &err),
		RC_OK);
	assert_near(stated_draw_key(1, s, STATED_DRAG_RATIO), 0.9, 0);
	assert_near(stated_draw_key(1, s, STATED_CABLE), 0, 0);
	assert_near(stated_draw_key(1, s, STATED_AIR_DENSITY), 1.2, 0.06);
	assert_true(isnan(stated_draw_key(1, s, STATED_ARM)));
	assert_near(stated_gravity(1, s, 0.001), 9.806199 + 0.001, 1e-6);
	assert_int_equal(stated_parse("no ini file\n", NULL, s, &err), RC_ARG);
	free(s);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(draws_have_the_spread_that_is_written),
		cmocka_unit_test(what_is_not_understood_is_not_a_number),
		cmocka_unit_test(gravity_is_that_of_the_ellipsoid),
		cmocka_unit_test(pieces_lie_inside_their_class),
		cmocka_unit_test(a_key_that_is_not_there_has_the_profiles_default),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
