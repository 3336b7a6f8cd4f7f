/* SPDX-License-Identifier: GPL-3.0-or-later */
/* C3 */
#include "command/doubts_tell.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "caught.h"
#include "tests/unit/logbook/session_scene.h"

static struct doubt doubt_of(bool refuses, bool acceptable)
{
	return (struct doubt){ .refuses = refuses,
			       .acceptable = acceptable,
			       .word = "brake_torque",
			       .found = 5,
			       .expected = 50,
			       .text = "the map gives 5 N\u00b7m where 50 N\u00b7m is stated" };
}

static bool refuses(struct logbook *lb, const struct doubt *d, char reason[80])
{
	bool ret = false;

	strcpy(reason, "of before");
	assert_int_equal(doubt_refuses(lb, d, reason, 80, &ret, NULL), RC_OK);
	return ret;
}

static void a_person_s_reason_goes_past_a_refusal(void **state)
{
	struct session s;
	char reason[80];
	struct doubt d = doubt_of(true, true);

	scene_open(*state, &s);
	scene_run(&s, "map");
	assert_true(refuses(NULL, &d, reason));
	assert_true(refuses(s.logbook, &d, reason));
	assert_int_equal(doubt_accept(s.logbook, s.run_id, NOON_NS, &d, "a new lever", NULL), RC_OK);
	assert_false(refuses(s.logbook, &d, reason));
	assert_string_equal(reason, "a new lever");
	assert_true(refuses(NULL, &d, reason));
	assert_string_equal(reason, "");
}

/* The same figures, each within a tenth, of the same check. */
static void an_acceptance_is_for_its_two_figures_alone(void **state)
{
	static const struct {
		const char *word;
		double found, expected;
		bool refuses;
	} rows[] = {
		{ "brake_torque", 5, 50, false },   { "brake_torque", 5.4, 46, false },
		{ "brake_torque", 5.7, 50, true },  { "brake_torque", 4.4, 50, true },
		{ "brake_torque", 5, 56, true },    { "brake_torque", 5, 45, true },
		{ "brake_torque", NAN, 50, true },  { "brake_torque", 5, NAN, true },
		{ "torque_constant", 5, 50, true },
	};
	struct session s;
	char reason[80];
	struct doubt d = doubt_of(true, true);

	scene_open(*state, &s);
	scene_run(&s, "map");
	assert_int_equal(doubt_accept(s.logbook, s.run_id, NOON_NS, &d, "a new lever", NULL), RC_OK);
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		snprintf(d.word, sizeof d.word, "%s", rows[i].word);
		d.found = rows[i].found;
		d.expected = rows[i].expected;
		if (refuses(s.logbook, &d, reason) != rows[i].refuses)
			fail_msg("%s %g %g", d.word, d.found, d.expected);
	}
	d = doubt_of(true, false); /* not for a person to accept */
	assert_true(refuses(s.logbook, &d, reason));
	d = doubt_of(false, true); /* refuses nothing in the first place */
	assert_false(refuses(s.logbook, &d, reason));
	assert_string_equal(reason, "");
}

static void printed(const struct doubt *d, bool refuses, const char *reason, const char *expected)
{
	char text[400];
	struct caught c;

	caught_begin(&c, -1);
	doubt_print(d, refuses, reason);
	caught_end(&c, text, sizeof text);
	assert_string_equal(text, expected);
}

static void each_kind_has_its_word(void **state)
{
	const struct doubt d = doubt_of(true, true);

	(void)state;
	printed(&d, true, "", "Wrong: the map gives 5 N\u00b7m where 50 N\u00b7m is stated.\n");
	printed(&d, false, NULL, "Doubtful: the map gives 5 N\u00b7m where 50 N\u00b7m is stated.\n");
	printed(&d, false, "a new lever",
		"Accepted (a new lever): the map gives 5 N\u00b7m where 50 N\u00b7m is stated.\n");
}

static void programs_read_the_same(void **state)
{
	struct doubt d = doubt_of(true, true);
	json_t *o = doubt_json(&d, true, "");

	(void)state;
	assert_string_equal(json_string_value(json_object_get(o, "check")), "brake_torque");
	assert_true(json_is_true(json_object_get(o, "refuses")));
	assert_true(json_is_null(json_object_get(o, "accepted")));
	assert_true(json_number_value(json_object_get(o, "found")) > 4.9);
	json_decref(o);
	d.found = NAN;
	o = doubt_json(&d, false, "a new lever");
	assert_true(json_is_null(json_object_get(o, "found")));
	assert_true(json_is_false(json_object_get(o, "refuses")));
	assert_string_equal(json_string_value(json_object_get(o, "accepted")), "a new lever");
	json_decref(o);
}

/* 1.2 A of the brake make 50 N·m by rig.ini; 60 N·m of the cell 60000 counts. */
static void a_curve_s_contradictions_are_refusals(void **state)
{
	const struct rig_profile rig = {
		.brake_max_A = 1.2, .brake_rated_Nm = 50, .cell_full_scale_Nm = 60, .cell_full_scale_count = 60000
	};
	const struct actuator_profile actuator = { .gear_ratio = 36 };
	const struct brakemap map = { .max_A = 1.2, .max_Nm = 5 }, fair_map = { .max_A = 1.2, .max_Nm = 49 };
	const struct cellcal cal = { .degree = 1, .coef = { 0, 100 } }, fair = { .degree = 1, .coef = { 0, 1100 } };
	struct curve_point point = { .rotor_rpm = 80, .drive_A = NAN };
	const struct curve none = { .n = 0 }, one = { .n = 1, .points = &point };
	struct doubts d;

	(void)state;
	doubts_of_curve(&none, &rig, &actuator, NULL, NULL, &d);
	assert_int_equal(d.n, 0);
	doubts_of_curve(&none, &rig, &actuator, &fair_map, &fair, &d);
	assert_int_equal(d.n, 0);
	doubts_of_curve(&none, &rig, &actuator, &map, &cal, &d);
	assert_int_equal(d.n, 2);
	assert_string_equal(d.list[0].word, "brake_torque");
	assert_string_equal(d.list[1].word, "cell_span");
	assert_true(d.list[0].refuses && d.list[0].acceptable);
	assert_true(d.list[0].found > 4.9 && d.list[0].found < 5.1 && d.list[0].expected > 49);
	assert_non_null(strstr(d.list[1].text, "6000 counts"));

	point.torque_Nm.value = 20;
	point.speed_rpm.value = 80; /* as fast as the rotor, where a gear of 36 is stated */
	point.input_power_W.value = point.efficiency.value = NAN;
	doubts_of_curve(&one, &rig, &actuator, NULL, NULL, &d);
	assert_int_equal(d.n, 1);
	assert_string_equal(d.list[0].word, "gear_ratio");
	point.rotor_rpm = 80 * 36;
	doubts_of_curve(&one, &rig, &actuator, NULL, NULL, &d);
	assert_int_equal(d.n, 0);
}

#define ON_A_LOGBOOK(name) cmocka_unit_test_setup_teardown(name, book_set_up, book_tear_down)

int main(void)
{
	const struct CMUnitTest tests[] = {
		ON_A_LOGBOOK(a_person_s_reason_goes_past_a_refusal),
		ON_A_LOGBOOK(an_acceptance_is_for_its_two_figures_alone),
		cmocka_unit_test(each_kind_has_its_word),
		cmocka_unit_test(programs_read_the_same),
		cmocka_unit_test(a_curve_s_contradictions_are_refusals),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
