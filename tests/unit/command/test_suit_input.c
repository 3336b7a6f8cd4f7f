/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/suit.h"

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

#include "near.h"
#include "scratch_file.h"

static enum rc from_table(const char *text, struct joint_duty *ret, struct err *err)
{
	struct mistakes m = { 0 };
	char path[40];
	struct suit_wanted w = { .from = path, .ratio_1 = 1 };

	scratch_file(path, text);
	*ret = (struct joint_duty){ 0 };
	*err = (struct err){ 0 };
	enum rc rc = suit_duty(&w, ret, &m, err);
	unlink(path);
	return rc;
}

static void speed_comes_as_it_is_or_from_angles(void **state)
{
	struct joint_duty d;
	struct err err;

	(void)state;
	assert_int_equal(from_table("time (s),torque (N.m),speed (rpm)\n0,1,10\n1,2,11\n2,3,10\n", &d, &err), RC_OK);
	assert_int_equal(d.n, 3);
	assert_near(d.speed_rpm[1], 11, 0);
	suit_duty_free(&d);
	/* 6 degrees a second are a turn a minute */
	assert_int_equal(from_table("time (s),torque (N.m),angle (deg)\n0,1,0\n1,1,6\n2,1,12\n3,1,18\n4,1,12\n5,1,6\n",
				    &d, &err),
			 RC_OK);
	assert_near(d.speed_rpm[1], 1, 1e-12);
	assert_near(d.speed_rpm[2], 1, 1e-12);
	suit_duty_free(&d);
}

static void the_rotor_counts_by_the_square_of_the_ratio(void **state)
{
	char path[40];
	struct suit_wanted w = { .from = path, .inertia_kgm2 = 2e-5, .ratio_1 = 50 };
	struct joint_duty d = { 0 };
	struct mistakes m = { 0 };
	struct err err = { 0 };
	double acceleration_rad_s2 = 10 * 2 * acos(-1) / 60; /* 10 rpm more each second */

	(void)state;
	scratch_file(
		path,
		"time (s),torque (N.m),speed (rpm)\n0,1,0\n1,1,10\n2,1,20\n3,1,30\n4,1,40\n5,1,30\n6,1,20\n7,1,10\n");
	assert_int_equal(suit_duty(&w, &d, &m, &err), RC_OK);
	unlink(path);
	assert_near(d.torque_Nm[2], 1 + 2e-5 * 50 * 50 * acceleration_rad_s2, 1e-9);
	suit_duty_free(&d);
}

static void each_wrong_table_has_its_sentence(void **state)
{
	static const struct {
		const char *text, *says;
	} cases[] = {
		{ "time (s),torque (N.m)\n0,1\n1,1\n", "expected a column speed (rpm) or angle (deg)" },
		{ "time (s),torque (N.m),angle (deg)\n0,1,0\n0,1,1\n", ":3: the times do not rise" },
		{ "time (s),torque (N.m),angle (deg)\n0,1,0\nnan,1,1\n", "nan" },
		{ "torque (N.m),speed (rpm)\n1,1\n", "no column \"time\"" },
		{ "time (s),torque (MN.m),speed (rpm)\n0,1,10\n1,1e305,11\n2,3,10\n", "1e+305 is too large in N.m" },
		{ "time (s),torque (N.m),angle (deg)\n0,1,-1e308\n1e-300,1,1e308\n2,1,-1e308\n",
		  "row 1 of the cycle has a speed or torque that is too large to calculate with; check the units" },
	};
	struct joint_duty d;
	struct err err;

	(void)state;
	for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
		assert_int_equal(from_table(cases[i].text, &d, &err), RC_ARG);
		if (!strstr(err.what, cases[i].says))
			fail_msg("found \"%s\", expected \"%s\"", err.what, cases[i].says);
		suit_duty_free(&d);
	}
}

static void the_duty_is_given_once(void **state)
{
	const struct suit_wanted both = { .from = "a.csv", .arm = "b.ini" }, neither = { 0 };
	struct joint_duty d = { 0 };
	struct err err = { 0 };

	(void)state;
	assert_int_equal(suit_duty(&both, &d, NULL, &err), RC_ARG);
	assert_int_equal(suit_duty(&neither, &d, NULL, &err), RC_ARG);
	assert_string_equal(err.what, "give the duty once: --from FILE.csv or --arm FILE.ini");
}

#define ARM "mass = 2 kg\ncentre = 300 mm\nto = 90 deg\nspeed = 20 rpm\nacceleration = 5 rad/s2\njerk = 50 rad/s3\n"

static enum rc from_arm(const char *text, struct joint_duty *ret, struct err *err)
{
	char path[40];
	const struct suit_wanted w = { .arm = path, .ratio_1 = 1 };

	scratch_file(path, text);
	*ret = (struct joint_duty){ 0 };
	*err = (struct err){ 0 };
	enum rc rc = suit_duty(&w, ret, NULL, err);
	unlink(path);
	return rc;
}

