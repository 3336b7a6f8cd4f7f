/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Plans with several speeds and both ways of turning: their order, what a resumed run leaves, what the sequence does
 * with the tiny rig. */
#include "run/seq_sweep.h"

#include "tests/unit/run/tiny_rig.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

#include <cmocka.h>

static struct seq_sweep sweep;

static struct plan_profile two_speeds(void)
{
	return (struct plan_profile){ .load = LOAD_TORQUE,
				      .drive = PLAN_SPEED,
				      .n_speeds = 2,
				      .speed_rpm = { 30, 60 },
				      .n = 3,
				      .step = { 5, 10, 20 },
				      .down = true,
				      .repeat_first = true };
}

/* Without a map: the integral alone finds the current. */
static struct sweep_config usual(void)
{
	return (struct sweep_config){
		.load = LOAD_TORQUE,
		.drive = PLAN_SPEED,
		.top_rpm = 60,
		.dwell_s = 2,
		.window_s = 1,
		.timeout_s = 20,
		.torque_slope_Nm_per_s = 0.1,
		.speed_slope_rpm_per_s = 0.5,
		.temp_slope_K_per_s = INFINITY,
		.min_slip_rpm = 3,
		.speed_slew_rpm_per_s = 20,
		.reach_frac = 0.02,
		.reach_Nm = 0.2,
		.control = { .max_A = 1, .rated_Nm = 40, .lag_s = 0.1, .ramp_Nm_per_s = 8, .slew_A_per_s = 1 },
	};
}

/* "1u30" is the second load on the way up at 30 rpm. */
static void put_word(char *buf, size_t size, int step, int direction, bool repeat, double rpm)
{
	size_t used = strlen(buf);

	snprintf(buf + used, size - used, "%s%d%s%s%g", used ? " " : "", step,
		 direction > 0   ? "u"
		 : direction < 0 ? "d"
				 : "",
		 repeat ? "r" : "", rpm);
}

static void assert_order(const struct plan_profile *p, const size_t *allowed, const char *expected)
{
	struct sweep_item items[SWEEP_ITEMS];
	char text[400] = "";
	size_t n = sweep_order(p, allowed, items);

	for (size_t i = 0; i < n; i++)
		put_word(text, sizeof text, items[i].step, items[i].direction, items[i].repeat, items[i].rpm);
	assert_string_equal(text, expected);
}

static void torque_is_inside_speed_or_the_other_way_round(void **state)
{
	struct plan_profile p = two_speeds();

	(void)state;
	assert_order(&p, NULL, "0u30 1u30 2u30 1d30 0d30 0u60 1u60 2u60 1d60 0d60 0r30");
	p.speed_inside = true;
	assert_order(&p, NULL, "0u30 0u60 1u30 1u60 2u30 2u60 1d30 1d60 0d30 0d60 0r30");
	/* at 60 rpm the two lighter loads alone: the heavier of them is the turning point there */
	assert_order(&p, (const size_t[]){ 3, 2 }, "0u30 0u60 1u30 1u60 2u30 1d30 0d30 0d60 0r30");
}

static void forward_comes_before_backward(void **state)
{
	struct plan_profile p = two_speeds();
	struct sweep_item items[SWEEP_ITEMS];
	struct sweep_leg leg[SWEEP_WAYS];

	(void)state;
	p.speed_rpm[0] = -30;
	p.down = false;
	assert_order(&p, NULL, "0u60 1u60 2u60 0r60 0u-30 1u-30 2u-30 0r-30");
	size_t n = sweep_order(&p, NULL, items);
	assert_int_equal(sweep_legs(items, n, leg), 2);
	assert_true(leg[0].way == 1 && leg[0].first == 0 && leg[0].n == 4);
	assert_true(leg[1].way == -1 && leg[1].first == 4 && leg[1].n == 4);
	for (int step = 0; step < 3; step++)
		assert_true(sweep_cross_off(items, n, step, +1, 60, 0));
	assert_true(sweep_cross_off(items, n, 0, 0, 60, POINT_REPEAT));
	assert_false(sweep_cross_off(items, n, 1, +1, 30, 0)); /* no such speed in this plan */
	assert_int_equal(sweep_legs(items, n, leg), 1);
	assert_int_equal(leg[0].way, -1);
}

static void a_shuffle_mixes_loads_and_speeds(void **state)
{
	struct plan_profile p = two_speeds();
	struct sweep_item items[SWEEP_ITEMS];
	int seen[2][50] = { 0 }, changes = 0;

	(void)state;
	p.shuffle = true;
	p.repeat_first = false;
	p.seed = 3;
	p.n = 50;
	for (size_t i = 0; i < p.n; i++)
		p.step[i] = (double)i;
	size_t n = sweep_order(&p, NULL, items);
	assert_int_equal(n, 100);
	for (size_t i = 0; i < n; i++) {
		seen[items[i].rpm > 45][items[i].step]++;
		changes += i > 0 && fabs(items[i].rpm - items[i - 1].rpm) > 1;
	}
	for (size_t i = 0; i < p.n; i++)
		assert_true(seen[0][i] == 1 && seen[1][i] == 1);
	assert_true(changes > 25); /* of 99; about half are expected */
}

struct seen {
	struct seq_point point[40];
	size_t n;
	char order[400];
	double most_A_while_changing, least_A_while_changing, most_against_rpm, begun_off_rpm;
	int way;
};

