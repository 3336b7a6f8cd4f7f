/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A person at the drive's panel: asked in the right order, believed only with the pick-up, and the contactor closed for
 * no longer than the sequence drives. Expected values: the speeds that the sequences are told here. */
#include "run/hand_set.h"
#include "run/seq_map.h"
#include "run/seq_zero.h"
#include "run/session.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

#include <cmocka.h>

#include "tests/unit/run/tiny_sweep.h"

#define ASKED 24

/* The person, 0.5 s after each question, and the panel, which keeps what it was set to. */
struct person {
	struct hand_set h;
	double panel_rpm, times; /* sets so many times what was asked for */
	bool hasty;              /* presses Enter first, once each */
	bool sleeps;
	unsigned seen;
	double asked_rpm[ASKED];
	double left_s;
	bool power, closed_unasked, words_agree;
	double most_out_rpm;
	double open_rpm; /* speed of the shaft when the power went */
	struct tiny_rig *rig;
};

static const struct hand_set_config usual = { .near_frac = 0.03, .wait_s = 30, .standstill_rpm = 1 };

static void act(struct person *p)
{
	if (p->h.asked_n != p->seen) {
		if (p->seen < ASKED)
			p->asked_rpm[p->seen] = p->h.asked_rpm;
		p->seen = p->h.asked_n;
		p->left_s = 0.5;
	}
	if (!p->h.asking || p->sleeps)
		return;
	p->left_s -= TINY_TICK_S;
	if (p->left_s < 0)
		p->panel_rpm = p->times * p->h.asked_rpm;
	bool hasty = p->hasty && !p->h.off_again && fabs(p->left_s - 0.3) < TINY_TICK_S / 2;
	if (hasty || fabs(p->left_s + 4) < TINY_TICK_S / 2)
		p->h.pressed = true;
}

static void step(void *state, const struct snapshot *snap, struct seq_out *ret)
{
	struct person *p = state;

	hand_set_step(&p->h, snap, ret);
	act(p);
	if (ret->wish.power && p->seen == 0)
		p->closed_unasked = true;
	if (p->power && !ret->wish.power)
		p->open_rpm = fabs(snap->speed_rpm);
	p->power = ret->wish.power;
	/* what the guard holds the shaft against: the larger of both while it is being set */
	if (p->h.asking && p->power)
		assert_true(fabs(ret->wish.speed_rpm) >= fmax(fabs(p->h.asked_rpm), fabs(p->h.set_rpm)) - 1e-9);
	p->most_out_rpm = fmax(p->most_out_rpm, fabs(ret->wish.speed_rpm));
	if (!ret->wish.power)
		assert_int_equal(ret->wish.mode, DRIVE_OFF);
	/* the panel turns the shaft whatever goes out, as long as it has power */
	ret->wish.mode = ret->wish.power ? DRIVE_SPEED : DRIVE_OFF;
	ret->wish.speed_rpm = p->panel_rpm;
}

static struct person person_of(struct tiny_rig *rig, const struct sequence *sequence)
{
	struct person p = { .times = 1, .rig = rig };

	hand_set_begin(&p.h, &usual, sequence);
	return p;
}

static void assert_asked(const struct person *p, const double *rpm, unsigned n)
{
	assert_int_equal(p->seen, n);
	for (unsigned i = 0; i < n; i++)
		assert_true(fabs(p->asked_rpm[i] - rpm[i]) < 1e-9);
}

static const struct zero_config zero_config = {
	.speed_rpm = 15,
	.slew_rpm_per_s = 30,
	.settle_turns = 1,
	.average_turns = 2,
	.least_s = 2,
	.sign = 1,
	.drag_ratio = 1,
};

