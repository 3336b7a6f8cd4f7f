/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/heat.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <math.h>

#include <cmocka.h>

#include "tests/unit/near.h"

static const struct heat_params params = { 210, 1500, 0.55, 0.6 };

/* The two-exponential solution by hand. With x over the room: x' = M x + b, M of 2 by 2; with the final
 * values f = -M^-1 b and the eigenvalues l1, l2 of M, each component of x - f is a sum of two exponentials whose
 * factors follow from value and slope at the start. */
static void analytic(double inner_W, double outer_W, double t, double *ret_inner, double *ret_outer)
{
	double c1 = params.inner_J_per_K, c2 = params.outer_J_per_K, r1 = params.inner_to_outer_K_per_W;
	double r2 = params.outer_to_room_K_per_W;
	double trace = -1 / (r1 * c1) - 1 / (r1 * c2) - 1 / (r2 * c2), det = 1 / (r1 * c1 * r2 * c2);
	double root = sqrt(trace * trace / 4 - det), l1 = trace / 2 + root, l2 = trace / 2 - root;
	double final[2] = { r2 * (inner_W + outer_W) + r1 * inner_W, r2 * (inner_W + outer_W) };
	double slope[2] = { inner_W / c1, outer_W / c2 };
	double x[2];

	for (int i = 0; i < 2; i++) {
		double a = (slope[i] + l2 * final[i]) / (l1 - l2), b = -final[i] - a;

		x[i] = final[i] + a * exp(l1 * t) + b * exp(l2 * t);
	}
	*ret_inner = x[0];
	*ret_outer = x[1];
}

static void follows_two_exponentials(void **state)
{
	static const double step_s[] = { 0.01, 1, 50 };

	(void)state;
	for (size_t i = 0; i < 3; i++) {
		struct heat heat;
		int n = (int)(1000 / step_s[i]);
		double inner, outer;

		heat_init(&heat, &params, step_s[i], 21);
		for (int k = 1; k <= n; k++) {
			heat_step(&heat, 40, 25, 21);
			if (k % (n / 20) != 0)
				continue;
			analytic(40, 25, k * step_s[i], &inner, &outer);
			assert_near(heat.inner_degC, 21 + inner, 1e-7);
			assert_near(heat.outer_degC, 21 + outer, 1e-7);
		}
	}
}

static void keeps_the_energy(void **state)
{
	struct heat heat;
	double gone_J = 0;

	(void)state;
	heat_init(&heat, &params, 0.01, 20);
	for (int k = 0; k < 100000; k++) {
		double before = heat.outer_degC;

		heat_step(&heat, k % 2 ? 100 : 0, 10, 20);
		gone_J += (0.5 * (before + heat.outer_degC) - 20) / params.outer_to_room_K_per_W * 0.01;
	}
	assert_near((heat.inner_degC - 20) * 210 + (heat.outer_degC - 20) * 1500 + gone_J, 60 * 1000, 0.5);
}

static void rests_at_the_rooms_temperature(void **state)
{
	struct heat heat;

	(void)state;
	heat_init(&heat, &params, 10, 80);
	for (int k = 0; k < 2000; k++)
		heat_step(&heat, 0, 0, 15);
	assert_near(heat.inner_degC, 15, 1e-6);
	assert_near(heat.outer_degC, 15, 1e-6);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(follows_two_exponentials),
		cmocka_unit_test(keeps_the_energy),
		cmocka_unit_test(rests_at_the_rooms_temperature),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
