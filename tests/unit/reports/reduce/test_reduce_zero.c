/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The zero between the points of a run: turned or at rest, moved or not, and what of it is doubted. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "tests/unit/reports/reduce/reduced_run.h"

/* Drag of 0.5 N.m forwards and 1.1 times that backwards, as the profile says: the zero is what lies between, and what
 * is left is the doubt of the ratio, 0.02/sqrt 3, times 0.5/(1 + 1.1). */
static void a_zero_by_turning_both_ways_knows_the_drags_ratio(void **state)
{
	struct made m = plain(13);
	char *rig = with(made_rig, "min_slip = 5 rpm\n", "min_slip = 5 rpm\ndrag_ratio = 1.1 ± 0.02 rect\n");
	const struct made_step s = { 10, 85, 48, 3, 0.3, 1, false };
	(void)state;

	m.perfect = true;
	m.n_steps = 1;
	m.rig_text = rig;
	made_run(&m);
	begin_run(&m, 0);
	made_half(&m, +1, 0.5, 3);
	made_half(&m, -1, -0.55, 3);
	double begin_s = m.t_s;
	made_stretch(&m, &s, 3, NULL);
	made_point(&m, 0, 0, 10, begin_s);
	struct curve *c = curve_of(&m);
	assert_true(fabs(c->points[0].torque_Nm.value - 10) < 1e-4);
	double unlike = part_by_name(c, c->points[0].torque_Nm, "drag unlike both ways at zero");
	assert_true(fabs(unlike - 0.02 / sqrt(3) * 0.5 / 2.1) < 1e-6);
	curve_free(c);
	made_free(&m);
	free(rig);
}

static void tare_at_rest(struct made *m)
{
	const struct made_step rest = { .volt = 48, .amp = 0.05 };
	double begin_s = m->t_s;

	made_stretch(m, &rest, 3, NULL);
	made_point(m, 0, POINT_TARE, NAN, begin_s);
}

/* A run of its own after the made one: 10 N.m between a first zero and, at will, a last. */
static void begin_own_run(struct made *m, const char *rig)
{
	m->perfect = true;
	m->n_steps = 1;
	m->rig_text = rig;
	made_run(m);
	begin_run(m, 0);
}

static void load_10_Nm(struct made *m)
{
	const struct made_step s = { 10, 85, 48, 3, 0.3, 1, false };
	double begin_s = m->t_s;

	made_stretch(m, &s, 3, NULL);
	made_point(m, 0, 0, 10, begin_s);
}

/* Drag that falls from 0.7 to 0.5 N.m between two forward readings and is 0.6 in the middle, where the shaft turns
 * back: nothing of it is in the zero. Forward and back alone would be off by half of 0.1. Its limits: a quarter of 0.2
 * (calib/cell/turned_zero.h). An earlier try in the same row counts for nothing. */
static void forward_back_forward_takes_fading_drag_out(void **state)
{
	struct made m = plain(31);
	(void)state;

	begin_own_run(&m, NULL);
	made_half(&m, +1, 3.0, 2);
	made_half(&m, -1, -1.6, 2);
	made_half(&m, +1, 0.7, 2);
	made_half(&m, -1, -0.6, 2);
	made_half(&m, +1, 0.5, 2);
	load_10_Nm(&m);
	struct curve *c = curve_of(&m);
	assert_true(fabs(c->points[0].torque_Nm.value - 10) < 1e-4);
	assert_true(fabs(part_by_name(c, c->points[0].torque_Nm, "drag fading at zero reading 1") - 0.05 / sqrt(3)) <
		    1e-5);
	assert_true(c->zero.turned && !c->zero.doubted);
	assert_int_equal(c->zero.n, 1);
	curve_free(c);
	made_free(&m);
}

