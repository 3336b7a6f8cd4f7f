/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/fit/crossed.h"
#include "calib/fit/precision.h"

#include "calib/number/mc_rng.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>

#include <cmocka.h>

#include "tests/unit/near.h"

/* 2 by 2 by 2 by hand: {1, 3} {5, 5} / {2, 4} {10, 12}. Means of pairs 2, 5, 3, 11; of rows 3.5, 7, columns 2.5, 8, all
 * 5.25. Squares: rows 4 * 2 * 1.75^2 = 24.5; columns 4 * 2 * 2.75^2 = 60.5; together 2 * 4 * 1.25^2 = 12.5; within
 * 2 + 0 + 2 + 2 = 6 with 4 degrees of freedom. */
static const double hand[] = { 1, 3, 5, 5, 2, 4, 10, 12 };
static const size_t hand_a[] = { 0, 0, 0, 0, 1, 1, 1, 1 }, hand_b[] = { 0, 0, 1, 1, 0, 0, 1, 1 };

static void a_small_one_by_hand(void **state)
{
	struct crossed s;

	(void)state;
	assert_int_equal(crossed_of(hand, hand_a, hand_b, 8, 0.95, &s, NULL), RC_OK);
	assert_true(s.a == 2 && s.b == 2 && s.n == 2);
	assert_near(s.mean, 5.25, 1e-12);
	assert_near(s.of_a.square, 24.5, 1e-12);
	assert_near(s.of_b.square, 60.5, 1e-12);
	assert_near(s.together.square, 12.5, 1e-12);
	assert_near(s.s_r * s.s_r, 1.5, 1e-12);
	assert_near(s.dof_e, 4, 0);
	assert_near(s.of_a.s * s.of_a.s, (24.5 - 12.5) / 4, 1e-12);
	assert_near(s.of_b.s * s.of_b.s, (60.5 - 12.5) / 4, 1e-12);
	assert_near(s.together.s * s.together.s, (12.5 - 1.5) / 2, 1e-12);
	assert_near(s.s_R * s.s_R, 3 + 12 + 5.5 + 1.5, 1e-12);
	assert_near(s.s_later * s.s_later, 3 + 12 + 5.5 + 1.5 / 2, 1e-12);
	/* 6.125 of one degree of freedom and 15.125 of one */
	assert_near(s.dof_later, 21.25 * 21.25 / (6.125 * 6.125 + 15.125 * 15.125), 1e-12);
	assert_near(s.u_mean * s.u_mean, (24.5 + 60.5) / 8, 1e-12);
	assert_near(s.dof_mean, 85 * 85 / (24.5 * 24.5 + 60.5 * 60.5), 1e-12);
	/* F with one and one: p = 1 - 2/pi atan(sqrt F) */
	assert_near(s.of_a.p_value, 1 - 2 / 3.14159265358979 * atan(sqrt(24.5 / 12.5)), 1e-9);
}

/* How often the interval of s_R holds what was drawn, and whether the square of s_later is free of bias. The interval
 * is an approximation: covers is that of 400 000 studies whose mean squares NumPy drew by chi squared (seed 5). */