/* Round goes by 0, and the power goes while the shaft still turns. */
static void the_zero_is_turned_both_ways(void **state)
{
	static const double asked[] = { 0, 15, 0, -15, 0, 15 };
	struct tiny_rig rig = tiny_rig_make(41);
	struct seq_zero z;
	const struct sequence sequence = { seq_zero_step, &z };

	(void)state;
	seq_zero_begin(&z, &zero_config);
	struct person p = person_of(&rig, &sequence);
	assert_true(tiny_run(&rig, step, &p, 300, NULL, NULL).done);
	assert_asked(&p, asked, 6);
	assert_true(fabs(z.zero_count - 5000) < 3);
	assert_false(p.closed_unasked);
	assert_true(p.open_rpm > 5 && fabs(rig.speed_rpm) <= 1 && !rig.contactor);
}

static void a_sweep_goes_by_the_brake_alone(void **state)
{
	static const double asked[] = { 0, 60 };
	const struct sweep_item items[] = { { .step = 0, .direction = 1, .set = 5, .rpm = 60 },
					    { .step = 1, .direction = 1, .set = 10, .rpm = 60 },
					    { .step = 2, .direction = 1, .set = 15, .rpm = 60 } };
	struct tiny_rig rig = tiny_rig_make(42);
	const struct sequence sequence = { seq_sweep_step, &sweep };
	const struct sweep_config config = tiny_sweep_config();

	(void)state;
	rig.tare_count = 5000;
	assert_true(seq_sweep_begin(&sweep, &config, items, 3));
	struct person p = person_of(&rig, &sequence);
	assert_true(tiny_run(&rig, step, &p, 300, NULL, NULL).done);
	assert_int_equal(sweep.points, 3);
	assert_asked(&p, asked, 2);
	assert_true(p.most_out_rpm <= 60);
	assert_false(rig.contactor);
}

/* Each speed of the plan is asked for once, and until it is there the faster one counts. */
static void each_speed_of_a_plan_is_asked_for(void **state)
{
	static const double asked[] = { 0, 60, 30 };
	const struct sweep_item items[] = { { .step = 0, .direction = 1, .set = 5, .rpm = 60 },
					    { .step = 0, .direction = 1, .set = 5, .rpm = 30 } };
	struct tiny_rig rig = tiny_rig_make(43);
	const struct sequence sequence = { seq_sweep_step, &sweep };
	const struct sweep_config config = tiny_sweep_config();

	(void)state;
	rig.tare_count = 5000;
	assert_true(seq_sweep_begin(&sweep, &config, items, 2));
	struct person p = person_of(&rig, &sequence);
	assert_true(tiny_run(&rig, step, &p, 300, NULL, NULL).done);
	assert_int_equal(sweep.points, 2);
	assert_asked(&p, asked, 3);
}

static void a_map_goes_on_when_each_speed_is_set(void **state)
{
	static const double asked[] = { 0, 30, 80, 30, 80, 30 }; /* drag, loads, lag */
	static const struct map_config config = { .n_speeds = 2,
						  .n_currents = 2,
						  .speed_rpm = { 30, 80 },
						  .current_A = { 0.2, 0.4 },
						  .max_A = 1,
						  .rated_Nm = 40,
						  .window_s = 1,
						  .timeout_s = 6,
						  .dwell_s = 1,
						  .torque_slope_Nm_per_s = 0.2,
						  .speed_slope_rpm_per_s = 1,
						  .slew_A_per_s = 1,
						  .speed_slew_rpm_per_s = 30,
						  .lag_low_A = 0.1,
						  .lag_high_A = 0.3,
						  .lag_s = 1,
						  .most_Nm = 50,
						  .most_slip_W = 1000,
						  .most_supply_W = INFINITY,
						  .energy_J = INFINITY,
						  .continuous_W = 500 };
	static struct seq_map m;
	struct tiny_rig rig = tiny_rig_make(44);
	const struct sequence sequence = { seq_map_step, &m };

	(void)state;
	rig.tare_count = 5000;
	assert_true(seq_map_begin(&m, &config));
	struct person p = person_of(&rig, &sequence);
	assert_true(tiny_run(&rig, step, &p, 600, NULL, NULL).done);
	assert_asked(&p, asked, 6);
	for (size_t i = 0; i < m.n_readings; i++)
		assert_true(fabs(m.reading[i].slip_rpm - config.speed_rpm[m.reading[i].speed]) <
			    0.05 * config.speed_rpm[m.reading[i].speed]);
}

