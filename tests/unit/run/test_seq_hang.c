/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "run/seq_hang.h"

#include "tests/unit/run/tiny_rig.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>

#include <cmocka.h>

static struct hang_item items[HANG_ITEMS];

static void describe(size_t n, char *buf, size_t size)
{
	size_t used = 0;

	buf[0] = '\0';
	for (size_t i = 0; i < n && used < size; i++) {
		const char *act[] = { "P", "p", "Z", "", "R" };
		used += (size_t)snprintf(
			buf + used, size - used, "%s%s%s%.0d", i ? " " : "", items[i].remount ? "M" : "",
			act[items[i].act],
			items[i].act == HANG_LOAD ? (int)items[i].load * (items[i].direction < 0 ? -1 : 1) : 0);
	}
}

/* In the shape of EURAMET cg-14 and DIN 51309: three preloads, zero, rising, falling, zero; a second series in the same
 * mounting; then re-mounted, one preload and a pair. P on, p off, Z zero, R zero return, M re-mount, negative =
 * falling. */
static void keeps_the_order_of_the_guides(void **state)
{
	char text[400];

	(void)state;
	size_t n = hang_plan(3, 3, items);
	describe(n, text, sizeof text);
	assert_string_equal(text, "P p P p P p Z 1 2 3 -2 -1 R Z 1 2 3 -2 -1 R MP p Z 1 2 3 -2 -1 R");
	assert_int_equal(items[n - 1].position, 2);
	assert_int_equal(items[7].position, 1);
	assert_int_equal(items[n - 1].series, 3);
}

static void a_load_of_one_step_is_a_plan_too(void **state)
{
	char text[200];

	(void)state;
	describe(hang_plan(1, 1, items), text, sizeof text);
	assert_string_equal(text, "P p P p P p Z 1 R");
	assert_int_equal(hang_plan(0, 1, items), 0);
	assert_int_equal(hang_plan(1, 0, items), 0);
	assert_int_equal(hang_plan(HANG_LOADS + 1, 1, items), 0);
	assert_int_equal(hang_plan(3, HANG_SERIES + 1, items), 0);
	assert_true(hang_plan(HANG_LOADS, HANG_SERIES, items) <= HANG_ITEMS);
}

static struct cell_reading_config quick(void)
{
	return (struct cell_reading_config){ .window_s = 1,
					     .timeout_s = 20,
					     .average_s = 2,
					     .still_count = 5,
					     .still_sd = INFINITY,
					     .most_rpm = INFINITY,
					     .sign = 1,
					     .step = 4,
					     .direction = -1,
					     .setpoint_Nm = 12,
					     .flags = 0 };
}

static void averages_a_quiet_cell(void **state)
{
	struct tiny_rig rig = tiny_rig_make(1);
	struct cell_reading_config config = quick();
	struct cell_reading r;

	(void)state;
	rig.noise_Nm = 0.02; /* 20 counts */
	cell_reading_begin(&r, &config);
	struct seq_out out = tiny_run(&rig, cell_reading_step, &r, 60, NULL, NULL);
	assert_true(out.done);
	assert_int_equal(out.event.kind, SEQ_EVENT_POINT);
	assert_int_equal(out.event.point.step, 4);
	assert_int_equal(out.event.point.direction, -1);
	assert_int_equal(out.event.point.flags, 0);
	assert_true(mono_diff_s(out.event.point.end, out.event.point.begin) >= 2);
	struct stats_mean mean = stats_run_result(&r.raw);
	/* 200 readings of sd 20: the mean is known to 1.4 counts */
	assert_true(fabs(mean.mean - 5000) < 8);
	assert_true(fabs(mean.sd - 20) < 5);
	assert_false(out.set_tare);
}

static void sets_the_tare_with_the_sign_of_the_cell(void **state)
{
	struct tiny_rig rig = tiny_rig_make(2);
	struct cell_reading_config config = quick();
	struct cell_reading r;

	(void)state;
	config.set_tare = true;
	config.sign = -1;
	cell_reading_begin(&r, &config);
	struct seq_out out = tiny_run(&rig, cell_reading_step, &r, 60, NULL, NULL);
	assert_true(out.set_tare);
	assert_true(fabs(out.tare_count + 5000) < 5);
}

