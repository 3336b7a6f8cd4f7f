/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What every sequence has to bear: conversions that are told three times over, readings that are no number, a drive
 * that tells its rotor now and then, and being asked again after its end. Expected: what the tiny rig gives without
 * any of it, as the sequences' own tests derive it. */
#include "run/seq_endure.h"
#include "run/seq_excite.h"
#include "run/seq_hold.h"
#include "run/seq_map.h"
#include "run/seq_obey.h"
#include "run/seq_obey_turn.h"
#include "run/seq_play.h"
#include "run/seq_ripple.h"
#include "run/seq_signs.h"
#include "run/seq_sweep.h"
#include "run/seq_zero.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "tests/unit/near.h"
#include "tests/unit/run/tiny_rig.h"

/* Each conversion stands in three ticks, the fourth of seven is no number; of five words of the drive one is none. */
struct gaps {
	void (*step)(void *state, const struct snapshot *snap, struct seq_out *ret);
	void *state;
	bool no_torque, no_rotor, no_meter; /* never any */
	double no_meter_s[2];               /* none between these moments, s */
	double ripple_W;
};

static void with_gaps(void *ctx, const struct snapshot *snap, struct seq_out *ret)
{
	const struct gaps *g = ctx;
	struct snapshot seen = *snap;

	seen.channel[CHANNEL_CELL].fresh /= 3;
	seen.channel[CHANNEL_DRIVE].fresh /= 3;
	if (g->no_torque || seen.channel[CHANNEL_CELL].fresh % 7 == 4)
		seen.torque_Nm = NAN;
	if (g->no_rotor || seen.channel[CHANNEL_DRIVE].fresh % 5 == 2)
		seen.drive_rotor_rpm = seen.rotor_deg = NAN;
	double at_s = (double)snap->now.ns * 1e-9;
	if (g->no_meter || (at_s > g->no_meter_s[0] && at_s < g->no_meter_s[1]))
		seen.current_A = NAN;
	seen.ripple_W = g->ripple_W;
	g->step(g->state, &seen, ret);
}

static struct seq_out run(struct tiny_rig *rig, struct gaps *g, double most_s)
{
	rig->tare_count = rig->zero_count;
	return tiny_run(rig, with_gaps, g, most_s, NULL, NULL);
}

/* The drive gives 0.9 of what it is told. */
static void stairs_at_a_locked_shaft(void **state)
{
	static struct seq_obey s;
	struct obey_config c = { .slew_Nm_per_s = 20,
				 .settle_s = 0.3,
				 .window_s = 0.5,
				 .lock_A = 0.8,
				 .slew_A_per_s = 1,
				 .limit_rpm = 20,
				 .slip_deg = 3 };
	struct gaps g = { .step = seq_obey_step, .state = &s };

	(void)state;
	c.n = seq_obey_stairs(12, 3, 1, c.torque_Nm);
	for (int broken = 0; broken < 2; broken++) {
		struct tiny_rig rig = tiny_rig_make(4);
		g.no_torque = broken;
		seq_obey_begin(&s, &c);
		struct seq_out out = run(&rig, &g, 60);
		assert_int_equal(out.done, !broken);
		for (size_t i = 0; i < s.n; i++)
			assert_near(s.reading[i].measured_Nm, 0.9 * c.torque_Nm[i], 0.02);
		if (broken)
			assert_non_null(strstr(out.event.text, "the cell gave no torque while a mean was taken"));
	}
}

static struct obey_turn_config turn_config(void)
{
	return (struct obey_turn_config){
		.n_speeds = 1,
		.speed_rpm = { 40 },
		.steps = 2,
		.load_Nm = 12,
		.most_Nm = 20,
		.settle_s = 2,
		.window_s = 1,
		.control = { .max_A = 1, .rated_Nm = 40, .lag_s = NAN, .ramp_Nm_per_s = 1.2, .slew_A_per_s = 0.25 }
	};
}

