/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "run/seq_zero.h"

#include "tests/unit/run/tiny_rig.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>

#include <cmocka.h>

static const struct zero_config usual = { .speed_rpm = 30,
					  .slew_rpm_per_s = 30,
					  .settle_turns = 1,
					  .average_turns = 2,
					  .drag_ratio = 1,
					  .u_drag_ratio = 0.02,
					  .least_s = 2,
					  .sign = 1,
					  .set_tare = true };

struct seen {
	int points[2];
	double fastest_rpm, brake_A;
};

static void watch(void *ctx, const struct tiny_rig *rig, const struct seq_out *out)
{
	struct seen *s = ctx;

	if (out->event.kind == SEQ_EVENT_POINT) {
		assert_int_equal(out->event.point.flags, POINT_TARE);
		assert_int_equal(out->event.point.step, -1); /* of no plan */
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
	assert_int_equal(seen.points[0], 2);
	assert_int_equal(seen.points[1], 1);
	assert_true(seen.brake_A <= 0);
	assert_false(z.fades);
	assert_true(seen.fastest_rpm < 33);
	/* at least what the drag may differ by: 2 % of it as a rectangle */
	assert_true(z.u_zero_count >= 0.02 * z.drag_count / 2 &&
		    z.u_zero_count <
			    0.024 * z.drag_count / 2); /* zero = (f + b)/2 for ratio 1: half of the drag's difference */
	assert_true(fabs(rig.speed_rpm) <= 1);
	assert_false(out.wish.power);
}

/* Forward f = z + d, back b = z - r d, so z = (r f + b)/(1 + r): of 5500 and 4500 with r = 1.1 it is 5023.81, d is
 * 476.19. */
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
	/* its first turn and both changes of the speed are 4 s; 30 s more */
	assert_true(fabs(mono_diff_s(rig.snap.now, z.phase_at) - 34) < 0.05);
}

/* Once a turn a mark that is a seventh of its pitch out of place makes the speed seem 15 % too high for a tick or two.
 */
static void with_a_bad_mark(void *state, const struct snapshot *snap, struct seq_out *ret)
{
	struct snapshot seen = *snap;

	if (fabs(seen.angle_rev) - floor(fabs(seen.angle_rev)) < 0.02)
		seen.speed_rpm *= 1.15;
	seq_zero_step(state, &seen, ret);
}

static void a_mark_out_of_place_is_no_change_of_speed(void **state)
{
	struct tiny_rig rig = tiny_rig_make(16);
	struct seq_zero z;

	(void)state;
	seq_zero_begin(&z, &usual);
	assert_true(tiny_run(&rig, with_a_bad_mark, &z, 120, NULL, NULL).done);
	assert_true(fabs(z.zero_count - 5000) < 3);
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
	assert_int_equal(notes, 4);
	assert_true(fabs(z.zero_count - 5000) < 3);
}

/* Poles with 1 N·m of drag that fade over 6 turns. Read forward and back alone, by hand: forward over turns 1 to 3 and
 * back over 4 to 6 (no time lost) means drags apart by some 0.3 N·m, so a zero off by 0.15 N·m = 150 counts. The line
 * through two forwards leaves the bend: with half a turn to settle, forwards over turns 1 to 2 and 5 to 6 and back
 * over 2.5 to 4.5, drag 1 e^(-x/6) has means m(a, b) = 6 (e^(-a/6) - e^(-b/6))/(b - a): 0.7797, 0.5597, 0.4003. (0.7797
 * + 0.4003)/2 - 0.5597 = 0.0303 too much, half of it in the zero. It fades on while it is read again: the change from
 * forward to forward of 0.379 N·m shrinks by e^(-4/6) = 0.51 each time, to 0.195, 0.1, 0.051. Four tries are over
 * before it is below 2 % of the drag; the zero is then off by 2 mN·m, and its u holds that and says so. */
