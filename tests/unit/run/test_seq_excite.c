/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/tame/tame_free.h"
#include "run/seq_excite.h"
#include "tests/unit/run/tiny_rig.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

static struct excite_config free_shaft(void)
{
	return (struct excite_config){ .speed_rpm = 30,
				       .limit_rpm = 60,
				       .torque_Nm = 8,
				       .steps_Nm = 2,
				       .swing_rpm = 2,
				       .step_s = 0.1,
				       .record_s = 20,
				       .slew_Nm_per_s = 10,
				       .slew_A_per_s = 1 };
}

static struct excite_config locked_shaft(void)
{
	return (struct excite_config){ .limit_rpm = 20,
				       .torque_Nm = 8,
				       .steps_Nm = 2,
				       .step_s = 0.02,
				       .record_s = 10,
				       .slew_Nm_per_s = 4,
				       .lock_A = 0.8,
				       .slew_A_per_s = 1,
				       .slip_deg = 3,
				       .most_Nm = 14 };
}

struct seen {
	bool records, braked, let_go_driven, driven_unlocked;
	double least_Nm, most_Nm, slowest_rpm, fastest_rpm, last_Nm;
	long changes;
	size_t points;
};

static void look(void *ctx, const struct tiny_rig *rig, const struct seq_out *out)
{
	struct seen *s = ctx;
	bool drives = out->wish.mode != DRIVE_OFF;

	s->points += out->event.kind == SEQ_EVENT_POINT;
	s->braked |= out->wish.brake_A > 0;
	s->let_go_driven |= drives && !out->wish.power;
	s->driven_unlocked |= drives && rig->coil_A < 0.7;
	if (strcmp(out->phase, "record") != 0)
		return;
	if (!s->records)
		*s = (struct seen){ true, s->braked, s->let_go_driven, s->driven_unlocked, INFINITY, 0, INFINITY, 0, 0,
				    0,    0 };
	assert_true(out->wish.mode == DRIVE_TORQUE && out->wish.power);
	s->changes += fabs(out->wish.torque_Nm - s->last_Nm) > 0.1;
	s->last_Nm = out->wish.torque_Nm;
	s->least_Nm = fmin(s->least_Nm, out->wish.torque_Nm);
	s->most_Nm = fmax(s->most_Nm, out->wish.torque_Nm);
	s->slowest_rpm = fmin(s->slowest_rpm, rig->speed_rpm);
	s->fastest_rpm = fmax(s->fastest_rpm, rig->speed_rpm);
}

static enum rc found(const struct seq_excite *s, struct tame_free *ret)
{
	static double room[4 * EXCITE_ROWS];
	double *set_s = room, *set_Nm = room + s->n, *edge_s = set_Nm + s->n, *edge_rad = edge_s + s->n;
	const struct tame_pulses pulses = { set_s, set_Nm, edge_s, edge_rad, s->n, TINY_TICK_S };
	struct err err;

	for (size_t i = 0; i < s->n; i++) {
		set_s[i] = s->row[i].node_s;
		set_Nm[i] = s->row[i].set_Nm;
		edge_s[i] = s->row[i].edge_s;
		edge_rad[i] = 2 * M_PI * s->row[i].edge_rev;
	}
	return tame_free_find(&pulses, ret, &err);
}

/* The rig's inertia is 0.1 kg.m2, its drive gives 0.9 of what it is told, its drag is 0.5 N.m. */
static void a_free_shaft_is_excited_and_its_inertia_found(void **state)
{
	static struct seq_excite s;
	struct tiny_rig rig = tiny_rig_make(4);
	struct excite_config c = free_shaft();
	struct seen seen = { 0 };
	struct tame_free f;

	(void)state;
	rig.tare_count = rig.zero_count;
	seq_excite_begin(&s, &c);
	struct seq_out out = tiny_run(&rig, seq_excite_step, &s, 3 * seq_excite_s(&c), look, &seen);
	assert_true(out.done && !out.stop && !out.wish.power && out.wish.mode == DRIVE_OFF);
	assert_true(seen.least_Nm > 0 && seen.most_Nm <= 8 && !seen.braked && !seen.let_go_driven);
	assert_true(seen.slowest_rpm > 15 && seen.fastest_rpm < 45);
	assert_true(seen.changes > 80 && seen.changes < 210); /* 200 steps of 0.1 s; two of one sign are none */
	assert_int_equal(s.n, 1999);                          /* a tick each; the first one begins it */
	assert_int_equal(seen.points, 1);
	assert_true(fabs(rig.speed_rpm) < 1);
	assert_int_equal(found(&s, &f), RC_OK);
	assert_true(fabs(0.9 * f.id.rotor_kgm2.value / 0.1 - 1) < 0.01);
	assert_true(fabs(0.9 * f.id.offset_Nm.value - 0.5) < 0.02);
	tame_free_clear(&f);
}