static void stairs_at_a_turning_shaft(void **state)
{
	static struct seq_obey_turn s;
	const struct obey_turn_config c = turn_config();
	struct gaps g = { .step = seq_obey_turn_step, .state = &s };

	(void)state;
	for (int what = 0; what < 3; what++) { /* gaps; no rotor at all; a drive that tells 0 for ever */
		struct tiny_rig rig = tiny_rig_make(4);
		g.no_rotor = what == 1;
		rig.mute_drive = what == 2;
		seq_obey_turn_begin(&s, &c);
		assert_true(run(&rig, &g, 200).done);
		assert_int_equal(s.n, 10);
		for (size_t i = 0; i < s.n; i++) {
			assert_near(s.row[i].measured_Nm, 0.9 * s.row[i].commanded_Nm, 0.15);
			if (what > 0)
				assert_true(isnan(s.row[i].rotor_rpm));
			else
				assert_near(s.row[i].rotor_rpm / s.row[i].speed_rpm, 36, 0.05);
		}
	}
}

/* A shaft that coasts is waited for, but not for ever; what is left of the brake's current goes before the torque. */
static void a_turning_shaft_is_left_in_order(void **state)
{
	static struct seq_obey_turn s;
	const struct obey_turn_config c = turn_config();
	struct snapshot snap = { .now = { 1000000000 }, .speed_rpm = 40, .torque_Nm = 3, .contactor_closed = true };
	struct seq_out out = { 0 };

	(void)state;
	seq_obey_turn_begin(&s, &c);
	s.started = true;
	s.phase = TURN_TAKE;
	s.phase_at = s.last_now = (struct mono){ 0 };
	snap.channel[CHANNEL_CELL].fresh = s.conversion; /* nothing new since the mean began */
	seq_obey_turn_step(&s, &snap, &out);
	assert_true(out.stop && strstr(out.event.text, "the cell gave no torque while a mean was taken"));
	s.phase = TURN_DOWN;
	s.brake_A = 0.002;
	s.set_Nm = s.broke_Nm = 3;
	for (int i = 0; i < 5; i++) {
		double before_Nm = s.set_Nm;
		bool braked = s.brake_A > 0;
		out = (struct seq_out){ 0 };
		snap.now.ns += 10000000;
		seq_obey_turn_step(&s, &snap, &out);
		assert_true(braked || s.set_Nm < before_Nm);
	}
	assert_true(s.brake_A <= 0);
	s.phase = TURN_OFF;
	s.phase_at = snap.now;
	for (int i = 0; i < 40 && s.leg == 0; i++) {
		out = (struct seq_out){ 0 };
		snap.now.ns += 1000000000;
		seq_obey_turn_step(&s, &snap, &out);
		assert_true(out.wish.mode == DRIVE_OFF || s.leg == 1);
		assert_int_equal(s.leg, i >= 29); /* 30 s */
	}
}

static void a_loop_of_the_gear(void **state)
{
	static struct seq_play s;
	const struct seq_play_config c = { .torque_Nm = 20,
					   .slew_Nm_per_s = 1,
					   .loops = 1,
					   .lock_A = 0.8,
					   .slew_A_per_s = 1,
					   .limit_rpm = 0.2,
					   .slip_deg = 3,
					   .ratio = 36,
					   .jump_arcmin = 1 };
	struct gaps g = { .step = seq_play_step, .state = &s };
	size_t whole = 0;

	(void)state;
	for (int what = 0; what < 3; what++) { /* gaps; a record that is full; no torque at all */
		struct tiny_rig rig = tiny_rig_make(4);
		rig.gear_deg_per_Nm = 0.5 / 60;
		rig.gear_play_deg = 6.0 / 60;
		g.no_torque = what == 2;
		seq_play_begin(&s, &c);
		if (what == 1) {
			s.n = SEQ_PLAY_ROWS - 3;
			s.n_words = SEQ_PLAY_WORDS - 2;
		}
		assert_true(run(&rig, &g, 300).done);
		if (what == 0)
			whole = s.n;
		else
			assert_int_equal(s.n, what == 1 ? SEQ_PLAY_ROWS : 0);
		assert_true(s.n_words <= SEQ_PLAY_WORDS);
		for (size_t i = 0; what == 0 && i < s.n; i++) /* 0.5 arcmin a newton metre, half of 6 of play */
			assert_true(fabs(s.angle_arcmin[i] - s.angle_arcmin[0]) < 30 && isfinite(s.torque_Nm[i]));
	}
	assert_in_range(whole, 100, SEQ_PLAY_ROWS);
}

