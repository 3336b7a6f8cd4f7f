/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "profile/csv_private.h"

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

static enum rc parse(const char *text, const char *name, struct csv *ret, struct mistakes *m, struct err *err)
{
	return csv_parse(strdup(text), name, ret, m, err);
}

static void reads_headings_units_comments_crlf_and_bom(void **state)
{
	struct csv t;
	struct err err = { 0 };
	double x;

	(void)state;
	assert_int_equal(parse("\xef\xbb\xbf# a note, with commas\r\n\r\nname, torque (N m) ,\"speed, out (rpm)\"\r\n"
			       "a, 1.5 ,-2e1\r\n# between\r\n\"b \"\"x\"\", c\",\" 3 \",4\r\n",
			       "t.csv", &t, NULL, &err),
			 RC_OK);
	assert_int_equal(t.n_columns, 3);
	assert_int_equal(t.n_rows, 2);
	assert_string_equal(t.column[0].name, "name");
	assert_string_equal(t.column[0].unit, "");
	assert_string_equal(t.column[1].name, "torque");
	assert_string_equal(t.column[1].unit, "N m");
	assert_string_equal(t.column[2].name, "speed, out");
	assert_string_equal(csv_cell(&t, 1, 0), "b \"x\", c");
	assert_int_equal(csv_number(&t, 0, 2, &x, &err), RC_OK);
	assert_true(fabs(x + 20) < 1e-12);
	assert_int_equal(csv_number(&t, 1, 1, &x, &err), RC_OK);
	assert_true(fabs(x - 3) < 1e-12);
	assert_int_equal(t.line[0], 4);
	assert_int_equal(t.line[1], 6);
	csv_free(&t);
}

static void takes_semicolons_tabs_and_a_last_line_without_end(void **state)
{
	static const char *const texts[] = { "x;y\n1;2", "x\ty\n1\t2", "x,y\n1,2" };
	struct csv t;

	(void)state;
	for (size_t i = 0; i < 3; i++) {
		assert_int_equal(parse(texts[i], "t", &t, NULL, NULL), RC_OK);
		assert_int_equal(t.n_rows, 1);
		assert_string_equal(csv_cell(&t, 0, 1), "2");
		csv_free(&t);
	}
}

/* A separator within quotes is none; a bracket alone is part of the name; a line end of \r alone is a blank. */
static void headings_that_look_like_something_else(void **state)
{
	struct csv t;

	(void)state;
	assert_int_equal(parse("\"a,b\";\"line\none\"\n1;2\n \t\n#", "t", &t, NULL, NULL), RC_OK);
	assert_int_equal(t.n_columns, 2);
	assert_string_equal(t.column[0].name, "a,b");
	csv_free(&t);
	assert_int_equal(parse("x (N m,y),z\n1,2,3\n", "t", &t, NULL, NULL), RC_OK);
	assert_int_equal(t.n_columns, 3);
	assert_string_equal(t.column[0].name, "x (N m");
	assert_string_equal(t.column[0].unit, "");
	assert_string_equal(t.column[1].name, "y)");
	csv_free(&t);
}

/* A cell may be empty where the caller says so; of more mistakes than the list holds the rest are counted. */
static void empty_cells_and_many_mistakes(void **state)
{
	char many[400] = "x\n";
	struct mistakes m = { 0 };
	struct csv t;
	struct err err = { 0 };
	double x[50];

	(void)state;
	assert_int_equal(parse("x,y\n,1\n2,1\n \t", "t", &t, NULL, NULL), RC_OK);
	assert_int_equal(t.n_rows, 2);
	assert_int_equal(csv_numbers_where(&t, 0, NULL, x, NULL, NULL), RC_OK);
	assert_true(isnan(x[0]) && fabs(x[1] - 2) < 1e-12);
	assert_int_equal(csv_numbers(&t, 0, NULL, x, NULL, NULL), RC_ARG);
	csv_free(&t);
	for (int i = 0; i < 40; i++)
		strcat(many, "one\n");
	assert_int_equal(parse(many, "t.csv", &t, NULL, NULL), RC_OK);
	assert_int_equal(csv_numbers(&t, 0, NULL, x, &m, &err), RC_ARG);
	assert_int_equal(m.n, sizeof m.line / sizeof m.line[0]);
	assert_int_equal(m.more, 40 - m.n);
	assert_non_null(strstr(err.what, "(and 39 more)"));
	csv_free(&t);
}

/* A folder, a name within a file, a file that is not there: the last two are wrong requests. */
static void files_that_cannot_be_read(void **state)
{
	struct csv t;
	struct err err = { 0 };

	(void)state;
	assert_int_equal(csv_read("/nowhere/t.csv", &t, NULL, &err), RC_ARG);
	assert_int_equal(csv_read("/dev/null/t.csv", &t, NULL, &err), RC_ARG);
	assert_non_null(strstr(err.what, "cannot be opened"));
	assert_int_equal(csv_read("/tmp", &t, NULL, &err), RC_IO);
	assert_non_null(strstr(err.what, "/tmp: cannot be read: "));
}

