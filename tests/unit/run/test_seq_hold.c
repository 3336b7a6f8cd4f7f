/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "run/seq_hold.h"
#include "tests/unit/run/tiny_rig.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

/* 0.9 of 20 N.m warm by 0.1 K for each N2m2: 32.4 K, with 30 s. */
static struct tiny_rig warm_rig(void)
{
	struct tiny_rig rig = tiny_rig_make(4);

	rig.heat_K_per_Nm2 = 0.1;
	rig.heat_s = 30;
	rig.tare_count = rig.zero_count;
	return rig;
}

static struct hold_config config_of(double torque_Nm)
{
	return (struct hold_config){ .torque_Nm = torque_Nm,
				     .slew_Nm_per_s = 20,
				     .lock_A = 0.8,
				     .slew_A_per_s = 1,
				     .limit_rpm = 20,
				     .slip_deg = 3,
				     .winding_limit_degC = NAN,
				     .case_limit_degC = NAN,
				     .ambient_degC = NAN,
				     .equilibrium_K_per_h = 60,
				     .window_s = 30,
				     .time_s = 600,
				     .cool_s = 60,
				     .row_s = 1,
				     .forecast_s = NAN };
}

/* What no tick may do. */
struct seen {
	bool driven_unlocked, driven_warm, let_go_driven;
	size_t points;
	double last_Nm;
};

static void look(void *ctx, const struct tiny_rig *rig, const struct seq_out *out)
{
	struct seen *s = ctx;
	bool cools = strcmp(out->phase, "cool") == 0;

	s->driven_unlocked |= out->wish.mode == DRIVE_TORQUE && rig->coil_A < 0.7;
	s->let_go_driven |= fabs(s->last_Nm) > 0 && out->wish.brake_A < 0.8;
	s->driven_warm |= cools && (out->wish.power || out->wish.mode != DRIVE_OFF || out->wish.brake_A > 0);
	s->points += out->event.kind == SEQ_EVENT_POINT;
	s->last_Nm = out->wish.torque_Nm;
}

static struct seq_hold *run(struct tiny_rig *rig, const struct hold_config *c, struct seen *seen, struct seq_out *ret)
{
	static struct seq_hold s;

	seq_hold_begin(&s, c);
	*ret = tiny_run(rig, seq_hold_step, &s, seq_hold_s(c) + 10, look, seen);
	return &s;
}

/* The rise is 32.4 (1 - exp(-t/30)): its slope falls to 60 K/h at 125 s. Over a window of 30 s the slope is that of
 * about its middle, so it ends some 15 s later. */
static void equilibrium_ends_it_and_the_cooling_follows(void **state)
{
	struct tiny_rig rig = warm_rig();
	struct hold_config c = config_of(20);
	struct seen seen = { 0 };
	struct seq_out out;

	(void)state;
	struct seq_hold *s = run(&rig, &c, &seen, &out);
	assert_true(out.done && !out.stop && s->end == HOLD_EQUILIBRIUM);
	assert_true(fabs(s->held_s - 140) < 5);
	assert_true(s->n_held >= 130 && s->n >= s->n_held + 60 && s->n <= s->n_held + 70);
	assert_true(fabs(s->torque_Nm[5] - 18) < 0.05 && fabs(s->torque_Nm[s->n - 2]) < 1e-9);
	for (size_t i = 1; i < s->n; i++)
		assert_true(s->time_s[i] > s->time_s[i - 1] && s->time_s[i] - s->time_s[i - 1] < 8);
	assert_true(s->winding_degC[s->n_held] > 51 && s->winding_degC[s->n - 1] < 27);
	assert_false(seen.driven_unlocked || seen.let_go_driven || seen.driven_warm);
	assert_int_equal(seen.points, 1);
}

/* 25 K of 32.4 K after 30 ln(32.4/7.4) = 44.3 s; it was warmed a little while the torque rose. */
static void a_limit_ends_it(void **state)
{
	struct tiny_rig rig = warm_rig();
	struct hold_config c = config_of(20);
	struct seen seen = { 0 };
	struct seq_out out;

	(void)state;
	c.winding_limit_degC = 45;
	struct seq_hold *s = run(&rig, &c, &seen, &out);
	assert_true(out.done && s->end == HOLD_LIMIT && s->held_s > 42 && s->held_s < 45);
	assert_true(fabs(s->winding_degC[s->n_held] - 45) < 0.1);
	seen = (struct seen){ 0 };
	c = config_of(20);
	c.case_limit_degC = 30; /* the rig's case has them from the first tick on */
	rig = warm_rig();
	s = run(&rig, &c, &seen, &out);
	assert_true(out.stop && s->end == HOLD_OPEN && !seen.points);
	assert_non_null(strstr(out.event.text, "has the limit of this hold already"));
}

