/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The sequence against an actuator of three lines: it has the speed that is commanded less a droop, and the torque that
 * the brake makes. */
#include "run/seq_endure.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "tests/unit/near.h"

#define TICK_S 0.01
#define NM_PER_A 20.0
#define NO_LOAD_A 0.4

struct run {
	struct seq_endure s;
	struct snapshot snap;
	struct seq_out out;
	char note[64][200];
	size_t notes;
	double hot_K, heats_K_per_Nm, drift_A; /* of the case at the end of a load; of the current, a cycle */
	size_t current_every;                  /* ticks that its current is told in; 0: in each */
	bool loaded_while_slow, thinned_wrongly;
	size_t thin, ticks;
};

static struct endure_config two_ways(long last)
{
	return (struct endure_config){
		.n_legs = 2,
		.rpm = { 60, -60 },
		.n_loads = { 2, 2 },
		.load_Nm = { 5, 15 },
		.no_load_s = 0.5,
		.hold_s = 4,
		.pause_s = 1,
		.slew_rpm_per_s = 60,
		.control = { .max_A = 2, .rated_Nm = 40, .lag_s = 0.05, .ramp_Nm_per_s = 20, .slew_A_per_s = 10 },
		.first = 1,
		.last = last,
		.keep = 3,
		.most_s = INFINITY
	};
}

static struct endure_limits limits(void)
{
	return (struct endure_limits){
		.limit = { [ENDURE_CURRENT] = 0.2, [ENDURE_DROOP] = 0.2, [ENDURE_RISE] = 30, [ENDURE_CASE] = 60 },
		.tell_frac = 0.5,
		.reference = 2
	};
}

static void physics(struct run *r)
{
	const struct wish *w = &r->out.wish;
	double way = w->speed_rpm < 0 ? -1 : 1, torque_Nm = fabs(w->speed_rpm) > 1 ? NM_PER_A * w->brake_A : 0;

	r->snap.now.ns += 10000000;
	r->snap.contactor_closed = w->power;
	r->snap.speed_rpm = w->mode == DRIVE_SPEED ? w->speed_rpm - way * 0.05 * torque_Nm : 0;
	r->snap.torque_Nm = way * torque_Nm;
	r->snap.current_A = NO_LOAD_A + r->drift_A * (double)r->s.number + torque_Nm * 0.1;
	if (r->current_every && r->ticks % r->current_every)
		r->snap.current_A = NAN;
	r->snap.temp_degC[TEMP_AMBIENT] = 20;
	r->snap.temp_degC[TEMP_CASE] = 25 + r->hot_K + r->heats_K_per_Nm * torque_Nm;
	r->loaded_while_slow = r->loaded_while_slow || (w->brake_A > 0.01 && fabs(w->speed_rpm) < 59);
}

static void step(struct run *r)
{
	bool kept = r->s.number == r->s.config.first || r->s.number % r->s.config.keep == 0;

	r->out = (struct seq_out){ .remaining_s = NAN };
	seq_endure_step(&r->s, &r->snap, &r->out);
	if (r->out.event.kind == SEQ_EVENT_NOTE && r->notes < 64)
		strcpy(r->note[r->notes++], r->out.event.text);
	r->thinned_wrongly = r->thinned_wrongly || (kept && r->out.thin_s > 0 && r->s.phase != ENDURE_SPEED);
	r->thin += r->out.thin_s > 0;
	r->ticks++;
	physics(r);
}

static void run_to_end(struct run *r, double most_s)
{
	for (long i = 0; i < lround(most_s / TICK_S) && !r->out.done; i++)
		step(r);
	assert_true(r->out.done);
	assert_false(r->out.stop);
	assert_false(r->out.wish.power);
	assert_near(r->out.wish.brake_A, 0, 0);
	assert_int_equal(r->out.wish.mode, DRIVE_OFF);
	assert_false(r->loaded_while_slow);
}

static struct run begun(const struct endure_config *c)
{
	struct run r = { .snap = snapshot_blank() };
	struct endure_limits l = limits();
	struct endure_watch w = endure_watch_begin(&l);

