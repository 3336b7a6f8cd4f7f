/* SPDX-License-Identifier: GPL-3.0-or-later */
/* How a sweep gives way and ends: eased near the stall, unloaded before the drive goes off, a shaft that does not
 * stop, a falling step met once. */
#include "run/seq_sweep.h"

#include "tests/unit/run/tiny_rig.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

#include <cmocka.h>

#include "tests/unit/near.h"
#include "tests/unit/run/tiny_sweep.h"

struct watch {
	double t_s, step_at_s, step_A, note_at_s, next_step_at_s, eased_share, set_share, model_share;
	double fastest_unload_A_per_s, brake_at_off_A, before_A, off_at_s, falls_late, falling_most_A;
	bool drove, falling;
	int steps;
};

static void watch(void *ctx, const struct tiny_rig *rig, const struct seq_out *out)
{
	struct watch *w = ctx;
	double brake_A = out->wish.brake_A;

	(void)rig;
	w->t_s += TINY_TICK_S;
	if (out->event.kind == SEQ_EVENT_STEP) {
		w->falling = out->event.point.direction < 0;
		w->step_at_s = w->t_s;
		w->step_A = brake_A;
		w->steps++;
		if (w->note_at_s > 0 && !(w->next_step_at_s > 0))
			w->next_step_at_s = w->t_s;
	}
	if (w->falling && w->t_s > w->step_at_s)
		w->falling_most_A = fmax(w->falling_most_A, brake_A);
	if (w->falling && fabs(w->t_s - w->step_at_s - 0.3) < TINY_TICK_S / 2)
		w->falls_late = fmax(w->falls_late, brake_A / w->step_A);
	if (out->event.kind == SEQ_EVENT_NOTE && sweep.phase == SWEEP_EASE) {
		w->note_at_s = w->t_s;
		w->eased_share = brake_A / w->before_A;
		w->set_share = sweep.set / sweep.live_torque_Nm;
		w->model_share = sweep.control.model_Nm / sweep.live_torque_Nm;
	}
	if (sweep.phase == SWEEP_UNLOAD)
		w->fastest_unload_A_per_s = fmax(w->fastest_unload_A_per_s, (w->before_A - brake_A) / TINY_TICK_S);
	if (w->drove && out->wish.mode == DRIVE_OFF && !(w->off_at_s > 0)) {
		w->off_at_s = w->t_s;
		w->brake_at_off_A = brake_A;
	}
	w->drove |= out->wish.mode != DRIVE_OFF;
	w->before_A = brake_A;
}

static struct seq_out run(struct tiny_rig *rig, const struct sweep_config *c, const double *set, const int *direction,
			  size_t n, struct watch *w)
{
	struct sweep_item items[8] = { 0 };

	for (size_t i = 0; i < n; i++)
		items[i] = (struct sweep_item){ .step = (int)i, .direction = direction[i], .set = set[i], .rpm = 60 };
	*w = (struct watch){ 0 };
	rig->tare_count = rig->zero_count;
	assert_true(seq_sweep_begin(&sweep, c, items, n));
	return tiny_run(rig, seq_sweep_step, &sweep, 300, watch, w);
}

/* The last load is taken away within about two turns (a second each at 60 rpm, 1 A at most: 0.5 A/s), and only then
 * the drive goes off: a powder brake that is let go at once keeps its torque. */
static void unloads_before_the_drive_goes_off(void **state)
{
	static const double set[] = { 20 };
	static const int up[] = { 1 };
	struct tiny_rig rig = tiny_rig_make(51);
	struct sweep_config c = tiny_sweep_config();
	struct watch w;

	(void)state;
	assert_true(run(&rig, &c, set, up, 1, &w).done);
	assert_near(w.fastest_unload_A_per_s, 0.5, 0.05);
	assert_true(w.off_at_s > 0);
	assert_near(w.brake_at_off_A, 0, 1e-12);
}

