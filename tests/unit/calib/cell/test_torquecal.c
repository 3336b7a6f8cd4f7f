/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/cell/torquecal.h"
#include "profile/torque_table.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>

#define STEPS 8

static void near(double got, double want, double tolerance)
{
	if (!(fabs(got - want) <= tolerance))
		fail_msg("got %.12g, want %.12g", got, want);
}

/* 1000 counts a N·m at 10, 20 ... 80 N·m. Series 1 and 2 rising in the first mounting, 3 falling there; 4, 5 and 6, 7
 * rising and falling in the second and third. Every figure is put in by hand. */
static size_t series(struct cellcal_reading *out, int number, int position, bool down, double per_mille,
		     double zero_end)
{
	size_t n = 0;

	for (int k = 0; k <= STEPS + 1; k++) {
		int step = down ? STEPS + 1 - k : k;
		if (down && k == 0)
			step = 0; /* the falling series too opens with its zero */
		if (step > STEPS)
			step = 0;
		struct cellcal_reading *r = &out[n++];
		double T = 10.0 * step;
		*r = (struct cellcal_reading){ .series = number,
					       .position = position,
					       .direction = down ? CELLCAL_DOWN : CELLCAL_UP };
		r->load.torque_Nm = T;
		r->load.shift_Nm[0] = 1e-4 * T;
		r->indication = 500 + 1000 * T * (1 + per_mille * 1e-3) + (step == 0 && k > 0 ? zero_end : 0);
	}
	return n;
}

static size_t whole(struct cellcal_reading *r)
{
	size_t n = series(r, 1, 1, false, 0.0, 4);

	n += series(r + n, 2, 1, false, 0.2, 8);
	n += series(r + n, 3, 1, true, 0.5, 0);
	n += series(r + n, 4, 2, false, 0.4, 0);
	n += series(r + n, 5, 2, true, 0.6, 0);
	n += series(r + n, 6, 3, false, -0.2, 0);
	n += series(r + n, 7, 3, true, 0.1, 0);
	return n;
}

static void figures_are_those_of_the_series(void **state)
{
	struct cellcal_reading r[100];
	struct cellcal_source arm = { "arm", INFINITY, DIST_RECT };
	struct cellcal cal;
	struct torque_eval e;
	struct err err = { 0 };

	(void)state;
	struct cellcal_input in = { r, whole(r), &arm, 1, CELLCAL_LINE, 1, NULL };
	if (cellcal_fit(&in, &cal, NULL, &err))
		fail_msg("%s", err.what);
	assert_int_equal(torquecal_evaluate(&in, &cal, NULL, &e, &err), RC_OK);
	assert_int_equal(e.n, STEPS);
	assert_int_equal(e.positions, 3);
	const struct torque_step *s = &e.step[4]; /* 50 N·m */
	near(s->torque_Nm, 50, 0);
	/* first series of the positions: 0, 0.4, -0.2 per mille; the second series of the first counts for b' only */
	near(s->indication, 50000 * (1 + 0.2e-3 / 3), 1e-6);
	near(s->repeatability_frac, 0.2e-3 / 1.0001, 1e-12);
	near(s->reproducibility_frac, 0.6e-3, 1e-7);
	/* |0.5 - 0|, |0.5 - 0.2|, |0.6 - 0.4|, |0.1 + 0.2|: mean 0.325 per mille */
	near(s->reversibility_frac, 0.325e-3, 1e-7);
	near(s->reference_frac, 1e-4, 1e-12);
	near(s->resolution_frac, 1 / (50000 * (1 + 0.2e-3 / 3)), 1e-12);
	near(e.zero_frac, 8.0 / 80000, 1e-7);
	double fit = s->fit_frac;
	near(s->u_frac,
	     sqrt(1e-8 + (4e-8 + 0.325e-3 * 0.325e-3) / 12 + 36e-8 / 8 + fit * fit / 3 + 1 / (50005.0 * 50005.0) / 6),
	     1e-7);
	/* 0.06 % between the mountings is the worst: class 0.1 allows 0.10 %, class 0.05 only 0.05 % */
	near(e.class_value, 0.1, 1e-12);
	near(cal.class_value, 0.1, 1e-12);
	assert_non_null(strstr(e.note, "reproducibility"));
	assert_non_null(strstr(e.note, "not checked against the printed standard"));
}

