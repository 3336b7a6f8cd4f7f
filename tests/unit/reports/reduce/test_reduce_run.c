/* SPDX-License-Identifier: GPL-3.0-or-later */
/* From a run's samples to its points: which rows count, what the points share, and whether the intervals hold. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "tests/unit/reports/reduce/reduced_run.h"

/* Without errors and noise the numbers are the truth itself: torque as put in, speed in rev/min of the output, the mean
 * of the products of volts and amperes, shaft power by 2 pi n / 60. */
static void a_perfect_rig_gives_back_what_was_put_in(void **state)
{
	struct made m = plain(1);
	(void)state;

	m.perfect = true;
	struct curve *c = reduced(&m);
	assert_int_equal(c->n, 4);
	assert_int_equal(c->calibration_id, m.calibration_id);
	for (size_t i = 0; i < c->n; i++) {
		const struct curve_point *p = &c->points[i];
		double shaft_W = m.step[i].torque_Nm * 2 * 3.14159265358979 * m.step[i].speed_rpm / 60;
		assert_true(fabs(p->torque_Nm.value - m.step[i].torque_Nm) < 1e-5);
		assert_true(fabs(p->speed_rpm.value - m.step[i].speed_rpm) < 1e-4);
		assert_true(fabs(p->input_power_W.value - m.step[i].volt * m.step[i].amp) < 1e-9);
		assert_true(fabs(p->shaft_power_W.value - shaft_W) < 1e-3);
		assert_true(fabs(p->efficiency.value - shaft_W / (m.step[i].volt * m.step[i].amp)) < 1e-5);
		assert_true(p->settled && p->efficiency_valid && !p->impossible);
		assert_int_equal(p->limit, LIMIT_NONE);
	}
	curve_free(c);
	made_free(&m);
}

/* What the points of one rig share moves them together: by hand, two torques of 20 and 30 N.m whose only large error is
 * the arm's 0.04 % are correlated almost fully, and their noise is not. */
static void the_arm_is_common_to_all_points(void **state)
{
	struct made m = plain(3);
	(void)state;

	m.ripple_Nm = 0;
	struct curve *c = reduced(&m);
	double a = unc_u(c->points[2].torque_Nm), b = unc_u(c->points[3].torque_Nm);
	double sum = unc_u(unc_add(c->ctx, c->points[2].torque_Nm, c->points[3].torque_Nm));
	assert_true((sum * sum - a * a - b * b) / (2 * a * b) > 0.9); /* their correlation */
	/* and their ratio loses it: u of the ratio is well below the arm's share */
	struct unc ratio = unc_div(c->ctx, c->points[3].torque_Nm, c->points[2].torque_Nm);
	assert_true(unc_u(ratio) / ratio.value < 0.5 * MADE_U_ARM);
	/* the arm alone must be in there: 0.04 % of 30 N.m */
	assert_true(unc_u(c->points[3].torque_Nm) > 30 * MADE_U_ARM);
	curve_free(c);
	made_free(&m);
}

/* Repeated rows and conversions that are not fresh weigh nothing: a count that changes while its conversion number
 * does not would shift the mean if it were taken. */
static void only_fresh_conversions_count(void **state)
{
	struct made m = plain(5);
	struct err err = { 0 };
	(void)state;

	m.perfect = true;
	m.n_steps = 1;
	made_run(&m);
	begin_run(&m, 0);
	made_tare(&m);
	double begin_s = m.t_s;
	const struct made_step s = { 10, 85, 48, 3, 0.3, 1, false };
	uint32_t last = m.conversions;
	for (int i = 0; i < 400; i++) {
		struct sample row = made_sample(&m, &s, 0, NULL);
		if (row.cell_conversions == last)
			row.cell_count = -4000000;
		last = row.cell_conversions;
		assert_int_equal(logbook_samples(m.lb, m.run_id, &row, 1, &err), RC_OK);
		row.mono_ns += 1000;
		row.voltage_V = 1e6; /* the same sample once more: nothing of it may be taken again */
		assert_int_equal(logbook_samples(m.lb, m.run_id, &row, 1, &err), RC_OK);
	}
	made_point(&m, 0, 0, 10, begin_s);
	made_tare(&m);
	struct curve *c = curve_of(&m);
	assert_true(fabs(c->points[0].torque_Nm.value - 10) < 1e-4);
	assert_true(fabs(c->points[0].voltage_V.value - 48) < 1e-9);
	curve_free(c);
	made_free(&m);
}

static const struct {
	const char *name;
	size_t offset;
} quantities[] = {
	{ "torque", offsetof(struct curve_point, torque_Nm) },
	{ "speed", offsetof(struct curve_point, speed_rpm) },
	{ "input power", offsetof(struct curve_point, input_power_W) },
	{ "efficiency", offsetof(struct curve_point, efficiency) },
};

static double truth_of(const struct made_truth *t, size_t quantity)
{
	double shaft_W = t->torque_Nm * t->speed_rpm * 2 * 3.14159265358979 / 60;

	return quantity == 0   ? t->torque_Nm
	       : quantity == 1 ? t->speed_rpm
	       : quantity == 2 ? t->watt
			       : shaft_W / t->watt;
}

