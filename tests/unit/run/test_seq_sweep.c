/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "run/seq_sweep.h"

#include "tests/unit/run/tiny_rig.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

#include <cmocka.h>

#include "tests/unit/run/tiny_sweep.h"

static struct plan_profile usual_plan(void)
{
	return (struct plan_profile){ .load = LOAD_TORQUE,
				      .drive = PLAN_SPEED,
				      .n_speeds = 1,
				      .speed_rpm = { 60 },
				      .n = 4,
				      .step = { 0, 10, 20, 30 },
				      .down = true,
				      .repeat_first = true };
}

static struct sweep_config usual(const struct plan_profile *p)
{
	struct sweep_config c = tiny_sweep_config();

	c.load = p->load;
	c.drive = p->drive;
	c.top_rpm = plan_top_rpm(p);
	c.drive_A = p->drive_A;
	return c;
}

struct seen {
	struct seq_point point[40];
	size_t n, steps, notes;
	char note[200];
	double most_A, least_rpm_under_load, before_A,
		eased_to; /* eased_to: share of the current left at once at a note */
	bool drive_without_brake, brake_gone_while_turning, off_after_the_first; /* point: the drive */
	char order[400];
	const struct sweep_config *config;
};

static void watch(void *ctx, const struct tiny_rig *rig, const struct seq_out *out)
{
	struct seen *s = ctx;

	s->most_A = fmax(s->most_A, out->wish.brake_A);
	s->steps += out->event.kind == SEQ_EVENT_STEP;
	s->notes += out->event.kind == SEQ_EVENT_NOTE;
	if (out->event.kind == SEQ_EVENT_NOTE) {
		s->eased_to = out->wish.brake_A / s->before_A;
		snprintf(s->note, sizeof s->note, "%s", out->event.text);
	}
	s->before_A = out->wish.brake_A;
	if (rig->coil_A > 0.02)
		s->least_rpm_under_load = fmin(s->least_rpm_under_load, rig->speed_rpm);
	if (out->wish.mode == DRIVE_CURRENT && rig->coil_A < 0.01)
		s->drive_without_brake = true;
	s->off_after_the_first |= s->n == 1 && out->wish.mode == DRIVE_OFF;
	if (s->config->drive == PLAN_DRIVE_CURRENT && rig->speed_rpm > 2 && out->wish.brake_A <= 0)
		s->brake_gone_while_turning = true;
	if (out->event.kind != SEQ_EVENT_POINT || s->n == 40)
		return;
	const struct seq_point *p = &out->event.point;
	s->point[s->n++] = *p;
	size_t used = strlen(s->order);
	snprintf(s->order + used, sizeof s->order - used, "%s%d%s%s", used ? " " : "", p->step,
		 p->direction > 0   ? "u"
		 : p->direction < 0 ? "d"
				    : "",
		 p->flags & POINT_REPEAT ? "r" : "");
}

static struct seq_out run_items(struct tiny_rig *rig, const struct sweep_config *c, const struct sweep_item *items,
				size_t n, struct seen *seen)
{
	*seen = (struct seen){ .least_rpm_under_load = INFINITY, .config = c };
	rig->tare_count = rig->zero_count;
	assert_true(seq_sweep_begin(&sweep, c, items, n));
	return tiny_run(rig, seq_sweep_step, &sweep, 900, watch, seen);
}

static struct seq_out run_plan(struct tiny_rig *rig, const struct plan_profile *p, const struct sweep_config *c,
			       struct seen *seen)
{
	struct sweep_item items[SWEEP_ITEMS];
	size_t n = sweep_order(p, NULL, items);

	return run_items(rig, c, items, n, seen);
}

static void order_of(const struct sweep_item *items, size_t n, char *buf, size_t size)
{
	size_t used = 0;

	buf[0] = '\0';
	for (size_t i = 0; i < n && used < size; i++)
		used += (size_t)snprintf(buf + used, size - used, "%s%d%s%s%s", i ? " " : "", items[i].step,
					 items[i].direction > 0   ? "u"
					 : items[i].direction < 0 ? "d"
								  : "",
					 items[i].repeat ? "r" : "", items[i].done ? "x" : "");
}