static void time_ends_it_and_nothing_drawn_without_load_counts(void **state)
{
	struct tiny_rig rig = warm_rig();
	struct hold_config c = config_of(20);
	struct seen seen = { 0 };
	struct seq_out out;

	(void)state;
	c.time_s = 20;
	struct seq_hold *s = run(&rig, &c, &seen, &out);
	assert_true(out.done && s->end == HOLD_TIME && fabs(s->held_s - 20) < 0.02);
	/* the rig draws 48 V and 1 A whatever it does, and 0.2 W of ripple are not told: no loss */
	assert_true(fabs(s->idle_W - 48) < 1e-9 && fabs(s->loss_W[3]) < 1e-9);
	c.row_s = seq_hold_row_s(7200, 800);
	assert_true(c.row_s > 2 && 8000 / c.row_s < HOLD_ROWS - 99);
}

static void at_a_slow_speed_the_brake_makes_the_torque(void **state)
{
	struct tiny_rig rig = warm_rig();
	struct hold_config c = config_of(20);
	struct seen seen = { 0 };
	struct seq_out out;

	(void)state;
	c.time_s = 30;
	c.speed_rpm = 15;
	c.slew_rpm_per_s = 10;
	c.control = (struct torque_control_config){
		.max_A = 1.2, .rated_Nm = 48, .lag_s = NAN, .ramp_Nm_per_s = 20, .slew_A_per_s = 1
	};
	struct seq_hold *s = run(&rig, &c, &seen, &out);
	assert_true(out.done && s->end == HOLD_TIME);
	assert_true(fabs(s->torque_Nm[20] - 20) < 0.2);
	/* 20 N.m at 15 rpm leave the shaft as 31.4 W */
	assert_true(fabs(s->loss_W[20] + 31.4) < 0.5);
	assert_true(fabs(rig.speed_rpm) < 0.5 && !seen.driven_warm);
}

static void what_is_wrong_is_said(void **state)
{
	static const struct {
		const char *says;
		int what;
	} rows[] = { { "contactor does not close", 0 },
		     { "no temperature of winding or case", 1 },
		     { "no temperature of the air", 2 },
		     { "the brake slips", 3 } };

	(void)state;
	for (int i = 0; i < 4; i++) {
		struct tiny_rig rig = warm_rig();
		struct hold_config c = config_of(rows[i].what == 3 ? 50 : 20);
		struct seq_hold s;
		struct seq_out out = { 0 };
		struct wish wish = { 0 };

		rig.contactor_fails = rows[i].what == 0;
		seq_hold_begin(&s, &c);
		tiny_look(&rig, &wish);
		for (int k = 0; k < 6000 && !out.stop; k++) {
			if (rows[i].what == 1)
				rig.snap.temp_degC[TEMP_WINDING] = rig.snap.temp_degC[TEMP_CASE] = NAN;
			if (rows[i].what == 2)
				rig.snap.temp_degC[TEMP_AMBIENT] = NAN;
			out = (struct seq_out){ .remaining_s = NAN };
			seq_hold_step(&s, &rig.snap, &out);
			tiny_tick(&rig, &out.wish);
		}
		assert_true(out.stop);
		assert_non_null(strstr(out.event.text, rows[i].says));
	}
}

static void each_end_has_a_word(void **state)
{
	(void)state;
	assert_string_equal(hold_end_word(HOLD_OPEN), "open");
	assert_string_equal(hold_end_word(HOLD_EQUILIBRIUM), "equilibrium");
	assert_string_equal(hold_end_word(HOLD_LIMIT), "limit");
	assert_string_equal(hold_end_word(HOLD_TIME), "time");
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(equilibrium_ends_it_and_the_cooling_follows),
		cmocka_unit_test(a_limit_ends_it),
		cmocka_unit_test(time_ends_it_and_nothing_drawn_without_load_counts),
		cmocka_unit_test(at_a_slow_speed_the_brake_makes_the_torque),
		cmocka_unit_test(what_is_wrong_is_said),
		cmocka_unit_test(each_end_has_a_word),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
