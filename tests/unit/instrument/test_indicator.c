/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "instrument/indicator.h"

#include <math.h>

#include "tests/unit/instrument/line_scene.h"

static const char *question = "P";

static enum rc open_indicator(const char *says, bool asks, struct err *err)
{
	struct indicator_setup setup = { .tell = { pattern("{stable=US|ST} {reading} kg"), pattern("OL"),
						   pattern("{over=OK|OVER} {reading} kg") },
					 .n_tell = 3,
					 .division = 0.005,
					 .saturation = 4000 };
	const struct instrument_config config = {
		.name = "indicator g", .roles = ROLE_CELL, .number = 3, .period_s = 0.1, .indicator = &setup
	};

	if (asks)
		setup.ask = pattern(question);
	device_begin("indicator", says);
	return indicator_open(&config, d.end.link, &a_clock, &d.in, err);
}

static void its_reading_is_the_cell_s_count(void **state)
{
	static const struct {
		const char *line;
		int32_t count; /* in steps of 0.005 kg, by hand */
		enum quality quality;
	} rows[] = {
		{ "ST 1.000 kg\r\n", 200, QUALITY_GOOD },
		{ "US -0.015 kg\r\n", -3, QUALITY_UNSTABLE },
		{ "ST -0.010 kg\r\n", -2, QUALITY_GOOD },
		{ "OL\r\n", -4000, QUALITY_SATURATED }, /* the side that it was on */
		{ "US 25.000 kg\r\n", 4000, QUALITY_SATURATED },
		{ "OL\r\n", 4000, QUALITY_SATURATED },
	};
	struct channel *c = &d.snap.channel[CHANNEL_CELL];

	(void)state;
	assert_int_equal(open_indicator("ST 0.500 kg\r\n", false, NULL), RC_OK);
	d.says = NULL;
	look(0.01);
	uint32_t fresh = c->fresh;
	assert_true(d.snap.cell_count == 100 && fresh > 0 && c->instrument == 3);
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		say(rows[i].line);
		look(0.01);
		if (d.snap.cell_count != rows[i].count || c->quality != rows[i].quality || c->fresh != fresh + 1 + i)
			fail_msg("row %zu: count %d, quality %d, fresh %u", i, d.snap.cell_count, (int)c->quality,
				 c->fresh);
	}
	end();
}

/* Half a line, a line in two pieces, one that fits nothing, one too long: what fits is read, and nothing else. */
static void pieces_and_rubbish_are_no_reading(void **state)
{
	char rubbish[400];

	(void)state;
	assert_int_equal(open_indicator("ST 0.500 kg\n", false, NULL), RC_OK);
	d.says = NULL;
	look(0.01);
	uint32_t fresh = d.snap.channel[CHANNEL_CELL].fresh;
	say("ST 1.0");
	look(0.01);
	assert_true(d.snap.channel[CHANNEL_CELL].fresh == fresh);
	say("00 kg\nST 2.000 lb\n");
	look(0.01);
	assert_true(d.snap.channel[CHANNEL_CELL].fresh == fresh + 1 && d.snap.cell_count == 200);
	assert_string_equal(d.in.error, "its newest line fits no form of tell: \"ST 2.000 lb\"");
	memset(rubbish, '7', sizeof rubbish);
	memcpy(rubbish + sizeof rubbish - 14, "ST 3.000 kg\n", 13);
	say(rubbish);
	look(0.01);
	assert_true(d.snap.channel[CHANNEL_CELL].fresh == fresh + 1);
	say("ST 4.000 kg\n");
	look(0.01);
	assert_true(d.snap.cell_count == 800 && d.in.error[0] == '\0');
	end();
}

static void silence_has_an_age(void **state)
{
	const struct channel *c = &d.snap.channel[CHANNEL_CELL];

	(void)state;
	assert_int_equal(open_indicator("ST 0.500 kg\n", false, NULL), RC_OK);
	d.says = NULL;
	look(1);
	assert_true(c->age_s > 0.98 && c->age_s < 1.02);
	now.ns += 3000000000; /* nobody looked: not held against it */
	look(0.01);
	assert_true(c->age_s > 0.98 && c->age_s < 1.04);
	assert_true(d.in.stale_s > 0.499 && d.in.stale_s < 0.501); /* five periods */
	close(d.end.fd);
	d.end.fd = dup(d.end.listening);
	look(0.02);
	assert_true(isinf(c->age_s) && c->quality == QUALITY_MISSING);
	end();
}