static void orders_the_steps(void **state)
{
	struct plan_profile p = usual_plan();
	struct sweep_item items[SWEEP_ITEMS];
	char text[200];

	(void)state;
	order_of(items, sweep_order(&p, &(size_t){ 4 }, items), text, sizeof text);
	assert_string_equal(text, "0u 1u 2u 3u 2d 1d 0d 0r");
	order_of(items, sweep_order(&p, &(size_t){ 2 }, items), text, sizeof text);
	assert_string_equal(text, "0u 1u 0d 0r");
	p.down = p.repeat_first = false;
	order_of(items, sweep_order(&p, &(size_t){ 9 }, items), text, sizeof text);
	assert_string_equal(text, "0u 1u 2u 3u");
	assert_int_equal(sweep_order(&p, &(size_t){ 0 }, items), 0);
}

static void shuffles_all_steps_once_and_the_same_for_the_same_seed(void **state)
{
	struct plan_profile p = usual_plan();
	struct sweep_item a[SWEEP_ITEMS], b[SWEEP_ITEMS];
	bool moved = false;
	int seen[100] = { 0 };

	(void)state;
	p.n = 100;
	for (int i = 0; i < 100; i++)
		p.step[i] = i;
	p.shuffle = true;
	p.repeat_first = false;
	p.seed = 5;
	size_t n = sweep_order(&p, &(size_t){ 100 }, a);
	assert_int_equal(n, 100);
	assert_int_equal(sweep_order(&p, &(size_t){ 100 }, b), 100);
	for (size_t i = 0; i < n; i++) {
		seen[a[i].step]++;
		moved = moved || a[i].step != (int)i;
		assert_int_equal(a[i].step, b[i].step);
		assert_int_equal(a[i].direction, 0);
	}
	for (int i = 0; i < 100; i++)
		assert_int_equal(seen[i], 1);
	assert_true(moved);
	p.seed = 6;
	sweep_order(&p, &(size_t){ 100 }, b);
	size_t same = 0;
	for (size_t i = 0; i < n; i++)
		same += a[i].step == b[i].step;
	assert_true(same < 20);
}

static void crosses_off_what_was_done(void **state)
{
	struct plan_profile p = usual_plan();
	struct sweep_item items[SWEEP_ITEMS];
	char text[200];

	(void)state;
	size_t n = sweep_order(&p, &(size_t){ 4 }, items);
	assert_true(sweep_cross_off(items, n, 0, +1, 60, 0));
	assert_true(sweep_cross_off(items, n, 1, +1, 60, POINT_NOT_SETTLED));
	assert_false(sweep_cross_off(items, n, 1, +1, 60, 0));
	assert_false(sweep_cross_off(items, n, 0, +1, 60, POINT_TARE));
	assert_true(sweep_cross_off(items, n, 0, 0, 60, POINT_REPEAT));
	order_of(items, n, text, sizeof text);
	assert_string_equal(text, "0ux 1ux 2u 3u 2d 1d 0d 0rx");
	assert_false(sweep_cross_off(items, n, 2, +1, 60, POINT_REPEAT)); /* no repeat of that */
	assert_false(sweep_cross_off(items, n, 2, +1, 60, POINT_CUT));
	assert_false(sweep_cross_off(items, n, 2, +1, NAN, 0)); /* a speed was commanded in this plan */
}

/* A shaft that is turned by hand has no speed commanded, then as now. */
static void crosses_off_without_a_speed(void **state)
{
	struct plan_profile p = usual_plan();
	struct sweep_item items[SWEEP_ITEMS];

	(void)state;
	p.drive = PLAN_HAND;
	size_t n = sweep_order(&p, NULL, items);
	assert_true(sweep_cross_off(items, n, 1, +1, NAN, 0));
	assert_false(sweep_cross_off(items, n, 1, +1, 60, POINT_AT_LIMIT));
	for (size_t i = 0; i < n; i++)
		assert_false(items[i].is_limit); /* nor was the limit at that speed found */
	assert_false(sweep_cross_off(items, n, 9, +1, NAN, POINT_AT_LIMIT | POINT_SEARCH));
	for (size_t i = 0; i < n; i++)
		assert_int_equal(items[i].is_limit, items[i].direction > 0);
}