static struct ripple_config ripple_config(void)
{
	return (struct ripple_config){
		.speed_rpm = 10,
		.slew_rpm_per_s = 5,
		.turns = 2,
		.pulses_per_rev = 2400,
		.torque_Nm = 8,
		.control = { .max_A = 1, .rated_Nm = 40, .lag_s = 0.1, .ramp_Nm_per_s = 0.5, .slew_A_per_s = 0.5 }
	};
}

/* The ramp of 16 s lasts longer than the turn that is waited for: the record begins under its load. */
static void torque_by_the_turn(void **state)
{
	static struct seq_ripple s;
	const struct ripple_config c = ripple_config();
	struct tiny_rig rig = tiny_rig_make(7);
	struct gaps g = { .step = seq_ripple_step, .state = &s };

	(void)state;
	seq_ripple_begin(&s, &c);
	assert_true(run(&rig, &g, 300).done);
	assert_true(s.n_there > 200 && s.n > 2 * s.n_there - 50);
	for (size_t k = 0; k < s.n; k++)
		assert_true(k == 0 || k == s.n_there || (k < s.n_there) == (s.turn[k] > s.turn[k - 1]));
	for (size_t k = 0; k < s.n_there; k++)
		assert_near(s.torque_Nm[k], 8, 0.5);
}

/* A reading is at the angle that the shaft has come to since the newest pulse, a whole pulse at most, or at the pulse
 * where that is not known. Two readings at one angle are one row, and a record that is full ends it. */
static void a_record_has_one_row_an_angle(void **state)
{
	static const struct {
		double rev, age_s, turn;
		size_t n;
	} rows[] = {
		{ 0.10, 0.001, 0.10 + 10.0 / 60 * 0.001, 1 },
		{ 0.10, 0.001, 0.10 + 10.0 / 60 * 0.001, 1 },
		{ 0.20, 1, 0.20 + 1.0 / 2400, 2 },
		{ 0.30, INFINITY, 0.30, 3 },
		{ 0.29, 0, 0.30, 3 }, /* a pulse that came early */
	};
	static struct seq_ripple s;
	const struct ripple_config c = ripple_config();
	struct snapshot snap = { .now = { 1000000000 }, .speed_rpm = 10, .torque_Nm = 8, .contactor_closed = true };
	struct seq_out out = { 0 };

	(void)state;
	seq_ripple_begin(&s, &c);
	s.started = true;
	s.phase = RIPPLE_RECORD;
	s.phase_at = s.last_now = snap.now;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		snap.channel[CHANNEL_CELL].fresh++;
		snap.angle_rev = rows[i].rev;
		snap.edge_age_s = rows[i].age_s;
		snap.now.ns += 10000000;
		seq_ripple_step(&s, &snap, &out);
		assert_false(out.stop);
		assert_int_equal(s.n, rows[i].n);
		assert_near(s.turn[s.n - 1], rows[i].turn, 1e-12);
	}
	s.n = RIPPLE_ROWS;
	snap.channel[CHANNEL_CELL].fresh++;
	snap.angle_rev = 0.4;
	seq_ripple_step(&s, &snap, &out);
	assert_true(out.stop && strstr(out.event.text, "the record has no room for more readings"));
	assert_int_equal(s.n, RIPPLE_ROWS);
}

static struct hold_config hold_config(void)
{
	return (struct hold_config){ .torque_Nm = 20,
				     .slew_Nm_per_s = 20,
				     .lock_A = 0.8,
				     .slew_A_per_s = 1,
				     .limit_rpm = 20,
				     .slip_deg = 3,
				     .winding_limit_degC = NAN,
				     .case_limit_degC = NAN,
				     .ambient_degC = 22,
				     .equilibrium_K_per_h = 60,
				     .window_s = 30,
				     .time_s = 20,
				     .cool_s = 10,
				     .row_s = 1,
				     .forecast_s = 15 };
}