/* It begins at rest at its first angle: the torque there is that of its weight alone. */
static void an_arm_begins_under_its_own_weight(void **state)
{
	struct joint_duty d;
	struct err err;

	(void)state;
	assert_int_equal(from_arm(ARM "from = 0 deg\n", &d, &err), RC_OK);
	assert_near(d.torque_Nm[0], 2 * 9.80665 * 0.3, 1e-6);
	assert_near(d.speed_rpm[0], 0, 1e-9);
	suit_duty_free(&d);
	assert_int_equal(from_arm(ARM "from = 0 deg\ngravity = 1.62 m/s2\n", &d, &err), RC_OK);
	assert_near(d.torque_Nm[0], 2 * 1.62 * 0.3, 1e-6);
	suit_duty_free(&d);
}

static void each_wrong_arm_has_its_sentence(void **state)
{
	static const struct {
		const char *text, *says;
	} cases[] = {
		{ ARM, ": from (deg) is missing" },
		{ ARM "from = 0 deg\nweight = 2 kg\n", "no key \"weight\"; there are mass, centre" },
		{ ARM "weight = 2 kg\nfrom = 0 deg\n", "no key \"weight\"; there are mass, centre" },
		{ ARM "from = 0 deg\nfrom = 1 deg\n", ": from is given twice" },
		{ ARM "from = 0 m\n", ": from: " },
		{ ARM "from 0 deg\n", ":7: expected \"key = value\"" },
		{ ARM "from = 0 deg\npayload = 1e200 kg\nreach = 1e200 m\n",
		  "too large to calculate with; check the units" },
	};
	const struct suit_wanted none = { .arm = "no-such-file.ini" };
	struct joint_duty d = { 0 };
	struct err err = { 0 };

	(void)state;
	assert_int_equal(suit_duty(&none, &d, NULL, &err), RC_ARG);
	assert_string_equal(err.what, "no-such-file.ini: cannot be opened");
	for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
		assert_int_equal(from_arm(cases[i].text, &d, &err), RC_ARG);
		if (!strstr(err.what, cases[i].says))
			fail_msg("found \"%s\", expected \"%s\"", err.what, cases[i].says);
		suit_duty_free(&d);
	}
}

static void a_model_without_what_it_needs_is_none(void **state)
{
	static const char *const texts[] = {
		"{}",
		"{\"model\": {\"case\": {\"tau_s\": {\"value\": 0, \"u\": 1}}}, \"loss\": {\"unit\": \"W\", "
		"\"per_Nm2\": 1}}",
		"{\"model\": {\"case\": {\"tau_s\": {\"value\": 900, \"u\": 1}, \"resistance_K_per_W\": 1}}, "
		"\"loss\": {\"unit\": \"W\"}}",
	};
	struct err err = { 0 };

	(void)state;
	for (size_t i = 0; i < sizeof texts / sizeof texts[0]; i++) {
		struct suit_thermal t = { 0 };
		json_t *doc = json_loads(texts[i], 0, NULL);
		assert_non_null(doc);
		assert_int_equal(suit_thermal_of(doc, "m.json", &t, &err), RC_ARG);
		assert_string_equal(err.what,
				    "m.json: no thermal model with a torque in it; expected the output of bridle "
				    "hold --json");
		json_decref(doc);
	}
}

static void a_model_of_one_store_is_read_with_its_u(void **state)
{
	static const char text[] = "{\"model\": {\"case\": {\"tau_s\": {\"value\": 900, \"u\": 12}, "
				   "\"resistance_K_per_W\": {\"value\": 1.5, \"u\": 0.1}}}, "
				   "\"loss\": {\"unit\": \"W\", \"fixed\": 4, \"per_Nm2\": 0.1}, \"ambient_degC\": 21}";
	struct suit_thermal t = { 0 };
	struct err err = { 0 };
	json_t *doc = json_loads(text, 0, NULL);

	(void)state;
	assert_int_equal(suit_thermal_of(doc, "m.json", &t, &err), RC_OK);
	json_decref(doc);
	assert_true(t.known && t.watts && !t.model.two);
	assert_near(t.model.tau_s[0], 900, 0);
	assert_near(t.u_tau_s[0], 12, 0);
	assert_near(t.model.resistance_K_per_W[0], 1.5, 0);
	assert_near(t.u_resistance[0], 0.1, 0);
	assert_near(t.ambient_degC, 21, 0);
	assert_true(isnan(t.limit_degC)); /* not told */
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(speed_comes_as_it_is_or_from_angles),
		cmocka_unit_test(the_rotor_counts_by_the_square_of_the_ratio),
		cmocka_unit_test(each_wrong_table_has_its_sentence),
		cmocka_unit_test(the_duty_is_given_once),
		cmocka_unit_test(an_arm_begins_under_its_own_weight),
		cmocka_unit_test(each_wrong_arm_has_its_sentence),
		cmocka_unit_test(a_model_without_what_it_needs_is_none),
		cmocka_unit_test(a_model_of_one_store_is_read_with_its_u),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