static void drag_that_fades_is_read_again_and_what_is_left_is_in_u(void **state)
{
	struct tiny_rig rig = tiny_rig_make(21);
	struct seen seen = { 0 };
	struct seq_zero z;

	(void)state;
	rig.poles_Nm = 1;
	rig.poles_fade_rev = 6;
	seq_zero_begin(&z, &usual);
	assert_true(tiny_run(&rig, seq_zero_step, &z, 240, watch, &seen).done);
	assert_int_equal(seen.points[0], 5);
	assert_int_equal(seen.points[1], 4);
	assert_true(z.fades);
	assert_true(fabs(z.zero_count - 5000) < 8);
	assert_true(fabs(z.zero_count - 5000) < 2 * z.u_zero_count);
	/* at least what the fade may have done: a quarter of it as limits, 51/4/sqrt 3 = 7 */
	assert_true(z.u_zero_count > 6);
	assert_true(seen.brake_A <= 0);
}

/* The same poles, cleared first under current: gone before the first reading, so one try is enough. */
static void a_hysteresis_brake_is_cleared_before_its_zero(void **state)
{
	struct tiny_rig rig = tiny_rig_make(22);
	struct zero_config config = usual;
	struct seen seen = { 0 };
	struct seq_zero z;

	(void)state;
	rig.poles_Nm = 1;
	rig.poles_fade_rev = 6;
	rig.poles_wipe_rev = 0.3;
	rig.remanence_Nm = 0;
	config.clear_A = 0.5;
	seq_zero_begin(&z, &config);
	assert_true(tiny_run(&rig, seq_zero_step, &z, 120, watch, &seen).done);
	assert_true(fabs(seen.brake_A - 0.5) < 1e-9);
	assert_int_equal(seen.points[0], 2);
	assert_int_equal(seen.points[1], 1);
	assert_false(z.fades);
	assert_true(fabs(z.zero_count - 5000) < 3);
	assert_true(fabs(z.drag_count - 500) < 5);
}

/* 0.5 A are 20 N·m; an actuator with 12 loses its speed under them: the peak comes down to what it can, and the zero is
 * found. */
static void what_the_actuator_cannot_turn_is_eased(void **state)
{
	struct tiny_rig rig = tiny_rig_make(23);
	struct zero_config config = usual;
	struct seen seen = { 0 };
	struct seq_zero z;

	(void)state;
	rig.poles_Nm = 1;
	rig.poles_wipe_rev = 0.3;
	rig.motor_most_Nm = 12;
	config.clear_A = 0.5;
	seq_zero_begin(&z, &config);
	assert_true(tiny_run(&rig, seq_zero_step, &z, 120, watch, &seen).done);
	assert_true(seen.brake_A < 0.45 && seen.brake_A > 0.25);
	assert_true(fabs(z.zero_count - 5000) < 3);
}

static void clearing_alone_reads_nothing(void **state)
{
	struct tiny_rig rig = tiny_rig_make(24);
	struct zero_config config = usual;
	struct seen seen = { 0 };
	struct seq_zero z;

	(void)state;
	rig.poles_Nm = 1;
	rig.poles_wipe_rev = 0.3;
	config.clear_A = 0.5;
	config.clear_only = true;
	seq_zero_begin(&z, &config);
	struct seq_out out = tiny_run(&rig, seq_zero_step, &z, 120, watch, &seen);
	assert_true(out.done);
	assert_false(out.wish.power);
	assert_int_equal(seen.points[0] + seen.points[1], 0);
	assert_true(isnan(rig.tare_count) && isnan(z.zero_count));
	assert_true(rig.poles_Nm < 0.001);
	assert_true(fabs(rig.speed_rpm) <= 1);
}

