/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/offline.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <cmocka.h>

#include "near.h"
#include "scratch_file.h"

static const struct offline_column columns[] = {
	{ "time", "s", true, false, NULL },
	{ "torque", "N.m", true, false, NULL },
	{ "speed", "rpm", false, false, NULL },
};
#define COLUMNS (sizeof columns / sizeof columns[0])

static enum rc read_table(const char *text, struct offline *ret, struct err *err)
{
	struct mistakes m = { 0 };
	char path[40];

	scratch_file(path, text);
	*err = (struct err){ 0 };
	enum rc rc = offline_read(path, columns, COLUMNS, ret, &m, err);
	unlink(path);
	return rc;
}

static void columns_come_by_name_in_their_unit(void **state)
{
	struct offline o;
	struct err err;

	(void)state;
	assert_int_equal(read_table("torque (kN.m),colour,time (min)\n0.002,red,1\n0.003,red,2\n", &o, &err), RC_OK);
	assert_int_equal(o.n, 2);
	assert_near(offline_column(&o, "torque")[1], 3, 1e-12);
	assert_near(offline_column(&o, "time")[1], 120, 1e-12);
	assert_null(offline_column(&o, "speed"));  /* not there */
	assert_null(offline_column(&o, "colour")); /* not asked for */
	assert_string_equal(o.unused, "colour");
	offline_free(&o);
}

static void a_table_that_will_not_do_is_refused(void **state)
{
	static const struct {
		const char *text, *says;
	} cases[] = {
		{ "torque (N.m)\n1\n", "no column \"time\"" },
		{ "time (s),torque (N.m)\n1,heavy\n", "heavy" },
		{ "time (s),torque (m)\n1,2\n", "torque" },
	};
	struct offline o;
	struct err err = { 0 };

	(void)state;
	for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
		assert_int_equal(read_table(cases[i].text, &o, &err), RC_ARG);
		assert_non_null(strstr(err.what, cases[i].says));
		offline_free(&o);
	}
	assert_int_equal(offline_read(NULL, columns, COLUMNS, &o, NULL, &err), RC_ARG);
	assert_non_null(strstr(err.what, "--from is missing"));
	offline_free(&o);
}

static void options_have_units_and_may_have_to_be_positive(void **state)
{
	double ratio = 7, limit_degC = 7, left = 7;
	const struct offline_option options[] = {
		{ "ratio", "36", "1", &ratio, true },
		{ "limit", "373.15 K", "degC", &limit_degC, false },
		{ "left", NULL, "s", &left, true },
	};
	static const char *const wrong[] = { "0", "-1", "1 kg", "much", "" };
	struct err err = { 0 };

	(void)state;
	assert_int_equal(offline_options(options, 3, &err), RC_OK);
	assert_near(ratio, 36, 0);
	assert_near(limit_degC, 100, 1e-9);
	assert_near(left, 7, 0);
	for (size_t i = 0; i < sizeof wrong / sizeof wrong[0]; i++) {
		const struct offline_option one = { "ratio", wrong[i], "1", &ratio, true };
		ratio = 7;
		assert_int_equal(offline_options(&one, 1, &err), RC_ARG);
		assert_non_null(strstr(err.what, "--ratio"));
		assert_near(ratio, 7, 0);
	}
}

static void lists_have_commas(void **state)
{
	double value[3];
	size_t n;
	struct err err = { 0 };

	(void)state;
	assert_int_equal(offline_list("torques", "5,10 N.m,0.02 kN.m", "N.m", value, 3, &n, &err), RC_OK);
	assert_int_equal(n, 3);
	assert_near(value[0], 5, 0);
	assert_near(value[1], 10, 0);
	assert_near(value[2], 20, 1e-12);
	assert_int_equal(offline_list("torques", NULL, "N.m", value, 3, &n, &err), RC_OK);
	assert_int_equal(n, 0);
	assert_int_equal(offline_list("torques", "1,2,3,4", "N.m", value, 3, &n, &err), RC_ARG);
	assert_string_equal(err.what, "--torques: more than 3 numbers");
	assert_int_equal(offline_list("torques", "1,,3", "N.m", value, 3, &n, &err), RC_ARG);
	assert_int_equal(offline_list("torques", "1,", "N.m", value, 3, &n, &err), RC_ARG);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(columns_come_by_name_in_their_unit),
		cmocka_unit_test(a_table_that_will_not_do_is_refused),
		cmocka_unit_test(options_have_units_and_may_have_to_be_positive),
		cmocka_unit_test(lists_have_commas),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