static void silent_means_no_point(void **state)
{
	struct tiny_rig rig = tiny_rig_make(3);
	struct cell_reading_config config = quick();
	struct cell_reading r;

	(void)state;
	config.silent = true;
	cell_reading_begin(&r, &config);
	struct seq_out out = tiny_run(&rig, cell_reading_step, &r, 60, NULL, NULL);
	assert_true(out.done);
	assert_int_equal(out.event.kind, SEQ_EVENT_NONE);
}

/* A weight that swings: 3000 counts at 1.1 Hz, gone with 4 s. It has no mean slope, only scatter. */
static void swing(void *ctx, const struct tiny_rig *rig, const struct seq_out *out)
{
	struct tiny_rig *r = ctx;
	double t = (double)rig->ticks * TINY_TICK_S;

	(void)out;
	r->zero_count = 5000 + 3000 * exp(-t / 4) * sin(6.283185307 * 1.1 * t);
}

static void waits_until_a_weight_swings_no_more(void **state)
{
	struct tiny_rig rig = tiny_rig_make(4);
	struct cell_reading_config config = quick();
	struct cell_reading r;

	(void)state;
	rig.noise_Nm = 0.02;
	config.still_sd = 40;
	config.timeout_s = 60;
	cell_reading_begin(&r, &config);
	struct seq_out out = tiny_run(&rig, cell_reading_step, &r, 120, swing, &rig);
	assert_true(out.done);
	assert_true(r.still);
	/* the swing's sd falls to 35 counts (with the noise: 40) after 4 ln(2121/35) = 16.4 s */
	assert_true(r.settle_s > 13 && r.settle_s < 22);
	assert_true(fabs(stats_run_result(&r.raw).mean - 5000) < 15);
}

static void drift(void *ctx, const struct tiny_rig *rig, const struct seq_out *out)
{
	(void)out;
	((struct tiny_rig *)ctx)->zero_count = 5000 + 200 * (double)rig->ticks * TINY_TICK_S;
}

static void a_reading_that_never_rests_is_marked(void **state)
{
	struct tiny_rig rig = tiny_rig_make(5);
	struct cell_reading_config config = quick();
	struct cell_reading r;

	(void)state;
	cell_reading_begin(&r, &config);
	struct seq_out out = tiny_run(&rig, cell_reading_step, &r, 120, drift, &rig);
	assert_true(out.done);
	assert_false(r.still);
	assert_int_equal(out.event.point.flags, POINT_NOT_SETTLED);
	assert_true(r.settle_s >= 20);
}

static void moves_for_5_s(void *ctx, const struct tiny_rig *rig, const struct seq_out *out)
{
	struct tiny_rig *r = ctx;

	(void)out;
	r->cell_moves = (double)rig->ticks * TINY_TICK_S < 5;
}

/* Its readings are quiet from the beginning; its instrument says otherwise. */
static void waits_while_its_instrument_says_that_it_moves(void **state)
{
	struct tiny_rig rig = tiny_rig_make(6);
	struct cell_reading_config config = quick();
	struct cell_reading r;

	(void)state;
	cell_reading_begin(&r, &config);
	struct seq_out out = tiny_run(&rig, cell_reading_step, &r, 60, moves_for_5_s, &rig);
	assert_true(out.done && r.still);
	assert_true(r.settle_s > 5.9 && r.settle_s < 8); /* two windows more */
}

static void a_converter_that_stands_still_gives_no_reading(void **state)
{
	struct tiny_rig rig = tiny_rig_make(6);
	struct cell_reading_config config = quick();
	struct cell_reading r;

	(void)state;
	rig.dead_cell = true;
	cell_reading_begin(&r, &config);
	struct seq_out out = tiny_run(&rig, cell_reading_step, &r, 200, NULL, NULL);
	assert_true(out.stop);
	assert_false(out.done);
}

