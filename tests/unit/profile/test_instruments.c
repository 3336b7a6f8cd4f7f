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

#define CANOPEN "kind = canopen-drive\nlink = can:can0\nroles = drive\nperiod = 20 ms\nlease = 0.3 s\n"

static void a_canopen_drive_is_read(void **state)
{
	struct rig_profile rig = { 0 };
	struct mistakes m = { 0 };

	(void)state;
	read_instruments("\n[instrument m]\n" CANOPEN "node_id = 5\ntorque_mode = 10\nrated_torque = 320 mN.m\n"
			 "reset_fault = 0x8130\ntelemetry = sdo\n",
			 &rig, &m, RC_OK);
	const struct instrument_profile *p = &rig.instrument[0];
	assert_int_equal(p->node_id, 5);
	assert_int_equal(p->host_id, 127);
	assert_int_equal(p->velocity_mode, 1);
	assert_int_equal(p->torque_mode, 2);
	assert_int_equal(p->telemetry, TELEMETRY_SDO);
	assert_int_equal(p->reset_fault_code, 0x8130);
	assert_true(fabs(p->rated_torque_Nm - 0.32) < 1e-12);
	/* in torque mode alone, by counts, with a temperature, its code in the other spelling */
	m = (struct mistakes){ 0 };
	read_instruments("\n[instrument m]\n" CANOPEN "node_id = 5\nvelocity_mode = none\ntorque_mode = 4\n"
			 "rated_torque = 320 mN.m\nencoder_counts = 4096\ntemperature_object = 0x2031:1 scale 0.1\n"
			 "reset_fault = 8130h\n",
			 &rig, &m, RC_OK);
	p = &rig.instrument[0];
	assert_int_equal(p->velocity_mode, 0);
	assert_int_equal(p->reset_fault_code, 0x8130);
	assert_true(fabs(p->encoder_counts - 4096) < 1e-9);
	m = (struct mistakes){ 0 };
	read_instruments("\n[instrument m]\n" CANOPEN "node_id = 5\nspeed_unit = 0.1 rpm\n", &rig, &m, RC_OK);
	assert_true(fabs(rig.instrument[0].unit_rpm - 0.1) < 1e-12);
}

static void canopen_drives_that_cannot_be(void **state)
{
	static const struct {
		const char *keys, *words;
	} rows[] = {
		{ "", "node_id: is missing" },
		{ "node_id = 127\n", "host_id: found 127, which is the drive's own number" },
		{ "node_id = 5\nvelocity_mode = none\n", "a drive needs one of the two" },
		{ "node_id = 5\ntorque_mode = 4\n", "rated_torque: is missing" },
		{ "node_id = 5\ntorque_mode = 4\nrated_torque = 320 mN.m\nside = output\n", "side: found output" },
		{ "node_id = 5\nencoder_counts = 4096\nspeed_unit = 1 rpm\n",
		  "speed_unit: stands beside encoder_counts" },
		{ "node_id = 5\ntemperature_object = 2031h:1\n", "temperature_object: found \"2031h:1\"" },
		{ "node_id = 5\nreset_fault = all\n", "reset_fault: found \"all\"" },
		{ "node_id = 5\nreset_fault = -1\n", "reset_fault: found \"-1\"" },
		{ "node_id = 5\nreset_fault = 8130k\n", "reset_fault: found \"8130k\"" },
		{ "node_id = 5\nreset_fault = 18130h\n", "reset_fault: found \"18130h\"" },
		{ "node_id = 5\nreset_fault = 0\n", "reset_fault: found \"0\"" },
		{ "node_id = 5\nbit_rate = 400000\n", "bit_rate: found 400000" },
		{ "node_id = 5\nlease = 0 s\n", "has no lease" },
		{ "node_id = 5\ntelemetry = sdo\n[tether]\nrate = 20 Hz\n", "a round of 6 takes 0.3 s" },
		{ "node_id = 5\ntelemetry = sdo\n[tether]\nrate = 23.9 Hz\n", "or a [tether] rate of 24 Hz" },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct rig_profile rig = { 0 };
		struct mistakes m = { 0 };
		char text[400];

		snprintf(text, sizeof text, "\n[instrument m]\n" CANOPEN "%s", rows[i].keys);
		if (strstr(rows[i].keys, "lease"))
			*strstr(text, "lease = 0.3 s") = '#'; /* a comment */
		read_instruments(text, &rig, &m, RC_ARG);
		if (!stands(&m, rows[i].words))
			fail_msg("not told: %s (first %s)", rows[i].words, m.n ? m.line[0] : "none");
	}
	/* six questions in a quarter of a second: 24 ticks a second are enough (that the rate stands twice is told) */
	struct rig_profile rig = { 0 };
	struct mistakes m = { 0 };
	read_instruments("\n[instrument m]\n" CANOPEN "node_id = 5\ntelemetry = sdo\n"
			 "[tether]\nrate = 24 Hz\n",
			 &rig, &m, RC_ARG);
	assert_false(stands(&m, "a round of 6"));
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
		cmocka_unit_test(instruments_are_read),          cmocka_unit_test(a_canopen_drive_is_read),
		cmocka_unit_test(canopen_drives_that_cannot_be), cmocka_unit_test(instruments_that_cannot_be),
		cmocka_unit_test(instruments_on_one_line),
	};

	return cmocka_run_group_tests(tests, NULL, drop_units);
}
