/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "run/seq_map.h"

#include "tests/unit/run/tiny_rig.h"

#include <math.h>
#include <string.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "tests/unit/near.h"

static struct map_config usual(void)
{
	return (struct map_config){
		.powder = true,
		.run_in_cycles = 2,
		.n_speeds = 2,
		.n_currents = 4,
		.speed_rpm = { 20, 60 },
		.current_A = { 0.2, 0.4, 0.6, 0.8 },
		.max_A = 0.8,
		.rated_Nm = 32,
		.window_s = 1,
		.timeout_s = 10,
		.dwell_s = 1,
		.torque_slope_Nm_per_s = 0.1,
		.speed_slope_rpm_per_s = 0.5,
		.slew_A_per_s = 0.8,
		.speed_slew_rpm_per_s = 30,
		.lag_low_A = 0.2,
		.lag_high_A = 0.5,
		.lag_s = 1,
		.most_Nm = 60,
		.most_slip_W = 1000,
		.most_supply_W = INFINITY,
		.energy_J = INFINITY,
		.continuous_W = 500,
		.hand_rpm_frac = 0.25,
	};
}

struct seen {
	double most_A, most_Nm, most_slip_W;
	bool brake_before_speed;
	int steps, points;
	double last_off_rpm;
	double spread[3];                   /* of the rest that is foretold, after so many readings */
	double t_s, foretold_s, lag_from_A; /* since the begin; of the whole map, when a third of it was done */
};

static struct seq_map map;

static void watch(void *ctx, const struct tiny_rig *rig, const struct seq_out *out)
{
	struct seen *s = ctx;

	s->most_A = fmax(s->most_A, out->wish.brake_A);
	s->most_Nm = fmax(s->most_Nm, rig->brake_Nm);
	s->most_slip_W = fmax(s->most_slip_W, rig->brake_Nm * rig->speed_rpm * 0.10471975512);
	s->steps += out->event.kind == SEQ_EVENT_STEP;
	s->points += out->event.kind == SEQ_EVENT_POINT;
	s->t_s += TINY_TICK_S;
	if (s->points > 0 && s->points <= 3)
		s->spread[s->points - 1] = out->remaining_spread;
	if (s->points == 6 && !(s->foretold_s > 0))
		s->foretold_s = s->t_s + out->remaining_s;
	if (map.phase == MAP_LAG_HOLD)
		s->lag_from_A = out->wish.brake_A;
	if (out->wish.mode == DRIVE_OFF && rig->speed_rpm > 0)
		s->last_off_rpm = rig->speed_rpm;
	if (out->wish.brake_A > 0 && out->wish.mode != DRIVE_SPEED)
		s->brake_before_speed = true;
}

static struct seq_out run(struct tiny_rig *rig, const struct map_config *config, struct seen *seen)
{
	rig->tare_count = rig->zero_count;
	assert_true(seq_map_begin(&map, config));
	return tiny_run(rig, seq_map_step, &map, 900, watch, seen);
}

/* The tiny brake is 0.5 + 40 I rising and 0.6 N·m more falling, at any speed, with a lag of 0.1 s. */
static void maps_both_branches_at_both_speeds(void **state)
{
	struct tiny_rig rig = tiny_rig_make(31);
	struct map_config config = usual();
	struct seen seen = { 0 };
	struct seq_out out = run(&rig, &config, &seen);

	(void)state;
	assert_true(out.done);
	assert_int_equal(map.n_readings, 2 + 2 * (4 + 3 + 1));
	assert_int_equal(seen.points, (int)map.n_readings);
	assert_int_equal(seen.steps, (int)map.n_readings);
	for (size_t i = 0; i < map.n_readings; i++) {
		const struct map_reading *r = &map.reading[i];
		bool drag = r->current == SIZE_MAX && r->branch == BRAKEMAP_RISING;
		double expected = drag ? 0.5 : 0.5 + 40 * r->set_A + (r->branch == BRAKEMAP_FALLING ? 0.6 : 0);
		if (!(fabs(r->torque_Nm - expected) < 0.02))
			fail_msg("reading %zu: %g A %s: %g N·m, expected %g", i, r->set_A,
				 r->branch ? "falling" : "rising", r->torque_Nm, expected);
		assert_true(r->settled);
		assert_true(fabs(r->slip_rpm - config.speed_rpm[r->speed]) < 2);
	}
	assert_true(map.reading[0].current == SIZE_MAX && map.reading[1].current == SIZE_MAX); /* drag first */
	assert_int_equal(map.reading[map.n_readings - 1].branch, BRAKEMAP_FALLING);
	assert_false(seen.brake_before_speed);
	assert_string_equal(map.left_out, "");
	assert_true(fabs(out.wish.brake_A) <= 0 && out.wish.mode == DRIVE_OFF && !out.wish.power);
}

