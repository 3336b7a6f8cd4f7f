/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/pickup.h"
#include "bench/draw.h"
#include "calib/number/units.h"
#include "tests/unit/bench/world_kit.h"

#define H 50e-6

static void start(struct pickup *u, struct world_config *k, int sign, gsl_rng **rng)
{
	*k = kit_config(7);
	*rng = draw_new(7, "test.pickup");
	pickup_init(u, &k->physics, 2400, sign, *rng);
}

/* Turn at a steady speed from where it is; the angle afterwards. */
static double turn(struct pickup *u, double angle, double rad_per_s, int steps, double *t_s)
{
	for (int i = 0; i < steps; i++) {
		angle += rad_per_s * H;
		*t_s += H;
		pickup_add(u, angle, *t_s, H);
	}
	return angle;
}

static void counts_a_turn_exactly_both_ways(void **state)
{
	struct world_config k;
	struct pickup u;
	gsl_rng *rng;
	double t = 0, angle, w = 2 * UNITS_PI / (20000 * H);

	(void)state;
	start(&u, &k, 1, &rng);
	angle = turn(&u, 0, w, 20000 * 5, &t);
	assert_near((double)u.pulses, 12000, 1);
	turn(&u, angle, -w, 20000 * 7, &t);
	assert_near((double)u.pulses, -4800, 1);
	gsl_rng_free(rng);
	start(&u, &k, -1, &rng);
	turn(&u, 0, w, 20000, &t);
	assert_near((double)u.pulses, -2400, 1);
	gsl_rng_free(rng);
}

/* docs/tether.md, info pick: single cannot tell the direction and only counts up. */
static void one_sensor_only_counts_up(void **state)
{
	struct world_config k;
	struct pickup u;
	gsl_rng *rng;
	double t = 0, angle, w = 2 * UNITS_PI / (20000 * H);

	(void)state;
	k = kit_config(7);
	k.physics.pickup.single = 1;
	rng = draw_new(7, "test.pickup");
	pickup_init(&u, &k.physics, 2400, -1, rng);
	angle = turn(&u, 0, w, 20000 * 2, &t);
	assert_near((double)u.pulses, 4800, 1);
	turn(&u, angle, -w, 20000 * 3, &t);
	assert_near((double)u.pulses, 12000, 2);
	gsl_rng_free(rng);
}

/* Speed by edges, as a host computes it: counts over the time between the edges. Exact but for the edges' own errors.
 */
static void edges_tell_the_speed(void **state)
{
	struct world_config k;
	struct pickup u;
	gsl_rng *rng;
	double t = 0, angle, edge, w = 8.5;
	int64_t pulses;

	(void)state;
	start(&u, &k, 1, &rng);
	angle = turn(&u, 0, w, 1000, &t);
	pulses = u.pulses;
	edge = u.edge_s;
	turn(&u, angle, w, 200000, &t); /* 10 s */
	/* 0.6 counts of wobble and phase, 3 us of jitter */
	assert_near((double)(u.pulses - pulses) / (u.edge_s - edge) / u.count_per_rad, w, w * (0.6 / 32000 + 3e-7));
	assert_true(u.edge_s <= t + 3e-6 && t - u.edge_s < 1 / (w * u.count_per_rad) * 1.6);
	gsl_rng_free(rng);
}

/* A perfect disc: each edge is noticed when the shaft is there, to the nanosecond, also in the middle of a step. */
static void edges_are_timed_inside_a_step(void **state)
{
	struct world_config k;
	struct pickup u;
	gsl_rng *rng;
	double t = 0, angle = 0, w = 7.3;

	(void)state;
	start(&u, &k, 1, &rng);
	k.physics.pickup.jitter_s = k.physics.pickup.wobble_count = 0;
	memset(u.mark_count, 0, sizeof u.mark_count);
	pickup_add(&u, 0, 0, H); /* where the disc is without its errors */
	u.disc = u.pulses = 0;
	for (int i = 0; i < 5000; i++) {
		int64_t before = u.pulses;

		angle = turn(&u, angle, w, 1, &t);
		if (u.pulses != before)
			assert_near(u.edge_s, (double)u.pulses / u.count_per_rad / w, 1e-9);
	}
	assert_true(u.pulses > 600);
	gsl_rng_free(rng);
}

static void does_not_chatter_at_rest(void **state)
{
	struct world_config k;
	struct pickup u;
	gsl_rng *rng;
	double t = 0, angle;
	int64_t pulses;

	(void)state;
	start(&u, &k, 1, &rng);
	angle = turn(&u, 0, 3, 777, &t);
	pulses = u.pulses;
	for (int i = 0; i < 10000; i++) {
		t += H;
		pickup_add(&u, angle + (i % 2 ? 0.01 : -0.01) / u.count_per_rad, t, H);
	}
	assert_true(llabs(u.pulses - pulses) <= 1);
	gsl_rng_free(rng);
}

static void misses_pulses_inside_its_dead_time(void **state)
{
	struct world_config k;
	struct pickup u;
	gsl_rng *rng;
	double t = 0;

	(void)state;
	start(&u, &k, 1, &rng);
	k.physics.pickup.dead_s = 1e-3;
	turn(&u, 0, 8, 20000, &t); /* 3056 edges a second, one in a millisecond is seen at most */
	assert_true(u.pulses <= 1000 && u.pulses > 500);
	gsl_rng_free(rng);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(counts_a_turn_exactly_both_ways),
		cmocka_unit_test(one_sensor_only_counts_up),
		cmocka_unit_test(edges_tell_the_speed),
		cmocka_unit_test(edges_are_timed_inside_a_step),
		cmocka_unit_test(does_not_chatter_at_rest),
		cmocka_unit_test(misses_pulses_inside_its_dead_time),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
