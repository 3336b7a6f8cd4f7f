/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/ripple/order_spectrum.h"
#include "run/seq_ripple.h"
#include "tests/unit/run/tiny_rig.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

/* 10 rpm: 0.6 degrees from tick to tick of 10 ms. */
static struct ripple_config config_of(double torque_Nm)
{
	return (struct ripple_config){ .speed_rpm = 10,
				       .slew_rpm_per_s = 5,
				       .turns = 3,
				       .pulses_per_rev = 2400,
				       .torque_Nm = torque_Nm,
				       .control = { .max_A = 1,
						    .rated_Nm = 40,
						    .lag_s = 0.1,
						    .ramp_Nm_per_s = torque_Nm / 2,
						    .slew_A_per_s = 0.5 } };
}

static struct tiny_rig rig_with_a_wave(void)
{
	struct tiny_rig rig = tiny_rig_make(7);

	rig.tare_count = rig.zero_count;
	rig.drag_turn_Nm = 0.2;
	rig.pulses_per_rev = 2400;
	return rig;
}

struct seen {
	bool driven_slow, current_moved, let_go_driven;
	double fastest_rpm, recorded_A, last_rpm, steepest_rpm;
	size_t points;
};

static void look(void *ctx, const struct tiny_rig *rig, const struct seq_out *out)
{
	struct seen *s = ctx;

	(void)rig;
	s->fastest_rpm = fmax(s->fastest_rpm, fabs(out->wish.speed_rpm));
	if (out->wish.mode != DRIVE_OFF)
		s->steepest_rpm = fmax(s->steepest_rpm, fabs(out->wish.speed_rpm - s->last_rpm));
	s->last_rpm = out->wish.speed_rpm;
	s->let_go_driven |= out->wish.mode != DRIVE_OFF && !out->wish.power;
	if (strcmp(out->phase, "record") == 0) {
		s->current_moved |= s->recorded_A > 0 && fabs(out->wish.brake_A - s->recorded_A) > 1e-12;
		s->recorded_A = out->wish.brake_A;
	}
	s->points += out->event.kind == SEQ_EVENT_POINT;
}

/* Drag 0.5 N.m with 0.2 N.m once a turn: the mean of each way is the drag with its sign, the wave is friction. Under
 * load the current that is kept makes 8 N.m where the wave was when it was left alone: within 0.2 N.m. */
static void there_and_back(void **state)
{
	static struct seq_ripple s;
	static double turn[8000], cogging[8000];

	(void)state;
	for (int load = 0; load <= 1; load++) {
		struct tiny_rig rig = rig_with_a_wave();
		struct ripple_config c = config_of(load ? 8 : 0);
		struct seen seen = { 0 };
		struct order_spectrum forward;
		struct err err = { 0 };
		double one = 1, friction, u;
		size_t m;
		seq_ripple_begin(&s, &c);
		struct seq_out out = tiny_run(&rig, seq_ripple_step, &s, 3 * seq_ripple_s(&c), look, &seen);
		assert_true(out.done && !out.stop && !out.wish.power && out.wish.brake_A <= 0);
		assert_true(out.wish.mode == DRIVE_OFF);
		assert_int_equal(seen.points, 2);
		assert_true(fabs(seen.fastest_rpm - 10) < 1e-9 && seen.steepest_rpm < 5 * TINY_TICK_S + 1e-9);
		assert_false(seen.current_moved || seen.let_go_driven);
		assert_true(load ? seen.recorded_A > 0.1 : seen.recorded_A <= 0);
		assert_true(fabs((double)rig.ticks * TINY_TICK_S - seq_ripple_s(&c)) < 4);
		for (size_t i = 1; i < s.n; i++)
			assert_true(i == s.n_there || (i < s.n_there) == (s.turn[i] > s.turn[i - 1]));
		assert_int_equal(order_spectrum(s.turn, s.torque_Nm, s.n_there, &one, 1, &forward, &err), RC_OK);
		assert_true(fabs(forward.wave[0].amplitude_Nm - 0.2) < 0.005);
		assert_int_equal(order_both_ways(s.turn, s.torque_Nm, s.n_there, s.n, 8000, &m, turn, cogging,
						 &friction, &u, &err),
				 RC_OK);
		assert_true(fabs(friction - (load ? 8 : 0.5)) < (load ? 0.25 : 0.01));
		assert_true(turn[m - 1] - turn[0] >= 3 - 0.01);
	}
}

static void what_is_wrong_is_said(void **state)
{
	static const char *const says[] = { "contactor does not close", "does not turn as commanded",
					    "does not turn as commanded" };
	static struct seq_ripple s;

	(void)state;
	for (int i = 0; i < 3; i++) {
		struct tiny_rig rig = rig_with_a_wave();
		struct ripple_config c = config_of(0);
		rig.contactor_fails = i == 0;
		rig.drag_Nm = i == 1 ? 100 : 0.5;
		rig.no_reverse = i == 2;
		seq_ripple_begin(&s, &c);
		struct seq_out out = tiny_run(&rig, seq_ripple_step, &s, 300, NULL, NULL);
		assert_true(out.stop);
		assert_non_null(strstr(out.event.text, says[i]));
	}
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(there_and_back),
		cmocka_unit_test(what_is_wrong_is_said),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