static void says_what_is_missing(void **state)
{
	struct cellcal_reading r[100];
	struct cellcal cal;
	struct err err = { 0 };

	(void)state;
	size_t n = series(r, 1, 1, false, 0, 1);
	struct cellcal_input in = { r, n, NULL, 0, CELLCAL_LINE, 1, NULL };
	assert_int_equal(cellcal_fit(&in, &cal, NULL, &err), RC_OK);
	assert_true(isnan(cal.class_value));
	assert_non_null(strstr(cal.class_note, "a second rising series"));
	assert_non_null(strstr(cal.class_note, "a falling series"));
	assert_non_null(strstr(cal.class_note, "a second mounting"));
	assert_null(strstr(cal.class_note, "zero reading"));
	assert_null(strstr(cal.class_note, "steps ("));
}

static void coarse_resolution_costs_the_class(void **state)
{
	struct cellcal_reading r[100];
	struct cellcal cal;
	struct err err = { 0 };

	(void)state;
	/* smallest classed step 20 N·m = 20000 counts; 100 counts of resolution are 200 of them: class 1 */
	struct cellcal_source arm = { "arm", INFINITY, DIST_RECT };
	struct cellcal_input in = { r, whole(r), &arm, 1, CELLCAL_LINE, 99.9, NULL };
	assert_int_equal(cellcal_fit(&in, &cal, NULL, &err), RC_OK);
	near(cal.class_value, 1, 1e-12);
	assert_non_null(strstr(cal.class_note, "resolution at 20 N"));
}

static void same_rows(const struct torque_table *t, const struct torque_table *b)
{
	assert_int_equal(t->n, b->n);
	for (size_t k = 0; k < t->n; k++) {
		const struct torque_class *x = &t->row[k], *y = &b->row[k];
		assert_string_equal(x->label, y->label);
		near(x->value, y->value, 1e-15);
		near(x->repeatability_frac, y->repeatability_frac, 1e-15);
		near(x->reproducibility_frac, y->reproducibility_frac, 1e-15);
		near(x->fit_frac, y->fit_frac, 1e-15);
		near(x->zero_frac, y->zero_frac, 1e-15);
		near(x->reversibility_frac, y->reversibility_frac, 1e-15);
		near(x->least_resolutions, y->least_resolutions, 1e-15);
		near(x->reference_frac, y->reference_frac, 1e-15);
		assert_int_equal(x->least_positions, y->least_positions);
		assert_int_equal(x->least_steps, y->least_steps);
	}
}

static void the_file_and_the_built_in_table_are_one(void **state)
{
	struct torque_table t, force;
	struct mistakes m = { 0 };
	struct err err = { 0 };
	const struct torque_table *b = torque_table_builtin("torque"), *f = torque_table_builtin("force");

	(void)state;
	if (torque_table_read(SOURCE_ROOT "/calib/data/torque_classes.csv", "torque", &t, &m, &err))
		fail_msg("%s", err.what);
	same_rows(&t, b);
	assert_int_equal(torque_table_read(SOURCE_ROOT "/calib/data/torque_classes.csv", "force", &force, &m, &err),
			 RC_OK);
	same_rows(&force, f);
	assert_string_equal(force.row[0].label, "00");
	assert_null(torque_table_builtin("speed"));
	assert_int_equal(torque_table_read(SOURCE_ROOT "/calib/data/torque_classes.csv", "speed", &force, &m, &err),
			 RC_ARG);
	assert_non_null(strstr(err.what, "no rows with \"speed\""));
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(figures_are_those_of_the_series),
		cmocka_unit_test(says_what_is_missing),
		cmocka_unit_test(coarse_resolution_costs_the_class),
		cmocka_unit_test(the_file_and_the_built_in_table_are_one),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