static struct seq_out run_zero(struct person *p, struct tiny_rig *rig, struct seq_zero *z,
			       const struct sequence *sequence, double most_s)
{
	seq_zero_begin(z, &zero_config);
	(void)sequence;
	return tiny_run(rig, step, p, most_s, NULL, NULL);
}

/* Nobody comes: the contactor never closes, and the stop says what was asked for. */
static void nobody_at_the_panel_ends_it(void **state)
{
	struct tiny_rig rig = tiny_rig_make(45);
	struct seq_zero z;
	const struct sequence sequence = { seq_zero_step, &z };
	struct person p = person_of(&rig, &sequence);

	(void)state;
	p.sleeps = true;
	struct seq_out out = run_zero(&p, &rig, &z, &sequence, 60);
	assert_true(out.stop && !rig.contactor);
	assert_non_null(strstr(out.event.text, "nobody set the drive to 0 rpm in 30 s"));
	assert_true(fabs((double)rig.ticks * TINY_TICK_S - 30) < 0.1);
}

/* Half of what was asked for, and Enter: not believed, asked again, and ended in its time. */
static void a_speed_that_is_not_there_is_not_believed(void **state)
{
	struct tiny_rig rig = tiny_rig_make(46);
	struct seq_zero z;
	const struct sequence sequence = { seq_zero_step, &z };
	struct person p = person_of(&rig, &sequence);
	char words[200];

	(void)state;
	p.times = 0.5;
	struct seq_out out = run_zero(&p, &rig, &z, &sequence, 120);
	hand_set_words(&p.h, words, sizeof words);
	assert_true(out.stop);
	assert_non_null(strstr(out.event.text, "nobody set the drive to 15 rpm in 30 s, the pick-up reads 7.5"));
	assert_non_null(strstr(words, "the pick-up reads 7.5 rpm: set the drive to 15 rpm forward, within 0.45 rpm"));
	assert_true(fabs(z.half[0].mean) <= 0); /* no reading was taken */
}

/* Enter before the shaft is there costs a question and nothing else. */
static void a_key_too_soon_is_asked_again(void **state)
{
	struct tiny_rig rig = tiny_rig_make(47);
	struct seq_zero z;
	const struct sequence sequence = { seq_zero_step, &z };
	struct person p = person_of(&rig, &sequence);

	(void)state;
	p.hasty = true;
	assert_true(run_zero(&p, &rig, &z, &sequence, 300).done);
	assert_int_equal(p.seen, 11); /* at 0 with a shaft that stands it is never too soon before the power */
	assert_true(fabs(z.zero_count - 5000) < 3);
}

static void power_and_a_speed_but_no_mode(void *state, const struct snapshot *snap, struct seq_out *ret)
{
	(void)state;
	(void)snap;
	*ret = (struct seq_out){ .wish = { .power = true, .mode = DRIVE_OFF, .speed_rpm = 60 } };
}

/* D7: nobody was asked for a speed yet, so none goes out and the guard holds the shaft against 0. */
static void before_the_first_drive_no_speed_goes_out(void **state)
{
	struct tiny_rig rig = tiny_rig_make(50);
	const struct sequence sequence = { power_and_a_speed_but_no_mode, NULL };
	struct person p = person_of(&rig, &sequence);
	unsigned with_power = 0;

	(void)state;
	for (int i = 0; i < 100; i++) {
		struct seq_out out = { 0 };
		tiny_look(&rig, &(struct wish){ 0 });
		rig.ticks++;
		p.h.pressed = true;
		hand_set_step(&p.h, &rig.snap, &out);
		with_power += out.wish.power;
		assert_int_equal(out.wish.mode, DRIVE_OFF);
		assert_true(fabs(out.wish.speed_rpm) < 1e-9);
	}
	assert_true(with_power > 90);
	assert_int_equal(p.h.asked_n, 1);
}