static void runs_up_down_and_repeats(void **state)
{
	struct tiny_rig rig = tiny_rig_make(41);
	struct plan_profile p = usual_plan();
	struct sweep_config c = usual(&p);
	struct seen seen;
	struct seq_out out = run_plan(&rig, &p, &c, &seen);

	(void)state;
	assert_true(out.done);
	assert_string_equal(seen.order, "0u 1u 2u 3u 2d 1d 0d 0r");
	assert_int_equal(seen.steps, 8);
	for (size_t i = 0; i < seen.n; i++) {
		const struct seq_point *q = &seen.point[i];
		double expected = q->setpoint_Nm > 0 ? q->setpoint_Nm : 0.5; /* the drag is all there is at 0 */
		if (!(fabs(q->mean_torque_Nm - expected) < (q->setpoint_Nm > 0 ? 0.1 : 0.7)))
			fail_msg("point %zu: %g N·m, wanted %g", i, q->mean_torque_Nm, expected);
		assert_true(fabs(q->mean_speed_rpm - 60) < 0.5);
		assert_int_equal(q->flags & POINT_NOT_SETTLED, 0);
		assert_true(mono_diff_s(q->end, q->begin) >= 2);
		assert_true(isnan(q->setpoint_A));
	}
	assert_true(fabs(rig.speed_rpm) <= 1);
	assert_true(!out.wish.power && out.wish.mode == DRIVE_OFF && out.wish.brake_A <= 0);
	assert_true(out.progress_frac >= 1);
	assert_string_equal(sweep.why_left_out, "");
}

struct unload {
	double from_A, s;
};

static void watch_unload(void *ctx, const struct tiny_rig *rig, const struct seq_out *out)
{
	struct unload *u = ctx;

	(void)rig;
	(void)out;
	if (sweep.phase != SWEEP_UNLOAD)
		return;
	u->from_A = fmax(u->from_A, sweep.brake_A);
	u->s += TINY_TICK_S;
}

/* At the end the whole current of 1 A would go within two turns of the shaft: 2 s at 60 rpm, 4 s at 30 rpm. */
static void the_last_load_goes_over_two_turns(void **state)
{
	(void)state;
	for (int half = 0; half < 2; half++) {
		struct tiny_rig rig = tiny_rig_make(42);
		struct plan_profile p = usual_plan();
		struct sweep_item items[SWEEP_ITEMS];
		struct unload seen = { 0 };

		p.down = p.repeat_first = false;
		p.speed_rpm[0] = half ? 30 : 60;
		struct sweep_config c = usual(&p);
		rig.tare_count = rig.zero_count;
		assert_true(seq_sweep_begin(&sweep, &c, items, sweep_order(&p, NULL, items)));
		assert_true(tiny_run(&rig, seq_sweep_step, &sweep, 900, watch_unload, &seen).done);
		assert_true(seen.from_A > 0.5);
		assert_true(fabs(seen.s - seen.from_A * 2 * (half ? 2 : 1)) < 0.1);
	}
}

/* 60 rpm is a turn a second: 2.5 s go on to the end of the third turn. At 20 rpm that would be the first turn, at 3 s;
 * at 10 rpm it would take another 3.5 s, which is too long to wait for. */