/* What the averages of the meter leave out counts with them: 48 W at rest and 5 W. No meter, no hold. */
static void a_hold(void **state)
{
	static struct seq_hold s;
	const struct hold_config c = hold_config();

	(void)state;
	for (int broken = 0; broken < 2; broken++) {
		struct tiny_rig rig = tiny_rig_make(4);
		struct gaps g = { .step = seq_hold_step, .state = &s, .ripple_W = 5, .no_meter = broken };
		rig.heat_K_per_Nm2 = 0.1;
		rig.heat_s = 30;
		seq_hold_begin(&s, &c);
		struct seq_out out = run(&rig, &g, 120);
		if (broken) {
			assert_true(out.stop);
			assert_non_null(strstr(out.event.text, "volts and amperes are not told"));
			continue;
		}
		assert_true(out.done && s.end == HOLD_TIME && s.product);
		assert_near(s.idle_W, 53, 1e-9);
		for (size_t i = 1; i < s.n_held; i++)
			assert_near(s.torque_Nm[i], 18, 0.05);
	}
}

/* Three rows under load without a word of the meter have the load of the row before. */
static void a_hold_whose_meter_pauses(void **state)
{
	static struct seq_hold s;
	const struct hold_config c = hold_config();
	struct tiny_rig rig = tiny_rig_make(4);
	struct gaps g = { .step = seq_hold_step, .state = &s, .ripple_W = 5, .no_meter_s = { 12, 15.5 } };

	(void)state;
	rig.heat_K_per_Nm2 = 0.1;
	rig.heat_s = 30;
	seq_hold_begin(&s, &c);
	struct seq_out out = run(&rig, &g, 120);
	assert_true(out.done && s.n_held >= 20);
	for (size_t i = 1; i < s.n_held; i++) {
		assert_near(s.torque_Nm[i], 18, 0.05);
		assert_near(s.loss_W[i], 0, 1e-9); /* the rig draws the same without load */
	}
	assert_near(s.torque_Nm[s.n - 1], 0, 0);
}

/* More rows than there is room for are left out; the air's temperature is what a person gave where nothing tells it. */
static void a_hold_keeps_to_its_room(void **state)
{
	static struct seq_hold s;
	const struct hold_config c = hold_config();
	struct snapshot snap = snapshot_blank();
	struct seq_out out = { 0 };

	(void)state;
	seq_hold_begin(&s, &c);
	s.started = true;
	s.phase = HOLD_RISE;
	s.set_Nm = 20;
	s.n = HOLD_ROWS - 1;
	snap.contactor_closed = true;
	snap.voltage_V = 48;
	snap.current_A = 1;
	snap.torque_Nm = 18;
	snap.speed_rpm = snap.angle_rev = 0;
	snap.temp_degC[TEMP_CASE] = 30;
	for (int i = 0; i < 500; i++) {
		out = (struct seq_out){ 0 };
		snap.now.ns += 10000000;
		seq_hold_step(&s, &snap, &out);
	}
	assert_int_equal(s.n, HOLD_ROWS);
	assert_near(s.ambient_degC[HOLD_ROWS - 1], 22, 0);
	assert_near(out.remaining_s, 15 - 5 + 10, 0.1); /* by the forecast's 15 s, and the cooling */
	assert_null(seq_hold_untold(&snap, 22));
	assert_non_null(strstr(seq_hold_untold(&snap, NAN), "no temperature of the air"));
	snap.current_A = NAN;
	assert_non_null(strstr(seq_hold_untold(&snap, 22), "volts and amperes are not told"));
}

/* A record that is full is cut, never written past its end. */
static void an_excitation_keeps_to_its_room(void **state)
{
	static struct seq_excite s;
	const struct excite_config c = { .limit_rpm = 20,
					 .torque_Nm = 8,
					 .steps_Nm = 2,
					 .step_s = 0.02,
					 .record_s = 1,
					 .slew_Nm_per_s = 4,
					 .lock_A = 0.8,
					 .slew_A_per_s = 1,
					 .slip_deg = 3,
					 .most_Nm = 14 };
	struct tiny_rig rig = tiny_rig_make(4);
	struct gaps g = { .step = seq_excite_step, .state = &s };

	(void)state;
	rig.noise_Nm = 0;
	seq_excite_begin(&s, &c);
	s.n = EXCITE_ROWS - 7;
	struct seq_out out = run(&rig, &g, 60);
	assert_true(out.stop || out.done); /* a torque that is no number ends it: it may be too much */
	assert_true(s.n <= EXCITE_ROWS);
}