/* A falling step that comes from its neighbour above goes down at once: a load that stayed there for another second
 * would be slip heat for nothing. */
static void a_falling_step_is_met_once(void **state)
{
	static const double set[] = { 20, 30, 20, 10 };
	static const int way[] = { 1, 1, -1, -1 };
	struct tiny_rig rig = tiny_rig_make(52);
	struct sweep_config c = tiny_sweep_config();
	struct watch w;

	(void)state;
	assert_true(run(&rig, &c, set, way, 4, &w).done);
	assert_int_equal(w.steps, 4);
	assert_true(w.falls_late > 0 && w.falls_late < 0.97);
}

/* After a rest without load a falling step is met from its neighbour above: 30 N·m falling are (30 - 0.5 - 0.6) / 40 A,
 * and 20 N·m would be 0.4725 A. */
static void a_falling_step_after_a_rest_is_met_from_above(void **state)
{
	static const double set[] = { 20, 30, 20 };
	static const int way[] = { 1, 1, -1 };
	struct tiny_rig rig = tiny_rig_make(57);
	struct sweep_config c = tiny_sweep_config();
	struct watch w;

	(void)state;
	c.cool_s = 3;
	assert_true(run(&rig, &c, set, way, 3, &w).done);
	assert_true(w.falling_most_A > 0.7);
}

/* 25 N·m at 60 rpm, more than enough at 30. */
static void weak_when_fast(void *state, const struct snapshot *snap, struct seq_out *ret)
{
	seq_sweep_step(&sweep, snap, ret);
	((struct tiny_rig *)state)->motor_most_Nm = sweep.want_rpm > 45 ? 25 : 60;
}

/* So too where 30 N·m could not be carried, but at a faster speed. */
static void what_failed_at_a_faster_speed_is_a_neighbour_still(void **state)
{
	struct sweep_item items[] = { { .step = 0, .direction = 1, .set = 20, .rpm = 60 },
				      { .step = 1, .direction = 1, .set = 30, .rpm = 60 },
				      { .step = 1, .direction = 1, .set = 30, .rpm = 30 },
				      { .step = 0, .direction = -1, .set = 20, .rpm = 30 } };
	struct tiny_rig rig = tiny_rig_make(58);
	struct sweep_config c = tiny_sweep_config();
	struct watch w = { 0 };

	(void)state;
	c.cool_s = 3;
	rig.tare_count = rig.zero_count;
	assert_true(seq_sweep_begin(&sweep, &c, items, 4));
	assert_true(tiny_run(&rig, weak_when_fast, &rig, 300, watch, &w).done);
	assert_true(sweep.collapsed);
	assert_true(w.falling_most_A > 0.7);
}

/* The actuator gives 25 N·m: on the way to 30 the brake is eased to 40 % at once, current, set-point and controller
 * alike, and left there for 1.5 s before anything else is asked. */
static void eases_to_less_than_half_and_waits(void **state)
{
	static const double set[] = { 10, 30, 5 };
	static const int way[] = { 1, 1, -1 };
	struct tiny_rig rig = tiny_rig_make(53);
	struct sweep_config c = tiny_sweep_config();
	struct watch w;

	(void)state;
	rig.motor_most_Nm = 25;
	assert_true(run(&rig, &c, set, way, 3, &w).done);
	assert_true(w.note_at_s > 0);
	assert_near(w.eased_share, 0.4, 0.03);
	assert_near(w.set_share, 0.4, 1e-9);
	assert_near(w.model_share, 0.4, 0.03);
	assert_true(w.next_step_at_s - w.note_at_s >= 1.49);
}

/* What the sweep is told of the speed, from 3 s into its second step on. */
static struct tale {
	double (*rpm)(double t_s);
	double t_s, eased_rpm; /* NaN: never eased */
} tale;

static double sags(double t)
{
	return fmax(12, 60 - 15 * t);
}
static double falls(double t)
{
	return fmax(30, 60 - 60 * t);
}
static double skips(double t)
{
	return t < 0.025 ? 5 : 60;
}
static double drops(double t)
{
	return t < 0.1 ? 5 : 60;
}