static void quoted_cells_may_go_over_lines_and_lines_keep_their_numbers(void **state)
{
	struct csv t;

	(void)state;
	assert_int_equal(parse("a,b\n\"one\ntwo\",2\n3,4\n", "t", &t, NULL, NULL), RC_OK);
	assert_string_equal(csv_cell(&t, 0, 0), "one\ntwo");
	assert_int_equal(t.line[0], 2);
	assert_int_equal(t.line[1], 4);
	csv_free(&t);
}

static void turns_units(void **state)
{
	/* 1 in = 25.4 mm, 0 degC = 273.15 K: exact by definition */
	struct csv t;
	struct err err = { 0 };
	double x[2];

	(void)state;
	assert_int_equal(parse("length (in),temp (degC),plain\n1,0,5\n2,100,6\n", "t", &t, NULL, &err), RC_OK);
	assert_int_equal(csv_numbers(&t, 0, "mm", x, NULL, &err), RC_OK);
	assert_true(fabs(x[1] - 50.8) < 1e-9);
	assert_int_equal(csv_numbers(&t, 1, "K", x, NULL, &err), RC_OK);
	assert_true(fabs(x[0] - 273.15) < 1e-9);
	assert_int_equal(csv_numbers(&t, 2, "1", x, NULL, &err), RC_OK);
	assert_int_equal(csv_numbers(&t, 2, "mm", x, NULL, &err), RC_ARG);
	assert_non_null(strstr(err.what, "has no unit"));
	assert_int_equal(csv_numbers(&t, 0, "rpm", x, NULL, &err), RC_ARG);
	assert_non_null(strstr(err.what, "length (in)"));
	csv_free(&t);
}

/* 1e306 MN.m is no number of N.m that a double holds. */
static void a_number_that_its_unit_makes_too_large(void **state)
{
	struct mistakes m = { 0 };
	struct csv t;
	struct err err = { 0 };
	double x[2];

	(void)state;
	assert_int_equal(parse("torque (MN.m)\n1\n-1e306\n", "t.csv", &t, NULL, &err), RC_OK);
	assert_int_equal(csv_numbers(&t, 0, "N.m", x, &m, &err), RC_ARG);
	assert_int_equal(m.n, 1);
	assert_string_equal(m.line[0], "t.csv:3: \"torque\": -1e+306 is too large in N.m");
	csv_free(&t);
}

static void says_where_and_what_is_wrong(void **state)
{
	static const struct {
		const char *name, *text, *says;
	} rows[] = {
		{ "nothing", "", "t.csv: empty" },
		{ "comments only", "# x\n\n", "t.csv: empty" },
		{ "no rows", "x,y\n", "no rows" },
		{ "short row", "x,y\n1,2\n3\n", "t.csv:3: found 1 cells, expected 2" },
		{ "long row", "x,y\n1,2,3\n", "t.csv:2: found 3 cells, expected 2" },
		{ "open quote", "x,y\n1,\"2\n", "t.csv:2: a quoted field has no closing quote" },
		{ "text behind a quote", "x,y\n\"1\"2,3\n", "after the closing quote" },
		{ "same name twice", "x,x\n1,2\n", "two columns are called \"x\"" },
		{ "no name", "x,\n1,2\n", "column 2 has no heading" },
		{ "numbers for headings", "1,2\n3,4\n", "found the number 1 where" },
		{ "two at once", "x,y\n1\n2\n", "(and 1 more)" },
		{ "blanks only", " \t \n#", "t.csv: empty" },
		{ "an open quote in the headings", "\"x;y\n", "t.csv" },
	};
	struct csv t = { 0 };

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct err err = { 0 };
		assert_int_equal(parse(rows[i].text, "t.csv", &t, NULL, &err), RC_ARG);
		if (!strstr(err.what, rows[i].says))
			fail_msg("%s: \"%s\" does not say \"%s\"", rows[i].name, err.what, rows[i].says);
		assert_null(t.text);
	}
}

static void collects_all_wrong_numbers(void **state)
{
	struct mistakes m = { 0 };
	struct csv t;
	struct err err = { 0 };
	double x[4];

	(void)state;
	assert_int_equal(parse("x\nnan\n1\n\"1,5\"\n\"\"\n", "t.csv", &t, NULL, &err), RC_OK);
	assert_int_equal(csv_numbers(&t, 0, NULL, x, &m, &err), RC_ARG);
	assert_int_equal(m.n, 3);
	assert_non_null(strstr(m.line[0], "t.csv:2: \"x\": no number in \"nan\""));
	assert_non_null(strstr(m.line[1], "comma"));
	assert_non_null(strstr(m.line[2], "t.csv:5: \"x\" is empty"));
	assert_non_null(strstr(err.what, "(and 2 more)"));
	csv_free(&t);
}