static void wish_is_off(void *ctx, const struct tiny_rig *rig, const struct seq_out *out)
{
	(void)ctx;
	(void)rig;
	assert_int_equal(out->wish.mode, DRIVE_OFF);
	assert_false(out->wish.power);
	assert_true(fabs(out->wish.brake_A) <= 0);
}

static void never_energises_anything(void **state)
{
	struct tiny_rig rig = tiny_rig_make(7);
	struct cell_reading_config config = quick();
	struct cell_reading r;

	(void)state;
	cell_reading_begin(&r, &config);
	tiny_run(&rig, cell_reading_step, &r, 60, wish_is_off, NULL);
}

/* Before the node has told anything there is nothing to read; what is no torque is no part of its mean. */
static void waits_for_the_first_sample(void **state)
{
	struct cell_reading_config config = quick();
	struct cell_reading r;
	struct snapshot snap = snapshot_blank();
	struct seq_out out = { 0 };

	(void)state;
	cell_reading_begin(&r, &config);
	snap.speed_rpm = 0;
	for (int i = 0; i < 3000 && !out.done; i++) {
		snap.now.ns += 10000000;
		snap.sample_total = i < 1000 ? 0 : (uint32_t)i;
		snap.channel[CHANNEL_CELL].fresh = (uint32_t)i / 2;
		snap.cell_count = 700;
		snap.torque_Nm = i % 3 ? 2 : NAN;
		out = (struct seq_out){ 0 };
		cell_reading_step(&r, &snap, &out);
		assert_int_equal(r.started, i >= 1000);
	}
	assert_true(out.done && r.still);
	assert_true(fabs(out.event.point.mean_torque_Nm - 2) < 1e-12);
	assert_true(fabs(stats_run_result(&r.raw).mean - 700) < 1e-9);
	snap.sample_total = 0; /* a node that began anew: none of its counts is fresh */
	size_t n = r.raw.n;
	snap.channel[CHANNEL_CELL].fresh++;
	cell_reading_step(&r, &snap, &out);
	assert_int_equal(r.raw.n, n);
}

static double turning_rpm;

static void turning(void *state, const struct snapshot *snap, struct seq_out *ret)
{
	struct snapshot seen = *snap;

	seen.speed_rpm = turning_rpm;
	cell_reading_step(state, &seen, ret);
}

/* A quiet cell of a shaft that turns is no reading at rest: after its time it is taken and marked. */
static void a_turning_shaft_is_not_at_rest(void **state)
{
	static const struct {
		double rpm;
		bool still;
	} rows[] = { { 0.4, true }, { -0.4, true }, { 0.6, false }, { -0.6, false }, { NAN, false } };

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct tiny_rig rig = tiny_rig_make(8);
		struct cell_reading_config config = quick();
		struct cell_reading r;

		config.most_rpm = 0.5;
		turning_rpm = rows[i].rpm;
		cell_reading_begin(&r, &config);
		assert_true(tiny_run(&rig, turning, &r, 60, NULL, NULL).done);
		assert_int_equal(r.still, rows[i].still);
	}
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(keeps_the_order_of_the_guides),
		cmocka_unit_test(a_load_of_one_step_is_a_plan_too),
		cmocka_unit_test(averages_a_quiet_cell),
		cmocka_unit_test(sets_the_tare_with_the_sign_of_the_cell),
		cmocka_unit_test(silent_means_no_point),
		cmocka_unit_test(waits_until_a_weight_swings_no_more),
		cmocka_unit_test(a_reading_that_never_rests_is_marked),
		cmocka_unit_test(waits_while_its_instrument_says_that_it_moves),
		cmocka_unit_test(a_converter_that_stands_still_gives_no_reading),
		cmocka_unit_test(never_energises_anything),
		cmocka_unit_test(waits_for_the_first_sample),
		cmocka_unit_test(a_turning_shaft_is_not_at_rest),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