static void told_step(void *state, const struct snapshot *snap, struct seq_out *ret)
{
	struct snapshot told = *snap;

	(void)state;
	tale.t_s =
		sweep.at == 1 && (sweep.phase == SWEEP_LOAD || sweep.phase == SWEEP_DWELL) ? tale.t_s + TINY_TICK_S : 0;
	if (tale.t_s > 3 && isnan(tale.eased_rpm))
		told.speed_rpm = tale.rpm(tale.t_s - 3);
	seq_sweep_step(&sweep, &told, ret);
	if (sweep.collapsed && isnan(tale.eased_rpm))
		tale.eased_rpm = told.speed_rpm;
}

static double eased_at_rpm(double (*rpm)(double t_s))
{
	struct sweep_item items[2] = { { .step = 0, .direction = 1, .set = 5, .rpm = 60 },
				       { .step = 1, .direction = 1, .set = 20, .rpm = 60 } };
	struct tiny_rig rig = tiny_rig_make(56);
	struct sweep_config c = tiny_sweep_config();

	tale = (struct tale){ .rpm = rpm, .eased_rpm = NAN };
	c.dwell_s = 6;
	rig.tare_count = rig.zero_count;
	assert_true(seq_sweep_begin(&sweep, &c, items, 2));
	assert_true(tiny_run(&rig, told_step, NULL, 300, NULL, NULL).done);
	return tale.eased_rpm;
}

/* A speed of 60 rpm that sags by 15 rpm a second, half of what counts as fast, is given up at a quarter of it, 15 rpm.
 * One that falls by 60 rpm a second at three fifths, 36 rpm: 0.03 s and a tick later it is at 33. One late pulse or two
 * (5 rpm for 0.02 s) are no stall, 0.1 s of it are. */
static void a_speed_that_collapses_is_eased_in_time(void **state)
{
	(void)state;
	assert_near(eased_at_rpm(sags), 14.5, 0.5);
	assert_near(eased_at_rpm(falls), 33.5, 0.7);
	assert_true(isnan(eased_at_rpm(skips)));
	assert_near(eased_at_rpm(drops), 5, 0);
}

/* By current the share is that of the current. */
static void eases_by_current_too(void **state)
{
	static const double set[] = { 0.2, 0.75, 0.1 };
	static const int way[] = { 1, 1, -1 };
	struct tiny_rig rig = tiny_rig_make(54);
	struct sweep_config c = tiny_sweep_config();
	struct watch w;

	(void)state;
	c.load = LOAD_CURRENT;
	rig.motor_most_Nm = 25;
	assert_true(run(&rig, &c, set, way, 3, &w).done);
	assert_near(w.eased_share, 0.4, 0.03);
}

/* At 60 rpm a dwell of exactly one or two turns is over with them: no turn more for a rounding. */
static void a_dwell_of_whole_turns_takes_no_more(void **state)
{
	static const double set[] = { 10 };
	static const int up[] = { 1 };
	struct tiny_rig rig = tiny_rig_make(55);
	struct sweep_config c = tiny_sweep_config();
	struct watch w;

	(void)state;
	assert_true(run(&rig, &c, set, up, 1, &w).done);
	double in_step_s = w.off_at_s - w.step_at_s;
	/* ramp 1.2 s, window 1 s and what settling takes, dwell 2 s, unloading half a second */
	assert_true(in_step_s > 4 && in_step_s < 7);
}

static void still_turning(void *state, const struct snapshot *snap, struct seq_out *ret)
{
	struct snapshot seen = *snap;

	if (((struct seq_sweep *)state)->phase == SWEEP_COAST)
		seen.speed_rpm = 30;
	seq_sweep_step(state, &seen, ret);
}