/* Once a turn the marks of a tenth of it are out of place: the speed seems 8 % too high there, and that
 * must not be taken for a shaft that does not reach its speed, also where no window is without it (two turns of the
 * faster speed). */
static void with_bad_marks(void *state, const struct snapshot *snap, struct seq_out *ret)
{
	struct snapshot seen = *snap;

	if (seen.angle_rev - floor(seen.angle_rev) < 0.1)
		seen.speed_rpm *= 1.08;
	seq_map_step(state, &seen, ret);
}

static void marks_out_of_place_are_no_change_of_speed(void **state)
{
	(void)state;
	for (int i = 0; i < 10; i++) {
		struct tiny_rig rig = tiny_rig_make(33);
		struct map_config config = usual();

		rig.tare_count = rig.zero_count;
		config.window_s = 2;
		config.timeout_s = 10 + i / 10.0; /* it comes at any place of the turn, which takes a second */
		assert_true(seq_map_begin(&map, &config));
		struct seq_out out = tiny_run(&rig, with_bad_marks, &map, 900, NULL, NULL);
		if (!out.done)
			fail_msg("time-out %g s: %s", config.timeout_s, out.event.text);
	}
}

static void records_steps_for_the_lag(void **state)
{
	struct tiny_rig rig = tiny_rig_make(32);
	struct map_config config = usual();
	struct seen seen = { 0 };

	(void)state;
	run(&rig, &config, &seen);
	for (size_t i = 0; i < MAP_LAG_STEPS; i++) {
		double lag, u;
		assert_true(map.lag[i].n > 90);
		assert_int_equal(brakemap_lag(map.lag[i].t_s, map.lag[i].torque_Nm, map.lag[i].n, &lag, &u, NULL),
				 RC_OK);
		assert_true(fabs(lag - 0.1) < 0.012); /* one tick */
	}
	assert_true(fabs(seen.lag_from_A - 0.2) < 1e-9); /* the stated low current, less than half of the high one */
}

/* How long it takes is told from when the map began, not from when the clock did, an hour before. */
static void the_rest_is_reckoned_from_the_begin(void **state)
{
	struct tiny_rig rig = tiny_rig_make(39);
	struct map_config config = usual();
	struct seen seen = { 0 };

	(void)state;
	rig.ticks = 360000;
	assert_true(run(&rig, &config, &seen).done);
	assert_true(seen.foretold_s > 0.5 * seen.t_s && seen.foretold_s < 1.5 * seen.t_s);
	/* by hand until three were seen, from then on by what they took */
	assert_true(seen.spread[1] > 0.3 && seen.spread[2] < 0.3);
}

static void torque_limit_cuts_the_current(void **state)
{
	struct tiny_rig rig = tiny_rig_make(33);
	struct map_config config = usual();
	struct seen seen = { 0 };

	(void)state;
	config.most_Nm = 22; /* between 0.4 A (16.5) and 0.6 A (24.5) */
	assert_true(run(&rig, &config, &seen).done);
	assert_true(seen.most_Nm < 22.7);
	assert_true(seen.most_Nm > 20);
	assert_true(map.left_out[0] != '\0');
	/* 0.2, 0.4 and the cut one up, two and zero down */
	assert_int_equal(map.n_readings, 2 + 2 * (3 + 2 + 1));
	assert_int_equal(map.n_left_out, 2 * 2); /* 0.8 A up and 0.6 A down, at each speed */
}

