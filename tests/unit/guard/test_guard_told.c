/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What a stop tells: what it saw and what it did not, and in which words (I16, I17). */
#include "tests/unit/guard/guard_scene.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

#include <cmocka.h>

/* S1: what the stop did not see is told, one by one. */
static void a_stop_tells_what_it_did_not_see(void **state)
{
	static const struct {
		const char *name;
		bool welded, deaf, lost;
		double torque_Nm;
		unsigned missing;
		enum guard_release release;
		int ticks;
	} rows[] = {
		{ "good order", false, false, false, 0, 0, GUARD_IN_ORDER, 60 },
		{ "welded", true, false, false, 0, GUARD_CONTACTOR, GUARD_TIME, 801 },
		{ "welded and deaf", true, true, false, 8, GUARD_CONTACTOR | GUARD_DRIVE | GUARD_TURNS, GUARD_TOO_LONG,
		  60001 },
		{ "welded, deaf, hot", true, true, false, 20, GUARD_CONTACTOR | GUARD_DRIVE | GUARD_TURNS, GUARD_HEAT,
		  2300 },
		{ "node lost", false, false, true, 0, GUARD_NO_DATA | GUARD_CONTACTOR | GUARD_DRIVE | GUARD_STANDSTILL,
		  GUARD_HEAT_UNKNOWN, 801 },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct scene s;
		char text[400];
		int ticks = 0;

		scene_running(&s);
		s.snap.operator_stop = true;
		for (; !s.verdict.stopped && ticks < 70000; ticks++) {
			scene_obey(&s);
			s.snap.speed_rpm = rows[i].deaf ? 90 : fmax(0, 60 - 3 * ticks);
			s.snap.torque_Nm = rows[i].torque_Nm;
			s.snap.node_lost = rows[i].lost;
			s.snap.contactor_closed |= rows[i].welded;
			s.snap.drive_flags = rows[i].deaf ? DRIVE_ENABLED : 0;
			scene_judge(&s);
			assert_true(s.verdict.allowed.mode == DRIVE_OFF && !s.verdict.allowed.power);
			if (!s.verdict.stopped)
				assert_true(s.verdict.allowed.brake_A >= 0.5);
		}
		if (s.verdict.missing != rows[i].missing || s.verdict.release != rows[i].release ||
		    ticks > rows[i].ticks)
			fail_msg("%s: missing %x, release %d after %d ticks", rows[i].name, s.verdict.missing,
				 (int)s.verdict.release, ticks);
		guard_end_message(&s.verdict, text, sizeof text);
		assert_int_equal(strncmp(text, "NOT SAFE", 8) == 0, rows[i].missing != 0);
		guard_hold_message(&s.verdict, text, sizeof text);
		assert_non_null(strstr(text, "emergency stop"));
	}
}

/* It has room where the loop keeps it (struct loop_result). */
static void the_longest_end_is_told_whole(void **state)
{
	const struct guard_verdict worst = { .cause = CAUSE_ESTOP,
					     .stopped = true,
					     .energised = true,
					     .sensed = true,
					     .missing =
						     GUARD_NO_DATA | GUARD_CONTACTOR | GUARD_DRIVE | GUARD_STANDSTILL,
					     .release = GUARD_HEAT_UNKNOWN };
	char text[400];

	(void)state;
	guard_end_message(&worst, text, sizeof text);
	assert_string_equal(strstr(text, "The shaft may now"), "The shaft may now be driven without a load.");
}