/* With the drive off and a shaft that goes on turning the sweep does not end as if all were well (L3). */
static void a_shaft_that_does_not_stop_is_told(void **state)
{
	static const double set[] = { 10 };
	static const int up[] = { 1 };
	struct tiny_rig rig = tiny_rig_make(56);
	struct sweep_config c = tiny_sweep_config();
	struct sweep_item item = { .direction = up[0], .set = set[0], .rpm = 60 };
	struct watch w = { 0 };

	(void)state;
	rig.tare_count = rig.zero_count;
	assert_true(seq_sweep_begin(&sweep, &c, &item, 1));
	struct seq_out out = tiny_run(&rig, still_turning, &sweep, 300, watch, &w);
	assert_true(out.stop && !out.done);
	assert_non_null(strstr(out.event.text, "does not stop with the drive off"));
	assert_near(w.t_s - w.off_at_s, 20, 0.1);
}

/* A person turns the crank, at 20 rpm or not at all; the brake makes 0.5 + 40 I. */
static struct seq_out by_hand(double (*rpm)(double t_s), double most_s, double *ret_t_s)
{
	struct sweep_item items[2] = { { .step = 0, .direction = 1, .set = 5 },
				       { .step = 1, .direction = 1, .set = 10 } };
	struct sweep_config c = tiny_sweep_config();
	struct snapshot snap = snapshot_blank();
	struct seq_out out = { 0 };

	c.drive = PLAN_HAND;
	c.top_rpm = 20;
	c.speed_slope_rpm_per_s = INFINITY;
	assert_true(seq_sweep_begin(&sweep, &c, items, 2));
	snap.angle_rev = 0;
	for (int64_t i = 0; i < lround(most_s / TINY_TICK_S) && !out.done && !out.stop; i++) {
		snap.now.ns = 1000000000 + i * 10000000;
		*ret_t_s = (double)i * TINY_TICK_S;
		snap.speed_rpm = rpm(*ret_t_s);
		snap.angle_rev += snap.speed_rpm / 60 * TINY_TICK_S;
		snap.torque_Nm = 0.5 + 40 * out.wish.brake_A;
		snap.channel[CHANNEL_CELL].fresh++;
		out = (struct seq_out){ 0 };
		seq_sweep_step(&sweep, &snap, &out);
		assert_true(!out.wish.power && out.wish.mode == DRIVE_OFF);
		if (i > 0 && sweep.phase == SWEEP_SPIN)
			assert_string_equal(out.phase, "turn");
	}
	return out;
}

static double stands_still(double t)
{
	(void)t;
	return 0;
}
static double slips(double t)
{
	(void)t;
	return 2.5; /* below the brake's least slip of 3 rpm */
}
static double turns_then_rests(double t)
{
	return t < 60 ? 20 : 0;
}
static double never_rests(double t)
{
	(void)t;
	return 20;
}

/* No contactor is asked for, and a person has 180 s to begin and to end. */
static void a_person_turns_the_shaft(void **state)
{
	double t_s = 0;

	(void)state;
	assert_true(by_hand(turns_then_rests, 400, &t_s).done);
	assert_int_equal(sweep.points, 2);
	struct seq_out out = by_hand(stands_still, 400, &t_s);
	assert_true(out.stop && fabs(t_s - 180) < 0.1);
	assert_string_equal(out.event.text, "the shaft was not turned");
	out = by_hand(slips, 400, &t_s);
	assert_true(out.stop && fabs(t_s - 180) < 0.1);
	assert_string_equal(out.event.text, "the shaft was not turned");
	out = by_hand(never_rests, 400, &t_s);
	assert_true(out.stop && t_s > 180);
	assert_non_null(strstr(out.event.text, "does not stop with the drive off"));
	assert_int_equal(sweep.points, 2);
}

/* A load that is still on its way when the settling time is over is taken as it is, and said so: up it is less than
 * commanded, and heavier steps are left out; down it is more, and none is. */