/* A shaft at rest may hold friction of 3 % of 50 N.m, or what the profile says. */
static void a_zero_at_rest_owns_up_to_locked_in_friction(void **state)
{
	(void)state;
	for (int stated = 0; stated < 2; stated++) {
		struct made m = plain(32);
		char *rig = with(made_rig, "min_slip = 5 rpm\n",
				 stated ? "min_slip = 5 rpm\ndrag = 0.8 N.m\n" : "min_slip = 5 rpm\n");
		double limit_Nm = stated ? 0.8 : 1.5;

		begin_own_run(&m, rig);
		tare_at_rest(&m);
		load_10_Nm(&m);
		tare_at_rest(&m);
		struct curve *c = curve_of(&m);
		assert_true(fabs(c->points[0].torque_Nm.value - 10) < 1e-4);
		double u = part_by_name(c, c->points[0].torque_Nm, "friction locked in at a zero at rest");
		assert_true(fabs(u - limit_Nm / sqrt(3)) < 1e-6);
		assert_false(c->zero.turned);
		assert_non_null(strstr(c->zero.note, "second pick-up sensor"));
		curve_free(c);
		made_free(&m);
		free(rig);
	}
}

/* Zeros 0.3 N.m apart that nothing explains: the point takes the line, and two standard uncertainties reach from it to
 * either reading. 0.01 N.m apart is what a cell of 60 N.m does: limits of half of it, in the middle. */
static void a_zero_that_moved_is_doubted_and_u_holds_both(void **state)
{
	(void)state;
	for (int far = 0; far < 2; far++) {
		struct made m = plain(33);
		double moved_Nm = far ? 0.3 : 0.01;

		begin_own_run(&m, NULL);
		made_tare(&m);
		load_10_Nm(&m);
		m.zero_count += moved_Nm * MADE_COUNT_PER_Nm;
		made_tare(&m);
		struct curve *c = curve_of(&m);
		assert_int_equal(c->zero.doubted, far);
		assert_true(fabs(c->zero.moved_Nm - moved_Nm) < 1e-4);
		double error = fabs(c->points[0].torque_Nm.value - 10),
		       u = part_by_name(c, c->points[0].torque_Nm, "zero drift after reading 1");
		if (far) {
			assert_true(fabs(u - 0.15) < 1e-4);
			assert_true(2 * u > error);
			assert_non_null(strstr(c->zero.note, "doubtful"));
		} else {
			assert_true(u < 0.0051 / sqrt(3));
			assert_int_equal(c->zero.note[0], '\0');
		}
		curve_free(c);
		made_free(&m);
	}
}

/* Friction of up to 1.5 N.m explains 0.9 N.m between two zeros at rest. The 0.3 N.m between two turned ones are the
 * doubt, though less. */
static void the_stretch_that_is_doubted_is_the_one_told(void **state)
{
	struct made m = plain(34);

	(void)state;
	begin_own_run(&m, NULL);
	tare_at_rest(&m);
	load_10_Nm(&m);
	m.zero_count += 0.9 * MADE_COUNT_PER_Nm;
	tare_at_rest(&m);
	load_10_Nm(&m);
	made_tare(&m);
	load_10_Nm(&m);
	m.zero_count += 0.3 * MADE_COUNT_PER_Nm;
	made_tare(&m);
	struct curve *c = curve_of(&m);
	assert_true(c->zero.doubted);
	assert_true(fabs(c->zero.moved_Nm - 0.3) < 1e-4);
	assert_non_null(strstr(c->zero.note, "moved by +0.3 N·m"));
	assert_true(c->zero.u_moved_Nm < 0.05);
	curve_free(c);
	made_free(&m);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(a_zero_by_turning_both_ways_knows_the_drags_ratio),
		cmocka_unit_test(forward_back_forward_takes_fading_drag_out),
		cmocka_unit_test(a_zero_at_rest_owns_up_to_locked_in_friction),
		cmocka_unit_test(a_zero_that_moved_is_doubted_and_u_holds_both),
		cmocka_unit_test(the_stretch_that_is_doubted_is_the_one_told),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
