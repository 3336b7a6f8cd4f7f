/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The kinds of instruments stand in three places: what a profile takes, what is opened, what the template explains. */
#include "instrument/kinds.h"
#include "profile/profile.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

static char *template_rig(void)
{
	char *text = profile_template(PROFILE_RIG, true);

	assert_non_null(text);
	return text;
}

/* The reader's own list, "supply, relay or ...", by the sentence on a kind that is none. */
static void kinds_of_profile(char *ret, size_t size)
{
	static const char none[] = "\n[instrument x]\nkind = none-such\nlink = unix:x\nroles = meter\n";
	char *rig_text = template_rig(), *text = malloc(strlen(rig_text) + sizeof none);
	struct mistakes m = { 0 };
	struct rig_profile rig;
	struct err err;

	assert_non_null(text);
	strcpy(text, rig_text);
	strcat(text, none);
	assert_int_equal(profile_parse_rig(text, "rig.ini", &rig, &m, &err), RC_ARG);
	for (size_t i = 0; i < m.n; i++) {
		const char *list = strstr(m.line[i], "found \"none-such\", expected ");
		if (list)
			snprintf(ret, size, "%s", list + strlen("found \"none-such\", expected "));
	}
	free(text);
	free(rig_text);
}

static void each_kind_that_a_profile_takes_can_be_opened(void **state)
{
	char list[300] = "", *save = NULL;
	size_t n = 0;

	(void)state;
	kinds_of_profile(list, sizeof list);
	for (char *word = strtok_r(list, ", ", &save); word; word = strtok_r(NULL, ", ", &save)) {
		bool found = strcmp(word, "or") == 0;
		n += !found;
		for (size_t i = 0; i < instrument_kinds_n; i++)
			found |= strcmp(word, instrument_kinds[i].word) == 0;
		if (!found)
			fail_msg("\"%s\" of rig/profile/instruments.c is not in rig/instrument/kinds.c", word);
	}
	assert_int_equal(n, instrument_kinds_n);
}

static void the_template_explains_each_kind(void **state)
{
	char *text = template_rig(), word[64];

	(void)state;
	for (size_t i = 0; i < instrument_kinds_n; i++) {
		snprintf(word, sizeof word, "%s:", instrument_kinds[i].word);
		if (!strstr(text, word))
			fail_msg("the meaning of kind in rig/profile/keys_rig.c has no \"%s\"", word);
	}
	free(text);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(each_kind_that_a_profile_takes_can_be_opened),
		cmocka_unit_test(the_template_explains_each_kind),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
