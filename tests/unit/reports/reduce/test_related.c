/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Results of one actuator beside its sweeps, out of a logbook that is put together here. */
#include "reports/reduce/related.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "tests/unit/logbook/logbook_scene.h"

static int64_t a_result(struct book *b, const char *kind, const char *actuator, bool on_bench)
{
	static int64_t at_ns = 1000;
	struct run_head head = { .kind = kind, .actuator_name = actuator, .on_bench = on_bench, .wall_ns = at_ns++ };

	assert_int_equal(logbook_run_begin(b->lb, &head, &b->err), RC_OK);
	assert_int_equal(logbook_record(b->lb, head.id, at_ns++, kind, "{}", NULL, &b->err), RC_OK);
	return head.id;
}

static void those_of_the_actuator_by_kind_the_newest_first(void **state)
{
	struct book *b = *state;
	struct related all;

	assert_int_equal(logbook_open(b->path, &b->lb, &b->err), RC_OK);
	int64_t ripple = a_result(b, "ripple", "winder", false), first = a_result(b, "hold", "winder", false);
	a_result(b, "hold", "another", false);
	a_result(b, "play", "winder", true);
	int64_t second = a_result(b, "hold", "winder", false);
	/* a run without a result, a table's record without a run, and a second record of one run */
	struct run_head empty = { .kind = "obey", .actuator_name = "winder" };
	assert_int_equal(logbook_run_begin(b->lb, &empty, &b->err), RC_OK);
	assert_int_equal(logbook_record(b->lb, 0, 9000, "obey", "{}", NULL, &b->err), RC_OK);
	assert_int_equal(logbook_record(b->lb, second, 9001, "hold", "{}", NULL, &b->err), RC_OK);
	assert_int_equal(related_of(b->lb, "winder", false, &all, &b->err), RC_OK);
	assert_int_equal(all.n, 3);
	assert_int_equal(all.result[0].run_id, second);
	assert_int_equal(all.result[1].run_id, first);
	assert_int_equal(all.result[2].run_id, ripple);
	assert_string_equal(all.result[2].kind, "ripple");
	assert_true(all.result[2].wall_ns == 1000);
	assert_string_equal(all.result[0].page, "");
	assert_int_equal(related_of(b->lb, "winder", true, &all, &b->err), RC_OK);
	assert_int_equal(all.n, 1);
	assert_string_equal(related_words(all.result[0].kind), "play: lost motion and stiffness");
	assert_string_equal(related_words("sweep"), "");
}

/* 20 holds and 10 plays: the newest of each kind find room, six of the older do not. */
static void what_finds_no_room_is_counted(void **state)
{
	struct book *b = *state;
	struct related all;
	int64_t last = 0;

	assert_int_equal(logbook_open(b->path, &b->lb, &b->err), RC_OK);
	for (int i = 0; i < 10; i++)
		last = a_result(b, "play", "winder", false);
	for (int i = 0; i < 20; i++)
		a_result(b, "hold", "winder", false);
	assert_int_equal(related_of(b->lb, "winder", false, &all, &b->err), RC_OK);
	assert_int_equal(all.n, RELATED_MAX);
	assert_int_equal(all.n_older, 30 - RELATED_MAX);
	assert_int_equal(all.result[20].run_id, last);
	assert_string_equal(all.result[19].kind, "hold");
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test_setup_teardown(those_of_the_actuator_by_kind_the_newest_first, book_set_up,
						book_tear_down),
		cmocka_unit_test_setup_teardown(what_finds_no_room_is_counted, book_set_up, book_tear_down),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
