/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The checks of a logbook that is put together here. Expected: the mean and the mean moving range by 1.128
 * (NIST/SEMATECH e-Handbook, 6.3.2.2), reckoned by hand. */
#include "reports/reduce/checks.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "tests/unit/logbook/logbook_scene.h"
#include "tests/unit/near.h"

static int64_t a_run(struct book *b, bool on_bench)
{
	struct run_head head = {
		.kind = "ready", .rig_text = "[rig]\nname = Heron\nplace = barn\n", .on_bench = on_bench, .wall_ns = 5
	};

	assert_int_equal(logbook_run_begin(b->lb, &head, &b->err), RC_OK);
	return head.id;
}

static void keep(struct book *b, int64_t run_id, const char *weights, const char *sensitivity, bool ok)
{
	static int64_t at_ns = 1000000000;
	char json[300];

	snprintf(json, sizeof json,
		 "{\"weights\": \"%s\", \"sensitivity_count_per_Nm\": %s, \"E_n\": 0.5, \"off_Nm\": 0.01, "
		 "\"allowed_Nm\": 0.02, \"expected_Nm\": 9.81, \"calibration_id\": 3, \"ok\": %s, "
		 "\"zero_came_back\": true}",
		 weights, sensitivity, ok ? "true" : "false");
	assert_int_equal(logbook_record(b->lb, run_id, at_ns++, "check", json, NULL, &b->err), RC_OK);
}

static void without_a_check_it_says_what_makes_one(void **state)
{
	struct book *b = *state;
	struct checks *c = NULL;

	assert_int_equal(logbook_open(b->path, &b->lb, &b->err), RC_OK);
	assert_int_equal(checks_of(b->lb, &c, &b->err), RC_ARG);
	assert_non_null(strstr(b->err.what, "bridle ready makes one"));
	assert_null(c);
}

/* 100, 102, 98 and 100 make the limits: centre 100, ranges 2, 4 and 2, sigma 8/3/1.128. The refused 110 does not. */
static void those_like_the_newest_make_the_chart(void **state)
{
	static const char *const values[] = { "100", "102", "98", "100" };
	struct book *b = *state;
	struct checks *c = NULL;
	char text[300];

	assert_int_equal(logbook_open(b->path, &b->lb, &b->err), RC_OK);
	int64_t real = a_run(b, false), bench = a_run(b, true);
	keep(b, real, "2kg", "200", true);
	keep(b, bench, "1kg", "300", true);
	keep(b, real, "1kg", "null", true); /* of an older program, without a sensitivity */
	for (size_t i = 0; i < 4; i++)
		keep(b, real, "1kg", values[i], true);
	keep(b, real, "1kg", "110", false);
	assert_int_equal(checks_of(b->lb, &c, &b->err), RC_OK);
	assert_int_equal(c->n, 5);
	assert_int_equal(c->n_other_weights, 1);
	assert_int_equal(c->n_other_kind, 1);
	assert_false(c->all_refused);
	assert_true(checks_charted(c));
	assert_near(c->chart.centre, 100, 1e-12);
	assert_near(c->chart.sigma, 8.0 / 3 / 1.128, 1e-12);
	assert_near(checks_sigmas(c, 4), 10 / (8.0 / 3 / 1.128), 1e-12);
	assert_int_equal(c->chart.n_hits, 1);
	assert_int_equal(c->chart.hit[0].at, 4);
	assert_string_equal(c->rig, "Heron");
	assert_string_equal(c->place, "barn");
	assert_string_equal(c->operator_name, "");
	assert_near(c->check[4].U_Nm, 0.02, 0);
	checks_verdict(c, text, sizeof text);
	assert_string_equal(text,
			    "The calibration does not hold: E_n is +0.50 at the newest check. 1 run rule is met.");
	checks_free(c);
}

static void one_check_has_no_limits(void **state)
{
	struct book *b = *state;
	struct checks *c = NULL;
	char text[300];

	assert_int_equal(logbook_open(b->path, &b->lb, &b->err), RC_OK);
	keep(b, 0, "1kg", "100", false);
	assert_int_equal(checks_of(b->lb, &c, &b->err), RC_OK);
	assert_true(c->all_refused);
	assert_false(checks_charted(c));
	assert_true(isnan(checks_sigmas(c, 0)));
	checks_verdict(c, text, sizeof text);
	assert_non_null(strstr(text, "There are no limits yet"));
	checks_free(c);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test_setup_teardown(without_a_check_it_says_what_makes_one, book_set_up, book_tear_down),
		cmocka_unit_test_setup_teardown(those_like_the_newest_make_the_chart, book_set_up, book_tear_down),
		cmocka_unit_test_setup_teardown(one_check_has_no_limits, book_set_up, book_tear_down),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