/* Before the contactor closes the person says that the knob is at 0: a shaft that turns says no. */
static void a_shaft_that_turns_keeps_the_contactor_open(void **state)
{
	struct tiny_rig rig = tiny_rig_make(48);
	struct seq_zero z;
	const struct sequence sequence = { seq_zero_step, &z };
	struct person p = person_of(&rig, &sequence);
	struct seq_out out = { 0 };

	(void)state;
	seq_zero_begin(&z, &zero_config);
	for (int i = 0; i < 500; i++) {
		tiny_look(&rig, &(struct wish){ 0 });
		rig.ticks++;
		rig.snap.speed_rpm = 5;
		out = (struct seq_out){ 0 };
		p.h.pressed = i % 50 == 0;
		hand_set_step(&p.h, &rig.snap, &out);
		assert_false(out.wish.power);
	}
}

/* The virtual bench's hands press nothing: a speed that stays near is set, one that passes by is not. */
static void by_itself_a_speed_has_to_stay(void **state)
{
	struct tiny_rig rig = tiny_rig_make(49);
	struct seq_zero z;
	const struct sequence sequence = { seq_zero_step, &z };
	struct person p = person_of(&rig, &sequence);

	(void)state;
	p.h.config.by_itself = true;
	assert_true(run_zero(&p, &rig, &z, &sequence, 300).done);
	assert_true(fabs(z.zero_count - 5000) < 3);
}

/* What the contactor and the pick-up must tell where the drive tells nothing. */
static void what_nobody_senses_is_refused(void **state)
{
	static const struct instrument_person person = { .near_frac = 0.03, .wait_s = 180 };
	static struct session s;
	struct err err = { 0 };

	(void)state;
	s = (struct session){ .n_instruments = 2 };
	s.instrument[0] = (struct instrument){ .name = "the node",
					       .roles = ROLE_ALL & ~ROLE_DRIVE,
					       .lines = LINE_ESTOP | LINE_CONTACTOR };
	s.instrument[1] = (struct instrument){
		.name = "hand-drive panel", .roles = ROLE_DRIVE, .modes = 1u << DRIVE_SPEED, .person = &person
	};
	assert_int_equal(session_check_roles(&s, &err), RC_OK);
	s.instrument[0].lines = LINE_ESTOP;
	assert_int_equal(session_check_roles(&s, &err), RC_ARG);
	assert_non_null(strstr(err.what, "nothing senses the contactor"));
	s.instrument[0].lines = LINE_CONTACTOR;
	s.instrument[0].no_direction = true;
	assert_int_equal(session_check_roles(&s, &err), RC_ARG);
	assert_non_null(strstr(err.what, "only the pick-up tells which way"));
	s.instrument[0].no_direction = false;
	s.has_plan = true;
	s.plan.endurance.cycles = 5;
	assert_int_equal(session_check_roles(&s, &err), RC_ARG);
	assert_non_null(strstr(err.what, "a person sets hand-drive panel"));
}

/* A sequence that says something itself in each tick, takes the power away after 2 s for 1 s, and gives up after 6. */
struct busy {
	double t_s;
	unsigned own;
};

static void busy_step(void *state, const struct snapshot *snap, struct seq_out *ret)
{
	struct busy *b = state;

	(void)snap;
	b->t_s += TINY_TICK_S;
	ret->event.kind = SEQ_EVENT_NOTE;
	snprintf(ret->event.text, sizeof ret->event.text, "own words");
	ret->wish.power = b->t_s < 2 || b->t_s > 3;
	ret->wish.mode = ret->wish.power ? DRIVE_SPEED : DRIVE_OFF;
	ret->wish.speed_rpm = b->t_s > 6 ? 55 : ret->wish.power ? 30 : 0;
	ret->stop = b->t_s > 6;
}