/* Over many rigs with errors drawn within what is stated, 95 % intervals hold the truth 95 % of the time. Points of a
 * rig share its errors, so rigs are counted: with 200 of them the standard error of a share of 95 % is about 1.5 %. */
static void intervals_cover_the_truth_as_often_as_they_say(void **state)
{
	enum { RIGS = 200 };
	size_t inside[4] = { 0 }, n = 0;
	(void)state;

	for (unsigned long seed = 1000; seed < 1000 + RIGS; seed++) {
		struct made m = plain(seed);
		m.window_s = 2;
		struct curve *c = reduced(&m);
		/* one point a rig, a different one each time: independent draws */
		size_t at = seed % c->n;
		for (size_t q = 0; q < 4; q++) {
			struct unc x = *(const struct unc *)((const char *)&c->points[at] + quantities[q].offset);
			double U = unc_expanded(c->ctx, x, 0.95, NULL);
			inside[q] += fabs(x.value - truth_of(&m.truth[at], q)) <= U;
		}
		n++;
		curve_free(c);
		made_free(&m);
	}
	print_message("# seeds 1000 to %d\n", 999 + RIGS);
	for (size_t q = 0; q < 4; q++)
		print_message("# %s: %.1f %% inside\n", quantities[q].name, 100 * (double)inside[q] / (double)n);
	for (size_t q = 0; q < 4; q++) {
		/* 95 % less and more three standard errors; above it would be too wide */
		assert_true((double)inside[q] >= 0.905 * (double)n);
		assert_true((double)inside[q] <= 0.996 * (double)n);
	}
}

static int remarks_with(const struct curve *c, const char *part)
{
	int n = 0;

	for (size_t i = 0; i < c->n_remarks; i++)
		n += strstr(c->remarks[i], part) != NULL;
	return n;
}

/* A resumed sweep is one curve: points of both runs, each with the zero of its own run. The second run's zero lies 3
 * N.m away, as after a remounted cell: were it mixed up, torque would be off by that. */
static void a_resumed_sweep_is_one_curve(void **state)
{
	struct made m = plain(12);
	(void)state;

	m.perfect = true;
	m.n_steps = 2;
	made_run(&m);
	int64_t first = m.run_id;
	begin_run(&m, first);
	m.zero_count += 3 * MADE_COUNT_PER_Nm;
	made_tare(&m);
	double begin_s = m.t_s;
	made_stretch(&m, &m.step[2], 2, NULL);
	made_point(&m, 2, 0, 20, begin_s);
	made_tare(&m);
	struct curve *c = curve_of(&m);
	assert_int_equal(c->n, 3);
	static const double expect[] = { 5, 10, 20 };
	for (size_t i = 0; i < 3; i++) {
		assert_true(fabs(c->points[i].torque_Nm.value - expect[i]) < 1e-4);
		assert_int_equal(c->points[i].run_id, i < 2 ? first : m.run_id);
	}
	/* the part before says how it ended, and each run with one zero is named */
	char earlier[80], single[80];
	snprintf(earlier, sizeof earlier, "Run %lld, which this run continues, ", (long long)first);
	snprintf(single, sizeof single, "Run %lld read its zero only once.", (long long)first);
	assert_int_equal(remarks_with(c, earlier), 1);
	assert_int_equal(remarks_with(c, single), 0);
	curve_free(c);
	made_free(&m);
}

/* Fifteen speeds at which the limit was looked for: fifteen remarks, and what makes the run doubtful is before them. */
static void what_forced_a_run_is_told_however_much_else_is(void **state)
{
	struct made m = plain(14);
	struct err err = { 0 };
	(void)state;

	m.perfect = true;
	m.n_steps = 2;
	made_run(&m);
	begin_run(&m, m.run_id);
	for (int i = 0; i < 15; i++) {
		char text[80];
		snprintf(text, sizeof text, "no limit at %d rpm up to 20 N\u00b7m: 90 %% of the brake torque", 10 + i);
		assert_int_equal(logbook_event(m.lb, m.run_id, i, "note", text, &err), RC_OK);
	}
	/* The run that resumes it does not search anew: its word of no load leaves the older one. */
	assert_int_equal(
		logbook_event(m.lb, m.run_id, 16, "note",
			      "no limit at 10 rpm up to 0 N\u00b7m: a resumed sweep does not take the search up again",
			      &err),
		RC_OK);
	assert_int_equal(logbook_event(m.lb, m.run_id, 20, "forced", "the lock is closed today", &err), RC_OK);
	struct curve *c = curve_of(&m);
	assert_int_equal(remarks_with(c, "Search for the limit"), 15);
	assert_int_equal(remarks_with(c, "does not take the search up again"), 0);
	assert_int_equal(remarks_with(c, "forced past a refusal"), 1);
	assert_non_null(strstr(c->remarks[0], "the lock is closed today"));
	assert_int_equal(remarks_with(c, "which this run continues, "), 1);
	curve_free(c);
	made_free(&m);
}