static void a_dwell_ends_with_a_whole_turn_where_that_is_near(void **state)
{
	static const struct {
		double rpm, length_s;
	} rows[] = { { 60, 3 }, { 20, 3 }, { 10, 2.5 } };

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct tiny_rig rig = tiny_rig_make(43);
		struct plan_profile p = usual_plan();
		struct seen seen;

		p.speed_rpm[0] = rows[i].rpm;
		struct sweep_config c = usual(&p);
		c.dwell_s = 2.5;
		run_plan(&rig, &p, &c, &seen);
		assert_int_equal(seen.n, 8);
		for (size_t k = 0; k < seen.n; k++) {
			double length_s = mono_diff_s(seen.point[k].end, seen.point[k].begin);
			if (!(fabs(length_s - rows[i].length_s) < 0.05))
				fail_msg("%g rpm, point %zu: %g s, wanted %g", rows[i].rpm, k, length_s,
					 rows[i].length_s);
		}
	}
}

/* White noise of 0.01 N·m, 100 readings a second: a mean over 1 s scatters by 1 mN·m, 2 sqrt 2 of it. A thousandth of
 * 10 N·m has that after less than the pilot's 2 s; without load, of the floor of 1 N·m, it takes some 8 s. */
static void a_target_fixes_how_long(void **state)
{
	struct tiny_rig rig = tiny_rig_make(48);
	struct plan_profile p = usual_plan();
	struct sweep_config c = usual(&p);
	struct seen seen;

	(void)state;
	c.until = (struct dwell_until){ .frac = 1e-3, .floor_Nm = 1, .pilot_s = 2, .longest_s = 20 };
	p.down = p.repeat_first = false;
	assert_true(run_plan(&rig, &p, &c, &seen).done);
	assert_int_equal(seen.n, 4);
	for (int i = 0; i < 4; i++) {
		double window_s = mono_diff_s(seen.point[i].end, seen.point[i].begin);
		assert_true(i == 0 ? window_s > 4 && window_s < 18 : window_s >= 2 && window_s < 3.1);
	}
}

static void by_brake_current(void **state)
{
	struct tiny_rig rig = tiny_rig_make(42);
	struct plan_profile p = usual_plan();
	struct seen seen;

	(void)state;
	p.load = LOAD_CURRENT;
	p.step[1] = 0.2;
	p.step[2] = 0.4;
	p.step[3] = 0.5;
	struct sweep_config c = usual(&p);
	assert_true(run_plan(&rig, &p, &c, &seen).done);
	assert_string_equal(seen.order, "0u 1u 2u 3u 2d 1d 0d 0r");
	assert_true(fabs(seen.most_A - 0.5) < 1e-9);
	/* the falling branch lies 0.6 N·m above the rising one, and the open loop shows it */
	assert_true(fabs(seen.point[4].mean_torque_Nm - seen.point[2].mean_torque_Nm - 0.6) < 0.05);
}

static void what_never_settles_is_marked(void **state)
{
	struct tiny_rig rig = tiny_rig_make(43);
	struct plan_profile p = usual_plan();
	struct sweep_config c = usual(&p);
	struct seen seen;

	(void)state;
	rig.ripple_Nm = 3;
	p.n = 2;
	struct seq_out out = run_plan(&rig, &p, &c, &seen);
	assert_true(out.done);
	assert_string_equal(seen.order, "0u 1u 0d 0r");
	assert_int_equal(seen.point[1].flags, POINT_NOT_SETTLED);
	assert_true(seen.point[1].settle_s >= 12);
	assert_non_null(strstr(seen.note, "step 2: torque moves by")); /* and what held it back is told */
	assert_int_equal(seen.point[0].flags, 0);
}

static void the_flags_of_a_forced_run_are_on_every_point(void **state)
{
	struct tiny_rig rig = tiny_rig_make(44);
	struct plan_profile p = usual_plan();
	struct sweep_config c = usual(&p);
	struct seen seen;

	(void)state;
	p.n = 2;
	c.flags = POINT_FORCED;
	assert_true(run_plan(&rig, &p, &c, &seen).done);
	assert_int_equal(seen.n, 4);
	for (size_t i = 0; i < seen.n; i++)
		assert_true(seen.point[i].flags & POINT_FORCED);
}

