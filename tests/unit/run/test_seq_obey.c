/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "run/seq_obey.h"
#include "tests/unit/run/tiny_rig.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

static struct obey_config config_of(double most_Nm, size_t quarter)
{
	struct obey_config c = { .slew_Nm_per_s = 20,
				 .settle_s = 0.3,
				 .window_s = 0.5,
				 .lock_A = 0.8,
				 .slew_A_per_s = 1,
				 .limit_rpm = 20,
				 .slip_deg = 3 };

	c.n = seq_obey_stairs(most_Nm, quarter, 1, c.torque_Nm);
	return c;
}

/* What no tick may do. */
struct seen {
	bool driven_unlocked, brake_let_go_driven, jumped;
	double most_Nm, last_Nm;
	size_t steps, points;
	double rpm;
};

static void look(void *ctx, const struct tiny_rig *rig, const struct seq_out *out)
{
	struct seen *s = ctx;
	bool drives = out->wish.mode != DRIVE_OFF;

	s->driven_unlocked |= drives && rig->coil_A < 0.7;
	s->brake_let_go_driven |= fabs(s->last_Nm) > 0 && out->wish.brake_A < 0.8;
	s->jumped |= fabs(out->wish.torque_Nm - s->last_Nm) > 20 * TINY_TICK_S + 1e-9;
	s->last_Nm = out->wish.torque_Nm;
	s->most_Nm = fmax(s->most_Nm, fabs(out->wish.torque_Nm));
	s->steps += out->event.kind == SEQ_EVENT_STEP;
	s->points += out->event.kind == SEQ_EVENT_POINT;
	s->rpm = fmax(s->rpm, fabs(rig->speed_rpm));
	if (drives)
		assert_true(out->wish.mode == DRIVE_TORQUE && fabs(out->wish.speed_rpm - 20) < 1e-9 && out->wish.power);
}

static void the_stairs_go_up_down_and_through_zero(void **state)
{
	static const double expected[] = { 5, 10, 5, 0, -5, -10, -5, 0 };
	double stairs[OBEY_STEPS];

	(void)state;
	assert_int_equal(seq_obey_stairs(10, 2, 1, stairs), 8);
	for (int i = 0; i < 8; i++)
		assert_true(fabs(stairs[i] - expected[i]) < 1e-12);
	assert_int_equal(seq_obey_stairs(10, 5, 10, stairs), 200);
	assert_int_equal(seq_obey_stairs(10, 5, 11, stairs), 0);
}

/* The rig's drive gives 0.9 of what it is told, its cell has 0.01 N.m of noise: 50 readings a window. */
static void each_step_is_read_at_a_locked_shaft(void **state)
{
	struct tiny_rig rig = tiny_rig_make(4);
	struct obey_config c = config_of(12, 3);
	struct seq_obey s;
	struct seen seen = { 0 };

	(void)state;
	rig.tare_count = rig.zero_count;
	seq_obey_begin(&s, &c);
	struct seq_out out = tiny_run(&rig, seq_obey_step, &s, 3 * seq_obey_s(&c), look, &seen);
	assert_true(out.done && !out.stop);
	assert_int_equal(s.n, 12);
	assert_int_equal(seen.steps, 12);
	assert_int_equal(seen.points, 12);
	for (size_t i = 0; i < s.n; i++) {
		assert_true(fabs(s.reading[i].commanded_Nm - c.torque_Nm[i]) < 1e-9);
		assert_true(fabs(s.reading[i].measured_Nm - 0.9 * c.torque_Nm[i]) < 0.008);
		assert_int_equal(s.reading[i].way, i < 3 || i > 8 ? 1 : -1);
	}
	assert_false(seen.driven_unlocked || seen.brake_let_go_driven || seen.jumped);
	assert_true(fabs(seen.most_Nm - 12) < 1e-9 && seen.rpm < 1e-9);
	assert_true(!out.wish.power && out.wish.mode == DRIVE_OFF && out.wish.brake_A <= 0);
	double took_s = (double)rig.ticks * TINY_TICK_S;
	assert_true(fabs(took_s - seq_obey_s(&c)) < 2);
}

/* 0.8 A hold 32.5 N.m: 40 of 0.9 do not stay. */
static void a_brake_that_slips_ends_it(void **state)
{
	struct tiny_rig rig = tiny_rig_make(4);
	struct obey_config c = config_of(40, 3);
	struct seq_obey s;

	(void)state;
	rig.tare_count = rig.zero_count;
	seq_obey_begin(&s, &c);
	struct seq_out out = tiny_run(&rig, seq_obey_step, &s, 60, NULL, NULL);
	assert_true(out.stop);
	assert_non_null(strstr(out.event.text, "the brake slips"));
	assert_true(360 * fabs(rig.angle_rev) < 10);
}

static void what_does_not_answer_is_said(void **state)
{
	static const struct {
		const char *says;
		int what;
	} rows[] = { { "contactor does not close", 0 }, { "the cell gave no torque", 1 } };

	(void)state;
	for (int i = 0; i < 2; i++) {
		struct tiny_rig rig = tiny_rig_make(4);
		struct obey_config c = config_of(10, 2);
		struct seq_obey s;

		rig.contactor_fails = rows[i].what == 0;
		rig.tare_count = rows[i].what == 1 ? NAN : rig.zero_count;
		seq_obey_begin(&s, &c);
		struct seq_out out = tiny_run(&rig, seq_obey_step, &s, 60, NULL, NULL);
		assert_true(out.stop);
		assert_non_null(strstr(out.event.text, rows[i].says));
	}
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(the_stairs_go_up_down_and_through_zero),
		cmocka_unit_test(each_step_is_read_at_a_locked_shaft),
		cmocka_unit_test(a_brake_that_slips_ends_it),
		cmocka_unit_test(what_does_not_answer_is_said),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