static void reads_many_rows_from_a_file(void **state)
{
	char path[] = "/tmp/bridle-csv-XXXXXX";
	int fd = mkstemp(path);
	FILE *file = fdopen(fd, "w");
	struct csv t;
	struct err err = { 0 };
	const size_t n = 50000;
	double *x = calloc(n, sizeof *x), sum = 0;

	(void)state;
	assert_non_null(x);
	fputs("i,square\n", file);
	for (size_t i = 1; i <= n; i++)
		fprintf(file, "%zu,%zu\n", i, i * i);
	fclose(file);
	assert_int_equal(csv_read(path, &t, NULL, &err), RC_OK);
	unlink(path);
	assert_int_equal(t.n_rows, n);
	assert_int_equal(csv_numbers(&t, 1, NULL, x, NULL, &err), RC_OK);
	for (size_t i = 0; i < n; i++)
		sum += x[i];
	/* n(n + 1)(2n + 1)/6 */
	assert_true(fabs(sum - 41667916675000.0) < 0.5);
	free(x);
	csv_free(&t);
	assert_int_equal(csv_read("/tmp/there-is-no-such-file.csv", &t, NULL, &err), RC_ARG);
	assert_non_null(strstr(err.what, "cannot be opened"));
}

static void a_file_without_end_is_refused(void **state)
{
	struct csv t;
	struct err err = { 0 };

	(void)state;
	assert_int_equal(csv_read("/dev/zero", &t, NULL, &err), RC_ARG);
	assert_non_null(strstr(err.what, "more than 256 MB"));
}

static void zero_bytes_and_too_many_columns_are_refused(void **state)
{
	char path[] = "/tmp/bridle-csv-XXXXXX", wide[2000] = "a0";
	int fd = mkstemp(path);
	struct csv t;
	struct err err = { 0 };
	double value;

	(void)state;
	assert_true(fd >= 0);
	assert_int_equal(write(fd, "x,y\n1,\0\n", 9), 9);
	close(fd);
	assert_int_equal(csv_read(path, &t, NULL, &err), RC_ARG);
	assert_non_null(strstr(err.what, "holds zero bytes; expected a table as plain text"));
	unlink(path);
	assert_int_equal(csv_read("/", &t, NULL, &err), RC_IO);
	assert_non_null(strstr(err.what, "cannot be read"));
	for (int i = 1; i < 300; i++)
		snprintf(wide + strlen(wide), sizeof wide - strlen(wide), ",a%d", i);
	strcat(wide, "\n1\n");
	assert_int_equal(parse(wide, "t.csv", &t, NULL, &err), RC_ARG);
	assert_non_null(strstr(err.what, "more than "));
	assert_int_equal(parse("x,y\n1,\n", "t.csv", &t, NULL, &err), RC_OK);
	assert_int_equal(csv_number(&t, 0, 1, &value, &err), RC_ARG);
	assert_string_equal(err.what, "t.csv:2: \"y\" is empty, expected a number");
	csv_free(&t);
}

static void finds_columns_or_lists_them(void **state)
{
	struct csv t;
	struct err err = { 0 };
	size_t at;

	(void)state;
	assert_int_equal(parse("a,b (mm)\n1,2\n", "t.csv", &t, NULL, &err), RC_OK);
	assert_int_equal(csv_need(&t, "b", &at, &err), RC_OK);
	assert_int_equal(at, 1);
	assert_int_equal(csv_need(&t, "c", &at, &err), RC_ARG);
	assert_string_equal(err.what, "t.csv: no column \"c\"; there are: a, b");
	csv_free(&t);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(reads_headings_units_comments_crlf_and_bom),
		cmocka_unit_test(takes_semicolons_tabs_and_a_last_line_without_end),
		cmocka_unit_test(headings_that_look_like_something_else),
		cmocka_unit_test(files_that_cannot_be_read),
		cmocka_unit_test(empty_cells_and_many_mistakes),
		cmocka_unit_test(quoted_cells_may_go_over_lines_and_lines_keep_their_numbers),
		cmocka_unit_test(turns_units),
		cmocka_unit_test(a_number_that_its_unit_makes_too_large),
		cmocka_unit_test(says_where_and_what_is_wrong),
		cmocka_unit_test(collects_all_wrong_numbers),
		cmocka_unit_test(reads_many_rows_from_a_file),
		cmocka_unit_test(a_file_without_end_is_refused),
		cmocka_unit_test(zero_bytes_and_too_many_columns_are_refused),
		cmocka_unit_test(finds_columns_or_lists_them),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