/* The drive tells its rotor now and then, or never: judged by what was told, or not at all. */
static void signs(void **state)
{
	static struct seq_signs s;
	const struct signs_config c = {
		.speed_rpm = 30, .slew_rpm_per_s = 30, .gear_ratio = 36, .answer_Nm = 1, .most_A = 0.5, .max_A = 1
	};
	struct gaps g = { .step = seq_signs_step, .state = &s };

	(void)state;
	for (int mute = 0; mute < 2; mute++) {
		struct tiny_rig rig = tiny_rig_make(9);
		g.no_rotor = mute;
		seq_signs_begin(&s, &c);
		assert_true(run(&rig, &g, 120).done);
		assert_int_equal(s.rotor_judged, !mute);
	}
}

static struct seq_zero zero;
static struct seq_map map;
static struct seq_sweep sweep;
static struct seq_obey obey;
static struct seq_obey_turn obey_turn;
static struct seq_play play;
static struct seq_ripple ripple;
static struct seq_hold hold;
static struct seq_signs sign;
static struct seq_endure endure;
static struct seq_excite excite;

/* Asked again after its end a sequence stays done, and everything stays off. */
static void done_stays_done(void **state)
{
	const struct {
		const char *name;
		void (*step)(void *state, const struct snapshot *snap, struct seq_out *ret);
		void *state;
	} rows[] = {
		{ "zero", seq_zero_step, &zero },           { "map", seq_map_step, &map },
		{ "sweep", seq_sweep_step, &sweep },        { "obey", seq_obey_step, &obey },
		{ "turn", seq_obey_turn_step, &obey_turn }, { "play", seq_play_step, &play },
		{ "ripple", seq_ripple_step, &ripple },     { "hold", seq_hold_step, &hold },
		{ "signs", seq_signs_step, &sign },         { "endure", seq_endure_step, &endure },
		{ "excite", seq_excite_step, &excite },
	};
	struct snapshot snap = snapshot_blank();
	const struct sweep_item item = { .done = false, .rpm = 60 };
	const struct sweep_config sweep_config = { .window_s = 1 };

	(void)state;
	snap.now.ns = 1000000000;
	snap.contactor_closed = true;
	snap.torque_Nm = snap.speed_rpm = snap.angle_rev = 0;
	zero.phase = ZERO_END;
	map = (struct seq_map){ .phase = MAP_END, .config = { .n_speeds = 1, .speed_rpm = { 60 } }, .acts = 1 };
	assert_true(seq_sweep_begin(&sweep, &sweep_config, &item, 1));
	sweep.phase = SWEEP_END;
	obey.phase = OBEY_END;
	obey_turn.config = turn_config();
	obey_turn.phase = TURN_END;
	play.phase = SEQ_PLAY_END;
	ripple.config = ripple_config();
	ripple.phase = RIPPLE_END;
	hold.config = hold_config();
	hold.phase = HOLD_DONE;
	sign.phase = SIGNS_END;
	endure.config =
		(struct endure_config){ .n_legs = 1, .rpm = { 60 }, .slew_rpm_per_s = 60, .keep = 3, .last = 1 };
	endure.phase = ENDURE_END;
	excite.phase = EXCITE_END;
	zero.started = map.started = sweep.started = obey.started = obey_turn.started = play.started = true;
	ripple.started = hold.started = sign.started = endure.started = excite.started = true;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++)
		for (int again = 0; again < 3; again++) {
			struct seq_out out = { 0 };
			snap.now.ns += 10000000;
			rows[i].step(rows[i].state, &snap, &out);
			if (!out.done || out.stop || out.wish.power || out.wish.mode != DRIVE_OFF ||
			    out.wish.brake_A > 0)
				fail_msg("%s: done %d, stop %d", rows[i].name, out.done, out.stop);
		}
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(stairs_at_a_locked_shaft),
		cmocka_unit_test(stairs_at_a_turning_shaft),
		cmocka_unit_test(a_turning_shaft_is_left_in_order),
		cmocka_unit_test(a_loop_of_the_gear),
		cmocka_unit_test(torque_by_the_turn),
		cmocka_unit_test(a_record_has_one_row_an_angle),
		cmocka_unit_test(a_hold),
		cmocka_unit_test(a_hold_whose_meter_pauses),
		cmocka_unit_test(a_hold_keeps_to_its_room),
		cmocka_unit_test(an_excitation_keeps_to_its_room),
		cmocka_unit_test(signs),
		cmocka_unit_test(done_stays_done),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