static void watch(void *ctx, const struct tiny_rig *rig, const struct seq_out *out)
{
	struct seen *s = ctx;
	const struct seq_point *p = &out->event.point;

	if (sweep.phase == SWEEP_CHANGE) {
		s->most_A_while_changing = fmax(s->most_A_while_changing, rig->coil_A);
		s->least_A_while_changing = fmin(s->least_A_while_changing, rig->coil_A);
	}
	s->most_against_rpm = fmax(s->most_against_rpm, -s->way * rig->speed_rpm);
	if (out->event.kind == SEQ_EVENT_STEP)
		s->begun_off_rpm = fmax(s->begun_off_rpm, fabs(rig->speed_rpm - p->setpoint_rpm));
	if (out->event.kind != SEQ_EVENT_POINT || s->n == 40)
		return;
	s->point[s->n++] = *p;
	put_word(s->order, sizeof s->order, p->step, p->direction, p->flags & POINT_REPEAT, p->setpoint_rpm);
}

static struct seq_out run(struct tiny_rig *rig, const struct plan_profile *p, struct seen *seen)
{
	const struct sweep_config c = usual();
	struct sweep_item items[SWEEP_ITEMS];
	size_t n = sweep_order(p, NULL, items);

	*seen = (struct seen){ .least_A_while_changing = INFINITY, .way = p->speed_rpm[0] < 0 ? -1 : 1 };
	rig->tare_count = rig->zero_count;
	assert_true(seq_sweep_begin(&sweep, &c, items, n));
	return tiny_run(rig, seq_sweep_step, &sweep, 900, watch, seen);
}

static void is_at_its_set_points(const struct seq_point *q, int way)
{
	assert_true(fabs(q->mean_torque_Nm - q->setpoint_Nm) < 0.1);
	assert_true(fabs(q->mean_speed_rpm - q->setpoint_rpm) < 0.5);
	assert_true(q->setpoint_Nm * way > 0 && q->setpoint_rpm * way > 0);
	assert_int_equal(q->flags & POINT_NOT_SETTLED, 0);
}

static void runs_both_speeds_either_way(void **state)
{
	(void)state;
	for (int way = 1; way >= -1; way -= 2) {
		struct tiny_rig rig = tiny_rig_make(7);
		struct plan_profile p = two_speeds();
		struct seen seen;
		for (int k = 0; k < 2; k++)
			p.speed_rpm[k] *= way;
		struct seq_out out = run(&rig, &p, &seen);
		assert_true(out.done && !out.stop);
		assert_string_equal(seen.order,
				    way > 0 ? "0u30 1u30 2u30 1d30 0d30 0u60 1u60 2u60 1d60 0d60 0r30"
					    : "0u-30 1u-30 2u-30 1d-30 0d-30 0u-60 1u-60 2u-60 1d-60 0d-60 0r-30");
		for (size_t i = 0; i < seen.n; i++)
			is_at_its_set_points(&seen.point[i], way);
		assert_true(seen.most_against_rpm < 0.5);
		assert_true(seen.begun_off_rpm < 3); /* no step begins before its speed is there */
		assert_string_equal(sweep.why_left_out, "");
	}
}

/* 5 N·m are held over a change of the speed: not less, and not the 10 N·m that come after it. */
static void the_load_stays_while_the_speed_changes(void **state)
{
	struct tiny_rig rig = tiny_rig_make(9);
	struct plan_profile p = two_speeds();
	struct seen seen;

	(void)state;
	p.speed_inside = true;
	p.n = 2;
	p.down = p.repeat_first = false;
	assert_true(run(&rig, &p, &seen).done);
	assert_string_equal(seen.order, "0u30 0u60 1u30 1u60");
	assert_true(seen.least_A_while_changing > 0.08); /* (5 - 0.5 - 0.6) / 40 at least */
	assert_true(seen.most_A_while_changing < 0.26);  /* 10 / 40 at the change from 30 to 60 rpm at 10 N·m */
}

/* A motor of 25 N·m: 30 N·m fail at each speed, and at a higher one they are not tried. */
static void what_one_speed_cannot_carry_the_slower_one_still_does(void **state)
{
	struct tiny_rig rig = tiny_rig_make(11);
	struct plan_profile p = two_speeds();
	struct seen seen;

	(void)state;
	rig.motor_most_Nm = 25;
	p.speed_rpm[0] = 60;
	p.speed_rpm[1] = 30;
	p.step[2] = 30; /* more than the motor's torque at any speed */
	p.down = p.repeat_first = false;
	assert_true(run(&rig, &p, &seen).done);
	assert_string_equal(seen.order, "0u60 1u60 0u30 1u30"); /* left out at 60 rpm, tried and eased at 30 rpm */
	assert_int_equal(sweep.left_out, 2);
	assert_int_equal(sweep.n_failed, 2);

	struct tiny_rig same = tiny_rig_make(11);
	same.motor_most_Nm = 25;
	p.speed_rpm[0] = 30;
	p.speed_rpm[1] = 60;
	assert_true(run(&same, &p, &seen).done);
	assert_string_equal(seen.order, "0u30 1u30 0u60 1u60"); /* failed at 30 rpm: not tried at 60 rpm */
	assert_int_equal(sweep.left_out, 2);
	assert_int_equal(sweep.n_failed, 1);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(torque_is_inside_speed_or_the_other_way_round),
		cmocka_unit_test(forward_comes_before_backward),
		cmocka_unit_test(a_shuffle_mixes_loads_and_speeds),
		cmocka_unit_test(runs_both_speeds_either_way),
		cmocka_unit_test(the_load_stays_while_the_speed_changes),
		cmocka_unit_test(what_one_speed_cannot_carry_the_slower_one_still_does),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