static void slip_heat_limits_the_faster_speed_only(void **state)
{
	struct tiny_rig rig = tiny_rig_make(34);
	struct map_config config = usual();
	struct seen seen = { 0 };

	(void)state;
	config.most_slip_W = 120; /* 57 N·m at 20 rpm, 19.1 N·m at 60 rpm */
	assert_true(run(&rig, &config, &seen).done);
	assert_true(seen.most_slip_W < 125);
	double slow = 0, fast = 0;
	for (size_t i = 0; i < map.n_readings; i++)
		*(map.reading[i].speed ? &fast : &slow) =
			fmax(map.reading[i].speed ? fast : slow, map.reading[i].set_A);
	assert_true(fabs(slow - 0.8) < 1e-9);
	assert_true(fast < 0.5);
}

static void the_supply_limits_the_faster_speed_only(void **state)
{
	struct tiny_rig rig = tiny_rig_make(34);
	struct map_config config = usual();
	struct seen seen = { 0 };

	(void)state;
	config.most_supply_W = 120; /* 57 N·m at 20 rpm, 19.1 N·m at 60 rpm */
	assert_true(run(&rig, &config, &seen).done);
	assert_true(seen.most_slip_W < 125);
	double slow = 0, fast = 0;
	for (size_t i = 0; i < map.n_readings; i++)
		*(map.reading[i].speed ? &fast : &slow) =
			fmax(map.reading[i].speed ? fast : slow, map.reading[i].set_A);
	assert_true(fabs(slow - 0.8) < 1e-9);
	assert_true(fast < 0.5);
	assert_non_null(strstr(map.left_out, "supply"));
}

static void backs_off_when_the_actuator_is_too_weak(void **state)
{
	struct tiny_rig rig = tiny_rig_make(35);
	struct map_config config = usual();
	struct seen seen = { 0 };

	(void)state;
	rig.motor_most_Nm = 28; /* holds 0.6 A (24.5), not 0.8 A (32.5) */
	assert_true(run(&rig, &config, &seen).done);
	assert_non_null(strstr(map.left_out, "speed is not held"));
	for (size_t i = 0; i < map.n_readings; i++)
		assert_true(map.reading[i].set_A < 0.7);
	assert_true(map.n_readings >= 2 + 2 * 6);
}

static void a_hysteresis_brake_is_let_go_while_turning(void **state)
{
	struct tiny_rig rig = tiny_rig_make(36);
	struct map_config config = usual();
	struct seen seen = { 0 };

	(void)state;
	config.powder = false;
	struct seq_out out = run(&rig, &config, &seen);
	assert_true(out.done);
	/* when the drive was let go the current was nothing any more, and the shaft still turned */
	assert_true(seen.last_off_rpm > 0);
	assert_false(seen.brake_before_speed);
}

static void by_hand_asks_for_no_power(void **state)
{
	struct tiny_rig rig = tiny_rig_make(37);
	struct map_config config = usual();
	struct seq_out out = { 0 };
	const struct wish off = { 0 };
	bool done = false;

	(void)state;
	config.by_hand = true;
	rig.tare_count = rig.zero_count;
	assert_true(seq_map_begin(&map, &config));
	tiny_look(&rig, &off);
	for (int i = 0; i < 60000 && !done; i++) {
		out = (struct seq_out){ 0 };
		seq_map_step(&map, &rig.snap, &out);
		assert_false(out.wish.power);
		assert_int_equal(out.wish.mode, DRIVE_OFF);
		assert_false(out.stop);
		done = out.done;
		/* the person turns at the speed asked for */
		double wanted = config.speed_rpm[map.speed];
		rig.coil_A += (out.wish.brake_A - rig.coil_A) * 0.1;
		rig.brake_Nm = rig.drag_Nm + rig.Nm_per_A * rig.coil_A;
		rig.speed_rpm = wanted;
		rig.ticks++;
		tiny_look(&rig, &out.wish);
	}
	assert_true(done);
	assert_int_equal(map.n_readings, 18);
}

