/* SPDX-License-Identifier: GPL-3.0-or-later */
/* I19: what a person at the shaft is told of drive and contactor, by what was seen and how long ago. */
#include "live/live_person.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>

#define STALE_S 2.0
#define UNSENSED "This node does not sense the contactor."

/* age_s: of the node's state, the drive's data, the contactor's line; INFINITY: never told. */
static void says(unsigned lines, double state_s, double drive_s, double contactor_s, bool closed, unsigned flags,
		 const char *expected)
{
	static struct session s;
	static struct guard_limits limits;
	struct live_person p = { .s = &s, .limits = &limits, .snap = snapshot_blank() };
	const struct {
		enum channel_id channel;
		double age_s;
	} told[] = { { CHANNEL_STATE, state_s }, { CHANNEL_DRIVE, drive_s }, { CHANNEL_CONTACTOR, contactor_s } };
	char text[160];

	s.instrument[0] = (struct instrument){ .roles = ROLE_DRIVE | ROLE_LINES, .lines = lines };
	s.n_instruments = 1;
	for (int i = 0; i < CHANNEL_COUNT; i++)
		limits.stale_s[i] = STALE_S;
	for (size_t i = 0; i < sizeof told / sizeof told[0]; i++) {
		p.snap.channel[told[i].channel].age_s = told[i].age_s;
		p.snap.channel[told[i].channel].fresh = told[i].age_s < INFINITY;
	}
	p.snap.contactor_closed = closed;
	p.snap.drive_flags = flags;
	live_person_words(&p, text, sizeof text);
	assert_string_equal(text, expected);
}

static void what_is_told_and_young_is_said(void **state)
{
	(void)state;
	says(LINE_CONTACTOR, 0.1, 0.1, 0.1, false, 0, "Drive off, contactor open.");
	says(LINE_CONTACTOR, 0.1, INFINITY, 0.1, false, 0, "Drive off, contactor open."); /* by no power */
	says(LINE_CONTACTOR, 0.1, 0.1, 0.1, true, 0, "HANDS OFF. The contactor is closed.");
	says(0, 0.1, 0.1, INFINITY, false, 0, "Drive off. " UNSENSED);
	says(0, 0.1, 0.1, INFINITY, false, DRIVE_ENABLED, UNSENSED);
	says(0, 0.1, 0.1, INFINITY, false, DRIVE_UNHEARD, UNSENSED);
}

static void what_is_old_or_was_never_told_is_not(void **state)
{
	static const char look[] =
		"The node sends no state of drive and contactor. Look at both yourself before you touch "
		"the shaft.";
	static const char nothing[] =
		"Nothing tells the state of the contactor. Look at it yourself before you touch the shaft.";
	static const char off[] =
		"Drive off. Nothing tells the state of the contactor. Look at it yourself before you touch "
		"the shaft.";

	(void)state;
	says(LINE_CONTACTOR, INFINITY, 0.1, 0.1, false, 0, look);
	says(LINE_CONTACTOR, STALE_S + 0.1, 0.1, 0.1, false, 0, look);
	says(LINE_CONTACTOR, 0.1, 0.1, INFINITY, false, 0, off);
	says(LINE_CONTACTOR, 0.1, 0.1, STALE_S + 0.1, false, 0, off);
	says(LINE_CONTACTOR, 0.1, 0.1, STALE_S + 0.1, true, DRIVE_ENABLED, nothing);
	says(0, 0.1, INFINITY, INFINITY, false, 0, UNSENSED);
	says(0, 0.1, STALE_S + 0.1, INFINITY, false, 0, UNSENSED);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(what_is_told_and_young_is_said),
		cmocka_unit_test(what_is_old_or_was_never_told_is_not),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
