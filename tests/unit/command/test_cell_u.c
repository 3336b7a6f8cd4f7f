/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/cell_u.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "near.h"

static void the_indication_is_the_polynomial(void **state)
{
	const struct cellcal cal = { .degree = 3, .coef = { 1, 20, 0.5, -0.25 } };

	(void)state;
	assert_near(cell_indication(&cal, 0), 1, 0);
	assert_near(cell_indication(&cal, 4), 1 + 80 + 8 - 16, 1e-12);
	assert_near(cell_indication(&cal, -2), 1 - 40 + 2 + 2, 1e-12);
}

/* y = b T, so T = y / b: u(T) = T / b hypot(u(b), shift of b by the arm). By hand: 20 / 1000 hypot(3, 4) = 0.1. */
static void of_a_straight_line_by_hand(void **state)
{
	struct cell_parts parts;
	struct cellcal cal = { .model = CELLCAL_ORIGIN,
			       .degree = 1,
			       .coef = { 0, 1000 },
			       .cov = { [1][1] = 9 },
			       .dof = 10,
			       .n_sources = 1,
			       .source = { { .name = "arm length", .dof = INFINITY, .dist = DIST_NORMAL } },
			       .dcoef = { { 0, 4 } },
			       .max_Nm = 40 };

	(void)state;
	assert_near(cell_u_Nm(&cal, 20), 0.1, 1e-9);
	assert_near(cell_u_Nm(&cal, 40), 0.2, 1e-9);
	assert_true(isnan(cell_u_Nm(&cal, 4000)));
	/* by source: 40 / 1000 times 4 of the arm, times 3 of the curve */
	cell_parts_at(&cal, 40, &parts);
	assert_int_equal(parts.n, 2);
	int arm = strcmp(parts.part[0].name, "arm length") == 0 ? 0 : 1;
	assert_string_equal(parts.part[arm].name, "arm length");
	assert_near(fabs(parts.part[arm].u_Nm), 0.16, 1e-9);
	assert_near(fabs(parts.part[1 - arm].u_Nm), 0.12, 1e-9);
	cell_parts_at(&cal, 4000, &parts);
	assert_int_equal(parts.n, 0);
}

/* y = 100 T + T^2 gives 525 at 5 N·m; -525 is solved by T = (-100 + sqrt(7900)) / 2. */
static void the_other_way_round_is_the_mirror_image(void **state)
{
	struct cellcal cal = {
		.model = CELLCAL_QUADRATIC, .degree = 2, .coef = { 0, 100, 1 }, .dof = 10, .max_Nm = 10
	};
	const double mirrored = (-100 + sqrt(7900)) / 2;

	(void)state;
	assert_near(cell_mirror_u_Nm(&cal, 5), fabs(5 + mirrored) / sqrt(3), 1e-9);
	cal.min_Nm = -5; /* weights hung on the other side too */
	assert_near(cell_mirror_u_Nm(&cal, 5), 0, 0);
	cal.min_Nm = -4.9;
	assert_true(cell_mirror_u_Nm(&cal, 5) > 0.3);
	cal.min_Nm = 0;
	cal.coef[2] = 0; /* a line is its own image */
	assert_near(cell_mirror_u_Nm(&cal, 5), 0, 1e-12);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(the_indication_is_the_polynomial),
		cmocka_unit_test(of_a_straight_line_by_hand),
		cmocka_unit_test(the_other_way_round_is_the_mirror_image),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
