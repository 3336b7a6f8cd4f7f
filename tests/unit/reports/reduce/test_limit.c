/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/reduce/curve.h"
#include "reports/reduce/limit.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "tests/unit/reports/made_run.h"

/* The last step of a sweep to 30 N.m at 85 rev/min in every way that something can give out. The rig's supply is 48 V,
 * 12 A; its brake 1.2 A; its cell 60 N.m (made_run.h). */
static const struct row {
	const char *name;
	struct made_step last;
	enum limit expect;
	const char *says;
} rows[] = {
	{ "everything has room", { 30, 85, 47.5, 9, 0.7, 1, false }, LIMIT_NONE, "" },
	{ "supply at 12 A and sagging", { 30, 70, 40, 12, 0.7, 1, false }, LIMIT_SUPPLY, "supply at its limit: 12 A" },
	{ "supply near 12 A, voltage stands", { 30, 85, 47.8, 11.9, 0.7, 1, false }, LIMIT_NONE, "" },
	{ "voltage low but current small: a soft supply is no limit",
	  { 30, 85, 44, 6, 0.7, 1, false },
	  LIMIT_NONE,
	  "" },
	{ "drive dropped out", { 0.5, 0.01, 47, 0.1, 0.7, DRIVE_UNDERVOLTAGE, false }, LIMIT_SUPPLY, "undervoltage" },
	{ "drive at its current limit, torque missed",
	  { 24, 60, 47, 8, 0.9, DRIVE_ENABLED | DRIVE_CURRENT_LIMITED, false },
	  LIMIT_DRIVE,
	  "current limit" },
	{ "drive flag up but nothing missed",
	  { 30, 85, 47, 8, 0.9, DRIVE_ENABLED | DRIVE_CURRENT_LIMITED, false },
	  LIMIT_NONE,
	  "" },
	{ "drive derates for heat",
	  { 26, 60, 47, 8, 0.9, DRIVE_ENABLED | DRIVE_DERATING, false },
	  LIMIT_HEAT,
	  "derated" },
	{ "brake at full current, torque missed", { 27, 85, 47, 8, 1.2, 1, false }, LIMIT_BRAKE, "full current" },
	{ "brake at full current, torque reached", { 30, 85, 47, 8, 1.2, 1, false }, LIMIT_NONE, "" },
	{ "cell saturated", { 30, 85, 47, 8, 0.9, 1, true }, LIMIT_CELL, "at its end" },
	{ "a supply dialled to less sags far below its stated current",
	  { 30, 70, 40, 4, 0.7, 1, false },
	  LIMIT_SUPPLY,
	  "voltage down to 40 V" },
	{ "speed falls and the drive says nothing",
	  { 30, 70, 47, 8, 0.9, 0, false },
	  LIMIT_NOT_KNOWN,
	  "did not report" },
	{ "torque missed and nobody knows why",
	  { 27, 85, 47, 8, 0.7, 1, false },
	  LIMIT_NOT_KNOWN,
	  "the samples do not show why" },
	{ "speed falls with room everywhere", { 30, 70, 47, 8, 0.9, 1, false }, LIMIT_ACTUATOR, "speed" },
	{ "supply full wins over the drive's own limit",
	  { 26, 60, 40, 12, 0.9, DRIVE_ENABLED | DRIVE_CURRENT_LIMITED, false },
	  LIMIT_SUPPLY,
	  "supply at its limit: 12 A" },
};

static void each_limit_is_told_from_its_samples(void **state)
{
	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct made m = { .seed = 20 + i,
				  .n_steps = 2,
				  .window_s = 3,
				  .step = { { 10, 85, 48, 3, 0.3, 1, false }, rows[i].last } };
		struct err err = { 0 };
		struct curve *c = NULL;

		made_run(&m);
		/* the plan wanted 30 N.m: write the set-point of the last point again, the step's own torque is what
		 * came */
		logbook_close(m.lb);
		assert_int_equal(logbook_open(m.path, &m.lb, &err), RC_OK);
		struct run_head head = { .kind = "sweep",
					 .rig_text = made_rig,
					 .actuator_text = made_actuator,
					 .plan_text = made_plan,
					 .mono_ns = 1,
					 .wall_ns = 1,
					 .calibration_id = m.calibration_id };
		assert_int_equal(logbook_run_begin(m.lb, &head, &err), RC_OK);
		m.run_id = head.id;
		made_tare(&m);
		made_stretch(&m, &rows[i].last, 1, NULL);
		double begin_s = m.t_s;
		made_stretch(&m, &rows[i].last, 3, NULL);
		made_point(&m, 1, 0, 30, begin_s);
		made_tare(&m);
		if (curve_from_run(m.lb, m.run_id, &c, &err) != RC_OK)
			fail_msg("%s: %s", rows[i].name, err.what);
		if (c->points[0].limit != rows[i].expect)
			fail_msg("%s: found %s, expected %s", rows[i].name, limit_word(c->points[0].limit),
				 limit_word(rows[i].expect));
		if (!strstr(c->points[0].limit_note, rows[i].says))
			fail_msg("%s: note \"%s\" does not say \"%s\"", rows[i].name, c->points[0].limit_note,
				 rows[i].says);
		assert_true((rows[i].expect == LIMIT_NONE) == (c->points[0].limit_note[0] == '\0'));
		curve_free(c);
		made_free(&m);
	}
}