static void a_load_on_its_way_at_the_time_out(void **state)
{
	static const double set[] = { 5, 30, 35, 2 };
	static const int way[] = { 1, 1, 1, -1 };
	struct tiny_rig rig = tiny_rig_make(60);
	struct sweep_config c = tiny_sweep_config();
	struct watch w;

	(void)state;
	c.control.ramp_Nm_per_s = 1;
	c.timeout_s = 6;
	assert_true(run(&rig, &c, set, way, 4, &w).done);
	assert_int_equal(sweep.points, 3);
	assert_int_equal(sweep.left_out, 1);
	assert_non_null(strstr(sweep.why_left_out, "30 N\u00b7m was not reached"));
	assert_true(sweep.item[2].done && sweep.failed[0].set > 29 && sweep.n_failed == 1);
}

/* The actuator stalls while a mean is taken, or while the speed changes: eased there as well. What the meter does not
 * tell is not told. */
static struct weak {
	struct tiny_rig *rig;
	enum sweep_phase phase;
	int at;
	bool seen;
	char note[200];
} weak;

static void weak_in_phase(void *state, const struct snapshot *snap, struct seq_out *ret)
{
	struct snapshot told = *snap;

	(void)state;
	told.voltage_V = NAN;
	told.current_A = NAN;
	seq_sweep_step(&sweep, &told, ret);
	weak.seen |= sweep.phase == weak.phase && (int)sweep.at == weak.at;
	weak.rig->motor_most_Nm = weak.seen && !sweep.collapsed ? 3 : 60;
	if (ret->event.kind == SEQ_EVENT_NOTE && sweep.phase == SWEEP_EASE)
		snprintf(weak.note, sizeof weak.note, "%s", ret->event.text);
}

static void a_stall_is_eased_in_any_phase(void **state)
{
	static const struct {
		enum sweep_phase phase;
		int at;
	} rows[] = { { SWEEP_DWELL, 1 }, { SWEEP_CHANGE, 2 } };

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct sweep_item items[3] = { { .step = 0, .direction = 1, .set = 5, .rpm = 30 },
					       { .step = 1, .direction = 1, .set = 20, .rpm = 30 },
					       { .step = 1, .direction = 1, .set = 20, .rpm = 60 } };
		struct tiny_rig rig = tiny_rig_make(61);
		struct sweep_config c = tiny_sweep_config();

		weak = (struct weak){ .rig = &rig, .phase = rows[i].phase, .at = rows[i].at };
		rig.tare_count = rig.zero_count;
		assert_true(seq_sweep_begin(&sweep, &c, items, 3));
		assert_true(tiny_run(&rig, weak_in_phase, NULL, 300, NULL, NULL).done);
		assert_true(sweep.collapsed);
		assert_int_equal(sweep.points, rows[i].at);
		assert_non_null(strstr(weak.note, "brake eased, heavier steps left out"));
		assert_null(strstr(weak.note, "supply"));
	}
}

/* A speed that is not reached in its time is the next step's to find: its point is taken at what there is. */
static void too_slow(void *state, const struct snapshot *snap, struct seq_out *ret)
{
	struct snapshot told = *snap;

	(void)state;
	if (sweep.at > 0)
		told.speed_rpm = fmin(told.speed_rpm, 40);
	seq_sweep_step(&sweep, &told, ret);
}

static void a_speed_that_is_not_reached_is_a_point(void **state)
{
	struct sweep_item items[2] = { { .step = 0, .direction = 1, .set = 5, .rpm = 30 },
				       { .step = 0, .direction = 1, .set = 5, .rpm = 60 } };
	struct tiny_rig rig = tiny_rig_make(62);
	struct sweep_config c = tiny_sweep_config();

	(void)state;
	rig.tare_count = rig.zero_count;
	assert_true(seq_sweep_begin(&sweep, &c, items, 2));
	assert_true(tiny_run(&rig, too_slow, NULL, 300, NULL, NULL).done);
	assert_int_equal(sweep.points, 2);
	assert_true((double)rig.ticks * TINY_TICK_S > 10 + 60 / 30.0 + 12); /* its own time and the settling time */
}