/* One tooth sensor: the drive's own rotor tells the way, and where it is mute the torque does. */
static void one_tooth_sensor_reads_both_ways_all_the_same(void **state)
{
	(void)state;
	for (int mute = 0; mute < 2; mute++) {
		struct tiny_rig rig = tiny_rig_make(25);
		struct zero_config config = usual;
		struct seq_zero z;

		rig.single = true;
		rig.mute_drive = mute;
		config.no_direction = true;
		seq_zero_begin(&z, &config);
		assert_true(tiny_run(&rig, seq_zero_step, &z, 120, NULL, NULL).done);
		assert_true(z.reversed);
		assert_true(fabs(z.zero_count - 5000) < 3);
	}
}

/* One pulse a turn, and 0.3 N·m of drag that comes once a turn: over whole turns it falls out, but for the twentieth of
 * a turn that a tick is at 300 rpm: 300 counts * 0.05 = 15 a reading at worst, over the turns read. Half a turn too
 * little would leave up to 300 * 2/pi = 191 counts, over the turns read. */
static void one_pulse_a_turn_still_makes_whole_turns(void **state)
{
	(void)state;
	for (int i = 0; i < 5; i++) {
		struct tiny_rig rig = tiny_rig_make(30 + (uint64_t)i);
		struct zero_config config = usual;
		struct seq_zero z;

		rig.single = true;
		rig.pulses_per_rev = 1;
		rig.drag_turn_Nm = 0.3;
		rig.noise_Nm = 0.001;
		rig.angle_rev = rig.counted_rev = 0.2 * i;
		config.no_direction = true;
		config.speed_rpm = config.slew_rpm_per_s = 300;
		config.least_s = 0;
		seq_zero_begin(&z, &config);
		assert_true(tiny_run(&rig, seq_zero_step, &z, 120, NULL, NULL).done);
		assert_true(fabs(z.zero_count - 5000) < 15);
	}
}

/* A drive that knows one way only: nothing shows that the shaft turned back, and so there is no zero. Without the look
 * it would be 5500, the drag and all. */
static void a_shaft_that_does_not_turn_back_gives_no_zero(void **state)
{
	(void)state;
	for (int mute = 0; mute < 2; mute++) {
		struct tiny_rig rig = tiny_rig_make(26);
		struct zero_config config = usual;
		struct seen seen = { 0 };
		struct seq_zero z;

		rig.single = rig.no_reverse = true;
		rig.mute_drive = mute;
		config.no_direction = true;
		seq_zero_begin(&z, &config);
		assert_true(tiny_run(&rig, seq_zero_step, &z, 120, watch, &seen).done);
		assert_false(z.reversed);
		assert_int_equal(seen.points[0], 2);
		assert_int_equal(seen.points[1], 0);
		assert_true(isnan(z.zero_count) && isnan(rig.tare_count));
	}
}

/* What the pick-up sees in one phase: a shaft at this speed that does not come on. */
struct misled {
	struct seq_zero z;
	enum zero_phase phase;
	double rpm, rev; /* rev: where it was when that phase began */
	unsigned clearings;
};

static void step_misled(void *state, const struct snapshot *snap, struct seq_out *ret)
{
	struct misled *m = state;
	struct snapshot seen = *snap;
	enum zero_phase before = m->z.phase;

	if (m->z.phase == m->phase) {
		seen.speed_rpm = m->rpm;
		seen.angle_rev = m->rev;
	}
	m->rev = seen.angle_rev;
	seq_zero_step(&m->z, &seen, ret);
	m->clearings += before != ZERO_CLEAR && m->z.phase == ZERO_CLEAR;
}

static void a_shaft_that_stops_or_never_stops_ends_it(void **state)
{
	static const struct {
		enum zero_phase phase;
		double rpm;
		const char *words;
	} rows[] = {
		{ ZERO_CLEAR, 0, "the shaft does not turn under the current that clears the brake" },
		{ ZERO_AVERAGE, 0, "the shaft stopped turning while the zero was read" },
		{ ZERO_COAST, 30, "the shaft does not stop" },
	};
	struct zero_config config = usual;

	(void)state;
	config.clear_A = 0.5;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct tiny_rig rig = tiny_rig_make(24);
		struct misled m = { .phase = rows[i].phase, .rpm = rows[i].rpm };

		seq_zero_begin(&m.z, &config);
		struct seq_out out = tiny_run(&rig, step_misled, &m, 240, NULL, NULL);
		if (!out.stop || !strstr(out.event.text, rows[i].words))
			fail_msg("row %zu: %s", i, out.event.text);
	}
}