/* A person's knob holds no speed: what sinks within the tolerance is no limit, what sinks further is not known. Neither
 * is the actuator's, since the drive tells nothing. */
static void a_speed_that_a_person_set_is_no_limit(void **state)
{
	char rig[2048];
	struct made m = { .seed = 60,
			  .n_steps = 3,
			  .window_s = 3,
			  .rig_text = rig,
			  .step = { { 10, 85, 48, 3, 0.3, 0, false },
				    { 20, 83.3, 47.8, 6, 0.5, 0, false },
				    { 30, 75, 47.6, 8, 0.7, 0, false } } };
	struct err err = { 0 };
	struct curve *c = NULL;

	(void)state;
	snprintf(rig, sizeof rig, "%s[instrument panel]\nkind = hand-drive\nroles = drive\ntolerance = 3 %%\n",
		 made_rig);
	made_run(&m);
	if (curve_from_run(m.lb, m.run_id, &c, &err) != RC_OK)
		fail_msg("%s", err.what);
	assert_int_equal(c->points[0].limit, LIMIT_NONE);
	assert_int_equal(c->points[1].limit, LIMIT_NONE);
	assert_int_equal(c->points[2].limit, LIMIT_NOT_KNOWN);
	assert_non_null(strstr(c->points[2].limit_note, "set by hand to 85 rpm"));
	for (size_t i = 0; i < 3; i++)
		assert_false(c->points[i].free_running);
	curve_free(c);
	made_free(&m);
}

/* The classic false verdict: the drive drops out after the last point. It is the supply, and the page must say so. */
static void a_drop_out_after_the_last_point_is_the_supply_s(void **state)
{
	const struct made_step out = { 1, 10, 35, 12, 0.9, DRIVE_UNDERVOLTAGE, false };
	struct made m = { .seed = 50,
			  .n_steps = 2,
			  .window_s = 3,
			  .cause = "drive_dropout",
			  .tail = &out,
			  .step = { { 10, 85, 48, 3, 0.3, 1, false }, { 20, 85, 47.8, 6, 0.5, 1, false } } };
	struct err err = { 0 };
	struct curve *c = NULL;
	(void)state;

	made_run(&m);
	assert_int_equal(curve_from_run(m.lb, m.run_id, &c, &err), RC_OK);
	assert_int_equal(c->points[1].limit, LIMIT_NONE);
	assert_int_equal(c->end_limit, LIMIT_SUPPLY);
	assert_non_null(strstr(c->end_note, "no limit of the actuator"));
	assert_non_null(strstr(c->end_note, "35 V"));
	curve_free(c);
	made_free(&m);
}

/* The guard's causes each in their own words, and the limit that decided with its value and its file: the rig states 55
 * and 60 N.m, the actuator 50. An operator's stop and a stated limit are never the actuator's. */
static void each_end_has_its_own_words(void **state)
{
	static const struct {
		const char *cause;
		enum limit expect;
		const char *says, *says_too;
	} ends[] = {
		{ "overtorque", LIMIT_GUARD,
		  "the torque passed a stated limit (50 N·m, stated by actuators/made-winder.ini [limits] torque)",
		  "" },
		{ "overspeed", LIMIT_GUARD, "150 rpm", "[limits] speed" },
		{ "operator", LIMIT_OPERATOR, "the operator stopped the run", "" },
		{ "brake_energy", LIMIT_BRAKE, "rig.ini [brake] slip_energy", "1.2e+05 J" },
		{ "stall", LIMIT_NOT_KNOWN, "stood still under torque",
		  "supply, drive and brake were below their limits" },
		{ "estop", LIMIT_GUARD, "emergency stop was pressed", "" },
	};
	(void)state;

	for (size_t i = 0; i < sizeof ends / sizeof ends[0]; i++) {
		const struct made_step tail = { 30, 1, 47.5, 9, 0.7, DRIVE_ENABLED, false };
		struct made m = { .seed = 60 + i,
				  .n_steps = 2,
				  .window_s = 3,
				  .cause = ends[i].cause,
				  .tail = &tail,
				  .step = { { 10, 85, 48, 3, 0.3, 1, false }, { 20, 85, 47.8, 6, 0.5, 1, false } } };
		struct err err = { 0 };
		struct curve *c = NULL;

		made_run(&m);
		assert_int_equal(curve_from_run(m.lb, m.run_id, &c, &err), RC_OK);
		if (c->end_limit != ends[i].expect || !strstr(c->end_note, ends[i].says) ||
		    !strstr(c->end_note, ends[i].says_too))
			fail_msg("%s: %s: %s", ends[i].cause, limit_word(c->end_limit), c->end_note);
		curve_free(c);
		made_free(&m);
	}
}