	r.snap.now.ns = 1000000000;
	r.snap.speed_rpm = 0;
	seq_endure_begin(&r.s, c, &w);
	return r;
}

static void cycles_are_told_one_by_one(void **state)
{
	(void)state;
	struct endure_config c = two_ways(7);
	struct run r = begun(&c);
	struct endure_cycle cycle;

	run_to_end(&r, 1.2 * 7 * seq_endure_cycle_s(&c));
	assert_int_equal(r.s.cycles, 7);
	assert_int_equal(r.notes, 7);
	for (long i = 0; i < 7; i++) {
		assert_true(endure_cycle_parse(r.note[i], &cycle));
		assert_int_equal(cycle.number, i + 1);
		assert_near(cycle.no_load_A, NO_LOAD_A, 1e-6);
		assert_near(cycle.no_load_rpm, 60, 1e-6);
		assert_near(cycle.load_Nm, 15, 0.5);
		assert_near(cycle.load_rpm, 60 - 0.05 * 15, 0.1);
	}
	assert_near((double)r.ticks * TICK_S, 7 * seq_endure_cycle_s(&c), 1);
	/* 1, 3 and 6 are kept in full */
	assert_false(r.thinned_wrongly);
	assert_near((double)r.thin / (double)r.ticks, 4.0 / 7, 0.05);
}

static void a_drift_is_told_and_then_stops(void **state)
{
	(void)state;
	struct endure_config c = two_ways(50);
	struct run r = begun(&c);

	r.drift_A = 0.01; /* reference 0.415 A: 10 % in cycle 6, 20 % in cycle 10 */
	run_to_end(&r, 2000);
	assert_int_equal(r.s.found.stop, ENDURE_CURRENT);
	assert_int_equal(r.s.cycles, 10);
	size_t drifts = 0, rules = 0;
	for (size_t i = 0; i < r.notes; i++) {
		drifts += strncmp(r.note[i], "drift: ", 7) == 0;
		rules += strncmp(r.note[i], "rule: ", 6) == 0;
	}
	assert_int_equal(drifts, 1);
	assert_int_equal(rules, 1);
}

/* In the middle of a load: the load comes off while the shaft turns, and no cycle is told. */
static void a_hot_case_ends_it_in_order(void **state)
{
	(void)state;
	struct endure_config c = two_ways(50);
	struct run r = begun(&c);

	r.heats_K_per_Nm = 2.5;
	for (int i = 0; i < 6000 && r.notes == 0; i++)
		step(&r);
	size_t at = r.ticks;
	run_to_end(&r, 60);
	/* at once: 15 N.m at 20 N.m/s and 1 s, 60 rpm at 60 rpm/s and 1 s */
	assert_true((double)(r.ticks - at) * TICK_S < 4);
	assert_int_equal(r.s.found.stop, ENDURE_CASE);
	assert_int_equal(r.s.cycles, 0);
	assert_int_equal(r.notes, 1);
	assert_non_null(strstr(r.note[0], "the case is at"));
}

/* Wherever it is seen: a shaft without a load goes down at once, and in the pause nothing is left to do. */
static void a_hot_case_without_a_load(void **state)
{
	static const struct {
		enum endure_phase at;
		double most_s; /* down at 60 rpm/s and 1 s; 15 N.m off at 20 N.m/s and 1 s before that */
	} rows[] = {
		{ ENDURE_SPEED, 1.6 }, { ENDURE_NO_LOAD, 2.2 }, { ENDURE_UNLOAD, 4 },
		{ ENDURE_DOWN, 2.2 },  { ENDURE_PAUSE, 0.05 },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct endure_config c = two_ways(5);
		struct run r = begun(&c);

		while (r.s.phase != rows[i].at)
			step(&r);
		for (int k = 0; k < 30 && rows[i].at == ENDURE_SPEED; k++)
			step(&r); /* half a second on the way up */
		r.hot_K = 50;
		run_to_end(&r, rows[i].most_s);
		assert_int_equal(r.s.found.stop, ENDURE_CASE);
		assert_int_equal(r.s.cycles, 0);
		assert_int_equal(r.notes, 1);
		assert_non_null(strstr(r.note[0], "the case is at 75"));
	}
}