/* I16: a contact that opens at last, long after the longest hold, ends the stop in order, and that is what is told. */
static void what_is_put_right_late_ends_in_order(void **state)
{
	struct scene s;
	char text[400];
	int ticks = 0;

	(void)state;
	scene_running(&s);
	s.snap.operator_stop = true;
	for (; !s.verdict.stopped && ticks < 3000; ticks++) {
		scene_obey(&s);
		s.snap.speed_rpm = fmax(0, 60 - 3 * ticks);
		s.snap.torque_Nm = 0;
		s.snap.contactor_closed = ticks < 1000;
		s.snap.drive_flags = ticks < 1000 ? DRIVE_ENABLED : 0;
		scene_judge(&s);
	}
	assert_in_range(ticks, 1001, 1002);
	assert_int_equal(s.verdict.release, GUARD_IN_ORDER);
	guard_end_message(&s.verdict, text, sizeof text);
	assert_string_equal(text, "Drive off, contactor open, shaft standing, brake released.");
}

/* I16: lines on a chip beside the node (instrument 1). What another instrument sees stays seen when the chip is silent,
 * and what only the chip saw does not; the silence of the node takes nothing from the chip's contactor. */
static void a_silence_takes_only_what_it_told(void **state)
{
	static const struct {
		const char *name;
		enum channel_id silent;
		bool of_node; /* the contactor is */
		bool lost;    /* the node is silent too */
		unsigned missing;
	} rows[] = {
		{ "stop button's chip", CHANNEL_ESTOP, true, false, 0 },
		{ "contactor's chip", CHANNEL_CONTACTOR, false, false, GUARD_CONTACTOR },
		{ "node, contactor on a chip", CHANNEL_COUNT, false, true, GUARD_NO_DATA | GUARD_STANDSTILL },
		{ "node with the contactor", CHANNEL_COUNT, true, true,
		  GUARD_NO_DATA | GUARD_CONTACTOR | GUARD_DRIVE | GUARD_STANDSTILL },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct scene s;

		scene_running(&s);
		s.snap.channel[CHANNEL_ESTOP].instrument = 1;
		s.snap.channel[CHANNEL_CONTACTOR].instrument = rows[i].of_node ? 0 : 1;
		s.snap.operator_stop = !rows[i].lost;
		for (int ticks = 0; !s.verdict.stopped && ticks < 70000; ticks++) {
			scene_obey(&s);
			s.snap.speed_rpm = fmax(0, 60 - 3 * ticks);
			s.snap.node_lost = rows[i].lost;
			s.snap.drive_flags = 0;
			if (rows[i].silent < CHANNEL_COUNT)
				s.snap.channel[rows[i].silent].age_s = 9;
			scene_judge(&s);
		}
		if (s.verdict.missing != rows[i].missing)
			fail_msg("%s: missing %x", rows[i].name, s.verdict.missing);
	}
}

/* I16: the contactor was told to close, and what came of it was lost on a bad line: what is known of it is from
 * before, open and young enough. It is seen open only when it is read again, a while after the command to open. */
static void a_contact_is_not_seen_open_by_what_was_read_before_it_closed(void **state)
{
	struct scene s;

	(void)state;
	scene_begin(&s);
	s.want.power = true;
	for (int ticks = 1; ticks <= 100; ticks++) {
		scene_obey(&s);
		s.snap.contactor_closed = false;
		s.snap.channel[CHANNEL_CONTACTOR].age_s = 0.01 * ticks;
		scene_judge(&s);
		assert_false(s.verdict.stopped);
	}
	assert_int_equal(s.verdict.cause, CAUSE_CONTACTOR); /* it did not follow for 0.3 s */
	assert_int_equal(s.verdict.missing, GUARD_CONTACTOR);
	for (int ticks = 0; ticks < 40; ticks++) {
		scene_obey(&s);
		scene_judge(&s);
		assert_false(s.verdict.stopped);
	}
	for (int ticks = 0; ticks < 40 && !s.verdict.stopped; ticks++) {
		scene_obey(&s);
		s.snap.channel[CHANNEL_CONTACTOR].age_s = 0.005;
		scene_judge(&s);
	}
	assert_true(s.verdict.stopped);
	assert_int_equal(s.verdict.missing, 0);
}