/* Where no heavier load lies before it, a falling step is met from where the brake is; where one was taken at another
 * speed and the load was kept, too. */
static void a_falling_step_without_a_neighbour(void **state)
{
	static const double set[] = { 10 };
	static const int down[] = { -1 };
	struct tiny_rig rig = tiny_rig_make(63);
	struct sweep_config c = tiny_sweep_config();
	struct watch w;

	(void)state;
	assert_true(run(&rig, &c, set, down, 1, &w).done);
	assert_true(w.falling_most_A < (10 - 0.5) / 40 + 0.02); /* never more than its own load */
	struct sweep_item items[] = { { .step = 1, .direction = 1, .set = 20, .rpm = 30 },
				      { .step = 1, .direction = 1, .set = 20, .rpm = 60 },
				      { .step = 0, .direction = -1, .set = 10, .rpm = 30 },
				      { .step = 0, .direction = -1, .set = 10, .rpm = 60 } };
	rig = tiny_rig_make(63);
	rig.tare_count = rig.zero_count;
	w = (struct watch){ 0 };
	assert_true(seq_sweep_begin(&sweep, &c, items, 4));
	assert_true(tiny_run(&rig, seq_sweep_step, &sweep, 300, watch, &w).done);
	assert_int_equal(sweep.points, 4);
	/* the change to 60 rpm is made under the lesser load, so nothing more than 10 N·m is set again */
	assert_true(w.falling_most_A < (20 - 0.5) / 40 + 0.02);
}

/* What could not be carried at a speed is left out there and at faster ones, each once, and nothing that was taken. */
static void only_what_is_left_is_left_out(void **state)
{
	struct sweep_item items[] = { { .step = 0, .direction = 1, .set = 10, .rpm = 60 },
				      { .step = 1, .direction = 1, .set = 30, .rpm = 60 },
				      { .step = 2, .direction = 1, .set = 35, .rpm = 60 },
				      { .step = 1, .direction = 1, .set = 30, .rpm = 80, .done = true },
				      { .step = 2, .direction = 1, .set = 35, .rpm = 80 } };
	struct tiny_rig rig = tiny_rig_make(64);
	struct sweep_config c = tiny_sweep_config();

	(void)state;
	rig.motor_most_Nm = 25;
	rig.tare_count = rig.zero_count;
	assert_true(seq_sweep_begin(&sweep, &c, items, 5));
	assert_true(tiny_run(&rig, seq_sweep_step, &sweep, 300, NULL, NULL).done);
	assert_int_equal(sweep.points, 1);
	assert_int_equal(sweep.left_out, 3); /* 30 and 35 at 60 rpm, 35 at 80 */
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(unloads_before_the_drive_goes_off),
		cmocka_unit_test(a_falling_step_is_met_once),
		cmocka_unit_test(a_falling_step_after_a_rest_is_met_from_above),
		cmocka_unit_test(what_failed_at_a_faster_speed_is_a_neighbour_still),
		cmocka_unit_test(eases_to_less_than_half_and_waits),
		cmocka_unit_test(eases_by_current_too),
		cmocka_unit_test(a_speed_that_collapses_is_eased_in_time),
		cmocka_unit_test(a_dwell_of_whole_turns_takes_no_more),
		cmocka_unit_test(a_shaft_that_does_not_stop_is_told),
		cmocka_unit_test(a_person_turns_the_shaft),
		cmocka_unit_test(a_load_on_its_way_at_the_time_out),
		cmocka_unit_test(a_stall_is_eased_in_any_phase),
		cmocka_unit_test(a_speed_that_is_not_reached_is_a_point),
		cmocka_unit_test(a_falling_step_without_a_neighbour),
		cmocka_unit_test(only_what_is_left_is_left_out),
	};

	return cmocka_run_group_tests(tests, make_map, NULL);
}
