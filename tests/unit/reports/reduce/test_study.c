/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Studies of made curves. What the analysis of one level gives is that of calib/fit/precision.h, met by published
 * examples (tests/published/test_precision.c); here the way to it: which runs, which torques, which values. */
#include "reports/reduce/study.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "tests/unit/near.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static struct study *s;
static struct report *report[STUDY_RUNS];
static struct err err;

/* A run of three loads from first_Nm on, each with that input power; nothing else was measured. */
static struct report *make(int64_t id, double first_Nm, double input_W)
{
	struct report *r = calloc(1, sizeof *r);
	struct curve *c = r->curve = calloc(1, sizeof *c);

	r->run.id = c->run_id = id;
	snprintf(r->run.plan, sizeof r->run.plan, "three-loads");
	snprintf(r->rig.name, sizeof r->rig.name, "Heron");
	snprintf(r->actuator.name, sizeof r->actuator.name, "winder");
	snprintf(r->actuator.serial, sizeof r->actuator.serial, "0042");
	c->ctx = unc_ctx_new();
	c->n = 3;
	c->points = calloc(c->n, sizeof *c->points);
	for (size_t i = 0; i < c->n; i++) {
		struct curve_point *p = &c->points[i];
		*p = (struct curve_point){ .step = (int)i, .direction = 1, .settled = true, .setpoint_rpm = 60 };
		p->run_id = id;
		p->torque_Nm = unc_exact(first_Nm + 10 * (double)i);
		p->input_power_W = unc_exact(input_W);
		p->speed_rpm = p->efficiency = p->current_A = (struct unc){ .value = NAN };
		p->scatter_rpm = p->scatter_efficiency = p->scatter_input_W = NAN;
	}
	return r;
}

static void add(struct report *r, const char *name)
{
	size_t g = 0;

	while (g < s->n_groups && strcmp(s->group[g], name) != 0)
		g++;
	if (g == s->n_groups)
		snprintf(s->group[s->n_groups++], STUDY_NAME, "%s", name);
	report[s->n_runs] = r;
	s->run[s->n_runs++] = (struct study_run){ .report = r, .group = g };
}

static int begin(void **state)
{
	(void)state;
	s = calloc(1, sizeof *s);
	s->confidence = 0.95;
	snprintf(s->by, sizeof s->by, "mounting");
	memset(report, 0, sizeof report);
	return s ? 0 : -1;
}

static int end(void **state)
{
	(void)state;
	for (size_t i = 0; i < STUDY_RUNS; i++)
		report_free(report[i]);
	free(s);
	return 0;
}

/* Glucose in serum, the example of ASTM E691 (1999), as in tests/published/test_precision.c: eight laboratories, three
 * values each; material A. Here each laboratory is a mounting, each value the input power of a run. */
static void a_published_example_comes_out_of_runs(void **state)
{
	static const double y[24] = { 41.03, 41.45, 41.37, 41.17, 42.00, 41.15, 41.01, 40.68,
				      42.66, 39.37, 42.37, 42.63, 41.88, 41.19, 41.32, 43.28,
				      40.50, 42.28, 41.08, 41.27, 39.02, 43.36, 42.65, 41.72 };

	(void)state;
	for (size_t i = 0; i < 24; i++)
		add(make((int64_t)i + 1, 10, y[i]), (const char[]){ (char)('A' + i / 3), '\0' });
	assert_int_equal(study_of(s, &err), RC_OK);
	assert_int_equal(s->n_levels, 3);
	for (size_t i = 0; i < 3; i++) {
		const struct study_level *l = &s->level[i];
		assert_int_equal(l->quantity, COMPARE_INPUT_POWER);
		assert_near(l->torque_Nm, 10 + 10 * (double)i, 1e-12);
		assert_near(l->commanded_rpm, 60, 0);
		assert_near(l->precision.mean, 41.5183, 5.1e-5);
		assert_near(l->precision.s_means, 0.6061, 5.1e-5);
		assert_near(l->precision.s_r, 1.0632, 5.1e-5);
		assert_near(l->precision.s_R, 1.0632, 5.1e-5);
		assert_near(l->precision.cell[7].h, 1.75, 5.1e-3);
	}
	json_t *doc = study_to_json(s);
	assert_string_equal(json_string_value(json_object_get(doc, "serial")), "0042");
	assert_int_equal(json_integer_value(json_object_get(doc, "n_groups")), 8);
	assert_int_equal(json_array_size(json_object_get(doc, "runs")), 24);
	json_t *level = json_array_get(json_object_get(doc, "levels"), 0);
	assert_near(json_number_value(json_object_get(json_object_get(level, "means"), "value")), 0.6061, 5.1e-5);
	assert_near(json_number_value(json_array_get(json_object_get(level, "values"), 23)), 41.72, 1e-12);
	json_decref(doc);
}

/* The outermost torques of the first run, 10 and 30, lie outside what the second measured, 11 to 31, by a tenth of a
 * step; of the third, 14 to 34, the lightest is too far. */