/* The actuator gives 25 N·m and no more: at 30 the shaft would stand within a second. */
static void eases_the_brake_before_the_stall(void **state)
{
	struct tiny_rig rig = tiny_rig_make(45);
	struct plan_profile p = usual_plan();
	struct sweep_config c = usual(&p);
	struct seen seen;

	(void)state;
	rig.motor_most_Nm = 25;
	p.n = 6;
	p.step[4] = 40;
	p.step[5] = 50;
	struct seq_out out = run_plan(&rig, &p, &c, &seen);
	assert_true(out.done);
	assert_string_equal(seen.order, "0u 1u 2u 2d 1d 0d 0r");
	assert_true(sweep.collapsed);
	assert_true(strstr(sweep.why_left_out, "speed fell") != NULL);
	assert_int_equal(seen.notes, 1);
	assert_non_null(strstr(seen.note, "supply at that moment 48 V, 1 A")); /* of tiny_rig.h */
	assert_true(seen.eased_to < 0.5);           /* at once, not at the pace of the slew */
	assert_true(seen.least_rpm_under_load > 1); /* it never stood under load */
}

/* A supply that gives 80 W: 10 N·m at 60 rpm is 62.8 W, 20 N·m settles at 38 rpm, 30 N·m at 25 rpm. All are points. */
static void takes_steady_points_at_reduced_speed(void **state)
{
	struct tiny_rig rig = tiny_rig_make(46);
	struct plan_profile p = usual_plan();
	struct sweep_config c = usual(&p);
	struct seen seen;

	(void)state;
	rig.motor_most_W = 80;
	p.repeat_first = false;
	assert_true(run_plan(&rig, &p, &c, &seen).done);
	assert_string_equal(seen.order, "0u 1u 2u 3u 2d 1d 0d");
	assert_true(fabs(seen.point[2].mean_speed_rpm - 80 / 20.0 * 9.5493) < 2);
	assert_true(fabs(seen.point[3].mean_speed_rpm - 80 / 30.0 * 9.5493) < 2);
}

/* The brake gives 0.5 + 40 N·m at its largest current: 60 N·m is taken as it is, steady, and 70 is left out. */
static void a_set_point_beyond_the_brake_ends_the_way_up(void **state)
{
	struct tiny_rig rig = tiny_rig_make(47);
	struct plan_profile p = usual_plan();
	struct sweep_config c = usual(&p);
	struct seen seen;

	(void)state;
	p.n = 6;
	p.step[4] = 60;
	p.step[5] = 70;
	assert_true(run_plan(&rig, &p, &c, &seen).done);
	assert_string_equal(seen.order, "0u 1u 2u 3u 4u 3d 2d 1d 0d 0r");
	assert_true(fabs(seen.point[4].mean_torque_Nm - 40.5) < 0.2);
	assert_non_null(strstr(sweep.why_left_out, "was not reached"));
	assert_true(seen.most_A <= 1);
}

static void takes_up_at_the_first_unfinished_step(void **state)
{
	struct tiny_rig rig = tiny_rig_make(48);
	struct plan_profile p = usual_plan();
	struct sweep_config c = usual(&p);
	struct sweep_item items[SWEEP_ITEMS];
	struct seen seen;

	(void)state;
	size_t n = sweep_order(&p, &(size_t){ 4 }, items);
	for (int i = 0; i < 4; i++)
		assert_true(sweep_cross_off(items, n, i, +1, 60, 0));
	assert_true(sweep_cross_off(items, n, 2, -1, 60, 0));
	assert_true(run_items(&rig, &c, items, n, &seen).done);
	assert_string_equal(seen.order, "1d 0d 0r");
	/* 10 N·m falling is met from above: from its neighbour of 20 N·m */
	assert_true(seen.most_A > (20 - 0.5 - 0.6) / 40 - 0.02);
	for (size_t i = 0; i < n; i++)
		items[i].done = true;
	assert_false(seq_sweep_begin(&sweep, &c, items, n));
}