/* Arms give 20 N·m: 0.6 A (24.5 N·m) stops the crank, and a shaft that stands tells nothing of the brake. */
static void a_hand_that_is_too_weak_ends_the_way_up(void **state)
{
	struct tiny_rig rig = tiny_rig_make(38);
	struct map_config config = usual();
	struct seq_out out = { 0 };
	const struct wish off = { 0 };
	bool done = false;

	(void)state;
	config.by_hand = true;
	rig.tare_count = rig.zero_count;
	assert_true(seq_map_begin(&map, &config));
	tiny_look(&rig, &off);
	for (int i = 0; i < 90000 && !done; i++) {
		out = (struct seq_out){ 0 };
		seq_map_step(&map, &rig.snap, &out);
		assert_false(out.stop);
		done = out.done;
		rig.coil_A += (out.wish.brake_A - rig.coil_A) * 0.1;
		rig.brake_Nm = fmin(rig.drag_Nm + rig.Nm_per_A * rig.coil_A, 20);
		rig.speed_rpm = rig.brake_Nm < 20 ? config.speed_rpm[map.speed] : 0;
		rig.ticks++;
		tiny_look(&rig, &out.wish);
	}
	assert_true(done);
	assert_int_equal(map.n_readings, 2 + 2 * (2 + 1 + 1)); /* drag; 0.2 and 0.4 up, 0.2 and zero down */
	for (size_t i = 0; i < map.n_readings; i++) {
		assert_true(map.reading[i].set_A < 0.5);
		assert_true(map.reading[i].slip_rpm > 10);
	}
	assert_true(map.left_out[0] != '\0');
}

static void refuses_what_makes_no_map(void **state)
{
	struct map_config config = usual();

	(void)state;
	config.n_speeds = 0;
	assert_false(seq_map_begin(&map, &config));
	config = usual();
	config.n_currents = MAP_CURRENTS + 1;
	assert_false(seq_map_begin(&map, &config));
}

/* What the pick-up sees in one phase. */
struct misled {
	enum map_phase phase;
	double rpm;
};

static void step_misled(void *state, const struct snapshot *snap, struct seq_out *ret)
{
	const struct misled *m = state;
	struct snapshot seen = *snap;

	if (map.phase == m->phase)
		seen.speed_rpm = m->rpm;
	seq_map_step(&map, &seen, ret);
}

static void a_shaft_that_turns_wrongly_ends_it(void **state)
{
	static const struct {
		struct misled misled;
		bool by_hand;
		const char *words;
	} rows[] = {
		{ { MAP_SPIN, 5 }, false, "the actuator does not reach the speed" },
		{ { MAP_SPIN, 0 }, true, "the shaft was not turned at the commanded speed" },
		{ { MAP_DRAG, 5 }, false, "the shaft does not reach the commanded speed" },
		{ { MAP_COAST, 5 }, false, "the shaft does not stop with the drive off" },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct tiny_rig rig = tiny_rig_make(37);
		struct map_config config = usual();
		struct misled misled = rows[i].misled;

		rig.tare_count = rig.zero_count;
		config.by_hand = rows[i].by_hand;
		assert_true(seq_map_begin(&map, &config));
		struct seq_out out = tiny_run(&rig, step_misled, &misled, 900, NULL, NULL);
		if (!out.stop || out.done || !strstr(out.event.text, rows[i].words))
			fail_msg("row %zu: phase %d, %s", i, (int)map.phase, out.event.text);
	}
}

static void without_read_back(void *state, const struct snapshot *snap, struct seq_out *ret)
{
	struct snapshot seen = *snap;

	seen.brake_A = 0;
	seq_map_step(state, &seen, ret);
}

