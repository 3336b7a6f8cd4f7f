/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/number/err.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

static void sets_kind_and_sentence(void **state)
{
	struct err err = { 0 };

	(void)state;
	assert_int_equal(err_set(&err, RC_ARG, 0, "a line needs %d points, got %d", 3, 2), RC_ARG);
	assert_int_equal(err.rc, RC_ARG);
	assert_string_equal(err.what, "a line needs 3 points, got 2");
}

static void takes_no_err_at_all(void **state)
{
	(void)state;
	assert_int_equal(err_set(NULL, RC_IO, 5, "x"), RC_IO);
	err_prefix(NULL, "x");
}

static void prefix_keeps_the_sentence_and_marks_a_cut(void **state)
{
	struct err err = { 0 };
	char longer[2 * sizeof err.what];

	(void)state;
	err_set(&err, RC_ARG, 0, "bad");
	err_prefix(&err, "rig.ini:%d: ", 12);
	assert_string_equal(err.what, "rig.ini:12: bad");

	memset(longer, 'a', sizeof longer - 1);
	longer[sizeof longer - 1] = '\0';
	err_set(&err, RC_ARG, 0, "%s", longer);
	err_prefix(&err, "x: ");
	assert_int_equal(strlen(err.what), sizeof err.what - 1);
	assert_string_equal(err.what + sizeof err.what - 4, "...");
}

static void exit_statuses_are_those_of_the_design(void **state)
{
	static const struct {
		enum rc rc;
		int status;
	} rows[] = {
		{ RC_OK, 0 },       { RC_INTERLOCK, 1 }, { RC_SAYS_NO, 1 }, { RC_ARG, 2 },
		{ RC_RANGE, 2 },    { RC_SINGULAR, 2 },  { RC_IO, 3 },      { RC_TIMEOUT, 3 },
		{ RC_PROTOCOL, 3 }, { RC_NOMEM, 3 },     { RC_DB, 3 },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++)
		assert_int_equal(err_exit_status(rows[i].rc), rows[i].status);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(sets_kind_and_sentence),
		cmocka_unit_test(takes_no_err_at_all),
		cmocka_unit_test(prefix_keeps_the_sentence_and_marks_a_cut),
		cmocka_unit_test(exit_statuses_are_those_of_the_design),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