/* In current mode the brake is engaged before the drive and let go after the shaft stands. */
static void current_mode_never_runs_without_the_brake(void **state)
{
	struct tiny_rig rig = tiny_rig_make(49);
	struct plan_profile p = usual_plan();
	struct seen seen;

	(void)state;
	p.drive = PLAN_DRIVE_CURRENT;
	p.drive_A = 1.6; /* 16 N·m: turns against 12 N·m, runs up slowly */
	p.n = 2;
	p.step[0] = 12;
	p.step[1] = 14;
	p.down = p.repeat_first = false;
	struct sweep_config c = usual(&p);
	c.speed_slope_rpm_per_s = INFINITY; /* nothing holds the speed in this mode on the tiny rig */
	c.dwell_s = 0.5;
	c.timeout_s = 6;
	struct seq_out out = run_plan(&rig, &p, &c, &seen);
	assert_true(out.done);
	assert_true(seen.n == 2);
	assert_false(seen.drive_without_brake);
	assert_false(seen.brake_gone_while_turning);
	assert_true(out.wish.brake_A <= 0 && out.wish.mode == DRIVE_OFF);
}

/* A rest in current mode: the drive goes off first, the brake stays until the shaft stands; then the brake first again.
 */
static void current_mode_rests_with_the_drive_off(void **state)
{
	struct tiny_rig rig = tiny_rig_make(52);
	struct plan_profile p = usual_plan();
	struct seen seen;

	(void)state;
	p.drive = PLAN_DRIVE_CURRENT;
	p.drive_A = 1.6;
	p.n = 2;
	p.step[0] = 12;
	p.step[1] = 14;
	p.down = p.repeat_first = false;
	struct sweep_config c = usual(&p);
	c.speed_slope_rpm_per_s = INFINITY;
	c.dwell_s = 0.5;
	c.timeout_s = 6;
	c.cool_s = 5;
	struct seq_out out = run_plan(&rig, &p, &c, &seen);
	assert_true(out.done);
	assert_int_equal(seen.n, 2);
	assert_true(seen.off_after_the_first);
	assert_true(mono_diff_s(seen.point[1].begin, seen.point[0].end) > 5);
	assert_false(seen.drive_without_brake);
	assert_false(seen.brake_gone_while_turning);
}

static void rests_between_the_steps(void **state)
{
	struct tiny_rig rig = tiny_rig_make(50);
	struct plan_profile p = usual_plan();
	struct sweep_config c = usual(&p);
	struct seen seen;

	(void)state;
	c.cool_s = 10;
	p.repeat_first = false;
	assert_true(run_plan(&rig, &p, &c, &seen).done);
	assert_string_equal(seen.order, "0u 1u 2u 3u 2d 1d 0d");
	for (size_t i = 1; i < seen.n; i++)
		assert_true(mono_diff_s(seen.point[i].begin, seen.point[i - 1].end) > 10);
}

static void a_contactor_that_stays_open_ends_it(void **state)
{
	struct tiny_rig rig = tiny_rig_make(51);
	struct plan_profile p = usual_plan();
	struct sweep_config c = usual(&p);
	struct seen seen;

	(void)state;
	rig.contactor_fails = true;
	struct seq_out out = run_plan(&rig, &p, &c, &seen);
	assert_true(out.stop);
	assert_int_equal(seen.n, 0);
	assert_non_null(strstr(out.event.text, "contactor"));
}

static void an_actuator_that_does_not_turn_ends_it(void **state)
{
	struct tiny_rig rig = tiny_rig_make(52);
	struct plan_profile p = usual_plan();
	struct sweep_config c = usual(&p);
	struct seen seen;

	(void)state;
	rig.motor_most_Nm = 0.1;
	struct seq_out out = run_plan(&rig, &p, &c, &seen);
	assert_true(out.stop);
	assert_int_equal(seen.n, 0);
	assert_true(seen.most_A <= 0); /* no load before it turned */
}

/* The actuator of eases_the_brake_before_the_stall, which gives nothing any more once the brake has been eased. */
static void step_that_breaks(void *state, const struct snapshot *snap, struct seq_out *ret)
{
	seq_sweep_step(&sweep, snap, ret);
	if (sweep.collapsed)
		((struct tiny_rig *)state)->motor_most_Nm = 0;
}

