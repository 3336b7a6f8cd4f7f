/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/reduce/budget.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include <math.h>

static void budget_is_sorted_whole_and_joins_the_small(void **state)
{
	struct unc_ctx *ctx = unc_ctx_new();
	struct unc x = unc_exact(1);
	struct budget_row row[3];
	(void)state;

	x = unc_with(ctx, x, unc_source(ctx, "small", DIST_NORMAL, INFINITY), 1);
	x = unc_with(ctx, x, unc_source(ctx, "large", DIST_NORMAL, 7), -4);
	x = unc_with(ctx, x, unc_source(ctx, "middle", DIST_NORMAL, INFINITY), 2);
	x = unc_with(ctx, x, unc_source(ctx, "tiny", DIST_NORMAL, INFINITY), 2);
	assert_int_equal(budget_of(ctx, x, row, 3), 3);
	assert_string_equal(row[0].name, "large");
	assert_true(fabs(row[0].share_frac - 16.0 / 25) < 1e-12 && fabs(row[0].u + 4) < 1e-12);
	assert_int_equal(row[2].joined, 2); /* 1 and 2 together: sqrt 5 */
	assert_true(fabs(row[2].u - sqrt(5)) < 1e-12);
	assert_true(fabs(row[0].share_frac + row[1].share_frac + row[2].share_frac - 1) < 1e-12);
	unc_ctx_free(ctx);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(budget_is_sorted_whole_and_joins_the_small),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
