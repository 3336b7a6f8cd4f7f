/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "logbook/accepted.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "tests/unit/logbook/logbook_scene.h"

#define must(call) assert_int_equal((call), RC_OK)

/* The same check with the same two figures, each within a tenth of it; the newest one that holds. */
static void an_acceptance_holds_for_its_own_figures(void **state)
{
	static const struct {
		const char *word;
		double found, expected;
		const char *reason;
	} rows[] = {
		{ "gear", 10, 20, "a belt" }, { "gear", 10.9, 18.5, "a belt" }, { "gear", 11.2, 20, "" },
		{ "gear", 10, 22.5, "" },     { "slope", 10, 20, "" },          { "gear", -10, 20, "" },
	};
	struct book *b = *state;
	char reason[40];

	must(logbook_open(b->path, &b->lb, &b->err));
	must(accepted_add(b->lb, 0, 1, "gear", 10, 20, "a chain", "10 is not 20", &b->err));
	must(accepted_add(b->lb, 0, 2, "gear", 10, 20, "a belt", "10 is not 20", &b->err));
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		must(accepted_find(b->lb, rows[i].word, rows[i].found, rows[i].expected, reason, sizeof reason,
				   &b->err));
		assert_string_equal(reason, rows[i].reason);
	}
	must(accepted_find(NULL, "gear", 10, 20, reason, sizeof reason, &b->err));
	assert_string_equal(reason, "");
}

static void what_is_no_reason_is_not_kept(void **state)
{
	struct book *b = *state;
	char reason[40];
	int64_t id;

	must(logbook_open(b->path, &b->lb, &b->err));
	assert_int_equal(accepted_add(b->lb, 0, 1, "gear", 10, 20, "\xff\xfe", "10 is not 20", &b->err), RC_ARG);
	assert_non_null(strstr(b->err.what, "UTF-8"));
	must(logbook_record(b->lb, 0, 1, "accepted", "{\"check\": \"gear\", \"found\": 10, \"expected\": 20}", &id,
			    &b->err));
	must(logbook_record(b->lb, 0, 1, "accepted", "{\"reason\": \"x\", \"found\": 10, \"expected\": 20}", &id,
			    &b->err));
	must(accepted_find(b->lb, "gear", 10, 20, reason, sizeof reason, &b->err));
	assert_string_equal(reason, "");
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test_setup_teardown(an_acceptance_holds_for_its_own_figures, book_set_up, book_tear_down),
		cmocka_unit_test_setup_teardown(what_is_no_reason_is_not_kept, book_set_up, book_tear_down),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
