/* SPDX-License-Identifier: GPL-3.0-or-later */
/* C2 */
#include "command/ready_record.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <time.h>

#include <cmocka.h>

#include "tests/unit/logbook/session_scene.h"

static const size_t two_speeds[PROFILE_SPEEDS] = { 7, 5 };

/* A rig that was found ready by run 2, at noon, on calibration 1 and map 3 (2 and 4 are there too). */
static void found_ready(struct book *b, struct session *s)
{
	json_t *doc = json_object();

	scene_open(b, s);
	snprintf(s->plan_name, sizeof s->plan_name, "gentle");
	s->plan.n_speeds = 2;
	scene_run(s, "map");
	for (int i = 0; i < 4; i++)
		scene_record(s, i < 2 ? "calibration" : "map", "{}");
	scene_end(s, "done");
	s->calibration_id = 1;
	s->map_id = 3;
	scene_run(s, "ready");
	ready_record_fill(doc, s, scene_wall(NULL).ns, 12, two_speeds);
	char *json = json_dumps(doc, JSON_COMPACT);
	scene_record(s, "ready", json);
	free(json);
	json_decref(doc);
	scene_end(s, "done");
}

static enum rc check(struct session *s, size_t *allowed, struct err *err)
{
	int64_t id = 0;

	*err = (struct err){ 0 };
	return ready_record_check(s, scene_wall(NULL).ns, allowed, &id, err);
}

static void a_rig_that_was_found_ready_is_ready(void **state)
{
	struct session s;
	size_t allowed[PROFILE_SPEEDS] = { 0 };
	struct err err;

	found_ready(*state, &s);
	scene_s = 11 * 3600; /* the same day, 23:00 */
	scene_run(&s, "sweep");
	assert_int_equal(check(&s, allowed, &err), RC_OK);
	assert_int_equal(allowed[0], 7);
	assert_int_equal(allowed[1], 5);
}

/* What else may be different: one at a time. */
enum other {
	OTHER_PLAN,
	OTHER_DAY,
	OTHER_RIG_TEXT,
	OTHER_ACTUATOR_TEXT,
	OTHER_PLAN_TEXT,
	MOVED_TEXT,
	OTHER_CALIBRATION,
	OTHER_MAP,
	LATER_READY,
	LATER_HANG
};

static void make_other(struct session *s, enum other other)
{
	static char more[] = "rig\nmore\n", rig_and[] = "rig\nactuator\n", none[] = "";

	if (other == OTHER_PLAN)
		snprintf(s->plan_name, sizeof s->plan_name, "steep");
	else if (other == OTHER_DAY)
		scene_s = 12 * 3600; /* midnight */
	else if (other == OTHER_RIG_TEXT)
		s->rig_text = more;
	else if (other == OTHER_ACTUATOR_TEXT)
		s->actuator_text = more;
	else if (other == OTHER_PLAN_TEXT)
		s->plan_text = more;
	else if (other == MOVED_TEXT)
		s->rig_text = rig_and, s->actuator_text = none;
	else if (other == OTHER_CALIBRATION)
		s->calibration_id = 2;
	else if (other == OTHER_MAP)
		s->map_id = 4;
	else
		scene_run(s, other == LATER_READY ? "ready" : "hang");
}

static void what_is_different_asks_anew(void **state)
{
	static const struct {
		enum other other;
		const char *says;
	} rows[] = {
		{ OTHER_PLAN, "was for another plan; run bridle ready steep" },
		{ OTHER_DAY, "not found ready today; run bridle ready gentle" },
		{ OTHER_RIG_TEXT, "file changed since" },
		{ OTHER_ACTUATOR_TEXT, "file changed since" },
		{ OTHER_PLAN_TEXT, "file changed since" },
		{ MOVED_TEXT, "file changed since" },
		{ OTHER_CALIBRATION, "newer calibration or map" },
		{ OTHER_MAP, "newer calibration or map" },
		{ LATER_READY, "the last bridle ready refused" },
		{ LATER_HANG, "weights were hung since" },
	};
	struct book *b = *state;

	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct session s;
		size_t allowed[PROFILE_SPEEDS] = { 99 };
		struct err err;

		found_ready(b, &s);
		make_other(&s, rows[i].other);
		assert_int_equal(check(&s, allowed, &err), RC_SAYS_NO);
		scene_says(&err, rows[i].says);
		assert_int_equal(allowed[0], 99);
		logbook_close(b->lb);
		book_remove(b);
		b->lb = NULL;
	}
}

static void without_a_record_the_rig_is_not_checked(void **state)
{
	struct session s;
	size_t allowed[PROFILE_SPEEDS];
	struct err err;

	scene_open(*state, &s);
	snprintf(s.plan_name, sizeof s.plan_name, "gentle");
	assert_int_equal(check(&s, allowed, &err), RC_SAYS_NO);
	scene_says(&err, "not checked yet; run bridle ready gentle");
	scene_run(&s, "ready");
	scene_record(&s, "ready", "{\"plan\": ");
	assert_int_equal(check(&s, allowed, &err), RC_DB);
	scene_says(&err, "cannot be read");
}

/* An older version kept one number for the whole plan. */
static void an_older_record_has_one_number_for_every_speed(void **state)
{
	struct session s;
	size_t allowed[PROFILE_SPEEDS] = { 0 };
	json_t *doc = json_object();
	struct err err;

	found_ready(*state, &s);
	scene_run(&s, "ready");
	ready_record_fill(doc, &s, scene_wall(NULL).ns, 12, two_speeds);
	json_object_del(doc, "steps_allowed_at");
	char *json = json_dumps(doc, JSON_COMPACT);
	scene_record(&s, "ready", json);
	free(json);
	json_decref(doc);
	assert_int_equal(check(&s, allowed, &err), RC_OK);
	for (size_t k = 0; k < PROFILE_SPEEDS; k++)
		assert_int_equal(allowed[k], 12);
}

/* Nine hours east of Greenwich the day ends at 15:00 UTC. */
static void the_day_is_the_one_at_the_rig(void **state)
{
	struct session s;
	size_t allowed[PROFILE_SPEEDS];
	struct err err;

	assert_int_equal(setenv("TZ", "EAST-9", 1), 0);
	tzset();
	found_ready(*state, &s);
	scene_s = 3 * 3600 - 1;
	assert_int_equal(check(&s, allowed, &err), RC_OK);
	scene_s = 3 * 3600;
	assert_int_equal(check(&s, allowed, &err), RC_SAYS_NO);
	scene_says(&err, "today");
	assert_int_equal(setenv("TZ", "UTC", 1), 0);
	tzset();
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test_setup_teardown(a_rig_that_was_found_ready_is_ready, book_set_up, book_tear_down),
		cmocka_unit_test_setup_teardown(what_is_different_asks_anew, book_set_up, book_tear_down),
		cmocka_unit_test_setup_teardown(without_a_record_the_rig_is_not_checked, book_set_up, book_tear_down),
		cmocka_unit_test_setup_teardown(an_older_record_has_one_number_for_every_speed, book_set_up,
						book_tear_down),
		cmocka_unit_test_setup_teardown(the_day_is_the_one_at_the_rig, book_set_up, book_tear_down),
	};

	setenv("TZ", "UTC", 1);
	tzset();
	return cmocka_run_group_tests(tests, NULL, NULL);
}
