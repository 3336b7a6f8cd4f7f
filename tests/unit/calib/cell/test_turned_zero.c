/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/cell/turned_zero.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>

#include <cmocka.h>

static double from(double low, double high)
{
	return low + (high - low) * (double)rand() / RAND_MAX;
}

static bool near(double a, double b)
{
	return fabs(a - b) < 1e-9 * (1 + fabs(b));
}

/* zero(t) and drag(t) both straight lines, the drag backwards ratio times as large, at any times: the zero at the time
 * of the backward reading comes out whatever they are. */
static void what_drifts_in_a_line_falls_out(void **state)
{
	(void)state;
	srand(5);
	for (int i = 0; i < 200; i++) {
		double z0 = from(-5, 5), z1 = from(-1, 1), d0 = from(1, 2), d1 = from(-0.05, 0.05),
		       ratio = from(0.8, 1.3);
		double t[3] = { from(0, 1), from(2, 3), from(4, 6) };
		struct turned_half half[3];

		for (int k = 0; k < 3; k++) {
			double drag = d0 + d1 * t[k];
			half[k] = (struct turned_half){ t[k], z0 + z1 * t[k] + (k == 1 ? -ratio * drag : drag), 0.1 };
		}
		struct turned_zero found = turned_zero_join(half, 3, ratio);
		assert_true(near(found.zero, z0 + z1 * t[1]));
		assert_true(near(found.drag, d0 + d1 * t[1]));
		assert_true(near(found.at_s, t[1]));
		assert_true(near(found.fade, (z1 + d1) * (t[2] - t[0])));
	}
}

/* Equal spacing, ratio 1: (F1 + 2 B + F2)/4, so u = sqrt(1/16 + 4/16 + 1/16) of the readings' own, and a quarter of the
 * fade as limits; dz/dr = d/(1 + r) is half the drag. */
static void weights_of_equal_spacing(void **state)
{
	const struct turned_half half[3] = { { 1, 5.9, 0.02 }, { 2, 4.4, 0.02 }, { 3, 5.5, 0.02 } };
	struct turned_zero found = turned_zero_join(half, 3, 1);

	(void)state;
	assert_true(near(found.zero, (5.9 + 2 * 4.4 + 5.5) / 4));
	assert_true(near(found.u_zero, 0.02 * sqrt(6) / 4));
	assert_true(near(found.drag, (5.7 - 4.4) / 2));
	assert_true(near(found.unlike, 0.65 / 2));
	assert_true(near(found.fade, -0.4) && near(found.u_fade, 0.02 * sqrt(2)));
	assert_true(near(found.fade_limit, 0.1));
}

/* By hand for r = 1.5: forward counts 0.6 and backward 0.4. Forward readings of 0.03 and 0.04 in the middle: half of
 * their root sum, 0.025; so 0.6 * 0.025 = 0.015 beside 0.4 * 0.05 = 0.02. The fade of 0.4 by 0.6 and by half. */
static void weights_of_unlike_drag(void **state)
{
	const struct turned_half half[3] = { { 0, 5.9, 0.03 }, { 1, 4.4, 0.05 }, { 2, 5.5, 0.04 } };
	struct turned_zero found = turned_zero_join(half, 3, 1.5);

	(void)state;
	assert_true(near(found.zero, 5.7 - 1.3 / 2.5));
	assert_true(near(found.u_zero, 0.025));
	assert_true(near(found.fade_limit, 0.12));
	assert_true(near(found.unlike, 1.3 / 2.5 / 2.5));
}

/* Drag that dies away exponentially, slowly and fast: the zero is off, and by less than its limit. By hand for D
 * e^(-t/tau) at times 0, 1, 2 with q = e^(-1/tau): D (1 + q^2 - 2 q)/4 = D (1 - q)^2/4 of a limit of D (1 - q^2)/4. */
static void a_fade_stays_within_its_limit(void **state)
{
	(void)state;
	for (double tau = 0.05; tau < 100; tau *= 1.3) {
		double q = exp(-1 / tau);
		const struct turned_half half[3] = { { 0, 1, 0 }, { 1, -q, 0 }, { 2, q * q, 0 } };
		struct turned_zero found = turned_zero_join(half, 3, 1);

		assert_true(near(found.zero, (1 - q) * (1 - q) / 4));
		assert_true(near(found.fade_limit, (1 - q * q) / 4));
		assert_true(fabs(found.zero) <= found.fade_limit);
	}
}

/* Two halves, as older logbooks hold them: the mean for ratio 1; 5023.81 of 5500 and 4500 with 1.1. */
static void forward_and_back_alone(void **state)
{
	const struct turned_half half[2] = { { 1, 5500, 3 }, { 3, 4500, 4 } };
	struct turned_zero found = turned_zero_join(half, 2, 1);

	(void)state;
	assert_true(near(found.zero, 5000) && near(found.u_zero, 2.5) && near(found.at_s, 2));
	assert_true(near(found.fade, 0) && near(found.fade_limit, 0));
	assert_true(fabs(turned_zero_join(half, 2, 1.1).zero - 5023.81) < 0.005);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(what_drifts_in_a_line_falls_out), cmocka_unit_test(weights_of_equal_spacing),
		cmocka_unit_test(weights_of_unlike_drag),          cmocka_unit_test(a_fade_stays_within_its_limit),
		cmocka_unit_test(forward_and_back_alone),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