/* I17: only the contactor was closed (a stop rehearsal), and something turns the shaft: it is held beyond 8 s, for as
 * long as heat allows (as above: 20 s from 2000 J at 100 W too many), and no word says that it stands. One that
 * stops before is let go in order. */
static void a_shaft_that_nothing_loaded_is_not_said_to_stand(void **state)
{
	static const int for_s[] = { 0, 5, 40 };

	(void)state;
	for (size_t row = 0; row < sizeof for_s / sizeof for_s[0]; row++) {
		int turns_s = for_s[row];
		struct scene s;
		char text[400];
		int ticks = 0;
		bool turns = turns_s > 20;

		scene_begin(&s);
		s.limits.expect_direction = 0;
		s.want.power = true;
		scene_run_s(&s, 2);
		assert_true(s.guard.energised && !s.guard.loaded);
		s.snap.operator_stop = true;
		for (; !s.verdict.stopped && ticks < 5000; ticks++) {
			scene_obey(&s);
			s.snap.speed_rpm = ticks < 100 * turns_s ? 95.493 : 0;
			s.snap.torque_Nm = ticks < 100 * turns_s ? 20 : 0;
			scene_judge(&s);
			if (ticks < 100 * turns_s && !s.verdict.stopped)
				assert_true(s.verdict.allowed.brake_A >= 0.4 && (s.verdict.missing & GUARD_TURNS));
		}
		assert_in_range(ticks, turns ? 1900 : 100 * turns_s, turns ? 2010 : 100 * turns_s + 70);
		assert_int_equal(s.verdict.missing, turns ? GUARD_TURNS : 0);
		assert_int_equal(s.verdict.release, turns ? GUARD_HEAT : GUARD_IN_ORDER);
		guard_end_message(&s.verdict, text, sizeof text);
		assert_int_equal(strstr(text, "shaft standing") != NULL, !turns);
		assert_int_equal(strstr(text, "NOT SAFE: the shaft still turns") != NULL, turns);
	}
}

/* I16, I19: with a person at the shaft something that nobody commanded is active. It is still so when the stop ends:
 * not safe. It is over by then: no word says that nothing was energised. */
static void what_nobody_commanded_is_told(void **state)
{
	static const struct {
		const char *name;
		double rotor_rpm;
		unsigned flags;
		enum node_state node;
		bool closed, over;
		unsigned missing;
	} rows[] = {
		{ "rotor turns", 2160, 0, NODE_IDLE, false, false, GUARD_DRIVE },
		{ "drive enabled", 0, DRIVE_ENABLED, NODE_IDLE, false, false, GUARD_DRIVE },
		{ "node drives an output", 0, 0, NODE_LIVE, false, false, GUARD_DRIVE },
		{ "contactor closed", 0, 0, NODE_IDLE, true, false, GUARD_CONTACTOR },
		{ "contactor closed for a while", 0, 0, NODE_IDLE, true, true, 0 },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct scene s;
		char text[400];

		scene_begin(&s);
		s.limits.at_rest = true;
		for (int tick = 0; tick < 100 && s.verdict.cause == CAUSE_NONE; tick++) {
			scene_obey(&s);
			s.snap.drive_rotor_rpm = rows[i].rotor_rpm;
			s.snap.drive_flags = rows[i].flags;
			s.snap.node_state = rows[i].node;
			s.snap.contactor_closed = rows[i].closed;
			scene_judge(&s);
		}
		if (rows[i].over) /* it opened on the very tick that found it */
			s.verdict.missing = 0;
		guard_end_message(&s.verdict, text, sizeof text);
		if (s.verdict.missing != rows[i].missing || strstr(text, "Nothing was energised") ||
		    (strncmp(text, "NOT SAFE", 8) == 0) != (rows[i].missing != 0))
			fail_msg("%s: missing %#x, \"%s\"", rows[i].name, s.verdict.missing, text);
	}
}

