/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "profile/torque_table.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <unistd.h>

#define HEAD "table,class,repeatability,reproducibility,fit,zero,reversibility,resolutions,reference,positions,steps\n"
/* Invented figures. */
#define FIRST "torque,0.1,0.2,0.3,0.4,0.5,,20,0.6,4,8\n"
#define SECOND "torque,1,2,3,4,5,6,30,7,3,5\n"

static enum rc read_text(const char *text, struct torque_table *ret, struct err *err)
{
	char path[] = "/tmp/bridle-classes-XXXXXX";
	int fd = mkstemp(path);
	struct mistakes m = { 0 };

	assert_true(fd >= 0);
	assert_int_equal(write(fd, text, strlen(text)), strlen(text));
	close(fd);
	enum rc rc = torque_table_read(path, "torque", ret, &m, err);
	unlink(path);
	return rc;
}

static void percent_is_a_share_and_an_empty_cell_no_limit(void **state)
{
	struct torque_table t;
	struct err err = { 0 };

	(void)state;
	if (read_text(HEAD FIRST "force,1,1,1,1,1,1,1,1,1,1\n" SECOND, &t, &err) != RC_OK)
		fail_msg("%s", err.what);
	assert_int_equal(t.n, 2);
	assert_true(fabs(t.row[0].repeatability_frac - 0.002) < 1e-12 && fabs(t.row[1].zero_frac - 0.05) < 1e-12);
	assert_true(isnan(t.row[0].reversibility_frac) && t.row[0].least_positions == 4 && t.row[1].least_steps == 5);
	assert_string_equal(t.row[0].label, "0.1");
	assert_int_equal(strncmp(t.name, "torque of bridle-classes-", 25), 0);
}

static void tables_that_cannot_be(void **state)
{
	static const struct {
		const char *text, *words;
	} rows[] = {
		{ "table,class\ntorque,1\n", "no column \"repeatability\"" },
		{ "class\n1\n", "no column \"table\"" },
		{ HEAD "force,1,1,1,1,1,1,1,1,1,1\n", "no rows with \"torque\" in the column \"table\"" },
		{ HEAD SECOND FIRST, ":3: class 0.1 after 1; expected the classes in rising order" },
		{ HEAD FIRST FIRST, ":3: class 0.1 after 0.1; expected" },
		{ HEAD "torque,1,-2,3,4,5,6,30,7,3,5\n", ":2: \"repeatability\" is -2, expected 0 to 1e6" },
		{ HEAD "torque,1,2,3,4,5,6,30,7,3,\n", ":2: \"steps\" is empty, expected a number" },
		{ HEAD "torque,,2,3,4,5,6,30,7,3,5\n", ":2: \"class\" is empty, expected a number" },
		{ HEAD "torque,1,2e6,3,4,5,6,30,7,3,5\n", ":2: \"repeatability\" is 2e+06, expected 0 to 1e6" },
		{ HEAD "torque,one,2,3,4,5,6,30,7,3,5\n", "one" },
	};
	char many[4000] = HEAD;

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct torque_table t = { .n = 77 };
		struct err err = { 0 };

		if (read_text(rows[i].text, &t, &err) != RC_ARG || !strstr(err.what, rows[i].words))
			fail_msg("row %zu: %s", i, err.what);
		assert_int_equal(t.n, 77);
	}
	for (int i = 0; i <= TORQUECAL_CLASSES; i++) {
		char line[80];

		snprintf(line, sizeof line, "torque,%d,2,3,4,5,6,30,7,3,5\n", i + 1);
		strcat(many, line);
	}
	struct torque_table t;
	struct err err = { 0 };
	assert_int_equal(torque_table_read("/nowhere/classes.csv", "torque", &t, NULL, &err), RC_ARG);
	assert_non_null(strstr(err.what, "/nowhere/classes.csv: cannot be opened"));
	assert_int_equal(read_text(many, &t, &err), RC_ARG);
	assert_non_null(strstr(err.what, "classes of \"torque\""));
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(percent_is_a_share_and_an_empty_cell_no_limit),
		cmocka_unit_test(tables_that_cannot_be),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
