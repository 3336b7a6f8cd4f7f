/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Expected values: by hand, the zero is turned at 0.3 of the speed (docs/method.md); rates and shares as
 * sweep_setup.c states them. */
#include "run/sweep_setup.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>

#include <cmocka.h>

#include "tests/unit/logbook/session_scene.h"
#include "tests/unit/near.h"

static double zero_rpm(enum plan_drive drive, size_t n, double first_rpm, double second_rpm)
{
	struct session *s = calloc(1, sizeof *s);

	assert_non_null(s);
	s->actuator.speed_mode_rpm = 90;
	s->plan.drive = drive;
	s->plan.n_speeds = n;
	s->plan.speed_rpm[0] = first_rpm;
	s->plan.speed_rpm[1] = second_rpm;
	struct sweep_config c = sweep_config_of(s, 0);
	free(s);
	return sweep_zero_rpm(&c);
}

static void the_zero_is_turned_at_a_part_of_the_fastest_speed(void **state)
{
	(void)state;
	assert_true(fabs(zero_rpm(PLAN_SPEED, 1, 60, NAN) - 18) < 1e-9);
	assert_true(fabs(zero_rpm(PLAN_SPEED, 2, 60, -80) - 24) < 1e-9);
}

/* A zero at rest holds the friction of the brake: up to its whole drag. */
static void a_plan_without_a_speed_turns_it_too(void **state)
{
	(void)state;
	assert_true(fabs(zero_rpm(PLAN_DRIVE_CURRENT, 1, NAN, NAN) - 27) < 1e-9);
	assert_true(fabs(zero_rpm(PLAN_DRIVE_CURRENT, 0, NAN, NAN) - 27) < 1e-9);
}

/* A person turns at four times the least slip, 15 rpm at least, and the zero as well. */
static void a_person_turns_at_one_speed(void **state)
{
	struct session *s = calloc(1, sizeof *s);

	(void)state;
	assert_non_null(s);
	s->plan.drive = PLAN_HAND;
	s->rig.min_slip_rpm = 5;
	struct sweep_config c = sweep_config_of(s, POINT_FORCED);
	assert_near(c.top_rpm, 20, 1e-12);
	assert_near(sweep_zero_rpm(&c), 20, 1e-12);
	assert_int_equal(c.flags, POINT_FORCED);
	free(s);
}

/* 50 N·m at 1.2 A: up in 6 s, or in 1 s by current; 60 rpm in 3 s, 8 A in 2 s. */
static void from_plan_and_rig(void **state)
{
	struct session *s = calloc(1, sizeof *s);

	(void)state;
	assert_non_null(s);
	s->rig = (struct rig_profile){ .brake_max_A = 1.2, .brake_rated_Nm = 50, .min_slip_rpm = 4 };
	s->plan = (struct plan_profile){ .n_speeds = 1,
					 .speed_rpm = { -60 },
					 .drive_A = -8,
					 .dwell_s = 4,
					 .window_s = 2,
					 .timeout_s = 20,
					 .temp_slope_K_per_min = 3 };
	struct sweep_config c = sweep_config_of(s, 0);
	assert_near(c.top_rpm, 60, 0);
	assert_near(c.speed_slew_rpm_per_s, 20, 1e-12);
	assert_near(c.drive_slew_A_per_s, 4, 1e-12);
	assert_near(c.temp_slope_K_per_s, 0.05, 1e-12);
	assert_near(c.reach_Nm, 0.3, 1e-12); /* 0.6 % of the brake's rating */
	assert_near(c.control.ramp_Nm_per_s, 50 / 6.0, 1e-12);
	assert_near(c.control.slew_A_per_s, 1.2, 1e-12);
	assert_null(c.control.map);
	s->map_id = 4;
	assert_ptr_equal(sweep_config_of(s, 0).control.map, &s->map);
	free(s);
}

static void the_heaviest_load_that_is_allowed(void **state)
{
	struct session *s = calloc(1, sizeof *s);
	size_t allowed[PROFILE_SPEEDS] = { 2, 3 };

	(void)state;
	assert_non_null(s);
	s->rig.brake_max_A = 1.2;
	s->rig.brake_rated_Nm = 60;
	s->plan = (struct plan_profile){ .n_speeds = 2, .n = 4, .step = { 0, 0.2, 0.5, 1 } };
	assert_near(sweep_heaviest_Nm(s, allowed), 0.5, 0);
	allowed[0] = 9; /* no more than there are */
	assert_near(sweep_heaviest_Nm(s, allowed), 1, 0);
	s->plan.load = LOAD_CURRENT; /* by the rating: 50 N·m an ampere */
	assert_near(sweep_heaviest_Nm(s, allowed), 50, 1e-12);
	allowed[0] = allowed[1] = 0;
	assert_true(isnan(sweep_heaviest_Nm(s, allowed)));
	free(s);
}

