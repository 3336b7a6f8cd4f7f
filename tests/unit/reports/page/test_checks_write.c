/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The page and files of checks that are put together here. */
#include "reports/page/checks_write.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "tests/unit/reports/page/written.h"

#include <math.h>
#include <unistd.h>

static char dir[64];
static struct check_result check[3];

static struct checks made(void)
{
	struct checks c = { .n = 3, .check = check, .rig = "Heron's <lock>", .place = "barn" };

	for (int i = 0; i < 3; i++) {
		check[i] = (struct check_result){ .record_id = 10 + i,
						  .run_id = 5 + i,
						  .wall_ns = 1 + 86400000000000LL * i,
						  .calibration_id = i < 2 ? 3 : 7,
						  .sensitivity = 100 + 4 * i,
						  .expected_Nm = 9.81,
						  .off_Nm = 0.01 * i,
						  .U_Nm = 0.016,
						  .e_n = 0.625 * i,
						  .ambient_degC = NAN,
						  .ok = i < 2 };
		strcpy(check[i].weights, "1kg");
	}
	c.chart = (struct control_chart){ .n = 3, .n_base = 2, .centre = 102, .sigma = 1.5, .n_hits = 1 };
	c.chart.hit[0] = (struct chart_hit){ CHART_BEYOND, 2, +1 };
	return c;
}

static int begin(void **state)
{
	(void)state;
	snprintf(dir, sizeof dir, "/tmp/bridle-checks-%d", (int)getpid());
	return 0;
}

static int end(void **state)
{
	static const char *const names[] = { "checks.csv",       "check-weight.gp",  CHECKS_PAGE,
					     "check-weight.svg", "check-weight.png", "check-weight.pdf" };
	char path[100];

	(void)state;
	for (size_t i = 0; i < sizeof names / sizeof names[0]; i++) {
		snprintf(path, sizeof path, "%s/%s", dir, names[i]);
		unlink(path);
	}
	return rmdir(dir);
}

static void has(const char *name, const char *words, bool expected)
{
	char *text = slurp(dir, name);

	/* a value stays on one line with its unit: for a comparison a blank is a blank */
	for (char *at = text; at && (at = strstr(at, "\u00a0"));) {
		at[0] = ' ';
		memmove(at + 1, at + 2, strlen(at + 2) + 1);
	}
	if (!text || (strstr(text, words) != NULL) != expected)
		fail_msg("%s: \"%s\" is %s", name, words, expected ? "missing" : "there");
	free(text);
}

static void page_figure_and_table_hold_the_checks(void **state)
{
	struct checks c = made();
	struct err err = { 0 };

	(void)state;
	assert_int_equal(checks_write(&c, dir, &err), RC_OK);
	char *page = slurp(dir, CHECKS_PAGE);
	assert_well_formed(page);
	free(page);
	has(CHECKS_PAGE, "The calibration does not hold: E_n is +1.25 at the newest check. 1 run rule is met.", true);
	has(CHECKS_PAGE, "Heron&#39;s &lt;lock&gt;, 3 checks with 1kg, 1970-01-01 to 1970-01-03", true);
	has(CHECKS_PAGE, "The newest check meets a rule.", true);
	has(CHECKS_PAGE, "These limits are provisional: 2 checks", true);
	has(CHECKS_PAGE, "data-label=\"met at check\">3</td>", true);
	has(CHECKS_PAGE, "data-label=\"met at check\">no</td>", true);
	has(CHECKS_PAGE, "data-label=\"sigmas off\">+4.0</td>", true); /* (108 - 102) / 1.5 */
	has(CHECKS_PAGE, "data-label=\"sigmas off\">−1.3</td>", true);
	has(CHECKS_PAGE, "± 2.94 %, ± 4.41 % of the centre", true); /* 2 and 3 times 1.5 of 102 */
	has(CHECKS_PAGE, "virtual bench", false);
	has(CHECKS_PAGE, "Ambient", false);
	has(CHECKS_PAGE, "<svg", true);
	has(CHECKS_PAGE, "Left out", false);
	has("checks.csv",
	    "3,1970-01-03 00:00 UTC,12,7,108,102,1.5,6,4,9.81,0.02,0.016,1.25,no,\"above the 3 sigma line\"\n", true);
	has("check-weight.svg", "<svg", true);
	has("check-weight.gp", "Heron''s", true);
	has("check-weight.gp", "first 2.5, graph 0", true); /* another calibration between the second and the third */
	has("check-weight.gp", "first 1.5, graph 0", false);
}

static void one_check_is_a_page_without_a_figure(void **state)
{
	struct checks c = made();
	struct err err = { 0 };

	(void)state;
	c.n = 1;
	c.chart = (struct control_chart){ .n = 1, .n_base = 1, .centre = 100, .sigma = NAN };
	c.n_other_kind = 2;
	check[0].on_bench = true;
	assert_int_equal(checks_write(&c, dir, &err), RC_OK);
	has(CHECKS_PAGE, "There are no limits yet", true);
	has(CHECKS_PAGE, "no limits yet</td>", true);
	has(CHECKS_PAGE, "Left out: 2 checks of a real rig.", true);
	has(CHECKS_PAGE, "Virtual bench", true);
	has(CHECKS_PAGE, "nan", false);
	has(CHECKS_PAGE, "<svg", false);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test_setup_teardown(page_figure_and_table_hold_the_checks, begin, end),
		cmocka_unit_test_setup_teardown(one_check_is_a_page_without_a_figure, begin, end),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