static void an_actuator_that_does_not_come_back_ends_it(void **state)
{
	struct tiny_rig rig = tiny_rig_make(53);
	struct plan_profile p = usual_plan();
	struct sweep_config c = usual(&p);
	struct sweep_item items[SWEEP_ITEMS];
	struct seen seen = { .least_rpm_under_load = INFINITY, .config = &c };
	size_t n = sweep_order(&p, NULL, items);

	(void)state;
	rig.motor_most_Nm = 25;
	rig.tare_count = rig.zero_count;
	assert_true(seq_sweep_begin(&sweep, &c, items, n));
	struct seq_out out = tiny_run(&rig, step_that_breaks, &rig, 3600, watch, &seen);
	assert_true(out.stop && !out.done);
	assert_non_null(strstr(out.event.text, "did not return to its speed after the load was reduced"));
	assert_int_equal(seen.n, 3); /* what was finished before */
}

/* A coil with a broken wire: the load never comes, each step but the one without load says so and is taken as it is. */
static void a_load_that_does_not_come_is_told(void **state)
{
	struct tiny_rig rig = tiny_rig_make(54);
	struct plan_profile p = usual_plan();
	struct sweep_config c = usual(&p);
	struct seen seen;

	(void)state;
	rig.Nm_per_A = 0;
	p.n = 2;
	p.down = p.repeat_first = false;
	assert_true(run_plan(&rig, &p, &c, &seen).done);
	assert_int_equal(seen.n, 2);
	assert_string_equal(seen.note, "step 2: the commanded load was not reached in the settling time");
	assert_true(seen.point[1].flags & POINT_NOT_SETTLED);
	assert_false(seen.point[0].flags & POINT_NOT_SETTLED);
}

static void a_cell_that_is_no_number_settles_nowhere(void **state)
{
	struct tiny_rig rig = tiny_rig_make(53);
	struct plan_profile p = usual_plan();
	struct sweep_config c = usual(&p);
	struct seen seen = { .least_rpm_under_load = INFINITY, .config = &c };
	struct sweep_item items[SWEEP_ITEMS];

	(void)state;
	p.n = 1;
	p.down = p.repeat_first = false;
	size_t n = sweep_order(&p, &(size_t){ 1 }, items);
	rig.tare_count = NAN;
	assert_true(seq_sweep_begin(&sweep, &c, items, n));
	tiny_run(&rig, seq_sweep_step, &sweep, 60, watch, &seen);
	assert_int_equal(seen.n, 1);
	for (size_t i = 0; i < seen.n; i++)
		assert_true(seen.point[i].flags & POINT_NOT_SETTLED);
}

/* Two conversions a second: a mean of half a second waits for its fourth, and what is read twice is not two readings.
 */
static void a_mean_waits_for_fresh_readings(void **state)
{
	struct tiny_rig rig = tiny_rig_make(51);
	struct plan_profile p = usual_plan();
	struct sweep_config c = usual(&p);
	struct seen seen;

	(void)state;
	rig.cell_every = 50;
	p.down = p.repeat_first = false;
	c.dwell_s = 0.5;
	c.window_s = 4;
	struct seq_out out = run_plan(&rig, &p, &c, &seen);
	assert_true(out.done && seen.n == 4);
	for (size_t i = 0; i < seen.n; i++)
		if (!(mono_diff_s(seen.point[i].end, seen.point[i].begin) > 1.45))
			fail_msg("point %zu: %.2f s", i, mono_diff_s(seen.point[i].end, seen.point[i].begin));
}

/* The drag begins to grow by 2 N·m/s when the first dwell does, for so long. */
struct disturbed {
	struct tiny_rig *rig;
	struct seen *seen;
	double for_s;
	int64_t began, left;
};

