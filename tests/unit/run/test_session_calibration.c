/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "run/session.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "tests/unit/logbook/session_scene.h"

/* A line of so many counts per N·m. */
static int64_t calibrate(struct session *s, double gain)
{
	const struct cellcal cal = { .model = CELLCAL_LINE, .degree = 1, .coef = { 0, gain }, .max_Nm = 50, .dof = 8 };
	char *json = record_from_cellcal(&cal);

	assert_non_null(json);
	int64_t id = scene_record(s, "calibration", json);
	free(json);
	return id;
}

static void nothing_was_calibrated(void **state)
{
	struct session s;
	struct err err = { 0 };
	char text[400] = "";

	scene_open(*state, &s);
	scene_run(&s, "hang");
	assert_int_equal(session_load_calibration(&s, &err), RC_OK);
	assert_int_equal(s.calibration_id, 0);
	assert_int_equal(session_calibrated(&s, &err), RC_SAYS_NO);
	scene_says(&err, "not calibrated; run bridle hang first");
	assert_false(session_older_calibration(&s, text, sizeof text));
}

static void the_newest_is_used(void **state)
{
	struct session s;
	struct err err = { 0 };
	char text[400] = "";

	scene_open(*state, &s);
	scene_run(&s, "hang");
	scene_record(&s, SESSION_UNUSABLE, "{\"not_usable\": \"an old story\"}");
	calibrate(&s, 1000);
	scene_s = 60;
	int64_t id = calibrate(&s, 2000);
	assert_int_equal(session_load_calibration(&s, &err), RC_OK);
	assert_int_equal(s.calibration_id, id);
	assert_int_equal(s.calibration_wall_ns, NOON_NS + 60000000000LL);
	assert_true(s.calibration.coef[1] > 1999 && s.calibration.coef[1] < 2001);
	assert_int_equal(session_calibrated(&s, &err), RC_OK);
	assert_false(session_older_calibration(&s, text, sizeof text)); /* what was not usable is older */
}

static void a_newer_one_that_is_not_usable_is_told(void **state)
{
	struct session s;
	struct err err = { 0 };
	char text[400] = "", says[200];

	scene_open(*state, &s);
	scene_run(&s, "hang");
	int64_t id = calibrate(&s, 1000);
	int64_t bad = scene_record(&s, SESSION_UNUSABLE, "{\"not_usable\": \"The cable was off.\"}");
	assert_int_equal(session_load_calibration(&s, &err), RC_OK);
	assert_int_equal(session_calibrated(&s, &err), RC_OK);
	assert_true(session_older_calibration(&s, text, sizeof text));
	snprintf(says, sizeof says,
		 "The newest calibration (record %d) is not usable: The cable was off. Calibration %d is used.",
		 (int)bad, (int)id);
	assert_string_equal(text, says);
}

static void only_one_that_is_not_usable_is_none(void **state)
{
	struct session s;
	struct err err = { 0 };
	char text[400] = "";

	scene_open(*state, &s);
	scene_run(&s, "hang");
	scene_record(&s, SESSION_UNUSABLE, "{\"not_usable\": \"The cable was off.\"}");
	assert_int_equal(session_load_calibration(&s, &err), RC_OK);
	assert_int_equal(session_calibrated(&s, &err), RC_SAYS_NO);
	scene_says(&err, "Record 1 is not usable: The cable was off.");
	assert_false(session_older_calibration(&s, text, sizeof text));
}

static void a_record_that_is_not_whole_is_refused(void **state)
{
	struct session s;
	struct err err = { 0 };

	scene_open(*state, &s);
	scene_run(&s, "hang");
	scene_record(&s, "calibration", "{\"degree\": 1}");
	assert_int_not_equal(session_load_calibration(&s, &err), RC_OK);
	assert_true(err.what[0] != '\0');
}

/* What was practised on a virtual bench is nothing to the rig in the same folder, nor the reverse; readings that were
 * typed in are of both. */
static void a_bench_and_a_rig_have_calibrations_of_their_own(void **state)
{
	struct session s;
	struct err err = { 0 };
	struct cellcal cal = { .model = CELLCAL_LINE, .degree = 1, .coef = { 0, 3000 }, .max_Nm = 50, .dof = 8 };

	scene_open(*state, &s);
	s.rig.is_virtual = true;
	scene_run(&s, "hang");
	int64_t practised = calibrate(&s, 1000);
	assert_int_equal(session_load_calibration(&s, &err), RC_OK);
	assert_int_equal(s.calibration_id, practised);

	s.rig.is_virtual = false;
	assert_int_equal(session_load_calibration(&s, &err), RC_OK);
	assert_int_equal(session_calibrated(&s, &err), RC_SAYS_NO);
	scene_says(&err,
		   "this rig is not calibrated; run bridle hang first. Calibration 1 was made on a virtual bench.");

	scene_end(&s, "done");
	scene_run(&s, "hang");
	int64_t real = calibrate(&s, 2000);
	scene_record(&s, SESSION_UNUSABLE, "{\"not_usable\": \"nothing hung\"}");
	assert_int_equal(session_load_calibration(&s, &err), RC_OK);
	assert_int_equal(s.calibration_id, real);
	assert_true(s.unusable_id > real);

	s.rig.is_virtual = true;
	s.unusable_id = 0;
	assert_int_equal(session_load_calibration(&s, &err), RC_OK);
	assert_int_equal(s.calibration_id, practised);
	assert_int_equal(s.unusable_id, 0);

	char *json = record_from_cellcal(&cal);
	int64_t typed = 0;
	assert_int_equal(logbook_record(s.logbook, 0, NOON_NS, "calibration", json, &typed, &err), RC_OK);
	free(json);
	for (int i = 0; i < 2; i++) {
		s.rig.is_virtual = i;
		assert_int_equal(session_load_calibration(&s, &err), RC_OK);
		assert_int_equal(s.calibration_id, typed);
	}
}

/* A record without its reason is not usable all the same; tables that cannot be read are told. */
static void what_the_logbook_does_not_tell(void **state)
{
	struct session s;
	struct err err = { 0 };
	char text[400] = "";

	scene_open(*state, &s);
	scene_run(&s, "hang");
	calibrate(&s, 1000);
	scene_record(&s, SESSION_UNUSABLE, "{\"else\": 1}");
	assert_int_equal(session_load_calibration(&s, &err), RC_OK);
	assert_true(session_older_calibration(&s, text, sizeof text));
	assert_non_null(strstr(text, "is not usable:  Calibration"));
	assert_int_equal(book_sql(*state, "DROP TABLE record"), SQLITE_OK);
	assert_int_equal(session_load_calibration(&s, &err), RC_DB);
}

#define ON_A_LOGBOOK(name) cmocka_unit_test_setup_teardown(name, book_set_up, book_tear_down)

int main(void)
{
	const struct CMUnitTest tests[] = {
		ON_A_LOGBOOK(nothing_was_calibrated),
		ON_A_LOGBOOK(the_newest_is_used),
		ON_A_LOGBOOK(a_newer_one_that_is_not_usable_is_told),
		ON_A_LOGBOOK(only_one_that_is_not_usable_is_none),
		ON_A_LOGBOOK(a_bench_and_a_rig_have_calibrations_of_their_own),
		ON_A_LOGBOOK(a_record_that_is_not_whole_is_refused),
		ON_A_LOGBOOK(what_the_logbook_does_not_tell),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