/* An eighth of the widest step, but not finer than what counts as reached. */
static void how_fine_a_search_is(void **state)
{
	static const struct {
		enum plan_load load;
		double step, last, fine;
	} rows[] = {
		{ LOAD_TORQUE, 10, 20, 1.25 },  { LOAD_TORQUE, 1, 10, 0.3 },       /* 0.6 % of the rated 50 N·m */
		{ LOAD_TORQUE, 1, 40, 0.8 },                                       /* 2 % of the last load */
		{ LOAD_CURRENT, 0.4, 1, 0.05 }, { LOAD_CURRENT, 0.02, 1, 0.0072 }, /* 0.6 % of the coil's 1.2 A */
	};
	struct session *s = calloc(1, sizeof *s);
	struct forecast *f = calloc(1, sizeof *f);

	(void)state;
	assert_true(s && f);
	s->rig = (struct rig_profile){ .brake_max_A = 1.2, .brake_rated_Nm = 50, .supply_limit_A = 9 };
	s->actuator.case_hot_degC = 80;
	s->actuator.winding_hot_degC = 120;
	f->n_search = 2;
	f->search[1] = (struct forecast_search){ .set_rpm = 30, .ceiling = 44, .why = "10 tries" };
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		s->plan = (struct plan_profile){ .load = rows[i].load,
						 .n = 2,
						 .step = { rows[i].last - rows[i].step, rows[i].last } };
		assert_near(sweep_search_of(s, f).fine, rows[i].fine, 1e-9);
	}
	struct sweep_search_config c = sweep_search_of(s, f);
	assert_true(c.n == 2 && c.first_step == 2);
	assert_near(c.at[1].rpm, 30, 0);
	assert_near(c.at[1].ceiling, 44, 0);
	assert_string_equal(c.at[1].ceiling_why, "10 tries");
	assert_near(c.hot_degC[TEMP_CASE], 80, 0);
	assert_near(c.hot_degC[TEMP_WINDING], 120, 0);
	assert_true(isinf(c.hot_degC[TEMP_BRAKE]) && isinf(c.hot_degC[TEMP_AMBIENT])); /* nobody states one */
	s->rig.brake_hot_degC = 90;
	assert_near(sweep_search_of(s, f).hot_degC[TEMP_BRAKE], 90, 0);
	free(s);
	free(f);
}

/* A sweep of this plan that was stopped after its first item, on a logbook. */
static void stopped_sweep(struct book *b, struct session *s)
{
	const struct seq_point point = { .step = 0, .direction = 1, .setpoint_rpm = 60, .end = { 1 } };

	scene_open(b, s);
	s->has_plan = true;
	snprintf(s->plan_name, sizeof s->plan_name, "gentle");
	scene_run(s, "sweep");
	assert_int_equal(logbook_point(s->logbook, s->run_id, &point, NULL), RC_OK);
}

static enum rc resume(struct session *s, size_t *ret_done, struct err *err)
{
	struct sweep_item items[] = { { .step = 0, .direction = 1, .rpm = 60 },
				      { .step = 1, .direction = 1, .rpm = 60 } };
	int64_t run_id = 0;
	enum rc rc = sweep_resume(s, items, 2, &run_id, ret_done, err);

	if (rc == RC_OK)
		assert_true(run_id == s->run_id && items[0].done && !items[1].done);
	return rc;
}

static void what_is_finished_is_crossed_off(void **state)
{
	struct session s;
	struct err err = { 0 };
	size_t done = 9;

	stopped_sweep(*state, &s);
	assert_int_equal(resume(&s, &done, &err), RC_OK); /* killed: it never ended */
	assert_int_equal(done, 1);
	scene_end(&s, "stopped");
	assert_int_equal(resume(&s, &done, &err), RC_OK);
	assert_int_equal(done, 1);
	int64_t sweep = s.run_id;
	snprintf(s.plan_name, sizeof s.plan_name, "other");
	scene_run(&s, "sweep"); /* a newer one of another plan is passed over */
	snprintf(s.plan_name, sizeof s.plan_name, "gentle");
	s.run_id = sweep;
	assert_int_equal(resume(&s, &done, &err), RC_OK);
}

