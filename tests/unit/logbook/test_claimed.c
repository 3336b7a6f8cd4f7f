/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "logbook/claimed.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "tests/unit/logbook/logbook_scene.h"

#define must(call) assert_int_equal((call), RC_OK)

static const struct claimed_curve sheet = { .n = 3,
					    .has_current = true,
					    .torque_Nm = { 0, 1.0 / 3, 2 },
					    .speed_rpm = { 90, 80.5, 0 },
					    .current_A = { 0.1, 0.2, 7 } };

static void a_curve_is_kept_with_its_run(void **state)
{
	struct claimed_curve found;
	struct book *b = *state;

	must(logbook_open(b->path, &b->lb, &b->err));
	struct run_head one = { .kind = "sweep", .rig_text = "" }, other = { .kind = "sweep", .rig_text = "" };
	must(logbook_run_begin(b->lb, &one, &b->err));
	must(claimed_add(b->lb, one.id, 5, &sheet, &b->err));
	must(logbook_run_end(b->lb, one.id, 1, "done", "", "", &b->err));
	must(logbook_run_begin(b->lb, &other, &b->err));
	must(claimed_add(b->lb, other.id, 6, &(struct claimed_curve){ 0 }, &b->err)); /* none: no record */
	must(claimed_find(b->lb, one.id, &found, &b->err));
	assert_int_equal(found.n, 3);
	assert_true(found.has_current && !found.has_efficiency);
	assert_memory_equal(found.torque_Nm, sheet.torque_Nm, 3 * sizeof(double));
	assert_memory_equal(found.speed_rpm, sheet.speed_rpm, 3 * sizeof(double));
	assert_memory_equal(found.current_A, sheet.current_A, 3 * sizeof(double));
	must(claimed_find(b->lb, other.id, &found, &b->err));
	assert_int_equal(found.n, 0);
}

static void what_is_not_whole_is_no_curve(void **state)
{
	static const char *const rows[] = {
		"{}",
		"[]",
		"{\"torque_Nm\": [1, 2], \"speed_rpm\": [1]}",
		"{\"torque_Nm\": [1, \"x\"], \"speed_rpm\": [1, 2]}",
		"{\"torque_Nm\": [], \"speed_rpm\": []}",
	};
	struct claimed_curve found;
	struct book *b = *state;
	int64_t id;

	must(logbook_open(b->path, &b->lb, &b->err));
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct run_head head = { .kind = "sweep", .rig_text = "" };
		must(logbook_run_begin(b->lb, &head, &b->err));
		must(logbook_record(b->lb, head.id, 1, "claimed", rows[i], &id, &b->err));
		must(claimed_find(b->lb, head.id, &found, &b->err));
		assert_int_equal(found.n, 0);
		must(logbook_run_end(b->lb, head.id, 1, "done", "", "", &b->err));
	}
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test_setup_teardown(a_curve_is_kept_with_its_run, book_set_up, book_tear_down),
		cmocka_unit_test_setup_teardown(what_is_not_whole_is_no_curve, book_set_up, book_tear_down),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
