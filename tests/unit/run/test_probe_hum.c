/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Expected values: waves made here, whose folded frequency follows from the sampling theorem: 50 Hz at 80 conversions a
 * second stand at 30 Hz, 60 Hz at 20 Hz, 50 Hz at 320 conversions a second where they are. */
#include "run/probe_hum.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "tests/unit/near.h"

#define PI 3.14159265358979323846
#define MOST 640

struct made {
	struct probe_conversion c[MOST];
	size_t n;
};

/* Uniform in -1 to 1, by the constants of Numerical Recipes (quick generator; from memory). */
static double noise(uint32_t *seed)
{
	*seed = *seed * UINT32_C(1664525) + UINT32_C(1013904223);
	return *seed / 2147483648.0 - 1;
}

static struct made made(size_t n, double rate_Hz, double wave, double wave_Hz, double scatter)
{
	struct made m = { .n = n };
	uint32_t seed = 7;

	for (size_t i = 0; i < n; i++) {
		const double t = (double)i / rate_Hz;

		m.c[i] = (struct probe_conversion){ .number = UINT32_C(4294967200) + (uint32_t)i, /* the count wraps */
						    .t_s = ceil(t * 100) / 100,
						    .value = 3 + wave * cos(2 * PI * wave_Hz * t + 0.4) +
							     scatter * noise(&seed) };
	}
	return m;
}

static bool hum(const struct made *m, double mains_Hz, double *ret_amplitude, double *ret_Hz)
{
	return probe_hum(m->c, m->n, 0, mains_Hz, ret_amplitude, ret_Hz);
}

static void the_mains_are_found_where_they_fold(void **state)
{
	static const struct {
		double rate_Hz, mains_Hz, at_Hz;
	} row[] = { { 80, 50, 30 }, { 80, 60, 20 }, { 320, 50, 50 }, { 93.75, 50, 43.75 } };
	double amplitude, at;

	(void)state;
	for (size_t i = 0; i < sizeof row / sizeof *row; i++) {
		struct made m = made(400, row[i].rate_Hz, 0.2, row[i].mains_Hz, 0.1);

		assert_true(hum(&m, row[i].mains_Hz, &amplitude, &at));
		assert_near(amplitude, 0.2, 0.03);
		assert_near(at, row[i].at_Hz, 0.3);
	}
}

static void a_grid_a_little_off_its_frequency_is_found(void **state)
{
	struct made m = made(400, 80, 0.2, 50.08, 0.1);
	double amplitude, at;

	(void)state;
	assert_true(hum(&m, 50, &amplitude, &at));
	assert_near(at, 29.92, 0.15);
}

static void noise_and_other_waves_are_no_mains(void **state)
{
	double amplitude, at;
	struct made quiet = made(400, 80, 0, 0, 0.1), machine = made(400, 80, 0.2, 12, 0.1),
		    none = made(400, 80, 0, 0, 0);

	(void)state;
	assert_false(hum(&quiet, 50, &amplitude, &at));
	assert_false(hum(&quiet, 60, &amplitude, &at));
	assert_false(hum(&machine, 50, &amplitude, &at));
	assert_false(hum(&none, 50, &amplitude, &at));
}

/* 10 a second fold 50 Hz to a standstill, 100 a second to half of the rate. */
static void where_the_wave_cannot_be_told_none_is_named(void **state)
{
	double amplitude, at;
	struct made slow = made(400, 10, 0.2, 50, 0.1), half = made(400, 100, 0.2, 50, 0.1),
		    few = made(59, 80, 0.2, 50, 0.01);

	(void)state;
	assert_false(hum(&slow, 50, &amplitude, &at));
	assert_false(hum(&half, 50, &amplitude, &at));
	assert_false(hum(&few, 50, &amplitude, &at));
	assert_false(probe_hum(few.c, 0, 0, 50, &amplitude, &at));
}

/* What was kept as a ring and what was missed in between change nothing. */
static void a_ring_with_gaps_tells_the_same(void **state)
{
	struct made m = made(500, 80, 0.2, 50, 0.1), ring = { .n = 0 };
	double amplitude, at;

	(void)state;
	for (size_t i = 0; i < m.n; i++)
		if (i % 5 != 3)
			ring.c[ring.n++] = m.c[i];
	struct made turned = { .n = ring.n };
	for (size_t i = 0; i < ring.n; i++)
		turned.c[(i + 123) % ring.n] = ring.c[i];
	assert_true(probe_hum(turned.c, turned.n, 123, 50, &amplitude, &at));
	assert_near(amplitude, 0.2, 0.03);
	assert_near(at, 30, 0.3);
}

/* All that a tick brought at once has no rate; readings that never move have no wave. */
static void without_time_or_motion_there_is_no_wave(void **state)
{
	struct made at_once = made(400, 80, 0.2, 50, 0.1), still = at_once;
	double amplitude, at;

	(void)state;
	assert_true(hum(&still, 50, &amplitude, &at));
	for (size_t i = 0; i < at_once.n; i++) {
		at_once.c[i].t_s = 1;
		still.c[i].value = 0;
	}
	assert_false(hum(&at_once, 50, &amplitude, &at));
	assert_false(hum(&still, 50, &amplitude, &at));
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(the_mains_are_found_where_they_fold),
		cmocka_unit_test(a_grid_a_little_off_its_frequency_is_found),
		cmocka_unit_test(noise_and_other_waves_are_no_mains),
		cmocka_unit_test(where_the_wave_cannot_be_told_none_is_named),
		cmocka_unit_test(a_ring_with_gaps_tells_the_same),
		cmocka_unit_test(without_time_or_motion_there_is_no_wave),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
