/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The tiny rig gives 0.9 of what its drive is told and its gear loses nothing: at an even speed the cell reads 0.9 of
 * each command. */
#include "run/seq_obey_turn.h"
#include "tests/unit/run/tiny_rig.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

static struct obey_turn_config two_speeds(void)
{
	return (struct obey_turn_config){
		.n_speeds = 2,
		.speed_rpm = { 10, 40 },
		.steps = 3,
		.load_Nm = 12,
		.most_Nm = 20,
		.settle_s = 2,
		.window_s = 1,
		.control = { .max_A = 1, .rated_Nm = 40, .lag_s = NAN, .ramp_Nm_per_s = 1.2, .slew_A_per_s = 0.25 }
	};
}

struct seen {
	double most_Nm, fastest_rpm;
	size_t points;
	bool against, braked_other_way, loose;
};

static void look(void *ctx, const struct tiny_rig *rig, const struct seq_out *out)
{
	struct seen *s = ctx;

	s->points += out->event.kind == SEQ_EVENT_POINT;
	s->most_Nm = fmax(s->most_Nm, fabs(out->wish.torque_Nm));
	s->fastest_rpm = fmax(s->fastest_rpm, fabs(rig->speed_rpm));
	s->against |= rig->speed_rpm * out->wish.torque_Nm < -1e-9;
	s->loose |= out->wish.mode != DRIVE_OFF && !out->wish.power;
	s->loose |= out->wish.mode != DRIVE_OFF && out->wish.mode != DRIVE_TORQUE;
	s->braked_other_way |= out->wish.mode == DRIVE_OFF && out->wish.brake_A > 0;
}

static void each_speed_both_ways_up_and_down(void **state)
{
	static const size_t load[] = { 0, 1, 2, 3, 2, 1, 0 };
	static struct seq_obey_turn s;
	struct tiny_rig rig = tiny_rig_make(4);
	struct obey_turn_config c = two_speeds();
	struct seen seen = { 0 };

	(void)state;
	rig.tare_count = rig.zero_count;
	seq_obey_turn_begin(&s, &c);
	struct seq_out out = tiny_run(&rig, seq_obey_turn_step, &s, 2 * seq_obey_turn_s(&c), look, &seen);
	assert_true(out.done && !out.stop && !out.wish.power && out.wish.mode == DRIVE_OFF && out.wish.brake_A <= 0);
	assert_int_equal(s.n, 28);
	assert_int_equal(seen.points, 28);
	assert_int_equal(seq_obey_turn_rows(&c), 28);
	for (size_t i = 0; i < s.n; i++) {
		const struct obey_turn_row *r = &s.row[i];
		double speed = (i / 14 == 0 ? 10 : 40) * (i / 7 % 2 ? -1 : 1);
		assert_int_equal(r->load, load[i % 7]);
		assert_true(fabs(r->speed_rpm - speed) < 0.1 * fabs(speed));
		assert_true(fabs(r->measured_Nm - 0.9 * r->commanded_Nm) < 0.1);
		assert_true(fabs(r->rotor_rpm / r->speed_rpm - 36) < 0.01); /* as tiny_rig.h tells it */
		assert_true(load[i % 7] == 0 || fabs(fabs(r->measured_Nm) - 4.0 * (double)load[i % 7]) < 0.5);
	}
	assert_true(seen.most_Nm <= 20 && seen.fastest_rpm < 80);
	assert_false(seen.against || seen.braked_other_way || seen.loose);
	assert_true(fabs(rig.speed_rpm) < 1);
}

/* 0: the contactor fails; 1: a brake that nothing turns; 2: more load than the drive may be told; 3: a drive that is
 * stronger than its speed limit. */
static void what_goes_wrong_ends_it(void **state)
{
	static const char *const says[] = { "contactor does not close", "does not turn at 20 N\u00b7m",
					    "not kept under", "not kept under" };
	static struct seq_obey_turn s;

	(void)state;
	for (int i = 0; i < 4; i++) {
		struct tiny_rig rig = tiny_rig_make(4);
		struct obey_turn_config c = two_speeds();
		rig.contactor_fails = i == 0;
		rig.drag_Nm = i == 1 ? 30 : 0.5;
		c.load_Nm = i == 2 ? 30 : 12;
		rig.torque_gain = i == 3 ? 400 : 0.9;
		rig.tare_count = rig.zero_count;
		seq_obey_turn_begin(&s, &c);
		struct seq_out out = tiny_run(&rig, seq_obey_turn_step, &s, 300, NULL, NULL);
		assert_true(out.stop);
		assert_non_null(strstr(out.event.text, says[i]));
	}
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(each_speed_both_ways_up_and_down),
		cmocka_unit_test(what_goes_wrong_ends_it),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