/* Without power nothing is asked for, and before it comes again the knob is at 0 once more. The sequence's own words
 * are never written over, and what it gives up is given up. */
static void power_that_goes_and_comes_again(void **state)
{
	struct busy busy = { 0 };
	const struct sequence sequence = { busy_step, &busy };
	struct tiny_rig rig = tiny_rig_make(51);
	struct person p = person_of(&rig, &sequence);
	unsigned zeros = 0, said = 0;
	struct seq_out out = { 0 };

	(void)state;
	p.h.config.by_itself = true; /* set as soon as the shaft has been near for a second */
	for (int i = 0; i < 700 && !out.stop; i++) {
		unsigned before = p.h.asked_n;
		out = (struct seq_out){ 0 };
		rig.speed_rpm = p.h.asking ? p.h.asked_rpm : 30;
		rig.ticks++;
		tiny_look(&rig, &(struct wish){ 0 });
		hand_set_step(&p.h, &rig.snap, &out);
		zeros += p.h.asked_n != before && fabs(p.h.asked_rpm) < 1e-9;
		said += out.event.kind == SEQ_EVENT_NOTE && strcmp(out.event.text, "own words") == 0;
		if (busy.t_s > 2 && busy.t_s <= 3)
			assert_true(!out.wish.power && !p.h.asking);
	}
	assert_true(out.stop && fabs(out.wish.speed_rpm - 55) < 1e-9); /* untouched */
	assert_int_equal(zeros, 2);
	assert_int_equal(said, (unsigned)lround(busy.t_s / TINY_TICK_S));
}

static void what_a_person_is_asked_for(void **state)
{
	static const struct {
		enum hand_set_phase phase;
		double asked_rpm;
		bool off_again;
		const char *words;
	} rows[] = {
		{ HAND_SET_KNOB, 0, false, "set the drive to 0: its power comes next. Then press Enter" },
		{ HAND_SET_ON, 0, false, "set the drive to 0 rpm, then press Enter" },
		{ HAND_SET_ON, 30, false, "set the drive to 30 rpm forward, then press Enter" },
		{ HAND_SET_ON, -30, false, "set the drive to 30 rpm backward, then press Enter" },
		{ HAND_SET_ON, -30, true,
		  "the pick-up reads -12.0 rpm: set the drive to 30 rpm backward, within 0.9 rpm, then press Enter" },
	};
	char words[200];

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		const struct hand_set h = { .config = usual,
					    .phase = rows[i].phase,
					    .asked_rpm = rows[i].asked_rpm,
					    .turned_rpm = -12,
					    .off_again = rows[i].off_again };
		hand_set_words(&h, words, sizeof words);
		assert_string_equal(words, rows[i].words);
	}
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(the_zero_is_turned_both_ways),
		cmocka_unit_test(a_sweep_goes_by_the_brake_alone),
		cmocka_unit_test(each_speed_of_a_plan_is_asked_for),
		cmocka_unit_test(a_map_goes_on_when_each_speed_is_set),
		cmocka_unit_test(nobody_at_the_panel_ends_it),
		cmocka_unit_test(a_speed_that_is_not_there_is_not_believed),
		cmocka_unit_test(a_key_too_soon_is_asked_again),
		cmocka_unit_test(a_shaft_that_turns_keeps_the_contactor_open),
		cmocka_unit_test(before_the_first_drive_no_speed_goes_out),
		cmocka_unit_test(by_itself_a_speed_has_to_stay),
		cmocka_unit_test(what_nobody_senses_is_refused),
		cmocka_unit_test(power_that_goes_and_comes_again),
		cmocka_unit_test(what_a_person_is_asked_for),
	};

	return cmocka_run_group_tests(tests, make_map, NULL);
}
