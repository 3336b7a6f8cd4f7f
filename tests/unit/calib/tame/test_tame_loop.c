/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The describing functions against the first harmonic by quadrature, and the joint's answer against its limits. */
#include "calib/tame/tame_loop.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "tests/unit/near.h"

#define POINTS 20000

static double dead_zone(double x, double half)
{
	return x > half ? x - half : x < -half ? x + half : 0;
}

static double clipped(double x, double limit)
{
	return fmax(-limit, fmin(limit, x));
}

static double sign(double x, double size)
{
	return x > 0 ? size : -size;
}

/* Gain of the first harmonic: (1/(pi A)) times the integral of f(A sin t) sin t over a period. */
static double first_harmonic(double (*f)(double, double), double p, double amplitude)
{
	double sum = 0;

	for (int i = 0; i < POINTS; i++) {
		double s = sin(2 * M_PI * (i + 0.5) / POINTS);
		sum += f(amplitude * s, p) * s;
	}
	return 2 * sum / POINTS / amplitude;
}

static void describing_functions(void **state)
{
	(void)state;
	static const double amplitudes[] = { 1.001, 1.3, 2, 5, 40 };

	for (size_t i = 0; i < sizeof amplitudes / sizeof amplitudes[0]; i++) {
		double a = amplitudes[i];
		assert_near(tame_flank(2, a), first_harmonic(dead_zone, 1, a), 1e-6);
		assert_near(tame_limited(1, a), first_harmonic(clipped, 1, a), 1e-6);
		assert_near(tame_rubbed(1, a), first_harmonic(sign, 1, a), 1e-6);
	}
	assert_near(tame_flank(2, 1), 0, 0);
	assert_near(tame_flank(2, 0.5), 0, 0);
	assert_near(tame_flank(0, 0.5), 1, 0);
	assert_near(tame_limited(1, 0.5), 1, 0);
	assert_near(tame_limited(INFINITY, 3), 1, 0);
}

static void slow_both_turn_as_one_and_fast_the_rotor_alone(void **state)
{
	(void)state;
	const struct tame_joint j = { .rotor_kgm2 = 0.1, .arm_kgm2 = 0.4, .stiffness_Nm_per_rad = 800 };
	struct tame_answer slow = tame_answer(&j, &TAME_LINEAR, 1e-3), fast = tame_answer(&j, &TAME_LINEAR, 1e6);

	assert_near(cabs(slow.rotor) * 1e-6 * 0.5, 1, 1e-6);
	assert_near(cabs(slow.arm) * 1e-6 * 0.5, 1, 1e-6);
	assert_near(cabs(fast.rotor) * 1e12 * 0.1, 1, 1e-6);
	assert_near(tame_resonance(&j), sqrt(800 / 0.08), 1e-9); /* reduced inertia 0.08 */
	assert_near(tame_antiresonance(&j), sqrt(800 / 0.4), 1e-9);
}

/* A rotor under a speed loop without delay: its only motion dies out by K/J. */
static void growth_of_one_mass(void **state)
{
	(void)state;
	const struct tame_loop l = { .joint = { .rotor_kgm2 = 2 },
				     .drive = {
					     .gains = { .speed_Nms = 3 }, .torque_scale = 1, .limit_Nm = INFINITY } };
	double omega;

	assert_near(tame_growth(&l, &TAME_LINEAR, &omega), -1.5, 1e-9);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(describing_functions),
		cmocka_unit_test(slow_both_turn_as_one_and_fast_the_rotor_alone),
		cmocka_unit_test(growth_of_one_mass),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
