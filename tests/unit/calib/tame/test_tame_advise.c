/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Margins, limit cycle and advice as properties over random joints: what is advised keeps what it promises. */
#include "calib/tame/tame_advise.h"
#include "made_joint.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdlib.h>

#include <cmocka.h>

#include "tests/unit/near.h"

static const struct tame_inputs sure = { .n = 0 };

static struct tame_loop drawn(uint64_t *seed)
{
	struct tame_loop l = { .drive = { .torque_scale = 1 } };
	double jr = 0.02 + 0.2 * made_uniform(seed), ja = 0.05 + 2 * made_uniform(seed), omega;

	l.joint = (struct tame_joint){ .rotor_kgm2 = jr, .arm_kgm2 = ja };
	l.joint.stiffness_Nm_per_rad = 300 + 8000 * made_uniform(seed);
	l.joint.damping_Nms = 0.04 * sqrt(l.joint.stiffness_Nm_per_rad * jr * ja / (jr + ja));
	l.joint.play_rad = 0.005 * made_uniform(seed);
	l.joint.rotor_dry_Nm = 0.2;
	omega = tame_resonance(&l.joint) * pow(10, -1.2 + 1.5 * made_uniform(seed));
	l.drive.gains = (struct tame_gains){ omega * (jr + ja), omega * omega * (jr + ja) / 5, omega / 6 };
	l.drive.torque_lag_s = 0.2 / tame_resonance(&l.joint);
	l.drive.delay_s = 0.3 * made_uniform(seed) / tame_resonance(&l.joint);
	l.drive.limit_Nm = 40;
	return l;
}

static void advice_keeps_what_it_promises(void **state)
{
	(void)state;
	const struct tame_target target = { 6, 45 };
	uint64_t seed = 5;
	int lesser = 0;

	for (int i = 0; i < 20; i++) {
		struct tame_loop l = drawn(&seed);
		struct tame_advice a;
		tame_advise(&l, &sure, 0, target, &a);
		if (!a.found)
			continue;
		struct tame_loop with = l;
		with.drive.gains = a.gains;
		struct tame_margins m = tame_margins(&with, &TAME_LINEAR);
		assert_true(m.stable && m.gain_dB >= 6 && m.phase_deg >= 45);
		assert_false(tame_cycle(&with).oscillates);
		assert_true(a.gains.speed_Nms <= l.drive.gains.speed_Nms);
		lesser += !a.keep;
		/* what was advised is kept when it is asked again */
		tame_advise(&with, &sure, 0, target, &a);
		assert_true(a.found && a.keep);
	}
	assert_true(lesser >= 5);
}

/* At the gain margin the loop's least stable motion neither grows nor dies out. */
static void the_gain_margin_is_the_edge(void **state)
{
	(void)state;
	uint64_t seed = 9;
	int seen = 0;

	for (int i = 0; i < 40; i++) {
		struct tame_loop l = drawn(&seed);
		struct tame_margins m = tame_margins(&l, &TAME_LINEAR);
		double omega;
		if (!m.stable || !isfinite(m.gain_dB))
			continue;
		seen++;
		for (int side = -1; side <= 1; side += 2) {
			struct tame_loop at = l;
			double factor = pow(10, (m.gain_dB + 0.05 * side) / 20);
			at.drive.gains.speed_Nms *= factor;
			at.drive.gains.integral_Nm_per_rad *= factor;
			double growth = tame_growth(&at, &TAME_LINEAR, &omega);
			assert_true(side < 0 ? growth < 0 : growth > 0);
		}
	}
	assert_true(seen >= 10);
}

/* A torque that rises over one whole period leaves an undamped joint without a swing: by the time's own equation. */
static void a_soft_start_leaves_no_swing(void **state)
{
	(void)state;
	const struct tame_loop l = { .joint = { .rotor_kgm2 = 0.1, .arm_kgm2 = 0.4, .stiffness_Nm_per_rad = 800 },
				     .drive = { .torque_scale = 1, .limit_Nm = 20 } };
	struct tame_start start = tame_start(&l);
	double x = 0, v = 0, h = start.ramp_s / 100000, reduced = 0.08, rest = 10 / 0.1 * reduced / 800, most = 0;

	for (int i = 0; i < 300000; i++) {
		double torque = fmin(1, i * h / start.ramp_s) * 10;
		v += h * (torque / 0.1 - 800 / reduced * x);
		x += h * v;
		if (i > 100000)
			most = fmax(most, fabs(x - rest));
	}
	assert_true(most < 0.001 * rest);
	assert_near(start.meet_rad_per_s * sqrt(800 * reduced), 2, 1e-9);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(advice_keeps_what_it_promises),
		cmocka_unit_test(the_gain_margin_is_the_edge),
		cmocka_unit_test(a_soft_start_leaves_no_swing),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