static void an_outermost_torque_is_moved_a_little_or_left_out(void **state)
{
	(void)state;
	add(make(1, 10, 40), "A");
	add(make(2, 11, 41), "A");
	add(make(3, 10, 42), "B");
	assert_int_equal(study_of(s, &err), RC_OK);
	assert_int_equal(s->n_levels, 3);
	assert_near(s->level[0].torque_Nm, 11, 1e-12);
	assert_near(s->level[2].torque_Nm, 30, 1e-12);
	add(make(4, 14, 43), "B");
	assert_int_equal(study_of(s, &err), RC_OK);
	assert_int_equal(s->n_levels, 2);
	assert_near(s->level[0].torque_Nm, 20, 1e-12);
}

/* Two operators in two mountings, two runs of each pair: the values of test_crossed.c, a_small_one_by_hand. */
static void by_pair_operators_and_mountings_are_told_apart(void **state)
{
	static const double y[] = { 1, 3, 5, 5, 2, 4, 10, 12 };

	(void)state;
	snprintf(s->by, sizeof s->by, "pair");
	s->n_operators = s->n_mountings = 2;
	for (size_t i = 0; i < 8; i++) {
		add(make((int64_t)i + 1, 10, y[i]), (const char[]){ (char)('A' + i / 2), '\0' });
		s->run[i].who = i / 4;
		s->run[i].mounting = i / 2 % 2;
	}
	assert_int_equal(study_of(s, &err), RC_OK);
	assert_near(s->level[0].crossed.s_R, sqrt(22), 1e-12);
	assert_near(s->level[0].precision.s_r, sqrt(1.5), 1e-12);
	json_t *doc = study_to_json(s);
	const json_t *level = json_array_get(json_object_get(doc, "levels"), 0);
	static const struct {
		const char *key;
		double value, dof;
	} rows[] = { { "operators", 1.7320508075688772, 1 },
		     { "mountings", 3.4641016151377544, 1 },
		     { "together", 2.3452078799117149, 1 },
		     { "means", 4.6097722286464444, 21.25 * 21.25 / (6.125 * 6.125 + 15.125 * 15.125) } };
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		const json_t *o = json_object_get(level, rows[i].key);
		assert_near(json_real_value(json_object_get(o, "value")), rows[i].value, 1e-12);
		assert_near(json_real_value(json_object_get(o, "dof")), rows[i].dof, 1e-12);
	}
	assert_null(json_object_get(level, "between"));
	json_decref(doc);
	s->run[7].mounting = 0;
	assert_int_equal(study_of(s, &err), RC_ARG);
	assert_non_null(strstr(err.what, "as many runs of each pair"));
}

static void refused(const char *says)
{
	assert_int_equal(study_of(s, &err), RC_ARG);
	if (!strstr(err.what, says))
		fail_msg("found \"%s\", expected \"%s\"", err.what, says);
	report_free(report[--s->n_runs]);
	report[s->n_runs] = NULL;
}

static void runs_that_are_not_alike_are_refused(void **state)
{
	struct report *r;

	(void)state;
	add(make(1, 10, 40), "A");
	add(make(2, 10, 41), "A");
	add(r = make(3, 10, 42), "B");
	snprintf(r->actuator.serial, sizeof r->actuator.serial, "0043");
	refused("run 3 is of actuator \"winder\" 0043");
	add(r = make(4, 10, 42), "B");
	snprintf(r->rig.name, sizeof r->rig.name, "Bittern");
	refused("run 4 is of rig \"Bittern\", run 1 of rig \"Heron\"");
	add(r = make(5, 10, 42), "B");
	r->run.on_bench = true;
	refused("run 5 is of a virtual bench, run 1 of a real rig");
	add(r = make(6, 10, 42), "B");
	r->plan.drive = PLAN_DRIVE_CURRENT;
	refused("runs 1 and 6 drive the actuator in different modes");
	add(make(7, 100, 42), "B");
	refused("no torque in common");
}

/* Run 8 continues run 2: its first points are those of run 2. Runs 8 and 9 both continue a run 7 that is not here. */
static void points_that_two_runs_hold_are_refused(void **state)
{
	struct report *r;

	(void)state;
	add(make(1, 10, 40), "A");
	add(make(2, 10, 41), "A");
	add(r = make(8, 10, 42), "B");
	r->curve->points[0].run_id = 2;
	refused("runs 2 and 8 hold the same points");
	add(r = make(8, 10, 42), "B");
	r->curve->points[0].run_id = 7;
	assert_int_equal(study_of(s, &err), RC_OK);
	add(r = make(9, 10, 43), "B");
	r->curve->points[0].run_id = 7;
	refused("runs 8 and 9 hold the same points");
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test_setup_teardown(a_published_example_comes_out_of_runs, begin, end),
		cmocka_unit_test_setup_teardown(by_pair_operators_and_mountings_are_told_apart, begin, end),
		cmocka_unit_test_setup_teardown(an_outermost_torque_is_moved_a_little_or_left_out, begin, end),
		cmocka_unit_test_setup_teardown(runs_that_are_not_alike_are_refused, begin, end),
		cmocka_unit_test_setup_teardown(points_that_two_runs_hold_are_refused, begin, end),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
