/* SPDX-License-Identifier: GPL-3.0-or-later */
/* That the acts come at their times is seen by tests/faults/device_faults.py, by the bench's own truth. */
#include "bench/agenda.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

static void reads_times_and_acts_in_order(void **state)
{
	struct agenda a;
	struct err err = { 0 };

	(void)state;
	assert_int_equal(agenda_parse("40 fault estop; 55.5 mend;60 hang 2kg-a", &a, &err), RC_OK);
	assert_int_equal(a.n, 3);
	assert_int_equal(a.done, 0);
	assert_true(a.item[0].t_us == 40000000 && a.item[1].t_us == 55500000 && a.item[2].t_us == 60000000);
	assert_string_equal(a.item[0].act, "fault estop");
	assert_string_equal(a.item[1].act, "mend");
	assert_string_equal(a.item[2].act, "hang 2kg-a");
}

static void what_is_due_comes_once_and_in_order(void **state)
{
	struct agenda a;
	struct err err = { 0 };

	(void)state;
	assert_int_equal(agenda_parse("1 mend; 1 arm on; 3 couple", &a, &err), RC_OK);
	assert_null(agenda_due(&a, 999999));
	assert_string_equal(agenda_due(&a, 1000000)->act, "mend");
	assert_string_equal(agenda_due(&a, 1000000)->act, "arm on");
	assert_null(agenda_due(&a, 1000000));
	assert_string_equal(agenda_due(&a, 5000000)->act, "couple");
	assert_null(agenda_due(&a, 5000000));
}

static void refuses_with_one_sentence_and_touches_nothing(void **state)
{
	static const struct {
		const char *text, *says;
	} rows[] = {
		{ "x", "found \"x\", expected a bench time" },
		{ "5", "found \"5\", expected a bench time" },
		{ "5 ", "found \"5 \", expected a bench time" },
		{ "-1 mend", "found \"-1 mend\"" },
		{ "nan mend", "found \"nan mend\"" },
		{ "1e9 mend", "found \"1e9 mend\"" },
		{ "10 mend; 4 mend", "\"4 mend\" comes before" },
		{ "1 a;1 a;1 a;1 a;1 a;1 a;1 a;1 a;1 a;1 a;1 a;1 a;1 a;1 a;1 a;1 a;1 a", "more than 16 acts" },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct agenda a = { .n = 7 };
		struct err err = { 0 };
		assert_int_equal(agenda_parse(rows[i].text, &a, &err), RC_ARG);
		if (!strstr(err.what, rows[i].says))
			fail_msg("%s: %s", rows[i].text, err.what);
		assert_int_equal(a.n, 7);
	}
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(reads_times_and_acts_in_order),
		cmocka_unit_test(what_is_due_comes_once_and_in_order),
		cmocka_unit_test(refuses_with_one_sentence_and_touches_nothing),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