/* A gap in the current leaves its mean as it is; a cycle without any cannot be judged, and ends it. */
static void a_current_that_is_not_told(void **state)
{
	(void)state;
	struct endure_config c = two_ways(3);
	struct run r = begun(&c);
	struct endure_cycle cycle;

	r.current_every = 3;
	run_to_end(&r, 1.2 * 3 * seq_endure_cycle_s(&c));
	assert_int_equal(r.s.cycles, 3);
	assert_int_equal(r.s.found.stop, ENDURE_NONE);
	assert_true(endure_cycle_parse(r.note[2], &cycle));
	assert_near(cycle.no_load_A, NO_LOAD_A, 1e-6);
	r = begun(&c);
	r.current_every = 1000000;
	run_to_end(&r, 1.2 * 3 * seq_endure_cycle_s(&c));
	assert_int_equal(r.s.cycles, 1);
	assert_int_equal(r.s.found.stop, ENDURE_CURRENT);
	assert_true(endure_cycle_parse(r.note[0], &cycle));
	assert_true(isnan(cycle.no_load_A));
	assert_near(cycle.load_Nm, 15, 0.5);
}

static void time_ends_it_after_a_whole_cycle(void **state)
{
	(void)state;
	struct endure_config c = two_ways(50);

	c.most_s = 1.5 * seq_endure_cycle_s(&c);
	struct run r = begun(&c);
	run_to_end(&r, 2000);
	assert_true(r.s.out_of_time);
	assert_int_equal(r.s.cycles, 2);
}

static void a_contactor_that_stays_open_asks_to_stop(void **state)
{
	(void)state;
	struct endure_config c = two_ways(5);
	struct run r = begun(&c);

	for (int i = 0; i < 500 && !r.out.stop; i++) {
		step(&r);
		r.snap.contactor_closed = false;
	}
	assert_true(r.out.stop);
}

/* A speed at which no load is allowed says nothing of the droop: 0.05 rpm/N·m of 15 N·m are 0.75 of 60 rpm. */
static void a_droop_is_that_of_the_speeds_with_a_load(void **state)
{
	(void)state;
	struct endure_config c = two_ways(2);

	c.rpm[1] = 120;
	c.n_loads[1] = 0;
	struct run r = begun(&c);
	run_to_end(&r, 120);
	assert_int_equal(r.s.found.stop, ENDURE_NONE);
	assert_int_equal(r.s.cycles, 2);
}

/* The load under way comes off by its ramp, whichever is the last of the plan: 30 N·m, and 2 N·m would be the next. */
static void a_load_comes_off_by_its_ramp(void **state)
{
	(void)state;
	struct endure_config c = two_ways(1);
	double before_A = 0, most_A = 0;

	c.n_loads[0] = c.n_loads[1] = 3;
	c.load_Nm[0] = 2;
	c.load_Nm[1] = 30;
	c.load_Nm[2] = 2;
	c.control.ramp_Nm_per_s = 5;
	struct run r = begun(&c);
	r.heats_K_per_Nm = 1.3; /* 64 of 60 degC at 30 N·m */
	for (int i = 0; i < 12000 && !r.out.done; i++) {
		step(&r);
		most_A = fmax(most_A, before_A - r.out.wish.brake_A);
		before_A = r.out.wish.brake_A;
	}
	assert_true(r.out.done);
	assert_int_equal(r.s.found.stop, ENDURE_CASE);
	assert_true(most_A < 0.2); /* 30 N·m at once would be 1.5 A */
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(cycles_are_told_one_by_one),
		cmocka_unit_test(a_drift_is_told_and_then_stops),
		cmocka_unit_test(a_hot_case_ends_it_in_order),
		cmocka_unit_test(a_hot_case_without_a_load),
		cmocka_unit_test(a_current_that_is_not_told),
		cmocka_unit_test(time_ends_it_after_a_whole_cycle),
		cmocka_unit_test(a_contactor_that_stays_open_asks_to_stop),
		cmocka_unit_test(a_droop_is_that_of_the_speeds_with_a_load),
		cmocka_unit_test(a_load_comes_off_by_its_ramp),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
