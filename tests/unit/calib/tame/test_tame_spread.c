/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A speed loop over one mass with a delay has the phase margin 90 degrees - (K/J) delay: what goes together in K and J
 * cancels, what does not adds up. */
#include "calib/tame/tame_spread.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "tests/unit/near.h"

enum { DRAWS = 400 }; /* a standard error of 3.5 % of u */
static const struct tame_loop loop = {
	.joint = { .rotor_kgm2 = 2 },
	.drive = { .gains = { .speed_Nms = 1 }, .torque_scale = 1, .delay_s = 1, .limit_Nm = INFINITY }
};
#define J offsetof(struct tame_loop, joint.rotor_kgm2)
#define K offsetof(struct tame_loop, drive.gains.speed_Nms)

static double u_phase(const struct tame_inputs *in)
{
	struct tame_found f;

	tame_find(&loop, in, DRAWS, &f);
	assert_near(f.margins.phase_deg, 90 - 0.5 * 180 / M_PI, 1e-6);
	return f.u_phase_deg;
}

static void each_alone(void **state)
{
	(void)state;
	const struct tame_inputs in = { .of = { { .at = K, .u = 0.05, .dist = DIST_RECT } }, .n = 1 };

	assert_near(u_phase(&in), 0.5 * 0.05 * 180 / M_PI, 0.05 * 4);
}

static void what_goes_together_cancels(void **state)
{
	(void)state;
	struct tame_inputs in = { .of = { { .at = J, .by = { [1] = 0.1 } }, { .at = K, .by = { [1] = 0.05 } } },
				  .n = 2 };

	assert_near(u_phase(&in), 0, 1e-6);
	in.of[1].by[1] = -0.05; /* against each other: twice one alone */
	assert_near(u_phase(&in), 2 * 0.5 * 0.05 * 180 / M_PI, 0.05 * 8);
	in.of[1] = (struct tame_input){ .at = K, .by = { [2] = 0.05 } }; /* nothing in common */
	assert_near(u_phase(&in), sqrt(2) * 0.5 * 0.05 * 180 / M_PI, 0.05 * 5.6);
}

static void the_ratio_s_kind_is_its_own(void **state)
{
	(void)state;
	struct tame_found f;
	struct tame_inputs in = { .of = { { .at = K, .by = { [TAME_RATIO] = 1 } } }, .n = 1, .ratio = DIST_TWO };
	struct tame_loop edge = loop;

	/* two values alone, half of them far beyond the edge of pi J/(2 delay) = 3.14 */
	edge.drive.gains.speed_Nms = 3.0;
	tame_find(&edge, &in, DRAWS, &f);
	assert_near(f.probability, 0.5, 0.1);
	assert_int_equal(f.oscillates, TAME_NOT_KNOWN);
	in.of[0].by[TAME_RATIO] = 0.01;
	tame_find(&edge, &in, DRAWS, &f);
	assert_int_equal(f.oscillates, TAME_NO);
}

/* Unstable without friction, and dry friction larger than all that the drive can give: the describing function sees no
 * swing that grows, and that is not told as a no. */
static void friction_alone_is_no_assurance(void **state)
{
	(void)state;
	struct tame_loop held = loop;
	const struct tame_inputs none = { .n = 0 };
	struct tame_found f;

	held.drive.gains.speed_Nms = 4; /* the edge: pi J/(2 delay) = 3.14 */
	held.drive.limit_Nm = 1;
	held.joint.rotor_dry_Nm = 5;
	tame_find(&held, &none, 0, &f);
	assert_false(f.margins.stable);
	assert_false(f.cycle.oscillates);
	assert_int_equal(f.oscillates, TAME_NOT_KNOWN);
}

static void nothing_uncertain(void **state)
{
	(void)state;
	const struct tame_inputs none = { .n = 0 };

	assert_near(u_phase(&none), 0, 0);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(each_alone),
		cmocka_unit_test(what_goes_together_cancels),
		cmocka_unit_test(the_ratio_s_kind_is_its_own),
		cmocka_unit_test(friction_alone_is_no_assurance),
		cmocka_unit_test(nothing_uncertain),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
