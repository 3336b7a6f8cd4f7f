/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The templates: what the owner knows starts empty, every key reads. */
#include "profile/profile.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

#include "profile_scene.h"

static void templates_read_without_mistakes(void **state)
{
	(void)state;
	for (int which = PROFILE_RIG; which <= PROFILE_WEIGHTS; which++) {
		char *text = profile_template((enum profile_file)which, true);
		struct mistakes m = { 0 };
		struct err err = { 0 };
		assert_non_null(text);
		if (parse((enum profile_file)which, text, &m, &err) != RC_OK)
			fail_msg("template %d: %s: %s", which, err.what, m.line[0]);
		free(text);
	}
}

/* No figure of an invented rig can get into a result unread: every one has to be given. */
static void what_is_the_owners_starts_empty(void **state)
{
	static const struct {
		enum profile_file which;
		const char *asked;
	} rows[] = {
		{ PROFILE_RIG, "[arm] length: is empty; expected a length" },
		{ PROFILE_RIG, "[brake] torque: is empty" },
		{ PROFILE_RIG, "[cell] full_scale: is empty" },
		{ PROFILE_RIG, "[cell] zero_drift: is empty" },
		{ PROFILE_RIG, "[brake] drag_ratio: is empty" },
		{ PROFILE_ACTUATOR, "[actuator] ratio: is empty" },
		{ PROFILE_ACTUATOR, "[limits] torque: is empty" },
		{ PROFILE_PLAN, "[steps] torque: is empty" },
		{ PROFILE_WEIGHTS, "[hanger] mass: found \"\"" },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		char *text = profile_template(rows[i].which, false);
		struct mistakes m = { 0 };
		assert_non_null(text);
		assert_int_equal(parse(rows[i].which, text, &m, NULL), RC_ARG);
		if (!stands(&m, rows[i].asked))
			fail_msg("not asked for: %s (%zu mistakes, first %s)", rows[i].asked, m.n,
				 m.n ? m.line[0] : "none");
		free(text);
	}
}

/* The head and its keys together. */
static void whole_section(char *text, char *head)
{
	struct mistakes m = { 0 };

	for (char *at = head; (at = strstr(at, "\n#")); at++)
		if (at[2] != ' ')
			at[1] = ' ';
	if (parse(PROFILE_PLAN, text, &m, NULL) != RC_OK)
		fail_msg("%s", m.line[0]);
}

/* Every key of a template that stands as a comment is taken too, one at a time. */
static void commented_keys_of_templates_read_without_mistakes(void **state)
{
	int tried = 0;

	(void)state;
	for (int which = PROFILE_RIG; which <= PROFILE_PLAN; which++) {
		char *text = profile_template((enum profile_file)which, true),
		     *named = strstr(text, "\n#[instrument NAME]");
		/* sections of their own: their keys go only with their heads */
		char *after = named ? strstr(named, "\n#[virtual]") : NULL, *alone = strstr(text, "\n#[endurance]");
		for (char *at = text; (at = strstr(at, "\n#")); at++) {
			if ((named && at > named && at < after) || (alone && at > alone))
				continue;
			if (at[2] == ' ' || at[2] == '[' || strncmp(at, "\n#control", 9) == 0 ||
			    strncmp(at, "\n#current = 0,", 14) == 0 || strncmp(at, "\n#current = 8 A", 15) == 0)
				continue; /* words; and keys that only go with another choice */
			at[1] = ' ';
			struct mistakes m = { 0 };
			if (parse((enum profile_file)which, text, &m, NULL) != RC_OK)
				fail_msg("%.40s: %s", at, m.line[0]);
			at[1] = '#';
			tried++;
		}
		if (alone)
			whole_section(text, alone);
		free(text);
	}
	assert_true(tried > 25);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(templates_read_without_mistakes),
		cmocka_unit_test(what_is_the_owners_starts_empty),
		cmocka_unit_test(commented_keys_of_templates_read_without_mistakes),
	};

	return cmocka_run_group_tests(tests, NULL, drop_units);
}