/* The cell's loop at its calibration was 0.1 N.m wide at 25 N.m, 4 x (1 - x) of that elsewhere. A rising point is on
 * the branch that rising weights gave: nothing of the loop is in it. A point at 20 N.m that came down from 30 N.m is on
 * the falling branch of the smaller loop: 0.1 N.m times 4 times the mean of 0.6^2 2/3 (1 - 2/3) and 0.8 (1 - 0.8),
 * calib/cell/cellcal.h. */
static void a_point_lies_on_the_branch_of_its_history(void **state)
{
	struct made m = plain(14);
	const struct made_step back = { 20, 85, 47.8, 5.5, 0.5, 1, false };
	(void)state;

	m.perfect = true;
	m.loop_Nm = 0.1;
	m.step[m.n_steps++] = back;
	struct curve *c = reduced(&m);
	static const double expect[] = { 5, 10, 20, 30, 20 - 0.4 * (0.08 + 0.16) / 2 };
	assert_int_equal(c->n, 5);
	for (size_t i = 0; i < c->n; i++)
		if (!(fabs(c->points[i].torque_Nm.value - expect[i]) < 5e-4))
			fail_msg("point %zu: %.5f N.m, expected %.5f", i, c->points[i].torque_Nm.value, expect[i]);
	double doubt = part_by_name(c, c->points[4].torque_Nm, "loop of the cell at this turn");
	assert_true(fabs(doubt - 0.4 * (0.16 - 0.08) / 2) < 1e-4);
	curve_free(c);
	made_free(&m);
}

/* A bearing outside the cradle takes 0.02 N.m that the cell does not see; its own interval goes into the point. */
static void drag_outside_the_cradle_is_added(void **state)
{
	struct made m = plain(15);
	char *rig = with(made_rig, "min_slip = 5 rpm\n", "min_slip = 5 rpm\noutside_drag = 0.02 N.m ± 0.01 N.m\n");
	(void)state;

	m.perfect = true;
	m.rig_text = rig;
	struct curve *c = reduced(&m);
	assert_true(c->at_flange);
	for (size_t i = 0; i < c->n; i++) {
		assert_true(fabs(c->points[i].torque_Nm.value - m.step[i].torque_Nm - 0.02) < 1e-4);
		double u = part_by_name(c, c->points[i].torque_Nm, "drag of the bearing outside the cradle");
		assert_true(fabs(u - 0.01 / sqrt(3)) < 1e-9);
	}
	curve_free(c);
	made_free(&m);
	free(rig);
}

/* Each loading scatters by itself: in every point once, of a source of its own. */
static void repeatability_is_in_every_point_once(void **state)
{
	struct made m = plain(16);
	(void)state;

	struct curve *c = reduced(&m);
	assert_false(c->at_flange);
	for (size_t i = 0; i < c->n; i++) {
		size_t found = 0;
		for (uint32_t s = 0; s < unc_source_count(c->ctx); s++)
			if (strncmp(unc_source_name(c->ctx, s), "cell repeatability", 18) == 0 &&
			    unc_part_of(c->points[i].torque_Nm, s) > 0)
				found++;
		assert_int_equal(found, 1);
	}
	curve_free(c);
	made_free(&m);
}

static void refuses_what_is_no_sweep(void **state)
{
	struct made m = plain(7);
	struct err err = { 0 };
	struct curve *c = NULL;
	(void)state;

	made_run(&m);
	assert_int_equal(curve_from_run(m.lb, 99, &c, &err) == RC_OK, 0);
	assert_null(c);
	begin_run(&m, 0);
	assert_int_equal(curve_from_run(m.lb, m.run_id, &c, &err), RC_ARG);
	assert_non_null(strstr(err.what, "no finished point"));
	/* A load point without any zero reading. */
	double begin_s = m.t_s;
	const struct made_step s = { 10, 85, 48, 3, 0.3, 1, false };
	made_stretch(&m, &s, 2, NULL);
	made_point(&m, 0, 0, 10, begin_s);
	assert_int_equal(curve_from_run(m.lb, m.run_id, &c, &err), RC_ARG);
	assert_non_null(strstr(err.what, "zero reading"));
	made_free(&m);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(a_perfect_rig_gives_back_what_was_put_in),
		cmocka_unit_test(the_arm_is_common_to_all_points),
		cmocka_unit_test(only_fresh_conversions_count),
		cmocka_unit_test(intervals_cover_the_truth_as_often_as_they_say),
		cmocka_unit_test(a_resumed_sweep_is_one_curve),
		cmocka_unit_test(what_forced_a_run_is_told_however_much_else_is),
		cmocka_unit_test(a_point_lies_on_the_branch_of_its_history),
		cmocka_unit_test(drag_outside_the_cradle_is_added),
		cmocka_unit_test(repeatability_is_in_every_point_once),
		cmocka_unit_test(refuses_what_is_no_sweep),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
