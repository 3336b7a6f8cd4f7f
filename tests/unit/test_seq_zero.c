/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "run/seq_zero.h"

#include "tiny_rig.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>

#include <cmocka.h>

static const struct zero_config usual = { .speed_rpm = 30, .slew_rpm_per_s = 30, .settle_turns = 1, .average_turns = 2, .drag_ratio = 1, .u_drag_ratio = 0.02,
	.least_s = 2, .sign = 1, .set_tare = true };

struct seen { int points[2]; double fastest_rpm, brake_A; };

static void watch(void *ctx, const struct tiny_rig *rig, const struct seq_out *out)
{
	struct seen *s = ctx;

	if (out->event.kind == SEQ_EVENT_POINT) {
		assert_int_equal(out->event.point.flags, POINT_TARE);
		s->points[out->event.point.direction < 0]++;
	}
	s->fastest_rpm = fmax(s->fastest_rpm, fabs(rig->speed_rpm));
	s->brake_A = fmax(s->brake_A, out->wish.brake_A);
}

/* Drag 0.5 N·m forward and back about a zero of 5000 counts: 5500 and 4500, whose mean is the zero. */
static void drag_falls_out_of_the_mean(void **state)
{
	struct tiny_rig rig = tiny_rig_make(11);
	struct seen seen = { 0 };
	struct seq_zero z;

	(void)state;
	seq_zero_begin(&z, &usual);
	struct seq_out out = tiny_run(&rig, seq_zero_step, &z, 120, watch, &seen);
	assert_true(out.done);
	assert_true(fabs(z.zero_count - 5000) < 3);
	assert_true(fabs(z.drag_count - 500) < 3);
	assert_true(fabs(rig.tare_count - z.zero_count) < 1e-9);
	assert_int_equal(seen.points[0], 1);
	assert_int_equal(seen.points[1], 1);
	assert_true(seen.brake_A <= 0);
	assert_true(seen.fastest_rpm < 33);
	/* at least what the drag may differ by: 2 % of it as a rectangle */
	assert_true(z.u_zero_count >= 0.02 * z.drag_count / 2 && z.u_zero_count < 0.024 * z.drag_count / 2); /* zero = (f + b)/2 for ratio 1: half of the drag's difference */
	assert_true(fabs(rig.speed_rpm) <= 1);
	assert_false(out.wish.power);
}

/* Forward f = z + d, back b = z - r d, so z = (r f + b)/(1 + r): of 5500 and 4500 with r = 1.1 it is 5023.81, d is 476.19. */
static void a_known_ratio_of_the_drags_is_taken_in(void **state)
{
	struct tiny_rig rig = tiny_rig_make(17);
	struct zero_config config = usual;
	struct seq_zero z;

	(void)state;
	config.drag_ratio = 1.1;
	seq_zero_begin(&z, &config);
	assert_true(tiny_run(&rig, seq_zero_step, &z, 120, NULL, NULL).done);
	assert_true(fabs(z.zero_count - 5023.81) < 3);
	assert_true(fabs(z.drag_count - 476.19) < 3);
}

static void wrong_sign_of_the_cell_is_found(void **state)
{
	struct tiny_rig rig = tiny_rig_make(12);
	struct zero_config config = usual;
	struct seq_zero z;

	(void)state;
	config.sign = -1;
	seq_zero_begin(&z, &config);
	struct seq_out out = tiny_run(&rig, seq_zero_step, &z, 120, NULL, NULL);
	assert_true(out.stop);
	assert_non_null(strstr(out.event.text, "sign"));
}

static void a_contactor_that_stays_open_ends_it(void **state)
{
	struct tiny_rig rig = tiny_rig_make(13);
	struct seq_zero z;

	(void)state;
	rig.contactor_fails = true;
	seq_zero_begin(&z, &usual);
	struct seq_out out = tiny_run(&rig, seq_zero_step, &z, 120, NULL, NULL);
	assert_true(out.stop);
	assert_non_null(strstr(out.event.text, "contactor"));
}

static void a_shaft_that_does_not_turn_ends_it(void **state)
{
	struct tiny_rig rig = tiny_rig_make(14);
	struct seq_zero z;

	(void)state;
	rig.motor_most_Nm = 0.2; /* less than the drag */
	seq_zero_begin(&z, &usual);
	struct seq_out out = tiny_run(&rig, seq_zero_step, &z, 240, NULL, NULL);
	assert_true(out.stop);
	assert_false(out.done);
}

static void leaves_the_tare_alone_when_told(void **state)
{
	struct tiny_rig rig = tiny_rig_make(15);
	struct zero_config config = usual;
	struct seq_zero z;

	(void)state;
	rig.tare_count = 4000;
	config.set_tare = false;
	seq_zero_begin(&z, &config);
	assert_true(tiny_run(&rig, seq_zero_step, &z, 120, NULL, NULL).done);
	assert_true(fabs(rig.tare_count - 4000) < 1e-9);
}

/* By hand: asked forward, then back; nothing is energised. */
static void a_hand_turns_both_ways(void **state)
{
	struct tiny_rig rig = tiny_rig_make(16);
	struct zero_config config = usual;
	struct seq_zero z;
	struct seq_out out = { 0 };
	const struct wish off = { 0 };
	double hand_rpm = 0;
	int notes = 0;

	(void)state;
	config.by_hand = true;
	seq_zero_begin(&z, &config);
	tiny_look(&rig, &off);
	for (int i = 0; i < 30000 && !out.done && !out.stop; i++) {
		out = (struct seq_out){ 0 };
		seq_zero_step(&z, &rig.snap, &out);
		assert_false(out.wish.power);
		assert_int_equal(out.wish.mode, DRIVE_OFF);
		if (out.event.kind == SEQ_EVENT_NOTE) {
			notes++;
			hand_rpm = strstr(out.event.text, "forward") ? 25 : strstr(out.event.text, "back") ? -35 : 0;
		}
		rig.speed_rpm += (hand_rpm - rig.speed_rpm) * 0.02;
		rig.angle_rev += rig.speed_rpm / 60 * TINY_TICK_S;
		rig.brake_Nm = rig.drag_Nm;
		rig.ticks++;
		tiny_look(&rig, &out.wish);
	}
	assert_true(out.done);
	assert_int_equal(notes, 3);
	assert_true(fabs(z.zero_count - 5000) < 3);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(drag_falls_out_of_the_mean),
		cmocka_unit_test(a_known_ratio_of_the_drags_is_taken_in),
		cmocka_unit_test(wrong_sign_of_the_cell_is_found),
		cmocka_unit_test(a_contactor_that_stays_open_ends_it),
		cmocka_unit_test(a_shaft_that_does_not_turn_ends_it),
		cmocka_unit_test(leaves_the_tare_alone_when_told),
		cmocka_unit_test(a_hand_turns_both_ways),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