static void it_is_asked_once_a_period(void **state)
{
	char heard[100];

	(void)state;
	assert_int_equal(open_indicator("ST 0.500 kg\n", true, NULL), RC_OK);
	d.says = NULL;
	(void)recv(d.end.fd, heard, sizeof heard, MSG_DONTWAIT);
	look(1);
	ssize_t n = recv(d.end.fd, heard, sizeof heard, MSG_DONTWAIT);
	assert_true(n == 20 && memcmp(heard, "P\nP\n", 4) == 0); /* ten questions of two bytes */
	end();
}

static void one_that_is_not_understood_is_refused(void **state)
{
	static const struct {
		const char *says, *words;
	} rows[] = {
		{ "ST 0.500 lb\n", "its newest line fits no form of tell: \"ST 0.500 lb\"" },
		{ NULL, "no line came within 2 s" },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct err err = { 0 };

		assert_int_equal(open_indicator(rows[i].says, false, &err), RC_TIMEOUT);
		if (!strstr(err.what, rows[i].words))
			fail_msg("row %zu: %s", i, err.what);
		end();
	}
}

/* Beyond its range it still shows a number: that one is not believed, its side is. */
static void beyond_its_range(void **state)
{
	(void)state;
	assert_int_equal(open_indicator("OK 0.500 kg\n", false, NULL), RC_OK);
	d.says = NULL;
	for (int i = 0; i < 2; i++) {
		say(i == 0 ? "OVER 20.1 kg\n" : "OVER -0.3 kg\n");
		look(0.01);
		assert_int_equal(d.snap.cell_count, i == 0 ? 4000 : -4000);
		assert_int_equal(d.snap.channel[CHANNEL_CELL].quality, QUALITY_SATURATED);
	}
	end();
}

static enum rc open_silent(struct err *err)
{
	return open_indicator(NULL, false, err);
}

static void its_line_ends_while_it_is_waited_for(void **state)
{
	(void)state;
	a_wait_that_ends(open_silent);
}

/* More than 4096 bytes at once: a tick takes a part, the next one the rest. */
static void a_tick_does_not_read_for_ever(void **state)
{
	char much[5001];

	(void)state;
	memset(much, '\n', sizeof much - 1);
	much[sizeof much - 1] = '\0';
	assert_int_equal(open_indicator("ST 0.500 kg\n", false, NULL), RC_OK);
	d.says = NULL;
	look(0.01);
	say(much);
	say("ST 1.000 kg\n");
	look(0.01);
	assert_int_equal(d.snap.cell_count, 100);
	look(0.01);
	assert_int_equal(d.snap.cell_count, 200);
	end();
}

/* Patterns with a line end of their own get no second one; nobody is asked over a line that is gone. */
static void a_question_s_own_end_is_kept(void **state)
{
	static const char *const texts[] = { "P\\n", "P\\r", "P" };
	static const char *const heard_of[] = { "P\n", "P\r", "P\n" };
	char heard[10];

	(void)state;
	for (int i = 0; i < 3; i++) {
		question = texts[i];
		assert_int_equal(open_indicator("ST 0.500 kg\n", true, NULL), RC_OK);
		question = "P";
		assert_int_equal(recv(d.end.fd, heard, sizeof heard, MSG_DONTWAIT), 2);
		assert_memory_equal(heard, heard_of[i], 2);
		shutdown(d.end.fd, SHUT_RDWR);
		look(0.3);
		assert_true(isinf(d.snap.channel[CHANNEL_CELL].age_s));
		end();
	}
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(its_reading_is_the_cell_s_count),
		cmocka_unit_test(pieces_and_rubbish_are_no_reading),
		cmocka_unit_test(silence_has_an_age),
		cmocka_unit_test(it_is_asked_once_a_period),
		cmocka_unit_test(one_that_is_not_understood_is_refused),
		cmocka_unit_test(beyond_its_range),
		cmocka_unit_test(its_line_ends_while_it_is_waited_for),
		cmocka_unit_test(a_tick_does_not_read_for_ever),
		cmocka_unit_test(a_question_s_own_end_is_kept),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