/* Of the longest sentence. */
static int most_words(const char *text)
{
	int most = 0, words = 0;

	for (const char *c = text; *c; c++) {
		words += *c != ' ' && (c == text || c[-1] == ' ');
		most = words > most ? words : most;
		if (*c == '.')
			words = 0;
	}
	return most;
}

/* DEVELOPERS.md, "Words for people": 20 words a sentence at most, whatever is missing. */
static void what_is_missing_is_told_in_short_sentences(void **state)
{
	static const char *const words[] = { "he node sends no data. ", "he contactor was not seen open. ",
					     "he drive was not seen off. ", "he shaft still turns. ",
					     "he shaft was not seen to stand. " }; /* bit by bit */

	(void)state;
	assert_int_equal(most_words("One two. One two three. One"), 3);
	for (unsigned missing = 1; missing < 0x20; missing++)
		for (int release = GUARD_HOLDS; release <= GUARD_TOO_LONG; release++) {
			const struct guard_verdict v = { .missing = missing,
							 .release = (enum guard_release)release,
							 .energised = true };
			char end[400], hold[400];
			guard_end_message(&v, end, sizeof end);
			guard_hold_message(&v, hold, sizeof hold);
			if (most_words(end) > 20 || most_words(hold) > 20 || strncmp(end, "NOT SAFE: the ", 14) != 0 ||
			    strncmp(hold, "NOT SAFE: the ", 14) != 0)
				fail_msg("missing %#x: \"%s\" \"%s\"", missing, end, hold);
			for (int i = 0; i < 5; i++) {
				assert_int_equal(strstr(end, words[i]) != NULL, missing >> i & 1);
				assert_int_equal(strstr(hold, words[i]) != NULL, missing >> i & 1);
			}
		}
}

/* A sequence that cannot go on asks, the guard stops: the number is left out, the sentence stays. */
static void messages_say_what_and_how_much(void **state)
{
	struct guard_verdict v = { .cause = CAUSE_BRAKE_POWER, .value = 512, .limit = 400 };
	char text[300];

	(void)state;
	guard_message(&v, text, sizeof text);
	assert_non_null(strstr(text, "brake slip power 512 W, limit 400 W: "));
	v.limit = NAN;
	guard_message(&v, text, sizeof text);
	assert_non_null(strstr(text, "brake slip power 512 W: "));
	v.value = NAN;
	guard_message(&v, text, sizeof text);
	assert_string_equal(text, cause_sentence(CAUSE_BRAKE_POWER));
	v = (struct guard_verdict){ .missing = GUARD_TURNS, .release = GUARD_NODE, .energised = true };
	guard_end_message(&v, text, sizeof text);
	assert_non_null(strstr(text, "KEEP AWAY"));
	assert_non_null(strstr(text, "The node has released the brake by itself."));
	for (int c = 0; c <= CAUSE_COUNT; c++) {
		assert_true(strlen(cause_word((enum cause)c)) > 2 && strlen(cause_sentence((enum cause)c)) > 20);
		for (int d = 0; d < c; d++)
			assert_string_not_equal(cause_word((enum cause)c), cause_word((enum cause)d));
	}
	assert_string_equal(cause_word(CAUSE_DRIVE_DROPOUT), "drive_dropout");
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(the_longest_end_is_told_whole),
		cmocka_unit_test(a_stop_tells_what_it_did_not_see),
		cmocka_unit_test(what_is_put_right_late_ends_in_order),
		cmocka_unit_test(a_silence_takes_only_what_it_told),
		cmocka_unit_test(a_contact_is_not_seen_open_by_what_was_read_before_it_closed),
		cmocka_unit_test(a_shaft_that_nothing_loaded_is_not_said_to_stand),
		cmocka_unit_test(what_nobody_commanded_is_told),
		cmocka_unit_test(what_is_missing_is_told_in_short_sentences),
		cmocka_unit_test(messages_say_what_and_how_much),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