/* Poles that the current does not wipe: each try begins with a clearing of its own, four in all. */
static void each_try_clears_the_brake_again(void **state)
{
	struct tiny_rig rig = tiny_rig_make(25);
	struct zero_config config = usual;
	struct misled m = { .phase = ZERO_END };

	(void)state;
	rig.poles_Nm = 1;
	rig.poles_fade_rev = 6;
	config.clear_A = 0.5;
	seq_zero_begin(&m.z, &config);
	assert_true(tiny_run(&rig, step_misled, &m, 400, NULL, NULL).done);
	assert_int_equal(m.clearings, m.z.fades ? 4 : m.z.round + 1);
	assert_true(m.clearings >= 2);
}

/* Two conversions in three ticks are none: each counts once, so that eight of them take their time. */
static void a_slow_cell_is_read_once_each(void **state)
{
	struct tiny_rig rig = tiny_rig_make(27);
	struct zero_config config = usual;
	struct seq_zero z;

	(void)state;
	rig.cell_every = 100; /* one a second: eight take longer than two turns of 4 s */
	config.least_s = 5;
	seq_zero_begin(&z, &config);
	assert_true(tiny_run(&rig, seq_zero_step, &z, 240, NULL, NULL).done);
	assert_true(fabs(z.zero_count - 5000) < 10);
	assert_true((double)rig.ticks * TINY_TICK_S > 3 * 7);
}

/* The least time holds where the turns are over sooner. */
static void a_zero_takes_its_least_time(void **state)
{
	double took_s[2];

	(void)state;
	for (int i = 0; i < 2; i++) {
		struct tiny_rig rig = tiny_rig_make(28);
		struct zero_config config = usual;
		struct seq_zero z;

		config.least_s = i ? 20 : 2;
		seq_zero_begin(&z, &config);
		assert_true(tiny_run(&rig, seq_zero_step, &z, 240, NULL, NULL).done);
		took_s[i] = (double)rig.ticks * TINY_TICK_S;
	}
	/* forward twice by half, backward whole: 40 s; the turns take 4 s of 30 rpm each way */
	assert_true(took_s[0] < 25 && took_s[1] > 40);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(drag_falls_out_of_the_mean),
		cmocka_unit_test(a_known_ratio_of_the_drags_is_taken_in),
		cmocka_unit_test(wrong_sign_of_the_cell_is_found),
		cmocka_unit_test(a_contactor_that_stays_open_ends_it),
		cmocka_unit_test(a_shaft_that_does_not_turn_ends_it),
		cmocka_unit_test(a_mark_out_of_place_is_no_change_of_speed),
		cmocka_unit_test(leaves_the_tare_alone_when_told),
		cmocka_unit_test(a_hand_turns_both_ways),
		cmocka_unit_test(drag_that_fades_is_read_again_and_what_is_left_is_in_u),
		cmocka_unit_test(a_hysteresis_brake_is_cleared_before_its_zero),
		cmocka_unit_test(what_the_actuator_cannot_turn_is_eased),
		cmocka_unit_test(clearing_alone_reads_nothing),
		cmocka_unit_test(one_tooth_sensor_reads_both_ways_all_the_same),
		cmocka_unit_test(one_pulse_a_turn_still_makes_whole_turns),
		cmocka_unit_test(a_shaft_that_does_not_turn_back_gives_no_zero),
		cmocka_unit_test(a_shaft_that_stops_or_never_stops_ends_it),
		cmocka_unit_test(each_try_clears_the_brake_again),
		cmocka_unit_test(a_slow_cell_is_read_once_each),
		cmocka_unit_test(a_zero_takes_its_least_time),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