/* A brake of 50 N·m: 22 N·m at no current are its drag, 0.6 N·m are what such a brake has, 28 of 30 N·m were not
 * reached. */
static void a_step_that_was_not_reached_is_said(void **state)
{
	static const struct {
		double torque_Nm, set_Nm, brake_A;
		const char *says;
	} steps[] = {
		{ 22, 0, 0, "drag alone is more than the 0 N·m" },
		{ 22, 5, 0, "drag alone" },
		{ 0.6, 0, 0, "" },
		{ 30.1, 30, 0.7, "" },
		{ 34, 30, 0.7, "34 N·m is more than the 30 N·m" },
		{ 28, 30, 0.7, "30 N·m was not reached: 28 N·m" },
	};
	const struct rig_profile profile = { .brake_rated_Nm = 50, .brake_max_A = 1.2 };
	const struct limit_rig rig = { &profile, NULL, NULL };
	(void)state;

	for (size_t i = 0; i < sizeof steps / sizeof steps[0]; i++) {
		struct curve_point p = { .torque_Nm = unc_exact(steps[i].torque_Nm),
					 .setpoint_Nm = steps[i].set_Nm,
					 .brake_A = steps[i].brake_A };
		limit_note_step(&rig, &p);
		if (!strstr(p.note, steps[i].says) || (steps[i].says[0] == '\0') != (p.note[0] == '\0'))
			fail_msg("row %zu: \"%s\"", i, p.note);
	}
}

/* On its way to the load still: neither the torque nor the speed that it has then is a limit of anything. One that had
 * settled there is the actuator's. */
static void what_had_not_settled_says_nothing_of_the_actuator(void **state)
{
	const struct rig_profile rig = {
		.cell_full_scale_Nm = 60, .brake_max_A = 1.2, .supply_V = 48, .supply_limit_A = 12
	};
	const struct actuator_profile actuator = { 0 };
	const struct plan_profile plan = { .drive = PLAN_SPEED };
	const struct limit_rig all = limit_rig_of(&rig, &actuator, &plan);
	struct limit_facts facts = { .n = 100, .enabled = 100 };
	struct curve_point p = { .torque_Nm = unc_exact(7),
				 .speed_rpm = unc_exact(80),
				 .setpoint_Nm = 10,
				 .setpoint_rpm = 85,
				 .current_A = unc_exact(3),
				 .voltage_V = unc_exact(48),
				 .brake_A = 0.3 };
	(void)state;

	limit_of_point(&all, &facts, &facts, &p);
	assert_int_equal(p.limit, LIMIT_NOT_KNOWN);
	assert_non_null(strstr(p.limit_note, "not settled"));
	p.settled = true;
	limit_of_point(&all, &facts, &facts, &p);
	assert_int_equal(p.limit, LIMIT_ACTUATOR);
}

/* Backward torque and speed are negative: less of either falls short. The drag alone at 0 N·m does not. */
static void backward_falls_short_as_forward(void **state)
{
	const struct rig_profile rig = {
		.cell_full_scale_Nm = 60, .brake_max_A = 1.2, .brake_rated_Nm = 50, .supply_V = 48, .supply_limit_A = 12
	};
	const struct actuator_profile actuator = { 0 };
	const struct plan_profile plan = { .drive = PLAN_SPEED };
	const struct limit_rig all = limit_rig_of(&rig, &actuator, &plan);
	const struct limit_facts facts = { .n = 100, .enabled = 100 };
	static const struct {
		double set_Nm, torque_Nm, rpm;
		enum limit expect;
	} backward[] = {
		{ 0, -1, -85, LIMIT_NONE },        { -10, -10, -85, LIMIT_NONE },     { -10, -10.05, -85, LIMIT_NONE },
		{ -10, -10, -80, LIMIT_ACTUATOR }, { -10, -8, -85, LIMIT_NOT_KNOWN },
	};
	(void)state;

	for (size_t i = 0; i < sizeof backward / sizeof backward[0]; i++) {
		struct curve_point p = { .torque_Nm = unc_exact(backward[i].torque_Nm),
					 .speed_rpm = unc_exact(backward[i].rpm),
					 .setpoint_Nm = backward[i].set_Nm,
					 .setpoint_rpm = -85,
					 .current_A = unc_exact(3),
					 .voltage_V = unc_exact(48),
					 .settled = true };
		limit_of_point(&all, &facts, &facts, &p);
		if (p.limit != backward[i].expect)
			fail_msg("row %zu: %s", i, limit_word(p.limit));
	}
}