/* Whatever the inertia, the speed swings by what was wanted: less than the guard takes for an oscillation. */
static void the_steps_take_the_size_that_the_swing_needs(void **state)
{
	static const double inertia[] = { 0.03, 0.1, 0.3 };
	static struct seq_excite s;

	(void)state;
	for (int i = 0; i < 3; i++) {
		struct tiny_rig rig = tiny_rig_make(4);
		struct excite_config c = free_shaft();
		struct seen seen = { 0 };
		rig.inertia_kgm2 = inertia[i];
		rig.drag_Nm = 3;
		rig.tare_count = rig.zero_count;
		seq_excite_begin(&s, &c);
		struct seq_out out = tiny_run(&rig, seq_excite_step, &s, 3 * seq_excite_s(&c), look, &seen);
		assert_true(out.done && !out.stop);
		/* a torque T over 0.1 s changes the speed by 0.1 T/J */
		double step_rpm = 0.9 * s.half_Nm * 0.1 / inertia[i] * 30 / M_PI;
		assert_true(step_rpm > 1.4 && step_rpm < 2.6);
	}
}

static void a_locked_shaft_is_excited_about_a_standing_torque(void **state)
{
	static struct seq_excite s;
	struct tiny_rig rig = tiny_rig_make(4);
	struct excite_config c = locked_shaft();
	struct seen seen = { 0 };

	(void)state;
	rig.tare_count = rig.zero_count;
	seq_excite_begin(&s, &c);
	struct seq_out out = tiny_run(&rig, seq_excite_step, &s, 3 * seq_excite_s(&c), look, &seen);
	assert_true(out.done && !out.stop && !out.wish.power && out.wish.brake_A <= 0);
	assert_true(fabs(seen.least_Nm - 6) < 1e-9 && fabs(seen.most_Nm - 10) < 1e-9);
	assert_false(seen.driven_unlocked || seen.let_go_driven);
	assert_true(fabs(rig.angle_rev) < 1e-9);
	assert_true(seen.changes > 150 && seen.changes < 350); /* of 500 steps about a half changes */
	assert_true(fabs((double)rig.ticks * TINY_TICK_S - seq_excite_s(&c)) < 2);
}

/* 0: the contactor fails; 1: a brake of 30 N.m that nothing turns; 2: a drive that is stronger the faster it turns. */
static void what_goes_wrong_ends_it(void **state)
{
	static const char *const says[] = { "contactor does not close", "does not turn at 8 N\u00b7m", "ran away" };
	static struct seq_excite s;

	(void)state;
	for (int i = 0; i < 3; i++) {
		struct tiny_rig rig = tiny_rig_make(4);
		struct excite_config c = free_shaft();
		rig.contactor_fails = i == 0;
		rig.drag_Nm = i == 1 ? 30 : 0.5;
		c.limit_rpm = i == 2 ? 32 : 60;
		rig.torque_gain = i == 2 ? 3 : 0.9;
		rig.tare_count = rig.zero_count;
		seq_excite_begin(&s, &c);
		struct seq_out out = tiny_run(&rig, seq_excite_step, &s, 60, NULL, NULL);
		assert_true(out.stop);
		assert_non_null(strstr(out.event.text, says[i]));
	}
}

/* A speed that is told in one phase, whatever the shaft does. */
struct bent {
	struct seq_excite *s;
	enum excite_phase at;
	double rpm;
};

static void step_bent(void *state, const struct snapshot *snap, struct seq_out *ret)
{
	const struct bent *bent = state;
	struct snapshot seen = *snap;

	if (bent->s->phase == bent->at)
		seen.speed_rpm = bent->rpm;
	seq_excite_step(bent->s, &seen, ret);
}