static void intervals_hold_what_was_drawn(void **state)
{
	enum { STUDIES = 4000, SEED = 20261127, MOST = 24 };
	static const struct {
		size_t a, b, n;
		double s_a, s_b, s_ab, covers;
	} rows[] = { { 2, 3, 2, 1, 1, 1, 0.950 },
		     { 3, 4, 2, 2, 0.5, 0, 0.964 },
		     { 2, 3, 4, 0, 2, 0.5, 0.972 },
		     { 2, 3, 2, 0, 0, 0, 0.940 } };
	struct ziggurat z;

	(void)state;
	ziggurat_init(&z);
	for (size_t r = 0; r < sizeof rows / sizeof rows[0]; r++) {
		double squared[3] = { rows[r].s_a * rows[r].s_a, rows[r].s_b * rows[r].s_b,
				      rows[r].s_ab * rows[r].s_ab };
		double between = squared[0] + squared[1] + squared[2], s_R = sqrt(between + 1), later = 0, beyond = 0;
		size_t holds = 0, n = rows[r].a * rows[r].b * rows[r].n;
		struct mc_rng rng;
		mc_rng_seed(&rng, SEED, r);
		for (int k = 0; k < STUDIES; k++) {
			double y[MOST], off_b[4];
			size_t a[MOST], b[MOST], i = 0;
			struct crossed s;
			for (size_t h = 0; h < rows[r].b; h++)
				off_b[h] = rows[r].s_b * mc_normal(&z, &rng);
			for (size_t g = 0; g < rows[r].a; g++) {
				double off_a = rows[r].s_a * mc_normal(&z, &rng);
				for (size_t h = 0; h < rows[r].b; h++) {
					double off = 90 + off_a + off_b[h] + rows[r].s_ab * mc_normal(&z, &rng);
					for (size_t j = 0; j < rows[r].n; j++, i++) {
						a[i] = g;
						b[i] = h;
						y[i] = off + mc_normal(&z, &rng);
					}
				}
			}
			assert_int_equal(crossed_of(y, a, b, n, 0.95, &s, NULL), RC_OK);
			holds += s.s_R_low <= s_R && s_R <= s.s_R_high;
			later += s.s_later * s.s_later / (double)STUDIES;
			beyond += s.of_a.p_value < 0.05;
		}
		double share = (double)holds / (double)STUDIES;
		print_message("# %zu by %zu by %zu: s_R held in %.1f %%, s_later^2 %.3f of %.3f, %.1f %% differ by the "
			      "first\n",
			      rows[r].a, rows[r].b, rows[r].n, 100 * share, later, between + 1 / (double)rows[r].n,
			      100 * beyond / (double)STUDIES);
		assert_near(share, rows[r].covers, 0.011); /* three standard errors */
		assert_near(later / (between + 1 / (double)rows[r].n), 1, 0.08);
		if (rows[r].s_a < 1e-9)
			assert_near(beyond / (double)STUDIES, 0.05, 0.011);
	}
}

/* Where all pairs are cells of one analysis, the repeatability is the same. */
static void the_repeatability_is_that_of_the_pairs(void **state)
{
	size_t pair[8];
	struct crossed s;
	struct precision p;

	(void)state;
	for (size_t i = 0; i < 8; i++)
		pair[i] = 2 * hand_a[i] + hand_b[i];
	assert_int_equal(crossed_of(hand, hand_a, hand_b, 8, 0.95, &s, NULL), RC_OK);
	assert_int_equal(precision_of(hand, pair, 8, 0.95, &p, NULL), RC_OK);
	assert_near(s.s_r, p.s_r, 1e-12);
	assert_near(s.dof_e, p.dof_r, 0);
}

static void what_is_not_crossed_is_refused(void **state)
{
	static const double wrong[] = { 1, 3, NAN, 5, 2, 4, 10, 12 };
	static const size_t wide[] = { 0, 0, 0, 0, 1, 1, 1, CROSSED_LEVELS }, uneven[] = { 0, 0, 1, 1, 0, 1, 1, 1 };
	struct crossed s;

	(void)state;
	assert_int_equal(crossed_of(wrong, hand_a, hand_b, 8, 0.95, &s, NULL), RC_ARG);
	assert_int_equal(crossed_of(hand, wide, hand_b, 8, 0.95, &s, NULL), RC_ARG);
	assert_int_equal(crossed_of(hand, hand_a, hand_a, 8, 0.95, &s, NULL), RC_ARG);
	assert_int_equal(crossed_of(hand, hand_a, uneven, 8, 0.95, &s, NULL), RC_ARG);
	assert_int_equal(crossed_of(hand, hand_a, hand_b, 4, 0.95, &s, NULL), RC_ARG);
	assert_int_equal(crossed_of(hand, hand_a, hand_b, 8, 1, &s, NULL), RC_ARG);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(a_small_one_by_hand),
		cmocka_unit_test(intervals_hold_what_was_drawn),
		cmocka_unit_test(the_repeatability_is_that_of_the_pairs),
		cmocka_unit_test(what_is_not_crossed_is_refused),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