static void with_gaps(void *state, const struct snapshot *snap, struct seq_out *ret)
{
	struct snapshot seen = *snap;

	if (seen.channel[CHANNEL_CELL].fresh == map.last_conversion && seen.now.ns / 10000000 % 7 == 0)
		seen.torque_Nm = NAN; /* of a conversion that was told already */
	seq_map_step(state, &seen, ret);
}

static void slow_in_dwell(void *state, const struct snapshot *snap, struct seq_out *ret)
{
	struct snapshot seen = *snap;

	if (map.phase == MAP_DRAG && map.dwelling && map.n_readings == 0)
		seen.speed_rpm = 10;
	seq_map_step(state, &seen, ret);
}

/* By hand a shaft that nobody turns is waited for 120 s: at the drag, and at each speed. */
static void nobody_turns_the_shaft(void **state)
{
	(void)state;
	for (int at_drag = 0; at_drag < 2; at_drag++) {
		struct tiny_rig rig = tiny_rig_make(39);
		struct map_config config = usual();
		struct seq_out out = { 0 };
		const struct wish off = { 0 };
		double t_s = 0;

		config.by_hand = true;
		rig.tare_count = rig.zero_count;
		assert_true(seq_map_begin(&map, &config));
		for (; t_s < 200 && !out.stop; t_s += TINY_TICK_S) {
			out = (struct seq_out){ 0 };
			rig.ticks++;
			rig.speed_rpm = at_drag && t_s < 0.1 ? 20 : 0;
			tiny_look(&rig, &off);
			seq_map_step(&map, &rig.snap, &out);
		}
		assert_true(out.stop && fabs(t_s - 120) < 1);
		assert_non_null(strstr(out.event.text, at_drag ? "the shaft does not reach the commanded speed"
							       : "the shaft was not turned at the commanded speed"));
	}
}

/* Brake heat bounds the torque as the others do: 5 s of dwell and settling at 100 W and 500 J to spare, 200 W at 60 rpm
 * are 31.8 N·m less the margin; 20 rpm carry what there is. */
static void brake_heat_limits_the_faster_speed(void **state)
{
	struct tiny_rig rig = tiny_rig_make(40);
	struct map_config config = usual();
	struct seen seen = { 0 };

	(void)state;
	config.continuous_W = 100;
	config.energy_J = 250;
	assert_true(run(&rig, &config, &seen).done);
	assert_non_null(strstr(map.left_out, "at 60 rpm above"));
	assert_non_null(strstr(map.left_out, "brake heat is at its limit"));
}

/* One current: nothing lies between it and none on the way down. A brake without a run-in has none. */
static void a_map_of_one_current(void **state)
{
	struct tiny_rig rig = tiny_rig_make(41);
	struct map_config config = usual();
	struct seen seen = { 0 };

	(void)state;
	config.n_currents = 1;
	config.run_in_cycles = 0;
	config.lag_s = 15; /* 1500 conversions: more than there is room for */
	assert_true(run(&rig, &config, &seen).done);
	assert_int_equal(map.n_readings, 2 + 2 * 2); /* drag; the current and none, at each speed */
	assert_int_equal(map.cycle, 0);
	for (size_t i = 0; i < MAP_LAG_STEPS; i++)
		assert_int_equal(map.lag[i].n, MAP_LAG_SAMPLES);
	/* and where even that one is too much for the actuator, nothing but the drag is left at that speed */
	rig = tiny_rig_make(41);
	rig.motor_most_Nm = 5;
	assert_true(run(&rig, &config, &seen).done);
	assert_non_null(strstr(map.left_out, "the speed is not held"));
	for (size_t i = 0; i < map.n_readings; i++)
		assert_true(map.reading[i].set_A < 1e-9);
}

/* No continuous rating leaves no current for the run-in; a coil whose read-back is dead foresees nothing. */
static void what_is_not_known_is_not_run_in_or_foreseen(void **state)
{
	struct tiny_rig rig = tiny_rig_make(42);
	struct map_config config = usual();
	struct seen seen = { 0 };

	(void)state;
	config.continuous_W = 0;
	config.n_speeds = config.n_currents = 1;
	config.most_slip_W = 1;
	assert_true(run(&rig, &config, &seen).done);
	assert_near(seen.most_A, 0.2, 1e-9);
	config = usual();
	config.most_slip_W = 1; /* would forbid all but the first */
	rig = tiny_rig_make(42);
	rig.tare_count = rig.zero_count;
	assert_true(seq_map_begin(&map, &config));
	assert_true(tiny_run(&rig, without_read_back, &map, 900, watch, &seen).done);
	assert_string_equal(map.left_out, "");
}