static void a_free_shaft_without_a_mean_speed_or_that_coasts_on(void **state)
{
	static const struct {
		enum excite_phase at;
		double rpm;
		const char *says; /* NULL: it is done */
	} rows[] = {
		{ EXCITE_SETTLE, 20, "the shaft does not keep a mean speed: 20 rpm, wanted 30 rpm" },
		{ EXCITE_SETTLE, NAN, "the free shaft ran away" },
		{ EXCITE_OFF, 5, NULL }, /* after 30 s */
	};
	static struct seq_excite s;

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct tiny_rig rig = tiny_rig_make(4);
		struct excite_config c = free_shaft();
		struct bent bent = { &s, rows[i].at, rows[i].rpm };

		rig.tare_count = rig.zero_count;
		seq_excite_begin(&s, &c);
		struct seq_out out = tiny_run(&rig, step_bent, &bent, 200, NULL, NULL);
		assert_true(rows[i].says ? out.stop && !out.done : out.done && !out.stop);
		if (rows[i].says && !strstr(out.event.text, rows[i].says))
			fail_msg("row %zu: %s", i, out.event.text);
		assert_true(isfinite(out.wish.torque_Nm) && s.mean_Nm > 0); /* a speed that is none takes nothing off */
		assert_true(rows[i].says || (double)rig.ticks * TINY_TICK_S > 30 + c.record_s);
	}
}

/* Ten minutes of ticks are kept; what follows is not, and it ends all the same. */
static void a_record_longer_than_its_room(void **state)
{
	static struct seq_excite s;
	struct tiny_rig rig = tiny_rig_make(4);
	struct excite_config c = free_shaft();

	(void)state;
	rig.tare_count = rig.zero_count;
	c.record_s = EXCITE_ROWS * TINY_TICK_S + 20;
	seq_excite_begin(&s, &c);
	struct seq_out out = tiny_run(&rig, seq_excite_step, &s, 2 * c.record_s, NULL, NULL);
	assert_true(out.done && !out.stop);
	assert_int_equal(s.n, EXCITE_ROWS);
}

static void a_locked_shaft_that_slips_ends_it(void **state)
{
	static struct seq_excite s;
	struct tiny_rig rig = tiny_rig_make(4);
	struct excite_config c = locked_shaft();

	(void)state;
	rig.tare_count = rig.zero_count;
	c.most_Nm = 60;
	c.torque_Nm = 40; /* 0.9 of it is more than the 32.5 N.m that 0.8 A hold */
	seq_excite_begin(&s, &c);
	struct seq_out out = tiny_run(&rig, seq_excite_step, &s, 60, NULL, NULL);
	assert_true(out.stop);
	assert_non_null(strstr(out.event.text, "the brake slips"));
}

/* True where this reading is beyond what the steps may reach. */
static bool shaken_tick(struct tiny_rig *rig, struct seq_excite *s, double shake_Nm, struct seq_out *out)
{
	bool records = s->phase == EXCITE_RECORD;

	rig->snap.torque_Nm += records ? shake_Nm : 0;
	bool beyond = records && !(rig->snap.torque_Nm >= 0 && rig->snap.torque_Nm <= 14);
	*out = (struct seq_out){ .remaining_s = NAN, .phase = "" };
	seq_excite_step(s, &rig->snap, out);
	if (!out->stop)
		tiny_tick(rig, &out->wish);
	return beyond;
}

/* An oscillation that grows beside the steps, slow or fast, gently or at once; and a torque that is not known. */
static void an_oscillation_ends_it_at_the_first_reading_beyond(void **state)
{
	static const double hertz[] = { 0.5, 2, 5, 11 }, growth_per_s[] = { 0.4, 1, 3, NAN };
	static struct seq_excite s;

	(void)state;
	for (int i = 0; i < 16; i++) {
		struct tiny_rig rig = tiny_rig_make(4);
		struct excite_config c = locked_shaft();
		struct seq_out out = { 0 };
		bool beyond = false;
		rig.tare_count = rig.zero_count;
		tiny_look(&rig, &out.wish);
		seq_excite_begin(&s, &c);
		for (int k = 0; k < 3000 && !beyond && !out.stop; k++) {
			double t_s = (double)s.n * TINY_TICK_S;
			beyond = shaken_tick(&rig, &s,
					     0.2 * exp(growth_per_s[i / 4] * t_s) * sin(2 * M_PI * hertz[i % 4] * t_s),
					     &out);
		}
		assert_true(beyond && out.stop);
		assert_non_null(strstr(out.event.text, "beyond what the steps may reach"));
	}
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(a_free_shaft_is_excited_and_its_inertia_found),
		cmocka_unit_test(the_steps_take_the_size_that_the_swing_needs),
		cmocka_unit_test(a_locked_shaft_is_excited_about_a_standing_torque),
		cmocka_unit_test(what_goes_wrong_ends_it),
		cmocka_unit_test(a_free_shaft_without_a_mean_speed_or_that_coasts_on),
		cmocka_unit_test(a_record_longer_than_its_room),
		cmocka_unit_test(a_locked_shaft_that_slips_ends_it),
		cmocka_unit_test(an_oscillation_ends_it_at_the_first_reading_beyond),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