static void disturb(void *ctx, const struct tiny_rig *rig, const struct seq_out *out)
{
	struct disturbed *d = ctx;

	watch(d->seen, rig, out);
	if (d->began == 0 && sweep.phase == SWEEP_DWELL) {
		d->began = rig->snap.now.ns;
		d->left = (int64_t)(d->for_s / TINY_TICK_S);
	}
	if (d->left > 0) {
		d->rig->drag_Nm += 2 * TINY_TICK_S;
		d->left--;
	}
}

static struct seq_point disturbed_point(double timeout_s, double for_s, int64_t *ret_began)
{
	struct tiny_rig rig = tiny_rig_make(52);
	struct plan_profile p = usual_plan();
	struct seen seen;
	struct sweep_item item[SWEEP_ITEMS];

	p.load = LOAD_CURRENT;
	p.n = 1;
	p.step[0] = 0.25;
	p.down = p.repeat_first = false;
	struct sweep_config c = usual(&p);
	c.timeout_s = timeout_s;
	size_t n = sweep_order(&p, &(size_t){ 1 }, item);
	seen = (struct seen){ .least_rpm_under_load = INFINITY, .config = &c };
	struct disturbed d = { .rig = &rig, .seen = &seen, .for_s = for_s };
	rig.tare_count = rig.zero_count;
	assert_true(seq_sweep_begin(&sweep, &c, item, n));
	struct seq_out out = tiny_run(&rig, seq_sweep_step, &sweep, 100, disturb, &d);
	assert_true(out.done && seen.n == 1 && d.began > 0);
	*ret_began = d.began;
	return seen.point[0];
}

/* A dwell that proves to move begins again when it is still; past the time-out it is no settled point. */
static void a_dwell_that_moves_is_taken_again_or_not_settled(void **state)
{
	int64_t began;

	(void)state;
	struct seq_point p = disturbed_point(30, 3, &began);
	assert_int_equal(p.flags & POINT_NOT_SETTLED, 0);
	assert_true(p.begin.ns > began + 3000000000);
	/* the time is over a moment after the dwell has begun */
	p = disturbed_point(30, 0, &began);
	p = disturbed_point(p.settle_s + 0.1, 30, &began);
	assert_int_equal(p.flags & POINT_NOT_SETTLED, POINT_NOT_SETTLED);
	assert_true(p.begin.ns <= began);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(a_mean_waits_for_fresh_readings),
		cmocka_unit_test(a_dwell_that_moves_is_taken_again_or_not_settled),
		cmocka_unit_test(orders_the_steps),
		cmocka_unit_test(shuffles_all_steps_once_and_the_same_for_the_same_seed),
		cmocka_unit_test(crosses_off_what_was_done),
		cmocka_unit_test(crosses_off_without_a_speed),
		cmocka_unit_test(runs_up_down_and_repeats),
		cmocka_unit_test(the_last_load_goes_over_two_turns),
		cmocka_unit_test(a_dwell_ends_with_a_whole_turn_where_that_is_near),
		cmocka_unit_test(a_target_fixes_how_long),
		cmocka_unit_test(by_brake_current),
		cmocka_unit_test(what_never_settles_is_marked),
		cmocka_unit_test(the_flags_of_a_forced_run_are_on_every_point),
		cmocka_unit_test(eases_the_brake_before_the_stall),
		cmocka_unit_test(takes_steady_points_at_reduced_speed),
		cmocka_unit_test(a_set_point_beyond_the_brake_ends_the_way_up),
		cmocka_unit_test(takes_up_at_the_first_unfinished_step),
		cmocka_unit_test(current_mode_never_runs_without_the_brake),
		cmocka_unit_test(current_mode_rests_with_the_drive_off),
		cmocka_unit_test(rests_between_the_steps),
		cmocka_unit_test(a_contactor_that_stays_open_ends_it),
		cmocka_unit_test(an_actuator_that_does_not_turn_ends_it),
		cmocka_unit_test(an_actuator_that_does_not_come_back_ends_it),
		cmocka_unit_test(a_load_that_does_not_come_is_told),
		cmocka_unit_test(a_cell_that_is_no_number_settles_nowhere),
	};

	return cmocka_run_group_tests(tests, make_map, NULL);
}
