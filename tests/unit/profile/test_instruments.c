/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "profile/profile.h"
#include "channel/channel.h"

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

static void read_instruments(const char *sections, struct rig_profile *ret, struct mistakes *m, enum rc want)
{
	char *head = profile_template(PROFILE_RIG, true), *text = malloc(strlen(head) + strlen(sections) + 1);

	assert_non_null(text);
	strcpy(text, head);
	strcat(text, sections);
	assert_int_equal(profile_parse_rig(text, "rig.ini", ret, m, NULL), want);
	free(text);
	free(head);
}

static void instruments_are_read(void **state)
{
	struct rig_profile rig = { 0 };
	struct mistakes m = { 0 };

	(void)state;
	read_instruments(
		"\n[instrument psu]\nkind = supply\nlink = tcp:localhost:5025\nroles = meter\nperiod = 0.25 s\n"
		"[instrument other]\nkind = supply\nlink = unix:x\nroles = \n",
		&rig, &m, RC_ARG); /* a role must stand there */
	m = (struct mistakes){ 0 };
	read_instruments(
		"\n[instrument psu]\nkind = supply\nlink = tcp:localhost:5025\nroles = meter\nperiod = 0.25 s\n", &rig,
		&m, RC_OK);
	assert_int_equal(rig.n_instruments, 1);
	assert_string_equal(rig.instrument[0].name, "psu");
	assert_string_equal(rig.instrument[0].kind, "supply");
	assert_string_equal(rig.instrument[0].link, "tcp:localhost:5025");
	assert_int_equal(rig.instrument[0].baud, 9600);
	assert_true(rig.instrument[0].roles == ROLE_METER && rig.instrument[0].period_s > 0.249 &&
		    rig.instrument[0].period_s < 0.251);
}

/* All of them at once, each in a sentence of its own. */
static void instruments_that_cannot_be(void **state)
{
	static const char text[] = "\n[instrument a]\nkind = supply\nlink = unix:a\nroles = meter\n"
				   "[instrument b]\nkind = supply\nlink = unix:b\nroles = meter\n"
				   "[instrument c]\nkind = toaster\nlink = unix:c\nroles = meter\n"
				   "[instrument d]\nkind = relay\nlink = unix:d\nroles = power\nopen = 01\nclose = xx\n"
				   "[instrument e]\nkind = supply\nlink = unix:e\nroles = cell\n"
				   "[instrument f]\nkind = supply\nlink = unix:f\nroles = sieve\n"
				   "[instrument a]\nkind = supply\nlink = unix:a\nroles = meter\n"
				   "[instrument two words]\n"
				   "[instrument g]\nkind = supply\nroles = meter\nspeed = 3\n";
	static const char *const told[] = {
		"[instrument b] roles: [instrument a] has the role meter already",
		"[instrument c] kind: found \"toaster\", expected supply",
		"[instrument d] roles: an output of a relay has no lease",
		"[instrument d] close: found \"xx\", expected 1 to 48 bytes",
		"[instrument e] roles: found \"cell\", but a supply cannot",
		"[instrument f] roles: found \"sieve\"",
		"[instrument a]: stands twice",
		"[instrument two words]: expected a name",
		"[instrument g] link: is missing",
		"[instrument g] speed: no such key",
	};
	struct rig_profile rig = { .n_instruments = 77 };
	struct mistakes m = { 0 };

	(void)state;
	read_instruments(text, &rig, &m, RC_ARG);
	for (size_t i = 0; i < sizeof told / sizeof told[0]; i++)
		if (!stands(&m, told[i]))
			fail_msg("not told: %s (%zu mistakes, first %s)", told[i], m.n, m.n ? m.line[0] : "none");
	assert_int_equal(rig.n_instruments, 77); /* nothing is taken of a file with mistakes */
}

/* Two on one line need an address each, and one speed. */
static void instruments_on_one_line(void **state)
{
#define ON_LINE(name, role, more) "[instrument " name "]\nkind = supply\nlink = unix:a\nroles = " role "\n" more
	struct rig_profile rig = { 0 };
	struct mistakes m = { 0 };

	(void)state;
	read_instruments("\n" ON_LINE("a", "voltage", "address = 1\n") ON_LINE("b", "current", "address = 2\n"), &rig,
			 &m, RC_OK);
	assert_true(rig.n_instruments == 2 && rig.n_lines == 1 && rig.instrument[1].line == 0);
	assert_true(rig.instrument[0].roles == ROLE_VOLTAGE && rig.instrument[1].roles == ROLE_CURRENT);
	assert_ptr_equal(instruments_line(&rig, 0), &rig.instrument[0]);
	read_instruments("\n" ON_LINE("a", "meter, power", "address = 1\n"), &rig, &m, RC_ARG);
	assert_true(stands(&m, "[instrument a] address: does not go with an output"));
	m = (struct mistakes){ 0 };
	read_instruments("\n" ON_LINE("a", "voltage", "address = 1\n") ON_LINE("b", "current", ""), &rig, &m, RC_ARG);
	assert_true(stands(&m, "[instrument b] address: [instrument a] has the same link"));
	m = (struct mistakes){ 0 };
	read_instruments("\n" ON_LINE("a", "voltage", "address = 2\n") ON_LINE("b", "current", "address = 2\n"), &rig,
			 &m, RC_ARG);
	assert_true(stands(&m, "[instrument b] address: [instrument a] has the same link"));
	m = (struct mistakes){ 0 };
	read_instruments("\n" ON_LINE("a", "voltage", "address = 1\n")
				 ON_LINE("b", "meter", "address = 2\nbaud = 19200\n"),
			 &rig, &m, RC_ARG);
	assert_true(stands(&m, "[instrument b] baud: found 19200, but [instrument a] on the same link has 9600"));
	assert_true(stands(&m, "[instrument a] has the role voltage already"));
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(instruments_are_read),
		cmocka_unit_test(instruments_that_cannot_be),
		cmocka_unit_test(instruments_on_one_line),
	};

	return cmocka_run_group_tests(tests, NULL, drop_units);
}