/* --- what a search came to, beside points that are known --- */
#define PLACES 3

static struct curve_point place(double rpm, double load_Nm, enum limit limit)
{
	return (struct curve_point){ .direction = 1,
				     .settled = true,
				     .setpoint_rpm = rpm,
				     .setpoint_Nm = load_Nm,
				     .torque_Nm = { .value = load_Nm },
				     .limit = limit };
}

static void found(struct curve *c, const char *sentence, const struct limit_facts *moment)
{
	static const struct rig_profile rig;
	static const struct actuator_profile actuator;
	static const struct plan_profile plan = { .load = LOAD_TORQUE, .drive = PLAN_SPEED };
	const struct limit_rig all = limit_rig_of(&rig, &actuator, &plan);

	limit_of_place(&all, sentence, moment, c);
}

/* The sentence has six digits; a plan of 100/3 rpm and 70/3 N·m has more. */
static void a_place_is_found_by_the_digits_that_are_told(void **state)
{
	struct curve_point point[PLACES] = { place(100 / 3.0, 20, LIMIT_NONE), place(100 / 3.0, 70 / 3.0, LIMIT_NONE),
					     place(100 / 3.0, 80 / 3.0, LIMIT_SUPPLY) };
	struct curve c = { .n = PLACES, .points = point };

	(void)state;
	found(&c, "limit at 33.3333 rpm: 23.3333 N\u00b7m held, 26.6667 N\u00b7m did not: the torque was not reached",
	      NULL);
	assert_int_equal(c.n_limits, 1);
	assert_int_equal(c.limits[0].limit, LIMIT_SUPPLY);
	assert_true(point[1].at_limit && !point[0].at_limit && !point[2].at_limit);
	/* another speed, near by */
	point[1].at_limit = false;
	found(&c, "limit at 33.334 rpm: 23.3333 N\u00b7m held, 26.6667 N\u00b7m did not: the torque was not reached",
	      NULL);
	assert_int_equal(c.limits[1].limit, LIMIT_NOT_KNOWN);
	assert_false(point[1].at_limit);
}

/* 24 N·m held, was taken once more and made the speed fall: the moment tells, not the point that held. */
static void a_load_that_held_once_and_fell_is_told_from_the_moment(void **state)
{
	struct curve_point point[2] = { place(60, 20, LIMIT_NONE), place(60, 24, LIMIT_NONE) };
	struct curve c = { .n = 2, .points = point };
	const struct limit_facts sagged = {
		.n = 60, .strained = 9, .max_A = 12, .min_V = 40, .open_V = 48, .max_drive_A = NAN, .enabled = 60
	};

	(void)state;
	found(&c, "limit at 60 rpm: 20 N\u00b7m held, 24 N\u00b7m did not: the speed fell", &sagged);
	assert_int_equal(c.limits[0].limit, LIMIT_SUPPLY);
	assert_true(point[0].at_limit);
	assert_non_null(strstr(point[0].note, "24 N\u00b7m did not hold (supply-limited)"));
	found(&c, "limit at 60 rpm: 20 N\u00b7m held, 24 N\u00b7m did not: the speed fell", NULL);
	assert_int_equal(c.limits[1].limit, LIMIT_NOT_KNOWN);
}

static void every_limit_has_its_word_and_sentence(void **state)
{
	(void)state;
	assert_string_equal(limit_word(LIMIT_SUPPLY), "supply-limited");
	assert_string_equal(limit_word(LIMIT_NONE), "none");
	for (int i = LIMIT_NONE; i <= LIMIT_UNKNOWN; i++)
		assert_true(strlen(limit_sentence((enum limit)i)) > 20);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(each_limit_is_told_from_its_samples),
		cmocka_unit_test(a_speed_that_a_person_set_is_no_limit),
		cmocka_unit_test(a_drop_out_after_the_last_point_is_the_supply_s),
		cmocka_unit_test(each_end_has_its_own_words),
		cmocka_unit_test(a_step_that_was_not_reached_is_said),
		cmocka_unit_test(what_had_not_settled_says_nothing_of_the_actuator),
		cmocka_unit_test(backward_falls_short_as_forward),
		cmocka_unit_test(a_place_is_found_by_the_digits_that_are_told),
		cmocka_unit_test(a_load_that_held_once_and_fell_is_told_from_the_moment),
		cmocka_unit_test(every_limit_has_its_word_and_sentence),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