/* Two conversions a second: a mean waits for its fourth, and readings that are no number heat nothing. */
static void a_slow_cell_with_gaps(void **state)
{
	struct tiny_rig rig = tiny_rig_make(43);
	struct map_config config = usual();
	struct seen seen = { 0 };

	(void)state;
	rig.cell_every = 50;
	config.window_s = 4;
	config.timeout_s = 20;
	config.continuous_W = 1;
	rig.tare_count = rig.zero_count;
	assert_true(seq_map_begin(&map, &config));
	assert_true(tiny_run(&rig, with_gaps, &map, 2000, watch, &seen).done);
	for (size_t i = 0; i < map.n_readings; i++)
		assert_true(mono_diff_s(map.reading[i].end, map.reading[i].begin) > 1.45);
	assert_true(map.energy_J > 1000); /* it piled up over all of them */
}

/* A shaft that falls behind in mid-dwell of the drag: that mean goes on, and says at which speed it was. */
static void a_speed_that_goes_in_mid_dwell(void **state)
{
	struct tiny_rig rig = tiny_rig_make(44);
	struct map_config config = usual();

	(void)state;
	rig.tare_count = rig.zero_count;
	assert_true(seq_map_begin(&map, &config));
	struct seq_out out = tiny_run(&rig, slow_in_dwell, &map, 900, NULL, NULL);
	assert_true(out.done);
	assert_near(map.reading[0].slip_rpm, 10, 0.5);
	assert_near(map.reading[0].torque_Nm, 0.5, 0.02);
}

static void a_contactor_that_stays_open(void **state)
{
	struct tiny_rig rig = tiny_rig_make(3);
	struct map_config c = usual();

	(void)state;
	rig.contactor_fails = true;
	rig.tare_count = rig.zero_count;
	assert_true(seq_map_begin(&map, &c));
	struct seq_out out = tiny_run(&rig, seq_map_step, &map, 20, NULL, NULL);
	assert_true(out.stop && !out.done);
	assert_non_null(strstr(out.event.text, "the contactor does not close"));
	assert_true(rig.ticks > 100 && fabs(rig.coil_A) < 1e-12);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(maps_both_branches_at_both_speeds),
		cmocka_unit_test(marks_out_of_place_are_no_change_of_speed),
		cmocka_unit_test(records_steps_for_the_lag),
		cmocka_unit_test(the_rest_is_reckoned_from_the_begin),
		cmocka_unit_test(torque_limit_cuts_the_current),
		cmocka_unit_test(slip_heat_limits_the_faster_speed_only),
		cmocka_unit_test(the_supply_limits_the_faster_speed_only),
		cmocka_unit_test(backs_off_when_the_actuator_is_too_weak),
		cmocka_unit_test(a_hysteresis_brake_is_let_go_while_turning),
		cmocka_unit_test(by_hand_asks_for_no_power),
		cmocka_unit_test(a_hand_that_is_too_weak_ends_the_way_up),
		cmocka_unit_test(refuses_what_makes_no_map),
		cmocka_unit_test(a_shaft_that_turns_wrongly_ends_it),
		cmocka_unit_test(nobody_turns_the_shaft),
		cmocka_unit_test(brake_heat_limits_the_faster_speed),
		cmocka_unit_test(a_map_of_one_current),
		cmocka_unit_test(what_is_not_known_is_not_run_in_or_foreseen),
		cmocka_unit_test(a_slow_cell_with_gaps),
		cmocka_unit_test(a_contactor_that_stays_open),
		cmocka_unit_test(a_speed_that_goes_in_mid_dwell),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