/* Whatever the points rest on has to be the same. */
static void what_has_changed_is_not_resumed(void **state)
{
	static char other[] = "other\n";
	static const struct {
		size_t text;
		int64_t calibration_id, map_id;
		const char *says;
	} rows[] = {
		{ offsetof(struct session, rig_text), 0, 0, "rig, actuator or plan file changed since run 1" },
		{ offsetof(struct session, actuator_text), 0, 0, "start a new sweep instead" },
		{ offsetof(struct session, plan_text), 0, 0, "rig, actuator or plan file changed since run 1" },
		{ 0, 3, 0, "the cell was calibrated again since run 1" },
		{ 0, 0, 4, "the brake was mapped again since run 1" },
	};
	struct session s;
	size_t done = 9;

	stopped_sweep(*state, &s);
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct session now = s;
		struct err err = { 0 };
		char *none = NULL, *changed = other;

		now.calibration_id = rows[i].calibration_id;
		now.map_id = rows[i].map_id;
		if (rows[i].text)
			memcpy((char *)&now + rows[i].text, &changed, sizeof changed);
		assert_int_equal(resume(&now, &done, &err), RC_ARG);
		scene_says(&err, rows[i].says);
		assert_int_equal(done, 0);
		if (rows[i].text) { /* one that is gone altogether is another, too */
			memcpy((char *)&now + rows[i].text, &none, sizeof none);
			assert_int_equal(resume(&now, &done, &err), RC_ARG);
		}
	}
	s.rig_text = s.actuator_text = s.plan_text = NULL;
	scene_run(&s, "sweep");
	assert_int_equal(sweep_same_files(&s, s.run_id, "sweep", NULL), RC_OK); /* none then, none now */
}

static void nothing_is_there_to_resume(void **state)
{
	struct session s;
	struct err err = { 0 };
	size_t done = 9;

	scene_open(*state, &s);
	s.has_plan = true;
	snprintf(s.plan_name, sizeof s.plan_name, "gentle");
	assert_int_equal(resume(&s, &done, &err), RC_ARG);
	scene_says(&err, "there is no sweep of plan gentle to take up");
	scene_run(&s, "map");
	assert_int_equal(resume(&s, &done, &err), RC_ARG);
	scene_run(&s, "sweep");
	scene_end(&s, "done");
	assert_int_equal(resume(&s, &done, &err), RC_ARG);
	scene_says(&err, "the last sweep of plan gentle (run 2) is finished");
}

/* A logbook that somebody damaged in the meantime: its own sentence, and nothing is crossed off. */
static void a_logbook_that_cannot_be_read(void **state)
{
	struct session s;
	struct err err = { 0 };
	size_t done = 9;

	stopped_sweep(*state, &s);
	assert_int_equal(book_sql(*state, "PRAGMA foreign_keys = OFF; DROP TABLE point"), SQLITE_OK);
	assert_int_equal(resume(&s, &done, &err), RC_DB);
	assert_int_equal(done, 0);
	assert_int_equal(book_sql(*state, "PRAGMA foreign_keys = OFF; DROP TABLE run"), SQLITE_OK);
	assert_int_equal(resume(&s, &done, &err), RC_DB);
	assert_int_equal(sweep_same_files(&s, s.run_id, "sweep", &err), RC_DB);
}

#define ON_A_LOGBOOK(name) cmocka_unit_test_setup_teardown(name, book_set_up, book_tear_down)

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(the_zero_is_turned_at_a_part_of_the_fastest_speed),
		cmocka_unit_test(a_plan_without_a_speed_turns_it_too),
		cmocka_unit_test(a_person_turns_at_one_speed),
		cmocka_unit_test(from_plan_and_rig),
		cmocka_unit_test(the_heaviest_load_that_is_allowed),
		cmocka_unit_test(how_fine_a_search_is),
		ON_A_LOGBOOK(what_is_finished_is_crossed_off),
		ON_A_LOGBOOK(what_has_changed_is_not_resumed),
		ON_A_LOGBOOK(nothing_is_there_to_resume),
		ON_A_LOGBOOK(a_logbook_that_cannot_be_read),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
